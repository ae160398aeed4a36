"""Who is where is told of the print as it was of the picture: MWG and IPTC, by two ways of writing XMP."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from facemerge.formats import xmp
from facemerge.formats.print_regions import View, cropped
from facemerge.formats.regions import Area, Region

SIZE = (6000, 4000)
VIEW = View(size=SIZE, crop=(500, 0, 5500, 4000), canvas=(5000, 4000), pixels=(3000, 2400))
FALLBACK = b"<plain/>"


def packet(*areas: Area) -> bytes:
    """Return a packet of ours with faces."""
    regions = [Region(person=f"P{i:02d}", area=a, text="") for i, a in enumerate(areas, 1)]
    return xmp.composite_packet("base.jpg", ["donor.jpg"], regions=regions, size=SIZE)


def mwg(held: bytes) -> list[tuple[float, ...]]:
    """Return MWG's regions as text tells them: x, y of the centre, w, h."""
    found = re.findall(rb'stArea:x="([^"]*)" stArea:y="([^"]*)" stArea:w="([^"]*)" stArea:h="([^"]*)"', held)
    return [tuple(float(v) for v in four) for four in found]


def iptc(held: bytes) -> list[tuple[float, ...]]:
    """Return IPTC's regions as text tells them: x, y of the corner, w, h."""
    each = [re.findall(rb"<Iptc4xmpExt:" + n + rb">([^<]*)<", held) for n in (b"rbX", b"rbY", b"rbW", b"rbH")]
    return [tuple(float(v) for v in four) for four in zip(*each, strict=True)]


def test_a_region_moves_with_the_crop() -> None:
    """6000 x 4000 px cropped to 5000 x 4000: the middle stays, shares of the width grow by a fifth.

    MWG (0.5, 0.5, 0.2, 0.3) = IPTC (0.4, 0.35, 0.2, 0.3): MWG tells the centre (Guidelines 2.0, 2010), IPTC
    the corner (Photo Metadata 2023.1); here both after a width of 0.2 has become 0.24.
    """
    held = cropped(packet(Area(x=0.4, y=0.35, w=0.2, h=0.3)), VIEW, FALLBACK)
    assert mwg(held) == [pytest.approx((0.5, 0.5, 0.24, 0.3))]
    assert iptc(held) == [pytest.approx((0.38, 0.35, 0.24, 0.3))]
    assert b'stDim:w="3000" stDim:h="2400"' in held
    assert b"compositeCapture" in held
    assert b"P01" in held


def test_white_moves_regions_too() -> None:
    """With white above and below, heights shrink by a third; with white beside, widths do."""
    view = View(size=SIZE, crop=(0, 0, 6000, 4000), canvas=(6000, 6000), pixels=(6000, 6000))
    held = cropped(packet(Area(x=0.4, y=0.35, w=0.2, h=0.3)), view, FALLBACK)
    assert iptc(held) == [pytest.approx((0.4, (0.35 * 4000 + 1000) / 6000, 0.2, 0.2), abs=2e-6)]
    beside = View(size=SIZE, crop=(0, 0, 6000, 4000), canvas=(9000, 4000), pixels=(9000, 4000))
    held = cropped(packet(Area(x=0.4, y=0.35, w=0.2, h=0.3)), beside, FALLBACK)
    assert iptc(held) == [pytest.approx(((0.4 * 6000 + 1500) / 9000, 0.35, 0.2 * 2 / 3, 0.3), abs=2e-6)]


def test_who_is_outside_goes_and_who_is_cut_is_cut() -> None:
    """One outside, one of whom 2 of 3 parts are left, one of whom a third is."""
    areas = Area(x=0.0, y=0.2, w=0.05, h=0.1), Area(x=0.0733333, y=0.2, w=0.03, h=0.1)
    third = Area(x=0.0633333, y=0.2, w=0.03, h=0.1)
    held = cropped(packet(*areas, third), VIEW, FALLBACK)
    assert iptc(held) == [pytest.approx((0.0, 0.2, 0.02 * 1.2, 0.1), abs=2e-6)]
    assert len(mwg(held)) == 1
    assert b"facemerge-P02" in held
    assert b"facemerge-P01" not in held


