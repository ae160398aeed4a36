"""Where to crop: every size of the paper's shape is tried, and the place that sits best is taken.

Coordinates here count pixel edges: 0 is the picture's left or top edge, its width the right one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from facemerge.words import Float

Box = tuple[float, float, float, float]
Ints = NDArray[np.int64]
Kept = Literal["people", "heads", "tight", "edge", "cut"]

COMPOSITIONS = ("centred", "thirds", "largest", "close")

KEPT: tuple[Kept, ...] = ("people", "heads", "tight", "edge", "cut")
"""From best to worst: everybody whole at the sides and every head with room; every head with room; with less;
heads whole but not clear of the trim; somebody's head cut."""
_STEPS: tuple[tuple[Kept, float], ...] = (
    ("people", 1.0),
    ("heads", 1.0),
    ("tight", 0.5),
    ("tight", 0.0),
    ("edge", 0.0),
)
"""What is asked for by turns, with the share of the room around heads."""

LEAST_PPI = 200.0
"""Below so many pixels an inch a print held in the hand looks soft (common practice, no source)."""
EYES_FROM_TOP = 1 / 3
"""Share of the height at which eyes sit well (common practice, no source)."""
EYES_SLACK = 0.05
# What is weighed against a crop smaller by one: eyes too low, and people out of their place across. Squared,
# so that little is let be; tried on four groups until the sky above them went and nothing else.
_EYES_WEIGHT, _ACROSS_WEIGHT = 25.0, 4.0
NECK = 0.6
"""Room below a chin, in heads: a neck and a collar."""
ABOVE = 1.2
"""Room above hair, against the room beside a head, each in its own measure."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sitter:
    """Somebody in the picture, as far as a crop has to know."""

    id: str
    head: Box
    """x0, y0, x1, y1 of the head with its hair."""
    eyes: tuple[float, float]
    """x, y between the eyes."""
    body: tuple[float, float] | None = None
    """How far left and right shoulders and arms reach; None if that could not be seen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """A paper held one way."""

    width: float
    """Inches, or the shape's own unit."""
    height: float
    trim: float = 0.0
    """What may be cut off each side after printing, in the same unit."""

    @property
    def landscape(self) -> bool:
        """Whether it lies on its long side."""
        return self.width > self.height


