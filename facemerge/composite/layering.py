"""Sets a whole person in as a layer: background, whoever stands behind, the person, whoever stands before.

Nothing is bent. The person is taken from the donor as far as they are seen there, moved as a whole, and laid
over the base from which their old self was taken out; everybody in front keeps their own pixels and outline
(Porter and Duff, "Compositing Digital Images", SIGGRAPH 1984, 'over', from memory). Outlines are soft, and
what of the donor's background is mixed into them is replaced by the base's: with the same foreground F and
alpha a, a F + (1 - a) B' is C + (1 - a) (B' - B), so F need not be known.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge import imaging
from facemerge.composite import cut, measure, outline, place, tone
from facemerge.composite.silhouettes import Silhouettes
from facemerge.words import Array, Face, Float

Map = NDArray[np.float32]

MARGIN_FACES, LONGEST_REACH_FACES = 0.35, 4.0
"""How far a layer's window reaches beyond the person, and at most from the face."""
OUTLINE_FACES, RIM_FACES = 0.05, 0.012
"""Radius within which an outline is drawn to the picture's edges, and the rim taken with an old self."""
LOW_SHARE, HIGH_SHARE = 0.15, 0.85
"""Shares that a drawn outline makes 0 and 1."""
KEPT_SHARES = 0.02, 0.4
"""The same for whoever stands in front: a line of old cloth beside them shows less than a cut into them."""
EDGE_STEP = 0.01
"""Step, of full scale, from which the drawn outline follows an edge."""
BARE_SHARE = 0.98
STILL_DELTA_E, STILL_FACES = 2.5, 0.06
"""Where base and donor differ by less, all about, the background stands still whoever it was taken for."""
PART_FACES, PART_REACH_FACES = 0.03, 2.2
"""Smaller parts of a silhouette, in squared face widths, or such as lie farther off, are doubts."""
HEAD_SEEN_SHARE = 0.6
"""A silhouette that shows less of its own head is none."""
PLATES_READ = 3
"""How many further frames are asked what stood behind."""
FEWEST_PX = 12
JUDGED_FACE_PX = 110.0
FEWEST_BODY_FACES = 0.15
"""Less of a body than this, in squared face widths, says nothing of its place."""
LEFT_PRICE = 30.0
"""What is left of an old self, as a share of a head, in units of strangeness."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shot:
    """One frame with everybody's silhouette."""

    pixels: Array
    """(H, W, 3) uint8 or uint16."""
    faces: Mapping[int, Face]
    """Person's index -> face in the frame's pixels."""
    silhouettes: Silhouettes
    base_from_frame: Float
    """(3, 3), full-resolution pixels."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layer:
    """A whole person, laid."""

    offset: tuple[int, int]
    """x, y of the window in the base."""
    below: Map
    """(h, w, 3) the base before, encoded in [0, 1]."""
    shown: Map
    """(h, w, 3) the base after; outside `mask` the same."""
    donor: Map
    """(h, w, 3) the donor as placed and toned."""
    reached: NDArray[np.bool_]
    """(h, w) where the donor's frame reaches."""
    mask: Map
    """(h, w) in [0, 1]."""
    old_left: float
    """Area of the old self that still shows beside the new one, since no frame shows what stood behind; as a
    share of the old head's."""
    strangeness: float
    """The strangest patch where the new self ends on the old one, units as `measure.strangest`."""

    @property
    def shows(self) -> float:
        """How much is to be seen of it, to choose between placements."""
        return self.strangeness + LEFT_PRICE * self.old_left


def in_front(who: int, rows: Sequence[int]) -> tuple[int, ...]:
    """Return who is left as they are where they meet a person: everybody of rows before, and of the same row.

    Parameters
    ----------
    who
        The person's index.
    rows
        Everybody's row, 0 = back.
    """
    return tuple(i for i, row in enumerate(rows) if i != who and row >= rows[who])


