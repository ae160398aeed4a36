"""The faint shading of a sky or a backdrop as one witness, where there is no texture.

A cloudless sky still differs by a step or two over hundreds of pixels; smoothed, that is more than noise. The
whole background is fitted at once. Each shade of grey is free to change between the frames as it likes
(fixed effects by brightness): exposure, tone curves and the contour lines of 8-bit gradients then say nothing,
and only the shape of the shading does.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge import imaging
from facemerge.align.motion import Evidence, displacement, no_evidence, normaliser
from facemerge.align.view import View
from facemerge.words import Array, Float

SHADE_STEP = 0.5
"""Width of one shade, in 8-bit steps."""
SMOOTH_PX = 1.0
"""Gaussian sigma that takes noise off before slopes are measured."""
BLOCKS = (8, 6)
"""Regions in which what is left over is taken to be of one piece."""


def shading_evidence(reference: View, frame: View, matrix: Float) -> Evidence:
    """Return one witness a region of the background, from shading alone."""
    level = reference.levels[-1]
    one, one_open = _smooth(reference)
    two, two_open = _smooth(frame)
    m = np.linalg.solve(level.frame_from_level, matrix @ frame.levels[-1].frame_from_level)
    warped = np.asarray(
        cv2.warpPerspective(two, m, level.size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    )
    warped = warped * np.float32(reference.brightness / max(frame.brightness, 1e-3))
    both = cv2.erode(
        cv2.warpPerspective(two_open, m, level.size, flags=cv2.INTER_NEAREST) & one_open, np.ones((3, 3), np.uint8)
    )
    where = np.flatnonzero(both)
    if len(where) < 500:
        return no_evidence()
    n = normaliser(reference.size)
    y, x = np.divmod(where, level.size[0])
    at = imaging.transform(n @ level.frame_from_level, np.column_stack([x, y]))
    j = displacement(at) / (level.scale * n[0, 0])
    shade = np.unique((one.ravel()[where] / SHADE_STEP).astype(int), return_inverse=True)[1]
    slopes = [np.einsum("pi,pik->pk", _slopes(a)[where], j) for a in (one, warped)]
    return _regression((one - warped).ravel()[where], slopes[0], slopes[1], warped.ravel()[where], shade, at)


def _smooth(view: View) -> tuple[NDArray[np.float32], NDArray[np.uint8]]:
    m = view.open.astype(np.float32)
    weight = np.maximum(cv2.GaussianBlur(m, (0, 0), SMOOTH_PX), 1e-3)
    inner = view.open.copy()
    inner[:1] = inner[-1:] = 0
    inner[:, :1] = inner[:, -1:] = 0
    return np.asarray(cv2.GaussianBlur(view.shade * m, (0, 0), SMOOTH_PX) / weight), inner


def _slopes(a: Array) -> Float:
    return np.stack(
        [cv2.Sobel(a, cv2.CV_64F, d, 1 - d, ksize=1, scale=0.5).ravel() for d in (1, 0)], axis=1
    )


def _regression(
    difference: Float, first: Float, second: Float, brightness: Float, shade: Array, at: Float
) -> Evidence:
    weight = np.ones(len(difference))
    for _ in range(3):
        d, a, b = _within(difference, first, second, brightness, shade, weight)
        plain = d / np.sqrt(weight)
        spread = 1.4826 * float(np.median(np.abs(plain))) + 1e-6
        weight = 1 / (1 + (plain / (2.5 * spread)) ** 2)
    middle = (a + b) / 2
    # Noise in one frame's slopes is not in the other's: their product is free of it on average.
    signal = (a.T @ b + b.T @ a) / 2
    energy = middle.T @ middle + 1e-9 * np.trace(middle.T @ middle) * np.eye(8)
    share = np.linalg.solve(energy, signal)
    cells = np.clip(((at / np.abs(at).max(0) + 1) / 2 * BLOCKS).astype(int), 0, np.array(BLOCKS) - 1)
    region = np.unique(cells[:, 0] * BLOCKS[1] + cells[:, 1], return_inverse=True)[1]
    count = int(region.max()) + 1
    scores = np.stack([np.bincount(region, column, count) for column in (-middle * d[:, None]).T], 1)
    noise = float((d**2).sum() / weight.sum()) * max(1.0, 4 * np.pi * SMOOTH_PX**2)
    information = share.T @ energy @ share / noise
    part = np.bincount(region, minlength=count) / len(region)
    places = np.stack([np.bincount(region, c, count) for c in at.T], 1) / (part[:, None] * len(region))
    return Evidence(
        information=information * part[:, None, None], vector=scores @ share / noise, at=places
    )


def _within(
    difference: Float, first: Float, second: Float, brightness: Float, shade: Array, weight: Float
) -> tuple[Float, Float, Float]:
    """Return all columns times the root of the weight, less what shade and exposure explain of them."""
    total = np.maximum(np.bincount(shade, weight), 1e-9)
    root = np.sqrt(weight)

    def centred(column: Float) -> Float:
        return (column - (np.bincount(shade, weight * column) / total)[shade]) * root

    exposure = centred(brightness)
    exposure /= max(float(np.linalg.norm(exposure)), 1e-9)

    def cleaned(column: Float) -> Float:
        c = centred(column)
        return c - exposure * float(exposure @ c)

    return (
        cleaned(difference),
        np.column_stack([cleaned(c) for c in first.T]),
        np.column_stack([cleaned(c) for c in second.T]),
    )
