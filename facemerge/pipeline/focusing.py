"""What frames say of focus and movement: faces as a merge measures them, exposures as the camera tells."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from facemerge import focus
from facemerge.errors import NobodyFoundError
from facemerge.formats.exposure import Exposure, exposure_of
from facemerge.models import Models
from facemerge.options import Options
from facemerge.pipeline.arriving import Shoot
from facemerge.pipeline.covering import about, look_at
from facemerge.pipeline.places import places, row_names
from facemerge.pipeline.progress import Progress, no_progress
from facemerge.scores.sharpness import EYE_CORNERS, sharp_up_to_px
from facemerge.words import Face, Missing, Score


@dataclass(frozen=True, slots=True, kw_only=True)
class Focused:
    """What was found, and what there is to say beside."""

    diagnosis: focus.Diagnosis
    exposures: tuple[Exposure, ...]
    """One a frame."""
    frames: tuple[str, ...]
    notes: tuple[str, ...]
    """Sentences on frames and files that were left out."""


def focused(
    sources: Sequence[Path],
    options: Options,
    models: Models | None = None,
    progress: Progress = no_progress,
    out: Path | None = None,
) -> Focused:
    """Return what frames of one group say of focus and movement.

    Parameters
    ----------
    sources
        A folder of frames, or frames; one is enough.
    options, models, progress
        Settings, the networks, and who is told how far it is.
    out
        The folder of a merge beside which is kept what is seen; None: nothing is kept.

    Raises
    ------
    InputError
        If no picture can be read.
    NobodyFoundError
        If nobody is found in any.
    """
    shoot, notes = look_at(sources, options, models, progress, out)
    if not shoot.people:
        raise NobodyFoundError(" ".join(["No face was found in any frame.", *notes]))
    exposures = tuple(exposure_of(f) for f in shoot.frames)
    return Focused(
        diagnosis=diagnosed(shoot, exposures),
        exposures=exposures,
        frames=tuple(f.name for f in shoot.frames),
        notes=(*about(shoot), *notes),
    )


def diagnosed(shoot: Shoot, exposures: Sequence[Exposure]) -> focus.Diagnosis:
    """Return what a shoot says of focus and movement; `exposures` one a frame."""
    names, rows = places(shoot.people), row_names(shoot.people)
    order = {row: i for i, row in enumerate(rows)}
    return focus.diagnose(
        [focus.Stand(place=names[p.id], row=order[p.row]) for p in shoot.people],
        list(rows.values()),
        [
            focus.Shot(
                name=frame.name,
                looks=tuple(_look(p.faces[f], shoot.scores[p.id][f]) for p in shoot.people),
                f_number=exposures[f].f_number,
                exposure_s=exposures[f].time_s,
            )
            for f, frame in enumerate(shoot.frames)
        ],
    )


def report(found: Focused) -> tuple[str, ...]:
    """Return the advice, then what it rests on: a table by row and one by person."""
    told = found.diagnosis
    lines = [*told.advice, *(f"Doubt: {doubt}" for doubt in told.doubts), ""]
    count = len(found.frames)
    lines.append(f"{'1 frame' if count == 1 else f'{count} frames'}{_exposed(found.exposures)}.")
    lines += _table(told.rows, people=True)
    if len(told.people) > 1:
        lines += ["", *_table(told.people, people=False)]
    if found.notes:
        lines += ["", *found.notes]
    return tuple(lines)


def _look(face: Face | Missing, score: Score | None) -> focus.Look | None:
    if score is None or score.blur_px is None or score.sharpness.value is None or isinstance(face, Missing):
        return None
    eyes = [face.landmarks[list(corners), :2].mean(0) for corners in EYE_CORNERS]
    return focus.Look(
        blur_px=score.blur_px,
        limit_px=sharp_up_to_px(float(np.linalg.norm(eyes[0] - eyes[1]))),
        motion_px=score.detail.get("motion_px", 0.0),
        motion_deg=score.detail.get("motion_deg", 0.0),
    )


def _exposed(exposures: Sequence[Exposure]) -> str:
    """Return the usual exposure in words, or '' if the files do not say."""
    said = []
    for values in (
        [f"f/{e.f_number:g}" for e in exposures if e.f_number is not None],
        [f"{focus.shutter_name(e.time_s)} s" for e in exposures if e.time_s is not None],
        [f"{e.focal_mm:g} mm" for e in exposures if e.focal_mm is not None],
    ):
        if values:
            usual, often = Counter(values).most_common(1)[0]
            said.append(usual if often == len(exposures) else f"mostly {usual}")
    return f", {', '.join(said)}" if said else ""


def _table(rows: Sequence[focus.Sharpness], *, people: bool) -> list[str]:
    """Return a table: faces by how sharp they are, blur and streaks in pixels."""
    columns = {
        "people": [f"{r.people}" for r in rows],
        "sharp": [f"{r.sharp} of {r.seen}" for r in rows],
        "a little soft": [f"{r.between}" for r in rows],
        "soft": [f"{r.soft}" for r in rows],
        "moved": [f"{r.moved}" for r in rows],
        "blur px": ["-" if r.blur_px is None else f"{r.blur_px:.1f}" for r in rows],
        "sharp up to px": ["-" if r.limit_px is None else f"{r.limit_px:.1f}" for r in rows],
        "streak px": [f"{r.streak_px:.0f}" if r.streak_px else "-" for r in rows],
    }
    if not people:
        del columns["people"]
    width = max(len(r.name) for r in rows)
    widths = {name: max(len(name), *map(len, cells)) for name, cells in columns.items()}
    lines = ["  ".join([" " * width, *(f"{name:>{widths[name]}}" for name in columns)])]
    for i, r in enumerate(rows):
        cells = (f"{cells[i]:>{widths[name]}}" for name, cells in columns.items())
        lines.append("  ".join([f"{r.name:<{width}}", *cells]))
    return lines
