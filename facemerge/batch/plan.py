"""Which frames make which group, under which name; and the text file in which a user may change that."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath
from typing import Any

from facemerge.batch.dump import Photograph
from facemerge.batch.grouping import Group, duration
from facemerge.batch.sight import Sight
from facemerge.errors import InputError
from facemerge.formats.small_copy import Identity

GROUPS = "groups.txt"
LONGEST_NAME = 40
"""Folder names are told apart by their first 40 characters when a killed run is cleared away."""
_TAKEN_NAMES = frozenset({"index.html", "index.json", GROUPS})
_HEAD = """\
# The groups of this card. A line in brackets is the name of the folder that a group gets, the lines below it
# are its frames. Move a frame to another group, take its line away to leave it out, rename or join groups,
# and give this file back:
#     facemerge batch FOLDER -o OUT --groups groups.txt
# Groups of fewer than two frames are not made. Lines that begin with # say why, and are not read.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedFrame:
    """One frame of a planned group."""

    path: Path
    """Absolute."""
    name: str
    """Its path below the dump."""
    digest: str
    """SHA-256 of its content, hexadecimal."""
    time_s: float | None
    """Capture time in seconds since 1970 on the camera's clock, or None."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """One group and what is to be done with it."""

    name: str
    """The folder it gets in OUT."""
    frames: tuple[PlannedFrame, ...]
    why: str
    """Why a group begins here; '' if the user says so."""
    again: str | None = None
    """Name of the latest earlier group of the same people, or None."""
    idle: str = ""
    """Why it is not run, in plain words; '' if it is."""


def plan_groups(
    groups: Sequence[Group], sights: Sequence[Sight], photographs: Mapping[str, Photograph]
) -> list[Planned]:
    """Return the groups with their folders' names: a running number and the time, or the first frame's name.

    Parameters
    ----------
    groups
        As `grouping.find_groups` returns them.
    sights
        What their indices mean.
    photographs
        By name.
    """
    frames = [
        tuple(_planned_frame(photographs[sights[i].name], sights[i].known) for i in g.frames) for g in groups
    ]
    idle = [_idle(g) for g in groups]
    digits = max(3, len(str(sum(not why for why in idle))))
    names: list[str] = []
    for found, why in zip(frames, idle, strict=True):
        number = sum(not n.startswith("single_") for n in names) + 1
        names.append(
            _unique(f"single_{_stem(found[0])}" if why else f"{number:0{digits}d}_{_when(found[0])}", names)
        )
    return [
        Planned(
            name=name,
            frames=found,
            why=group.why,
            again=None if group.again is None else names[group.again],
            idle=why,
        )
        for name, found, group, why in zip(names, frames, groups, idle, strict=True)
    ]


def _idle(group: Group) -> str:
    if len(group.frames) < 2:
        return "a single frame" if group.people else "a single frame, and nobody is seen in it"
    return "" if group.people else "nobody is seen in these frames"


def _planned_frame(photograph: Photograph, known: Identity) -> PlannedFrame:
    return PlannedFrame(path=photograph.path, name=photograph.name, digest=known.digest, time_s=known.time_s)


def _stem(frame: PlannedFrame) -> str:
    plain = re.sub(r"[^\w-]+", "-", PurePosixPath(frame.name).stem).strip("-")
    return plain[-24:] or "frame"


def _when(frame: PlannedFrame) -> str:
    return _stem(frame) if frame.time_s is None else f"{clock(frame.time_s):%Y-%m-%d_%H-%M-%S}"


def clock(time_s: float) -> datetime:
    """Return a time on the camera's clock; its zone is a form, nothing is said of it."""
    return datetime.fromtimestamp(time_s, UTC)


def _unique(name: str, taken: Sequence[str]) -> str:
    tried, n = name, 2
    while tried in taken:
        tried, n = f"{name}-{n}", n + 1
    return tried


# -- the text file ------------------------------------------------------------------------------------------


def groups_text(planned: Sequence[Planned], *, notes: Sequence[str] = ()) -> str:
    """Return the groups as a text that can be edited and given back, with notes on what is left out."""
    parts = [_HEAD, *(f"# {note}\n" for note in notes)]
    for group in planned:
        lines = ["", f"[{group.name}]", f"# {'; '.join(_remarks(group))}"]
        lines += [f"./{f.name}" if f.name[0] in "#[" else f.name for f in group.frames]
        parts.append("\n".join(lines) + "\n")
    return "".join(parts)


