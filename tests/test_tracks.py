"""Who is who over a burst."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pytest

from facemerge import tracks
from facemerge.options import TracksOptions
from facemerge.words import Aligned, Face, Missing, Unaligned

WIDTH = 100.0


def looks(person: int, rng: np.random.Generator) -> np.ndarray:
    """Return the appearance of a person: a direction of their own, with a little noise."""
    vector = np.random.default_rng(1000 + person).normal(size=192) + 0.05 * rng.normal(size=192)
    return vector / np.linalg.norm(vector)


def face(person: int, x: float, y: float, rng: np.random.Generator) -> Face:
    return Face(
        box=(x - WIDTH / 2, y - 65, x + WIDTH / 2, y + 65),
        landmarks=np.zeros((478, 3)),
        blendshapes=np.zeros(52),
        appearance=looks(person, rng),
        confidence=0.9,
    )


def aligned(dx: float = 0.0, dy: float = 0.0) -> Aligned:
    return Aligned(
        reference_from_frame=np.array([[1, 0, -dx], [0, 1, -dy], [0, 0, 1.0]]),
        model="homography",
        inliers=100,
        error_px=0.1,
    )


PLACES = [(200, 300), (420, 310), (640, 295), (310, 520), (530, 515)]


def burst(
    frames: int = 8, seed: int = 0
) -> tuple[list[list[Face]], list[list[int]], list[Aligned | Unaligned]]:
    """Return faces, the person behind each, and alignments, of a hand-held burst of five people."""
    rng = np.random.default_rng(seed)
    faces, who, alignments = [], [], []
    for _ in range(frames):
        dx, dy = rng.normal(0, 30, 2)
        order = rng.permutation(len(PLACES))
        faces.append(
            [
                face(p, PLACES[p][0] + dx + rng.normal(0, 8), PLACES[p][1] + dy + rng.normal(0, 8), rng)
                for p in order
            ]
        )
        who.append([int(p) for p in order])
        alignments.append(aligned(dx, dy))
    return faces, who, alignments


def named(people: tuple, faces: list[list[Face]], who: list[list[int]]) -> list[set[int]]:
    """Return, for each tracked person, the true people behind their faces."""
    truth = {id(f): p for fs, ps in zip(faces, who, strict=True) for f, p in zip(fs, ps, strict=True)}
    return [{truth[id(f)] for f in person.faces if isinstance(f, Face)} for person in people]


@pytest.mark.parametrize("seed", range(4))
def test_each_person_keeps_one_identity_in_rows(seed: int) -> None:
    """Five people in two rows are five identities, back row first, left to right."""
    faces, who, alignments = burst(seed=seed)
    people, notes = tracks.track_people(faces, alignments, TracksOptions())
    assert named(people, faces, who) == [{0}, {1}, {2}, {3}, {4}]
    assert [p.id for p in people] == ["P01", "P02", "P03", "P04", "P05"]
    assert [p.row for p in people] == [0, 0, 0, 1, 1]
    assert notes == ()


def test_a_missed_face_is_missing_and_nobody_takes_its_place() -> None:
    """A frame in which one face was not found says so, and the others keep their identities."""
    faces, who, alignments = burst()
    gone = who[3].index(1)
    del faces[3][gone], who[3][gone]
    people, _ = tracks.track_people(faces, alignments, TracksOptions())
    assert named(people, faces, who) == [{0}, {1}, {2}, {3}, {4}]
    assert isinstance(people[1].faces[3], Missing)
    assert sum(isinstance(f, Missing) for p in people for f in p.faces) == 1


def test_two_people_who_swap_places_are_told_by_their_looks() -> None:
    """From the fourth frame on two neighbours stand in each other's place."""
    rng = np.random.default_rng(5)
    faces, who = [], []
    for f in range(8):
        places = dict(enumerate(PLACES))
        if f >= 4:
            places[0], places[1] = places[1], places[0]
        faces.append(
            [face(p, xy[0] + rng.normal(0, 6), xy[1] + rng.normal(0, 6), rng) for p, xy in places.items()]
        )
        who.append(list(places))
    people, _ = tracks.track_people(faces, [aligned()] * 8, TracksOptions())
    assert sorted(map(tuple, named(people, faces, who))) == [(0,), (1,), (2,), (3,), (4,)]


