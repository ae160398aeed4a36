"""An expression must be judged against the person's own best, and smiles asked of nobody who never smiles."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from drawn_face import landmarks, shapes
from hypothesis import given
from hypothesis import strategies as st

from facemerge.scores.expression import (
    RIGID_POINTS,
    ExpressionMeasure,
    expression_part,
    measure_expression,
    strains,
    turn_between,
)

SMILE = {"mouthSmileLeft": 0.8, "mouthSmileRight": 0.8}
POUT = {"mouthPucker": 0.9}


def seen(mouth_px: float = 90.0, **changed: float) -> ExpressionMeasure:
    """Measure a drawn face with this width of mouth and these blendshapes."""
    return measure_expression(landmarks(mouth_px=mouth_px), shapes(**changed))


def turned(m: ExpressionMeasure, degrees: float) -> ExpressionMeasure:
    """The same face with its head turned about the vertical."""
    a = np.deg2rad(degrees)
    turn = np.array([[np.cos(a), 0, np.sin(a)], [0, 1, 0], [-np.sin(a), 0, np.cos(a)]])
    return dataclasses.replace(m, rigid=m.rigid @ turn.T)


def values(faces: list[ExpressionMeasure | None], mood: str = "pleasant") -> list[float | None]:
    """One figure a frame."""
    return [expression_part(s, 0.0, mood).value for s in strains(faces, [0.0] * len(faces))]


def reason(face: ExpressionMeasure, best: ExpressionMeasure) -> str:
    """What is said of one face of a person who otherwise looks like `best`."""
    return expression_part(strains([best, best, face], [0.0] * 3)[2], 0.0, "pleasant").reason


def test_a_person_who_never_smiles_is_not_asked_to():
    """Without a smile in any frame, every calm frame is good."""
    assert min(values([seen(), seen(), seen(91.0)])) > 0.9


def test_a_lost_smile_ranks_lower_and_spoils_nothing():
    """A blank face is worse than the own smile and far better than a pulled mouth."""
    smiling, blank, pulled = values([seen(104.0, **SMILE), seen(), seen(62.0, **POUT)])
    assert smiling > 0.95
    assert 0.5 < blank < 0.9
    assert pulled < 0.15


@pytest.mark.parametrize(
    ("face", "said"),
    [
        (seen(60.0), "mouth pulled"),
        (seen(88.0, mouthPucker=0.8), "mouth pulled"),
        (seen(jawOpen=0.6), "mouth open"),
        (seen(mouthStretchLeft=0.5, mouthStretchRight=0.5), "grimace"),
        (seen(mouthLeft=0.5), "grimace"),
    ],
)
def test_what_spoils_a_face_is_named(face, said):
    """Each spoiled face is below a half, and the reason is the one drawn."""
    assert values([seen(), seen(), face])[2] < 0.5
    assert reason(face, seen()) == said


def test_a_laugh_is_not_a_yawn():
    """A dropped jaw costs a face that does not smile, not one that laughs."""
    laugh, yawn = values([seen(104.0, **SMILE), seen(100.0, jawOpen=0.6, **SMILE), seen(jawOpen=0.6)])[1:]
    assert laugh > 0.85
    assert yawn < 0.45


def test_the_standard_is_the_best_not_the_majority():
    """Of a person who pulls a face in four frames of six, the two others are still the good ones."""
    found = values([seen(62.0, **POUT)] * 2 + [seen(), seen(91.0)] + [seen(60.0, **POUT)] * 2)
    assert min(found[2:4]) > 0.8
    assert max(found[:2] + found[4:]) < 0.2


@pytest.mark.parametrize("degrees", [0.0, 7.0, 25.0, 60.0])
def test_turn_between_gives_the_turn(degrees):
    """A known rotation comes back (Kabsch 1976), whatever else is the same."""
    still = seen()
    assert turn_between(turned(still, degrees).rigid, still.rigid) == pytest.approx(degrees, abs=1e-4)


@given(st.lists(st.floats(-100, 100), min_size=9, max_size=9), st.floats(-170, 170))
def test_turn_between_is_symmetric_and_in_range(spots, degrees):
    """From a to b as far as from b to a, in [0, 180]."""
    a = np.array(spots).reshape(3, 3)
    a = a - a.mean(0)
    t = np.deg2rad(degrees)
    b = a @ np.array([[np.cos(t), -np.sin(t), 0], [np.sin(t), np.cos(t), 0], [0, 0, 1]])
    there, back = turn_between(a, b), turn_between(b, a)
    assert 0 <= there <= 180
    # Spots on one line leave the turn about it open: any answer is right then.
    if np.linalg.svd(a)[1][1] > 1:
        assert there == pytest.approx(back, abs=1e-3)
        assert there <= abs(degrees) + 1e-3


def test_a_head_turned_away_is_named():
    """A head turned 40 degrees from the usual pose is spoiled, 5 degrees is not, and the angle is said."""
    still = seen()
    assert values([still, still, still, turned(still, 5.0)])[3] > 0.95
    assert values([still, still, still, turned(still, 40.0)])[3] < 0.3
    said = expression_part(strains([still] * 3 + [turned(still, 40.0)], [0.0] * 4)[3], 0.0, "pleasant").reason
    assert said == "head turned 40 degrees from usual"


def test_silly_mood_turns_the_order_round():
    """Asked for the silly frame, the pulled face wins."""
    calm, silly = values([seen(), seen(62.0, **POUT)], "silly")
    assert silly > 0.8
    assert calm < 0.1


def test_blur_hides_an_expression():
    """A strongly blurred face is neither praised nor condemned for its mouth."""
    strained = strains([seen(), seen(60.0, **POUT)], [0.0, 0.09])[1]
    part = expression_part(strained, 0.09, "pleasant")
    assert 0.6 < part.value < 0.8
    assert part.reason == "expression hard to see in the blur"


def test_one_frame_missing_frames_and_small_faces():
    """One frame alone is its own standard; missing and tiny faces are unknown and change nothing."""
    assert values([seen()])[0] > 0.9
    # 62 px of 104 between the eyes: narrower than any relaxed mouth, known without another frame.
    assert values([seen(62.0, **POUT)])[0] < 0.5
    tiny = dataclasses.replace(seen(60.0), face_px=30.0)
    assert values([None, seen(), tiny]) == [None, values([seen()])[0], None]
    assert strains([None], [0.0]) == (None,)


def test_mirrored_faces_score_the_same():
    """Left and right exchanged, a crooked mouth is as crooked."""
    points = landmarks(mouth_px=86.0)
    points[291, 1] += 14
    mirror = points * [-1, 1, 1] + [299, 0, 0]
    pairs = ((33, 263), (133, 362), (61, 291), (127, 356), (234, 454))
    for a, b in pairs:
        mirror[[a, b]] = mirror[[b, a]]
    plain = measure_expression(points, shapes(mouthLeft=0.3, mouthFrownLeft=0.4))
    other = measure_expression(mirror, shapes(mouthRight=0.3, mouthFrownRight=0.4))
    calm = landmarks()
    calm_mirror = calm * [-1, 1, 1] + [299, 0, 0]
    for a, b in pairs:
        calm_mirror[[a, b]] = calm_mirror[[b, a]]
    one = strains([measure_expression(calm, shapes()), plain], [0.0] * 2)[1]
    two = strains([measure_expression(calm_mirror, shapes()), other], [0.0] * 2)[1]
    assert one.total == pytest.approx(two.total, rel=1e-6)
    assert one.grimace > 1


def test_rigid_points_are_not_of_the_mouth():
    """No landmark of the lips tells how the head is turned."""
    assert not set(RIGID_POINTS) & {0, 13, 14, 17, 61, 291, 78, 308}
