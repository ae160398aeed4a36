"""Beside the photographs: which file is a frame's sidecar, and putting new ones in place of the old.

The photographs themselves are only read.
"""

from __future__ import annotations

import shutil
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from facemerge.errors import OutputError
from facemerge.formats import exif, headers
from facemerge.formats.files import hidden, read_plain, said, write_hidden
from facemerge.formats.rdf import BrokenPacketError
from facemerge.formats.regions import stored_size
from facemerge.formats.sidecar import rating_in

ENDING: Final = ".xmp"
_HALF_DONE = ".facemerge-new"
_RATING: Final = 0x4746
"""Rating in the main directory of Exif, as cameras with a button for it write it; from memory."""
# LibRaw's turns (0 none, 3 half, 5 and 6 a quarter to the left and to the right) as Exif counts them.
_TURNS: Final = {0: 1, 3: 3, 5: 8, 6: 6}


@dataclass(frozen=True, slots=True, kw_only=True)
class Stored:
    """What a photograph's file says that its pixels, once upright, do not."""

    size: tuple[int, int]
    """(W, H) in pixels as stored."""
    orientation: int
    """1 to 8, as Exif counts."""
    rated: bool
    """Whether somebody has rated it in the camera, or in a program that writes into the file."""
    location: exif.Location | None = None
    """Where it was taken, or None."""


def stored(path: Path, size: tuple[int, int]) -> Stored:
    """Return how a photograph is stored; if its file cannot be read any more, as if it were upright.

    Parameters
    ----------
    path
        The photograph.
    size
        (W, H) after orientation, as its `Frame` says.
    """
    try:
        data = read_plain(path)
        header = headers.look(data, path.suffix.lower())
        orientation = _raw_orientation(path) if header.kind == "raw" else header.orientation
    except (OSError, headers.UnreadableError):
        return Stored(size=size, orientation=1, rated=False)
    rating = header.exif.get(_RATING)
    rated = bool(rating) or any(rating_in(packet) for packet in packets(data))
    return Stored(
        size=stored_size(size, orientation),
        orientation=orientation,
        rated=rated,
        location=exif.location(header.exif),
    )


def packets(data: bytes) -> Iterator[bytes]:
    """Yield every XMP packet in a file, found by its wrapper (ISO 16684-1:2019, clause 7.3)."""
    at = 0
    while (start := data.find(b"<?xpacket begin=", at)) >= 0:
        end = data.find(b"<?xpacket end=", start)
        if end < 0:
            return
        at = end + 1
        yield data[start:end]


def _raw_orientation(path: Path) -> int:
    with headers.extra("rawpy", "raw").imread(str(path)) as raw:
        return _TURNS.get(raw.sizes.flip, 1)


def sidecar_of(picture: Path) -> Path:
    """Return where a photograph's sidecar is, or would be.

    Both ways of naming are in use: IMG_1.JPG.xmp is taken if it is there, then IMG_1.xmp, which a raw file
    and its JPEG share; where there is neither, it will be IMG_1.xmp.
    """
    wanted = [f"{picture.name}{ENDING}".casefold(), f"{picture.stem}{ENDING}".casefold()]
    with suppress(OSError):
        there = sorted(p for p in picture.parent.iterdir() if p.name.casefold() in wanted and p.is_file())
        for name in wanted:
            for path in there:
                if path.name.casefold() == name:
                    return path
    return picture.with_name(f"{picture.stem}{ENDING}")


def read(sidecar: Path) -> bytes | None:
    """Return a sidecar's bytes, None if there is none.

    Raises
    ------
    BrokenPacketError
        If it is there and cannot be read, or is protected.
    """
    try:
        mode = sidecar.stat().st_mode
        if not stat.S_ISREG(mode):
            raise BrokenPacketError("is no plain file")
        protected = not mode & stat.S_IWUSR
        data = read_plain(sidecar)
    except FileNotFoundError:
        return None
    except OSError as error:
        raise BrokenPacketError("cannot be opened") from error
    if protected:
        raise BrokenPacketError("is protected against writing")
    return data


class Beside:
    """Sidecars on their way to their photographs; made by `put_beside`."""

    def __init__(self) -> None:
        self.waiting: list[tuple[Path, Path, bytes | None]] = []

    def add(self, sidecar: Path, data: bytes, before: bytes | None) -> None:
        """Write a sidecar under a name that nobody looks for yet.

        Parameters
        ----------
        sidecar
            Where it belongs.
        data
            What it holds.
        before
            What it held when it was read, None if there was none.

        Raises
        ------
        OutputError
            If it cannot be written.
        """
        place = sidecar.resolve()
        half_done = place.with_name(hidden(place.name, _HALF_DONE))
        self.waiting.append((place, half_done, before))
        try:
            write_hidden(half_done, data)
            if before is not None:
                shutil.copymode(place, half_done)
        except OutputError as error:
            # The user knows the file by the name that it would have got.
            raise OutputError(str(error).replace(half_done.name, place.name)) from error
        except OSError as error:
            raise said(error, place) from error

    def place(self) -> None:
        """Put all of them in place of the old ones.

        Raises
        ------
        OutputError
            If one cannot be; those before it are in place then.
        """
        for place, half_done, before in self.waiting:
            try:
                now = read_plain(place) if place.exists() else None
                if now != before:
                    raise OutputError(
                        f"{place} was changed by another program meanwhile and is left as it is; start again."
                    )
                half_done.replace(place)
            except OSError as error:
                raise said(error, place) from error

    def clear(self) -> None:
        """Take away what is not in place."""
        for _, half_done, _ in self.waiting:
            with suppress(OSError):
                half_done.unlink(missing_ok=True)


@contextmanager
def put_beside() -> Iterator[Beside]:
    """Take sidecars, and put them beside their photographs when all went well.

    Yields
    ------
    Beside
        On any exception, an interrupt too, the sidecars that were there stay as they were.

    Raises
    ------
    OutputError
        If one cannot be put in place.
    """
    work = Beside()
    try:
        yield work
        work.place()
    finally:
        work.clear()
