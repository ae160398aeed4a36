"""Runs a command and watches it: wall and CPU time, peak memory, and what else the machine did meanwhile."""

from __future__ import annotations

import os
import re
import subprocess
import tempfile
import threading
import time
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

PROC = Path("/proc")
POLL_S = 0.05
STATUS = re.compile(r"^(VmRSS|VmHWM|Pss):\s+(\d+) kB$", re.MULTILINE)
STAGE = re.compile(r"^(?P<indent> +)(?P<what>\S.*?) +(?P<seconds>\d+\.\d+) s +\d+ %$")


class FailedError(Exception):
    """A command that is measured has failed; the text is one sentence."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """What one run of a command took."""

    wall_s: float
    cpu_s: float
    """Of the process and the children it waited for, user and system."""
    peak_mb: float
    """Resident memory of the process and its children together, 10^6 bytes; what they share counts once.
    0 where the system tells nothing of it."""
    others_cores: float | None
    """How many cores were busy with something else meanwhile, on average; None where that cannot be told."""
    output: str = field(repr=False)
    """What it printed on stdout."""

    @property
    def stages(self) -> dict[str, float]:
        """Seconds by stage, in order, as `--timings` says them; a part goes by 'stage: part'."""
        return stages_of(self.output)


def stages_of(text: str) -> dict[str, float]:
    """Return the seconds of each stage from the table that `--timings` prints."""
    found: dict[str, float] = {}
    stage = ""
    for line in text.splitlines():
        told = STAGE.match(line)
        if told is None:
            continue
        if len(told["indent"]) == 2:
            stage = told["what"]
            found[stage] = float(told["seconds"])
        else:
            found[f"{stage}: {told['what']}"] = float(told["seconds"])
    return found


def run(
    command: Sequence[str], *, environment: Mapping[str, str] | None = None, cores: int | None = None
) -> Run:
    """Run a command to its end and return what it took.

    Parameters
    ----------
    command
        The program and its arguments.
    environment
        Variables beside those that are set.
    cores
        How many cores it may use; None: all. Linux alone can be told.

    Raises
    ------
    FailedError
        If it ends with another exit code than 0, or there are not so many cores.
    """
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        busy, start = _busy_s(), time.perf_counter()
        process = subprocess.Popen(
            command,
            stdin=subprocess.DEVNULL,
            stdout=out,
            stderr=err,
            env={**os.environ, **(environment or {})},
            preexec_fn=None if cores is None else partial(os.sched_setaffinity, 0, _some(cores)),
        )
        ended, peak = threading.Event(), [0]
        watcher = threading.Thread(target=_watch, args=(process.pid, ended, peak))
        watcher.start()
        try:
            _, status, used = os.wait4(process.pid, 0)
        finally:
            ended.set()
            watcher.join()
        wall = time.perf_counter() - start
        # Told, so that it is not waited for a second time.
        process.returncode = os.waitstatus_to_exitcode(status)
        now = _busy_s()
        out.seek(0)
        err.seek(0)
        printed, complaint = out.read().decode(), err.read().decode().strip()
    if process.returncode != 0:
        last = complaint.splitlines()[-1] if complaint else "it said nothing"
        raise FailedError(f"{' '.join(command[:4])} ... ended with {process.returncode}: {last}")
    cpu = used.ru_utime + used.ru_stime
    return Run(
        wall_s=wall,
        cpu_s=cpu,
        peak_mb=peak[0] / 1e6,
        others_cores=None if busy is None or now is None else max(0.0, (now - busy - cpu) / wall),
        output=printed,
    )


def _some(cores: int) -> list[int]:
    own = sorted(os.sched_getaffinity(0))
    if cores > len(own):
        raise FailedError(f"There are {len(own)} cores here, not {cores}.")
    return own[:cores]


def load_average() -> float:
    """Return how many processes wanted to run over the last minute, on average."""
    return os.getloadavg()[0]


def _watch(pid: int, ended: threading.Event, peak: list[int]) -> None:
    """Keep the largest memory that a process and its children held together, in bytes."""
    while not ended.wait(POLL_S):
        held = [_resident(p) for p in _family(pid)]
        # Between two looks a process may have held more; where shares are not told, the kernel keeps the most
        # of each. (What `wait4` tells counts from before the program was started: the benchmark's own size.)
        peak[0] = max(peak[0], sum(now for now, _ in held), *(most for _, most in held))


def _family(pid: int) -> list[int]:
    """Return a process and all that come from it, as far as they can be seen."""
    found = [pid]
    for one in found:
        try:
            for thread in (PROC / str(one) / "task").iterdir():
                found += [int(c) for c in (thread / "children").read_text().split()]
        except OSError:
            continue
    return found


def _resident(pid: int) -> tuple[int, int]:
    """Return the memory that a process holds, its share of what is shared, and the most that it ever held."""
    told: dict[str, str] = {}
    for name in ("status", "smaps_rollup"):
        with suppress(OSError):
            told |= dict(STATUS.findall((PROC / str(pid) / name).read_text()))
    now = told.get("Pss", told.get("VmRSS", 0))
    # Alone a process never holds less than what it shares: the most is told of all it sees.
    return 1024 * int(now), 0 if "Pss" in told else 1024 * int(told.get("VmHWM", 0))


def _busy_s() -> float | None:
    """Return how many seconds all cores together have worked since the machine started, or None."""
    try:
        words = (PROC / "stat").read_text().splitlines()[0].split()[1:]
    except OSError:
        return None
    ticks = [int(w) for w in words]
    # user nice system idle iowait irq softirq steal: what is not idle. Guests are counted in user already.
    return (sum(ticks[:8]) - ticks[3] - ticks[4]) / os.sysconf("SC_CLK_TCK")
