"""Looks through a burst: reads every frame once and keeps what is small."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

from facemerge import align, composite, faces, scores, tracks
from facemerge.errors import InputError, NobodyFoundError
from facemerge.models import Models
from facemerge.options import Options
from facemerge.pipeline.glance import Glance, Overlooked, glance, overlooked
from facemerge.pipeline.known import Known
from facemerge.pipeline.progress import Answer, Clock, Progress, in_order, no_progress
from facemerge.words import Aligned, Analysis, Float, Frame, Missing, Person, Pixels, Score, Unaligned

Read = Callable[[Frame], Pixels]
MOST_WORKERS = 4
MOST_BYTES = 1.2e9
"""What the frames that are looked at together may take: more cores or larger frames, and some cores wait."""
BYTES_A_PIXEL = 12
"""What looking at a frame of 8 bits takes, its copies included; measured: 285 MB at 24 megapixels."""

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


@dataclass(frozen=True, slots=True, eq=False)
class _Job:
    """What looking takes, whatever the frame."""

    reader: Read
    models: Models
    options: Options
    progress: Progress
    workers: int
    known: Known
    clock: Clock

    def read(self, frame: Frame) -> Pixels:
        """Return a frame's pixels."""
        with self.clock.part("Reading the files"):
            return self.reader(frame)

    def glance(self, frame: Frame, expected: faces.Expected) -> Glance:
        """Return what a frame gives by itself, now or in an earlier run."""

        def look() -> Glance:
            return glance(frame, self.read(frame), self.models, self.options, self.clock, expected)

        return self.known.glance(frame, expected, look)

    def each(
        self, what: str, work: Callable[[int], Answer], frames: Sequence[int], before: int = 0
    ) -> Iterator[Answer]:
        """Yield what `work` makes of each frame's index, in their order, while several are worked on."""
        return in_order(work, frames, self.workers, what, self.progress, before)


@dataclass(slots=True, kw_only=True, eq=False)
class _Seen:
    """What is kept of one frame after its pixels are gone."""

    frame: Frame
    glance: Glance
    """Without its view: those of all frames together would fill the memory."""
    alignment: Aligned | Unaligned


class _Sight:
    """A frame as alignment sees it; read for that only if it must be, and then once, whoever asks."""

    def __init__(self, frame: Frame, mine: Glance, job: _Job) -> None:
        self.frame = frame
        self.glance = replace(mine, view=None)
        self._view = mine.view
        self._job = job
        self._lock = threading.Lock()

    def view(self) -> align.View:
        """Return the frame's view.

        Raises
        ------
        InputError
            If the frame can no longer be read.
        """
        with self._lock:
            if self._view is None:
                image = self._job.read(self.frame)
                with self._job.clock.part("Aligning"):
                    self._view = align.view_of(image, self.glance.faces, self._job.options.align)
            return self._view

    def on(self, reference: _Sight) -> Aligned | Unaligned:
        """Return where this frame lies on a reference, which may be the frame itself; errors as `view`."""

        def place() -> Aligned | Unaligned:
            mine, other = self.view(), reference.view()
            with self._job.clock.part("Aligning"):
                if reference.frame is self.frame:
                    return align.align_reference(mine)
                return align.align_frame(other, mine, self._job.options.align)

        return self._job.known.placed(self.frame, reference.frame, place)


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
        was overlooked or another reference is tried. Called by several threads at once; each lets the pixels
        of one frame go before it asks for the next.
    models, options, progress
        The networks, the settings, and who is told how far it is.
    workers
        Threads that look at frames, and so frames in memory at once; the result does not depend on it. None:
        one for each core, but four at most, and fewer for frames so large that they would fill the memory.
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
    workers = workers or workers_for(frames, os.cpu_count() or 1)
    known, clock = known or Known(None, options), clock or Clock()
    job = _Job(read, models, options, progress, workers, known, clock)
    with clock.stage(LOOKING):
        seen, reference, notes = _look_through(frames, job)
    with clock.stage(AGAIN):
        people, said = _follow(seen, job)
    notes += said
    if not people:
        raise NobodyFoundError("No face was found in any frame that could be aligned.")
    with clock.stage(JUDGING):
        return _together(seen, reference, people, notes, job)


