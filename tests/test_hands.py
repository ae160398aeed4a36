"""Hands near a face are found, told from the face, and known for what they cover."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from drawn_hand import TIPS, WRIST, with_hand
from skimage import data

from facemerge import faces, hands, scores
from facemerge.models import Models
from facemerge.options import FacesOptions, ScoresOptions
from facemerge.words import Face, Float

HAND_TIPS = (8, 12, 16, 20)
# A hand seen from its back, fingers up: the wrist at (0, 0), the palm ten long.
JOINTS = np.zeros((21, 2))
for _finger, _x in zip((5, 9, 13, 17), (-3.0, 0.0, 3.0, 6.0), strict=True):
    JOINTS[_finger : _finger + 4] = [(_x, -10.0 - 3 * k) for k in range(4)]
JOINTS[1:5] = [(-3.0 - k, -2.0 - 2 * k) for k in range(4)]


@pytest.mark.parametrize("turn_deg", [0, 60, -100])
@pytest.mark.parametrize("side", [240, 700])
def test_a_hand_is_found_joint_by_joint(models: Models, turn_deg: float, side: int) -> None:
    """Finger tips lie within a fifth of the palm of where they were drawn, whichever way up; the wrist too,
    as well as a drawing without bones says where that is."""
    picture = with_hand(
        np.full((3 * side, 3 * side, 3), (70, 90, 120), np.uint8), (side, side), side, turn_deg
    )
    (found,) = hands.hands_near(picture, np.array([1.5 * side, 1.4 * side]), 0.9 * side, models)
    turn = cv2.getRotationMatrix2D((120, 120), -turn_deg, 1.0)
    drawn = (np.array([WRIST, *TIPS], float) @ turn[:, :2].T + turn[:, 2]) * side / 240 + side
    off = np.linalg.norm(found[[0, *HAND_TIPS]] - drawn, axis=1)
    palm = np.linalg.norm(found[9] - found[0])
    assert off[1:].max() < 0.2 * palm
    assert off[0] < 0.5 * palm


def test_no_hand_is_found_where_there_is_none(models: Models) -> None:
    """Neither in a face and shoulders nor in a flat grey."""
    image = data.astronaut()
    assert hands.hands_near(image, np.array([223.0, 146.0]), 92.0, models).shape == (0, 21, 2)
    grey = np.full((200, 200, 3), 128, np.uint8)
    assert hands.hands_near(grey, np.array([100.0, 100.0]), 60.0, models).shape == (0, 21, 2)


def test_a_hand_covers_its_fingers_and_palm_and_may_cover_its_forearm() -> None:
    """A finger between its joints, the palm between its bones, nothing beside it, the arm below the wrist."""
    at = np.array([[(0.0, -14.0), (1.5, -6.0), (12.0, -14.0), (0.0, 15.0), (6.0, 15.0), (0.0, 40.0)]])
    under, forearm = hands.cover(JOINTS, at)
    assert under.tolist() == [[True, True, False, False, False, False]]
    assert forearm.tolist() == [[False, False, False, True, False, False]]


def test_the_forearm_goes_on_from_the_knuckles_through_the_wrist() -> None:
    """A bent arm is not known: it is taken to run straight on, here towards the picture's right."""
    sideways = JOINTS @ np.array([[0.0, 1.0], [-1.0, 0.0]])
    _, forearm = hands.cover(sideways, np.array([[-15.0, 0.0], [15.0, 0.0]]))
    assert forearm.tolist() == [bool(sideways[9, 0] > 0), bool(sideways[9, 0] < 0)]


@pytest.fixture(scope="module")
def portrait() -> np.ndarray:
    return np.asarray(
        cv2.resize(data.astronaut()[0:300, 60:400], None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
    )


def found_in(image: np.ndarray, models: Models) -> Face:
    (face,) = faces.detect_faces(image, models, FacesOptions())
    return face


def test_a_hand_at_the_mouth_is_worth_less_than_a_free_one(portrait: np.ndarray, models: Models) -> None:
    """Fingers over the lips are named, in a single frame as well; the hand beside the head costs nothing."""
    rng = np.random.default_rng(1)

    def measured(image: np.ndarray) -> scores.Measures:
        grained = np.clip(image + rng.normal(0, 2, image.shape), 0, 255).astype(np.uint8)
        return scores.measure(grained, found_in(grained, models))

    lips = found_in(portrait, models).landmarks[13, :2]
    over = with_hand(portrait, (lips[0] - 110, lips[1] - 20), 220)
    beside = with_hand(portrait, (lips[0] + 130, lips[1] - 20), 220)
    assert len(found_in(over, models).hands) == len(found_in(beside, models).hands) == 1
    free = [measured(portrait) for _ in range(3)]
    told = scores.score([*free, measured(over), measured(beside)], ScoresOptions())
    parts = [t.visible for t in told if t is not None]
    assert parts[3].reason == "a hand or an arm in front of the mouth"
    assert (parts[3].value or 0.0) < 0.5
    assert min(p.value or 0.0 for p in (*parts[:3], parts[4])) > 0.9
    (alone,) = scores.score([measured(over)], ScoresOptions())
    assert alone is not None
    assert alone.visible.reason == parts[3].reason


def _over(points: Float) -> Float:
    """Return a hand whose palm and fingers lie around most of a face's landmarks."""
    low, high = points[:, :2].min(0), points[:, :2].max(0)
    span = JOINTS.max(0) - JOINTS.min(0)
    return (JOINTS - JOINTS.min(0)) / span * (high - low) * 1.1 + low - 0.05 * (high - low)


@pytest.mark.parametrize(("doubtful", "left"), [(1.1, 0), (0.0, 1)])
def test_a_doubtful_face_within_a_hand_is_a_hand(
    portrait: np.ndarray, models: Models, monkeypatch: pytest.MonkeyPatch, doubtful: float, left: int
) -> None:
    """A folded hand passes for a face; somebody surely seen stays one, whatever is held before them."""
    known = found_in(portrait, models)
    monkeypatch.setattr(faces, "DOUBTFUL", doubtful)
    monkeypatch.setattr(hands, "hands_near", lambda *_: _over(known.landmarks)[None])
    assert len(faces.detect_faces(portrait, models, FacesOptions())) == left


def test_a_cheek_that_passes_for_a_hand_is_none(
    portrait: np.ndarray, models: Models, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A face seen from the side looks like a hand with its wrist at the jaw; a hand's wrist lies outside."""
    known = found_in(portrait, models)
    middle = known.landmarks[:, :2].mean(0)
    cheek = middle + (JOINTS - JOINTS.mean(0)) * 3
    outside = cheek + np.array([0.0, 200.0])
    monkeypatch.setattr(hands, "hands_near", lambda *_: np.stack([cheek, outside]))
    (face,) = faces.detect_faces(portrait, models, FacesOptions())
    assert np.array_equal(face.hands, outside[None])
