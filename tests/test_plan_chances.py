"""How many frames a group needs: held against every outcome counted, dice thrown, and what is published."""

from __future__ import annotations

import itertools
import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from facemerge.plan import chances, rates

some_rates = st.lists(st.floats(0.01, 0.99), min_size=1, max_size=6)


def of(*keeper: float) -> rates.Rates:
    return np.array([keeper])


def alike(people: int, spoilt: float) -> rates.Rates:
    return rates.known(people, 1 - spoilt)


# -- exact --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("keeper", "frames"), [((0.3,), 4), ((0.3, 0.8), 3), ((0.5, 0.2, 0.9), 3), ((0.1, 0.1, 0.6), 4)]
)
def test_chances_are_those_of_every_outcome_counted(keeper: tuple[float, ...], frames: int) -> None:
    """Adding up all 2^(people × frames) outcomes gives the same chances and as many missing heads."""
    one = covered = twice = missing = 0.0
    for outcome in itertools.product((0, 1), repeat=len(keeper) * frames):
        good = np.array(outcome).reshape(frames, len(keeper))
        weight = float(np.prod(np.where(good == 1, keeper, 1 - np.array(keeper))))
        one += weight * bool(good.all(axis=1).any())
        covered += weight * bool((good.sum(axis=0) >= 1).all())
        twice += weight * bool((good.sum(axis=0) >= 2).all())
        missing += weight * float((good.sum(axis=0) == 0).sum())
    who = of(*keeper)
    assert chances.chance_one_frame(who, frames) == pytest.approx(one, rel=1e-9)
    assert chances.chance_covered(who, frames) == pytest.approx(covered, rel=1e-9)
    assert chances.chance_covered(who, frames, 2) == pytest.approx(twice, rel=1e-9)
    assert chances.heads_missing(who, frames) == pytest.approx(missing, rel=1e-9)


def test_means_are_those_of_exact_fractions() -> None:
    """The mean number of frames is that of the largest of geometric numbers, by inclusion and exclusion
    (textbook, from memory: sum over j of (-1)^(j+1) C(n, j)/(1 - p^j)), reckoned in fractions.
    """
    for people, spoilt in ((5, Fraction(3, 10)), (10, Fraction(1, 10)), (20, Fraction(3, 10))):
        exact = sum(
            Fraction((-1) ** (j + 1) * math.comb(people, j)) / (1 - spoilt**j) for j in range(1, people + 1)
        )
        who = alike(people, float(spoilt))
        assert chances.mean_covered(who) == pytest.approx(float(exact), rel=1e-9)
        assert chances.mean_one_frame(who) == pytest.approx(float((1 - spoilt) ** -people), rel=1e-9)


@pytest.mark.parametrize("people", [1, 3, 12])
def test_dice_agree(people: int, rng: np.random.Generator) -> None:
    """Thrown 40,000 times, the share of groups covered is the chance, within four standard errors."""
    keeper = rng.uniform(0.15, 0.9, people)
    frames, throws = 7, 40_000
    good = rng.random((throws, frames, people)) < keeper
    for share, chance in (
        (good.all(axis=2).any(axis=1).mean(), chances.chance_one_frame(of(*keeper), frames)),
        (good.any(axis=1).all(axis=1).mean(), chances.chance_covered(of(*keeper), frames)),
        ((good.sum(axis=1) >= 2).all(axis=1).mean(), chances.chance_covered(of(*keeper), frames, 2)),
    ):
        error = math.sqrt(max(chance * (1 - chance), 1e-9) / throws)
        assert abs(share - chance) < 4 * error


def blinks_hit(rng: np.random.Generator, times_s: np.ndarray, throws: int) -> np.ndarray:
    """Return (throws, frames): whether a blink of 250 ms falls into an exposure of 8 ms, at 10 a minute."""
    begins = rng.uniform(-2, times_s[-1] + 2, (throws, 40))
    there = np.arange(40) < rng.poisson((times_s[-1] + 4) * 10 / 60, throws)[:, None]
    inside = (begins[:, :, None] < times_s + 0.008) & (begins[:, :, None] + 0.25 > times_s)
    return np.asarray((inside & there[:, :, None]).any(axis=1))


@pytest.mark.parametrize(("gap_s", "independent"), [(chances.LEAST_PACE_S, True), (0.1, False)])
def test_frames_half_a_second_apart_are_independent_and_nearer_ones_are_not(
    gap_s: float, independent: bool, rng: np.random.Generator
) -> None:
    """Blinks thrown on a line of time spoil two frames half a second apart as if they knew nothing of each
    other; at a tenth of a second a blink that spoils one mostly spoils the other.
    """
    hit = blinks_hit(rng, np.array([0.0, gap_s]), 60_000)
    spoilt = float(hit.mean())
    assert 0.038 < spoilt < 0.046
    both = float(hit.all(axis=1).mean())
    if independent:
        assert 0.5 * spoilt**2 < both < 1.6 * spoilt**2
    else:
        # The blink hides the second frame too if it goes on for 0.1 s more: 1 - D/T = 0.6 of the time.
        assert 0.5 < both / spoilt < 0.75


