"""Whose each pixel of a frame is: the background's, or which person's, told from the whole burst.

One photograph does not say where a white sleeve ends before a white wall. A burst does: everybody moves a
little by themselves while the background does not, so a pixel is best explained by the motion of what it
shows (Wang and Adelson, "Representing Moving Images with Layers", IEEE Trans. Image Processing 3(5), 1994);
and what somebody hides in one frame is bare in another, so that the background by itself is known.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge import imaging
from facemerge.composite import appearance, cut, outline, place, tone
from facemerge.words import Array, Face, Float

FACE_PX = 56.0
"""Face width at which people are told apart; the picture's own edges bring the answer to full size."""
# On the maps of five bursts, four frames each, a pixel beside outlines left out: of the pixels that are
# people's 1.1 % are given to somebody else and 0.7 % to the background or from it. Before bodies had their
# own motion and frames corrected one another it was 2.8 and 1.9 % (two of these frames each).
PLACE, MOTION, COLOUR, BARE = 3.0, 4.0, 3.0, 2.0
"""Weights of place in heads, of motion, of the log likelihood of a colour, and of the bare background."""
MOTION_DELTA_E, WORST_MOTION = 6.0, 3.0
BARE_DELTA_E, WORST_BARE = 2.5, 6.0
"""Difference to the bare background that counts one, and the most that it counts."""
AGREEING_SHARE = 0.4
"""Of the other frames so many need to agree with a motion: in the rest somebody may stand before, or blur."""
BACKGROUND_COST, FARTHEST_HEADS, NEAR_COST = 1.0, 1.9, 0.8
"""What it costs in heads to be background, and what is added for each head nearer than `FARTHEST_HEADS`."""
HEAD_REACH, BODY_HALF_WIDTH = 1.15, 1.3
"""How far from a face another frame is not trusted to show the background: in heads, and in face widths."""
STEADY, STEADY_DELTA_E, STEADY_PX = 4.0, 4.0, 7
"""Weight of a pixel about which nothing moves beside a head, the difference, and the width looked at."""
MOST_LIKELY, OPEN = 3.0, 12.0
"""What a colour counts at most, and by how much a part is likelier than the next if hardly any can
change it."""
ABOVE_FACES, BESIDE_FACES = 2.0, 3.0
"""How far above and beside a face its own motion is looked for, in face widths."""
ROUNDS = 2
FEWEST_BODY_PX, BODY_ROOM_PX, BODY_STEPS, BODY_FITS = 60, 8, 8, 0.015
"""Fewer pixels do not tell a body's motion; how far about them is looked at, in how many steps it is sought,
and the difference, of full scale, at which it is found."""
SMOOTHING, SMOOTHING_AGAIN, EDGE_STEPS = 400.0, 60.0, 6.0
"""Strengths of the edge-preserving smoothing, and the 8-bit step that counts as an edge."""
VOTE, VOTE_DELTA_E, VOTES_BEFORE, LEAST_SHARE = 4.0, 6.0, 0.3, 0.02
"""Weight of what other frames say, the difference at which they have little to say, how many votes are as
good as none, and the share that a vote can raise at all."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Glimpse:
    """A frame, small, and where everybody's face is in it."""

    picture: NDArray[np.float32]
    """(h, w, 3) encoded in [0, 1]."""
    faces: Mapping[int, Float]
    """Person's index -> (478, 2) landmarks in small pixels; who was not found is not in it."""
    small_from_frame: Float
    """(3, 3) full-resolution pixels to small ones."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Silhouettes:
    """Whose each pixel of one frame is."""

    shares: NDArray[np.float32]
    """(n + 1, h, w) in [0, 1], summing to 1: of each person, and last of the background."""
    people: tuple[int, ...]
    """The persons' indices, in the order of `shares`."""
    small_from_frame: Float
    body_motions: tuple[Mapping[int, Float], ...] = ()
    """For each other frame that they were told by, person's index -> (3, 3) what lays their body there on
    their body here, in small pixels; who showed too little of it is not in it."""

    def of(self, people: Sequence[int]) -> NDArray[np.float32]:
        """Return (h, w) the share of some people together; of people not in the frame there is none."""
        found = [self.shares[self.people.index(who)] for who in people if who in self.people]
        return np.asarray(sum(found, np.zeros(self.shares.shape[1:], np.float32)), np.float32)

    @property
    def background(self) -> NDArray[np.float32]:
        """(h, w) the background's share."""
        return np.asarray(self.shares[-1])

    def owners(self, to_from_frame: Float, size: tuple[int, int]) -> NDArray[np.int16]:
        """Return (h, w) whose each pixel is, by person's index, -1 = the background, laid on another picture.

        Parameters
        ----------
        to_from_frame
            (3, 3) from this frame's full-resolution pixels to those of the other picture.
        size
            (w, h) of the other picture.
        """
        named = np.array([*self.people, -1], np.int16)[self.shares.argmax(0)]
        m = to_from_frame @ np.linalg.inv(self.small_from_frame)
        laid = cv2.warpPerspective(named, m, size, flags=cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE)
        return np.asarray(laid, np.int16)


