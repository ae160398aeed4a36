"""A look past the camera must be told from a look into it, however the head is held."""

from __future__ import annotations

import dataclasses
import functools

import cv2
import numpy as np
import pytest
from drawn_face import EYE_WIDTH, landmarks, mirrored
from drawn_face import drawing as plain_drawing
from hypothesis import given
from hypothesis import strategies as st

from facemerge.scores.gaze import (
    EYE_PX,
    HEIGHTS_A_DEGREE,
    IRIS,
    WIDTHS_A_DEGREE,
    Gaze,
    GazeMeasure,
    gaze_part,
    gazes,
    iris_place,
    iris_strength,
    measure_gaze,
)

OPEN = (0.0, 0.0)
drawing = functools.partial(plain_drawing, iris_px=IRIS * EYE_WIDTH)


def looking(
    deg: float = 0.0, *, lag: float = 0.4, seed: int = 0, blur: float = 0.0, scale: float = 1.0
) -> GazeMeasure:
    """Measure a face drawn with its irises moved aside; the landmarks' own lag behind by a share of it."""
    px = deg * WIDTHS_A_DEGREE * EYE_WIDTH
    picture = drawing(gaze_px=px, noise=0.006, seed=seed)
    points = landmarks(gaze_px=px * (1 - lag))
    if blur:
        picture = cv2.GaussianBlur(picture, (0, 0), blur)
    if scale != 1:
        how = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
        picture = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=how)
        half = np.array([0.5, 0.5, 0.0])
        points = (points + half) * scale - half
    return measure_gaze(picture, points)


def burst(*last: GazeMeasure, blur_px: float = 0.0) -> list[Gaze | None]:
    """Judge frames after five of the same person that look at the camera."""
    frames = [*(looking(seed=k) for k in range(5)), *last]
    n, m = len(frames), len(last)
    return list(gazes(frames, [OPEN] * n, [0.0] * n, [0.0] * (n - m) + [blur_px] * m))[5:]


@pytest.mark.parametrize("scale", [0.25, 1.0, 3.2])
@pytest.mark.parametrize("deg", [-22.0, -12.0, -4.0, 4.0, 12.0, 22.0])
def test_the_iris_is_found_where_it_was_drawn(deg, scale):
    """To a twentieth of an eye from faces of 60 to 800 pixels, though the landmarks lag behind by 40 %."""
    drawn = deg * WIDTHS_A_DEGREE
    x, _ = iris_place(looking(deg, scale=scale))
    assert x == pytest.approx(drawn, abs=0.018 + 0.12 * abs(drawn))


@pytest.mark.parametrize("deg", [-20.0, -15.0, 15.0, 20.0])
def test_a_look_away_is_measured_and_named_by_the_pictures_side(deg):
    """15 degrees and more are worth less than half; degrees within a quarter of the drawn ones."""
    (found,) = burst(looking(deg, seed=9))
    part = gaze_part(found)
    assert found.x_deg == pytest.approx(deg, rel=0.25)
    assert part.value < 0.5
    assert part.reason == f"looks away to the picture's {'right' if deg > 0 else 'left'}"


@pytest.mark.parametrize("deg", [-3.0, 0.0, 3.0])
@pytest.mark.parametrize("seed", [11, 12])
def test_eyes_wander_a_little_without_blame(deg, seed):
    """Within three degrees nothing is taken off."""
    (found,) = burst(looking(deg, seed=seed))
    part = gaze_part(found)
    assert part.value >= 0.95
    assert part.reason == ""


@pytest.mark.parametrize("way", [-1, 1])
def test_the_value_falls_as_the_eyes_turn_away(way):
    """Monotone in the drawn gaze, from nothing taken to nearly all."""
    values = [gaze_part(g).value for g in burst(*(looking(way * d, seed=3) for d in (0, 5, 9, 13, 17, 22)))]
    assert values == sorted(values, reverse=True)
    assert values[0] > 0.95
    assert values[-1] < 0.1


def test_the_farthest_look_is_better_than_shut_eyes():
    """Eyes that look away are open: worth several times the 0.02 of shut ones, and little all the same."""
    away = gaze_part(Gaze(x_deg=60.0, y_deg=0.0, doubt_deg=0.5, blur_share=0.0))
    assert 0.05 < away.value < 0.08