@dataclass(frozen=True, slots=True, kw_only=True)
class Taste:
    """How a crop should sit."""

    compose: str = "centred"
    """One of COMPOSITIONS."""
    margin: float = 0.25
    """Room around a head with its hair, in head widths and heights."""
    closer: float = 0.15
    """How much smaller than the largest crop of its shape a centred one may be, to sit better."""
    least_ppi: float = LEAST_PPI
    """No crop comes nearer than this for its composition's sake, if the paper's size is known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Crop:
    """A rectangle of whole pixels."""

    x: int
    y: int
    width: int
    height: int
    kept: Kept

    @property
    def right(self) -> int:
        """x of the first column beyond it."""
        return self.x + self.width

    @property
    def bottom(self) -> int:
        """y of the first row beyond it."""
        return self.y + self.height


def choose(
    size: tuple[int, int], sitters: Sequence[Sitter], sheets: Sequence[Sheet], taste: Taste, *, sized: bool
) -> tuple[Sheet, Crop]:
    """Return the way to hold a paper that serves best, and the crop for it.

    Who is kept comes first; then as much of the picture as can be, or, for a close crop, heads as large on
    the paper as can be.

    Parameters
    ----------
    size
        (W, H) of the picture.
    sitters
        Who is in it; at least one.
    sheets
        The paper as it may be held; the first of equals is taken.
    taste
        How it should sit.
    sized
        Whether the sheets are in inches.
    """

    def worth(found: tuple[Sheet, Crop]) -> tuple[int, float]:
        sheet, crop = found
        large = crop.height / sheet.height if taste.compose == "close" else -crop.width * crop.height
        return KEPT.index(crop.kept), large

    return min(((s, best_crop(size, sitters, s, taste, sized=sized)) for s in sheets), key=worth)


def best_crop(
    size: tuple[int, int], sitters: Sequence[Sitter], sheet: Sheet, taste: Taste, *, sized: bool = True
) -> Crop:
    """Return the best crop of a picture for a sheet.

    Its sides are the sheet's to within half a pixel. If any crop of that shape holds every head, so does
    this one; if none does, it is the one that cuts heads least, and `kept` is 'cut'.

    Parameters
    ----------
    size, sitters, taste, sized
        As `choose` takes them.
    sheet
        The paper.
    """
    ways = _Ways.of(size, sheet)
    for kept, share in _STEPS:
        found = _sitting_best(ways, sitters, taste, kept, share, sheet if sized else None)
        if found is not None:
            return found
    return _cutting_least(ways, sitters)


def bordered(size: tuple[int, int], sitters: Sequence[Sitter], sheet: Sheet, taste: Taste) -> Crop:
    """Return the part of a picture that is laid on a sheet with white at two sides, so that no head is cut.

    The picture is cut to the people, heads with their room, along the side that is too short for them, and
    kept whole along the other.

    Parameters
    ----------
    size, sitters, sheet, taste
        As `best_crop` takes them.
    """
    ratio = sheet.width / sheet.height
    heads = _heads(size, sitters)
    room = _room(heads, taste)
    bodies = _bodies(sitters)
    x0, x1 = _stretch(
        np.concatenate([heads[:, 0] - room[:, 0], bodies[:, 0]]),
        np.concatenate([heads[:, 2] + room[:, 2], bodies[:, 1]]),
        size[0],
        sheet.trim / sheet.width,
    )
    if x1 - x0 > size[1] * ratio:
        return Crop(x=x0, y=0, width=x1 - x0, height=size[1], kept="heads")
    y0, y1 = _stretch(heads[:, 1] - room[:, 1], heads[:, 3] + room[:, 3], size[1], sheet.trim / sheet.height)
    return Crop(x=0, y=y0, width=size[0], height=y1 - y0, kept="heads")


def _stretch(low: Float, high: Float, length: int, trim: float) -> tuple[int, int]:
    """Return the first and the last pixel edge that hold all spans and, as a share of it, the trim."""
    first, last = max(0.0, float(low.min())), min(float(length), float(high.max()))
    more = (last - first) * trim / (1 - 2 * trim)
    return max(0, int(first - more)), min(length, int(np.ceil(last + more)))


def canvas_of(crop: Crop, sheet: Sheet) -> tuple[int, int]:
    """Return the (W, H) of a sheet's shape, in pixels, that holds a crop of any shape."""
    ratio = sheet.width / sheet.height
    if crop.width > crop.height * ratio:
        return crop.width, max(crop.height, round(crop.width / ratio))
    return max(crop.width, round(crop.height * ratio)), crop.height


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Ways:
    """Every size that a crop of one shape can have in a picture, the largest first."""

    size: tuple[int, int]
    widths: Ints
    """(K,) pixels."""
    heights: Ints
    trim: Float
    """(K,) what may be trimmed, in pixels."""

    @classmethod
    def of(cls, size: tuple[int, int], sheet: Sheet) -> _Ways:
        # Along the longer side every number of pixels is tried, so that the shorter is true to half a pixel.
        if sheet.landscape:
            widths = np.arange(size[0], 0, -1)
            heights = np.rint(widths * (sheet.height / sheet.width)).astype(np.int64)
        else:
            heights = np.arange(size[1], 0, -1)
            widths = np.rint(heights * (sheet.width / sheet.height)).astype(np.int64)
        fits = (widths <= size[0]) & (heights <= size[1])
        # Of a strip one pixel wide nothing would be left; the largest is never that.
        fits &= (widths >= 1) & (heights >= 1)
        widths, heights = widths[fits], heights[fits]
        return cls(size=size, widths=widths, heights=heights, trim=heights * (sheet.trim / sheet.height))


