"""Lays heads over the base."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from facemerge import imaging
from facemerge.words import Array, Head


def lay(base: Array, heads: Sequence[Head], area: tuple[int, int, int, int] | None = None) -> Array:
    """Return the composite: every head laid over the base in order.

    Parameters
    ----------
    base
        (H, W, 3) uint8 or uint16.
    heads
        Back row first, as they were built one on another.
    area
        x0, y0, x1, y1 of the part that is wanted, within the base; None: all of it.

    Returns
    -------
    (h, w, 3) of the base's dtype; outside the masks bit for bit the base.
    """
    x0, y0, x1, y1 = area or (0, 0, base.shape[1], base.shape[0])
    out = base[y0:y1, x0:x1].copy()
    for head in heads:
        _lay_onto(out, head, (x0, y0))
    return out


def _lay_onto(part: Array, head: Head, corner: tuple[int, int]) -> None:
    """Lay a head over a part of the base ('src-over'), in place; `corner`: where in the base it begins.

    Rounded once, at the base's depth; where the mask is nought its values stay untouched.
    """
    x, y = np.subtract(head.offset, corner).tolist()
    h, w = head.mask.shape
    left, top = max(x, 0), max(y, 0)
    right, bottom = min(x + w, part.shape[1]), min(y + h, part.shape[0])
    if left >= right or top >= bottom:
        return
    here = np.s_[top - y : bottom - y, left - x : right - x]
    mask, over, under = head.mask[here], head.pixels[here], part[top:bottom, left:right]
    most = imaging.full_scale(mask)
    cv2.copyTo(over, (mask == most).astype(np.uint8), under)
    soft = (mask > 0) & (mask < most)
    alpha = mask[soft].astype(np.float64)[:, None] / most
    under[soft] = np.rint(under[soft] * (1 - alpha) + over[soft] * alpha)
