"""Looks a head over in the finished picture: what a viewer may find, where, of what kind, and whose it is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge import imaging
from facemerge.faults import lines
from facemerge.faults.patches import PATCH_FACES, Peak, even, peaks, strangeness
from facemerge.faults.strips import strips
from facemerge.window import Window
from facemerge.words import Array, FaultKind, Head

Map = NDArray[np.float32]
Mask = NDArray[np.bool_]

GRAIN_PX = 2.0
"""Width, in base pixels, over which an eye at viewing distance averages grain."""
MOST_PLACES, LEAST_STRANGE, APART_FACES = 10, 0.5, 0.2
"""How many places are named, how strange they are at least, and how far they lie apart."""
NEAR_PX = 2
"""How far about what has changed it is looked, in working pixels."""
LEAST_STRIP, ROOM_PX = 5.0, 9
MIXED, APART_DELTA_E, MIX_ERROR = (0.2, 0.8), 6.0, 0.35
"""Shares of the donor between which both frames show through, by how much they have to differ, and how much
of that may be left unexplained."""
SMEARED, FINE_FACES, FINE_LEAST = 0.4, 0.02, 1.0
"""Share of the lesser frame's fine detail below which it is lost, how fine that is, and the least that
counts, in 8-bit steps."""
UNEVEN = 2.5
"""How many times as crisp one half of a patch is, against the same halves in either frame."""
PLAIN_DELTA_E = 2.0
COHERENT = 0.6
INSIDE_PX, CHANGED_DELTA_E = 2, 2.5
"""How far within somebody's outline, in working pixels, their pixels are surely theirs, and by how much one
has changed that is seen to."""
LEAST_LINES_PX = 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Owners:
    """Whose each pixel of a head's layer is, before and in the donor's frame as it was laid."""

    before: NDArray[np.int16]
    """(h, w) person's index in the untouched base, -1 = background; of any size, laid over the layer."""
    donor: NDArray[np.int16]
    """The same for the donor."""
    who: int
    """Index of whoever was set in."""
    names: Mapping[int, str]
    """Person's index -> id."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """What was found at one place."""

    kind: FaultKind
    amount: float
    """In the kind's own unit."""
    at: tuple[float, float]
    """x, y in base pixels."""
    size_px: float
    """About how far across, in base pixels."""
    mass: float = 0.0
    """Of a place that looks like neither frame, by how much it does so above `LEAST_STRANGE`, summed over its
    area in squared face widths."""
    person: str | None = None
    """Whose pixels suffer, if not those of whoever was set in."""


def find(
    before: Array, head: Head, face_px: float, owners: Owners | None = None, true_px: float = 1.0
) -> list[Place]:
    """Return what a viewer may find of a head in the finished picture.

    It is looked at where the finished picture differs from the one before, at the size at which faces are
    110 px wide, and held against that picture and the donor's as it was laid.

    Parameters
    ----------
    before
        (h, w, 3) uint8 or uint16: what the head is laid over, within its layer.
    head
        As it is laid.
    face_px
        Width of the person's face in the base, pixels.
    owners
        Whose the pixels are; None: nobody else can be concerned.
    true_px
        How many pixels of the true picture one of these is, if they are a smaller stand-in's: amounts in
        pixels are told in true ones.

    Returns
    -------
    list of Place
        Places that look like neither frame, the strangest first, none within `APART_FACES` of another; then
        lines that do not meet; then what others have lost.
    """
    look = _Look(before, head, face_px, owners)
    if not look.changed.any():
        return []
    return [*look.strange_places(), *look.broken_lines(true_px), *look.neighbours()]


