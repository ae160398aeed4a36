"""Colour profiles: which one a picture is in, and its pixels in another one."""

from __future__ import annotations

from functools import lru_cache

import cv2
import imagecodecs
import numpy as np
from numpy.typing import NDArray

from facemerge.imaging import from_unit, full_scale, grey, to_eight_bit
from facemerge.words import Array

# Made profiles carry the second they were made in (ICC.1:2022, 7.2.10); the same run must give the same
# bytes.
_MADE = bytes((0x07, 0xD0, 0, 1, 0, 1, 0, 0, 0, 0, 0, 0))


@lru_cache(maxsize=4)
def made(name: str) -> bytes:
    """Return the bytes of a standard profile: 'srgb' or 'adobergb'."""
    profile = bytes(imagecodecs.cms_profile(name))
    return profile[:24] + _MADE + profile[36:84] + bytes(16) + profile[100:]


def colour_space(profile: bytes) -> str:
    """Return what the profile describes, 'rgb', 'gray', 'cmyk' ..., or '' if it is no ICC profile."""
    if len(profile) < 132 or profile[36:40] != b"acsp":
        return ""
    return profile[16:20].decode("ascii", "replace").strip().lower()


def fits(profile: bytes, channels: int) -> bool:
    """Return whether a profile can be used for a picture of 1 or 3 channels."""
    if colour_space(profile) != ("gray" if channels == 1 else "rgb"):
        return False
    try:
        _transformed(np.zeros((1, 1, 3), np.uint8), profile, made("srgb"))
    except (imagecodecs.CmsError, ValueError):
        return False
    return True


def convert(image: Array, source: bytes | None, target: bytes | None) -> Array:
    """Return a picture's pixels as another profile encodes the same colours.

    Parameters
    ----------
    image
        (H, W, 3) uint8 or uint16 RGB; three equal channels if `source` is a grey profile.
    source, target
        ICC profiles; None stands for sRGB.

    Returns
    -------
    ndarray
        (H, W, 3) of the same dtype; `image` itself if the profiles are the same bytes. Relative
        colorimetric, as between two displays (ICC.1:2022, 6.2.2).
    """
    full_scale(image)
    source, target = source or made("srgb"), target or made("srgb")
    if source == target or (image.dtype == np.uint8 and _alike(source, target)):
        return image
    return _transformed(image, source, target)


@lru_cache(maxsize=16)
def _alike(source: bytes, target: bytes) -> bool:
    """Return whether two profiles show 8-bit values alike to within a step: sRGB comes in many bytes."""
    steps = np.linspace(0, 255, 9).round().astype(np.uint8)
    grid = np.stack(np.meshgrid(steps, steps, steps), axis=-1).reshape(27, 27, 3)
    if "gray" in (colour_space(source), colour_space(target)):
        return False
    return bool(np.abs(_transformed(grid, source, target).astype(int) - grid).max() <= 1)


def to_srgb(image: Array, profile: bytes | None) -> NDArray[np.uint8]:
    """Return a picture as 8-bit sRGB, for screens and web pages.

    Parameters
    ----------
    image
        (H, W, 3) uint8 or uint16 RGB.
    profile
        The ICC profile it is in, or None for sRGB.
    """
    return to_eight_bit(convert(to_eight_bit(image), profile, None))


def _transformed(image: Array, source: bytes, target: bytes) -> Array:
    from_grey, to_grey = colour_space(source) == "gray", colour_space(target) == "gray"
    pixels = one_channel(image) if from_grey else np.ascontiguousarray(image)
    out = np.asarray(
        imagecodecs.cms_transform(
            pixels,
            source,
            target,
            colorspace="gray" if from_grey else "rgb",
            outcolorspace="gray" if to_grey else "rgb",
            intent=imagecodecs.CMS.INTENT.RELATIVE_COLORIMETRIC,
            # At 16 bits the library would go through a coarse table: between Adobe RGB and sRGB it was tried
            # to be off by up to 1200 of 65535 and came back 587 off; without it 3, at 0.1 s a megapixel.
            flags=imagecodecs.CMS.FLAGS.NOOPTIMIZE if image.dtype == np.uint16 else None,
        )
    )
    if not to_grey:
        return out
    return np.ascontiguousarray(np.repeat(out.reshape(*image.shape[:2], 1), 3, axis=2))


def one_channel(image: Array) -> Array:
    """Return (H, W, 3) as (H, W): the channel itself if the three are equal, else the luma."""
    r, g, b = cv2.split(image)
    if np.array_equal(r, g) and np.array_equal(g, b):
        return np.asarray(g)
    return from_unit(grey(image), image.dtype)


def without_colour(image: Array) -> Array:
    """Return an (H, W, 3) picture as three equal channels."""
    return np.dstack([one_channel(image)] * 3)
