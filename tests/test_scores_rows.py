"""Rows and frames: a missed focus plane and a shaken camera are told apart from one soft face."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import render_burst
from hypothesis import given
from hypothesis import strategies as st

from facemerge.faces import detect_faces
from facemerge.options import FacesOptions
from facemerge.scores.eyes import streak_kernel
from facemerge.scores.rows import row_notes, with_row_reasons
from facemerge.scores.sharpness import SharpnessMeasure, blurs, measure_sharpness, sharpness_part
from facemerge.words import Part, Score

FINE = Part(value=1.0)
BACK_AND_FRONT = (0, 0, 0, 1, 1)


def names(count: int) -> tuple[str, ...]:
    """Names of that many frames."""
    return tuple(f"f{i}.jpg" for i in range(count))


def face(value: float | None = 1.0, *, px: float = 0.3, motion: float = 0.0, deg: float = 0.0) -> Score:
    """A face of this sharpness, blur and streak."""
    return Score(
        eyes=FINE,
        sharpness=Part(value=value, reason="out of focus, blur about 9 px" if value != 1.0 else ""),
        expression=FINE,
        total=value or 0.6,
        blur_px=px,
        detail={"motion_px": motion, "motion_deg": deg},
    )


def soft(px: float = 3.0) -> Score:
    """A face out of focus."""
    return face(0.2, px=px)


def moved(length: float = 14.0, deg: float = 30.0) -> Score:
    """A face that moved, or whose camera did."""
    return face(0.1, px=length / 12**0.5, motion=length, deg=deg)


def burst(*shots: tuple[Score | None, ...]) -> list[list[Score | None]]:
    """Scores by person of frames given one after the other."""
    return [list(own) for own in zip(*shots, strict=True)]


SHARP_FRONT = (soft(2.8), soft(3.0), soft(3.3), face(), face())
SHARP_BACK = (face(), face(), face(), soft(4.0), soft(4.0))
ALL_SHARP = (face(),) * 5
ALL_SOFT = (soft(5.0),) * 5


@pytest.mark.parametrize(
    ("shots", "notes"),
    [
        ([ALL_SHARP] * 3, ()),
        ([], ()),
        (
            [SHARP_FRONT] * 4,
            (
                "Nobody in the back row is sharp in any frame: blur about 3 px at the eyes; "
                "the focus lay on the front row.",
            ),
        ),
        ([ALL_SOFT] * 3, ("Nobody is sharp in any frame: blur about 5 px at the eyes.",)),
        (
            [SHARP_FRONT] * 7 + [ALL_SHARP] * 5,
            (
                "The focus lies on the front row in 7 of 12 frames: the back row is soft there, "
                "blur about 3 px.",
            ),
        ),
        (
            [SHARP_FRONT, SHARP_BACK, ALL_SHARP],
            (
                "The focus lies on the front row in 1 of 3 frames (f0.jpg): the back row is soft there, "
                "blur about 3 px.",
                "The focus lies on the back row in 1 of 3 frames (f1.jpg): the front row is soft there, "
                "blur about 4 px.",
            ),
        ),
        ([ALL_SHARP, ALL_SOFT], ("The focus missed everybody in 1 of 2 frames (f1.jpg).",)),
        (
            [ALL_SHARP, tuple(moved(14 + i / 3, 28 + 2 * i) for i in range(5))],
            ("Camera shake in 1 of 2 frames (f1.jpg): the whole group moved by about 15 px.",),
        ),
    ],
)
def test_notes_of_a_drawn_burst(shots, notes):
    """What is said of bursts in which rows were sharp, soft or moved as drawn, and that nothing else is."""
    scores = burst(*shots) if shots else [[]] * 5
    assert row_notes(BACK_AND_FRONT, scores, names(len(shots))) == notes


@pytest.mark.parametrize(
    "shot",
    [
        (soft(), face(), face(), face(), face()),
        (soft(), face(), face(), soft(), face()),
        (moved(), face(), face(), moved(), face()),
        tuple(moved(14, 36 * i) for i in range(5)),
        tuple(moved(8 * (i + 1), 30) for i in range(5)),
        (moved(), soft(), face(), soft(), face()),
    ],
    ids=["one soft", "one of each row", "two moved", "all directions", "all lengths", "one moved, some soft"],
)
def test_people_are_not_the_camera(shot):
    """Single soft faces, and people who moved each in their own way, are neither shake nor a focus plane
    that missed a whole row."""
    assert row_notes(BACK_AND_FRONT, burst(ALL_SHARP, shot), names(2)) == ()


@pytest.mark.parametrize("turn", [0.0, 89.0, 178.0])
def test_shake_has_no_head_or_tail(turn):
    """Directions 178 and 2 degrees are neighbours, at any turn of the camera."""
    shot = tuple(moved(12, (turn + d) % 180) for d in (-4, -2, 0, 3, 5))
    (note,) = row_notes(BACK_AND_FRONT, burst(ALL_SHARP, shot), names(2))
    assert note == "Camera shake in 1 of 2 frames (f1.jpg): the whole group moved by about 12 px."


def test_shake_survives_a_face_whose_streak_was_not_found():
    """One of five faces reported as out of focus does not hide that the camera shook."""
    shot = (moved(), moved(15), soft(), moved(13), moved())
    assert "Camera shake" in row_notes(BACK_AND_FRONT, burst(ALL_SHARP, shot), names(2))[0]


@pytest.mark.parametrize(
    ("rows", "name"),
    [((0, 1, 2), "the middle row"), ((0, 1, 2, 3), "row 2 from the back"), ((3, 7, 9), "the middle row")],
)
def test_rows_are_named_as_they_stand(rows, name):
    """Back, middle, front, or counted from the back, whatever numbers the rows have."""
    shot = tuple(soft() if i == 1 else face() for i in range(len(rows)))
    (note,) = row_notes(rows, burst(shot, shot), names(2))
    assert note.startswith(f"Nobody in {name} is sharp in any frame: blur about 3 px at the eyes; ")


@pytest.mark.parametrize("hidden", [None, face(None)])
def test_who_cannot_be_judged_does_not_count(hidden):
    """Missing people and unknown sharpness neither make a row soft nor keep it from being so."""
    shot = (soft(), hidden, soft(), face(), hidden)
    (note,) = row_notes(BACK_AND_FRONT, burst(shot, shot), names(2))
    assert note.startswith("Nobody in the back row is sharp")
    nobody = (hidden,) * 5
    assert row_notes(BACK_AND_FRONT, burst(nobody, nobody), names(2)) == ()


def test_reasons_tell_of_the_row_and_the_camera():
    """A soft face of a soft row is told where the focus lay, a face of a shaken frame that it was the camera;
    sharp faces, faces soft by themselves, values and totals stay."""
    alone = (face(), face(), soft(), face(), face())
    scores = burst(SHARP_FRONT, alone, (moved(14.2),) * 5)
    told = with_row_reasons(BACK_AND_FRONT, scores)
    assert [told[p][0].sharpness.reason for p in range(5)] == [
        "focus on the front row, blur about 3 px",
        "focus on the front row, blur about 3 px",
        "focus on the front row, blur about 3 px",
        "",
        "",
    ]
    assert [told[p][1] for p in range(5)] == list(alone)
    assert {told[p][2].sharpness.reason for p in range(5)} == {"camera shake, 14 px"}
    for before, after in zip(scores, told, strict=True):
        for a, b in zip(before, after, strict=True):
            assert (a.sharpness.value, a.total, a.blur_px) == (b.sharpness.value, b.total, b.blur_px)


shots_of_three = st.lists(
    st.tuples(*[st.sampled_from([None, face(), face(0.6), soft(), moved(), moved(9, 120)])] * 3), max_size=5
)


@given(shots_of_three, st.permutations(range(3)))
def test_the_order_of_people_does_not_matter(shots, order):
    """Notes are of rows, not of who stands first; and every burst can be told of."""
    rows = (0, 0, 1)
    scores = burst(*shots) if shots else [[]] * 3
    plain = row_notes(rows, scores, names(len(shots)))
    assert plain == row_notes([rows[i] for i in order], [scores[i] for i in order], names(len(shots)))
    assert [len(own) for own in with_row_reasons(rows, scores)] == [len(shots)] * 3


@pytest.fixture(scope="module")
def heads(models) -> list[tuple[np.ndarray, np.ndarray]]:
    """Three small rendered heads: grey crops and landmarks."""
    found = []
    for i in (0, 4, 6):
        person = render_burst.CAST[i]
        rng = np.random.default_rng(i)
        colour = render_burst.render_head(person, width_px=110, rng=rng, grain=0.5, supersample=1.0)
        (one,) = detect_faces(colour, models, FacesOptions())
        grey = np.asarray(cv2.cvtColor(colour, cv2.COLOR_RGB2GRAY) / np.float32(255), np.float32)
        found.append((grey, np.array(one.landmarks[:, :2])))
    return found


def shot(grey: np.ndarray, points: np.ndarray, seed: int, *, sigma: float, shaken: bool) -> SharpnessMeasure:
    """Measure a head out of focus by sigma, or shaken by 12 px at 30 degrees, with noise."""
    picture = cv2.GaussianBlur(grey, (0, 0), sigma) if sigma else grey
    if shaken:
        picture = cv2.filter2D(picture, -1, streak_kernel(12.0, 30.0), borderType=cv2.BORDER_REFLECT)
    noisy = picture + np.random.default_rng(seed).normal(0, 0.005, grey.shape)
    eyes_px = float(np.linalg.norm((points[33] + points[133] - points[263] - points[362]) / 2))
    return measure_sharpness(np.asarray(noisy, np.float32), points, eyes_px)


def scored(measures: list[SharpnessMeasure]) -> list[Score]:
    """Scores of one person by sharpness alone."""
    return [
        Score(
            eyes=FINE,
            sharpness=(part := sharpness_part(b, m.eyes_px)),
            expression=FINE,
            total=part.value or 0.0,
            blur_px=b.total_px,
            detail={"motion_px": b.motion_px, "motion_deg": b.motion_deg},
        )
        for b, m in zip(blurs(measures), measures, strict=True)
        if b is not None
    ]


def told(heads: list[tuple[np.ndarray, np.ndarray]], behind_px: float) -> list[list[Score]]:
    """Scores of four frames: two heads behind out of focus by so much, one in front sharp; one shaken."""
    return [
        scored(
            [shot(*head, seed=10 * p + f, sigma=behind_px if p < 2 else 0.0, shaken=f == 3) for f in range(4)]
        )
        for p, head in enumerate(heads)
    ]


def test_a_row_that_is_never_sharp_is_found_on_drawn_heads(heads):
    """Two heads out of focus by 2.5 px in every frame: their blur within 20 %, their scores low, and said."""
    scores = told(heads, 2.5)
    assert np.median([s.blur_px for own in scores[:2] for s in own[:3]]) == pytest.approx(2.5, rel=0.2)
    assert max(s.sharpness.value for own in scores[:2] for s in own) < 0.5
    assert min(s.sharpness.value for s in scores[2][:3]) > 0.9
    assert row_notes((0, 0, 1), scores, names(4)) == (
        "Nobody in the back row is sharp in any frame: blur about 2 px at the eyes; "
        "the focus lay on the front row.",
    )


def test_a_shaken_frame_is_found_on_drawn_heads(heads):
    """Three sharp heads smeared alike by 12 px in the last frame: said of the frame and of each of them."""
    scores = told(heads, 0.0)
    assert row_notes((0, 0, 1), scores, names(4)) == (
        "Camera shake in 1 of 4 frames (f3.jpg): the whole group moved by about 12 px.",
    )
    reasons = [[s.sharpness.reason for s in own] for own in with_row_reasons((0, 0, 1), scores)]
    assert reasons == [["", "", "", "camera shake, 12 px"]] * 3
