"""Eyes must be judged against the person's own, on a scale, and not guessed where they cannot be seen."""

from __future__ import annotations

import dataclasses

import cv2
import numpy as np
import pytest
import render_burst
from drawn_face import EYE_HEIGHT, EYE_WIDTH, EYES, drawing, landmarks, mirrored
from hypothesis import given
from hypothesis import strategies as st

from facemerge import scores
from facemerge.faces import detect_faces
from facemerge.options import FacesOptions, ScoresOptions
from facemerge.scores.eyes import (
    Closure,
    EyeBlur,
    EyesMeasure,
    aspect_ratio,
    closures,
    dark_glasses,
    eye_patch,
    eyes_part,
    measure_eyes,
    streak_kernel,
)
from facemerge.words import Part

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
    """A mirrored picture exchanges the answers for right and left and changes nothing else."""
    drawn = [
        (drawing(a, b, noise=0.006, seed=i), a, b) for i, (a, b) in enumerate(((1, 1), (0.2, 1), (0.6, 0.5)))
    ]
    plain, other = [], []
    for picture, a, b in drawn:
        points, blink = landmarks(a, b), (0.6 - 0.5 * a, 0.6 - 0.5 * b)
        plain.append(measure_eyes(picture, points, blink))
        turned = np.ascontiguousarray(picture[:, ::-1])
        other.append(measure_eyes(turned, mirrored(points), blink[::-1]))
    for p, q in zip(closures(plain, [EyeBlur()] * 3), closures(other, [EyeBlur()] * 3), strict=True):
        assert (p.right, p.left) == pytest.approx((q.left, q.right), abs=1e-3)
        assert eyes_part(p).value == pytest.approx(eyes_part(q).value, abs=1e-3)


def behind(picture: np.ndarray, colour: float, through: float, eyes: tuple[int, ...] = (0, 1)) -> EyesMeasure:
    """Measure an open-eyed face with lenses before its eyes that let this share of the light through."""
    lens = np.zeros(picture.shape, np.float32)
    for k in eyes:
        cv2.ellipse(lens, (round(EYES[k][0]), round(EYES[k][1]) + 4), (44, 34), 0, 0, 360, 1.0, -1)
    seen = picture * (1 - lens) + lens * (picture * through + colour)
    return measure_eyes(np.asarray(seen, np.float32), landmarks(), (0.1, 0.1))


@pytest.mark.parametrize("light", [0.35, 1.0])
@pytest.mark.parametrize("through", [0.08, 0.25])
def test_eyes_behind_dark_glasses_are_unknown(through, light):
    """In every frame of the burst and on dark skin too: neither open nor shut."""
    faces = [behind(drawing(noise=0.004, seed=k) * light, 0.02 * light, through) for k in range(3)]
    parts = [eyes_part(c) for c in closures(faces, [EyeBlur()] * 3)]
    assert {(p.value, p.reason) for p in parts} == {(None, "eyes behind dark glasses")}


def shaded(kind: str) -> np.ndarray:
    """Return an open-eyed face that is dark about the eyes for another reason than glasses."""
    picture = drawing()
    y, x = np.mgrid[: picture.shape[0], : picture.shape[1]]
    if kind == "dark skin":
        return np.asarray(picture * 0.25, np.float32)
    if kind == "hat":
        return np.asarray(picture * np.where(y < 185, 0.35, 1.0), np.float32)
    near = [np.exp(-(((x - ex) / 34) ** 2) - ((y - ey) / 22) ** 2) for ex, ey in EYES]
    if kind == "deep-set":
        return np.asarray(picture * (1 - 0.4 * np.maximum(*near)), np.float32)
    skin = [((x - ex) / (EYE_WIDTH / 2)) ** 2 + ((y - ey) / (EYE_HEIGHT / 2)) ** 2 > 1 for ex, ey in EYES]
    return np.asarray(picture * (1 - 0.55 * np.maximum(near[0] * skin[0], near[1] * skin[1])), np.float32)


@pytest.mark.parametrize("kind", ["dark skin", "hat", "deep-set", "make-up"])
def test_dark_about_the_eyes_is_not_dark_glasses(kind):
    """Dark skin, a hat's shade, deep-set eyes and make-up leave the eyes to be judged, and open."""
    face = measure_eyes(shaded(kind), landmarks(), (0.1, 0.1))
    assert not dark_glasses(face)
    assert eyes_part(closures([face], [EyeBlur()])[0]).value > 0.7


