"""decisions.json: what the user has decided, so that a review can be read, kept, compared and done again.

One thing a line: a person, a frame, a stroke. Whatever is wrong in such a file is said in one sentence that
names the place; nothing is guessed and nothing is passed over.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any, NoReturn

from facemerge.errors import InputError, OptionError
from facemerge.formats.files import hidden, read_plain, replace_file
from facemerge.formats.program import NAME
from facemerge.words import Decisions, Stays, Stroke, Touches

SCHEMA = f"{NAME}-decisions/1"
HALF_DONE = f".{NAME}-new"
"""Ending of the file that is written before it takes its name."""

MOST_BYTES = 1 << 26
"""A million points take 45 MB at most."""
MOST_POINTS = 1_000_000
"""Of all strokes together: a review of thirty heads takes some ten thousand."""
MOST_NOTE = 2000
"""Characters."""
MOST_NAME = 1000
"""Characters; a file's name ends at 255 bytes on most disks, and may have some of its folders before it."""
COORDINATE = (-1e6, 1e6)
RADIUS_PX = (1.0, 5000.0)
WIDEN_PX = (-1000.0, 1000.0)
SOFTNESS = (0.0, 1.0)

_KEYS = ("schema", "base", "take", "avoid", "keep", "stays", "notes", "masks")
_STAYS = ("base", "heads")
_TOUCHES = ("base", "donor", "widen_px", "strokes")
_STROKE = ("brush", "radius_px", "softness", "points")
_BRUSHES = ("paint", "erase")
_EVERYBODY = "*"


class _Wrong(Exception):
    """What is wrong in a file and where, without the file's name."""


# -- writing ------------------------------------------------------------------------------------------------


def decisions_bytes(decisions: Decisions) -> bytes:
    """Return decisions as the UTF-8 bytes of a file of version 1.

    The same decisions give the same bytes: people and frames are sorted, strokes are in their order.

    Raises
    ------
    OptionError
        If they hold what `read_decisions` would refuse: a frame named by a path, a number out of its range.
    """
    avoid: dict[str, list[str]] = {}
    for person, frame in sorted(decisions.forbid):
        avoid.setdefault(person, []).append(frame)
    whole = {
        "schema": SCHEMA,
        "base": decisions.base,
        "take": dict(sorted(decisions.force.items())),
        "avoid": avoid,
        "keep": sorted(decisions.keep),
        "stays": None if decisions.stays is None else _stays(decisions.stays),
        "notes": dict(sorted(decisions.notes.items())),
        "masks": {who: [_touches(t) for t in done] for who, done in sorted(decisions.masks.items())},
    }
    try:
        _read_1(whole)
    except _Wrong as error:
        raise OptionError(f"These decisions cannot be kept: {error}.") from error
    return (_laid_out(whole) + "\n").encode()


def write_decisions(path: Path, decisions: Decisions) -> None:
    """Write a file of decisions, whole or not at all: an earlier one is there until the new one is complete.

    Raises
    ------
    OptionError
        As `decisions_bytes` says.
    OutputError
        If it cannot be written.
    """
    replace_file(path, decisions_bytes(decisions), path.with_name(hidden(path.name, HALF_DONE)))


def _stays(stays: Stays) -> dict[str, Any]:
    return {"base": stays.base, "heads": dict(sorted(stays.picks.items()))}


def _touches(touches: Touches) -> dict[str, Any]:
    return {
        "base": touches.base,
        "donor": touches.donor,
        "widen_px": touches.widen_px,
        "strokes": [
            {
                "brush": _BRUSHES[0 if stroke.paints else 1],
                "radius_px": stroke.radius_px,
                "softness": stroke.softness,
                "points": [list(point) for point in stroke.points],
            }
            for stroke in touches.strokes
        ],
    }


def _laid_out(value: Any, depth: int = 0) -> str:
    """Return JSON in which every key has a line of its own, and so has every entry of a list of words.

    A stroke and its points are one thing: they share a line.
    """
    inner, outer = " " * (depth + 1), " " * depth
    match value:
        case dict() if value and "points" not in value:
            lines = [f"{_atom(key)}: {_laid_out(one, depth + 1)}" for key, one in value.items()]
            return "{\n" + ",\n".join(inner + line for line in lines) + f"\n{outer}}}"
        case list() if value:
            return "[\n" + ",\n".join(inner + _laid_out(one, depth + 1) for one in value) + f"\n{outer}]"
    return _atom(value)


def _atom(value: Any) -> str:
    short = _short(value)
    text = json.dumps(short, ensure_ascii=False, allow_nan=False)
    try:
        text.encode()
    except UnicodeEncodeError:
        # Half of a pair of surrogates: only escaped is it text.
        return json.dumps(short, allow_nan=False)
    return text


