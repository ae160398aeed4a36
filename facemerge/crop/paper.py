"""Sizes and shapes of paper, as a photographer names them."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from facemerge.errors import OptionError

INCH_MM = 25.4
"""Exact (international yard and pound agreement, 1959)."""

# ISO 216:2007, A series, millimetres.
_SERIES_A = {"A2": (420, 594), "A3": (297, 420), "A4": (210, 297), "A5": (148, 210), "A6": (105, 148)}
# Trade names of photo papers, inches (common practice, no source).
_TRADE = {"4R": (4, 6), "5R": (5, 7), "6R": (6, 8), "8R": (8, 10), "S8R": (8, 12)}

USUAL = ("4x6", "5x7", "8x10", "8x12", "11x14", "16x20", "8x8", "A6", "A5", "A4", "A3")
"""What 'usual' stands for."""

LEAST_IN, MOST_IN = 1.0, 120.0
"""Sides of a print; wider papers than the second are not made in rolls (common practice, no source)."""
LONGEST_SHAPE = 6.0
"""A panorama's long side over its short one, at most."""

_SIZE = re.compile(r"(\d+(?:\.\d+)?)\s*[x×]\s*(\d+(?:\.\d+)?)\s*(in|inch|inches|\"|cm|mm)?", re.ASCII)
_SHAPE = re.compile(r"(\d+(?:\.\d+)?):(\d+(?:\.\d+)?)", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class Paper:
    """A sheet of paper, whichever way it is held, or only a shape."""

    name: str
    """As files and tables show it: '8x10in', 'A4', '4:5'."""
    short: float
    """Short side in inches; of a shape, in whatever unit its name counts."""
    long: float
    """Long side, likewise."""
    unit: str
    """'in' or 'cm', in which lengths on it are told; '' for a shape, which has none."""

    @property
    def file_name(self) -> str:
        """The name as part of a file's."""
        return self.name.replace(":", "to")


def paper(text: str) -> Paper:
    """Return the paper that a word names.

    Parameters
    ----------
    text
        '8x10' (inches), '20x30cm', '100x150mm', 'A4', '8R', or only a shape, '4:5'. Which side is named
        first does not matter.

    Raises
    ------
    OptionError
        If it names none, or one that nobody prints on.
    """
    word = text.strip()
    if word.upper() in _SERIES_A:
        short, long = (side / INCH_MM for side in _SERIES_A[word.upper()])
        return Paper(name=word.upper(), short=short, long=long, unit="cm")
    if word.upper() in _TRADE:
        short, long = _TRADE[word.upper()]
        return Paper(name=word.upper(), short=short, long=long, unit="in")
    if shape := _SHAPE.fullmatch(word):
        short, long = sorted((float(shape[1]), float(shape[2])))
        _check_shape(text, short, long)
        return Paper(name=f"{short:g}:{long:g}", short=short, long=long, unit="")
    if size := _SIZE.fullmatch(word.lower()):
        return _measured(text, float(size[1]), float(size[2]), size[3] or "in")
    raise OptionError(
        f"{text!r} is no print size; say 8x10 (inches), 20x30cm, 100x150mm, a shape such as 4:5, one of "
        f"{', '.join((*_SERIES_A, *_TRADE))}, or usual."
    )


def _measured(text: str, one: float, other: float, unit: str) -> Paper:
    unit = unit if unit in ("cm", "mm") else "in"
    per_inch = {"in": 1.0, "cm": INCH_MM / 10, "mm": INCH_MM}[unit]
    short, long = sorted((one, other))
    _check_shape(text, short, long)
    if not (short / per_inch >= LEAST_IN and long / per_inch <= MOST_IN):
        raise OptionError(
            f"A print of {text} cannot be made: its sides lie between {LEAST_IN:g} and {MOST_IN:g} inches."
        )
    return Paper(
        name=f"{short:g}x{long:g}{unit}",
        short=short / per_inch,
        long=long / per_inch,
        unit="in" if unit == "in" else "cm",
    )


def _check_shape(text: str, short: float, long: float) -> None:
    if not (short > 0 and math.isfinite(long)):
        raise OptionError(f"A print of {text} has no area.")
    if long > LONGEST_SHAPE * short:
        raise OptionError(
            f"A print of {text} is a strip: its long side may be up to {LONGEST_SHAPE:g} times its short one."
        )