@pytest.mark.parametrize("eye", [0, 1])
def test_glare_hides_an_eye_and_gives_no_standard(eye):
    """The eye behind glare is unknown, however wide its landmarks; the other one decides."""
    glare = behind(drawing(seed=1, noise=0.006), 0.75, 0.2, (eye,))
    wide = dataclasses.replace(glare, aperture=glare.aperture * 1.3, blink=glare.blink * 0)
    found = closures([wide, seen(1.0, seed=2), seen(0.0, seed=3)], [EyeBlur()] * 3)
    sides = [(c.right, c.left) for c in found]
    assert sides[0][eye] is None
    assert sides[0][1 - eye] < 0.1
    assert max(sides[1]) < 0.1
    assert min(sides[2]) > 0.8


def test_glare_over_both_eyes_is_unknown():
    """Neither open nor shut."""
    part = eyes_part(closures([behind(drawing(), 0.75, 0.2)], [EyeBlur()])[0])
    assert (part.value, part.reason) == (None, "eyes behind glare")


@pytest.mark.parametrize(("right", "left"), [(True, False), (False, True)])
def test_a_covered_eye_is_unknown(right, left):
    """Hair or a hand before one eye: the other decides. Before both: unknown, never open."""
    faces = [seen(1.0, seed=1), seen(1.0, 0.0, seed=2), seen(1.0, seed=3)]
    found = closures(faces, [EyeBlur()] * 3, [(False, False), (right, left), (True, True)])
    assert (found[1].right is None, found[1].left is None) == (right, left)
    assert (eyes_part(found[1]).value > 0.7) == left
    assert (eyes_part(found[2]).value, eyes_part(found[2]).reason) == (None, "eyes covered")


def half_lidded(*, down: bool, iris: float) -> Closure:
    """Return a closure of a half-lowered lid: looking down (the lower lid stays) or blinking (it rises)."""
    open_eyes = [seen(1.0, seed=k) for k in range(3)]
    lowered = seen(0.45, seed=5)
    lids = lowered.lids + ([[0, 0.0]] if down else [[0, -0.06]])
    last = dataclasses.replace(
        lowered,
        lids=lids,
        down=np.array([0.5, 0.5]) if down else np.array([0.15, 0.15]),
        blink=np.array([0.35, 0.35]),
    )
    irises = [(0.2, 0.2)] * 3 + [(0.2 * iris, 0.2 * iris)]
    return closures([*open_eyes, last], [EyeBlur()] * 4, irises=irises)[3]


def test_looking_down_lies_between_open_and_shut():
    """A lid lowered over an iris still to be seen is worse than open, better than shut, and named."""
    part, shut = (
        eyes_part(half_lidded(down=True, iris=0.95)),
        eyes_part(closures([seen(0.0)], [EyeBlur()])[0]),
    )
    assert shut.value + 0.02 < part.value < 0.7
    assert part.reason == "looking down"


@pytest.mark.parametrize(("down", "iris"), [(False, 0.95), (True, 0.4)])
def test_a_blink_is_no_look_down(down, iris):
    """Lids that meet half-way, or no iris between them: a blink, and judged as one."""
    closure = half_lidded(down=down, iris=iris)
    assert closure.down < 0.3
    assert eyes_part(closure).reason != "looking down"
    assert closure.both > half_lidded(down=True, iris=0.95).both


def test_a_laugh_closes_eyes_from_below_only():
    """What the cheeks take from an eye in a laugh counts less than what a lid takes."""
    calm = [seen(1.0, seed=k) for k in range(3)]
    raised = [[0, -0.12]]
    squeezed = dataclasses.replace(
        calm[0],
        aperture=calm[0].aperture - 0.12,
        lids=calm[0].lids + raised,
        patches=seen(0.6, seed=4).patches,
    )
    laughing = dataclasses.replace(squeezed, smile=0.8)
    stern, merry = (eyes_part(closures([*calm, m], [EyeBlur()] * 4)[3]).value for m in (squeezed, laughing))
    assert stern < 0.5
    assert merry > 0.9


@pytest.mark.parametrize("blur", [2.0, 3.5])
def test_blurred_eyes_are_compared_at_the_same_blur(blur):
    """Out of focus, open eyes stay open, and shut ones are told from them."""
    faces = [seen(1.0, seed=1), seen(1.0, blur=blur, seed=2), seen(0.0, blur=blur, seed=3)]
    blurs = [EyeBlur(), EyeBlur(defocus_px=blur), EyeBlur(defocus_px=blur)]
    found = closed(faces, blurs)
    assert found[1] < 0.2
    assert found[2] > found[1] + 0.3


