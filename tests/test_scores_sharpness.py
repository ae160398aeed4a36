"""Blur must come back in pixels: known Gaussians, known streaks, whatever the noise, light and person."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
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
    energy, rungs = gradient_ladder(noise, inner(noise), 0.0)
    w2 = rungs[1:4] ** 2 - 1 / 3
    assert energy[1:4] == pytest.approx(n**2 * (1 - np.exp(-1 / w2)) / (4 * np.pi * w2), rel=0.06)


def test_noise_is_taken_off():
    """What is left of pure noise is below a tenth of it."""
    noise = np.random.default_rng(5).normal(0, 0.02, (400, 400)).astype(np.float32)
    raw, _ = gradient_ladder(noise, inner(noise), 0.0)
    left, _ = gradient_ladder(noise, inner(noise), 0.02)
    assert np.all(left[1:4] < 0.1 * raw[1:4])


@pytest.mark.parametrize("noise", [0.0, 4 / 255])
@pytest.mark.parametrize("sigma", SIGMAS)
def test_known_blur_of_edges_without_a_reference(sigma, noise):
    """Step edges blurred by a known Gaussian give its width within 15 %, also under noise."""
    picture = blurred(edges(), sigma, noise)
    assert step_blur(*gradient_ladder(picture, inner(picture), noise)) == pytest.approx(sigma, rel=WITHIN)


@pytest.mark.parametrize("gain", [1.0, 0.5])
@pytest.mark.parametrize("noise", [0.0, 3 / 255])
@pytest.mark.parametrize("sigma", SIGMAS)
def test_known_blur_of_a_real_face(portrait, sigma, noise, gain):
    """A real face blurred by a known Gaussian gives its width within 15 %, also noisy or darker."""
    grey, points = portrait
    sharp = measured(grey, points)
    soft = measured(blurred(grey * gain, sigma, noise), points)
    found = sharp.eyes_px * ladder_blur(
        soft.energy * soft.eyes_px**2,
        soft.rung_px / soft.eyes_px,
        sharp.energy * sharp.eyes_px**2,
        sharp.rung_px / sharp.eyes_px,
    )
    assert found == pytest.approx(sigma, rel=WITHIN)


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