class Layering:
    """One person, one base, one donor: what both ways to place the person share."""

    def __init__(
        self,
        base: Shot,
        donor: Shot,
        others: Sequence[Callable[[], Shot | None]],
        who: int,
        front: Sequence[int],
    ) -> None:
        """Take what is laid on what.

        Parameters
        ----------
        base
            The base, with the heads laid so far; its silhouettes are those of the untouched frame.
        donor
            The frame that the person comes from.
        others
            Further frames, the best first, each read when called: they show what stood behind. None is a
            frame whose silhouettes are not told.
        who
            The person's index.
        front
            Who keeps their outline where they meet the person.
        """
        self._base, self._donor, self._others = base, donor, others
        self._who, self._front = who, front
        self.face_px = float(base.faces[who].box[2] - base.faces[who].box[0])
        self._old, self._new = (_parts(shot, who, self.face_px) for shot in (base, donor))

    def placement(self, *, moved: bool) -> Float:
        """Return the (3, 3) matrix base_from_donor, by the person or by the whole frame.

        By the person is by the body: where the new self ends on the old one is body, and a head may turn.
        """
        still = self._donor.base_from_frame
        if not moved:
            return still
        by_head = place.head_from_landmarks(self._base.faces[self._who], self._donor.faces[self._who], still)
        for start in (still, by_head):
            found = self._by_body(start)
            if found is not None:
                return found
        return by_head

    def _by_body(self, start: Float) -> Float | None:
        """Return a placement refined on the body that both frames show; None if it is not found."""
        here = _Window(*self._window(start))
        scale = min(1.0, JUDGED_FACE_PX / self.face_px)
        size = max(8, round(here.size[0] * scale)), max(8, round(here.size[1] * scale))
        placed, reached = here.place(self._donor.pixels, start)
        body = ~outline.above_chin(here.points(self._base.faces[self._who]), here.shape, 0) & reached
        for shot, share, m in ((self._base, self._old, np.eye(3)), (self._donor, self._new, start)):
            body &= here.share(share, shot, m) > 0.7
        region = cv2.resize(body.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)
        if region.sum() < FEWEST_BODY_FACES * JUDGED_FACE_PX**2:
            return None
        base, donor = (
            _grey(cv2.resize(p, size, interpolation=cv2.INTER_AREA))
            for p in (here.cut(self._base.pixels), placed)
        )
        better = place.refine(base, donor, np.asarray(region, np.uint8))
        if better is None:
            return None
        small_from_base = imaging.scale_matrix(here.size, size) @ imaging.shift_matrix(
            *-np.array(here.offset)
        )
        return np.asarray(np.linalg.inv(small_from_base) @ better @ small_from_base @ start)

    def possible(self) -> bool:
        """Return whether both frames tell the person's silhouette, at least about the head."""
        return all(_head_seen(shot, self._who) for shot in (self._base, self._donor))

    def lay(self, *, moved: bool, held: Map | None = None) -> Layer:
        """Return the person laid over the base.

        Parameters
        ----------
        moved
            Whether the person is placed where they are in the base, or stays where they were in the scene.
        held
            (H, W) in [0, 1]: pixels that must not change; None = none.
        """
        base, donor, who = self._base, self._donor, self._who
        placement = self.placement(moved=moved)
        window = self._window(placement)
        here = _Window(*window)
        still = np.eye(3)
        radius = max(4, round(OUTLINE_FACES * self.face_px))
        rim = max(2, round(RIM_FACES * self.face_px))

        below = here.cut(base.pixels)
        bare_base = here.share(base.silhouettes.background, base, still)
        by_frame, _ = here.place(donor.pixels, donor.base_from_frame)
        bare_donor = here.share(donor.silhouettes.background, donor, donor.base_from_frame)
        both = (bare_base > 0.9) & (bare_donor > 0.9)
        if not both.any():
            both = np.ones_like(both)
        gain = tone.gain_field(below, by_frame, both)
        by_frame = tone.apply_gain(by_frame, gain)
        placed, reached = here.place(donor.pixels, placement)
        placed = tone.apply_gain(placed, gain)

        front = _drawn(here.share(base.silhouettes.of(self._front), base, still), below, radius)
        old = _drawn(here.share(self._old, base, still), below, radius)
        new = _drawn(here.share(self._new, donor, placement), placed, radius)
        before = _drawn(here.share(donor.silhouettes.of(self._front), donor, placement), placed, radius)
        new = new * reached
        calm = _still(below, by_frame, max(3, round(STILL_FACES * self.face_px)))
        calm &= self._beside_head(here)
        old, new = np.where(calm, 0, old), np.where(calm, 0, new)

        plate, known = self._plate(here, below, by_frame, bare_base, bare_donor, old, radius, rim)
        known |= calm
        plate = np.where(calm[..., None], below, plate)
        # Where somebody stands before the person in the donor the base's body stays.
        unseen = cv2.dilate(((before > 0.1) | ~reached).astype(np.uint8), _disc(rim + 1)) > 0
        # Their rim is not the person's: it would lie on the cloth as a line.
        new = new * (1 - cv2.GaussianBlur(unseen.astype(np.float32), (0, 0), 1.0))
        taken = ((cv2.dilate((old > 0.05).astype(np.uint8), _disc(rim)) > 0) & ~unseen).astype(np.float32)
        taken = np.asarray(cv2.GaussianBlur(taken, (0, 0), 1.0) * known, np.float32)
        emptied = below * (1 - taken[..., None]) + plate * taken[..., None]
        laid = self._over(here, emptied, placed, new, plate, known, donor, placement, rim)

        doubtful = here.share(base.silhouettes.of(self._front), base, still)
        keep = np.maximum(cv2.dilate(front, _disc(1)), _drawn(doubtful, below, radius, *KEPT_SHARES))
        if held is not None:
            keep = np.maximum(keep, here.cut_map(held))
        keep = np.maximum(keep, here.rim(max(2, round(0.03 * self.face_px))))
        shown = np.clip(below + (1 - keep[..., None]) * (laid - below), 0, 1).astype(np.float32)
        mask = _mask(shown, below, np.maximum(new, taken) * (keep < 1))
        head = (old > 0.5) & outline.above_chin(here.points(base.faces[who]), here.shape, 0)
        left = (old > 0.5) & (taken < 0.5) & (new < 0.5) & (keep < 0.5) & ~unseen
        joins = cv2.morphologyEx(unseen.astype(np.uint8), cv2.MORPH_GRADIENT, _disc(rim)) > 0
        joins &= (np.maximum(old, new) > 0.3) & (keep < 0.5)
        return Layer(
            offset=here.offset,
            below=below,
            shown=np.asarray(below + (shown - below) * (mask > 0)[..., None], np.float32),
            donor=np.asarray(placed, np.float32),
            reached=reached,
            mask=mask,
            old_left=float(left.sum() / max(int(head.sum()), 1)),
            strangeness=self._strangeness(below, placed, shown, joins),
        )

    def _window(self, placement: Float) -> tuple[tuple[int, int], tuple[int, int], tuple[bool, ...]]:
        h, w = self._base.pixels.shape[:2]
        corners = []
        for shot, share, m in ((self._base, self._old, np.eye(3)), (self._donor, self._new, placement)):
            y, x = np.nonzero(share > 0.3)
            full = np.linalg.inv(shot.silhouettes.small_from_frame)
            box = np.array([(x.min(), y.min()), (x.max(), y.min()), (x.min(), y.max()), (x.max(), y.max())])
            corners.append(imaging.transform(m @ full, box))
        points = np.vstack(corners)
        middle = self._base.faces[self._who].landmarks[:, :2].mean(0)
        reach = LONGEST_REACH_FACES * self.face_px
        margin = MARGIN_FACES * self.face_px
        low = np.maximum(points.min(0) - margin, middle - reach)
        high = np.minimum(points.max(0) + margin, middle + reach)
        x0, y0 = (int(max(0, v)) for v in low)
        x1, y1 = int(min(w, high[0] + 1)), int(min(h, high[1] + 1))
        return (x0, y0), (x1 - x0, y1 - y0), (x0 == 0, y0 == 0, x1 == w, y1 == h)

    def _beside_head(self, here: _Window) -> NDArray[np.bool_]:
        points = here.points(self._base.faces[self._who])
        away = outline.head_distance(points, here.shape) > 0.8
        return away & ~outline.hull(points, here.shape, 1.1) & outline.above_chin(points, here.shape, 0)

    def _plate(
        self,
        here: _Window,
        below: Map,
        by_frame: Map,
        bare_base: Map,
        bare_donor: Map,
        old: Map,
        radius: int,
        rim: int,
    ) -> tuple[Map, NDArray[np.bool_]]:
        """Return what stood behind the person, and where any frame shows it."""
        plate = below.copy()
        known = _surely_bare(bare_base, below, radius, rim)
        wanted = cv2.dilate((old > 0.05).astype(np.uint8), _disc(2 * rim)) > 0

        def add(pixels: Map, where: NDArray[np.bool_]) -> None:
            nonlocal known
            use = where & ~known
            plate[use] = pixels[use]
            known = known | use

        add(by_frame, _surely_bare(bare_donor, by_frame, radius, rim))
        for who in self._behind():
            # Somebody behind has moved by themselves: their place in the donor is found by their own face.
            if who in self._base.faces and who in self._donor.faces:
                m = place.head_from_landmarks(
                    self._base.faces[who], self._donor.faces[who], self._donor.base_from_frame
                )
                theirs = here.share(self._donor.silhouettes.of([who]), self._donor, m)
                if ((theirs > BARE_SHARE) & wanted & ~known).sum() > FEWEST_PX:
                    pixels, valid = here.place(self._donor.pixels, m)
                    gain = tone.gain_field(below, pixels, (theirs > 0.5) & ~wanted & valid)
                    add(tone.apply_gain(pixels, gain), valid & (theirs > BARE_SHARE))
        for shot in self._others[:PLATES_READ]:
            if (wanted & ~known).sum() < FEWEST_PX:
                break
            other = shot()
            if other is None:
                continue
            pixels, valid = here.place(other.pixels, other.base_from_frame)
            bare = here.share(other.silhouettes.background, other, other.base_from_frame)
            pixels = tone.apply_gain(pixels, tone.gain_field(below, pixels, (bare > 0.9) & (bare_base > 0.9)))
            add(pixels, valid & _surely_bare(bare, pixels, radius, rim))
        return plate, known

    def _behind(self) -> list[int]:
        return [i for i in self._base.silhouettes.people if i != self._who and i not in self._front]

    def _over(
        self,
        here: _Window,
        under: Map,
        placed: Map,
        alpha: Map,
        plate: Map,
        known: NDArray[np.bool_],
        donor: Shot,
        placement: Float,
        rim: int,
    ) -> Map:
        """Return the person over what is under them, the donor's background taken out of soft outlines."""
        moved = here.inside(placement @ np.linalg.inv(donor.base_from_frame))
        size = under.shape[1], under.shape[0]
        behind = cv2.warpPerspective(plate, moved, size, borderMode=cv2.BORDER_REPLICATE)
        sure = cv2.warpPerspective(known.astype(np.float32), moved, size) > 0.99
        bare = here.share(donor.silhouettes.background, donor, placement) > 0.5
        mixed = (cv2.dilate(bare.astype(np.uint8), _disc(2 * rim)) > 0) & sure
        share = cv2.GaussianBlur(mixed.astype(np.float32), (0, 0), 1.5)[..., None]
        a = alpha[..., None]
        exchanged = placed + (1 - a) * (under - behind)
        exchanged = under + np.clip(a / 0.08, 0, 1) * (exchanged - under)
        plain = under * (1 - a) + placed * a
        return np.asarray(exchanged * share + plain * (1 - share), np.float32)

    def _strangeness(self, below: Map, placed: Map, shown: Map, joins: NDArray[np.bool_]) -> float:
        """Return how strange the strangest patch at the joins is, at the size at which seams are judged."""
        scale = min(1.0, JUDGED_FACE_PX / self.face_px)
        size = max(8, round(joins.shape[1] * scale)), max(8, round(joins.shape[0] * scale))
        seen, base, donor, near = (
            np.asarray(cv2.resize(p, size, interpolation=cv2.INTER_AREA), np.float32)
            for p in (shown, below, placed, joins.astype(np.float32))
        )
        if not (near > 0.3).any():
            return 0.0
        grain_px = max(0.7, measure.GRAIN_PX * scale)
        return measure.strangest(
            seen, (base, donor), near > 0.3, self.face_px * scale, grain_px=grain_px
        ).size


