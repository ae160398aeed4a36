"""Photographs in: which frames a burst has, in which order, and the pixels of each."""

from __future__ import annotations

import io
import os
import re
from collections.abc import Sequence
from pathlib import Path
from types import EllipsisType
from typing import Any

import cv2
import imagecodecs
import numpy as np
import simplejpeg
import tifffile

from facemerge.errors import InputError
from facemerge.formats import icc, jpeg_damage, jpeg_shift
from facemerge.formats.headers import (
    ENDINGS,
    RAW_ENDINGS,
    Header,
    UnreadableError,
    extra,
    look,
)
from facemerge.imaging import to_eight_bit
from facemerge.words import Array, Frame


def find_frames(sources: Sequence[Path]) -> tuple[list[Frame], list[str]]:
    """Return the frames of a burst in the order they were taken, and notes on files that are left out.

    Parameters
    ----------
    sources
        Folders, whose direct picture files are taken (hidden files, sidecars, sub-folders are not), or files.

    Returns
    -------
    frames
        By capture time, then by name with numbers in their natural order. A frame without a time goes where
        its name belongs. `name` is the file's, with as much of its folders as makes it unique.
    notes
        One sentence for each file that cannot be used, or is used with a doubt.

    Raises
    ------
    InputError
        If a source does not exist or cannot be looked at, or no picture can be read.
    """
    notes: list[str] = []
    paths = _paths(sources, notes)
    found: list[Frame] = []
    for path, name in zip(paths, _names(paths), strict=True):
        try:
            header = _look(path)
        except UnreadableError as why:
            notes.append(f"{name} is left out: it {why}.")
            continue
        if header.doubt:
            notes.append(f"{name} {header.doubt}.")
        found.append(_frame(path, name, header))
    if not found:
        rest = "" if len(notes) == 1 else f" (and {len(notes) - 1} more)"
        raise InputError(f"No frame can be read. {notes[0]}{rest}" if notes else "No frames were given.")
    return _in_order(found), notes


def require_burst(frames: Sequence[Frame]) -> None:
    """Refuse a burst of one frame, from which nobody can be given a better head.

    Raises
    ------
    InputError
        If there are fewer than two frames.
    """
    if len(frames) < 2:
        only = f": {frames[0].name}" if frames else ""
        raise InputError(
            f"A burst needs at least two frames of the same group, and only one can be read{only}."
        )


def read(frame: Frame, *, profile: bytes | EllipsisType | None = ..., bit_depth: int | None = None) -> Array:
    """Return a frame's pixels, upright.

    Parameters
    ----------
    frame
        As `find_frames` gave it.
    profile
        The ICC profile wanted, None for sRGB; pixels are converted if the frame's own is another. Left out:
        as they are.
    bit_depth
        8 or 16 bits a channel wanted. Left out: as they are.

    Returns
    -------
    ndarray
        (H, W, 3) RGB uint8 or uint16. A grey file gives three equal channels; what is transparent is laid
        over white, as programs show it.

    Raises
    ------
    InputError
        If the file is gone, broken, cut off, or no longer the one that was found.
    """
    path = Path(frame.path)
    try:
        data = _bytes(path)
        header = look(data, path.suffix.lower())
        image = _turned(_decoded(data, header), header.orientation)
    except UnreadableError as why:
        raise InputError(f"{frame.name} cannot be read: it {why}.") from why
    if (image.shape[1], image.shape[0]) != frame.size:
        raise InputError(f"{frame.name} has changed since the burst was looked through; start again.")
    return converted(image, frame, profile=profile, bit_depth=bit_depth)


def converted(
    image: Array, frame: Frame, *, profile: bytes | EllipsisType | None = ..., bit_depth: int | None = None
) -> Array:
    """Return a frame's pixels in another profile and depth; parameters as `read`."""
    if bit_depth == 16 and image.dtype == np.uint8:
        image = image.astype(np.uint16) * np.uint16(257)
    if not isinstance(profile, EllipsisType):
        image = icc.convert(image, frame.profile, profile)
    return to_eight_bit(image) if bit_depth == 8 else image


def natural(name: str) -> tuple[object, ...]:
    """Return a key that sorts names as people do: frame_9 before frame_10, capitals not first."""
    parts = re.split(r"([0-9]+)", name)
    return tuple((int(p), "") if i % 2 else (0, p.casefold()) for i, p in enumerate(parts)), name


def _paths(sources: Sequence[Path], notes: list[str]) -> list[Path]:
    found: dict[Path, Path] = {}
    for source in sources:
        try:
            for path in _pictures(source, notes):
                found.setdefault(path.resolve(), path)
        except (OSError, RuntimeError) as error:  # RuntimeError: a circle of links, up to Python 3.12
            why = getattr(error, "strerror", None) or "the path runs in a circle of links"
            raise InputError(f"{_clean(str(source))} cannot be looked into: {why.lower()}.") from error
    return list(found.values())


