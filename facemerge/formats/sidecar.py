"""XMP sidecars: what was seen of a frame, put into FRAME.xmp beside what others have written there.

ISO 16684-1:2019 for the packet, and for the regions what `regions` names. What a person has written is never
overwritten: beside each value that a person might write too, a copy is kept in a namespace of our own. Where
the two are no longer the same somebody has changed it, and from then on it is theirs.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final
from xml.sax.saxutils import escape, quoteattr

from facemerge.formats.names import DC, IPTC_EXT, META, MWG_RS, OURS, RDF, ST_AREA, ST_DIM, XMP, xml_text
from facemerge.formats.rdf import (
    BrokenPacketError,
    Element,
    Part,
    about,
    append,
    container,
    cut,
    edited,
    fields,
    items,
    number,
    parse,
    properties,
    text,
)
from facemerge.formats.regions import (
    ID_STEM,
    REGION_NAMES,
    Area,
    Region,
    alternatives,
    area_of_mwg,
    declarations,
    iptc_item,
    iptc_property,
    mwg_item,
    mwg_property,
)

Found = Mapping[str, Sequence[Part]]
Fields = Mapping[str, Part]

_PLAIN: Final = {"rating": f"{XMP} Rating", "description": f"{DC} description"}
"""What we keep a copy of, by the copy's name."""
_MWG, _IPTC = f"{MWG_RS} Regions", f"{IPTC_EXT} ImageRegion"
_DECLARED: Final = declarations(REGION_NAMES)
_SAME_SHAPE: Final = 0.01
"""How far the sides' proportion may be off before regions are taken for those of another cut."""
_SAME_FACE: Final = 5.0
"""How many times larger than ours somebody's region of the same face may be: some draw the whole head."""

