"""Picture files for trying what reading does: damaged ones and odd but sound ones, from fixed seeds.

Only drawn pictures and those that scikit-image carries are used. Nothing here knows the program.
"""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Callable, Iterator, Sequence
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

import cv2
import imagecodecs
import numpy as np
import skimage
from numpy.typing import NDArray
from PIL import Image

Picture = NDArray[np.uint8]
Random = np.random.Generator

SEED = 20260117
STEPS = 8
"""A pixel that differs by more in any channel is wrong."""
SHARE = 0.001
"""A picture is damaged when more than this share of its pixels is wrong."""


class Case(NamedTuple):
    """One file."""

    name: str
    data: bytes
    is_damaged: bool
    """Whether a lenient decoder gives another size, nothing, or more wrong pixels than SHARE."""
    kind: str
    """What was done, after that who wrote it: 'noise / pillow progressive'."""
    truth: Picture
    """(H, W, 3) RGB as the file was meant to be."""


# What is photographed -------------------------------------------------------------------------------------


@cache
def _carried(name: str) -> Picture:
    return np.asarray(Image.open(Path(skimage.__file__).parent / "data" / name).convert("RGB"))


CARRIED = (
    *("coffee.png", "chelsea.png", "rocket.jpg", "retina.jpg", "hubble_deep_field.jpg"),
    *("motorcycle_left.png", "brick.png", "grass.png", "ihc.png"),
)


def scene(rng: Random) -> Picture:
    """Return a picture of 1200 to 2400 px: a carried one enlarged, with grain, or one that is drawn."""
    w = int(rng.integers(1200, 2401))
    h = (
        int(w * rng.choice([2 / 3, 3 / 4, 3 / 2]))
        if w < 1700
        else int(w * rng.choice([2 / 3, 3 / 4, 9 / 16]))
    )
    if rng.random() < 0.15:
        return drawn(rng, w, h)
    image = _carried(str(rng.choice(CARRIED)))
    part = image[: int(image.shape[1] * h / w) or 1] if image.shape[0] * w > image.shape[1] * h else image
    grown = cv2.resize(part, (w, h), interpolation=cv2.INTER_CUBIC).astype(np.float32)
    grain = rng.normal(0, rng.uniform(0, 5), (h, w, 1)).astype(np.float32)
    return np.clip(grown + grain, 0, 255).astype(np.uint8)


