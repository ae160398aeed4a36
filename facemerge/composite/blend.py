"""Blends a placed donor into the base: a smooth correction that makes both meet, and the laying itself."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.linalg import spsolve

from facemerge import imaging
from facemerge.words import Array, Head


def membrane(
    difference: NDArray[np.floating[Any]], weight: NDArray[np.floating[Any]], decay_px: float = np.inf
) -> NDArray[np.float64]:
    """Return the smoothest picture that takes given values where it is bound to them.

    Minimises the sum of weight (r - difference)^2 + |grad r|^2 + (r / decay_px)^2. With an infinite weight on
    a closed line and no decay it is the gradient-domain correction of Perez, Gangnet & Blake, "Poisson
    Image Editing", 2003 (the donor's gradients under the base's values on the line); the decay keeps a
    difference of tone at the seam from tinting the whole face.

    Parameters
    ----------
    difference
        (h, w, C): base minus donor.
    weight
        (h, w), >= 0: how strongly each pixel is bound.
    decay_px
        Distance over which the correction dies away from the line; infinite = never.

    Returns
    -------
    (h, w, C) float64
    """
    h, w = weight.shape
    index = np.arange(h * w).reshape(h, w)
    a = np.concatenate([index[:, :-1].ravel(), index[:-1].ravel()])
    b = np.concatenate([index[:, 1:].ravel(), index[1:].ravel()])
    ones = np.ones(a.size)
    links = sparse.coo_matrix((ones, (a, b)), shape=(h * w, h * w))
    links = links + links.T
    # A pixel with neither binding nor decay anywhere would leave the system without a unique answer.
    tie = 1e-9 + (0.0 if np.isinf(decay_px) else 1 / decay_px**2)
    bound = weight.ravel().astype(np.float64)
    diagonal = np.asarray(links.sum(1)).ravel() + bound + tie
    matrix = (sparse.diags(diagonal) - links).tocsc()
    right = difference.reshape(h * w, -1).astype(np.float64) * bound[:, None]
    return np.asarray(spsolve(matrix, right)).reshape(h, w, -1)


def multiband(
    base: NDArray[np.float32], donor: NDArray[np.float32], mask: NDArray[np.float32], bands: int
) -> NDArray[np.float32]:
    """Return the donor splined into the base: each band of detail crosses over its own wavelength.

    Burt & Adelson, "A Multiresolution Spline with Application to Image Mosaics", 1983.

    Parameters
    ----------
    base, donor
        (h, w, C) float32.
    mask
        (h, w) float32 in [0, 1]: 1 where the donor is to show.
    bands
        Levels of the pyramids, at least 1; 1 is a plain mix by `mask`.

    Returns
    -------
    (h, w, C) float32
    """
    # The Laplacian pyramid is linear, so the difference of the pictures needs one pyramid, not two; and
    # where both agree the result is the base to the last bit.
    level: Array = donor - base
    weight: Array = mask
    sizes, details, weights = [], [], []
    for _ in range(bands - 1):
        if min(level.shape[:2]) < 4:
            break
        size = (level.shape[1], level.shape[0])
        smaller = cv2.pyrDown(level)
        details.append(level - cv2.pyrUp(smaller, dstsize=size))
        weights.append(weight)
        sizes.append(size)
        level, weight = smaller, cv2.pyrDown(weight)
    mixed = level * weight[..., None]
    for size, detail, share in zip(reversed(sizes), reversed(details), reversed(weights), strict=True):
        mixed = cv2.pyrUp(mixed, dstsize=size) + detail * share[..., None]
    return np.asarray(base + mixed, np.float32)


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