def _remarks(group: Planned) -> list[str]:
    count = len(group.frames)
    remarks = [f"{count} frame{'s' if count > 1 else ''}{span(group)}"]
    if group.why:
        remarks.append(f"begins here: {group.why}")
    if group.again:
        remarks.append(f"the same people as {group.again}")
    if group.idle:
        remarks.append(f"not run: {group.idle}")
    return remarks


def span(group: Planned) -> str:
    """Return when a group was taken, ', 14:30:05 to 14:30:41', or '' if its frames do not tell."""
    times = [f.time_s for f in group.frames if f.time_s is not None]
    if not times:
        return ""
    first, last = (f"{clock(t):%H:%M:%S}" for t in (min(times), max(times)))
    return f", {first}" if first == last else f", {first} to {last} ({duration(max(times) - min(times))})"


def given_groups(
    entries: Sequence[Mapping[str, Any]],
    photographs: Mapping[str, Photograph],
    known: Mapping[str, Identity],
) -> list[Planned]:
    """Return the groups as an earlier run's index has them; parameters as `read_groups`."""
    return [
        Planned(
            name=entry["name"],
            frames=tuple(_planned_frame(photographs[f["file"]], known[f["file"]]) for f in entry["frames"]),
            why=entry["why"],
            again=entry["again"],
            idle=entry["reason"] if entry["state"] == "idle" else "",
        )
        for entry in entries
    ]


def read_groups(
    text: str, name: str, photographs: Mapping[str, Photograph], known: Mapping[str, Identity]
) -> tuple[list[Planned], list[str]]:
    """Return the groups as a user's file has them, and notes on frames that are in none.

    Parameters
    ----------
    text, name
        What the file holds, and what it is called in a sentence.
    photographs
        The photographs of the dump by name.
    known
        By name, for those that can be read.

    Raises
    ------
    InputError
        With the line's number, if a line names no photograph of the dump, one that cannot be read, or one
        that is already in a group; if a folder's name cannot be used or is there twice; if there is no group.
    """
    groups: dict[str, list[str]] = {}
    where: dict[str, int] = {}
    current: list[str] | None = None
    for number, raw in enumerate(text.lstrip("\ufeff").splitlines(), 1):
        line, at = raw.strip(), f"{name}, line {number}"
        if not line or line.startswith("#"):
            continue
        if line.startswith("["):
            current = groups.setdefault(_heading(line, at, groups), [])
            continue
        if current is None:
            raise InputError(f"{at}: a frame comes after the name of its group in brackets, not before.")
        frame = line.removeprefix("./").replace("\\", "/")
        if frame not in photographs:
            raise InputError(f"{at}: there is no photograph {line!r} in this folder.")
        if frame not in known:
            raise InputError(f"{at}: {line} cannot be read; take its line away.")
        if frame in where:
            raise InputError(f"{at}: {line} is already in a group, in line {where[frame]}.")
        where[frame] = number
        current.append(frame)
    planned = [_given(group, frames, photographs, known) for group, frames in groups.items() if frames]
    if not planned:
        raise InputError(f"{name} names no group.")
    left = [frame for frame in known if frame not in where]
    more = f" and {len(left) - 1} more" if len(left) > 1 else ""
    return planned, [f"In no group by {name}, so left out: {left[0]}{more}."] if left else []


def _heading(line: str, at: str, groups: Mapping[str, object]) -> str:
    name = line[1:-1].strip() if line.endswith("]") else ""
    if not name:
        raise InputError(f"{at}: the name of a group stands in brackets, [like this].")
    if len(name) > LONGEST_NAME:
        raise InputError(f"{at}: the name of a group has at most {LONGEST_NAME} characters.")
    if re.search(r'[/\\<>:"|?*]|\A\.|[. ]\Z', name) or not name.isprintable() or name in _TAKEN_NAMES:
        raise InputError(f"{at}: a folder cannot be called {name!r}.")
    # Two names that differ in capitals only are one folder on many disks.
    if name.casefold() in {other.casefold() for other in groups}:
        raise InputError(f"{at}: there are two groups called {name}.")
    return name


def _given(
    name: str,
    frames: Sequence[str],
    photographs: Mapping[str, Photograph],
    known: Mapping[str, Identity],
) -> Planned:
    return Planned(
        name=name,
        frames=tuple(_planned_frame(photographs[f], known[f]) for f in frames),
        why="",
        idle="a single frame" if len(frames) < 2 else "",
    )
