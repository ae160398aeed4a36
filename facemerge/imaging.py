"""Warps, scales, colour and linear light: what several stages need of a picture.

Pictures are (H, W, 3) RGB uint8 or uint16 unless said otherwise; pixel centres lie at integers.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge.words import Array, Float

# Looked up rather than reckoned: rounding 24 megapixels of 16 bit in wider integers takes a second.
_EIGHT_OF_SIXTEEN = ((np.arange(65536, dtype=np.uint32) + 128) // 257).astype(np.uint8)


def full_scale(image: Array) -> int:
    """Return the largest value of an integer picture: 255 or 65535.

    Raises
    ------
    TypeError
        If the dtype is neither uint8 nor uint16.
    """
    if image.dtype == np.uint8:
        return 255
    if image.dtype == np.uint16:
        return 65535
    raise TypeError(f"expected uint8 or uint16, got {image.dtype}")


def to_unit(image: Array) -> NDArray[np.float32]:
    """Return an integer picture as float32 in [0, 1], still encoded (not linear light)."""
    return np.asarray(image, np.float32) / np.float32(full_scale(image))


def from_unit(image: NDArray[np.floating[Any]], dtype: np.dtype[Any] | type) -> Array:
    """Return a float picture in [0, 1] as uint8 or uint16, rounded and clipped."""
    top = 255 if np.dtype(dtype) == np.uint8 else 65535
    return np.asarray(np.clip(np.rint(image * top), 0, top), dtype)


def to_eight_bit(image: Array) -> NDArray[np.uint8]:
    """Return a picture at 8 bits a channel, rounded; an 8-bit one is returned as it is."""
    if image.dtype == np.uint8:
        return image
    full_scale(image)
    return np.asarray(_EIGHT_OF_SIXTEEN[image])


def to_linear(encoded: NDArray[np.floating[Any]]) -> NDArray[np.float32]:
    """Return linear light in [0, 1] from sRGB-encoded values in [0, 1] (IEC 61966-2-1:1999)."""
    e = np.clip(encoded, 0, 1).astype(np.float32)
    return np.asarray(np.where(e <= 0.04045, e / 12.92, ((e + 0.055) / 1.055) ** 2.4), np.float32)


def from_linear(linear: NDArray[np.floating[Any]]) -> NDArray[np.float32]:
    """Return sRGB-encoded values in [0, 1] from linear light in [0, 1] (IEC 61966-2-1:1999)."""
    c = np.clip(linear, 0, 1).astype(np.float32)
    return np.asarray(np.where(c <= 0.0031308, c * 12.92, 1.055 * c ** (1 / 2.4) - 0.055), np.float32)


def grey(image: Array) -> NDArray[np.float32]:
    """Return the luma (Rec. 601 weights) of an RGB picture as float32 in [0, 1]."""
    return np.asarray(cv2.cvtColor(to_unit(image), cv2.COLOR_RGB2GRAY))


def noise_map(grey: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return an (H, W) picture whose mean over a flat area is the standard deviation of its white noise.

    A difference of two Laplacians, which cancels edges (Immerkaer, "Fast Noise Variance Estimation", Computer
    Vision and Image Understanding 64(2), 1996). Texture raises it: the caller picks what is flat.

    Parameters
    ----------
    grey
        (H, W) on any scale; the noise comes out on the same.
    """
    kernel = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32)
    size = np.abs(cv2.filter2D(grey, cv2.CV_32F, kernel, borderType=cv2.BORDER_REFLECT))
    return np.asarray(size * np.float32(np.sqrt(np.pi / 2) / 6))


def scale_matrix(size: tuple[int, int], new_size: tuple[int, int]) -> Float:
    """Return the (3, 3) matrix new_from_old of a resize between two (W, H) sizes.

    A resize keeps pixel edges, not centres, so coordinates move by half a pixel's difference.
    """
    sx, sy = new_size[0] / size[0], new_size[1] / size[1]
    return np.array([[sx, 0, (sx - 1) / 2], [0, sy, (sy - 1) / 2], [0, 0, 1]], np.float64)


def resize(image: Array, new_size: tuple[int, int]) -> Array:
    """Return a picture resampled to (W, H): area averaging down, bicubic up."""
    shrinks = new_size[0] < image.shape[1]
    if not shrinks:
        return np.asarray(cv2.resize(image, new_size, interpolation=cv2.INTER_CUBIC))
    # Averages of averages are averages, and whole halvings are many times as quick as any other ratio.
    while all(
        side % 2 == 0 and side >= 4 * new for side, new in zip(image.shape[1::-1], new_size, strict=True)
    ):
        half = (image.shape[1] // 2, image.shape[0] // 2)
        image = np.asarray(cv2.resize(image, half, interpolation=cv2.INTER_AREA))
    return np.asarray(cv2.resize(image, new_size, interpolation=cv2.INTER_AREA))


def gradient(grey: NDArray[np.float32]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return the slopes of an (h, w) picture along x and y, per pixel (Scharr's operator)."""
    gx, gy = cv2.Scharr(grey, cv2.CV_32F, 1, 0) / 32, cv2.Scharr(grey, cv2.CV_32F, 0, 1) / 32
    return np.asarray(gx, np.float32), np.asarray(gy, np.float32)


def fit_within(size: tuple[int, int], long_side: int) -> tuple[int, int]:
    """Return the (W, H) of the same shape whose long side is at most `long_side`; never larger."""
    factor = min(1.0, long_side / max(size))
    return max(1, round(size[0] * factor)), max(1, round(size[1] * factor))


def transform(matrix: Float, points: Array) -> Float:
    """Return (N, 2) points taken through a (3, 3) homography."""
    p = np.asarray(points, np.float64).reshape(-1, 2)
    q = np.column_stack([p, np.ones(len(p))]) @ matrix.T
    return np.asarray(q[:, :2] / q[:, 2:])


def shift_matrix(dx: float, dy: float) -> Float:
    """Return the (3, 3) matrix that adds (dx, dy)."""
    return np.array([[1, 0, dx], [0, 1, dy], [0, 0, 1]], np.float64)


def warp(
    image: Array,
    out_from_image: Float,
    size: tuple[int, int],
    *,
    offset: tuple[int, int] = (0, 0),
    interpolation: int = cv2.INTER_LANCZOS4,
    border: int = cv2.BORDER_REPLICATE,
) -> Array:
    """Return `image` seen through a homography, on the (W, H) window of the output at `offset`."""
    m = shift_matrix(-offset[0], -offset[1]) @ out_from_image
    return np.asarray(cv2.warpPerspective(image, m, size, flags=interpolation, borderMode=border))
