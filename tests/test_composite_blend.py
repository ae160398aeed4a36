"""Heads laid over the base."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from facemerge.composite import blend
from facemerge.words import Head, Joint


def head(offset: tuple[int, int], pixels: np.ndarray, mask: np.ndarray) -> Head:
    return Head(person="P01", offset=offset, pixels=pixels, mask=mask, joint=Joint(), placement="drawn")


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
