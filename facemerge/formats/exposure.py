"""How a photograph was exposed, as its camera says: f-number, exposure time, focal length.

Tags are those of CIPA DC-008 (Exif 2.32).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from PIL import Image

from facemerge.formats import exif
from facemerge.formats.files import read_plain
from facemerge.formats.headers import UnreadableError, look
from facemerge.words import Frame

_TIME: Final = 0x829A
_F_NUMBER: Final = 0x829D
_FOCAL: Final = 0x920A
_LIKELY: Final = {_TIME: (1e-6, 3600.0), _F_NUMBER: (0.5, 128.0), _FOCAL: (1.0, 5000.0)}
"""Least and greatest value of each; beyond, a lens without contacts or a broken file has written it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Exposure:
    """What the camera says of the exposure; None for what it does not say, or not believably."""

    f_number: float | None = None
    time_s: float | None = None
    focal_mm: float | None = None


def exposure_of(frame: Frame) -> Exposure:
    """Return how a frame was exposed; nothing is known of a file that cannot be read."""
    path = Path(frame.path)
    try:
        return exposure(look(read_plain(path), path.suffix.lower()).exif)
    except (OSError, UnreadableError):
        return Exposure()


def exposure(tags: Image.Exif) -> Exposure:
    """Return what Exif tags say of the exposure."""
    inner = exif.details(tags)
    return Exposure(
        f_number=_number(inner, _F_NUMBER), time_s=_number(inner, _TIME), focal_mm=_number(inner, _FOCAL)
    )


def _number(tags: dict[int, Any], tag: int) -> float | None:
    try:
        value = float(tags[tag])
    except (KeyError, TypeError, ValueError, ZeroDivisionError, OverflowError):
        return None
    low, high = _LIKELY[tag]
    return value if math.isfinite(value) and low <= value <= high else None
