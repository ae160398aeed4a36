"""Weighs ladder, edges and spectrum of one person's faces into a blur and a part of the score."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge.scores.sharpness.edges import edge_blur, eye_zone
from facemerge.scores.sharpness.ladder import gradient_ladder, ladder_blur, noise_level, own_blur, step_blur
from facemerge.scores.sharpness.movement import MOVED_GAIN, log_power, streak, typical_log_power
from facemerge.words import Float, Part, frozen

Grey = NDArray[np.float32]

FACE, EYES, REST = 0, 1, 2
"""Rows of the ladders: the whole face, the eyes with their brows, and the face without them."""

LARGEST_FACE_PX = 420
"""Wider faces are shrunk by a whole factor first: their blur of interest is wider as well."""
SOFT_SHARE = 0.021
"""Blur, as a share of the eyes' distance, at which a face is half as good as a sharp one."""
SHARP = 0.7
"""Sharpness from which a face needs no word."""
SOFT_PX = 0.9
"""No blur finer than the pixels can be seen, however small the face."""
OWN_FREE_PX = 0.8
"""Blur of a person's sharpest frames that is not held against them: the camera itself leaves as much."""
SHORT_SHARE = 0.1
"""Streaks up to this share of the eyes' distance are what shut lids may look like, and need a witness."""
WITNESSED = 0.6
"""Share of a short streak's own blur that the rest of the face must show."""
ENOUGH_EDGES = 24
"""Edge points at the eyes from which the rest of the face need not be asked."""
WITNESS_GAIN = 1.15
"""By how much edges or the rest may understate the blur of the eyes' gradients and still confirm it."""
NOTHING = 1e-9
"""Gradient energy of a part that lies outside the picture, or is blown out."""
SMALLEST_EYES_PX = 8.0
"""Eyes closer to each other than this, of faces below 20 px, show no blur finer than themselves."""
MISSED = 0.5
"""Share of the blur at the eyes below which the rest of the face counts as sharp beside them."""
STANDARD_FRAMES = 5
SAME_ENERGY = 0.7
"""Natural logarithm by which the gradient energy of two equally sharp faces of a person may differ."""
SAME_EYES = 0.1
"""The same for two open pairs of eyes."""
# fmt: off
OUTLINE = (70, 63, 105, 66, 107, 9, 336, 296, 334, 293, 300, 356, 454, 323, 361, 288, 397, 365, 379, 378, 400,
           377, 152, 148, 176, 149, 150, 136, 172, 58, 132, 93, 234, 127)
