"""Where faces lie in a picture, in the two forms that photo programs read.

MWG: Metadata Working Group, "Guidelines for Handling Image Metadata" 2.0, 2010, image regions: a centre and a
size. IPTC: Photo Metadata Standard 2023.1, Image Region: a corner and a size. Both in shares of the picture
as stored, before its Orientation turns it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final
from xml.sax.saxutils import escape, quoteattr

from facemerge.formats.names import DC, IPTC_EXT, MWG_RS, OURS, RDF, ST_AREA, ST_DIM, XMP, xml_text

ID_STEM: Final = "facemerge-"
"""How the ids of our regions begin; what follows is the person's."""
HUMAN: Final = "http://cv.iptc.org/newscodes/imageregiontype/human"
"""IPTC NewsCodes, Image Region Type."""

REGION_NAMES: Final = {
    "rdf": RDF,
    "dc": DC,
    "xmp": XMP,
    "mwg-rs": MWG_RS,
    "stDim": ST_DIM,
    "stArea": ST_AREA,
    "Iptc4xmpExt": IPTC_EXT,
    "facemerge": OURS,
}
"""Prefixes that the texts below use."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Area:
    """A rectangle in shares of a picture's width and height; (0, 0) is the picture's top-left corner."""

    x: float
    """Left edge."""
    y: float
    """Top edge."""
    w: float
    h: float

    @property
    def centre(self) -> tuple[float, float]:
        """The middle: x, y."""
        return self.x + self.w / 2, self.y + self.h / 2

    def holds(self, point: tuple[float, float]) -> bool:
        """Return whether a point lies in it."""
        return self.x <= point[0] <= self.x + self.w and self.y <= point[1] <= self.y + self.h


@dataclass(frozen=True, slots=True, kw_only=True)
class Region:
    """One face of a picture, and what is said of it."""

    person: str
    """'P01' ..."""
    area: Area
    """In the picture as stored."""
    text: str = ""
    """Plain words, or ''."""


def area_of_box(box: tuple[float, float, float, float], size: tuple[int, int]) -> Area | None:
    """Return a box as shares of its picture, cut at the picture's edges; None if nothing of it is inside.

    Parameters
    ----------
    box
        x0, y0, x1, y1 in pixels, pixel centres at integers: the picture reaches from -0.5 to W - 0.5.
    size
        (W, H).
    """
    (w, h), (x0, y0, x1, y1) = size, box
    left, right = (min(max((x + 0.5) / w, 0.0), 1.0) for x in (x0, x1))
    top, bottom = (min(max((y + 0.5) / h, 0.0), 1.0) for y in (y0, y1))
    if not (left < right and top < bottom):
        return None
    return Area(x=left, y=top, w=right - left, h=bottom - top)


def box_of_area(area: Area, size: tuple[int, int]) -> tuple[float, float, float, float]:
    """Return an area in pixels, the inverse of `area_of_box`."""
    w, h = size
    return (area.x * w - 0.5, area.y * h - 0.5, (area.x + area.w) * w - 0.5, (area.y + area.h) * h - 0.5)


def as_stored(area: Area, orientation: int) -> Area:
    """Return an area of the upright picture in the picture as stored.

    Parameters
    ----------
    area
        In shares of the upright picture.
    orientation
        1 to 8: where the stored picture's first row and column are when it is upright (CIPA DC-008,
        Orientation).
    """
    x, y, w, h = area.x, area.y, area.w, area.h
    if orientation in (2, 3, 7, 6):
        x = 1 - x - w
    if orientation in (3, 4, 7, 8):
        y = 1 - y - h
    return Area(x=y, y=x, w=h, h=w) if orientation >= 5 else Area(x=x, y=y, w=w, h=h)


def as_upright(area: Area, orientation: int) -> Area:
    """Return an area of the stored picture in the upright one, the inverse of `as_stored`."""
    # Undone, a quarter turn one way is one the other way; all the rest undo themselves.
    return as_stored(area, {6: 8, 8: 6}.get(orientation, orientation))


def stored_size(size: tuple[int, int], orientation: int) -> tuple[int, int]:
    """Return (W, H) as stored of a picture whose upright size is given."""
    return (size[1], size[0]) if orientation >= 5 else size


def mwg_of_area(area: Area) -> tuple[float, float, float, float]:
    """Return x, y, w, h as MWG writes them: x and y of the centre."""
    return (*area.centre, area.w, area.h)


def area_of_mwg(x: float, y: float, w: float, h: float) -> Area:
    """Return the area that MWG's four numbers say."""
    return Area(x=x - w / 2, y=y - h / 2, w=w, h=h)


