"""What all ways to set one head in share: the base at working size, and the donor as a placement lays it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge import imaging
from facemerge.composite import cut, outline, place, tone, whose
from facemerge.models import Models
from facemerge.words import Array, Face, Float, Pixels

PERSON_CHANCE = 0.5
BELOW_CHIN_FACES = 0.07
"""How far below the chin the head is taken whole; then neck and clothes may be cut."""
HAIR_HEADS = 1.6
"""How far out, in heads, a person's pixels are taken for hair and not for a shoulder."""
GHOST_PX = 9
"""Working pixels across from which a neighbour's ghost, or a gap between people, counts."""
FINE_SCALE = 0.6
KNOWN_SHARE = 0.97
"""From which share on a filling counts as all there is."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Window:
    """The part of the base a head may touch, and its smaller working copy."""

    offset: tuple[int, int]
    """x, y of its corner in the base."""
    size: tuple[int, int]
    """(w, h) in base pixels."""
    work_size: tuple[int, int]
    """(w, h) at which seams are sought."""
    face_px: float
    """Face width at full resolution."""
    frame_ends: tuple[bool, bool, bool, bool] = (False, False, False, False)
    """Whether the left, top, right and bottom edge is the frame's own: no seam is needed there."""

    @property
    def scale(self) -> float:
        """Working pixels a base pixel."""
        return self.work_size[0] / self.size[0]

    @property
    def fine(self) -> bool:
        """Whether the working copy is hardly smaller than the window."""
        return self.scale > FINE_SCALE

    @property
    def shape(self) -> tuple[int, int]:
        """(h, w) of the working copy."""
        return self.work_size[1], self.work_size[0]

    def to_work(self, points: Array) -> Float:
        """Return (N, 2) base pixels in working pixels."""
        moved = np.asarray(points, np.float64)[:, :2] - np.array(self.offset)
        return imaging.transform(imaging.scale_matrix(self.size, self.work_size), moved)

    def shrink(self, picture: Array) -> NDArray[np.float32]:
        """Return a picture of the window, of any dtype, as float32 in [0, 1] at working size."""
        unit = imaging.to_unit(picture) if picture.dtype != np.float32 else picture
        return np.asarray(np.clip(imaging.resize(unit, self.work_size), 0, 1), np.float32)

    def shrink_mask(self, mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Return a mask of the window at working size; a pixel is True if any part of it is."""
        small = cv2.resize(mask.astype(np.float32), self.work_size, interpolation=cv2.INTER_AREA)
        return np.asarray(small > 0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stage:
    """What all trials share: the base, at working size."""

    window: Window
    base: NDArray[np.float32]
    """(h, w, 3) encoded in [0, 1], with the heads laid so far."""
    untouched: NDArray[np.float32]
    """The same without them."""
    held: NDArray[np.bool_]
    """Pixels that must not change."""
    face: Float
    """(478, 2) the person's landmarks in the base."""
    others: tuple[Float, ...]
    """Everybody else's."""
    anybody: NDArray[np.bool_]
    """Pixels that show a person in the base, whoever it is."""
    person: NDArray[np.bool_]
    """Pixels that show this one."""
    neighbours: NDArray[np.bool_]
    """Pixels that show somebody else."""
    moves: tuple[Float, ...]
    """(2,) each, working pixels: how this person, then the others, moved from the donor under the global
    homography to the base."""
    base_from_donor: Float
    """(3, 3) the global homography, full-resolution pixels."""
    mine_before: NDArray[np.bool_]
    """Pixels of the donor under the global homography that show this person."""
    anybody_before: NDArray[np.bool_]
    """Those that show anybody."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Seen:
    """A third frame as it lies on the window."""

    pixels: Pixels
    """(H, W, 3) the whole frame."""
    base_from_frame: Float
    small: NDArray[np.float32]
    """(h, w, 3) at working size, encoded in [0, 1], toned to the base."""
    clear: NDArray[np.bool_]
    """(h, w) working pixels that it reaches and where nobody stands."""
    gain: NDArray[np.float32]
    """(h, w, 3) factor on linear light that toned it."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Filling:
    """Part of a third frame that stands in for the donor."""

    seen: Seen
    share: NDArray[np.float32]
    """(h, w) in [0, 1], working size: how much of it is taken."""

    def laid(self, picture: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return a (h, w, 3) picture of working size with this laid over it."""
        share = self.share[..., None]
        return np.asarray(picture * (1 - share) + self.seen.small * share, np.float32)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Laid:
    """The donor as one placement lays it, at working size, before any bend."""

    placement: place.Placement
    donor: NDArray[np.float32]
    """(h, w, 3) encoded in [0, 1], toned to the base."""
    apart: NDArray[np.float32]
    """(h, w) its colour difference to the base, CIELAB units."""
    known: NDArray[np.bool_]
    """Pixels that the donor frame reaches."""
    people: NDArray[np.bool_]
    """Pixels that show anybody."""
    person: NDArray[np.bool_]
    """Pixels that show the person whose head it is."""
    neighbours: NDArray[np.bool_]
    """Pixels that show somebody else."""
    others: tuple[Float, ...]
    """Everybody else's landmarks."""
    other_heads: NDArray[np.bool_]
    """Pixels that show other people's heads."""
    inside: NDArray[np.bool_]
    """What must lie inside the seam."""
    head: NDArray[np.bool_]
    """The new head by itself."""
    gain: NDArray[np.float32]
    """(h, w, 3) factor on linear light that toned it."""
    flow: NDArray[np.float32]
    """(h, w, 2) working pixels: the base's pixel q is the donor's at q + flow, wherever both show it."""
    fillings: tuple[Filling, ...] = ()
    """Third frames laid over the donor, in this order."""
    lacking: NDArray[np.bool_] | None = None
    """Pixels of the old head of whose background no frame has shown anything; None = none."""


Fill = Callable[[NDArray[np.bool_], NDArray[np.bool_]], tuple[Filling, ...]]
"""(what the donor lacks, what is worth reading a frame for) -> what fills it."""


def nothing(lacking: NDArray[np.bool_], wanted: NDArray[np.bool_]) -> tuple[Filling, ...]:
    """Return no filling: there is no third frame."""
    return ()


def stage(
    window: Window,
    base: Array,
    untouched: Array,
    held: NDArray[np.bool_],
    faces: tuple[Face, Face],
    base_others: Sequence[Face],
    donor_others: Sequence[Face],
    donor: Array,
    base_from_donor: Float,
    models: Models,
) -> Stage:
    """Return what all trials of one head share.

    Parameters
    ----------
    window
        The part of the base.
    base, untouched, held
        The window's pixels with and without the heads laid so far, and those that must not change.
    faces
        The person's face in the base and in the donor, each in own pixels.
    base_others, donor_others
        Everybody else's.
    donor, base_from_donor
        The whole donor frame and its global homography.
    models
        The networks.
    """
    small = window.shrink(base)
    own = window.to_work(faces[0].landmarks)
    near = tuple(window.to_work(f.landmarks) for f in base_others)
    placed = [
        window.to_work(imaging.transform(base_from_donor, f.landmarks[:, :2]))
        for f in (faces[1], *donor_others)
    ]
    moves = _moves((own, *near), placed)
    pixels, _ = place.sample(donor, base_from_donor, window.offset, window.size, fine=window.fine)
    there = window.shrink(pixels)
    left = _unexplained(small, there, moves)
    seen, seen_there = people(small, models), people(there, models)
    mine, anybody = whose.ownership(small, seen, (own, *near), left)
    # The same evidence seen from the donor: each person's map moved back to where the donor has them.
    mine_before, anybody_before = whose.ownership(
        there,
        seen_there,
        [p - m for p, m in zip((own, *near), moves, strict=True)],
        [shifted(e, m) for e, m in zip(left, moves, strict=True)],
    )
    return Stage(
        window=window,
        base=small,
        untouched=small if untouched is base else window.shrink(untouched),
        held=window.shrink_mask(held),
        face=own,
        others=near,
        anybody=_whole(anybody, seen),
        person=outline.person(mine > PERSON_CHANCE, own),
        neighbours=(anybody > PERSON_CHANCE) & (mine < PERSON_CHANCE),
        moves=moves,
        base_from_donor=base_from_donor,
        mine_before=mine_before > PERSON_CHANCE,
        anybody_before=_whole(anybody_before, seen_there),
    )


def _whole(told: NDArray[np.float32], seen: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Return the (h, w) pixels that show anybody by either account, without holes too small to be wall.

    The wall is laid straight where nobody is: a hole in somebody's cloth would show bricks.
    """
    found = (told > PERSON_CHANCE) | (seen > PERSON_CHANCE)
    _, labels, told_of, _ = cv2.connectedComponentsWithStats((~found).astype(np.uint8), connectivity=4)
    small = told_of[:, cv2.CC_STAT_AREA] < GHOST_PX**2
    return np.asarray(found | small[labels])


def _moves(here: Sequence[Float], there: Sequence[Float]) -> tuple[Float, ...]:
    """Return how each face of `here` has moved from its nearest in `there`; the first belong together."""
    moves = [np.median(here[0] - there[0], axis=0)]
    for points in here[1:]:
        wide = float(np.ptp(points[:, 0]))
        apart = [np.median(points - p, axis=0) for p in there[1:]]
        lengths = [float(np.linalg.norm(a)) for a in apart]
        best = int(np.argmin(lengths)) if lengths else -1
        moves.append(apart[best] if best >= 0 and lengths[best] < wide / 2 else np.zeros(2))
    return tuple(moves)


def _unexplained(
    base: NDArray[np.float32], donor: NDArray[np.float32], moves: Sequence[Float]
) -> list[NDArray[np.float32]]:
    """Return for each move the colour difference that is left once the donor is moved by it."""
    lab = cut.to_lab(calm(base))
    other = cut.to_lab(calm(donor))
    # Exposure as a whole is no sign of motion.
    other = other + np.median((lab - other).reshape(-1, 3), axis=0)
    return [
        np.asarray(
            cv2.GaussianBlur(np.linalg.norm(lab - shifted(other, -m), axis=2), (0, 0), 2.0), np.float32
        )
        for m in moves
    ]


def shifted(image: NDArray[np.float32], by: Float) -> NDArray[np.float32]:
    """Return a picture read at each pixel plus (x, y)."""
    m = np.array([[1, 0, by[0]], [0, 1, by[1]]], np.float64)
    size = (image.shape[1], image.shape[0])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpAffine(image, m, size, flags=flags, borderMode=cv2.BORDER_REPLICATE))


def people(unit: NDArray[np.float32], models: Models) -> NDArray[np.float32]:
    """Return the network's chance in [0, 1] that a pixel shows anybody, (h, w)."""
    return models.people(imaging.from_unit(unit, np.uint8))


def laid_out(
    common: Stage,
    placement: place.Placement,
    donor: Array,
    face: Face,
    others: Sequence[Face],
    also: NDArray[np.bool_],
    models: Models,
    fill: Fill = nothing,
) -> Laid:
    """Return a donor as one placement lays it, toned, before any bend: what several attempts share.

    Parameters
    ----------
    common
        The base.
    placement
        Where the donor is laid.
    donor
        (H, W, 3) the whole donor frame.
    face, others
        The person's face and everybody else's in the donor frame's pixels.
    also
        (h, w) working pixels that must come to lie inside the seam whatever this placement shows there.
    models
        The networks.
    fill
        Gives third frames for what the donor does not show.
    """
    window = common.window
    pixels, valid = place.sample(
        donor, placement.base_from_donor, window.offset, window.size, fine=window.fine
    )
    small, known = window.shrink(pixels), ~window.shrink_mask(~valid)
    new = window.to_work(imaging.transform(placement.base_from_donor, face.landmarks[:, :2]))
    near = [window.to_work(imaging.transform(placement.base_from_donor, f.landmarks[:, :2])) for f in others]
    # Beyond the frame's edge there is nobody, though its last pixels are carried on.
    seen = _as_placed(common, placement, common.anybody_before) & known
    mine = _as_placed(common, placement, common.mine_before)
    will = outline.person(mine & known, new)
    inside = heads(common, will, new) | also
    gain = tone.gain_field(common.base, small, known & ~inside)
    small = tone.apply_gain(small, gain)
    laid = Laid(
        placement=placement,
        donor=small,
        apart=difference(common.base, small),
        known=known,
        people=seen,
        person=will,
        neighbours=seen & ~mine,
        others=tuple(near),
        other_heads=outline.heads(seen, new, near, mine),
        inside=inside,
        head=heads(common, will, new, old=False),
        gain=gain,
        flow=place.flow(_grey(common.base), _grey(small)),
    )
    return _filled(common, laid, new, mine, fill)


def _as_placed(common: Stage, placement: place.Placement, before: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return a (h, w) map of the donor under the global homography as another placement lays it."""
    window = common.window
    work_from_base = imaging.scale_matrix(window.size, window.work_size) @ imaging.shift_matrix(
        -window.offset[0], -window.offset[1]
    )
    moved = placement.base_from_donor @ np.linalg.inv(common.base_from_donor)
    m = work_from_base @ moved @ np.linalg.inv(work_from_base)
    laid = cv2.warpPerspective(
        before.astype(np.float32),
        m,
        window.work_size,
        flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(laid > PERSON_CHANCE)


def _filled(common: Stage, laid: Laid, new: Float, mine: NDArray[np.bool_], fill: Fill) -> Laid:
    """Return the laid donor with third frames where it shows nothing of what the old head hid."""
    shape = common.window.shape
    steps = [_steps(points, common.others) for points in laid.others]
    each = [outline.heads(laid.people, new, [points], mine) for points in laid.others]
    # Where the new head itself is cut off by the donor's edge nothing else may take its place.
    beyond = ~laid.known & ~(outline.head_distance(new, shape) < 1.0)
    left = ghosts(list(zip(each, steps, strict=True)), common.person & laid.inside, laid.person)
    wanted = (~laid.known & laid.inside & common.person) | left
    if not wanted.any():
        return laid
    found = fill(beyond | left, wanted)
    donor, filled = laid.donor, np.zeros(shape, bool)
    for filling in found:
        donor = filling.laid(donor)
        filled |= filling.share >= KNOWN_SHARE
    lacking = wanted & ~filled
    if not found:
        return replace(laid, lacking=lacking)
    return replace(
        laid,
        donor=donor,
        apart=difference(common.base, donor),
        known=laid.known | filled,
        people=laid.people & ~filled,
        neighbours=laid.neighbours & ~filled,
        other_heads=laid.other_heads & ~filled,
        flow=place.flow(_grey(common.base), _grey(donor)),
        fillings=found,
        lacking=lacking,
    )


def _steps(points: Float, here: Sequence[Float]) -> Float:
    """Return how a neighbour has moved to where the base has them; nought if nobody is near enough."""
    apart = [np.median(other - points, axis=0) for other in here]
    if not apart:
        return np.zeros(2)
    nearest = min(apart, key=lambda a: float(np.linalg.norm(a)))
    return nearest if np.linalg.norm(nearest) < np.ptp(points[:, 0]) else np.zeros(2)


def ghosts(
    donor_heads: Sequence[tuple[NDArray[np.bool_], Float]], old: NDArray[np.bool_], mine: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Return where the placed donor shows a neighbour before what the old head hid, who stands there no more.

    Parameters
    ----------
    donor_heads
        Each neighbour's head in the placed donor, (h, w), and how they moved from there to the base, (2,).
    old
        (h, w) the person's old head in the base.
    mine
        (h, w) pixels of the placed donor that show the person.
    """
    found = np.zeros(old.shape, bool)
    for head, move in donor_heads:
        m = np.array([[1, 0, move[0]], [0, 1, move[1]]], np.float64)
        now = cv2.warpAffine(head.astype(np.uint8), m, (old.shape[1], old.shape[0])) > 0
        found |= head & ~(cv2.dilate(now.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0)
    # A neighbour who turned leaves slivers; what is taken for a second head is broader.
    solid = cv2.morphologyEx(
        (found & old & ~mine).astype(np.uint8), cv2.MORPH_OPEN, np.ones((GHOST_PX, GHOST_PX), np.uint8)
    )
    return np.asarray(solid > 0)


def heads(common: Stage, will: NDArray[np.bool_], new: Float, *, old: bool = True) -> NDArray[np.bool_]:
    """Return what must lie inside the seam: the old head and the new one down to the chin, and a rim.

    Parameters
    ----------
    common
        The base.
    will
        (h, w) pixels of the placed donor that show the person.
    new
        (478, 2) their landmarks there.
    old
        Whether the old head is wanted, or the new one alone.
    """
    shape = common.window.shape
    margin = BELOW_CHIN_FACES * common.window.face_px * common.window.scale
    chin = outline.above_chin(common.face, shape, margin) | outline.above_chin(new, shape, margin)
    both = np.zeros(shape, bool)
    for pixels, points in ((will, new), (common.person, common.face))[: 2 if old else 1]:
        near = outline.head_distance(points, shape) < HAIR_HEADS
        both |= (pixels & near & chin) | outline.hull(points, shape, 1.05)
    return np.asarray(cv2.dilate(both.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0)


def _grey(unit: NDArray[np.float32]) -> NDArray[np.uint8]:
    return np.asarray(cv2.cvtColor(imaging.from_unit(unit, np.uint8), cv2.COLOR_RGB2GRAY))


def calm(unit: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return a picture with its grain averaged away."""
    return np.asarray(cv2.GaussianBlur(unit, (0, 0), 1.0))


def difference(base: NDArray[np.float32], donor: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the (h, w) colour difference of two pictures in CIELAB units, grain averaged."""
    return np.asarray(np.linalg.norm(cut.to_lab(calm(base)) - cut.to_lab(calm(donor)), axis=2), np.float32)
