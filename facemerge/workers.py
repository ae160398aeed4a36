"""Work done by several processes of this machine, each of which may die without taking the others along."""

from __future__ import annotations

import math
import multiprocessing
import os
import signal
import sys
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from functools import partial
from multiprocessing.connection import Connection, wait
from multiprocessing.context import SpawnProcess
from types import ModuleType, TracebackType
from typing import Any

from facemerge import machine, stopping
from facemerge.errors import MachineError

USED_SHARE = 0.8
"""How much of the free memory is taken."""
ATTEMPTS = 2
"""How often a piece of work is begun before the death of its process is blamed on it."""
TICK_S = 0.5
"""How often the wish to stop is asked for."""
NO_PROCESS = "no process could be started"
LEAVE_S = 20.0
"""How long a process may take to clear away its half-done work before it is ended for good."""
SPARING = {
    "OPENBLAS_NUM_THREADS": "1",
    "OMP_NUM_THREADS": "1",
    "MKL_NUM_THREADS": "1",
    "MALLOC_ARENA_MAX": "1",
}
"""What a process is started with: one core is all it is to take, and one arena (mallopt(3)) all it needs."""


@dataclass(frozen=True, slots=True)
class Died:
    """In the place of an answer: the process that worked on it ended without giving one."""

    why: str


def how_many(pieces: int, bytes_each: float) -> int:
    """Return how many processes to use: no more than cores, pieces of work, or what the memory holds.

    Parameters
    ----------
    pieces
        Of work there are.
    bytes_each
        What one process takes with one of them.
    """
    fits = math.floor(USED_SHARE * machine.free_bytes() / bytes_each)
    return max(1, min(machine.cores(), fits, pieces))


@dataclass(slots=True, eq=False)
class _Worker:
    process: SpawnProcess
    line: Connection
    index: int | None = None
    """What it works on."""
    taught: int = 0
    """How many lessons it has had."""


@dataclass(slots=True, eq=False)
class Pool:
    """Processes that answer one piece of work at a time."""

    work: Callable[[Any], Any]
    """Picklable; each process has a copy, which it calls."""
    count: int
    _workers: list[_Worker] = field(default_factory=list)
    _lessons: list[Any] = field(default_factory=list)

    def __enter__(self) -> Pool:
        return self

    def start(self) -> None:
        """Start the processes ahead of the first piece of work: loading takes them half a second."""
        while len(self._workers) < self.count and self._new() is not None:
            pass

    def teach(self, lesson: Any) -> None:
        """Have every process call `work.learn` with something picklable before its next piece."""
        self._lessons.append(lesson)

    def __exit__(self, kind: type[BaseException] | None, _: object, __: TracebackType | None) -> None:
        self._end()

    def run(
        self, pieces: Sequence[Any], answered: Callable[[int, Any], None], tick: Callable[[], None]
    ) -> None:
        """Hand each piece to a process and each answer to `answered`, with the piece's index, as they come.

        Parameters
        ----------
        pieces, tick
            As `answers` takes them.
        answered
            Gets what `answers` yields.
        """
        for index, answer in self.answers(pieces, tick):
            answered(index, answer)

    def answers(self, pieces: Sequence[Any], tick: Callable[[], None]) -> Iterator[tuple[int, Any]]:
        """Hand each piece to a process, and yield each answer after the index of its piece, as they come.

        It is `Died` if a process ended over the piece, for the second time, or none could be started.

        Parameters
        ----------
        pieces
            Picklable; begun in their order.
        tick
            Called now and then; may raise to stop everything.
        """
        waiting = deque(range(len(pieces)))
        begun = [0] * len(pieces)
        while waiting or any(w.index is not None for w in self._workers):
            while waiting and (worker := self._idle()) is not None:
                try:
                    self._send(worker, pieces[waiting[0]])
                except OSError:  # it died while it had nothing to do
                    self._bury(worker)
                    continue
                worker.index = waiting.popleft()
                begun[worker.index] += 1
            if waiting and not self._workers:
                yield from ((left, Died(NO_PROCESS)) for left in waiting)
                return
            busy = {w.line: w for w in self._workers if w.index is not None}
            for line in wait(list(busy), TICK_S):
                worker = busy[line]  # type: ignore[index]
                index = worker.index
                assert index is not None
                try:
                    answer = worker.line.recv()
                except (EOFError, OSError):
                    answer = Died(self._bury(worker))
                    if begun[index] < ATTEMPTS:
                        waiting.appendleft(index)
                        continue
                worker.index = None
                yield index, answer
            tick()

    def _idle(self) -> _Worker | None:
        """Return a process that has nothing to do, a new one if there may be more."""
        for worker in self._workers:
            if worker.index is None and worker.process.is_alive():
                return worker
        self._workers = [w for w in self._workers if w.index is not None]
        return None if len(self._workers) >= self.count else self._new()

    def _new(self) -> _Worker | None:
        """Return a process more, or None if the system gives none; then no further one is tried."""
        context = multiprocessing.get_context("spawn")
        try:
            mine, theirs = context.Pipe()
            process = context.Process(target=_serve, args=(theirs, self.work, self.count), name="facemerge")
            with _unheard(), _environment(SPARING), _without_main():
                process.start()
        except OSError:
            self.count = len(self._workers)
            return None
        theirs.close()
        self._workers.append(_Worker(process, mine))
        return self._workers[-1]

    def _send(self, worker: _Worker, piece: Any) -> None:
        for lesson in self._lessons[worker.taught :]:
            worker.line.send((True, lesson))
            worker.taught += 1
        worker.line.send((False, piece))

    def _bury(self, worker: _Worker) -> str:
        """Take a dead process off the list and return how it ended."""
        worker.process.join(LEAVE_S)
        self._workers.remove(worker)
        worker.line.close()
        code = worker.process.exitcode
        if code == -9:
            return "the process was killed, perhaps because the memory was used up"
        return f"the process broke down ({'exit code' if (code or 0) >= 0 else 'signal'} {abs(code or 0)})"

    def _end(self) -> None:
        for worker in self._workers:
            # An idle process leaves by itself when nobody is at the other end; a busy one clears away first.
            if worker.index is not None:
                worker.process.terminate()
            worker.line.close()
        for worker in self._workers:
            worker.process.join(LEAVE_S)
            if worker.process.is_alive():
                worker.process.kill()
                worker.process.join()
        self._workers.clear()


