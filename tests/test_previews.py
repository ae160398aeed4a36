"""The small pictures of the page show the right place, at the right size, in the right colours."""

from __future__ import annotations

import dataclasses

import cv2
import numpy as np
import pytest

from facemerge.formats import icc, previews
from facemerge.imaging import full_scale
from facemerge.words import Array, Head, Joint


def decoded(data: bytes) -> Array:
    """Return a JPEG as (H, W, 3) RGB."""
    image = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    assert image is not None
    return np.asarray(image[..., ::-1])


def ramp(size: tuple[int, int], dtype: type = np.uint8) -> Array:
    """Return a smooth picture: red grows to the right, green downwards."""
    y, x = np.mgrid[0 : size[1], 0 : size[0]]
    rgb = np.stack([x / size[0], y / size[1], np.full_like(x, 0.5, float)], axis=-1)
    return np.asarray((rgb * np.iinfo(dtype).max).astype(dtype))


@pytest.mark.parametrize(
    ("size", "expected"), [((3600, 1000), (1800, 500)), ((900, 1200), (900, 1200)), ((1, 1), (1, 1))]
)
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_whole_picture(size: tuple[int, int], expected: tuple[int, int], dtype: type) -> None:
    """At most 1800 px wide, never enlarged, and the same picture."""
    found = decoded(previews.whole_picture(ramp(size, dtype), None))
    assert found.shape[1::-1] == expected
    middle = found[expected[1] // 2, expected[0] // 2].astype(int)
    assert np.abs(middle - ramp(size)[size[1] // 2, size[0] // 2]).max() <= 4


def test_pictures_are_srgb() -> None:
    """What the page shows is converted from the frame's profile."""
    plain = np.full((40, 40, 3), (60, 180, 90), np.uint8)
    expected = icc.to_srgb(plain, icc.made("adobergb"))[0, 0].astype(int)
    found = decoded(previews.whole_picture(plain, icc.made("adobergb")))[20, 20]
    assert np.abs(found - expected).max() <= 3
    assert np.abs(expected - [60, 180, 90]).max() > 20


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_face_picture(dtype: type) -> None:
    """The middle of the face is the middle of the picture, and it has the room of hair and collar."""
    found = decoded(previews.face_picture(ramp((400, 400), dtype), (190.0, 90.0, 230.0, 140.0), None))
    assert found.shape == (165, 132, 3)
    middle = found[82, 66].astype(int)
    assert abs(middle[0] - 255 * 210 / 400) <= 4
    assert abs(middle[1] - 255 * 115 / 400) <= 4
    width_shown = (int(found[82, -1, 0]) - int(found[82, 0, 0])) * 400 / 255
    assert 60 <= width_shown <= 80


@pytest.mark.parametrize(
    "box", [(-30.0, -30.0, 20.0, 20.0), (380, 380, 430, 430), (5, 5, 5, 5), (900, 900, 950, 950)]
)
def test_face_at_the_edge(box: tuple[float, float, float, float]) -> None:
    """A face that reaches over the edge, or has no size, still gives a picture of the same size."""
    assert decoded(previews.face_picture(ramp((400, 400)), box, None)).shape == (165, 132, 3)


DONOR = 0.95
"""How light the donor's frame is, of full scale."""


def head(offset: tuple[int, int], dtype: type = np.uint8) -> Head:
    """Return a black head of 60 x 60 with a round mask of 40 across, from a frame that is light there."""
    y, x = np.mgrid[0:60, 0:60]
    mask = (np.hypot(x - 29.5, y - 29.5) < 20) * np.iinfo(dtype).max
    return Head(
        person="P01",
        offset=offset,
        pixels=np.zeros((60, 60, 3), dtype),
        mask=mask.astype(dtype),
        joint=Joint(),
        placement="",
        unblended=np.full((60, 60, 3), DONOR * np.iinfo(dtype).max, dtype),
    )


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_head_pictures_show_one_area(dtype: type) -> None:
    """Before and after are the same area at the same scale, up to twice its size; only the head differs."""
    base = ramp((400, 300), dtype)
    composite = base.copy()
    composite[110:150, 160:200] = full_scale(base)
    made = previews.head_pictures(base, composite, head((150, 100), dtype), (), None)
    before, after = decoded(made.base).astype(int), decoded(made.composite).astype(int)
    assert before.shape == after.shape
    # 40 px of mask, a fifth of that and 4 px of room on each side, twice as large.
    assert before.shape[:2] == (128, 128)
    h, w = before.shape[:2]
    assert np.abs(before - after)[h // 2, w // 2].max() > 100
    assert np.abs(before - after)[:8].max() <= 8


def test_outline_runs_where_the_mask_ends() -> None:
    """The line is drawn on the rim of the mask and nowhere else; the worst place is ringed."""
    grey = np.full((300, 400, 3), 128, np.uint8)
    made = previews.head_pictures(grey, grey, head((150, 100)), (), None)
    line = np.abs(decoded(made.outline).astype(int) - 128).max(axis=2) > 60
    y, x = np.nonzero(line)
    # 64 px are shown at twice their size; the mask's middle is the picture's.
    far = np.hypot(x - 63.5, y - 63.5) / 2
    assert len(far) > 100
    assert far.min() >= 17
    assert far.max() <= 23
    ringed = previews.head_pictures(grey, grey, head((150, 100)), [(180.0, 130.0)], None)
    assert np.abs(decoded(ringed.outline).astype(int) - 128)[40:90, 40:90].max() > 60


@pytest.mark.parametrize("offset", [(-30, -30), (370, 270), (500, 500)])
def test_head_over_the_edge(offset: tuple[int, int]) -> None:
    """A head that reaches over the edge of the picture, or lies outside, still gives its three pictures."""
    base = ramp((400, 300))
    made = previews.head_pictures(base, base, head(offset), (), None)
    assert decoded(made.base).shape == decoded(made.composite).shape
    assert decoded(made.outline).size > 0


def told_apart(
    place: tuple[float, float], size: tuple[int, int] = (400, 300), dtype: type = np.uint8
) -> tuple:
    """Return the seam pictures of a dark composite on a light base, the mask's middle at 180, 130."""
    base = np.full((size[1], size[0], 3), np.iinfo(dtype).max // 4 * 3, dtype)
    composite = np.full_like(base, np.iinfo(dtype).max // 4)
    (made,) = previews.seam_pictures(base, composite, head((150, 100), dtype), [place], None)
    return made, *(decoded(data).astype(int) for data in (made.base, made.donor, made.composite, made.line))


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_seam_pictures_show_the_weakest_place(dtype: type) -> None:
    """Base, donor, composite and line are one area of 180 px, each pixel twice as large, the place in its
    middle; the donor is shown as it was laid, as far as the head's layer goes, and beyond it the base."""
    made, before, donor, after, line = told_apart((200.0, 130.0), dtype=dtype)
    assert (made.zoom, made.size) == (200, (360, 360))
    assert before.shape == donor.shape == after.shape == line.shape == (360, 360, 3)
    assert np.abs(before - 190).max() <= 4
    assert np.abs(after - 64).max() <= 4
    # The layer reaches from x 150, y 100 over 60 px each way; the picture begins at 110, 40. JPEG blurs
    # what lies within a block of its rim.
    layer = np.zeros(donor.shape[:2], bool)
    layer[120:240, 80:200] = True
    rim = cv2.morphologyEx(layer.astype(np.uint8), cv2.MORPH_GRADIENT, np.ones((17, 17), np.uint8)) > 0
    assert np.abs(donor - 255 * DONOR)[layer & ~rim].max() <= 4
    assert np.abs(donor - before)[~layer & ~rim].max() <= 4
    drawn = np.abs(line - after).max(axis=2) > 60
    y, x = np.nonzero(drawn)
    # The mask is round: 20 px around 179.5, 129.5; the picture begins at 110, 40, and a ring is 14 px wide.
    to_mask = np.abs(np.hypot(x / 2 + 110 - 179.5, y / 2 + 40 - 129.5) - 20)
    to_ring = np.abs(np.hypot(x / 2 + 110 - 200, y / 2 + 40 - 130) - 14)
    assert (np.minimum(to_mask, to_ring) < 3).all()
    assert (to_mask < 3).sum() > 300
    assert (to_ring < 3).sum() > 300


def test_seam_pictures_average_nothing() -> None:
    """A step of one pixel is shown as a step, neither soft nor moved: both sides of it are of two pixels."""
    base = np.full((300, 400, 3), 60, np.uint8)
    base[:, 190:] = 180
    (made,) = previews.seam_pictures(base, base, head((150, 100)), [(190.0, 130.0)], None)
    row = decoded(made.base)[180, :, 0].astype(int)
    # The picture begins at x 100.
    assert np.abs(row[:178] - 60).max() <= 12
    assert np.abs(row[182:] - 180).max() <= 12
    assert row[181] - row[178] > 90


@pytest.mark.parametrize(
    ("size", "place", "shown"),
    [
        ((400, 300), (0.0, 0.0), (360, 360)),
        ((400, 300), (399.0, 299.0), (360, 360)),
        ((100, 60), (50.0, 30.0), (200, 120)),
        ((400, 90), (399.0, 89.0), (360, 180)),
    ],
)
def test_seam_at_the_edge(size: tuple[int, int], place: tuple[float, float], shown: tuple[int, int]) -> None:
    """At an edge the area is moved into the picture; a picture smaller than that is shown as a whole."""
    made, before, *_ = told_apart(place, size)
    assert made.size == shown == before.shape[1::-1]
    assert np.abs(before - 190).max() <= 4


def test_a_large_head_is_shown_at_its_own_size() -> None:
    """A head of a close portrait needs no magnifying: a pixel is a pixel."""
    base = ramp((1600, 1500))
    large = Head(
        person="P01",
        offset=(100, 100),
        pixels=np.zeros((1300, 1300, 3), np.uint8),
        mask=np.full((1300, 1300), 255, np.uint8),
        joint=Joint(),
        placement="",
    )
    (made,) = previews.seam_pictures(base, base, large, [(800.0, 700.0)], None)
    assert (made.zoom, made.size) == (100, (360, 360))
    found = decoded(made.base).astype(int)
    assert np.abs(found[::40, ::40] - base[520:880:40, 620:980:40]).max() <= 4


@pytest.mark.parametrize("offset", [(-30, -30), (370, 270)])
def test_a_donor_over_the_edge_is_shown_as_far_as_the_picture_goes(offset: tuple[int, int]) -> None:
    """Of a layer that reaches over the picture's edge the part within it is shown, at its place."""
    base = np.full((300, 400, 3), 60, np.uint8)
    place = (min(max(offset[0], 0), 399.0), min(max(offset[1], 0), 299.0))
    (made,) = previews.seam_pictures(base, base, head(offset), [place], None)
    light = decoded(made.donor)[..., 0] > 150
    # 30 px of it lie within, each shown twice as large, in the corner that is the picture's own.
    expected = np.zeros((360, 360), bool)
    expected[(slice(0, 60),) * 2 if offset[0] < 0 else (slice(300, 360),) * 2] = True
    assert (light != expected).mean() < 0.001


def test_a_head_that_has_not_kept_its_donor_shows_its_layer() -> None:
    """What the donor looked like before it was blended is not known: the layer as it is laid is shown."""
    base = np.full((300, 400, 3), 190, np.uint8)
    bare = dataclasses.replace(head((150, 100)), unblended=None)
    (made,) = previews.seam_pictures(base, base, bare, [(180.0, 130.0)], None)
    # The layer reaches over 60 px from x 150, y 100; the picture begins at 90, 40.
    middle = decoded(made.donor)[136:224, 136:224]
    assert middle.max() <= 4


@pytest.mark.parametrize("places", [[], [(-5.0, 20.0)], [(500.0, 20.0), (20.0, 300.0)]])
def test_no_seam_picture_of_nowhere(places: list[tuple[float, float]]) -> None:
    """Where no weak place is known, or none that lies in the picture, there is nothing to show."""
    base = ramp((400, 300))
    assert previews.seam_pictures(base, base, head((150, 100)), places, None) == ()


def test_weak_places_are_shown_the_worst_first_and_none_twice() -> None:
    """Three at most; a place that an earlier picture shows already is ringed there, and that is all."""
    base = ramp((900, 600))
    at = [(180.0, 130.0), (200.0, 150.0), (500.0, 130.0), (500.0, 400.0), (800.0, 500.0)]
    found = previews.seam_pictures(base, base, head((150, 100)), at, None)
    corners = [(90, 40), (410, 40), (410, 310)]
    assert len(found) == len(corners)
    for made, (x, y) in zip(found, corners, strict=True):
        area = base[y : y + 180, x : x + 180]
        assert np.abs(decoded(made.base)[::20, ::20].astype(int) - area[::10, ::10]).max() <= 6
    rings = np.abs(decoded(found[0].line).astype(int) - decoded(found[0].composite)).max(2) > 60
    for x, y in at[:2]:
        x0, y0 = 2 * (x - 90), 2 * (y - 40)
        assert rings[int(y0), int(x0) + 26 : int(x0) + 33].any()
