"""XMP packets of other programs, read safely and changed in place: what is not ours stays byte for byte.

A packet is RDF in XML (ISO 16684-1:2019, clause 7), which can be written in many ways. So nothing is written
anew: every element and attribute knows the bytes it lies at, and a change is a list of cuts and insertions.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, Final
from xml.parsers import expat

from facemerge.formats.names import RDF, XML

MOST_BYTES: Final = 64 * 2**20
"""Longer packets are not looked into: many times what drawn masks of an hour's retouching take."""
_DEEPEST: Final = 200

_ATTRIBUTE = rb"\s+([^\s=>/]+)\s*=\s*(?:\"[^\"]*\"|'[^']*')"
_START_TAG = re.compile(rb"<[^\s/>]+(?:" + _ATTRIBUTE + rb")*\s*(/?)>")


class BrokenPacketError(Exception):
    """Why a packet is left as it is: words that follow 'it'."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Attribute:
    """An attribute and where it lies."""

    name: str
    value: str
    start: int
    """Byte at which the space before it begins."""
    end: int


@dataclass(slots=True, kw_only=True, eq=False)
class Element:
    """An element and where it lies; names are 'namespace local'."""

    name: str
    parent: Element | None
    start: int
    attributes: list[Attribute]
    inside: int
    """Byte behind the start tag."""
    empty: bool
    """Whether the start tag is all there is."""
    end: int = 0
    children: list[Element] = field(default_factory=list)
    text: str = ""
    """Its own text, that of its children left out."""

    def attribute(self, name: str) -> str | None:
        """Return an attribute's value, or None."""
        return next((a.value for a in self.attributes if a.name == name), None)


Part = Element | Attribute
"""A property or a field, whichever way it is written."""
Edit = tuple[int, int, bytes]
"""Bytes from, to, and what comes in their place."""


def parse(data: bytes) -> Element:
    """Return the rdf:RDF element of a packet.

    Nothing outside the bytes is opened, and no entity is expanded: a document type, which alone could declare
    any, is refused.

    Raises
    ------
    BrokenPacketError
        If it is no XMP, is broken, or is written in a way that could not be kept.
    """
    if len(data) > MOST_BYTES:
        raise BrokenPacketError("is far too long for metadata")
    try:
        data.decode("utf-8")
    except UnicodeDecodeError as error:
        raise BrokenPacketError("is not written in UTF-8") from error
    reader = _Reader(data)
    try:
        reader.parser.Parse(data, True)
    except expat.ExpatError as error:
        raise BrokenPacketError(f"is broken (line {error.lineno})") from error
    found = [e for e in _all(reader.root) if e.name == f"{RDF} RDF"]
    if len(found) != 1:
        raise BrokenPacketError("holds no metadata in the form of XMP" if not found else "holds two packets")
    about = {_about(e) for e in found[0].children} - {""}
    if any(e.name != f"{RDF} Description" for e in found[0].children) or len(about) > 1:
        raise BrokenPacketError("describes several things at once")
    return found[0]


class _Reader:
    """Builds elements from what the parser tells."""

    def __init__(self, data: bytes) -> None:
        self.data = data
        self.root: Element | None = None
        self.open: list[Element] = []
        # Names come as 'namespace local'; the encoding is settled before.
        self.parser: Any = expat.ParserCreate("utf-8", " ")
        self.parser.ordered_attributes = True
        self.parser.buffer_text = True
        self.parser.XmlDeclHandler = self.declared
        self.parser.StartDoctypeDeclHandler = self.refuse
        self.parser.StartElementHandler = self.begin
        self.parser.EndElementHandler = self.finish
        self.parser.CharacterDataHandler = self.say

    def declared(self, version: str, encoding: str | None, standalone: int) -> None:
        if encoding is not None and encoding.lower() not in ("utf-8", "us-ascii", "ascii"):
            raise BrokenPacketError("is not written in UTF-8")

    def refuse(self, *_: object) -> None:
        raise BrokenPacketError("has a document type, which metadata has no use for")

    def begin(self, name: str, pairs: list[str]) -> None:
        if len(self.open) >= _DEEPEST:
            raise BrokenPacketError("is nested too deep for metadata")
        start = self.parser.CurrentByteIndex
        tag = _START_TAG.match(self.data, start)
        if tag is None:
            raise BrokenPacketError("is broken")
        spans = [
            m.span()
            for m in re.finditer(_ATTRIBUTE, tag[0])
            if m[1] != b"xmlns" and not m[1].startswith(b"xmlns:")
        ]
        attributes = [
            Attribute(name=key, value=value, start=start + a, end=start + b)
            for key, value, (a, b) in zip(pairs[::2], pairs[1::2], spans, strict=True)
        ]
        parent = self.open[-1] if self.open else None
        element = Element(
            name=name,
            parent=parent,
            start=start,
            attributes=attributes,
            inside=tag.end(),
            empty=tag[2] == b"/",
        )
        if parent is None:
            self.root = element
        else:
            parent.children.append(element)
        self.open.append(element)

    def finish(self, name: str) -> None:
        element = self.open.pop()
        at = self.parser.CurrentByteIndex
        element.end = element.inside if element.empty else self.data.index(b">", at) + 1

    def say(self, text: str) -> None:
        if self.open:
            self.open[-1].text += text


