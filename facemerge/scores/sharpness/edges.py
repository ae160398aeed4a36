"""The blur of single edges around the eyes, needing no other frame to compare with.

A step edge blurred by t has, after a further Gaussian of width s, a steepness proportional to
1 / sqrt(t^2 + s^2); the ratio of its steepness at two widths gives t. Zhuo and Sim, "Defocus map estimation
from a single image", Pattern Recognition 44(9), 2011. The median over the strong edges of brows, lashes and
lids hardly knows whether an eye is open or shut: a shut lid has lashes, too.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge.words import Float

Grey = NDArray[np.float32]
Mask = NDArray[np.bool_]

EYE_CORNERS = ((33, 133), (362, 263))
ZONE_ALONG, ZONE_ACROSS, ZONE_LIFT = 1.05, 1.0, 0.45
"""Half axes and lift of the ellipse around each eye, in eye widths: the brow is in it, the nose is not."""
WIDTHS_PX = (1.0, 2.0, 4.0)
WIDER = 1.5
NEAR, REACH = 2.2, 2.8
"""Blur, in units of a width, up to which that width tells it best, and up to which it tells it at all."""
STRONG_SHARE = 0.4
ABOVE_NOISE = 9.0
"""By what factor an edge's energy must exceed the noise's."""
FEWEST = 6


def eye_zone(shape: tuple[int, int], points: Float) -> Mask:
    """Return an (H, W) mask of both eyes with their lids, lashes and brows.

    Parameters
    ----------
    shape
        (H, W) of the picture.
    points
        (478, 2) landmarks in its pixels.
    """
    zone = np.zeros(shape, bool)
    for corners in EYE_CORNERS:
        a, b = points[list(corners)]
        width = max(float(np.linalg.norm(b - a)), 1e-3)
        along = (b - a) / width
        up = np.array([along[1], -along[0]])
        # The rest of the face lies below the eyes, whichever way it is turned or mirrored.
        up *= 1.0 if up @ ((a + b) / 2 - points.mean(0)) >= 0 else -1.0
        middle = (a + b) / 2 + ZONE_LIFT * width * up
        # Reckoned rather than drawn: a small face's zone would jump with its landmarks, by whole pixels.
        reach = int(np.ceil(max(ZONE_ALONG, ZONE_ACROSS) * width)) + 1
        left, top = (max(0, int(v) - reach) for v in middle)
        part = zone[top : max(0, int(middle[1]) + reach + 1), left : max(0, int(middle[0]) + reach + 1)]
        y, x = np.ogrid[: part.shape[0], : part.shape[1]]
        dx, dy = x + (left - middle[0]), y + (top - middle[1])
        on, off = dx * along[0] + dy * along[1], dx * up[0] + dy * up[1]
        part |= (on / (ZONE_ALONG * width)) ** 2 + (off / (ZONE_ACROSS * width)) ** 2 <= 1
    return zone


def _energy(picture: Grey) -> Grey:
    dx = (picture[1:-1, 2:] - picture[1:-1, :-2]) / 2
    dy = (picture[2:, 1:-1] - picture[:-2, 1:-1]) / 2
    return np.asarray(dx * dx + dy * dy)


def edge_blur(grey: Grey, mask: Mask, noise: float) -> tuple[float, int]:
    """Return the median blur of the strong edges in a masked picture.

    Parameters
    ----------
    grey
        (H, W) float32.
    mask
        (H, W): where to look.
    noise
        Standard deviation of its white noise.

    Returns
    -------
    sigma_px, count
        Gaussian sigma in pixels, and on how many edge points it rests; 0, 0 if there are too few.
    """
    rows, columns = np.flatnonzero(mask.any(1)), np.flatnonzero(mask.any(0))
    told: list[tuple[float, int]] = []
    if not len(rows):
        return 0.0, 0
    for width in WIDTHS_PX:
        pad = int(np.ceil(5 * width)) + 1
        y, x = max(int(rows[0]) - pad, 0), max(int(columns[0]) - pad, 0)
        near = np.s_[y : int(rows[-1]) + pad + 1, x : int(columns[-1]) + pad + 1]
        if min(mask[near].shape) < 5:
            break
        variances = _edge_variances(np.ascontiguousarray(grey[near]), mask[near], noise, width)
        if len(variances) < FEWEST:
            continue
        sigma = float(np.sqrt(np.median(variances)))
        # What the width before said is kept where both can tell: their errors are not the same.
        if told and told[-1][0] < REACH * width / 2:
            return float(np.sqrt(told[-1][0] * sigma)), len(variances)
        told.append((sigma, len(variances)))
        if sigma < NEAR * width:
            break
    return told[-1] if told else (0.0, 0)


def _edge_variances(grey: Grey, mask: Mask, noise: float, width: float) -> Float:
    """Return the variance of the blur at each strong edge point, from its steepness at two widths."""
    fine = np.asarray(cv2.GaussianBlur(grey, (0, 0), width, borderType=cv2.BORDER_REFLECT), np.float32)
    more = width * float(np.sqrt(WIDER**2 - 1))
    steep = _energy(fine)
    # Along the ridge of the gradient: beside it, a blurred edge looks wider than it is.
    ridge = mask[1:-1, 1:-1] & (steep >= 0.96 * cv2.dilate(steep, np.ones((3, 3), np.uint8)))
    if not ridge.any():
        return np.empty(0)
    of_noise = noise**2 / (4 * np.pi * width**2) * (1 - np.exp(-1 / width**2))
    least = max(float(np.quantile(steep[ridge], 1 - STRONG_SHARE)), ABOVE_NOISE * of_noise, 1e-12)
    strong = ridge & (steep >= least)
    wider = np.asarray(cv2.GaussianBlur(fine, (0, 0), more, borderType=cv2.BORDER_REFLECT), np.float32)
    wide = _energy(wider)[strong]
    ratio = np.maximum(steep[strong].astype(np.float64) / np.maximum(wide, 1e-12), 1.0005)
    # A central difference over two pixels is itself a box of variance 1 / 3.
    low, high = width**2 + 1 / 3, (WIDER * width) ** 2 + 1 / 3
    return np.asarray(np.maximum((high - ratio * low) / (ratio - 1), 0))
