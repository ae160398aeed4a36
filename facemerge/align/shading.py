"""The faint shading of a sky or a backdrop as one witness, where there is no texture.

A cloudless sky still differs by a step or two over hundreds of pixels; smoothed, that is more than noise. The
whole background is fitted at once. Each shade of grey is free to change between the frames as it likes
(fixed effects by brightness): exposure, tone curves and the contour lines of 8-bit gradients then say
nothing, and only the shape of the shading does.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge import imaging
from facemerge.align.motion import Evidence, displacement, no_evidence, normaliser
from facemerge.align.view import View, level_from_level
from facemerge.words import Array, Float

SHADE_STEP = 1.0
"""Width of one shade, in 8-bit steps."""
SMOOTH_PX = 1.5
"""Gaussian sigma that takes noise off before slopes are measured."""
BLOCK_PX = 20
"""Side of the blocks whose means tell how far what is left over hangs together."""
LENS_SD = 0.3
"""Share of the light that lenses lose in the corners, one standard deviation."""
REGIONS = (8, 6)
"""Regions that are held out together."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shading:
    """What the shading of two frames says of the motion between them."""

    evidence: Evidence
    """One witness a region of the background."""
    misfit: float
    """Mean square of what is left over, in squared 8-bit steps."""
    independent: float
    """How many independent pixels that is."""


NOTHING = Shading(evidence=no_evidence(), misfit=0.0, independent=0.0)


