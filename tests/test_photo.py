"""Photographs come in upright, complete and in order, and go out with their colours and their story."""

from __future__ import annotations

import io
import itertools
import re
import struct
import warnings
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import cv2
import numpy as np
import pytest
import tifffile
from PIL import Image, ImageCms, ImageOps
from PIL.TiffImagePlugin import IFDRational

from facemerge.errors import InputError, OutputError
from facemerge.formats import encode, exif, icc, photo, xmp
from facemerge.words import Array, Frame, Head, Seam

SEAM = Seam(
    delta_e_median=0,
    delta_e_p95=0,
    texture=0,
    misregistration_px=0,
    tone_delta_e=0,
    grain_ratio=1,
    neighbour_overlap=0,
    invented=0,
    old_head_left=0,
)


def drawn(size: tuple[int, int] = (60, 40), dtype: type = np.uint8, seed: int = 0) -> Array:
    """Return a smooth (H, W, 3) picture without any symmetry."""
    w, h = size
    y, x = np.mgrid[0:h, 0:w] / max(size)
    rgb = np.stack([x, y, np.clip(0.5 + 0.3 * np.sin(9 * x + seed) - 0.4 * y, 0, 1)], axis=-1)
    return np.asarray(np.rint(rgb * np.iinfo(dtype).max)).astype(dtype)


def tags(orientation: int = 1, taken: str = "", subsecond: str = "", **more: Any) -> Image.Exif:
    """Return an Exif block of a camera."""
    out = Image.Exif()
    out[0x0112] = orientation
    out[0x010F], out[0x0110] = "Maker", "Model 1"
    inner = out.get_ifd(0x8769)
    if taken:
        inner[0x9003] = taken
    if subsecond:
        inner[0x9291] = subsecond
    inner |= {int(tag[1:], 16): value for tag, value in more.items()}
    return out


def save(path: Path, image: Array, **options: Any) -> Path:
    """Write an 8-bit picture with Pillow."""
    Image.fromarray(image).save(path, **options)
    return path


def only(path: Path) -> Frame:
    """Return the single frame of a file."""
    (frame,), _ = photo.find_frames([path])
    return frame


# --- finding ------------------------------------------------------------------------------------------------------


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
        ({"a": "2025:06:01 10:00:02", "b": "2025:06:01 10:00:01"}, "ba"),
        ({"a": ("2025:06:01 10:00:00", "5"), "b": ("2025:06:01 10:00:00", "05")}, "ba"),
        ({"a": ("2025:06:01 10:00:00", "1"), "b": ("2025:06:01 10:00:00", "09 ")}, "ba"),
        ({"b": ("2025:06:01 10:00:00", "12"), "a": ("2025:06:01 10:00:00", "12")}, "ab"),
        ({"a": "2025:06:01 10:00:03", "b": "", "c": "2025:06:01 10:00:04"}, "abc"),
        ({"a": "0000:00:00 00:00:00", "b": "2025:13:40 10:00:04", "c": "rubbish"}, "abc"),
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
    assert "".join(f.name[0] for f in frames) == order


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
    """Files of the same name from two folders are told apart by their folders; one file given twice counts once."""
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
    "huge.png": (lambda: huge_png(30_000, 20_000), "30000 x 20000 pixels"),
    "bomb.png": (lambda: huge_png(2**31 - 1, 2**31 - 1), "more than the 400 million"),
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


