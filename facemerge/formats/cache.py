"""What is kept between runs: words as files of their own form, in a folder beside OUT that may be deleted.

An entry is a line that names the form, a checksum over key and content, a description in JSON, and the bytes
of the arrays one after the other. Reading it builds the words that are asked for and nothing else: whatever
lies in the folder, no code of it runs. An entry that is damaged, cut off, foreign or of another form is as
good as none.
"""

from __future__ import annotations

import errno
import functools
import hashlib
import json
import math
import os
import platform
import re
import secrets
import shutil
import stat
import threading
import time
import types
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import fields, is_dataclass
from importlib import metadata
from pathlib import Path
from typing import Any, TypeVar, Union, get_args, get_origin, get_type_hints

import numpy as np

from facemerge.formats.files import MOST_NAME_BYTES
from facemerge.formats.program import NAME, signature
from facemerge.words import Array

SUFFIX = f".{NAME}-cache"
"""What the folder's name adds to that of OUT."""
FORM = f"{NAME}-cache/1"
"""Changes whenever an entry of before could be misread."""
MOST_BYTES = 1 << 30
"""What the folder may hold: 300 frames of thirty people fill two thirds of it."""
MOST_ENTRY_BYTES = 1 << 26
"""A frame of fifty people takes 4 MB."""
SPARE_BYTES = 1 << 30
"""What is left free on the disk: the result needs it more."""

_ENTRY = re.compile(r"[0-9a-f]{64}\.entry")
_PART = re.compile(r"[0-9a-f]{32}\.part")
_HOUR_S = 3600.0
_DTYPES = frozenset({"|b1", "|u1", "<u2", "<i4", "<i8", "<f2", "<f4", "<f8"})
_LIBRARIES = (
    "ai-edge-litert",
    "imagecodecs",
    "numpy",
    "opencv-python",
    "pillow-heif",
    "rawpy",
    "scikit-image",
    "scipy",
    "simplejpeg",
    "tifffile",
)
# Backup programs leave a folder out that holds this (Ford, "Cache Directory Tagging Specification", 2004).
_TAG = f"Signature: 8a477f597d28d172789f06886806bc55\n# This folder is a cache of {NAME}; see README.txt.\n"
_README = f"""What {NAME} has seen in the frames whose result lies in the folder

    {{out}}

beside this one: where the faces are, a small picture of each, what they are judged by, and how the frames
lie on one another. With it the next run into that folder is quick; without it the result is the same.

You may delete this folder at any time. It holds faces: when pictures of people have to go, delete it too.
Nothing of it leaves this computer. With --afresh {NAME} neither uses nor fills it.
"""

Word = TypeVar("Word")


class DamagedError(Exception):
    """Bytes that are not what this program would have written."""


# -- words and bytes ----------------------------------------------------------------------------------------


def pack(word: object) -> bytes:
    """Return a word as bytes, from which `unpack` makes its equal, to the last bit and the layout of arrays.

    Parameters
    ----------
    word
        A dataclass, or a tuple of these, whose fields are such again, numbers, text, bytes or arrays.

    Raises
    ------
    TypeError
        If it holds anything else.
    """
    pieces: list[bytes] = []
    table: list[list[Any]] = []
    tree = _described(word, table, pieces)
    head = json.dumps({"word": tree, "arrays": table}, separators=(",", ":")).encode()
    return b"".join([len(head).to_bytes(8, "little"), head, *pieces])


def unpack(kind: Any, data: bytes) -> Any:
    """Return the word that `pack` was given.

    Parameters
    ----------
    kind
        The type asked for, as an annotation says it: a dataclass, `tuple[Face, ...]`, `Aligned | Unaligned`.
    data
        Bytes of whatever origin.

    Raises
    ------
    DamagedError
        If the bytes do not hold exactly such a word.
    """
    try:
        length = int.from_bytes(data[:8], "little")
        content = json.loads(data[8 : 8 + length])
        arrays = _arrays(content["arrays"], memoryview(data)[8 + length :])
        return _restored(kind, content["word"], arrays)
    except DamagedError:
        raise
    except (
        ValueError,
        TypeError,
        KeyError,
        IndexError,
        AttributeError,
        OverflowError,
        RecursionError,
    ) as error:
        raise DamagedError("not of this form") from error


