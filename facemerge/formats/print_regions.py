"""Who is where in a print: the regions of a picture's metadata moved along with its crop.

Both forms, MWG's (Guidelines 2.0, 2010) and IPTC's (Photo Metadata 2023.1), tell shares of a picture, which a
crop changes. What was named by hand keeps its name; what lies outside the crop goes.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from facemerge.formats import rdf
from facemerge.formats.names import IPTC_EXT, MWG_RS, ST_AREA, ST_DIM
from facemerge.formats.rdf import Attribute, BrokenPacketError, Edit, Element, Part
from facemerge.formats.regions import Area, area_of_mwg, mwg_of_area, share

_VALUE = re.compile(rb"(=\s*)(?:\"[^\"]*\"|'[^']*')\Z", re.DOTALL)
_LEAST_LEFT: Final = 0.5
"""A region of which less than this share is left says nothing of the print."""


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """What of a picture a print shows."""

    size: tuple[int, int]
    """(W, H) of the picture."""
    crop: tuple[int, int, int, int]
    """x0, y0, x1, y1 in its pixels."""
    canvas: tuple[int, int]
    """(W, H) of the crop with the white around it, in the same pixels."""
    pixels: tuple[int, int]
    """(W, H) of the file."""

    def moved(self, area: Area) -> Area | None:
        """Return an area of the picture in the print, cut at the crop's edges; None if it is outside."""
        w, h = self.size
        x0, y0, x1, y1 = self.crop
        left, right = (min(max(v * w, x0), x1) for v in (area.x, area.x + area.w))
        top, bottom = (min(max(v * h, y0), y1) for v in (area.y, area.y + area.h))
        whole, here = area.w * w * area.h * h, (right - left) * (bottom - top)
        if here <= 0 or here < _LEAST_LEFT * whole:
            return None
        white = ((self.canvas[0] - (x1 - x0)) // 2, (self.canvas[1] - (y1 - y0)) // 2)
        return Area(
            x=(left - x0 + white[0]) / self.canvas[0],
            y=(top - y0 + white[1]) / self.canvas[1],
            w=(right - left) / self.canvas[0],
            h=(bottom - top) / self.canvas[1],
        )


def cropped(packet: bytes, view: View, fallback: bytes) -> bytes:
    """Return a packet whose regions tell where people are in the print; nothing else of it changes.

    Parameters
    ----------
    packet
        The picture's XMP packet.
    view
        What the print shows.
    fallback
        A packet without regions, taken if this one cannot be read.
    """
    try:
        root = rdf.parse(packet)
        found = rdf.properties(root)
        edits, gone = _mwg(packet, found, view)
        more, others = _iptc(packet, found, view)
        return rdf.edited(packet, [*edits, *more, *rdf.cut(packet, root, [*gone, *others])])
    except (BrokenPacketError, ValueError):
        return fallback


def _mwg(data: bytes, found: Mapping[str, list[Part]], view: View) -> tuple[list[Edit], list[Part]]:
    """Return the edits that move MWG's regions, and what goes."""
    edits: list[Edit] = []
    gone: list[Part] = []
    for part in found.get(f"{MWG_RS} Regions", []):
        inside = rdf.fields(part)
        listed = rdf.items(inside.get(f"{MWG_RS} RegionList"))
        size = rdf.fields(inside.get(f"{MWG_RS} AppliedToDimensions"))
        moved = _put(data, [size.get(f"{ST_DIM} {side}") for side in "wh"], view.pixels)
        outside: list[Part] = []
        for item in listed:
            told = rdf.fields(rdf.fields(item).get(f"{MWG_RS} Area"))
            numbers = [told.get(f"{ST_AREA} {name}") for name in "xywh"]
            known = _four(numbers)
            area = None if known is None else view.moved(area_of_mwg(*known))
            new = [] if area is None else _put(data, numbers, mwg_of_area(area))
            moved += new
            if not new:
                outside.append(item)
        # An empty list would say that nobody is there.
        whole = len(outside) == len(listed)
        edits += [] if whole else moved
        gone += [part] if whole else outside
    return edits, gone


def _iptc(data: bytes, found: Mapping[str, list[Part]], view: View) -> tuple[list[Edit], list[Part]]:
    """Return the edits that move IPTC's regions, and what goes: circles and outlines too."""
    edits: list[Edit] = []
    gone: list[Part] = []
    for part in found.get(f"{IPTC_EXT} ImageRegion", []):
        moved: list[Edit] = []
        outside: list[Part] = []
        for item in rdf.items(part):
            told = rdf.fields(rdf.fields(item).get(f"{IPTC_EXT} RegionBoundary"))
            numbers = [told.get(f"{IPTC_EXT} {name}") for name in ("rbX", "rbY", "rbW", "rbH")]
            in_pixels = rdf.text(told.get(f"{IPTC_EXT} rbUnit")) == "pixel"
            new = _moved_rectangle(data, numbers, view, in_pixels=in_pixels)
            moved += new
            if not new:
                outside.append(item)
        whole = len(outside) == len(rdf.items(part))
        edits += [] if whole else moved
        gone += [part] if whole else outside
    return edits, gone


def _moved_rectangle(data: bytes, numbers: list[Part | None], view: View, *, in_pixels: bool) -> list[Edit]:
    known = _four(numbers)
    if known is None:
        return []
    x, y, w, h = known
    wide, high = view.size if in_pixels else (1, 1)
    area = view.moved(Area(x=x / wide, y=y / high, w=w / wide, h=h / high))
    if area is None:
        return []
    wide, high = view.pixels if in_pixels else (1, 1)
    return _put(data, numbers, (area.x * wide, area.y * high, area.w * wide, area.h * high))


def _four(parts: list[Part | None]) -> tuple[float, float, float, float] | None:
    values = [v for part in parts if (v := rdf.number(part)) is not None]
    return (values[0], values[1], values[2], values[3]) if len(values) == 4 else None


def _put(data: bytes, parts: list[Part | None], values: tuple[float, ...]) -> list[Edit]:
    """Return the edits that give parts other numbers; none if one of them is written in a way unknown."""
    edits = [_set(data, part, share(value)) for part, value in zip(parts, values, strict=True)]
    return [e for e in edits if e is not None] if None not in edits else []


def _set(data: bytes, part: Part | None, value: str) -> Edit | None:
    if isinstance(part, Attribute):
        text = data[part.start : part.end]
        quoted = _VALUE.search(text)
        if quoted is None:
            return None
        return part.start + quoted.start(), part.end, quoted[1] + f'"{value}"'.encode()
    if not isinstance(part, Element) or part.children or part.empty:
        return None
    return part.inside, data.rindex(b"</", part.inside, part.end), value.encode()
