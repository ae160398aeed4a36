"""What is known of the frames so far, while a shoot goes on: frame by frame, in whatever order they arrive.

A frame is placed on the first one of its group, and its faces are kept, not its pixels. A frame that does not
fit begins a group of its own: alone it is an odd one, with a second the photographer has gone on to other
people, or to another place.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from facemerge import align, faces, scores, tracks
from facemerge.errors import InputError
from facemerge.formats import photo
from facemerge.models import Models
from facemerge.options import Options
from facemerge.pipeline.glance import Glance, overlooked
from facemerge.pipeline.known import Known
from facemerge.pipeline.look import JUDGING, LOOKING, require_memory, workers_for
from facemerge.pipeline.looker import Glanced, Read, Team, Tools
from facemerge.pipeline.progress import Clock, Progress, in_order, no_progress
from facemerge.words import Aligned, Face, Float, Frame, Missing, Person, Score, Unaligned

SAME_PERSON = 0.15
"""One minus the cosine of two heads' looks up to which they may be one person: 0.3 % of pairs of different
people are below, as sorting a card measured."""
SAME_PEOPLE = 0.5
"""Share of the faces of a frame, or of the group if it has fewer, that must be of the group."""
JUDGED = 18
"""Frames of a person that are judged together. Judging takes milliseconds a face: in a long shoot a new face
is held against the best of those before alone, and what was said of the others stands."""
SINCE = 3
"""Groups a frame may still belong to: the copy of a card comes in any order, but hardly across more."""


@dataclass(slots=True, kw_only=True, eq=False)
class _Entry:
    """What is kept of one frame."""

    frame: Frame
    glance: Glance
    alignment: Aligned
    verdicts: dict[int, Score] = field(default_factory=dict)
    """By portrait, how good it was when it was last judged."""
    looked_again: bool = False


@dataclass(slots=True, eq=False)
class _Group:
    """Frames that fit one another."""

    reference: Frame
    view: align.View | None
    """Of the reference; None once it is unlikely to be asked for."""
    looks: tuple[Face, ...]
    """The reference's faces."""
    why: str
    """Why the first frame did not fit the group before; '' for the first group."""
    entries: list[_Entry] = field(default_factory=list)

    def in_order(self) -> list[_Entry]:
        return sorted(self.entries, key=lambda e: _when(e.frame))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shoot:
    """What is known of the group before the camera."""

    frames: tuple[Frame, ...]
    """Its frames, in the order they were taken."""
    people: tuple[Person, ...]
    scores: dict[str, tuple[Score | None, ...]]
    """By person id, one a frame; None where the person is missing."""
    notes: tuple[str, ...]
    """Sentences on passers-by."""
    aside: tuple[tuple[str, str], ...]
    """Frames that belong to no group, and why."""
    before: tuple[tuple[str, ...], ...]
    """Names of the frames of earlier groups, group by group."""
    why_anew: str
    """Why the present group is not the one before; '' if there was none."""


