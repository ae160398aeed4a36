"""Lines that fail to meet across a border are measured; leaves, grain and what agrees are not."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from drawn_heads import SIZE, wall

from facemerge.faults import lines

W, H = SIZE
FACE_PX = 100.0


def _mask() -> np.ndarray:
    alpha = np.zeros((H, W), np.float32)
    cv2.ellipse(alpha, (210, 200), (90, 110), 0, 0, 360, 1, -1)
    return cv2.GaussianBlur(alpha, (0, 0), 2.0)


ALPHA = _mask()


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
    size, at = lines.broken_lines(base, donor, ALPHA, FACE_PX)
    assert size == pytest.approx(px, rel=0.2)
    assert at is not None


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
    assert lines.broken_lines(base, donor, ALPHA, FACE_PX)[0] < 0.15


@pytest.mark.parametrize("seed", range(6))
def test_leaves_are_no_lines(seed: int) -> None:
    """One thicket beside another has no line that could break: nothing is claimed."""
    assert lines.broken_lines(leaves(2 * seed), leaves(2 * seed + 1), ALPHA, FACE_PX)[0] < 0.5


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
    size, at = lines.broken_lines(base, donor, ALPHA, FACE_PX)
    assert size == pytest.approx(5, rel=0.2)
    assert at is not None
    assert at[0] < W / 2


def test_lines_that_part_beside_the_seam_are_not_joined_there() -> None:
    """Courses that are off well inside the mask, but agree where the seam runs, are no break."""
    base, donor = courses(0, 0, 1), courses(0, 0, 2)
    deep = cv2.erode((ALPHA > 0.5).astype(np.uint8), np.ones((25, 25), np.uint8)) > 0
    donor[deep] = courses(0, 5, 2)[deep]
    assert lines.broken_lines(base, donor, ALPHA, FACE_PX)[0] < 0.5


def test_a_line_along_the_seam_is_not_crossed() -> None:
    """An edge that lies where the seam does, and nowhere crosses it, cannot fail to meet."""
    near = np.hypot((np.arange(W)[None] - 210) / 90, (np.arange(H)[:, None] - 200) / 110)
    disc = np.repeat(np.clip(0.5 + 40 * (near - 1.0), 0.3, 0.7)[..., None], 3, 2)
    other = np.repeat(np.clip(0.5 + 40 * (near - 1.04), 0.3, 0.7)[..., None], 3, 2)
    assert lines.broken_lines(noisy(disc, 1), noisy(other, 2), ALPHA, FACE_PX)[0] < 0.5


def test_nowhere_is_nothing() -> None:
    """Without a border no line is broken."""
    base = courses(0, 0, 1)
    assert lines.broken_lines(base, base, np.zeros((H, W), np.float32), FACE_PX) == (0.0, None)
