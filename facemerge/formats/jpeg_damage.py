"""Whether a JPEG that the decoder took without a word is damaged: what its tables and its thumbnail tell."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache

import cv2
import numpy as np

from facemerge.formats import exif
from facemerge.formats.jpeg_shift import Grid
from facemerge.words import Array

_STRAY = 64
"""Bytes between segments: more are the rest of a segment whose length is wrong."""


# ITU-T T.81 (1992), tables K.1 and K.2, and figure A.6.
_LUMINANCE = (
    *(16, 11, 10, 16, 24, 40, 51, 61, 12, 12, 14, 19, 26, 58, 60, 55),
    *(14, 13, 16, 24, 40, 57, 69, 56, 14, 17, 22, 29, 51, 87, 80, 62),
    *(18, 22, 37, 56, 68, 109, 103, 77, 24, 35, 55, 64, 81, 104, 113, 92),
    *(49, 64, 78, 87, 103, 121, 120, 101, 72, 92, 95, 98, 112, 100, 103, 99),
)
_CHROMINANCE = (
    *(17, 18, 24, 47, 99, 99, 99, 99, 18, 21, 26, 66, 99, 99, 99, 99),
    *(24, 26, 56, 99, 99, 99, 99, 99, 47, 66, 99, 99, 99, 99, 99, 99),
    *(99,) * 32,
)
_ZIGZAG = sorted(range(64), key=lambda i: (i // 8 + i % 8, i // 8 if (i // 8 + i % 8) % 2 else i % 8))


def parts(data: bytes) -> Iterator[tuple[int, int, int]]:
    """Yield marker, start and end of the segments of a JPEG up to its first scan, fill bytes passed over."""
    at = 2
    while at + 4 <= len(data):
        marker = data[at + 1]
        if data[at] != 0xFF or marker == 0xFF:
            at += 1
        elif 0xD0 <= marker <= 0xD8 or marker in (0, 1):
            at += 2
        else:
            end = at + 2 + int.from_bytes(data[at + 2 : at + 4], "big")
            yield marker, at, end
            if marker in (0xDA, 0xD9):
                return
            at = end


def grid_of(data: bytes) -> Grid | None:
    """Return how the pixels are coded, or None if the file does not say so plainly."""
    unit, interval = None, 0
    for marker, start, end in parts(data):
        body = data[start + 4 : end]
        if marker in (0xC0, 0xC1, 0xC2, 0xC9, 0xCA) and len(body) >= 9:
            factors = [body[7 + 3 * i] for i in range(min(body[5], (len(body) - 6) // 3))]
            # A single component is coded block by block, whatever its factors (A.2.2).
            alone = len(factors) == 1
            unit = (8, 8) if alone else (8 * max(f >> 4 for f in factors), 8 * max(f & 15 for f in factors))
        elif marker == 0xDD and len(body) == 2:
            interval = int.from_bytes(body, "big")
    return None if unit is None else Grid(unit=unit, interval=interval)


def plain(data: bytes) -> bytes:
    """Return a JPEG without what decoders warn of although nothing of the picture depends on it.

    Stray bytes between the segments before the picture, which some cameras write, and segments of
    applications are left out, but for the two that say what the colours are; a version of JFIF and the
    parameters of a sequential scan, which decoders do not need, are put right (ITU-T T.81, B.2.3).
    """
    kept, at, stray, sequential = [data[:2]], 2, 0, True
    for marker, start, end in parts(data):
        stray += len(data[at:start].strip(b"\xff"))
        at, body = end, data[start:end]
        sequential = sequential and marker not in (0xC2, 0xCA)
        if marker == 0xE0 and body[4:9] == b"JFIF\0":
            kept.append(b"\xff\xe0\0\x10JFIF\0\1\1\0\0\1\0\1\0\0")
        elif marker == 0xDA and sequential and len(body) > 7:
            kept.append(body[:-3] + b"\0\x3f\0")
        elif not (0xE0 <= marker <= 0xED or marker in (0xEF, 0xFE)):
            kept.append(body)
    return b"".join([*kept, data[at:]]) if stray <= _STRAY else data


def has_wrong_tables(data: bytes) -> bool:
    """Return whether a table before the picture is one that no encoder writes.

    A quantisation table made by the usual formula (the tables of ITU-T T.81, K.1, scaled as the library of
    the Independent JPEG Group does) but for a few entries; a Huffman table with a value twice or with one
    that no 8-bit picture has (T.81, F.1.2: categories up to 11 for means, 10 for the rest).
    """
    for marker, start, end in parts(data):
        body = data[start + 4 : end]
        if marker == 0xDB and any(_is_almost_usual(t) for t in _quantisations(body)):
            return True
        if marker == 0xC4 and not _are_possible(body):
            return True
    return False


def _quantisations(body: bytes) -> Iterator[Array]:
    while len(body) >= 65 and body[0] >> 4 == 0:
        yield np.frombuffer(body[1:65], np.uint8).astype(int)
        body = body[65:]


def _is_almost_usual(table: Array) -> bool:
    usual = _usual()
    close = usual[(usual == table).sum(axis=1) >= 58]
    return bool(len(close) and (np.abs(close - table) > np.maximum(2, close // 4)).any(axis=1).all())


@cache
def _usual() -> Array:
    """Return the tables of the formula, (198, 64), in the order in which files have them."""
    quality = np.arange(1, 100)
    scale = np.where(quality < 50, 5000 // quality, 200 - 2 * quality)[:, None]
    made = [
        np.clip((np.array(t) * scale + 50) // 100, 1, 255)[:, _ZIGZAG] for t in (_LUMINANCE, _CHROMINANCE)
    ]
    return np.concatenate(made)


def _are_possible(body: bytes) -> bool:
    while len(body) >= 17:
        count = sum(body[1:17])
        values = body[17 : 17 + count]
        most = 10 if body[0] >> 4 else 11
        if len(set(values)) < len(values) or any(v & 15 > most for v in values):
            return False
        body = body[17 + count :]
    return True


_APART = 10
"""Steps of 255 by which a thumbnail may differ from its picture: it is a JPEG too, and shrunk otherwise."""


def leaves_thumbnail(image: Array, thumbnail: Array) -> bool:
    """Return whether a picture is as its thumbnail shows it down to one row, and from there on is not.

    A thumbnail that is unlike the picture in other ways says nothing: who edits a picture often leaves it.

    Parameters
    ----------
    image
        (H, W, 3) RGB uint8 as stored.
    thumbnail
        (h, w, 3) RGB uint8; bars above and below, or at the sides, are allowed for.
    """
    (h, w), (th, tw) = image.shape[:2], thumbnail.shape[:2]
    factor = min(tw / w, th / h)
    cw, ch = round(w * factor), round(h * factor)
    if min(cw, ch) < 32 or min(h / ch, w / cw) < 2:
        return False
    x, y = (tw - cw) // 2, (th - ch) // 2
    shown = thumbnail[y : y + ch, x : x + cw]
    rows = np.ascontiguousarray(image[(np.arange(2 * ch) * 2 + 1) * h // (4 * ch)])
    small = cv2.resize(rows, (cw, ch), interpolation=cv2.INTER_AREA)
    a, b = (cv2.blur(part, (3, 3)).astype(np.int16)[2:-2, 2:-2] for part in (small, shown))
    plain = (np.minimum(a, b).min(axis=2) > 8) & (np.maximum(a, b).max(axis=2) < 247)
    bad = (np.abs(a - b).max(axis=2) > _APART) & plain
    share = bad.sum(axis=1) / np.maximum(plain.sum(axis=1), cw // 8)
    wrong = np.flatnonzero(share > 0.5)
    if len(wrong) < 2 or wrong[0] < 4:
        return False
    first = int(wrong[0])
    return bool(share[: first - 1].max() < 0.08 and share[first:].min() > 0.4)


def thumbnail_of(data: bytes) -> bytes | None:
    """Return the JPEG thumbnail in a JPEG's Exif segment, or None."""
    blocks = (data[start + 4 : end] for marker, start, end in parts(data) if marker == 0xE1)
    block = next((b for b in blocks if b.startswith(b"Exif\0\0")), None)
    return None if block is None else exif.thumbnail(block)
