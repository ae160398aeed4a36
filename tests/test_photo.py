"""A burst is found whole, in order, and without what cannot be read."""

from __future__ import annotations

import errno
import io
import re
import struct
import sys
import zlib
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from photographs import drawn, only, save, tags
from PIL import Image

from facemerge.errors import InputError
from facemerge.formats import encode, photo
from facemerge.formats.headers import UnreadableError, look


def test_folder_gives_its_pictures_only(tmp_path: Path) -> None:
    """Of a folder the direct picture files are taken, whatever the case of their endings; nothing else is."""
    for name in ("b.JPG", "a.jpeg", "c.png", "d.tif", ".hidden.jpg", "._a.jpg"):
        save(tmp_path / name, drawn(), format={".tif": "TIFF", ".png": "PNG"}.get(name[-4:], "JPEG"))
    (tmp_path / "a.xmp").write_text("sidecar")
    (tmp_path / "notes.txt").write_text("notes")
    (tmp_path / "sub.jpg").mkdir()
    save(tmp_path / "sub.jpg" / "e.jpg", drawn())
    frames, notes = photo.find_frames([tmp_path])
    assert [f.name for f in frames] == ["a.jpeg", "b.JPG", "c.png", "d.tif"]
    assert notes == []


@pytest.mark.parametrize(
    ("times", "order"),
    [
        ({"a": "2025:06:01 10:00:02", "b": "2025:06:01 10:00:01"}, "b a"),
        ({"a": ("2025:06:01 10:00:00", "5"), "b": ("2025:06:01 10:00:00", "05")}, "b a"),
        ({"a": ("2025:06:01 10:00:00", "1"), "b": ("2025:06:01 10:00:00", "09 ")}, "b a"),
        ({"b": ("2025:06:01 10:00:00", "12"), "a": ("2025:06:01 10:00:00", "12")}, "a b"),
        ({"f10": "2025:06:01 10:00:00", "e": "2025:06:01 10:00:01", "f9": "2025:06:01 10:00:00"}, "9 10 e"),
        ({"a": "2025:06:01 10:00:03", "b": "", "c": "2025:06:01 10:00:04"}, "a b c"),
        ({"a": "0000:00:00 00:00:00", "b": "2025:13:40 10:00:04", "c": "rubbish"}, "a b c"),
    ],
)
def test_frames_come_in_the_order_taken(tmp_path: Path, times: dict[str, Any], order: str) -> None:
    """Time decides, its digits after the point included; equal or missing times leave it to the name.

    SubSecTimeOriginal is the digit string after the decimal point: Exif 2.32 (CIPA DC-008-2019), tag 37521.
    """
    for name, time in times.items():
        taken, subsecond = time if isinstance(time, tuple) else (time, "")
        save(tmp_path / f"{name}.jpg", drawn(), exif=tags(1, taken, subsecond))
    frames, _ = photo.find_frames([tmp_path])
    assert [f.name.removesuffix(".jpg").lstrip("f") for f in frames] == order.split()


def test_numbers_in_names_count(tmp_path: Path) -> None:
    """Without times frame_9 comes before frame_10, as people number."""
    for name in ("frame_10", "frame_9", "Frame_1", "frame_0100"):
        save(tmp_path / f"{name}.png", drawn())
    frames, _ = photo.find_frames([tmp_path])
    assert [f.name for f in frames] == ["Frame_1.png", "frame_9.png", "frame_10.png", "frame_0100.png"]


def test_time_is_seconds_since_1970(tmp_path: Path) -> None:
    """The camera's clock is read without a zone: one day and a quarter of a second after the epoch."""
    path = save(tmp_path / "a.jpg", drawn(), exif=tags(1, "1970:01:02 00:00:00", "25"))
    assert only(path).time_s == 86_400.25


def test_names_are_unique(tmp_path: Path) -> None:
    """Files of the same name from two folders are told apart by their folders; one file given twice counts
    once.
    """
    for folder in ("one", "two"):
        (tmp_path / folder).mkdir()
        save(tmp_path / folder / "a.png", drawn())
    frames, _ = photo.find_frames([tmp_path / "one", tmp_path / "two", tmp_path / "one" / "a.png"])
    assert [f.name for f in frames] == ["one/a.png", "two/a.png"]