class _Window:
    """A part of the base."""

    def __init__(self, offset: tuple[int, int], size: tuple[int, int], frame_ends: tuple[bool, ...]) -> None:
        self.offset, self.size, self._ends = offset, size, frame_ends
        self._shift = imaging.shift_matrix(-offset[0], -offset[1])

    @property
    def shape(self) -> tuple[int, int]:
        return self.size[1], self.size[0]

    def cut(self, picture: Array) -> Map:
        return np.asarray(imaging.to_unit(np.ascontiguousarray(self.cut_map(picture))), np.float32)

    def cut_map(self, picture: Array) -> Array:
        (x, y), (w, h) = self.offset, self.size
        return picture[y : y + h, x : x + w]

    def place(self, picture: Array, base_from_frame: Float) -> tuple[Map, NDArray[np.bool_]]:
        pixels, valid = place.sample(picture, base_from_frame, self.offset, self.size)
        return np.asarray(imaging.to_unit(pixels), np.float32), valid

    def share(self, share: Map, shot: Shot, base_from_frame: Float) -> Map:
        m = self._shift @ base_from_frame @ np.linalg.inv(shot.silhouettes.small_from_frame)
        laid = cv2.warpPerspective(share, m, self.size, borderMode=cv2.BORDER_REPLICATE)
        return np.asarray(laid, np.float32)

    def inside(self, m: Float) -> Float:
        """Return a matrix of base pixels as one of window pixels."""
        return np.asarray(self._shift @ m @ np.linalg.inv(self._shift))

    def points(self, face: Face) -> Float:
        return np.asarray(face.landmarks[:, :2] - np.array(self.offset), np.float64)

    def rim(self, width: int) -> Map:
        """Return 1 along the sides that are not the frame's own, fading inwards."""
        h, w = self.shape
        y, x = np.arange(h, dtype=np.float32)[:, None], np.arange(w, dtype=np.float32)[None]
        far = np.full((h, w), np.inf, np.float32)
        for end, away in zip(self._ends, (x, y, w - 1 - x, h - 1 - y), strict=True):
            if not end:
                far = np.minimum(far, away)
        return np.asarray(np.clip(1.5 - far / width, 0, 1), np.float32)


