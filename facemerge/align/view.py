"""What is kept of a frame for alignment: a small pyramid of its background's texture, and its people."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge import imaging
from facemerge.options import AlignOptions
from facemerge.words import Array, Face, Float, Pixels, frozen

COARSEST_PX = 160
"""Long side at which the pyramid ends: camera shifts of a few per cent are a few pixels there."""
CAREFUL_PX = 400
"""Up to this long side the background is detrended with people and borders left out."""
TREND_PX = 8.0
"""Gaussian sigma of what counts as shading rather than texture, in pixels of each level."""
STRIP_ROWS = 100
STEADY = (33, 133, 362, 263, 168, 6)
"""Landmarks that no blink or smile moves: the corners of the eyes and the bridge of the nose."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Level:
    """One size of the pyramid."""

    size: tuple[int, int]
    """(W, H)."""
    texture: NDArray[np.float32]
    """(H, W) grey less its local trend, in 8-bit steps."""
    still: NDArray[np.uint8]
    """(H, W) 1 where the background may be trusted, 0 at people and borders."""
    frame_from_level: Float
    """(3, 3), to full-resolution pixels."""

    @property
    def scale(self) -> float:
        """Full-resolution pixels to a pixel of this level."""
        return float(self.frame_from_level[0, 0])


def level_from_level(one: Level, other: Level, matrix: Float) -> Float:
    """Return the (3, 3) matrix from another picture's level to this one's, whose frames `matrix` joins.

    Parameters
    ----------
    one, other
        Levels of two frames.
    matrix
        (3, 3) from the other frame's pixels to this one's.
    """
    return np.asarray(np.linalg.solve(one.frame_from_level, matrix @ other.frame_from_level))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class View:
    """A frame as alignment sees it.

    By default it has 1/11 of the bytes of a picture of 24 megapixels, 1/1.8 of one of 2400 x 1600.
    """

    size: tuple[int, int]
    """(W, H) of the frame."""
    levels: tuple[Level, ...]
    """From the finest to the coarsest, each half the size of the one before."""
    shade: NDArray[np.float32]
    """(H, W) grey at the coarsest level, trend and all, in 8-bit steps."""
    open: NDArray[np.uint8]
    """(H, W) 1 where `shade` shows no person."""
    brightness: float
    """Mean grey of the background, in 8-bit steps."""
    faces: Float
    """(N, 2) where the faces are, full-resolution pixels."""
    widths: Float
    """(N,) face widths, pixels."""
    appearances: Float
    """(N, D) unit vectors of what the heads look like."""


