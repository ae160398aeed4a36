"""Damaged picture files are told, odd but sound ones are read."""

from __future__ import annotations

import io
import struct
import zlib
from pathlib import Path

import campaign_pictures as campaign
import cv2
import numpy as np
import pytest
import tifffile
from photographs import drawn, only, save
from PIL import Image

from facemerge.errors import InputError
from facemerge.formats import encode, headers, jpeg_shift, photo
from facemerge.formats.jpeg_shift import Grid
from facemerge.words import Array


def read(path: Path, data: bytes) -> Array | None:
    """Return the pixels of a file, or None if it is refused with a sentence that names it."""
    path.write_bytes(data)
    try:
        return photo.read(only(path))
    except InputError as why:
        if path.name not in str(why):
            raise
        return None


def wrong(image: Array, case: campaign.Case) -> bool:
    return campaign.wrong(image, case.truth) > campaign.SHARE


def test_few_damaged_pictures_are_used_silently(tmp_path: Path) -> None:
    """Of 16 JPEG files of fixed seeds whose damage shows, at most two are used: what is left is counted."""
    shown = [case for case in campaign.damaged(24) if case.is_damaged]
    assert len(shown) > 12
    used = []
    for case in shown:
        image = read(tmp_path / case.name, case.data)
        if image is not None and wrong(image, case):
            used.append((case.name, case.kind))
    # 012: a shift low in steps and begun in the first cells of a row is like an edge of the scene; 013: a
    # stretch in the first rows is wrecked before the shift begins.
    assert len(used) <= 2, used


def test_odd_but_sound_pictures_are_read(tmp_path: Path) -> None:
    """Trailing bytes, second pictures, fill bytes, many segments and the rest change no pixel."""
    for case in campaign.sound(40):
        image = read(tmp_path / case.name, case.data)
        assert image is not None, case.kind
        # Two builds of one decoder may round otherwise.
        assert int(cv2.absdiff(image, case.truth).max()) <= 2, case.kind


def test_other_formats_that_have_a_sum_are_checked(tmp_path: Path) -> None:
    """PNG and packed TIFF with a byte or a piece changed are refused or unharmed."""
    used = []
    for case in campaign.damaged_others(45):
        image = read(tmp_path / case.name, case.data)
        if image is not None and image.shape == case.truth.shape and wrong(image, case):
            used.append((case.name, case.kind))
    assert used == []


@pytest.mark.parametrize("chunk", [b"IHDR", b"IDAT", b"IEND"])
@pytest.mark.parametrize("part", ["body", "sum"])
def test_sum_of_a_png_chunk_that_does_not_fit(tmp_path: Path, chunk: bytes, part: str) -> None:
    """Critical chunks of a PNG whose CRC does not fit are damage (W3C PNG 2003, 5.3)."""
    whole = bytearray(encode.png_bytes(drawn((300, 200))))
    start, end = next((s, e) for kind, s, e in campaign.png_chunks(bytes(whole)) if kind == chunk)
    if part == "body" and end - start == 12:
        pytest.skip("this chunk has no body")
    whole[end - 1 if part == "sum" else end - 5] ^= 1
    image = read(tmp_path / "a.png", bytes(whole))
    # The last chunk says nothing but that there is an end.
    assert image is None or (chunk == b"IEND" and np.array_equal(image, drawn((300, 200))))


def test_sum_inside_a_png_that_does_not_fit(tmp_path: Path) -> None:
    """Packed pixels whose own sum (RFC 1950, Adler-32) does not fit are damage, though the chunk's does."""
    whole = encode.png_bytes(drawn((300, 200)))
    body = b"".join(whole[s + 8 : e - 4] for kind, s, e in campaign.png_chunks(whole) if kind == b"IDAT")
    body = body[:-1] + bytes([body[-1] ^ 1])
    first = next(s for kind, s, _ in campaign.png_chunks(whole) if kind == b"IDAT")
    data = struct.pack(">I", len(body)) + b"IDAT" + body + struct.pack(">I", zlib.crc32(b"IDAT" + body))
    assert read(tmp_path / "a.png", whole[:first] + data + whole[-12:]) is None


