"""Where a donor's head is laid: registration and resampling."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from drawn_heads import SIZE, face_at, frame

from facemerge import imaging
from facemerge.composite import place


@pytest.mark.parametrize(("dx", "dy"), [(0, 0), (7, -3), (-21.5, 14.25)])
def test_landmarks_recover_a_heads_own_shift(dx: float, dy: float) -> None:
    """A head that moved by a known shift is laid back by that shift."""
    there, here = (face_at(c).landmarks[:, :2] for c in ((210, 190), (210 + dx, 190 + dy)))
    assert np.allclose(place.similarity_of(there, here), imaging.shift_matrix(dx, dy), atol=1e-6)


def test_no_expression_moves_a_face() -> None:
    """Lids, lips and jaw may be anywhere: only landmarks that no expression moves are looked at."""
    there = face_at((210, 190)).landmarks[:, :2]
    here = there + np.array([12, -5])
    loose = np.setdiff1d(np.arange(len(here)), place.STEADY_POINTS)
    here[loose] += np.random.default_rng(3).normal(0, 8, (len(loose), 2))
    assert np.allclose(place.similarity_of(there, here), imaging.shift_matrix(12, -5), atol=1e-6)


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
