"""What a worker does with one group, and what is written down of it, so that nothing is done twice.

Before a group is begun its record says so, with what lay in its place; when it is finished, with what came of
it. A result is put in place by one rename, so whatever moment a run is killed at, the record and the place
together tell whether the group is finished.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from functools import lru_cache
from pathlib import Path
from socket import gethostname
from typing import Any

from facemerge import pipeline
from facemerge.batch.plan import Planned
from facemerge.errors import FacemergeError, InputError, lack_of
from facemerge.formats import files, page, photo, previews, report
from facemerge.formats.program import signature
from facemerge.imaging import fit_within, resize
from facemerge.models import Models
from facemerge.options import GroupingOptions, Options, as_dict

RECORDS = ".records"
_SCHEMA = "facemerge-record/1"
_PICTURE_PX = 480
MERGE_BYTES, MERGE_BYTES_A_PIXEL = 0.4e9, 45.0
"""Memory of one merge: 1.5 GB for frames of 24 megapixels."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Form:
    """What is written of each group."""

    pictures: tuple[str, ...] = ("tif",)
    layers: bool = True
    layered_tiff: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One group as a worker gets it: words and paths, never pictures."""

    name: str
    paths: tuple[str, ...]
    out: str
    """The batch's OUT, absolute."""
    options: Options
    form: Form
    models: str | None
    """A folder of the user's own with the models, or None."""
    fingerprint: str
    """As `fingerprint` returns it."""
    program: str
    """Name and version of the program that asks."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What came of a group."""

    made: bool
    error: str = ""
    """One sentence if it failed."""
    summary: str = ""
    """The run in one line."""
    people: int = 0
    changed: int = 0
    """Heads set in."""
    inspect: int = 0
    retouch: int = 0
    composite: str | None = None
    """File name of the finished picture."""
    picture: str | None = None
    """A small JPEG of it, base64."""
    by_hand: bool = False
    """Whether the result in place is another than the one that was made for the batch."""


def make_job(group: Planned, out: Path, options: Options, form: Form, models: Path | None) -> Job:
    """Return a planned group as a worker gets it.

    The settings that sort the dump are left out: they have no influence on a group once it is found.
    """
    plain = replace(options, grouping=GroupingOptions())
    return Job(
        name=group.name,
        paths=tuple(str(f.path) for f in group.frames),
        out=str(out),
        options=plain,
        form=form,
        models=None if models is None else str(models.resolve()),
        fingerprint=fingerprint([(f.name, f.digest) for f in group.frames], plain, form),
        program=signature(),
    )


def fingerprint(frames: Sequence[tuple[str, str]], options: Options, form: Form) -> str:
    """Return what a result is known by: its frames' names and contents, the settings, the version."""
    known = [signature(), sorted(frames), as_dict(options), asdict(form)]
    return hashlib.sha256(json.dumps(known, sort_keys=True).encode()).hexdigest()


def make(job: Job) -> Outcome:
    """Make one group and write its record; a group that cannot be made has its sentence in the outcome.

    Runs in a worker, which may be killed at any moment.
    """
    try:
        _check(job)
        record = {"folder": job.name, "before": _result(Path(job.out, job.name)), "state": "begun"}
        write_record(Path(job.out), job.fingerprint, record)
        pipeline.merge(
            [Path(p) for p in job.paths],
            Path(job.out, job.name),
            options=job.options,
            models=_models(job.models),
            pictures=job.form.pictures,
            layers=job.form.layers,
            layered_tiff=job.form.layered_tiff,
            # What was seen of faces is for the next run into the same place, and a batch runs once.
            afresh=True,
        )
        # The picture stays in the record: whoever asks may sit at the other end of a network.
        return replace(finish(Path(job.out), job.name, job.fingerprint), picture=None)
    except FacemergeError as error:
        return Outcome(made=False, error=str(error))
    except Exception as error:  # a bug met in one group of hundreds must not cost the others
        if isinstance(error, MemoryError):
            return Outcome(made=False, error="There was not enough memory; fewer --processes need less.")
        if (lack := lack_of(error)) is not None:
            return Outcome(made=False, error=str(lack))
        return Outcome(made=False, error=f"A fault of the program: {type(error).__name__}: {error}")