def test_lzw_that_unpacks_to_too_few_bytes(tmp_path: Path) -> None:
    """A strip or tile of a TIFF that gives fewer pixels than it should is damage; a sound one is read."""
    for options in (
        {"rowsperstrip": 50},
        {"tile": (64, 64)},
        {"planarconfig": "separate", "rowsperstrip": 64},
    ):
        image = drawn((300, 200))
        out = io.BytesIO()
        separate = "planarconfig" in options
        tifffile.imwrite(
            out,
            np.moveaxis(image, -1, 0) if separate else image,
            photometric="rgb",
            compression="lzw",
            **options,
        )
        whole = out.getvalue()
        read_back = read(tmp_path / "a.tif", whole)
        assert read_back is not None
        assert np.array_equal(read_back, image)
        with tifffile.TiffFile(io.BytesIO(whole)) as tiff:
            start, count = tiff.pages.first.dataoffsets[1], tiff.pages.first.databytecounts[1]
        # LZW codes of 9 bits begin with 256, and 257 ends a piece (TIFF 6.0, Adobe 1992, section 13).
        short = bytes([0x80, 0x40, 0x40]) + bytes(count - 3)
        assert read(tmp_path / "b.tif", whole[:start] + short + whole[start + count :]) is None


def test_unfolding_picture_is_refused_before_it_unfolds(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A small file of 361 million pixels is refused by its header, whatever it is packed as."""
    monkeypatch.setattr(cv2, "imdecode", lambda *_: pytest.fail("it was unpacked"))
    wide, high = 19_000, 19_000
    save(tmp_path / "good.png", drawn())
    (tmp_path / "a.png").write_bytes(
        campaign.unfolding_png(wide, 64).replace(
            struct.pack(">II", wide, 64), struct.pack(">II", wide, high), 1
        )
    )
    whole = io.BytesIO()
    Image.new("RGB", (64, 48)).save(whole, "JPEG")
    (tmp_path / "b.jpg").write_bytes(
        whole.getvalue().replace(struct.pack(">HH", 48, 64), struct.pack(">HH", high, wide), 1)
    )
    frames, notes = photo.find_frames([tmp_path])
    assert [f.name for f in frames] == ["good.png"]
    assert all(f"is {wide} x {high} pixels, more than the 200 million" in note for note in notes)
    assert len(notes) == 2
    assert headers.MAX_PIXELS == 200_000_000


def textured(seed: int = 0) -> Array:
    """Return a (480, 800, 3) picture with a horizon, leaves and plain places."""
    rng = np.random.default_rng(seed)
    leaves = cv2.GaussianBlur(rng.normal(0, 1, (480, 800, 1)).astype(np.float32), (0, 0), 4)[..., None]
    y = np.arange(480)[:, None, None]
    image = np.where(y < 201, 150.0, 90.0) + np.array([10.0, 0.0, -20.0]) + 60 * leaves
    return np.asarray(np.clip(image, 0, 255).astype(np.uint8))


@pytest.mark.parametrize("height", [8, -20, 45])
@pytest.mark.parametrize(("row", "column"), [(5, 20), (20, 34), (28, 12)])
@pytest.mark.parametrize("interval", [0, 700])
def test_shift_that_runs_on_is_found(height: int, row: int, column: int, interval: int) -> None:
    """A shift that begins at a unit within a row and runs on is found, also if the code starts anew later."""
    image = textured().astype(np.int16)
    units = np.arange(30 * 50)
    start = row * 50 + column
    end = len(units) if not interval else (start // interval + 1) * interval
    shifted = ((units >= start) & (units < end)).reshape(30, 50)
    image += (height * np.kron(shifted, np.ones((16, 16), int)))[..., None].astype(np.int16)
    damaged = np.clip(image, 0, 255).astype(np.uint8)
    grid = Grid(unit=(16, 16), interval=interval)
    assert not jpeg_shift.breaks_off(textured(), grid)
    assert jpeg_shift.breaks_off(damaged, grid)


@pytest.mark.parametrize("top", range(192, 209))
def test_edges_of_the_scene_are_no_damage(top: int) -> None:
    """A horizon, a bar and a stair with straight edges are none, wherever they lie on the grid."""
    grid = Grid(unit=(16, 16), interval=0)
    for change in (
        lambda image: image[top:].__iadd__(30),
        lambda image: image[top : top + 16].__isub__(40),
        lambda image: image[top:, 320:].__iadd__(30),
        lambda image: image[:top].fill(0),
    ):
        image = np.clip(textured(), 40, 200)
        change(image)
        assert not jpeg_shift.breaks_off(image, grid)
