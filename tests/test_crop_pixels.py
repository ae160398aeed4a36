"""A print's pixels: light is averaged, nothing rings, sharpening stays gentle."""

from __future__ import annotations

import math

import numpy as np
import pytest
from PIL import Image
from skimage import data
from skimage.measure import block_reduce

from facemerge import imaging
from facemerge.crop import enlarged_or_reduced, on_white, sharpened, sharpening_px


def grey(values: np.ndarray, dtype: type) -> np.ndarray:
    """Return three equal channels of 8-bit values in a dtype."""
    return np.dstack([values.astype(dtype) * (257 if dtype == np.uint16 else 1)] * 3)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_plain_areas_keep_their_value(dtype: type) -> None:
    """Every 8-bit value, at both depths, through the curve and back: not a step is lost."""
    columns = np.repeat(np.arange(256), 6)[None].repeat(6, axis=0)
    small = enlarged_or_reduced(grey(columns, dtype), (256 * 2, 2))
    assert np.array_equal(
        small[..., 0], grey(np.repeat(np.arange(256), 2)[None].repeat(2, axis=0), dtype)[..., 0]
    )


def test_light_is_averaged_not_numbers() -> None:
    """Black and white lines reduced to grey are as light as paper seen from afar: 188, not 128.

    Half the light is encoded as 0.7354 of full scale: IEC 61966-2-1:1999, the inverse transfer function.
    """
    lines = grey(np.tile([0, 255], (40, 40)), np.uint8)
    assert np.unique(enlarged_or_reduced(lines, (40, 20))).tolist() == [188]


def test_averages_are_those_of_another_library() -> None:
    """Whole factors, held against block means of light by scikit-image, to a step of rounding."""
    image = data.astronaut()[:510, :510]
    mine = enlarged_or_reduced(image, (170, 170))
    light = block_reduce(imaging.to_linear(imaging.to_unit(image)), (3, 3, 1), np.mean)
    theirs = np.rint(imaging.from_linear(light) * 255)
    assert np.abs(mine.astype(float) - theirs).max() <= 1


@pytest.mark.parametrize("factor", [1.07, 1.3, 1.7, 2.4])
def test_nothing_rings_at_a_blown_highlight(factor: float) -> None:
    """Beside white on mid grey nothing gets darker than the grey; Lanczos would by 9 steps and more."""
    y, x = np.mgrid[0:300, 0:300]
    values = np.where((x - 150) ** 2 + (y - 150) ** 2 < 60**2, 255, 118)
    side = round(300 / factor)
    mine = enlarged_or_reduced(grey(values, np.uint8), (side, side))
    lanczos = np.asarray(
        Image.fromarray(grey(values, np.uint8)).resize((side, side), Image.Resampling.LANCZOS)
    )
    assert mine.min() == 118
    assert mine.max() == 255
    assert lanczos.min() < 118 - 8


def test_bright_hair_is_not_darkened() -> None:
    """Fine bright lines keep their mean light to 1 %; averaged as numbers they lose more than 5 %."""
    values = np.where(np.arange(700) % 7 == 3, 230, 60)[None].repeat(700, axis=0)
    image = grey(values, np.uint8)
    light = imaging.to_linear(imaging.to_unit(image)).mean()
    mine = imaging.to_linear(imaging.to_unit(enlarged_or_reduced(image, (200, 200)))).mean()
    plain = np.asarray(Image.fromarray(image).resize((200, 200), Image.Resampling.BOX))
    assert mine == pytest.approx(light, rel=0.01)
    assert imaging.to_linear(imaging.to_unit(plain)).mean() < 0.95 * light


def test_the_same_size_is_the_same_picture() -> None:
    """No pixel is touched where none has to be."""
    image = data.astronaut()
    assert enlarged_or_reduced(image, (512, 512)) is image


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_enlarging_keeps_depth_and_mean(dtype: type) -> None:
    """An enlarged picture has the size asked for, its depth, and its mean to half a per cent."""
    image = data.astronaut()[:200, :200].astype(dtype) * (257 if dtype == np.uint16 else 1)
    large = enlarged_or_reduced(image, (331, 331))
    assert (large.shape, large.dtype) == ((331, 331, 3), dtype)
    assert large.mean() == pytest.approx(image.mean(), rel=0.005)


# -- sharpening ---------------------------------------------------------------------------------------------


def test_the_radius_is_what_an_eye_can_part() -> None:
    """8 x 10 in at 300 ppi, from its diagonal of 12.8 in: a minute of arc is 1.1 px; 4 x 6 from 10 in.

    tan(1/60 degree) = 0.00029089: trigonometry; the minute of arc is Snellen's, 1862 (from memory).
    """
    assert sharpening_px(300, math.hypot(8, 10)) == pytest.approx(12.806 * 0.00029089 * 300, rel=1e-3)
    assert sharpening_px(300, math.hypot(4, 6)) == pytest.approx(10 * 0.00029089 * 300, rel=1e-3)


def edge(dtype: type) -> np.ndarray:
    """Return a soft edge between two greys, with a colour."""
    values = 90 + 80 / (1 + np.exp(-(np.arange(80) - 40.3) / 0.6))
    image = np.stack([values + 20, values, values - 20], axis=-1)[None].repeat(30, axis=0)
    return np.rint(image * (257 if dtype == np.uint16 else 1)).astype(dtype)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_an_edge_gets_steeper_without_a_halo(dtype: type) -> None:
    """Steeper by 10 to 60 %, at most 7 steps beyond the greys on either side, and the colour stays."""
    image = edge(dtype)
    step = 257 if dtype == np.uint16 else 1
    out = sharpened(image, 1.2)
    assert (out.shape, out.dtype) == (image.shape, dtype)
    row, before = out[15, :, 1].astype(float) / step, image[15, :, 1].astype(float) / step
    assert 1.1 < np.diff(row).max() / np.diff(before).max() < 1.6
    assert before.min() - 7 <= row.min()
    assert row.max() <= before.max() + 7
    colour = out.astype(float)[..., 0] - out.astype(float)[..., 2]
    assert np.abs(colour - 40 * step).max() <= 2 * step


def test_grain_and_plain_areas_are_let_be(rng: np.random.Generator) -> None:
    """Plain stays bit for bit; grain of 1.5 steps is raised by less than a third, an edge by far more."""
    plain = np.full((60, 60, 3), 131, np.uint8)
    assert np.array_equal(sharpened(plain, 1.1), plain)
    grain = np.clip(131 + rng.normal(0, 1.5, (200, 200, 1)).repeat(3, axis=2), 0, 255)
    image = np.rint(grain).astype(np.uint8)
    assert 1 <= sharpened(image, 1.1).std() / image.std() < 1.33


# -- white --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_white_lies_around_and_the_picture_in_the_middle(dtype: type) -> None:
    """Every pixel of the picture is where it should be, everything else is full white."""
    image = data.astronaut()[:50, :80].astype(dtype)
    whole = on_white(image, (80, 91))
    assert np.array_equal(whole[20:70], image)
    rest = np.concatenate([whole[:20], whole[70:]])
    assert (rest == np.iinfo(dtype).max).all()
    assert whole.shape == (91, 80, 3)