def _grey(picture: Array) -> Map:
    return np.asarray(cv2.cvtColor(np.clip(picture, 0, 1), cv2.COLOR_RGB2GRAY), np.float32)


def _disc(radius: int) -> NDArray[np.uint8]:
    size = 2 * radius + 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)), np.uint8)


def _drawn(share: Map, picture: Map, radius: int, low: float = LOW_SHARE, high: float = HIGH_SHARE) -> Map:
    """Return a share drawn to the picture's edges (He et al., "Guided Image Filtering", PAMI 35(6), 2013)."""
    made: Any = cv2.ximgproc
    found = made.guidedFilter(picture, share, radius, EDGE_STEP**2)
    return np.asarray(np.clip((found - low) / (high - low), 0, 1), np.float32)


def _surely_bare(share: Map, picture: Map, radius: int, rim: int) -> NDArray[np.bool_]:
    bare = 1 - _drawn(1 - share, picture, radius)
    return np.asarray(cv2.erode((bare > BARE_SHARE).astype(np.uint8), _disc(rim)) > 0)


def _still(base: Map, donor: Map, reach: int) -> NDArray[np.bool_]:
    """Return where base and donor, both as the camera saw them, are alike all about."""
    lab, other = (cut.to_lab(np.asarray(cv2.GaussianBlur(p, (0, 0), 2.0), np.float32)) for p in (base, donor))
    apart = np.linalg.norm(lab - other, axis=2)
    return np.asarray(cv2.dilate(apart, _disc(reach)) < STILL_DELTA_E)