def test_people_who_look_alike_are_told_by_their_places() -> None:
    """Twins in one school uniform have one appearance between them and still are two people."""
    rng = np.random.default_rng(6)
    faces = [
        [face(7, 200 + rng.normal(0, 8), 300, rng), face(7, 330 + rng.normal(0, 8), 300, rng)]
        for _ in range(8)
    ]
    who = [[0, 1] for _ in range(8)]
    people, _ = tracks.track_people(faces, [aligned()] * 8, TracksOptions())
    assert named(people, faces, who) == [{0}, {1}]


def test_a_passer_by_is_left_out_and_spoken_of() -> None:
    """A face in one frame of eight is nobody of the group, and the user hears of it."""
    faces, who, alignments = burst()
    faces[2].append(face(9, 900, 200, np.random.default_rng(1)))
    who[2].append(9)
    people, notes = tracks.track_people(faces, alignments, TracksOptions())
    assert len(people) == 5
    assert len(notes) == 1
    assert "1 face" in notes[0]


def test_a_frame_that_is_not_aligned_gives_nobody_and_says_why() -> None:
    """Faces of an unaligned frame belong to nobody; everyone is missing there with the frame's reason."""
    faces, _, alignments = burst()
    alignments[5] = Unaligned(reason="it shows another place")
    people, _ = tracks.track_people(faces, alignments, TracksOptions())
    assert [p.faces[5] for p in people] == [
        Missing(reason="the frame could not be aligned: it shows another place")
    ] * 5


def chain(tempting: float, seed: int) -> tuple[list[tracks._Track], list[Face], list[np.ndarray]]:
    """Return twins in a row who all took a step aside: each face stands nearer to the next one's place."""
    rng = np.random.default_rng(seed)
    places = [np.array([x, 300.0, WIDTH]) for x in 40 * np.arange(4) + rng.uniform(-2, 2, 4)]
    seen = [np.array([x, 300.0, WIDTH]) for x in 40 * np.arange(4) + tempting + rng.uniform(-2, 2, 4)]
    known = [tracks._Track({0: face(7, p[0], p[1], rng)}, {0: p}) for p in places]
    return known, [face(7, p[0], p[1], rng) for p in seen], seen


def least_cost(cost: np.ndarray) -> float:
    """Return the least total cost by trying every way to give faces (rows) to tracks, or to nobody."""
    faces, people = cost.shape
    table = np.hstack([cost, np.full((faces, faces), tracks.UNMATCHED)])
    ways = itertools.permutations(range(people + faces), faces)
    return min(sum(table[row, column] for row, column in enumerate(way)) for way in ways)


def greedy_cost(cost: np.ndarray) -> float:
    """Return the total cost when the cheapest pair left is taken again and again."""
    left, total = cost.copy(), 0.0
    for _ in range(len(cost)):
        row, column = np.unravel_index(int(left.argmin()), left.shape)
        total += min(float(left[row, column]), tracks.UNMATCHED)
        left[row], left[:, column] = np.inf, np.inf
    return total


@pytest.mark.parametrize("tempting", [28.0, 33.0])
@pytest.mark.parametrize("seed", range(5))
def test_the_assignment_has_the_least_total_cost(tempting: float, seed: int) -> None:
    """Faces go to people at the least cost of all ways there are, where cheapest-pair-first loses."""
    options = TracksOptions()
    known, found, places = chain(tempting, seed)
    cost = tracks._costs(known, found, places, options)
    given = tracks._assign(known, found, places, options)
    total = sum(cost[f, t] for f, t in given.items()) + tracks.UNMATCHED * (len(found) - len(given))
    assert len(set(given.values())) == len(given)
    assert total == pytest.approx(least_cost(cost), abs=1e-12)
    assert greedy_cost(cost) > total + 0.02


def test_the_assignment_is_scipys_worked_example(monkeypatch: pytest.MonkeyPatch) -> None:
    """Columns 1, 0, 2; costs a tenth of the published ones, so that 'nobody' stays dearer than anybody.

    Source: the example in the documentation of scipy.optimize.linear_sum_assignment (SciPy 1.17).
    """
    cost = np.array([[4, 1, 3], [2, 0, 5], [3, 2, 2]]) / 10
    known, found, places = (values[:3] for values in chain(0.0, 0))
    monkeypatch.setattr(tracks, "_costs", lambda *_: cost)
    given = tracks._assign(known, found, places, TracksOptions())
    assert given == {0: 1, 1: 0, 2: 2}
    assert sum(cost[pair] for pair in given.items()) == pytest.approx(0.5)