@pytest.mark.parametrize("opening", [0.0, 1.0])
@pytest.mark.parametrize("others", [0, 2])
def test_eyes_lost_in_blur_are_unknown(opening, others):
    """Where blur hides an iris, beside sharp frames or alone, neither open nor shut is claimed."""
    faces = [*(seen(1.0, seed=k) for k in range(others)), seen(opening, blur=14, seed=9)]
    extra = 14.0 if others else 0.0
    blurs = [EyeBlur()] * others + [EyeBlur(defocus_px=extra, total_px=14.0)]
    part = eyes_part(closures(faces, blurs)[-1])
    assert (part.value, part.reason) == (None, "too blurred to see the eyes")


def test_landmarks_of_a_blurred_face_alone_are_not_believed():
    """What a clear frame would still tell at this blur is unknown to a person who has none."""
    faces, blur = [seen(1.0, seed=1), seen(0.0, blur=4.7, seed=2)], EyeBlur(defocus_px=4.7, total_px=4.7)
    assert eyes_part(closures(faces, [EyeBlur(), blur])[1]).value < 0.3
    assert eyes_part(closures(faces[1:], [EyeBlur(total_px=4.7)])[0]).value is None


@pytest.mark.parametrize("wider", [0.0, 0.05])
@pytest.mark.parametrize("blur", [0.0, 2.5])
@pytest.mark.parametrize("shown", [{"gaze_px": 14.0}, {"right": 0.3, "left": 0.3}])
def test_an_aperture_at_the_persons_own_is_never_closing(wider, blur, shown):
    """However much the picture differs: a glance aside, another light, a little blur."""
    picture = drawing(**shown, noise=0.006, seed=8)
    if blur:
        picture = cv2.GaussianBlur(picture, (0, 0), blur)
    last = measure_eyes(picture * np.float32(0.6), landmarks(), (0.1, 0.1))
    last = dataclasses.replace(last, aperture=last.aperture + wider)
    blurs = [EyeBlur()] * 4 + [EyeBlur(defocus_px=blur)]
    found = closed([*(seen(1.0, seed=k) for k in range(4)), last], blurs)
    assert found[4] < 0.1


def test_the_same_picture_with_lids_that_closed_does_count():
    """The guarantee hangs on the aperture alone: half of it, and the frame is condemned."""
    picture = drawing(0.3, 0.3, noise=0.006, seed=8)
    last = measure_eyes(picture, landmarks(0.5, 0.5), (0.35, 0.35))
    assert closed([*(seen(1.0, seed=k) for k in range(4)), last])[4] > 0.6


@pytest.mark.parametrize("blur", [2.0, 3.5])
def test_without_a_clear_open_frame_blurred_ones_set_the_standard(blur):
    """Shut eyes that happen to be the sharpest are not taken for open ones."""
    faces = [seen(0.0, seed=k) for k in range(4)] + [seen(1.0, blur=blur, seed=9)]
    found = closed(faces, [EyeBlur()] * 4 + [EyeBlur(defocus_px=blur)])
    assert found[4] < 0.15
    assert min(found[:4]) > 0.8


def test_wide_landmarks_of_a_blurred_frame_do_not_close_the_clear_ones():
    """Blur makes landmarks invent wide eyes: where a clear frame may be open, it stays the standard."""
    small = {"aperture": np.array([0.2, 0.2]), "blink": np.array([0.1, 0.1])}
    narrow = [dataclasses.replace(seen(0.6, seed=k), **small) for k in (1, 2)]
    wide = dataclasses.replace(seen(blur=3.5, seed=3), aperture=np.array([0.42, 0.42]))
    assert max(closed([*narrow, wide], [EyeBlur()] * 2 + [EyeBlur(defocus_px=3.5)])[:2]) < 0.1


def test_landmarks_alone_do_not_close_an_eye():
    """Narrow landmarks on the picture of an open eye are an error of theirs."""
    last = dataclasses.replace(seen(seed=5), aperture=np.array([0.24, 0.24]), blink=np.array([0.3, 0.3]))
    found = closures([*(seen(1.0, seed=k) for k in range(3)), last], [EyeBlur()] * 4)[3]
    assert eyes_part(found).value > 0.9