def _heads(size: tuple[int, int], sitters: Sequence[Sitter]) -> Float:
    """Return the (N, 4) heads, as much of each as the picture has."""
    heads = np.array([s.head for s in sitters], np.float64)
    return np.clip(heads, 0, np.array([*size, *size], np.float64))


def _bodies(sitters: Sequence[Sitter]) -> Float:
    """Return (N, 2) how far those reach who could be seen."""
    return np.array([s.body for s in sitters if s.body is not None], np.float64).reshape(-1, 2)


def _room(heads: Float, taste: Taste) -> Float:
    """Return the (N, 4) room wanted left, above, right and below of each head, in pixels."""
    wide, high = heads[:, 2] - heads[:, 0], heads[:, 3] - heads[:, 1]
    beside, above = taste.margin * wide, taste.margin * ABOVE * high
    return np.column_stack([beside, above, beside, np.maximum(NECK, taste.margin) * high])


def _sitting_best(
    ways: _Ways, sitters: Sequence[Sitter], taste: Taste, kept: Kept, share: float, sized: Sheet | None
) -> Crop | None:
    """Return the crop that sits best of those that keep so much, with a share of the room; or None."""
    heads = _heads(ways.size, sitters)
    room = share * _room(heads, taste)
    trim = np.zeros_like(ways.trim) if kept == "edge" else ways.trim
    low, high, before, after = heads[:, 0], heads[:, 2], room[:, 0], room[:, 2]
    firm = np.ones(len(heads), bool)
    bodies = np.clip(_bodies(sitters), 0, ways.size[0])
    middle = _middle(heads, bodies, whole=kept == "people")
    if kept == "people":
        low, high = np.concatenate([low, bodies[:, 0]]), np.concatenate([high, bodies[:, 1]])
        before, after = (np.concatenate([r, np.zeros(len(bodies))]) for r in (before, after))
        firm = np.concatenate([firm, np.zeros(len(bodies), bool)])
    x_first, x_last = _starts((low, high), (before, after), firm, ways.size[0], ways.widths, trim)
    y_first, y_last = _starts(
        (heads[:, 1], heads[:, 3]),
        (room[:, 1], room[:, 3]),
        firm[: len(heads)],
        ways.size[1],
        ways.heights,
        trim,
    )
    can = (x_first <= x_last) & (y_first <= y_last)
    if not can.any():
        return None
    x, y, cost = _seated(ways, middle, sitters, taste, (x_first, x_last), (y_first, y_last))
    can = _near_enough(ways, taste, can, kept, sized)
    at = int(np.argmin(np.where(can, cost, np.inf)))
    return Crop(
        x=int(x[at]), y=int(y[at]), width=int(ways.widths[at]), height=int(ways.heights[at]), kept=kept
    )


def _middle(heads: Float, bodies: Float, *, whole: bool) -> float:
    """Return where the middle of a group is across.

    Eyes go to the faces, and yet unequal room beside shoulders is seen: half way between the two middles. Of
    shoulders that will not be whole, both sides lose the same.
    """
    faces = float(heads[:, 0].min() + heads[:, 2].max()) / 2
    if not len(bodies):
        return faces
    ends = np.concatenate([heads[:, [0, 2]], bodies])
    outline = float(ends.min() + ends.max()) / 2
    return (faces + outline) / 2 if whole else outline


def _starts(
    spans: tuple[Float, Float],
    room: tuple[Float, Float],
    firm: NDArray[np.bool_],
    length: int,
    sides: Ints,
    trim: Float,
) -> tuple[Float, Float]:
    """Return (K,) the first and the last start along one axis that keep all spans, room and trim included.

    Room is asked for as far as the picture has it, for nobody can be given more; and a span that is not firm
    may reach into the trim where the picture itself ends there.
    """
    (low, high), (before, after), t = spans, room, trim[:, None]
    lowest = np.maximum(low - before, np.where(firm, np.minimum(low, t), t)).min(axis=1)
    highest = np.minimum(high + after, np.where(firm, np.maximum(high, length - t), length - t)).max(axis=1)
    # A billionth of a pixel is rounding, not a head cut.
    first = np.ceil(np.maximum(0, highest + trim - sides) - 1e-9)
    last = np.floor(np.minimum(length - sides, lowest - trim) + 1e-9)
    return first, last


