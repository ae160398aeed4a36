"""The inner face alone: where it lies, what it takes, what it leaves, and when it does not do."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import pytest
from drawn_portrait import CENTRE, EYES, MOUTH, SIZE, draw, face_of, landmarks, similarity
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from facemerge import composite, imaging
from facemerge.composite import cut, inner_face
from facemerge.composite.inner_face import InnerFace, lay_inner_face
from facemerge.words import Array, Float

MOVED = similarity(2.5, 1.03, (7.0, -5.0))
"""How a donor's face lies off the base's in most tests."""


def laid(base: Array, donor: Array, move: Float = MOVED, squeeze: float = 1.0) -> InnerFace:
    return lay_inner_face(base, donor, face_of(np.eye(3)), face_of(move, squeeze))


def composed(base: Array, found: InnerFace) -> Array:
    """Return the composite: an independent 'over' of the layer."""
    (x, y), (w, h) = found.window.offset, found.window.size
    out = imaging.to_unit(base).copy()
    part = out[y : y + h, x : x + w]
    part += found.mask[..., None] * (found.laid - part)
    return out


def calm(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return CIELAB values, grain averaged out."""
    return cut.to_lab(np.asarray(cv2.GaussianBlur(picture, (0, 0), 2), np.float32))


def full_mask(found: InnerFace) -> NDArray[np.float32]:
    mask = np.zeros(SIZE[::-1], np.float32)
    (x, y), (w, h) = found.window.offset, found.window.size
    mask[y : y + h, x : x + w] = found.mask
    return mask


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_shut_eyes_are_opened_and_nothing_else_changes(dtype: type) -> None:
    """The composite is the very picture in which the eyes are open, but for resampling; outside the mask not
    a bit differs from the base.
    """
    base = draw(open_eyes=False, seed=1, dtype=dtype)
    found = laid(base, draw(open_eyes=True, move=MOVED, seed=2, dtype=dtype))
    assert found.misfit.worst <= 1
    wanted = imaging.to_unit(draw(open_eyes=True, seed=1, dtype=dtype))
    apart = np.abs(composed(base, found) - wanted).mean(2) * 255
    at_eyes = np.zeros(SIZE[::-1], bool)
    for x, y in EYES:
        cx, cy = (CENTRE + np.array((x, y))).astype(int)
        at_eyes[cy - 12 : cy + 13, cx - 18 : cx + 19] = True
    assert apart[at_eyes].mean() < 8
    assert np.abs(imaging.to_unit(base) - wanted).mean(2)[at_eyes].mean() * 255 > 40
    assert np.percentile(apart, 98) < 6
    head = composite.build_face(
        base=base,
        donor=draw(open_eyes=True, move=MOVED, seed=2, dtype=dtype),
        base_face=face_of(np.eye(3)),
        donor_face=face_of(MOVED),
        person="P01",
    )
    assert head is not None
    assert head.extent == "face"
    out = composite.lay(base, [head])
    outside = full_mask(found) == 0
    assert outside.mean() > 0.7
    np.testing.assert_array_equal(out[outside], base[outside])


def test_a_frame_laid_on_itself_is_itself() -> None:
    """The same frame twice: nothing differs, and nothing is said to."""
    base = draw(open_eyes=True)
    found = laid(base, base, np.eye(3))
    misfit = found.misfit
    assert (misfit.pose, misfit.covered, misfit.crisper) == pytest.approx((0, 0, 0), abs=1e-3)
    assert misfit.border_delta_e < 0.05
    assert np.abs(composed(base, found) - imaging.to_unit(base)).max() * 255 < 0.6
    np.testing.assert_allclose(found.base_from_donor, np.eye(3), atol=1e-3)