def test_a_list_of_nobody_goes_whole() -> None:
    """If nobody is left, neither list is."""
    held = cropped(packet(Area(x=0.0, y=0.2, w=0.05, h=0.1)), VIEW, FALLBACK)
    assert b"mwg-rs:Region" not in held
    assert b"ImageRegion" not in held
    assert b"compositeCapture" in held


def test_names_given_by_hand_stay_and_elements_are_read_too() -> None:
    """Another program's way of writing: elements for attributes, a name of its own."""
    named = packet(Area(x=0.4, y=0.35, w=0.2, h=0.3)).replace(b"<mwg-rs:Name>P01<", b"<mwg-rs:Name>Aunt<")
    elements = re.sub(
        rb'<mwg-rs:Area stArea:x="([^"]*)" stArea:y="([^"]*)" stArea:w="([^"]*)" stArea:h="([^"]*)"[^>]*/>',
        rb"<mwg-rs:Area rdf:parseType='Resource'><stArea:x>\1</stArea:x><stArea:y>\2</stArea:y>"
        rb"<stArea:w>\3</stArea:w><stArea:h>\4</stArea:h></mwg-rs:Area>",
        named,
    )
    held = cropped(elements, VIEW, FALLBACK)
    assert b"<mwg-rs:Name>Aunt</mwg-rs:Name>" in held
    assert float(re.findall(rb"<stArea:w>([^<]*)<", held)[0]) == pytest.approx(0.24)


def test_pixels_stay_pixels() -> None:
    """IPTC regions told in pixels are told in those of the print."""
    data = packet(Area(x=0.4, y=0.35, w=0.2, h=0.3))
    for share, px in ((b"0.4", b"2400"), (b"0.35", b"1400"), (b"0.2", b"1200"), (b"0.3", b"1200")):
        data = re.sub(rb"(<Iptc4xmpExt:rb[XYWH]>)" + re.escape(share) + rb"<", rb"\g<1>" + px + rb"<", data)
    data = data.replace(b"rbUnit>relative<", b"rbUnit>pixel<")
    # 2400 - 500 px at 3000/5000 = 1140; 1400, 1200, 1200 at the same: simple arithmetic.
    assert iptc(cropped(data, VIEW, FALLBACK)) == [pytest.approx((1140, 840, 720, 720))]


@pytest.mark.parametrize(
    "broken", [b"", b"<", b"no xml", b"<x:xmpmeta xmlns:x='adobe:ns:meta/'/>", b"\xff\xfe"]
)
def test_what_cannot_be_read_gives_the_plain_packet(broken: bytes) -> None:
    """Nothing is said of places rather than something wrong."""
    assert cropped(broken, VIEW, FALLBACK) == FALLBACK


def test_a_packet_without_regions_stays_as_it_is() -> None:
    """Not a byte changes."""
    plain = xmp.composite_packet("base.jpg", ["donor.jpg"])
    assert cropped(plain, VIEW, FALLBACK) == plain


@given(
    st.floats(0.2, 0.6), st.floats(0.2, 0.6), st.floats(0.05, 0.2), st.floats(0.05, 0.2), st.integers(0, 500)
)
def test_a_place_in_the_print_is_the_place_in_the_picture(
    x: float, y: float, w: float, h: float, shift: int
) -> None:
    """An area taken to the print and back, by pixels, is the area; whatever lies inside the crop."""
    view = View(size=SIZE, crop=(shift, 100, 5400 + shift, 3900), canvas=(5400, 4200), pixels=(1350, 1050))
    moved = view.moved(Area(x=x, y=y, w=w, h=h))
    assert moved is not None
    white = (4200 - 3800) // 2
    assert (moved.x * 5400 + shift) / 6000 == pytest.approx(x)
    assert (moved.y * 4200 - white + 100) / 4000 == pytest.approx(y)
    assert (moved.w * 5400 / 6000, moved.h * 4200 / 4000) == pytest.approx((w, h))
