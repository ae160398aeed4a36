"""Where a donor's head is laid: registration, resampling and the bend that joins it."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from drawn_heads import SIZE, face_at, frame, wall

from facemerge import imaging
from facemerge.composite import place


def shifted_face_matrix(dx: float, dy: float) -> np.ndarray:
    return place.head_from_landmarks(face_at((210 + dx, 190 + dy)), face_at((210, 190)), np.eye(3))


@pytest.mark.parametrize(("dx", "dy"), [(0, 0), (7, -3), (-21.5, 14.25)])
def test_landmarks_recover_a_heads_own_shift(dx: float, dy: float) -> None:
    """A head that moved by a known shift is laid back by that shift, whatever the global homography."""
    m = shifted_face_matrix(dx, dy)
    assert np.allclose(m, imaging.shift_matrix(dx, dy), atol=1e-6)


def test_similarity_has_the_published_least_squares_answer() -> None:
    """Umeyama, "Least-squares estimation of transformation parameters between two point patterns", 1991: for
    points that a similarity took, the estimate is that similarity (from memory); skimage agrees."""
    from skimage.transform import SimilarityTransform

    rng = np.random.default_rng(4)
    source = rng.uniform(0, 200, (40, 2))
    truth = SimilarityTransform(scale=1.04, rotation=0.05, translation=(6, -9))
    target = truth(source) + rng.normal(0, 0.3, (40, 2))
    found = place._similarity(source, target)
    other = SimilarityTransform.from_estimate(source, target)
    assert np.allclose(found, other.params, atol=1e-9)


def test_a_wild_similarity_falls_back_to_the_shift() -> None:
    """Landmarks that ask for more zoom than a burst allows give the median shift alone."""
    donor = face_at((210, 190))
    big = face_at((210, 190))
    points = np.array(big.landmarks)
    points[:, :2] = (points[:, :2] - (210, 190)) * 1.6 + (220, 195)
    m = place.head_from_landmarks(
        type(big)(
            box=big.box,
            landmarks=points,
            blendshapes=big.blendshapes,
            appearance=big.appearance,
            confidence=1.0,
        ),
        donor,
        np.eye(3),
    )
    assert np.allclose(m[:2, :2], np.eye(2))


@pytest.mark.parametrize("shift", [(0.4, -0.7), (1.5, 1.0), (3.0, -2.0)])
def test_refinement_recovers_a_sub_pixel_shift(shift: tuple[float, float]) -> None:
    """Correlation finds a shift of the head to a tenth of a pixel."""
    a = imaging.grey(frame().image)
    b = imaging.grey(frame(centre=(210 + shift[0], 190 + shift[1])).image)
    region = np.zeros(a.shape, np.uint8)
    cv2.ellipse(region, (210, 190), (70, 85), 0, 0, 360, 1, -1)
    m = place.refine(a, b, region)
    assert m is not None
    centre = imaging.transform(m, np.array([[210 + shift[0], 190 + shift[1]]]))
    assert np.allclose(centre, [[210, 190]], atol=0.1)


def test_refinement_of_nothing_in_common_says_so() -> None:
    """Two flat pictures hold nothing to correlate: no matrix comes back, and nothing is raised."""
    flat = np.full((80, 80), 0.5, np.float32)
    assert place.refine(flat, flat, np.ones((80, 80), np.uint8)) is None


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_identity_sampling_returns_the_pixels_themselves(dtype: type) -> None:
    """Under the identity a window is the donor's own pixels, bit for bit, at either depth."""
    drawn = frame(kind="brick", dtype=dtype)
    pixels, valid = place.sample(drawn.image, np.eye(3), (50, 40), (200, 180))
    assert valid.all()
    assert np.array_equal(pixels, drawn.image[40:220, 50:250])


def test_sampling_agrees_with_the_warp_of_whole_pictures() -> None:
    """A window under a homography shows what the whole warped picture shows there (OpenCV's own warp)."""
    image = frame(kind="brick").image
    m = np.array([[1.01, 0.02, 3.3], [-0.015, 0.99, -4.2], [1e-5, 2e-5, 1.0]])
    pixels, valid = place.sample(image, m, (60, 70), (180, 160))
    whole = imaging.warp(image, m, SIZE)[70:230, 60:240]
    apart = np.abs(pixels.astype(int) - whole.astype(int))[valid]
    assert np.percentile(apart, 99) <= 6
    assert apart.mean() < 0.5


