"""Thin strips in a composite that neither frame shows: rims, slivers and scraps left where people overlap."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge.composite import cut
from facemerge.composite.measure import NOTHING, Fault

Map = NDArray[np.float32]

WIDTHS = (1, 2, 3)
"""How wide a strip is, in working pixels."""
DIRECTIONS = ((1, 0), (0, 1), (1, 1), (1, -1))
NEAR_PX, BESIDE_PX = 4, 3
"""How far from a border strips are sought, and how far off the frames may show the same one."""
SEEN_DELTA_E = 3.0
"""Contrast from which a strip is seen."""
EVEN_PX = 0.6
FROM_DONOR_DELTA_E = 0.5
"""By how much what is laid differs from the donor where it comes from another frame."""


def scraps(below: Map, donor: Map, whole: Map, seen: Map, taken: Map, face_px: float) -> Fault:
    """Return how much of thin strips a composite shows along its borders that neither frame shows there.

    A strip differs from both sides in the same way, so an outline, a step, is none. What counts is the
    contrast above `SEEN_DELTA_E`, summed over pixels and divided by the face's width.

    Parameters
    ----------
    below, donor, whole, seen
        (h, w, 3) the base, the donor as it lies, the donor with what it does not show from other frames, and
        the composite, encoded in [0, 1], at the size at which seams are sought.
    taken
        (h, w) in [0, 1], how much of `whole` shows.
    face_px
        Face width.

    Returns
    -------
    Fault
        Its size in CIELAB differences times face widths, and where the strongest is.
    """
    filled = (np.abs(whole - donor).max(2) * 100 > FROM_DONOR_DELTA_E) & (taken > 0.3)
    cross = np.ones((3, 3), np.uint8)
    border = np.zeros(taken.shape, bool)
    for region in (taken > 0.5, filled):
        border |= cv2.morphologyEx(region.astype(np.uint8), cv2.MORPH_GRADIENT, cross) > 0
    if not border.any():
        return NOTHING
    near = cv2.dilate(border.astype(np.uint8), np.ones((2 * NEAR_PX + 1,) * 2, np.uint8)) > 0
    beside = np.ones((2 * BESIDE_PX + 1,) * 2, np.uint8)
    mine, *theirs = (_strips(p) for p in (seen, below, donor))
    usual = np.maximum(*(cv2.dilate(t, beside) for t in theirs))
    new = np.where(near, np.clip(mine - usual - SEEN_DELTA_E, 0, None), 0)
    if not new.any():
        return NOTHING
    y, x = np.unravel_index(int(new.argmax()), new.shape)
    return Fault(size=float(new.sum() / face_px), at=(float(x), float(y)))


def _strips(picture: Map) -> Map:
    """Return (h, w) by how much a thin strip differs from what lies on both of its sides, CIELAB."""
    lab = cut.to_lab(np.asarray(cv2.GaussianBlur(picture, (0, 0), EVEN_PX), np.float32))
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
