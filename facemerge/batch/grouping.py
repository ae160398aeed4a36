"""Sorts a dump into groups: one family in one arrangement each, and says why it begins each of them.

Pure: sights in, groups out. Two photographs a few frames apart are held together if they show the same people
as they stood; what hangs together is a group. So a single frame between, a test or a blurred one, parts
nothing, and stands alone.
"""

from __future__ import annotations

import itertools
import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from facemerge.batch.likeness import Likeness, compare
from facemerge.batch.sight import Sight
from facemerge.options import GroupingOptions
from facemerge.words import Array

REACH = 4
"""How many frames back another frame of the same group is looked for."""
IN_PLACE = 0.5
"""More than this share of the people must stand as they stood."""
LEAST_FRAMES = 2
"""Frames before and after from which on it is believed that people joined or left."""
LEAST_ABSENCES = 3
"""How often those people must be missing, all together: one in three frames, two in two; less may be
overlooked."""
STAYS = 0.75
"""Share of the frames from then on in which who has joined must be seen; a passer-by is in fewer."""
A_STEP_S = 2.0
"""Nobody walks into a group or out of it faster than this; a face missing for less was overlooked."""
RETURNS_AFTER = 30
"""How many groups back the same people are looked for, to say that they came back."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Frames that belong together."""

    frames: tuple[int, ...]
    """Indices of the sights, in the order they were taken; never empty."""
    why: str
    """Why a group begins here, in plain words."""
    people: int
    """How many faces a frame of it shows, usually."""
    again: int | None = None
    """Index of an earlier group of the same people, or None."""


@dataclass(slots=True, eq=False)
class _Ties:
    """What was found of pairs of frames near each other in one camera's series."""

    sights: Sequence[Sight]
    options: GroupingOptions
    order: Sequence[int]
    """Indices of the sights as taken."""
    _known: dict[tuple[int, int], Likeness] = field(default_factory=dict)

    def like(self, i: int, j: int) -> Likeness:
        """Return what the i-th and the j-th frame of the series have in common."""
        if (i, j) not in self._known:
            self._known[i, j] = compare(self.sights[self.order[i]], self.sights[self.order[j]])
        return self._known[i, j]

    def pause_s(self, i: int, j: int) -> float | None:
        """Return the longest pause between the i-th frame and the j-th; None if no time is known."""
        times = [t for k in range(i, j + 1) if (t := moment(self.sights[self.order[k]])) is not None]
        return max((b - a for a, b in itertools.pairwise(times)), default=None)

    def seen(self, i: int) -> int:
        return len(self.sights[self.order[i]].widths)

    def size(self, i: int) -> tuple[int, int]:
        return self.sights[self.order[i]].known.size


def find_groups(sights: Sequence[Sight], options: GroupingOptions) -> list[Group]:
    """Return the groups of a dump in the order they were begun; every sight is in exactly one.

    Parameters
    ----------
    sights
        In the order of their numbers, as `dump.find_photographs` has it.
    options
        The pauses and the shares of people that part groups.
    """
    sights = _on_one_clock(sights)
    place = {index: at for at, index in enumerate(in_time(sights))}
    groups: list[Group] = []
    for order in _series(sights):
        ties = _Ties(sights, options, order)
        for part in _parts(ties):
            groups.append(
                Group(
                    frames=tuple(order[i] for i in part),
                    why=_why(ties, part),
                    people=round(float(np.median([ties.seen(i) for i in part]))),
                )
            )
    groups.sort(key=lambda g: place[g.frames[0]])
    return [replace(g, again=_again(sights, groups, n, options)) for n, g in enumerate(groups)]


def moment(sight: Sight) -> float | None:
    """Return when a frame was taken, in seconds that can be compared within one dump, or None."""
    known = sight.known
    return None if known.time_s is None else known.time_s - (known.offset_s or 0.0)


def in_time(sights: Sequence[Sight]) -> list[int]:
    """Return the indices by time; a frame that does not tell it, and frames of one second, by their numbers.

    A frame without a time follows the one before it.
    """
    last, keys = -math.inf, []
    for index, sight in enumerate(sights):
        now = moment(sight)
        last = last if now is None else now
        keys.append((last, index))
    return [index for _, index in sorted(keys)]


def _on_one_clock(sights: Sequence[Sight]) -> list[Sight]:
    """Return the sights with the clocks' offsets only where each frame that has a time tells its own."""
    if all(s.known.offset_s is not None for s in sights if s.known.time_s is not None):
        return list(sights)
    return [replace(s, known=replace(s.known, offset_s=None)) for s in sights]


def _series(sights: Sequence[Sight]) -> list[list[int]]:
    """Return the indices by camera, each in time: two photographers' clocks have nothing in common.

    A file that does not tell its camera belongs to the one that its neighbour by number came from.
    """
    known = [s.known.camera for s in sights]
    for at in [*range(1, len(known)), *range(len(known) - 2, -1, -1)]:
        beside = at - 1 if at and known[at - 1] else at + 1
        if not known[at] and beside < len(known):
            known[at] = known[beside]
    by_camera: dict[str, list[int]] = defaultdict(list)
    for index, camera in enumerate(known):
        by_camera[camera].append(index)
    return [[found[i] for i in in_time([sights[k] for k in found])] for found in by_camera.values()]


