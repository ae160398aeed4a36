"""Work done by several processes of this machine, each of which may die without taking the others along."""

from __future__ import annotations

import math
import multiprocessing
import os
import signal
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from functools import partial
from multiprocessing.connection import Connection, wait
from multiprocessing.context import SpawnProcess
from types import TracebackType
from typing import Any

from facemerge import machine, stopping
from facemerge.errors import MachineError

ATTEMPTS = 2
"""How often a piece of work is begun before the death of its process is blamed on it."""
TICK_S = 0.5
"""How often the wish to stop is asked for."""
LEAVE_S = 20.0
"""How long a process may take to clear away its half-done work before it is ended for good."""
BASE_GB, GB_A_MEGAPIXEL = 0.4, 0.045
"""Memory of one merge: 1.5 GB for frames of 24 megapixels."""
USED_SHARE = 0.8
"""How much of the free memory is taken."""


@dataclass(frozen=True, slots=True)
class Died:
    """In the place of an answer: the process that worked on it ended without giving one."""

    why: str


@dataclass(slots=True, eq=False)
class _Worker:
    process: SpawnProcess
    line: Connection
    index: int | None = None
    """What it works on."""


def process_count(megapixels: float, pieces: int) -> int:
    """Return how many processes to use: no more than cores, pieces of work, or what the memory holds.

    Parameters
    ----------
    megapixels
        Size of the largest frame.
    pieces
        Of work there are.
    """
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    fits = math.floor(USED_SHARE * machine.free_bytes() / 1e9 / (BASE_GB + GB_A_MEGAPIXEL * megapixels))
    return max(1, min(cores, fits, pieces))


@dataclass(slots=True, eq=False)
class Pool:
    """Processes that answer one piece of work at a time."""

    work: Callable[[Any], Any]
    """A function of a module: it is called in the processes."""
    count: int
    _workers: list[_Worker] = field(default_factory=list)

    def __enter__(self) -> Pool:
        return self

    def __exit__(self, kind: type[BaseException] | None, _: object, __: TracebackType | None) -> None:
        self._end()

    def run(
        self, pieces: Sequence[Any], answered: Callable[[int, Any], None], tick: Callable[[], None]
    ) -> None:
        """Hand each piece to a process and each answer to `answered`, with the piece's index, as they come.

        Parameters
        ----------
        pieces
            Picklable; begun in their order.
        answered
            Gets `Died` if a process ended over a piece, for the second time.
        tick
            Called now and then; may raise to stop everything.
        """
        waiting = deque(range(len(pieces)))
        begun = [0] * len(pieces)
        while waiting or any(w.index is not None for w in self._workers):
            while waiting and (worker := self._idle()) is not None:
                try:
                    worker.line.send(pieces[waiting[0]])
                except OSError:  # it died while it had nothing to do
                    self._bury(worker)
                    continue
                worker.index = waiting.popleft()
                begun[worker.index] += 1
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
                answered(index, answer)
            tick()

    def _idle(self) -> _Worker | None:
        """Return a process that has nothing to do, a new one if there may be more."""
        for worker in self._workers:
            if worker.index is None and worker.process.is_alive():
                return worker
        self._workers = [w for w in self._workers if w.index is not None]
        if len(self._workers) >= self.count:
            return None
        context = multiprocessing.get_context("spawn")
        mine, theirs = context.Pipe()
        process = context.Process(target=_serve, args=(theirs, self.work), daemon=True, name="facemerge")
        with _unheard():
            process.start()
        theirs.close()
        self._workers.append(_Worker(process, mine))
        return self._workers[-1]

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


def _serve(line: Connection, work: Callable[[Any], Any]) -> None:
    """Answer pieces of work until the other end of the line is gone."""
    # Ctrl-C reaches every process of a terminal; whoever started this one says when to stop.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, stopping.heed)
    stopping.working()
    import cv2

    cv2.setNumThreads(1)
    parent = multiprocessing.parent_process()
    assert parent is not None
    # Without a thread it leaves once the piece it has begun is done.
    with suppress(MachineError):
        machine.started("facemerge-parent", partial(_leave_with, parent.sentinel))
    try:
        while True:
            line.send(work(line.recv()))
    except (EOFError, OSError, KeyboardInterrupt):
        pass
    finally:
        # Threads of native libraries may still be there; see `stopping.leave`.
        os._exit(0)


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
