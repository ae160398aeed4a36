"""A card dump from its files to a folder of finished groups and one page over all."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from facemerge.batch import cluster
from facemerge.batch.job import (
    MERGE_BYTES,
    MERGE_BYTES_A_PIXEL,
    RECORDS,
    Form,
    Job,
    Outcome,
    by_hand,
    describe,
    make,
    make_job,
    standing,
)
from facemerge.batch.place import claimed, finished, left_over
from facemerge.batch.plan import GROUPS, Planned, groups_text, span
from facemerge.batch.sort import GroupsFile, Sorted, sort_dump
from facemerge.errors import InputError, OptionError
from facemerge.formats.files import read_plain, replace_file
from facemerge.formats.index_page import INDEX, PAGE, Index, build_index, index_bytes, render_index
from facemerge.options import Options
from facemerge.pipeline.progress import Progress, no_progress
from facemerge.pipeline.run import PICTURES
from facemerge.workers import Died, Pool, how_many

MAKING = "Making the groups"
REWRITE_S = 20.0
"""How often the page is written anew while work goes on: with hundreds of pictures it is megabytes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Where:
    """Who does the work."""

    processes: int | None = None
    """Of this machine; None: as many as cores and memory allow."""
    scheduler: str | None = None
    """Address of a Dask scheduler whose workers make the groups, or None: this machine does."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """What came of a dump."""

    index: Index
    """What index.json holds."""
    kept: int
    """How many groups were finished already by an earlier run."""

    @property
    def failed(self) -> list[Index]:
        """The groups that failed."""
        return [g for g in self.index["groups"] if g["state"] == "failed"]

    @property
    def summary(self) -> tuple[str, ...]:
        """The batch in a few plain lines."""
        before = f" {self.kept} of them by an earlier run." if self.kept else ""
        lines = [f"{self.index['summary']}.{before}"]
        shown = self.failed[:5]
        lines += [f"Failed: {g['name']}: {g['reason']}" for g in shown]
        if len(self.failed) > len(shown):
            lines.append(f"Failed too: {len(self.failed) - len(shown)} more, which the page names.")
        return tuple(lines)


@dataclass(slots=True, eq=False)
class _Book:
    """What is known of every group, and the pages that say it."""

    place: Path
    sorted: Sorted
    outcomes: dict[str, Outcome] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    _written_s: float = 0.0

    def index(self) -> Index:
        names = {g.name for g in self.sorted.groups}
        over = left_over(self.place, names)
        notes = [f"Left as they were, no groups of this sorting: {', '.join(over)}."] if over else []
        return build_index(
            groups=[_entry(g, self.outcomes.get(g.name)) for g in self.sorted.groups],
            notes=[*self.sorted.notes, *self.notes, *notes],
            sorting=self.sorted.sorting,
        )

    def write(self) -> Index:
        """Write both pages, whole or not at all."""
        index = self.index()
        pictures = {name: o.picture for name, o in self.outcomes.items() if o.picture}
        replace_file(self.place / INDEX, index_bytes(index))
        replace_file(self.place / PAGE, render_index(index, pictures).encode("utf-8", "replace"))
        self._written_s = time.monotonic()
        return index

    def write_now_and_then(self) -> None:
        """Write both pages if they have not been for a while."""
        if time.monotonic() - self._written_s > REWRITE_S:
            self.write()


def run_batch(
    folder: Path,
    out: Path,
    *,
    options: Options | None = None,
    form: Form | None = None,
    models: Path | None = None,
    groups: GroupsFile | None = None,
    where: Where | None = None,
    progress: Progress = no_progress,
) -> Batch:
    """Sort a card dump into groups, make each, and write one page over all.

    A group that is finished already, by the content of its frames, the settings and the program's version, is
    kept; whatever was half-done is cleared away. A group that fails costs none of the others.

    Parameters
    ----------
    folder
        The dump.
    out
        Where the groups' folders and the page go: nothing yet, an empty folder, or an earlier batch.
    options, form, models
        Settings; what is written of each group; a folder of the user's own with the models.
    groups
        The groups as the user wants them; else they are found.
    where, progress
        Who does the work, and who is told how far it is.

    Raises
    ------
    FacemergeError
        If nothing could be begun: no photographs, no group, no place to write, no scheduler.
    """
    options, form, where = options or Options(), form or Form(), where or Where()
    for picture in form.pictures:
        if picture not in PICTURES:
            raise OptionError(f"A finished picture is tif, png or jpg, not {picture!r}.")
    if where.scheduler is not None:
        cluster.require_workers(where.scheduler)
    with claimed(out, folder) as place:
        found = sort_dump(
            folder, place, options, progress, models=models, groups=groups, processes=where.processes
        )
        run = [g for g in found.groups if not g.idle]
        if not run:
            raise InputError(_nothing_to_make(found))
        jobs = [make_job(g, place, options, form, models) for g in run]
        book = _Book(place, found, finished(place, jobs))
        kept = len(book.outcomes)
        book.outcomes |= _kept_by_hand(place, [j for j in jobs if j.name not in book.outcomes])
        book.notes += _write_groups(place, found, groups)
        book.write()
        try:
            _make_all([j for j in jobs if j.name not in book.outcomes], book, where, progress)
        finally:
            index = book.write()
    return Batch(index=index, kept=kept)


def _nothing_to_make(found: Sorted) -> str:
    only = next(iter(found.groups))
    more = f" and {len(found.groups) - 1} more" if len(found.groups) > 1 else ""
    return f"No group has two frames with people in them: {only.name} is {only.idle}{more}."


def _write_groups(place: Path, found: Sorted, given: GroupsFile | None) -> list[str]:
    """Write the groups for the user to edit, and return what is to be said: what they have edited stays."""
    mine, text = place / RECORDS / GROUPS, groups_text(found.groups, notes=found.notes)
    try:
        there, last = (read_plain(p).decode() if p.exists() else None for p in (place / GROUPS, mine))
    except (OSError, UnicodeDecodeError):
        there, last = "", None
    if there is not None and there != last:
        used = given is not None and given.text == there
        return [] if used else [f"{GROUPS} was edited and not used; give it back with --groups."]
    replace_file(mine, text.encode())
    replace_file(place / GROUPS, text.encode())
    return []


def _kept_by_hand(place: Path, jobs: Sequence[Job]) -> dict[str, Outcome]:
    """Return by name the results that somebody made in a group's place by hand: they are not overwritten."""
    return {n: replace(describe(place / n), by_hand=True) for n in by_hand(place, [j.name for j in jobs])}


