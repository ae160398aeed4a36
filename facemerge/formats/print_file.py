"""Prints out: JPEG and TIFF files that say how large they are on paper and still tell what the picture is."""

from __future__ import annotations

import io
import warnings
from pathlib import Path
from typing import Any, Final

import tifffile
from PIL import Image

from facemerge.errors import InputError, OutputError
from facemerge.formats import encode, exif, icc
from facemerge.formats.files import read_plain
from facemerge.formats.headers import UnreadableError, look
from facemerge.formats.xmp import COMPOSITE_CAPTURE, without_ingredients
from facemerge.imaging import to_eight_bit
from facemerge.words import Array, Frame

FORMS: Final = ("jpg", "tif")
QUALITY: Final = 95
# JPEG segments hold at most 65 533 bytes (ITU-T T.81, B.1.1.4); 29 of them name the XMP.
_XMP_MOST: Final = 65_533 - 29
_JPEG_MOST: Final = 65_500
_XMP_TAG: Final = 700


def packet(path: Path, fallback: bytes) -> bytes:
    """Return the XMP packet that a print of a composite carries.

    Parameters
    ----------
    path
        The composite: TIFF, PNG or JPEG.
    fallback
        A packet that says what the picture is; taken if the file has none any more (programs drop them), or
        if the file's own no longer says that it is a composite though this one does.
    """
    own = _own_packet(path)
    lost = COMPOSITE_CAPTURE.encode() in fallback and COMPOSITE_CAPTURE.encode() not in own
    return fallback if not own or lost else own


def _own_packet(path: Path) -> bytes:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            if path.suffix.lower() in (".tif", ".tiff"):
                with tifffile.TiffFile(path) as tiff:
                    tag = tiff.pages.first.tags.get(_XMP_TAG)
                    return b"" if tag is None else bytes(tag.value)
            with Image.open(path) as im:
                held: object = im.info.get("xmp") or im.info.get("XML:com.adobe.xmp") or b""
        except Exception:  # broken metadata breaks the readers in many ways, and is no reason to stop
            return b""
    return held.encode() if isinstance(held, str) else bytes(held) if isinstance(held, bytes) else b""


def print_bytes(
    image: Array,
    form: str,
    *,
    ppi: float | None,
    source: Frame,
    xmp: bytes,
    name: str,
) -> bytes:
    """Return a print as the bytes of a file.

    Parameters
    ----------
    image
        (H, W, 3) RGB uint8 or uint16, in the source's profile; a JPEG is rounded to 8 bits.
    form
        'jpg' or 'tif'.
    ppi
        Pixels an inch that the file says, or None to say nothing of it. A JPEG tells whole numbers only.
    source
        The composite: its profile, exposure, camera and time are carried over.
    xmp
        The packet it carries.
    name
        How the file is called, for the error sentence.

    Raises
    ------
    OutputError
        If the picture is too large for the form.
    """
    grey = source.channels == 1
    if form == "tif":
        page: dict[str, Any] = {} if ppi is None else {"resolution": (ppi, ppi), "resolutionunit": "INCH"}
        return encode.tiff_bytes(
            image, profile=source.profile, exif_from=source, xmp=xmp, greyscale=grey, page=page
        )
    if max(image.shape[:2]) > _JPEG_MOST:
        raise OutputError(f"{name} is too large for a JPEG file; choose tif.")
    eight = to_eight_bit(image)
    read, size = _tags(source), (image.shape[1], image.shape[0])
    place = exif.location(read) if encode.PLACE in xmp else None
    tags = exif.carried(read, size, composite=b"compositeCapture" in xmp, location=place)
    more: dict[str, Any] = {"exif": b"Exif\0\0" + exif.block(tags), "icc_profile": source.profile}
    held = xmp if len(xmp) <= _XMP_MOST else without_ingredients(xmp)
    if len(held) <= _XMP_MOST:
        more["xmp"] = held
    if ppi is not None:
        more["dpi"] = (round(ppi), round(ppi))
    out = io.BytesIO()
    pixels = icc.one_channel(eight) if grey else eight
    Image.fromarray(pixels).save(out, "JPEG", quality=QUALITY, subsampling=0, **more)
    return out.getvalue()


def _tags(source: Frame) -> Image.Exif:
    path = Path(source.path)
    try:
        return look(read_plain(path), path.suffix.lower()).exif
    except (OSError, UnreadableError) as error:
        raise InputError(f"{source.name} can no longer be read.") from error
