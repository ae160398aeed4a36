"""One identity a person over the whole burst.

Faces are compared where they lie on the reference frame, by size and by looks, and given to people one to
one by the assignment of least total cost (Kuhn, Naval Research Logistics Quarterly 2, 1955; Munkres,
SIAM Journal 5, 1957; scipy's solver).
"""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from facemerge import imaging
from facemerge.options import TracksOptions
from facemerge.words import Aligned, Face, Float, Missing, Person, Unaligned, frozen

# One minus the cosine of two appearance vectors: within one person of a burst it stays below 0.06 (95 %),
# between two people it starts near 0.12 (measured on bursts with known truth; twins will lie closer).
SAME_LOOKS = 0.06
OTHER_LOOKS = 0.20
# A wrong place and wrong looks must cost more than leaving a face without a person.
UNMATCHED = 1.35
FAR = 0.25
"""Cost of each further `TracksOptions.max_move_faces` beyond the first."""
SAME_PLACE, SURELY_OTHER = 0.35, 0.30
"""Share of `max_move_faces` within which two tracks that are never seen together are one person, unless one
minus the cosine of their most alike faces is larger than the second number."""
HEAD_NEAR = 0.5
"""How far a head without a face may be from where its owner's face should be, in face widths."""
ROW_GAP_FACES = 0.45


@dataclass(slots=True)
class _Track:
    faces: dict[int, Face] = field(default_factory=dict)
    places: dict[int, Float] = field(default_factory=dict)
    """By frame: x, y of the face's middle and its width, on the reference."""
    _prototype: tuple[Float, Float] | None = None

    def add(self, frame: int, face: Face, place: Float) -> None:
        self.faces[frame] = face
        self.places[frame] = place
        self._prototype = None

    def prototype(self) -> tuple[Float, Float]:
        """Return the usual place and looks; reckoned once for all the faces a frame compares with them."""
        if self._prototype is None:
            mean = np.mean([f.appearance for f in self.faces.values()], axis=0)
            place = np.median(list(self.places.values()), axis=0)
            self._prototype = np.asarray(place), np.asarray(mean / (np.linalg.norm(mean) + 1e-9))
        return self._prototype

    def place(self) -> Float:
        return self.prototype()[0]


def track_people(
    faces: Sequence[Sequence[Face]],
    alignments: Sequence[Aligned | Unaligned],
    options: TracksOptions,
    heads: Sequence[Sequence[Float]] | None = None,
) -> tuple[tuple[Person, ...], tuple[str, ...]]:
    """Return who is who over the burst, and what should be said about it.

    Parameters
    ----------
    faces
        The faces of each frame, in the burst's order.
    alignments
        Where each frame lies on the reference.
    options
        How far a head may move, and how often a person must be seen.
    heads
        (2,) x, y of heads in each frame at which no face was found, in its pixels; None = none was sought.

    Returns
    -------
    people
        Ordered back row to front, left to right, with ids P01, P02, ...
    notes
        One sentence for each thing a user should know (passers-by left out).
    """
    places = [
        [_place(face, a) for face in found] if isinstance(a, Aligned) else []
        for found, a in zip(faces, alignments, strict=True)
    ]
    tracks = _first_pass(faces, places, options)
    # Prototypes made from the whole burst judge each frame again: an early mix-up does not stick.
    for _ in range(2):
        tracks = _second_pass(tracks, faces, places, options)
    aligned = sum(isinstance(a, Aligned) for a in alignments)
    kept = [t for t in tracks if len(t.faces) >= max(1, options.min_share * aligned)]
    notes = []
    if len(kept) < len(tracks):
        n = len(tracks) - len(kept)
        notes.append(
            f"{n} face{'s' if n > 1 else ''} seen in too few frames to be of the group "
            f"{'were' if n > 1 else 'was'} left out."
        )
    rows = _rows([t.place() for t in kept])
    order = sorted(range(len(kept)), key=lambda i: (rows[i], kept[i].place()[0]))
    people = tuple(
        Person(
            id=f"P{n:02d}",
            row=rows[i],
            faces=tuple(
                kept[i].faces.get(f) or _missing(kept[i], a, heads[f] if heads else (), alignments)
                for f, a in enumerate(alignments)
            ),
        )
        for n, i in enumerate(order, 1)
    )
    return people, tuple(notes)