def _all(root: Element | None) -> Iterator[Element]:
    waiting = [] if root is None else [root]
    while waiting:
        element = waiting.pop()
        yield element
        waiting.extend(reversed(element.children))


def _about(description: Element) -> str:
    # Old packets write the attribute without its namespace.
    return description.attribute(f"{RDF} about") or description.attribute("about") or ""


def about(rdf: Element) -> str:
    """Return what a packet says it is about, mostly ''."""
    return next((said for e in rdf.children if (said := _about(e))), "")


def properties(rdf: Element) -> dict[str, list[Part]]:
    """Return a packet's properties by name; each once, in a packet that keeps the rules."""
    found: dict[str, list[Part]] = {}
    for description in rdf.children:
        for part in _parts(description):
            found.setdefault(part.name, []).append(part)
    return found


def fields(part: Part | None) -> dict[str, Part]:
    """Return a structure's fields by name, in whichever of RDF's ways it is written."""
    if not isinstance(part, Element):
        return {}
    if len(part.children) == 1 and part.children[0].name == f"{RDF} Description":
        inner = part.children[0]
        return {p.name: p for p in (*_parts(part, elements=False), *_parts(inner))}
    return {p.name: p for p in _parts(part)}


def _parts(element: Element, *, elements: bool = True) -> list[Part]:
    own: list[Part] = [
        a for a in element.attributes if a.name != "about" and not a.name.startswith((f"{RDF} ", f"{XML} "))
    ]
    return [*own, *element.children] if elements else own


def items(part: Part | None) -> list[Element]:
    """Return the items of a list; none if it is no list."""
    box = container(part)
    return [] if box is None else [e for e in box.children if e.name == f"{RDF} li"]


def container(part: Part | None) -> Element | None:
    """Return the rdf:Bag, rdf:Seq or rdf:Alt of a list, or None."""
    if not isinstance(part, Element) or len(part.children) != 1:
        return None
    box = part.children[0]
    return box if box.name in (f"{RDF} Bag", f"{RDF} Seq", f"{RDF} Alt") else None


def text(part: Part | None) -> str:
    """Return a part's text; of alternatives the default's, else the first's; '' if there is none."""
    if part is None:
        return ""
    if isinstance(part, Attribute):
        return part.value.strip()
    found = items(part)
    if found:
        default = [e for e in found if e.attribute(f"{XML} lang") == "x-default"]
        return text((default or found)[0])
    value = fields(part).get(f"{RDF} value")
    return text(value) if value is not None else part.text.strip()


def number(part: Part | None) -> float | None:
    """Return a part's number, or None if it says none."""
    try:
        return float(text(part))
    except ValueError:
        return None


def cut(data: bytes, rdf: Element, parts: Sequence[Part]) -> list[Edit]:
    """Return the edits that take parts out, whole descriptions where nothing else is in them.

    The space before an element goes with it, for `append` has put it there.
    """
    going: list[Part] = list(parts)
    for description in rdf.children:
        inside = _parts(description)
        if inside and all(part in going for part in inside):
            going = [*(part for part in going if part not in inside), description]
    return [(_begin(data, part), part.end, b"") for part in going]


def _begin(data: bytes, part: Part) -> int:
    if isinstance(part, Attribute):
        return part.start
    return len(data[: part.start].rstrip(b" \t\r\n"))


def append(data: bytes, box: Element, fragments: Sequence[str], gone: Sequence[Edit]) -> list[Edit]:
    """Return the edit that puts fragments of XML behind what stays of an element's children.

    Parameters
    ----------
    data, box
        The packet and the element in it.
    fragments
        Elements; each goes on a line of its own.
    gone
        What is cut from the packet.
    """
    new = "".join(f"\n  {fragment}" for fragment in fragments).encode()
    if not new:
        return []
    if box.empty:
        name = data[box.start + 1 : box.inside].split()[0].rstrip(b"/>")
        return [(data.rindex(b"/", box.start, box.inside), box.end, b">" + new + b"</" + name + b">")]
    stays = [e for e in box.children if not any(a <= e.start < b for a, b, _ in gone)]
    at = stays[-1].end if stays else box.inside
    return [(at, at, new)]


def edited(data: bytes, edits: Sequence[Edit]) -> bytes:
    """Return a packet with all edits made; at one place, insertions come before a cut that begins there."""
    out, at = [], 0
    for start, end, new in sorted(edits, key=lambda e: e[:2]):
        if start < at:
            raise ValueError("edits overlap")
        out += [data[at:start], new]
        at = end
    return b"".join([*out, data[at:]])
