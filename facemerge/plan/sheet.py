"""The plan in words: how many frames, and what waiting brings."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

from facemerge.plan import sketch
from facemerge.plan.chances import (
    Forecast,
    Wait,
    chance_covered,
    chance_one_frame,
    heads_missing,
    mean_covered,
    mean_one_frame,
    rounds,
    waits,
)
from facemerge.plan.quantities import clock, percent

USUAL_PATIENCE_S = 600.0
"""What a group has patience for is put at 10 to 15 minutes (common practice, no source)."""
THUMB = ((1, "4 or 5"), (2, "16"), (3, "48"))
"""People and frames for one keeper without a composite (common practice, no source)."""
_SHORT_ENDS_S = (15.0, 30.0, 45.0, 60.0, 90.0, 120.0)
_LONG_ENDS_MIN = (1, 2, 3, 4, 5, 7, 10, 15, 20, 30, 45, 60)
_ALL_BUT_SURE = 0.995
LINE = 96


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What the user has said of the group, as the sheet repeats it."""

    keeper: str
    """Where the keeper rate comes from, a sentence."""
    patience_s: float
    rule: tuple[str, int] | None = None
    """Name and number of frames of a published rule to hold beside, or None."""


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    """Return lines in columns, the first to the left and the others to the right."""
    widths = [max(len(row[i]) for row in (head, *rows)) for i in range(len(head))]
    return [
        "  "
        + "   ".join(
            f"{c:<{w}}" if i == 0 else f"{c:>{w}}" for i, (c, w) in enumerate(zip(r, widths, strict=True))
        )
        for r in (head, *rows)
    ]


def paragraph(text: str) -> list[str]:
    """Return a text in lines that fit a terminal."""
    return textwrap.wrap(text, LINE, break_long_words=False, break_on_hyphens=False)


def frames_sheet(plan: Forecast, said: Said) -> list[str]:
    """Return the lines on frames, chances and waiting; the first says what to do."""
    return [
        *_advice(plan, said),
        *paragraph(said.keeper),
        "",
        *_needs(plan),
        *paragraph(
            "Reckoned as if frames knew nothing of each other. A child in a mood stays in it for a while: "
            "then it takes longer."
        ),
        "",
        *_chances(plan),
        "",
        *_waiting(plan, said),
        "",
        *_thumb(plan, said),
    ]


def count(frames: float) -> str:
    """Return a number of frames, or what stands for too many."""
    return "over a million" if math.isinf(frames) else f"{frames:,.0f}"


def _advice(plan: Forecast, said: Said) -> list[str]:
    people = "1 person" if plan.people == 1 else f"{plan.people} people"
    frames, takes = count(plan.twice.sure), clock(plan.duration_s(plan.twice.sure))
    if math.isinf(plan.twice.sure):
        return paragraph(
            f"{people}: at this rate no number of frames will do. Help people to be good, or take fewer at "
            "a time."
        )
    words = f"{people}: take {frames} frames, {takes} at one every {plan.pace_s:g} s"
    if plan.duration_s(plan.twice.sure) > said.patience_s:
        words += (
            f". That is longer than the {clock(said.patience_s)} they will stand: work on those who are "
            "seldom good, shoot faster, or take fewer people at a time."
        )
    else:
        words += f", within the {clock(said.patience_s)} they will stand."
    if plan.people > 1 and plan.one_frame.sure <= plan.twice.sure:
        words += " Everybody is good at once so often that a composite will hardly be needed."
    return paragraph(words)


def _needs(plan: Forecast) -> list[str]:
    wanted = (
        ("everybody good in one frame", plan.one_frame),
        ("everybody good in one or another: a composite", plan.covered),
        ("everybody good in two: one in reserve for a bad seam", plan.twice),
    )
    head = ("frames until", "half of groups", f"{100 * plan.confidence:g} % of groups", "which takes")
    lines = table(
        head, [(name, count(n.usual), count(n.sure), clock(plan.duration_s(n.sure))) for name, n in wanted]
    )
    if plan.rates.shape[0] > 1:
        return lines
    mean = mean_one_frame(plan.rates)
    alone = f"{mean:,.1f}" if math.isfinite(mean) else "over a million"
    return [
        *lines,
        f"On average {mean_covered(plan.rates):,.1f} for a composite, {alone} for one good frame of all.",
    ]