def test_a_mirrored_picture_looks_the_other_way():
    """Left and right are exchanged, nothing else."""
    pictures = [(drawing(gaze_px=px, noise=0.006, seed=k), px) for k, px in enumerate((0, 0, 0, 5))]
    plain = [measure_gaze(p, landmarks(gaze_px=px)) for p, px in pictures]
    other = [
        measure_gaze(np.ascontiguousarray(p[:, ::-1]), mirrored(landmarks(gaze_px=px))) for p, px in pictures
    ]
    a, b = (gazes(m, [OPEN] * 4, [0.0] * 4, [0.0] * 4) for m in (plain, other))
    for g, h in zip(a, b, strict=True):
        assert g.x_deg == pytest.approx(-h.x_deg, abs=0.1)
        assert g.y_deg == pytest.approx(h.y_deg, abs=0.1)
        assert gaze_part(g).value == pytest.approx(gaze_part(h).value, abs=0.01)
    assert gaze_part(a[3]).reason == "looks away to the picture's right"
    assert gaze_part(b[3]).reason == "looks away to the picture's left"


def turned(deg: float, gaze_deg: float, slope: float) -> GazeMeasure:
    """Return a face turned by some degrees whose eyes look `gaze_deg` past the camera."""
    move = gaze_deg * WIDTHS_A_DEGREE - slope * deg
    m = looking(move / WIDTHS_A_DEGREE, lag=0.0)
    return dataclasses.replace(m, turn_deg=deg)


@pytest.mark.parametrize("slope", [0.003, 0.007])
@pytest.mark.parametrize("deg", [-14.0, 14.0])
def test_a_turned_head_that_keeps_to_the_lens_is_no_look_away(deg, slope):
    """How far a person's irises move when the head turns is learnt from their own frames."""
    turns = (0.0, 3.0, -4.0, 8.0, -9.0, 1.0, 0.0, 5.0)
    frames = [turned(t, 0.0, slope) for t in turns] + [turned(deg, 0.0, slope), turned(deg, 18.0, slope)]
    n = len(frames)
    *_, stays, away = gazes(frames, [OPEN] * n, [0.0] * n, [0.0] * n)
    assert gaze_part(stays).value > 0.9
    assert gaze_part(away).value < 0.3


def test_most_frames_away_are_no_standard():
    """A person who looks far aside in most frames looks at the camera in the others."""
    frames = [looking(25, seed=k) for k in range(4)] + [looking(0, seed=7), looking(0, seed=8)]
    found = gazes(frames, [OPEN] * 6, [0.0] * 6, [0.0] * 6)
    assert max(gaze_part(g).value for g in found[:4]) < 0.2
    assert min(gaze_part(g).value for g in found[4:]) > 0.9


def test_up_and_down_are_named():
    """The landmarks' iris above or below its usual place by 20 degrees' worth."""
    m = looking(seed=2)
    shift = np.array([0, 20 * HEIGHTS_A_DEGREE])
    up, down = burst(*(dataclasses.replace(m, places=m.places + s * shift) for s in (-1, 1)))
    assert (gaze_part(up).reason, gaze_part(down).reason) == ("looks up", "looks down")
    assert max(gaze_part(up).value, gaze_part(down).value) < 0.5


@pytest.mark.parametrize(("lowered", "reason"), [(0.0, ""), (0.9, "looks down")])
def test_a_falling_lid_carries_the_iris_down(lowered, reason):
    """Half-shut eyes look down only if the eyes' own measure says that they do."""
    m = looking(seed=2)
    last = dataclasses.replace(m, places=m.places + np.array([0, 20 * HEIGHTS_A_DEGREE]))
    frames = [*(looking(seed=k) for k in range(5)), last]
    found = gazes(frames, [OPEN] * 5 + [(0.4, 0.4)], [0.0] * 5 + [lowered], [0.0] * 6)[5]
    assert gaze_part(found).reason == reason


