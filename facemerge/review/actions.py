"""What the page can ask for, and the decisions that follow from it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from facemerge import choice
from facemerge.errors import OptionError
from facemerge.formats.decisions import MOST_NOTE
from facemerge.review.engine import Shown
from facemerge.words import Analysis, Decisions, Stroke, Touches

DECIMALS = 2
"""Of a pixel, in the points of a stroke: finer than any hand."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Action:
    """One change."""

    label: str
    """What was done, in words."""
    decided: Decisions
    """What is decided after it."""
    free: frozenset[str] | None = frozenset()
    """Whose heads may change; None: anybody's, and the base too."""
    frame: int | None = None
    """Where the one head is to come from, if that is said."""


def understood(asked: object, analysis: Analysis, now: Shown, seam_weight: float) -> Action:
    """Return what a page asks for.

    Parameters
    ----------
    asked
        As JSON has it: a mapping with one key.
    analysis
        What is known of the burst.
    now
        What is decided and shown.
    seam_weight
        What a seam that everybody finds costs, in scores.

    Raises
    ------
    OptionError
        If it is not understood, or names what does not exist.
    """
    if not isinstance(asked, dict) or len(asked) != 1:
        raise OptionError(f"A change is one of {', '.join(_ACTIONS)}.")
    [(name, said)] = asked.items()
    if name not in _ACTIONS:
        raise OptionError(f"There is no change {name!r}; there are {', '.join(_ACTIONS)}.")
    return _ACTIONS[name](_Asked(name, said, analysis, now, seam_weight))


@dataclass(frozen=True, slots=True, eq=False)
class _Asked:
    """An action's words, and what they may speak of."""

    name: str
    said: Any
    analysis: Analysis
    now: Shown
    seam_weight: float

    @property
    def earlier(self) -> Decisions:
        return self.now.decisions

    def pair(self) -> tuple[Any, Any]:
        match self.said:
            case [first, second]:
                return first, second
        raise OptionError(f"{self.name} takes two things, not {_short(self.said)}.")

    def person(self, said: Any) -> str:
        if not isinstance(said, str) or said not in {p.id for p in self.analysis.people}:
            raise OptionError(f"There is no person {_short(said)} in this burst.")
        return said

    def frame(self, said: Any) -> str:
        if isinstance(said, bool) or not isinstance(said, int) or not 0 <= said < len(self.analysis.frames):
            raise OptionError(f"There is no frame number {_short(said)} in this burst.")
        return self.analysis.frames[said].name

    def touches(self, person: str) -> Touches:
        """Return what was done to the mask of a person's head that is shown."""
        names = [f.name for f in self.analysis.frames]
        pick = next(p for p in self.now.choice.picks if p.person == person)
        if pick.from_base:
            raise OptionError(f"{person} stays as in the base: there is no mask to touch up.")
        base, donor = names[self.now.choice.base], names[pick.frame]
        return self.earlier.touches(person, base, donor) or Touches(base=base, donor=donor)

    def touched(self, person: str, touches: Touches) -> Decisions:
        """Return decisions in which a mask is touched up so and not otherwise."""
        others = tuple(
            t
            for t in self.earlier.masks.get(person, ())
            if (t.base, t.donor) != (touches.base, touches.donor)
        )
        own = (touches,) if touches.strokes or touches.widen_px else ()
        masks = {k: v for k, v in self.earlier.masks.items() if k != person}
        if others or own:
            masks[person] = (*others, *own)
        return replace(self.earlier, masks=masks)


def _short(said: Any) -> str:
    text = repr(said)
    return text if len(text) <= 60 else f"{text[:57]}..."


def _take(asked: _Asked) -> Action:
    who, index = asked.pair()
    person, frame = asked.person(who), asked.frame(index)
    if index == asked.now.choice.base:
        return _kept(asked, person)
    decided = Decisions(force={person: frame}).over(asked.earlier)
    if ("*", frame) in decided.forbid:
        raise OptionError(f"{frame} is ruled out for everybody; allow it first.")
    return Action(label=f"{person} from {frame}", decided=decided, free=frozenset({person}), frame=index)


def _keep(asked: _Asked) -> Action:
    return _kept(asked, asked.person(asked.said))


def _kept(asked: _Asked, person: str) -> Action:
    decided = Decisions(keep=frozenset({person})).over(asked.earlier)
    base = asked.now.choice.base
    return Action(label=f"{person} as in the base", decided=decided, free=frozenset({person}), frame=base)


def _release(asked: _Asked) -> Action:
    person = asked.person(asked.said)
    force = {who: frame for who, frame in asked.earlier.force.items() if who != person}
    decided = replace(asked.earlier, force=force, keep=asked.earlier.keep - {person})
    return Action(label=f"{person} chosen by the program", decided=decided, free=frozenset({person}))


def _forbid(asked: _Asked) -> Action:
    frame = asked.frame(asked.said)
    decided = Decisions(forbid=frozenset({("*", frame)})).over(asked.earlier)
    choice = asked.now.choice
    # Whose head is not from there has no reason to change.
    free = frozenset(p.person for p in choice.picks if p.frame == asked.said)
    return Action(
        label=f"no heads from {frame}", decided=decided, free=None if choice.base == asked.said else free
    )


