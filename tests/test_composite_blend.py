"""Blending: identities of the multi-band spline and of the gradient-domain correction; the laying itself."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from photographs import SEAM
from scipy.sparse import lil_matrix
from scipy.sparse.linalg import spsolve

from facemerge.composite import blend, fill
from facemerge.words import Head


def picture(seed: int, shape: tuple[int, int] = (48, 56)) -> np.ndarray:
    return np.random.default_rng(seed).random((*shape, 3)).astype(np.float32)


def disc(shape: tuple[int, int] = (48, 56), radius: float = 14) -> np.ndarray:
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]]
    return (np.hypot(y - shape[0] / 2, x - shape[1] / 2) < radius).astype(np.float32)


@pytest.mark.parametrize("bands", [1, 3, 5, 9])
def test_equal_pictures_are_left_alone(bands: int) -> None:
    """Burt & Adelson, "A Multiresolution Spline with Application to Image Mosaics", 1983: a picture splined
    into itself is itself; here to the last bit, so that a composite cannot drift."""
    a = picture(1)
    assert np.array_equal(blend.multiband(a, a, disc(), bands), a)


@pytest.mark.parametrize("bands", [1, 3, 5, 9])
@pytest.mark.parametrize("level", [0.0, 1.0])
def test_a_mask_of_one_value_gives_one_picture(bands: int, level: float) -> None:
    """Burt & Adelson 1983: the pyramid collapses to the original, so a mask of ones gives the donor and a
    mask of noughts the base."""
    base, donor = picture(1), picture(2)
    got = blend.multiband(base, donor, np.full(base.shape[:2], level, np.float32), bands)
    assert np.abs(got - (donor if level else base)).max() < 2e-6


def test_coarse_bands_cross_over_wider_than_fine_ones() -> None:
    """Burt & Adelson 1983: the transition is as wide as a band's wavelength: a step of tone spreads, while
    grain four pixels from the seam is still wholly its own picture's."""
    shape = (128, 128)
    mask = np.zeros(shape, np.float32)
    mask[:, 64:] = 1
    base = np.zeros((*shape, 3), np.float32)
    step = blend.multiband(base, base + 1, mask, 6)[64, :, 0]
    assert ((step > 0.05) & (step < 0.95)).sum() > 20
    checks = np.repeat((np.indices(shape).sum(0) % 2 * 2.0 - 1)[..., None], 3, axis=2).astype(np.float32)
    fine = blend.multiband(base, checks, mask, 6)[64, :, 0]
    assert np.abs(fine[68:-8] - checks[64, 68:-8, 0]).max() < 0.05
    assert np.abs(fine[8:60]).max() < 0.05


def ring_weight(shape: tuple[int, int]) -> np.ndarray:
    weight = np.zeros(shape)
    weight[[0, -1]] = weight[:, [0, -1]] = 1e9
    return weight


@pytest.mark.parametrize("slope", [(0.0, 0.0), (0.01, -0.02)])
def test_a_constant_and_a_ramp_on_the_line_are_reproduced(slope: tuple[float, float]) -> None:
    """Perez, Gangnet & Blake, "Poisson Image Editing", 2003: with values fixed on a closed line the
    correction is harmonic inside, hence exact for a constant and for a linear ramp."""
    y, x = np.mgrid[0:20, 0:24]
    truth = (0.1 + slope[0] * x + slope[1] * y)[..., None]
    weight = ring_weight((20, 24))
    got = blend.membrane(np.where(weight[..., None] > 0, truth, 0.0), weight)
    assert np.abs(got - truth).max() < 1e-6


def test_the_membrane_is_the_direct_solution_of_laplaces_equation() -> None:
    """Perez et al. 2003, eq. 7 for a guiding field of nought (from memory): each inner pixel is the mean of
    its four neighbours; written out here as a system of its own and solved directly."""
    h, w = 9, 11
    rng = np.random.default_rng(7)
    border = rng.random((h, w))
    a, b = lil_matrix((h * w, h * w)), np.zeros(h * w)
    for y in range(h):
        for x in range(w):
            i = y * w + x
            if y in (0, h - 1) or x in (0, w - 1):
                a[i, i], b[i] = 1, border[y, x]
            else:
                a[i, i] = 4
                for j in (i - 1, i + 1, i - w, i + w):
                    a[i, j] = -1
    direct = spsolve(a.tocsr(), b).reshape(h, w)
    got = blend.membrane(border[..., None], ring_weight((h, w)))[..., 0]
    assert np.abs(got - direct).max() < 1e-6