def _short(value: Any) -> Any:
    """Return a value with whole numbers written as such."""
    match value:
        case float() if value.is_integer():
            return int(value)
        case dict():
            return {key: _short(one) for key, one in value.items()}
        case list():
            return [_short(one) for one in value]
    return value


# -- reading ------------------------------------------------------------------------------------------------


def read_decisions(path: Path) -> Decisions:
    """Return the decisions of a file.

    Raises
    ------
    InputError
        If it cannot be opened, is not JSON, is no file of decisions or one of an unknown version.
    OptionError
        If something in it is not known, of the wrong kind or out of its range.
    """
    try:
        data = read_plain(path, MOST_BYTES + 1)
    except OSError as error:
        why = (error.strerror or "refused by the system").lower()
        raise InputError(f"The decisions {path} cannot be opened: {why}.") from error
    return parse_decisions(data, str(path))


def parse_decisions(data: bytes, name: str = "decisions.json") -> Decisions:
    """Return the decisions that a file's bytes say.

    Parameters
    ----------
    data
        Bytes of whatever origin.
    name
        How the file is called, for the error sentence.

    Raises
    ------
    InputError, OptionError
        As `read_decisions` says.
    """
    if len(data) > MOST_BYTES:
        raise InputError(f"{name} is larger than {MOST_BYTES >> 20} MB, too large for a file of decisions.")
    try:
        found = json.loads(data.decode("utf-8-sig"), object_pairs_hook=_once, parse_constant=_no_number)
    except _Wrong as error:
        raise OptionError(f"{name}: {error}.") from error
    except (ValueError, RecursionError) as error:
        raise InputError(f"{name} is not a file of decisions: it is broken, or not JSON.") from error
    schema = found.get("schema") if isinstance(found, dict) else None
    if not isinstance(schema, str) or not schema.startswith(f"{NAME}-decisions/"):
        raise InputError(f"{name} is JSON, but not a file of decisions: it needs the key schema, {SCHEMA!r}.")
    if schema not in _READERS:
        raise InputError(f"{name} holds decisions of version {schema!r}; known here: {', '.join(_READERS)}.")
    try:
        return _READERS[schema](found)
    except _Wrong as error:
        raise OptionError(f"{name}: {error}.") from error


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for key, value in pairs:
        if key in found:
            raise _Wrong(f"{_shown(key)} is there twice in the same place")
        found[key] = value
    return found


def _no_number(word: str) -> NoReturn:
    raise _Wrong(f"{word} is no number")


def _read_1(found: dict[str, Any]) -> Decisions:
    """Return decisions of version 1 after looking at every key and every value."""
    _known_keys(found, _KEYS, "")
    base, stays = found.get("base"), found.get("stays")
    masks = {
        _person(who, "masks"): _all_touches(done, f"masks, {_shown(who)}")
        for who, done in _mapping(found, "masks").items()
    }
    if sum(len(s.points) for done in masks.values() for t in done for s in t.strokes) > MOST_POINTS:
        raise _Wrong(f"the strokes of all masks have more than {MOST_POINTS:,} points together")
    return Decisions(
        base=None if base is None else _frame(base, "base"),
        force={
            _person(who, "take"): _frame(frame, f"take, {_shown(who)}")
            for who, frame in _mapping(found, "take").items()
        },
        forbid=frozenset(_avoided(_mapping(found, "avoid"))),
        keep=frozenset(_each(found.get("keep", []), "keep", _person)),
        notes={
            _person(who, "notes"): _note(words, f"notes, {_shown(who)}")
            for who, words in _mapping(found, "notes").items()
        },
        masks=masks,
        stays=None if stays is None else _as_seen(stays),
    )


def _as_seen(found: Any) -> Stays:
    _needed(found, _STAYS, "stays")
    return Stays(
        base=_frame(found["base"], "stays, base"),
        picks={
            _person(who, "stays"): _frame(frame, f"stays, {_shown(who)}")
            for who, frame in _mapping(found, "heads").items()
        },
    )


def _avoided(avoid: Mapping[str, Any]) -> Iterable[tuple[str, str]]:
    for who, frames in avoid.items():
        person = who if who == _EVERYBODY else _person(who, "avoid")
        yield from ((person, frame) for frame in _each(frames, f"avoid, {_shown(who)}", _frame))


def _all_touches(found: Any, where: str) -> tuple[Touches, ...]:
    done = tuple(_one_touches(t, f"{where}, entry {i}") for i, t in enumerate(_list(found, where), 1))
    for i, touches in enumerate(done):
        if (touches.base, touches.donor) in {(t.base, t.donor) for t in done[:i]}:
            raise _Wrong(f"{where}: the head from {touches.donor} in {touches.base} is there twice")
    return done


