"""Eyes must be judged against the person's own, on a scale, and not guessed where they cannot be seen."""

from __future__ import annotations

import dataclasses

import cv2
import numpy as np
import pytest
from drawn_face import EYE_HEIGHT, EYE_WIDTH, EYES, drawing, landmarks
from hypothesis import given
from hypothesis import strategies as st

from facemerge.scores.eyes import (
    Closure,
    EyeBlur,
    EyesMeasure,
    aspect_ratio,
    closures,
    eye_patch,
    eyes_part,
    measure_eyes,
    streak_kernel,
)

HEXAGON = np.array([[0, 0], [3, -2], [7, -1], [10, 0], [7, 1], [3, 2]], float)


def seen(right: float = 1.0, left: float | None = None, *, blur: float = 0.0, seed: int = 0) -> EyesMeasure:
    """Measure a drawn face whose eyes are open by these shares; the blink score follows the lids."""
    left = right if left is None else left
    picture = drawing(right, left, noise=0.006, seed=seed)
    if blur:
        picture = cv2.GaussianBlur(picture, (0, 0), blur)
    return measure_eyes(picture, landmarks(right, left), (0.6 - 0.5 * right, 0.6 - 0.5 * left))


def closed(faces: list[EyesMeasure | None], blurs: list[EyeBlur] | None = None) -> list[float | None]:
    """One figure a frame."""
    found = closures(faces, blurs or [EyeBlur()] * len(faces))
    return [None if c is None else c.both for c in found]


def test_aspect_ratio_by_its_definition():
    """(|p2-p6| + |p3-p5|) / (2 |p1-p4|): Soukupova and Cech 2016, eq. 1; here (4 + 2) / (2 * 10)."""
    assert aspect_ratio(HEXAGON) == pytest.approx(0.3, abs=1e-12)


@given(st.floats(-np.pi, np.pi), st.floats(0.1, 50), st.floats(-500, 500))
def test_aspect_ratio_is_of_the_shape_alone(angle, scale, shift):
    """Turning, enlarging, moving and mirroring an eye leave its aspect ratio alone."""
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    assert aspect_ratio(HEXAGON @ turn.T * scale + shift) == pytest.approx(0.3, rel=1e-6)
    assert aspect_ratio(HEXAGON * [-1, 1]) == pytest.approx(0.3, rel=1e-9)