@pytest.mark.parametrize("eyes", [(0.9, 0.95), (None, None), (None, 0.8)])
def test_without_an_open_eye_nothing_is_claimed(eyes):
    """Shut or hidden eyes look nowhere."""
    assert gazes([looking()], [eyes], [0.0], [0.0]) == (None,)
    assert gaze_part(None).value is None


@pytest.mark.parametrize("hidden", [0, 1])
def test_one_eye_is_enough(hidden):
    """With the other hidden or winking, the one that is seen tells."""
    frames = [*(looking(seed=k) for k in range(5)), looking(18, seed=6), looking(0, seed=7)]
    one = tuple(None if k == hidden else 0.0 for k in (0, 1))
    found = gazes(frames, [OPEN] * 5 + [one] * 2, [0.0] * 7, [0.0] * 7)
    assert gaze_part(found[5]).value < 0.5
    assert gaze_part(found[6]).value > 0.9


def test_missing_and_small_faces_are_unknown():
    """A missing person and a face of 30 pixels give None and no error."""
    small = dataclasses.replace(looking(), face_px=30.0)
    assert gazes([None, small], [(None, None), OPEN], [0.0] * 2, [0.0] * 2) == (None, None)


def test_blur_hides_the_look():
    """Where the iris is lost in blur the look is unknown, and a look away is not claimed."""
    (found,) = burst(looking(20, blur=9.0), blur_px=9.0)
    assert gaze_part(found).value is None
    (mild,) = burst(looking(0, blur=2.5, seed=4), blur_px=2.5)
    assert gaze_part(mild).value > 0.9


def test_a_shut_eye_shows_no_disc():
    """The strength of the iris falls as the drawn lid comes down."""
    strong = [min(iris_strength(measure_gaze(drawing(s), landmarks(s, s)))) for s in (1.0, 0.5, 0.0)]
    assert strong[0] > 1.2 * strong[1] > 0
    assert strong[2] < 0.4 * strong[0]


@given(st.floats(-60, 60), st.floats(-60, 60), st.floats(0, 5))
def test_value_is_in_range_and_falls_outward(x, y, doubt):
    """In [0, 1]; twice as far away is never better; whatever is below 0.7 has a reason."""
    near = gaze_part(Gaze(x_deg=x, y_deg=y, doubt_deg=doubt, blur_share=0.0))
    far = gaze_part(Gaze(x_deg=2 * x, y_deg=2 * y, doubt_deg=doubt, blur_share=0.0))
    assert 0 <= far.value <= near.value <= 1
    assert (near.value > 0.7) == (near.reason == "")


def test_the_patch_is_upright_however_the_head_is_held():
    """A face rolled by 20 degrees gives the same place of the iris."""
    picture, points = drawing(gaze_px=4.0), landmarks(gaze_px=4.0)
    m = cv2.getRotationMatrix2D((150, 180), 20, 1.0)
    rolled = cv2.warpAffine(picture, m, (300, 360), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    moved = points.copy()
    moved[:, :2] = points[:, :2] @ m[:, :2].T + m[:, 2]
    straight, tilted = iris_place(measure_gaze(picture, points)), iris_place(measure_gaze(rolled, moved))
    assert tilted == pytest.approx(straight, abs=0.2 / EYE_PX)


@pytest.mark.parametrize("seed", range(4))
def test_irises_that_wander_by_chance_do_not_rank_looks(seed):
    """A look aside in six frames, found 0.1 px to and fro, keeps half of its spread, and its middle."""
    rng = np.random.default_rng(seed)
    drawn = [looking(9.0 + d, seed=k) for k, d in enumerate(rng.normal(0, 0.1 / 28 / WIDTHS_A_DEGREE, 6))]
    usual = [looking(seed=k) for k in range(10)]

    def found(eye_px: float) -> np.ndarray:
        frames = [dataclasses.replace(m, eye_px=eye_px) for m in (*usual, *drawn)]
        n = len(frames)
        return np.array([g.x_deg for g in gazes(frames, [OPEN] * n, [0.0] * n, [0.0] * n)[10:] if g])

    settled, plain = found(28.0), found(28000.0)
    assert np.ptp(settled) < 0.5 * np.ptp(plain)
    assert settled.mean() == pytest.approx(plain.mean(), abs=0.3)