class Arrivals:
    """Takes frames as they arrive, and says what is known so far."""

    def __init__(
        self,
        read: Read,
        models: Models,
        options: Options,
        *,
        known: Known | None = None,
        workers: int | None = None,
    ) -> None:
        """Take what gives a frame's pixels, the networks, the settings, and what earlier runs have left.

        `read` and `workers` are as `analyse` takes them.
        """
        self._tools = Tools(
            reader=read,
            models=models,
            options=options,
            known=known or Known(None, options),
            clock=Clock(),
        )
        self._workers = workers
        self._groups: list[_Group] = []
        self._nobody: dict[str, Frame] = {}

    def add(self, frames: Sequence[Frame], progress: Progress = no_progress) -> dict[str, str]:
        """Look at new frames; return by path why some could not be read.

        Parameters
        ----------
        frames
            Any number, in any order; none that is known already.
        progress
            Told how far it is, in the caller's thread; what it raises ends the work.
        """
        failed: dict[str, str] = {}
        waiting = sorted(frames, key=_when)
        if not self._groups and len(waiting) > 1:
            # The first frame says what the others may be expected to show.
            self._take(waiting[:1], failed, progress, 0, len(waiting))
            waiting = waiting[1:]
        self._take(waiting, failed, progress, len(frames) - len(waiting), len(frames))
        return failed

    def forget(self, path: str) -> None:
        """Leave out a frame that is gone."""
        for group in self._groups:
            group.entries = [e for e in group.entries if e.frame.path != path]
        self._groups = [g for g in self._groups if g.entries]
        self._nobody.pop(path, None)

    def rename(self, path: str, frame: Frame) -> None:
        """Give a frame another name and path: the file was renamed."""
        for entry in (e for g in self._groups for e in g.entries if e.frame.path == path):
            entry.frame = frame
        for group in self._groups:
            if group.reference.path == path:
                group.reference = frame
        if self._nobody.pop(path, None) is not None:
            self._nobody[frame.path] = frame

    def shoot(self, progress: Progress = no_progress) -> Shoot:
        """Return what is known of the group that was before the camera last."""
        present = self._present()
        if present is None:
            aside = tuple((f.name, "nobody was found in it") for f in self._sorted_nobody())
            return Shoot(frames=(), people=(), scores={}, notes=(), aside=aside, before=(), why_anew="")
        entries = present.in_order()
        people, notes = self._people(entries, progress)
        others = [g for g in self._groups if g is not present]
        past = [g for g in others if len(g.entries) > 1 and self._began(g) < self._began(present)]
        odd = [
            (e.frame.name, g.why or "the others show something else")
            for g in others
            if g not in past
            for e in g.in_order()
        ]
        nobody = [(f.name, "nobody was found in it") for f in self._sorted_nobody()]
        return Shoot(
            frames=tuple(e.frame for e in entries),
            people=people,
            scores=self._scores(people, entries, progress),
            notes=notes,
            aside=tuple(odd + nobody),
            before=tuple(tuple(e.frame.name for e in g.in_order()) for g in sorted(past, key=self._began)),
            why_anew=present.why if past else "",
        )

    # -- looking ------------------------------------------------------------------------------------------

    def _take(
        self, frames: Sequence[Frame], failed: dict[str, str], progress: Progress, before: int, total: int
    ) -> None:
        expected = faces.Expected.like(self._groups[-1].looks) if self._groups else faces.NOTHING

        def tell(what: str, done: int, _: int) -> None:
            progress(what, done, total)

        require_memory(frames)
        pieces = [Glanced(frame=f, expected=expected) for f in frames]
        with Team(self._tools, tell, self._workers or workers_for(frames)) as team:
            team.expect(frames, expected)
            for frame, seen in zip(frames, team.each(LOOKING, pieces, before), strict=True):
                if isinstance(seen, str):
                    failed[frame.path] = seen
                    continue
                try:
                    self._place(frame, seen, expected)
                except InputError as error:
                    failed[frame.path] = str(error)

    def _place(self, frame: Frame, seen: Glance, expected: faces.Expected) -> None:
        """Put a frame into the group that it fits, or into one of its own."""
        why = ""
        for group in reversed(self._groups[-SINCE:]):
            placed = self._fitted(frame, seen, group)
            if isinstance(placed, Aligned):
                group.entries.append(_Entry(frame=frame, glance=replace(seen, view=None), alignment=placed))
                return
            why = why or placed
        if expected != faces.NOTHING:
            # Other people may be smaller in the picture than those before.
            seen = self._tools.glance(frame, faces.NOTHING)
        if not seen.portraits:
            self._nobody[frame.path] = frame
            return
        view = self._view(frame, seen)
        group = _Group(frame, view, seen.faces, why)
        group.entries.append(
            _Entry(frame=frame, glance=replace(seen, view=None), alignment=self._on_itself(frame, view))
        )
        self._groups.append(group)
        for old in self._groups[:-SINCE]:
            old.view = None

    def _fitted(self, frame: Frame, seen: Glance, group: _Group) -> Aligned | str:
        """Return where a frame lies on a group's reference, or why it does not belong to the group."""
        if not seen.portraits:
            return "nobody was found in it"
        if _shared(seen.faces, group.looks) < SAME_PEOPLE:
            return "it shows other people"

        def place() -> Aligned | Unaligned:
            if group.view is None:
                return Unaligned(reason="It is of an earlier group.")
            return align.align_frame(group.view, self._view(frame, seen), self._tools.options.align)

        match self._tools.known.placed(frame, group.reference, place):
            case Aligned() as placed:
                return placed
            case Unaligned(reason=reason):
                return f"it could not be aligned with the others: {_within(reason)}"

    def _view(self, frame: Frame, seen: Glance) -> align.View:
        if seen.view is not None:
            return seen.view
        return align.view_of(self._tools.reader(frame), seen.faces, self._tools.options.align)

    def _on_itself(self, frame: Frame, view: align.View) -> Aligned:
        placed = self._tools.known.placed(frame, frame, lambda: align.align_reference(view))
        assert isinstance(placed, Aligned)
        return placed

    # -- judging ------------------------------------------------------------------------------------------

    def _present(self) -> _Group | None:
        """Return the group before the camera: of those with more than one frame the one that began last."""
        groups = [g for g in self._groups if len(g.entries) > 1] or self._groups[:1]
        return max(groups, key=self._began, default=None)

    def _began(self, group: _Group) -> float:
        """Return when a group began: by the camera's clock if all frames have one, else as they arrived."""
        times = [e.frame.time_s for g in self._groups for e in g.entries]
        if None in times:
            return float(self._groups.index(group))
        return min(e.frame.time_s or 0.0 for e in group.entries)

    def _people(
        self, entries: Sequence[_Entry], progress: Progress
    ) -> tuple[tuple[Person, ...], tuple[str, ...]]:
        """Return who is who, having looked once more where a new frame seems to miss somebody."""

        def tracked() -> tuple[tuple[Person, ...], tuple[str, ...]]:
            return tracks.track_people(
                [e.glance.faces for e in entries], [e.alignment for e in entries], self._tools.options.tracks
            )

        people, notes = tracked()
        alignments = [e.alignment for e in entries]
        more = False
        for f, entry in enumerate(entries):
            # Alone, a frame says who is there: nobody can be missing from it.
            if entry.looked_again or len(entries) < 2:
                continue
            entry.looked_again = True
            missing = [p for p in people if isinstance(p.faces[f], Missing)]
            if missing:
                progress(JUDGING, 0, 1)
                places = [tracks.expected_landmarks(p, f, alignments) for p in missing]
                more |= self._look_again(entry, places)
        return tracked() if more else (people, notes)

    def _look_again(self, entry: _Entry, places: Sequence[Float]) -> bool:
        """Look for overlooked faces where they are expected; return whether there were any."""
        try:
            image = self._tools.reader(entry.frame)
        except InputError:
            # Gone meanwhile: the folder will tell.
            return False
        more = overlooked(entry.frame, image, entry.glance, places, self._tools.models, self._tools.options)
        entry.glance = replace(entry.glance, portraits=(*entry.glance.portraits, *more.portraits))
        return bool(more.portraits)

    def _scores(
        self, people: Sequence[Person], entries: Sequence[_Entry], progress: Progress
    ) -> dict[str, tuple[Score | None, ...]]:
        def judge(person: Person) -> tuple[Score | None, ...]:
            own = [e.glance.index_of(face) for face, e in zip(person.faces, entries, strict=True)]
            _judge(own, entries, self._tools.options)
            return tuple(None if i is None else e.verdicts[i] for i, e in zip(own, entries, strict=True))

        workers = self._workers or workers_for([e.frame for e in entries])
        judged = list(in_order(judge, people, workers, JUDGING, progress))
        told = scores.with_row_reasons([p.row for p in people], judged)
        return {p.id: own for p, own in zip(people, told, strict=True)}

    def _sorted_nobody(self) -> list[Frame]:
        return sorted(self._nobody.values(), key=_when)