@pytest.mark.parametrize("roll_deg", [-25.0, 10.0, 40.0])
@pytest.mark.parametrize("scale", [0.5, 1.0, 2.5])
def test_patch_is_the_same_however_the_head_is_held(roll_deg, scale):
    """A rolled or larger picture of an eye gives the same patch."""
    picture = drawing()
    size = (900, 1000)
    m = cv2.getRotationMatrix2D((150, 180), roll_deg, scale)
    m[:, 2] += (300, 320)
    turned = cv2.warpAffine(picture, m, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    x, y = EYES[0]
    corners = np.array([[x - EYE_WIDTH / 2, y], [x + EYE_WIDTH / 2, y]])
    moved = corners @ m[:, :2].T + m[:, 2]
    straight, rolled = eye_patch(picture, *corners), eye_patch(turned, *moved)
    assert np.corrcoef(straight.ravel(), rolled.ravel())[0, 1] > 0.97


@pytest.mark.parametrize("length", [2.0, 6.0, 11.0])
@pytest.mark.parametrize("direction", [0.0, 30.0, 90.0, 135.0])
def test_streak_kernel_has_the_spread_of_a_streak(length, direction):
    """Sum 1; variance along the streak that of a box, L^2 / 12, to within a pixel's own."""
    k = streak_kernel(length, direction).astype(float)
    half = k.shape[0] // 2
    y, x = np.mgrid[-half : half + 1, -half : half + 1]
    a = np.deg2rad(direction)
    along, across = x * np.cos(a) + y * np.sin(a), -x * np.sin(a) + y * np.cos(a)
    assert k.sum() == pytest.approx(1, abs=1e-6)
    assert (k * along**2).sum() == pytest.approx(length**2 / 12, abs=0.06 * length + 0.3)
    assert (k * across**2).sum() < 0.4


def test_closure_rises_as_the_lid_falls():
    """Closure follows the drawn lid from open (below 0.1) through half to shut (above 0.8)."""
    found = closed([seen(s, seed=i) for i, s in enumerate((1.0, 0.75, 0.5, 0.25, 0.0, 1.0))])
    assert found == sorted(found[:5]) + found[5:]
    assert max(found[0], found[5]) < 0.1
    assert 0.2 < found[1] < 0.75
    assert found[2] > found[1] + 0.1
    assert found[4] > 0.8


def test_a_person_who_mostly_blinks_is_judged_by_the_open_frame():
    """One open frame among six shut or half-shut ones is the standard, not the exception."""
    found = closed([seen(s, seed=i) for i, s in enumerate((0.0, 0.1, 0.5, 1.0, 0.0, 0.4, 0.0))])
    assert int(np.argmin(found)) == 3
    assert found[3] < 0.1
    assert min(found[:3] + found[4:]) > 0.3


@pytest.mark.parametrize(("opening", "low", "high"), [(1.0, 0.0, 0.1), (0.0, 0.8, 1.0)])
def test_one_frame_is_judged_by_what_holds_for_everybody(opening, low, high):
    """With nothing to compare, an open eye is open and a shut one is shut."""
    (found,) = closed([seen(opening)])
    assert low <= found <= high


@pytest.mark.parametrize(("opening", "low", "high"), [(1.0, 0.0, 0.1), (0.0, 0.8, 1.0)])
def test_frames_all_alike_are_judged_alike(opening, low, high):
    """Noise alone makes no difference between frames, and shut in all frames is still shut."""
    found = closed([seen(opening, seed=i) for i in range(5)])
    assert np.ptp(found) < 0.08
    assert low <= min(found)
    assert max(found) <= high


def test_missing_frames_and_small_faces_are_unknown():
    """A missing person gives None and changes nothing; a face of 30 pixels is not judged."""
    faces = [seen(1.0, seed=1), seen(0.0, seed=2)]
    small = dataclasses.replace(faces[1], face_px=30.0)
    found = closures([None, faces[0], small, faces[1]], [EyeBlur()] * 4)
    alone = closures(faces, [EyeBlur()] * 2)
    assert found[0] is None
    assert found[2] is None
    assert eyes_part(found[2]).value is None
    assert (found[1].both, found[3].both) == (alone[0].both, alone[1].both)


def test_nobody_at_all():
    """Frames without the person are no error."""
    assert closures([None, None], [EyeBlur()] * 2) == (None, None)


def test_a_hidden_eye_is_left_out():
    """An eye outside the picture or turned out of sight is unknown; the other decides."""
    faces = [seen(1.0, seed=1), seen(0.0, seed=2)]
    outside = dataclasses.replace(faces[1], inside=(False, True))
    turned = dataclasses.replace(faces[1], width_px=np.array([15.0, 52.0]))
    gone = dataclasses.replace(faces[1], inside=(False, False))
    found = closures([faces[0], outside, turned, gone], [EyeBlur()] * 4)
    assert found[1].right is None
    assert found[1].left > 0.8
    assert found[2].right is None
    assert eyes_part(found[3]).value is None


@pytest.mark.parametrize(("right", "left", "name"), [(0.0, 1.0, "right"), (1.0, 0.0, "left")])
def test_a_wink_is_named_and_sinks_the_face(right, left, name):
    """The eye that is shut is named by the subject's side, and one is enough."""
    part = eyes_part(closures([seen(seed=1), seen(right, left, seed=2)], [EyeBlur()] * 2)[1])
    assert part.value < 0.2
    assert part.reason == f"{name} eye shut"


def test_mirrored_faces_score_the_same():
    """Exchanging left and right exchanges the answers and nothing else."""

    def mirrored(m: EyesMeasure) -> EyesMeasure:
        return dataclasses.replace(
            m,
            aperture=m.aperture[::-1],
            width_px=m.width_px[::-1],
            blink=m.blink[::-1],
            tilt_deg=-m.tilt_deg[::-1],
            patches=np.ascontiguousarray(m.patches[::-1, :, ::-1]),
        )

    faces = [seen(a, b, seed=i) for i, (a, b) in enumerate(((1, 1), (0.2, 1), (0.6, 0.5)))]
    plain = closures(faces, [EyeBlur()] * 3)
    other = closures([mirrored(m) for m in faces], [EyeBlur()] * 3)
    for a, b in zip(plain, other, strict=True):
        assert (a.right, a.left) == pytest.approx((b.left, b.right), abs=1e-5)


@pytest.mark.parametrize("blur", [2.0, 3.5])
def test_blurred_eyes_are_compared_at_the_same_blur(blur):
    """Out of focus, open eyes stay open, and shut ones are told from them."""
    faces = [seen(1.0, seed=1), seen(1.0, blur=blur, seed=2), seen(0.0, blur=blur, seed=3)]
    blurs = [EyeBlur(), EyeBlur(defocus_px=blur), EyeBlur(defocus_px=blur)]
    found = closed(faces, blurs)
    assert found[1] < 0.2
    assert found[2] > found[1] + 0.3


def test_eyes_lost_in_blur_are_doubted_not_condemned():
    """Where blur hides the eyes, neither open nor shut is claimed, and the reason says so."""
    faces = [seen(1.0, seed=1), seen(0.0, blur=14, seed=2)]
    part = eyes_part(closures(faces, [EyeBlur(), EyeBlur(defocus_px=14.0)])[1])
    assert 0.5 < part.value < 0.8
    assert part.reason == "eyes hard to see in the blur"


@pytest.mark.parametrize(
    ("right", "left", "reason"),
    [
        (0.0, 0.0, ""),
        (0.5, 0.5, "eyes 50 % closed"),
        (0.9, 0.95, "eyes shut"),
        (0.6, 0.0, "right eye 60 % closed"),
    ],
)
def test_reasons_are_plain(right, left, reason):
    """What the report says of the eyes."""
    assert eyes_part(Closure(right=right, left=left, clear=1.0)).reason == reason


@given(st.floats(0, 1), st.floats(0, 1), st.floats(0, 1))
def test_value_is_in_range_and_falls_with_closure(a, b, clear):
    """In [0, 1]; closing an eye further never helps."""
    less, more = (
        eyes_part(Closure(right=min(a, b), left=v, clear=clear)).value for v in (min(a, b), max(a, b))
    )
    assert 0 <= more <= less <= 1


def test_the_drawn_eye_has_the_aspect_ratio_it_was_drawn_with():
    """The helper's own check: height over width, 17 / 52, at the drawn lids."""
    assert seen(1.0).aperture[0] == pytest.approx(EYE_HEIGHT / EYE_WIDTH, rel=0.05)
