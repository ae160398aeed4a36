"""What is said while work goes on and when it is done."""

from __future__ import annotations

import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

from facemerge import stopping

if TYPE_CHECKING:
    from facemerge.pipeline import Clock, Progress, Result


def progress() -> Progress:
    """Return a line that is written over on a terminal, and nothing in a pipe."""
    stopping.working()
    shown = sys.stderr.isatty()
    step, since_s = "", 0.0

    def show(what: str, done: int, total: int) -> None:
        nonlocal step, since_s
        # Native code and imports may swallow the exception of Ctrl-C; the wish to stop is not lost with it.
        if stopping.asked():
            raise KeyboardInterrupt
        if not shown:
            return
        if what != step or done == 0:
            step, since_s = what, time.perf_counter()
        left = _left(done, total, time.perf_counter() - since_s)
        print(f"\r\033[K{what}: {done} of {total}{left}", end="", file=sys.stderr, flush=True)
        if done >= total:
            end_line()

    return show


def _left(done: int, total: int, elapsed_s: float) -> str:
    """Return how long the rest of a step will take, in words as rough as the guess is, or ''."""
    from facemerge.pipeline import left_s

    left = left_s(done, total, elapsed_s)
    if left is None:
        return ""
    if left < 90:
        return f", about {max(5, 5 * round(left / 5))} s left"
    return f", about {round(left / 60)} min left"


def end_line() -> None:
    if sys.stderr.isatty():
        print("\r\033[K", end="", file=sys.stderr, flush=True)


def tell(result: Result, out: Path) -> None:
    for line in result.summary:
        print(line)
    print(f"Look at {out / 'report.html'}")


def tell_times(clock: Clock) -> None:
    """Print a table: the steps, their seconds and shares, and within a step its parts, drawn in."""
    spent = clock.spent
    total = sum(s.seconds for s in spent if s.within is None)
    print(f"Where the time went, {total:.1f} s in all:")
    for s in spent:
        name = s.what if s.within is None else f"  {s.what}"
        print(f"  {name:<40}{s.seconds:8.2f} s{100 * s.seconds / total:5.0f} %")