NEW: Final = (
    f'<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>\n<x:xmpmeta xmlns:x="{META}">\n'
    f' <rdf:RDF xmlns:rdf="{RDF}">\n </rdf:RDF>\n</x:xmpmeta>\n<?xpacket end="w"?>\n'
).encode()
"""A sidecar that says nothing yet."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What is to be said of one frame."""

    size: tuple[int, int]
    """(W, H) in pixels as stored."""
    rating: int | None
    """0 to 5; None: nothing is said of it."""
    caption: str
    """Plain words, or ''."""
    keepers: tuple[str, ...]
    """Ids of the people whose best head is here."""
    regions: tuple[Region, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Change:
    """What is taken out of a packet and put into it."""

    out: tuple[Part, ...] = ()
    own: tuple[str, ...] = ()
    """Properties for our own description."""
    box: Element | None = None
    """Somebody's list."""
    items: tuple[str, ...] = ()
    """What goes into that."""


def merged(packet: bytes, seen: Seen) -> bytes:
    """Return a sidecar in which a frame's facts stand beside what others have written.

    What others have written stays byte for byte, and the same facts a second time change nothing.

    Parameters
    ----------
    packet
        The sidecar as it is, or `NEW`.
    seen
        What is to be said.

    Raises
    ------
    BrokenPacketError
        If the sidecar cannot be read; it is then best left alone.
    """
    rdf = parse(packet)
    found = properties(rdf)
    marks = tuple(p for name, parts in found.items() if name.startswith(f"{OURS} ") for p in parts)
    keepers = "".join(f"<rdf:li>{person}</rdf:li>" for person in seen.keepers)
    changes = (
        _value(found, "rating", _rating(seen.rating) if seen.rating is not None else "", str(seen.rating)),
        _value(found, "description", _caption(seen.caption) if seen.caption else "", seen.caption),
        _Change(
            out=marks,
            own=(f"<facemerge:keepers><rdf:Bag>{keepers}</rdf:Bag></facemerge:keepers>",) if keepers else (),
        ),
        _mwg(found, seen),
        _iptc(found, seen),
    )
    cuts = cut(packet, rdf, [part for change in changes for part in change.out])
    edits = list(cuts)
    for change in changes:
        if change.box is not None:
            edits += append(packet, change.box, change.items, cuts)
    own = [text for change in changes for text in change.own]
    edits += append(packet, rdf, [_description(about(rdf), own)] if own else [], cuts)
    return edited(packet, edits)


def rating_in(packet: bytes) -> float:
    """Return the rating in a packet; 0, 'unrated', if it holds none or cannot be read."""
    try:
        found = properties(parse(packet))
    except BrokenPacketError:
        return 0.0
    return number(_first(found, _PLAIN["rating"])) or 0.0


def _first(found: Found, name: str) -> Part | None:
    return next(iter(found.get(name, ())), None)


def _rating(rating: int) -> str:
    return f"<xmp:Rating>{rating}</xmp:Rating>"


def _caption(text: str) -> str:
    return f"<dc:description>{alternatives(text)}</dc:description>"


def _value(found: Found, mark: str, new: str, says: str) -> _Change:
    """Return how a plain value changes, which may be ours, a person's, or nobody's.

    Parameters
    ----------
    mark
        Under which name of our own what we write is kept.
    new
        The property, or '' if there is nothing to say.
    says
        What it says.
    """
    there = tuple(found.get(_PLAIN[mark], ()))
    marked = _first(found, f"{OURS} {mark}")
    said, kept = _said(next(iter(there), None)), text(marked)
    nothing = said == "" or (mark == "rating" and _same(said, "0"))
    if marked is not None and not _same(said, kept):
        # Emptied, it must stay so, and the mark is what tells; changed, it speaks for itself.
        return _Change(own=(_marked(mark, kept),) if nothing else ())
    if marked is None and not nothing:
        return _Change()
    if not new:
        return _Change(out=there if marked is not None else ())
    return _Change(out=there, own=(new, _marked(mark, says)))


def _said(part: Part | None) -> str:
    # A text that somebody has put into another language too is no longer ours alone.
    return " ".join(text(item) for item in items(part)) or text(part)


def _same(a: str, b: str) -> bool:
    # The word "nan" is a number that equals no other, itself included.
    if a.split() == b.split():
        return True
    try:
        return float(a) == float(b)
    except ValueError:
        return False


def _marked(name: str, value: str) -> str:
    return f"<facemerge:{name}>{escape(xml_text(value))}</facemerge:{name}>"


def _mwg(found: Found, seen: Seen) -> _Change:
    part = _first(found, _MWG)
    inside = fields(part)
    box = container(inside.get(f"{MWG_RS} RegionList"))
    lists = _lists(found, _MWG, box, lambda item: _is_ours_mwg(fields(item)))
    if lists is None:
        return _Change()
    out, theirs = lists
    if not theirs:
        return _Change(out=out, own=(mwg_property(seen.regions, seen.size),) if seen.regions else ())
    if not _fits(fields(inside.get(f"{MWG_RS} AppliedToDimensions")), seen.size):
        return _Change(out=out)
    taken = [a for item in theirs if (a := _mwg_area(fields(item))) is not None]
    new = _untaken(seen.regions, taken)
    return _Change(out=out, box=box, items=tuple(mwg_item(r, _DECLARED) for r in new))


def _iptc(found: Found, seen: Seen) -> _Change:
    box = container(_first(found, _IPTC))
    lists = _lists(found, _IPTC, box, lambda item: _is_ours_iptc(fields(item)))
    if lists is None:
        return _Change()
    out, theirs = lists
    if not theirs:
        return _Change(out=out, own=(iptc_property(seen.regions),) if seen.regions else ())
    taken = [a for item in theirs if (a := _iptc_area(fields(item), seen.size)) is not None]
    new = _untaken(seen.regions, taken)
    return _Change(out=out, box=box, items=tuple(iptc_item(r, _DECLARED) for r in new))


def _lists(
    found: Found, name: str, box: Element | None, ours: Callable[[Element], bool]
) -> tuple[tuple[Part, ...], list[Element]] | None:
    """Return what goes out of a list of regions, and the items that are somebody's; None: leave it alone.

    A list that holds nobody's goes out as a whole.
    """
    there = tuple(found.get(name, ()))
    if there and (box is None or len(there) > 1):
        return None
    inside = [] if box is None else box.children
    theirs = [item for item in inside if not ours(item)]
    return (tuple(item for item in inside if ours(item)) if theirs else there), theirs


def _is_ours_mwg(item: Fields) -> bool:
    person = text(fields(item.get(f"{MWG_RS} Extensions")).get(f"{OURS} person"))
    return bool(person) and text(item.get(f"{MWG_RS} Name")) == person


def _is_ours_iptc(item: Fields) -> bool:
    person = text(item.get(f"{IPTC_EXT} rId")).removeprefix(ID_STEM)
    return bool(person) and text(item.get(f"{IPTC_EXT} Name")) == person


def _fits(dimensions: Fields, size: tuple[int, int]) -> bool:
    """Return whether regions made for a picture of some dimensions hold for one of another size."""
    w, h = (number(dimensions.get(f"{ST_DIM} {side}")) for side in "wh")
    if not w or not h:
        return True
    return abs(w * size[1] / (h * size[0]) - 1) <= _SAME_SHAPE


def _mwg_area(item: Fields) -> Area | None:
    if text(item.get(f"{MWG_RS} Type")) not in ("Face", ""):
        return None
    area = fields(item.get(f"{MWG_RS} Area"))
    x, y, w, h = (number(area.get(f"{ST_AREA} {name}")) for name in "xywh")
    if x is None or y is None or w is None or h is None:
        return None
    return area_of_mwg(x, y, w, h)


def _iptc_area(item: Fields, size: tuple[int, int]) -> Area | None:
    boundary = fields(item.get(f"{IPTC_EXT} RegionBoundary"))

    def side(name: str) -> float | None:
        return number(boundary.get(f"{IPTC_EXT} {name}"))

    x, y, w, h = side("rbX"), side("rbY"), side("rbW"), side("rbH")
    radius = side("rbRx")
    pixels = text(boundary.get(f"{IPTC_EXT} rbUnit")) == "pixel"
    wide, high = size if pixels else (1, 1)
    if x is None or y is None:
        return None
    if radius is not None:
        # Of a circle the middle is given, and a radius in shares of the width.
        tall = radius * (1 if pixels else size[0] / size[1])
        x, y, w, h = x - radius, y - tall, 2 * radius, 2 * tall
    if w is None or h is None:
        return None
    return Area(x=x / wide, y=y / high, w=w / wide, h=h / high)


def _untaken(regions: Sequence[Region], taken: Sequence[Area]) -> list[Region]:
    """Return the regions whose face nobody has marked yet."""
    return [r for r in regions if not any(_one_face(r.area, area) for area in taken)]


def _one_face(a: Area, b: Area) -> bool:
    ratio = (a.w * a.h) / (b.w * b.h) if b.w * b.h > 0 else 0.0
    return a.holds(b.centre) and b.holds(a.centre) and 1 / _SAME_FACE < ratio < _SAME_FACE


def _description(about: str, properties: Sequence[str]) -> str:
    inside = "".join(f"\n   {text}" for text in properties)
    return f"<rdf:Description rdf:about={quoteattr(about)}{_DECLARED}>{inside}\n  </rdf:Description>"
