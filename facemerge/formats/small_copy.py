"""A photograph read once, for sorting: what it is known by, what its file says, and a small copy."""

from __future__ import annotations

import hashlib
import io
import re
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import simplejpeg
from numpy.typing import NDArray
from PIL import Image

from facemerge.errors import InputError
from facemerge.formats import exif, icc, photo
from facemerge.formats.files import read_plain
from facemerge.formats.headers import RAW_ENDINGS, Header, UnreadableError, extra, look
from facemerge.imaging import fit_within, resize, to_eight_bit
from facemerge.words import Array, Frame

_MODEL, _SERIAL, _OFFSET_TAKEN = 0x0110, 0xA431, 0x9011


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """What a photograph is known by, and what its file says; never its pixels."""

    digest: str
    """SHA-256 of the file, hexadecimal."""
    size: tuple[int, int]
    """(W, H) in pixels, after EXIF orientation."""
    time_s: float | None
    """Capture time in seconds since 1970 on the camera's clock (no zone), or None."""
    offset_s: float | None
    """The camera clock's seconds ahead of UTC, or None if the file does not say."""
    camera: str
    """Which camera took it, as far as the file tells; '' if it does not. Holds no serial number."""


def identify(path: Path, name: str) -> Identity:
    """Return what a photograph is known by, without decoding it.

    Parameters
    ----------
    path
        The file.
    name
        What to call it in a sentence.

    Raises
    ------
    InputError
        If the file is gone, broken, cut off or no picture.
    """
    data = _bytes(path, name)
    try:
        return _identity(data, look(data, path.suffix.lower()))
    except UnreadableError as why:
        raise InputError(f"{name} is left out: it {why}.") from why


def small_copy(path: Path, name: str, long_side: int) -> tuple[Identity, NDArray[np.uint8]]:
    """Return what a photograph is known by, and a copy whose longer side has at most `long_side` pixels.

    JPEG files are decoded at a fraction of their size (the decoder leaves the finer frequencies of each block
    out), raw files by the preview that the camera put into them: quick, and good for looking, not for making.

    Parameters
    ----------
    path, name
        As `identify`.
    long_side
        In pixels.

    Returns
    -------
    Identity
        As `identify`.
    ndarray
        (h, w, 3) uint8 sRGB, upright.

    Raises
    ------
    InputError
        If the file is gone, broken, cut off or no picture.
    """
    data = _bytes(path, name)
    try:
        header = look(data, path.suffix.lower())
        return _identity(data, header), _small(data, path, header, long_side)
    except UnreadableError as why:
        raise InputError(f"{name} is left out: it {why}.") from why


def _bytes(path: Path, name: str) -> bytes:
    try:
        return read_plain(path)
    except OSError as error:
        why = (error.strerror or "refused by the system").lower()
        raise InputError(f"{name} is left out: it cannot be opened ({why}).") from error


def _identity(data: bytes, header: Header) -> Identity:
    w, h = header.size
    tags = exif.details(header.exif)
    return Identity(
        digest=hashlib.sha256(data).hexdigest(),
        size=(h, w) if header.orientation >= 5 else (w, h),
        time_s=header.time_s,
        offset_s=_offset_s(tags.get(_OFFSET_TAKEN)),
        camera=_camera(header.exif.get(_MODEL), tags.get(_SERIAL)),
    )


def _offset_s(said: object) -> float | None:
    """Return '+02:00' in seconds (CIPA DC-008, OffsetTimeOriginal)."""
    found = re.match(r"\s*([+-])(\d\d):(\d\d)", str(said or ""), re.ASCII)
    if not found:
        return None
    return (-1 if found[1] == "-" else 1) * (int(found[2]) * 3600.0 + int(found[3]) * 60.0)


def _camera(model: object, serial: object) -> str:
    words = (exif.as_text(model), exif.as_text(serial))
    return hashlib.sha256(b"\0".join(words)).hexdigest()[:12] if any(words) else ""


def _small(data: bytes, path: Path, header: Header, long_side: int) -> NDArray[np.uint8]:
    """Return the small copy, upright and in sRGB."""
    profile = header.profile
    match header.kind:
        case "jpeg":
            image = _turned(_small_jpeg(data, header.size, long_side), header.orientation)
        case "raw" if path.suffix.lower() in RAW_ENDINGS:
            image, profile = _small_raw(data, long_side), None
        case _:
            image = _whole(path, header)
    image = to_eight_bit(resize(image, fit_within((image.shape[1], image.shape[0]), long_side)))
    return np.ascontiguousarray(icc.to_srgb(image, profile))


def _small_jpeg(data: bytes, size: tuple[int, int], long_side: int) -> Array:
    w, h = fit_within(size, long_side)
    try:
        return np.asarray(simplejpeg.decode_jpeg(data, "RGB", min_height=h, min_width=w, strict=False))
    except ValueError:
        # The rarer kinds of JPEG that the quick decoder does not know.
        flags = cv2.IMREAD_COLOR_RGB | cv2.IMREAD_IGNORE_ORIENTATION
        image = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    if image is None:
        raise UnreadableError("is broken")
    return np.asarray(image)


def _small_raw(data: bytes, long_side: int) -> Array:
    rawpy = extra("rawpy", "raw")
    try:
        with rawpy.imread(io.BytesIO(data)) as raw:
            image = _preview(rawpy, raw, long_side)
            if image is None:
                image = np.asarray(raw.postprocess(use_camera_wb=True, no_auto_bright=True, half_size=True))
    except UnreadableError:
        raise
    except Exception as error:  # the library meets broken files with many kinds of exception
        raise UnreadableError("is a broken raw file, or one of an unknown camera") from error
    return image


def _preview(rawpy: object, raw: object, long_side: int) -> Array | None:
    """Return the JPEG that the camera put into a raw file, upright, if it is large enough to look at."""
    try:
        found = raw.extract_thumb()  # type: ignore[attr-defined]
        if found.format != rawpy.ThumbFormat.JPEG:  # type: ignore[attr-defined]
            return None
        data = bytes(found.data)
        header = look(data, ".jpg")
        if max(header.size) < long_side:
            return None
        turn = header.orientation
        if turn == 1:
            # LibRaw's flip: 3 is upside down, 5 a quarter turn to the left, 6 one to the right.
            turn = {3: 3, 5: 8, 6: 6}.get(raw.sizes.flip, 1)  # type: ignore[attr-defined]
        return _turned(_small_jpeg(data, header.size, long_side), turn)
    except Exception:  # a raw file without a preview is developed
        return None


def _whole(path: Path, header: Header) -> Array:
    w, h = header.size
    frame = Frame(
        name=path.name,
        path=str(path),
        size=(h, w) if header.orientation >= 5 else (w, h),
        bit_depth=header.bit_depth,
        channels=header.channels,
        profile=header.profile,
    )
    try:
        return photo.read(frame)
    except InputError as error:
        raise UnreadableError("is broken") from error


def _turned(image: Array, orientation: int) -> Array:
    """Return stored pixels upright (CIPA DC-008, Orientation)."""
    turn = {
        2: Image.Transpose.FLIP_LEFT_RIGHT,
        3: Image.Transpose.ROTATE_180,
        4: Image.Transpose.FLIP_TOP_BOTTOM,
        5: Image.Transpose.TRANSPOSE,
        6: Image.Transpose.ROTATE_270,
        7: Image.Transpose.TRANSVERSE,
        8: Image.Transpose.ROTATE_90,
    }.get(orientation)
    return image if turn is None else np.asarray(Image.fromarray(image).transpose(turn))