def test_file_that_goes_or_changes(tmp_path: Path) -> None:
    """A frame that is gone, or is another picture by now, gives one sentence."""
    path = save(tmp_path / "a.png", drawn())
    frame = only(path)
    save(path, drawn((50, 40)))
    with pytest.raises(InputError, match="a.png has changed"):
        photo.read(frame)
    path.unlink()
    with pytest.raises(InputError, match="a.png cannot be read"):
        photo.read(frame)


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda p: [p / "nowhere"], "There is no file or folder .*nowhere"),
        (lambda p: [p / "empty"], "holds no pictures"),
        (lambda p: [p], "holds no pictures; it has folders inside"),
        (lambda p: [], "No frames were given"),
        (lambda p: [Path("/dev/null")], "neither a file nor a folder"),
    ],
)
def test_sources_that_give_nothing(tmp_path: Path, make: Callable[[Path], list[Path]], said: str) -> None:
    """A path that does not exist, a folder without pictures, and no path at all are one sentence each."""
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError, match=said):
        photo.find_frames(make(tmp_path))


def test_one_frame_is_no_burst(tmp_path: Path) -> None:
    """A single frame is refused by name, two are not."""
    a, b = only(save(tmp_path / "a.png", drawn())), only(save(tmp_path / "b.png", drawn()))
    with pytest.raises(InputError, match="at least two frames.*a.png"):
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
    """A file that needs an optional library says which extra to install, and only then is it looked for."""
    monkeypatch.setitem(__import__("sys").modules, module, None)
    save(tmp_path / "a.png", drawn())
    assert len(photo.find_frames([tmp_path])[0]) == 1
    (tmp_path / ("b.heic" if extra == "heic" else "b.dng")).write_bytes(b"\0\0\0\x18ftypheic\0\0\0\0")
    with pytest.raises(InputError, match=rf"pip install 'facemerge\[{extra}\]'"):
        photo.find_frames([tmp_path])


# --- pixels -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("orientation", "kind"), list(itertools.product(range(1, 9), ["jpg", "png", "tif"])))
def test_every_orientation(tmp_path: Path, orientation: int, kind: str) -> None:
    """Each of the eight orientations is applied to size and pixels as an independent reader, Pillow, does it."""
    path = save(tmp_path / f"a.{kind}", drawn((48, 32)), exif=tags(orientation))
    with Image.open(path) as im:
        expected = np.asarray(ImageOps.exif_transpose(im))
    frame = only(path)
    found = photo.read(frame)
    assert frame.size == ((32, 48) if orientation >= 5 else (48, 32))
    assert found.shape == expected.shape
    # Two JPEG decoders may differ by a step.
    assert np.abs(found.astype(int) - expected).max() <= (2 if kind == "jpg" else 0)


def quarter(image: Array, orientation: int) -> Array:
    """Return what a camera held as `orientation` says would have stored of an upright picture."""
    return {
        1: image,
        3: image[::-1, ::-1],
        6: np.rot90(image, 1),
        8: np.rot90(image, -1),
    }[orientation]


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_turned_camera_gives_upright_pictures(tmp_path: Path, orientation: int) -> None:
    """Orientation 6 is undone by a quarter turn clockwise, 8 by one counter-clockwise (Exif 2.32, tag 274)."""
    upright = drawn((48, 32))
    path = save(
        tmp_path / "a.png", np.ascontiguousarray(quarter(upright, orientation)), exif=tags(orientation)
    )
    assert np.array_equal(photo.read(only(path)), upright)


