"""Photographs out: TIFF, PNG and JPEG with profile, Exif and XMP, as bytes that `files` puts in place."""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final

import imagecodecs
import numpy as np
import tifffile
from numpy.typing import NDArray
from PIL import Image, TiffImagePlugin, TiffTags

from facemerge.errors import OutputError
from facemerge.formats import exif, icc
from facemerge.formats.files import read_plain, write_bytes
from facemerge.formats.headers import UnreadableError, look
from facemerge.formats.xmp import without_ingredients
from facemerge.imaging import full_scale, to_eight_bit
from facemerge.words import Array, Frame, Head

# Level 1 takes half the time of level 6 for files 5 % larger; tried on a 24 Mpx photograph with noise.
DEFLATE_LEVEL = 1
TiffTag = tuple[int, str, int, object, bool]
"""Code, type, count, value, and that it belongs to one page."""

TIFF_PAGE: Final[Mapping[str, Any]] = MappingProxyType(
    {
        "compression": "adobe_deflate",
        "compressionargs": {"level": DEFLATE_LEVEL},
        "predictor": True,
        "rowsperstrip": 64,
        "maxworkers": 2,
        "metadata": None,
    }
)
"""How every page of a TIFF file is written."""
TIFF_MOST: Final = 2**32 - 2**25
"""Bytes that a file with 32-bit offsets is trusted to hold, tags and all."""

# A chunk holds less than 2**31 bytes (W3C PNG 2003, 5.3).
_PNG_CHUNK = 2**30
# JPEG segments hold at most 65 533 bytes (ITU-T T.81, B.1.1.4); 29 of them name the XMP.
_JPEG_XMP_MOST = 65_533 - 29
# The TIFF writer refuses the tags of further directories; a neighbour keeps the place, for tags must ascend.
_NEIGHBOUR = 1
PLACE: Final = b"<exif:GPSLatitude>"
"""Of the packets written here, one with a place says that the Exif block is to have it too."""


def write_tiff(
    path: Path,
    image: Array,
    *,
    profile: bytes | None = None,
    exif_from: Frame | None = None,
    xmp: bytes = b"",
    greyscale: bool = False,
) -> None:
    """Write a TIFF file, its bit depth kept, compressed without loss.

    Parameters
    ----------
    path
        Where; inside a folder that is still to be put in place.
    image
        (H, W, 3) RGB uint8 or uint16.
    profile
        ICC profile, or None.
    exif_from
        The frame whose time, camera, exposure and lens are carried over; Orientation becomes 1.
    xmp
        An XMP packet, or b''.
    greyscale
        Write one channel; for a base frame that has only one.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    write_bytes(path, tiff_bytes(image, profile=profile, exif_from=exif_from, xmp=xmp, greyscale=greyscale))


def write_png(
    path: Path,
    image: Array,
    *,
    profile: bytes | None = None,
    exif_from: Frame | None = None,
    xmp: bytes = b"",
    greyscale: bool = False,
) -> None:
    """Write a PNG file, its bit depth kept; parameters and errors as `write_tiff`."""
    full_scale(image)
    tags = _tags(exif_from, image, xmp)
    pixels = icc.one_channel(image) if greyscale else image
    write_bytes(path, png_bytes(pixels, profile=profile, exif=exif.block(tags), xmp=xmp))


def write_mask(path: Path, head: Head, size: tuple[int, int]) -> None:
    """Write a head's mask alone as a grey PNG of the whole picture's size, its bit depth kept.

    Parameters
    ----------
    path
        Where; inside a folder that is still to be put in place.
    head
        Its mask is cut at the picture's edges; outside of it the file is 0.
    size
        (W, H) of the picture.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    whole = np.zeros((size[1], size[0]), head.mask.dtype)
    (x, y), (h, w) = head.offset, head.mask.shape
    x0, y0, x1, y1 = max(x, 0), max(y, 0), min(x + w, size[0]), min(y + h, size[1])
    if x0 < x1 and y0 < y1:
        whole[y0:y1, x0:x1] = head.mask[y0 - y : y1 - y, x0 - x : x1 - x]
    write_bytes(path, png_bytes(whole))