def glimpse(pixels: Array, faces: Mapping[int, Face], face_px: float) -> Glimpse:
    """Return a frame small enough to tell people apart.

    Parameters
    ----------
    pixels
        (H, W, 3) uint8 or uint16.
    faces
        Person's index -> face in the frame's pixels.
    face_px
        A usual face's width in the frame's pixels.
    """
    h, w = pixels.shape[:2]
    shrink = min(1.0, FACE_PX / max(face_px, 1.0))
    size = max(8, round(w * shrink)), max(8, round(h * shrink))
    small_from_frame = imaging.scale_matrix((w, h), size)
    small = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)
    return Glimpse(
        picture=np.asarray(imaging.to_unit(small), np.float32),
        faces={who: imaging.transform(small_from_frame, f.landmarks[:, :2]) for who, f in faces.items()},
        small_from_frame=small_from_frame,
    )


def segment(target: Glimpse, others: Sequence[tuple[Glimpse, Float]]) -> Silhouettes:
    """Return whose each pixel of a frame is.

    Every head, every body and the background have a model of their colours, learnt in turn from the pixels
    that are theirs so far (as Rother et al., "GrabCut", 2004, do for two), beside place, motion and the bare
    background; the answer is drawn to the picture's edges (Min et al., "Fast Global Image Smoothing Based on
    Weighted Least Squares", 2014, as OpenCV has it).

    Parameters
    ----------
    target
        The frame.
    others
        Other frames of the burst, all of the same size, each with its (3, 3) target_from_other in
        full-resolution pixels.

    Raises
    ------
    ValueError
        If nobody is in the frame, or there is no other one.
    """
    if not target.faces or not others:
        raise ValueError("segment needs somebody in the frame, and other frames")
    people = tuple(sorted(target.faces))
    points = [target.faces[who] for who in people]
    shape = target.picture.shape[0], target.picture.shape[1]
    lab = _lab(target.picture)
    witnesses = [_witness(target, *other) for other in others]
    still, moved, bare, steady = _explained(target, lab, people, witnesses)
    place_cost = np.stack(
        [appearance.head_cost(p, shape) for p in points] + [appearance.body_cost(p, shape) for p in points]
    )
    near = np.clip(FARTHEST_HEADS - place_cost.min(0), 0, FARTHEST_HEADS)
    beside = np.all([_beside_head(p, shape) for p in points], axis=0)
    bareness = bare - PLACE * (NEAR_COST * near + BACKGROUND_COST) - MOTION * still
    bareness += STEADY * np.where(beside, steady, 0)

    def parts_by(bodies: NDArray[np.float32], rounds: int) -> NDArray[np.float32]:
        motion = np.concatenate([moved, bodies])
        prior: NDArray[np.float32] = np.concatenate(
            [-(PLACE * place_cost + MOTION * motion), bareness[None]]
        ).astype(np.float32)
        return _coloured(lab, prior, points, rounds)

    # Heads turn and shift against bodies, and where bodies are is known only once people are told apart.
    first = parts_by(moved, 1)
    motions = _body_motions(target, people, witnesses, first[len(people) : -1])
    parts = parts_by(np.minimum(moved, _bodies_moved(target, lab, people, witnesses, motions)), ROUNDS)
    shares = np.concatenate([parts[: len(people)] + parts[len(people) : -1], parts[-1:]])
    return Silhouettes(
        shares=_drawn(target, shares, points, SMOOTHING),
        people=people,
        small_from_frame=target.small_from_frame,
        body_motions=motions,
    )