def test_what_the_donor_does_not_reach_is_marked() -> None:
    """Pixels beyond the donor's frame are not valid, and only those."""
    image = frame().image
    _, valid = place.sample(image, imaging.shift_matrix(30, 0), (0, 0), SIZE)
    assert not valid[:, :30].any()
    assert valid[:, 30:].all()


def test_nothing_is_bent_where_both_agree() -> None:
    """Equal pictures are not bent at all: a wall must not follow the people."""
    grey = (imaging.grey(frame(kind="brick").image) * 255).astype(np.uint8)
    keep = np.zeros(grey.shape, bool)
    bend = place.bend(place.flow(grey, grey), keep, np.zeros(grey.shape, np.float32), fade_px=15, limit_px=25)
    assert np.abs(bend).max() < 1e-3


def test_a_bend_brings_a_moved_wall_back_and_spares_the_head() -> None:
    """Away from the head a wall moved by 4 px is bent by 4 px; on the head the bend is nought."""
    a = (cv2.cvtColor(wall("brick"), cv2.COLOR_RGB2GRAY) * 255).astype(np.uint8)
    b = (cv2.cvtColor(wall("brick", (4, 0)), cv2.COLOR_RGB2GRAY) * 255).astype(np.uint8)
    keep = np.zeros(a.shape, bool)
    keep[150:300, 150:270] = True
    apart = np.full(a.shape, 20, np.float32)
    bend = place.bend(place.flow(a, b), keep, apart, fade_px=12, limit_px=25)
    assert np.abs(bend[keep]).max() == 0
    far = np.zeros(a.shape, bool)
    far[40:110, 40:380] = True
    assert np.median(bend[far][:, 0]) == pytest.approx(4, abs=0.5)
    assert np.median(np.abs(bend[far][:, 1])) < 0.5


def test_a_bend_is_never_longer_than_allowed() -> None:
    """The limit holds wherever the flow would go."""
    rng = np.random.default_rng(2)
    a = rng.integers(0, 255, (120, 120)).astype(np.uint8)
    b = np.roll(a, 15, axis=1)
    bend = place.bend(
        place.flow(a, b), np.zeros(a.shape, bool), np.full(a.shape, 30, np.float32), fade_px=4, limit_px=3
    )
    assert np.linalg.norm(bend, axis=2).max() <= 3 + 1e-3


def _block(left: int, right: int, shape: tuple[int, int] = (60, 120)) -> np.ndarray:
    mask = np.zeros(shape, bool)
    mask[20:, left:right] = True
    return mask


def test_the_wall_stays_straight_beside_a_bent_body() -> None:
    """A body that stood 12 px to the right is bent back; what stands behind is never taken from the bend."""
    here, there = _block(30, 70), _block(42, 82)
    shares = place.wall(here, there, here.astype(np.float32), np.zeros_like(here))
    assert shares.donor.min() >= 0
    assert shares.base.min() >= 0
    assert (shares.donor + shares.base).max() <= 1 + 1e-6
    row = 45
    # Nobody in either frame: the donor as it lies.
    assert np.allclose(shares.donor[row, [5, 20, 100]], 1, atol=1e-3)
    # The donor has the body there and the base the wall: the base's wall.
    assert np.allclose(shares.base[row, 73:79], 1, atol=0.05)
    # The body: the bend.
    assert np.allclose(shares.rest[row, 33:67], 1, atol=0.05)


def test_the_head_is_left_to_the_donor() -> None:
    """Where the head is taken nothing of the wall is mixed in, whatever the outlines say."""
    here, there = _block(30, 70), _block(42, 82)
    keep = np.zeros_like(here)
    keep[:40] = True
    shares = place.wall(here, there, np.zeros(here.shape, np.float32), keep)
    assert np.array_equal(shares.rest[:40], np.ones((40, 120), np.float32))


def test_a_wall_laid_straight_is_the_wall() -> None:
    """Bricks bent along with a body come out as the bricks they were, except where the body is."""
    rng = np.random.default_rng(3)
    here, there = _block(30, 70), _block(42, 82)
    bricks = rng.random((60, 120, 3)).astype(np.float32)
    bent = np.roll(bricks, 12, axis=1)
    shares = place.wall(here, there, here.astype(np.float32), np.zeros_like(here))
    laid = shares.laid(bricks, bricks, bent)
    assert np.abs(laid - bricks)[:, :24].max() < 1e-3
    assert np.abs(laid - bricks)[:, 88:].max() < 1e-3
    assert np.abs(laid - bent)[30:, 36:64].max() < 0.05
