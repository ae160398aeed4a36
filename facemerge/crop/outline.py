"""How far people reach in a picture: hair above a face, ears and hair beside it, shoulders and arms.

The network that tells people from what is behind them was made for one or two near the camera, so it looks
at one head with its shoulders at a time. What it is not shown, a hand raised high, an elbow far out, feet,
is not known here.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge import imaging
from facemerge.crop.fit import Box, Sitter

People = Callable[[NDArray[np.uint8]], NDArray[np.float32]]
"""(h, w, 3) RGB to the (h, w) chance in [0, 1] that a pixel shows a person."""

# The window about a face in its own measure: beside its middle in widths, above and below it in heights.
# 2.6 widths are about 36 cm: a bent arm still lies within.
BESIDE, ABOVE, BELOW = 2.6, 1.1, 2.2
WINDOW_PX = 512
"""The network sees 256 pixels; twice as many are enough to find its edges again."""
PERSON = 0.5
FACE_SEEN = 0.8
"""Share of a face that must be told as a person's before the rest is believed."""
HAIR_MOST, SIDE_MOST = 1.0, 1.1
"""How far hair or a hat may stand above a face, in heights, and beside its middle, in widths."""
LEAST_HAIR, LEAST_SIDE = 0.12, 0.06
"""The least that is taken for hair above the forehead's landmarks, and for ears beside the cheeks'."""
ROW_BEHIND = 0.4
"""Somebody whose face is higher by this many heights may show beside a head."""
SPARE = 0.06
"""What is added each side to a usual head where it cannot be seen, in widths of it."""
NEAR_ROW = 1.2
"""Faces apart by less than this many heights, upwards, stand beside each other."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """Somebody's face as it was found; coordinates count pixel edges."""

    id: str
    face: Box
    """x0, y0, x1, y1 of the landmarks."""
    head: Box
    """The same of the head with usual hair, taken where nothing better can be seen."""
    eyes: tuple[float, float]


def sitters(image: NDArray[np.uint8], seen: Sequence[Seen], people: People) -> list[Sitter]:
    """Return how far each person reaches, looked at one by one.

    Parameters
    ----------
    image
        (H, W, 3) RGB.
    seen
        Their faces.
    people
        The network.
    """
    return [_reach(image, who, [other for other in seen if other is not who], people) for who in seen]


def _reach(image: NDArray[np.uint8], who: Seen, others: Sequence[Seen], people: People) -> Sitter:
    fx0, fy0, fx1, fy1 = who.face
    wide, high = fx1 - fx0, fy1 - fy0
    x0, x1 = _within((fx0 + fx1) / 2 - BESIDE * wide, (fx0 + fx1) / 2 + BESIDE * wide, image.shape[1])
    y0, y1 = _within(fy0 - ABOVE * high, fy1 + BELOW * high, image.shape[0])
    window = np.ascontiguousarray(image[y0:y1, x0:x1])
    size = (window.shape[1], window.shape[0])
    small = imaging.resize(window, imaging.fit_within(size, WINDOW_PX))
    mask = np.asarray(people(np.asarray(small, np.uint8)) > PERSON)
    part = _Part(who=who, others=others, mask=mask, corner=(x0, y0), scale=mask.shape[1] / size[0])
    if not part.face_is_seen():
        return Sitter(id=who.id, head=who.head, eyes=who.eyes)
    return Sitter(id=who.id, head=part.head(), eyes=who.eyes, body=part.body())


