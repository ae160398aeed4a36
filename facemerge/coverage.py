"""Who has a keeper already, who has not and why, and how many more frames that will take.

A face is a keeper if it scores well enough to be printed. Each frame gives a person one with their own chance
p, so that k more frames leave them without one with a chance of (1 - p)^k, and give everybody one with the
product of 1 - (1 - p)^k (independent trials; the maximum of geometric variables). p is learnt from the frames
so far; few frames prove little, so it is drawn towards the group's own rate. Of forecasts that were to hold
nine times in ten, 94 % held over drawn groups whose p were 0.4 give or take 0.15, and 71 % where they were
anything from 0 to 1: one person unlike all others is found out slowly. Words in, words out.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from facemerge.options import CoverageOptions
from facemerge.words import Person, Score

USUAL_RATE = 1 / 4.5
"""Share of frames that are keepers of a person of whom nothing is known: four or five frames give one (common
practice, no source)."""
PRIOR_FRAMES = 4.0
"""How many frames of a person's own outweigh what the group leads one to expect (chosen, not measured)."""
SAME_MOMENT_S = 0.5
"""Frames closer than this show the same blink: the longest last about half a second (Stern, Walrath and
Goldstein, Psychophysiology 21, 1984: from memory)."""
SHARP = 0.7
"""Sharpness from which a face counts as sharp, as rows are judged."""
MOST_FRAMES = 200
"""Nobody waits for more; beyond, only that it is more is said."""
NAMED_FAULTS = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """How one person stands so far."""

    person: str
    place: str
    """Where they stand, in words."""
    seen: int
    """Frames of the group so far, whether or not they were found in them."""
    keepers: tuple[str, ...]
    """Names of the frames in which they are good."""
    faults: tuple[tuple[str, int], ...]
    """What spoilt the other frames and how many each, the most frequent first."""
    rate: float
    """Chance in (0, 1) that a further frame is a keeper of theirs."""

    @property
    def further(self) -> float:
        """Frames until they have a keeper, on average; 0 if they have one."""
        return 0.0 if self.keepers else 1 / self.rate


