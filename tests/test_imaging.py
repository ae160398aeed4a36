"""Warps, scales, colour and linear light."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from skimage.transform import ProjectiveTransform
from skimage.transform import warp as skimage_warp

from facemerge import imaging


@given(st.integers(0, 65535))
def test_linear_light_is_there_and_back(value: int) -> None:
    """No 16-bit value is changed by a trip to linear light and back."""
    encoded = np.array([value / 65535], np.float64)
    assert np.rint(imaging.from_linear(imaging.to_linear(encoded)) * 65535)[0] == pytest.approx(value, abs=1)


@pytest.mark.parametrize(
    ("encoded", "linear"),
    # Source: the definition in IEC 61966-2-1:1999, section 5.2: both branches, worked by hand.
    [(0.0, 0.0), (0.04045, 0.04045 / 12.92), (0.5, 0.21404114), (1.0, 1.0)],
)
def test_linear_light_is_srgbs(encoded: float, linear: float) -> None:
    """The two pieces of the curve."""
    assert imaging.to_linear(np.array([encoded]))[0] == pytest.approx(linear, abs=1e-6)


@pytest.mark.parametrize("factor", [4, 8])
def test_scaling_keeps_a_points_place(factor: int) -> None:
    """A spot drawn at x, y lies at scale_matrix's x', y' of the shrunk picture.

    Without the half-pixel shift it would be off by (factor - 1) / 2 full-resolution pixels.
    """
    size = (640, 480)
    y, x = np.mgrid[0 : size[1], 0 : size[0]]
    spot = (313.0, 207.0)
    image = np.exp(-((x - spot[0]) ** 2 + (y - spot[1]) ** 2) / (2 * (2.0 * factor) ** 2)).astype(np.float32)
    new = (size[0] // factor, size[1] // factor)
    small = imaging.resize(image, new)
    yy, xx = np.mgrid[0 : new[1], 0 : new[0]]
    centre = (np.sum(xx * small) / small.sum(), np.sum(yy * small) / small.sum())
    expected = imaging.transform(imaging.scale_matrix(size, new), np.array([spot]))[0]
    assert np.abs(np.array(centre) - expected).max() < 0.02


def test_warp_is_skimages() -> None:
    """The same homography moves the same pixels in an independent implementation."""
    rng = np.random.default_rng(3)
    image = cv2.GaussianBlur(rng.random((120, 160, 3)).astype(np.float32), (0, 0), 4)
    image = (255 * (image - image.min()) / np.ptp(image)).astype(np.uint8)
    m = np.array([[1.01, 0.02, 3.3], [-0.015, 0.99, -2.2], [1e-5, -2e-5, 1]])
    ours = imaging.warp(image, m, (160, 120), interpolation=cv2.INTER_LINEAR)
    theirs = skimage_warp(image, ProjectiveTransform(np.linalg.inv(m)), order=1, preserve_range=True)
    inner = (slice(10, -10), slice(10, -10))
    assert np.abs(ours[inner].astype(float) - theirs[inner]).max() <= 2


def test_a_window_of_a_warp_is_the_warps_window() -> None:
    """An offset shows the same pixels as the whole."""
    rng = np.random.default_rng(4)
    image = rng.integers(0, 255, (90, 120, 3), np.uint8)
    m = np.array([[1.0, 0.01, 1.5], [-0.01, 1.0, 2.5], [0, 0, 1]])
    whole = imaging.warp(image, m, (120, 90))
    window = imaging.warp(image, m, (50, 40), offset=(20, 30))
    assert np.abs(window.astype(int) - whole[30:70, 20:70]).max() <= 1


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_depths_go_to_unit_and_back(dtype: type) -> None:
    """Every value of either depth comes back as it was."""
    top = np.iinfo(dtype).max
    values = np.arange(top + 1, dtype=dtype)[None]
    assert np.array_equal(imaging.from_unit(imaging.to_unit(values), dtype), values)


def test_sixteen_bits_round_to_eight() -> None:
    """257 steps of 16 bit are one of 8, rounded to the nearest."""
    assert imaging.to_eight_bit(np.array([0, 128, 129, 257, 65535], np.uint16)).tolist() == [0, 0, 1, 1, 255]


def test_other_dtypes_are_refused() -> None:
    """A float picture has no full scale."""
    with pytest.raises(TypeError, match="float32"):
        imaging.to_unit(np.zeros((2, 2, 3), np.float32))
