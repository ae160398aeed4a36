"""Looks through a burst: reads every frame once and keeps what is small."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from facemerge import composite, faces, machine, scores, tracks
from facemerge.errors import InputError, MachineError, NobodyFoundError
from facemerge.models import Models
from facemerge.options import Options
from facemerge.pipeline.glance import Glance
from facemerge.pipeline.known import Known
from facemerge.pipeline.looker import Again, Glanced, Judged, Placed, Read, Sight, Team, Tools, Tried
from facemerge.pipeline.progress import Clock, Progress, no_progress
from facemerge.words import Aligned, Analysis, Frame, Missing, Person, Score, Unaligned
from facemerge.workers import how_many

MOST_BYTES = 2.4e9
"""What all processes that look at frames may take: of larger frames fewer are looked at together."""
OWN_BYTES, A_WORKER_BYTES = 0.2e9, 0.19e9
"""What this process takes, and what one that looks at frames takes by itself, its networks loaded."""
BYTES_A_PIXEL = 4.2
"""What a frame of 8 bits adds to that, its copies included; measured: 97 MB at 24 megapixels."""
ALONE_BYTES_A_PIXEL = 12
"""What looking at a frame of 8 bits takes in this process, its share of the networks included: what must be
free for one, and for each thread under a limit of this process. Measured: 285 MB at 24 megapixels."""

SETTING_BYTES_A_PIXEL = 45
"""What setting heads into a frame of 8 bits takes, its donors and the files written included; measured by
batches: 0.4 GB and 1.1 GB more at 24 megapixels."""

LOOKING = "Looking at the frames"
AGAIN = "Looking again for people overlooked"
TRYING = "Looking for a better reference"
JUDGING = "Judging the faces"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Album:
    """The small pictures kept of a burst, by (person id, frame index)."""

    thumbnails: dict[tuple[str, int], bytes]
    """sRGB JPEG files, one a face."""
    patches: dict[tuple[str, int], composite.Patch]
    """What the forecast of seams compares."""


@dataclass(slots=True, kw_only=True, eq=False)
class _Seen:
    """What is kept of one frame after its pixels are gone."""

    frame: Frame
    glance: Glance
    """Without its view: those of all frames together would fill the memory."""
    alignment: Aligned | Unaligned


def analyse(
    frames: Sequence[Frame],
    read: Read,
    models: Models,
    options: Options,
    progress: Progress = no_progress,
    *,
    workers: int | None = None,
    known: Known | None = None,
    clock: Clock | None = None,
) -> tuple[Analysis, Album]:
    """Return all that is known of a burst before choosing.

    Parameters
    ----------
    frames
        In the order they were taken; at least two.
    read
        Gives a frame's pixels, 8-bit sRGB for true colours; called once a frame, and again where a person
        was overlooked or another reference is tried. Called by several threads or processes at once; each
        lets the pixels of one frame go before it asks for the next.
    models, options, progress
        The networks, the settings, and who is told how far it is.
    workers
        Processes that look at frames, and so frames in memory at once; threads where there is little to look
        at, or `read` cannot be pickled. The result does not depend on it. None: as many as cores and memory
        allow.
    known
        What earlier runs have left, and what takes what this one sees; the result does not depend on it.
        None: nothing is known, and nothing kept.
    clock
        Told where the time goes.

    Raises
    ------
    InputError
        If fewer than two frames can be read.
    NobodyFoundError
        If nobody is found in any of them.
    """
    require_memory(frames)
    known, clock = known or Known(None, options), clock or Clock()
    tools = Tools(reader=read, models=models, options=options, known=known, clock=clock)
    with Team(tools, progress, workers or workers_for(frames)) as team:
        with clock.stage(LOOKING):
            seen, reference, notes = _look_through(frames, tools, team, progress)
        with clock.stage(AGAIN):
            people, said = _follow(seen, options, team)
        notes += said
        if not people:
            raise NobodyFoundError("No face was found in any frame that could be aligned.")
        with clock.stage(JUDGING):
            return _together(seen, reference, people, notes, team)


def fitting(frames: Sequence[Frame]) -> int:
    """Return how many frames may be looked at together at most, for all cores and memory there may be."""
    return max(1, int((MOST_BYTES - OWN_BYTES) / _bytes_each(frames)))


def _bytes_each(frames: Sequence[Frame]) -> float:
    return A_WORKER_BYTES + BYTES_A_PIXEL * max((_weight(f) for f in frames), default=1)


def workers_for(frames: Sequence[Frame]) -> int:
    """Return how many frames may be looked at together, at least one: fewer where memory is short."""
    largest = max((_weight(f) for f in frames), default=1)
    fits = fitting(frames)
    if (left := machine.address_space_left()) < math.inf:
        # Small bursts are looked at by threads, which share what is left.
        fits = min(fits, int(left / (ALONE_BYTES_A_PIXEL * largest + machine.A_THREAD_BYTES)))
    return min(how_many(len(frames), _bytes_each(frames)), max(1, fits))


def require_memory(frames: Sequence[Frame], bytes_a_pixel: int = ALONE_BYTES_A_PIXEL) -> None:
    """Refuse a burst of which one frame alone takes more memory than is free.

    Parameters
    ----------
    frames
        As they were found; what one takes is known from its size and depth.
    bytes_a_pixel
        `ALONE_BYTES_A_PIXEL` for looking through them, `SETTING_BYTES_A_PIXEL` where heads are set in.

    Raises
    ------
    MachineError
        If it cannot fit; the sentence names the largest frame.
    """
    if not frames:
        return
    largest = max(frames, key=_weight)
    needed, free = bytes_a_pixel * _weight(largest), machine.free_bytes(swap=True)
    if needed > free:
        w, h = largest.size
        raise MachineError(
            f"{largest.name} has {w} x {h} pixels, for which about {needed / 1e6:,.0f} MB of memory are "
            f"needed; {max(0.0, free) / 1e6:,.0f} MB are free."
        )


def _weight(frame: Frame) -> int:
    return frame.size[0] * frame.size[1] * (frame.bit_depth // 8)


def _together(
    seen: Sequence[_Seen], reference: int, people: tuple[Person, ...], notes: list[str], team: Team
) -> tuple[Analysis, Album]:
    """Return all that the frames tell together."""
    own = [[s.glance.index_of(face) for face, s in zip(p.faces, seen, strict=True)] for p in people]
    judged = _judge(people, own, seen, team)
    notes += scores.row_notes([p.row for p in people], judged, [s.frame.name for s in seen])
    analysis = Analysis(
        frames=tuple(s.frame for s in seen),
        reference=reference,
        alignments=tuple(s.alignment for s in seen),
        people=people,
        scores={p.id: judged[i] for i, p in enumerate(people)},
        notes=tuple(notes),
    )
    album = Album(thumbnails={}, patches={})
    for p, row in zip(people, own, strict=True):
        for f, i in enumerate(row):
            if i is not None:
                portrait = seen[f].glance.portraits[i]
                album.thumbnails[p.id, f] = portrait.thumbnail
                album.patches[p.id, f] = portrait.patch
    return analysis, album


def _judge(
    people: Sequence[Person], own: Sequence[Sequence[int | None]], seen: Sequence[_Seen], team: Team
) -> tuple[tuple[Score | None, ...], ...]:
    """Return everybody's scores, one a frame, with what whole rows say of a soft face."""
    pieces = [
        Judged(
            measures=tuple(
                None if i is None else s.glance.portraits[i].measures for i, s in zip(row, seen, strict=True)
            )
        )
        for row in own
    ]
    return scores.with_row_reasons([p.row for p in people], list(team.each(JUDGING, pieces)))