def expected_landmarks(person: Person, frame: int, alignments: Sequence[Aligned | Unaligned]) -> Float:
    """Return where (478, 2) a person's landmarks should lie in a frame, from where they lie in the others.

    Parameters
    ----------
    person
        Found in at least one aligned frame.
    frame
        Index of a frame that is aligned.
    alignments
        One a frame.
    """
    here = alignments[frame]
    assert isinstance(here, Aligned)
    back = np.linalg.inv(here.reference_from_frame)
    there = [
        imaging.transform(back @ a.reference_from_frame, face.landmarks[:, :2])
        for face, a in zip(person.faces, alignments, strict=True)
        if isinstance(face, Face) and isinstance(a, Aligned)
    ]
    return np.asarray(np.median(there, axis=0))


def _place(face: Face, aligned: Aligned) -> Float:
    x0, y0, x1, y1 = face.box
    m = aligned.reference_from_frame
    middle, left, right = imaging.transform(
        m, np.array([[(x0 + x1) / 2, (y0 + y1) / 2], [x0, (y0 + y1) / 2], [x1, (y0 + y1) / 2]])
    )
    return np.array([middle[0], middle[1], np.linalg.norm(right - left)])


def _missing(
    track: _Track,
    alignment: Aligned | Unaligned,
    heads: Sequence[Float],
    alignments: Sequence[Aligned | Unaligned],
) -> Missing:
    match alignment:
        case Unaligned(reason=reason):
            return Missing(reason=f"the frame could not be aligned: {reason}")
        case Aligned():
            place = _stand_in(track, alignment, heads, alignments)
            return Missing(reason="no face was found where this person stands", place=place)


def _stand_in(
    track: _Track, here: Aligned, heads: Sequence[Float], alignments: Sequence[Aligned | Unaligned]
) -> Face | None:
    """Return the face that lies nearest to the usual place of all of a person's, moved into a frame.

    None if no head without a face is there, or if the frames do not lie on each other well enough.
    """
    exact = [f for f in track.faces if isinstance(a := alignments[f], Aligned) and a.model != "rough"]
    if here.model == "rough" or not exact:
        return None
    usual = np.median([track.places[f] for f in exact], axis=0)
    nearest = min(exact, key=lambda f: float(np.hypot(*(track.places[f] - usual)[:2])))
    face, there = track.faces[nearest], alignments[nearest]
    assert isinstance(there, Aligned)
    m = np.asarray(np.linalg.solve(here.reference_from_frame, there.reference_from_frame))
    flat = imaging.transform(m, face.landmarks[:, :2])
    scale = float(np.ptp(flat[:, 0]) / max(float(np.ptp(face.landmarks[:, 0])), 1e-9))
    low, high = flat.min(0), flat.max(0)
    middle, width = (low + high) / 2, float(high[0] - low[0])
    if all(np.hypot(*(middle - head)) > HEAD_NEAR * width for head in heads):
        return None
    return dataclasses.replace(
        face,
        box=(float(low[0]), float(low[1]), float(high[0]), float(high[1])),
        landmarks=frozen(np.column_stack([flat, face.landmarks[:, 2] * scale])),
        confidence=0.0,
        hands=frozen(np.zeros((0, 21, 2))),
    )


def _costs(
    tracks: Sequence[_Track], faces: Sequence[Face], places: Sequence[Float], options: TracksOptions
) -> Float:
    """Return the (faces, tracks) costs of calling a face a person: 0 the same place and looks."""
    known = [t.prototype() for t in tracks]
    there, here = np.array([place for place, _ in known])[None], np.array(places)[:, None]
    width = (there[..., 2] + here[..., 2]) / 2
    moved = np.hypot(*np.moveaxis(there[..., :2] - here[..., :2], 2, 0)) / (width * options.max_move_faces)
    sized = np.abs(np.log(here[..., 2] / there[..., 2])) / math.log(1.5)
    alike = np.array([f.appearance for f in faces]) @ np.array([looks for _, looks in known]).T
    unlike = (1 - alike - SAME_LOOKS) / (OTHER_LOOKS - SAME_LOOKS)
    # Looks are capped and place is not: two neighbours who swap are told by their looks, a burst of people
    # who look alike by where they stand, and nobody is taken for somebody at the other end of the row.
    far = np.minimum(moved, 1.0) + FAR * np.maximum(moved - 1.0, 0.0)
    return np.asarray(far + 0.5 * np.minimum(1.0, sized) + np.clip(unlike, 0.0, 1.5))


