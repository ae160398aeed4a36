"""Tone: a known gain is found from the surroundings, and skin is left alone."""

from __future__ import annotations

import numpy as np
import pytest
from drawn_heads import frame

from facemerge import imaging
from facemerge.composite import tone


@pytest.mark.parametrize("gain", [(1.0, 1.0, 1.0), (1.07, 1.07, 1.07), (0.93, 0.93, 0.93), (1.05, 1.0, 0.94)])
def test_a_known_gain_is_recovered(gain: tuple[float, float, float]) -> None:
    """A donor exposed by a known factor in linear light is brought back by its inverse, to one per cent."""
    base = imaging.to_unit(frame(kind="brick", noise=2, seed=1).image)
    drawn = frame(kind="brick", gain=gain, noise=2, seed=2)
    found = tone.gain_field(base, imaging.to_unit(drawn.image), ~drawn.who)
    assert found.reshape(-1, 3).mean(0) == pytest.approx(1 / np.array(gain), rel=0.01)
    assert np.ptp(found.reshape(-1, 3), axis=0).max() < 0.03


def test_a_slope_of_light_is_followed() -> None:
    """Light that falls off by 8 % from one side to the other is matched to two per cent everywhere."""
    base = imaging.to_unit(frame(kind="brick").image)
    w = base.shape[1]
    slope = np.linspace(0.96, 1.04, w, dtype=np.float32)[None, :, None]
    donor = imaging.from_linear(imaging.to_linear(base) * slope)
    found = tone.gain_field(base, donor, np.ones(base.shape[:2], bool))
    assert np.abs(found * slope - 1).max() < 0.02


def test_what_shows_something_else_does_not_pull() -> None:
    """A third of the surroundings that changed, somebody walking by, moves the gain by under 2 per cent."""
    base = imaging.to_unit(frame(kind="brick").image)
    donor = base.copy()
    donor[:, : base.shape[1] // 3] = (0.15, 0.5, 0.2)
    found = tone.gain_field(base, donor, np.ones(base.shape[:2], bool))
    assert np.abs(found - 1)[:, base.shape[1] // 3 :].max() < 0.02


@pytest.mark.parametrize("level", [0.0, 1.0])
def test_clipped_surroundings_teach_nothing(level: float) -> None:
    """Where all is black or blown out the gain stays one."""
    flat = np.full((60, 60, 3), level, np.float32)
    assert np.array_equal(tone.gain_field(flat, flat, np.ones((60, 60), bool)), np.ones((60, 60, 3)))


def test_a_gain_of_one_changes_nothing_to_speak_of() -> None:
    """Through linear light and back a value stays within 1e-5 of full scale: two thirds of a 16-bit step."""
    unit = np.random.default_rng(0).random((30, 30, 3)).astype(np.float32)
    assert np.abs(tone.apply_gain(unit, np.ones_like(unit)) - unit).max() < 1e-5


def test_gain_acts_on_light_not_on_code_values() -> None:
    """Doubling the light of sRGB 0.5 gives 0.6858 (IEC 61966-2-1:1999: 0.2140 doubled is 0.4281, encoded)."""
    grey = np.full((4, 4, 3), 0.5, np.float32)
    assert tone.apply_gain(grey, np.full_like(grey, 2.0)) == pytest.approx(0.6858, abs=2e-4)


@pytest.mark.parametrize("sigma", [1.0, 3.0, 6.0])
def test_grain_is_measured(sigma: float) -> None:
    """Luma noise of known size on a plain wall is found to a fifth; Rec. 601 weights leave 0.669 of it."""
    flat = np.full((200, 200, 3), 0.5, np.float32)
    noisy = flat + np.random.default_rng(3).normal(0, sigma / 255, flat.shape).astype(np.float32)
    expected = sigma * np.sqrt(0.299**2 + 0.587**2 + 0.114**2)
    assert 0.8 * expected < tone.grain(noisy) < 1.2 * expected


def test_texture_is_not_taken_for_grain() -> None:
    """A brick wall without noise has none to speak of in its calmest parts."""
    assert tone.grain(imaging.to_unit(frame(kind="brick").image)) < 0.3