def test_raw_beside_its_jpeg_is_one_picture(tmp_path: Path) -> None:
    """A camera's raw file beside the finished file of the same moment is left out, and said so."""
    save(tmp_path / "a.jpg", drawn())
    (tmp_path / "a.nef").write_bytes(b"II*\0raw")
    frames, notes = photo.find_frames([tmp_path])
    assert [f.name for f in frames] == ["a.jpg"]
    assert len(notes) == 1
    assert "a.nef" in notes[0]


def jpeg_bytes(**options: Any) -> bytes:
    """Return a drawn JPEG."""
    out = io.BytesIO()
    Image.fromarray(drawn((300, 200))).save(out, "JPEG", **options)
    return out.getvalue()


def png_bytes() -> bytes:
    """Return a drawn PNG."""
    return encode.png_bytes(drawn((300, 200)))


def tiff_bytes(compression: str | None = None, **options: Any) -> bytes:
    """Return a drawn TIFF."""
    out = io.BytesIO()
    tifffile.imwrite(out, drawn((300, 200)), compression=compression, photometric="rgb", **options)
    return out.getvalue()


def with_thumbnail() -> bytes:
    """Return a JPEG with a whole JPEG, end mark and all, in its first segment, cut off in its own pixels."""
    inner = jpeg_bytes(quality=30)
    app = b"\xff\xe5" + struct.pack(">H", len(inner) + 2) + inner
    whole = jpeg_bytes()
    return whole[:2] + app + whole[2:-400]