def _described(value: object, table: list[list[Any]], pieces: list[bytes]) -> Any:
    """Return what JSON can say of a value; arrays go into the table and their bytes to the pieces."""
    if value is None or type(value) in (bool, int, float, str):
        return value
    match value:
        case bytes():
            return {"bytes": _added(np.frombuffer(value, np.uint8), table, pieces)}
        case np.ndarray():
            return {"array": _added(value, table, pieces)}
        case np.generic():
            # Not the same as a number of Python's: it decides the precision of what is reckoned with it.
            return {"scalar": _added(np.asarray(value), table, pieces)}
        case tuple():
            return [_described(item, table, pieces) for item in value]
    if is_dataclass(value) and not isinstance(value, type):
        inner = {f.name: _described(getattr(value, f.name), table, pieces) for f in fields(value)}
        return {type(value).__name__: inner}
    raise TypeError(f"{type(value).__name__} cannot be kept")


def _added(array: Array, table: list[list[Any]], pieces: list[bytes]) -> int:
    if array.dtype.str not in _DTYPES:
        raise TypeError(f"an array of {array.dtype} cannot be kept")
    # Sums run along memory, so the order of the axes there decides their last bits.
    axes = sorted(range(array.ndim), key=lambda k: -abs(array.strides[k]))
    laid = array.transpose(axes)
    table.append([array.dtype.str, list(laid.shape), axes])
    pieces.append(laid.tobytes())
    return len(table) - 1


def _arrays(table: Sequence[Any], data: memoryview) -> list[Array]:
    """Return the arrays, read-only, whose bytes follow one another to the very end of `data`."""
    arrays, at = [], 0
    for dtype, shape, axes in table:
        if dtype not in _DTYPES or sorted(axes) != list(range(len(shape))):
            raise DamagedError("no such array")
        if not all(type(n) is int and n >= 0 for n in [*shape, *axes]):
            raise DamagedError("no such shape")
        size = math.prod(shape) * np.dtype(dtype).itemsize
        if at + size > len(data):
            raise DamagedError("cut off")
        # A copy, because an array that starts anywhere is slow where it is not refused.
        array = np.frombuffer(data[at : at + size], dtype).reshape(shape).copy()
        array.setflags(write=False)
        arrays.append(array.transpose(np.argsort(axes)) if axes else array)
        at += size
    if at != len(data):
        raise DamagedError("too long")
    return arrays


def _restored(kind: Any, tree: Any, arrays: Sequence[Array]) -> Any:
    """Return the word of a kind that a description tells of."""
    origin = get_origin(kind)
    if origin in (Union, types.UnionType):
        return _one_of(get_args(kind), tree, arrays)
    if origin is tuple:
        return _tuple(get_args(kind), tree, arrays)
    if origin is np.ndarray:
        return arrays[_index(tree, "array")]
    if isinstance(kind, type) and is_dataclass(kind):
        return _dataclass(kind, tree, arrays)
    if kind is bytes:
        return arrays[_index(tree, "bytes")].tobytes()
    if isinstance(tree, dict):
        scalar = arrays[_index(tree, "scalar")]
        if scalar.shape or not _is_a(kind, scalar[()].item()):
            raise DamagedError("another kind of number")
        return scalar[()]
    if not _is_a(kind, tree):
        raise DamagedError("another kind of value")
    return tree


def _is_a(kind: Any, value: object) -> bool:
    return type(value) is kind or (kind is float and type(value) is int)


def _index(tree: Any, what: str) -> int:
    if not (isinstance(tree, dict) and list(tree) == [what] and type(tree[what]) is int and tree[what] >= 0):
        raise DamagedError("no array")
    return int(tree[what])


def _one_of(kinds: Sequence[Any], tree: Any, arrays: Sequence[Array]) -> Any:
    for kind in kinds:
        with suppress(DamagedError):
            return _restored(kind, tree, arrays)
    raise DamagedError("none of the kinds")