def _look_through(
    frames: Sequence[Frame], tools: Tools, team: Team, progress: Progress
) -> tuple[list[_Seen], int, list[str]]:
    """Read every frame once: find and measure its faces, and place it on the reference, whose index is given.

    What cannot be read is left out with a note: one bad file ends no run.
    """
    # The middle of a burst is nearest in time to all of it: people and camera have moved least from there.
    order = sorted(range(len(frames)), key=lambda f: (abs(f - len(frames) // 2), f))
    notes: list[str] = []
    found: dict[int, _Seen] = {}
    if not tools.known.has_glance(frames[order[0]], faces.NOTHING):
        # What is not known of the first is known of none, mostly; the processes load while it is looked at.
        team.expect(frames, faces.NOTHING)
    here: Sight | None = None
    reference = -1
    while order and here is None:
        reference = order.pop(0)
        progress(LOOKING, len(frames) - len(order) - 1, len(frames))
        seen = team.one(Glanced(frame=frames[reference]))
        sight = seen if isinstance(seen, str) else Sight(frames[reference], seen)
        placed = sight if isinstance(sight, str) else _on_itself(sight, tools)
        if isinstance(sight, Sight) and isinstance(placed, _Seen):
            here, found[reference] = sight, placed
            team.teach(here)
        else:
            notes.append(str(placed))
    if here is not None:
        expected = faces.Expected.like(here.glance.faces)
        team.expect([frames[f] for f in order], expected)
        pieces = [Placed(frame=frames[f], expected=expected, reference=here.frame.path) for f in order]
        for f, answer in zip(order, team.each(LOOKING, pieces, len(frames) - len(order)), strict=True):
            if isinstance(answer, str):
                notes.append(answer)
            else:
                found[f] = _Seen(frame=frames[f], glance=answer[0], alignment=answer[1])
    if len(found) < 2:
        raise InputError(" ".join(["Fewer than two frames could be read.", *notes]))
    kept = sorted(found)
    everyone = [found[f] for f in kept]
    at = kept.index(reference)
    if sum(isinstance(s.alignment, Aligned) for s in everyone) * 2 < len(everyone):
        at = _place_anew(everyone, at, team)
    return everyone, at, notes


def _on_itself(sight: Sight, tools: Tools) -> _Seen | str:
    """Return what is kept of the reference, or why it cannot be read."""
    try:
        return _Seen(frame=sight.frame, glance=sight.glance, alignment=sight.on(sight, tools))
    except InputError as error:
        return str(error)


def _place_anew(seen: Sequence[_Seen], old: int, team: Team) -> int:
    """Try other frames as the reference: most frames do not fit the first one, so it may be the odd one."""
    last = len(seen) - 1
    candidates = sorted({0, last // 4, 3 * last // 4, last} - {old})
    for f in candidates:
        team.teach(Sight(seen[f].frame, seen[f].glance))
    paths = tuple(seen[f].frame.path for f in candidates)
    pieces = [Tried(frame=s.frame, glance=s.glance, references=paths) for s in seen]
    rows = list(team.each(TRYING, pieces))
    trials = {c: [row[k] for row in rows] for k, c in enumerate(candidates)}
    trials[old] = [s.alignment for s in seen]
    best = max(trials, key=lambda c: (sum(map(_worth, trials[c])), c == old, -c))
    for entry, alignment in zip(seen, trials[best], strict=True):
        entry.alignment = alignment
    return best


def _worth(fate: Aligned | Unaligned) -> float:
    """Return what a placement is worth when a reference is chosen."""
    match fate:
        case Aligned(model="rough"):
            return 0.5
        case Aligned():
            return 1.0
        case _:
            return 0.0


def _follow(seen: Sequence[_Seen], options: Options, team: Team) -> tuple[tuple[Person, ...], list[str]]:
    """Say who is who, looking again where a person was overlooked; and what should be said about it."""

    def tracked() -> tuple[tuple[Person, ...], tuple[str, ...]]:
        alignments = [s.alignment for s in seen]
        heads = [s.glance.heads for s in seen]
        return tracks.track_people([s.glance.faces for s in seen], alignments, options.tracks, heads)

    people, notes = tracked()
    gaps = {
        f: missing
        for f, s in enumerate(seen)
        if isinstance(s.alignment, Aligned) and (missing := _missing(people, f))
    }
    alignments = [s.alignment for s in seen]
    pieces = [
        Again(
            frame=seen[f].frame,
            glance=seen[f].glance,
            expected=tuple(tracks.expected_landmarks(p, f, alignments) for p in missing),
        )
        for f, missing in gaps.items()
    ]
    more, broken = False, []
    for f, glanced in zip(gaps, team.each(AGAIN, pieces), strict=True):
        if isinstance(glanced, str):
            broken.append(glanced)
        else:
            more |= len(glanced.portraits) > len(seen[f].glance.portraits) or len(glanced.heads) > 0
            seen[f].glance = glanced
    if more:
        people, notes = tracked()
    return people, [*broken, *notes]


def _missing(people: Sequence[Person], frame: int) -> list[Person]:
    return [p for p in people if isinstance(p.faces[frame], Missing)]
