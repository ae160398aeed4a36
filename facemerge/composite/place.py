"""Registers two frames' pictures of the same person, and samples a frame where it is laid."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge import imaging
from facemerge.words import Array, Float

# Landmarks that no blink, smile or shout moves much: brow ridge, bridge and sides of the nose, temples.
# fmt: off
STEADY_POINTS = (
    6, 8, 9, 10, 21, 54, 67, 103, 109, 127, 162, 168, 195, 197, 234, 251, 284, 297, 332, 338, 356, 389, 454,
    33, 133, 263, 362, 5, 4, 1, 48, 278,
)
# fmt: on
ECC_STEPS = 30
ECC_CHANGE = 1e-4
MAX_TURN_RAD = 0.2


def similarity_of(source: Float, target: Float) -> Float:
    """Return the (3, 3) similarity between two faces by the landmarks that no expression moves.

    By least squares (Umeyama, "Least-squares estimation of transformation parameters between two point
    patterns", 1991).

    Parameters
    ----------
    source, target
        (478, 2) landmarks of one person, each in own pixels.
    """
    points = list(STEADY_POINTS)
    return _similarity(np.asarray(source[points], np.float64), np.asarray(target[points], np.float64))


def _similarity(source: Float, target: Float) -> Float:
    a, b = source.mean(0), target.mean(0)
    s, t = source - a, target - b
    norm = float((s * s).sum())
    c = float((s * t).sum()) / norm
    d = float((s[:, 0] * t[:, 1] - s[:, 1] * t[:, 0]).sum()) / norm
    m = np.array([[c, -d, 0], [d, c, 0], [0, 0, 1]])
    return np.asarray(imaging.shift_matrix(*b) @ m @ imaging.shift_matrix(*-a))


def refine(
    base: NDArray[np.float32],
    placed: NDArray[np.float32],
    region: NDArray[np.uint8],
    steps: int = ECC_STEPS,
) -> Float | None:
    """Return the (3, 3) matrix base_from_placed that best lays one grey picture on the other in a region.

    Enhanced correlation coefficient, translation and turn (Evangelidis & Psarakis, "Parametric Image
    Alignment Using Enhanced Correlation Coefficient Maximization", 2008).

    Parameters
    ----------
    base, placed
        (h, w) float32 in [0, 1].
    region
        (h, w) uint8, non-zero where the two should agree.
    steps
        How many are taken at most.

    Returns
    -------
    (3, 3) or None
        None if it does not converge or runs off; the caller then keeps what it has.
    """
    start = np.eye(2, 3, dtype=np.float32)
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, steps, ECC_CHANGE)
    try:
        _, m = cv2.findTransformECC(base, placed, start, cv2.MOTION_EUCLIDEAN, criteria, region, 5)
    except cv2.error:
        return None
    placed_from_base = np.vstack([m.astype(np.float64), [0, 0, 1]])
    y, x = np.nonzero(region)
    middle = np.array([[x.mean(), y.mean()]])
    moved = float(np.linalg.norm(imaging.transform(placed_from_base, middle) - middle))
    if moved > 0.06 * max(base.shape) or abs(np.arctan2(m[1, 0], m[0, 0])) > MAX_TURN_RAD:
        return None
    return np.asarray(np.linalg.inv(placed_from_base))


def sample(
    donor: Array,
    base_from_donor: Float,
    offset: tuple[int, int],
    size: tuple[int, int],
) -> tuple[Array, NDArray[np.bool_]]:
    """Return the donor as placed on a window of the base, resampled once.

    Parameters
    ----------
    donor
        (H, W, 3) uint8 or uint16.
    base_from_donor
        (3, 3) placement.
    offset, size
        x, y and (w, h) of the window in base pixels.

    Returns
    -------
    pixels : (h, w, 3), the donor's dtype
    valid : (h, w) bool
        False where the donor frame does not reach.
    """
    w, h = size
    donor_from_base = np.linalg.inv(base_from_donor)
    y, x = np.mgrid[0:h, 0:w].astype(np.float32)
    x, y = x + offset[0], y + offset[1]
    m = donor_from_base.astype(np.float32)
    depth = m[2, 0] * x + m[2, 1] * y + m[2, 2]
    u = (m[0, 0] * x + m[0, 1] * y + m[0, 2]) / depth
    v = (m[1, 0] * x + m[1, 1] * y + m[1, 2]) / depth
    # The window's part of the donor alone, so that nothing depends on the size of the frame.
    left, top = max(0, int(u.min()) - 8), max(0, int(v.min()) - 8)
    right, bottom = min(donor.shape[1], int(u.max()) + 10), min(donor.shape[0], int(v.max()) + 10)
    valid = (u >= 0) & (v >= 0) & (u <= donor.shape[1] - 1) & (v <= donor.shape[0] - 1)
    if right <= left or bottom <= top:
        return np.zeros((h, w, 3), donor.dtype), np.zeros((h, w), bool)
    part = np.ascontiguousarray(donor[top:bottom, left:right])
    pixels = cv2.remap(part, u - left, v - top, cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(pixels), valid
