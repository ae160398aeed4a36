"""Blur must come back in pixels: known Gaussians, known streaks, whatever the noise, light and person."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import render_burst
from drawn_face import drawing, landmarks
from scipy.stats import spearmanr
from skimage import data
from skimage.measure import blur_effect

from facemerge.faces import detect_faces
from facemerge.options import FacesOptions
from facemerge.scores.eyes import streak_kernel
from facemerge.scores.sharpness import (
    BAND,
    Blur,
    SharpnessMeasure,
    blurs,
    edge_blur,
    eye_zone,
    gradient_ladder,
    ladder_blur,
    measure_sharpness,
    noise_level,
    sharpness_part,
    step_blur,
    streak,
    typical_log_power,
)

SIGMAS = [0.7, 1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0]
CAST = (0, 1, 6)
"""Of the renderer's people: fair with a beard, old and pale with glasses, dark."""
WITHIN = 0.15
"""The allowance the project asks for."""


def edges() -> np.ndarray:
    """Shapes with edges in every direction, drawn at 8 times the size and shrunk."""
    big = np.zeros((1280, 1920), np.float32)
    cv2.ellipse(big, (960, 640), (560, 320), 20, 0, 360, 1, -1)
    cv2.rectangle(big, (240, 160), (480, 1120), 0.6, -1)
    return np.asarray(cv2.resize(big, (240, 160), interpolation=cv2.INTER_AREA) * 0.5 + 0.2)


def inner(picture: np.ndarray) -> np.ndarray:
    """Everything but the rim."""
    mask = np.zeros(picture.shape, bool)
    mask[20:-20, 20:-20] = True
    return mask


def ladder(picture: np.ndarray, noise: float) -> tuple[np.ndarray, np.ndarray]:
    """The ladder of everything but the rim."""
    energy, rungs = gradient_ladder(picture, [inner(picture)], noise)
    return energy[0], rungs


def blurred(picture: np.ndarray, sigma: float, noise: float = 0.0, seed: int = 0) -> np.ndarray:
    """A picture out of focus, then with noise."""
    soft = cv2.GaussianBlur(picture, (0, 0), sigma) if sigma else picture
    return np.asarray(soft + np.random.default_rng(seed).normal(0, noise, picture.shape), np.float32)


