"""What a viewer may see along a seam: colour difference, grain, texture, shift."""

from __future__ import annotations

import numpy as np
import pytest
from drawn_heads import frame
from skimage.color import deltaE_ciede2000, lab2rgb, rgb2lab

from facemerge import imaging
from facemerge.composite import measure

# Sharma, Wu & Dalal, "The CIEDE2000 Color-Difference Formula: Implementation Notes, Supplementary Test Data,
# and Mathematical Observations", Color Res. Appl. 30(1), 2005, Table 1: Lab, Lab, difference; pairs 1 to 34.
SHARMA = (
    ((50.0, 2.6772, -79.7751), (50.0, 0.0, -82.7485), 2.0425),
    ((50.0, 3.1571, -77.2803), (50.0, 0.0, -82.7485), 2.8615),
    ((50.0, 2.8361, -74.02), (50.0, 0.0, -82.7485), 3.4412),
    ((50.0, -1.3802, -84.2814), (50.0, 0.0, -82.7485), 1.0),
    ((50.0, -1.1848, -84.8006), (50.0, 0.0, -82.7485), 1.0),
    ((50.0, -0.9009, -85.5211), (50.0, 0.0, -82.7485), 1.0),
    ((50.0, 0.0, 0.0), (50.0, -1.0, 2.0), 2.3669),
    ((50.0, -1.0, 2.0), (50.0, 0.0, 0.0), 2.3669),
    ((50.0, 2.49, -0.001), (50.0, -2.49, 0.0009), 7.1792),
    ((50.0, 2.49, -0.001), (50.0, -2.49, 0.001), 7.1792),
    ((50.0, 2.49, -0.001), (50.0, -2.49, 0.0011), 7.2195),
    ((50.0, 2.49, -0.001), (50.0, -2.49, 0.0012), 7.2195),
    ((50.0, -0.001, 2.49), (50.0, 0.0009, -2.49), 4.8045),
    ((50.0, -0.001, 2.49), (50.0, 0.001, -2.49), 4.8045),
    ((50.0, -0.001, 2.49), (50.0, 0.0011, -2.49), 4.7461),
    ((50.0, 2.5, 0.0), (50.0, 0.0, -2.5), 4.3065),
    ((50.0, 2.5, 0.0), (73.0, 25.0, -18.0), 27.1492),
    ((50.0, 2.5, 0.0), (61.0, -5.0, 29.0), 22.8977),
    ((50.0, 2.5, 0.0), (56.0, -27.0, -3.0), 31.903),
    ((50.0, 2.5, 0.0), (58.0, 24.0, 15.0), 19.4535),
    ((50.0, 2.5, 0.0), (50.0, 3.1736, 0.5854), 1.0),
    ((50.0, 2.5, 0.0), (50.0, 3.2972, 0.0), 1.0),
    ((50.0, 2.5, 0.0), (50.0, 1.8634, 0.5757), 1.0),
    ((50.0, 2.5, 0.0), (50.0, 3.2592, 0.335), 1.0),
    ((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387), 1.2644),
    ((63.0109, -31.0961, -5.8663), (62.8187, -29.7946, -4.0864), 1.263),
    ((61.2901, 3.7196, -5.3901), (61.4292, 2.248, -4.962), 1.8731),
    ((35.0831, -44.1164, 3.7933), (35.0232, -40.0716, 1.5901), 1.8645),
    ((22.7233, 20.0904, -46.694), (23.0331, 14.973, -42.5619), 2.0373),
    ((36.4612, 47.858, 18.3852), (36.2715, 50.5065, 21.2231), 1.4146),
    ((90.8027, -2.0831, 1.441), (91.1528, -1.6435, 0.0447), 1.4441),
    ((90.9257, -0.5406, -0.9208), (88.6381, -0.8985, -0.7239), 1.5381),
    ((6.7747, -0.2908, -2.4247), (5.8714, -0.0985, -2.2286), 0.6377),
    ((2.0776, 0.0795, -1.135), (0.9033, -0.0636, -0.5514), 0.9082),
)
OUT_OF_GAMUT = (1, 2, 3, 4, 5, 6, 28)
"""Pairs of which sRGB cannot show a colour: clipped, they come back 12 to 20 Lab units off."""
ON_A_STEP = (10, 14)
"""Pairs whose hues are exactly opposite, where the formula jumps: the last bit of a picture takes a side."""
SHOWN = [p for n, p in enumerate(SHARMA, 1) if n not in OUT_OF_GAMUT + ON_A_STEP]


