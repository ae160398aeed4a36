"""What is measured along a seam: sharpness, lines, texture, halo, strange patches; each on a drawn truth."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from drawn_heads import frame, wall

from facemerge import imaging, risk
from facemerge.composite import lines, measure
from facemerge.options import RiskOptions
from facemerge.words import Seam

BRICK = imaging.to_unit(frame(kind="brick", noise=1.5, seed=1).image)
EDGE = np.zeros(BRICK.shape[:2], bool)
EDGE[60:64, 40:380] = True


def softened(sigma_px: float) -> np.ndarray:
    return cv2.GaussianBlur(BRICK, (0, 0), sigma_px) if sigma_px else BRICK


def step(sigma_px: float) -> float:
    return measure.sharpness_step(BRICK, softened(sigma_px), EDGE, 100.0)


def test_equal_frames_have_no_step_in_sharpness() -> None:
    """The same wall with other grain is as crisp."""
    again = imaging.to_unit(frame(kind="brick", noise=1.5, seed=2).image)
    assert measure.sharpness_step(BRICK, again, EDGE, 100.0) < 0.1


def test_the_step_grows_with_the_blur_of_either_side() -> None:
    """The softer the donor, the larger; the same when base and donor change places."""
    steps = [step(s) for s in (0.0, 1.0, 2.0, 4.0)]
    assert steps == sorted(steps)
    assert steps[0] < 0.1
    assert steps[3] > 1
    assert measure.sharpness_step(softened(2.0), BRICK, EDGE, 100.0) == pytest.approx(steps[2], abs=0.05)


def test_a_plain_wall_tells_nothing_of_sharpness() -> None:
    """Without texture along the seam no step is claimed."""
    plain = [imaging.to_unit(frame(noise=2, seed=s).image) for s in (1, 2)]
    assert measure.sharpness_step(plain[0], cv2.GaussianBlur(plain[1], (0, 0), 3), EDGE, 100.0) == 0


@pytest.mark.parametrize(("sigma_px", "low", "high"), [(0.0, 0.0, 0.2), (2.0, 2.2, 3.4), (4.0, 4.0, 5.6)])
def test_detail_tells_how_much_of_a_wall_is_lost(sigma_px: float, low: float, high: float) -> None:
    """The steepness of the bricks less what a blur leaves of it: 2.8 and 4.8 steps a pixel, measured here."""
    assert low <= measure.detail_step(BRICK, softened(sigma_px), EDGE, 100.0) <= high


def test_faint_weave_is_no_detail() -> None:
    """Cloth whose weave is a step or two strong may be much crisper; there is next to nothing to see."""
    rng = np.random.default_rng(5)
    weave = 0.5 + 3 / 255 * np.sign(rng.normal(size=BRICK.shape[:2]))
    cloth = np.repeat(weave[..., None], 3, 2).astype(np.float32)
    assert measure.detail_step(cloth, cv2.GaussianBlur(cloth, (0, 0), 4), EDGE, 100.0) < 1


@pytest.mark.parametrize(("sigma_px", "clear"), [(0.0, True), (4.0, False)])
def test_sharp_meets_soft_is_flagged_in_words(sigma_px: float, clear: bool) -> None:
    """A seam that is perfect but for its sharpness is not called clear."""
    seam = Seam(
        delta_e_median=0.2,
        delta_e_p95=0.5,
        texture=5.0,
        misregistration_px=0.1,
        tone_delta_e=0.5,
        grain_ratio=1.0,
        head_hidden=0.0,
        invented=0.0,
        old_head_left=0.0,
        sharpness_step=step(sigma_px),
        detail_step=measure.detail_step(BRICK, softened(sigma_px), EDGE, 100.0),
    )
    found = risk.assess(seam, head_turn_deg=0, align_error_px=0.1, options=RiskOptions(), extent="face")
    assert (found.flag == "clear") is clear
    assert ("sharp meets soft" in found.reasons[0]) is not clear


# --- lines --------------------------------------------------------------------------------------------------

H, W = BRICK.shape[:2]
FACE_PX = 100.0


def _mask() -> np.ndarray:
    alpha = np.zeros((H, W), np.float32)
    cv2.ellipse(alpha, (210, 200), (90, 110), 0, 0, 360, 1, -1)
    return cv2.GaussianBlur(alpha, (0, 0), 2.0)


ALPHA = _mask()
SOFT = (ALPHA > 0.05) & (ALPHA < 0.95)


def noisy(picture: np.ndarray, seed: int, steps: float = 1.5) -> np.ndarray:
    noise = np.random.default_rng(seed).normal(0, steps / 255, picture.shape)
    return np.clip(picture + noise, 0, 1).astype(np.float32)


def courses(x: float, y: float, seed: int) -> np.ndarray:
    return noisy(wall("brick", (x, y)), seed)


def horizon(y: float, seed: int) -> np.ndarray:
    rows = np.clip(np.arange(H, dtype=np.float32) - (150 + y), 0, 1)[:, None, None]
    return noisy(0.8 - 0.4 * rows * np.ones((1, W, 3), np.float32), seed)


def leaves(seed: int, shift: int = 0) -> np.ndarray:
    """Return a thicket of small ellipses, moved down by some pixels."""
    rng = np.random.default_rng(seed)
    picture = np.full((H, W, 3), 0.3, np.float32)
    for _ in range(2500):
        colour = rng.uniform(0.1, 0.6, 3) * np.array([0.7, 1, 0.4])
        centre = (int(rng.integers(W)), int(rng.integers(H)))
        axes = (int(rng.integers(6, 12)), int(rng.integers(3, 6)))
        cv2.ellipse(picture, centre, axes, int(rng.integers(180)), 0, 360, colour.tolist(), -1, cv2.LINE_AA)
    return noisy(np.roll(cv2.GaussianBlur(picture, (0, 0), 0.8), shift, 0), seed + 100)


@pytest.mark.parametrize("px", [1, 2, 4, 8])
@pytest.mark.parametrize("way", ["courses down", "courses across", "horizon"])
def test_a_line_that_does_not_meet_is_measured(px: int, way: str) -> None:
    """Brick courses or a horizon off by 1 to 8 px are measured within a fifth, through grain."""
    base, donor = {
        "courses down": (courses(0, 0, 1), courses(0, px, 2)),
        "courses across": (courses(0, 0, 1), courses(px, 0, 2)),
        "horizon": (horizon(0, 1), horizon(px, 2)),
    }[way]
    found = lines.broken_lines(base, donor, ALPHA, FACE_PX)
    assert found.size == pytest.approx(px, rel=0.2)
    assert found.at is not None


@pytest.mark.parametrize(
    ("base", "donor"),
    [
        (courses(0, 0, 1), courses(0, 0, 1)),
        (courses(0, 0, 1), courses(0, 0, 2)),
        (horizon(0, 1), horizon(0, 2)),
        (noisy(np.full((H, W, 3), 0.5), 1, 4), noisy(np.full((H, W, 3), 0.5), 2, 4)),
    ],
    ids=["equal", "other grain", "horizon", "noise alone"],
)
def test_lines_that_meet_are_not_called_broken(base: np.ndarray, donor: np.ndarray) -> None:
    """Equal walls, walls under other grain, and grain alone give about nought."""
    assert lines.broken_lines(base, donor, ALPHA, FACE_PX).size < 0.15


@pytest.mark.parametrize("seed", range(6))
def test_leaves_are_no_lines(seed: int) -> None:
    """One thicket beside another has no line that could break: nothing is claimed."""
    assert lines.broken_lines(leaves(2 * seed), leaves(2 * seed + 1), ALPHA, FACE_PX).size < 0.5


def test_pictures_without_any_grain_are_measured_as_well(rng: np.random.Generator) -> None:
    """Drawn frames agree nearly to the bit beside a great difference: what rounding leaves there is no number
    below nought."""
    base, donor = (np.zeros((60, 200), np.float32) for _ in range(2))
    donor[20:40, 20:60] = rng.uniform(0, 255, (20, 40)).astype(np.float32)
    base[:, 60:] = np.where(rng.random((60, 140)) < 0.02, 1e-5, 0).astype(np.float32)
    y, x = np.mgrid[0:60, 80:200]
    points = np.stack([x.ravel(), y.ravel()], -1).astype(np.int32)
    found = lines._local_difference(base, donor, points, 5.0)
    np.testing.assert_allclose(found, 0, atol=0.01)


def test_the_place_of_a_broken_line_is_told() -> None:
    """Courses that are off on the left side alone are found there."""
    base, donor = courses(0, 0, 1), courses(0, 0, 2)
    donor[:, : W // 2] = courses(0, 5, 2)[:, : W // 2]
    found = lines.broken_lines(base, donor, ALPHA, FACE_PX)
    assert found.size == pytest.approx(5, rel=0.2)
    assert found.at is not None
    assert found.at[0] < W / 2


def test_lines_that_part_beside_the_seam_are_not_joined_there() -> None:
    """Courses that are off well inside the mask, but agree where the seam runs, are no break."""
    base, donor = courses(0, 0, 1), courses(0, 0, 2)
    deep = cv2.erode((ALPHA > 0.5).astype(np.uint8), np.ones((25, 25), np.uint8)) > 0
    donor[deep] = courses(0, 5, 2)[deep]
    assert lines.broken_lines(base, donor, ALPHA, FACE_PX).size < 0.5


def test_a_line_along_the_seam_is_not_crossed() -> None:
    """An edge that lies where the seam does, and nowhere crosses it, cannot fail to meet."""
    near = np.hypot((np.arange(W)[None] - 210) / 90, (np.arange(H)[:, None] - 200) / 110)
    disc = np.repeat(np.clip(0.5 + 40 * (near - 1.0), 0.3, 0.7)[..., None], 3, 2)
    other = np.repeat(np.clip(0.5 + 40 * (near - 1.04), 0.3, 0.7)[..., None], 3, 2)
    assert lines.broken_lines(noisy(disc, 1), noisy(other, 2), ALPHA, FACE_PX).size < 0.5


# --- texture, halo, strange patches -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("shift", "low", "high"), [(0, 0.0, 0.1), (2, 0.1, 0.6), (4, 0.5, 1.1), (8, 0.9, 1.5)]
)
def test_leaves_that_do_not_carry_on_are_told(shift: int, low: float, high: float) -> None:
    """The same leaves elsewhere: the correlation is lost within the size of a leaf, 6 to 12 px long."""
    assert low <= measure.texture_phase(leaves(1), leaves(1, shift), SOFT, FACE_PX) <= high


def test_unrelated_leaves_fit_nowhere() -> None:
    """Other leaves of the same kind: about one, which is no correlation."""
    assert 0.9 < measure.texture_phase(leaves(1), leaves(2), SOFT, FACE_PX) < 1.4


def test_grain_is_no_texture() -> None:
    """Grain on a plain wall does not fit either, and nobody sees it."""
    plain = [noisy(np.full((H, W, 3), 0.5), s, 4) for s in (1, 2)]
    assert measure.texture_phase(*plain, SOFT, FACE_PX) == 0


@pytest.mark.parametrize("step", [0.0, 1.0, 3.0])
def test_a_soft_halo_is_measured(step: float) -> None:
    """A wall lighter by so many units of L inside the seam, however softly it begins."""
    base = noisy(np.full((H, W, 3), 0.5), 1)
    lab = cv2.cvtColor(base, cv2.COLOR_RGB2LAB)
    lab[..., 0] += step * cv2.GaussianBlur(ALPHA, (0, 0), 8.0)
    shown = cv2.cvtColor(lab, cv2.COLOR_LAB2RGB)
    assert measure.tone_step(base, shown, ALPHA > 0.9, FACE_PX) == pytest.approx(step, rel=0.15, abs=0.1)


def laid(base: np.ndarray, donor: np.ndarray) -> np.ndarray:
    return (base + (donor - base) * ALPHA[..., None]).astype(np.float32)


def strangest(base: np.ndarray, donor: np.ndarray) -> measure.Fault:
    return measure.strangest(laid(base, donor), (base, donor), SOFT, FACE_PX)


def test_a_composite_of_agreeing_frames_has_no_strange_patch() -> None:
    """Frames that differ by grain alone leave nothing but grain."""
    assert strangest(courses(0, 0, 1), courses(0, 0, 2)).size < 0.6


def test_a_patch_is_the_stranger_the_worse_the_frames_fit() -> None:
    """Bricks that are off by more make patches less like any in either frame."""
    sizes = [strangest(courses(0, 0, 1), courses(0, d, 2)).size for d in (0, 2, 4, 8)]
    assert sizes == sorted(sizes)
    assert sizes[-1] > 2.3


def test_another_tone_is_not_strange() -> None:
    """A step in tone has measures of its own: five parts in a hundred of light count for little here."""
    base = courses(0, 0, 1)
    assert strangest(base, (courses(0, 0, 2) * 1.05).astype(np.float32)).size < 1.5


def test_the_place_of_the_strange_patch_is_told() -> None:
    """A stain that is in neither frame is found where it is."""
    base = courses(0, 0, 1)
    seen = base.copy()
    cv2.circle(seen, (121, 190), 5, (0.9, 0.2, 0.2), -1)
    found = measure.strangest(seen, (base, base), SOFT, FACE_PX)
    assert found.size > 5
    assert found.at is not None
    assert np.hypot(found.at[0] - 121, found.at[1] - 190) < 8


def test_nowhere_is_nothing() -> None:
    """Without a seam nothing is found."""
    base = courses(0, 0, 1)
    none = np.zeros((H, W), bool)
    assert measure.strangest(base, (base,), none, FACE_PX) == measure.NOTHING
    assert lines.broken_lines(base, base, none.astype(np.float32), FACE_PX) == measure.NOTHING
    assert measure.tone_step(base, base, none, FACE_PX) == 0
    assert measure.texture_phase(base, base, none, FACE_PX) == 0