@pytest.mark.parametrize(
    ("smile", "iris", "low", "high"), [(0.8, 0.95, 0.7, 1.0), (0.8, 0.5, 0.0, 0.5), (0.0, 0.95, 0.0, 0.5)]
)
def test_a_laughing_narrow_eye_that_shows_its_iris_is_open(smile, iris, low, high):
    """A laugh and an iris together excuse narrow eyes; either alone does not."""
    calm = [seen(1.0, seed=k) for k in range(3)]
    last = dataclasses.replace(seen(0.6, seed=5), blink=np.array([0.1, 0.1]), smile=smile)
    irises = [(0.2, 0.2)] * 3 + [(0.2 * iris, 0.2 * iris)]
    part = eyes_part(closures([*calm, last], [EyeBlur()] * 4, irises=irises)[3])
    assert low <= part.value <= high


def test_thick_lashes_of_a_shut_eye_are_no_look_down():
    """Dark as an iris, and the lower lid at rest: shut eyes have no gap to look through."""
    last = seen(0.1, seed=5)
    lids = np.array([m.lids for m in (seen(1.0), last)])
    lids[1, :, 1] = lids[0, :, 1]
    last = dataclasses.replace(last, lids=lids[1], down=np.array([0.9, 0.9]))
    faces, irises = [*(seen(1.0, seed=k) for k in range(3)), last], [(0.2, 0.2)] * 3 + [(0.25, 0.25)]
    found = closures(faces, [EyeBlur()] * 4, irises=irises)[3]
    assert found.down == 0
    assert eyes_part(found).reason == "eyes shut"


RENDERED = {
    "turned": {"turn_deg": 20.0},
    "aside": {"gaze_x_deg": 30.0},
    "turned, half": {"turn_deg": -20.0, "close": 0.55},
}


@pytest.fixture(scope="module")
def heads(models) -> dict[str, Part]:
    """One rendered person who faces the camera in two frames, and does otherwise in the rest."""
    rng = np.random.default_rng(4)
    drawn = [{"smile": 0.1}, {"smile": 0.4}, *RENDERED.values()]
    measured = []
    for how in drawn:
        picture = render_burst.render_head(
            render_burst.CAST[2], width_px=120, rng=rng, supersample=1.5, **how
        )
        measured.append(scores.measure(picture, detect_faces(picture, models, FacesOptions())[0]))
    found = scores.score(measured, ScoresOptions())[2:]
    return {name: s.eyes for name, s in zip(RENDERED, found, strict=True)}


@pytest.mark.parametrize("name", ["turned", "aside"])
def test_open_eyes_stay_open_in_a_turned_head_and_a_glance(heads, name):
    """A turn by 20 degrees and a glance by 30 change the picture of an eye, not its lids."""
    assert heads[name].value >= 0.9


def test_closing_eyes_are_seen_in_a_turned_head(heads):
    """The turn excuses no lid."""
    assert heads["turned, half"].value < 0.2


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


@pytest.mark.parametrize("seed", range(4))
def test_lids_that_wander_by_chance_do_not_rank_eyes(seed):
    """Eyes a fifth closed in six frames, apertures off by chance, keep less than half of the spread."""
    rng = np.random.default_rng(seed)
    face = seen(0.8)
    small = dataclasses.replace(face, width_px=np.array([30.0, 30.0]))
    wandering = [
        dataclasses.replace(small, aperture=small.aperture + rng.normal(0, 0.12 / 30, 2)) for _ in range(6)
    ]
    # Large eyes have hardly any chance in them: what is said of those is what was drawn.
    large = [dataclasses.replace(m, width_px=np.array([3e4, 3e4])) for m in wandering]
    usual = [seen(seed=k) for k in range(6)]
    settled, plain = (np.array(closed([*usual, *own])[6:]) for own in (wandering, large))
    assert np.ptp(settled) < 0.5 * np.ptp(plain)
    assert settled.mean() == pytest.approx(plain.mean(), abs=0.03)


@pytest.mark.parametrize("opening", [0.65, 0.7, 0.75, 0.8])
def test_a_tiny_falling_lid_is_not_taken_for_an_open_one(opening):
    """Chance is larger on a small face, but eleven open looks do not open the twelfth."""
    faces = [seen(o) for o in [*[1.0] * 11, opening]]
    tiny, large = (
        closed([dataclasses.replace(m, width_px=np.full(2, px)) for m in faces]) for px in (8.0, 3e4)
    )
    assert large[11] > 0.25
    assert tiny == pytest.approx(large, abs=0.06)
