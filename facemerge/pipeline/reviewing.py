"""What a review needs of a finished result: its frames, all that is known of them, and what was decided."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from facemerge import options as settings
from facemerge.errors import InputError
from facemerge.formats import decisions, files, photo, report
from facemerge.models import Models
from facemerge.options import Options
from facemerge.pipeline import run
from facemerge.pipeline.look import Album, analyse
from facemerge.pipeline.progress import Progress, no_progress
from facemerge.words import (
    Analysis,
    Decisions,
    Frame,
    Stays,
)

MOVED_FACES = 0.25
"""By how much of its width a face may lie elsewhere than the report says, before the frame is another one."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Finished:
    """A finished result, and all that is needed to make it again."""

    out: Path
    sources: tuple[Path, ...]
    """The folder of the frames, or the frames, as `merge` takes them."""
    report: report.Report
    """What report.json held when the review began."""
    analysis: Analysis
    album: Album
    options: Options
    decisions: Decisions | None
    """As OUT has them; None if it has none."""
    saved: bool
    """Whether the picture in OUT was made by these decisions, as far as can be told."""

    @property
    def form(self) -> dict[str, Any]:
        """What `merge` is asked to write: the same files as before."""
        first = self.report["composite"]
        # The first is the one that the report names.
        forms = [Path(first).suffix[1:]] if first else []
        forms += [f for f in run.PICTURES if f not in forms and (self.out / f"composite.{f}").is_file()]
        return {
            "pictures": tuple(forms) or ("tif",),
            "layers": self.report["layers"] is not None or not first,
            "layered_tiff": self.report.get("layered_tiff") is not None,
            "sidecars": (self.report.get("sidecars") or {}).get("where"),
            "keep_location": self.report.get("keep_location") is True,
        }


# -- a finished result --------------------------------------------------------------------------------------


def pending(out: Path) -> Path:
    """Return where decisions are kept while `out` is being replaced."""
    return _beside(out, files.DECISIONS)


@contextmanager
def alone(out: Path) -> Iterator[None]:
    """Keep a result from being reviewed twice at once: each would write its own decisions over the other's.

    Raises
    ------
    InputError
        If there is no such folder.
    OutputError
        If it is under review already, or nothing can be written beside it.
    """
    _require_folder(out)
    busy = f"{out} is under review already: look for its page in the browser, or end that review with Ctrl-C."
    with files.alone(_beside(out, "review"), busy):
        yield


def _beside(out: Path, ending: str) -> Path:
    """Return a hidden file beside a result, with room left for what it is called until it is whole."""
    place = out.resolve()
    short = os.fsencode(place.name)[:200].decode("utf-8", "ignore")
    return place.with_name(f".{short}.{ending}")


def _require_folder(out: Path) -> None:
    if not out.is_dir():
        raise InputError(f"There is no folder {out}; name the folder that merge wrote.")


def finished(
    out: Path, folders: Sequence[Path], models: Models, progress: Progress = no_progress
) -> Finished:
    """Return a finished result with what is known of its frames, looked at again only if that was not kept.

    Parameters
    ----------
    out
        The folder of a result.
    folders
        Where its frames are now; none: where the report says.
    models, progress
        The networks, and who is told how far it is.

    Raises
    ------
    InputError
        If there is no result, or its frames are not there or not the same.
    OptionError
        If OUT's decisions, or the settings it was made with, cannot be read.
    """
    _require_folder(out)
    told = report.read_report(out / "report.json")
    options = settings.build(told.get("options", {}))
    frames, sources = _frames(out, told, folders)
    decided, newest = _decided(out)
    analysis, album = _looked_through(out, frames, models, options, progress)
    _require_same(out, told, analysis)
    return Finished(
        out=out,
        sources=sources,
        report=told,
        analysis=analysis,
        album=album,
        options=options,
        decisions=decided,
        saved=newest and told["composite"] is not None,
    )


