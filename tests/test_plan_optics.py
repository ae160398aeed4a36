"""Depth of field: printed tables, and what must hold between the formulas."""

from __future__ import annotations

import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.special import jn_zeros

from facemerge.errors import OptionError
from facemerge.plan import optics
from facemerge.plan.optics import Rows, Stop, setting_for

lenses = st.floats(0.02, 0.2)
circles = st.floats(5e-6, 6e-5)
numbers = st.floats(1.2, 32)
distances = st.floats(1.0, 30)
INCH = 1 / 12


# -- printed ------------------------------------------------------------------------------------------------


def test_a_handbooks_hyperfocal_distance_and_limits() -> None:
    """6.1 in, f/2.8, focus 10 ft: H = 554 ft, 9.8 to 10.2 ft, and between these 10 ft (US Navy, Photography
    (Basic), NAVEDTRA 14209, conjugate foci; its circle is not printed beside it: 0.002 in gives its H). In
    feet.
    """
    focal, circle = 6.1 * INCH, 0.002 * INCH
    assert optics.hyperfocal_m(focal, 2.8, circle) == pytest.approx(554, abs=0.5)
    near, far = optics.limits_m(10, focal, 2.8, circle)
    assert near == pytest.approx(9.8, abs=0.05)
    assert far == pytest.approx(10.2, abs=0.05)
    assert optics.focus_between_m(9.8, 10.2) == pytest.approx(10, abs=0.005)


def test_an_encyclopedias_example() -> None:
    """At 2 m with H = 49 m: 1.921 to 2.085 m, 163 mm (encyclopedia text at schmidtmitdete.de; that its 49 m
    belong to this example is inferred). It uses the short form, which is exact for a lens of no length: here
    0.1 mm.
    """
    focal = 1e-4
    near, far = optics.limits_m(2, focal, 2.8, focal**2 / (2.8 * (49 - focal)))
    assert near == pytest.approx(1.921, abs=0.001)
    assert far == pytest.approx(2.085, abs=0.001)
    assert far - near == pytest.approx(0.163, abs=0.001)


@pytest.mark.parametrize(("f_number", "near", "far"), [(4, 12.5, 20), (11, 9, 40)])
def test_the_scale_on_a_lens(f_number: float, near: float, far: float) -> None:
    """50 mm at 15 ft: f/4 12.5 to 20 ft, f/11 9 to 40 ft (depth scale in the instructions of the Leica M2,
    for 36 x 24 mm, at manuzoid.com; engraved coarsely, so within 8 %).
    """
    found = optics.limits_m(15 * 0.3048, 0.05, f_number, 0.03e-3)
    assert found[0] / 0.3048 == pytest.approx(near, rel=0.08)
    assert found[1] / 0.3048 == pytest.approx(far, rel=0.08)


def test_a_circle_of_a_fifteen_hundredth_of_the_diagonal() -> None:
    """On 36 x 24 mm, a diagonal of 43 mm, about 0.03 mm (Zeiss, Camera Lens News, as quoted at
    dantestella.com/zeiss/dof.html).
    """
    assert optics.usual_circle_m((0.036, 0.024)) == pytest.approx(0.030e-3, abs=0.0012e-3)


@pytest.mark.parametrize("size", [(0.2, 0.16), (0.6, 0.48)])
def test_a_print_seen_from_its_diagonal_asks_for_the_same_circle_whatever_its_size(
    size: tuple[float, float],
) -> None:
    """The blur grows with the print as the distance to it does."""
    crop = (0.030, 0.024)
    blur = optics.BLUR_ANGLE * math.hypot(*size)
    assert optics.circle_m(crop, size[0], blur) == pytest.approx(optics.usual_circle_m(crop))


def test_rows_between_four_and_a_half_and_five_and_a_half_metres() -> None:
    """The textbook's short form N = f² (D - d)/(2 c D d), from memory, is right to within f/s."""
    exact = optics.f_number_for(4.5, 5.5, 0.085, 0.03e-3)
    short = 0.085**2 * 1.0 / (2 * 0.03e-3 * 4.5 * 5.5)
    assert short < exact < short * (1 + 1.1 * 0.085 / 4.95)
    assert optics.focus_between_m(4.5, 5.5) == pytest.approx(4.95)


def test_the_airy_disc_is_the_first_zero_of_a_bessel_function() -> None:
    """2.44 λ N is 2/π times the first zero of J1 (scipy), to its three digits."""
    assert optics.airy_m(8) / (8 * optics.WAVELENGTH_M) == pytest.approx(
        2 * jn_zeros(1, 1)[0] / math.pi, rel=1e-3
    )