def write_jpeg(
    path: Path,
    image: Array,
    *,
    profile: bytes | None = None,
    exif_from: Frame | None = None,
    xmp: bytes = b"",
    greyscale: bool = False,
    quality: int = 95,
) -> None:
    """Write a JPEG file of 8 bits a channel, colour not subsampled; parameters and errors as `write_tiff`.

    Parameters
    ----------
    quality
        1 to 100.
    """
    eight = to_eight_bit(image)
    tags = _tags(exif_from, image, xmp)
    more: dict[str, Any] = {"exif": b"Exif\0\0" + exif.block(tags), "icc_profile": profile}
    # What a packet too long for one segment lists is in the report; what the picture is must stay with it.
    packet = xmp if len(xmp) <= _JPEG_XMP_MOST else without_ingredients(xmp)
    if packet and len(packet) <= _JPEG_XMP_MOST:
        more["xmp"] = packet
    out = io.BytesIO()
    pixels = icc.one_channel(eight) if greyscale else eight
    if max(pixels.shape[:2]) > 65_500:
        raise OutputError(f"{path.name} is too large for a JPEG file; choose TIFF.")
    Image.fromarray(pixels).save(out, "JPEG", quality=quality, subsampling=0, **more)
    write_bytes(path, out.getvalue())


def tiff_bytes(
    image: Array,
    *,
    profile: bytes | None = None,
    exif_from: Frame | None = None,
    xmp: bytes = b"",
    greyscale: bool = False,
    expected: int = 0,
    page: Mapping[str, Any] | None = None,
) -> bytes:
    """Return a TIFF file; parameters as `write_tiff`.

    Parameters
    ----------
    expected
        Bytes the file may grow to if further pages follow: what passes 4 GB is written as BigTIFF.
    page
        Further words of the TIFF writer for a page that is the first of several; its `extratags` come on top.
    """
    full_scale(image)
    tags = _tags(exif_from, image, xmp)
    more: list[TiffTag] = [
        (tag, "s", 0, exif.as_text(tags[tag]), True) for tag in exif.MAIN_TAGS if tag in tags
    ]
    more.append((exif.ORIENTATION, "H", 1, 1, True))
    more += [(pointer - _NEIGHBOUR, "I", 1, 0, True) for pointer in exif.directories(tags)]
    if xmp:
        more.append((700, "B", len(xmp), xmp, True))
    words = {**TIFF_PAGE, "software": tags[0x0131], **(page or {})}
    more += words.pop("extratags", [])
    out = io.BytesIO()
    tifffile.imwrite(
        out,
        icc.one_channel(image) if greyscale else image,
        byteorder="<",
        bigtiff=max(image.nbytes, expected) > TIFF_MOST,
        photometric="minisblack" if greyscale else "rgb",
        iccprofile=profile,
        extratags=more,
        **words,
    )
    for pointer in exif.directories(tags):
        _append_directory(out, tags, pointer)
    return out.getvalue()


def _append_directory(tiff: io.BytesIO, tags: Image.Exif, pointer: int) -> None:
    """Put a further directory behind the file and let the reserved entry name it and point there."""
    tiff.seek(0)
    with tifffile.TiffFile(tiff) as file:
        reserved, big = file.pages.first.tags[pointer - _NEIGHBOUR], file.is_bigtiff
        entry_at, value_at = reserved.offset, reserved.valueoffset
    end = tiff.seek(0, io.SEEK_END)
    # Directories begin on a word boundary (TIFF 6.0, Adobe 1992, p. 14).
    start = end + end % 2
    tiff.write(bytes(start - end) + (_big_directory if big else exif.directory)(tags, start, pointer))
    tiff.seek(entry_at)
    tiff.write(struct.pack("<H", pointer))
    tiff.seek(value_at)
    tiff.write(struct.pack("<I", start))


