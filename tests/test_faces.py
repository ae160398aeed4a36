"""Every face is found, whatever its size, and nothing else."""

from __future__ import annotations

import itertools
from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from skimage import data

from facemerge import faces
from facemerge.models import Landmarks, Models, Region
from facemerge.options import FacesOptions
from facemerge.words import Face

# The astronaut's head and shoulders; face about 92 px wide.
PORTRAIT = data.astronaut()[0:256, 96:352]
FACE = np.array([83.6, 70.2, 175.3, 178.7])


def scene(size: tuple[int, int], heads: list[tuple[int, int, int]], background: np.ndarray) -> np.ndarray:
    """Return a picture with portraits of the given side pasted at x, y onto a background texture."""
    image = cv2.resize(background, size, interpolation=cv2.INTER_LINEAR)
    for x, y, side in heads:
        image[y : y + side, x : x + side] = cv2.resize(PORTRAIT, (side, side), interpolation=cv2.INTER_AREA)
    return image


def iou(face: Face, x: float, y: float, side: float) -> float:
    box = FACE * side / 256 + [x, y, x, y]
    w = min(face.box[2], box[2]) - max(face.box[0], box[0])
    h = min(face.box[3], box[3]) - max(face.box[1], box[1])
    both = max(0.0, w) * max(0.0, h)
    area = (face.box[2] - face.box[0]) * (face.box[3] - face.box[1])
    return both / (area + (box[2] - box[0]) * (box[3] - box[1]) - both)


@pytest.mark.parametrize("side", [175, 320, 700, 1400], ids=lambda s: f"face {round(s * 0.36)} px")
def test_a_face_is_found_at_every_size(models: Models, side: int) -> None:
    """From 63 px in a large picture to one that fills the frame."""
    image = scene((2400, 1600), [(700, 150, side)], np.full((4, 4, 3), 120, np.uint8))
    found = faces.detect_faces(image, models, FacesOptions())
    assert len(found) == 1
    assert iou(found[0], 700, 150, side) > 0.75


def test_many_small_faces_are_all_found_once(models: Models) -> None:
    """Forty faces of 65 px, each found once, left to right, none between them."""
    places = [(120 + 210 * c, 100 + 260 * r) for r in range(4) for c in range(10)]
    image = scene((2300, 1200), [(x, y, 180) for x, y in places], np.full((4, 4, 3), 150, np.uint8))
    found = faces.detect_faces(image, models, FacesOptions())
    assert len(found) == 40
    best = [max(iou(f, x, y, 180) for f in found) for x, y in places]
    assert min(best) > 0.7
    assert [f.box[0] for f in found] == sorted(f.box[0] for f in found)


@pytest.mark.parametrize(
    "name",
    [
        "brick",
        "grass",
        "gravel",
        "coffee",
        "chelsea",
        "rocket",
        "page",
        "clock",
        "moon",
        "cell",
        "colorwheel",
    ],
)
def test_nobody_is_found_where_nobody_is(models: Models, name: str) -> None:
    """Brick, grass, gravel, a cup, a cat, a rocket, print, a moon, a cell, a wheel of colours: no faces."""
    image = getattr(data, name)()
    image = np.dstack([image] * 3) if image.ndim == 2 else image[..., :3]
    assert faces.detect_faces(image, models, FacesOptions()) == ()


def test_sixteen_bit_pictures_give_the_same_faces(models: Models) -> None:
    """Depth is no matter of where a face lies."""
    (eight,) = faces.detect_faces(PORTRAIT, models, FacesOptions())
    (sixteen,) = faces.detect_faces(PORTRAIT.astype(np.uint16) * 257, models, FacesOptions())
    assert sixteen.box == eight.box
    assert np.array_equal(sixteen.landmarks, eight.landmarks)


def test_a_tilted_head_is_found(models: Models) -> None:
    """A head tilted by 30 degrees, as children do."""
    m = cv2.getRotationMatrix2D((225.0, 120.0), 30, 1.0)
    image = cv2.warpAffine(data.astronaut(), m, (512, 512), borderMode=cv2.BORDER_REPLICATE)
    (face,) = faces.detect_faces(image, models, FacesOptions())
    eyes = face.landmarks[263, :2] - face.landmarks[33, :2]
    # The astronaut's own eyes fall by 3 degrees to the right; a turn by +30 lifts the right side.
    assert np.degrees(np.arctan2(eyes[1], eyes[0])) == pytest.approx(3 - 30, abs=4)


