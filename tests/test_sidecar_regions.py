"""A face lies at the same place in a picture's pixels and in both standards, however it is stored."""

from __future__ import annotations

from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image, ImageOps

from facemerge.formats import regions
from facemerge.formats.regions import Area, Region

ORIENTATIONS = range(1, 9)
orientations = st.sampled_from(ORIENTATIONS)
sizes = st.tuples(st.integers(8, 12_000), st.integers(8, 12_000))


@st.composite
def areas(draw: st.DrawFn) -> Area:
    """Return an area inside of a picture."""
    x, y = draw(st.floats(0, 0.9)), draw(st.floats(0, 0.9))
    return Area(x=x, y=y, w=draw(st.floats(0.01, 1 - x)), h=draw(st.floats(0.01, 1 - y)))


def same(a: Area, b: Area, tolerance: float = 1e-9) -> bool:
    """Return whether two areas are one."""
    return bool(np.allclose((a.x, a.y, a.w, a.h), (b.x, b.y, b.w, b.h), rtol=0, atol=tolerance))


def test_published_example() -> None:
    """A centre of (0.5, 0.5) and a size of (0.2, 0.3) on 1000 x 800 pixels reach from (400, 280), 200 x 240.

    MWG, "Guidelines for Handling Image Metadata" 2.0 (2010), image regions: x and y are the centre's, all in
    shares of the stored picture. The numbers are public test values of several readers of that form. IPTC
    Photo Metadata Standard 2023.1, Image Region: x and y of a rectangle are its top-left corner's.
    """
    area = regions.area_of_mwg(0.5, 0.5, 0.2, 0.3)
    assert same(area, Area(x=0.4, y=0.35, w=0.2, h=0.3))
    left, top, right, bottom = regions.box_of_area(area, (1000, 800))
    # Pixel centres lie at integers here, so that the first pixel's left edge is at -0.5.
    assert (left + 0.5, top + 0.5) == pytest.approx((400, 280), abs=1e-9)
    assert (right - left, bottom - top) == pytest.approx((200, 240), abs=1e-9)
    assert regions.mwg_of_area(area) == pytest.approx((0.5, 0.5, 0.2, 0.3), abs=1e-12)


@pytest.mark.parametrize("orientation", ORIENTATIONS)
def test_a_painted_face_is_found_where_it_is_stored(orientation: int) -> None:
    """A rectangle painted into stored pixels, looked at upright by an independent program (Pillow), comes
    back to the stored pixels it was painted on.
    """
    stored = np.zeros((60, 90), np.uint8)
    stored[7:20, 11:31] = 255
    image = Image.fromarray(stored)
    image.getexif()[0x0112] = orientation
    upright = np.asarray(ImageOps.exif_transpose(image))
    rows, columns = (np.flatnonzero((upright > 0).any(axis)) for axis in (1, 0))
    box = (columns[0] - 0.5, rows[0] - 0.5, columns[-1] + 0.5, rows[-1] + 0.5)
    size = (upright.shape[1], upright.shape[0])
    area = regions.area_of_box(box, size)
    assert area is not None
    kept = regions.as_stored(area, orientation)
    assert regions.stored_size(size, orientation) == (90, 60)
    found = regions.box_of_area(kept, (90, 60))
    assert found == pytest.approx((10.5, 6.5, 30.5, 19.5), abs=1e-9)


@given(areas(), orientations)
def test_stored_and_upright_undo_each_other(area: Area, orientation: int) -> None:
    """What is turned into the stored picture comes back, from any of the eight orientations."""
    assert same(regions.as_upright(regions.as_stored(area, orientation), orientation), area)
    assert same(regions.as_stored(regions.as_upright(area, orientation), orientation), area)


@given(areas(), orientations, sizes)
def test_every_form_goes_round(area: Area, orientation: int, size: tuple[int, int]) -> None:
    """Pixels, shares, the stored picture, MWG's four numbers, and all the way back."""
    kept = regions.as_stored(area, orientation)
    back = regions.as_upright(regions.area_of_mwg(*regions.mwg_of_area(kept)), orientation)
    again = regions.area_of_box(regions.box_of_area(back, size), size)
    assert again is not None
    assert same(again, area)


@given(areas(), orientations, sizes)
def test_both_forms_say_the_same_place(area: Area, orientation: int, size: tuple[int, int]) -> None:
    """What is written in MWG's form and in IPTC's differs by half a size and is the same rectangle, to a
    hundredth of a pixel.
    """
    region = Region(person="P01", area=regions.as_stored(area, orientation))
    (x, y, w, h), corner = _written_mwg(region), _written_iptc(region)
    w_px, h_px = regions.stored_size(size, orientation)
    assert (x - w / 2, y - h / 2, w, h) == pytest.approx(corner, abs=2e-6)
    expected = regions.box_of_area(region.area, (w_px, h_px))
    found = regions.box_of_area(Area(x=corner[0], y=corner[1], w=corner[2], h=corner[3]), (w_px, h_px))
    assert found == pytest.approx(expected, abs=0.013)


def _written(item: str) -> ElementTree.Element:
    return ElementTree.fromstring(f"<a{regions.declarations(regions.REGION_NAMES)}>{item}</a>")


def _written_mwg(region: Region) -> tuple[float, ...]:
    area = _written(regions.mwg_item(region)).find(".//{*}Area")
    assert area is not None
    assert area.get("{http://ns.adobe.com/xmp/sType/Area#}unit") == "normalized"
    return tuple(float(area.get(f"{{http://ns.adobe.com/xmp/sType/Area#}}{name}", "")) for name in "xywh")


def _written_iptc(region: Region) -> tuple[float, ...]:
    item = _written(regions.iptc_item(region))
    assert item.findtext(".//{*}rbUnit") == "relative"
    assert item.findtext(".//{*}rbShape") == "rectangle"
    return tuple(float(item.findtext(f".//{{*}}{name}") or "") for name in ("rbX", "rbY", "rbW", "rbH"))


@pytest.mark.parametrize(
    ("box", "expected"),
    [
        ((-0.5, -0.5, 99.5, 49.5), Area(x=0, y=0, w=1, h=1)),
        ((-20, -20, 49.5, 24.5), Area(x=0, y=0, w=0.5, h=0.5)),
        ((49.5, 24.5, 300, 300), Area(x=0.5, y=0.5, w=0.5, h=0.5)),
        ((100, 10, 120, 30), None),
        ((10, -30, 20, -5), None),
        ((20, 20, 20, 20), None),
    ],
)
def test_a_face_at_the_edge_is_cut_there(
    box: tuple[float, float, float, float], expected: Area | None
) -> None:
    """No region reaches out of its picture, and one that lies outside altogether is none."""
    found = regions.area_of_box(box, (100, 50))
    if expected is None:
        assert found is None
    else:
        assert found is not None
        assert same(found, expected)


@pytest.mark.parametrize(
    ("value", "said"), [(0.0, "0"), (-0.0, "0"), (1.0, "1"), (0.5, "0.5"), (1 / 3, "0.333333")]
)
def test_shares_are_short(value: float, said: str) -> None:
    """Numbers are written the same way each time, without what nobody reads."""
    assert regions.share(value) == said
