"""Shutter, ISO and the cut: definitions, proportions, and the field's rules of thumb."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from facemerge.plan import framing, light
from facemerge.plan.quantities import lux


def test_exposure_value_0_is_one_second_at_f_1() -> None:
    """The definition at ISO 100: N²/t = 2^EV (ISO 2720, from memory)."""
    assert light.iso_for(0, 1.0, 1.0) == pytest.approx(100)
    assert light.iso_for(10, 8.0, 64 / 1024) == pytest.approx(100)


def test_sunlight_is_f_16_at_one_over_the_iso() -> None:
    """Common practice, no source: in sun, EV 15, f/16 and 1/100 s want ISO 100, within half a stop."""
    assert 100 / math.sqrt(2) < light.iso_for(15, 16, 1 / 100) < 100 * math.sqrt(2)


def test_sunlight_is_about_eighty_thousand_lux() -> None:
    """EV 15 at ISO 100 is 82,000 lux with a flat receptor's constant of 250 (ISO 2720, from memory)."""
    assert lux(15) == pytest.approx(250 / 100 * 2**15)


@given(ev=st.floats(-4, 18), n=st.floats(1, 32), t=st.floats(1e-3, 1))
def test_a_stop_is_a_stop_wherever_it_is_taken(ev: float, n: float, t: float) -> None:
    """Twice the light, twice the time or an f-number smaller by the root of two: half the ISO."""
    iso = light.iso_for(ev, n, t)
    assert light.iso_for(ev + 1, n, t) == pytest.approx(iso / 2)
    assert light.iso_for(ev, n, 2 * t) == pytest.approx(iso / 2)
    assert light.iso_for(ev, n / math.sqrt(2), t) == pytest.approx(iso / 2)


@pytest.mark.parametrize(
    ("iso", "name"),
    [
        (3, 100),
        (100, 100),
        (101, 125),
        (400, 400),
        (650, 800),
        (1600, 1600),
        (1700, 2000),
        (3200, 3200),
        (3300, 4000),
        (5100, 6400),
        (25600, 25600),
        (102400, 102400),
    ],
)
def test_iso_is_the_next_that_cameras_offer(iso: float, name: int) -> None:
    """Thirds of a stop from 100, by the names on cameras (common practice, no source)."""
    assert light.named_iso(iso) == name


@given(iso=st.floats(100, 400_000))
def test_a_named_iso_is_enough_and_no_third_too_much(iso: float) -> None:
    """Names are rounded by up to 3 %."""
    assert iso * 0.97 <= light.named_iso(iso) <= iso * 2 ** (1 / 3) * 1.03


def test_one_over_the_focal_length() -> None:
    """By hand 1/50 s with 50 mm on 36 x 24 mm (common practice, no source), faster on a smaller sensor."""
    assert light.handheld_s(0.05, (0.036, 0.024)) == pytest.approx(1 / 50)
    assert light.handheld_s(0.05, (0.0173, 0.013)) == pytest.approx(1 / 100, rel=0.02)


def test_shutters_are_those_of_the_field() -> None:
    """1/60 to 1/125 s for people who stand still, faster for children (common practice, no source)."""
    assert 1 / 125 <= light.ADULTS_S <= 1 / 60
    assert light.CHILDREN_S < light.ADULTS_S


def test_a_head_that_moves_by_the_circle_blurs_by_the_circle() -> None:
    """0.03 mm on the sensor at a fiftieth of life size in 1/100 s: 1.5 mm in 10 ms, 15 cm/s."""
    assert light.head_speed_m_s(0.03e-3, 1 / 100, 1 / 50) == pytest.approx(0.15)


# -- framing ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("print_ratio", "kept"),
    [
        (Fraction(10, 8), Fraction(5, 6)),
        (Fraction(7, 5), Fraction(14, 15)),
        (Fraction(14, 11), Fraction(28, 33)),
        (Fraction(13, 10), Fraction(13, 15)),
        (Fraction(1), Fraction(2, 3)),
        (Fraction(3, 2), Fraction(1)),
    ],
)
def test_what_prints_keep_of_a_frame_of_three_to_two(print_ratio: Fraction, kept: Fraction) -> None:
    """Proportions: about 17 % of the area is lost to 8x10 (mymindseye.us/AspectRatio.phtml); the others are
    the quotients of their proportions.
    """
    assert framing.cut_for(1.5, float(print_ratio)).area == pytest.approx(float(kept))


def test_an_inch_is_lost_at_each_end_for_8x10() -> None:
    """A print 12 in long and 8 in high becomes 10 in long: an inch each side (common practice, no source); of
    6000 x 4000 px 5000 x 4000 are left.
    """
    cut = framing.cut_for(1.5, 1.25)
    assert 12 * cut.lost_each_end == pytest.approx(1)
    assert (6000 * cut.long_share, 4000 * cut.short_share) == pytest.approx((5000, 4000))


def test_a_print_in_the_proportions_of_paper_sizes() -> None:
    """Of a 3:2 frame √2:1 keeps √2/1.5 (ISO 216's proportions)."""
    assert framing.cut_for(1.5, math.sqrt(2)).area == pytest.approx(0.9428, abs=1e-4)


@given(frame=st.floats(1, 3), print_=st.floats(1, 5), margin=st.floats(0, 0.4))
def test_a_cut_has_the_prints_proportions_and_touches_the_frame(
    frame: float, print_: float, margin: float
) -> None:
    """One side is kept whole, and the group's part leaves just the margin at every end."""
    cut = framing.cut_for(frame, print_, margin)
    assert max(cut.long_share, cut.short_share) == 1
    assert frame * cut.long_share / cut.short_share == pytest.approx(print_, rel=framing.SAME)
    assert cut.group_share == pytest.approx(cut.long_share * (1 - 2 * margin))
    assert cut.group_height_share == pytest.approx(cut.short_share * (1 - 2 * margin))


@given(side=st.floats(0.01, 0.05), focal=st.floats(0.02, 0.3), distance=st.floats(1, 50))
def test_distance_is_the_inverse_of_what_is_taken_in(side: float, focal: float, distance: float) -> None:
    """And twice as far takes in about twice as much."""
    wide = framing.field_m(side, focal, distance)
    assert framing.distance_for_m(wide, side, focal) == pytest.approx(distance)
    assert 2 <= framing.field_m(side, focal, 2 * distance) / wide < 2 + 2 * focal / (distance - focal)


def test_a_lens_as_long_as_the_sensor_takes_in_the_distance_less_itself() -> None:
    """By similar triangles: 36 mm on a side of 36 mm, 3.6 m away, 3.564 m."""
    assert framing.field_m(0.036, 0.036, 3.6) == pytest.approx(3.564)
