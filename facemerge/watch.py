"""Frames as they arrive in a folder: looks every now and then, and says so whenever something has changed.

A file may be half copied, come in any order, under a name that is only temporary, or go again. It is looked
at when its size and date have stood still from one look to the next; if it then is not a whole picture it is
waited for, and after a while called broken. Nothing in the folder is ever written or moved.
"""

from __future__ import annotations

import math
import os
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from facemerge.errors import InputError
from facemerge.formats import photo
from facemerge.formats.headers import ENDINGS, RAW_ENDINGS
from facemerge.options import Options
from facemerge.pipeline.arriving import Arrivals, Shoot
from facemerge.pipeline.progress import Progress, no_progress
from facemerge.words import Frame

Stamp = tuple[int, int, int, int]
"""Device, inode, size and date of change: what a file is known by as long as it is not written to."""


@dataclass(slots=True, kw_only=True)
class _File:
    """What is known of one file of the folder."""

    path: Path
    stamp: Stamp
    since_s: float
    """When it was first seen like that."""
    frame: Frame | None = None
    """Once it has been looked at."""
    why_not: str = ""
    """Why it is no frame, as it is now."""
    tried: bool = False
    """Whether it has been looked at since it was last written to."""
    broken: bool = False
    """Whether it has been incomplete for so long that it is named."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class News:
    """What is known after something has changed."""

    shoot: Shoot
    notes: tuple[str, ...]
    """Sentences on files that cannot be used."""
    waiting: int
    """Files that are still being written."""


class Watch:
    """Looks into a folder, and gives its frames to those who take them."""

    def __init__(self, folder: Path, arrivals: Arrivals, options: Options) -> None:
        """Take the folder, who takes its frames, and the settings.

        Raises
        ------
        InputError
            If there is no such folder.
        """
        if not folder.is_dir():
            what = "is not a folder" if folder.exists() else "is not there"
            raise InputError(f"{folder} {what}: name the folder in which the frames arrive.")
        self._folder = folder
        self._arrivals = arrivals
        self._options = options
        self._files: dict[str, _File] = {}
        self._first = True

    def look(self, now_s: float, progress: Progress = no_progress) -> News | None:
        """Look into the folder once; return what is known if that has changed, and always the first time.

        Parameters
        ----------
        now_s
            The time, on a clock that is never put back.
        progress
            Told how far the look at new frames is; what it raises ends it.

        Raises
        ------
        InputError
            If the folder is gone.
        """
        changed = self._seen(now_s)
        changed |= self._take([f for f in self._files.values() if self._ripe(f, now_s)], now_s, progress)
        changed |= self._first
        self._first = False
        if not changed:
            return None
        files = self._files.values()
        return News(
            shoot=self._arrivals.shoot(progress),
            notes=tuple(f.why_not for f in files if f.broken),
            waiting=sum(f.frame is None and not f.broken for f in files),
        )

    def _seen(self, now_s: float) -> bool:
        """Bring what is known of the files up to date; return whether frames have gone or changed names."""
        there = self._listed()
        gone = {name: f for name, f in self._files.items() if name not in there}
        changed = False
        for name, stamp in there.items():
            old = self._files.get(name)
            if old is None:
                before = next((n for n, f in gone.items() if f.stamp == stamp and f.frame is not None), None)
                if before is not None:
                    self._renamed(gone.pop(before), name)
                    changed = True
                    continue
                self._files[name] = _File(path=self._folder / name, stamp=stamp, since_s=now_s)
            elif old.stamp != stamp:
                changed |= self._lost(old)
                self._files[name] = _File(path=old.path, stamp=stamp, since_s=now_s)
        for name, file in gone.items():
            self._files.pop(name, None)
            changed |= self._lost(file)
        return changed

    def _renamed(self, file: _File, name: str) -> None:
        assert file.frame is not None
        path = self._folder / name
        new = replace(file.frame, name=name, path=str(path))
        self._arrivals.rename(file.frame.path, new)
        self._files.pop(file.path.name)
        self._files[name] = replace(file, path=path, frame=new)

    def _lost(self, file: _File) -> bool:
        """Forget a file; return whether anybody will notice."""
        if file.frame is not None:
            self._arrivals.forget(file.frame.path)
        return file.frame is not None or file.broken

    def _listed(self) -> dict[str, Stamp]:
        """Return the pictures of the folder by name; of a raw file and its finished twin only one."""
        found: dict[str, Stamp] = {}
        try:
            # Names alone may be listed of a folder that may not be entered.
            os.stat(os.path.join(self._folder, os.curdir))
            with os.scandir(self._folder) as entries:
                for entry in entries:
                    stamp = _stamp(entry)
                    if stamp is not None:
                        found[entry.name] = stamp
        except OSError as error:
            raise InputError(f"{self._folder} can no longer be looked into.") from error
        finished = {Path(n).stem: n for n in found if Path(n).suffix.lower() not in RAW_ENDINGS}
        for name in [n for n in found if Path(n).suffix.lower() in RAW_ENDINGS]:
            twin = finished.get(Path(name).stem)
            if twin is not None:
                # Whichever was there first has been counted.
                known = self._files.get(name)
                del found[twin if known is not None and known.frame is not None else name]
        return dict(sorted(found.items(), key=lambda item: photo.natural(item[0])))

    def _ripe(self, file: _File, now_s: float) -> bool:
        """Return whether a file has stood still for a look, or for so long that it is tried a last time."""
        if file.frame is not None or file.broken:
            return False
        still_s = now_s - file.since_s
        return still_s >= self._options.coverage.patience_s if file.tried else still_s > 0

    def _take(self, files: list[_File], now_s: float, progress: Progress) -> bool:
        """Look at files that stand still; return whether one gave a frame, or has to be called broken."""
        frames: dict[str, _File] = {}
        for file in files:
            file.tried = True
            try:
                found, _ = photo.find_frames([file.path])
                file.frame = replace(found[0], name=file.path.name)
                frames[file.frame.path] = file
            except InputError as error:
                file.why_not = str(error)
        failed = self._arrivals.add([f.frame for f in frames.values() if f.frame], progress) if frames else {}
        for path, why in failed.items():
            frames[path].frame, frames[path].why_not = None, why
        for file in files:
            late = now_s - file.since_s >= self._options.coverage.patience_s
            file.broken = file.frame is None and late
            if file.broken:
                patience = f"{self._options.coverage.patience_s:g} s"
                why = file.why_not.removeprefix("No frame can be read. ").rstrip(".")
                file.why_not = f"{why}; it has not changed for {patience}."
        return any(f.frame is not None or f.broken for f in files)


def watch(
    folder: Path,
    arrivals: Arrivals,
    options: Options,
    tell: Callable[[News], bool],
    *,
    progress: Progress = no_progress,
    stop_after_s: float = math.inf,
    clock: Callable[[], float] = time.monotonic,
    sleep: Callable[[float], None] = time.sleep,
) -> bool:
    """Look into a folder until there is no more to wait for.

    Parameters
    ----------
    folder, arrivals, options
        As `Watch` takes them.
    tell
        Told whenever something has changed, and at once; returns whether to stop.
    progress
        Told how far the look at new frames is; what it raises ends the watch.
    stop_after_s
        Seconds after which to stop whatever is known.
    clock, sleep
        What the time is and what waits, in seconds.

    Returns
    -------
    bool
        Whether `tell` has asked to stop; False if the time was over first.

    Raises
    ------
    InputError
        If there is no such folder, or no longer.
    """
    watched = Watch(folder, arrivals, options)
    end_s = clock() + stop_after_s
    while True:
        news = watched.look(clock(), progress)
        if news is not None and tell(news):
            return True
        left_s = end_s - clock()
        if left_s <= 0:
            return False
        sleep(min(options.coverage.poll_s, left_s))


def _stamp(entry: os.DirEntry[str]) -> Stamp | None:
    """Return what a file is known by, or None if it is no picture, or gone already."""
    if entry.name.startswith(".") or Path(entry.name).suffix.lower() not in ENDINGS:
        return None
    try:
        status = entry.stat()
        if not entry.is_file():
            return None
    except OSError:
        return None
    return status.st_dev, status.st_ino, status.st_size, status.st_mtime_ns
