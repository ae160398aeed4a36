"""Pixels come in upright and exact, whatever file they come from."""

from __future__ import annotations

import itertools
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import tifffile
from photographs import drawn, only, save, tags
from PIL import Image, ImageOps

from facemerge.formats import encode, photo
from facemerge.words import Array


@pytest.mark.parametrize(("orientation", "kind"), list(itertools.product(range(1, 9), ["jpg", "png", "tif"])))
def test_every_orientation(tmp_path: Path, orientation: int, kind: str) -> None:
    """Each of the eight orientations is applied to size and pixels as an independent reader, Pillow, does
    it.
    """
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
    """Orientation 6 is undone by a quarter turn clockwise, 8 by one counter-clockwise (Exif 2.32, tag
    274).
    """
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
    """Opaque pixels are as they are, clear ones white, half-clear ones between (Porter and Duff 1984,
    'over').
    """
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


def dng(path: Path, grey: float, shape: tuple[int, int], flip: int) -> None:
    """Write a camera's raw file of an even grey: a Bayer mosaic with the tags of DNG 1.4 (Adobe 2012)."""
    mosaic = np.full(shape, round(grey * 65535), np.uint16)
    identity = [(1, 1) if i % 4 == 0 else (0, 1) for i in range(9)]
    matrix = tuple(itertools.chain.from_iterable(identity))
    more = [
        (274, "H", 1, flip, True),
        (271, "s", 0, "Maker", True),
        (272, "s", 0, "Model 1", True),
        (33421, "H", 2, (2, 2), True),
        (33422, "B", 4, bytes([0, 1, 1, 2]), True),
        (50706, "B", 4, bytes([1, 4, 0, 0]), True),
        (50708, "s", 0, "Maker Model 1", True),
        (50721, "2i", 9, matrix, True),
        (50728, "2I", 3, (1, 1) * 3, True),
        (50778, "H", 1, 21, True),
    ]
    tifffile.imwrite(path, mosaic, photometric="cfa", extratags=more, metadata=None)


@pytest.mark.parametrize(("flip", "size"), [(1, (96, 64)), (3, (96, 64)), (6, (64, 96)), (8, (64, 96))])
def test_raw(tmp_path: Path, flip: int, size: tuple[int, int]) -> None:
    """A raw file is developed at 16 bits, upright, and the size said before is the size of the pixels."""
    pytest.importorskip("rawpy")
    dng(tmp_path / "a.dng", 0.2, (64, 96), flip)
    frame = only(tmp_path / "a.dng")
    image = photo.read(frame)
    assert (frame.size, frame.bit_depth, frame.profile) == (size, 16, None)
    assert image.dtype == np.uint16
    # An even grey stays even; its value is the camera's business.
    assert np.ptp(image[8:-8, 8:-8].reshape(-1, 3), axis=0).max() <= 64


def test_raw_frames_keep_their_exposure(tmp_path: Path) -> None:
    """Frames of one burst are developed alike: half the light is darker, not brightened to match."""
    pytest.importorskip("rawpy")
    dng(tmp_path / "a.dng", 0.2, (64, 96), 1)
    dng(tmp_path / "b.dng", 0.1, (64, 96), 1)
    a, b = (photo.read(only(tmp_path / f"{n}.dng")).mean() for n in "ab")
    assert 0.5 <= b / a <= 0.85
