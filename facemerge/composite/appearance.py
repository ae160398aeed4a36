"""Where a head and a body may be by a face's place, and what colours they have."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from facemerge.composite import outline
from facemerge.words import Float

HEAD_FADES = 2.0
CORE_HEADS = 0.8
"""Within it a pixel is the head's whatever its colour, if no face stands before it."""
# A body as an ellipse below the face, in face widths and heights, and what it costs in heads to be one.
BODY_WIDE, BODY_HIGH, BODY_DOWN = 1.3, 1.1, 1.5
BODY_COST, ABOVE_CHIN_COST = 1.2, 2.0
BINS = (10, 14, 14)
"""Colours are counted in so many boxes of CIELAB."""
WIDEST_A_B = 60.0
FEWEST = 20
STRAY_SHARE = 0.03
"""Share of a part's pixels that may have any colour."""


def cores(points: Sequence[Float], shape: tuple[int, int]) -> tuple[NDArray[np.bool_], NDArray[np.intp]]:
    """Return the (h, w) pixels of which there is no doubt, and whose they are."""
    away = np.stack([outline.head_distance(p, shape) for p in points])
    faces = np.stack([outline.hull(p, shape, 1.1) for p in points])
    before = faces.any(0)
    heads = (away < CORE_HEADS) & (away == away.min(0)) & ~before
    cores = faces | heads
    return cores.any(0), np.argmin(np.where(cores, away, np.inf), axis=0)


def head_cost(points: Float, shape: tuple[int, int]) -> NDArray[np.float32]:
    """Return (h, w) what it costs by place, in heads, to be the head of somebody with that face."""
    away = outline.head_distance(points, shape)
    return np.where(away < 1, away, 1 + HEAD_FADES * (away - 1))


def body_cost(points: Float, shape: tuple[int, int]) -> NDArray[np.float32]:
    """Return (h, w) what it costs by place, in heads, to be the body below that face."""
    wide, high = np.ptp(points, axis=0)
    x0, y0 = points.mean(0) + np.array([0, BODY_DOWN * high])
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]].astype(np.float32)
    away = np.hypot((x - x0) / (BODY_WIDE * wide), (y - y0) / (BODY_HIGH * high))
    above_chin = np.maximum(0, (points[:, 1].max() - y) / high)
    return np.asarray(BODY_COST + np.maximum(0, away - 1) + ABOVE_CHIN_COST * above_chin, np.float32)


def chances(log: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return log likelihoods, of parts along the first axis, as chances that sum to 1."""
    found = np.exp(log - log.max(0))
    return np.asarray(found / found.sum(0), np.float32)


def told(log: NDArray[np.float32], sure: NDArray[np.bool_], whose: NDArray[np.intp]) -> NDArray[np.float32]:
    """Return chances that sum to 1, with heads where there is no doubt."""
    found = chances(log)
    found[:, sure] = 0
    y, x = np.nonzero(sure)
    found[whose[y, x], y, x] = 1
    return found


def colour_boxes(lab: NDArray[np.float32]) -> tuple[NDArray[np.intp], ...]:
    """Return the box of each colour of a (h, w, 3) CIELAB picture, as three (h, w) indices into `BINS`."""
    low, wide = np.array([0, -WIDEST_A_B, -WIDEST_A_B]), np.array([100, 2 * WIDEST_A_B, 2 * WIDEST_A_B])
    share = np.clip((lab - low) / wide, 0, 1 - 1e-6) * BINS
    return tuple(np.moveaxis(share.astype(np.intp), -1, 0))


def colour_model(boxes: tuple[NDArray[np.intp], ...], weight: Float) -> NDArray[np.float32]:
    """Return the log likelihood of each box of `BINS` in the part that `weight`, (h, w), shows."""
    size = int(np.prod(BINS))
    if weight.sum() < FEWEST:
        return np.full(BINS, -np.log(size), np.float32)
    counts = np.bincount(np.ravel_multi_index(boxes, BINS).ravel(), weight.ravel(), size).reshape(BINS)
    from scipy import ndimage  # loads slowly

    counts = ndimage.gaussian_filter(counts, 0.8)
    share = (1 - STRAY_SHARE) * counts / counts.sum() + STRAY_SHARE / size
    return np.asarray(np.log(share), np.float32)