def test_the_decay_spares_what_lies_far_from_the_line() -> None:
    """A screened correction dies away from the line as exp(-distance / decay) (its one-dimensional solution):
    a difference of tone at the seam does not tint a whole face."""
    weight = np.zeros((5, 81))
    weight[:, 0] = 1e9
    got = blend.membrane(np.ones((5, 81, 1)), weight, decay_px=10.0)[2, :, 0]
    assert got[0] == pytest.approx(1, abs=1e-6)
    assert got[20] == pytest.approx(np.exp(-2), rel=0.05)
    assert got[60] < 0.01


def head(offset: tuple[int, int], pixels: np.ndarray, mask: np.ndarray) -> Head:
    return Head(person="P01", offset=offset, pixels=pixels, mask=mask, seam=SEAM, placement="drawn")


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10**6), deep=st.booleans())
def test_laying_is_src_over_and_touches_nothing_else(seed: int, deep: bool) -> None:
    """Porter & Duff, "Compositing Digital Images", 1984, 'over' with an opaque picture below, rounded once;
    outside the masks not a bit changes, at 8 and at 16 bits."""
    rng = np.random.default_rng(seed)
    dtype, top = (np.uint16, 65535) if deep else (np.uint8, 255)
    base = rng.integers(0, top + 1, (40, 50, 3)).astype(dtype)
    heads = [
        head(
            (int(rng.integers(0, 20)), int(rng.integers(0, 15))),
            rng.integers(0, top + 1, (25, 30, 3)).astype(dtype),
            (rng.integers(0, top + 1, (25, 30)) * (rng.random((25, 30)) < 0.6)).astype(dtype),
        )
        for _ in range(2)
    ]
    got = blend.lay(base, heads)
    for area in ((0, 0, 1, 1), (3, 2, base.shape[1] - 2, base.shape[0] - 1)):
        x0, y0, x1, y1 = area
        assert np.array_equal(blend.lay(base, heads, area), got[y0:y1, x0:x1])
    flat, touched = base.astype(np.float64), np.zeros((40, 50), bool)
    for h in heads:
        (x, y), (rows, columns) = h.offset, h.mask.shape
        a = h.mask[..., None] / top
        part = flat[y : y + rows, x : x + columns]
        flat[y : y + rows, x : x + columns] = part * (1 - a) + h.pixels * a
        touched[y : y + rows, x : x + columns] |= h.mask > 0
    assert got.dtype == dtype
    assert np.abs(got - flat).max() <= 1.0 + 1e-6
    assert np.array_equal(got[~touched], base[~touched])


def test_laying_leaves_the_base_as_it_was() -> None:
    """The base handed in is not written to."""
    base = np.zeros((20, 20, 3), np.uint8)
    blend.lay(base, [head((2, 3), np.full((5, 5, 3), 200, np.uint8), np.full((5, 5), 255, np.uint8))])
    assert not base.any()


def test_missing_pixels_come_from_the_first_source_that_has_them() -> None:
    """Sources are asked in order, read only while something is missing, and what nobody has is said."""
    pixels, valid = np.zeros((1, 4, 3)), np.array([[True, False, False, False]])
    first = (np.full((1, 4, 3), 1.0), np.array([[True, True, False, False]]))
    second = (np.full((1, 4, 3), 2.0), np.array([[True, True, True, False]]))
    got, known = fill.fill(pixels, valid, iter([first, second]))
    assert got[0, :, 0].tolist() == [0, 1, 2, 0]
    assert known.tolist() == [[True, True, True, False]]


def test_a_rim_is_taken_off_what_is_valid() -> None:
    """Pixels beside missing ones hold a part of nothing and are dropped; the window's own edge is not."""
    valid = np.ones((9, 9), bool)
    valid[:, :3] = False
    got = fill.shrink(valid, 2)
    assert not got[:, :5].any()
    assert got[:, 5:].all()
