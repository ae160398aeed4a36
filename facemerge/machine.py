"""What the machine still has to give: memory and threads, asked for before they are needed."""

from __future__ import annotations

import ctypes
import math
import os
import threading
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from facemerge.errors import MachineError

if TYPE_CHECKING:
    from collections.abc import Callable

LOADED_BYTES = 1_200_000_000
"""Address space below which nothing is begun. Measured with limits from 150 MB on, two frames of half a
megapixel looked through: from 1,200 MB on it is done, at 600 to 700 MB a library that is being loaded breaks
down."""
THREADS = 2
"""Threads that have to be had: one that works, one that native libraries start for themselves."""
A_THREAD_BYTES = 140_000_000
"""Address space that a thread takes by itself: 8 MB of stack, and twice 64 MB while the C library cuts an
arena for it to size; glibc's malloc/arena.c (HEAP_MAX_SIZE), from memory."""

_CGROUPS = Path("/sys/fs/cgroup")
_SPARE_VARIABLES = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")


def require_room() -> None:
    """Refuse to load the libraries where they would not fit; where threads are short, load them with one.

    Native libraries do not say that memory or threads are lacking: they end the program.

    Raises
    ------
    MachineError
        If a limit of this process leaves too little memory.
    """
    left = address_space_left()
    if left < LOADED_BYTES:
        raise MachineError(
            f"This program needs about {LOADED_BYTES / 1e6:.0f} MB to begin with, and the limit set for it "
            f"leaves {max(0.0, left) / 1e6:.0f} MB."
        )
    if left < LOADED_BYTES + A_THREAD_BYTES * 2 * cores() or threads_to_be_had(THREADS) < THREADS:
        for name in _SPARE_VARIABLES:
            os.environ.setdefault(name, "1")


_share = math.inf
_TRIM = getattr(ctypes.CDLL(None), "malloc_trim", None) if os.name == "posix" else None


def leave_all_but(most: int) -> None:
    """Have `cores` say no more than `most` from now on: the others are those of processes beside this one."""
    global _share
    _share = most


def cores() -> int:
    """Return how many cores this process may use: its affinity, its container and its parent say."""
    mine = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return max(1, math.floor(min(mine, _share, *_shares())))


def use_threads(count: int) -> None:
    """Have the picture library's own threads be no more than `count`; its answers do not depend on it."""
    import cv2

    cv2.setNumThreads(count)


def give_back() -> None:
    """Give memory that is free back to the system, where the C library keeps it (malloc_trim(3))."""
    if _TRIM is not None:
        _TRIM(0)


def _shares() -> Iterator[float]:
    """Yield how many cores each control group that this process is in may use at once (cgroups(7))."""
    for group in _groups("cpu"):
        with suppress(OSError, ValueError):
            if (group / "cpu.max").exists():
                quota, period = (group / "cpu.max").read_text().split()
            else:
                quota = (group / "cpu.cfs_quota_us").read_text()
                period = (group / "cpu.cfs_period_us").read_text()
            # "max" and -1 stand for no limit.
            if quota != "max" and int(quota) > 0:
                yield int(quota) / int(period)


def free_bytes(*, swap: bool = False) -> float:
    """Return the memory in bytes that may still be taken: of the machine, of the container this runs in, of
    what limits this process, whichever is least.

    Parameters
    ----------
    swap
        Whether memory on the disk counts: slow, and enough for what otherwise cannot be done at all.
    """
    import psutil

    machine: float = psutil.virtual_memory().available
    if swap:
        with suppress(OSError, RuntimeError):
            machine += psutil.swap_memory().free
    return min(machine, address_space_left(), *_left_to_containers())


def address_space_left() -> float:
    """Return the bytes that limits of this process (setrlimit(2)) still allow; infinite without any."""
    try:
        import resource
    except ImportError:  # Windows
        return math.inf
    limits = [resource.getrlimit(kind)[0] for kind in (resource.RLIMIT_AS, resource.RLIMIT_DATA)]
    if limits == [resource.RLIM_INFINITY] * 2:
        return math.inf
    try:
        pages = [int(n) for n in Path("/proc/self/statm").read_text().split()]
    except (OSError, ValueError):
        pages = [0] * 6
    page = resource.getpagesize()
    # proc_pid_statm(5): the first is the whole address space, the sixth data and stack.
    used = (pages[0] * page, pages[5] * page)
    return min(
        (most - now for most, now in zip(limits, used, strict=True) if most != resource.RLIM_INFINITY),
        default=math.inf,
    )


def _left_to_containers() -> Iterator[float]:
    """Yield what each control group that this process is in may still take (cgroups(7), both versions)."""
    for group in _groups("memory"):
        yield from _left_to(group, "memory.max", "memory.current")
        yield from _left_to(group, "memory.limit_in_bytes", "memory.usage_in_bytes")


def _groups(kind: str) -> Iterator[Path]:
    """Yield the folders of this process's control groups of one kind (cgroups(7), both versions)."""
    with suppress(OSError, ValueError):
        for line in Path("/proc/self/cgroup").read_text().splitlines():
            _, kinds, inner = line.split(":", 2)
            if kinds and kind not in kinds.split(","):
                continue
            root = _CGROUPS / kind if kinds else _CGROUPS
            place = root / inner.lstrip("/")
            yield from (group for group in (place, *place.parents) if group.is_relative_to(root))


def _left_to(group: Path, most: str, now: str) -> Iterator[float]:
    with suppress(OSError, ValueError):
        limit, used = int((group / most).read_text()), int((group / now).read_text())
        facts = dict(line.split() for line in (group / "memory.stat").read_text().splitlines())
        # What was read of files is given back when it is asked for.
        yield limit - used + int(facts.get("inactive_file", facts.get("total_inactive_file", 0)))


def threads_to_be_had(wanted: int) -> int:
    """Return how many threads, up to `wanted`, the system gives at once, by starting them."""
    go = threading.Event()
    begun: list[threading.Thread] = []
    try:
        for _ in range(wanted):
            thread = threading.Thread(target=go.wait, daemon=True)
            thread.start()
            begun.append(thread)
    except (RuntimeError, MemoryError):
        pass
    finally:
        go.set()
    for thread in begun:
        thread.join()
    return len(begun)


def started(name: str, work: Callable[[], None]) -> threading.Thread:
    """Start a thread that does not keep the program from ending.

    Raises
    ------
    MachineError
        If the system gives no further one.
    """
    thread = threading.Thread(target=work, name=name, daemon=True)
    try:
        thread.start()
    except RuntimeError as error:
        raise MachineError("The work could not go on: no more threads may be started.") from error
    return thread