def _assign(
    tracks: Sequence[_Track], faces: Sequence[Face], places: Sequence[Float], options: TracksOptions
) -> dict[int, int]:
    """Return face index -> track index for the cheapest one-to-one assignment within the gate."""
    if not tracks or not places:
        return {}
    cost = _costs(tracks, faces, places, options)
    # A column of its own for each face stands for 'nobody we know'.
    stay = np.full((len(faces), len(faces)), 1e6)
    np.fill_diagonal(stay, UNMATCHED)
    from scipy.optimize import linear_sum_assignment  # loads slowly

    rows, columns = linear_sum_assignment(np.hstack([cost, stay]))
    return {int(r): int(c) for r, c in zip(rows, columns, strict=True) if c < len(tracks)}


def _first_pass(
    faces: Sequence[Sequence[Face]], places: Sequence[Sequence[Float]], options: TracksOptions
) -> list[_Track]:
    tracks: list[_Track] = []
    # Frames with most faces first: they name most people before a gap has to be explained.
    order = sorted(range(len(faces)), key=lambda f: (-len(places[f]), f))
    for frame in order:
        given = _assign(tracks, faces[frame], places[frame], options)
        _take(tracks, frame, faces[frame], places[frame], given)
    return tracks


def _second_pass(
    tracks: Sequence[_Track],
    faces: Sequence[Sequence[Face]],
    places: Sequence[Sequence[Float]],
    options: TracksOptions,
) -> list[_Track]:
    again = [_Track() for _ in tracks]
    for frame in range(len(faces)):
        given = _assign(tracks, faces[frame], places[frame], options)
        _take(again, frame, faces[frame], places[frame], given)
    return _joined([t for t in again if t.faces], options)


def _take(
    tracks: list[_Track],
    frame: int,
    faces: Sequence[Face],
    places: Sequence[Float],
    given: dict[int, int],
) -> None:
    """Put a frame's faces into their tracks; a face that nobody claims starts one of its own."""
    for i, place in enumerate(places):
        if i in given:
            tracks[given[i]].add(frame, faces[i], place)
        else:
            tracks.append(_Track({frame: faces[i]}, {frame: place}))


def _joined(tracks: list[_Track], options: TracksOptions) -> list[_Track]:
    """Join tracks that are never seen together and look and stand alike: one person, found twice."""
    tracks = sorted(tracks, key=lambda t: (-len(t.faces), min(t.faces)))
    kept: list[_Track] = []
    for track in tracks:
        host = next((k for k in kept if _are_one(k, track, options)), None)
        if host is None:
            kept.append(track)
        else:
            for number, face in track.faces.items():
                host.add(number, face, track.places[number])
    return kept


def _are_one(one: _Track, other: _Track, options: TracksOptions) -> bool:
    """Return whether two tracks are one person's.

    A head that is turned in some frames looks like somebody else there, yet stands where its owner does.
    """
    if one.faces.keys() & other.faces.keys():
        return False
    frame = max(other.faces, key=lambda f: other.faces[f].confidence)
    if _costs([one], [other.faces[frame]], [other.place()], options)[0, 0] < UNMATCHED:
        return True
    here, there = one.place(), other.place()
    moved = float(np.hypot(*(here - there)[:2])) / ((here[2] + there[2]) / 2 * options.max_move_faces)
    looks = [np.array([f.appearance for f in t.faces.values()]) for t in (one, other)]
    return moved < SAME_PLACE and 1 - float((looks[0] @ looks[1].T).max()) < SURELY_OTHER


def _rows(places: Sequence[Float]) -> list[int]:
    """Return each person's row, 0 = back: a new row starts where heads leave a gap in height."""
    if not places:
        return []
    y = np.array([p[1] for p in places])
    width = float(np.median([p[2] for p in places]))
    order = np.argsort(y, kind="stable")
    rows = np.zeros(len(places), int)
    row = 0
    for before, now in itertools.pairwise(order):
        if y[now] - y[before] > ROW_GAP_FACES * width:
            row += 1
        rows[now] = row
    return [int(r) for r in rows]