def workers_for(frames: Sequence[Frame], cores: int) -> int:
    """Return how many frames of a burst may be looked at together, at least one."""
    largest = max((f.size[0] * f.size[1] * (f.bit_depth // 8) for f in frames), default=1)
    return max(1, min(cores, MOST_WORKERS, int(MOST_BYTES / (BYTES_A_PIXEL * largest))))


def _together(
    seen: Sequence[_Seen], reference: int, people: tuple[Person, ...], notes: list[str], job: _Job
) -> tuple[Analysis, Album]:
    """Return all that the frames tell together."""
    own = [[s.glance.index_of(face) for face, s in zip(p.faces, seen, strict=True)] for p in people]
    judged = _judge(people, own, seen, job)
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
    people: Sequence[Person], own: Sequence[Sequence[int | None]], seen: Sequence[_Seen], job: _Job
) -> tuple[tuple[Score | None, ...], ...]:
    """Return everybody's scores, one a frame, with what whole rows say of a soft face."""

    def judge(person: int) -> tuple[Score | None, ...]:
        measures = [
            None if i is None else s.glance.portraits[i].measures
            for i, s in zip(own[person], seen, strict=True)
        ]
        return scores.score(measures, job.options.scores)

    judged = list(job.each(JUDGING, judge, range(len(people))))
    return scores.with_row_reasons([p.row for p in people], judged)


def _look_through(frames: Sequence[Frame], job: _Job) -> tuple[list[_Seen], int, list[str]]:
    """Read every frame once: find and measure its faces, and place it on the reference, whose index is given.

    What cannot be read is left out with a note: one bad file ends no run.
    """
    # The middle of a burst is nearest in time to all of it: people and camera have moved least from there.
    order = sorted(range(len(frames)), key=lambda f: (abs(f - len(frames) // 2), f))
    notes: list[str] = []
    found: dict[int, _Seen] = {}
    here: _Sight | None = None

    def look(f: int) -> _Seen | str:
        assert here is not None
        mine = _sight(frames[f], job, expected)
        return mine if isinstance(mine, str) else _placed(mine, here)

    reference = -1
    while order and here is None:
        reference = order.pop(0)
        job.progress(LOOKING, len(frames) - len(order) - 1, len(frames))
        first = _sight(frames[reference], job)
        placed = first if isinstance(first, str) else _placed(first, first)
        if isinstance(first, _Sight) and isinstance(placed, _Seen):
            here, found[reference] = first, placed
        else:
            notes.append(str(placed))
    expected = faces.NOTHING if here is None else faces.Expected.like(here.glance.faces)
    for f, seen in zip(order, job.each(LOOKING, look, order, len(frames) - len(order)), strict=True):
        if isinstance(seen, str):
            notes.append(seen)
        else:
            found[f] = seen
    if len(found) < 2:
        raise InputError(" ".join(["Fewer than two frames could be read.", *notes]))
    kept = sorted(found)
    everyone = [found[f] for f in kept]
    at = kept.index(reference)
    if sum(isinstance(s.alignment, Aligned) for s in everyone) * 2 < len(everyone):
        at = _place_anew(everyone, at, job)
    return everyone, at, notes


def _sight(frame: Frame, job: _Job, expected: faces.Expected = faces.NOTHING) -> _Sight | str:
    """Return a frame as it was seen, now or in an earlier run, or why it cannot be read."""
    try:
        mine = job.glance(frame, expected)
    except InputError as error:
        return str(error)
    return _Sight(frame, mine, job)


def _placed(sight: _Sight, reference: _Sight) -> _Seen | str:
    """Return what is kept of a frame that lies on the reference or is it, or why it cannot be read."""
    try:
        return _Seen(frame=sight.frame, glance=sight.glance, alignment=sight.on(reference))
    except InputError as error:
        return str(error)


def _place_anew(seen: Sequence[_Seen], old: int, job: _Job) -> int:
    """Try other frames as the reference: most frames do not fit the first one, so it may be the odd one."""
    last = len(seen) - 1
    possible = sorted({0, last // 4, 3 * last // 4, last} - {old})
    candidates = {f: _Sight(seen[f].frame, seen[f].glance, job) for f in possible}

    def trial(f: int) -> list[Aligned | Unaligned]:
        mine = candidates[f] if f in candidates else _Sight(seen[f].frame, seen[f].glance, job)
        return [_trial(mine, reference) for reference in candidates.values()]

    rows = list(job.each(TRYING, trial, range(len(seen))))
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


def _trial(mine: _Sight, reference: _Sight) -> Aligned | Unaligned:
    try:
        return mine.on(reference)
    except InputError:
        return Unaligned(reason="it could not be read again")


def _follow(seen: Sequence[_Seen], job: _Job) -> tuple[tuple[Person, ...], list[str]]:
    """Say who is who, looking again where a person was overlooked; and what should be said about it."""

    def tracked() -> tuple[tuple[Person, ...], tuple[str, ...]]:
        alignments = [s.alignment for s in seen]
        heads = [s.glance.heads for s in seen]
        return tracks.track_people([s.glance.faces for s in seen], alignments, job.options.tracks, heads)

    people, notes = tracked()
    gaps = {
        f: missing
        for f, s in enumerate(seen)
        if isinstance(s.alignment, Aligned) and (missing := _missing(people, f))
    }
    alignments = [s.alignment for s in seen]
    expected = {
        f: [tracks.expected_landmarks(p, f, alignments) for p in missing] for f, missing in gaps.items()
    }

    def again(f: int) -> Glance | str:
        return _second_glance(seen[f], expected[f], job)

    more, broken = False, []
    for f, glanced in zip(gaps, job.each(AGAIN, again, list(gaps)), strict=True):
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


def _second_glance(entry: _Seen, expected: Sequence[Float], job: _Job) -> Glance | str:
    """Return a frame's glance with the faces and heads that were overlooked where they are expected."""
    frame, seen = entry.frame, entry.glance

    def look() -> Overlooked:
        return overlooked(frame, job.read(frame), seen, expected, job.models, job.options)

    try:
        more = job.known.overlooked(frame, expected, look)
        return replace(seen, portraits=(*seen.portraits, *more.portraits), heads=more.heads)
    except InputError as error:
        return str(error)
