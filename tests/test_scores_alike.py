"""Chance must not rank faces, and what is more than chance must stay as it was."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from facemerge.scores.alike import together

FRAMES = 12
values = st.lists(st.floats(-1, 1), min_size=1, max_size=FRAMES)


def test_chance_is_drawn_together():
    """Of twelve looks that differ by half of what chance may, four fifths of the spread is gone."""
    noisy = np.random.default_rng(0).normal(0.3, 0.005, FRAMES)
    assert together(noisy, np.full(FRAMES, 0.01)).std() < 0.25 * noisy.std()


def test_what_is_more_than_chance_stays():
    """A blink among open eyes, six times as far off as chance may be, is left alone."""
    apertures = np.array([0.30] * 11 + [0.24])
    assert together(apertures, np.full(FRAMES, 0.01)) == pytest.approx(apertures, abs=1e-5)


def test_a_sharp_pair_is_not_mixed_by_a_doubtful_third():
    """Where one face is small, the larger ones stay apart by what they themselves can tell."""
    found = together(np.array([0.2, 0.3, 0.25]), np.array([0.01, 0.01, 0.5]))
    assert found[:2] == pytest.approx([0.2, 0.3], abs=1e-3)


@settings(max_examples=60, deadline=None)
@given(values, st.floats(0.001, 1))
def test_order_and_range_are_kept(given_values, chance):
    """Who was better is not worse after, and nothing lies beyond what was measured."""
    before = np.array(given_values)
    after = together(before, np.full(len(before), chance))
    assert after.min() >= before.min() - 1e-9
    assert after.max() <= before.max() + 1e-9
    order = np.argsort(before, kind="stable")
    assert np.all(np.diff(after[order]) >= -1e-9)


def test_columns_are_judged_each_by_itself():
    """What the right eye does says nothing of the left."""
    both = np.column_stack([[0.2, 0.201, 0.3], [0.3, 0.1, 0.101]])
    found = together(both, np.full(3, 0.01))
    for k in (0, 1):
        assert found[:, k] == pytest.approx(together(both[:, k], np.full(3, 0.01)))
