"""What other programs are told in the trade's standards: a sidecar a frame, and who is where in the picture.

Stars, for a photographer who sorts by them: 5 everybody is good; 4 the base, or somebody's best head is here;
3 at least half of the people are good; 2 somebody is; 1 nobody is. Nothing is ever marked as rejected: only a
person may say that.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from facemerge import imaging
from facemerge.errors import OptionError
from facemerge.formats import beside, files
from facemerge.formats.headers import RAW_ENDINGS
from facemerge.formats.rdf import BrokenPacketError
from facemerge.formats.regions import Region, area_of_box, as_stored
from facemerge.formats.sidecar import NEW, Seen, merged
from facemerge.formats.xmp import composite_packet
from facemerge.options import Options
from facemerge.words import Analysis, Choice, Face, Head, Person, Pick, Score, Unaligned

PLACES = ("out", "beside")
FOLDER = files.SIDECARS
"""Where they are in OUT."""

Box = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sidecar:
    """One sidecar, ready to be written."""

    frame: str
    """The frame's name in the report."""
    path: Path
    """Where it belongs, beside the frame."""
    name: str
    """What it is called in OUT's folder."""
    data: bytes
    before: bytes | None
    """What lies beside the frame now, None if nothing does."""


def check_place(where: str | None) -> None:
    """Refuse a place for sidecars that there is not.

    Raises
    ------
    OptionError
        With the places that there are.
    """
    if where is not None and where not in PLACES:
        raise OptionError(f"--sidecars takes out or beside, not {where!r}.")


def sidecars(
    analysis: Analysis, chosen: Choice, options: Options, out: Path
) -> tuple[list[Sidecar], list[str]]:
    """Return a sidecar for every frame, and a sentence on each that is better left alone.

    Parameters
    ----------
    analysis, chosen, options
        What was known, what was chosen, and under which settings.
    out
        The result's folder: an earlier run's sidecars there may have been worked on, and are taken up where
        there is none beside the frame.
    """
    made: list[Sidecar] = []
    notes: list[str] = []
    for path, name, frame in _homes(analysis):
        file = analysis.frames[frame].name
        try:
            before = beside.read(path)
            start = before if before is not None else beside.read(out / FOLDER / name)
            data = merged(NEW if start is None else start, seen(analysis, chosen, options, frame))
        except BrokenPacketError as why:
            notes.append(f"The sidecar {path.name} is left as it is: it {why}.")
            continue
        made.append(Sidecar(frame=file, path=path, name=name, data=data, before=before))
    return made, notes


def write(made: Sequence[Sidecar], where: str, work: Path, waiting: beside.Beside) -> None:
    """Write sidecars into the result, or ready to be put beside their frames.

    Raises
    ------
    OutputError
        If one cannot be written.
    """
    for sidecar in made:
        if where == "out":
            files.write_bytes(work / FOLDER / sidecar.name, sidecar.data)
        elif sidecar.data != sidecar.before:
            waiting.add(sidecar.path, sidecar.data, sidecar.before)


def record(made: Sequence[Sidecar], where: str) -> dict[str, Any]:
    """Return what the report says of the sidecars: where they are, and which is which frame's."""
    names = {s.frame: f"{FOLDER}/{s.name}" if where == "out" else s.path.name for s in made}
    return {"where": where, "files": names}


def told(record: Mapping[str, Any]) -> str:
    """Return a record of sidecars as a sentence."""
    count = len(record["files"])
    many = "1 sidecar" if count == 1 else f"{count} sidecars"
    place = (
        f"in {FOLDER}, to be copied beside the frames" if record["where"] == "out" else "beside the frames"
    )
    return f"{many} with stars, a caption and faces: {place}."


def _homes(analysis: Analysis) -> list[tuple[Path, str, int]]:
    """Return each sidecar's place, its name in OUT, and the frame it is about.

    A raw file and its JPEG show the same picture and share one; the finished file is the one that is told of.
    """
    homes: dict[Path, int] = {}
    for i, frame in enumerate(analysis.frames):
        path = beside.sidecar_of(Path(frame.path))
        first = homes.setdefault(path, i)
        if Path(analysis.frames[first].path).suffix.lower() in RAW_ENDINGS:
            homes[path] = i
    names = {path: str(Path(analysis.frames[i].name).parent / path.name) for path, i in homes.items()}
    taken = Counter(name.casefold() for name in names.values())
    return [
        (path, names[path] if taken[names[path].casefold()] == 1 else f"{analysis.frames[i].name}.xmp", i)
        for path, i in homes.items()
    ]


# -- what is said of a frame --------------------------------------------------------------------------------


def seen(analysis: Analysis, chosen: Choice, options: Options, frame: int) -> Seen:
    """Return what a frame's sidecar is to say."""
    file = analysis.frames[frame]
    as_kept = beside.stored(Path(file.path), file.size)
    keepers = [p.person for p in chosen.picks if p.frame == frame and _found(analysis, p.person, frame)]
    regions = []
    for person in analysis.people:
        face = person.faces[frame]
        area = area_of_box(face.box, file.size) if isinstance(face, Face) else None
        if area is not None:
            text = _of_person(analysis, person, frame, options, best=person.id in keepers)
            regions.append(Region(person=person.id, area=as_stored(area, as_kept.orientation), text=text))
    return Seen(
        size=as_kept.size,
        rating=None if as_kept.rated else stars(analysis, chosen, options, frame),
        caption=_caption(analysis, chosen, options, frame, keepers),
        keepers=tuple(keepers),
        regions=tuple(regions),
    )