def _one_touches(found: Any, where: str) -> Touches:
    _needed(found, _TOUCHES, where, optional=("widen_px", "strokes"))
    strokes = _list(found.get("strokes", []), f"{where}, strokes")
    return Touches(
        base=_frame(found["base"], f"{where}, base"),
        donor=_frame(found["donor"], f"{where}, donor"),
        widen_px=_number(found.get("widen_px", 0), WIDEN_PX, f"{where}, widen_px"),
        strokes=tuple(_stroke(s, f"{where}, stroke {i}") for i, s in enumerate(strokes, 1)),
    )


def _stroke(found: Any, where: str) -> Stroke:
    _needed(found, _STROKE, where)
    if found["brush"] not in _BRUSHES:
        raise _Wrong(f"{where}: brush is {' or '.join(_BRUSHES)}, not {_shown(found['brush'])}")
    points = _list(found["points"], f"{where}, points")
    if not points:
        raise _Wrong(f"{where} has no points")
    return Stroke(
        paints=found["brush"] == _BRUSHES[0],
        radius_px=_number(found["radius_px"], RADIUS_PX, f"{where}, radius_px"),
        softness=_number(found["softness"], SOFTNESS, f"{where}, softness"),
        points=tuple(_point(p, where, i) for i, p in enumerate(points, 1)),
    )


def _point(found: Any, where: str, index: int) -> tuple[float, float]:
    here = f"{where}, point {index}"
    if not isinstance(found, list) or len(found) != 2:
        raise _Wrong(f"{here} must be [x, y], two numbers, not {_shown(found)}")
    return _number(found[0], COORDINATE, here), _number(found[1], COORDINATE, here)


def _number(found: Any, limits: tuple[float, float], where: str) -> float:
    low, high = limits
    # True is a whole number to Python, and none to anybody else.
    if isinstance(found, bool) or not isinstance(found, int | float):
        raise _Wrong(f"{where} must be a number, not {_shown(found)}")
    if not low <= found <= high or not math.isfinite(found):
        raise _Wrong(f"{where} must be from {low:g} to {high:g}, not {_shown(found)}")
    return float(found)


def _frame(found: Any, where: str) -> str:
    name = _text(found, where, MOST_NAME)
    parts = name.split("/")
    # A name as the report has it: where two folders have files of one name, it begins with the folder's.
    # A backslash is a letter like any other in most names of files, and leads up in none.
    if ".." in re.split(r"[/\\]", name) or any(part in ("", ".") for part in parts):
        raise _Wrong(f"{where} must be a frame's name as the report shows it, not the path {_shown(name)}")
    return name


def _person(found: Any, where: str) -> str:
    name = _text(found, f"a person in {where}", MOST_NAME)
    if name == _EVERYBODY:
        raise _Wrong(f"{where} takes one person each, not {_EVERYBODY!r} for everybody")
    return name


def _note(found: Any, where: str) -> str:
    return _text(found, where, MOST_NOTE)


def _text(found: Any, where: str, most: int) -> str:
    if not isinstance(found, str) or not found.strip() or "\0" in found:
        raise _Wrong(f"{where} must be a text, not {_shown(found)}")
    if len(found) > most:
        raise _Wrong(f"{where} is longer than {most} characters")
    return found


def _mapping(found: Mapping[str, Any], key: str) -> dict[str, Any]:
    inner = found.get(key, {})
    if not isinstance(inner, dict):
        raise _Wrong(f"{key} must be {{...}} with a person before each colon, not {_shown(inner)}")
    return inner


def _list(found: Any, where: str) -> list[Any]:
    if not isinstance(found, list):
        raise _Wrong(f"{where} must be a list, [...], not {_shown(found)}")
    return found


def _each(found: Any, where: str, read: Callable[[Any, str], str]) -> list[str]:
    """Return the names of a list, each of them once."""
    names: dict[str, None] = {}
    for one in _list(found, where):
        name = read(one, where)
        if name in names:
            raise _Wrong(f"{where} names {_shown(name)} twice")
        names[name] = None
    return list(names)


def _needed(found: Any, keys: tuple[str, ...], where: str, optional: tuple[str, ...] = ()) -> None:
    if not isinstance(found, dict):
        raise _Wrong(f"{where} must be {{...}} with the keys {', '.join(keys)}, not {_shown(found)}")
    _known_keys(found, keys, where)
    for key in keys:
        if key not in found and key not in optional:
            raise _Wrong(f"{where} lacks {key}")


def _known_keys(found: Mapping[str, Any], keys: tuple[str, ...], where: str) -> None:
    for key in found:
        if key not in keys:
            place = f"{where} has the key" if where else "there is the key"
            raise _Wrong(f"{place} {_shown(key)}; known here: {', '.join(keys)}")


def _shown(value: Any) -> str:
    """Return a value as the file has it, cut short: a sentence is to be read."""
    text = json.dumps(value, default=str)
    return text if len(text) <= 60 else f"{text[:57]}..."


_READERS: dict[str, Callable[[dict[str, Any]], Decisions]] = {SCHEMA: _read_1}
