"""Masks touched up by hand: the seam moved, strokes painted and erased, and what must not change by it."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt
from scipy.spatial import KDTree

from facemerge import composite, faults
from facemerge.composite import cut, touch
from facemerge.words import Array, Head, Joint, Misfit, Stroke, Touches

SHAPE = (150, 180)
OFFSET = (20, 30)
SIZE = (260, 240)
"""Of the base: the layer of `SHAPE` at `OFFSET` lies wholly inside it."""
FACE_PX = 60.0


def disc(radius: float, width: float, shape: tuple[int, int] = SHAPE, dtype: type = np.uint8) -> Array:
    """Return a mask whose seam is a circle in the middle, with a soft edge of a width."""
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]]
    signed = radius - np.hypot(y - shape[0] // 2, x - shape[1] // 2)
    return drawn(signed, width, dtype)


def drawn(signed: NDArray, width: float, dtype: type = np.uint8) -> Array:
    alpha = cut.soft_edge(signed.astype(np.float32), width)
    return np.asarray(np.rint(alpha * float(np.iinfo(dtype).max))).astype(dtype)


def noise(shape: tuple[int, int], dtype: type, seed: int) -> Array:
    return np.random.default_rng(seed).integers(0, np.iinfo(dtype).max, (*shape, 3)).astype(dtype)


def head(
    mask: Array, *, known: Array | None = None, kept: bool = True, offset: tuple[int, int] = OFFSET
) -> Head:
    """Return a head of noise under a mask; `known` is where its frame reaches, everywhere if not said."""
    pixels = noise(mask.shape, mask.dtype.type, 1)
    reached = np.ones(mask.shape, bool) if known is None else known
    return Head(
        person="P01", offset=offset, pixels=pixels, mask=mask, joint=Joint(), placement="drawn",
        reached=reached if kept else None,
        unblended=noise(mask.shape, mask.dtype.type, 2) if kept else None,
    )  # fmt: skip


def touches(*strokes: Stroke, widen_px: float = 0.0) -> Touches:
    return Touches(base="b.jpg", donor="d.jpg", widen_px=widen_px, strokes=strokes)


def stroke(*points: tuple[float, float], paints: bool = True, radius_px: float = 8.0, softness: float = 0.5):
    """Return a stroke whose points are given in the layer's pixels."""
    at = tuple((x + OFFSET[0], y + OFFSET[1]) for x, y in points)
    return Stroke(paints=paints, radius_px=radius_px, softness=softness, points=at)


