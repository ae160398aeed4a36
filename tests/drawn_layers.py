"""Layers of noise with known pixels, masks and composite, for the tests of the layered files."""

from __future__ import annotations

from functools import partial

import numpy as np

from facemerge.formats.openraster import Hidden
from facemerge.imaging import full_scale
from facemerge.words import Array, Head, Joint

SIZE = (90, 70)


def noise(size: tuple[int, int], dtype: type, seed: int) -> Array:
    """Return a (H, W, 3) picture that no mistake of order or offset leaves alike."""
    rng = np.random.default_rng(seed)
    return np.asarray(rng.integers(0, np.iinfo(dtype).max, (size[1], size[0], 3), endpoint=True)).astype(
        dtype
    )


def soft(size: tuple[int, int], dtype: type) -> Array:
    """Return a (h, w) mask: 0 at the rim, full in the middle, every step between."""
    w, h = size
    y, x = np.mgrid[0:h, 0:w]
    far = np.hypot((x - w / 2) / (w / 2), (y - h / 2) / (h / 2))
    return np.asarray(np.rint(np.clip(1.5 - 1.6 * far, 0, 1) * np.iinfo(dtype).max)).astype(dtype)


def whole(dtype: type, seed: int) -> Array:
    """Return a donor of noise of the picture's size, (H, W, 4), that reaches all but the last rows."""
    alpha = np.full((SIZE[1], SIZE[0]), np.iinfo(dtype).max, dtype)
    alpha[-7:] = 0
    return np.dstack([noise(SIZE, dtype, seed), alpha]) * (alpha > 0)[..., None]


def head(person: str, offset: tuple[int, int], dtype: type, mask_dtype: type, seed: int) -> Head:
    """Return a head of noise under a soft mask that is 0 in its outermost rows and columns."""
    size = (40, 50)
    return Head(
        person=person,
        offset=offset,
        pixels=noise(size, dtype, seed),
        mask=soft(size, mask_dtype),
        joint=Joint(),
        placement="homography",
    )


def composed(base: Array, heads: list[Head]) -> Array:
    """Return the heads laid over the base one after the other, in float, rounded once: an independent
    truth.
    """
    out = base.astype(np.float64)
    for h in heads:
        for y in range(h.mask.shape[0]):
            for x in range(h.mask.shape[1]):
                at = (y + h.offset[1], x + h.offset[0])
                if 0 <= at[0] < out.shape[0] and 0 <= at[1] < out.shape[1]:
                    a = h.mask[y, x] / full_scale(h.mask)
                    out[at] = out[at] * (1 - a) + h.pixels[y, x] * a
    return np.asarray(np.rint(out)).astype(base.dtype)


def scene(dtype: type, mask_dtype: type | None = None) -> tuple[Array, list[Head], Array]:
    """Return a base, two heads that overlap and one over the edge, and the composite."""
    base = noise(SIZE, dtype, 0)
    mask_dtype = mask_dtype or dtype
    heads = [
        head("P03", (10, 5), dtype, mask_dtype, 1),
        head("P01", (25, 12), dtype, mask_dtype, 2),
        head("P02", (-11, 40), dtype, mask_dtype, 3),
    ]
    return base, heads, composed(base, heads)


DONORS = {"P01": "frame_0007.jpg", "P02": '<b>"&\x01.jpg', "P03": "frame_0001.jpg"}


def hidden(dtype: type) -> list[Hidden]:
    """Return whole donors of two of the heads, and one of somebody who has none."""
    return [
        Hidden(person=who, name=f"{who} whole", picture=partial(whole, dtype, seed))
        for who, seed in (("P03", 101), ("P01", 102), ("P07", 103))
    ]


def shown_part(h: Head) -> tuple[tuple[int, int], tuple[slice, slice]]:
    """Return where in the picture the part of a head begins that shows anything, and where it lies in it."""
    y, x = np.nonzero(h.mask)
    part = slice(int(y.min()), int(y.max()) + 1), slice(int(x.min()), int(x.max()) + 1)
    return (h.offset[0] + part[1].start, h.offset[1] + part[0].start), part