def _make_all(jobs: Sequence[Job], book: _Book, where: Where, progress: Progress) -> None:
    """Make the groups, each outcome into the book as it comes."""
    before = len(book.outcomes)

    def answered(index: int, answer: Outcome | Died) -> None:
        if isinstance(answer, Died):
            answer = Outcome(made=False, error=f"It was given up: {answer.why}.")
        if answer.made:
            answer = standing(book.place, jobs[index].fingerprint, jobs[index].name) or answer
        book.outcomes[jobs[index].name] = answer

    def tick() -> None:
        progress(MAKING, len(book.outcomes) - before, len(jobs))
        book.write_now_and_then()

    if not jobs:
        return
    progress(MAKING, 0, len(jobs))
    if where.scheduler is not None:
        cluster.run_on(where.scheduler, make, jobs, answered, tick)
    else:
        pixels = 1e6 * book.sorted.megapixels
        count = where.processes or how_many(len(jobs), MERGE_BYTES + MERGE_BYTES_A_PIXEL * pixels)
        with Pool(make, min(count, len(jobs))) as pool:
            pool.run(jobs, answered, tick)


def _entry(group: Planned, outcome: Outcome | None) -> Index:
    """Return what the index says of one group."""
    entry: dict[str, Any] = {
        "name": group.name,
        "state": "idle" if group.idle else "waiting",
        "reason": group.idle,
        "why": group.why,
        "again": group.again,
        "taken": span(group),
        "frames": [{"file": f.name, "sha256": f.digest} for f in group.frames],
    }
    return entry if outcome is None else entry | _came_of(group.name, outcome)


def _came_of(name: str, outcome: Outcome) -> dict[str, Any]:
    if not outcome.made:
        return {"state": "failed", "reason": outcome.error}
    return {
        "state": "made",
        "summary": outcome.summary,
        "people": outcome.people,
        "changed": outcome.changed,
        "inspect": outcome.inspect,
        "retouch": outcome.retouch,
        "report": f"{name}/report.html",
        "composite": outcome.composite and f"{name}/{outcome.composite}",
        "by_hand": outcome.by_hand,
    }
