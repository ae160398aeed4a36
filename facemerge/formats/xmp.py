"""The XMP packet in which a composite says that it is one."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final
from xml.sax.saxutils import escape, quoteattr

from facemerge.formats.exif import Location
from facemerge.formats.names import EXIF, META, RDF, ST_EVT, ST_REF, XMP_MM, xml_text
from facemerge.formats.program import signature
from facemerge.formats.regions import (
    REGION_NAMES,
    Region,
    alternatives,
    declarations,
    iptc_property,
    mwg_property,
)

__all__ = ["COMPOSITE_CAPTURE", "composite_packet", "without_ingredients", "xml_text"]

COMPOSITE_CAPTURE = "http://cv.iptc.org/newscodes/digitalsourcetype/compositeCapture"
"""IPTC NewsCodes, Digital Source Type: a composite whose parts are all captured from life."""

_NAMES: Final = {**REGION_NAMES, "xmpMM": XMP_MM, "stRef": ST_REF, "stEvt": ST_EVT, "exif": EXIF}
# What grows with the number of heads and faces.
_LISTS: Final = ("xmpMM:Ingredients", "xmpMM:History", "mwg-rs:Regions", "Iptc4xmpExt:ImageRegion")


def without_ingredients(packet: bytes) -> bytes:
    """Return a packet of ours without its lists of donors, changes and faces, which grow with the group.

    What the picture is, which frame is the base and how many heads are of other frames stay in it.
    """
    for name in (name.encode() for name in _LISTS):
        packet = re.sub(rb"[ ]*<" + name + rb"[ >].*</" + name + rb">\n", b"", packet, flags=re.DOTALL)
    return packet


def composite_packet(
    base: str,
    donors: Sequence[str],
    *,
    steps: Sequence[str] = (),
    regions: Sequence[Region] = (),
    size: tuple[int, int] = (0, 0),
    location: Location | None = None,
) -> bytes:
    """Return an XMP packet that says what the picture is made of, and who is where in it.

    Parameters
    ----------
    base
        File name of the base frame.
    donors
        File name of the frame each swapped head comes from, one for each head. Empty: the picture is the base
        frame unchanged, and is not called a composite.
    steps
        What was done to the base, one after the other, in plain words.
    regions
        The faces; the picture is stored upright.
    size
        (W, H), needed if there are regions.
    location
        Where it was taken, if that is to be told.
    """
    said = [
        f"<dc:description>{alternatives(_summary(len(donors)))}</dc:description>",
        f"<dc:source>{_text(base)}</dc:source>",
        '<xmpMM:DerivedFrom rdf:parseType="Resource">'
        f"<stRef:filePath>{_text(base)}</stRef:filePath></xmpMM:DerivedFrom>",
    ]
    if donors:
        said.append(_ingredients(donors))
    if steps:
        said.append(_history(base, steps))
    if location is not None:
        said += _place(location)
    if regions:
        said += [mwg_property(regions, size), iptc_property(regions)]
    tool = f"\n    xmp:CreatorTool={quoteattr(signature())}"
    kind = f"\n    Iptc4xmpExt:DigitalSourceType={quoteattr(COMPOSITE_CAPTURE)}" if donors else ""
    inside = "".join(f"   {text}\n" for text in said)
    return (
        f'<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>\n<x:xmpmeta xmlns:x="{META}">\n'
        f' <rdf:RDF xmlns:rdf="{RDF}">\n  <rdf:Description rdf:about=""{declarations(_NAMES)}{tool}{kind}>\n'
        f'{inside}  </rdf:Description>\n </rdf:RDF>\n</x:xmpmeta>\n<?xpacket end="r"?>'
    ).encode()


def _summary(heads: int) -> str:
    if not heads:
        return "One frame of a burst, unchanged: no head was taken from another frame"
    people = "1 person" if heads == 1 else f"{heads} people"
    return f"Composite: heads of {people} taken from other frames of the same burst"


def _ingredients(donors: Sequence[str]) -> str:
    items = "".join(
        f'\n    <rdf:li rdf:parseType="Resource"><stRef:filePath>{_text(name)}</stRef:filePath></rdf:li>'
        for name in sorted(set(donors))
    )
    return f"<xmpMM:Ingredients><rdf:Bag>{items}\n   </rdf:Bag></xmpMM:Ingredients>"


def _history(base: str, steps: Sequence[str]) -> str:
    """Return what was done, as ISO 16684-1's resource events.

    They carry no time: the hour at which a picture was merged would make every run's file another one.
    """
    events = [("created", f"from {base}"), *(("edited", step) for step in steps)]
    items = "".join(
        f'\n    <rdf:li rdf:parseType="Resource"><stEvt:action>{action}</stEvt:action>'
        f"<stEvt:softwareAgent>{_text(signature())}</stEvt:softwareAgent>"
        f"<stEvt:parameters>{_text(what)}</stEvt:parameters></rdf:li>"
        for action, what in events
    )
    return f"<xmpMM:History><rdf:Seq>{items}\n   </rdf:Seq></xmpMM:History>"


def _place(location: Location) -> list[str]:
    """Return a place as CIPA DC-010 writes it: degrees, decimal minutes and a letter."""
    out = [
        f"<exif:GPSLatitude>{_minutes(location.latitude_deg, 'NS')}</exif:GPSLatitude>",
        f"<exif:GPSLongitude>{_minutes(location.longitude_deg, 'EW')}</exif:GPSLongitude>",
    ]
    if location.altitude_m is not None:
        out += [
            f"<exif:GPSAltitudeRef>{int(location.altitude_m < 0)}</exif:GPSAltitudeRef>",
            f"<exif:GPSAltitude>{round(100 * abs(location.altitude_m))}/100</exif:GPSAltitude>",
        ]
    return out


def _minutes(degrees: float, sides: str) -> str:
    units = round(abs(degrees) * 60 * 10_000)
    whole, rest = divmod(units, 60 * 10_000)
    return f"{whole},{rest / 10_000:.4f}{sides[degrees < 0]}"


def _text(text: str) -> str:
    return escape(xml_text(text))