@pytest.mark.parametrize(
    ("dtype", "options"),
    [
        (np.uint8, {}),
        (np.uint16, {}),
        (np.uint16, {"compression": "lzw", "predictor": True}),
        (np.uint16, {"compression": "adobe_deflate", "predictor": True}),
        (np.uint8, {"planarconfig": "separate"}),
        (np.uint16, {"tile": (16, 16)}),
        (np.uint16, {"byteorder": ">"}),
        (np.uint8, {"bigtiff": True}),
    ],
)
def test_tiff_kinds(tmp_path: Path, dtype: type, options: dict[str, Any]) -> None:
    """Depth and every pixel survive, whatever the byte order, the packing or the arrangement."""
    image = drawn(dtype=dtype)
    stored = np.moveaxis(image, -1, 0) if "planarconfig" in options else image
    tifffile.imwrite(tmp_path / "a.tif", stored, photometric="rgb", **options)
    frame = only(tmp_path / "a.tif")
    assert frame.bit_depth == np.dtype(dtype).itemsize * 8
    assert np.array_equal(photo.read(frame), image)
    assert photo.read(frame).dtype == dtype


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize("kind", ["png", "tif"])
def test_grey_gives_three_equal_channels(tmp_path: Path, dtype: type, kind: str) -> None:
    """A file of one channel is known as such and read as three equal ones, its depth kept."""
    image = drawn(dtype=dtype)[..., 0]
    cv2.imwrite(str(tmp_path / f"a.{kind}"), image)
    frame = only(tmp_path / f"a.{kind}")
    assert (frame.channels, frame.bit_depth) == (1, np.dtype(dtype).itemsize * 8)
    assert np.array_equal(photo.read(frame), np.dstack([image] * 3))


def test_grey_jpeg_and_inverted_tiff(tmp_path: Path) -> None:
    """A grey JPEG has one channel; a TIFF in which white is zero is turned round."""
    image = drawn()[..., 0]
    assert only(save(tmp_path / "a.jpg", image)).channels == 1
    tifffile.imwrite(tmp_path / "a.tif", 255 - image, photometric="miniswhite")
    assert np.array_equal(photo.read(only(tmp_path / "a.tif"))[..., 1], image)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize("kind", ["png", "unassociated", "associated"])