def shading_of(reference: View, frame: View, matrix: Float, *, lens: bool) -> Shading:
    """Return what shading alone says of the motion that is missing in `matrix`.

    If `lens`, the lens may darken the corners: that stays with the camera. How much is unknown, so it is
    fitted along with each placement and taken out of both pictures (variable projection: Golub and Pereyra,
    SIAM J. Numer. Anal. 10(2), 1973, from memory).
    """
    level = reference.levels[-1]
    one, one_open = _smooth(reference)
    two, two_open = _smooth(frame)
    two = two * np.float32(reference.brightness / max(frame.brightness, 1e-3))
    m = level_from_level(level, frame.levels[-1], matrix)
    both = (
        np.asarray(cv2.warpPerspective(two_open, m, level.size, flags=cv2.INTER_NEAREST), np.uint8) & one_open
    )
    where = np.flatnonzero(cv2.erode(both, np.ones((3, 3), np.uint8)))
    if len(where) < 500:
        return NOTHING
    y, x = np.divmod(where, level.size[0])
    block = np.unique((y // BLOCK_PX) * level.size[0] + x // BLOCK_PX, return_inverse=True)[1]
    shade = np.unique((one.ravel()[where] / SHADE_STEP).astype(int), return_inverse=True)[1]
    n = normaliser(reference.size)
    at = imaging.transform(n @ level.frame_from_level, np.column_stack([x, y]))
    j = displacement(at) / (level.scale * n[0, 0])
    shapes = _falloff(level.size) if lens else _falloff(level.size)[:0]
    ends_apart = (shapes - _warped(shapes, m, level.size)).reshape(len(shapes), one.size)[:, where].T
    darkening, weight = np.zeros(len(shapes)), np.ones(len(where))
    for turn in range(3):
        flat = (1 / (1 + np.einsum("k,kyx->yx", darkening, shapes))).astype(np.float32)
        flat_one, flat_two = one * flat, _warped((two * flat)[None], m, level.size)[0]
        fit = _Columns(shade, weight, flat_two.ravel()[where][:, None])
        rest = fit((flat_one - flat_two).ravel()[where][:, None])[:, 0]
        lost = fit(ends_apart * flat_one.ravel()[where][:, None])
        spread = _spread(rest)
        # Where nothing moved the lens leaves no trace; what a lens may do at most keeps the fit sane.
        ridge = (spread / LENS_SD) ** 2 * _correlated_px(rest, block) * np.eye(len(shapes))
        if turn == 2:
            break
        change = np.linalg.solve(lost.T @ lost + ridge, lost.T @ rest - ridge @ darkening)
        darkening = np.clip(darkening + change, -0.6, 0.6)
        left = (rest - lost @ change) / np.sqrt(weight)
        weight = 1 / (1 + (left / (2.5 * _spread(left))) ** 2)
    slopes = [fit(np.einsum("pi,pik->pk", _slopes(a)[where], j)) for a in (flat_one, flat_two)]
    correlated = _correlated_px(rest, block)
    # Against the lens as lenses usually are, not as this one was just fitted.
    project = _Without(lost, ridge)
    return Shading(
        evidence=_regression(
            project(rest + lost @ darkening), [project(s) for s in slopes], weight, at, correlated
        ),
        misfit=float((rest**2).sum() / weight.sum()),
        independent=len(where) / correlated,
    )


def _spread(values: Float) -> float:
    return 1.4826 * float(np.median(np.abs(values))) + 1e-6


def _falloff(size: tuple[int, int]) -> NDArray[np.float32]:
    """Return the (2, H, W) shapes of a lens's loss of light: the 2nd and 4th power of the distance."""
    w, h = size
    y, x = np.mgrid[0:h, 0:w].astype(np.float32)
    r2 = ((x - (w - 1) / 2) ** 2 + (y - (h - 1) / 2) ** 2) / ((w / 2) ** 2 + (h / 2) ** 2)
    return np.stack([r2, r2**2])


def _warped(stack: Array, m: Array, size: tuple[int, int]) -> Array:
    out = np.zeros((len(stack), size[1], size[0]), np.float32)
    for k, a in enumerate(stack):
        out[k] = cv2.warpPerspective(a, m, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return out


def _smooth(view: View) -> tuple[NDArray[np.float32], NDArray[np.uint8]]:
    m = view.open.astype(np.float32)
    weight = np.maximum(cv2.GaussianBlur(m, (0, 0), SMOOTH_PX), 1e-3)
    inner = view.open.copy()
    inner[:1] = inner[-1:] = 0
    inner[:, :1] = inner[:, -1:] = 0
    return np.asarray(cv2.GaussianBlur(view.shade * m, (0, 0), SMOOTH_PX) / weight), inner


def _slopes(a: Array) -> Float:
    return np.stack([cv2.Sobel(a, cv2.CV_64F, d, 1 - d, ksize=1, scale=0.5).ravel() for d in (1, 0)], axis=1)


def _totals(labels: Array, columns: Float) -> Float:
    """Return the (labels, columns) sums of each column over each label."""
    out = np.zeros((int(labels.max()) + 1, columns.shape[1]))
    for k in range(columns.shape[1]):
        out[:, k] = np.bincount(labels, columns[:, k])
    return out


class _Columns:
    """Takes out of columns, weighted, what shade and exposure explain of them."""

    def __init__(self, shade: Array, weight: Float, exposure: Float) -> None:
        self._shade, self._weight, self._root = shade, weight, np.sqrt(weight)
        self._total = np.maximum(np.bincount(shade, weight), 1e-9)
        centred = self._centred(exposure)
        self._exposure = centred / np.maximum(np.linalg.norm(centred, axis=0), 1e-9)

    def _centred(self, columns: Float) -> Float:
        means = _totals(self._shade, columns * self._weight[:, None])
        return np.asarray((columns - (means / self._total[:, None])[self._shade]) * self._root[:, None])

    def __call__(self, columns: Float) -> Float:
        centred = self._centred(columns)
        return np.asarray(centred - self._exposure @ (self._exposure.T @ centred))


class _Without:
    """Takes out of columns what others, with a ridge on them, can explain."""

    def __init__(self, others: Float, ridge: Float) -> None:
        self._others = others
        self._inverse = np.linalg.inv(others.T @ others + ridge)

    def __call__(self, columns: Float) -> Float:
        return np.asarray(columns - self._others @ (self._inverse @ (self._others.T @ columns)))


def _regression(d: Float, slopes: list[Float], weight: Float, at: Float, correlated_px: float) -> Evidence:
    """Return the evidence of a weighted regression of a difference on what a motion would change."""
    a, b = slopes
    middle = (a + b) / 2
    # Noise in one frame's slopes is not in the other's: their product is free of it on average.
    signal = (a.T @ b + b.T @ a) / 2
    energy = middle.T @ middle
    energy += 1e-9 * np.trace(energy) * np.eye(8)
    share = np.linalg.solve(energy, signal)
    cells = np.clip(((at / np.abs(at).max(0) + 1) / 2 * REGIONS).astype(int), 0, np.array(REGIONS) - 1)
    region = np.unique(cells[:, 0] * REGIONS[1] + cells[:, 1], return_inverse=True)[1]
    size = np.bincount(region)
    scores = _totals(region, -middle * d[:, None])
    noise = float((d**2).sum() / weight.sum()) * correlated_px
    information = share.T @ energy @ share / noise
    return Evidence(
        information=information * (size / size.sum())[:, None, None],
        vector=scores @ share / noise,
        at=_totals(region, at) / size[:, None],
    )


def _correlated_px(rest: Float, block: Array) -> float:
    """Return how many neighbouring pixels of what is left over say the same, from means over blocks.

    Smoothing alone makes it 4 pi sigma squared; whatever else is of one piece (bands, clouds that drift)
    makes it more, and the evidence weaker.
    """
    size = np.bincount(block)
    full = size >= BLOCK_PX**2 // 2
    smooth = 4 * np.pi * SMOOTH_PX**2
    if full.sum() < 10:
        return smooth
    sums = np.bincount(block, rest)[full]
    return max(smooth, float((sums**2 / size[full]).mean() / max((rest**2).mean(), 1e-12)))