def _when(frame: Frame) -> tuple[float, tuple[object, ...]]:
    """Return a key that sorts frames as they were taken; those without a time come first, by name."""
    return (frame.time_s if frame.time_s is not None else -1.0), photo.natural(Path(frame.path).name)


def _shared(mine: Sequence[Face], others: Sequence[Face]) -> float:
    """Return which share of the faces of a frame, or of the others if they are fewer, is of the others."""
    unlike = 1 - np.stack([f.appearance for f in mine]) @ np.stack([f.appearance for f in others]).T
    from scipy.optimize import linear_sum_assignment  # loads slowly

    rows, columns = linear_sum_assignment(unlike)
    return float((unlike[rows, columns] < SAME_PERSON).sum() / len(rows))


def _judge(own: Sequence[int | None], entries: Sequence[_Entry], options: Options) -> None:
    """Judge one person's new faces, and as many of the older ones as are judged together.

    Parameters
    ----------
    own
        One a frame: which portrait is theirs.
    """
    faces_of = [(e, i) for e, i in zip(entries, own, strict=True) if i is not None]
    new = [(e, i) for e, i in faces_of if i not in e.verdicts]
    old = sorted(((e, i) for e, i in faces_of if i in e.verdicts), key=lambda f: -f[0].verdicts[f[1]].total)
    # In the order of the frames, as a merge judges them.
    chosen = {(id(e), i) for e, i in (*new, *old[: max(JUDGED - len(new), JUDGED // 2)])}
    together = [(e, i) for e, i in faces_of if (id(e), i) in chosen]
    judged = scores.score([e.glance.portraits[i].measures for e, i in together], options.scores)
    for (e, i), verdict in zip(together, judged, strict=True):
        if verdict is not None:
            e.verdicts[i] = verdict


def _within(sentence: str) -> str:
    """Return a sentence as words within another."""
    return sentence[:1].lower() + sentence[1:].rstrip(".")