@pytest.mark.parametrize(("doubts", "sure", "found"), [(0, 1.0, 1), (1, 1.0, 0), (2, 0.5, 1), (3, 0.5, 0)])
def test_a_sure_face_has_three_looks_to_be_centred(
    models: Models, monkeypatch: pytest.MonkeyPatch, doubts: int, sure: float, found: int
) -> None:
    """The landmarker doubts its first looks: a face surely detected is given up after three, others at once;
    where nothing was doubted, or no more than that, the face lies where it did.
    """
    (plain,) = faces.detect_faces(PORTRAIT, models, FacesOptions())
    assert 0.5 < plain.confidence < 1.0
    landmarks, looks = Models.landmarks, 0

    def doubting(self: Models, image: np.ndarray, region: Region) -> Landmarks:
        nonlocal looks
        looks += 1
        seen = landmarks(self, image, region)
        return replace(seen, presence=0.1) if looks <= doubts else seen

    monkeypatch.setattr(Models, "landmarks", doubting)
    monkeypatch.setattr(faces, "SURE", sure)
    seen = faces.detect_faces(PORTRAIT, models, FacesOptions())
    assert len(seen) == found
    assert all(np.abs(np.array(f.box) - plain.box).max() < 3 for f in seen)
    if not found:
        assert looks == doubts


def test_more_looks_show_nobody_where_nobody_is(models: Models, monkeypatch: pytest.MonkeyPatch) -> None:
    """However sure the detector, a blank wall stays one: no look at it shows a face."""
    monkeypatch.setattr(faces, "SURE", 0.0)
    wall = np.full_like(PORTRAIT, 128)
    (face,) = faces.detect_faces(PORTRAIT, models, FacesOptions())
    assert faces.look_again(wall, models, face.landmarks[:, :2], [], FacesOptions()) is None


def test_looking_again_finds_who_was_overlooked_and_nobody_else(models: Models) -> None:
    """At the place of a face it is found, unless it is known already; on a blank wall nothing is."""
    (face,) = faces.detect_faces(PORTRAIT, models, FacesOptions())
    expected = face.landmarks[:, :2] + [4.0, -3.0]
    again = faces.look_again(PORTRAIT, models, expected, [], FacesOptions())
    assert again is not None
    assert np.abs(np.array(again.box) - face.box).max() < 3
    assert faces.look_again(PORTRAIT, models, expected, [face], FacesOptions()) is None
    wall = np.full_like(PORTRAIT, 128)
    assert faces.look_again(wall, models, expected, [], FacesOptions()) is None


def test_mirrored_faces_lie_mirrored(models: Models) -> None:
    """A picture's mirror image has its face in the mirrored place, to a twentieth of its width."""
    image = data.astronaut()
    (face,) = faces.detect_faces(image, models, FacesOptions())
    (mirrored,) = faces.detect_faces(np.ascontiguousarray(image[:, ::-1]), models, FacesOptions())
    x0, y0, x1, y1 = face.box
    last = image.shape[1] - 1
    assert mirrored.box == pytest.approx((last - x1, y0, last - x0, y1), abs=0.05 * (x1 - x0))


@pytest.mark.parametrize("gain", [0.6, 0.8, 1.2])
def test_looks_survive_a_change_of_exposure(models: Models, gain: float) -> None:
    """One minus the cosine stays within what tracks takes for one person's looks (0.06)."""
    (face,) = faces.detect_faces(PORTRAIT, models, FacesOptions())
    lit = np.clip(PORTRAIT * gain, 0, 255).astype(np.uint8)
    (again,) = faces.detect_faces(lit, models, FacesOptions())
    assert 1 - float(face.appearance @ again.appearance) < 0.06


# -- the quick look before the search -----------------------------------------------------------------------


@pytest.mark.parametrize("px", [50, 75, 120, 300])
def test_hints_lead_to_the_same_faces(models: Models, monkeypatch: pytest.MonkeyPatch, px: int) -> None:
    """On a textured wall, with faces from the smallest looked for: to the last bit as if every square had
    been looked at.
    """
    side = round(px / 0.36)
    places = [(40, 30, side), (160 + side, 60, side), (90, 130 + side, side)]
    image = scene((max(1400, 3 * side), max(1000, 3 * side)), places, data.brick()[..., None].repeat(3, 2))
    quick = faces.detect_faces(image, models, FacesOptions())
    monkeypatch.setattr(faces, "FEW_SQUARES", 10**9)
    plain = faces.detect_faces(image, models, FacesOptions())
    assert len(quick) == 3
    assert [f.box for f in quick] == [f.box for f in plain]
    assert all(np.array_equal(a.landmarks, b.landmarks) for a, b in zip(quick, plain, strict=True))


# -- what other frames of a burst lead one to expect --------------------------------------------------------

GROUP = [(100, 80, 1000), (1300, 60, 960), (2500, 90, 980)]