@pytest.mark.parametrize("apart", [5, 8])
def test_people_who_look_alike_at_both_ends_of_a_row_are_two(apart: int) -> None:
    """Two who are never found in one frame and have one appearance between them, five face widths apart."""
    rng = np.random.default_rng(8)
    places = [200, 200 + apart * WIDTH]
    faces = [[face(7, places[f % 2] + rng.normal(0, 8), 300, rng)] for f in range(8)]
    people, _ = tracks.track_people(faces, [aligned()] * 8, TracksOptions())
    assert named(people, faces, [[f % 2] for f in range(8)]) == [{0}, {1}]


def test_a_head_that_turns_stays_one_person() -> None:
    """Somebody who looks like another in half the frames, turned away, and stands in the same place."""
    rng = np.random.default_rng(9)
    straight = looks(3, rng)
    aside = straight + 0.9 * looks(4, rng)
    aside /= np.linalg.norm(aside)
    # One minus the cosine of the two is 0.26, beyond what two people usually have between them.
    assert 0.2 < 1 - straight @ aside < 0.3
    faces = []
    for f in range(8):
        found = face(3, 200 + rng.normal(0, 6), 300, rng)
        found = dataclasses.replace(found, appearance=straight if f < 4 else aside)
        faces.append([found, face(1, 500, 300, rng)])
    people, _ = tracks.track_people(faces, [aligned()] * 8, TracksOptions())
    assert named(people, faces, [[0, 1]] * 8) == [{0}, {1}]


def test_whoever_takes_anothers_place_is_somebody_else() -> None:
    """Who stands where another stood before, and looks nothing like them, is not that person."""
    rng = np.random.default_rng(10)
    faces = [[face(3 if f < 4 else 5, 200, 300, rng), face(1, 500, 300, rng)] for f in range(8)]
    people, _ = tracks.track_people(faces, [aligned()] * 8, TracksOptions())
    assert sorted(map(tuple, named(people, faces, [[3 if f < 4 else 5, 1] for f in range(8)]))) == [
        (1,),
        (3,),
        (5,),
    ]


@pytest.mark.parametrize(("off", "known"), [(0.3, True), (0.8, False)])
def test_a_head_without_a_face_is_still_somebody_with_a_place(off: float, known: bool) -> None:
    """Where a head is seen at a missing person's place, their face of another frame is moved there."""
    faces, who, alignments = burst()
    gone = who[3].index(1)
    turned = faces[3].pop(gone)
    middle = np.array([(turned.box[0] + turned.box[2]) / 2, (turned.box[1] + turned.box[3]) / 2])
    faces = [[dataclasses.replace(f, landmarks=square(f)) for f in found] for found in faces]
    heads: list[list[np.ndarray]] = [[] for _ in faces]
    heads[3] = [middle + np.array([off * WIDTH, 0.0])]
    people, _ = tracks.track_people(faces, alignments, TracksOptions(), heads)
    lost = people[1].faces[3]
    assert isinstance(lost, Missing)
    assert (lost.place is not None) == known
    if lost.place is not None:
        box = np.array(lost.place.box).reshape(2, 2)
        assert np.abs(box.mean(0) - middle).max() < 0.3 * WIDTH
        assert box[1, 0] - box[0, 0] == pytest.approx(WIDTH)
        assert lost.place.landmarks[:, :2].min(0) == pytest.approx(box[0])


def test_where_frames_lie_roughly_nobody_is_expected() -> None:
    """A place told by such a frame could be a head's width off."""
    faces, who, alignments = burst()
    turned = faces[3].pop(who[3].index(1))
    faces = [[dataclasses.replace(f, landmarks=square(f)) for f in found] for found in faces]
    middle = np.array([(turned.box[0] + turned.box[2]) / 2, (turned.box[1] + turned.box[3]) / 2])
    heads = [[middle] if f == 3 else [] for f in range(len(faces))]
    here = alignments[3]
    assert isinstance(here, Aligned)
    rough = [dataclasses.replace(here, model="rough") if f == 3 else a for f, a in enumerate(alignments)]
    people, _ = tracks.track_people(faces, rough, TracksOptions(), heads)
    lost = people[1].faces[3]
    assert isinstance(lost, Missing)
    assert lost.place is None


def square(face: Face) -> np.ndarray:
    """Return landmarks that fill a face's box."""
    x0, y0, x1, y1 = face.box
    share = np.random.default_rng(0).uniform(size=(478, 2))
    share[:2] = [[0, 0], [1, 1]]
    return np.column_stack([share * [x1 - x0, y1 - y0] + [x0, y0], np.zeros(478)])