def test_transparency_is_laid_over_white(tmp_path: Path, dtype: type, kind: str) -> None:
    """Opaque pixels are as they are, clear ones white, half-clear ones between (Porter and Duff 1984, 'over')."""
    top = np.iinfo(dtype).max
    rgba = np.zeros((1, 3, 4), dtype)
    rgba[0, :, :3] = [top // 5, 0, top]
    rgba[0, :, 3] = [top, 0, top // 5]
    stored = rgba.copy()
    if kind == "associated":
        stored[..., :3] = np.rint(rgba[..., :3] * (rgba[..., 3:] / top)).astype(dtype)
    if kind == "png":
        (tmp_path / "a").write_bytes(encode.png_bytes(rgba))
    else:
        samples = ["assocalpha" if kind == "associated" else "unassalpha"]
        tifffile.imwrite(tmp_path / "a", stored, photometric="rgb", extrasamples=samples)
    found = photo.read(only(tmp_path / "a"))
    a = 0.2
    expected = [[top // 5, 0, top], [top, top, top], [top * (a * 0.2 + 1 - a), top * (1 - a), top]]
    assert np.abs(found[0].astype(float) - expected).max() <= 1


def test_read_at_another_depth(tmp_path: Path) -> None:
    """Eight bits become sixteen and come back exactly; black stays black and white white."""
    image = drawn()
    image[0, 0], image[0, 1] = 0, 255
    frame = only(save(tmp_path / "a.png", image))
    deep = photo.read(frame, bit_depth=16)
    assert (int(deep[0, 0, 0]), int(deep[0, 1, 0])) == (0, 65535)
    write = tmp_path / "b.png"
    write.write_bytes(encode.png_bytes(deep))
    assert np.array_equal(photo.read(only(write), bit_depth=8), image)


def test_big_endian_of_png(tmp_path: Path) -> None:
    """The PNG writer's sixteen bits are read alike by another program's decoder."""
    image = drawn(dtype=np.uint16)
    (tmp_path / "a.png").write_bytes(encode.png_bytes(image))
    assert np.array_equal(cv2.imread(str(tmp_path / "a.png"), cv2.IMREAD_UNCHANGED)[..., ::-1], image)


def test_heic(tmp_path: Path) -> None:
    """A HEIC file is read with its time and turned once only: the library turns it already."""
    heif = pytest.importorskip("pillow_heif")
    image = drawn((128, 64))
    picture = heif.from_pillow(Image.fromarray(image))
    picture.save(tmp_path / "a.heic", quality=-1, exif=tags(6, "2025:06:01 10:00:02").tobytes())
    frame = only(tmp_path / "a.heic")
    assert frame.size == (64, 128)
    assert frame.time_s == only(save(tmp_path / "a.jpg", image, exif=tags(1, "2025:06:01 10:00:02"))).time_s
    assert np.abs(photo.read(frame).astype(int) - np.rot90(image, -1)).mean() < 3


# --- colour -------------------------------------------------------------------------------------------------------


def srgb_profile() -> bytes:
    """Return Pillow's own sRGB profile."""
    return ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()


def test_profile_is_carried(tmp_path: Path) -> None:
    """The embedded profile is in the frame to the last byte."""
    profile = srgb_profile()
    assert only(save(tmp_path / "a.jpg", drawn(), icc_profile=profile)).profile == profile
    assert only(save(tmp_path / "b.jpg", drawn())).profile is None


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_adobe_rgb_to_srgb(dtype: type) -> None:
    """Colours of Adobe RGB (1998) come out at the published sRGB values.

    Expected from the matrices and curves of Adobe RGB (1998) Color Image Encoding, version 2005-05 (4.3.1, gamma
    2.19921875) and IEC 61966-2-1:1999, both with the D65 white, worked out here.
    """
    top = float(np.iinfo(dtype).max)
    rgb = np.array([[[0.5, 0.5, 0.5], [0.5, 0.45, 0.4], [0.3, 0.5, 0.45]]])
    image = np.rint(rgb * top).astype(dtype)
    to_xyz = np.array([[0.57667, 0.18556, 0.18823], [0.29734, 0.62736, 0.07529], [0.02703, 0.07069, 0.99134]])
    from_xyz = np.array([[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]])
    linear = (image / top) ** 2.19921875 @ to_xyz.T @ from_xyz.T
    expected = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    found = icc.convert(image, icc.made("adobergb"), None)
    assert found.dtype == dtype
    # A step and a half of 8 bits, which are worth more in the dark; the published matrices' four digits.
    assert np.abs(found / top - expected).max() < (0.006 if dtype == np.uint8 else 0.0003)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_conversion_there_and_back(dtype: type) -> None:
    """Into a wider space and back, away from black, changes values by no more than the rounding on the way."""
    top = np.iinfo(dtype).max
    image = np.rint(0.2 * top + 0.6 * drawn(dtype=dtype)).astype(dtype)
    wide = icc.convert(image, None, icc.made("adobergb"))
    back = icc.convert(wide, icc.made("adobergb"), None)
    assert np.abs(wide.astype(int) - image).max() > 0.02 * top
    # Measured on random colours: 3 of 255 and 3 of 65535.
    assert np.abs(back.astype(int) - image).max() <= (3 if dtype == np.uint8 else 6)


def test_same_profile_changes_nothing() -> None:
    """Between equal profiles not a bit changes, and none counts as sRGB."""
    image = drawn(dtype=np.uint16)
    assert icc.convert(image, icc.made("adobergb"), icc.made("adobergb")) is image
    assert icc.convert(image, None, None) is image
    assert icc.convert(image, None, icc.made("srgb")) is image


def test_read_into_the_profile_of_another_frame(tmp_path: Path) -> None:
    """A frame of another profile is read into the wanted one; of the same, untouched."""
    image = drawn()
    wide = only(save(tmp_path / "a.png", image, icc_profile=icc.made("adobergb")))
    assert np.array_equal(photo.read(wide), image)
    assert np.array_equal(photo.read(wide, profile=icc.made("adobergb")), image)
    found = photo.read(wide, profile=None)
    assert np.array_equal(found, photo.to_srgb(image, wide.profile))
    assert not np.array_equal(found, image)


def test_preview_is_eight_bit_srgb() -> None:
    """For the screen sixteen bits become eight, rounded, in sRGB."""
    image = drawn(dtype=np.uint16)
    assert np.array_equal(photo.to_srgb(image, None), np.rint(image / 257).astype(np.uint8))
    assert photo.to_srgb(image, icc.made("adobergb")).dtype == np.uint8


def test_made_profiles_are_the_same_bytes_every_time() -> None:
    """A profile made now and one made in another second are equal, and another library can read them."""
    first = icc.made("adobergb")
    icc.made.cache_clear()
    assert icc.made("adobergb") == first
    described = ImageCms.getProfileDescription(ImageCms.getOpenProfile(io.BytesIO(first)))
    assert "Adobe RGB" in described


def test_camera_that_marks_adobe_rgb_without_a_profile(tmp_path: Path) -> None:
    """The interoperability index 'R03' stands for Adobe RGB (DCF 2.0, JEITA CP-3461B, from memory)."""
    out = tags()
    out.get_ifd(0x8769)[0xA005] = {1: "R03"}
    assert only(save(tmp_path / "a.jpg", drawn(), exif=out)).profile == icc.made("adobergb")


@pytest.mark.parametrize(
    "profile", [b"rubbish" * 40, srgb_profile()[:200], icc.made("srgb")[:128] + bytes(400)]
)
def test_broken_profile_is_a_note(tmp_path: Path, profile: bytes) -> None:
    """A profile that cannot be used is left off with a sentence; the picture is used."""
    save(tmp_path / "a.jpg", drawn(), icc_profile=profile)
    (frame,), notes = photo.find_frames([tmp_path])
    assert frame.profile is None
    assert len(notes) == 1
    assert notes[0].startswith("a.jpg has a colour profile that does not fit")


def test_grey_profile_does_not_fit_colour(tmp_path: Path) -> None:
    """A colour picture with the profile of a grey one counts as sRGB."""
    lab = ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes()
    save(tmp_path / "a.jpg", drawn(), icc_profile=lab)
    assert only(tmp_path / "a.jpg").profile is None


# --- writing ------------------------------------------------------------------------------------------------------

TAKEN = "2025:06:01 10:00:02"


@pytest.fixture
def source(tmp_path: Path) -> Frame:
    """Give a base frame with everything a camera says, some of which nobody else should know."""
    block = tags(
        6,
        TAKEN,
        "25",
        x829A=IFDRational(1, 250),
        xA434="Lens 50 mm",
        xA431="serial 1234",
        x927C=b"maker note",
        xA430="Owner's name",
    )
    block.get_ifd(0x8825)[1] = "N"
    return only(save(tmp_path / "source.jpg", drawn(), exif=block))


WRITERS = {"tif": photo.write_tiff, "png": photo.write_png, "jpg": photo.write_jpeg}


def written_exif(path: Path) -> tuple[Image.Exif, dict[int, Any]]:
    """Return the Exif tags of a written file, by Pillow."""
    with warnings.catch_warnings():
        if path.suffix == ".tif":
            block = Image.Exif()
            block.load_from_fp(io.BytesIO(path.read_bytes()))
        else:
            with Image.open(path) as im:
                block = im.getexif()
    return block, block.get_ifd(0x8769)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize("kind", ["tif", "png"])
@pytest.mark.parametrize("greyscale", [False, True])
def test_written_pixels_are_the_pixels(tmp_path: Path, dtype: type, kind: str, greyscale: bool) -> None:
    """Three readers that know nothing of each other find every pixel as it was; Pillow at the depth it knows."""
    image = drawn((70, 130), dtype)
    if greyscale:
        image = np.dstack([image[..., 0]] * 3)
    path = tmp_path / f"a.{kind}"
    WRITERS[kind](path, image, profile=None if greyscale else icc.made("srgb"), greyscale=greyscale)
    by_cv2 = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    expected = image[..., 0] if greyscale else image
    assert by_cv2.dtype == dtype
    assert np.array_equal(by_cv2 if greyscale else by_cv2[..., ::-1], expected)
    if kind == "tif":
        assert np.array_equal(tifffile.imread(path), expected)
    if dtype == np.uint8 or greyscale:
        with Image.open(path) as im:
            assert np.array_equal(np.asarray(im), expected)
    assert np.array_equal(photo.read(only(path)), image)
    assert only(path).channels == (1 if greyscale else 3)


def test_written_jpeg_is_close(tmp_path: Path) -> None:
    """A JPEG of high quality differs by a step or two, sixteen bits are rounded to eight."""
    image = drawn((70, 130), np.uint16)
    photo.write_jpeg(tmp_path / "a.jpg", image, quality=98)
    assert np.abs(photo.read(only(tmp_path / "a.jpg")).astype(float) - image / 257).max() < 4


@pytest.mark.parametrize("kind", WRITERS)
def test_story_is_carried(tmp_path: Path, source: Frame, kind: str) -> None:
    """Time, camera, exposure and lens go on; the picture is upright and says that it is a composite.

    CompositeImage 2 is 'general composite image': Exif 2.32 (CIPA DC-008-2019), tag 42080, from memory.
    """
    path = tmp_path / f"a.{kind}"
    packet = xmp.composite_packet("source.jpg", ["other.jpg"])
    WRITERS[kind](path, drawn(), profile=icc.made("adobergb"), exif_from=source, xmp=packet)
    main, inner = written_exif(path)
    assert (main[0x010F], main[0x0110], main[0x0112]) == ("Maker", "Model 1", 1)
    assert main[0x0131].startswith("facemerge")
    assert (inner[0x9003], inner[0x9291], inner[0xA434]) == (TAKEN, "25", "Lens 50 mm")
    assert float(inner[0x829A]) == 0.004
    assert (inner[0xA002], inner[0xA003], inner[0xA460]) == (60, 40, 2)
    frame = only(path)
    assert frame.profile == icc.made("adobergb")
    assert frame.time_s == source.time_s
    assert packet in path.read_bytes()


@pytest.mark.parametrize("kind", WRITERS)
def test_what_is_private_is_left_behind(tmp_path: Path, source: Frame, kind: str) -> None:
    """Neither the place, nor serial numbers, nor the owner's name, nor maker notes are in the composite."""
    path = tmp_path / f"a.{kind}"
    WRITERS[kind](path, drawn(), exif_from=source)
    main, inner = written_exif(path)
    assert 0x8825 not in main
    assert not {0xA431, 0x927C, 0xA430} & set(inner)
    assert not [
        word for word in (b"serial 1234", b"maker note", b"Owner's name") if word in path.read_bytes()
    ]


@pytest.mark.parametrize("kind", WRITERS)
def test_untagged_base_gives_untagged_composite(tmp_path: Path, kind: str) -> None:
    """Without profile, packet and source the file is plain, and the same bytes each time."""
    a, b = tmp_path / f"a.{kind}", tmp_path / f"b.{kind}"
    WRITERS[kind](a, drawn())
    WRITERS[kind](b, drawn())
    assert only(a).profile is None
    assert only(a).time_s is None
    assert a.read_bytes() == b.read_bytes()


def test_exif_that_cannot_be_written_is_dropped() -> None:
    """A tag with a zero denominator or a strange type is dropped, the others stay."""
    block = tags(1, TAKEN)
    inner = block.get_ifd(0x8769)
    inner[0x829A], inner[0x829D], inner[0x9207] = {"a": 1}, None, 5
    kept = exif.details(exif.carried(block, (6, 4), composite=False))
    assert kept[0x9003] == TAKEN
    assert kept[0x9207] == 5
    assert not {0x829A, 0x829D} & set(kept)
    assert kept[0xA460] == 1


def test_long_packet_does_not_stop_a_jpeg(tmp_path: Path) -> None:
    """A packet too long for a JPEG segment is left out, and the picture is written."""
    packet = xmp.composite_packet("a.jpg", [f"{i:060}.jpg" for i in range(900)])
    assert len(packet) > 65_533
    photo.write_jpeg(tmp_path / "a.jpg", drawn(), xmp=packet)
    assert b"compositeCapture" not in (tmp_path / "a.jpg").read_bytes()
    photo.write_tiff(tmp_path / "a.tif", drawn(), xmp=packet)
    assert packet in (tmp_path / "a.tif").read_bytes()


def test_too_large_for_jpeg(tmp_path: Path) -> None:
    """A side longer than the format allows is one sentence."""
    with pytest.raises(OutputError, match="too large for a JPEG"):
        photo.write_jpeg(tmp_path / "a.jpg", np.zeros((1, 65_536, 3), np.uint8))


@pytest.mark.parametrize("offset", [(5, 3), (-4, -6), (50, 30), (200, 200)])
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_mask_lies_where_the_head_does(tmp_path: Path, offset: tuple[int, int], dtype: type) -> None:
    """The mask file is of the whole picture's size, the mask at its place, cut at the edges, 0 elsewhere."""
    mask = (np.arange(20 * 16).reshape(20, 16) + 1).astype(dtype)
    head = Head(
        person="P01",
        offset=offset,
        pixels=np.zeros((20, 16, 3), dtype),
        mask=mask,
        seam=SEAM,
        placement="homography",
    )
    photo.write_mask(tmp_path / "masks" / "P01.png", head, (60, 40))
    found = cv2.imread(str(tmp_path / "masks" / "P01.png"), cv2.IMREAD_UNCHANGED)
    expected = np.zeros((40 + 400, 60 + 400), dtype)
    expected[200 + offset[1] : 220 + offset[1], 200 + offset[0] : 216 + offset[0]] = mask
    assert np.array_equal(found, expected[200:240, 200:260])


def test_packet_says_what_the_picture_is() -> None:
    """The packet is XML that names the kind of source, the base frame and each donor once, hostile names and all.

    The kind of source: IPTC NewsCodes, Digital Source Type, compositeCapture.
    """
    packet = xmp.composite_packet('<base>&"\x01.jpg', ["b.jpg", "a.jpg", "b.jpg"])
    root = ElementTree.fromstring(packet)
    ns = {
        "rdf": "http://www.w3.org/1999/02/22-rdf-syntax-ns#",
        "dc": "http://purl.org/dc/elements/1.1/",
        "mm": "http://ns.adobe.com/xap/1.0/mm/",
        "ref": "http://ns.adobe.com/xap/1.0/sType/ResourceRef#",
    }
    about = root.find(".//rdf:Description", ns)
    assert about is not None
    kind = about.get("{http://iptc.org/std/Iptc4xmpExt/2008-02-29/}DigitalSourceType")
    assert kind == "http://cv.iptc.org/newscodes/digitalsourcetype/compositeCapture"
    assert (about.get("{http://ns.adobe.com/xap/1.0/}CreatorTool") or "").startswith("facemerge ")
    assert [e.text for e in about.findall(".//dc:description//rdf:li", ns)] == [
        "Composite: heads of 3 people taken from other frames of the same burst"
    ]
    assert [e.text for e in about.findall(".//dc:source", ns)] == ['<base>&"\ufffd.jpg']
    assert [e.text for e in about.findall(".//mm:Ingredients//ref:filePath", ns)] == ["a.jpg", "b.jpg"]


def test_unchanged_base_is_not_called_a_composite() -> None:
    """Where no head was changed the packet does not claim one."""
    packet = xmp.composite_packet("a.jpg", [])
    ElementTree.fromstring(packet)
    assert b"compositeCapture" not in packet
    assert b"1 person taken" in xmp.composite_packet("a.jpg", ["b.jpg"])