def squares_looked_at(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    looked: list[int] = []
    detect = Models.detect

    def counting(self: Models, *rest: object) -> object:
        looked.append(1)
        return detect(self, *rest)

    monkeypatch.setattr(Models, "detect", counting)
    return looked


def test_what_is_expected_saves_work_and_changes_nothing(
    models: Models, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Three faces of 350 px where three such are expected: a third of the squares at most, the same bits."""
    image = scene((3600, 1600), GROUP, data.brick()[..., None].repeat(3, 2))
    looked = squares_looked_at(monkeypatch)
    plain = faces.detect_faces(image, models, FacesOptions())
    all_squares = len(looked)
    quick = faces.detect_faces(image, models, FacesOptions(), faces.Expected(smallest_px=330, count=3))
    assert len(plain) == 3
    assert 0 < len(looked) - all_squares < all_squares / 3
    assert [(f.box, f.confidence) for f in quick] == [(f.box, f.confidence) for f in plain]
    assert all(np.array_equal(a.landmarks, b.landmarks) for a, b in zip(quick, plain, strict=True))


def test_who_stepped_back_is_found_where_somebody_is_lacking(models: Models) -> None:
    """Three faces of 350 px are expected and two are there; the third, of 72 px, is looked for after all."""
    places = [*GROUP[:2], (2800, 1200, 200)]
    image = scene((3600, 1600), places, np.full((4, 4, 3), 120, np.uint8))
    found = faces.detect_faces(image, models, FacesOptions(), faces.Expected(smallest_px=330, count=3))
    assert [max(iou(f, *place) for f in found) > 0.7 for place in places] == [True] * 3


def test_a_newcomer_as_large_as_the_others_is_found(models: Models) -> None:
    """More faces than expected are no reason to overlook one."""
    image = scene((3600, 1600), GROUP, np.full((4, 4, 3), 120, np.uint8))
    found = faces.detect_faces(image, models, FacesOptions(), faces.Expected(smallest_px=330, count=2))
    assert len(found) == 3


def test_a_hint_lies_where_the_face_is(models: Models) -> None:
    """The detector's convolutions over a whole picture tell the place to a quarter of the face's width."""
    picture = np.full((192, 320, 3), 120, np.uint8)
    picture[48:176, 144:272] = cv2.resize(PORTRAIT, (128, 128), interpolation=cv2.INTER_AREA)
    hints = models.hints(picture, 0.5)
    face = FACE / 2 + [144, 48, 144, 48]
    off = np.abs((hints[:, :2] + hints[:, 2:]) / 2 - (face[:2] + face[2:]) / 2).max(axis=1)
    assert len(hints) >= 1
    assert off.max() < 0.25 * (face[2] - face[0])


@given(length=st.integers(1, 4000))
def test_blocks_cover_a_side_and_overlap(length: int) -> None:
    """Blocks of one length, a multiple of 16, that leave nothing out and cut no face of 64 px in two."""
    starts = faces._blocks(length)
    assert faces.BLOCK_PX % 16 == 0
    assert starts[0] == 0
    assert starts[-1] + faces.BLOCK_PX >= length
    assert all(a + faces.BLOCK_PX - b >= 64 for a, b in itertools.pairwise(starts))
    # None is all beyond the picture.
    assert starts[-1] < length


@given(
    boxes=st.lists(
        st.tuples(*[st.floats(0, 100)] * 2, *[st.floats(0, 60)] * 2, st.floats(0, 1)), min_size=1, max_size=25
    )
)
def test_of_two_finds_of_one_face_the_stronger_stays(boxes: list[tuple[float, ...]]) -> None:
    """As if each find had been held against every stronger one that stayed, one by one."""
    found = np.array([(x, y, x + w, y + h) for x, y, w, h, _ in boxes])
    confidence = np.array([c for *_, c in boxes])

    def same(a: np.ndarray, b: np.ndarray) -> bool:
        w, h = min(a[2], b[2]) - max(a[0], b[0]), min(a[3], b[3]) - max(a[1], b[1])
        both = max(0.0, w) * max(0.0, h)
        one, other = ((c[2] - c[0]) * (c[3] - c[1]) for c in (a, b))
        union = one + other - both
        return (union > 0 and both / union >= faces.SAME_FACE_IOU) or both >= 0.8 * min(one, other)

    expected: list[int] = []
    for i in np.argsort(-confidence, kind="stable"):
        if all(not same(found[k], found[i]) for k in expected):
            expected.append(int(i))
    assert faces._strongest(found, confidence) == expected


def test_a_head_that_shows_no_face_is_a_head(models: Models) -> None:
    """The back of a head counts, bare background does not, nor does a place that somebody's face has."""
    image = np.full((400, 700, 3), (150, 160, 170), np.uint8)
    image[100:356, 40:296] = PORTRAIT
    (found,) = faces.detect_faces(image, models, FacesOptions())
    where = found.landmarks[:, :2]
    low, high = where.min(0), where.max(0)
    turned = image.copy()
    middle, size = ((low + high) / 2).astype(int), ((high - low) * 0.55).astype(int)
    cv2.ellipse(turned, middle.tolist(), size.tolist(), 0, 0, 360, (60, 40, 30), -1)
    assert faces.detect_faces(turned, models, FacesOptions()) == ()
    assert faces.head_at(turned, models, where, [])
    assert not faces.head_at(turned, models, where + np.array([330.0, 0.0]), [])
    assert not faces.head_at(turned, models, where, [found])
    assert not faces.head_at(turned, models, where + np.array([2000.0, 0.0]), [])