def drawn(rng: Random, w: int, h: int) -> Picture:
    """Return a (h, w, 3) picture of slopes, discs, bars and a frame, edges on and off the grid of blocks."""
    y, x = np.mgrid[0:h, 0:w].astype(np.float32)
    a, b, c = rng.uniform(20, 120, 3)
    image = np.stack([a + 90 * x / w, b + 90 * y / h, c + 60 * np.sin(x / 90) * np.cos(y / 70)], axis=-1)
    image = np.ascontiguousarray(np.clip(image, 0, 255)).astype(np.uint8)
    for _ in range(12):
        colour = [int(v) for v in rng.integers(0, 256, 3)]
        at = (int(rng.integers(w)), int(rng.integers(h)))
        cv2.circle(image, at, int(rng.integers(20, 200)), colour, -1, cv2.LINE_AA)
    for _ in range(6):
        colour = [int(v) for v in rng.integers(0, 256, 3)]
        top, high = 16 * int(rng.integers(h // 16 - 4)), int(rng.choice([8, 16, 32, 37]))
        left = 16 * int(rng.integers(w // 16)) if rng.random() < 0.5 else 0
        image[top : top + high, left:] = colour
    if rng.random() < 0.5:
        image[:64], image[-64:] = 0, 0
    return image


# How it is written ----------------------------------------------------------------------------------------


class Written(NamedTuple):
    """A sound file and the words for how it was made."""

    data: bytes
    how: str


def _pillow(image: Picture, rng: Random, *, exif: bytes | None, progressive: bool) -> Written:
    sampling = str(rng.choice(["4:4:4", "4:2:2", "4:2:0", "4:2:0", "4:1:1"]))
    options: dict[str, Any] = {"optimize": bool(rng.random() < 0.4), "subsampling": sampling}
    if rng.random() < 0.3:
        options["restart_marker_rows" if rng.random() < 0.5 else "restart_marker_blocks"] = int(
            rng.integers(1, 40)
        )
    out = io.BytesIO()
    quality = int(rng.integers(70, 97))
    if exif:
        options["exif"] = exif
    Image.fromarray(image).save(out, "JPEG", quality=quality, progressive=progressive, **options)
    return Written(out.getvalue(), "pillow" + _words(progressive, options))


def _words(progressive: bool, options: dict[str, Any]) -> str:
    return (
        (" progressive" if progressive else " baseline")
        + (" restarts" if any("restart" in k for k in options) else "")
        + (" thumbnail" if "exif" in options else "")
    )


def _opencv(image: Picture, rng: Random, *, exif: bytes | None, progressive: bool) -> Written:
    sampling = ("411", "420", "422", "440", "444")[int(rng.integers(5))]
    words = [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(70, 97))]
    words += [cv2.IMWRITE_JPEG_SAMPLING_FACTOR, getattr(cv2, f"IMWRITE_JPEG_SAMPLING_FACTOR_{sampling}")]
    words += [
        cv2.IMWRITE_JPEG_PROGRESSIVE,
        int(progressive),
        cv2.IMWRITE_JPEG_OPTIMIZE,
        int(rng.random() < 0.4),
    ]
    options: dict[str, Any] = {}
    if rng.random() < 0.3:
        words += [cv2.IMWRITE_JPEG_RST_INTERVAL, int(rng.integers(1, 200))]
        options["restart"] = True
    data = cv2.imencode(".jpg", image[..., ::-1], words)[1].tobytes()
    if exif:
        data, options["exif"] = data[:2] + segment(0xE1, exif) + data[2:], True
    return Written(data, "opencv" + _words(progressive, options))


def _imagecodecs(image: Picture, rng: Random, *, exif: bytes | None, progressive: bool) -> Written:
    del progressive  # this one writes baseline only
    sampling = str(rng.choice(["444", "422", "420", "440"]))
    optimize = bool(rng.random() < 0.4)
    level = int(rng.integers(70, 97))
    data = imagecodecs.jpeg8_encode(image, level, subsampling=sampling, optimize=optimize)
    options: dict[str, Any] = {}
    if exif:
        data, options["exif"] = data[:2] + segment(0xE1, exif) + data[2:], True
    return Written(bytes(data), "imagecodecs" + _words(False, options))


ENCODERS: tuple[Callable[..., Written], ...] = (_pillow, _opencv, _imagecodecs)


def segment(marker: int, body: bytes) -> bytes:
    """Return a JPEG segment with its length (ITU-T T.81, B.1.1.4)."""
    return bytes((0xFF, marker)) + struct.pack(">H", len(body) + 2) + body


def exif_with_thumbnail(image: Picture) -> bytes:
    """Return an Exif block with a small JPEG of the picture, letterboxed to 160 x 120 as cameras do."""
    h, w = image.shape[:2]
    factor = min(160 / w, 120 / h)
    size = (max(1, round(w * factor)), max(1, round(h * factor)))
    small = np.zeros((120, 160, 3), np.uint8)
    x, y = (160 - size[0]) // 2, (120 - size[1]) // 2
    small[y : y + size[1], x : x + size[0]] = cv2.resize(image, size, interpolation=cv2.INTER_AREA)
    out = io.BytesIO()
    Image.fromarray(small).save(out, "JPEG", quality=80)
    jpeg = out.getvalue()
    # Two directories (TIFF 6.0, Adobe 1992): the picture's, and the thumbnail's (CIPA DC-008, 4.6.5).
    first = struct.pack("<H", 1) + struct.pack("<HHII", 0x0112, 3, 1, 1)
    at = 8 + len(first) + 4
    second = struct.pack("<H", 3) + struct.pack("<HHII", 0x0103, 3, 1, 6)
    start = at + len(second) + 24 + 4
    second += struct.pack("<HHII", 0x0201, 4, 1, start) + struct.pack("<HHII", 0x0202, 4, 1, len(jpeg))
    tiff = b"II*\0" + struct.pack("<I", 8) + first + struct.pack("<I", at) + second + bytes(4) + jpeg
    return b"Exif\0\0" + tiff


def written(image: Picture, rng: Random) -> Written:
    """Return a picture as a sound JPEG of one of the three encoders, its kind by chance."""
    encoder = ENCODERS[int(rng.integers(len(ENCODERS)))]
    exif = exif_with_thumbnail(image) if rng.random() < 0.4 else None
    return encoder(image, rng, exif=exif, progressive=bool(rng.random() < 0.35))


def segments(data: bytes) -> list[tuple[int, int, int]]:
    """Return marker, start and end of each segment; a scan's end is where its pixels end."""
    found, at = [], 2
    while at + 4 <= len(data) and data[at] == 0xFF and data[at + 1] != 0xD9:
        end = at + 2 + int.from_bytes(data[at + 2 : at + 4], "big")
        if data[at + 1] == 0xDA:
            while not (data[end] == 0xFF and data[end + 1] not in (0, *range(0xD0, 0xD8))):
                end = data.index(b"\xff", end + 1)
        found.append((data[at + 1], at, end))
        at = end
    return found


# What goes wrong ------------------------------------------------------------------------------------------


def _place(data: bytes, rng: Random, length: int) -> int:
    return int(rng.integers(2, max(3, len(data) - 2 - length)))


def _length(data: bytes, rng: Random) -> int:
    return min(int(2 ** rng.uniform(4, 14)), len(data) // 2)


def _put(data: bytes, at: int, new: bytes) -> bytes:
    return data[:at] + new + data[at + len(new) :]


def _byte(data: bytes, rng: Random) -> bytes:
    at = _place(data, rng, 1)
    return _put(data, at, bytes([data[at] ^ int(rng.integers(1, 256))]))


def _bit(data: bytes, rng: Random) -> bytes:
    at = _place(data, rng, 1)
    return _put(data, at, bytes([data[at] ^ (1 << int(rng.integers(8)))]))


def _few_bytes(data: bytes, rng: Random) -> bytes:
    n = int(rng.integers(2, 17))
    return _put(data, _place(data, rng, n), rng.bytes(n))


def _noise(data: bytes, rng: Random) -> bytes:
    n = _length(data, rng)
    return _put(data, _place(data, rng, n), rng.bytes(n))


def _noise_without_markers(data: bytes, rng: Random) -> bytes:
    n = _length(data, rng)
    return _put(data, _place(data, rng, n), rng.bytes(n).replace(b"\xff", b"\x7f"))


def _zeros(data: bytes, rng: Random) -> bytes:
    n = _length(data, rng)
    return _put(data, _place(data, rng, n), bytes(n))


def _ones(data: bytes, rng: Random) -> bytes:
    n = _length(data, rng)
    return _put(data, _place(data, rng, n), b"\xff" * n)


def _gone(data: bytes, rng: Random) -> bytes:
    n = _length(data, rng)
    at = _place(data, rng, n)
    return data[:at] + data[at + n :]


def _inserted(data: bytes, rng: Random) -> bytes:
    at = _place(data, rng, 1)
    return data[:at] + rng.bytes(_length(data, rng)) + data[at:]


def _twice(data: bytes, rng: Random) -> bytes:
    n = _length(data, rng)
    at = _place(data, rng, n)
    return data[: at + n] + data[at:]


def _sectors_swapped(data: bytes, rng: Random) -> bytes:
    a, b = sorted(512 * int(v) for v in rng.choice(np.arange(1, len(data) // 512 - 1), 2, replace=False))
    return data[:a] + data[b : b + 512] + data[a + 512 : b] + data[a : a + 512] + data[b + 512 :]


def _of_another(data: bytes, rng: Random) -> bytes:
    other = written(drawn(rng, 1200, 800), rng).data
    n = min(512 * int(rng.integers(1, 9)), len(data) // 2, len(other) // 2)
    start = int(rng.integers(len(other) // 3, len(other) - n))
    return _put(data, 512 * int(rng.integers(2, max(3, (len(data) - n) // 512))), other[start : start + n])


def _of_itself(data: bytes, rng: Random) -> bytes:
    n = min(512 * int(rng.integers(1, 9)), len(data) // 4)
    start = _place(data, rng, n)
    return _put(data, _place(data, rng, n), data[start : start + n])


def _in_segment(*markers: int) -> Callable[[bytes, Random], bytes]:
    def change(data: bytes, rng: Random) -> bytes:
        places = [s for s in segments(data) if s[0] in markers]
        marker, start, end = places[int(rng.integers(len(places)))]
        if marker == 0xDA:
            end = start + 2 + int.from_bytes(data[start + 2 : start + 4], "big")
        at = int(rng.integers(start + 4, end))
        return _put(data, at, bytes([data[at] ^ int(rng.integers(1, 256))]))

    return change


def _restart_lost(data: bytes, rng: Random) -> bytes:
    places = [i for n in range(8) if (i := data.find(bytes((0xFF, 0xD0 + n)), len(data) // 2)) > 0]
    if not places:
        return _gone(data, rng)
    at = int(rng.choice(places))
    return data[:at] + data[at + 2 :]


DAMAGES: tuple[tuple[str, Callable[[bytes, Random], bytes], int], ...] = (
    ("one byte", _byte, 20),
    ("one bit", _bit, 10),
    ("2 to 16 bytes", _few_bytes, 12),
    ("noise", _noise, 10),
    ("noise without 0xFF", _noise_without_markers, 8),
    ("zeros", _zeros, 4),
    ("ones", _ones, 2),
    ("a piece gone", _gone, 5),
    ("a piece inserted", _inserted, 3),
    ("a piece twice", _twice, 4),
    ("sectors swapped", _sectors_swapped, 4),
    ("a piece of another file", _of_another, 5),
    ("a piece of itself", _of_itself, 4),
    ("a byte of a Huffman table", _in_segment(0xC4), 5),
    ("a byte of a quantisation table", _in_segment(0xDB), 2),
    ("a byte of the frame or scan header", _in_segment(0xC0, 0xC2, 0xDA), 2),
    ("a restart marker gone", _restart_lost, 1),
)
"""Name, what it does, and how often of a hundred or so."""


def lenient(data: bytes) -> Picture | None:
    """Return what a decoder that passes over damage gives, (H, W, 3) RGB, or None."""
    flags = cv2.IMREAD_COLOR_RGB | cv2.IMREAD_IGNORE_ORIENTATION
    try:
        image = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    except cv2.error:
        return None
    return None if image is None else np.asarray(image, np.uint8)


def wrong(image: Picture | None, truth: Picture) -> float:
    """Return the share of pixels, 0 to 1, that differ by more than STEPS; 1 for another size or nothing."""
    if image is None or image.shape != truth.shape:
        return 1.0
    return float((cv2.absdiff(image, truth).max(axis=2) > STEPS).mean())


def damaged(count: int, seed: int = SEED, scenes: Callable[[Random], Picture] = scene) -> Iterator[Case]:
    """Yield damaged JPEG files, also some whose damage does not show, each from a seed of its own."""
    weights = np.array([w for _, _, w in DAMAGES], float)
    for i in range(count):
        rng = np.random.default_rng([seed, i])
        name, change, _ = DAMAGES[int(rng.choice(len(DAMAGES), p=weights / weights.sum()))]
        whole = written(scenes(rng), rng)
        truth = lenient(whole.data)
        assert truth is not None
        data = change(whole.data, rng)
        share = wrong(lenient(data), truth)
        yield Case(f"damaged_{i:03d}.jpg", data, share > SHARE, f"{name} / {whole.how}", truth)


# What is odd but sound ------------------------------------------------------------------------------------


def _behind(new: Callable[[Random], bytes]) -> Callable[[bytes, Random], bytes]:
    return lambda data, rng: data + new(rng)


def _before(marker: int, new: Callable[[Random], bytes]) -> Callable[[bytes, Random], bytes]:
    """Put bytes before the first segment of a kind."""

    def change(data: bytes, rng: Random) -> bytes:
        at = next(start for m, start, _ in segments(data) if m == marker)
        return data[:at] + new(rng) + data[at:]

    return change


def _many_segments(rng: Random) -> bytes:
    parts = [
        segment(int(rng.choice([0xE4, 0xE5, 0xE9, 0xEC, 0xEF, 0xFE])), rng.bytes(int(rng.integers(0, 3000))))
        for _ in range(int(rng.integers(3, 20)))
    ]
    return b"".join(parts)


def _filled(data: bytes, rng: Random) -> bytes:
    """Put fill bytes before every marker of a segment (T.81, B.1.1.2: any number of 0xFF)."""
    out, last = b"", 0
    for _, start, _ in segments(data):
        out += data[last:start] + b"\xff" * int(rng.integers(0, 6))
        last = start
    end = segments(data)[-1][2]
    return out + data[last:end] + b"\xff" * int(rng.integers(0, 6)) + data[end:]


def _second_picture(rng: Random) -> bytes:
    return written(drawn(rng, 640, 480), rng).data


def _tables_apart(data: bytes, rng: Random) -> bytes:
    """Give every table of a segment a segment of its own; repeat a table that is there already."""
    out, last = b"", 0
    for marker, start, end in segments(data):
        if marker != 0xDB:
            continue
        at, parts = start + 4, []
        while at < end:
            size = 129 if data[at] >> 4 else 65
            parts.append(segment(0xDB, data[at : at + size]))
            at += size
        out, last = out + data[last:start] + b"".join(parts) + parts[0], end
    return out + data[last:]


def _no_app0(data: bytes, rng: Random) -> bytes:
    keep, last = b"", 0
    for marker, start, end in segments(data):
        if marker == 0xE0:
            keep, last = keep + data[last:start], end
    return keep + data[last:]


def _as_is(data: bytes, rng: Random) -> bytes:
    return data


ODD: tuple[tuple[str, Callable[[bytes, Random], bytes], int], ...] = (
    ("plain", _as_is, 25),
    ("trailing zeros", _behind(lambda rng: bytes(int(rng.integers(1, 9000)))), 6),
    ("trailing noise", _behind(lambda rng: rng.bytes(int(rng.integers(1, 9000)))), 6),
    ("trailing words", _behind(lambda rng: b"some film without an end mark" * 20), 4),
    ("a second picture behind", _behind(_second_picture), 8),
    ("two more pictures behind", _behind(lambda rng: bytes(512) + _second_picture(rng) * 2), 4),
    ("many segments", _before(0xDB, _many_segments), 8),
    ("a comment before the scan", _before(0xDA, lambda rng: segment(0xFE, rng.bytes(700))), 4),
    ("a preview in a segment", _before(0xDB, lambda rng: segment(0xE5, _preview(rng))), 5),
    ("fill bytes", _filled, 8),
    ("tables apart and twice", _tables_apart, 4),
    ("no first segment", _no_app0, 4),
    ("stray bytes between segments", _before(0xDB, lambda rng: rng.bytes(4).replace(b"\xff", b"")), 3),
)


def _preview(rng: Random) -> bytes:
    out = io.BytesIO()
    Image.fromarray(drawn(rng, 320, 240)).save(out, "JPEG", quality=60)
    return out.getvalue()


def sound(count: int, seed: int = SEED, scenes: Callable[[Random], Picture] = scene) -> Iterator[Case]:
    """Yield sound JPEG files of odd kinds; a tenth of them grey, a tenth with tables of their own."""
    weights = np.array([w for _, _, w in ODD], float)
    for i in range(count):
        rng = np.random.default_rng([seed, 1, i])
        name, change, _ = ODD[int(rng.choice(len(ODD), p=weights / weights.sum()))]
        image = scenes(rng)
        made = written(image, rng)
        if (chance := rng.random()) < 0.1:
            made = Written(cv2.imencode(".jpg", image[..., 1])[1].tobytes(), "opencv grey")
        elif chance < 0.2:
            made = _own_tables(image, rng)
        truth = lenient(made.data)
        assert truth is not None
        yield Case(f"sound_{i:03d}.jpg", change(made.data, rng), False, f"{name} / {made.how}", truth)


def _own_tables(image: Picture, rng: Random) -> Written:
    """Write with quantisation tables that follow no formula, rough from one entry to the next."""
    base = 2 + np.add.outer(np.arange(8), np.arange(8)) * rng.uniform(0.5, 4)
    tables = [
        np.clip(base * rng.uniform(0.6, 1.6, (8, 8)), 1, 255).astype(int).ravel().tolist() for _ in "YC"
    ]
    out = io.BytesIO()
    Image.fromarray(image).save(out, "JPEG", qtables=tables, progressive=bool(rng.random() < 0.5))
    return Written(out.getvalue(), "pillow own tables")


# Other formats --------------------------------------------------------------------------------------------


def png_chunks(data: bytes) -> list[tuple[bytes, int, int]]:
    """Return type, start and end of each chunk of a PNG."""
    found, at = [], 8
    while at + 12 <= len(data):
        end = at + 12 + int(struct.unpack(">I", data[at : at + 4])[0])
        found.append((data[at + 4 : at + 8], at, end))
        at = end
    return found


def unfolding_png(width: int, height: int) -> bytes:
    """Return a small PNG, complete and sound, that unfolds to so many black pixels."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    packer = zlib.compressobj(9)
    row = bytes(1 + width * 3)
    body = b"".join(packer.compress(row) for _ in range(height)) + packer.flush()
    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", body) + chunk(b"IEND", b"")


def damaged_others(count: int, seed: int = SEED) -> Iterator[Case]:
    """Yield PNG and TIFF files with a byte or a piece changed; the truth as it was."""
    changes: Sequence[tuple[str, Callable[[bytes, Random], bytes]]] = (
        ("one byte", _byte),
        ("noise", _noise),
        ("zeros", _zeros),
        ("a piece gone", _gone),
    )
    for i in range(count):
        rng = np.random.default_rng([seed, 2, i])
        image = drawn(rng, 480, 360)
        form = ("PNG", "TIFF", "TIFF")[i % 3]
        compression = (None, "tiff_adobe_deflate", "tiff_lzw")[i % 3]
        out = io.BytesIO()
        Image.fromarray(image).save(out, form, **({"compression": compression} if i % 3 else {}))
        name, change = changes[int(rng.integers(len(changes)))]
        data = change(out.getvalue(), rng)
        share = wrong(lenient(data), image)
        ending = "png" if form == "PNG" else "tif"
        yield Case(
            f"damaged_{i:03d}.{ending}", data, share > SHARE, f"{name} / {compression or 'png'}", image
        )