def _big_directory(tags: Image.Exif, offset: int, pointer: int) -> bytes:
    """Return a further directory with the wider entries that a BigTIFF file holds."""
    small = TiffImagePlugin.ImageFileDirectory_v2(b"II*\0\x08\0\0\0", group=pointer)
    small.load(io.BytesIO(exif.directory(tags, 0, pointer)))
    out = TiffImagePlugin.ImageFileDirectory_v2(b"II+\0\x08\0\0\0" + bytes(8), group=pointer)
    for tag, value in small.items():
        out.tagtype[tag] = small.tagtype[tag]
        # The library gives some texts alone, others as the only one of several.
        text = value[0] if isinstance(value, tuple) and len(value) == 1 else value
        out[tag] = exif.as_text(text) if small.tagtype[tag] == TiffTags.ASCII else value
    return bytes(out.tobytes(offset))


def masked(head: Head, dtype: np.dtype[Any] | type) -> Array:
    """Return a head as (h, w, 4) RGBA of a picture's dtype, its mask as alpha, not premultiplied."""
    mask = head.mask
    if mask.dtype != dtype:
        mask = to_eight_bit(mask) if dtype == np.uint8 else mask.astype(np.uint16) * np.uint16(257)
    return np.dstack([head.pixels, mask])


def png_bytes(pixels: Array, *, profile: bytes | None = None, exif: bytes = b"", xmp: bytes = b"") -> bytes:
    """Return a PNG file.

    Parameters
    ----------
    pixels
        (H, W) grey, (H, W, 3) RGB or (H, W, 4) RGBA, not premultiplied; uint8 or uint16.
    profile, exif, xmp
        ICC profile, TIFF-like Exif block and XMP packet, or none.
    """
    full_scale(pixels)
    colour = {1: 0, 3: 2, 4: 6}[1 if pixels.ndim == 2 else pixels.shape[2]]
    chunks = _chunk(
        b"IHDR",
        struct.pack(">IIBBBBB", pixels.shape[1], pixels.shape[0], pixels.itemsize * 8, colour, 0, 0, 0),
    )
    if profile:
        chunks += _chunk(b"iCCP", b"ICC profile\0\0" + zlib.compress(profile, 9))
    if exif:
        chunks += _chunk(b"eXIf", exif)
    if xmp:
        chunks += _chunk(b"iTXt", b"XML:com.adobe.xmp\0\0\0\0\0" + xmp)
    # Any buffer will do, whatever the annotations say: a copy would take as much room as the picture.
    rows: Any = _filtered(pixels)
    packed = bytes(imagecodecs.deflate_encode(rows, level=DEFLATE_LEVEL, raw=False))
    for at in range(0, len(packed), _PNG_CHUNK):
        chunks += _chunk(b"IDAT", packed[at : at + _PNG_CHUNK])
    return b"\x89PNG\r\n\x1a\n" + chunks + _chunk(b"IEND", b"")


def _filtered(pixels: Array) -> NDArray[np.uint8]:
    """Return the rows of a PNG, each less the one above (filter type 2, W3C PNG 2003, 9.2).

    One filter for all rows and libdeflate: cv2's encoder made files of the same size in 2.5 times the time at
    8 bits and in 3.9 times the time at 16 bits (24 Mpx photograph with noise).
    """
    big_endian = np.ascontiguousarray(pixels.astype(pixels.dtype.newbyteorder(">"), copy=False))
    rows = big_endian.view(np.uint8).reshape(pixels.shape[0], -1)
    out = np.empty((rows.shape[0], rows.shape[1] + 1), np.uint8)
    out[:, 0] = 2
    out[0, 1:] = rows[0]
    np.subtract(rows[1:], rows[:-1], out=out[1:, 1:])
    return out


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def _tags(source: Frame | None, image: Array, xmp: bytes) -> Image.Exif:
    size = (image.shape[1], image.shape[0])
    read = Image.Exif()
    if source is not None:
        path = Path(source.path)
        try:
            read = look(read_plain(path), path.suffix.lower()).exif
        except (OSError, UnreadableError):
            read = Image.Exif()
    place = exif.location(read) if PLACE in xmp else None
    return exif.carried(read, size, composite=b"compositeCapture" in xmp, location=place)
