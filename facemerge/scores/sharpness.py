"""How sharp a face is: the width of its blur in pixels, and whether it comes from focus or from movement.

A picture blurred by a Gaussian of width s and then by one of width t is blurred by sqrt(s^2 + t^2). So the
gradient energy of a face over a ladder of Gaussian widths is, for a blurred frame, the same person's sharp
ladder read further up: no assumption about edges, skin or make-up is needed. Where no sharper frame exists,
the face is taken to consist of steps, for which the energy falls as 1 / sqrt(s^2 + t^2): the re-blur idea of
Zhuo and Sim, "Defocus map estimation from a single image", Pattern Recognition 44(9), 2011, with energies in
place of single edges. Movement is told from the power spectrum relative to the sharp frames': a streak of
length L leaves sinc^2 across its direction (Liu, Li, Jia, "Image Partial Blur Detection and Classification",
CVPR 2008, tell the two apart by the same spectrum).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge import imaging
from facemerge.words import Float, Part, frozen

Grey = NDArray[np.float32]

FLATTEST_TENTH = 0.8
"""What pure white noise gives in the flattest tenth of 9 x 9 windows, over its mean."""
FINEST_PX = 0.8
STEP = 2**0.5
RUNGS = 9
LARGEST_FACE_PX = 420
"""Wider faces are shrunk by a whole factor first: their blur of interest is wider as well."""
SPECTRUM_PX = 128
BAND = 32
"""Highest frequency kept of the spectrum, in cycles a patch."""
GAIN_SPREAD = 0.3
"""By how much (as a natural logarithm) the contrast of one face may differ between frames, by light alone."""
MISFIT_SPREAD = 0.15
SOFT_SHARE = 0.021
"""Blur, as a share of the eyes' distance, at which a face is half as good as a sharp one."""
SOFT_PX = 0.9
"""No blur finer than the pixels can be seen, however small the face."""
OWN_FREE_PX = 0.8
"""Blur of a person's sharpest frames that is not held against them: smooth skin looks like it."""
TYPICAL_SHARES = (0.009, 0.0114, 0.0144, 0.0182, 0.0231, 0.0292, 0.037, 0.0468, 0.0592, 0.0749, 0.0948, 0.12)
TYPICAL_LOG_ENERGY = (1.58, 1.38, 1.1, 0.82, 0.53, 0.25, -0.06, -0.4, -0.75, -1.12, -1.5, -1.84)
"""Gradient ladder of a sharp face over the eyes' distance, up to a factor: mean of 27 faces of four groups.
Faces differ from it by 0.07 to 0.2, far less than blur changes it."""
TYPICAL_SPECTRUM = (12.524, -1.637, -0.381, -0.365, -0.159, 0.321)
"""Log power of the same faces: 1, log f, its square, cos 2a, cos 2a log f, cos 4a; f in cycles a patch."""
MOVED_GAIN = 0.42
"""Share of a round blur's misfit that a streak takes away: sharp faces up to 0.35, moved above 0.42."""
SPECKLE = 0.1
"""Misfit that is chance: what two smoothed spectra of one face differ by."""
STANDARD_FRAMES = 5
SAME_ENERGY = 0.7
"""Natural logarithm by which the gradient energy of two equally sharp faces of a person may differ."""
TYPICAL_FREE_SHARE = 0.0155
"""By which blur nine in ten sharp faces stay below when held against the typical ladder."""
# fmt: off
OUTLINE = (70, 63, 105, 66, 107, 9, 336, 296, 334, 293, 300, 356, 454, 323, 361, 288, 397, 365, 379, 378, 400,
           377, 152, 148, 176, 149, 150, 136, 172, 58, 132, 93, 234, 127)
# fmt: on
"""The face without forehead and hair, whose edges belong to another distance."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SharpnessMeasure:
    """What sharpness is judged from, for one face."""

    energy: Float
    """(S,) mean squared gradient at each rung of the ladder over squared brightness, noise taken off."""
    rung_px: Float
    """(S,) Gaussian widths of the ladder, in full-resolution pixels."""
    log_power: NDArray[np.float32]
    """(BAND + 1, 2 BAND + 1) natural log of the smoothed power spectrum; rows x, columns y frequency."""
    patch_px: float
    """Side of the square the spectrum is taken from, in full-resolution pixels."""
    eyes_px: float
    """Distance of the eyes in full-resolution pixels."""
    noise: float
    """Standard deviation of the noise, of full scale."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Blur:
    """The blur of one face."""

    defocus_px: float
    """Gaussian sigma beyond the person's sharpest frames, in pixels."""
    motion_px: float
    """Length of a streak in pixels; 0 = none found."""
    motion_deg: float
    """Direction of the streak, 0 = along x, 90 = along y (down), in [0, 180)."""
    total_px: float
    """Gaussian sigma of the same spread as all of it, the sharpest frames' own included."""