def _tuple(kinds: Sequence[Any], tree: Any, arrays: Sequence[Array]) -> tuple[Any, ...]:
    if not isinstance(tree, list):
        raise DamagedError("no tuple")
    each = [kinds[0]] * len(tree) if len(kinds) == 2 and kinds[1] is Ellipsis else kinds
    if len(each) != len(tree):
        raise DamagedError("another number of items")
    return tuple(_restored(k, t, arrays) for k, t in zip(each, tree, strict=True))


def _dataclass(kind: type, tree: Any, arrays: Sequence[Array]) -> Any:
    hints = _hints(kind)
    if (
        not isinstance(tree, dict)
        or list(tree) != [kind.__name__]
        or list(tree[kind.__name__]) != list(hints)
    ):
        raise DamagedError("another word")
    inner = tree[kind.__name__]
    return kind(**{name: _restored(hint, inner[name], arrays) for name, hint in hints.items()})


@functools.cache
def _hints(kind: type) -> dict[str, Any]:
    hints = get_type_hints(kind)
    return {f.name: hints[f.name] for f in fields(kind)}


# -- keys ---------------------------------------------------------------------------------------------------


def key(facts: Mapping[str, object]) -> str:
    """Return the key of what follows from `facts` (anything JSON can say) and from the program as it is."""
    said = json.dumps({"maker": _maker(), **facts}, sort_keys=True)
    return hashlib.sha256(said.encode()).hexdigest()


@functools.cache
def _maker() -> dict[str, str]:
    """Return what makes the entries: another program, library or machine may see something else."""
    made = {"form": FORM, "program": signature(), "machine": platform.machine(), "source": _source()}
    for library in _LIBRARIES:
        with suppress(metadata.PackageNotFoundError):
            made[library] = metadata.version(library)
    return made


def _source() -> str:
    # The version stays while somebody works on the program: the text itself tells.
    digest = hashlib.sha256()
    package = Path(__file__).resolve().parents[1]
    for path in sorted(package.rglob("*.py")):
        with suppress(OSError):
            digest.update(f"{path.relative_to(package)}\n".encode() + path.read_bytes())
    return digest.hexdigest()


# -- the folder ---------------------------------------------------------------------------------------------


def beside(out: Path) -> Path:
    """Return the folder in which is kept what is known for a result in `out`."""
    place = out.resolve()
    name = os.fsencode(place.name)
    if len(name) + len(SUFFIX) > MOST_NAME_BYTES:
        short = name[:150].decode("utf-8", "ignore")
        return place.with_name(f"{short}-{hashlib.sha256(name).hexdigest()[:16]}{SUFFIX}")
    return place.with_name(place.name + SUFFIX)