@pytest.mark.parametrize(("one", "other", "expected"), SHARMA)
def test_the_formula_is_the_published_one(
    one: tuple[float, ...], other: tuple[float, ...], expected: float
) -> None:
    """The library's formula gives all 34 pairs of the published test data."""
    assert deltaE_ciede2000(np.array(one), np.array(other)) == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize(("one", "other", "expected"), SHOWN)
def test_flat_pictures_differ_by_the_published_amount(
    one: tuple[float, ...], other: tuple[float, ...], expected: float
) -> None:
    """Flat sRGB pictures of the 25 pairs that sRGB can show differ along a seam by the published amount.

    Allowance: measured at most 0.0001; single precision of the pictures and four printed digits.
    """
    base, donor = (
        np.broadcast_to(lab2rgb(np.array(c)), (24, 24, 3)).astype(np.float32) for c in (one, other)
    )
    every = np.ones(base.shape[:2], bool)
    seen = measure.seen_difference(base, donor, every, every)
    assert seen.shape == (24 * 24,)
    np.testing.assert_allclose(seen, expected, atol=0.002)


@pytest.mark.parametrize("shift", [0.25, 0.5, 1.0])
def test_a_shift_left_is_measured(shift: float) -> None:
    """Lucas & Kanade 1981, eq. 3: a small shift along the slope follows from values and slopes alone; a brick
    wall's joints run both ways, so a shift across half of them shows as half to all of itself."""
    base, donor = (imaging.to_unit(frame(kind="brick", wall_shift=(0, s)).image) for s in (0.0, shift))
    found = measure.misregistration(base, donor, np.ones(base.shape[:2], bool))
    assert 0.4 * shift < found < 1.1 * shift


def test_a_plain_wall_has_no_shift_to_measure() -> None:
    """Grain alone is neither texture nor shift."""
    base, donor = (imaging.to_unit(frame(noise=2, seed=s).image)[:100] for s in (1, 2))
    where = np.ones(base.shape[:2], bool)
    assert measure.misregistration(base, donor, where) == 0
    assert measure.texture(base, where) < 1.5


def test_difference_is_seen_through_grain() -> None:
    """A Gaussian of 2 px leaves 1 / (2 sqrt(pi) 2) = 14 % of white grain; so of two exposures' difference."""
    base, donor = (imaging.to_unit(frame(noise=3, seed=s).image)[:100] for s in (1, 2))
    every = np.ones(base.shape[:2], bool)
    seen = np.median(measure.seen_difference(base, donor, every, every))
    raw = np.median(deltaE_ciede2000(rgb2lab(base), rgb2lab(donor)))
    assert 0.08 * raw < seen < 0.22 * raw


def ground(kind: str) -> np.ndarray:
    """Return the lightness of a plain wall, one outline on it, or fine texture, (120, 120)."""
    lightness = np.full((120, 120), 60.0, np.float32)
    if kind == "outline":
        lightness[:, 60:] = 20
    elif kind == "texture":
        y, x = np.mgrid[0:120, 0:120]
        lightness += np.float32(15) * np.sign(np.sin(x * 1.3) * np.sin(y * 1.1))
    return lightness


@pytest.mark.parametrize(
    ("kind", "low", "high"),
    # Texture of 15 steps about the mean hides by Legge and Foley's power, (1 + 15 / 2) ** -0.6 = 0.28, a
    # little less where its phase leaves calmer places; a plain wall and a lone outline hide nothing.
    [("plain", 1.0, 1.0), ("outline", 0.8, 1.0), ("texture", 0.22, 0.4)],
)
def test_texture_hides_and_an_outline_does_not(kind: str, low: float, high: float) -> None:
    """A difference is masked where all around is textured, and not along a single edge."""
    middle = measure.masking(ground(kind), 5)[50:70, 50:70]
    assert middle.min() >= low - 1e-6
    assert middle.max() <= high + 1e-6
