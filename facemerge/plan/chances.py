"""How many frames a group needs: until one shows everybody good, or until everybody is good in one of them.

Frames are taken as independent: a blink lasts a quarter of a second, so this holds from half a second between
frames on. One frame with everybody good: 1 - (1 - Π r)^k; everybody good at least once: Π (1 - (1 - r)^k).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from facemerge.plan.rates import Rates

MOST_FRAMES = 1_000_000
"""Nobody waits for more; beyond it the answer is infinity."""
LEAST_PACE_S, MOST_PACE_S = 0.5, 600.0
"""Two frames nearer than half a second show the same blink."""
Chance = Callable[[int], float]


def chance_one_frame(rates: Rates, frames: int) -> float:
    """Return the chance that at least one of so many frames has everybody good.

    Parameters
    ----------
    rates
        (draws, people) in (0, 1).
    frames
        0 or more.
    """
    everybody = np.exp(np.log(rates).sum(axis=1))
    return float(-np.expm1(frames * np.log1p(-everybody)).mean())


def chance_covered(rates: Rates, frames: int, times: int = 1) -> float:
    """Return the chance that everybody is good in at least `times` of so many frames.

    Parameters as `chance_one_frame`; `times` is 1 or more.
    """
    short = _chance_short(rates, frames, times)
    with np.errstate(divide="ignore"):
        return float(np.exp(np.log1p(-np.minimum(short, 1.0)).sum(axis=1)).mean())


def _chance_short(rates: Rates, frames: int, times: int) -> Rates:
    """Return for everybody the chance of fewer than `times` good frames: the lower tail of a binomial law."""
    short = np.zeros_like(rates)
    for good in range(min(times, frames + 1)):
        short += math.comb(frames, good) * np.exp(good * np.log(rates) + (frames - good) * np.log1p(-rates))
    return short


def heads_missing(rates: Rates, frames: int) -> float:
    """Return how many people are still without a good frame, on average."""
    return float(_chance_short(rates, frames, 1).sum(axis=1).mean())


def frames_until(chance: Chance, confidence: float) -> float:
    """Return the first number of frames whose chance reaches `confidence`.

    Parameters
    ----------
    chance
        Grows with the number of frames.
    confidence
        In (0, 1).

    Returns
    -------
    float
        A whole number, 1 or more, or infinity beyond `MOST_FRAMES`.
    """
    # A chance that should be just the confidence may lie a last bit below it.
    wanted = confidence - 1e-12
    high = 1
    while chance(high) < wanted:
        if high >= MOST_FRAMES:
            return math.inf
        high = min(2 * high, MOST_FRAMES)
    low = high // 2
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if chance(middle) >= wanted else (middle, high)
    return float(high)


def mean_one_frame(rates: Rates) -> float:
    """Return the mean number of frames until one has everybody good, for rates that are known: 1/Π r.

    Svenson and Barnes 2006 give this mean as the number of photographs to take; of large groups about 6 in 10
    are there by then. Infinity where it is beyond `MOST_FRAMES`.
    """
    everybody = -float(np.log(rates[0]).sum())
    return math.exp(everybody) if everybody < math.log(MOST_FRAMES) else math.inf


def mean_covered(rates: Rates) -> float:
    """Return the mean number of frames until everybody is covered, for rates that are known.

    The mean of the largest of geometric numbers: the sum over k from 0 of 1 - Π (1 - (1 - r)^k).
    """
    miss = np.log1p(-rates[0])
    # Terms fall as (1 - r)^k: past this many the rest is below a millionth of a frame.
    terms = math.ceil(math.log(1e-9 / len(miss)) / float(miss.max())) + 1
    # The first term, of no frame at all, is 1.
    total = 1.0
    for first in range(1, terms, 4096):
        k = np.arange(first, min(first + 4096, terms))
        total += float(-np.expm1(np.log1p(-np.exp(k[:, None] * miss)).sum(axis=1)).sum())
    return total


@dataclass(frozen=True, slots=True, kw_only=True)
class Need:
    """Frames for one aim; whole numbers or infinity."""

    usual: float
    """Half of such groups are there after so many."""
    sure: float
    """And the share asked for after so many."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wait:
    """What a stretch of waiting brings."""

    end_s: float
    frames: int
    one_frame: float
    """Chance of one frame with everybody good."""
    covered: float
    """Chance of everybody good in one frame or another."""
    missing: float
    """People still without a good frame, on average."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Forecast:
    """How a group will go."""

    rates: Rates
    """(draws, people)."""
    confidence: float
    pace_s: float
    """Seconds between frames."""
    one_frame: Need
    covered: Need
    twice: Need
    """Everybody good in two frames: a second choice where the first leaves a seam."""

    @property
    def people(self) -> int:
        return int(self.rates.shape[1])

    def duration_s(self, frames: float) -> float:
        """Return the time from the first frame to the last of so many."""
        return (frames - 1) * self.pace_s

    def frames_in(self, stretch_s: float) -> int:
        """Return how many frames are taken within so many seconds, the first at once."""
        return math.floor(stretch_s / self.pace_s + 1e-9) + 1


def forecast(rates: Rates, *, confidence: float, pace_s: float) -> Forecast:
    """Return how many frames a group needs.

    Parameters
    ----------
    rates
        (draws, people), in (0, 1).
    confidence
        The chance asked for, in (0, 1).
    pace_s
        Seconds between frames.
    """

    def need(chance: Chance) -> Need:
        return Need(usual=frames_until(chance, 0.5), sure=frames_until(chance, confidence))

    return Forecast(
        rates=rates,
        confidence=confidence,
        pace_s=pace_s,
        one_frame=need(lambda k: chance_one_frame(rates, k)),
        covered=need(lambda k: chance_covered(rates, k)),
        twice=need(lambda k: chance_covered(rates, k, 2)),
    )


def waits(plan: Forecast, ends_s: tuple[float, ...]) -> tuple[Wait, ...]:
    """Return what has come by each of these times."""
    return tuple(
        Wait(
            end_s=end,
            frames=(k := plan.frames_in(end)),
            one_frame=chance_one_frame(plan.rates, k),
            covered=chance_covered(plan.rates, k),
            missing=heads_missing(plan.rates, k),
        )
        for end in ends_s
    )


def rounds(plan: Forecast) -> tuple[int, ...]:
    """Return the numbers of frames worth showing: round ones up to what is needed, and what is needed."""
    asked = {int(n) for n in (plan.covered.sure, plan.twice.sure, plan.one_frame.sure) if n < 10_000}
    last = max(10, *(int(n) for n in (plan.covered.sure, plan.twice.sure) if math.isfinite(n)), 0)
    scale = [m * 10**e for e in range(7) for m in (1, 2, 3, 5)]
    return tuple(sorted(asked | {n for n in scale if n <= last}))