def crossing(mask: Array, level: float) -> float:
    """Return how far right of the middle a mask falls below a level, along the middle row, in pixels."""
    row = mask[mask.shape[0] // 2, mask.shape[1] // 2 :] / np.iinfo(mask.dtype).max
    last = int(np.flatnonzero(row >= level)[-1])
    return last + float((row[last] - level) / (row[last] - row[last + 1]))


strokes_drawn = st.lists(
    st.builds(
        stroke,
        st.tuples(st.floats(-30, 210), st.floats(-30, 180)),
        st.tuples(st.floats(-30, 210), st.floats(-30, 180)),
        paints=st.booleans(),
        radius_px=st.floats(1, 60),
        softness=st.floats(0, 1),
    ),
    max_size=4,
)


# -- the seam moved -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize("width", [2, 8, 24])
@pytest.mark.parametrize("by_px", [-20, -7.5, -1, 0.5, 4, 15])
def test_a_circle_moves_by_as_much_and_stays_as_soft(by_px: float, width: float, dtype: type) -> None:
    """Against a circle drawn with the other radius: the seam to half a pixel, the softness to a tenth."""
    mask = touch.moved(disc(45, width, dtype=dtype), by_px)
    truth = disc(45 + by_px, width, dtype=dtype)
    assert mask.dtype == dtype
    assert crossing(mask, 0.5) == pytest.approx(45 + by_px, abs=0.5)
    soft = crossing(mask, 0.1) - crossing(mask, 0.9)
    assert soft == pytest.approx(crossing(truth, 0.1) - crossing(truth, 0.9), rel=0.1, abs=0.6)


@pytest.mark.parametrize("by_px", [-9, -3, 3, 9])
def test_notches_and_islands_move_like_any_seam(by_px: float) -> None:
    """A shape with a notch, and an island: the half level lies where an exact distance transform (scipy) has
    it, to a pixel and a half."""
    y, x = np.mgrid[0:160, 0:220]
    body = (np.hypot(y - 80, x - 80) < 55) & ~((np.abs(y - 80) < 14) & (x > 80))
    island = np.hypot(y - 60, x - 185) < 20
    region = body | island
    exact = distance_transform_edt(region) - distance_transform_edt(~region)
    got = touch.moved(drawn(exact, 4), by_px) > 127
    assert not (got & (exact < -by_px - 1.5)).any()
    assert not (~got & (exact > -by_px + 1.5)).any()


def test_each_place_keeps_its_own_softness() -> None:
    """Crisp to the left and soft to the right it stays so, wherever the seam goes."""
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    signed = 40 - np.hypot(y - SHAPE[0] // 2, x - SHAPE[1] // 2)
    width = np.where(x < SHAPE[1] // 2, 4, 24)
    mask = touch.moved(drawn(signed, width), 12)
    left = np.ascontiguousarray(np.roll(mask[:, ::-1], 1, axis=1))
    for side, wide in ((mask, 24), (left, 4)):
        truth = disc(52, wide)
        expected = crossing(truth, 0.1) - crossing(truth, 0.9)
        assert crossing(side, 0.1) - crossing(side, 0.9) == pytest.approx(expected, rel=0.15, abs=0.7)


@given(radius=st.floats(35, 50), width=st.floats(2, 16), by_px=st.floats(0.5, 15), lobes=st.integers(2, 5))
@settings(max_examples=30, deadline=None)
def test_out_and_back_again_is_within_a_pixel(radius: float, width: float, by_px: float, lobes: int) -> None:
    """Moved out and then in by as much, the half level lies within a pixel of where it was."""
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    dy, dx = y - SHAPE[0] / 2, x - SHAPE[1] / 2
    shape = radius * (1 + 0.06 * np.sin(lobes * np.arctan2(dy, dx)))
    mask = drawn(shape - np.hypot(dy, dx), width)
    back = touch.moved(touch.moved(mask, by_px), -by_px) > 127
    region = mask > 127
    exact = np.where(region, distance_transform_edt(region) - 0.5, 0.5 - distance_transform_edt(~region))
    assert not (back & (exact < -1.5)).any()
    assert not (~back & (exact > 1.5)).any()


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_moved_by_nothing_is_the_same(dtype: type) -> None:
    """A widening of 0 changes no bit, and gives the very head."""
    made = head(disc(40, 9, dtype=dtype))
    np.testing.assert_array_equal(touch.moved(made.mask, 0), made.mask)
    assert touch.touch(made, touches(), SIZE) is made


@pytest.mark.parametrize("value", [0, 100, 200, 255])
def test_a_mask_without_a_seam_stays(value: int) -> None:
    """Nowhere or everywhere more than half: there is no seam that could be moved."""
    mask = np.full(SHAPE, value, np.uint8)
    np.testing.assert_array_equal(touch.moved(mask, 7), mask)


def test_where_the_picture_ends_a_mask_reaches_its_end() -> None:
    """A mask that runs out of the layer is not drawn back from there when it is made narrower."""
    mask = drawn(np.add.outer(np.arange(80), np.zeros(60)) - 30, 6)
    got = touch.moved(mask, -10)
    assert (got[-1] == 255).all()
    assert (got[46:] == 255).all()
    assert (got[:35] == 0).all()


# -- the brush ----------------------------------------------------------------------------------------------


@given(
    points=st.lists(st.tuples(st.floats(-40, 220), st.floats(-40, 190)), min_size=1, max_size=5),
    radius_px=st.floats(1, 50),
    softness=st.floats(0, 1),
)
@example(points=[(0.0, 5.0), (1e-160, 5.0)], radius_px=9.0, softness=0.5)
@settings(max_examples=40, deadline=None)
def test_a_brush_covers_what_lies_near_its_line(points, radius_px: float, softness: float) -> None:
    """Against the nearest of many points along the line: 1 within the hard part, 0 from the rim on, between
    them the smooth step 3 t^2 - 2 t^3."""
    found = touch.brush(
        Stroke(paints=True, radius_px=radius_px, softness=softness, points=tuple(points)), (0, 0), SHAPE
    )
    got = np.zeros(SHAPE)
    if found is not None:
        got[found[0]] = found[1]
    ends = np.array(points if len(points) > 1 else points * 2)
    dense = np.concatenate([np.linspace(a, b, 4000) for a, b in itertools.pairwise(ends)])
    y, x = np.mgrid[0 : SHAPE[0] : 3, 0 : SHAPE[1] : 3]
    distance, _ = KDTree(dense).query(np.stack([x, y], axis=-1))
    fade = max(1.0, softness * radius_px)
    t = np.clip((radius_px - distance) / fade, 0, 1)
    # The points lie up to 0.09 px apart, so distances are up to half of that too long; the slope is 1.5.
    np.testing.assert_allclose(got[::3, ::3], t * t * (3 - 2 * t), atol=0.01 + 1.5 * 0.045 / fade)


def test_a_stroke_does_not_build_up_where_it_crosses_itself() -> None:
    """Going back over its own line a stroke covers no more than once."""
    once = touch.brush(stroke((40, 40), (120, 90)), OFFSET, SHAPE)
    twice = touch.brush(stroke((40, 40), (120, 90), (40, 40)), OFFSET, SHAPE)
    assert once is not None
    assert twice is not None
    assert once[0] == twice[0]
    np.testing.assert_allclose(once[1], twice[1], atol=1e-4)


@pytest.mark.parametrize("point", [(-30, 70), (90, -30), (220, 70), (90, 200)])
def test_a_stroke_beside_the_layer_changes_nothing(point: tuple[float, float]) -> None:
    """What passes the layer by leaves every bit of the mask."""
    made = head(disc(40, 9))
    assert touch.brush(stroke(point), OFFSET, SHAPE) is None
    np.testing.assert_array_equal(touch.touched_mask(made, touches(stroke(point)), SIZE), made.mask)


# -- painting and erasing -----------------------------------------------------------------------------------


def far_from(points: list[tuple[float, float]]) -> NDArray[np.float64]:
    """Return each pixel's distance from a straight line between two points."""
    a, b = np.array(points[0]), np.array(points[1])
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    t = np.clip(((x - a[0]) * (b - a)[0] + (y - a[1]) * (b - a)[1]) / ((b - a) @ (b - a)), 0, 1)
    return np.hypot(x - a[0] - t * (b - a)[0], y - a[1] - t * (b - a)[1])


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize("softness", [0.0, 0.5, 1.0])
def test_paint_raises_to_full_and_erase_lowers_to_nothing(softness: float, dtype: type) -> None:
    """Along the line all or nothing, beyond the brush not a bit, between them never the wrong way."""
    made, line = head(disc(40, 9, dtype=dtype)), [(60.0, 40.0), (150.0, 60.0)]
    far, top = far_from(line), np.iinfo(dtype).max
    core, outside = far < 8 * (1 - softness) - 1.01, far > 8
    painted = touch.touched_mask(made, touches(stroke(*line, softness=softness)), SIZE)
    erased = touch.touched_mask(made, touches(stroke(*line, softness=softness, paints=False)), SIZE)
    assert (painted[core] == top).all()
    assert (erased[core] == 0).all()
    for got in (painted, erased):
        assert got.dtype == dtype
        np.testing.assert_array_equal(got[outside], made.mask[outside])
        assert (got != made.mask).any()
    assert (painted >= made.mask).all()
    assert (erased <= made.mask).all()


def test_painted_and_erased_again_leaves_nothing_of_it() -> None:
    """The same stroke painted, then erased: nothing shows along it; two of a kind are as good as one."""
    made, line = head(disc(40, 9)), [(20.0, 20.0), (120.0, 50.0)]
    paint, erase = stroke(*line), stroke(*line, paints=False)
    both = touch.touched_mask(made, touches(paint, erase), SIZE)
    alone = touch.touched_mask(made, touches(erase), SIZE)
    core, outside = far_from(line) < 3, far_from(line) > 8
    assert (both[core] == 0).all()
    np.testing.assert_array_equal(both[outside], made.mask[outside])
    assert (both >= alone).all()
    for one in (paint, erase):
        np.testing.assert_array_equal(
            touch.touched_mask(made, touches(one, one), SIZE), touch.touched_mask(made, touches(one), SIZE)
        )


@given(strokes=strokes_drawn, widen_px=st.floats(-10, 10), deep=st.booleans())
@settings(max_examples=40, deadline=None)
def test_undoing_gives_the_bytes_of_before(strokes: list[Stroke], widen_px: float, deep: bool) -> None:
    """A stroke laid and removed leaves every byte; strokes laid on a finished mask one at a time are the same
    as all together, where the donor is known."""
    made = head(disc(40, 9, dtype=np.uint16 if deep else np.uint8))
    before = touch.touched_mask(made, touches(*strokes, widen_px=widen_px), SIZE)
    one_more = stroke((90, 75), radius_px=30)
    more = touch.touched_mask(made, touches(*strokes, one_more, widen_px=widen_px), SIZE)
    again = touch.touched_mask(made, touches(*strokes, widen_px=widen_px), SIZE)
    assert before.tobytes() == again.tobytes()
    assert (more >= before).all()
    step = touch.touched_mask(made, touches(widen_px=widen_px), SIZE)
    for one in strokes:
        step = touch.touched_mask(replace(made, mask=step), touches(one), SIZE)
    assert step.tobytes() == before.tobytes()


# -- what may be shown --------------------------------------------------------------------------------------


def test_what_the_donor_does_not_show_cannot_be_painted() -> None:
    """Where its frame does not reach nothing is shown, by brush or by widening; elsewhere it is."""
    known = np.ones(SHAPE, bool)
    known[:, 120:] = False
    made = head(disc(40, 9) * known.astype(np.uint8), known=known)
    brushed = touch.touched_mask(made, touches(stroke((90, 75), (170, 75), radius_px=20)), SIZE)
    widened = touch.touched_mask(made, touches(widen_px=25), SIZE)
    for got in (brushed, widened):
        new = made.mask == 0
        assert (got[:, 120:] == 0).all()
        # A resampling kernel mixes the outermost pixels with nothing.
        assert (got[:, 118:][new[:, 118:]] == 0).all()
    assert brushed[75, 100] == 255
    assert widened[30, 60] > made.mask[30, 60]


def test_what_showed_before_may_be_erased_and_painted_again() -> None:
    """Where the builder knew what to show beyond the donor's frame it may be shown again, up to that."""
    known = np.zeros(SHAPE, bool)
    known[:, :60] = True
    made = head(disc(40, 9), known=known)
    erase, paint = stroke((90, 75), radius_px=20, paints=False), stroke((90, 75), radius_px=60)
    assert touch.touched_mask(made, touches(erase), SIZE)[75, 90] == 0
    again = touch.touched_mask(made, touches(erase, paint), SIZE)
    np.testing.assert_array_equal(again[:, 60:], made.mask[:, 60:])


def test_nothing_is_painted_up_to_the_donors_very_end() -> None:
    """Close by the end of the donor's frame its pixels are not trusted."""
    known = np.ones(SHAPE, bool)
    known[:, 130:] = False
    everywhere = touches(stroke((90, 75), radius_px=200, softness=0))
    shown = touch.touched_mask(head(disc(20, 9), known=known), everywhere, SIZE)[75]
    assert int(np.flatnonzero(shown)[-1]) == 129 - touch.UNSURE_PX


def test_a_head_that_has_not_kept_its_donor_is_only_made_smaller() -> None:
    """Nobody knows what lies beyond its mask, so nothing rises; erasing goes on as ever."""
    made = head(disc(40, 9), kept=False)
    everywhere = stroke((90, 75), radius_px=300, softness=0)
    np.testing.assert_array_equal(touch.touched_mask(made, touches(everywhere), SIZE), made.mask)
    np.testing.assert_array_equal(touch.touched_mask(made, touches(widen_px=9), SIZE) > made.mask, False)
    assert not touch.touched_mask(made, touches(replace(everywhere, paints=False)), SIZE).any()


@pytest.mark.parametrize("at_end", [False, True])
def test_a_mask_falls_softly_where_the_layer_ends_but_not_where_the_picture_does(at_end: bool) -> None:
    """Painted all over, the layer's sides would be a hard edge in the picture; the picture's own are none."""
    offset = (0, 0) if at_end else OFFSET
    size = SHAPE[::-1] if at_end else SIZE
    made = head(disc(30, 9), offset=offset)
    got = touch.touched_mask(made, touches(replace(stroke((90, 75), radius_px=400, softness=0))), size)
    assert got[75, 90] == 255
    rims = (got[0], got[-1], got[:, 0], got[:, -1])
    if at_end:
        assert (got == 255).all()
    else:
        assert max(int(r.max()) for r in rims) < 60
        assert (got[8:-8, 8:-8] == 255).all()


# -- the whole head -----------------------------------------------------------------------------------------


@given(strokes=strokes_drawn, widen_px=st.floats(-12, 12), deep=st.booleans())
@settings(max_examples=15, deadline=None)
def test_outside_the_mask_not_a_bit_changes(strokes: list[Stroke], widen_px: float, deep: bool) -> None:
    """Laid over the base a touched head leaves everything outside its mask, and itself stays as it was."""
    dtype = np.uint16 if deep else np.uint8
    base = noise(SIZE[::-1], dtype, 3)
    made = head(disc(40, 9, dtype=dtype))
    kept = made.mask.copy(), made.pixels.copy()
    got = touch.touch(made, touches(*strokes, widen_px=widen_px), SIZE)
    whole = np.zeros(base.shape[:2], dtype)
    whole[OFFSET[1] : OFFSET[1] + SHAPE[0], OFFSET[0] : OFFSET[0] + SHAPE[1]] = got.mask
    laid = composite.lay(base, [got])
    np.testing.assert_array_equal(laid[whole == 0], base[whole == 0])
    assert got.mask.dtype == got.pixels.dtype == dtype
    assert (got.person, got.offset, got.mask.shape) == (made.person, made.offset, made.mask.shape)
    np.testing.assert_array_equal(made.mask, kept[0])
    np.testing.assert_array_equal(made.pixels, kept[1])
    again = touch.touch(made, touches(*strokes, widen_px=widen_px), SIZE)
    assert (again.mask.tobytes(), again.pixels.tobytes()) == (got.mask.tobytes(), got.pixels.tobytes())


def test_where_the_mask_rises_the_donor_itself_shows() -> None:
    """What was blended into the base gives way to the donor where more of it is asked for, and only there."""
    made = head(disc(40, 9))
    line = [(20.0, 20.0), (120.0, 20.0)]
    painted = touch.touch(made, touches(stroke(*line)), SIZE)
    assert made.unblended is not None
    core = (far_from(line) < 3) & (made.mask == 0)
    np.testing.assert_array_equal(painted.pixels[core], made.unblended[core])
    same = painted.mask == made.mask
    np.testing.assert_array_equal(painted.pixels[same], made.pixels[same])
    erased = touch.touch(made, touches(stroke(*line, (90, 75), paints=False)), SIZE)
    np.testing.assert_array_equal(erased.pixels, made.pixels)
    with pytest.raises(ValueError, match="read-only"):
        painted.mask[0, 0] = 1


def two_pictures(reach: float) -> tuple[Array, Head]:
    """Return a base, and a head that differs from it within a circle: by 40 steps, and by stripes."""
    h, w = SIZE[::-1]
    y, x = np.mgrid[0:h, 0:w]
    base = np.dstack([120 + 10 * np.sin(x / 9 + k) + 10 * np.sin(y / 11) for k in range(3)]).astype(np.uint8)
    part = base[OFFSET[1] : OFFSET[1] + SHAPE[0], OFFSET[0] : OFFSET[0] + SHAPE[1]]
    inside = np.hypot(*(np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]] - np.array([75, 90])[:, None, None])) < reach
    stripes = 40 * inside * (1 + np.sin(np.arange(SHAPE[1]) / 2))
    donor = np.clip(part + stripes[..., None], 0, 255).astype(np.uint8)
    made = head(disc(40, 6))
    return base, replace(made, pixels=donor, unblended=donor, reached=np.ones(SHAPE, bool))


def looked_over(base: Array, made: Head) -> list[faults.Place]:
    """Return what a viewer may find of a head that is laid over the base."""
    part = base[OFFSET[1] : OFFSET[1] + SHAPE[0], OFFSET[0] : OFFSET[0] + SHAPE[1]]
    return faults.find(part, made, FACE_PX)


def test_a_seam_is_looked_over_where_it_lies_now() -> None:
    """Moved from where both pictures are equal to where they are not, the new edge has places that a viewer
    may find, all of them on it; moved back it has none, as it had none before."""
    base, made = two_pictures(30)
    broken = touch.touch(made, touches(widen_px=-15), SIZE)
    found = looked_over(base, broken)
    assert looked_over(base, made) == looked_over(base, touch.touch(broken, touches(widen_px=15), SIZE)) == []
    assert max(place.amount for place in found) > 1
    far = [float(np.hypot(*(np.array(place.at) - OFFSET - (90, 75)))) for place in found]
    assert far == pytest.approx([25] * len(far), abs=6)


FIT = Misfit(pose=0.01, border_delta_e=2.0, covered=0.03, crisper=0.2)


def test_how_an_inner_face_fits_is_forgotten_once_its_mask_is_another() -> None:
    """It is true of the mask that was cut alone; what else is known of how a head was joined stays true."""
    joint = Joint(
        tone_delta_e=3.0, grain_ratio=1.5, head_hidden=0.1, invented=0.2, old_head_left=0.3, misfit=FIT
    )
    made = replace(head(disc(40, 9)), joint=joint)
    assert touch.touch(made, touches(widen_px=5), SIZE).joint == replace(joint, misfit=None)
    beside = touch.touch(made, touches(stroke((-90, -75))), SIZE)
    assert beside is made


def test_a_stroke_without_width_covers_nothing() -> None:
    """It is refused when it is kept; until then it must not divide by its width."""
    line = Stroke(paints=False, radius_px=0.0, softness=0.5, points=((0.0, 0.0), (30.0, 25.0)))
    assert touch.brush(line, (0, 0), SHAPE) is None
