"""Brings a donor's tone to the base's: gains in linear light from where the two pictures show the same."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge import imaging

# Outside these encoded values a channel is clipped or drowned in noise, and its ratio means nothing.
DARKEST, BRIGHTEST = 0.06, 0.985
FEWEST, ENOUGH = 200, 20_000
LOOKED_AT = 250_000
"""Of a larger window every other pixel is looked at, or one in three …"""
LARGEST_SLOPE = 0.15
ROUNDS = 4


def gain_field(
    base: NDArray[np.float32], donor: NDArray[np.float32], agree: NDArray[np.bool_]
) -> NDArray[np.float32]:
    """Return the gain, per pixel and channel, that brings the donor's light to the base's.

    The logarithm of the ratio in linear light is fitted by a plane over the window (exposure and the slope
    of a light or of vignetting), robustly: pixels that show different things lie off the plane and lose
    their weight (iteratively re-weighted least squares, Tukey's biweight; Beaton & Tukey 1974, from memory).

    Parameters
    ----------
    base, donor
        (h, w, 3) encoded, in [0, 1], on the same window.
    agree
        (h, w) where both may show the same.

    Returns
    -------
    (h, w, 3) float32
        Factor on linear light; 1 where nothing could be learnt.
    """
    h, w = agree.shape
    step = max(1, int(np.sqrt(h * w / LOOKED_AT)))
    base, donor, agree = base[::step, ::step], donor[::step, ::step], agree[::step, ::step]
    gain = np.ones((h, w, 3), np.float32)
    x, y = (np.arange(n) / max(n - 1, 1) - 0.5 for n in (w, h))
    every = x[::step], y[::step]
    for c in range(3):
        b, d = base[..., c], donor[..., c]
        use = agree & (b > DARKEST) & (b < BRIGHTEST) & (d > DARKEST) & (d < BRIGHTEST)
        rows, columns = np.nonzero(use)
        if len(rows) < FEWEST:
            continue
        # A plane has three numbers: tens of thousands of pixels tell them as well as all.
        some = slice(None, None, max(1, len(rows) // ENOUGH))
        at = rows[some], columns[some]
        ratio = np.log(imaging.to_linear(b[at]) / imaging.to_linear(d[at])).astype(np.float64)
        a = np.column_stack([np.ones(ratio.size), every[0][at[1]], every[1][at[0]]])
        k = _robust_plane(a, ratio)
        gain[..., c] = np.exp(k[0] + k[2] * y)[:, None] * np.exp(k[1] * x)
    return gain


def biweight(left: NDArray[np.float64], least_spread: float) -> NDArray[np.float64]:
    """Return what each residual of a fit weighs (Tukey's biweight; Beaton & Tukey 1974, from memory).

    Their spread is told by the median of their sizes, and is `least_spread` at least.
    """
    spread = max(1.4826 * float(np.median(np.abs(left))), least_spread)
    return np.asarray(np.clip(1 - (left / (4.685 * spread)) ** 2, 0, None) ** 2)


def _robust_plane(a: NDArray[np.float64], ratio: NDArray[np.float64]) -> NDArray[np.float64]:
    k = np.array([np.median(ratio), 0.0, 0.0])
    # Slopes are held back as if that much were known beforehand, or a few odd pixels tilt the face's light.
    held = np.diag([0.0, 1.0, 1.0]) * 0.02 * len(ratio)
    for _ in range(ROUNDS):
        weight = biweight(ratio - a @ k, 0.01)
        aw = a * weight[:, None]
        k = np.linalg.solve(aw.T @ a + held + 1e-9 * np.eye(3), aw.T @ ratio)
        k[1:] = np.clip(k[1:], -LARGEST_SLOPE, LARGEST_SLOPE)
    return k


def usual(gain: NDArray[np.float32]) -> tuple[float, float, float]:
    """Return the factors in the middle of a field of gains: that of a plane's logarithm is its median."""
    red, green, blue = (float(np.median(gain[..., c])) for c in range(3))
    return red, green, blue


def apply_gain(donor: NDArray[np.float32], gain: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the encoded donor with its linear light multiplied by `gain`.

    Parameters
    ----------
    donor, gain
        (h, w, 3); encoded in [0, 1], and the factor.
    """
    return imaging.from_linear(imaging.to_linear(donor) * gain)


def grain(encoded: NDArray[np.float32]) -> float:
    """Return the standard deviation of the noise in 8-bit steps, from the calmest tenth of a picture.

    Taken over blocks so that texture does not count as noise.
    """
    luma = np.asarray(cv2.cvtColor(encoded, cv2.COLOR_RGB2GRAY) * 255, np.float32)
    noise = imaging.noise_map(luma)[1:-1, 1:-1]
    blocks = cv2.blur(noise, (16, 16))[8:-8:8, 8:-8:8]
    return float(np.percentile(blocks, 10)) if blocks.size else 0.0
