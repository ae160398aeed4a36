"""A head is judged against its own usual pose, and the words for how it is turned must be right."""

from __future__ import annotations

import dataclasses
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from facemerge.faces import detect_faces
from facemerge.options import FacesOptions
from facemerge.scores.pose import (
    FRONTAL,
    PITCH_SEEN,
    RIGID_POINTS,
    YAW_SEEN,
    PoseMeasure,
    Turn,
    angles_deg,
    measure_pose,
    pose_part,
    rotation_between,
    turns,
)

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "scripts"))

import render_burst

angle = st.floats(-80, 80)


def rotation(yaw: float = 0.0, pitch: float = 0.0, roll: float = 0.0) -> np.ndarray:
    """The module's convention by an independent implementation: intrinsic y, x, z with y down, z away."""
    return Rotation.from_euler("YXZ", [-yaw, pitch, roll], degrees=True).as_matrix()


def held(yaw: float = 0.0, pitch: float = 0.0, roll: float = 0.0) -> PoseMeasure:
    """A face 200 px wide whose head is held like this, seen through the landmarker's flat depth."""
    turned = FRONTAL @ rotation(yaw * YAW_SEEN, pitch * PITCH_SEEN, roll).T
    return PoseMeasure(rigid=turned - turned.mean(0), face_px=200.0)


def found(faces: list[PoseMeasure | None]) -> tuple[Turn | None, ...]:
    """Turns of sharp faces."""
    return turns(faces, [0.0] * len(faces))


def values(faces: list[PoseMeasure | None], mood: str = "pleasant") -> list[float | None]:
    """One figure a frame."""
    return [pose_part(t, mood).value for t in found(faces)]


@given(angle, angle, st.floats(-170, 170))
def test_angles_come_back(yaw, pitch, roll):
    """A rotation made of known yaw, pitch and roll is told as these."""
    assert angles_deg(rotation(yaw, pitch, roll)) == pytest.approx((yaw, pitch, roll), abs=1e-6)


@pytest.mark.parametrize(
    ("turned", "moved_to"),
    [
        ({"yaw": 30}, (np.sin(np.pi / 6), 0, -np.cos(np.pi / 6))),
        ({"pitch": 30}, (0, np.sin(np.pi / 6), -np.cos(np.pi / 6))),
    ],
)
def test_signs_of_where_the_face_looks(turned, moved_to):
    """The nose, which points at the camera, goes right with yaw and down with pitch."""
    assert rotation(**turned) @ [0, 0, -1] == pytest.approx(moved_to, abs=1e-9)


def test_sign_of_the_tilt():
    """With positive roll the crown, which points up, leans to the picture's right."""
    assert rotation(roll=30) @ [0, -1, 0] == pytest.approx([0.5, -np.cos(np.pi / 6), 0], abs=1e-9)


@given(angle, angle, angle)
def test_rotation_between_gives_the_rotation(yaw, pitch, roll):
    """Kabsch (Acta Cryst. A32, 1976) finds a known proper rotation whatever the noise-free points."""
    a = FRONTAL - FRONTAL.mean(0)
    r = rotation(yaw, pitch, roll)
    assert rotation_between(a, a @ r.T) == pytest.approx(r, abs=1e-6)


def test_a_mirror_image_is_no_rotation():
    """Kabsch's correction keeps the result proper where a reflection would fit better."""
    a = FRONTAL - FRONTAL.mean(0)
    assert np.linalg.det(rotation_between(a, a * [1, -1, 1])) == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("now", "said"),
    [
        (held(yaw=-25), "head turned 25 degrees to the left of the picture"),
        (held(yaw=25), "head turned 25 degrees to the right of the picture"),
        (held(roll=14), "head tilted 14 degrees"),
        (held(roll=-14), "head tilted 14 degrees"),
        (held(pitch=22), "chin down"),
        (held(pitch=-22), "chin up"),
    ],
)
def test_what_is_out_of_the_usual_pose_is_named(now, said):
    """Each is ranked below the usual pose, and the reason is the one drawn."""
    part = pose_part(found([held(), held(), held(), now])[3])
    assert 0.3 < part.value < 0.95
    assert part.reason == said


@given(st.lists(st.tuples(st.floats(-5, 5), st.floats(-4, 4), st.floats(-4, 4)), min_size=1, max_size=9))
def test_ordinary_movement_costs_nothing(poses):
    """Heads that move by a few degrees between frames, as in every burst, are all as good as can be."""
    assert min(values([held(*p) for p in poses])) > 0.95


def test_a_turn_costs_more_the_further_it_goes():
    """From the edge of ordinary movement on, value falls with the turn, to below 0.3 at 40 degrees."""
    row = values([held()] * 3 + [held(yaw=a) for a in (5, 15, 20, 30, 40)])[3:]
    assert row[0] == 1.0
    assert np.all(np.diff(row) < -0.05)
    assert row[-1] < 0.3


