"""Putting files in place, whole or not at all; the only room that opens anything for writing.

A result is written into a folder beside the place it is meant for and renamed when it is complete, so a
run that fails, is stopped or is killed leaves the earlier result as it was.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
import re
import secrets
import shutil
import stat
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from socket import gethostname
from typing import BinaryIO

from facemerge import stopping
from facemerge.errors import OutputError

DECISIONS = "decisions.json"
"""What the user has decided; carried from an earlier result into the one that replaces it."""

SIDECARS = "sidecars"
"""Folder of the frames' sidecars in a result."""

PRINTS = "prints"
"""Where `crop` puts prints of a result; they go with it."""

# Only endings that this program writes: a composite.psd beside them is somebody's own work.
_RESULTS = re.compile(
    r"composite\.(tif|tiff|png|jpg|jpeg|ora)|composite[-.]layers\.tif|report\.json|report\.html"
    r"|decisions\.json|\.decisions\.json\.facemerge-new"
)
# What file managers leave behind by themselves.
_LITTER = frozenset({".DS_Store", "Thumbs.db", "desktop.ini", ".directory"})
_HOST = hashlib.sha256(gethostname().encode("utf-8", "replace")).hexdigest()[:6]
_DAY_S = 86_400.0
MOST_NAME_BYTES = 255
"""What a name may have on most disks."""
# Folders of this very process: its number may be that of a dead run (in a container it often is).
_own: set[Path] = set()

_SAID = {
    errno.ENOSPC: "there is no space left",
    errno.EDQUOT: "your quota there is used up",
    errno.EFBIG: "a file would grow larger than the disk allows",
    errno.EROFS: "the disk is read-only",
    errno.EACCES: "writing there is not allowed",
    errno.EPERM: "writing there is not allowed",
    errno.EIO: "the disk reports an error",
    errno.ENAMETOOLONG: "the name is too long",
    errno.ENOTDIR: "part of the path is a file",
    errno.ELOOP: "the path runs in a circle of links",
    errno.EINVAL: "the system does not accept the name",
    errno.ENOENT: "the folder for it is not there",
    errno.EBUSY: "another program holds it",
    errno.ENOTEMPTY: "another program put something there",
    errno.EEXIST: "another program put something there",
}


def said(error: OSError, place: Path) -> OutputError:
    """Return the one sentence for a failure of the operating system while writing at `place`."""
    why = _SAID.get(error.errno or 0, (error.strerror or "the system refused").lower())
    return OutputError(f"Nothing was written to {place}: {why}.")


def read_plain(path: Path, most_bytes: int = -1) -> bytes:
    """Return what a plain file holds; a pipe or a device is refused, and never waited for.

    Parameters
    ----------
    path
        The file, or a link to it.
    most_bytes
        How many bytes from its beginning; -1: all.

    Raises
    ------
    OSError
        If it cannot be opened, is no plain file, or cannot be read; `strerror` says why.
    """
    # Without waiting, since what was a file a moment ago may be a pipe now.
    wish = (
        os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_NOCTTY", 0) | getattr(os, "O_BINARY", 0)
    )
    if path.is_dir():
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))
    if path.exists() and not path.is_file():
        raise _no_plain_file(path)
    with os.fdopen(os.open(path, wish), "rb") as file:
        if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
            raise _no_plain_file(path)
        return file.read(most_bytes)


def _no_plain_file(path: Path) -> OSError:
    return OSError(errno.ENOTSUP, "it is no plain file", str(path))


@contextmanager
def alone(path: Path, busy: str) -> Iterator[None]:
    """Hold a file that no other process can hold meanwhile; the system lets go of it after a kill too.

    Parameters
    ----------
    path
        The file, made if it is not there and gone afterwards.
    busy
        The sentence for whoever comes second.

    Raises
    ------
    OutputError
        If another process holds it, or it cannot be made.
    """
    while True:
        try:
            if os.path.lexists(path) and not _is_plain_file(path):
                raise OutputError(f"{path} is needed and is no plain file; take it away.")
            held = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_NONBLOCK", 0), 0o644)
        except OSError as error:
            raise said(error, path) from error
        try:
            if not _locked(held):
                raise OutputError(busy)
            # Whoever held it before may have taken it away since it was opened.
            if os.name == "nt" or _is(path, held):
                try:
                    yield
                finally:
                    # Windows takes no file away that is open.
                    with suppress(OSError):
                        path.unlink()
                return
        finally:
            os.close(held)