def finish(out: Path, name: str, key: str) -> Outcome:
    """Return what lies in a group's place, and write down that it is finished.

    Raises
    ------
    FacemergeError
        If it cannot be read, or the record cannot be written.
    """
    outcome = describe(out / name)
    record = {"folder": name, "report": _result(out / name), "state": "finished", "outcome": asdict(outcome)}
    write_record(out, key, record)
    return outcome


def describe(place: Path) -> Outcome:
    """Return what a result says of itself, with a small copy of its picture.

    Raises
    ------
    FacemergeError
        If its report or its picture cannot be read.
    """
    told = report.read_report(place / "report.json")
    people = told["people"]
    picture = None
    if told["composite"]:
        (frame,), _ = photo.find_frames([place / told["composite"]])
        small = resize(photo.read(frame), fit_within(frame.size, _PICTURE_PX))
        picture = base64.b64encode(previews.whole_picture(small, frame.profile)).decode()
    return Outcome(
        made=True,
        summary=page.summary(told),
        people=len(people),
        changed=sum(not p["from_base"] for p in people),
        inspect=sum(p["flag"] == "inspect" for p in people),
        retouch=sum(p["flag"] == "retouch" for p in people),
        composite=told["composite"],
        picture=picture,
    )


def _check(job: Job) -> None:
    """Refuse what would go wrong on another machine, in words that say where."""
    if signature() != job.program:
        raise InputError(f"The worker on {gethostname()} runs {signature()}, not {job.program}.")
    for path in (job.out, *job.paths):
        if not Path(path).exists():
            raise InputError(f"{path} is not there on {gethostname()}; all workers must see it by this name.")


@lru_cache(maxsize=1)
def _models(folder: str | None) -> Models:
    return Models(None if folder is None else Path(folder))


# -- records ------------------------------------------------------------------------------------------------


def write_record(out: Path, key: str, record: dict[str, Any]) -> None:
    """Write a group's record, whole or not at all.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    whole = {"schema": _SCHEMA, "fingerprint": key} | record
    files.replace_file(_record_path(out, key), json.dumps(whole, indent=1).encode())


def read_record(out: Path, key: str) -> dict[str, Any] | None:
    """Return a group's record, or None if there is none that can be understood."""
    record = _parsed(_record_path(out, key))
    return record if record and record.get("fingerprint") == key else None


def _parsed(path: Path) -> dict[str, Any] | None:
    try:
        record = json.loads(files.read_plain(path))
    except (OSError, ValueError, RecursionError):
        return None
    if not isinstance(record, dict) or record.get("schema") != _SCHEMA:
        return None
    return record if isinstance(record.get("folder"), str) else None


def _record_path(out: Path, key: str) -> Path:
    return out / RECORDS / f"{key[:32]}.json"


def _result(place: Path) -> str | None:
    """Return what a result in place is known by, or None if there is none."""
    try:
        return hashlib.sha256(files.read_plain(place / "report.json")).hexdigest()
    except OSError:
        return None


def by_hand(out: Path, names: Sequence[str]) -> list[str]:
    """Return which of these folders hold a result that no batch has made there."""
    ours: dict[str, set[object]] = defaultdict(set)
    for path in (out / RECORDS).glob("*.json"):
        if record := _parsed(path):
            ours[record["folder"]] |= {record.get("report"), record.get("before")}
    found = {name: _result(out / name) for name in names}
    return [name for name, now in found.items() if now is not None and now not in ours[name]]


def standing(out: Path, key: str, name: str) -> Outcome | None:
    """Return the outcome of a group that is finished already, in the folder of this name, or None.

    Raises
    ------
    FacemergeError
        If it is finished and its record cannot be written.
    """
    record = read_record(out, key)
    now = _result(out / name)
    if record is None or now is None or record["folder"] != name:
        return None
    if record.get("state") == "begun":
        # The rename that puts a result in place was the last thing that happened.
        return finish(out, name, key) if now != record.get("before") else None
    if record.get("state") != "finished":
        return None
    if now != record.get("report"):
        return replace(describe(out / name), by_hand=True)
    try:
        outcome = Outcome(**record["outcome"])
    except (KeyError, TypeError):
        return finish(out, name, key)
    # Whoever takes the picture away wants another one.
    return outcome if outcome.composite and (out / name / outcome.composite).is_file() else None
