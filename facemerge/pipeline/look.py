"""Looks through a burst: reads every frame once and keeps what is small."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from facemerge import align, composite, faces, imaging, scores, tracks
from facemerge.errors import InputError, NobodyFoundError
from facemerge.formats.previews import face_picture
from facemerge.models import Models
from facemerge.options import Options
from facemerge.pipeline.progress import Progress, no_progress
from facemerge.words import Aligned, Analysis, Face, Float, Frame, Missing, Person, Pixels, Score, Unaligned

Read = Callable[[Frame], Pixels]
Tolerant = Callable[[Frame], Pixels | None]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Album:
    """The small pictures kept of a burst, by (person id, frame index)."""

    thumbnails: dict[tuple[str, int], bytes]
    """sRGB JPEG files, one a face."""
    patches: dict[tuple[str, int], composite.Patch]
    """What the forecast of seams compares."""


@dataclass(slots=True, kw_only=True, eq=False)
class _Seen:
    """What is kept of one frame after its pixels are gone; lists run along its faces."""

    frame: Frame
    alignment: Aligned | Unaligned
    faces: list[Face]
    measures: list[scores.Measures]
    patches: list[composite.Patch]
    thumbnails: list[bytes]

    def add(self, image: Pixels, face: Face) -> None:
        """Measure one face while the pixels are here."""
        self.faces.append(face)
        self.measures.append(scores.measure(image, face))
        self.patches.append(composite.patch_of(image, face))
        self.thumbnails.append(face_picture(image, face.box, self.frame.profile))


def analyse(
    frames: Sequence[Frame],
    read: Read,
    models: Models,
    options: Options,
    progress: Progress = no_progress,
) -> tuple[Analysis, Album]:
    """Return all that is known of a burst before choosing.

    Parameters
    ----------
    frames
        In the order they were taken; at least two.
    read
        Gives a frame's pixels, 8-bit sRGB for true colours; called once a frame, and again where a person
        was overlooked or another reference is tried. The pixels of one are let go before the next.
    models, options, progress
        The networks, the settings, and who is told how far it is.

    Raises
    ------
    InputError
        If fewer than two frames can be read.
    NobodyFoundError
        If nobody is found in any of them.
    """
    notes: list[str] = []
    pixels = _tolerant(read, notes)
    seen, reference = _look_through(frames, pixels, models, options, progress, notes)
    people, said = _follow(seen, pixels, models, options, progress)
    notes += said
    if not people:
        raise NobodyFoundError("No face was found in any frame that could be aligned.")
    own = [[_index(p, f, s) for f, s in enumerate(seen)] for p in people]
    judged = _judge(people, own, seen, options)
    notes += scores.row_notes([p.row for p in people], judged, [s.frame.name for s in seen])
    analysis = Analysis(
        frames=tuple(s.frame for s in seen),
        reference=reference,
        alignments=tuple(s.alignment for s in seen),
        people=people,
        scores={p.id: judged[i] for i, p in enumerate(people)},
        notes=tuple(notes),
    )
    album = Album(thumbnails={}, patches={})
    for p, row in zip(people, own, strict=True):
        for f, i in enumerate(row):
            if i is not None:
                album.thumbnails[p.id, f] = seen[f].thumbnails[i]
                album.patches[p.id, f] = seen[f].patches[i]
    return analysis, album


def _judge(
    people: Sequence[Person],
    own: Sequence[Sequence[int | None]],
    seen: Sequence[_Seen],
    options: Options,
) -> tuple[tuple[Score | None, ...], ...]:
    """Return everybody's scores, one a frame, with what whole rows say of a soft face."""
    judged = [
        scores.score(
            [None if i is None else s.measures[i] for i, s in zip(row, seen, strict=True)], options.scores
        )
        for row in own
    ]
    return scores.with_row_reasons([p.row for p in people], judged)


