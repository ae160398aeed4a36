"""The only room that knows the order of things: analyse, choose, set in, write.

Frames are streamed: one is in memory at a time, and what is kept of it is small. Read `analyse` and `merge`
aloud for the whole job.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from facemerge import align, choice, composite, faces, imaging, risk, scores, tracks
from facemerge.errors import InputError, NobodyFoundError
from facemerge.formats import photo
from facemerge.models import Models
from facemerge.options import Options
from facemerge.words import (
    Aligned,
    Analysis,
    Array,
    Choice,
    Decisions,
    Face,
    Float,
    Frame,
    Head,
    Missing,
    Person,
    Pick,
    Pixels,
    Risk,
    Unaligned,
)

Progress = Callable[[str, int, int], None]
"""(what is being done, steps done, steps in all)."""
Read = Callable[[Frame], Pixels]

DONORS_KEPT = 3
THUMBNAIL_PX = 176
PICTURES = ("tif", "png", "jpg")


def no_progress(what: str, done: int, total: int) -> None:
    """Take no notice of progress."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Album:
    """The small pictures kept of a burst, by (person id, frame index)."""

    thumbnails: dict[tuple[str, int], bytes]
    """sRGB JPEG files, one a face."""
    patches: dict[tuple[str, int], composite.Patch]
    """What the forecast of seams compares."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Result:
    """What a run has found and made."""

    analysis: Analysis
    choice: Choice
    heads: tuple[Head, ...]
    """In the order they are laid, back row first; empty for a cull."""
    risks: dict[str, Risk]
    """By person id, for everybody whose head was set in."""
    report: dict[str, object]
    """What report.json holds."""


@dataclass(slots=True, kw_only=True, eq=False)
class _Seen:
    """What is kept of one frame after its pixels are gone; lists run along its faces."""

    frame: Frame
    alignment: Aligned | Unaligned
    faces: list[Face]
    measures: list[scores.Measures]
    patches: list[composite.Patch]
    thumbnails: list[bytes]

    def add(self, image: Pixels, face: Face, models: Models, options: Options) -> None:
        """Measure one face while the pixels are here."""
        self.faces.append(face)
        self.measures.append(scores.measure(image, face, models, options.scores))
        self.patches.append(composite.patch_of(image, face))
        self.thumbnails.append(_thumbnail(image, face, self.frame.profile))


# -- analyse ------------------------------------------------------------------------------------------------


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
        Gives a frame's pixels; called once or twice a frame, never for two at a time.
    models, options, progress
        The networks, the settings, and who is told how far it is.

    Raises
    ------
    InputError
        If fewer than two frames can be read.
    NobodyFoundError
        If nobody is found in any of them.
    """
    seen, reference, notes = _look_through(frames, read, models, options, progress)
    people, said = _follow(seen, read, models, options, progress)
    notes += said
    if not people:
        raise NobodyFoundError("No face was found in any frame that could be aligned.")
    own = [[_index(p, f, s) for f, s in enumerate(seen)] for p in people]
    analysis = Analysis(
        frames=tuple(s.frame for s in seen),
        reference=reference,
        alignments=tuple(s.alignment for s in seen),
        people=people,
        scores={
            p.id: scores.score(
                [None if i is None else s.measures[i] for i, s in zip(row, seen, strict=True)], options.scores
            )
            for p, row in zip(people, own, strict=True)
        },
        notes=tuple(notes),
    )
    album = Album(thumbnails={}, patches={})
    for p, row in zip(people, own, strict=True):
        for f, i in enumerate(row):
            if i is not None:
                album.thumbnails[p.id, f] = seen[f].thumbnails[i]
                album.patches[p.id, f] = seen[f].patches[i]
    return analysis, album


def _look_through(
    frames: Sequence[Frame], read: Read, models: Models, options: Options, progress: Progress
) -> tuple[list[_Seen], int, list[str]]:
    """Read every frame once: find and measure its faces, and place it on the reference."""
    notes: list[str] = []
    pixels = _readable(read, notes)
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
        if view is None:
            view, reference, alignment = mine, f, align.align_reference(mine)
        else:
            alignment = align.align_frame(view, mine, options.align)
        entry = _Seen(frame=frames[f], alignment=alignment, faces=[], measures=[], patches=[], thumbnails=[])
        for face in here:
            entry.add(image, face, models, options)
        found[f] = entry
    progress("Looking at the frames", len(order), len(order))
    if len(found) < 2:
        raise InputError(" ".join(["Fewer than two frames could be read.", *notes]))
    kept = sorted(found)
    seen = [found[f] for f in kept]
    at = kept.index(reference)
    if sum(isinstance(s.alignment, Aligned) for s in seen) * 2 < len(seen):
        at = _place_anew(seen, at, read, options, progress)
    return seen, at, notes


