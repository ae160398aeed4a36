"""Card dumps with a drawn truth: families that nobody belongs to, strung together as a camera would."""

from __future__ import annotations

import hashlib
import json
import pickle
import shutil
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import bursts
import numpy as np
import pytest
from once import Once
from PIL import Image

import facemerge.batch.run
import facemerge.batch.sort
from facemerge.batch import Batch, Form, Where, run_batch
from facemerge.formats.index_page import INDEX
from facemerge.formats.report import report_bytes

SIZE = bursts.SIZE
FAMILIES = {"A": ((0, 1, 2), 1), "B": ((0, 1, 2), -1), "C": ((0, 2, 1), 1)}
"""By name: in which order the colours are taken, and whether left and right are."""
WALL = "wall"
START = datetime(2026, 5, 2, 9, 59, 58)


@cache
def picture(family: str, number: int) -> np.ndarray:
    """Return one frame of a family of two, of which neither is sharp in all frames; or of a bare wall."""
    if family == WALL:
        noise = np.random.default_rng(number).normal(0, 3, (SIZE[1], SIZE[0], 3))
        return np.clip(noise + np.linspace(90, 150, SIZE[0])[None, :, None], 0, 255).astype(np.uint8)
    order, way = FAMILIES[family]
    seen = bursts.frame(number, seed=sorted(FAMILIES).index(family))[:, ::way][..., list(order)]
    return np.ascontiguousarray(seen)


def save(
    path: Path,
    image: np.ndarray,
    taken: datetime | None,
    *,
    offset: str = "",
    model: str = "",
    serial: str = "",
) -> Path:
    """Write a photograph as a camera does."""
    path.parent.mkdir(parents=True, exist_ok=True)
    exif = Image.Exif()
    inner = exif.get_ifd(0x8769)
    if taken is not None:
        inner[0x9003] = taken.strftime("%Y:%m:%d %H:%M:%S")
        inner[0x9291] = f"{taken.microsecond // 10000:02d}"
    if offset:
        inner[0x9011] = offset
    if serial:
        inner[0xA431] = serial
    if model:
        exif[0x0110] = model
    Image.fromarray(image).save(path, quality=95, exif=exif)
    return path


def write(
    folder: Path,
    shots: Sequence[tuple[str, float]],
    *,
    first: int = 9997,
    a_folder: int = 6,
    timed: bool = True,
) -> dict[str, str]:
    """Write a card and return its truth: the family by the photograph's name.

    Parameters
    ----------
    folder
        The dump, in which a folder DCIM is made.
    shots
        (family, seconds after the shot before) in the order they are taken.
    first, a_folder
        The number of the first file, and how many files the camera puts into a folder.
    timed
        Whether the camera's clock is on.
    """
    now, number, counts, truth = START, first, dict[str, int](), {}
    for at, (family, pause_s) in enumerate(shots):
        now += timedelta(seconds=pause_s)
        name = f"DCIM/{100 + at // a_folder}TESTS/IMG_{number:04d}.JPG"
        counts[family] = counts.get(family, -1) + 1
        save(folder / name, picture(family, counts[family]), now if timed else None)
        truth[name] = family
        number = number % 9999 + 1
    return truth


SHOTS = (("A", 1.0), ("A", 1.0), (WALL, 1.0), ("A", 1.0), ("B", 2.0), ("B", 1.0))
NAMES = ["001_2026-05-02_09-59-59", "002_2026-05-02_10-00-04"]
"""The groups of these shots."""
FORM = Form(pictures=("jpg",), layers=False)


def everything(folder: Path, card: Path | None = None) -> dict[str, bytes]:
    """Return every file below a folder with its bytes; the lock aside, of a batch's records too.

    A report says where the frames lie as seen from itself. Given the card, it is taken to say so as seen from
    there, and a record to hold the digest of that: results in two places can then be held against each other.
    """
    paths = (p for p in sorted(folder.rglob("*")) if p.is_file() and p.name != "lock")
    found = {p: p.read_bytes() for p in paths}
    digests: dict[bytes, bytes] = {}
    for path, data in found.items() if card is not None else ():
        if path.name == "report.json":
            found[path] = as_seen_from(card, path, data)
            digests[digest(data)] = digest(found[path])
    for path, data in found.items():
        for old, new in digests.items():
            data = data.replace(old, new)
        found[path] = data
    return {str(p.relative_to(folder)): data for p, data in found.items()}


def as_seen_from(card: Path, path: Path, data: bytes) -> bytes:
    """Return a report whose sources are told as seen from the card."""
    report = json.loads(data)
    beside = path.parent.resolve().parent
    told = [
        (beside / source).resolve().relative_to(card.resolve()).as_posix() for source in report["sources"]
    ]
    return report_bytes(report | {"sources": told})


def digest(data: bytes) -> bytes:
    return hashlib.sha256(data).hexdigest().encode()


def identity(folder: Path) -> int:
    """Return a number that another folder put in its place would not have."""
    return folder.stat().st_ino


def run(card: Path, out: Path, processes: int = 2, **more: object) -> Batch:
    more = {"form": FORM, "where": Where(processes=processes)} | more
    return run_batch(card, out, **more)  # type: ignore[arg-type]


class Here:
    """Stands in for a pool where a test is about something else: each piece is done in this process, which
    has the program and its networks loaded.
    """

    def __init__(self, work: Callable[[Any], Any], count: int) -> None:
        self.work = work

    def __enter__(self) -> Here:
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def run(
        self, pieces: Sequence[Any], answered: Callable[[int, Any], None], tick: Callable[[], None]
    ) -> None:
        for index, piece in enumerate(pieces):
            answered(index, self.work(piece))
            tick()


@contextmanager
def here() -> Iterator[None]:
    """Let batches do without processes of their own."""
    with pytest.MonkeyPatch.context() as patch:
        for room in (facemerge.batch.run, facemerge.batch.sort):
            patch.setattr(room, "Pool", Here)
        yield


def run_here(card: Path, out: Path, **more: object) -> Batch:
    with here():
        return run(card, out, **more)


def made_card(once: Once) -> Path:
    """Return a card with the shots above, to be read only."""
    return once("card", lambda folder: write(folder, SHOTS))


def made_batch(once: Once) -> tuple[Batch, Path]:
    """Return what two processes have made of that card, to be read only, and where."""
    card = made_card(once)

    def make(folder: Path) -> None:
        (folder / "batch").write_bytes(pickle.dumps(run(card, folder / "out")))

    place = once("batch", make)
    return pickle.loads((place / "batch").read_bytes()), place / "out"


def begun(out: Path, done: Path) -> Path:
    """Make a folder of a batch that has sorted the card as a finished one has, and made no group yet."""
    out.mkdir()
    shutil.copy(done / INDEX, out / INDEX)
    return out


def states(done: Batch) -> dict[str, str]:
    return {g["name"]: g["state"] for g in done.index["groups"]}