def _pictures(source: Path, notes: list[str]) -> list[Path]:
    if source.is_dir():
        return _folder(source, notes)
    if source.is_file():
        return [source]
    if os.path.lexists(source):
        raise InputError(f"{source} is neither a file nor a folder.")
    raise InputError(f"There is no file or folder {source}.")


def _folder(folder: Path, notes: list[str]) -> list[Path]:
    inside = sorted(
        (p for p in folder.iterdir() if not p.name.startswith(".")), key=lambda p: natural(p.name)
    )
    pictures = [p for p in inside if p.suffix.lower() in ENDINGS and p.is_file()]
    if not pictures:
        folders = any(p.is_dir() for p in inside)
        where = "; it has folders inside, so name the one with the burst" if folders else ""
        raise InputError(f"The folder {folder} holds no pictures{where}.")
    # A camera that writes raw and JPEG gives the same moment twice.
    stems = {p.stem for p in pictures if p.suffix.lower() not in RAW_ENDINGS}
    twice = [p for p in pictures if p.suffix.lower() in RAW_ENDINGS and p.stem in stems]
    notes.extend(
        f"{_clean(p.name)} is left out: the same picture is there as a finished file." for p in twice
    )
    return [p for p in pictures if p not in twice]


def _clean(name: str) -> str:
    # A name whose bytes are no UTF-8 could be written neither to JSON nor to HTML.
    return os.fsencode(name).decode("utf-8", "replace")


def _names(paths: Sequence[Path]) -> list[str]:
    """Return a unique name for each path: its last parts, as few for all as tell them apart."""
    for depth in range(1, max((len(p.absolute().parts) for p in paths), default=0) + 1):
        names = [_clean("/".join(p.absolute().parts[-depth:])) for p in paths]
        if len(set(names)) == len(names):
            return names
    return [f"{_clean(p.name)} ({i})" for i, p in enumerate(paths, 1)]


def _bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise UnreadableError(
            f"cannot be opened ({(error.strerror or 'refused by the system').lower()})"
        ) from error


def _look(path: Path) -> Header:
    return look(_bytes(path), path.suffix.lower())


def _frame(path: Path, name: str, header: Header) -> Frame:
    w, h = header.size
    return Frame(
        name=name,
        path=str(path),
        size=(h, w) if header.orientation >= 5 else (w, h),
        bit_depth=header.bit_depth,
        channels=header.channels,
        profile=header.profile,
        time_s=header.time_s,
    )


def _in_order(frames: Sequence[Frame]) -> list[Frame]:
    timed = [f for f in frames if f.time_s is not None]
    ordered = sorted(timed, key=lambda f: (f.time_s or 0.0, natural(f.name)))
    for frame in sorted((f for f in frames if f.time_s is None), key=lambda f: natural(f.name)):
        before = [i for i, f in enumerate(ordered) if natural(f.name) < natural(frame.name)]
        ordered.insert(before[-1] + 1 if before else 0, frame)
    return ordered


def _decoded(data: bytes, header: Header) -> Array:
    """Return the pixels as stored: (H, W, 3) RGB uint8 or uint16."""
    try:
        match header.kind:
            case "jpeg":
                image = _jpeg(data)
            case "png":
                image = _opaque(cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED))
            case "tiff":
                image = _tiff(data)
            case "heif":
                image = _heif(data)
            case "raw":
                image = _raw(data)
    except UnreadableError:
        raise
    except Exception as error:  # decoders meet broken data with many kinds of exception
        raise UnreadableError("is broken") from error
    if image is None or image.shape[1::-1] != header.size:
        raise UnreadableError("is broken")
    return np.ascontiguousarray(image)


def _jpeg(data: bytes) -> Array | None:
    image = _warned(data)
    if image is None:
        return None
    if jpeg_damage.has_wrong_tables(data):
        raise UnreadableError("is damaged: a table without which it cannot be read is wrong")
    grid = jpeg_damage.grid_of(data)
    if grid is not None and jpeg_shift.breaks_off(image, grid):
        raise UnreadableError("is damaged: from one place on, its brightness or colour is wrong")
    if (small := _thumbnail(data)) is not None and jpeg_damage.leaves_thumbnail(image, small):
        raise UnreadableError("is damaged: from one place on, it is not what its own thumbnail shows")
    return image


def _thumbnail(data: bytes) -> Array | None:
    found = jpeg_damage.thumbnail_of(data)
    if found is None:
        return None
    try:
        return np.asarray(simplejpeg.decode_jpeg(found, "RGB", strict=True))
    except ValueError:  # a broken thumbnail tells nothing of the picture
        return None


