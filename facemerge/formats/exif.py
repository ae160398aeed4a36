"""What a camera says of a photograph: when, which way up, and how; and what of it a composite carries on.

Tags are those of CIPA DC-008 (Exif 2.32).
"""

from __future__ import annotations

import math
import re
import warnings
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final

from PIL import ExifTags, Image, TiffImagePlugin, TiffTags
from PIL.TiffImagePlugin import IFDRational

from facemerge.formats.program import signature

EXIF_IFD: Final = 0x8769
_INTEROP_IFD: Final = 0xA005
ORIENTATION: Final = 0x0112
_SOFTWARE: Final = 0x0131
_TAKEN: Final = 0x9003
_TAKEN_SUBSECOND: Final = 0x9291
_WIDTH, _HEIGHT = 0xA002, 0xA003
_COMPOSITE: Final = 0xA460
_THUMBNAIL, _THUMBNAIL_BYTES = 0x0201, 0x0202
_MARK: Final = b"Exif\0\0"

GPS_IFD: Final = 0x8825

MAIN_TAGS: Final = (0x010F, 0x0110, 0x013B, 0x8298)
"""Make, Model, Artist, Copyright."""

# The exposure, the lens, the sensor and the moment. Left behind on purpose: serial numbers, owner's name
# and, unless it is asked for, the place (GPS), because these are pictures of families and children; maker
# notes and thumbnails, because they describe another picture than the composite.
_CARRIED: Final = frozenset(
    (
        *(0x829A, 0x829D, 0x8822, 0x8827, 0x8830, 0x8831, 0x8832, 0x8833, 0x8834, 0x8835, 0x9000),
        *(0x9003, 0x9004, 0x9010, 0x9011, 0x9012, 0x9290, 0x9291, 0x9292),
        *(0x9201, 0x9202, 0x9203, 0x9204, 0x9205, 0x9206, 0x9207, 0x9208, 0x9209, 0x920A, 0x920B),
        *(0xA001, 0xA20E, 0xA20F, 0xA210, 0xA217, 0xA300),
        *(0xA402, 0xA403, 0xA404, 0xA405, 0xA406, 0xA407, 0xA408, 0xA409, 0xA40A, 0xA40C),
        *(0xA432, 0xA433, 0xA434),
    )
)
# Moments, time zones, parts of a second, and the lens.
_TEXTS: Final = frozenset((0x9003, 0x9004, 0x9010, 0x9011, 0x9012, 0x9290, 0x9291, 0x9292, 0xA433, 0xA434))
# Longer values are taken for damage, so that all that is carried fits a JPEG segment (65 533 bytes, ITU-T
# T.81, B.1.1.4) whatever a broken file says.
_LONGEST: Final = 1200
_HEADER: Final = b"II*\0\x08\0\0\0"


def parse(block: bytes | None) -> Image.Exif:
    """Return the tags in an Exif block; empty if there is none or it is broken."""
    exif = Image.Exif()
    if block:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            try:
                exif.load(block)
                exif.get_ifd(EXIF_IFD)
            except Exception:  # a broken block breaks the reader in many ways, and is no reason to stop
                return Image.Exif()
    return exif


def details(exif: Image.Exif) -> dict[int, Any]:
    """Return the tags of the Exif IFD; empty if there are none or they are broken."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            return dict(exif.get_ifd(EXIF_IFD))
        except Exception:  # as above
            return {}


def thumbnail(block: bytes) -> bytes | None:
    """Return the JPEG thumbnail in an Exif block that begins with its mark (4.6.5), or None."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            tags = parse(block).get_ifd(ExifTags.IFD.IFD1)
            start, length = len(_MARK) + int(tags.get(_THUMBNAIL, 0)), int(tags.get(_THUMBNAIL_BYTES, 0))
        except Exception:  # as above
            return None
    jpeg = block[start : start + length]
    return jpeg if length and jpeg.startswith(b"\xff\xd8") else None


def orientation(exif: Image.Exif) -> int:
    """Return the Orientation tag, 1 to 8; 1 if there is none or it is nonsense."""
    value = exif.get(ORIENTATION)
    return value if isinstance(value, int) and 1 <= value <= 8 else 1


