"""Lays a whole frame over the base, for painting from it by hand."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from facemerge import imaging
from facemerge.composite import place, tone
from facemerge.words import Array, Float

STRIP_ROWS = 256


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
    w, h = size
    pixels, reached = np.empty((h, w, 3), donor.dtype), np.empty((h, w), bool)
    every = np.arange(imaging.full_scale(donor) + 1, dtype=donor.dtype)[:, None]
    toned = [
        imaging.from_unit(
            tone.apply_gain(imaging.to_unit(every), np.full(every.shape, g, np.float32)), donor.dtype
        )
        for g in gain
    ]
    # In strips: the coordinates of a large frame would take five times its own room.
    for top in range(0, h, STRIP_ROWS):
        strip = np.s_[top : min(top + STRIP_ROWS, h)]
        part, reached[strip] = place.sample(donor, base_from_donor, (0, top), (w, strip.stop - top))
        for c, table in enumerate(toned):
            pixels[strip][..., c] = table[part[..., c], 0] * reached[strip]
    return pixels, reached