def _look_through(
    frames: Sequence[Frame],
    pixels: Tolerant,
    models: Models,
    options: Options,
    progress: Progress,
    notes: list[str],
) -> tuple[list[_Seen], int]:
    """Read every frame once: find and measure its faces, and place it on the reference."""
    # The middle of a burst is nearest in time to all of it: people and camera have moved least from there.
    order = sorted(range(len(frames)), key=lambda f: (abs(f - len(frames) // 2), f))
    view: align.View | None = None
    found: dict[int, _Seen] = {}
    reference = -1
    for done, f in enumerate(order):
        progress("Looking at the frames", done, len(order))
        image = pixels(frames[f])
        if image is None:
            continue
        here = faces.detect_faces(image, models, options.faces)
        mine = align.view_of(image, here, options.align)
        alignment: Aligned | Unaligned
        if view is None:
            view, reference, alignment = mine, f, align.align_reference(mine)
        else:
            alignment = align.align_frame(view, mine, options.align)
        entry = _Seen(frame=frames[f], alignment=alignment, faces=[], measures=[], patches=[], thumbnails=[])
        for face in here:
            entry.add(image, face)
        found[f] = entry
    progress("Looking at the frames", len(order), len(order))
    if len(found) < 2:
        raise InputError(" ".join(["Fewer than two frames could be read.", *notes]))
    kept = sorted(found)
    seen = [found[f] for f in kept]
    at = kept.index(reference)
    if sum(isinstance(s.alignment, Aligned) for s in seen) * 2 < len(seen):
        at = _place_anew(seen, at, pixels, options, progress)
    return seen, at


def _tolerant(read: Read, notes: list[str]) -> Tolerant:
    """Return a reader that notes a broken frame and gives None for it: one bad file ends no run."""

    def pixels(frame: Frame) -> Pixels | None:
        try:
            return read(frame)
        except InputError as error:
            notes.append(str(error))
            return None

    return pixels


def _place_anew(seen: list[_Seen], old: int, pixels: Tolerant, options: Options, progress: Progress) -> int:
    """Try other frames as the reference: most frames do not fit the first one, so it may be the odd one."""

    def view(entry: _Seen) -> align.View | None:
        image = pixels(entry.frame)
        return None if image is None else align.view_of(image, entry.faces, options.align)

    last = len(seen) - 1
    candidates = {f: v for f in sorted({0, last // 4, 3 * last // 4, last} - {old}) if (v := view(seen[f]))}
    trials: dict[int, list[Aligned | Unaligned]] = {c: [] for c in candidates}
    for f, entry in enumerate(seen):
        progress("Looking for a better reference", f, len(seen))
        mine = candidates[f] if f in candidates else view(entry)
        for c, reference in candidates.items():
            if mine is None:
                trials[c].append(Unaligned(reason="it could not be read again"))
            elif f == c:
                trials[c].append(align.align_reference(mine))
            else:
                trials[c].append(align.align_frame(reference, mine, options.align))
    trials[old] = [s.alignment for s in seen]
    best = max(trials, key=lambda c: (sum(isinstance(a, Aligned) for a in trials[c]), c == old, -c))
    for entry, alignment in zip(seen, trials[best], strict=True):
        entry.alignment = alignment
    return best


def _follow(
    seen: list[_Seen], pixels: Tolerant, models: Models, options: Options, progress: Progress
) -> tuple[tuple[Person, ...], list[str]]:
    """Say who is who, looking again where a person was overlooked."""

    def tracked() -> tuple[tuple[Person, ...], tuple[str, ...]]:
        return tracks.track_people([s.faces for s in seen], [s.alignment for s in seen], options.tracks)

    people, notes = tracked()
    gaps = {
        f: [p for p in people if isinstance(p.faces[f], Missing)]
        for f, s in enumerate(seen)
        if isinstance(s.alignment, Aligned)
    }
    gaps = {f: missing for f, missing in gaps.items() if missing}
    again = False
    for done, (f, missing) in enumerate(sorted(gaps.items())):
        progress("Looking again for people overlooked", done, len(gaps))
        image = pixels(seen[f].frame)
        if image is None:
            continue
        for person in missing:
            face = faces.look_again(image, models, _expected(person, f, seen), seen[f].faces, options.faces)
            if face is not None:
                seen[f].add(image, face)
                again = True
    if again:
        people, notes = tracked()
    return people, list(notes)


def _expected(person: Person, frame: int, seen: Sequence[_Seen]) -> Float:
    """Return where (478, 2) a person's landmarks should lie in a frame, from where they lie in the others."""
    here = seen[frame].alignment
    assert isinstance(here, Aligned)
    back = np.linalg.inv(here.reference_from_frame)
    there = [
        imaging.transform(back @ a.reference_from_frame, face.landmarks[:, :2])
        for face, s in zip(person.faces, seen, strict=True)
        if isinstance(face, Face) and isinstance(a := s.alignment, Aligned)
    ]
    return np.asarray(np.median(there, axis=0))


def _index(person: Person, frame: int, seen: _Seen) -> int | None:
    face = person.faces[frame]
    return next((i for i, f in enumerate(seen.faces) if f is face), None)
