"""Coverage of the frames so far: what `coverage` says once, and again with every frame that arrives."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from facemerge import coverage
from facemerge.formats import photo
from facemerge.models import Models
from facemerge.options import Options
from facemerge.pipeline.arriving import Arrivals, Shoot
from facemerge.pipeline.places import places, row_names
from facemerge.pipeline.progress import Progress, no_progress
from facemerge.pipeline.run import known_of

NAMED = 3
"""Frames that are named for one reason; of more, the number is told."""


def arrivals(options: Options, models: Models | None = None, out: Path | None = None) -> Arrivals:
    """Return what takes the frames of a shoot.

    Parameters
    ----------
    options, models
        The settings and the networks.
    out
        The folder of a merge beside which is kept what is seen; None: nothing is kept.
    """
    known, read = known_of([], options, out)
    return Arrivals(read, models or Models(), options, known=known)


def look_at(
    sources: Sequence[Path],
    options: Options,
    models: Models | None = None,
    progress: Progress = no_progress,
    out: Path | None = None,
) -> tuple[Shoot, tuple[str, ...]]:
    """Return what a folder of frames, or frames, show so far, and notes on files that cannot be used.

    Raises
    ------
    InputError
        If no picture can be read.
    """
    frames, notes = photo.find_frames(sources)
    so_far = arrivals(options, models, out)
    failed = so_far.add(frames, progress)
    return so_far.shoot(progress), (*notes, *failed.values())


def covered(shoot: Shoot, options: Options) -> coverage.Coverage:
    """Return how far the group before the camera is covered."""
    return coverage.cover(
        shoot.people,
        shoot.scores,
        [f.name for f in shoot.frames],
        places(shoot.people),
        row_names(shoot.people),
        options.coverage,
        times_s=[f.time_s for f in shoot.frames],
    )


def report(shoot: Shoot, options: Options, notes: Sequence[str] = ()) -> tuple[str, ...]:
    """Return all there is to say of a shoot so far, the line that says it all first.

    Parameters
    ----------
    shoot, options
        What is known, and the settings.
    notes
        Sentences on files that cannot be used.
    """
    return (*coverage.told(covered(shoot, options)), *(f"  {line}" for line in (*about(shoot), *notes)))


def about(shoot: Shoot) -> list[str]:
    """Return what is to be said of other groups, of frames left aside, and of passers-by."""
    lines = []
    if shoot.before:
        earlier = ", ".join(f"{group[0]} to {group[-1]}" for group in shoot.before[-NAMED:])
        why = f", for {shoot.why_anew}" if shoot.why_anew else ""
        lines.append(f"Counted anew from {shoot.frames[0].name}{why}; before: {earlier}.")
    by_reason: dict[str, list[str]] = {}
    for name, why in shoot.aside:
        by_reason.setdefault(why, []).append(name)
    for why, names in by_reason.items():
        named = (
            ", ".join(names) if len(names) <= NAMED else f"{len(names)} frames from {names[0]} to {names[-1]}"
        )
        lines.append(f"Left aside: {named}, for {why}.")
    return [*lines, *shoot.notes]