def view_of(image: Pixels, faces: Sequence[Face], options: AlignOptions) -> View:
    """Return what alignment keeps of a frame.

    Parameters
    ----------
    image
        (H, W, 3) RGB uint8 or uint16.
    faces
        The faces in it: what to look away from, and where to start from.
    options
        The size to work at.
    """
    size = (image.shape[1], image.shape[0])
    boxes = np.array([f.box for f in faces], np.float64).reshape(-1, 4)
    grey = _small_grey(image, imaging.fit_within(size, options.work_px))
    levels = []
    while True:
        level_size = (grey.shape[1], grey.shape[0])
        unmasked = people_mask(size, boxes, level_size)
        levels.append(_level(size, grey, unmasked))
        if max(level_size) <= COARSEST_PX * 1.4 or min(level_size) < 64:
            break
        half = ((level_size[0] + 1) // 2, (level_size[1] + 1) // 2)
        grey = np.asarray(cv2.resize(grey, half, interpolation=cv2.INTER_AREA))
    background = grey[unmasked > 0]
    return View(
        size=size,
        levels=tuple(levels),
        shade=frozen(grey),
        open=frozen(unmasked),
        brightness=float(background.mean()) if background.size else float(grey.mean()),
        faces=frozen(np.array([f.landmarks[STEADY, :2].mean(0) for f in faces]).reshape(-1, 2)),
        widths=frozen(boxes[:, 2] - boxes[:, 0]),
        appearances=frozen(np.array([f.appearance for f in faces]) if len(boxes) else np.zeros((0, 0))),
    )


def _small_grey(image: Pixels, size: tuple[int, int]) -> NDArray[np.float32]:
    # A sky differs by a step or two over hundreds of pixels: averaging must not round to whole 8-bit steps,
    # which would draw contour lines that stay with the camera.
    if (image.shape[1], image.shape[0]) == size:
        grey = np.asarray(cv2.cvtColor(image, cv2.COLOR_RGB2GRAY))
        return np.asarray(grey, np.float32) * np.float32(255 / imaging.full_scale(image))
    small = np.empty((size[1], size[0]), np.uint16)
    for rows, small_rows in _strips(image.shape[0], size[1]):
        grey = cv2.cvtColor(image[rows], cv2.COLOR_RGB2GRAY)
        wide = grey if grey.dtype == np.uint16 else np.multiply(grey, 256, dtype=np.uint16)
        strip = (size[0], small_rows.stop - small_rows.start)
        small[small_rows] = cv2.resize(wide, strip, interpolation=cv2.INTER_AREA)
    top = 65535 if image.dtype == np.uint16 else 255 * 256
    return np.asarray(small, np.float32) * np.float32(255 / top)


def _strips(length: int, small: int) -> list[tuple[slice, slice]]:
    """Return strips of rows of a picture and of its small copy that begin and end on the same lines.

    Strip by strip a picture stays in the processor's cache from step to step; whole, it does not.
    """
    common = math.gcd(length, small)
    step, small_step = length // common, small // common
    times = max(1, STRIP_ROWS // step)
    starts = range(0, common, times)
    ends = [min(start + times, common) for start in starts]
    return [
        (slice(i * step, k * step), slice(i * small_step, k * small_step))
        for i, k in zip(starts, ends, strict=True)
    ]


def people_mask(size: tuple[int, int], boxes: Float, out_size: tuple[int, int]) -> NDArray[np.uint8]:
    """Return the (H, W) map, at `out_size`, of what surely is no person: 1 background, 0 people.

    Around each face box go a head with hair or hat, and a body widening from the shoulders to the bottom
    of the frame: generous, for a little lost background costs less than a moving sleeve.
    """
    mask = np.ones((out_size[1], out_size[0]), np.uint8)
    bottom = out_size[1] + 2
    for x0, y0, x1, y1 in boxes * (out_size[0] / size[0]):
        w, h, cx, cy = x1 - x0, y1 - y0, (x0 + x1) / 2, (y0 + y1) / 2
        axes = (int(0.85 * w) + 1, int(1.05 * h) + 1)
        cv2.ellipse(mask, (int(cx), int(cy - 0.15 * h)), axes, 0, 0, 360, 0, -1)
        right = [(cx + 0.8 * w, y0 + 0.6 * h), (cx + 1.6 * w, y1 + 0.2 * h), (cx + 1.9 * w, bottom)]
        left = [(2 * cx - x, y) for x, y in reversed(right)]
        cv2.fillPoly(mask, [np.rint([*right, *left]).astype(np.int32)], 0)
    return mask


def _level(size: tuple[int, int], grey: NDArray[np.float32], unmasked: NDArray[np.uint8]) -> Level:
    level_size = (grey.shape[1], grey.shape[0])
    if max(level_size) <= CAREFUL_PX:
        texture, still = _detrended(grey, unmasked)
        border = 2
    else:
        texture = grey - cv2.GaussianBlur(grey, (0, 0), TREND_PX)
        still = np.asarray(cv2.erode(unmasked, np.ones((9, 9), np.uint8)), np.uint8)
        border = 4
    still[:border] = still[-border:] = 0
    still[:, :border] = still[:, -border:] = 0
    return Level(
        size=level_size,
        texture=frozen(texture),
        still=frozen(still),
        frame_from_level=frozen(np.linalg.inv(imaging.scale_matrix(size, level_size))),
    )


def _detrended(
    grey: NDArray[np.float32], unmasked: NDArray[np.uint8]
) -> tuple[NDArray[np.float32], NDArray[np.uint8]]:
    """Return grey less a local plane fitted to the background alone, and where that fit may be trusted.

    A plain local mean would draw a rim along the picture's border (which moves with the camera) and around
    people (which moves with them), and on a plain backdrop that rim is all there is to match.

    References
    ----------
    Knutsson and Westin, "Normalized and differential convolution", CVPR 1993 (from memory).
    """
    h, w = grey.shape
    m = unmasked.astype(np.float32)
    y, x = np.mgrid[0:h, 0:w].astype(np.float32)
    x, y = x - w / 2, y - h / 2

    def blur(a: Array) -> NDArray[np.float32]:
        return np.asarray(cv2.GaussianBlur(a, (0, 0), TREND_PX, borderType=cv2.BORDER_CONSTANT))

    weight = np.maximum(blur(m), 1e-6)
    mx, my = blur(m * x) / weight, blur(m * y) / weight
    ridge = 0.01 * TREND_PX**2
    cxx = blur(m * x * x) / weight - mx * mx + ridge
    cyy = blur(m * y * y) / weight - my * my + ridge
    cxy = blur(m * x * y) / weight - mx * my
    mean = blur(m * grey) / weight
    gx, gy = blur(m * x * grey) / weight - mx * mean, blur(m * y * grey) / weight - my * mean
    det = cxx * cyy - cxy**2
    trend = mean + ((cyy * gx - cxy * gy) * (x - mx) + (cxx * gy - cxy * gx) * (y - my)) / det
    centred = np.hypot(mx - x, my - y) < 0.3 * TREND_PX
    return (grey - trend) * m, ((unmasked > 0) & centred).astype(np.uint8)