def noise_level(grey: Grey, mask: NDArray[np.bool_]) -> float:
    """Return the standard deviation of the noise in the flattest tenth of a masked picture.

    Taken over 9 x 9 windows so that stubble and lashes are left out.
    """
    local = cv2.boxFilter(imaging.noise_map(grey), -1, (9, 9))[mask]
    return float(np.percentile(local, 10) / FLATTEST_TENTH) if local.size else 0.0


def gradient_ladder(grey: Grey, mask: NDArray[np.bool_], noise: float) -> tuple[Float, Float]:
    """Return the mean squared gradient of a picture after each of a ladder of Gaussian blurs.

    Parameters
    ----------
    grey
        (H, W) float32.
    mask
        (H, W): where to look.
    noise
        Standard deviation of white noise whose part is taken off.

    Returns
    -------
    energy, rung_px
        (S,) each; fewer rungs in smaller pictures.
    """
    energy: list[float] = []
    rungs: list[float] = []
    now, where, done_px, pixel = grey, mask, 0.0, 1
    for width in FINEST_PX * STEP ** np.arange(RUNGS):
        if rungs and min(grey.shape) < 8 * width:
            break
        # Halving after enough blur loses nothing and makes the wide rungs cheap; the 2 x 2 mean adds its own
        # spread of pixel^2 / 4.
        if width / pixel > 2.3 and np.hypot(done_px, 0.5 * pixel) < width:
            size = (now.shape[1] // 2, now.shape[0] // 2)
            even = now[: 2 * size[1], : 2 * size[0]]
            now = np.asarray(cv2.resize(even, size, interpolation=cv2.INTER_AREA), np.float32)
            where = where[: 2 * size[1] : 2, : 2 * size[0] : 2]
            done_px, pixel = float(np.hypot(done_px, 0.5 * pixel)), 2 * pixel
        more = np.sqrt(width**2 - done_px**2) / pixel
        now = np.asarray(cv2.GaussianBlur(now, (0, 0), more, borderType=cv2.BORDER_REFLECT), np.float32)
        done_px = float(width)
        dx = (now[1:-1, 2:] - now[1:-1, :-2]) / (2 * pixel)
        dy = (now[2:, 1:-1] - now[:-2, 1:-1]) / (2 * pixel)
        # White noise through a Gaussian has variance 1 / (4 pi s^2), and lags of two pixels correlate.
        lag = 1 - np.exp(-((pixel / width) ** 2))
        of_noise = noise**2 / (4 * np.pi * width**2) * lag / pixel**2
        inner = where[1:-1, 1:-1]
        value = float((dx * dx + dy * dy)[inner].mean()) if inner.any() else 0.0
        energy.append(max(value - of_noise, 0.02 * value, 1e-10))
        # A central difference over two pixels is itself a box of variance pixel^2 / 3.
        rungs.append(float(np.sqrt(width**2 + pixel**2 / 3)))
    return np.array(energy), np.array(rungs)


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


def measure_sharpness(grey: Grey, points: Float, eyes_px: float) -> SharpnessMeasure:
    """Measure what sharpness is judged from.

    Parameters
    ----------
    grey
        (H, W) float32 in [0, 1]: a crop around the face.
    points
        (478, 2) landmarks in the crop's pixels.
    eyes_px
        Distance of the eyes in pixels.
    """
    factor = max(1, int(np.ceil(np.ptp(points[:, 0]) / LARGEST_FACE_PX)))
    small = grey
    if factor > 1:
        size = (grey.shape[1] // factor, grey.shape[0] // factor)
        small = np.asarray(
            cv2.resize(grey[: size[1] * factor, : size[0] * factor], size, interpolation=cv2.INTER_AREA)
        )
    here = (points + 0.5) / factor - 0.5
    outline = here[list(OUTLINE)]
    middle = outline.mean(0)
    outline = middle + 0.9 * (outline - middle)
    drawn = np.zeros(small.shape, np.uint8)
    cv2.fillConvexPoly(drawn, cv2.convexHull(np.rint(outline).astype(np.int32)), 1)
    mask = drawn > 0
    brightness = max(float(small[mask].mean()) if mask.any() else float(small.mean()), 0.01)
    noise = noise_level(small, mask)
    energy, rungs = gradient_ladder(small, mask, noise)
    side = float(1.05 * max(np.ptp(outline[:, 0]), np.ptp(outline[:, 1])))
    return SharpnessMeasure(
        # Gradients of the shrunk copy are per `factor` pixels; squared and relative to brightness.
        energy=frozen(energy / (factor * brightness) ** 2),
        rung_px=frozen(rungs * factor),
        log_power=frozen(_log_power(small, (outline.min(0) + outline.max(0)) / 2, side)),
        patch_px=side * factor,
        eyes_px=eyes_px,
        noise=noise,
    )


def _log_power(grey: Grey, centre: Float, side: float) -> NDArray[np.float32]:
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


def _grid() -> tuple[Float, Float, NDArray[np.bool_]]:
    fx, fy = np.meshgrid(np.arange(BAND + 1), np.arange(-BAND, BAND + 1), indexing="ij")
    radius = np.hypot(fx, fy)
    return (
        fx.astype(np.float64),
        fy.astype(np.float64),
        (radius >= 2) & (radius <= BAND) & ((fx > 0) | (fy > 0)),
    )


def _misfit(log_now: Float, sharp: Float, floor: float, kernel: Float) -> Float:
    """Mean squared error of the spectrum expected from each of (K, N) squared kernels, a gain left free."""
    off = log_now[None] - np.log(kernel * sharp[None] + floor)
    return np.asarray(off.var(1))


def streak(
    log_power: NDArray[np.float32],
    sharp_log_power: NDArray[np.float32],
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
    use &= np.hypot(fx, fy) <= 0.42 * patch_px
    sharp_all, now_all = sharp_log_power.astype(np.float64), log_power.astype(np.float64)
    floor = float(np.exp(np.percentile(now_all[use], 2)))
    # A fifth of many frequencies tells where to look; long streaks need close steps of direction.
    some = use & ((fx + 2 * fy) % 5 == 0) if use.sum() > 1200 else use
    lengths = np.geomspace(0.012, 0.3, 26) * patch_px
    turns = np.arange(0, 180, 5.0)
    best, best_round = (np.inf, 0.0, 0.0), np.inf
    for sweep in range(1 if coarse else 3):
        where = some if sweep == 0 else use
        x, y = fx[where] / patch_px, fy[where] / patch_px
        now, sharp = now_all[where], np.exp(sharp_all[where])
        if sweep < 2:
            sigmas = np.geomspace(0.004, 0.09, 24) * patch_px
            round_blur = np.exp(-4 * np.pi**2 * sigmas[:, None] ** 2 * (x**2 + y**2)[None])
            best_round, best = float(_misfit(now, sharp, floor, round_blur).min()), (np.inf, *best[1:])
        pairs = np.array([(a, b) for a in lengths for b in turns])
        angle = np.deg2rad(pairs[:, 1:])
        along = x[None] * np.cos(angle) + y[None] * np.sin(angle)
        cost = _misfit(now, sharp, floor, np.sinc(pairs[:, :1] * along) ** 2)
        i = int(np.argmin(cost))
        if cost[i] < best[0]:
            best = (float(cost[i]), float(pairs[i, 0]), float(pairs[i, 1] % 180))
        width = 0.12 / 3**sweep
        lengths = best[1] * np.linspace(1 - width, 1 + width, 7)
        turns = best[2] + np.linspace(-4, 4, 7) / 3**sweep
    return best[1], best[2], (best_round - best[0]) / (best_round + SPECKLE)


def typical_log_power() -> NDArray[np.float32]:
    """Return the (BAND + 1, 2 BAND + 1) log power spectrum of a typical sharp face."""
    fx, fy, use = _grid()
    log_f, turn = np.log(np.maximum(np.hypot(fx, fy), 1)), np.arctan2(fy, fx)
    level, a, b, c, d, e = TYPICAL_SPECTRUM
    table = level + a * log_f + b * log_f**2 + (c + d * log_f) * np.cos(2 * turn) + e * np.cos(4 * turn)
    return np.asarray(np.where(use, table, 0.0), np.float32)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Standard:
    """What a person's face looks like sharp, as far as the burst shows it."""

    energy: Float
    shares: Float
    """Rungs of the ladder over the eyes' distance: a step towards the camera is no blur."""
    log_power: NDArray[np.float32]
    own_share: float
    """Blur of the standard itself over the eyes' distance."""
    fine: float
    """Its `_fine_energy`."""


def _fine_energy(m: SharpnessMeasure) -> float:
    """Natural logarithm of a face's gradient energy at the finest rungs, whatever its size."""
    return float(np.log(m.energy[:3] * m.eyes_px**2).mean())


def _standard(seen: Sequence[SharpnessMeasure]) -> _Standard | None:
    """Return the mean of a person's sharpest frames in which they did not move; None if they always did."""
    own = np.array([own_blur(m.energy, m.rung_px, m.eyes_px) / m.eyes_px for m in seen])
    step = np.array([step_blur(m.energy, m.rung_px) / m.eyes_px for m in seen])
    # A streak leaves the edges along it as steep as they were, but it does take away from the gradients as a
    # whole; so do shut eyes and closed lips, though by less.
    fine = np.array([_fine_energy(m) for m in seen])
    rich = fine >= fine.max() - SAME_ENERGY
    typical = typical_log_power()
    best: list[int] = []
    for i in (int(i) for i in np.lexsort((step, own)) if rich[i]):
        if best and (
            len(best) == STANDARD_FRAMES or max(step[i] - step[best[0]], own[i] - own[best[0]]) > 0.004
        ):
            break
        if streak(seen[i].log_power, typical, seen[i].patch_px, coarse=True)[2] < MOVED_GAIN:
            best.append(i)
    if not best:
        return None
    first = seen[best[0]]
    rungs = min(len(seen[i].rung_px) for i in best)
    shares = first.rung_px[:rungs] / first.eyes_px
    logs = []
    for m in (seen[i] for i in best):
        logs.append(np.interp(np.log(shares), np.log(m.rung_px / m.eyes_px), np.log(m.energy * m.eyes_px**2)))
    return _Standard(
        energy=np.exp(np.mean(logs, axis=0)),
        shares=shares,
        log_power=np.asarray(np.mean([seen[i].log_power for i in best], axis=0), np.float32),
        own_share=float(own[best].mean()),
        fine=float(fine[best].min()),
    )


def blurs(measures: Sequence[SharpnessMeasure | None]) -> tuple[Blur | None, ...]:
    """Return the blur of one person's face in every frame, against their own sharpest frames.

    Parameters
    ----------
    measures
        One a frame, None where the person is missing.
    """
    seen = [m for m in measures if m is not None]
    standard = _standard(seen) if seen else None
    return tuple(None if m is None else _blur(m, standard) for m in measures)


def _blur(m: SharpnessMeasure, standard: _Standard | None) -> Blur:
    if standard is None:
        beyond, own, sharp_power = own_blur(m.energy, m.rung_px, m.eyes_px), 0.0, typical_log_power()
    else:
        energy, shares = m.energy * m.eyes_px**2, m.rung_px / m.eyes_px
        beyond = m.eyes_px * ladder_blur(energy, shares, standard.energy, standard.shares)
        own, sharp_power = standard.own_share * m.eyes_px, standard.log_power
    length, direction, gain = 0.0, 0.0, 0.0
    # No streak leaves a face all of its gradients; a quick look saves the thorough one.
    if standard is None or _fine_energy(m) < standard.fine:
        length, direction, gain = streak(m.log_power, sharp_power, m.patch_px, coarse=True)
        if gain > MOVED_GAIN / 2:
            length, direction, gain = streak(m.log_power, sharp_power, m.patch_px)
    moved = gain > MOVED_GAIN
    # A box of length L has the variance L^2 / 12 along its direction.
    spread = max(beyond, length / np.sqrt(12)) if moved else beyond
    return Blur(
        defocus_px=0.0 if moved else beyond,
        motion_px=length if moved else 0.0,
        motion_deg=direction if moved else 0.0,
        total_px=float(np.hypot(spread, own)),
    )


def sharpness_part(blur: Blur, eyes_px: float) -> Part:
    """Return the sharpness of one face in [0, 1], with its reason, from its blur."""
    spread = max(blur.defocus_px, blur.motion_px / np.sqrt(12))
    own = np.sqrt(max(blur.total_px**2 - spread**2, 0))
    seen = float(np.hypot(spread, max(own - OWN_FREE_PX, 0)))
    value = float(1 / (1 + (seen / max(SOFT_SHARE * eyes_px, SOFT_PX)) ** 3))
    if value > 0.7:
        return Part(value=value)
    if blur.motion_px:
        return Part(value=value, reason=f"moved, {blur.motion_px:.0f} px")
    return Part(value=value, reason=f"out of focus, blur about {max(seen, 1):.0f} px")
