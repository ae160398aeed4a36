"""What to change, in sentences, and how firmly that is known."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from facemerge.focus.optics import (
    Plane,
    f_name,
    plane_of_focus,
    shutter_name,
    stops,
    thirds_of_exposure,
    thirds_of_f_number,
)
from facemerge.focus.shot import MOST, fault_of, is_soft, of_row
from facemerge.focus.words import OWN_PX, SOFT, STREAK, Diagnosis, Fault, Look, Sharpness, Shot, Stand

OUT_OF_FOCUS: tuple[Fault, ...] = ("shallow", "farther", "nearer", "off farther", "off nearer", "off")
LEAST_MOVE = 0.25
"""Rows by which the plane of focus must be off the middle before a move is worth saying."""
HALF_A_THIRD = 2 ** (1 / 12)
"""Of a stop, as a factor of f-numbers."""
LEAST_FRAMES = 3
"""Frames in which a row of one person must be soft before it is called the row's."""
BEYOND_F = 16.0
"""f-number from which diffraction softens everything (common practice for small and full-size sensors, no
source)."""


def diagnose(people: Sequence[Stand], rows: Sequence[str], shots: Sequence[Shot]) -> Diagnosis:
    """Return how sharp rows and people are, what is wrong, and what to change.

    Parameters
    ----------
    people
        Back row to front, left to right.
    rows
        What each row is called, back to front; `Stand.row` counts them.
    shots
        The frames, each with one look a person.
    """
    faults = tuple(fault_of(people, len(rows), shot) for shot in shots)
    group = _Group(people=people, rows=rows, shots=shots, faults=faults)
    advice = [*_on_shake(group), *_on_focus(group), *_on_movement(group), *_on_single(group)]
    return Diagnosis(
        rows=tuple(
            _sharpness(
                name, sum(p.row == r for p in people), [x for s in shots for x in of_row(people, s, r)]
            )
            for r, name in enumerate(rows)
        ),
        people=tuple(
            _sharpness(p.place, 1, [x for s in shots if (x := s.looks[i]) is not None])
            for i, p in enumerate(people)
        ),
        faults=faults,
        advice=tuple(advice) or ("Nothing to change: every row is sharp and nobody moved much.",),
        doubts=tuple(_doubts(group)),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Group:
    people: Sequence[Stand]
    rows: Sequence[str]
    shots: Sequence[Shot]
    faults: Sequence[Fault]

    def having(self, *faults: Fault) -> list[int]:
        return [i for i, fault in enumerate(self.faults) if fault in faults]

    def where(self, found: Sequence[int]) -> str:
        """Return in which frames, few of them by name."""
        if len(self.shots) == 1:
            return "in this frame"
        if len(found) == len(self.shots):
            return f"in all {len(found)} frames"
        named = f" ({', '.join(self.shots[i].name for i in found)})" if len(found) <= 3 else ""
        return f"in {len(found)} of {len(self.shots)} frames{named}"


def _on_shake(group: _Group) -> list[str]:
    found = group.having("shake")
    if not found:
        return []
    looks = [[x for x in group.shots[i].looks if x is not None and x.motion_px > 0] for i in found]
    lengths = [_median([x.motion_px for x in own]) for own in looks]
    limit = _median([x.limit_px for own in looks for x in own])
    return [
        f"Camera shake {group.where(found)}: everybody is smeared the same way, by {_range(lengths)}. "
        f"{_faster(group, found, max(lengths) / (STREAK * limit))}, or a tripod."
    ]


def _on_movement(group: _Group) -> list[str]:
    found: dict[int, list[int]] = {}
    for i, shot in enumerate(group.shots):
        for p, look in enumerate(shot.looks):
            if look is not None and look.moved and group.faults[i] != "shake":
                found.setdefault(p, []).append(i)
    if not found:
        return []
    if len(group.people) == 1:
        who = "The one person, or the camera"
    else:
        most = sorted(found, key=lambda p: (-len(found[p]), p))
        who = "; ".join(group.people[p].place for p in most[:3])
        who += f" and {len(most) - 3} more" if len(most) > 3 else ""
    shots = sorted({i for own in found.values() for i in own})
    looks = [x for p, own in found.items() for i in own if (x := group.shots[i].looks[p]) is not None]
    longest = max(x.motion_px / x.limit_px for x in looks) / STREAK
    return [
        f"Movement of their own {group.where(shots)}: {who}, by {_range([x.motion_px for x in looks])}. "
        f"{_faster(group, shots, longest)}, or wait until they are still."
    ]


def _on_focus(group: _Group) -> list[str]:
    """Say what to change of the focus and the f-number, the most frequent fault first."""
    faults = sorted(OUT_OF_FOCUS, key=lambda fault: -len(group.having(fault)))
    return [_focus_advice(group, fault, found) for fault in faults if (found := _backed(group, fault))]


def _backed(group: _Group, fault: Fault) -> list[int]:
    """Return the frames with a fault of focus, unless it may as well be one person's own affair."""
    found = group.having(fault)
    members = Counter(p.row for p in group.people)
    soft = [_soft_rows(group, i) for i in found]
    if any(members[r] > 1 for own in soft for r in own):
        return found
    return found if len(found) >= max(LEAST_FRAMES, MOST * len(group.shots)) or len(group.shots) == 1 else []


def _soft_rows(group: _Group, shot: int) -> list[int]:
    looks = {r: of_row(group.people, group.shots[shot], r) for r in range(len(group.rows))}
    still = {r: [x for x in own if not x.moved] for r, own in looks.items()}
    return [r for r, own in still.items() if own and is_soft(own)]


def _focus_advice(group: _Group, fault: Fault, found: Sequence[int]) -> str:
    where = group.where(found)
    excess, blur = _by_row(group, found)
    if fault == "off" or len(excess) < 2:
        return (
            f"The focus missed everybody {where}: all are blurred alike, by {_range(list(blur.values()))}. "
            f"Which way cannot be told from that: focus anew, on {_middle(group)}, and look again."
        )
    plane = plane_of_focus(list(excess.items()))
    soft = sorted({r for i in found for r in _soft_rows(group, i)})
    rows = _listed([_the(group.rows[r]) for r in soft])
    px = _range([blur[r] for r in soft])
    blurred = f"{rows} {'is' if len(soft) == 1 else 'are'} blurred by {px}"
    if fault == "shallow":
        head = f"Too little depth of field {where}: the focus lies within the group, and {blurred}"
        return f"{head}. {_change(group, found, plane)}"
    if fault in ("farther", "nearer"):
        others = [r for r in excess if r not in soft]
        on = "on" if any(excess[r] <= 1 for r in others) else "nearer to"
        lies = f"it lies {on} {_listed([_the(group.rows[r]) for r in others])}"
        return f"Missed focus {where}: {lies}, and {blurred}. {_change(group, found, plane)}"
    side = "before the front row" if fault == "off farther" else "behind the back row"
    if len(excess) == 2:
        return (
            f"Missed focus {where}: it lies {side} or close to it, for two rows cannot tell which; nobody is "
            f"sharp, blurred by {px}. Focus {fault[4:]}, on {_middle(group)}, and look again."
        )
    head = f"Missed focus {where}: it lies {side}; nobody is sharp, blurred by {px}"
    return f"{head}. {_change(group, found, plane)}"


def _change(group: _Group, found: Sequence[int], plane: Plane) -> str:
    """Return what brings the softest row under the limit: the plane to the middle, then the f-number."""
    middle = (len(group.rows) - 1) / 2
    move, left = plane.row - middle, plane.slope * middle
    words = []
    if abs(move) >= LEAST_MOVE:
        way = "farther" if move > 0 else "nearer"
        words.append(f"focus {way} by {_rows_away(abs(move))}, on {_middle(group)}")
    if thirds_of_f_number(left):
        words.append(_stopped(group, found, left))
    text = ", and ".join(words) or f"focus on {_middle(group)}"
    return text[0].upper() + text[1:] + "."


def _stopped(group: _Group, found: Sequence[int], excess: float) -> str:
    """Return how far to stop down."""
    thirds = thirds_of_f_number(excess)
    text = f"stop down by {stops(thirds)}"
    now = _usual([group.shots[i].f_number for i in found])
    if now is None:
        return text
    then = now * 2 ** (thirds / 6)
    text += f", from f/{f_name(now)} to f/{f_name(then)}"
    if then > BEYOND_F * HALF_A_THIRD:
        text += " (diffraction softens that again: rather step back, or bring the rows closer together)"
    return text


def _faster(group: _Group, found: Sequence[int], excess: float) -> str:
    """Return which shutter shortens a streak to the limit."""
    thirds = max(1, thirds_of_exposure(excess))
    now = _usual([group.shots[i].exposure_s for i in found])
    if now is None:
        return f"A shutter faster by {stops(thirds)} holds it"
    then = now * 2 ** (-thirds / 3)
    return f"{shutter_name(then)} s or faster holds it, not {shutter_name(now)} s ({stops(thirds)})"


def _on_single(group: _Group) -> list[str]:
    """Say who is soft by themselves, in rows that are sharp."""
    counted: dict[int, list[int]] = {}
    for i, shot in enumerate(group.shots):
        if group.faults[i] == "shake":
            continue
        fault = group.faults[i]
        rows = set(_soft_rows(group, i)) if fault in OUT_OF_FOCUS and _backed(group, fault) else set()
        for p, (person, look) in enumerate(zip(group.people, shot.looks, strict=True)):
            if look is None or look.moved or look.excess < SOFT or person.row in rows:
                continue
            counted.setdefault(p, []).append(i)
    if not counted:
        return []
    most = sorted(counted, key=lambda p: (-len(counted[p]), p))
    named = "; ".join(f"{group.people[p].place} in {len(counted[p])}" for p in most[:3])
    more = f"; and {len(most) - 3} more" if len(most) > 3 else ""
    of = "" if len(group.shots) == 1 else f" of {len(group.shots)} frames"
    return [
        f"Soft by themselves, beside others who are not: {named}{of}{more}. No setting mends that; most "
        "likely they leaned out of their row. Take further frames."
    ]


def _doubts(group: _Group) -> list[str]:
    """Say on what the advice rests less firmly."""
    lines = []
    alone = [name for r, name in enumerate(group.rows) if sum(p.row == r for p in group.people) == 1]
    if alone and len(group.rows) > 1:
        lines.append(
            f"Only one person in {_listed([_the(r) for r in alone])}: their own blur is taken for the row's."
        )
    limits = [x.limit_px for s in group.shots for x in s.looks if x is not None]
    if limits and _median(limits) <= OWN_PX:
        lines.append("The faces are small: their pixels hide blur that a larger picture would show.")
    unknown = sum(x is None for s in group.shots for x in s.looks)
    if 3 * unknown > len(group.shots) * len(group.people):
        lines.append("Of more than a third of the faces the sharpness is not known.")
    if len(group.shots) < 3:
        lines.append("Few frames: somebody who is soft in all of them is hard to tell from soft skin.")
    return lines


# -- in words -----------------------------------------------------------------------------------------------


def _rows_away(rows: float) -> str:
    whole, half = divmod(max(1, round(2 * rows)), 2)
    if not whole:
        return "half a row"
    number = {1: "one", 2: "two", 3: "three"}.get(whole, str(whole))
    if half:
        return f"{number} and a half rows"
    return "one row" if whole == 1 else f"{number} rows"


def _middle(group: _Group) -> str:
    """Return what lies in the middle of the depth, as blur counts it."""
    count = len(group.rows)
    if count == 1:
        return "somebody's eyes"
    if count % 2:
        return _the(group.rows[count // 2])
    return f"a point between {_the(group.rows[count // 2 - 1])} and {_the(group.rows[count // 2])}"


def _the(row: str) -> str:
    return row if row.startswith("row ") else f"the {row}"


def _by_row(group: _Group, found: Sequence[int]) -> tuple[dict[int, float], dict[int, float]]:
    """Return by row the median blur over its limit, and in pixels, of those who kept still."""
    excess, blur = {}, {}
    for r in range(len(group.rows)):
        looks = [x for i in found for x in of_row(group.people, group.shots[i], r) if not x.moved]
        if looks:
            excess[r], blur[r] = _median([x.excess for x in looks]), _median([x.blur_px for x in looks])
    return excess, blur


def _sharpness(name: str, people: int, looks: Sequence[Look]) -> Sharpness:
    still = [x for x in looks if not x.moved]
    sharp, soft = sum(x.excess <= 1 for x in still), sum(x.excess >= SOFT for x in still)
    return Sharpness(
        name=name,
        people=people,
        sharp=sharp,
        soft=soft,
        between=len(still) - sharp - soft,
        moved=len(looks) - len(still),
        blur_px=_median([x.blur_px for x in still]) if still else None,
        limit_px=_median([x.limit_px for x in looks]) if looks else None,
        streak_px=max((x.motion_px for x in looks if x.moved), default=0.0),
    )


def _usual(values: Sequence[float | None]) -> float | None:
    known = [v for v in values if v is not None]
    return Counter(known).most_common(1)[0][0] if known else None


def _median(values: Sequence[float]) -> float:
    return float(np.median(values))


def _listed(names: Sequence[str]) -> str:
    return " and ".join(names)


def _range(px: Sequence[float]) -> str:
    low, high = max(1, round(min(px))), max(1, round(max(px)))
    return f"about {low} px" if low == high else f"{low} to {high} px"