@dataclass(frozen=True, slots=True, kw_only=True)
class RowStanding:
    """How sharp one row is so far."""

    name: str
    sharp: int
    """Frames in which at least half of its faces are sharp."""
    seen: int
    """Frames in which the sharpness of any of them is known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Coverage:
    """How far a group is covered."""

    people: tuple[Standing, ...]
    """Those first who need attention most."""
    rows: tuple[RowStanding, ...]
    """Back to front."""
    frames: int
    moments: int
    """Frames that are far enough apart to be told from one another by a blink."""
    confidence: float
    further: int | None
    """Frames that give everybody a keeper with that confidence; None: more than `MOST_FRAMES`."""

    @property
    def covered(self) -> int:
        """How many people have a keeper."""
        return sum(bool(p.keepers) for p in self.people)

    @property
    def complete(self) -> bool:
        """Whether everybody has a keeper, and there is anybody."""
        return bool(self.people) and self.covered == len(self.people)


def cover(
    people: Sequence[Person],
    scores: Mapping[str, Sequence[Score | None]],
    frames: Sequence[str],
    places: Mapping[str, str],
    rows: Mapping[int, str],
    options: CoverageOptions,
    *,
    times_s: Sequence[float | None] | None = None,
) -> Coverage:
    """Return how far a group is covered.

    Parameters
    ----------
    people
        Who is in the group.
    scores
        By person id, one a frame; None where the person is missing.
    frames
        Names of the frames, in the order they were taken.
    places, rows
        By person id and by row: what the place and the row are called.
    options
        What a keeper is, and how sure one wants to be.
    times_s
        When each frame was taken, in seconds; None where that is not known. Left out: never.
    """
    moment = moments(times_s or [None] * len(frames))
    kept = {p.id: [s is not None and s.total >= options.keeper_from for s in scores[p.id]] for p in people}
    # A blink that spoils three frames of one second has spoilt one chance, not three.
    won = {p.id: len({moment[f] for f, good in enumerate(kept[p.id]) if good}) for p in people}
    chances = len(set(moment))
    usual = shrunk_rate(sum(won.values()), chances * len(people), USUAL_RATE)
    standings = [
        Standing(
            person=p.id,
            place=places[p.id],
            seen=len(frames),
            keepers=tuple(name for name, good in zip(frames, kept[p.id], strict=True) if good),
            faults=_faults(scores[p.id], kept[p.id]),
            rate=shrunk_rate(won[p.id], chances, usual),
        )
        for p in people
    ]
    return Coverage(
        people=tuple(sorted(standings, key=lambda s: (len(s.keepers), s.rate))),
        rows=tuple(_row(name, [scores[p.id] for p in people if p.row == row]) for row, name in rows.items()),
        frames=len(frames),
        moments=chances,
        confidence=options.confidence,
        further=frames_for([s.rate for s in standings if not s.keepers], options.confidence),
    )


# -- chances ------------------------------------------------------------------------------------------------


def moments(times_s: Sequence[float | None]) -> list[int]:
    """Return for each frame which moment it belongs to: 0, 1, ...; a frame without a time has its own.

    Parameters
    ----------
    times_s
        In the order they were taken, in seconds.
    """
    found: list[int] = []
    began: float | None = None
    for time_s in times_s:
        if time_s is None or began is None or not 0 <= time_s - began < SAME_MOMENT_S:
            found.append(found[-1] + 1 if found else 0)
            began = time_s
        else:
            found.append(found[-1])
    return found


def shrunk_rate(keepers: float, seen: float, usual: float) -> float:
    """Return the chance of a keeper in a further frame, from those so far and what is usual.

    The mean of a beta distribution that has seen `PRIOR_FRAMES` frames at the usual rate before the first one
    (from memory: any book on Bayesian statistics, the beta-binomial model).

    Parameters
    ----------
    keepers, seen
        How many of how many frames were keepers.
    usual
        In (0, 1).

    Returns
    -------
    float
        In (0, 1): neither hopeless nor certain, however few frames there are.
    """
    return (keepers + PRIOR_FRAMES * usual) / (seen + PRIOR_FRAMES)


def chance(rates: Sequence[float], frames: int) -> float:
    """Return the chance that a number of frames holds a keeper of everybody; 1 for nobody.

    Parameters
    ----------
    rates
        Everybody's chance of a keeper in one frame.
    frames
        How many.
    """
    return float(np.prod([1 - (1 - p) ** frames for p in rates]))


def frames_for(rates: Sequence[float], confidence: float) -> int | None:
    """Return the fewest frames that hold a keeper of everybody with a chance of at least `confidence`.

    None: more than `MOST_FRAMES`.
    """
    return next((k for k in range(MOST_FRAMES + 1) if chance(rates, k) >= confidence), None)


# -- what spoilt a face -------------------------------------------------------------------------------------


def _faults(scores: Sequence[Score | None], kept: Sequence[bool]) -> tuple[tuple[str, int], ...]:
    found = Counter(fault(s) for s, good in zip(scores, kept, strict=True) if not good)
    return tuple(found.most_common())


def fault(score: Score | None) -> str:
    """Return what spoils a face most, in two words that 'in 9 of 11' may follow."""
    if score is None:
        return "not found"
    name = min(score.factors, key=lambda part: score.factors[part])
    part = score.parts[name]
    match name:
        case "eyes" if part.value is None:
            return "eyes not to be seen"
        case "eyes":
            return "looked down" if "looking down" in part.reason else "blinked"
        case "sharpness" if part.value is None:
            return "too small to judge"
        case "sharpness" if part.reason.startswith("camera shake"):
            return "camera shook"
        case "sharpness":
            return "moved" if score.detail.get("motion_px", 0.0) else "out of focus"
        case "expression":
            return "no silly face" if part.reason == "no silly face" else "pulled a face"
        case _:
            return {
                "gaze": "looked away",
                "pose": "head turned",
                "visible": "partly hidden",
                "light": "badly lit",
            }.get(name, "not good")


def _row(name: str, scores: Sequence[Sequence[Score | None]]) -> RowStanding:
    sharp = seen = 0
    for shot in zip(*scores, strict=True):
        known = [s.sharpness.value for s in shot if s is not None and s.sharpness.value is not None]
        seen += bool(known)
        sharp += bool(known) and 2 * sum(v >= SHARP for v in known) >= len(known)
    return RowStanding(name=name, sharp=sharp, seen=seen)


# -- in words -----------------------------------------------------------------------------------------------


def headline(coverage: Coverage) -> str:
    """Return the one line that says it all."""
    people, frames = len(coverage.people), _frames(coverage.frames)
    if not coverage.frames:
        return "No frame with anybody in it yet."
    if not people:
        return f"Nobody found yet in {frames}."
    if coverage.complete:
        who = "The one person is" if people == 1 else "Both are" if people == 2 else f"All {people} are"
        return f"{who} covered after {frames}."
    apart = ", half a second apart or more" if coverage.moments < coverage.frames else ""
    more = f"more than {MOST_FRAMES}" if coverage.further is None else f"about {coverage.further}"
    sure = f"{100 * coverage.confidence:g} % chance"
    return f"{coverage.covered} of {people} covered after {frames}; keep going: {more} more{apart} ({sure})."


def told(coverage: Coverage) -> tuple[str, ...]:
    """Return the headline and a short list, those first who need attention most."""
    lines = [headline(coverage)]
    waiting = [p for p in coverage.people if not p.keepers]
    once = [p for p in coverage.people if len(p.keepers) == 1]
    width = max((len(p.place) for p in (*waiting, *once)), default=0)
    lines += [f"  not yet  {p.place:<{width}}  {_why_not(p)}" for p in waiting]
    lines += [f"  once     {p.place:<{width}}  {p.keepers[0]}" for p in once]
    counts = [len(p.keepers) for p in coverage.people if len(p.keepers) > 1]
    if counts:
        most = f"{min(counts)}" if min(counts) == max(counts) else f"{min(counts)} to {max(counts)}"
        who = ("1 person has" if len(counts) == 1 else f"{len(counts)} people have") + f" {most} keepers"
        lines.append(f"  {who}{' each' if len(counts) > 1 else ''}.")
    rows = [r for r in coverage.rows if r.seen]
    if rows:
        named = (f"{r.name} in {r.sharp} of {r.seen}" for r in rows)
        sharp = ", ".join(named) if len(coverage.rows) > 1 else f"in {rows[0].sharp} of {rows[0].seen}"
        doubt = " `facemerge focus` says why, and what to change." if any(map(_soft, rows)) else ""
        lines.append(f"  Sharp: {sharp}{' frames' if rows[-1].seen != 1 else ' frame'}.{doubt}")
    if coverage.moments < coverage.frames:
        lines.append(
            f"  Frames within half a second show the same blink: {coverage.frames} count as "
            f"{coverage.moments} for the forecast."
        )
    return tuple(lines)


def _soft(row: RowStanding) -> bool:
    return 2 * row.sharp < row.seen


def _why_not(person: Standing) -> str:
    named = [f"{what} in {n} of {person.seen}" for what, n in person.faults[:NAMED_FAULTS]]
    rest = person.faults[NAMED_FAULTS:]
    if rest:
        named.append(f"otherwise spoilt in {sum(n for _, n in rest)}")
    return f"{', '.join(named)}; about {_frames(math.ceil(person.further))} to a keeper"


def _frames(count: int) -> str:
    return "1 frame" if count == 1 else f"{count} frames"
