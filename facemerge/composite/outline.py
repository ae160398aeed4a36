"""Where a face and its head are, by the landmarks."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge.words import Float

CHIN, FOREHEAD = 152, 10
# A head with its hair, about the face's landmarks: half axes in face widths and heights, and how far its
# middle lies above the face's.
HEAD_WIDE, HEAD_HIGH, HEAD_UP = 0.65, 0.7, 0.17


def hull(points: Float, shape: tuple[int, int], grow: float = 1.0) -> NDArray[np.bool_]:
    """Return the (h, w) convex hull of (N, 2) landmarks, grown about its middle."""
    mask = np.zeros(shape, np.uint8)
    middle = points.mean(0)
    grown = middle + (points - middle) * grow
    cv2.fillConvexPoly(mask, cv2.convexHull(grown.astype(np.float32)).astype(np.int32), 1)
    return mask > 0


def head_axes(points: Float) -> tuple[Float, Float, float, float]:
    """Return the middle of a head with its hair, the way up, and its half axes across and along.

    Parameters
    ----------
    points
        (478, 2) landmarks.

    Returns
    -------
    middle, up
        (2,) each; `up` a unit vector from chin to forehead.
    wide, high
        Half axes of the usual outline, in the landmarks' pixels.
    """
    w, h = np.ptp(points, axis=0)
    up = points[FOREHEAD] - points[CHIN]
    up = up / max(float(np.linalg.norm(up)), 1e-6)
    return points.mean(0) + HEAD_UP * h * up, up, HEAD_WIDE * w, HEAD_HIGH * h


def head_distance(points: Float, shape: tuple[int, int]) -> NDArray[np.float32]:
    """Return how far each pixel lies from the middle of a head, in heads: 1 on its usual outline.

    Parameters
    ----------
    points
        (478, 2) landmarks in the window's pixels.
    shape
        (h, w) of the window.
    """
    middle, up, wide, high = head_axes(points)
    x, y = np.arange(shape[1]) - middle[0], (np.arange(shape[0]) - middle[1])[:, None]
    along = np.float32(x * up[0] / high) + np.float32(y * up[1] / high)
    across = np.float32(x * -up[1] / wide) + np.float32(y * up[0] / wide)
    return np.asarray(cv2.magnitude(np.asarray(across), np.asarray(along)), np.float32)


def above_chin(points: Float, shape: tuple[int, int], margin_px: float) -> NDArray[np.bool_]:
    """Return the (h, w) pixels above the lowest landmark, and `margin_px` below it."""
    rows = np.arange(shape[0], dtype=np.float64)[:, None]
    return np.broadcast_to(rows < points[:, 1].max() + margin_px, shape)