@pytest.mark.parametrize(
    ("needed", "name"),
    [
        (0.0, "f/1"),
        (1.0, "f/1"),
        (1.01, "f/1.1"),
        (2.8, "f/2.8"),
        (5.6, "f/5.6"),
        (5.7, "f/6.3"),
        (8.0, "f/8"),
        (8.1, "f/9"),
        (11.0, "f/11"),
        (12.8, "f/14"),
        (16.0, "f/16"),
        (16.1, "f/18"),
        (44.0, "f/45"),
        (80, "f/81"),
    ],
)
def test_the_next_third_of_a_stop_is_what_cameras_call_it(needed: float, name: str) -> None:
    """f/11 is 11.3 and f/13 is 12.7, so 12.8 asks for f/14: names are rounded (common practice)."""
    assert optics.next_third(needed).name == name


def test_full_stops_double_the_light() -> None:
    """f/1, 1.4, 2, 2.8 … 45: each √2 times the last, and named within 5 % (common practice)."""
    names = ["1", "1.4", "2", "2.8", "4", "5.6", "8", "11", "16", "22", "32", "45"]
    assert [Stop(thirds=3 * i).name for i in range(12)] == [f"f/{n}" for n in names]
    for thirds in range(34):
        stop = Stop(thirds=thirds)
        assert float(stop.name[2:]) == pytest.approx(stop.exact, rel=0.05)


# -- always -------------------------------------------------------------------------------------------------


@given(s=distances, f=lenses, n=numbers, c=circles)
def test_the_blur_is_the_circle_at_both_limits_and_none_at_the_focus(
    s: float, f: float, n: float, c: float
) -> None:
    """And the focus lies between the limits."""
    near, far = optics.limits_m(s, f, n, c)
    assert near < s < far
    assert optics.blur_disc_m(s, s, f, n) == 0
    assert optics.blur_disc_m(near, s, f, n) == pytest.approx(c, rel=1e-6)
    if math.isinf(far):
        assert optics.blur_disc_m(1e9, s, f, n) <= c * (1 + 1e-6)
    else:
        assume(far < 1e6)
        assert optics.blur_disc_m(far, s, f, n) == pytest.approx(c, rel=1e-4)


@given(s=distances, f=lenses, n=numbers, c=circles)
def test_focus_and_f_number_are_the_inverse_of_the_limits(s: float, f: float, n: float, c: float) -> None:
    """From the limits of a lens come back the distance it is focused at and its f-number."""
    near, far = optics.limits_m(s, f, n, c)
    assume(far < 1e4)
    assert optics.focus_between_m(near, far) == pytest.approx(s, rel=1e-6)
    assert optics.f_number_for(near, far, f, c) == pytest.approx(n, rel=1e-4)
    assert optics.deepest_m(near, f, n, c) == pytest.approx(far, rel=1e-4)


@given(near=distances, depth=st.floats(0.1, 10), more=st.floats(0.01, 5), f=lenses, c=circles)
def test_deeper_groups_longer_lenses_and_stricter_prints_ask_for_larger_f_numbers(
    near: float, depth: float, more: float, f: float, c: float
) -> None:
    """And stepping back for smaller ones."""
    now = optics.f_number_for(near, near + depth, f, c)
    assert optics.f_number_for(near, near + depth + more, f, c) > now
    assert optics.f_number_for(near, near + depth, 1.1 * f, c) > now
    assert optics.f_number_for(near, near + depth, f, 0.9 * c) > now
    assert optics.f_number_for(near + more, near + depth + more, f, c) < now


@given(f=lenses, n=numbers, c=circles)
def test_a_third_in_front_just_at_a_third_of_the_hyperfocal_distance(f: float, n: float, c: float) -> None:
    """There the split is 1:2; nearer it is closer to half and half, farther more lies behind; so 'always', as
    one handbook has it (US Army, SS0507, armycommunications.tpub.com), is wrong.
    """
    h = optics.hyperfocal_m(f, n, c)
    assume(h > 20 * f)
    third = optics.thirds_focus_m(f, h)
    # Two focal lengths are nothing beside H: (H - s)/(H + s) is the usual short form.
    assert third == pytest.approx(h / 3, abs=f)

    def front(s: float) -> float:
        near, far = optics.limits_m(s, f, n, c)
        return (s - near) / (far - near)

    assert front(third) == pytest.approx(1 / 3, rel=1e-6)
    assert 1 / 3 < front(0.5 * third) < 0.5
    assert front(1.5 * third) < 1 / 3


def test_a_portrait_is_nearly_half_and_half() -> None:
    """85 mm at f/5.6 and 5 m: 44 % before, 56 % behind, by (H - s)/(H + s) = 0.79 (liquisearch.com, near:far
    distribution: nearly 1:1 at short distances).
    """
    near, far = optics.limits_m(5, 0.085, 5.6, 0.03e-3)
    h = optics.hyperfocal_m(0.085, 5.6, 0.03e-3)
    assert (5 - near) / (far - 5) == pytest.approx((h - 5) / (h + 5), rel=0.01)
    assert 0.43 < (5 - near) / (far - near) < 0.45


