"""What a picture file says of itself before its pixels are decoded, and whether all of it is there."""

from __future__ import annotations

import io
import struct
import warnings
from dataclasses import dataclass
from importlib import import_module
from types import ModuleType
from typing import Any, Literal

import numpy as np
import tifffile
from PIL import Image, JpegImagePlugin, PngImagePlugin

from facemerge.formats import exif, icc
from facemerge.formats.jpeg_damage import parts

MAX_PIXELS = 200_000_000
"""Larger pictures are refused before they are decoded: the largest camera sensors have as many."""

Kind = Literal["jpeg", "png", "tiff", "heif", "raw"]

PLAIN_ENDINGS = frozenset({".jpg", ".jpeg", ".jpe", ".jfif", ".png", ".tif", ".tiff"})
HEIF_ENDINGS = frozenset({".heic", ".heif", ".hif"})
RAW_ENDINGS = frozenset(
    f".{ending}"
    for ending in (
        *("3fr", "arw", "cr2", "cr3", "crw", "dcr", "dng", "erf", "fff", "iiq", "kdc", "mef", "mos", "mrw"),
        *("nef", "nrw", "orf", "pef", "raf", "raw", "rw2", "rwl", "sr2", "srf", "srw", "x3f"),
    )
)
ENDINGS = PLAIN_ENDINGS | HEIF_ENDINGS | RAW_ENDINGS