def _readable(read: Read, notes: list[str]) -> Callable[[Frame], Pixels | None]:
    """Return a reader that notes a broken frame and gives None for it: one bad file ends no run."""

    def pixels(frame: Frame) -> Pixels | None:
        try:
            return read(frame)
        except InputError as error:
            notes.append(str(error))
            return None

    return pixels


def _place_anew(seen: list[_Seen], old: int, read: Read, options: Options, progress: Progress) -> int:
    """Try other frames as the reference: most frames do not fit the first one, so it may be the odd one."""
    views: dict[int, align.View] = {}
    for done, entry in enumerate(seen):
        progress("Looking for a better reference", done, len(seen))
        views[done] = align.view_of(read(entry.frame), entry.faces, options.align)
    best, best_count = old, sum(isinstance(s.alignment, Aligned) for s in seen)
    placed = [s.alignment for s in seen]
    for candidate in sorted({len(seen) // 4, (3 * len(seen)) // 4, 0, len(seen) - 1} - {old}):
        trial = [
            align.align_reference(v)
            if f == candidate
            else align.align_frame(views[candidate], v, options.align)
            for f, v in views.items()
        ]
        count = sum(isinstance(a, Aligned) for a in trial)
        if count > best_count:
            best, best_count, placed = candidate, count, trial
    for entry, alignment in zip(seen, placed, strict=True):
        entry.alignment = alignment
    return best


def _follow(
    seen: list[_Seen], read: Read, models: Models, options: Options, progress: Progress
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
        image = read(seen[f].frame)
        for person in missing:
            face = faces.look_again(image, models, _expected(person, f, seen), seen[f].faces, options.faces)
            if face is not None:
                seen[f].add(image, face, models, options)
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


def _thumbnail(image: Pixels, face: Face, profile: bytes | None) -> bytes:
    x0, y0, x1, y1 = face.box
    return _jpeg(
        photo.to_srgb(
            _square(image, ((x0 + x1) / 2, (y0 + y1) / 2 - 0.06 * (y1 - y0)), 1.5 * max(x1 - x0, y1 - y0)),
            profile,
        ),
        THUMBNAIL_PX,
    )


def _square(image: Pixels, centre: tuple[float, float], side: float) -> Pixels:
    """Return the square around a point, its edge repeated where it leaves the picture."""
    half = max(1, round(side / 2))
    x, y = round(centre[0]), round(centre[1])
    height, width = image.shape[:2]
    columns = np.clip(np.arange(x - half, x + half), 0, width - 1)
    rows = np.clip(np.arange(y - half, y + half), 0, height - 1)
    return image[rows[:, None], columns[None]]


def _jpeg(image: Array, long_side: int, quality: int = 82) -> bytes:
    size = imaging.fit_within((image.shape[1], image.shape[0]), long_side)
    small = imaging.resize(image, size) if size != (image.shape[1], image.shape[0]) else image
    good, data = cv2.imencode(".jpg", small[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
    assert good
    return bytes(data.tobytes())


# -- choose -------------------------------------------------------------------------------------------------


def choose(analysis: Analysis, album: Album, decisions: Decisions, options: Options) -> Choice:
    """Return the base and everybody's pick, weighing scores against the seams they are expected to show.

    Raises
    ------
    OptionError
        If a decision names what does not exist or cannot be obeyed.
    """

    def seam_cost(base: int, person: int, frame: int) -> float:
        who = analysis.people[person].id
        mine, theirs = album.patches.get((who, base)), album.patches.get((who, frame))
        return 1.0 if mine is None or theirs is None else composite.forecast(mine, theirs)

    return choice.choose(analysis, seam_cost, decisions, options.choice)


# -- set in -------------------------------------------------------------------------------------------------


def set_in(
    analysis: Analysis,
    chosen: Choice,
    read: Read,
    models: Models,
    options: Options,
    progress: Progress = no_progress,
) -> tuple[Pixels, tuple[Head, ...], dict[str, Risk]]:
    """Return the base's pixels, the heads to lay over it (back row first) and the risk of each.

    Raises
    ------
    InputError
        If a frame can no longer be read.
    """
    base = read(analysis.frames[chosen.base])
    donors = _Donors(analysis, read)
    heads: list[Head] = []
    risks: dict[str, Risk] = {}
    current = base
    swaps = [(p, k) for p, k in zip(analysis.people, chosen.picks, strict=True) if not k.from_base]
    for done, (person, pick) in enumerate(swaps):
        progress("Setting heads in", done, len(swaps))
        head = _head(analysis, chosen.base, person, pick, current, donors(pick.frame), models, options)
        heads.append(head)
        current = composite.lay(current, [head])
        risks[person.id] = _risk(analysis, chosen.base, person, pick, head, options)
    progress("Setting heads in", len(swaps), len(swaps))
    return base, tuple(heads), risks


class _Donors:
    """Frames that give heads, the last few kept so that one that gives several is read once."""

    def __init__(self, analysis: Analysis, read: Read) -> None:
        self._analysis = analysis
        self._read = read
        self._kept: OrderedDict[int, Pixels] = OrderedDict()

    def __call__(self, frame: int) -> Pixels:
        if frame not in self._kept:
            while len(self._kept) >= DONORS_KEPT:
                self._kept.popitem(last=False)
            self._kept[frame] = self._read(self._analysis.frames[frame])
        self._kept.move_to_end(frame)
        return self._kept[frame]


def _others(analysis: Analysis, person: Person, frame: int) -> list[Face]:
    return [face for p in analysis.people if p is not person and isinstance(face := p.faces[frame], Face)]


def _head(
    analysis: Analysis,
    base: int,
    person: Person,
    pick: Pick,
    current: Pixels,
    donor: Pixels,
    models: Models,
    options: Options,
) -> Head:
    base_face, donor_face = person.faces[base], person.faces[pick.frame]
    assert isinstance(base_face, Face)
    assert isinstance(donor_face, Face)
    return composite.build_head(
        current=current,
        donor=donor,
        base_from_donor=analysis.base_from_frame(base, pick.frame),
        person=person.id,
        base_face=base_face,
        donor_face=donor_face,
        base_others=_others(analysis, person, base),
        donor_others=_others(analysis, person, pick.frame),
        models=models,
        options=options.composite,
    )


def _risk(analysis: Analysis, base: int, person: Person, pick: Pick, head: Head, options: Options) -> Risk:
    base_face, donor_face = person.faces[base], person.faces[pick.frame]
    assert isinstance(base_face, Face)
    assert isinstance(donor_face, Face)
    errors = [a.error_px for f in (base, pick.frame) if isinstance(a := analysis.alignments[f], Aligned)]
    return risk.assess(
        head.seam,
        head_turn_deg=faces.turn_deg(donor_face) - faces.turn_deg(base_face),
        align_error_px=max(errors),
        options=options.risk,
    )


# -- write --------------------------------------------------------------------------------------------------


def cull(
    sources: Sequence[Path],
    out: Path,
    *,
    options: Options | None = None,
    decisions: Decisions | None = None,
    models: Models | None = None,
    progress: Progress = no_progress,
) -> Result:
    """Analyse a burst and write its report: who is good where, and what `merge` would take.

    Parameters
    ----------
    sources
        A folder of frames, or the frames.
    out
        The folder to write: report.json and report.html. An earlier result of this program is replaced.
    options, decisions, models, progress
        Settings, the user's decisions, the networks, and who is told how far it is.

    Raises
    ------
    FacemergeError
        If it cannot be done; `out` is then as it was.
    """
    return _run(sources, out, options, decisions, models, progress, pictures=(), layers=False)


def merge(
    sources: Sequence[Path],
    out: Path,
    *,
    options: Options | None = None,
    decisions: Decisions | None = None,
    models: Models | None = None,
    progress: Progress = no_progress,
    pictures: Sequence[str] = ("tif",),
    layers: bool = True,
) -> Result:
    """Set everybody's best head into one frame, and write the composite, its layers, masks and report.

    Parameters
    ----------
    sources
        A folder of frames, or the frames.
    out
        The folder to write. An earlier result of this program is replaced.
    options, decisions, models, progress
        Settings, the user's decisions, the networks, and who is told how far it is.
    pictures
        Forms of the finished picture: 'tif', 'png', 'jpg'; the first is the one the report names.
    layers
        Whether the layered file is written.

    Raises
    ------
    FacemergeError
        If it cannot be done; `out` is then as it was.
    """
    return _run(sources, out, options, decisions, models, progress, pictures=pictures, layers=layers)
