"""What lies in a card dump: its photographs, in the order in which a camera numbers them."""

from __future__ import annotations

import itertools
import os
import re
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from facemerge.errors import InputError, OutputError
from facemerge.formats.headers import ENDINGS, RAW_ENDINGS
from facemerge.formats.index_page import is_ours
from facemerge.formats.photo import natural

COUNTER = 10_000
"""A camera numbers its files with four digits and begins again after 9999 (JEITA CP-3461, DCF 2.0)."""
NEAR_THE_TURN = 200
"""How many numbers may be missing where the counter began again; more, and nothing is known of a turn."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Photograph:
    """One file of the dump."""

    path: Path
    """Absolute."""
    name: str
    """Its path below the dump, with '/' between the parts; unique."""


def find_photographs(folder: Path, out: Path | None = None) -> tuple[list[Photograph], list[str]]:
    """Return the photographs below a folder in the order of their numbers, and notes on what is left out.

    Parameters
    ----------
    folder
        The dump: photographs, or folders of them at any depth.
    out
        Where results go. It may lie in the dump; neither it nor any other result of this program is looked
        into.

    Raises
    ------
    InputError
        If the folder is none, cannot be looked into, or holds no photograph.
    OutputError
        If `out` is the folder itself, or holds it.
    """
    root, place = _resolved(folder), None if out is None else _resolved(out)
    if not root.is_dir():
        what = "is a file, not a folder" if root.exists() else "is not there"
        raise InputError(f"{folder} {what}; name the folder that holds the photographs.")
    if place is not None and root.is_relative_to(place):
        raise OutputError(f"{place} holds the photographs themselves; name another folder for the results.")
    notes: list[str] = []
    found: list[Photograph] = []
    for inside in _folders(root, place, notes):
        pictures = _once([p for p in inside if p.suffix.lower() in ENDINGS], root, notes)
        found.extend(Photograph(path=p, name=p.relative_to(root).as_posix()) for p in in_order(pictures))
    if not found:
        raise InputError(f"The folder {folder} holds no pictures, nor do folders inside it.")
    return found, notes


def in_order(paths: Sequence[Path]) -> list[Path]:
    """Return the files of one folder in the order of their numbers; a counter that began again is noticed.

    IMG_9998, IMG_9999, IMG_0001, IMG_0002: sorted by name alone the last two would come first.
    """
    series: dict[str, list[tuple[int, Path]]] = defaultdict(list)
    others: list[Path] = []
    for path in paths:
        numbered = re.fullmatch(r"(.*?)(\d{4})", path.stem, re.ASCII | re.DOTALL)
        if numbered:
            series[numbered[1]].append((int(numbered[2]), path))
        else:
            others.append(path)
    turned = {prefix: _first_number([n for n, _ in found]) for prefix, found in series.items()}

    def key(path: Path) -> tuple[object, ...]:
        numbered = re.fullmatch(r"(.*?)(\d{4})", path.stem, re.ASCII | re.DOTALL)
        if not numbered:
            return natural(path.name)
        # Files of one series keep together where its first name belongs, each by how far it is from there.
        first = turned[numbered[1]]
        far = (int(numbered[2]) - first) % COUNTER
        return natural(f"{numbered[1]}{far:04d}{path.suffix}")

    return sorted(paths, key=key)


def _first_number(numbers: Sequence[int]) -> int:
    """Return the number a series began with: the lowest, unless the counter went over its end within it."""
    known = sorted(set(numbers))
    gap, after = max(((b - a, b) for a, b in itertools.pairwise(known)), default=(0, known[0]))
    around = known[0] + COUNTER - known[-1]
    return after if around <= NEAR_THE_TURN and around < gap else 0


def _resolved(path: Path) -> Path:
    try:
        return path.resolve()
    except (OSError, RuntimeError) as error:  # RuntimeError: a circle of links, up to Python 3.12
        raise InputError(f"{path} cannot be looked into: the path runs in a circle of links.") from error


def _folders(root: Path, place: Path | None, notes: list[str]) -> Iterator[list[Path]]:
    """Yield the files of each folder, by the folders' names; hidden ones and our own are passed over."""

    def refused(error: OSError) -> None:
        if error.filename == str(root):
            why = (error.strerror or "refused by the system").lower()
            raise InputError(f"{root} cannot be looked into: {why}.") from error
        notes.append(f"The folder {error.filename} is left out: it cannot be looked into.")

    for here, folders, files in os.walk(root, onerror=refused):
        inner = sorted((f for f in folders if not f.startswith(".")), key=natural)
        folders[:] = [f for f in inner if Path(here, f) != place and not is_ours(Path(here, f))]
        try:
            plain = [p for f in files if not f.startswith(".") and (p := Path(here, f)).is_file()]
        except PermissionError as error:  # its files are listed, and none of them may be opened
            error.filename = here
            refused(error)
        else:
            yield plain


def _once(pictures: Sequence[Path], root: Path, notes: list[str]) -> list[Path]:
    """Return the pictures without the raw files that are there as finished files too."""
    finished = {p.stem for p in pictures if p.suffix.lower() not in RAW_ENDINGS}
    kept = []
    for path in sorted(pictures, key=lambda p: natural(p.name)):
        name = path.relative_to(root).as_posix()
        if path.suffix.lower() in RAW_ENDINGS and path.stem in finished:
            notes.append(f"{name} is left out: the same picture is there as a finished file.")
        elif name.splitlines() != [name] or not name.isprintable():
            notes.append(f"{name!r} is left out: its name holds characters that cannot be shown.")
        else:
            kept.append(path)
    return kept
