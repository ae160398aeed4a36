"""What is done with one frame, in whatever process: it is looked at, placed, and looked at again."""

from __future__ import annotations

import pickle
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from types import TracebackType
from typing import Any, Protocol

from facemerge import align, faces, machine, scores
from facemerge.errors import InputError
from facemerge.models import Models
from facemerge.options import Options
from facemerge.pipeline.glance import Glance, Overlooked, glance, overlooked
from facemerge.pipeline.known import Known
from facemerge.pipeline.progress import Clock, Progress, in_order
from facemerge.words import Aligned, Float, Frame, Pixels, Score, Unaligned
from facemerge.workers import Died, Pool

Read = Callable[[Frame], Pixels]

WORTH_FRAMES, WORTH_PIXELS = 8, 16e6
"""From how much work on processes of their own are started: they load for as long as two frames take."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tools:
    """What looking takes, whatever the frame."""

    reader: Read
    models: Models
    options: Options
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


class Sight:
    """A frame as alignment sees it; read for that only if it must be, and then once, whoever asks."""

    def __init__(self, frame: Frame, mine: Glance) -> None:
        self.frame = frame
        self.glance = replace(mine, view=None)
        self._view = mine.view
        self._lock = threading.Lock()

    def __reduce__(self) -> tuple[Any, ...]:
        # A lock stays where it is.
        return Sight, (self.frame, replace(self.glance, view=self._view))

    def view(self, tools: Tools) -> align.View:
        """Return the frame's view.

        Raises
        ------
        InputError
            If the frame can no longer be read.
        """
        with self._lock:
            if self._view is None:
                image = tools.read(self.frame)
                with tools.clock.part("Aligning"):
                    self._view = align.view_of(image, self.glance.faces, tools.options.align)
            return self._view

    def on(self, reference: Sight, tools: Tools) -> Aligned | Unaligned:
        """Return where this frame lies on a reference, which may be the frame itself; errors as `view`."""

        def place() -> Aligned | Unaligned:
            mine, other = self.view(tools), reference.view(tools)
            with tools.clock.part("Aligning"):
                if reference.frame.path == self.frame.path:
                    return align.align_reference(mine)
                return align.align_frame(other, mine, tools.options.align)

        return tools.known.placed(self.frame, reference.frame, place)


# -- pieces of work -----------------------------------------------------------------------------------------


class Piece(Protocol):
    """One piece of work: picklable, and its answer too."""

    def done(self, looker: Looker) -> Any:
        """Do it and return the answer."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Glanced:
    """A frame is looked at by itself: gives its glance, or why it cannot be read."""

    frame: Frame
    expected: faces.Expected = faces.NOTHING

    def done(self, looker: Looker) -> Glance | str:
        try:
            return looker.tools.glance(self.frame, self.expected)
        except InputError as error:
            return str(error)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Placed:
    """A frame is looked at and placed on a reference: gives both, or why it cannot be read."""

    frame: Frame
    expected: faces.Expected
    reference: str
    """Path of a frame that the looker has learnt."""

    def done(self, looker: Looker) -> tuple[Glance, Aligned | Unaligned] | str:
        try:
            mine = Sight(self.frame, looker.tools.glance(self.frame, self.expected))
            return mine.glance, mine.on(looker.learnt[self.reference], looker.tools)
        except InputError as error:
            return str(error)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tried:
    """A frame is placed on each of several references: gives where it lies on each."""

    frame: Frame
    glance: Glance
    references: tuple[str, ...]
    """Paths of frames that the looker has learnt; this may be one of them."""

    def done(self, looker: Looker) -> list[Aligned | Unaligned]:
        mine = looker.learnt.get(self.frame.path) or Sight(self.frame, self.glance)
        return [self._on(mine, looker.learnt[reference], looker) for reference in self.references]

    def _on(self, mine: Sight, reference: Sight, looker: Looker) -> Aligned | Unaligned:
        try:
            return mine.on(reference, looker.tools)
        except InputError:
            return Unaligned(reason="it could not be read again")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Again:
    """A frame is looked at where somebody is missing: gives its glance with them, or why not."""

    frame: Frame
    glance: Glance
    expected: tuple[Float, ...]
    """(478, 2) landmarks each, pixels."""

    def done(self, looker: Looker) -> Glance | str:
        tools, seen = looker.tools, self.glance

        def look() -> Overlooked:
            image = tools.read(self.frame)
            return overlooked(self.frame, image, seen, self.expected, tools.models, tools.options)

        try:
            more = tools.known.overlooked(self.frame, self.expected, look)
            return replace(seen, portraits=(*seen.portraits, *more.portraits), heads=more.heads)
        except InputError as error:
            return str(error)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Judged:
    """A person is judged: gives their scores, one a frame."""

    measures: tuple[scores.Measures | None, ...]

    def done(self, looker: Looker) -> tuple[Score | None, ...]:
        return scores.score(self.measures, looker.tools.options.scores)


