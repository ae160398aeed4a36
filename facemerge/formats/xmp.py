"""The XMP packet in which a composite says that it is one."""

from __future__ import annotations

import re
from collections.abc import Sequence
from xml.sax.saxutils import escape, quoteattr

from facemerge.formats.program import signature

COMPOSITE_CAPTURE = "http://cv.iptc.org/newscodes/digitalsourcetype/compositeCapture"
"""IPTC NewsCodes, Digital Source Type: a composite whose parts are all captured from life."""

# XML 1.0 (W3C 2008), production 2: characters that cannot occur, not even escaped.
_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")

# The four namespaces are those of ISO 16684-1:2019 and of IPTC Photo Metadata 2023.1.
_PACKET = """\
<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>
<x:xmpmeta xmlns:x="adobe:ns:meta/">
 <rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
  <rdf:Description rdf:about=""
    xmlns:dc="http://purl.org/dc/elements/1.1/"
    xmlns:xmp="http://ns.adobe.com/xap/1.0/"
    xmlns:xmpMM="http://ns.adobe.com/xap/1.0/mm/"
    xmlns:stRef="http://ns.adobe.com/xap/1.0/sType/ResourceRef#"
    xmlns:Iptc4xmpExt="http://iptc.org/std/Iptc4xmpExt/2008-02-29/"
    xmp:CreatorTool={tool}{kind}>
   <dc:description><rdf:Alt><rdf:li xml:lang="x-default">{description}</rdf:li></rdf:Alt></dc:description>
   <dc:source>{base}</dc:source>
   <xmpMM:DerivedFrom rdf:parseType="Resource"><stRef:filePath>{base}</stRef:filePath></xmpMM:DerivedFrom>
{ingredients}  </rdf:Description>
 </rdf:RDF>
</x:xmpmeta>
<?xpacket end="r"?>"""
_INGREDIENT = '    <rdf:li rdf:parseType="Resource"><stRef:filePath>{name}</stRef:filePath></rdf:li>\n'


def xml_text(text: str) -> str:
    """Return text with every character that XML cannot hold replaced by the replacement character."""
    return _NOT_XML.sub("\ufffd", text)


def without_ingredients(packet: bytes) -> bytes:
    """Return a packet of ours without the list of donors, its one part that grows with the group.

    What the picture is, which frame is the base and how many heads are of other frames stay in it.
    """
    return re.sub(rb"[ ]*<xmpMM:Ingredients>.*</xmpMM:Ingredients>\n", b"", packet, flags=re.DOTALL)


def composite_packet(base: str, donors: Sequence[str]) -> bytes:
    """Return an XMP packet that says what the picture is made of.

    Parameters
    ----------
    base
        File name of the base frame.
    donors
        File name of the frame each swapped head comes from, one for each head. Empty: the picture is the base
        frame unchanged, and is not called a composite.
    """
    heads = len(donors)
    if heads:
        people = "1 person" if heads == 1 else f"{heads} people"
        description = f"Composite: heads of {people} taken from other frames of the same burst"
    else:
        description = "One frame of a burst, unchanged: no head was taken from another frame"
    items = "".join(_INGREDIENT.format(name=escape(xml_text(name))) for name in sorted(set(donors)))
    bag = f"   <xmpMM:Ingredients><rdf:Bag>\n{items}   </rdf:Bag></xmpMM:Ingredients>\n" if items else ""
    kind = f"\n    Iptc4xmpExt:DigitalSourceType={quoteattr(COMPOSITE_CAPTURE)}" if heads else ""
    return _PACKET.format(
        tool=quoteattr(signature()),
        kind=kind,
        description=description,
        base=escape(xml_text(base)),
        ingredients=bag,
    ).encode()