@given(front=st.floats(1.5, 15), count=st.integers(1, 6), apart=st.floats(0.3, 1.5), f=lenses, c=circles)
def test_every_row_is_within_the_blur_that_was_chosen(
    front: float, count: int, apart: float, f: float, c: float
) -> None:
    """Out of focus alone always; with diffraction wherever any f-number does it; and the next wider third
    would not do.
    """
    rows = Rows(front_m=front, count=count, apart_m=apart, play_m=0.15)
    found = setting_for(rows, focal_m=f, circle_m=c)
    ends = (rows.near_m, rows.far_m, *rows.places_m)
    worst = max(optics.blur_disc_m(x, found.focus_m, f, found.stop.exact) for x in ends)
    assert worst <= c * (1 + 1e-9)
    least, most = optics.span_with_diffraction(found.needed, found.limit)
    if found.least_blur <= 1 and found.stop.exact <= most:
        assert max(found.blur(x) for x in ends) <= 1 + 1e-9
    if found.stop.thirds > 0:
        wider = Stop(thirds=found.stop.thirds - 1).exact
        assert wider < max(found.needed, least)
    assert found.near_m <= rows.near_m + 1e-9
    assert found.far_m >= rows.far_m - 1e-9


@given(needed=st.floats(0.5, 40), limit=st.floats(4, 60))
def test_out_of_focus_and_diffraction_are_least_together_where_they_are_equal(
    needed: float, limit: float
) -> None:
    """Any other f-number blurs more; at both ends of the span the sum is the circle, if there is a span."""

    def blur(n: float) -> float:
        return math.hypot(needed / n, n / limit)

    keenest = math.sqrt(needed * limit)
    assert blur(keenest) <= min(blur(0.9 * keenest), blur(1.1 * keenest))
    assert blur(keenest) == pytest.approx(math.sqrt(2 * needed / limit))
    least, most = optics.span_with_diffraction(needed, limit)
    if blur(keenest) < 0.999:
        assert least < keenest < most
        assert blur(least) == pytest.approx(1, rel=1e-6)
        assert blur(most) == pytest.approx(1, rel=1e-6)
    else:
        assert least == pytest.approx(keenest, rel=0.05)


@given(near=distances, depth=st.floats(0.1, 10))
def test_the_rows_own_split_is_that_of_their_distances(near: float, depth: float) -> None:
    """Before the focus lies near/(near + far) of the depth: a third only if the last row is twice as far
    away.
    """
    focus = optics.focus_between_m(near, near + depth)
    assert (focus - near) / depth == pytest.approx(near / (2 * near + depth))
    doubled = optics.focus_between_m(near, 2 * near)
    assert (doubled - near) / near == pytest.approx(1 / 3)


# -- rules of thumb -----------------------------------------------------------------------------------------


def test_f_8_holds_two_side_by_side() -> None:
    """f/8 for two side by side (common practice, no source): 85 mm from 2.5 m, heads up to 15 cm out of line,
    on an 8x10 print; and it is not far more than is needed.
    """
    pair = Rows(front_m=2.5, count=1, apart_m=0.6, play_m=0.15)
    needed = setting_for(pair, focal_m=0.085, circle_m=optics.usual_circle_m((0.03, 0.024))).needed
    assert 5.6 < needed < Stop(thirds=18).exact


@pytest.mark.parametrize("rows", [3, 4])
def test_f_11_to_f_16_hold_rows(rows: int) -> None:
    """f/11 to f/16 for rows (common practice, no source): 85 mm from 4 m, rows of 80 cm, on an 8x10 print."""
    found = setting_for(
        Rows(front_m=4, count=rows, apart_m=0.8, play_m=0.15),
        focal_m=0.085,
        circle_m=optics.usual_circle_m((0.03, 0.024)),
    )
    assert 8 < found.needed <= Stop(thirds=24).exact


@pytest.mark.parametrize("front", [0.1, 0.19])
def test_rows_that_reach_the_lens_are_refused(front: float) -> None:
    """One sentence."""
    with pytest.raises(OptionError, match="too near"):
        setting_for(Rows(front_m=front, count=1, apart_m=0.6, play_m=0.15), focal_m=0.05, circle_m=3e-5)


def test_a_distance_within_the_focal_length_is_refused() -> None:
    """One sentence."""
    with pytest.raises(OptionError, match="focal length"):
        optics.f_number_for(0.04, 1, 0.05, 3e-5)