def stars(analysis: Analysis, chosen: Choice, options: Options, frame: int) -> int | None:
    """Return a frame's rating, 1 to 5; None if nobody is found in it, and so nothing can be told."""
    scores = [analysis.scores[p.id][frame] for p in analysis.people]
    if not any(s is not None for s in scores):
        return None
    good = sum(is_good(s, options) for s in scores)
    if good == len(scores):
        return 5
    if frame == chosen.base or any(p.frame == frame for p in chosen.picks):
        return 4
    return 3 if 2 * good >= len(scores) else 2 if good else 1


def is_good(score: Score | None, options: Options) -> bool:
    """Return whether a face would be kept."""
    return score is not None and score.total >= options.coverage.keeper_from


def _found(analysis: Analysis, person: str, frame: int) -> bool:
    return analysis.scores[person][frame] is not None


def _caption(analysis: Analysis, chosen: Choice, options: Options, frame: int, keepers: Sequence[str]) -> str:
    """Return what is good and what is not, in plain words."""
    others = [p for p in analysis.people if p.id not in keepers]
    good = [p.id for p in others if is_good(analysis.scores[p.id][frame], options)]
    missing = [p.id for p in others if not isinstance(p.faces[frame], Face)]
    bad = [
        f"{p.id} ({_of_person(analysis, p, frame, options, best=False)})"
        for p in others
        if p.id not in good and p.id not in missing
    ]
    fate = analysis.alignments[frame]
    said = (
        ("Best head here", keepers),
        ("Good too" if keepers else "Good", good),
        ("Not good", bad),
        ("Not found", missing),
    )
    words = [f"{what}: {', '.join(who)}." for what, who in said if who]
    if frame == chosen.base:
        words.insert(0, "Chosen as the base.")
    if isinstance(fate, Unaligned):
        words.append(f"Gives no heads: {fate.reason.rstrip('.')}.")
    return " ".join(words)


def _of_person(analysis: Analysis, person: Person, frame: int, options: Options, *, best: bool) -> str:
    """Return what is said of one face: what spoils it most, or that nothing does."""
    score = analysis.scores[person.id][frame]
    if score is None:
        return "cannot be judged"
    why = _spoilt_by(score)
    if best:
        count = sum(isinstance(f, Face) for f in person.faces)
        rest = "" if is_good(score, options) or not why else f", though {why}"
        return f"best of {count}{rest}" if count > 1 else f"the only one{rest}"
    return "good" if is_good(score, options) else why or "not good"


def _spoilt_by(score: Score) -> str:
    worst = sorted((score.factors.get(name, 1.0), name) for name, part in score.parts.items() if part.reason)
    return score.parts[worst[0][1]].reason if worst else ""


# -- what is said of the picture ----------------------------------------------------------------------------


def packet(analysis: Analysis, chosen: Choice, heads: Sequence[Head], *, keep_location: bool) -> bytes:
    """Return the XMP packet of the finished picture.

    Parameters
    ----------
    analysis, chosen, heads
        What was known, what was chosen, and the heads that were set in.
    keep_location
        Whether it says where the base was taken.
    """
    base = analysis.frames[chosen.base]
    placed = {head.person: head for head in heads}
    swapped = [p for p in chosen.picks if not p.from_base]
    regions = []
    for person, pick in zip(analysis.people, chosen.picks, strict=True):
        box = _box_in_picture(analysis, chosen.base, person, pick, placed.get(person.id))
        area = None if box is None else area_of_box(box, base.size)
        if area is not None:
            text = "" if pick.from_base else f"head from {analysis.frames[pick.frame].name}"
            regions.append(Region(person=person.id, area=area, text=text))
    place = beside.stored(Path(base.path), base.size).location if keep_location else None
    return composite_packet(
        base.name,
        [analysis.frames[p.frame].name for p in swapped],
        steps=[_step(analysis, p, placed.get(p.person)) for p in swapped],
        regions=regions,
        size=base.size,
        location=place,
    )


def _step(analysis: Analysis, pick: Pick, head: Head | None) -> str:
    how = "" if head is None else f", placed by {head.placement}"
    return f"head of {pick.person} set in from {analysis.frames[pick.frame].name}{how}"


def _box_in_picture(
    analysis: Analysis, base: int, person: Person, pick: Pick, head: Head | None
) -> Box | None:
    """Return about where a person's face is in the picture, in base pixels; None if it is not to be seen."""
    old, new = person.faces[base], person.faces[pick.frame]
    # A shifted head lies where the old one was; one placed with its background lies where that puts it.
    if head is not None and head.placement == "homography" and isinstance(new, Face):
        x0, y0, x1, y1 = new.box
        corners = np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)], np.float64)
        laid = imaging.transform(analysis.base_from_frame(base, pick.frame), corners)
        (left, top), (right, bottom) = laid.min(0).tolist(), laid.max(0).tolist()
        return left, top, right, bottom
    return old.box if isinstance(old, Face) else None