def reconcile(
    target: Glimpse, told: Silhouettes, others: Sequence[tuple[Glimpse, Float, Silhouettes]]
) -> Silhouettes:
    """Return one frame's silhouettes, corrected by what the other frames' own say.

    Every other frame is laid on this one by everybody's motions in turn. Where it then looks the same it
    shows the same, and whose that is there is a vote on whose it is here: what stands in front of somebody,
    and what is blurred, differs from frame to frame, and so do the errors.

    Parameters
    ----------
    target, told
        The frame, and what `segment` gives for it.
    others
        The frames that `segment` was given, in that order, each with its (3, 3) target_from_other in
        full-resolution pixels and its own silhouettes.
    """
    lab = _lab(target.picture)
    h, w = lab.shape[:2]
    n = len(told.people)
    points = [target.faces[who] for who in told.people]
    votes, against = np.zeros((2, n + 1, h, w), np.float32)

    def agreeing(here: NDArray[np.float32], witness: _Witness, motion: Float) -> NDArray[np.float32]:
        laid = _laid(witness.lab, motion, (here.shape[1], here.shape[0]))
        apart = cv2.GaussianBlur(np.linalg.norm(here - laid, axis=2), (0, 0), 1.0)
        return np.asarray(np.exp(-((apart / VOTE_DELTA_E) ** 2)), np.float32)

    for (other, target_from_other, theirs), bodies in zip(others, told.body_motions, strict=True):
        witness = _witness(target, other, target_from_other)
        still = witness.target_from_witness
        alike = agreeing(lab, witness, still)
        share = _laid(theirs.background, still, (w, h))
        votes[-1] += alike * share
        against[-1] += alike * (1 - share)
        for k, who in enumerate(told.people):
            if who not in other.faces:
                continue
            part = _about(target.faces[who], (h, w))
            here = np.ascontiguousarray(lab[part])
            shift = imaging.shift_matrix(-part[1].start, -part[0].start)
            share = theirs.of([who])
            motions = [place.similarity_of(other.faces[who], target.faces[who])]
            motions += [bodies[who]] if who in bodies else []
            most, least = np.zeros((2, *here.shape[:2]), np.float32)
            for motion in motions:
                alike = agreeing(here, witness, shift @ motion)
                laid = _laid(share, shift @ motion, (here.shape[1], here.shape[0]))
                most, least = np.maximum(most, alike * laid), np.maximum(least, alike * (1 - laid))
            votes[(k, *part)] += most
            against[(k, *part)] += least
    said = (votes + VOTES_BEFORE / 2) / (votes + against + VOTES_BEFORE)
    shares = np.maximum(told.shares, LEAST_SHARE) * said**VOTE
    shares /= shares.sum(0)
    return dataclasses.replace(told, shares=_drawn(target, shares, points, SMOOTHING_AGAIN))


def _drawn(target: Glimpse, shares: Float, points: Sequence[Float], strength: float) -> NDArray[np.float32]:
    """Return shares drawn to the picture's edges, and certain where there is no doubt."""
    guide = imaging.from_unit(target.picture, np.uint8)
    made: Any = cv2.ximgproc
    smooth = np.stack(
        [made.fastGlobalSmootherFilter(guide, s.astype(np.float32), strength, EDGE_STEPS) for s in shares]
    )
    smooth = np.clip(smooth, 0, 1)
    _pin(smooth, *appearance.cores(points, smooth.shape[1:]))
    return np.asarray(smooth / np.maximum(smooth.sum(0), 1e-6), np.float32)