class Shelf:
    """A folder of entries, each known by its key; for several threads and several runs at once.

    It is made with the first entry. It never fails: what cannot be read is not there, and after the first
    entry that cannot be written no other is tried.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._lock = threading.Lock()
        self._used: set[str] = set()
        self._written: list[Path] = []
        self._open: bool | None = None
        self._room = 0

    def __reduce__(self) -> tuple[Any, ...]:
        # Another process opens the folder for itself.
        return Shelf, (self._folder,)

    def exists(self) -> bool:
        """Return whether there is a folder, and so perhaps an entry."""
        return self._folder.is_dir()

    def has(self, key: str) -> bool:
        """Return whether there is an entry of a key, sound or damaged."""
        return self._path(key).exists()

    def touched(self) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """Return the names of entries used and of entries written since this was last asked for."""
        with self._lock:
            told = tuple(sorted(self._used)), tuple(path.name for path in self._written)
            self._used, self._written = set(), []
        return told

    def note(self, touched: tuple[tuple[str, ...], tuple[str, ...]]) -> None:
        """Count what another process has used and written, by name, as used and written here."""
        used, written = touched
        with self._lock:
            self._used.update(used)
            self._written.extend(self._folder / name for name in written)

    def find(self, key: str, kind: Any) -> Any:
        """Return the entry of a key, a word of the `kind` that `unpack` takes, or None if there is none."""
        path = self._path(key)
        try:
            if self._folder.is_symlink() or not _plain(path) or path.stat().st_size > MOST_ENTRY_BYTES:
                return None
            word = unpack(kind, _checked(key, path.read_bytes()))
        except (OSError, DamagedError):
            return None
        with self._lock:
            self._used.add(path.name)
        return word

    def keep(self, key: str, word: object) -> None:
        """Keep a word under its key, whole or not at all."""
        data = _sealed(key, pack(word))
        path = self._path(key)
        with self._lock:
            if not self._may_take(len(data)):
                return
            self._room -= len(data)
        try:
            self._put(path, data)
        except OSError as error:
            self._give_up(error)
            return
        with self._lock:
            self._used.add(path.name)
            self._written.append(path)

    def tidy(self) -> None:
        """Remove what this run did not need, such as what was known of a frame that is no longer there."""
        for path in self._inside():
            if _ENTRY.fullmatch(path.name) and path.name not in self._used:
                with suppress(OSError):
                    path.unlink()

    def discard(self) -> None:
        """Remove what this run has written, and the folder if nothing else is in it."""
        with self._lock:
            written, self._written = self._written, []
            self._open = False
        for path in written:
            with suppress(OSError):
                path.unlink()
        inside = self._inside()
        if inside and all(_is_label(path) for path in inside):
            with suppress(OSError):
                for path in inside:
                    path.unlink()
                self._folder.rmdir()

    def _path(self, key: str) -> Path:
        return self._folder / f"{key}.entry"

    def _may_take(self, size: int) -> bool:
        """Return whether an entry may be written, having made the folder for the first one."""
        if self._open is None:
            self._open = self._opened()
        return self._open and size <= min(self._room, MOST_ENTRY_BYTES)

    def _opened(self) -> bool:
        try:
            if self._folder.is_symlink():
                return False
            self._folder.mkdir(exist_ok=True)
            self._label()
            held = sum(_held(path) for path in self._inside())
            free = shutil.disk_usage(self._folder).free
        except OSError:
            return False
        self._room = min(MOST_BYTES - held, free - SPARE_BYTES)
        return True

    def _label(self) -> None:
        out = self._folder.name.removesuffix(SUFFIX)
        for name, text in (("README.txt", _README.format(out=out)), ("CACHEDIR.TAG", _TAG)):
            path = self._folder / name
            if not os.path.lexists(path):
                self._put(path, text.encode("utf-8", "replace"))

    def _put(self, path: Path, data: bytes) -> None:
        part = self._folder / f"{secrets.token_hex(16)}.part"
        try:
            part.write_bytes(data)
            part.replace(path)
        except BaseException:
            with suppress(OSError):
                part.unlink()
            raise

    def _give_up(self, error: OSError) -> None:
        with self._lock:
            self._open = False
        if error.errno in (errno.ENOSPC, errno.EDQUOT):
            # The result needs the space more.
            self.discard()

    def _inside(self) -> list[Path]:
        if self._folder.is_symlink():
            return []
        try:
            return sorted(self._folder.iterdir())
        except OSError:
            return []


def _held(path: Path) -> int:
    """Return the bytes of a file, having removed it if a run that was killed has left it half-written."""
    try:
        status = path.lstat()
        if _PART.fullmatch(path.name) and time.time() - status.st_mtime > _HOUR_S:
            path.unlink()
            return 0
    except OSError:
        # Another run was quicker.
        return 0
    return status.st_size


def _plain(path: Path) -> bool:
    # A pipe of that name would be waited at for ever.
    return stat.S_ISREG(path.lstat().st_mode)


def _is_label(path: Path) -> bool:
    return path.name in ("README.txt", "CACHEDIR.TAG")


def _sealed(key: str, data: bytes) -> bytes:
    return b"\n".join([FORM.encode(), _checksum(key, data), data])


def _checked(key: str, entry: bytes) -> bytes:
    form, _, rest = entry.partition(b"\n")
    checksum, _, data = rest.partition(b"\n")
    if form != FORM.encode() or checksum != _checksum(key, data):
        raise DamagedError("another form, or not what was written")
    return data


def _checksum(key: str, data: bytes) -> bytes:
    digest = hashlib.sha256(key.encode())
    digest.update(data)
    return digest.hexdigest().encode()