def _serve(line: Connection, work: Any, of: int) -> None:
    """Answer pieces of work until the other end of the line is gone."""
    # Ctrl-C reaches every process of a terminal; whoever started this one says when to stop.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, stopping.heed)
    stopping.working()
    machine.leave_all_but(max(1, machine.cores() // of))
    machine.use_threads(machine.cores())
    parent = multiprocessing.parent_process()
    assert parent is not None
    # Without a thread it leaves once the piece it has begun is done.
    with suppress(MachineError):
        machine.started("facemerge-parent", partial(_leave_with, parent.sentinel))
    try:
        while True:
            is_lesson, said = line.recv()
            if is_lesson:
                work.learn(said)
            else:
                line.send(work(said))
    except (EOFError, OSError, KeyboardInterrupt):
        pass
    finally:
        # Threads of native libraries may still be there; see `stopping.leave`.
        os._exit(0)


@contextmanager
def _environment(variables: Mapping[str, str]) -> Iterator[None]:
    """Start processes with some variables that the user has not set otherwise."""
    new = {name: value for name, value in variables.items() if name not in os.environ}
    os.environ.update(new)
    try:
        yield
    finally:
        for name in new:
            del os.environ[name]


@contextmanager
def _without_main() -> Iterator[None]:
    """Start processes that do not run the main script again: one that calls this program may not bear it."""
    main = sys.modules["__main__"]
    sys.modules["__main__"] = ModuleType("__main__")
    try:
        yield
    finally:
        sys.modules["__main__"] = main


@contextmanager
def _unheard() -> Iterator[None]:
    """Start processes that do not hear Ctrl-C: they inherit what is held back here for a moment."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    from multiprocessing import resource_tracker

    # Starting it lets the signal through again (`ensure_running`), so that has to come first.
    resource_tracker.ensure_running()
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _leave_with(sentinel: int) -> None:
    """End this process with the one that started it, though that was killed and could say nothing."""
    wait([sentinel])
    os._exit(1)