def _allow(asked: _Asked) -> Action:
    frame = asked.frame(asked.said)
    decided = replace(asked.earlier, forbid=asked.earlier.forbid - {("*", frame)})
    return Action(label=f"heads from {frame} allowed", decided=decided, free=_better_in(asked, asked.said))


def _forbid_for(asked: _Asked) -> Action:
    who, index = asked.pair()
    person, frame = asked.person(who), asked.frame(index)
    decided = Decisions(forbid=frozenset({(person, frame)})).over(asked.earlier)
    return Action(label=f"{person} not from {frame}", decided=decided, free=frozenset({person}))


def _allow_for(asked: _Asked) -> Action:
    who, index = asked.pair()
    person, frame = asked.person(who), asked.frame(index)
    decided = replace(asked.earlier, forbid=asked.earlier.forbid - {(person, frame)})
    free = frozenset({person}) & _better_in(asked, index)
    return Action(label=f"{frame} allowed for {person}", decided=decided, free=free)


def _better_in(asked: _Asked, frame: int) -> frozenset[str]:
    """Return who may be better off with a frame than where their head comes from now."""
    better = set()
    for pick in asked.now.choice.picks:
        there, here = (asked.analysis.scores[pick.person][f] for f in (frame, pick.frame))
        # A lesser face on a cleaner seam may be the better choice.
        if there is not None and (
            here is None or choice.value(there.total) + asked.seam_weight > choice.value(here.total)
        ):
            better.add(pick.person)
    return frozenset(better)


def _base(asked: _Asked) -> Action:
    if asked.said is None:
        decided = replace(asked.earlier, base=None)
        return Action(label="base chosen by the program", decided=decided, free=None)
    frame = asked.frame(asked.said)
    return Action(label=f"{frame} as the base", decided=replace(asked.earlier, base=frame), free=None)


def _note(asked: _Asked) -> Action:
    who, text = asked.pair()
    person = asked.person(who)
    if not isinstance(text, str) or len(text) > MOST_NOTE:
        raise OptionError(f"A note is a text of up to {MOST_NOTE} characters.")
    notes = {k: v for k, v in asked.earlier.notes.items() if k != person}
    if text.strip():
        notes[person] = text.strip()
    label = f"note on {person}" if text.strip() else f"note on {person} removed"
    return Action(label=label, decided=replace(asked.earlier, notes=notes))


def _widen(asked: _Asked) -> Action:
    who, by = asked.pair()
    person, px = asked.person(who), _number(by, "widen takes a person and a number of pixels")
    touches = replace(asked.touches(person), widen_px=px)
    word = f"mask of {person} {'wider' if px > 0 else 'narrower'} by {abs(px):g} px" if px else ""
    return _touched(asked, person, touches, word or f"mask of {person} as wide as it was cut")


def _stroke(asked: _Asked) -> Action:
    who, drawn = asked.pair()
    person = asked.person(who)
    wrong = "a stroke has mode (paint or erase), radius, softness and points"
    match drawn:
        case {"mode": "paint" | "erase" as mode, "radius": radius, "softness": softness, "points": points}:
            pass
        case _:
            raise OptionError(f"This is no stroke: {wrong}.")
    if not isinstance(points, list) or not points or not all(map(_is_pair, points)):
        raise OptionError(f"This is no stroke: {wrong}, each point x and y.")
    stroke = Stroke(
        paints=mode == "paint",
        radius_px=round(_number(radius, wrong), DECIMALS),
        softness=round(_number(softness, wrong), DECIMALS),
        points=tuple(
            (round(_number(x, wrong), DECIMALS), round(_number(y, wrong), DECIMALS)) for x, y in points
        ),
    )
    touches = asked.touches(person)
    label = f"mask of {person} {'painted' if stroke.paints else 'erased'}"
    return _touched(asked, person, replace(touches, strokes=(*touches.strokes, stroke)), label)


def _is_pair(said: object) -> bool:
    return isinstance(said, list) and len(said) == 2


def _clear_mask(asked: _Asked) -> Action:
    person = asked.person(asked.said)
    touches = replace(asked.touches(person), strokes=(), widen_px=0.0)
    return _touched(asked, person, touches, f"mask of {person} as it was cut")


def _touched(asked: _Asked, person: str, touches: Touches, label: str) -> Action:
    return Action(label=label, decided=asked.touched(person, touches))


def _number(said: Any, wrong: str) -> float:
    if isinstance(said, bool) or not isinstance(said, int | float) or not math.isfinite(said):
        raise OptionError(f"{_short(said)} is no number: {wrong}.")
    return float(said)


_ACTIONS: dict[str, Callable[[_Asked], Action]] = {
    "take": _take,
    "release": _release,
    "keep": _keep,
    "forbid": _forbid,
    "allow": _allow,
    "forbid_for": _forbid_for,
    "allow_for": _allow_for,
    "base": _base,
    "note": _note,
    "widen": _widen,
    "stroke": _stroke,
    "clear_mask": _clear_mask,
}
