"""Finds thin strips that neither frame shows: rims, slivers and scraps left where people overlap."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

Map = NDArray[np.float32]

WIDTHS = (1, 2, 3)
"""How wide a strip is, in working pixels."""
DIRECTIONS = ((1, 0), (0, 1), (1, 1), (1, -1))
BESIDE_PX = 3
"""How far off the frames may show the same one."""
SEEN_DELTA_E = 3.0
"""Contrast from which a strip is seen."""
EVEN_PX = 0.6


def strips(seen: Map, sources: Sequence[Map]) -> Map:
    """Return (h, w) by how much more of a thin strip a picture shows than any of its sources near by.

    A strip differs from both sides in the same way, so an outline, a step, is none.

    Parameters
    ----------
    seen
        (h, w, 3) the finished picture, encoded in [0, 1], at working size.
    sources
        (h, w, 3) each: the base, and the donor as it lies.

    Returns
    -------
    (h, w) float32
        CIELAB contrast above `SEEN_DELTA_E`.
    """
    beside = np.ones((2 * BESIDE_PX + 1,) * 2, np.uint8)
    usual = np.maximum.reduce([cv2.dilate(_strips(p), beside) for p in sources])
    return np.asarray(np.clip(_strips(seen) - usual - SEEN_DELTA_E, 0, None), np.float32)


def _strips(picture: Map) -> Map:
    """Return (h, w) by how much a thin strip differs from what lies on both of its sides, CIELAB."""
    calm = np.clip(cv2.GaussianBlur(picture, (0, 0), EVEN_PX), 0, 1)
    lab = np.asarray(cv2.cvtColor(calm, cv2.COLOR_RGB2LAB), np.float32)
    h, w = lab.shape[:2]
    best = np.zeros((h, w), np.float32)
    for width in WIDTHS:
        middle = cv2.blur(lab, (width, width)) if width > 1 else lab
        for across, along in DIRECTIONS:
            away = width + 2 if 0 in (across, along) else round(0.7 * (width + 2))
            one, other = (
                middle
                - cv2.warpAffine(
                    middle,
                    np.array([[1, 0, side * across], [0, 1, side * along]], np.float32),
                    (w, h),
                    borderMode=cv2.BORDER_REPLICATE,
                )
                for side in (away, -away)
            )
            least = np.minimum(np.linalg.norm(one, axis=2), np.linalg.norm(other, axis=2))
            best = np.maximum(best, np.where((one * other).sum(2) > 0, least, 0))
    return best