# -- published ----------------------------------------------------------------------------------------------

GOOD_LIGHT = rates.from_blinks(10, 0.25, 0.008)
"""Svenson and Barnes 2006: ten blinks a minute, 250 ms, shutter 8 ms (quoted at
labnews.co.uk/article/2029522)."""


def test_thirty_people_in_good_light_need_fifteen_photographs() -> None:
    """Svenson and Barnes 2006: 30 people, good light, 99 %: at least 15
    (economia.hi7.co/ignobel-56e267bc55f3d.html).
    """
    assert chances.forecast(of(*[GOOD_LIGHT] * 30), confidence=0.99, pace_s=3).one_frame.sure == 15


def test_thirty_people_in_bad_light_need_thirty() -> None:
    """Svenson and Barnes 2006: about thirty shots at 99 % (dphotojournal.com/shoot-blink-free-photos). The
    shutter of bad light is not in the quotation; at 1/8 s their figure comes out.
    """
    bad = rates.from_blinks(10, 0.25, 1 / 8)
    assert 28 <= chances.forecast(of(*[bad] * 30), confidence=0.99, pace_s=3).one_frame.sure <= 32


def test_fifty_people_are_hopeless_in_one_frame_and_easy_in_a_composite() -> None:
    """Svenson and Barnes 2006: around fifty, even in good light, there is no hope (dphotojournal.com); a
    composite needs a handful of frames.
    """
    need = chances.forecast(of(*[GOOD_LIGHT] * 50), confidence=0.99, pace_s=3)
    assert 35 <= need.one_frame.sure <= 45
    assert need.covered.sure == 3


@pytest.mark.parametrize("people", range(4, 20))
def test_a_third_as_many_photographs_as_people(people: int) -> None:
    """Svenson and Barnes 2006: below 20 people a third as many frames give better than 95 % (labnews.co.uk).
    By their own formula it is 94 to 99 %: six people just miss it.
    """
    chance = chances.chance_one_frame(of(*[GOOD_LIGHT] * people), math.ceil(people / 3))
    assert 0.94 < chance < 0.995


def test_their_number_of_photographs_is_a_mean_and_no_promise() -> None:
    """1/(1 - xt)^n (Svenson and Barnes 2006, eq. quoted in an encyclopedia's article on N. Svenson) is
    reached by about 63 % of large groups, 1 - 1/e: textbook, from memory.
    """
    who = of(*[GOOD_LIGHT] * 80)
    assert chances.chance_one_frame(who, round(chances.mean_one_frame(who))) == pytest.approx(
        1 - 1 / math.e, abs=0.01
    )


@pytest.mark.parametrize(
    ("people", "low", "high"),
    [(1, 4, 5), (2, 16, 25), (3, 64, 125)],
)
def test_the_rule_of_thumb_is_the_model_for_one_and_two_and_not_for_three(
    people: int, low: float, high: float
) -> None:
    """Four or five frames for one person, 16 for two, 48 for three (common practice, no source): the model
    gives 4 to 5 and 16 to 25, and 64 to 125, so that 48 is fewer than its own rule would have.
    """
    assert chances.mean_one_frame(rates.known(people, 1 / 4)) == pytest.approx(low)
    assert chances.mean_one_frame(rates.known(people, 1 / 5)) == pytest.approx(high)
    thumb = {1: 4.5, 2: 16, 3: 48}[people]
    assert (low <= thumb <= high) == (people < 3)


@pytest.mark.parametrize(
    ("spoilt", "people", "one_frame", "covered"),
    [(0.043, 20, 9, 3), (0.1, 20, 36, 4), (0.1, 30, 107, 4), (0.2, 10, 41, 5), (0.2, 20, 398, 5)],
)
def test_frames_for_all_but_one_in_a_hundred(
    spoilt: float, people: int, one_frame: int, covered: int
) -> None:
    """The number found by search is that of the closed forms, ln(1 - C)/ln(1 - (1 - p)^n) and
    ln(1 - C^(1/n))/ln p, rounded up (geometric law: textbook, from memory).
    """
    need = chances.forecast(alike(people, spoilt), confidence=0.99, pace_s=3)
    assert need.one_frame.sure == one_frame
    assert need.covered.sure == covered
    assert one_frame == math.ceil(math.log(0.01) / math.log1p(-((1 - spoilt) ** people)))
    assert covered == math.ceil(math.log(1 - 0.99 ** (1 / people)) / math.log(spoilt))