def _parts(shot: Shot, who: int, face_px: float) -> Map:
    """Return a person's share without scraps that do not belong to them."""
    share = shot.silhouettes.of([who])
    _, labels, told, middles = cv2.connectedComponentsWithStats((share > 0.5).astype(np.uint8))
    unit = face_px * float(np.linalg.norm(shot.silhouettes.small_from_frame[:2, 0]))
    points = imaging.transform(shot.silhouettes.small_from_frame, shot.faces[who].landmarks[:, :2])
    far = np.linalg.norm(middles - points.mean(0), axis=1) > PART_REACH_FACES * unit
    scrap = (told[:, cv2.CC_STAT_AREA] < PART_FACES * unit**2) | far
    scrap[0] = False
    near = cv2.dilate(scrap[labels].astype(np.uint8), _disc(1)) > 0
    return np.where(near & ~((labels > 0) & ~scrap[labels]), 0, share).astype(np.float32)


def _head_seen(shot: Shot, who: int) -> bool:
    if who not in shot.silhouettes.people:
        return False
    share = shot.silhouettes.of([who])
    points = imaging.transform(shot.silhouettes.small_from_frame, shot.faces[who].landmarks[:, :2])
    core = outline.head_distance(points, (share.shape[0], share.shape[1])) < 0.8
    return bool(core.any()) and float((share[core] > 0.5).mean()) > HEAD_SEEN_SHARE


def _mask(shown: Map, below: Map, support: Map) -> Map:
    """Return a soft mask that holds all that has changed; it ends where both pictures are alike."""
    changed = np.abs(shown - below).max(2) > 0.5 / 65535
    inside = ((support > 0.01) & changed).astype(np.uint8)
    inside = cv2.morphologyEx(inside, cv2.MORPH_CLOSE, _disc(2))
    away = cv2.distanceTransform(1 - inside, cv2.DIST_L2, 5)
    return np.asarray(np.clip(1 - away / 3.0, 0, 1), np.float32)
