"""Patches that look like nothing near them: how strange, where, and what hides them."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from drawn_heads import SIZE, wall
from skimage.color import lab2rgb

from facemerge.faults import patches
from facemerge.faults.patches import even, masking, peaks

W, H = SIZE
FACE_PX, GRAIN_PX = 100.0, 2.0

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
SMALL = [p for n, p in enumerate(SHARMA, 1) if n not in OUT_OF_GAMUT and p[2] < 4.5]
"""Differences as large as those at which a fault is found or not."""


def mask() -> np.ndarray:
    alpha = np.zeros((H, W), np.float32)
    cv2.ellipse(alpha, (210, 200), (90, 110), 0, 0, 360, 1, -1)
    return cv2.GaussianBlur(alpha, (0, 0), 2.0)


ALPHA = mask()
SOFT = (ALPHA > 0.05) & (ALPHA < 0.95)


def courses(x: float, y: float, seed: int) -> np.ndarray:
    noise = np.random.default_rng(seed).normal(0, 1.5 / 255, (H, W, 3))
    return np.clip(wall("brick", (x, y)) + noise, 0, 1).astype(np.float32)


def laid(base: np.ndarray, donor: np.ndarray) -> np.ndarray:
    return (base + (donor - base) * ALPHA[..., None]).astype(np.float32)


def strangeness(
    seen: np.ndarray,
    sources: tuple[np.ndarray, ...],
    where: np.ndarray,
    face_px: float,
    grain_px: float,
    least: float = 0.0,
) -> np.ndarray:
    """Return how strange a picture is, grain averaged out of it and of its sources first."""
    calm = [even(p, grain_px) for p in (seen, *sources)]
    return patches.strangeness(calm[0], calm[1:], where, face_px, least)


def strange(base: np.ndarray, donor: np.ndarray, least: float = 0.0) -> np.ndarray:
    return strangeness(laid(base, donor), (base, donor), SOFT, FACE_PX, GRAIN_PX, least)


@pytest.mark.parametrize(("one", "other", "expected"), SMALL)
def test_distances_are_nearly_the_published_ones(
    one: tuple[float, ...], other: tuple[float, ...], expected: float
) -> None:
    """Of small differences that sRGB can show, the distance is the published one within a third, or 0.9."""
    a, b = (np.broadcast_to(lab2rgb(np.array(c)), (24, 24, 3)).astype(np.float32) for c in (one, other))
    apart = float(np.linalg.norm(even(a, GRAIN_PX)[12, 12] - even(b, GRAIN_PX)[12, 12]))
    assert apart == pytest.approx(expected, rel=0.35, abs=0.9)


def test_a_composite_of_agreeing_frames_has_no_strange_patch() -> None:
    """Frames that differ by grain alone leave nothing but grain."""
    assert strange(courses(0, 0, 1), courses(0, 0, 2)).max() < 0.6


def test_a_patch_is_the_stranger_the_worse_the_frames_fit() -> None:
    """Bricks that are off by more make patches less like any in either frame."""
    sizes = [float(strange(courses(0, 0, 1), courses(0, d, 2)).max()) for d in (0, 2, 4, 8)]
    assert sizes == sorted(sizes)
    assert sizes[-1] > 2


@pytest.mark.parametrize("away", [1, 2])
def test_what_lies_a_little_elsewhere_is_not_strange(away: int) -> None:
    """People bend and lean by so much unseen: a patch is looked for about its place."""
    base = courses(0, 0, 1)
    assert strangeness(courses(away, 0, 3), (base, base), SOFT, FACE_PX, GRAIN_PX).max() < 0.8
    assert strangeness(courses(9, 9, 3), (base, base), SOFT, FACE_PX, GRAIN_PX).max() > 2


def test_the_place_of_the_strange_patch_is_told() -> None:
    """A stain that is in neither frame is found where it is."""
    base = courses(0, 0, 1)
    seen = base.copy()
    cv2.circle(seen, (121, 190), 5, (0.9, 0.2, 0.2), -1)
    found = strangeness(seen, (base, base), SOFT, FACE_PX, GRAIN_PX)
    peak = peaks(found, 0.5, 15, 8)[0]
    assert peak.strength > 5
    assert np.hypot(peak.x - 121, peak.y - 190) < 8


def test_tiles_that_are_passed_over_change_nothing_above_the_least() -> None:
    """Where a place is stranger than `least` it is as strange as if every shift had been tried everywhere."""
    base, donor = courses(0, 0, 1), courses(0, 5, 2)
    whole, quick = strange(base, donor), strange(base, donor, 0.5)
    high = whole >= 0.5
    assert high.sum() > 100
    np.testing.assert_allclose(quick[high], whole[high], rtol=1e-4)
    assert (quick >= whole - 1e-4).all()


def test_nowhere_is_nothing() -> None:
    """Where it is not looked nothing is found."""
    base = courses(0, 0, 1)
    none = np.zeros((H, W), bool)
    assert not strangeness(base, (base,), none, FACE_PX, GRAIN_PX).any()
    assert strange(base, courses(0, 8, 2))[~SOFT].max() == 0
    assert peaks(np.zeros((4, 4), np.float32), 0.5, 2, 8) == []


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
    middle = masking(ground(kind), 5)[50:70, 50:70]
    assert middle.min() >= low - 1e-6
    assert middle.max() <= high + 1e-6


def test_peaks_lie_apart_and_share_no_pixel() -> None:
    """The highest first; what lies about one counts for no other; the weak are left out."""
    plane = np.zeros((60, 80), np.float32)
    plane[10:13, 10:13] = 4
    plane[11, 15] = 3
    plane[40, 60] = 2
    plane[50, 5] = 0.4
    found = peaks(plane, 0.5, 6, 8)
    assert [(p.strength, p.x, p.y) for p in found] == [(4, 10, 10), (2, 60, 40)]
    assert [p.mass for p in found] == pytest.approx([9 * 3.5 + 2.5, 1.5])
    assert len(peaks(plane, 0.5, 6, 1)) == 1
