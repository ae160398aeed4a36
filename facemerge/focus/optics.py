"""Where the plane of focus lies among the rows, and what f-number and exposure time make of blur."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True, kw_only=True)
class Plane:
    """Where the focus lies among the rows, and how fast blur grows from there."""

    row: float
    """In rows, 0 = back; below 0 behind the group, beyond the last before it."""
    slope: float
    """Blur over its limit, a row."""


def plane_of_focus(excess: Sequence[tuple[float, float]]) -> Plane:
    """Return the plane of focus that fits blur by row best in the least-squares sense.

    Parameters
    ----------
    excess
        (row, blur over its limit), two rows or more. Two rows of unlike blur fit a plane between them and one
        beyond the sharper one: that one is taken if neither is sharp, the other if one is.
    """
    rows = np.array([r for r, _ in excess], np.float64)
    blur = np.array([b for _, b in excess], np.float64)
    reach = float(rows[-1] - rows[0])
    tried = np.arange(rows[0] - reach - 1, rows[-1] + reach + 1 + 1e-9, 0.01)
    away = np.abs(rows[None] - tried[:, None])
    slope = (away @ blur) / np.maximum((away**2).sum(1), 1e-12)
    off = ((blur - slope[:, None] * away) ** 2).sum(1)
    within = (tried >= rows[0]) & (tried <= rows[-1])
    # Of planes that fit alike the likelier: the photographer has focused on somebody if anybody is sharp.
    preferred = within if blur.min() <= 1 else ~within
    good = off <= off.min() + 1e-3 * float((blur**2).sum())
    pool = good & preferred if (good & preferred).any() else good
    best = int(np.argmin(np.where(pool, off, np.inf)))
    return Plane(row=float(tried[best]), slope=float(slope[best]))


def thirds_of_f_number(excess: float) -> int:
    """Return by how many thirds of a stop blur comes down to its limit, rounded up.

    The blur disc goes with one over the f-number, and a stop is a factor of the square root of two of it.

    Parameters
    ----------
    excess
        Blur over its limit.
    """
    return max(0, _up(6 * math.log2(excess))) if excess > 0 else 0


def thirds_of_exposure(excess: float) -> int:
    """Return by how many thirds of a stop less time a streak comes down to its limit, rounded up.

    Parameters
    ----------
    excess
        Its length over the longest that is sharp.
    """
    return max(0, _up(3 * math.log2(excess))) if excess > 0 else 0


def _up(value: float) -> int:
    # A hair above a whole third is that third: blur is not known to a tenth of one.
    return math.ceil(value - 0.1)


# -- in words -----------------------------------------------------------------------------------------------

# The numbers engraved for the powers of the sixth root of two, and those for thirds of exposure times (from
# memory: ISO 2720:1974 and common practice).
_F_NUMBERS = (
    *(
        1.0,
        1.1,
        1.2,
        1.4,
        1.6,
        1.8,
        2.0,
        2.2,
        2.5,
        2.8,
        3.2,
        3.5,
        4.0,
        4.5,
        5.0,
        5.6,
        6.3,
        7.1,
        8.0,
        9.0,
        10.0,
    ),
    *(11.0, 13.0, 14.0, 16.0, 18.0, 20.0, 22.0, 25.0, 29.0, 32.0, 36.0, 40.0, 45.0, 51.0, 57.0, 64.0),
)
_FRACTIONS = (
    *(2, 2.5, 3, 4, 5, 6, 8, 10, 13, 15, 20, 25, 30, 40, 50, 60, 80, 100, 125, 160, 200, 250, 320, 400, 500),
    *(640, 800, 1000, 1250, 1600, 2000, 2500, 3200, 4000, 5000, 6400, 8000, 10000, 12800, 16000, 32000),
)


def f_name(number: float) -> str:
    """Return the engraved f-number nearest to one, '5.6'."""
    near = min(_F_NUMBERS, key=lambda n: abs(math.log(n / number)))
    return f"{near:g}"


def shutter_name(seconds: float) -> str:
    """Return the engraved exposure time nearest to one, '1/125' or '2'."""
    if seconds > 0.45:
        return f"{seconds:.1f}".removesuffix(".0")
    near = min(_FRACTIONS, key=lambda n: abs(math.log(n * seconds)))
    return f"1/{near:g}"


def stops(thirds: int) -> str:
    """Return a number of thirds of a stop in words."""
    whole, rest = divmod(thirds, 3)
    part = ("", "a third", "two thirds")[rest]
    if not whole:
        return f"{part} of a stop" if part else "nothing"
    number = {1: "one", 2: "two", 3: "three", 4: "four", 5: "five"}.get(whole, str(whole))
    if not part:
        return f"{number} stop{'s' if whole > 1 else ''}"
    return f"{number} and {part} stops"
