"""How long work says how far it is, where its time goes, and how several threads do it."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, TypeVar

from facemerge import machine

Progress = Callable[[str, int, int], None]
"""(what is being done, steps done, steps in all)."""

Item = TypeVar("Item")
Answer = TypeVar("Answer")


def no_progress(what: str, done: int, total: int) -> None:
    """Take no notice of progress."""


def left_s(done: int, total: int, elapsed_s: float) -> float | None:
    """Return how many seconds the steps still to do will take, or None while that cannot be told.

    The first steps tell little: what is loaded is loaded then.
    """
    if done < 2 or elapsed_s < 2 or done >= total:
        return None
    return elapsed_s * (total - done) / done


@dataclass(frozen=True, slots=True, kw_only=True)
class Spent:
    """What one part of a run took."""

    what: str
    seconds: float
    within: str | None = None
    """The stage whose part it is; None for a stage."""


class Clock:
    """Where the time of a run goes: stages one after the other, and what is done within them."""

    def __init__(self, began_s: float | None = None) -> None:
        """Start the clock, or take it as started at an earlier reading of `time.perf_counter`.

        What has passed since then counts as loading.
        """
        now = time.perf_counter()
        self._start = now if began_s is None else began_s
        self._stage: str | None = None
        self._stages: dict[str, float] = {} if began_s is None else {"Loading the program": now - began_s}
        self._parts: dict[tuple[str, str], float] = {}
        self._lock = threading.Lock()

    def __reduce__(self) -> tuple[Any, ...]:
        # Another process has a clock of its own.
        return Clock, ()

    @contextmanager
    def stage(self, what: str) -> Iterator[None]:
        """Time a stage: one after the other, in one thread."""
        start, self._stage = time.perf_counter(), what
        try:
            yield
        finally:
            self._stage = None
            self._stages[what] = self._stages.get(what, 0.0) + time.perf_counter() - start

    @contextmanager
    def part(self, what: str) -> Iterator[None]:
        """Time what is done within the stage of the moment, in any thread; parts do not hold parts."""
        start, within = time.perf_counter(), self._stage
        try:
            yield
        finally:
            if within is not None:
                with self._lock:
                    key = (within, what)
                    self._parts[key] = self._parts.get(key, 0.0) + time.perf_counter() - start

    def taken(self) -> dict[str, float]:
        """Return the seconds of all parts so far, by what was done, and forget them."""
        with self._lock:
            told: dict[str, float] = {}
            for (_, what), seconds in self._parts.items():
                told[what] = told.get(what, 0.0) + seconds
            self._parts.clear()
        return told

    def add(self, parts: Mapping[str, float]) -> None:
        """Count seconds, by what was done, that another process has spent in the stage of the moment."""
        within = self._stage
        if within is not None:
            with self._lock:
                for what, seconds in parts.items():
                    self._parts[within, what] = self._parts.get((within, what), 0.0) + seconds

    @property
    def spent(self) -> tuple[Spent, ...]:
        """The stages in their order, each followed by its parts, and what is left: together all the time.

        Several threads do the parts of a stage at once: each part is given its share of the stage's time.
        """
        found = []
        total = time.perf_counter() - self._start
        for stage, seconds in self._stages.items():
            found.append(Spent(what=stage, seconds=seconds))
            parts = {what: s for (within, what), s in self._parts.items() if within == stage}
            scale = min(1.0, seconds / max(sum(parts.values()), 1e-9))
            found += [Spent(what=w, seconds=s * scale, within=stage) for w, s in parts.items()]
        rest = max(0.0, total - sum(self._stages.values()))
        return (*found, Spent(what="All else", seconds=rest))


def in_order(
    work: Callable[[Item], Answer],
    items: Sequence[Item],
    workers: int,
    what: str = "",
    progress: Progress = no_progress,
    before: int = 0,
) -> Iterator[Answer]:
    """Yield what `work` makes of each item, in their order, however many threads do it.

    Parameters
    ----------
    work
        Called once an item; with more than one worker in other threads, so it must share nothing it changes.
    items
        What is to be done.
    workers
        Threads, or as many as the system gives; with 1 the work is done in the caller's own, one item after
        the other as they are asked for.
    what, progress
        How the work is called, and who is told how far it is: always in the caller's thread.
    before
        Items of the same work that are done already.
    """
    total = before + len(items)
    workers = min(workers, len(items))
    if workers > 1:
        workers = machine.threads_to_be_had(workers)
    if workers < 2:
        for done, item in enumerate(items, before):
            progress(what, done, total)
            yield work(item)
    else:
        pool = ThreadPoolExecutor(workers, thread_name_prefix="facemerge")
        try:
            running = [pool.submit(work, item) for item in items]
            for done, future in enumerate(running, before):
                progress(what, done, total)
                yield future.result()
        finally:
            # Whoever stops asking, for an error or for Ctrl-C, waits for the items begun and for no other.
            pool.shutdown(cancel_futures=True)
    progress(what, total, total)