class UnreadableError(Exception):
    """Why a file gives no picture: words that follow 'it'."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Header:
    """What a picture file says of itself."""

    kind: Kind
    size: tuple[int, int]
    """(W, H) in pixels as stored, before orientation."""
    bit_depth: int
    channels: int
    """1 or 3; alpha not counted."""
    profile: bytes | None
    orientation: int
    """1 to 8, as the Exif tag counts."""
    time_s: float | None
    exif: Image.Exif
    doubt: str = ""
    """What should be said of the file although it can be used: words that follow 'it'; or ''."""


def look(data: bytes, ending: str) -> Header:
    """Return the header of a picture.

    Parameters
    ----------
    data
        The whole file.
    ending
        The file name's ending with its dot, lower case; consulted only where the bytes leave it open: many
        raw formats begin as a TIFF does.

    Raises
    ------
    UnreadableError
        If it is no picture, is not complete, is too large, is of a kind that is not read, or needs an
        optional library that is not installed.
    """
    if not data:
        raise UnreadableError("is empty")
    if ending in RAW_ENDINGS:
        header = _look_raw(data)
    elif data.startswith(b"\xff\xd8\xff"):
        header = _look_jpeg(data)
    elif data.startswith(b"\x89PNG\r\n\x1a\n"):
        header = _look_png(data)
    elif data[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        header = _look_tiff(data)
    elif data[4:8] == b"ftyp":
        header = _look_heif(data)
    elif not data.strip(b"\0"):
        raise UnreadableError("holds nothing but zeros")
    else:
        raise UnreadableError("is not a picture of a kind that is read here (JPEG, PNG, TIFF, HEIC, raw)")
    return header


def _header(
    kind: Kind, size: tuple[int, int], depth: int, channels: int, profile: object, tags: Image.Exif
) -> Header:
    check_size(size)
    doubt, usable = "", profile if isinstance(profile, bytes) and profile else None
    if usable is not None and not icc.fits(usable, channels):
        doubt, usable = "has a colour profile that does not fit it, so sRGB is assumed", None
    if profile is None and channels == 3 and exif.says_adobe_rgb(tags):
        usable = icc.made("adobergb")
    return Header(
        kind=kind,
        size=size,
        bit_depth=depth,
        channels=channels,
        profile=usable,
        orientation=exif.orientation(tags),
        time_s=exif.taken(tags),
        exif=tags,
        doubt=doubt,
    )


def check_size(size: tuple[int, int]) -> None:
    """Refuse a picture without pixels, or with more than any camera makes.

    Raises
    ------
    UnreadableError
        With the size in words.
    """
    if min(size) < 1:
        raise UnreadableError("has no pixels")
    if size[0] * size[1] > MAX_PIXELS:
        raise UnreadableError(
            f"is {size[0]} x {size[1]} pixels, more than the {MAX_PIXELS // 1_000_000} million that are read"
        )


def _look_jpeg(data: bytes) -> Header:
    im = _opened(JpegImagePlugin.JpegImageFile, data)
    channels = {"L": 1, "RGB": 3}.get(im.mode)
    if channels is None:
        raise UnreadableError("is a CMYK picture, made for a printing press; save it as RGB")
    header = _header("jpeg", im.size, 8, channels, im.info.get("icc_profile"), _tags(im))
    # Nearly every file ends with the mark; one with something behind it is searched.
    start = _scan_start(data)
    if not data.endswith(b"\xff\xd9", start) and data.find(b"\xff\xd9", start) < 0:
        raise UnreadableError("is cut off: the end of the picture is missing")
    return header


def _scan_start(data: bytes) -> int:
    """Return where the compressed pixels of a JPEG begin.

    In them an end mark cannot occur by chance (ITU-T T.81, B.1.1.5: 0xFF is followed by a stuffed 0),
    unlike in the segments before, where an embedded thumbnail has an end mark of its own.
    """
    for marker, _, end in parts(data):
        if marker == 0xDA:
            return end
    raise UnreadableError("is cut off: the picture itself is missing")


def _look_png(data: bytes) -> Header:
    at = 8
    while data[at + 4 : at + 8] != b"IEND":
        if at + 12 > len(data):
            raise UnreadableError("is cut off: the end of the picture is missing")
        at += 12 + struct.unpack(">I", data[at : at + 4])[0]
    # The header is the first chunk, of 13 bytes (W3C PNG 2003, 5.6 and 11.2.2).
    if len(data) < 33 or data[12:16] != b"IHDR":
        raise UnreadableError("is a broken PNG file")
    size, depth, colour = struct.unpack(">II", data[16:24]), data[24], data[25]
    check_size((size[0], size[1]))
    im = _opened(PngImagePlugin.PngImageFile, data)
    channels = 1 if colour in (0, 4) else 3
    return _header("png", im.size, 16 if depth == 16 else 8, channels, im.info.get("icc_profile"), _tags(im))


def _look_tiff(data: bytes) -> Header:
    try:
        with tifffile.TiffFile(io.BytesIO(data)) as tiff:
            page = tiff.pages.first
            header = _tiff_header(page, data)
            ends = zip(page.dataoffsets, page.databytecounts, strict=True)
            complete = bool(page.dataoffsets) and all(o + n <= len(data) for o, n in ends)
    except UnreadableError:
        raise
    except Exception as error:  # the reader meets broken files with many kinds of exception
        raise UnreadableError("is a broken TIFF file") from error
    if not complete:
        raise UnreadableError("is cut off: the end of the picture is missing")
    return header


def _tiff_header(page: Any, data: bytes) -> Header:
    bits = {page.bitspersample} if isinstance(page.bitspersample, int) else set(page.bitspersample)
    jpeg = page.compression == tifffile.COMPRESSION.JPEG
    grey = (tifffile.PHOTOMETRIC.MINISBLACK, tifffile.PHOTOMETRIC.MINISWHITE)
    coloured = (tifffile.PHOTOMETRIC.RGB, *((tifffile.PHOTOMETRIC.YCBCR,) if jpeg else ()))
    if page.photometric not in grey + coloured:
        raise UnreadableError(f"is a TIFF file of {_photometric(page)} colours; save it as RGB or grey")
    if bits not in ({8}, {16}) or page.dtype not in (np.uint8, np.uint16) or page.imagedepth != 1:
        raise UnreadableError("is a TIFF file whose pixels are not whole numbers of 8 or 16 bits")
    channels = 1 if page.photometric in grey else 3
    if page.samplesperpixel - len(page.extrasamples) != channels:
        raise UnreadableError("is a TIFF file with an unusual number of colours")
    tags = Image.Exif()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            tags.load_from_fp(io.BytesIO(data))
        except Exception:  # a broken directory is no reason to stop: the pixels have been found
            tags = Image.Exif()
    return _header("tiff", (page.imagewidth, page.imagelength), bits.pop(), channels, page.iccprofile, tags)


def _photometric(page: Any) -> str:
    try:
        name = str(page.photometric.name)
    except AttributeError:
        return "unknown"
    return {"SEPARATED": "CMYK"}.get(name, name.lower())


def _look_heif(data: bytes) -> Header:
    heif = extra("pillow_heif", "heic")
    try:
        picture = heif.open_heif(io.BytesIO(data), convert_hdr_to_8bit=False)
        deep = picture.mode.endswith("16")
        channels = 1 if picture.mode.startswith(("L", "I")) else 3
        tags = exif.parse(picture.info.get("exif"))
        profile = picture.info.get("icc_profile")
    except Exception as error:  # the library meets broken files with many kinds of exception
        raise UnreadableError("is a broken HEIC file, or one of an unknown kind") from error
    # The library turns the pixels itself, by the container's marks; the Exif tag must not turn them again.
    tags[exif.ORIENTATION] = 1
    return _header("heif", picture.size, 16 if deep else 8, channels, profile, tags)


def _look_raw(data: bytes) -> Header:
    rawpy = extra("rawpy", "raw")
    try:
        with rawpy.imread(io.BytesIO(data)) as raw:
            size, flip = (raw.sizes.iwidth, raw.sizes.iheight), raw.sizes.flip
            pixel_aspect = raw.sizes.pixel_aspect
    except Exception as error:  # as above
        raise UnreadableError("is a broken raw file, or one of an unknown camera") from error
    if pixel_aspect != 1:
        raise UnreadableError("is a raw file whose pixels are not square")
    tags = Image.Exif()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            tags.load_from_fp(io.BytesIO(data))
        except Exception:  # raw files that are no TIFF inside: no time, no exposure
            tags = Image.Exif()
    tags[exif.ORIENTATION] = 1
    # 5 and 6 are quarter turns; developing turns the pixels itself and gives sRGB.
    return _header("raw", size[::-1] if flip in (5, 6) else size, 16, 3, None, _without_interop(tags))


def _without_interop(tags: Image.Exif) -> Image.Exif:
    """Return the tags without the camera's own choice of colour space, which does not hold for a raw file."""
    plain = Image.Exif()
    plain.update({tag: value for tag, value in tags.items() if tag != exif.EXIF_IFD})
    inner = {tag: value for tag, value in exif.details(tags).items() if tag not in (0xA005, 0xA001)}
    plain.get_ifd(exif.EXIF_IFD).update(inner)
    return plain


def extra(module: str, name: str) -> ModuleType:
    """Return an optional library, imported only now.

    Raises
    ------
    UnreadableError
        If it is not installed; the words say what to install.
    """
    try:
        return import_module(module)
    except ImportError as error:
        raise UnreadableError(f"needs a further library: pip install 'facemerge[{name}]'") from error


def _opened(plugin: type[Any], data: bytes) -> Any:
    # Not Image.open: it would try every format there is, and warns at a size of its own.
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            return plugin(io.BytesIO(data))
        except Exception as error:  # as above
            raise UnreadableError("is broken, or not a picture at all") from error


def _tags(im: Image.Image) -> Image.Exif:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            tags = im.getexif()
            exif.details(tags)
        except Exception:  # as above
            return Image.Exif()
    return tags
