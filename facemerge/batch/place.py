"""The folder of a batch: one batch at a time in it, nothing half-done, every group under its name."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from facemerge.batch.dump import find_photographs
from facemerge.batch.job import RECORDS, Job, Outcome, read_record, standing, write_record
from facemerge.errors import OutputError
from facemerge.formats import files
from facemerge.formats.index_page import INDEX, is_index, is_ours

LOCK = "lock"
_HALF_DONE = re.compile(r"\.(.+)\.facemerge-(\d+)-[0-9a-f]{6}-[0-9a-f]{8}-new")
_LITTER = frozenset({".DS_Store", "Thumbs.db", "desktop.ini", ".directory"})


@contextmanager
def claimed(out: Path, folder: Path) -> Iterator[Path]:
    """Give the folder of a batch, made if it is not there, to this process alone.

    Parameters
    ----------
    out
        Where the batch goes.
    folder
        The dump that is read; looked at first, so that a wrong word makes no folder.

    Yields
    ------
    Path
        `out`, absolute. If nothing has been written into a new one at the end, it is taken away again.

    Raises
    ------
    OutputError
        If it is or holds the dump, is a file, holds anything but an earlier batch, cannot be written, or
        another batch is at work in it.
    """
    find_photographs(folder, out)
    place = out.resolve()
    made = _made(place)
    try:
        busy = f"Another batch is at work in {place}; wait for it, or name another folder."
        with files.alone(place / RECORDS / LOCK, busy):
            _clear_half_done(place)
            yield place
            # Again: a worker whose batch was killed a moment ago may still have been leaving.
            _clear_half_done(place)
    finally:
        if not (place / INDEX).exists():
            shutil.rmtree(place / RECORDS, ignore_errors=True)
            for folder in made:
                with suppress(OSError):
                    folder.rmdir()


def _made(place: Path) -> list[Path]:
    """Make the folder and return what had to be made for it, the innermost first."""
    try:
        if place.exists() and not place.is_dir():
            raise OutputError(f"{place} is a file; name a folder for the results.")
        inside = {p.name for p in place.iterdir()} - _LITTER if place.exists() else set()
        if inside - {RECORDS} and not is_index(place):
            other = min(inside - {RECORDS})
            raise OutputError(f"{place} holds something else ({other}); name a new folder for the results.")
        made = [p for p in (place, *place.parents) if not p.exists()]
        (place / RECORDS).mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise files.said(error, place) from error
    return made


def _clear_half_done(place: Path) -> None:
    """Take away what killed workers left of groups; a living process keeps its own."""
    for path in place.iterdir():
        left = _HALF_DONE.fullmatch(path.name)
        if left and not _alive(int(left[2])):
            shutil.rmtree(path, ignore_errors=True)
    for path in (place / RECORDS).glob(".*-new"):
        path.unlink(missing_ok=True)


def _alive(process: int) -> bool:
    if os.name == "nt":
        return True
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    try:
        # Ended, and kept on the system's list because nobody asked how (state Z, proc_pid_stat(5)).
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except (OSError, IndexError):
        return True


def finished(place: Path, jobs: Sequence[Job]) -> dict[str, Outcome]:
    """Return by name what is finished already, each group under the name it has now.

    Numbers shift when a card has got more frames: finished groups are renamed, not made again.

    Raises
    ------
    OutputError
        If a folder cannot be renamed, or a record not be written.
    """
    try:
        _rename(place, jobs)
    except OSError as error:
        raise files.said(error, place) from error
    found = {}
    for job in jobs:
        outcome = standing(place, job.fingerprint, job.name)
        if outcome is not None:
            found[job.name] = outcome
    return found


def _rename(place: Path, jobs: Sequence[Job]) -> None:
    """Give the folders of finished groups their names of now, by way of a name that nobody else wants."""
    moved: list[tuple[Path, Job]] = []
    for job in jobs:
        record, aside = read_record(place, job.fingerprint), place / f".moved-{job.fingerprint[:32]}"
        if record is None:
            continue
        if aside.is_dir():
            moved.append((aside, job))
        elif record["folder"] != job.name and standing(place, job.fingerprint, record["folder"]):
            (place / record["folder"]).rename(aside)
            moved.append((aside, job))
    for aside, job in moved:
        there = place / job.name
        if there.exists():
            # Only what another sorting left under this name can be here: it keeps a name of its own.
            there.rename(_free(place, f"{job.name}-earlier"))
        record = read_record(place, job.fingerprint)
        assert record is not None
        # Said first: killed between the two, the next run finds the folder by its other name.
        write_record(place, job.fingerprint, record | {"folder": job.name})
        aside.rename(there)


def _free(place: Path, name: str) -> Path:
    tried, n = place / name, 2
    while tried.exists():
        tried, n = place / f"{name}-{n}", n + 1
    return tried


def left_over(place: Path, names: Collection[str]) -> list[str]:
    """Return the folders of results in a batch's place that none of its groups has made."""
    return sorted(
        p.name
        for p in place.iterdir()
        if p.is_dir() and p.name[0] != "." and p.name not in names and is_ours(p)
    )