def _within(low: float, high: float, length: int) -> tuple[int, int]:
    start = int(np.clip(np.floor(low), 0, length - 1))
    return start, int(np.clip(np.ceil(high), start + 1, length))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Part:
    """One person's window."""

    who: Seen
    others: Sequence[Seen]
    mask: NDArray[np.bool_]
    corner: tuple[int, int]
    scale: float
    """Pixels of the mask a pixel of the picture."""

    def column(self, x: float) -> int:
        return int(np.clip(round((x - self.corner[0]) * self.scale), 0, self.mask.shape[1] - 1))

    def row(self, y: float) -> int:
        return int(np.clip(round((y - self.corner[1]) * self.scale), 0, self.mask.shape[0] - 1))

    def face_is_seen(self) -> bool:
        x0, y0, x1, y1 = self.who.face
        inner = self.mask[self.row(y0) : self.row(y1) + 1, self.column(x0) : self.column(x1) + 1]
        return bool(inner.mean() >= FACE_SEEN)

    def head(self) -> Box:
        """Return the head with its hair: told from the mask where it ends, else as usual."""
        x0, y0, x1, y1 = self.who.face
        wide, high = x1 - x0, y1 - y0
        if self._before_somebody():
            # Their cloth beside the hair cannot be told from it.
            ux0, _, ux1, _ = self.who.head
            spare = SPARE * (ux1 - ux0)
            left, right = ux0 - spare, ux1 + spare
        else:
            left, right = self._sides(self.row(y0 - 0.3 * high), self.row(y0 + 0.7 * high), SIDE_MOST)
        top = self._top()
        return (
            min(left, x0 - LEAST_SIDE * wide),
            min(top, y0 - LEAST_HAIR * high),
            max(right, x1 + LEAST_SIDE * wide),
            max(y1, self.who.head[3]),
        )

    def _before_somebody(self) -> bool:
        """Return whether somebody stands a row behind, so near that their body may be beside this head."""
        x0, y0, x1, y1 = self.who.face
        wide, high = x1 - x0, y1 - y0
        return any(
            o.face[1] < y0 - ROW_BEHIND * high and o.face[0] < x1 + 2 * wide and o.face[2] > x0 - 2 * wide
            for o in self.others
        )

    def body(self) -> tuple[float, float]:
        """Return how far the person reaches to the left and to the right."""
        return self._sides(self.row(self.who.face[1]), self.mask.shape[0], BESIDE)

    def _top(self) -> float:
        """Return where the hair ends above the face; as usual where somebody stands right behind it."""
        x0, y0, x1, y1 = self.who.face
        wide, high = x1 - x0, y1 - y0
        usual = self.who.head[1]
        for other in self.others:
            ox0, oy0, ox1, _ = other.face
            if ox0 < x1 + wide / 2 and ox1 > x0 - wide / 2 and oy0 < y0:
                return usual
        middle = self.mask[:, self.column(x0 + 0.15 * wide) : self.column(x1 - 0.15 * wide) + 1]
        above = np.asarray(middle.any(axis=1))[: self.row(y0)][::-1]
        run = len(above) if above.all() else int(np.argmin(above))
        top = self.corner[1] + (self.row(y0) - run) / self.scale
        return max(top, y0 - HAIR_MOST * high)

    def _sides(self, first: int, last: int, most: float) -> tuple[float, float]:
        """Return how far what hangs together with the face reaches in some rows of the mask.

        Where somebody stands beside, the person ends half way to them.
        """
        x0, _, x1, _ = self.who.face
        middle = (x0 + x1) / 2
        left, right = middle - most * (x1 - x0), middle + most * (x1 - x0)
        for ox0, _, ox1, _ in (o.face for o in self.others if self._beside(o)):
            if (ox0 + ox1) / 2 < middle:
                left = max(left, min((ox1 + x0) / 2, x0))
            else:
                right = min(right, max((ox0 + x1) / 2, x1))
        band = self.mask[first : max(last, first + 1), self.column(left) : self.column(right) + 1]
        _, labels = cv2.connectedComponents(band.astype(np.uint8), connectivity=4)
        # Runs of the band that meet the face's own columns; in a thin band hair may hang by itself.
        here = labels[:, self.column(x0) - self.column(left) : self.column(x1) - self.column(left) + 1]
        mine: NDArray[np.bool_] = np.isin(labels, np.unique(here[here > 0]))
        columns = np.flatnonzero(mine.sum(axis=0) >= max(2, 0.02 * mine.shape[0]))
        if not len(columns):
            return x0, x1
        at = self.corner[0] + (self.column(left) + np.array([columns[0], columns[-1] + 1])) / self.scale
        return float(min(at[0], x0)), float(max(at[1], x1))

    def _beside(self, other: Seen) -> bool:
        high = self.who.face[3] - self.who.face[1]
        return abs(other.face[1] - self.who.face[1]) < NEAR_ROW * high
