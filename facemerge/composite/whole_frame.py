"""Lays a whole frame over the base, for painting from it by hand."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge import imaging
from facemerge.composite import tone
from facemerge.words import Array, Float


def lay_frame(
    donor: Array, base_from_donor: Float, size: tuple[int, int], gain: tuple[float, float, float]
) -> tuple[Array, NDArray[np.bool_]]:
    """Return a whole frame as it lies over the base.

    Parameters
    ----------
    donor
        (H, W, 3) uint8 or uint16.
    base_from_donor
        (3, 3) placement.
    size
        (W, H) of the base.
    gain
        Factors on linear light, R, G, B.

    Returns
    -------
    pixels : (H, W, 3), the donor's dtype, 0 where the frame does not reach
    reached : (H, W) bool
    """
    full = imaging.full_scale(donor)
    every = np.arange(full + 1, dtype=donor.dtype)[:, None]
    lighter = [tone.apply_gain(imaging.to_unit(every), np.full(every.shape, g, np.float32)) for g in gain]
    tables = [imaging.from_unit(one, donor.dtype)[:, 0] for one in lighter]
    # Cubic takes a quarter of the time of the heads' own resampling; beside it nobody sees the difference.
    pixels = cv2.warpPerspective(
        donor, base_from_donor, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    )
    there = np.full(donor.shape[:2], 255, np.uint8)
    reached = cv2.warpPerspective(there, base_from_donor, size, flags=cv2.INTER_LINEAR) == 255
    if donor.dtype == np.uint8:
        pixels = cv2.LUT(pixels, np.stack(tables, axis=-1)[None])
    else:
        pixels = np.stack([table[pixels[..., c]] for c, table in enumerate(tables)], axis=-1)
    pixels[~reached] = 0
    return np.asarray(pixels), np.asarray(reached)