def _parts(ties: _Ties) -> list[list[int]]:
    """Return one camera's series as parts of places in it, each in order."""
    count = len(ties.order)
    root = list(range(count))

    def find(i: int) -> int:
        while root[i] != i:
            i = root[i]
        return i

    for j in range(count):
        for i in range(max(0, j - REACH), j):
            a, b = find(i), find(j)
            if a != b and _tied(ties, i, j):
                root[max(a, b)] = min(a, b)
    together: dict[int, list[int]] = defaultdict(list)
    for i in range(count):
        together[find(i)].append(i)
    return [part for whole in together.values() for part in _at_newcomers(ties, whole)]


def _tied(ties: _Ties, i: int, j: int) -> bool:
    """Return whether two frames show the same people as they stood, as sure as the pause between asks for."""
    pause = ties.pause_s(i, j)
    if ties.size(i) != ties.size(j) or (pause is not None and pause > ties.options.break_s):
        return False
    if not ties.seen(i) and not ties.seen(j):
        return j == i + 1 and (pause is None or pause <= ties.options.pause_s)
    like = ties.like(i, j)
    return like.share >= _share_asked(pause, ties.options) and like.in_place > IN_PLACE


def _share_asked(pause: float | None, options: GroupingOptions) -> float:
    """Return the share of people in common that frames of one group have: more after a longer pause."""
    if pause is None or pause <= options.pause_s:
        return options.same_people
    return (1 + options.same_people) / 2


def _at_newcomers(ties: _Ties, part: Sequence[int]) -> list[list[int]]:
    """Return a part cut where somebody joined or left for good: frame by frame one face more is no change,
    over several frames it is another picture."""
    people = _presence(ties, part)
    for at in range(LEAST_FRAMES, len(part) - LEAST_FRAMES + 1):
        pause = ties.pause_s(part[at - 1], part[at])
        before, after = people[:, :at], people[:, at:]
        absences = _absences(before, after) + _absences(after[:, ::-1], before[:, ::-1])
        if (pause is None or pause >= A_STEP_S) and absences >= LEAST_ABSENCES:
            return [list(part[:at]), *_at_newcomers(ties, part[at:])]
    return [list(part)]


def _presence(ties: _Ties, part: Sequence[int]) -> Array:
    """Return (people, frames) whether a person is seen in a frame of a part."""
    track: dict[tuple[int, int], int] = {}
    count = 0
    for at, j in enumerate(part):
        for before in range(at - 1, max(-1, at - 1 - REACH), -1):
            for one, other in ties.like(part[before], j).pairs:
                track.setdefault((j, int(other)), track[part[before], int(one)])
        for face in range(ties.seen(j)):
            if (j, face) not in track:
                track[j, face] = count
                count += 1
    seen = np.zeros((count, len(part)), bool)
    where = {j: at for at, j in enumerate(part)}
    for (j, _), person in track.items():
        seen[person, where[j]] = True
    return seen


def _absences(before: Array, after: Array) -> int:
    """Return in how many frames before those are missing, all together, who are in the frames after for good.

    Parameters
    ----------
    before, after
        (people, frames) whether a person is seen.
    """
    new = ~before.any(axis=1) & after[:, :LEAST_FRAMES].all(axis=1) & (after.mean(axis=1) >= STAYS)
    return int(new.sum()) * int(before.shape[1])


def _why(ties: _Ties, part: Sequence[int]) -> str:
    """Return why a group begins with this part's first frame."""
    first = part[0]
    if first == 0:
        return "the first frame"
    pause = ties.pause_s(first - 1, first)
    if ties.size(first) != ties.size(first - 1):
        (w, h), (v, g) = ties.size(first), ties.size(first - 1)
        return f"another size: {w} x {h} after {v} x {g} pixels"
    if pause is not None and pause > ties.options.break_s:
        return f"a pause of {duration(pause)}"
    later = "" if pause is None else f", {duration(pause)} later"
    if not ties.seen(first):
        return f"nobody is seen{later}"
    if not ties.seen(first - 1):
        return f"people are seen again{later}"
    like = ties.like(first - 1, first)
    before, now, both = ties.seen(first - 1), ties.seen(first), len(like.pairs)
    if like.share < ties.options.same_people:
        return f"other people ({both or 'none'} of {before} stayed, {now - both or 'none'} came){later}"
    if like.in_place <= IN_PLACE:
        return f"the same people stand otherwise{later}"
    if like.share < _share_asked(pause, ties.options):
        return f"only {both} of {now} are the same{later}"
    return f"somebody joined or left{later}"


def _again(sights: Sequence[Sight], groups: Sequence[Group], at: int, options: GroupingOptions) -> int | None:
    """Return the latest earlier group that shows the same people as a group, by their middle frames."""
    mine, asked = _middle(sights, groups[at]), _share_asked(math.inf, options)
    for before in range(at - 1, max(-1, at - 1 - RETURNS_AFTER), -1):
        theirs = _middle(sights, groups[before])
        few, many = sorted((len(mine.widths), len(theirs.widths)))
        # No pair of frames can have a larger share in common than the numbers of their people allow.
        if few and few / many >= asked and compare(theirs, mine).share >= asked:
            return before
    return None


def _middle(sights: Sequence[Sight], group: Group) -> Sight:
    return sights[group.frames[len(group.frames) // 2]]


def duration(seconds: float) -> str:
    """Return a time as people say it: '4 s', '12 min', '2 h 5 min'."""
    if seconds < 90:
        return f"{seconds:.0f} s" if seconds >= 9.5 or seconds == int(seconds) else f"{seconds:.1f} s"
    minutes = round(seconds / 60)
    hours, rest = divmod(minutes, 60)
    if not hours:
        return f"{minutes} min"
    return f"{hours} h {rest} min" if rest else f"{hours} h"