def test_towards_the_camera_is_best_even_if_rare():
    """Of a person who is turned away in eight frames of twelve, the frontal four are the best."""
    row = values([held(yaw=26 + k % 3) for k in range(8)] + [held(yaw=k % 3) for k in range(4)])
    assert min(row[8:]) > 0.95
    assert max(row[:8]) < 0.6


def test_symmetry_outweighs_proportions():
    """Whether a chin is up depends on the face as well; a face seen from the front is nearest the camera."""
    row = values([held(yaw=25, pitch=6)] * 3 + [held(pitch=-4)] * 3)
    assert min(row[3:]) > 0.95
    assert max(row[:3]) < 0.6


def test_a_pose_kept_throughout_is_no_fault():
    """Somebody who sits turned in every frame is judged against that."""
    assert min(values([held(yaw=24), held(yaw=26), held(yaw=25, roll=6)])) > 0.95


def test_a_face_of_other_proportions_is_not_turned():
    """A high forehead or a long nose, the same in all frames, is not taken for a nod."""
    long = FRONTAL * [1, 1.25, 1.4]
    faces = [dataclasses.replace(held(), rigid=(long - long.mean(0)) @ rotation(yaw=a).T) for a in (-3, 0, 2)]
    assert min(values(faces)) > 0.95


def test_silly_frames_may_be_tilted_but_not_turned_away():
    """Asked for the silly frame, a tilt and a nod cost nothing and a head turned away does."""
    row = values([held(), held(), held(roll=30), held(pitch=30), held(yaw=40)], "silly")
    assert row[2:4] == [1.0, 1.0]
    assert row[4] < 0.3


def test_blurred_frames_do_not_say_what_is_usual():
    """The landmarks of a smeared face may face the camera by error; the sharp frames are the standard."""
    faces = [held(yaw=25), held(yaw=26), held(yaw=25), held()]
    row = [pose_part(t).value for t in turns(faces, [0.0, 0.0, 0.0, 0.1])]
    assert min(row[:3]) > 0.95


def test_missing_and_tiny_faces():
    """Missing and tiny faces are unknown and change nothing; one frame alone is its own standard."""
    tiny = dataclasses.replace(held(yaw=40), face_px=30.0)
    assert values([None, held(yaw=20), tiny]) == [None, 1.0, None]
    assert pose_part(None).reason == "face too small to judge how the head is held"
    assert found([]) == ()


@given(angle, st.floats(-50, 50), st.floats(-50, 50))
def test_mirrored_heads_score_the_same(yaw, pitch, roll):
    """Left and right exchanged, a head is as far out of its pose, to the other side."""
    swap = [
        RIGID_POINTS.index(
            {33: 263, 263: 33, 133: 362, 362: 133, 127: 356, 356: 127, 234: 454, 454: 234}.get(i, i)
        )
        for i in RIGID_POINTS
    ]
    now = held(yaw, pitch, roll)
    mirror = dataclasses.replace(now, rigid=(now.rigid * [-1, 1, 1])[swap])
    plain, other = (found([held(), held(), held(), m])[3] for m in (now, mirror))
    assert (other.yaw_deg, other.roll_deg) == pytest.approx((-plain.yaw_deg, -plain.roll_deg), abs=1e-5)
    assert pose_part(other).value == pytest.approx(pose_part(plain).value, abs=1e-6)


def test_rigid_points_are_not_of_the_mouth():
    """No landmark of the lips tells how the head is turned."""
    assert not set(RIGID_POINTS) & {0, 13, 14, 17, 61, 291, 78, 308}


def drawn_pose(models, **how: float) -> PoseMeasure:
    """A head as the landmarker sees it."""
    image = render_burst.render_head(
        render_burst.CAST[1], width_px=110, rng=np.random.default_rng(1), supersample=1.0, **how
    )
    face = max(detect_faces(image, models, FacesOptions()), key=lambda f: f.box[2] - f.box[0])
    return measure_pose(face.landmarks)


@pytest.fixture(scope="module")
def straight(models) -> PoseMeasure:
    """The head that looks into the camera."""
    return drawn_pose(models)


@pytest.mark.parametrize(
    ("drawn", "name"),
    [
        ({"turn_deg": 20.0}, "yaw_deg"),
        ({"turn_deg": -20.0}, "yaw_deg"),
        ({"nod_deg": 18.0}, "pitch_deg"),
        ({"nod_deg": -18.0}, "pitch_deg"),
        ({"tilt_deg": -15.0}, "roll_deg"),
    ],
)
def test_drawn_heads_are_found_as_they_were_drawn(models, straight, drawn, name):
    """Through renderer and landmarker, the angle comes back with its sign, within 4 degrees."""
    turn = found([straight, straight, drawn_pose(models, **drawn)])[2]
    assert getattr(turn, name) == pytest.approx(next(iter(drawn.values())), abs=4.0)
