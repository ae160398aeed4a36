"""Keeper rates: what blinks spoil, and what an earlier report says without promising too much."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from facemerge.errors import InputError, OptionError
from facemerge.plan import chances, rates
from facemerge.plan.rates import Tally


def tallies(*counts: tuple[int, int]) -> tuple[Tally, ...]:
    return tuple(Tally(person=f"P{i:02d}", good=g, frames=n) for i, (g, n) in enumerate(counts, 1))


def report(*people: list[float | None], unknown: tuple[str, ...] = ()) -> dict[str, Any]:
    """Return the part of a report that is read: everybody's scores, None where a person is missing."""
    return {
        "frames": [{"file": f"{i}.jpg"} for i in range(len(people[0]) if people else 0)],
        "people": [
            {
                "id": f"P{i:02d}",
                "faces": [
                    {"frame": f"{k}.jpg", "score": s, "unknown": list(unknown)}
                    for k, s in enumerate(scores)
                    if s is not None
                ],
            }
            for i, scores in enumerate(people, 1)
        ],
    }


def test_blinks_spoil_four_to_five_per_cent() -> None:
    """Ten blinks a minute of 250 ms and a shutter of 8 ms: 4 to 5 % of the time (Svenson and Barnes 2006,
    quoted at labnews.co.uk/article/2029522).
    """
    assert 0.04 < 1 - rates.from_blinks(10, 0.25, 0.008) < 0.05


@pytest.mark.parametrize(("per_minute", "low", "high"), [(17, 0.08, 0.09), (26, 0.12, 0.14)])
def test_people_at_rest_and_talking_blink_more(per_minute: float, low: float, high: float) -> None:
    """17 a minute at rest, 26 in talk (Bentivoglio et al., Movement Disorders 12(6), 1997, pp. 1028-1034), at
    300 ms (Stern et al., Psychophysiology 21, 1984, as cited): two and three times as much as calm people.
    """
    assert low < 1 - rates.from_blinks(per_minute, 0.3, 0.0) < high


@pytest.mark.parametrize(("per_minute", "blink_s", "shutter_s"), [(60, 1.0, 0.01), (0.001, 0.05, 0.0)])
def test_eyes_always_shut_or_never_are_refused(per_minute: float, blink_s: float, shutter_s: float) -> None:
    """A sentence that names what to say instead."""
    with pytest.raises(OptionError, match="--keeper-rate"):
        rates.from_blinks(per_minute, blink_s, shutter_s)


def test_children_are_among_the_people() -> None:
    """Two small ones of five."""
    found = rates.known(5, 0.4, 2, 0.1)
    assert found.shape == (1, 5)
    assert sorted(found[0]) == [0.1, 0.1, 0.4, 0.4, 0.4]


@pytest.mark.parametrize(("people", "children"), [(0, 0), (501, 0), (3, 4), (3, -1)])
def test_nobody_a_town_and_too_many_children_are_refused(people: int, children: int) -> None:
    """One sentence each."""
    with pytest.raises(OptionError, match=r"PEOPLE|--children"):
        rates.known(people, 0.4, children)


def test_a_report_is_counted() -> None:
    """Good from a score of 0.7; a frame without the person is none, nor is a face with an unknown part."""
    found = rates.tally(report([0.95, 0.7, 0.69, None], [0.1, 0.9, 0.9, 0.9]))
    assert [(t.good, t.frames) for t in found] == [(2, 4), (3, 4)]
    assert [t.good for t in rates.tally(report([0.95, 0.9], unknown=("eyes",)))] == [0]


@pytest.mark.parametrize("empty", [report(), {"frames": [], "people": [{"id": "P01", "faces": []}]}])
def test_a_report_of_nobody_is_refused(empty: dict[str, Any]) -> None:
    """No rate is taken from nothing."""
    with pytest.raises(InputError, match="Nobody"):
        rates.tally(empty)


