"""The namespaces of XMP that are written here, and which characters its texts may hold."""

from __future__ import annotations

import re
from typing import Final

RDF: Final = "http://www.w3.org/1999/02/22-rdf-syntax-ns#"
XML: Final = "http://www.w3.org/XML/1998/namespace"
# ISO 16684-1:2019, clauses 8.3 to 8.5, and its predecessor's part 2 for the types stEvt, stRef, stDim.
META: Final = "adobe:ns:meta/"
DC: Final = "http://purl.org/dc/elements/1.1/"
XMP: Final = "http://ns.adobe.com/xap/1.0/"
XMP_MM: Final = "http://ns.adobe.com/xap/1.0/mm/"
ST_REF: Final = "http://ns.adobe.com/xap/1.0/sType/ResourceRef#"
ST_EVT: Final = "http://ns.adobe.com/xap/1.0/sType/ResourceEvent#"
ST_DIM: Final = "http://ns.adobe.com/xap/1.0/sType/Dimensions#"
# MWG Guidelines 2.0 (2010).
MWG_RS: Final = "http://www.metadataworkinggroup.com/schemas/regions/"
ST_AREA: Final = "http://ns.adobe.com/xmp/sType/Area#"
# IPTC Photo Metadata Standard 2023.1.
IPTC_EXT: Final = "http://iptc.org/std/Iptc4xmpExt/2008-02-29/"
# CIPA DC-010 (Exif metadata for XMP).
EXIF: Final = "http://ns.adobe.com/exif/1.0/"
OURS: Final = "http://facemerge.invalid/ns/1.0/"
"""What the program must know again; RFC 2606 sees to it that the name leads nowhere on the network."""

# XML 1.0 (W3C 2008), production 2: characters that cannot occur, not even escaped.
_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def xml_text(text: str) -> str:
    """Return text with every character that XML cannot hold replaced by the replacement character."""
    return _NOT_XML.sub("\ufffd", text)
