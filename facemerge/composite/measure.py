"""Measures what a viewer may see where a head joins the base."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.color import deltaE_ciede2000, rgb2lab

GRAIN_PX = 2.0
"""Width over which an eye at viewing distance averages grain."""
STEEP = 3.0
"""8-bit steps a pixel from which a place counts as texture that can be seen not to meet."""
HIGH_PASS_PX = 8.0


def soft_edge_of(alpha: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Return the middle of a mask's soft edge, where both pictures show about equally."""
    return (alpha > 0.3) & (alpha < 0.7)


def seen_difference(
    base: NDArray[np.float32], donor: NDArray[np.float32], where: NDArray[np.bool_], known: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Return CIEDE2000 between two pictures at some pixels, grain averaged over 2 px.

    Sharma, Wu & Dalal, "The CIEDE2000 Color-Difference Formula", 2005.

    Parameters
    ----------
    base, donor
        (h, w, 3) encoded, in [0, 1].
    where
        (h, w) pixels to report.
    known
        (h, w) pixels that count in the averages.

    Returns
    -------
    (N,) float64
        One for each pixel of `where`, row by row.
    """
    if not where.any():
        return np.zeros(0)
    share = cv2.GaussianBlur(known.astype(np.float32), (0, 0), GRAIN_PX)[..., None] + 1e-6
    a = cv2.GaussianBlur(base * known[..., None], (0, 0), GRAIN_PX) / share
    b = cv2.GaussianBlur(donor * known[..., None], (0, 0), GRAIN_PX) / share
    apart: Any = deltaE_ciede2000
    return np.asarray(apart(rgb2lab(a[where]), rgb2lab(b[where])), np.float64)


def texture(base: NDArray[np.float32], where: NDArray[np.bool_]) -> float:
    """Return the mean steepness of a picture at some pixels, in 8-bit steps a pixel, grain averaged."""
    if not where.any():
        return 0.0
    return float(_steepness(_luma(base))[where].mean())


def misregistration(base: NDArray[np.float32], donor: NDArray[np.float32], where: NDArray[np.bool_]) -> float:
    """Return the shift in pixels that would explain what still differs between two pictures.

    The size of normal flow, by least squares over the textured pixels of `where`: a shift of d changes a
    value by d times its slope (Lucas & Kanade, "An Iterative Image Registration Technique", 1981, eq. 3).
    It is nought where there is no texture, and falls short of shifts longer than the texture is wide.

    Parameters
    ----------
    base, donor
        (h, w, 3) encoded, in [0, 1].
    where
        (h, w) pixels around the seam.
    """
    a, b = _luma(base), _luma(donor)
    # Slow differences are tone, not shift.
    apart = (a - cv2.GaussianBlur(a, (0, 0), HIGH_PASS_PX)) - (b - cv2.GaussianBlur(b, (0, 0), HIGH_PASS_PX))
    steep = (_steepness(a) + _steepness(b)) / 2
    use = where & (steep > STEEP)
    if use.sum() < 20:
        return 0.0
    s = steep[use].astype(np.float64)
    return float((np.abs(apart[use]) * s).sum() / (s * s).sum())


def sharpness_step(
    base: NDArray[np.float32], donor: NDArray[np.float32], where: NDArray[np.bool_], face_px: float
) -> float:
    """Return how many times, in powers of two, one picture is crisper than the other along the seam.

    A sharp head on a body that moved or lay out of focus shows, however well the colours meet. Gradient
    energies are compared in patches a fifth of a face wide; what counts is the patch that only a tenth of the
    seam's textured length exceeds, in either direction.

    Parameters
    ----------
    base, donor
        (h, w, 3) encoded, in [0, 1].
    where
        (h, w) the seam's soft edge.
    face_px
        Face width.

    Returns
    -------
    float
        0 where both are equally crisp, or where there is no texture to tell by.
    """
    widen = np.ones((3, 3), np.uint8)
    band = cv2.dilate(where.astype(np.uint8), widen, iterations=max(1, round(0.04 * face_px))) > 0
    side = max(5, round(0.2 * face_px)) | 1
    weight = cv2.boxFilter(band.astype(np.float32), -1, (side, side), normalize=False)

    def crispness(picture: NDArray[np.float32]) -> NDArray[np.float32]:
        energy = _steepness(_luma(picture)) ** 2 * band
        total = cv2.boxFilter(energy.astype(np.float32), -1, (side, side), normalize=False)
        return np.asarray(np.sqrt(np.maximum(total, 0) / np.maximum(weight, 1)), np.float32)

    a, b = crispness(base), crispness(donor)
    use = band & (np.maximum(a, b) > STEEP)
    if use.sum() < 20:
        return 0.0
    # A step added to both keeps grain on what is nearly plain from counting as crispness.
    ratio = np.log2((a[use] + 1) / (b[use] + 1))
    return float(max(-np.percentile(ratio, 10), np.percentile(ratio, 90), 0.0))


def _luma(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.asarray(
        cv2.GaussianBlur(cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY) * 255, (0, 0), GRAIN_PX / 2), np.float32
    )


def _steepness(luma: NDArray[np.float32]) -> NDArray[np.float32]:
    gx, gy = cv2.Scharr(luma, cv2.CV_32F, 1, 0) / 32, cv2.Scharr(luma, cv2.CV_32F, 0, 1) / 32
    return np.asarray(np.hypot(gx, gy), np.float32)