def _lab(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    return cut.to_lab(np.asarray(cv2.GaussianBlur(picture, (0, 0), 0.7), np.float32))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Witness:
    """Another frame in the target's exposure."""

    faces: Mapping[int, Float]
    grey: NDArray[np.float32]
    lab: NDArray[np.float32]
    target_from_witness: Float
    """(3, 3) small pixels."""


def _witness(target: Glimpse, other: Glimpse, target_from_other: Float) -> _Witness:
    h, w = target.picture.shape[:2]
    m = target.small_from_frame @ target_from_other @ np.linalg.inv(other.small_from_frame)
    gain = tone.gain_field(target.picture, _laid(other.picture, m, (w, h)), np.ones((h, w), bool))
    exposure = np.median(gain, axis=(0, 1)).astype(np.float32)
    picture = tone.apply_gain(other.picture, np.broadcast_to(exposure, other.picture.shape))
    grey = np.asarray(cv2.cvtColor(np.clip(picture, 0, 1), cv2.COLOR_RGB2GRAY), np.float32)
    return _Witness(faces=other.faces, grey=grey, lab=_lab(picture), target_from_witness=m)


def _explained(
    target: Glimpse,
    lab: NDArray[np.float32],
    people: Sequence[int],
    witnesses: Sequence[_Witness],
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
    """Return what standing still, and everybody's motion, leave unexplained, and what bareness speaks for.

    Returns
    -------
    still : (h, w)
    moved : (n, h, w)
    bare : (h, w)
        Positive where a pixel looks as the bare background does, negative where it does not, 0 where that is
        not known.
    steady : (h, w)
        Share of the other frames in which the pixel and all about it look the same.
    """
    steady: list[NDArray[np.bool_]] = []
    h, w = lab.shape[:2]
    still: list[NDArray[np.float32]] = []
    moved: list[list[NDArray[np.float32]]] = [[] for _ in people]
    plates = np.full((len(witnesses), h, w, 3), np.nan, np.float32)
    for n, witness in enumerate(witnesses):
        laid = _laid(witness.lab, witness.target_from_witness, (w, h))
        still.append(_apart(lab, laid))
        apart = cv2.GaussianBlur(np.linalg.norm(lab - laid, axis=2), (0, 0), 0.7)
        steady.append(cv2.dilate(apart, np.ones((STEADY_PX, STEADY_PX), np.uint8)) < STEADY_DELTA_E)
        hidden = np.zeros((h, w), bool)
        for points in witness.faces.values():
            hidden |= _person_zone(imaging.transform(witness.target_from_witness, points), (h, w))
        plates[n][~hidden] = laid[~hidden]
        for k, who in enumerate(people):
            if who in witness.faces:
                motion = place.similarity_of(witness.faces[who], target.faces[who])
                moved[k].append(_apart_near(lab, witness.lab, motion, _about(target.faces[who], (h, w))))
    unexplained = np.full((len(people), h, w), WORST_MOTION, np.float32)
    for k, who in enumerate(people):
        part = _about(target.faces[who], (h, w))
        unexplained[k][part] = _agreed(moved[k]) if moved[k] else WORST_MOTION / 2
    return (
        _agreed(still),
        unexplained,
        _bareness(lab, plates),
        np.asarray(np.mean(steady, axis=0), np.float32),
    )


def _body_motions(
    target: Glimpse, people: Sequence[int], witnesses: Sequence[_Witness], bodies: NDArray[np.float32]
) -> tuple[Mapping[int, Float], ...]:
    """Return for each witness, by person's index, the (3, 3) motion that lays their body on the target's.

    `bodies` is (n, h, w), the chance of each pixel to be a body's, as far as it is known.
    """
    grey = np.asarray(cv2.cvtColor(target.picture, cv2.COLOR_RGB2GRAY), np.float32)
    motions: tuple[dict[int, Float], ...] = tuple({} for _ in witnesses)
    for k, who in enumerate(people):
        body = bodies[k] > 0.5
        if int(body.sum()) < FEWEST_BODY_PX:
            continue
        y, x = np.nonzero(body)
        rows = slice(max(0, int(y.min()) - BODY_ROOM_PX), int(y.max()) + BODY_ROOM_PX)
        columns = slice(max(0, int(x.min()) - BODY_ROOM_PX), int(x.max()) + BODY_ROOM_PX)
        wanted = np.ascontiguousarray(grey[rows, columns], np.float32)
        region = body[rows, columns]
        shift = imaging.shift_matrix(-columns.start, -rows.start)
        for witness, found in zip(witnesses, motions, strict=True):
            motion = _onto(wanted, region, witness, _starts(target, witness, who), shift)
            found[who] = np.asarray(np.linalg.inv(shift) @ motion)
    return motions


def _bodies_moved(
    target: Glimpse,
    lab: NDArray[np.float32],
    people: Sequence[int],
    witnesses: Sequence[_Witness],
    motions: Sequence[Mapping[int, Float]],
) -> NDArray[np.float32]:
    """Return (n, h, w) what everybody's body, moved by itself, leaves unexplained."""
    h, w = lab.shape[:2]
    found = np.full((len(people), h, w), WORST_MOTION, np.float32)
    for k, who in enumerate(people):
        part = _about(target.faces[who], (h, w))
        apart = [
            _apart_near(lab, witness.lab, theirs[who], part)
            for witness, theirs in zip(witnesses, motions, strict=True)
            if who in theirs
        ]
        if apart:
            found[k][part] = _agreed(apart)
    return found


def _starts(target: Glimpse, witness: _Witness, who: int) -> list[Float]:
    """Return the (3, 3) motions from which somebody's body is sought: with the head, and at rest."""
    starts = [witness.target_from_witness]
    if who in witness.faces:
        starts.append(place.similarity_of(witness.faces[who], target.faces[who]))
    return starts


def _onto(
    wanted: NDArray[np.float32],
    region: NDArray[np.bool_],
    witness: _Witness,
    starts: Sequence[Float],
    shift: Float,
) -> Float:
    """Return the (3, 3) motion that lays a witness best on a region of a grey picture."""
    size = wanted.shape[1], wanted.shape[0]
    best, least = shift @ starts[0], np.inf
    for start in starts:
        motion = shift @ start
        laid = _laid(witness.grey, motion, size)
        found = place.refine(wanted, laid, region.astype(np.uint8), BODY_STEPS)
        for m in (motion,) if found is None else (motion, found @ motion):
            apart = np.abs(_laid(witness.grey, m, size) - wanted)[region]
            # Half of a body may be behind somebody else there: what fits counts more than what does not.
            cost = float(np.median(apart)) + 0.3 * float(np.minimum(apart, 0.1).mean())
            if cost < least:
                best, least = m, cost
        if least < BODY_FITS:
            break
    return np.asarray(best)


def _laid(picture: NDArray[np.float32], m: Float, size: tuple[int, int]) -> NDArray[np.float32]:
    return np.asarray(
        cv2.warpPerspective(picture, m, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    )


def _apart(a: NDArray[np.float32], b: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.asarray(cv2.GaussianBlur(np.linalg.norm(a - b, axis=2), (0, 0), 1.5), np.float32)


def _about(points: Float, shape: tuple[int, int]) -> tuple[slice, slice]:
    """Return the rows and columns in which somebody with that face may be."""
    wide = float(np.ptp(points[:, 0]))
    x, y = points.mean(0)
    return (
        slice(max(0, int(y - ABOVE_FACES * wide)), shape[0]),
        slice(
            min(max(0, int(x - BESIDE_FACES * wide)), shape[1] - 1),
            max(min(shape[1], int(x + BESIDE_FACES * wide)), 1),
        ),
    )


def _apart_near(
    lab: NDArray[np.float32], there: NDArray[np.float32], motion: Float, part: tuple[slice, slice]
) -> NDArray[np.float32]:
    """Return how far two pictures are apart in a part of the first, the other laid on it by a motion."""
    here = np.ascontiguousarray(lab[part])
    m = imaging.shift_matrix(-part[1].start, -part[0].start) @ motion
    return _apart(here, _laid(there, m, (here.shape[1], here.shape[0])))


def _agreed(apart: Sequence[NDArray[np.float32]]) -> NDArray[np.float32]:
    rank = round(AGREEING_SHARE * (len(apart) - 1))
    found = np.partition(np.stack(apart), rank, axis=0)[rank]
    return np.asarray(np.minimum(found / MOTION_DELTA_E, WORST_MOTION), np.float32)


def _person_zone(points: Float, shape: tuple[int, int]) -> NDArray[np.bool_]:
    """Return where somebody with that face may hide the background."""
    wide, high = np.ptp(points, axis=0)
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]]
    body = (np.abs(x - points[:, 0].mean()) < BODY_HALF_WIDTH * wide) & (y > points[:, 1].max() - 0.1 * high)
    return np.asarray(body | (outline.head_distance(points, shape) < HEAD_REACH))


def _beside_head(points: Float, shape: tuple[int, int]) -> NDArray[np.bool_]:
    """Return where a head and its hair may end: outside its core, above its chin or beside its body."""
    x = np.arange(shape[1])[None]
    body = np.abs(x - points[:, 0].mean()) < BODY_HALF_WIDTH * np.ptp(points[:, 0])
    below = ~outline.above_chin(points, shape, 0)
    return np.asarray((outline.head_distance(points, shape) > appearance.CORE_HEADS) & ~(below & body))


def _bareness(lab: NDArray[np.float32], plates: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return what likeness to the bare background, the median of the frames that show it, speaks for."""
    seen = (~np.isnan(plates[..., 0])).sum(0)
    known = seen > 0
    # NaN sorts last, so the median of `seen` values is at half their number.
    order = np.sort(plates[:, known], axis=0)
    plate = np.take_along_axis(order, ((seen[known] - 1) // 2)[None, :, None], axis=0)[0]
    apart = np.zeros(lab.shape[:2], np.float32)
    apart[known] = np.linalg.norm(lab[known] - plate, axis=1)
    soft = cv2.GaussianBlur(apart, (0, 0), 1.0)
    return np.asarray(np.where(known, BARE - np.minimum(soft / BARE_DELTA_E, WORST_BARE), 0), np.float32)


def _coloured(
    lab: NDArray[np.float32], prior: NDArray[np.float32], points: Sequence[Float], rounds: int
) -> NDArray[np.float32]:
    """Return (2 n + 1, h, w) chances of heads, bodies and background once everybody's colours are learnt."""
    sure, who = appearance.cores(points, (lab.shape[0], lab.shape[1]))
    parts = appearance.told(prior, sure, who)
    boxes = appearance.colour_boxes(lab)
    # What hardly any colour can change need not be reckoned.
    two = np.partition(prior, -2, axis=0)[-2:]
    open_ = (two[1] - two[0] < OPEN) & ~sure
    there = tuple(b[open_] for b in boxes)
    for _ in range(rounds):
        calm = [cv2.GaussianBlur(part, (0, 0), 1.0) for part in parts]
        models = [appearance.colour_model(boxes, np.where(p > 0.5, p, 0)) for p in calm]
        colour = np.stack([model[there] for model in models])
        most = colour.max(0)
        usual = most + np.log(np.exp(colour - most).mean(0))
        said = COLOUR * np.clip(colour - usual, -MOST_LIKELY, MOST_LIKELY)
        parts[:, open_] = appearance.chances(prior[:, open_] + said)
    return parts


def _pin(shares: NDArray[np.float32], sure: NDArray[np.bool_], who: NDArray[np.intp]) -> None:
    """Give the pixels of which there is no doubt to whose they are, in place."""
    shares[:, sure] = 0
    y, x = np.nonzero(sure)
    shares[who[y, x], y, x] = 1