class _Look:
    """A head's layer at working size."""

    def __init__(self, before: Array, head: Head, face_px: float, owners: Owners | None) -> None:
        self._owners = owners
        h, w = head.mask.shape
        self.window = Window(offset=head.offset, size=(w, h), face_px=face_px)
        self.face_px = face_px * self.window.scale
        self.before, laid = self._small(before), self._small(head.pixels)
        self.mask = np.asarray(imaging.to_unit(imaging.resize(head.mask, self.window.work_size)), np.float32)
        self.seen = np.asarray(self.before + self.mask[..., None] * (laid - self.before), np.float32)
        self.donor = laid if head.donor is head.pixels else self._small(head.donor)
        self.changed: Mask = self.mask > 0
        self.sources = [self.before, self.donor]

    def _small(self, picture: Array) -> Map:
        # Resized as it is stored: a float copy at full size would take most of the time.
        small = imaging.to_unit(imaging.resize(np.ascontiguousarray(picture), self.window.work_size))
        return np.asarray(np.clip(small, 0, 1), np.float32)

    @property
    def grain_px(self) -> float:
        """Over how many working pixels grain is averaged."""
        return max(0.7, GRAIN_PX * self.window.scale)

    @cached_property
    def even(self) -> list[Map]:
        """The finished picture, the one before and the donor, their distances those that are seen."""
        return [even(p, self.grain_px) for p in (self.seen, self.before, self.donor)]

    @cached_property
    def fine(self) -> list[Map]:
        """(h, w) each: the finest detail of the three, 8-bit steps, squared."""
        sigma = max(1.0, FINE_FACES * self.face_px)
        found = []
        for picture in (self.seen, self.before, self.donor):
            grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY) * 255
            found.append(np.asarray((grey - cv2.GaussianBlur(grey, (0, 0), sigma)) ** 2, np.float32))
        return found

    @cached_property
    def others(self) -> dict[str, Mask]:
        """Id -> (h, w) where pixels are surely somebody's who was not set in."""
        owners = self._owners
        if owners is None:
            return {}
        before = self._laid(owners.before)
        kernel = np.ones((2 * INSIDE_PX + 1,) * 2, np.uint8)
        return {
            owners.names[i]: cv2.erode((before == i).astype(np.uint8), kernel) > 0
            for i in np.unique(before).tolist()
            if i not in (-1, owners.who)
        }

    @cached_property
    def covered(self) -> Mask:
        """(h, w) where the donor shows whoever was set in: they may well stand before somebody there."""
        owners = self._owners
        return np.zeros_like(self.changed) if owners is None else self._laid(owners.donor) == owners.who

    def _laid(self, labels: NDArray[np.int16]) -> NDArray[np.int16]:
        laid = cv2.resize(labels, self.window.work_size, interpolation=cv2.INTER_NEAREST)
        return np.asarray(laid, np.int16)

    def place(self, kind: FaultKind, amount: float, x: float, y: float, size: float) -> Place:
        """Return a place of the working copy as one of the base, with whose it is."""
        at = self.window.in_base((x, y))
        assert at is not None
        here = round(y), round(x)
        whose = (who for who, own in self.others.items() if own[here] and not self.covered[here])
        return Place(
            kind=kind, amount=amount, at=at, size_px=size / self.window.scale, person=next(whose, None)
        )

    def strange_places(self) -> list[Place]:
        """Return the places that look least like anything near them in either frame."""
        near = cv2.dilate(self.changed.astype(np.uint8), np.ones((2 * NEAR_PX + 1,) * 2, np.uint8)) > 0
        seen, *sources = self.even
        strange = strangeness(seen, sources, near, self.face_px, LEAST_STRANGE)
        apart = APART_FACES * self.face_px
        found = peaks(strange, LEAST_STRANGE, apart, MOST_PLACES)
        return [
            replace(
                self.place(self._kind(p.x, p.y), p.strength, p.x, p.y, self._extent(strange, p)),
                mass=p.mass / self.face_px**2,
            )
            for p in found
        ]

    def _part(self, x: float, y: float, radius: int) -> tuple[slice, slice]:
        low = max(0, round(y) - radius), max(0, round(x) - radius)
        return slice(low[0], round(y) + radius + 1), slice(low[1], round(x) + radius + 1)

    @property
    def radius(self) -> int:
        """Half the side of what is looked at about a place, working pixels."""
        return max(3, round(PATCH_FACES * self.face_px))

    def _extent(self, strange: Map, peak: Peak) -> float:
        """Return how far across the place is at which strangeness has fallen to half, working pixels."""
        part = self._part(peak.x, peak.y, round(APART_FACES * self.face_px))
        return float(np.sqrt((strange[part] > peak.strength / 2).sum()))

    def _kind(self, x: float, y: float) -> FaultKind:
        """Return what is wrong at a strange place."""
        part = self._part(x, y, self.radius)
        about = self._part(x, y, self.radius + ROOM_PX)
        thin = strips(self.seen[about], [p[about] for p in self.sources])
        inner = tuple(slice(a.start - b.start, a.stop - b.start) for a, b in zip(part, about, strict=True))
        if thin[inner].max(initial=0) > LEAST_STRIP:
            return FaultKind.STRIP
        seen, before, donor = (p[part].reshape(-1, 3) for p in self.even)
        way = donor - before
        apart = np.linalg.norm(way, axis=1)
        use = apart > APART_DELTA_E
        if use.mean() > 0.3:
            share = float(((seen - before) * way)[use].sum() / (apart[use] ** 2).sum())
            left = np.linalg.norm(seen - before - share * way, axis=1)[use].mean() / apart[use].mean()
            if MIXED[0] < share < MIXED[1] and left < MIX_ERROR:
                return FaultKind.GHOST
        return self._texture_kind(part)

    def _texture_kind(self, part: tuple[slice, slice]) -> FaultKind:
        fine = [float(np.sqrt(p[part].mean())) for p in self.fine]
        if fine[0] < SMEARED * min(fine[1:]) and min(fine[1:]) > FINE_LEAST:
            return FaultKind.SMEAR
        uneven = [_unevenness(p[part]) for p in self.fine]
        if max(fine) > FINE_LEAST and uneven[0] > UNEVEN * max(uneven[1:]):
            return FaultKind.SHARPNESS
        contrast = [float(np.sqrt(p[part].reshape(-1, 3).var(0).sum())) for p in self.even[1:]]
        if max(contrast) < PLAIN_DELTA_E:
            return FaultKind.STEP
        return FaultKind.BREAK if _coherence(self.even[0][part][..., 0]) > COHERENT else FaultKind.PATTERN

    def broken_lines(self, true_px: float) -> list[Place]:
        """Return where a straight line fails to meet itself across the border, the worst alone."""
        size, at = lines.broken_lines(self.before, self.donor, self.mask, self.face_px)
        px = size / self.window.scale * true_px
        if at is None or px < LEAST_LINES_PX:
            return []
        return [self.place(FaultKind.LINES, px, *at, PATCH_FACES * self.face_px)]

    def neighbours(self) -> list[Place]:
        """Return of everybody else how large a part has changed, in squared face widths, and where most."""
        if not self.others:
            return []
        apart = np.linalg.norm(self.even[0] - self.even[1], axis=2)
        lost_at_all = (apart > CHANGED_DELTA_E) & ~self.covered & self.changed
        found = []
        for who, own in self.others.items():
            lost = lost_at_all & own
            if not lost.any():
                continue
            density = cv2.boxFilter(lost.astype(np.float32), -1, (2 * self.radius + 1,) * 2)
            y, x = np.unravel_index(int(density.argmax()), density.shape)
            area = float(lost.sum())
            place = self.place(
                FaultKind.NEIGHBOUR, area / self.face_px**2, float(x), float(y), float(np.sqrt(area))
            )
            found.append(replace(place, person=who))
        return found


def _unevenness(energy: Map) -> float:
    """Return how many times as crisp one half of a patch is as the other, the most uneven way to halve it."""
    h, w = energy.shape
    halves = (
        (energy[: h // 2], energy[h - h // 2 :]),
        (energy[:, : w // 2], energy[:, w - w // 2 :]),
    )
    ratios = [np.sqrt((a.mean() + 1) / (b.mean() + 1)) for a, b in halves]
    return float(max(max(r, 1 / r) for r in ratios))


def _coherence(lightness: Map) -> float:
    """Return in [0, 1] how far a patch has one direction.

    Of the structure tensor (Foerstner & Guelch 1987, from memory).
    """
    gx, gy = imaging.gradient(np.ascontiguousarray(lightness))
    xx, yy, xy = float((gx * gx).mean()), float((gy * gy).mean()), float((gx * gy).mean())
    return float(np.hypot(xx - yy, 2 * xy) / (xx + yy + 1e-6))
