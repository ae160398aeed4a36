"""From a card dump to its groups: found by looking, or as an earlier run or the user has them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from facemerge.batch.dump import Photograph, find_photographs
from facemerge.batch.grouping import find_groups
from facemerge.batch.plan import Planned, given_groups, plan_groups, read_groups
from facemerge.batch.sight import Sight, see
from facemerge.errors import InputError, lack_of
from facemerge.formats.index_page import INDEX, read_index
from facemerge.formats.program import signature
from facemerge.formats.small_copy import Identity, identify
from facemerge.models import SHA256, Models, model_file
from facemerge.options import Options
from facemerge.pipeline.progress import Progress, in_order
from facemerge.workers import Died, Pool, how_many

READERS = 4
"""Threads that read files to know them by their content: the disk is what they wait for."""
A_SIGHT_BYTES = 0.7e9
"""What a process takes that looks at small copies."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sorted:
    """The groups of a dump."""

    groups: tuple[Planned, ...]
    notes: tuple[str, ...]
    """Sentences about files that are left out."""
    megapixels: float
    """Size of the largest frame."""
    sorting: Mapping[str, Any]
    """What the groups depend on beside the files; empty if the user named them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupsFile:
    """The user's own groups."""

    text: str
    name: str
    """What the file is called in a sentence."""


@dataclass(frozen=True, slots=True)
class _Piece:
    photograph: Photograph
    options: Options
    models: str | None


def sort_dump(
    folder: Path,
    out: Path | None,
    options: Options,
    progress: Progress,
    *,
    models: Path | None = None,
    groups: GroupsFile | None = None,
    processes: int | None = None,
) -> Sorted:
    """Return the groups of a card dump.

    Parameters
    ----------
    folder, out
        As `dump.find_photographs`. If an earlier run into `out` has sorted the very same files under the same
        settings, its groups are taken.
    options, progress
        The settings, of which the slices `grouping` and `faces` matter, and who is told how far it is.
    models
        A folder of the user's own with the models.
    groups
        The groups as the user wants them; then nothing is looked at.
    processes
        How many look at frames; None: as many as cores and memory allow.

    Raises
    ------
    InputError
        If the folder holds no photograph that can be read, or the user's groups name what is not there.
    OutputError
        If `out` is the folder itself, or holds it.
    ModelError
        If a model is missing or another one.
    """
    for name in SHA256:
        model_file(name, models)
    photographs, notes = find_photographs(folder, out)
    sorting = _sorting(options)
    earlier = None if out is None or groups is not None else _earlier(out, sorting)
    if groups is not None or earlier is not None:
        known = _once(_identified(photographs, progress, notes), notes)
        by_name = {p.name: p for p in photographs}
        if groups is not None:
            planned, said = read_groups(groups.text, groups.name, by_name, known)
            return Sorted(
                groups=tuple(planned), notes=(*notes, *said), megapixels=_largest(known), sorting={}
            )
        assert earlier is not None
        if {f["file"]: f["sha256"] for g in earlier for f in g["frames"]} == {
            name: k.digest for name, k in known.items()
        }:
            planned = given_groups(earlier, by_name, known)
            return Sorted(
                groups=tuple(planned), notes=tuple(notes), megapixels=_largest(known), sorting=sorting
            )
        notes = find_photographs(folder, out)[1]
    sights = _seen(photographs, options, progress, notes, models, processes)
    known = _once({s.name: s.known for s in sights}, notes)
    sights = [s for s in sights if s.name in known]
    planned = plan_groups(find_groups(sights, options.grouping), sights, {p.name: p for p in photographs})
    return Sorted(groups=tuple(planned), notes=tuple(notes), megapixels=_largest(known), sorting=sorting)


def _sorting(options: Options) -> dict[str, Any]:
    return {
        "program": signature(),
        "options": {"grouping": asdict(options.grouping), "faces": asdict(options.faces)},
    }


def _earlier(out: Path, sorting: Mapping[str, Any]) -> list[dict[str, Any]] | None:
    """Return the groups that an earlier run has sorted in the same way, or None."""
    try:
        index = read_index(out / INDEX)
    except InputError:
        return None
    return index["groups"] if index.get("sorting") == sorting and index.get("groups") else None


def _identified(
    photographs: Sequence[Photograph], progress: Progress, notes: list[str]
) -> dict[str, Identity]:
    """Return what each photograph that can be read is known by."""

    def one(photograph: Photograph) -> Identity | str:
        try:
            return identify(photograph.path, photograph.name)
        except InputError as error:
            return str(error)

    found = {}
    answers = in_order(one, photographs, READERS, "Reading the frames", progress)
    for photograph, answer in zip(photographs, answers, strict=True):
        if isinstance(answer, str):
            notes.append(answer)
        else:
            found[photograph.name] = answer
    return _needed(found, notes)


def _needed(found: dict[str, Identity], notes: Sequence[str]) -> dict[str, Identity]:
    if not found:
        raise InputError(f"No photograph can be read. {notes[-1]}")
    return found


def _once(known: Mapping[str, Identity], notes: list[str]) -> dict[str, Identity]:
    """Return what is known without the second copies of the same file."""
    first: dict[str, str] = {}
    for name, k in known.items():
        if first.setdefault(k.digest, name) != name:
            notes.append(f"{name} is left out: it is the same file as {first[k.digest]}.")
    return {name: known[name] for name in first.values()}


def _largest(known: Mapping[str, Identity]) -> float:
    return max(k.size[0] * k.size[1] for k in known.values()) / 1e6


def _seen(
    photographs: Sequence[Photograph],
    options: Options,
    progress: Progress,
    notes: list[str],
    models: Path | None,
    processes: int | None,
) -> list[Sight]:
    """Return the sights of all photographs that can be read, in their order."""
    answers: dict[int, Sight | str] = {}

    def answered(index: int, answer: Sight | str | Died) -> None:
        if isinstance(answer, Died):
            answer = f"{photographs[index].name} is left out: {answer.why} while it was looked at."
        answers[index] = answer

    def tick() -> None:
        progress("Sorting the frames", len(answers), len(photographs))

    pieces = [_Piece(p, options, None if models is None else str(models.resolve())) for p in photographs]
    count = processes or how_many(len(pieces), A_SIGHT_BYTES)
    tick()
    with Pool(_look, count) as pool:
        pool.run(pieces, answered, tick)
    found = [answers[i] for i in range(len(photographs))]
    notes.extend(a for a in found if isinstance(a, str))
    sights = [a for a in found if not isinstance(a, str)]
    _needed({s.name: s.known for s in sights}, notes)
    return sights


def _look(piece: _Piece) -> Sight | str:
    try:
        return see(piece.photograph, _networks(piece.models), piece.options)
    except InputError as error:
        return str(error)
    except Exception as error:  # a bug met in one frame of thousands must not cost the others
        fault = lack_of(error) or f"a fault of the program, {type(error).__name__}: {error}."
        return f"{piece.photograph.name} is left out: {fault}"


@lru_cache(maxsize=1)
def _networks(folder: str | None) -> Models:
    return Models(None if folder is None else Path(folder))