def taken(exif: Image.Exif) -> float | None:
    """Return DateTimeOriginal with SubSecTimeOriginal, in seconds since 1970 on the camera's clock.

    The sub-second tag is the string of digits after the decimal point: '05' is 0.05 s.
    """
    tags = details(exif)
    digits = re.match(r"\s*(\d{4}):(\d\d):(\d\d) (\d\d):(\d\d):(\d\d)", str(tags.get(_TAKEN, "")), re.ASCII)
    if not digits:
        return None
    try:
        whole = datetime(*(int(d) for d in digits.groups()), tzinfo=UTC).timestamp()  # type: ignore[misc, arg-type]
    except ValueError:
        return None
    part = re.match(r"\s*(\d{1,9})", str(tags.get(_TAKEN_SUBSECOND, "")), re.ASCII)
    return whole + (float(f"0.{part[1]}") if part else 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Location:
    """Where a photograph was taken, on the globe as its receiver counts (WGS 84 as a rule)."""

    latitude_deg: float
    """In [-90, 90], north is positive."""
    longitude_deg: float
    """In [-180, 180], east is positive."""
    altitude_m: float | None = None
    """Above the sea, or None."""


def location(exif: Image.Exif) -> Location | None:
    """Return where a photograph was taken; None if it does not say, or says nonsense."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            tags = dict(exif.get_ifd(GPS_IFD))
            latitude = _degrees(tags[2], tags[1], "NS", 90)
            longitude = _degrees(tags[4], tags[3], "EW", 180)
        except Exception:  # as above; nor is a place that cannot be read
            return None
        try:
            below = tags.get(5, b"\0") in (1, b"\x01")
            metres = float(tags[6]) * (-1 if below else 1)
        except Exception:  # as above
            metres = math.nan
    altitude = metres if math.isfinite(metres) else None
    return Location(latitude_deg=latitude, longitude_deg=longitude, altitude_m=altitude)


def _degrees(parts: Any, side: str, sides: str, most: float) -> float:
    """Return degrees, minutes and seconds as signed degrees (CIPA DC-008, GPSLatitude, GPSLatitudeRef)."""
    side = str(side).strip("\0 ").upper()
    whole: float = sum(float(part) / 60**i for i, part in enumerate(parts))
    if side not in tuple(sides) or not 0 <= whole <= most:
        raise ValueError("not a place")
    return whole if side == sides[0] else -whole


def says_adobe_rgb(exif: Image.Exif) -> bool:
    """Return whether a camera marks Adobe RGB without embedding its profile (DCF 2.0: index 'R03')."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            index = exif.get_ifd(_INTEROP_IFD).get(1)
        except Exception:  # as above
            return False
    return str(index or "").strip("\0 ") == "R03"


def carried(
    exif: Image.Exif, size: tuple[int, int], *, composite: bool, location: Location | None = None
) -> Image.Exif:
    """Return the tags a composite takes over from its base frame.

    Parameters
    ----------
    exif
        The base frame's tags.
    size
        (W, H) of the composite.
    composite
        Whether the picture is made of several; sets CompositeImage to 2, 'general composite image'.
    location
        The place, if that is to be told.
    """
    out = Image.Exif()
    out.endian = "<"
    out.update({tag: exif[tag] for tag in MAIN_TAGS if as_text(exif.get(tag))})
    out[ORIENTATION] = 1
    out[_SOFTWARE] = signature()
    inner = {
        tag: value
        for tag, value in details(exif).items()
        if tag in _CARRIED and (as_text(value) if tag in _TEXTS else _writes(tag, value))
    }
    inner |= {_WIDTH: size[0], _HEIGHT: size[1], _COMPOSITE: 2 if composite else 1}
    out.get_ifd(EXIF_IFD).update(inner)
    if location is not None:
        out.get_ifd(GPS_IFD).update(_place(location))
    return out


def _place(location: Location) -> dict[int, Any]:
    """Return the tags of a place: version, sides, and parts of sixty; height where it is known."""
    tags: dict[int, Any] = {0: b"\2\3\0\0"}
    sides = ((1, location.latitude_deg, "NS"), (3, location.longitude_deg, "EW"))
    for tag, degrees, letters in sides:
        # A ten-thousandth of a second is three millimetres.
        units = round(abs(degrees) * 36_000_000)
        whole, rest = divmod(units, 36_000_000)
        minutes, seconds = divmod(rest, 600_000)
        tags[tag] = letters[degrees < 0]
        tags[tag + 1] = (IFDRational(whole), IFDRational(minutes), IFDRational(seconds, 10_000))
    if location.altitude_m is not None:
        tags |= {
            5: bytes([location.altitude_m < 0]),
            6: IFDRational(round(100 * abs(location.altitude_m)), 100),
        }
    return tags


def block(exif: Image.Exif) -> bytes:
    """Return carried tags as an Exif block, little-endian, as PNG and JPEG hold it."""
    main = TiffImagePlugin.ImageFileDirectory_v2(_HEADER)
    main[ORIENTATION], main[_SOFTWARE] = exif[ORIENTATION], exif[_SOFTWARE]
    main.update({tag: as_text(exif[tag]) for tag in MAIN_TAGS if tag in exif})
    inner = directories(exif)
    for pointer in inner:
        main.tagtype[pointer] = TiffTags.LONG
        main[pointer] = 0
    start, body = len(_HEADER) + len(main.tobytes(len(_HEADER))), b""
    for pointer in inner:
        # Directories begin on a word boundary (TIFF 6.0, Adobe 1992, p. 14).
        body += bytes((start + len(body)) % 2)
        main[pointer] = start + len(body)
        body += directory(exif, start + len(body), pointer)
    return _HEADER + main.tobytes(len(_HEADER)) + body


def directories(exif: Image.Exif) -> tuple[int, ...]:
    """Return the tags that point to the further directories of carried tags."""
    return (EXIF_IFD, GPS_IFD) if exif.get_ifd(GPS_IFD) else (EXIF_IFD,)


def directory(exif: Image.Exif, offset: int, pointer: int = EXIF_IFD) -> bytes:
    """Return a further directory of carried tags as little-endian bytes that are to lie at `offset`."""
    if pointer == GPS_IFD:
        place = TiffImagePlugin.ImageFileDirectory_v2(_HEADER, group=GPS_IFD)
        place.update(sorted(exif.get_ifd(GPS_IFD).items()))
        return bytes(place.tobytes(offset))
    ifd = TiffImagePlugin.ImageFileDirectory_v2(_HEADER, group=EXIF_IFD)
    for tag, value in sorted(details(exif).items()):
        if tag in _TEXTS:
            ifd.tagtype[tag] = TiffTags.ASCII
        ifd[tag] = as_text(value) if tag in _TEXTS else value
        if tag in (_WIDTH, _HEIGHT):
            # Exif allows 16 or 32 bits here; the common TIFF library warns of the narrower.
            ifd.tagtype[tag] = TiffTags.LONG
    return bytes(ifd.tobytes(offset))


def as_text(value: object) -> bytes:
    """Return a text's bytes as the camera wrote them; b'' if it is none, or too long to be one.

    Exif texts are ASCII by the standard and UTF-8 in practice. The library reads them as Latin-1, which keeps
    every byte, and would write a question mark for each that is not ASCII.
    """
    if isinstance(value, str):
        # The handler is for texts that were not read from a file.
        value = value.encode("latin-1", "replace")
    if not isinstance(value, bytes) or len(value) > _LONGEST:
        return b""
    return value.rstrip(b"\0")


def _writes(tag: int, value: object) -> bool:
    parts = value if isinstance(value, tuple) else (value,)
    if not parts or not all(isinstance(p, str | bytes | int | float | IFDRational) for p in parts):
        return False
    ifd = TiffImagePlugin.ImageFileDirectory_v2(_HEADER, group=EXIF_IFD)
    try:
        ifd[tag] = value
        return len(ifd.tobytes()) <= _LONGEST
    except Exception:  # zero denominators and the like, which cameras do write
        return False