# -- who does them ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Answer:
    """What a process gives back: the answer, and what it did to get there."""

    answer: Any
    parts: dict[str, float]
    touched: tuple[tuple[str, ...], tuple[str, ...]]


class Looker:
    """Does pieces of work; each process has its own."""

    def __init__(self, tools: Tools) -> None:
        self.tools = tools
        self.learnt: dict[str, Sight] = {}
        """References by path."""

    def learn(self, reference: Sight) -> None:
        """Know a reference from now on."""
        self.learnt[reference.frame.path] = reference

    def __call__(self, piece: Piece) -> _Answer:
        """Do a piece of work in a process of its own."""
        with self.tools.clock.stage(""):
            answer = piece.done(self)
        machine.give_back()
        return _Answer(answer, self.tools.clock.taken(), self.tools.known.touched())


class Team:
    """Those who do the work on one burst: processes where they are worth their loading, else threads."""

    def __init__(self, tools: Tools, progress: Progress, count: int) -> None:
        """Take what looking takes, who is told how far it is, and how many may work at once."""
        self._looker = Looker(tools)
        self._tools = tools
        self._progress = progress
        self._count = count
        self._pool: Pool | None = None

    def __enter__(self) -> Team:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, where: TracebackType | None
    ) -> None:
        if self._pool is not None:
            self._pool.__exit__(kind, error, where)
            self._pool = None

    def expect(self, frames: Sequence[Frame], expected: faces.Expected) -> None:
        """Start processes if so many of some frames are not known yet that it is worth it."""
        if self._pool is not None:
            return
        frames = [f for f in frames if not self._tools.known.has_glance(f, expected)]
        pixels = sum(f.size[0] * f.size[1] for f in frames)
        enough = len(frames) >= WORTH_FRAMES and pixels >= WORTH_PIXELS
        if self._count > 1 and enough and _can_travel(self._tools.reader):
            self._pool = Pool(self._looker, min(self._count, len(frames)))
            self._pool.start()

    def teach(self, reference: Sight) -> None:
        """Let everybody know a reference."""
        self._looker.learn(reference)
        if self._pool is not None:
            self._pool.teach(reference)

    def each(self, what: str, pieces: Sequence[Piece], before: int = 0) -> Iterator[Any]:
        """Yield the answers to pieces of work, in their order.

        Parameters
        ----------
        what
            How the work is called.
        before
            Pieces of the same work that are done already.
        """
        if self._pool is None:
            return in_order(self._here, pieces, self._count, what, self._progress, before)
        return self._by_processes(self._pool, what, pieces, before)

    def one(self, piece: Piece) -> Any:
        """Return the answer to a single piece of work, of which no progress is told."""
        if self._pool is None:
            return self._here(piece)
        return self._answer(next(self._pool.answers([piece], lambda: None))[1], piece)

    def _here(self, piece: Piece) -> Any:
        return piece.done(self._looker)

    def _by_processes(self, pool: Pool, what: str, pieces: Sequence[Piece], before: int) -> Iterator[Any]:
        early: dict[int, Any] = {}
        told, total = before, before + len(pieces)

        def tick() -> None:
            self._progress(what, told, total)

        tick()
        for index, answer in pool.answers(pieces, tick):
            early[index] = self._answer(answer, pieces[index])
            while told - before in early:
                told += 1
                yield early.pop(told - before - 1)
        self._progress(what, total, total)

    def _answer(self, told: _Answer | Died, piece: Piece) -> Any:
        """Return the answer that a process gave, having taken note of what it did for it."""
        if isinstance(told, Died):
            # What brought a process down may yet be done here, alone; what cannot be done says why here.
            return self._here(piece)
        self._tools.clock.add(told.parts)
        self._tools.known.note(told.touched)
        return told.answer


def _can_travel(word: object) -> bool:
    """Return whether another process can make the same of its pickle: nothing of the main script can."""
    try:
        return b"__main__" not in pickle.dumps(word)
    except (pickle.PicklingError, AttributeError, TypeError):
        return False