def _locked(held: int) -> bool:
    try:
        if os.name == "nt":
            import msvcrt

            msvcrt.locking(held, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
        else:
            import fcntl

            fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def _is(path: Path, held: int) -> bool:
    try:
        return os.path.samestat(os.stat(path), os.fstat(held))
    except OSError:
        return False


@contextmanager
def folder_in_place(out: Path, *, inputs: Sequence[Path] = ()) -> Iterator[Path]:
    """Give an empty folder to write into, and put it in the place of `out` when all went well.

    Parameters
    ----------
    out
        Where the result belongs: nothing yet, an empty folder, or an earlier result of this program, which
        is replaced; its decisions.json is carried over.
    inputs
        The files that are read; none of them may lie in `out`.

    Yields
    ------
    Path
        A folder beside `out`. On any exception, an interrupt too, it is removed and `out` stays as it was.

    Raises
    ------
    OutputError
        If `out` is a file, holds anything that is not ours or holds an input, or cannot be written.
    """
    place = _resolved(out)
    _refuse_unless_ours(place, inputs)
    made: list[Path] = []
    work: Path | None = None
    try:
        try:
            # A name that no disk takes is refused before the work and not after it.
            with suppress(FileNotFoundError):
                place.lstat()
            _make_parents(place.parent, made)
            _sweep(place)
            work = _beside(place, "new")
            work.mkdir()
            _own.add(work)
        except OSError as error:
            raise said(error, place) from error
        try:
            yield work
        except OutputError as error:
            # The user knows the place, not the folder beside it.
            raise OutputError(str(error).replace(str(work), str(place))) from error
        except OSError as error:
            if error.errno in _SAID and error.errno != errno.ENOENT:
                raise said(error, place) from error
            raise
        _refuse_unless_ours(place, inputs)
        try:
            # From here on it is done: stopped between the renames, the new result is there and no old one.
            with stopping.Held():
                _swap_in(work, place)
                stopping.in_place(out)
        except OSError as error:
            raise said(error, place) from error
    except BaseException:
        if work is not None:
            _remove(work)
        for folder in reversed(made):
            with suppress(OSError):
                folder.rmdir()
        raise
    finally:
        if work is not None:
            _own.discard(work)


def write_bytes(path: Path, data: bytes) -> None:
    """Write a file that nobody reads yet, inside a folder that is still to be put in place.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    except OSError as error:
        raise said(error, path) from error


def write_hidden(path: Path, data: bytes) -> None:
    """Write a file under a hidden name of ours; what has that name already is taken away, never written into.

    It may be what a killed run has left, a link to somewhere else, or a pipe that nobody reads.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    try:
        path.unlink(missing_ok=True)
    except OSError as error:
        raise said(error, path) from error
    write_bytes(path, data)


@contextmanager
def writing(path: Path) -> Iterator[BinaryIO]:
    """Give a file that nobody reads yet, open for writing, inside a folder that is still to be put in place.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("w+b") as file:
            yield file
    except OSError as error:
        raise said(error, path) from error


def replace_file(path: Path, data: bytes, half_done: Path | None = None) -> None:
    """Write a file in the place of an earlier one, whole or not at all.

    Parameters
    ----------
    path
        Where it belongs.
    data
        What it holds.
    half_done
        What it is called until it is whole, beside its place; None: a hidden name of this process.

    Raises
    ------
    OutputError
        If it cannot be written; an earlier one is as it was.
    """
    beside = half_done or path.with_name(hidden(path.name, f".{os.getpid()}-new"))
    try:
        write_hidden(beside, data)
        beside.replace(path)
    except OutputError as error:
        # The user knows the file by the name that it would have got.
        raise OutputError(str(error).replace(str(beside), str(path))) from error
    except OSError as error:
        raise said(error, path) from error
    finally:
        with suppress(OSError):
            beside.unlink()


def hidden(name: str, ending: str) -> str:
    """Return the hidden name of a file that is still to get its own: no longer than a disk allows.

    Names end at 255 bytes on most disks; of a long one the beginning is kept, and a digest of the whole.
    """
    raw = os.fsencode(name)
    if len(raw) + len(ending) < MOST_NAME_BYTES:
        return f".{name}{ending}"
    short = raw[:120].decode("utf-8", "ignore")
    return f".{short}-{hashlib.sha256(raw).hexdigest()[:16]}{ending}"


def _resolved(path: Path) -> Path:
    try:
        return path.resolve()
    except (OSError, RuntimeError) as error:  # RuntimeError: a circle of links, up to Python 3.12
        raise OutputError(f"Nothing was written to {path}: the path runs in a circle of links.") from error


def _refuse_unless_ours(place: Path, inputs: Sequence[Path]) -> None:
    for source in inputs:
        if source.resolve().is_relative_to(place):
            raise OutputError(f"{place} holds the frames themselves; name another folder for the result.")
    if not os.path.lexists(place):
        return
    if not place.is_dir():
        raise OutputError(f"{place} is a file; name a folder for the result.")
    if place.parent == place or place == Path.cwd():
        raise OutputError(f"{place} cannot be replaced as a whole; name a folder of its own for the result.")
    if not os.access(place, os.W_OK):
        raise OutputError(f"{place} is protected against writing; name another folder for the result.")
    try:
        inside = sorted(place.iterdir())
        strange = [path.name for path in inside if not _is_ours(path)]
        names = {path.name for path in inside} - _LITTER - {DECISIONS}
    except OSError as error:
        raise said(error, place) from error
    if strange:
        raise OutputError(
            f"{place} holds something else ({_shown(strange[0])}), which would be lost; name another folder."
        )
    if names and not _report_is_ours(place / "report.json"):
        raise OutputError(f"{place} holds files but no report of ours beside them; name another folder.")


def _shown(name: str) -> str:
    return name.encode("utf-8", "replace").decode()


def _is_ours(path: Path) -> bool:
    if path.is_symlink():
        return False
    if path.name == "masks" and path.is_dir():
        return all(_is_plain_file(inner) and _is_mask(inner.name) for inner in path.iterdir())
    if path.name == SIDECARS and path.is_dir():
        return all(_is_sidecar(inner) for inner in path.rglob("*"))
    if path.name == PRINTS and path.is_dir():
        return _prints_are_ours(path)
    return path.is_file() and (path.name in _LITTER or _RESULTS.fullmatch(path.name) is not None)


def _is_mask(name: str) -> bool:
    return name.endswith(".png") or name in _LITTER


def _is_sidecar(path: Path) -> bool:
    # Frames of several folders have theirs in folders of the same names.
    if path.is_dir():
        return not path.is_symlink()
    return _is_plain_file(path) and (path.suffix.lower() == ".xmp" or path.name in _LITTER)


def _prints_are_ours(folder: Path) -> bool:
    """Return whether every print is as it was made: one that was worked on since is somebody's own."""
    known: dict[str, str] = {}
    records = list(folder.glob("*-prints.json"))
    try:
        for record in records:
            made = json.loads(read_plain(record))["prints"]
            known |= {name: entry["sha256"] for name, entry in made.items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return False
    return all(
        _is_plain_file(path)
        and (
            path in records
            or path.name in _LITTER
            or known.get(path.name) == hashlib.sha256(read_plain(path)).hexdigest()
        )
        for path in folder.iterdir()
    )


def _is_plain_file(path: Path) -> bool:
    return path.is_file() and not path.is_symlink()


def _report_is_ours(path: Path) -> bool:
    try:
        return b'"facemerge-report/' in read_plain(path, 4096)
    except OSError:
        return False


def _make_parents(folder: Path, made: list[Path]) -> None:
    for parent in reversed((folder, *folder.parents)):
        if not parent.exists():
            parent.mkdir()
            made.append(parent)


def _stem(place: Path) -> str:
    # Names end at 255 bytes on most disks; a letter takes up to four.
    return f".{place.name[:40]}.facemerge-"


def _remove(folder: Path) -> None:
    """Take a folder away with all that is in it, folders protected against writing too."""
    with suppress(OSError):
        for here, _, _ in os.walk(folder):
            os.chmod(here, stat.S_IRWXU)
    shutil.rmtree(folder, ignore_errors=True)


def _beside(place: Path, role: str) -> Path:
    return place.parent / f"{_stem(place)}{os.getpid()}-{_HOST}-{secrets.token_hex(4)}-{role}"


def _sweep(place: Path) -> None:
    """Remove what killed runs left beside `place`; put an old result back that one of them had moved away."""
    left = re.compile(re.escape(_stem(place)) + r"(\d+)-([0-9a-f]{6})-[0-9a-f]{8}-(new|old)")
    for path in sorted(place.parent.iterdir()):
        match = left.fullmatch(path.name)
        if not match or path in _own or not _abandoned(path, int(match[1]), match[2]):
            continue
        if match[3] == "old" and not os.path.lexists(place):
            path.rename(place)
        elif path.is_dir():
            _remove(path)
        else:
            path.unlink(missing_ok=True)


def _abandoned(path: Path, process: int, host: str) -> bool:
    # Process numbers say nothing on a shared disk, and asking for one on Windows may end it.
    if host != _HOST or os.name == "nt":
        return time.time() - path.lstat().st_mtime > _DAY_S
    if process == os.getpid():
        return True
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return True
    except OSError:
        return False
    return False


def _swap_in(work: Path, place: Path) -> None:
    if not place.exists():
        work.rename(place)
        return
    decided = place / DECISIONS
    if decided.is_file() and not (work / DECISIONS).exists():
        shutil.copy2(decided, work / DECISIONS)
    old = _beside(place, "old")
    _own.add(old)
    try:
        place.rename(old)
        try:
            work.rename(place)
        except BaseException:
            old.rename(place)
            raise
    finally:
        _own.discard(old)
    _remove(old)