@pytest.fixture(scope="module")
def portrait(models) -> tuple[np.ndarray, np.ndarray]:
    """A real face, enlarged to 240 px, and its landmarks: grey crop and (478, 2) points."""
    colour = cv2.resize(data.astronaut()[0:260, 100:360], None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
    (face,) = detect_faces(colour, models, FacesOptions())
    grey = np.asarray(cv2.cvtColor(colour, cv2.COLOR_RGB2GRAY) / np.float32(255), np.float32)
    return grey, np.array(face.landmarks[:, :2])


def measured(grey: np.ndarray, points: np.ndarray) -> SharpnessMeasure:
    """Measure with the eyes' distance that the points give."""
    eyes = np.linalg.norm((points[33] + points[133] - points[263] - points[362]) / 2)
    return measure_sharpness(np.asarray(grey, np.float32), points, float(eyes))


@pytest.mark.parametrize("noise", [0.003, 0.01, 0.03])
def test_noise_level_of_noise(noise):
    """White noise comes back within a twentieth (Immerkaer 1996 measured on what it was made for)."""
    rng = np.random.default_rng(2)
    flat = rng.normal(0.5, noise, (240, 200)).astype(np.float32)
    assert noise_level(flat, np.ones(flat.shape, bool)) == pytest.approx(noise, rel=0.05)


@pytest.mark.parametrize("sigma", [0.0, 3.0])
def test_noise_level_does_not_see_the_face(portrait, sigma):
    """The face's own edges and texture are not taken for noise: less than a third of a step of 255."""
    grey, _ = portrait
    smooth = cv2.GaussianBlur(grey, (0, 0), 1.5 + sigma)
    assert noise_level(np.asarray(smooth, np.float32), inner(grey)) < 0.33 / 255


def test_noise_gain_of_the_ladder():
    """White noise of variance n^2 leaves n^2 (1 - exp(-1 / w^2)) / (4 pi w^2) at a rung of width w: both
    derivatives' central differences after a Gaussian, by its autocorrelation exp(-d^2 / (4 w^2)). From the
    formula alone; compared with drawn noise at the rungs before the first halving."""
    rng = np.random.default_rng(4)
    n = 0.02
    noise = rng.normal(0, n, (400, 400)).astype(np.float32)
    energy, rungs = ladder(noise, 0.0)
    w2 = rungs[1:4] ** 2 - 1 / 3
    assert energy[1:4] == pytest.approx(n**2 * (1 - np.exp(-1 / w2)) / (4 * np.pi * w2), rel=0.06)


def test_noise_is_taken_off():
    """What is left of pure noise is below a tenth of it."""
    noise = np.random.default_rng(5).normal(0, 0.02, (400, 400)).astype(np.float32)
    raw, _ = ladder(noise, 0.0)
    left, _ = ladder(noise, 0.02)
    assert np.all(left[1:4] < 0.1 * raw[1:4])


@pytest.mark.parametrize("noise", [0.0, 4 / 255])
@pytest.mark.parametrize("sigma", SIGMAS)
def test_known_blur_of_edges_without_a_reference(sigma, noise):
    """Step edges blurred by a known Gaussian give its width within 15 %, also under noise."""
    picture = blurred(edges(), sigma, noise)
    assert step_blur(*ladder(picture, noise)) == pytest.approx(sigma, rel=WITHIN)


@pytest.mark.parametrize("gain", [1.0, 0.5])
@pytest.mark.parametrize("noise", [0.0, 3 / 255])
@pytest.mark.parametrize("sigma", SIGMAS)
@pytest.mark.parametrize("part", [0, 1], ids=["face", "eyes"])
def test_known_blur_of_a_real_face(portrait, sigma, noise, gain, part):
    """A face or its eyes, blurred by a known Gaussian, noisy or darker, give its width within 15 %."""
    grey, points = portrait
    sharp = measured(grey, points)
    assert ladder_found(sharp, measured(blurred(grey * gain, sigma, noise), points), part) == pytest.approx(
        sigma, rel=WITHIN
    )


def ladder_found(sharp: SharpnessMeasure, soft: SharpnessMeasure, part: int) -> float:
    """The blur that one row of two ladders gives, in pixels."""
    return sharp.eyes_px * ladder_blur(
        soft.energy[part] * soft.eyes_px**2,
        soft.rung_px / soft.eyes_px,
        sharp.energy[part] * sharp.eyes_px**2,
        sharp.rung_px / sharp.eyes_px,
    )


@pytest.fixture(scope="module")
def people(models) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Rendered heads 160 px wide of pale, brown and dark skin: grey crops and points."""
    found = {}
    for i in CAST:
        person = render_burst.CAST[i]
        colour = render_burst.render_head(
            person, width_px=160, rng=np.random.default_rng(i), grain=0.5, supersample=1.0
        )
        (face,) = detect_faces(colour, models, FacesOptions())
        grey = np.asarray(cv2.cvtColor(colour, cv2.COLOR_RGB2GRAY) / np.float32(255), np.float32)
        found[person.name] = (grey, np.array(face.landmarks[:, :2]))
    return found


@pytest.mark.parametrize("noise", [0.006, 0.009])
@pytest.mark.parametrize("sigma", [1.0, 1.5, 2.0, 3.0, 4.0])
@pytest.mark.parametrize("name", [render_burst.CAST[i].name for i in CAST])
def test_known_blur_of_rendered_people(people, name, sigma, noise):
    """Whatever the skin, and with half as much noise again: the blur at the eyes within 15 %."""
    grey, points = people[name]
    sharp, soft = blurs([measured(blurred(grey, s, noise, seed=i), points) for i, s in enumerate((0, sigma))])
    assert soft.total_px == pytest.approx(sigma, rel=WITHIN)
    assert sharpness_part(sharp, 62.0).value > 0.9


@pytest.mark.parametrize("sigma", [1.2, 2.5])
def test_the_same_blur_scores_the_same_on_every_skin(people, sigma):
    """The scores of one blur differ by less than 0.1 over pale, brown and dark skin."""
    values = []
    for grey, points in people.values():
        frames = [measured(blurred(grey, s, 0.006), points) for s in (0.0, sigma)]
        values.append(sharpness_part(blurs(frames)[1], frames[0].eyes_px).value)
    assert np.ptp(values) < 0.1


@pytest.mark.parametrize("sigma", [1.0, 1.5, 2.0, 3.0, 4.0])
def test_known_blur_of_edges_needs_no_other_frame(sigma):
    """Drawn step edges give their blur within 15 % by a second blur (Zhuo and Sim 2011), also in noise."""
    picture = blurred(edges(), sigma, 2 / 255)
    found, count = edge_blur(picture, inner(picture), 2 / 255)
    assert found == pytest.approx(sigma, rel=WITHIN)
    assert count > 50


def test_edges_of_a_flat_picture_cannot_be_told():
    """Noise alone has no edges, and neither has nothing: 0 points rather than a guess."""
    noise = blurred(np.full((120, 160), 0.5, np.float32), 0, 0.01)
    assert edge_blur(noise, inner(noise), 0.02) == (0.0, 0)
    assert edge_blur(noise, np.zeros(noise.shape, bool), 0.02) == (0.0, 0)


@pytest.mark.parametrize("sigma", [1.5, 2.0, 3.0, 4.0])
def test_blur_of_a_person_who_is_soft_in_every_frame(portrait, people, sigma):
    """With no sharp frame at all, the blur is known within a quarter for most, and glasses understate it."""
    off = []
    for grey, points in [portrait, *people.values()]:
        found = blurs([measured(blurred(grey, sigma, 0.006, seed=i), points) for i in range(2)])
        off.append(abs(found[0].total_px / sigma - 1))
    assert np.median(off) < 0.25
    assert max(off) < 0.45


def softened(grey: np.ndarray, points: np.ndarray, sigma: float, where: str) -> np.ndarray:
    """A face out of focus at the eyes alone, or everywhere else; with noise."""
    eyes_px = float(np.linalg.norm(points[33] - points[263]))
    zone = cv2.dilate(eye_zone(grey.shape, points).astype(np.float32), np.ones((round(0.12 * eyes_px),) * 2))
    share = cv2.GaussianBlur(zone, (0, 0), 0.04 * eyes_px)
    if where == "rest":
        share = 1 - share
    return blurred(grey * (1 - share) + cv2.GaussianBlur(grey, (0, 0), sigma) * share, 0, 0.005)


@pytest.fixture(scope="module")
def faces_of_all_kinds(portrait, people) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """The real face and the rendered ones, by name."""
    return {"real": portrait, **people}


@pytest.mark.parametrize("name", ["real", *(render_burst.CAST[i].name for i in CAST)])
def test_eyes_out_of_focus_spoil_a_face_whose_rest_is_sharp(faces_of_all_kinds, name):
    """Blur on the eyes alone: known within 25 %, low score, its cause said; also when every frame has it."""
    grey, points = faces_of_all_kinds[name]
    sigma = 0.042 * measured(grey, points).eyes_px
    frames = [
        measured(blurred(grey, 0, 0.005), points),
        measured(softened(grey, points, sigma, "eyes"), points),
    ]
    _, found = blurs(frames)
    part = sharpness_part(found, frames[0].eyes_px)
    assert found.defocus_px == pytest.approx(sigma, rel=0.25)
    assert part.value < 0.4
    assert part.reason.startswith("focus missed the eyes, blur about ")
    assert sharpness_part(blurs([frames[1]])[0], frames[0].eyes_px).value < 0.5


@pytest.mark.parametrize("name", ["real", *(render_burst.CAST[i].name for i in CAST)])
@pytest.mark.parametrize("share", [0.03, 0.06])
def test_sharp_eyes_save_a_face_whose_chin_and_ears_are_soft(faces_of_all_kinds, name, share):
    """Blur everywhere but at the eyes: the score stays good, beside a sharp frame and without one."""
    grey, points = faces_of_all_kinds[name]
    eyes_px = measured(grey, points).eyes_px
    frames = [
        measured(blurred(grey, 0, 0.005), points),
        measured(softened(grey, points, share * eyes_px, "rest"), points),
    ]
    assert sharpness_part(blurs(frames)[1], eyes_px).value > 0.9
    assert sharpness_part(blurs(frames[1:])[0], eyes_px).value > 0.9


@pytest.mark.parametrize("close", [0.6, 1.0])
def test_shut_eyes_are_not_soft(people, models, close):
    """Lids take gradients away, not sharpness: with half or wholly shut eyes a face is no softer."""
    person = render_burst.CAST[CAST[-1]]
    colour = render_burst.render_head(
        person, width_px=160, rng=np.random.default_rng(9), close=close, supersample=1.0
    )
    (face,) = detect_faces(colour, models, FacesOptions())
    grey = np.asarray(cv2.cvtColor(colour, cv2.COLOR_RGB2GRAY) / np.float32(255), np.float32)
    shut = measured(grey, np.array(face.landmarks[:, :2]))
    _, found = blurs([measured(*people[person.name]), shut])
    assert found.motion_px == 0
    assert sharpness_part(found, shut.eyes_px).value > 0.7


@pytest.mark.parametrize(
    ("width", "share"), [(60, 0.05), (120, 0.03), (120, 0.05), (400, 0.03), (400, 0.05), (800, 0.04)]
)
def test_the_same_share_of_blur_is_as_bad_on_any_size(portrait, width, share):
    """From 60 to 800 px: the blur within 15 %, and it spoils."""
    grey, points = portrait
    zoom = width / np.ptp(points[:, 0])
    how = cv2.INTER_AREA if zoom < 1 else cv2.INTER_CUBIC
    sized = cv2.resize(grey, None, fx=zoom, fy=zoom, interpolation=how)
    at = (points + 0.5) * zoom - 0.5
    eyes_px = measured(sized, at).eyes_px
    _, found = blurs([measured(blurred(sized, s, 0.005, seed=2), at) for s in (0.0, share * eyes_px)])
    assert found.defocus_px == pytest.approx(share * eyes_px, rel=WITHIN)
    assert sharpness_part(found, eyes_px).value < 0.4


@pytest.mark.parametrize("how", ["noise", "under"])
@pytest.mark.parametrize("sigma", [1.0, 2.0, 4.0])
def test_noise_and_light_change_no_blur(portrait, sigma, how):
    """With 1.5 times the noise, or one stop under, the blur stays within 15 %."""
    grey, points = portrait
    noise = 0.009 if how == "noise" else 0.006
    # Half the light in a picture encoded by a power of about 2.2.
    light = 0.5 ** (1 / 2.2) if how == "under" else 1.0
    frames = [grey, blurred(grey, sigma, 0.006, 1), blurred(grey * light, sigma, noise, 2)]
    _, plain, other = blurs([measured(f, points) for f in frames])
    assert other.total_px == pytest.approx(plain.total_px, rel=WITHIN)


@pytest.mark.parametrize("length", [10.0, 18.0, 28.0])
@pytest.mark.parametrize("direction", [0.0, 35.0, 90.0, 140.0])
def test_known_streak_of_a_real_face(portrait, length, direction):
    """A real face moved by a known streak gives its length within 15 % and its direction within 8 degrees."""
    grey, points = portrait
    moved = cv2.filter2D(grey, -1, streak_kernel(length, direction), borderType=cv2.BORDER_REFLECT)
    _, found = blurs([measured(grey, points), measured(moved, points)])
    assert found.motion_px == pytest.approx(length, rel=WITHIN)
    off = abs(found.motion_deg - direction) % 180
    assert min(off, 180 - off) < 8
    assert found.defocus_px == 0


@pytest.mark.parametrize("sigma", [2.0, 4.0, 6.0])
def test_defocus_is_not_movement(portrait, sigma):
    """Round blur leaves no streak."""
    grey, points = portrait
    _, found = blurs([measured(grey, points), measured(blurred(grey, sigma, 0.005), points)])
    assert found.motion_px == 0
    assert found.defocus_px == pytest.approx(sigma, rel=WITHIN)


def test_a_streak_is_seen_without_a_sharper_frame(portrait):
    """Held against a typical face's spectrum, a long streak of the only frame is found all the same."""
    grey, points = portrait
    moved = cv2.filter2D(grey, -1, streak_kernel(24.0, 90.0), borderType=cv2.BORDER_REFLECT)
    (found,) = blurs([measured(moved, points)])
    assert found.motion_px == pytest.approx(24, rel=0.25)
    assert sharpness_part(found, 90.0).value < 0.4


def test_streak_finds_what_the_formula_made():
    """The spectrum of a typical face times sinc^2 gives back the streak it was made with."""
    sharp = typical_log_power()
    fx, fy = np.meshgrid(np.arange(BAND + 1), np.arange(-BAND, BAND + 1), indexing="ij")
    turn = np.deg2rad(63)
    along = (fx * np.cos(turn) + fy * np.sin(turn)) / 260
    made = np.log(np.exp(sharp) * np.sinc(19 * along) ** 2 + 0.5).astype(np.float32)
    length, direction, gain = streak(made, sharp, 260.0)
    assert length == pytest.approx(19, rel=0.05)
    assert direction == pytest.approx(63, abs=3)
    assert gain > 0.6


def test_sharpness_falls_with_blur_in_the_order_of_an_independent_measure(portrait):
    """Monotone in blur, and in the same order as skimage's blur_effect (Crete et al., SPIE 6492, 2007)."""
    grey, points = portrait
    frames = [blurred(grey, s, 0.004, seed=i) for i, s in enumerate((0.0, *SIGMAS))]
    found = blurs([measured(f, points) for f in frames])
    values = [sharpness_part(b, 95.0).value for b in found]
    assert np.all(np.diff(values) < 0)
    other = [blur_effect(f[60:400, 60:400], h_size=11) for f in frames]
    assert spearmanr(values, other).statistic == pytest.approx(-1)


def test_mirrored_faces_are_as_sharp(portrait):
    """Mirroring changes neither blur nor length, and turns the direction to its mirror image."""
    grey, points = portrait
    moved = cv2.filter2D(grey, -1, streak_kernel(20.0, 40.0), borderType=cv2.BORDER_REFLECT)
    flipped = points * [-1, 1] + [grey.shape[1] - 1, 0]
    plain = blurs([measured(p, points) for p in (grey, moved)])
    other = blurs([measured(p[:, ::-1], flipped) for p in (grey, moved)])
    assert other[1].motion_px == pytest.approx(plain[1].motion_px, rel=0.03)
    assert other[1].motion_deg == pytest.approx(180 - plain[1].motion_deg, abs=3)
    assert other[0].total_px == pytest.approx(plain[0].total_px, abs=0.1)


@pytest.mark.parametrize(("sigma", "low", "high"), [(0.0, 0.7, 1.0), (5.0, 0.0, 0.4)])
def test_a_person_who_is_the_same_in_every_frame(portrait, sigma, low, high):
    """All frames sharp is sharp, and all frames soft is soft: nobody's best is sharp by definition."""
    grey, points = portrait
    small = cv2.resize(grey, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    faces = [measured(blurred(small, sigma / 2, 0.004, seed=i), points / 2) for i in range(3)]
    values = [sharpness_part(b, faces[0].eyes_px).value for b in blurs(faces)]
    assert low <= min(values)
    assert max(values) <= high
    assert np.ptp(values) < 0.1


def test_smooth_skin_is_not_soft():
    """A drawn face with hardly any texture, sharp in all frames, is sharp."""
    faces = [measured(drawing(noise=0.004, seed=i), landmarks()[:, :2]) for i in range(3)]
    assert min(sharpness_part(b, 104.0).value for b in blurs(faces)) > 0.7


@pytest.mark.parametrize("factor", [2, 3])
def test_large_faces_are_measured_in_their_own_pixels(portrait, factor):
    """A face that is shrunk for the measurement still gives its blur in full-resolution pixels."""
    grey, points = portrait
    large = cv2.resize(grey, None, fx=factor, fy=factor, interpolation=cv2.INTER_CUBIC)
    points = (points + 0.5) * factor - 0.5
    sharp, soft = measured(large, points), measured(blurred(large, 4.0 * factor, 0.003), points)
    assert blurs([sharp, soft])[1].defocus_px == pytest.approx(4.0 * factor, rel=WITHIN)


def test_missing_frames(portrait):
    """A missing person gives None and changes nothing for the other frames."""
    face = measured(*portrait)
    assert blurs([None]) == (None,)
    assert blurs([None, face, None])[1] == blurs([face])[0]


@pytest.mark.parametrize(
    ("blur", "reason"),
    [
        (Blur(defocus_px=0, motion_px=0, motion_deg=0, total_px=0.5), ""),
        (Blur(defocus_px=5.2, motion_px=0, motion_deg=0, total_px=5.2), "out of focus, blur about 5 px"),
        (Blur(defocus_px=0, motion_px=20.4, motion_deg=10, total_px=6), "moved, 20 px"),
    ],
)
def test_reasons_are_plain(blur, reason):
    """What the report says of sharpness."""
    assert sharpness_part(blur, 100.0).reason == reason


@pytest.mark.parametrize("eyes_px", [26.0, 110.0, 350.0])
def test_blur_counts_by_the_face_it_hides(eyes_px):
    """The same share of the face is as bad on any size; less than a pixel is never held against anybody."""

    def value(px: float) -> float:
        return sharpness_part(Blur(defocus_px=px, motion_px=0, motion_deg=0, total_px=px), eyes_px).value

    assert value(0.05 * eyes_px) < 0.35
    assert value(0.5) > 0.7


def test_a_face_too_small_says_so():
    """Eyes five pixels apart show no blur: unknown, not good and not bad."""
    part = sharpness_part(Blur(defocus_px=0, motion_px=0, motion_deg=0, total_px=0), 5.0)
    assert part.value is None
    assert part.reason == "face too small to tell how sharp it is"


@pytest.mark.parametrize("width", [24, 36, 50])
@pytest.mark.parametrize("noise", [0.006, 0.03])
def test_small_faces_are_still_told(portrait, width, noise):
    """Faces far below the smallest looked for: 1.5 px of blur within 20 % and low, a sharp frame high."""
    grey, points = portrait
    zoom = width / np.ptp(points[:, 0])
    small = cv2.resize(grey, None, fx=zoom, fy=zoom, interpolation=cv2.INTER_AREA)
    at = (points + 0.5) * zoom - 0.5
    frames = [measured(blurred(small, s, noise, seed=i), at) for i, s in enumerate((0.0, 0.0, 1.5))]
    *sharp, soft = blurs(frames)
    assert soft.defocus_px == pytest.approx(1.5, rel=0.2)
    assert sharpness_part(soft, frames[0].eyes_px).value < 0.35
    assert min(sharpness_part(b, frames[0].eyes_px).value for b in sharp) > 0.7


def test_eyes_outside_the_picture_leave_the_rest_to_judge(portrait):
    """A face cut above the nose is judged by what is left of it, not called soft for want of eyes."""
    grey, points = portrait
    cut = int(points[:, 1].mean())
    below = points - [0, cut]
    frames = [measured(grey, points), measured(grey[cut:], below), measured(blurred(grey, 4.0)[cut:], below)]
    found = blurs(frames)
    assert sharpness_part(found[1], frames[0].eyes_px).value > 0.7
    assert sharpness_part(found[2], frames[0].eyes_px).value < 0.4


@pytest.mark.parametrize("index", [0, 4, 9])
def test_eye_zone_is_mirrored_with_the_face(portrait, index):
    """Brows are above the eyes on a mirrored picture, too, and at any turn of it by quarters."""
    grey, points = portrait
    size = min(grey.shape)
    square, plain = (size, size), eye_zone((size, size), points)
    mirrored = eye_zone(square, points * [-1, 1] + [size - 1, 0])
    turned = eye_zone(square, points[:, ::-1] * [1, -1] + [0, size - 1])
    assert np.array_equal(mirrored[:, ::-1], plain)
    assert np.array_equal(np.rot90(plain), turned)
    brow = np.rint(points[(70, 63, 105, 66, 107, 336, 296, 334, 293, 300)[index]]).astype(int)
    assert plain[brow[1], brow[0]]