# fmt: on
"""The face without forehead and hair, whose edges belong to another distance."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SharpnessMeasure:
    """What sharpness is judged from, for one face."""

    energy: Float
    """(3, S) mean squared gradient at each rung of the ladder over squared brightness, noise taken off:
    whole face, eyes, rest."""
    rung_px: Float
    """(S,) Gaussian widths of the ladder, in full-resolution pixels."""
    edge_px: tuple[float, float]
    """Blur of the edges at the eyes and of those of the rest of the face, in full-resolution pixels."""
    edges: tuple[int, int]
    """On how many edge points each rests; 0 = cannot be told."""
    log_power: NDArray[np.float16]
    """(BAND + 1, 2 BAND + 1) natural log of the smoothed power spectrum; rows x, columns y frequency. Half
    precision is right to 0.01, a tenth of what chance does."""
    patch_px: float
    """Side of the square the spectrum is taken from, in full-resolution pixels."""
    eyes_px: float
    """Distance of the eyes in full-resolution pixels."""
    noise: float
    """Standard deviation of the noise, of full scale."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Blur:
    """The blur of one face, at the eyes."""

    defocus_px: float
    """Gaussian sigma beyond the person's sharpest frames, in pixels."""
    motion_px: float
    """Length of a streak in pixels; 0 = none found."""
    motion_deg: float
    """Direction of the streak, 0 = along x, 90 = along y (down), in [0, 180)."""
    total_px: float
    """Gaussian sigma of the same spread as all of it, the sharpest frames' own included."""
    rest_px: float | None = None
    """As `defocus_px`, of the face without the eyes; None = not asked."""


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
    eyes = eye_zone(small.shape, here)
    rest = mask & ~eyes
    energy, rungs = gradient_ladder(small, (mask, eyes, rest), noise)
    (eye_edge, eye_count), (rest_edge, rest_count) = (edge_blur(small, zone, noise) for zone in (eyes, rest))
    side = float(1.05 * max(np.ptp(outline[:, 0]), np.ptp(outline[:, 1])))
    return SharpnessMeasure(
        # Gradients of the shrunk copy are per `factor` pixels; squared and relative to brightness.
        energy=frozen(energy / (factor * brightness) ** 2),
        rung_px=frozen(rungs * factor),
        edge_px=(eye_edge * factor, rest_edge * factor),
        edges=(eye_count, rest_count),
        log_power=frozen(log_power(small, (outline.min(0) + outline.max(0)) / 2, side).astype(np.float16)),
        patch_px=side * factor,
        eyes_px=eyes_px,
        noise=noise,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Standard:
    """What a person's face looks like sharp, as far as the burst shows it."""

    energy: Float
    """(3, S) as in the measure, times the eyes' distance squared."""
    shares: Float
    """Rungs of the ladder over the eyes' distance: a step towards the camera is no blur."""
    log_power: NDArray[np.float32]
    edge_share: float
    """Blur of the edges at its eyes, over the eyes' distance."""
    own_share: float
    """Blur of the standard itself over the eyes' distance."""
    fine: float
    """Its `_fine_energy`."""


def _fine_energy(m: SharpnessMeasure, part: int) -> float:
    """Natural logarithm of a face's gradient energy at the finest rungs, whatever its size."""
    return float(np.log(m.energy[part, :3] * m.eyes_px**2).mean())


def _own_blur(m: SharpnessMeasure) -> float:
    """Return the blur of a face by itself: of the edges at its eyes, and of the rest if those are few."""
    eyes, rest = m.edges
    share = min(1.0, eyes / ENOUGH_EDGES)
    if eyes == 0 and rest == 0:
        return own_blur(m.energy[FACE], m.rung_px, m.eyes_px)
    if rest == 0:
        return m.edge_px[0]
    return share * m.edge_px[0] + (1 - share) * m.edge_px[1]


class _Still:
    """Which of a person's faces did not move, asked only of those that matter: it takes milliseconds."""

    def __init__(self, seen: Sequence[SharpnessMeasure]) -> None:
        self._seen = seen
        self._typical = typical_log_power()
        self._known: dict[int, bool] = {}

    def __call__(self, i: int) -> bool:
        if i not in self._known:
            m = self._seen[i]
            gain = streak(m.log_power, self._typical, m.patch_px, coarse=True)[2]
            self._known[i] = gain < MOVED_GAIN
        return self._known[i]


def _sharpest_faces(seen: Sequence[SharpnessMeasure], still: _Still) -> list[int]:
    own = np.array([own_blur(m.energy[FACE], m.rung_px, m.eyes_px) / m.eyes_px for m in seen])
    step = np.array([step_blur(m.energy[FACE], m.rung_px) / m.eyes_px for m in seen])
    # A streak leaves the edges along it as steep as they were, but it does take away from the gradients as a
    # whole; so do shut eyes and closed lips, though by less.
    fine = np.array([_fine_energy(m, FACE) for m in seen])
    rich = fine >= fine.max() - SAME_ENERGY
    best: list[int] = []
    for i in (int(i) for i in np.lexsort((step, own)) if rich[i]):
        if best and (
            len(best) == STANDARD_FRAMES or max(step[i] - step[best[0]], own[i] - own[best[0]]) > 0.004
        ):
            break
        if still(i):
            best.append(i)
    return best


def _sharpest_eyes(seen: Sequence[SharpnessMeasure], still: _Still) -> list[int]:
    """Return the frames in which the eyes show most: open and sharp, whatever the rest of the face."""
    fine = np.array([_fine_energy(m, EYES) for m in seen])
    best: list[int] = []
    for i in (int(i) for i in np.argsort(-fine, kind="stable")):
        if best and (len(best) == STANDARD_FRAMES or fine[i] < fine[best[0]] - SAME_EYES):
            break
        if still(i):
            best.append(i)
    return best


def _standard(seen: Sequence[SharpnessMeasure]) -> _Standard | None:
    """Return the mean of a person's sharpest frames in which they did not move; None if they always did."""
    still = _Still(seen)
    best = _sharpest_faces(seen, still)
    if not best:
        return None
    eyes = _sharpest_eyes(seen, still)
    rungs = min(len(seen[i].rung_px) for i in (*best, *eyes))
    shares = seen[best[0]].rung_px[:rungs] / seen[best[0]].eyes_px

    def mean(part: int, frames: Sequence[int]) -> Float:
        logs = [
            np.interp(np.log(shares), np.log(m.rung_px / m.eyes_px), np.log(m.energy[part] * m.eyes_px**2))
            for m in (seen[i] for i in frames)
        ]
        return np.asarray(np.exp(np.mean(logs, axis=0)))

    return _Standard(
        energy=np.stack([mean(FACE, best), mean(EYES, eyes), mean(REST, best)]),
        shares=shares,
        log_power=np.asarray(
            np.mean([seen[i].log_power for i in best], axis=0, dtype=np.float64), np.float32
        ),
        edge_share=float(np.median([seen[i].edge_px[0] / seen[i].eyes_px for i in eyes])),
        own_share=float(np.median([_own_blur(seen[i]) / seen[i].eyes_px for i in eyes])),
        fine=min(_fine_energy(seen[i], FACE) for i in best),
    )


def blurs(
    measures: Sequence[SharpnessMeasure | None], bare: Sequence[bool] | None = None
) -> tuple[Blur | None, ...]:
    """Return the blur of one person's face in every frame, against their own sharpest frames.

    Parameters
    ----------
    measures
        One a frame, None where the person is missing.
    bare
        One a frame: whether the face is seen as it is. The rims of dark glasses or the fingers of a hand are
        sharper than any skin, and set no standard as long as another frame can.
    """
    seen = [m for m in measures if m is not None]
    shown = bare if bare is not None else [True] * len(measures)
    as_it_is = [m for m, b in zip(measures, shown, strict=True) if m is not None and b]
    standard = _standard(as_it_is or seen) if seen else None
    return tuple(
        None if m is None else _unlike_any(m) if standard is None else _blur(m, standard) for m in measures
    )


def _defocus(m: SharpnessMeasure, standard: _Standard) -> tuple[float, float]:
    """Return the blur at the eyes and that of the rest of the face, beyond the standard, in pixels."""
    energy, shares = m.energy * m.eyes_px**2, m.rung_px / m.eyes_px
    eyes, rest = (
        m.eyes_px * ladder_blur(energy[part], shares, standard.energy[part], standard.shares)
        for part in (EYES, REST)
    )
    if m.energy[EYES].max() <= NOTHING:
        return rest, rest
    if m.edges[0] == 0:
        return eyes, rest
    edge = float(np.sqrt(max(m.edge_px[0] ** 2 - (standard.edge_share * m.eyes_px) ** 2, 0)))
    # Shut eyes have fewer gradients without being soft. Lashes and brows still have sharp edges then, and so
    # has the rest of the face; a streak leaves the edges along it, but it does not spare the rest.
    return min(eyes, WITNESS_GAIN * max(edge, rest)), rest


def _blur(m: SharpnessMeasure, standard: _Standard) -> Blur:
    beyond, rest = _defocus(m, standard)
    own = standard.own_share * m.eyes_px
    length, direction, gain = 0.0, 0.0, 0.0
    # No streak leaves a face all of its gradients; a quick look saves the thorough one.
    if _fine_energy(m, FACE) < standard.fine:
        length, direction, gain = streak(m.log_power, standard.log_power, m.patch_px, coarse=True)
        if gain > MOVED_GAIN / 2:
            length, direction, gain = streak(m.log_power, standard.log_power, m.patch_px)
    # A streak that leaves more blur unexplained than it explains is none.
    explained = length >= 0.9 * np.sqrt(12) * beyond
    witnessed = length > SHORT_SHARE * m.eyes_px or rest > WITNESSED * length / np.sqrt(12)
    if gain > MOVED_GAIN and witnessed and explained:
        return _moved(max(beyond, length / np.sqrt(12)), own, length, direction, rest)
    return Blur(
        defocus_px=beyond,
        motion_px=0.0,
        motion_deg=0.0,
        total_px=float(np.hypot(beyond, own)),
        rest_px=rest,
    )


def _moved(spread: float, own: float, length: float, direction: float, rest: float) -> Blur:
    # A box of length L has the variance L^2 / 12 along its direction.
    return Blur(
        defocus_px=0.0,
        motion_px=length,
        motion_deg=direction,
        total_px=float(np.hypot(spread, own)),
        rest_px=rest,
    )


def _unlike_any(m: SharpnessMeasure) -> Blur:
    """Return the blur of a face of whom every frame has moved."""
    length, direction, gain = streak(m.log_power, typical_log_power(), m.patch_px)
    beyond = own_blur(m.energy[FACE], m.rung_px, m.eyes_px)
    if gain > MOVED_GAIN:
        return _moved(max(beyond, length / np.sqrt(12)), 0.0, length, direction, beyond)
    return Blur(defocus_px=beyond, motion_px=0.0, motion_deg=0.0, total_px=beyond, rest_px=beyond)


def sharpness_part(blur: Blur, eyes_px: float) -> Part:
    """Return the sharpness of one face in [0, 1], with its reason, from its blur."""
    if eyes_px < SMALLEST_EYES_PX:
        return Part(value=None, reason="face too small to tell how sharp it is")
    spread = max(blur.defocus_px, blur.motion_px / np.sqrt(12))
    own_variance = blur.total_px**2 - spread**2
    seen = float(np.sqrt(spread**2 + max(own_variance - OWN_FREE_PX**2, 0)))
    value = float(1 / (1 + (seen / max(SOFT_SHARE * eyes_px, SOFT_PX)) ** 3))
    if value > SHARP:
        return Part(value=value)
    if blur.motion_px:
        return Part(value=value, reason=f"moved, {blur.motion_px:.0f} px")
    if blur.rest_px is not None and blur.rest_px < MISSED * blur.defocus_px:
        return Part(value=value, reason=f"focus missed the eyes, blur about {max(seen, 1):.0f} px")
    return Part(value=value, reason=f"out of focus, blur about {max(seen, 1):.0f} px")


def sharp_up_to_px(eyes_px: float) -> float:
    """Return the blur (Gaussian sigma, pixels) at which a face's sharpness is `SHARP`, by its eyes' distance.

    The other way round than `sharpness_part`, whose free blur of the camera is not counted.
    """
    return float((1 / SHARP - 1) ** (1 / 3) * max(SOFT_SHARE * eyes_px, SOFT_PX))
