"""The ladder of known blurs: how the gradients of a face fall, and the blur that says."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge import imaging
from facemerge.words import Float

Grey = NDArray[np.float32]
Mask = NDArray[np.bool_]

FLATTEST_TENTH = 0.8
"""What pure white noise gives in the flattest tenth of 9 x 9 windows, over its mean."""
FINEST_PX = 0.8
STEP = 2**0.5
RUNGS = 9
GAIN_SPREAD = 0.3
"""By how much (as a natural logarithm) the contrast of one face may differ between frames, by light alone."""
MISFIT_SPREAD = 0.15
TYPICAL_SHARES = (0.009, 0.0114, 0.0144, 0.0182, 0.0231, 0.0292, 0.037, 0.0468, 0.0592, 0.0749, 0.0948, 0.12)
TYPICAL_LOG_ENERGY = (1.58, 1.38, 1.1, 0.82, 0.53, 0.25, -0.06, -0.4, -0.75, -1.12, -1.5, -1.84)
"""Gradient ladder of a sharp face over the eyes' distance, up to a factor: mean of 27 faces of four groups.
Faces differ from it by 0.07 to 0.2, far less than blur changes it."""
TYPICAL_FREE_SHARE = 0.0155
"""By which blur nine in ten sharp faces stay below when held against the typical ladder."""


def noise_level(grey: Grey, mask: Mask) -> float:
    """Return the standard deviation of the noise in the flattest tenth of a masked picture.

    Taken over 9 x 9 windows so that stubble and lashes are left out.
    """
    local = cv2.boxFilter(imaging.noise_map(grey), -1, (9, 9))[mask]
    return float(np.percentile(local, 10) / FLATTEST_TENTH) if local.size else 0.0


def gradient_ladder(grey: Grey, masks: Sequence[Mask], noise: float) -> tuple[Float, Float]:
    """Return the mean squared gradient of a picture after each of a ladder of Gaussian blurs.

    Parameters
    ----------
    grey
        (H, W) float32.
    masks
        M of (H, W): where to look.
    noise
        Standard deviation of white noise whose part is taken off.

    Returns
    -------
    energy, rung_px
        (M, S) and (S,); fewer rungs in smaller pictures.
    """
    energy: list[list[float]] = []
    rungs: list[float] = []
    now, where, done_px, pixel = grey, [mask.astype(np.uint8) for mask in masks], 0.0, 1
    for width in FINEST_PX * STEP ** np.arange(RUNGS):
        if rungs and min(grey.shape) < 8 * width:
            break
        # Halving after enough blur loses nothing and makes the wide rungs cheap; the 2 x 2 mean adds its own
        # spread of pixel^2 / 4.
        if width / pixel > 2.3 and np.hypot(done_px, 0.5 * pixel) < width:
            size = (now.shape[1] // 2, now.shape[0] // 2)
            even = now[: 2 * size[1], : 2 * size[0]]
            now = np.asarray(cv2.resize(even, size, interpolation=cv2.INTER_AREA), np.float32)
            where = [mask[: 2 * size[1] : 2, : 2 * size[0] : 2] for mask in where]
            done_px, pixel = float(np.hypot(done_px, 0.5 * pixel)), 2 * pixel
        more = np.sqrt(width**2 - done_px**2) / pixel
        now = np.asarray(cv2.GaussianBlur(now, (0, 0), more, borderType=cv2.BORDER_REFLECT), np.float32)
        done_px = float(width)
        steep = _steepness(now, pixel)
        # White noise through a Gaussian has variance 1 / (4 pi s^2), and lags of two pixels correlate.
        lag = 1 - np.exp(-((pixel / width) ** 2))
        of_noise = noise**2 / (4 * np.pi * width**2) * lag / pixel**2
        values = [cv2.mean(steep, mask[1:-1, 1:-1])[0] for mask in where]
        energy.append([max(value - of_noise, 0.02 * value, 1e-10) for value in values])
        # A central difference over two pixels is itself a box of variance pixel^2 / 3.
        rungs.append(float(np.sqrt(width**2 + pixel**2 / 3)))
    return np.array(energy).T, np.array(rungs)


def _steepness(picture: Grey, pixel: int) -> Grey:
    """Return the squared gradient of all but the border, by central differences; pixels as wide as told."""
    dx = cv2.subtract(picture[1:-1, 2:], picture[1:-1, :-2])
    dy = cv2.subtract(picture[2:, 1:-1], picture[:-2, 1:-1])
    cv2.multiply(dx, dx, dx)
    cv2.multiply(dy, dy, dy)
    return np.asarray(cv2.addWeighted(dx, 0.25 / pixel**2, dy, 0.25 / pixel**2, 0), np.float32)


def step_blur(energy: Float, rung_px: Float) -> float:
    """Return the Gaussian sigma, in pixels, of a picture of step edges from its gradient ladder.

    The energy of a step blurred by t at rung s is proportional to 1 / sqrt(s^2 + t^2); two neighbouring
    rungs give t in closed form, and those nearest to t give it best.
    """
    sigma = 0.0
    for a, b, low, high in zip(energy, energy[1:], rung_px, rung_px[1:], strict=False):
        ratio = max((a / b) ** 2, 1.0005)
        sigma = float(np.sqrt(max((high**2 - ratio * low**2) / (ratio - 1), 0)))
        if sigma < 1.1 * high:
            break
    return sigma


def ladder_blur(
    energy: Float, rung_px: Float, sharp_energy: Float, sharp_rung_px: Float, *, free_gain: bool = False
) -> float:
    """Return the Gaussian sigma by which a face is blurrier than a sharp one, from their gradient ladders.

    Both ladders in the same unit of length. A common factor of contrast is allowed for: within
    `GAIN_SPREAD`, or any with `free_gain`.
    """
    x, log_sharp, log_now = np.log(sharp_rung_px), np.log(sharp_energy), np.log(energy)
    end_slope = (log_sharp[-1] - log_sharp[-2]) / (x[-1] - x[-2])
    sigmas = np.concatenate([[0.0], np.geomspace(0.25 * sharp_rung_px[0], 1.2 * sharp_rung_px[-1], 80)])
    at = 0.5 * np.log(rung_px[None] ** 2 + sigmas[:, None] ** 2)
    expected = np.interp(at, x, log_sharp) + np.maximum(at - x[-1], 0) * end_slope
    off = log_now[None] - expected
    n = len(rung_px)
    spread = 1e3 if free_gain else GAIN_SPREAD
    shift = off.sum(1) / (n + (MISFIT_SPREAD / spread) ** 2)
    cost = ((off - shift[:, None]) ** 2).sum(1) / MISFIT_SPREAD**2 + (shift / spread) ** 2
    best = int(np.argmin(cost))
    if 0 < best < len(sigmas) - 1:
        left, mid, right = cost[best - 1 : best + 2]
        bend = left - 2 * mid + right
        part = float(np.clip(0.5 * (left - right) / bend, -0.5, 0.5)) if bend > 0 else 0.0
        return float(np.interp(best + part, np.arange(len(sigmas)), sigmas))
    return float(sigmas[best])


def own_blur(energy: Float, rung_px: Float, eyes_px: float) -> float:
    """Return the Gaussian sigma, in pixels, of a face of which no sharper frame is known.

    The step model is exact for edges and low for wide blurs of a real face, whose features lie close to each
    other; the ladder of a typical face is right there, but no face is quite typical: the larger of the two,
    the second less what it is wrong by on sharp faces.
    """
    typical = eyes_px * ladder_blur(
        energy,
        rung_px / eyes_px,
        np.exp(np.array(TYPICAL_LOG_ENERGY)),
        np.array(TYPICAL_SHARES),
        free_gain=True,
    )
    beyond = float(np.sqrt(max(typical**2 - (TYPICAL_FREE_SHARE * eyes_px) ** 2, 0)))
    return max(step_blur(energy, rung_px), beyond)