def _warned(data: bytes) -> Array | None:
    """Return the pixels if the decoder has no objection; it only warns of what is missing or wrong."""
    try:
        return np.asarray(simplejpeg.decode_jpeg(data, "RGB", strict=True))
    except ValueError:
        data = jpeg_damage.plain(data)
    try:
        return np.asarray(simplejpeg.decode_jpeg(data, "RGB", strict=True))
    except ValueError as error:
        if not _is_rare(error):
            missing = "premature end" in str(error).lower()
            part = "missing" if missing else "wrong"
            raise UnreadableError(f"is damaged: a part of the picture is {part}") from error
    # The rarer kinds of JPEG, which the quick decoder does not know.
    flags = cv2.IMREAD_COLOR_RGB | cv2.IMREAD_IGNORE_ORIENTATION
    image = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    return None if image is None else np.asarray(image)


def _is_rare(error: ValueError) -> bool:
    return "subsampling" in str(error).lower()


def _opaque(image: Array | None) -> Array:
    """Return cv2's grey, BGR or BGRA as RGB, what is transparent laid over white."""
    if image is None:
        raise UnreadableError("is broken")
    if image.ndim == 2:
        return np.asarray(cv2.cvtColor(image, cv2.COLOR_GRAY2RGB))
    if image.shape[2] == 3:
        return np.asarray(cv2.cvtColor(image, cv2.COLOR_BGR2RGB))
    rgb = cv2.cvtColor(image, cv2.COLOR_BGRA2RGB)
    return _over_white(np.asarray(rgb), image[..., 3], associated=False)


def _over_white(rgb: Array, alpha: Array, *, associated: bool) -> Array:
    top = np.iinfo(rgb.dtype).max
    if int(alpha.min()) == top:
        return rgb
    a = alpha[..., None].astype(np.float32) / top
    over = rgb * (1.0 if associated else a) + top * (1 - a)
    return np.clip(np.rint(over), 0, top).astype(rgb.dtype)


def _tiff(data: bytes) -> Array:
    with tifffile.TiffFile(io.BytesIO(data)) as tiff:
        page = tiff.pages.first
        if page.compression == tifffile.COMPRESSION.LZW:
            _check_lzw(page, data)
        image = page.asarray()
        planar = page.planarconfig == tifffile.PLANARCONFIG.SEPARATE and page.samplesperpixel > 1
        white_is_zero = page.photometric == tifffile.PHOTOMETRIC.MINISWHITE
        extras = page.extrasamples
        colours = page.samplesperpixel - len(extras)
    image = np.moveaxis(image, 0, -1) if planar else image
    image = image[..., None] if image.ndim == 2 else image
    rgb = image[..., :colours]
    if white_is_zero:
        rgb = np.iinfo(rgb.dtype).max - rgb
    rgb = np.repeat(rgb, 3, axis=2) if colours == 1 else rgb
    # ExtraSamples 1 is associated, 2 unassociated alpha; 0 may be anything (TIFF 6.0, Adobe 1992, p. 31).
    if extras and int(extras[0]) in (1, 2):
        return _over_white(np.ascontiguousarray(rgb), image[..., colours], associated=int(extras[0]) == 1)
    return np.asarray(rgb)


def _check_lzw(page: Any, data: bytes) -> None:
    """Refuse pieces that do not unpack to just their pixels: this packing has no sum to check."""
    across = page.tilewidth if page.is_tiled else page.imagewidth
    colours = page.samplesperpixel if page.planarconfig == tifffile.PLANARCONFIG.CONTIG else 1
    row = across * colours * page.dtype.itemsize
    if not page.is_tiled:
        strips = -(-page.imagelength // page.rowsperstrip)
    for i, (start, count) in enumerate(zip(page.dataoffsets, page.databytecounts, strict=True)):
        if page.is_tiled:
            rows = page.tilelength
        else:
            rows = min(page.rowsperstrip, page.imagelength - i % strips * page.rowsperstrip)
        if len(imagecodecs.lzw_decode(data[start : start + count])) != rows * row:
            raise UnreadableError("is damaged: a part of the picture is wrong")


def _heif(data: bytes) -> Array:
    picture = extra("pillow_heif", "heic").open_heif(io.BytesIO(data), convert_hdr_to_8bit=False)
    image = np.asarray(picture)
    if image.ndim == 2:
        return np.repeat(image[..., None], 3, axis=2)
    if image.shape[2] == 4:
        return _over_white(np.ascontiguousarray(image[..., :3]), image[..., 3], associated=False)
    return image


def _raw(data: bytes) -> Array:
    with extra("rawpy", "raw").imread(io.BytesIO(data)) as raw:
        # The camera's white balance and a fixed gain: frames of one burst must stay alike.
        return np.asarray(raw.postprocess(use_camera_wb=True, no_auto_bright=True, output_bps=16))


def _turned(image: Array, orientation: int) -> Array:
    """Return stored pixels upright (CIPA DC-008, Orientation: where the 0th row and column lie)."""
    if orientation >= 5:
        image = np.asarray(cv2.transpose(image))
    flip = {2: 1, 3: -1, 4: 0, 6: 1, 7: -1, 8: 0}.get(orientation)
    return image if flip is None else np.asarray(cv2.flip(image, flip))