def mwg_item(region: Region, declared: str = "") -> str:
    """Return a region as an item of MWG's list.

    Parameters
    ----------
    region
        Its person is kept beside its name as well: so it is known again as ours, and as somebody else's once
        it has been named.
    declared
        Attributes that declare the prefixes, if nothing around the item does.
    """
    x, y, w, h = (share(v) for v in mwg_of_area(region.area))
    said = _element("mwg-rs:Description", region.text)
    return (
        f'<rdf:li{declared} rdf:parseType="Resource">'
        f"{_element('mwg-rs:Name', region.person)}<mwg-rs:Type>Face</mwg-rs:Type>{said}"
        f'<mwg-rs:Area stArea:x="{x}" stArea:y="{y}" stArea:w="{w}" stArea:h="{h}" stArea:unit="normalized"/>'
        f'<mwg-rs:Extensions rdf:parseType="Resource">{_element("facemerge:person", region.person)}'
        "</mwg-rs:Extensions></rdf:li>"
    )


def iptc_item(region: Region, declared: str = "") -> str:
    """Return a region as an item of IPTC's list; parameters as `mwg_item`."""
    a = region.area
    edges = "".join(
        f"<Iptc4xmpExt:{name}>{share(v)}</Iptc4xmpExt:{name}>"
        for name, v in (("rbX", a.x), ("rbY", a.y), ("rbW", a.w), ("rbH", a.h))
    )
    said = f"<dc:description>{alternatives(region.text)}</dc:description>" if region.text else ""
    return (
        f'<rdf:li{declared} rdf:parseType="Resource">'
        '<Iptc4xmpExt:RegionBoundary rdf:parseType="Resource"><Iptc4xmpExt:rbShape>rectangle'
        f"</Iptc4xmpExt:rbShape><Iptc4xmpExt:rbUnit>relative</Iptc4xmpExt:rbUnit>{edges}"
        f"</Iptc4xmpExt:RegionBoundary>{_element('Iptc4xmpExt:rId', ID_STEM + region.person)}"
        f"<Iptc4xmpExt:Name>{alternatives(region.person)}</Iptc4xmpExt:Name>"
        '<Iptc4xmpExt:rCtype><rdf:Bag><rdf:li rdf:parseType="Resource"><xmp:Identifier><rdf:Bag>'
        f"<rdf:li>{HUMAN}</rdf:li></rdf:Bag></xmp:Identifier></rdf:li></rdf:Bag></Iptc4xmpExt:rCtype>"
        f"{said}</rdf:li>"
    )


def mwg_property(regions: Sequence[Region], size: tuple[int, int]) -> str:
    """Return the whole property of MWG; `size` is (W, H) of the picture as stored."""
    return (
        '<mwg-rs:Regions rdf:parseType="Resource">'
        f'<mwg-rs:AppliedToDimensions stDim:w="{size[0]}" stDim:h="{size[1]}" stDim:unit="pixel"/>'
        f"<mwg-rs:RegionList>{_bag(map(mwg_item, regions))}</mwg-rs:RegionList></mwg-rs:Regions>"
    )


def iptc_property(regions: Sequence[Region]) -> str:
    """Return the whole property of IPTC."""
    return f"<Iptc4xmpExt:ImageRegion>{_bag(map(iptc_item, regions))}</Iptc4xmpExt:ImageRegion>"


def alternatives(text: str) -> str:
    """Return a text as a list of languages with one entry, the default."""
    return f'<rdf:Alt><rdf:li xml:lang="x-default">{escape(xml_text(text))}</rdf:li></rdf:Alt>'


def declarations(names: dict[str, str]) -> str:
    """Return the attributes that declare prefixes, with a space before each."""
    return "".join(f" xmlns:{prefix}={quoteattr(uri)}" for prefix, uri in names.items())


def share(value: float) -> str:
    """Return a share with six digits behind the point, a hundredth of a pixel even in the widest pictures."""
    return f"{value + 0.0:.6f}".rstrip("0").rstrip(".")


def _bag(items: Iterable[str]) -> str:
    inside = "".join(f"\n    {item}" for item in items)
    return f"<rdf:Bag>{inside}\n   </rdf:Bag>"


def _element(name: str, text: str) -> str:
    return f"<{name}>{escape(xml_text(text))}</{name}>" if text else ""