@pytest.mark.parametrize("cover", [None, (45.0, 25.0, 16.0)], ids=["free", "something before the cheek"])
@pytest.mark.parametrize("move", [similarity(4, 0.97, (-6, 3)), similarity(-3, 1.05, (2, 9))])
def test_faces_are_laid_on_each_other_to_a_tenth_of_a_pixel(
    move: Float, cover: tuple[float, float, float] | None
) -> None:
    """Whatever the landmarks are off by, a pixel here, whatever eyes and mouth do and whatever lies before a
    part of the face: skin tells the place.
    """
    base = draw(open_eyes=False, seed=1)
    donor = draw(open_eyes=True, move=move, mouth_wide=20, cover=cover, seed=2)
    told = face_of(move @ similarity(0.6, 1.005, (1.0, -0.8)))
    found = lay_inner_face(base, donor, face_of(np.eye(3)), told)
    inside = landmarks() * 0.9 + CENTRE
    there = imaging.transform(found.base_from_donor, imaging.transform(move, inside))
    assert np.linalg.norm(there - inside, axis=1).max() < 0.15
    start = imaging.transform(
        np.linalg.inv(move @ similarity(0.6, 1.005, (1.0, -0.8))), imaging.transform(move, inside)
    )
    assert np.linalg.norm(start - inside, axis=1).max() > 1


def test_eyes_and_mouth_come_from_the_donor_and_the_outline_from_the_base() -> None:
    """Full over eyes, brows and lips; nought along the head's outline and beyond it."""
    mask = full_mask(laid(draw(open_eyes=False, seed=1), draw(open_eyes=True, move=MOVED, seed=2)))
    for x, y in (*EYES, MOUTH):
        cx, cy = (CENTRE + np.array((x, y))).astype(int)
        assert mask[cy - 6 : cy + 7, cx - 12 : cx + 13].min() > 0.99
    y, x = np.mgrid[0 : SIZE[1], 0 : SIZE[0]]
    wide, high = 75.0 * 1.3, 95.0 * 1.4
    beyond = ((x - CENTRE[0]) / wide) ** 2 + ((y - CENTRE[1] + 16) / high) ** 2 > 1.05
    assert mask[beyond].max() == 0


@pytest.mark.parametrize("spot", [(48.0, 25.0, 7.0), (-50.0, 30.0, 3.0)])
def test_the_border_runs_where_both_frames_agree(spot: tuple[float, float, float]) -> None:
    """A spot on the cheek, large or small, that only the donor has is neither cut by the border nor taken."""
    base = draw(open_eyes=False, seed=1)
    mask = full_mask(laid(base, draw(open_eyes=True, cover=spot, seed=2), np.eye(3)))
    y, x = np.mgrid[0 : SIZE[1], 0 : SIZE[0]]
    on_it = np.hypot(x - CENTRE[0] - spot[0], y - CENTRE[1] - spot[1]) < spot[2] - 1
    assert mask[on_it].max() < 0.05


def test_light_is_brought_to_the_bases() -> None:
    """A donor that is a tenth darker, and lit from the other side, meets the base all along the border."""
    base = draw(open_eyes=False, seed=1)
    donor = draw(open_eyes=True, move=MOVED, gain=0.9, slope=0.25, seed=2)
    found = laid(base, donor)
    assert found.misfit.worst <= 1
    assert found.misfit.border_delta_e < 1.5
    assert found.tone_delta_e > 3


def test_what_is_left_along_the_border_is_spread_inwards() -> None:
    """A shadow that no gain explains: without the membrane the border differs, with it hardly, and no more is
    added than is allowed."""
    base, plain = draw(open_eyes=False, seed=1), draw(open_eyes=True, seed=2)
    y, x = np.mgrid[0 : SIZE[1], 0 : SIZE[0]]
    shadow = 20 * np.exp(-(((x - 120) / 40.0) ** 2) - ((y - 230) / 40.0) ** 2)
    donor = np.clip(plain.astype(float) - shadow[..., None], 0, 255).astype(np.uint8)
    found = laid(base, donor, np.eye(3))
    ring = (found.mask > 0.2) & (found.mask < 0.8)
    before, after = (
        np.linalg.norm((calm(found.below) - calm(p))[ring], axis=1) for p in (found.placed, found.laid)
    )
    assert np.percentile(before, 90) > 1.5 * np.percentile(after, 90)
    assert np.abs(found.laid - found.placed).max() <= inner_face.MOST_SPREAD + 1e-6