def _chances(plan: Forecast) -> list[str]:
    shown = rounds(plan)
    rows = [
        (
            f"{k:,}",
            clock(plan.duration_s(k)),
            percent(chance_one_frame(plan.rates, k)),
            percent(chance_covered(plan.rates, k)),
            percent(chance_covered(plan.rates, k, 2)),
            f"{heads_missing(plan.rates, k):.2f}",
        )
        for k in shown
    ]
    head = ("frames", "time", "all in one", "composite", "with reserve", "heads missing")
    last = int(min(plan.twice.sure, 5000)) + 2
    # The picture needs no more points than it has columns.
    at = sorted({1 + round(i * (last - 1) / (2 * sketch.WIDTH)) for i in range(2 * sketch.WIDTH + 1)})
    picture = sketch.curves(
        [chance_covered(plan.rates, k) for k in at],
        [chance_one_frame(plan.rates, k) for k in at],
        plan.confidence,
        last,
    )
    return [*table(head, rows), "", *picture]


def wait_ends_s(plan: Forecast, patience_s: float) -> tuple[float, ...]:
    """Return the times to look at: quarters of a minute where all is over soon, else minutes."""
    if plan.duration_s(plan.twice.sure) < _SHORT_ENDS_S[-1]:
        return _SHORT_ENDS_S
    ends = [60.0 * m for m in _LONG_ENDS_MIN if 60.0 * m <= max(patience_s, 900.0)]
    return tuple(sorted({*ends, patience_s}))


def _waiting(plan: Forecast, said: Said) -> list[str]:
    shown: list[Wait] = []
    for wait in waits(plan, wait_ends_s(plan, said.patience_s)):
        shown.append(wait)
        if wait.covered >= _ALL_BUT_SURE:
            break
    before = [0.0, *(w.covered for w in shown)]
    rows = [
        (
            clock(w.end_s),
            f"{w.frames}",
            percent(w.covered),
            f"+{100 * (w.covered - b):.0f}",
            f"{w.missing:.2f}",
        )
        for w, b in zip(shown, before, strict=False)
    ]
    ten, fifteen = waits(plan, (600.0, 900.0))
    return [
        *table(("waiting", "frames", "composite", "gained", "heads missing"), rows),
        *paragraph(
            "Patience is put at 10 to 15 minutes (common practice, no source). By then a composite is "
            f"possible for {_span(ten.covered, fifteen.covered)} of groups, one good frame of all for "
            f"{_span(ten.one_frame, fifteen.one_frame)}."
        ),
    ]


def _span(low: float, high: float) -> str:
    first, last = percent(low), percent(high)
    return first if first == last else f"{first} to {last}"


def _thumb(plan: Forecast, said: Said) -> list[str]:
    rate = float(plan.rates[0, 0])
    head = ["people", "rule", "4 or 5 a person, multiplied"]
    rows = [[f"{n}", rule, f"{4**n} to {5**n}"] for n, rule in THUMB]
    # Of a group of different people no three stand for all.
    if bool((plan.rates == rate).all()):
        head.append("at your rate")
        rows = [[*row, f"{rate ** -int(row[0]):,.1f}"] for row in rows]
    lines = [
        "Without a composite, frames for one keeper (rule of thumb: common practice, no source):",
        *table(head, rows),
        *paragraph(
            "16 is 4 times 4, but 48 for three is fewer than 4 times 4 times 4: the rule is no law. These "
            "are averages; of many large groups only about 6 in 10 are there by then."
        ),
    ]
    if said.rule is not None:
        name, frames = said.rule
        lines += paragraph(
            f"{name}: {count(frames)} {'frame' if frames == 1 else 'frames'}. By this plan "
            f"{percent(chance_one_frame(plan.rates, frames))} of groups then have one with everybody good."
        )
    return lines
