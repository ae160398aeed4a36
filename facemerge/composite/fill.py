"""Fills what the donor's frame does not reach from other pictures of the same place."""

from __future__ import annotations

from collections.abc import Iterable

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge.words import Array


def fill(
    pixels: Array, valid: NDArray[np.bool_], sources: Iterable[tuple[Array, NDArray[np.bool_]]]
) -> tuple[Array, NDArray[np.bool_]]:
    """Return the picture with its missing pixels taken from the first source that has them.

    Parameters
    ----------
    pixels
        (h, w, 3) of any dtype.
    valid
        (h, w) False where `pixels` says nothing.
    sources
        Pictures of the same window with their own valid pixels, the best first; read only while needed.

    Returns
    -------
    pixels : (h, w, 3)
    known : (h, w) bool
        False where no source had anything; `pixels` there are as they came.
    """
    known = valid.copy()
    if known.all():
        return pixels, known
    out = pixels.copy()
    for other, other_valid in sources:
        take = other_valid & ~known
        out[take] = other[take]
        known |= take
        if known.all():
            break
    return out, known


def shrink(valid: NDArray[np.bool_], margin_px: int) -> NDArray[np.bool_]:
    """Return `valid` without its outermost pixels, which a resampling kernel mixes with nothing."""
    if margin_px <= 0 or valid.all():
        return valid
    kernel = np.ones((2 * margin_px + 1, 2 * margin_px + 1), np.uint8)
    return np.asarray(cv2.erode(valid.astype(np.uint8), kernel, borderValue=1) > 0)
