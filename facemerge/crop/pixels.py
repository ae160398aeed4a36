"""A crop's pixels as the paper wants them: fewer, or more if asked, on white, sharpened.

Pictures are (H, W, 3) RGB uint8 or uint16, in any display profile.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge import imaging
from facemerge.words import Array

EYE_RAD = math.radians(1 / 60)
"""What an eye of normal sight can just part, a minute of arc (Snellen, 1862; from memory)."""
LEAST_VIEW_IN = 10.0
"""Nobody holds a print nearer: the least distance of distinct vision, 25 cm (textbook convention)."""
AMOUNT = 0.7
"""Share of its detail that is added to a picture; gentle (common practice, no source)."""
_GRAIN = 2.0 / 255
"""Detail of this strength (root of its mean square) is raised half as much as stronger; weaker is grain."""
_HALO = 6.0 / 255
"""How far sharpening may go beyond the lightest and the darkest there is nearby."""


def enlarged_or_reduced(image: Array, size: tuple[int, int]) -> Array:
    """Return a picture resampled to (W, H): area averages of light when reduced, bicubic when enlarged.

    Averages never lie beyond what is averaged, so nothing rings at a blown highlight. They are taken on
    linear light, for that is what paper seen from afar mixes: on encoded values fine bright hair darkens
    (measured in test_crop_pixels.py). The curve is sRGB's whatever the profile: plain areas keep their value,
    and edges are far nearer to light than without.

    Parameters
    ----------
    image
        (H, W, 3) uint8 or uint16.
    size
        (W, H) wanted; `image` itself if it has it already.
    """
    if (image.shape[1], image.shape[0]) == size:
        return image
    if size[0] > image.shape[1] or size[1] > image.shape[0]:
        return np.asarray(cv2.resize(image, size, interpolation=cv2.INTER_CUBIC))
    top = imaging.full_scale(image)
    # A table of every value: reckoning 24 megapixels one by one takes seconds.
    light = imaging.to_linear(np.arange(top + 1) / top)[image]
    smaller = cv2.resize(light, size, interpolation=cv2.INTER_AREA)
    return imaging.from_unit(imaging.from_linear(np.asarray(smaller)), image.dtype)


def on_white(image: Array, size: tuple[int, int]) -> Array:
    """Return a picture in the middle of a white (W, H), which is nowhere smaller."""
    top = imaging.full_scale(image)
    h, w = image.shape[:2]
    whole = np.full((size[1], size[0], 3), top, image.dtype)
    x, y = (size[0] - w) // 2, (size[1] - h) // 2
    whole[y : y + h, x : x + w] = image
    return whole


def sharpening_px(ppi: float, diagonal_in: float) -> float:
    """Return the radius (Gaussian sigma) of the sharpening, in pixels.

    A print is looked at from about its own diagonal (common practice, no source), a small one from 25 cm. The
    radius is what an eye can just part at that distance; finer detail would be raised for nobody.
    """
    return max(LEAST_VIEW_IN, diagonal_in) * EYE_RAD * ppi


def sharpened(image: Array, radius_px: float) -> Array:
    """Return a picture sharpened for paper: an unsharp mask on lightness.

    What is lighter or darker than its surroundings is made more so; grain is hardly raised, halos are kept
    within a few steps of what is nearby anyway, and colours keep their differences, because the same is added
    to red, green and blue.

    Parameters
    ----------
    image
        (H, W, 3) uint8 or uint16.
    radius_px
        Gaussian sigma, as `sharpening_px` gives it.
    """
    unit = imaging.to_unit(image)
    light = np.asarray(cv2.cvtColor(unit, cv2.COLOR_RGB2GRAY), np.float32)
    detail = light - cv2.GaussianBlur(light, (0, 0), radius_px, borderType=cv2.BORDER_REPLICATE)
    # Weighed as a Wiener filter weighs signal against noise (from memory), by the detail round about: the
    # middle of an edge has none of its own.
    strength = cv2.GaussianBlur(detail**2, (0, 0), 2 * radius_px, borderType=cv2.BORDER_REPLICATE)
    passed = strength / (strength + _GRAIN**2)
    raised = light + AMOUNT * passed * detail
    side = 2 * math.ceil(radius_px) + 1
    near = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    low, high = cv2.erode(light, near) - _HALO, cv2.dilate(light, near) + _HALO
    added: NDArray[np.float32] = np.clip(raised, low, high) - light
    return imaging.from_unit(unit + added[..., None], image.dtype)