def huge_png(width: int, height: int) -> bytes:
    """Return a PNG of few bytes that says it has width x height pixels."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    parts = chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(bytes(100))) + chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + parts


def cmyk(kind: str) -> bytes:
    """Return a picture in printing colours."""
    out = io.BytesIO()
    Image.new("CMYK", (30, 20)).save(out, kind)
    return out.getvalue()


def float_tiff() -> bytes:
    """Return a TIFF of floating-point pixels."""
    out = io.BytesIO()
    tifffile.imwrite(out, drawn().astype(np.float32), photometric="rgb")
    return out.getvalue()


BROKEN: dict[str, tuple[Callable[[], bytes], str]] = {
    "empty.jpg": (lambda: b"", "is empty"),
    "text.jpg": (lambda: b"this is no picture, only words", "not a picture"),
    "zeros.jpg": (lambda: bytes(5000), "nothing but zeros"),
    "half.jpg": (lambda: jpeg_bytes()[: len(jpeg_bytes()) // 2], "cut off"),
    "almost.jpg": (lambda: jpeg_bytes()[:-2], "cut off"),
    "zero_filled.jpg": (lambda: jpeg_bytes()[:-900] + bytes(900), "cut off"),
    "progressive.jpg": (lambda: jpeg_bytes(progressive=True)[:-900], "cut off"),
    "thumbnail.jpg": (with_thumbnail, "cut off"),
    "head_only.jpg": (lambda: jpeg_bytes()[:100], "cut off|broken"),
    "cmyk.jpg": (lambda: cmyk("JPEG"), "CMYK"),
    "half.png": (lambda: png_bytes()[:-300], "cut off"),
    "no_end.png": (lambda: png_bytes()[:-12], "cut off"),
    "signature.png": (lambda: png_bytes()[:8], "cut off"),
    "no_header.png": (lambda: png_bytes()[:8] + png_bytes()[-12:], "broken PNG"),
    "header_last.png": (lambda: png_bytes()[:8] + png_bytes()[33:] + png_bytes()[8:33], "broken PNG"),
    "huge.png": (lambda: huge_png(30_000, 20_000), "30000 x 20000 pixels"),
    "bomb.png": (lambda: huge_png(2**31 - 1, 2**31 - 1), "more than the 200 million"),
    "half.tif": (lambda: tiff_bytes()[:-3000], "cut off|broken"),
    "half_packed.tif": (lambda: tiff_bytes("adobe_deflate")[:-300], "cut off|broken"),
    "head.tif": (lambda: tiff_bytes()[:20], "broken"),
    "cmyk.tif": (lambda: cmyk("TIFF"), "CMYK"),
    "float.tif": (float_tiff, "8 or 16 bits"),
    "broken.heic": (lambda: b"\0\0\0\x18ftypheic\0\0\0\0mif1heic", "broken HEIC"),
    "broken.nef": (lambda: b"II*\0\x08\0\0\0\0\0\0\0\0\0", "broken raw"),
}


@pytest.mark.parametrize("name", BROKEN)
def test_broken_file_is_a_note_beside_good_ones(tmp_path: Path, name: str) -> None:
    """One bad file does not end the run: a sentence names it and says why, and the others are read."""
    optional = {".heic": "pillow_heif", ".nef": "rawpy"}.get(Path(name).suffix)
    if optional:
        pytest.importorskip(optional)
    make, why = BROKEN[name]
    (tmp_path / name).write_bytes(make())
    save(tmp_path / "good.png", drawn())
    frames, notes = photo.find_frames([tmp_path])
    assert [f.name for f in frames] == ["good.png"]
    assert len(notes) == 1
    assert notes[0].startswith(f"{name} is left out: it ")
    assert re.search(why, notes[0])


@pytest.mark.parametrize("length", range(201))
@pytest.mark.parametrize("make", [jpeg_bytes, png_bytes, tiff_bytes])
def test_file_cut_off_anywhere_is_unreadable(make: Callable[[], bytes], length: int) -> None:
    """Whatever little a failing card has left of a file, alone, before zeros or before the file's own end,
    there is a reason and no other exception.
    """
    whole = make()
    ending = {jpeg_bytes: ".jpg", png_bytes: ".png", tiff_bytes: ".tif"}[make]
    assert len(whole) > 400
    with pytest.raises(UnreadableError):
        look(whole[:length], ending)
    with pytest.raises(UnreadableError):
        look(whole[:length] + bytes(300), ending)
    with suppress(UnreadableError):
        look(whole[:length] + whole[-12:], ending)


@pytest.mark.parametrize("name", ["empty.jpg", "half.jpg", "huge.png", "float.tif"])
def test_nothing_readable_is_an_error(tmp_path: Path, name: str) -> None:
    """When no frame at all can be read, the error says of one why."""
    make, why = BROKEN[name]
    (tmp_path / name).write_bytes(make())
    with pytest.raises(InputError, match=f"No frame can be read.*{name}.*{why}"):
        photo.find_frames([tmp_path])


@pytest.mark.parametrize(
    "name", ["half.jpg", "zero_filled.jpg", "half.png", "half.tif", "huge.png", "empty.jpg"]
)
def test_file_that_breaks_later_is_an_error_on_reading(tmp_path: Path, name: str) -> None:
    """A file that has become unreadable since it was found gives one sentence that names it."""
    path = tmp_path / name
    path.write_bytes({".jpg": jpeg_bytes, ".png": png_bytes, ".tif": tiff_bytes}[path.suffix]())
    frame = only(path)
    path.write_bytes(BROKEN[name][0]())
    with pytest.raises(InputError, match=f"^{name} cannot be read: it .*({BROKEN[name][1]})"):
        photo.read(frame)


@pytest.mark.parametrize("damage", ["a piece gone", "a piece of zeros", "half, with an end mark"])
def test_damage_inside_a_jpeg(tmp_path: Path, damage: str) -> None:
    """What a failing card does to the middle of a JPEG, end mark in place, is told and not shown as grey."""
    whole = jpeg_bytes(quality=95)
    middle = len(whole) // 2
    (tmp_path / "a.jpg").write_bytes(
        {
            "a piece gone": whole[:middle] + whole[middle + 500 :],
            "a piece of zeros": whole[:middle] + bytes(1000) + whole[middle + 1000 :],
            "half, with an end mark": whole[:middle] + whole[-2:],
        }[damage]
    )
    with pytest.raises(InputError, match=r"a\.jpg cannot be read: it is damaged"):
        photo.read(only(tmp_path / "a.jpg"))


def test_stray_bytes_inside_a_jpeg(tmp_path: Path) -> None:
    """Stray bytes between two segments, which some cameras write, are no damage."""
    whole = jpeg_bytes()
    tables = whole.index(b"\xff\xc4")
    (tmp_path / "a.jpg").write_bytes(whole[:tables] + b"\x12\x34" + whole[tables:])
    (tmp_path / "b.jpg").write_bytes(whole)
    frames, _ = photo.find_frames([tmp_path])
    assert np.array_equal(photo.read(frames[0]), photo.read(frames[1]))


def test_file_that_goes_or_changes(tmp_path: Path) -> None:
    """A frame that is gone, or is another picture by now, gives one sentence."""
    path = save(tmp_path / "a.png", drawn())
    frame = only(path)
    save(path, drawn((50, 40)))
    with pytest.raises(InputError, match=r"a\.png has changed"):
        photo.read(frame)
    path.unlink()
    with pytest.raises(InputError, match=r"a\.png cannot be read"):
        photo.read(frame)


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda p: [p / "nowhere"], "There is no file or folder .*nowhere"),
        (lambda p: [p / "empty"], "holds no pictures"),
        (lambda p: [p], "holds no pictures; it has folders inside"),
        (lambda p: [], "No frames were given"),
        (lambda p: [Path("/dev/null")], "neither a file nor a folder"),
        # Up to Python 3.13 asking for such a name is an error of the system, later it is simply not there.
        (
            lambda p: [p / ("x" * 300)],
            "xxx cannot be looked into: file name too long|no file or folder .*xxx",
        ),
    ],
)
def test_sources_that_give_nothing(tmp_path: Path, make: Callable[[Path], list[Path]], said: str) -> None:
    """A path that does not exist, a folder without pictures, and no path at all are one sentence each."""
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError, match=said):
        photo.find_frames(make(tmp_path))


@pytest.mark.parametrize("question", ["is_dir", "iterdir", "resolve"])
def test_folder_that_may_not_be_looked_into(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, question: str
) -> None:
    """Whichever question the system refuses to answer of a source, one sentence names it and says why."""
    save(tmp_path / "a.png", drawn())

    def refuse(self: Path) -> bool:
        raise PermissionError(errno.EACCES, "Permission denied", str(self))

    monkeypatch.setattr(Path, question, refuse)
    with pytest.raises(InputError, match=rf"^{re.escape(str(tmp_path))} cannot be looked into: permission"):
        photo.find_frames([tmp_path])


def test_one_frame_is_no_burst(tmp_path: Path) -> None:
    """A single frame is refused by name, two are not."""
    a, b = only(save(tmp_path / "a.png", drawn())), only(save(tmp_path / "b.png", drawn()))
    with pytest.raises(InputError, match=r"at least two frames.*a\.png"):
        photo.require_burst([a])
    photo.require_burst([a, b])


def test_wrong_ending_is_read_by_content(tmp_path: Path) -> None:
    """A PNG that is called .jpg is read as what it is."""
    (tmp_path / "a.jpg").write_bytes(png_bytes())
    assert np.array_equal(photo.read(only(tmp_path / "a.jpg")), drawn((300, 200)))


def test_trailing_data_is_no_damage(tmp_path: Path) -> None:
    """What phones append to a JPEG, a film or a second picture, does not make it count as cut off."""
    (tmp_path / "a.jpg").write_bytes(jpeg_bytes() + b"\0" * 64 + b"some film without an end mark")
    (tmp_path / "b.jpg").write_bytes(jpeg_bytes() + jpeg_bytes(quality=20))
    frames, notes = photo.find_frames([tmp_path])
    assert len(frames) == 2
    assert notes == []
    assert np.array_equal(photo.read(frames[0]), photo.read(frames[1]))


def test_name_that_is_no_text(tmp_path: Path) -> None:
    """A file name whose bytes are no UTF-8 gets a name that can be written anywhere."""
    path = tmp_path / b"a\xff.png".decode("utf-8", "surrogateescape")
    try:
        save(path, drawn())
    except OSError:
        pytest.skip("this file system accepts only UTF-8 names")
    frame = only(path)
    assert frame.name == "a\ufffd.png"
    assert np.array_equal(photo.read(frame), drawn())


@pytest.mark.parametrize(("module", "extra"), [("pillow_heif", "heic"), ("rawpy", "raw")])
def test_missing_extra_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, module: str, extra: str
) -> None:
    """A file that needs an optional library is left out and says which extra to install; others never ask
    for it.
    """
    monkeypatch.setitem(sys.modules, module, None)
    save(tmp_path / "a.png", drawn())
    lone = tmp_path / ("b.heic" if extra == "heic" else "b.dng")
    lone.write_bytes(b"\0\0\0\x18ftypheic\0\0\0\0")
    frames, notes = photo.find_frames([tmp_path])
    assert [f.name for f in frames] == ["a.png"]
    assert notes == [
        f"{lone.name} is left out: it needs a further library: pip install 'facemerge[{extra}]'."
    ]
    with pytest.raises(InputError, match=rf"pip install 'facemerge\[{extra}\]'"):
        photo.find_frames([lone])
