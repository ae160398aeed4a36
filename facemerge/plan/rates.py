"""How often one person is good in one frame: usual, from blinks, as said, or measured before."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from facemerge.errors import InputError, OptionError
from facemerge.options import CoverageOptions

Rates = NDArray[np.float64]
"""(draws, people): each row is one way the people may be; a single row where their rates are known."""

USUAL, USUAL_CHILD = 2 / 9, 0.1
"""One keeper in four or five frames of a person; one in ten of a small child (common practice, no source)."""
BLINKS_PER_MIN, BLINK_S = 10.0, 0.25
"""Svenson and Barnes, "Blink-free photos, guaranteed", Velocity, June 2006 (as quoted at labnews.co.uk).

The calm end: at rest people blink 17 times a minute, talking 26 (Bentivoglio et al., Mov. Disord. 12, 1997).
"""
LOWEST, HIGHEST = 0.001, 0.999
MOST_PEOPLE = 500
GOOD_FROM = CoverageOptions().keeper_from
"""Score from which a face of an earlier report counts as good."""
DRAWS = 4000
_STRENGTHS = (2.0, 50.0)
_LONE_STRENGTH = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Tally:
    """One person of an earlier report."""

    person: str
    good: int
    frames: int


def checked_rate(rate: float, said: str) -> float:
    """Return a keeper rate that a forecast can be made from.

    Raises
    ------
    OptionError
        If it is not between 0.001 and 0.999.
    """
    # `not low <= value` rather than `value < low`: it also refuses a NaN.
    if not LOWEST <= rate <= HIGHEST:
        why = (
            "nobody would ever be good" if rate < LOWEST else "the first frame would do" if rate <= 1 else ""
        )
        raise OptionError(
            f"{said} is the share of one person's frames that are good, {LOWEST} to {HIGHEST}, not {rate:g}"
            f"{': ' + why if why else ''}."
        )
    return rate


def from_blinks(per_minute: float, blink_s: float, shutter_s: float) -> float:
    """Return the keeper rate where blinks alone spoil a face: 1 - x t.

    Svenson and Barnes 2006 (as quoted): a blink spoils a frame if any of it falls into the time the shutter
    is open, so t is blink and shutter together.

    Raises
    ------
    OptionError
        If eyes would be shut all the time, or never.
    """
    spoilt = per_minute / 60 * (blink_s + shutter_s)
    if not 1 - HIGHEST <= spoilt <= 1 - LOWEST:
        raise OptionError(
            f"With {per_minute:g} blinks a minute of {blink_s * 1000:.0f} ms nearly every frame or none is "
            "spoilt; say other numbers with --blinks and --blink-length, or a --keeper-rate."
        )
    return 1 - spoilt


def known(people: int, rate: float, children: int = 0, child_rate: float = USUAL_CHILD) -> Rates:
    """Return (1, people) rates of a group of whom some are small children.

    Raises
    ------
    OptionError
        If there is nobody, or more children than people.
    """
    if not 1 <= people <= MOST_PEOPLE:
        raise OptionError(f"PEOPLE is a number from 1 to {MOST_PEOPLE}, not {people}.")
    if not 0 <= children <= people:
        raise OptionError(f"--children counts those of the {people} people who are small, so not {children}.")
    return np.array([[rate] * (people - children) + [child_rate] * children])


def tally(report: Mapping[str, Any]) -> tuple[Tally, ...]:
    """Return for everybody of a report in how many frames they are good, of how many.

    A frame in which a person is missing, or a part of the face cannot be told, is not a good one.

    Parameters
    ----------
    report
        As report.json holds it.

    Raises
    ------
    InputError
        If nobody is in it.
    """
    frames = len(report["frames"])
    found = tuple(
        Tally(
            person=p["id"],
            good=sum(f["score"] >= GOOD_FROM and not f.get("unknown") for f in p["faces"]),
            frames=frames,
        )
        for p in report["people"]
    )
    if not found or not frames:
        raise InputError("Nobody is in that report, so no keeper rate can be taken from it.")
    return found


def usual_rate(tallies: Sequence[Tally]) -> tuple[float, float]:
    """Return mean and strength of the beta distribution from which people's rates seem to come.

    The mean is that of all faces with half a face of each kind added, so it is never 0 or 1. The strength
    says how alike people are, in frames: moments of the beta-binomial law (Kleinman, JASA 68, 1973, from
    memory), held between 2 and 50; 4 where there is one person only.
    """
    good, frames = (np.array([getattr(t, name) for t in tallies], float) for name in ("good", "frames"))
    total = frames.sum()
    mean = (good.sum() + 0.5) / (total + 1)
    spread = float((frames * (good / frames - good.sum() / total) ** 2).sum() / (mean * (1 - mean)))
    free = len(tallies) - 1
    room = total - (frames**2).sum() / total - free
    if free == 0 or room <= 0:
        return float(mean), _LONE_STRENGTH
    alike = (spread - free) / room
    low, high = _STRENGTHS
    return float(mean), float(1 / np.clip(alike, 1 / (high + 1), 1 / (low + 1)) - 1)


def shrunk(tallies: Sequence[Tally]) -> tuple[float, ...]:
    """Return everybody's expected rate: their own share, drawn to the group's where frames are few."""
    mean, strength = usual_rate(tallies)
    return tuple((strength * mean + t.good) / (strength + t.frames) for t in tallies)


def measured(
    tallies: Sequence[Tally], rng: np.random.Generator, *, people: int | None = None, draws: int = DRAWS
) -> Rates:
    """Return (draws, people) rates as likely as a report makes them, so that few frames promise little.

    Drawn twice: the mean of people like these, as unsure as its faces are few, then everybody's own rate.

    Parameters
    ----------
    tallies
        What was counted.
    rng
        Source of chance.
    people
        Another group of this size, its people like those of the report; if None, these people again.
    draws
        How many.
    """
    mean, strength = usual_rate(tallies)
    if people is None:
        good = np.array([t.good for t in tallies], float)
        bad = np.array([t.frames for t in tallies], float) - good
    else:
        known(people, mean)
        good = bad = np.zeros(people)
    # Frames of one person are alike, so they tell less of the mean than as many people would.
    worth = sum(t.frames / (1 + (t.frames - 1) / (strength + 1)) for t in tallies)
    means = rng.beta(worth * mean + 0.5, worth * (1 - mean) + 0.5, size=(draws, 1))
    drawn = rng.beta(strength * means + good, strength * (1 - means) + bad, size=(draws, len(good)))
    return np.clip(drawn, LOWEST, HIGHEST)