def _frames(out: Path, told: report.Report, folders: Sequence[Path]) -> tuple[list[Frame], tuple[Path, ...]]:
    """Return the frames of a report under its names for them, and what `merge` is to be given."""
    said = told.get("sources")
    if folders:
        places = list(folders)
    elif isinstance(said, list) and said and all(isinstance(one, str) for one in said):
        places = [out.resolve().parent / one for one in said]
    else:
        raise InputError(f"The report in {out} does not say where its frames are; name them with --frames.")
    for place in places:
        if not place.exists():
            raise InputError(
                f"The frames of {out} are no longer in {_plain(place)}; say where they are with --frames."
            )
    found, _ = photo.find_frames(places)
    names = {frame["file"]: tuple(frame.get("size", ())) for frame in told["frames"]}
    by_name = {frame.name: frame for frame in found}
    notes = [note for note in told.get("notes", []) if isinstance(note, str)]
    kept: dict[str, str] = {}
    for name, size in names.items():
        frame = by_name.get(name) or next((f for f in found if f"/{f.path}".endswith(f"/{name}")), None)
        if frame is None:
            raise InputError(
                f"{name} is not in {_plain(places[0])}, but {out} was made with it; say where the frames are "
                "with --frames, or run merge again."
            )
        if size and size != frame.size:
            raise InputError(f"{name} has changed since {out} was made; run merge again.")
        kept[frame.path] = name
    burst = [
        replace(f, name=kept.get(f.path, f.name))
        for f in found
        if f.path in kept or any(f.name in note for note in notes)
    ]
    sources = tuple(places) if len(burst) == len(found) else tuple(Path(f.path) for f in burst)
    return burst, sources


def _plain(place: Path) -> str:
    return str(place.resolve())


def _looked_through(
    out: Path, frames: Sequence[Frame], models: Models, options: Options, progress: Progress
) -> tuple[Analysis, Album]:
    """Return what is known of the frames, as `merge` would; nothing that is kept of them is tidied away."""
    known, read = run.known_of(frames, options, out)
    return analyse(frames, read, models, options, progress, known=known)


def _decided(out: Path) -> tuple[Decisions | None, bool]:
    """Return the decisions of a result (None: it has none) and whether its picture is no older."""
    place, waiting = out / files.DECISIONS, pending(out)
    # Left by a review that was killed while it wrote.
    for path in (place, waiting):
        path.with_name(files.hidden(path.name, decisions.HALF_DONE)).unlink(missing_ok=True)
    if waiting.is_file():
        # A save was cut off: these are newer than those in OUT.
        found = decisions.read_decisions(waiting)
        decisions.write_decisions(place, found)
        waiting.unlink(missing_ok=True)
        return found, False
    if not place.is_file():
        return None, True
    made_ns = (out / "report.json").stat().st_mtime_ns
    # Both are written by one run, one after the other.
    return decisions.read_decisions(place), place.stat().st_mtime_ns <= made_ns + 2_000_000_000


def _require_same(out: Path, told: report.Report, analysis: Analysis) -> None:
    """Refuse frames that show something else than they did when the report was written."""
    changed = InputError(f"The frames of {out} are not what they were when it was made; run merge again.")
    people = {p.id: p for p in analysis.people}
    index = {f.name: i for i, f in enumerate(analysis.frames)}
    if set(people) != {p["id"] for p in told["people"]} or set(index) != {f["file"] for f in told["frames"]}:
        raise changed
    for person in told["people"]:
        for seen in person["faces"]:
            face = people[person["id"]].faces[index[seen["frame"]]]
            box = getattr(face, "box", None)
            room = MOVED_FACES * (seen["box"][2] - seen["box"][0])
            if box is None or max(abs(a - b) for a, b in zip(box, seen["box"], strict=True)) > room:
                raise changed


def as_reported(told: report.Report) -> Decisions:
    """Return decisions that give the choice of a report, for a result that has kept none."""
    return Decisions(stays=Stays(base=told["base"], picks={p["id"]: p["pick"] for p in told["people"]}))