@pytest.mark.parametrize(
    ("measure", "drawn", "squeeze"),
    [
        ("crisper", {"blur_px": 2.5}, 1.0),
        ("covered", {"cover": (10.0, 12.0, 34.0)}, 1.0),
        ("border_delta_e", {"cover": (0.0, 85.0, 60.0)}, 1.0),
        ("pose", {}, 0.75),
    ],
    ids=["blurred", "something before the cheek", "something before the mouth", "turned"],
)
def test_what_does_not_fit_is_told(measure: str, drawn: dict[str, Any], squeeze: float) -> None:
    """Blurred, covered or turned: its own measure says so, and no head is made of the inner face."""
    base, donor = draw(open_eyes=False, seed=1), draw(open_eyes=True, move=MOVED, seed=2, **drawn)
    good = laid(base, draw(open_eyes=True, move=MOVED, seed=2)).misfit
    misfit = laid(base, donor, squeeze=squeeze).misfit
    assert good.shares[measure] < 0.6
    assert misfit.shares[measure] > 1
    assert misfit.worst > 1
    said: dict[str, Any] = {
        "base": base,
        "donor": donor,
        "base_face": face_of(np.eye(3)),
        "donor_face": face_of(MOVED, squeeze),
        "person": "P01",
    }
    assert composite.build_face(**said) is None
    assert composite.build_face(**said, certain=True) is not None


def test_nothing_changes_beyond_an_area() -> None:
    """The window ends at the area that is given, and the border stays within it."""
    base, donor = draw(open_eyes=False, seed=1), draw(open_eyes=True, move=MOVED, seed=2)
    area = (110, 130, 250, 290)
    found = lay_inner_face(base, donor, face_of(np.eye(3)), face_of(MOVED), area)
    assert found.window.offset == (110, 130)
    assert found.window.size == (140, 160)
    for side in (found.mask[0], found.mask[-1], found.mask[:, 0], found.mask[:, -1]):
        assert side.max() == 0


@given(st.tuples(*[st.floats(-1, 1) for _ in range(3)]), st.integers(0, 10_000))
def test_a_membrane_continues_a_slope_exactly(slope: tuple[float, float, float], seed: int) -> None:
    """A plane on the border is a plane inside: linear functions are harmonic (Perez, Gangnet and Blake,
    "Poisson Image Editing", SIGGRAPH 2003, from memory)."""
    y, x = np.mgrid[0:24, 0:30].astype(np.float32)
    plane = (slope[0] + slope[1] * x / 30 + slope[2] * y / 24)[..., None].astype(np.float32)
    inside = np.zeros((24, 30), bool)
    inside[3:-3, 3:-3] = np.random.default_rng(seed).uniform(size=(18, 24)) > 0.3
    hidden = np.where(inside[..., None], np.float32(9), plane)
    np.testing.assert_allclose(inner_face.harmonic(hidden, inside), plane, atol=1e-4)


def test_a_membrane_is_the_mean_of_its_neighbours() -> None:
    """Inside, each value is the mean of its four neighbours; outside, it is what it was."""
    rng = np.random.default_rng(1)
    values = rng.uniform(size=(20, 20, 2)).astype(np.float32)
    inside = np.zeros((20, 20), bool)
    inside[5:15, 4:16] = True
    found = inner_face.harmonic(values, inside)
    mean = (found[:-2, 1:-1] + found[2:, 1:-1] + found[1:-1, :-2] + found[1:-1, 2:]) / 4
    np.testing.assert_allclose(found[1:-1, 1:-1][inside[1:-1, 1:-1]], mean[inside[1:-1, 1:-1]], atol=1e-5)
    np.testing.assert_array_equal(found[~inside], values[~inside])


def test_the_same_twice_is_the_same_bytes() -> None:
    """Nothing random, nothing left over."""
    base, donor = draw(open_eyes=False, seed=1), draw(open_eyes=True, move=MOVED, seed=2)
    one, two = laid(base, donor), laid(base, donor)
    assert one.laid.tobytes() == two.laid.tobytes()
    assert one.mask.tobytes() == two.mask.tobytes()