@given(counts=st.lists(st.tuples(st.integers(0, 12), st.just(12)), min_size=1, max_size=10))
def test_a_rate_lies_between_ones_own_share_and_the_groups(counts: list[tuple[int, int]]) -> None:
    """Never 0 or 1, however few frames; and in the order of what was counted."""
    counted = tallies(*counts)
    mean, strength = rates.usual_rate(counted)
    assert 0 < mean < 1
    assert 2 - 1e-9 <= strength <= 50 + 1e-9
    for t, rate in zip(counted, rates.shrunk(counted), strict=True):
        share = t.good / t.frames
        assert min(share, mean) - 1e-12 <= rate <= max(share, mean) + 1e-12
    order = sorted(zip([t.good for t in counted], rates.shrunk(counted), strict=True))
    assert [r for _, r in order] == sorted(r for _, r in order)


def test_few_frames_are_drawn_to_the_group_more_than_many() -> None:
    """One of two pulls less away from the group than fifty of a hundred."""
    others = [(9, 10)] * 4
    few = rates.shrunk(tallies((1, 2), *others))[0]
    many = rates.shrunk(tallies((50, 100), *others))[0]
    assert abs(many - 0.5) < 0.05
    assert few - 0.5 > 2 * abs(many - 0.5)


def test_alike_people_are_taken_to_be_alike_and_different_ones_to_differ(rng: np.random.Generator) -> None:
    """Counts drawn from one rate for all give a strong common law; from rates far apart a weak one."""
    same = [(int(g), 40) for g in rng.binomial(40, 0.4, 30)]
    apart = [(int(g), 40) for g in rng.binomial(40, rng.beta(0.8, 1.2, 30))]
    assert rates.usual_rate(tallies(*same))[1] > 20
    assert rates.usual_rate(tallies(*apart))[1] < 4


def test_the_law_that_people_were_drawn_from_is_found_again(rng: np.random.Generator) -> None:
    """Mean and strength of a beta law, from 400 people of 30 frames drawn from it."""
    drawn = rng.beta(6 * 0.3, 6 * 0.7, 400)
    mean, strength = rates.usual_rate(tallies(*((int(g), 30) for g in rng.binomial(30, drawn))))
    assert mean == pytest.approx(0.3, abs=0.03)
    assert 4.5 < strength < 8


def test_few_frames_promise_little(rng: np.random.Generator) -> None:
    """The same shares seen in 4 frames ask for more frames than seen in 40, and these for about what is
    known.
    """
    few = chances.forecast(rates.measured(tallies(*[(2, 4)] * 6), rng), confidence=0.95, pace_s=3)
    many = chances.forecast(rates.measured(tallies(*[(20, 40)] * 6), rng), confidence=0.95, pace_s=3)
    known = chances.forecast(rates.known(6, 0.5), confidence=0.95, pace_s=3)
    assert few.covered.sure > many.covered.sure >= known.covered.sure
    assert many.covered.sure <= known.covered.sure + 2


def test_draws_are_those_of_the_beta_binomial_law(rng: np.random.Generator) -> None:
    """The chance of no good frame in five more is Π (b + j)/(a + b + j), the beta-binomial law (textbook,
    from memory), within the noise of the draws. Two hundred others leave no doubt of the mean.
    """
    counted = tallies((3, 10), (9, 10), *[(k % 11, 10) for k in range(200)])
    mean, strength = rates.usual_rate(counted)
    drawn = rates.measured(counted, rng, draws=20_000)
    for i, t in enumerate(counted[:2]):
        a, b = strength * mean + t.good, strength * (1 - mean) + t.frames - t.good
        exact = float(np.prod([(b + j) / (a + b + j) for j in range(5)]))
        assert float(((1 - drawn[:, i]) ** 5).mean()) == pytest.approx(exact, rel=0.05)


def test_another_group_is_drawn_from_people_like_these(rng: np.random.Generator) -> None:
    """As many as asked for, around the same mean."""
    drawn = rates.measured(tallies((3, 10), (6, 10), (4, 10)), rng, people=30)
    assert drawn.shape == (rates.DRAWS, 30)
    assert float(drawn.mean()) == pytest.approx(13.5 / 31, abs=0.02)