# -- always -------------------------------------------------------------------------------------------------


@given(keeper=some_rates, frames=st.integers(1, 200))
def test_a_composite_is_never_harder_than_one_good_frame(keeper: list[float], frames: int) -> None:
    """Each chance lies in [0, 1]; a composite is at least as likely as one good frame, and one in reserve
    less so.
    """
    who = of(*keeper)
    one, covered = chances.chance_one_frame(who, frames), chances.chance_covered(who, frames)
    assert 0 <= one <= covered + 1e-12
    assert chances.chance_covered(who, frames, 2) <= covered + 1e-12
    assert covered <= 1 + 1e-12


@given(keeper=some_rates, frames=st.integers(1, 100), more=st.integers(1, 100), better=st.floats(0, 0.5))
def test_more_frames_and_better_people_help_and_more_people_do_not(
    keeper: list[float], frames: int, more: int, better: float
) -> None:
    """Both chances grow with frames and with rates and shrink with people; heads missing do the contrary."""
    who = of(*keeper)
    improved = of(*(r + better * (0.995 - r) for r in keeper))
    larger = of(*keeper, 0.5)
    for chance in (
        chances.chance_one_frame,
        chances.chance_covered,
        lambda r, k: chances.chance_covered(r, k, 2),
        lambda r, k: -chances.heads_missing(r, k),
    ):
        now = chance(who, frames)
        assert chance(who, frames + more) >= now - 1e-12
        assert chance(improved, frames) >= now - 1e-12
        assert chance(larger, frames) <= now + 1e-12


@given(keeper=some_rates, confidence=st.floats(0.5, 0.999))
def test_the_number_of_frames_is_the_first_that_is_enough(keeper: list[float], confidence: float) -> None:
    """With it the chance is reached, with one fewer it is not."""
    who = of(*keeper)
    found = chances.frames_until(lambda k: chances.chance_covered(who, k), confidence)
    assert chances.chance_covered(who, int(found)) >= confidence - 1e-9
    assert found == 1 or chances.chance_covered(who, int(found) - 1) < confidence


@given(keeper=some_rates)
def test_the_order_of_people_does_not_matter(keeper: list[float]) -> None:
    """Turned round, the same group has the same chances."""
    assert chances.chance_covered(of(*keeper), 5) == pytest.approx(
        chances.chance_covered(of(*keeper[::-1]), 5)
    )


def test_what_nobody_waits_for_is_infinity_and_no_error() -> None:
    """Three hundred people who are seldom good: no overflow and no warning; a composite is still a number."""
    need = chances.forecast(rates.known(300, 0.01), confidence=0.99, pace_s=3)
    assert need.one_frame.sure == math.inf
    assert chances.mean_one_frame(rates.known(300, 0.01)) == math.inf
    # ln(1 - 0.99^(1/300))/ln 0.99, the closed form.
    assert need.covered.sure == math.ceil(math.log(1 - 0.99 ** (1 / 300)) / math.log(0.99))


@pytest.mark.parametrize("rate", [rates.LOWEST, rates.HIGHEST])
@pytest.mark.parametrize("people", [1, 500])
def test_rates_near_none_and_all_are_reckoned(rate: float, people: int) -> None:
    """At the ends of the range the closed form still comes out."""
    need = chances.forecast(rates.known(people, rate), confidence=0.95, pace_s=3)
    exact = max(1, math.ceil(math.log(-math.expm1(math.log(0.95) / people)) / math.log1p(-rate) - 1e-6))
    assert need.covered.sure == exact
    assert need.twice.sure > exact


def test_time_and_frames_are_two_ways_to_say_one_thing() -> None:
    """At one frame every three seconds the first is taken at once and a minute holds 21."""
    plan = chances.forecast(rates.known(4, 0.5), confidence=0.95, pace_s=3)
    assert plan.frames_in(60) == 21
    assert plan.duration_s(21) == 60
    assert plan.frames_in(0) == 1


def test_waiting_brings_less_each_minute() -> None:
    """Chances only grow, heads missing only fall, and the second minute brings less than the first."""
    plan = chances.forecast(rates.known(12, 2 / 9), confidence=0.95, pace_s=6)
    waits = chances.waits(plan, (60.0, 120.0, 180.0, 240.0))
    covered = [w.covered for w in waits]
    gains = np.diff([0.0, *covered])
    assert (gains > 0).all()
    assert (np.diff(gains[1:]) < 0).all()
    assert [w.missing for w in waits] == sorted((w.missing for w in waits), reverse=True)