def _seated(
    ways: _Ways,
    middle: float,
    sitters: Sequence[Sitter],
    taste: Taste,
    across: tuple[Float, Float],
    down: tuple[Float, Float],
) -> tuple[Float, Float, Float]:
    """Return (K,) x and y of the best place for each size, and what it costs; `middle` is the group's."""
    eyes = float(np.mean([s.eyes[1] for s in sitters]))
    place = 0.5
    if taste.compose == "thirds":
        place = 1 / 3 if middle < ways.size[0] / 2 else 2 / 3
    x = np.clip(np.rint(middle - place * ways.widths), across[0], across[1])
    y = np.clip(np.rint(eyes - EYES_FROM_TOP * ways.heights), down[0], down[1])
    smaller = 1 - ways.heights / ways.heights[0]
    off = np.abs((middle - x) / ways.widths - place)
    low = (eyes - y) / ways.heights - EYES_FROM_TOP
    # Eyes that are high are let be: to come nearer would cut bodies below, and how far they go is not known.
    low = np.abs(low) if taste.compose == "thirds" else np.maximum(0, low - EYES_SLACK)
    cost = _EYES_WEIGHT * low**2 + _ACROSS_WEIGHT * off**2
    return x, y, cost + (-smaller if taste.compose == "close" else smaller)


def _near_enough(
    ways: _Ways, taste: Taste, can: NDArray[np.bool_], kept: Kept, sized: Sheet | None
) -> NDArray[np.bool_]:
    """Return (K,) which of the sizes that keep everybody are not smaller than they should be."""
    share = ways.heights / ways.heights[0]
    nearest = {"largest": 0.0, "centred": taste.closer, "thirds": 2 * taste.closer, "close": 1.0}
    # To come nearer costs pixels; where they are few already it would cost the print.
    fine = 0.0 if sized is None else taste.least_ppi * sized.height / ways.heights[0]
    # Where the paper is too narrow for everybody's shoulders, they get all there is of it.
    least = min(1.0, max(1 - nearest[taste.compose], fine)) if kept == "people" else 1.0
    large = can & (share >= least)
    if bool(large.any()):
        return np.asarray(large)
    # The largest of those that can be had.
    only = np.zeros_like(can)
    only[int(np.argmax(can))] = True
    return only


def _cutting_least(ways: _Ways, sitters: Sequence[Sitter]) -> Crop:
    """Return the largest crop where it cuts heads least: the squares of the shares cut off, summed."""
    width, height = int(ways.widths[0]), int(ways.heights[0])
    heads = _heads(ways.size, sitters)
    x = np.arange(ways.size[0] - width + 1)[:, None]
    y = np.arange(ways.size[1] - height + 1)[:, None]
    wide = np.clip(np.minimum(heads[:, 2], x + width) - np.maximum(heads[:, 0], x), 0, None)
    high = np.clip(np.minimum(heads[:, 3], y + height) - np.maximum(heads[:, 1], y), 0, None)
    lost_x = 1 - wide / np.maximum(heads[:, 2] - heads[:, 0], 1e-9)
    lost_y = 1 - high / np.maximum(heads[:, 3] - heads[:, 1], 1e-9)
    across, down = (lost_x**2).sum(axis=1), (lost_y**2).sum(axis=1)
    return Crop(x=_middle_of_least(across), y=_middle_of_least(down), width=width, height=height, kept="cut")


def _middle_of_least(cost: Float) -> int:
    least = np.flatnonzero(cost <= cost.min() + 1e-12)
    return int(least[len(least) // 2])
