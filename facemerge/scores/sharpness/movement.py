"""Movement, told from the power spectrum of a face against that of sharp ones.

A streak of length L leaves sinc^2 across its direction, a round blur falls alike on all sides: Liu, Li, Jia,
"Image Partial Blur Detection and Classification", CVPR 2008, tell the two apart by the same spectrum.
"""

from __future__ import annotations

import functools

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge.words import Float, frozen

Grey = NDArray[np.float32]
LogPower = NDArray[np.float16] | NDArray[np.float32]

SPECTRUM_PX = 128
BAND = 32
"""Highest frequency kept of the spectrum, in cycles a patch."""
TYPICAL_SPECTRUM = (12.524, -1.637, -0.381, -0.365, -0.159, 0.321)
"""Log power of the same faces: 1, log f, its square, cos 2a, cos 2a log f, cos 4a; f in cycles a patch."""
MOVED_GAIN = 0.42
"""Share of a round blur's misfit that a streak takes away: sharp faces up to 0.35, moved above 0.42."""
SPECKLE = 0.1
"""Misfit that is chance: what two smoothed spectra of one face differ by."""


def log_power(grey: Grey, centre: Float, side: float) -> NDArray[np.float32]:
    """Return the (BAND + 1, 2 BAND + 1) log of the smoothed power spectrum of a square of a picture.

    Parameters
    ----------
    grey
        (H, W) float32.
    centre, side
        (2,) middle and side of the square in pixels.
    """
    zoom = side / SPECTRUM_PX
    source, middle = grey, centre
    if zoom > 1.4:
        size = (max(1, round(grey.shape[1] / zoom)), max(1, round(grey.shape[0] / zoom)))
        source = np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_AREA))
        scale = np.array([size[0] / grey.shape[1], size[1] / grey.shape[0]])
        middle = (centre + 0.5) * scale - 0.5
        zoom *= float(scale.mean())
    off = (SPECTRUM_PX - 1) / 2 * zoom
    matrix = np.array([[zoom, 0, middle[0] - off], [0, zoom, middle[1] - off]])
    patch = cv2.warpAffine(
        source,
        matrix,
        (SPECTRUM_PX, SPECTRUM_PX),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    hann = np.hanning(SPECTRUM_PX).astype(np.float32)
    window = hann[:, None] * hann[None]
    mean = float((patch * window).sum() / window.sum())
    wave = np.fft.rfft2((patch - mean) / max(mean, 0.01) * window)[:, : BAND + 1]
    power = (np.abs(wave) ** 2).astype(np.float32)
    full = np.concatenate([power[-BAND:], power[: BAND + 1]]).T
    # A single picture's spectrum is speckled; the mean over neighbours is what a model can be held against.
    smooth = cv2.GaussianBlur(np.ascontiguousarray(full), (0, 0), 0.8)
    return np.asarray(np.log(smooth + 1e-6), np.float32)


@functools.cache
def _grid() -> tuple[Float, Float, NDArray[np.bool_]]:
    fx, fy = np.meshgrid(np.arange(BAND + 1), np.arange(-BAND, BAND + 1), indexing="ij")
    radius = np.hypot(fx, fy)
    return (
        fx.astype(np.float64),
        fy.astype(np.float64),
        (radius >= 2) & (radius <= BAND) & ((fx > 0) | (fy > 0)),
    )


@functools.cache
def _coarse_streaks() -> tuple[Float, NDArray[np.float32]]:
    """Return the (K, 2) lengths and directions of the streaks tried first, and their (F, K) sinc^2.

    In cycles a patch and lengths over its side, they are the same for every face.
    """
    fx, fy, _ = _grid()
    pairs = np.array([(a, b) for a in np.geomspace(0.012, 0.3, 26) for b in np.arange(0, 180, 5.0)])
    return pairs, _streaks(fx.ravel(), fy.ravel(), pairs)


@functools.cache
def _round_blurs() -> NDArray[np.float32]:
    """Return the (F, K) squared kernels of round blurs, what a streak has to do better than."""
    fx, fy, _ = _grid()
    sigmas = np.geomspace(0.004, 0.09, 24)
    squared = np.exp(-4 * np.pi**2 * np.outer(fx.ravel() ** 2 + fy.ravel() ** 2, sigmas**2))
    return squared.astype(np.float32)


def _streaks(fx: Float, fy: Float, pairs: Float) -> NDArray[np.float32]:
    """Return the (F, K) squared kernels of (K, 2) streaks: length over the patch, degrees."""
    angle = np.deg2rad(pairs[:, 1])
    step = np.stack([np.cos(angle), np.sin(angle)]) * pairs[:, 0]
    along = (np.column_stack([fx, fy]) @ step).astype(np.float32)
    return np.asarray(np.sinc(along) ** 2, np.float32)


def _misfit(log_now: NDArray[np.float32], sharp: Float, floor: float, kernel: NDArray[np.float32]) -> Float:
    """Mean squared error of the spectrum expected from each of (F, K) squared kernels, a gain left free."""
    off = kernel * sharp[:, None].astype(np.float32)
    off += np.float32(floor)
    off = np.asarray(cv2.log(off, off))
    off -= log_now[:, None]
    off -= off.mean(0)
    return np.asarray(np.einsum("fk,fk->k", off, off) / len(off), np.float64)


def streak(
    log_power: LogPower,
    sharp_log_power: LogPower,
    patch_px: float,
    *,
    coarse: bool = False,
) -> tuple[float, float, float]:
    """Return how a face moved, from its power spectrum and that of sharp frames.

    Parameters
    ----------
    log_power, sharp_log_power
        As `SharpnessMeasure.log_power`.
    patch_px
        Side of the square they were taken from, in pixels.
    coarse
        Whether a quick answer, right within a fifth, will do.

    Returns
    -------
    length_px, direction_deg, gain
        Length and direction of the straight streak that explains the spectrum best, and the share in
        [0, 1] of the best round blur's misfit that it takes away; negative if the round blur is better.
    """
    fx, fy, use = _grid()
    # A small face has nothing beyond its own pixels' frequency but what resampling made up.
    use = use & (np.hypot(fx, fy) <= 0.42 * patch_px)
    fx, fy, use = fx.ravel(), fy.ravel(), use.ravel()
    sharp_all = np.exp(sharp_log_power.astype(np.float64)).ravel()
    now_all = log_power.astype(np.float32).ravel()
    floor = float(np.exp(np.percentile(now_all[use], 2)))
    # A part of many frequencies tells where to look; long streaks need close steps of direction.
    some = use & ((fx + 2 * fy) % int(np.clip(use.sum() // 400, 1, 5)) == 0)
    best, best_round = (np.inf, 0.0, 0.0), np.inf
    for sweep in range(1 if coarse else 3):
        where = some if sweep == 0 else use
        x, y, now, sharp = fx[where], fy[where], now_all[where], sharp_all[where]
        if sweep < 2:
            best_round = float(_misfit(now, sharp, floor, _round_blurs()[where]).min())
            best = (np.inf, *best[1:])
        if sweep == 0:
            pairs, table = _coarse_streaks()
            kernel = table[where]
        else:
            width, turn = 0.12 / 3 ** (sweep - 1), 4.0 / 3 ** (sweep - 1)
            near = np.meshgrid(
                best[1] * np.linspace(1 - width, 1 + width, 7), best[2] + np.linspace(-turn, turn, 7)
            )
            pairs = np.column_stack([v.ravel() for v in near])
            kernel = _streaks(x, y, pairs)
        cost = _misfit(now, sharp, floor, kernel)
        i = int(np.argmin(cost))
        if cost[i] < best[0]:
            best = (float(cost[i]), float(pairs[i, 0]), float(pairs[i, 1] % 180))
    return best[1] * patch_px, best[2], (best_round - best[0]) / (best_round + SPECKLE)


@functools.cache
def typical_log_power() -> NDArray[np.float32]:
    """Return the (BAND + 1, 2 BAND + 1) log power spectrum of a typical sharp face."""
    fx, fy, use = _grid()
    log_f, turn = np.log(np.maximum(np.hypot(fx, fy), 1)), np.arctan2(fy, fx)
    level, a, b, c, d, e = TYPICAL_SPECTRUM
    table = level + a * log_f + b * log_f**2 + (c + d * log_f) * np.cos(2 * turn) + e * np.cos(4 * turn)
    return frozen(np.where(use, table, 0.0).astype(np.float32))
