"""The folder of prints: files put beside others, all or none, and never over what was not made here.

Each result's prints have a record beside them, which names every file with its SHA-256. A file that is not in
it, or has been changed since, is somebody's own work and is left alone.
"""

from __future__ import annotations

import hashlib
import json
import os
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from facemerge.errors import OutputError
from facemerge.formats.files import hidden, read_plain, said, write_hidden

SCHEMA = "facemerge-prints/1"
RECORD = "prints.json"
_HALF_DONE = ".facemerge-new"
_DAY_S = 86_400.0

Entry = dict[str, Any]
"""What a record says of one print."""


class Prints:
    """Files on their way into a folder; made by `prints_in_place`."""

    def __init__(self, folder: Path, stem: str) -> None:
        self.folder = folder
        self.stem = stem
        self.entries: dict[str, Entry] = {}

    def add(self, name: str, data: bytes, entry: Mapping[str, Any]) -> None:
        """Write one file under a name that nobody looks for yet.

        Raises
        ------
        OutputError
            If it cannot be written.
        """
        try:
            write_hidden(_beside(self.folder, name), data)
        except OutputError as error:
            # The user knows the file by the name that it would have got.
            raise OutputError(str(error).replace(_beside(self.folder, name).name, name)) from error
        self.entries[name] = {**entry, "sha256": hashlib.sha256(data).hexdigest()}


@contextmanager
def prints_in_place(folder: Path, stem: str, names: Sequence[str], result: Path) -> Iterator[Prints]:
    """Take files for a folder, and put them there when all went well.

    Parameters
    ----------
    folder
        Where they belong; made if it is not there. What else lies in it stays as it is.
    stem
        How the result is called; its record is '<stem>-prints.json'.
    names
        How the files are called. One that is there already is replaced if it is as this program left it.
    result
        The folder of the result that is printed: prints of another one of the same name are not replaced.

    Yields
    ------
    Prints
        On any exception, an interrupt too, nothing of it stays, and the folder is as it was.

    Raises
    ------
    OutputError
        If a name is taken, or the folder cannot be made or written.
    """
    if folder.exists() and not folder.is_dir():
        raise OutputError(f"{folder} is a file; name a folder for the prints.")
    home = os.path.relpath(result, folder)
    _refuse_unless_ours(folder, stem, names, home)
    mine = [*names, record_name(stem)]
    made: list[Path] = []
    work = Prints(folder, stem)
    try:
        try:
            _make(folder, made)
            _sweep(folder, mine)
        except OSError as error:
            raise said(error, folder) from error
        yield work
        known = _refuse_unless_ours(folder, stem, names, home)
        try:
            _put(work, known, home)
        except OSError as error:
            raise said(error, folder) from error
    finally:
        _sweep(folder, mine)
        for path in reversed(made):
            with suppress(OSError):
                path.rmdir()


def record_name(stem: str) -> str:
    """Return how a result's record is called."""
    return f"{stem}-{RECORD}"


def _beside(folder: Path, name: str) -> Path:
    return folder / hidden(name, _HALF_DONE)


def _make(folder: Path, made: list[Path]) -> None:
    for path in reversed((folder, *folder.parents)):
        if not path.exists():
            path.mkdir()
            made.append(path)


def _sweep(folder: Path, names: Sequence[str]) -> None:
    """Take away what this run has left half done, and, after a day, what a killed one has."""
    with suppress(OSError):
        for path in folder.glob(f".*{_HALF_DONE}"):
            mine = path in [_beside(folder, name) for name in names]
            if mine or time.time() - path.lstat().st_mtime > _DAY_S:
                path.unlink(missing_ok=True)


def _refuse_unless_ours(folder: Path, stem: str, names: Sequence[str], home: str) -> dict[str, Entry]:
    """Return what the record says, once no name belongs to anybody else."""
    known = _read(folder / record_name(stem), home)
    for name in names:
        path = folder / name
        if not os.path.lexists(path):
            continue
        entry = known.get(name)
        if entry is None or path.is_symlink() or _digest(path) not in (entry["sha256"], entry.get("next")):
            why = "was not made here" if entry is None else "has been changed since it was made"
            raise OutputError(f"{path} is there and {why}; move it away, or name another folder with -o.")
    return known


def _digest(path: Path) -> str:
    try:
        return hashlib.sha256(read_plain(path)).hexdigest()
    except OSError:
        return ""


def _read(path: Path, home: str) -> dict[str, Entry]:
    if not os.path.lexists(path):
        return {}
    try:
        record = json.loads(read_plain(path))
        entries = dict(record["prints"])
        ours = record["schema"] == SCHEMA and all(isinstance(e["sha256"], str) for e in entries.values())
        of = record["of"]
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        ours, entries, of = False, {}, home
    if not ours:
        raise OutputError(f"{path} is there and was not made here; name another folder with -o.")
    if of != home:
        raise OutputError(
            f"{path.parent} holds prints of another result of this name ({of}); name another folder with -o."
        )
    return entries


def _put(work: Prints, known: Mapping[str, Entry], home: str) -> None:
    """Move all files to their names; the record goes first and last, lest a kill between lose track."""
    files, stem, folder = work.entries, work.stem, work.folder
    both = {n: {**known[n], "next": e["sha256"]} if n in known else e for n, e in files.items()}
    _write(folder, stem, {**known, **both}, home)
    for name in files:
        _beside(folder, name).replace(folder / name)
    _write(folder, stem, {**known, **files}, home)


def _write(folder: Path, stem: str, entries: Mapping[str, Entry], home: str) -> None:
    record = {"schema": SCHEMA, "of": home, "prints": {n: entries[n] for n in sorted(entries)}}
    half_done = _beside(folder, record_name(stem))
    write_hidden(half_done, (json.dumps(record, indent=1) + "\n").encode())
    half_done.replace(folder / record_name(stem))
