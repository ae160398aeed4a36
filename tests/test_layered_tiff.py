"""Programs that know nothing of each other find the picture and what it is made of in a layered TIFF.

Tags and their values are those of TIFF 6.0 (Adobe 1992), sections 8 and 12, and of its supplement on deflate.
"""

from __future__ import annotations

import dataclasses
import io
import shutil
import subprocess
from pathlib import Path
from typing import Any

import cv2
import imagecodecs
import numpy as np
import pytest
import tifffile
from drawn_layers import DONORS, SIZE, composed, head, noise, scene
from photographs import drawn, only, save, tags
from PIL import Image

from facemerge.errors import OutputError
from facemerge.formats import encode, icc, layered_tiff, photo, xmp
from facemerge.formats.layered_tiff import write_layered_tiff
from facemerge.imaging import full_scale
from facemerge.words import Array, Frame, Head, Joint

NAMES = ["Composite", "Base frame_0004.jpg"]
NAMES += ["P03 from frame_0001.jpg", "P01 from frame_0007.jpg", 'P02 from <b>"&\x01.jpg']
PACKET = xmp.composite_packet("frame_0004.jpg", list(DONORS.values()))
DEPTHS = pytest.mark.parametrize("dtype", [np.uint8, np.uint16])


@pytest.fixture
def source(tmp_path: Path) -> Frame:
    """Give a base frame of which a camera says something."""
    return only(save(tmp_path / "source.jpg", drawn(), exif=tags(6, "2025:06:01 10:00:02")))


def written(path: Path, dtype: type, **more: Any) -> tuple[Array, list[Head], Array]:
    """Write the scene and return it."""
    base, heads, merged = scene(dtype)
    said = {"base_name": "frame_0004.jpg", "donors": DONORS, "profile": icc.made("adobergb")}
    write_layered_tiff(path, base, heads, merged, **(said | more))
    return base, heads, merged


def laid_in(head: Head, size: tuple[int, int]) -> Array:
    """Return a head's RGBA on a page of (W, H) that is 0 elsewhere, pixel by pixel: an independent truth."""
    page = np.zeros((size[1], size[0], 4), head.pixels.dtype)
    for y in range(head.mask.shape[0]):
        for x in range(head.mask.shape[1]):
            at = (y + head.offset[1], x + head.offset[0])
            if 0 <= at[0] < size[1] and 0 <= at[1] < size[0]:
                page[at] = (*head.pixels[y, x], head.mask[y, x])
    return page


def by_tifffile(path: Path) -> list[Array]:
    """Return all pages as RGB or RGBA, by the reader of scientific pictures."""
    with tifffile.TiffFile(path) as file:
        return [page.asarray() for page in file.pages]


def by_pillow(path: Path) -> list[Array]:
    """Return all pages as Pillow sees them: at 8 bits."""
    with Image.open(path) as im:
        pages = []
        for number in range(im.n_frames):
            im.seek(number)
            pages.append(np.asarray(im))
        return pages


def by_libtiff(path: Path) -> list[Array]:
    """Return all pages by the library that most programs read TIFF files with."""
    with tifffile.TiffFile(path) as file:
        pages = len(file.pages)
    return [np.asarray(imagecodecs.tiff_decode(path.read_bytes(), index=k)) for k in range(pages)]


READERS = {"tifffile": by_tifffile, "libtiff": by_libtiff, "Pillow": by_pillow}


def flattened(pages: list[Array]) -> Array:
    """Return the pages after the first laid over each other, in float on the pages' own scale."""
    out = pages[1].astype(np.float64)
    for page in pages[2:]:
        alpha = page[..., 3:] / full_scale(page)
        out = out * (1 - alpha) + page[..., :3] * alpha
    return out


@DEPTHS
@pytest.mark.parametrize("reader", READERS)
def test_every_page_is_found_as_it_was_given(tmp_path: Path, dtype: type, reader: str) -> None:
    """Composite, base and heads, each where it belongs on a page of the picture's size: colour, beyond the
    mask as well, and mask. Pillow cuts 16 bits to 8.
    """
    base, heads, merged = written(tmp_path / "a.tif", dtype)
    pages = READERS[reader](tmp_path / "a.tif")
    expected = [merged, base, *(laid_in(h, SIZE) for h in heads)]
    if reader == "Pillow" and dtype == np.uint16:
        expected = [(page >> 8).astype(np.uint8) for page in expected]
    assert len(pages) == len(expected)
    for page, wanted in zip(pages, expected, strict=True):
        assert page.dtype == wanted.dtype
        assert np.array_equal(page, wanted)


@DEPTHS
@pytest.mark.parametrize("reader", ["tifffile", "libtiff"])
def test_layers_give_the_composite(tmp_path: Path, dtype: type, reader: str) -> None:
    """Laid over each other the pages are the first one to within a step, exactly where no mask is."""
    base, heads, _ = written(tmp_path / "a.tif", dtype)
    pages = READERS[reader](tmp_path / "a.tif")
    flat = flattened(pages)
    assert np.abs(flat - pages[0]).max() <= 1
    bare = ~np.any([laid_in(h, SIZE)[..., 3] > 0 for h in heads], axis=0)
    assert 0.1 < bare.mean() < 0.9
    assert np.array_equal(flat[bare], pages[0][bare])
    assert np.array_equal(pages[0][bare], base[bare])


def can_convert() -> bool:
    """Return whether ImageMagick itself answers, and not something else of that name."""
    if shutil.which("convert") is None:
        return False
    return subprocess.run(["convert", "-version"], capture_output=True, check=False).returncode == 0


@pytest.mark.skipif(not can_convert(), reason="ImageMagick is not installed")
def test_a_fourth_program_lays_them_alike(tmp_path: Path) -> None:
    """A program that composes pages by itself makes the composite of all pages but the first."""
    _, _, merged = written(tmp_path / "a.tif", np.uint8, profile=None)
    command = ["convert", str(tmp_path / "a.tif[1-4]"), "-flatten", str(tmp_path / "flat.png")]
    subprocess.run(command, check=True, capture_output=True)
    flat = cv2.imread(str(tmp_path / "flat.png"), cv2.IMREAD_COLOR)
    assert flat is not None
    assert np.abs(flat[..., ::-1].astype(int) - merged).max() <= 1


@DEPTHS
def test_tags_are_the_standards(tmp_path: Path, dtype: type) -> None:
    """What each page is, which of how many, where it lies, and what its fourth channel means.

    NewSubfileType 2: a single page of a multi-page image (section 8); ExtraSamples 2: unassociated alpha
    (section 18); ResolutionUnit 2: inch; PageName, XPosition, YPosition, PageNumber: section 12.
    """
    written(tmp_path / "a.tif", dtype)
    with tifffile.TiffFile(tmp_path / "a.tif") as file:
        assert not file.is_bigtiff
        pages = [{t.name: t.value for t in page.tags} for page in file.pages]
    assert [p["PageName"] for p in pages] == NAMES
    assert [p["PageNumber"] for p in pages] == [(k, 5) for k in range(5)]
    assert [int(p["NewSubfileType"]) for p in pages] == [2] * 5
    assert [p.get("ExtraSamples") for p in pages] == [None, None, (2,), (2,), (2,)]
    for page in pages:
        assert (page["ImageWidth"], page["ImageLength"]) == SIZE
        assert page["BitsPerSample"] == (np.iinfo(dtype).bits,) * page["SamplesPerPixel"]
        assert (page["XPosition"], page["YPosition"]) == ((0, 1), (0, 1))
        assert (page["XResolution"], page["YResolution"]) == ((300, 1), (300, 1))
        assert int(page["ResolutionUnit"]) == 2
        assert int(page["PhotometricInterpretation"]) == 2
        assert page["Software"].startswith("facemerge")
        assert page["InterColorProfile"] == icc.made("adobergb")


# Those of TIFF 6.0, and three registered since: 34675 for a profile (ICC.1:2022, B.4), 34665 for Exif (CIPA
# DC-008), 700 for XMP (ISO 16684-3, from memory).
STANDARD = {
    254,
    256,
    257,
    258,
    259,
    262,
    273,
    274,
    277,
    278,
    279,
    282,
    283,
    284,
    285,
    286,
    287,
    296,
    297,
    305,
}
STANDARD |= {317, 338, 339, 271, 272, 315, 33432, 34665, 34675, 700}


def test_no_tag_of_one_program(tmp_path: Path, source: Frame) -> None:
    """All tags are public ones, in ascending order as section 2 asks."""
    written(tmp_path / "a.tif", np.uint8, exif_from=source, xmp=PACKET)
    with tifffile.TiffFile(tmp_path / "a.tif") as file:
        codes = [[t.code for t in page.tags] for page in file.pages]
    assert all(set(c) <= STANDARD for c in codes)
    with Image.open(tmp_path / "a.tif") as im:
        for number, expected in enumerate(codes):
            im.seek(number)
            assert sorted(im.tag_v2) == expected == sorted(expected)


def test_the_first_page_tells_the_story(tmp_path: Path, source: Frame) -> None:
    """A simple viewer shows the finished picture, with its time, its camera, and that it is a composite."""
    _, _, merged = written(tmp_path / "a.tif", np.uint8, exif_from=source, xmp=PACKET)
    assert np.array_equal(cv2.imread(str(tmp_path / "a.tif"))[..., ::-1], merged)
    frame = only(tmp_path / "a.tif")
    assert np.array_equal(photo.read(frame), merged)
    assert (frame.time_s, frame.profile) == (source.time_s, icc.made("adobergb"))
    with Image.open(tmp_path / "a.tif") as im:
        assert im.tag_v2[700] == PACKET
        assert (im.tag_v2[271], im.tag_v2[272]) == ("Maker", "Model 1")
    block = Image.Exif()
    block.load_from_fp(io.BytesIO((tmp_path / "a.tif").read_bytes()))
    # CompositeImage 2 is 'general composite image': Exif 2.32 (CIPA DC-008-2019), tag 42080, from memory.
    assert block.get_ifd(0x8769)[0xA460] == 2
    with tifffile.TiffFile(tmp_path / "a.tif") as file:
        assert [700 in page.tags for page in file.pages] == [True, False, False, False, False]
        assert [34665 in page.tags for page in file.pages] == [True, False, False, False, False]


@DEPTHS
def test_a_base_without_colour(tmp_path: Path, dtype: type) -> None:
    """One channel for composite and base, two for a head, a grey profile, and still the composite."""
    grey = bytes(imagecodecs.cms_profile("gray", whitepoint=[0.3127, 0.329, 1.0], gamma=2.2))
    base = icc.without_colour(noise(SIZE, dtype, 0))
    one = head("P01", (10, 5), dtype, dtype, 1)
    one = dataclasses.replace(one, pixels=icc.without_colour(one.pixels))
    merged = composed(base, [one])
    write_layered_tiff(tmp_path / "a.tif", base, [one], merged, profile=grey, greyscale=True)
    pages = by_tifffile(tmp_path / "a.tif")
    page = laid_in(one, SIZE)
    assert np.array_equal(pages[0], merged[..., 0])
    assert np.array_equal(pages[1], base[..., 0])
    assert np.array_equal(pages[2], page[..., [0, 3]])
    with tifffile.TiffFile(tmp_path / "a.tif") as file:
        assert [int(p.tags["PhotometricInterpretation"].value) for p in file.pages] == [1, 1, 1]
        assert {p.tags["InterColorProfile"].value for p in file.pages} == {grey}
        assert file.pages[2].tags["ExtraSamples"].value == (2,)


@pytest.mark.parametrize("mask_dtype", [np.uint8, np.uint16])
@DEPTHS
def test_a_mask_of_another_depth(tmp_path: Path, dtype: type, mask_dtype: type) -> None:
    """The mask takes the picture's depth: full stays full, nothing stays nothing."""
    base, heads, merged = scene(dtype, mask_dtype)
    write_layered_tiff(tmp_path / "a.tif", base, heads, merged)
    alpha = by_tifffile(tmp_path / "a.tif")[2][5:55, 10:50, 3]
    assert alpha.dtype == dtype
    assert np.abs(alpha / full_scale(alpha) - heads[0].mask / full_scale(heads[0].mask)).max() <= 0.5 / 255
    assert np.array_equal(
        alpha == 0, heads[0].mask < 128 * (mask_dtype == np.uint16) * (dtype == np.uint8) + 1
    )


@pytest.mark.parametrize("rows", [1, 63, 64, 65, 128, 200])
@pytest.mark.parametrize("top", [-20, 0, 60, 63, 64, 190, 300])
def test_a_head_anywhere_between_strips(tmp_path: Path, rows: int, top: int) -> None:
    """Where strips begin and end leaves no trace, nor does a head beyond the edge."""
    size = (50, rows)
    base = noise(size, np.uint8, 0)
    one = Head(
        person="P01",
        offset=(33, top),
        pixels=noise((30, 70), np.uint8, 1),
        mask=noise((30, 70), np.uint8, 2)[..., 0],
        joint=Joint(),
        placement="",
    )
    write_layered_tiff(tmp_path / "a.tif", base, [one], base)
    assert np.array_equal(by_libtiff(tmp_path / "a.tif")[2], laid_in(one, size))


def test_what_is_empty_takes_little_room(tmp_path: Path) -> None:
    """A head costs little more than its own window, however large the picture around it."""
    base = drawn((3000, 2000))
    one = head("P01", (1500, 900), np.uint8, np.uint8, 1)
    sizes = []
    for heads in ([], [one]):
        write_layered_tiff(tmp_path / "a.tif", base, heads, base)
        sizes.append((tmp_path / "a.tif").stat().st_size)
    window, page = one.mask.size * 4, base.size // 3 * 4
    assert 0.8 * window < sizes[1] - sizes[0] < window + page / 150


def test_more_than_four_gigabytes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, source: Frame) -> None:
    """What may pass the reach of 32-bit offsets is a BigTIFF that reads the same (the limit is lowered)."""
    base, heads, _ = scene(np.uint8)
    least = 2 * base.nbytes + sum(4 * h.mask.size for h in heads)
    for most, big in ((least - 1, True), (least * 2, False)):
        monkeypatch.setattr(encode, "TIFF_MOST", most)
        _, _, merged = written(tmp_path / "a.tif", np.uint8, exif_from=source, xmp=PACKET)
        with tifffile.TiffFile(tmp_path / "a.tif") as file:
            assert file.is_bigtiff is big
        pages = by_libtiff(tmp_path / "a.tif")
        assert np.array_equal(pages[0], merged)
        assert np.abs(flattened(pages) - merged).max() <= 1
        with Image.open(tmp_path / "a.tif") as im:
            assert im.getexif().get_ifd(0x8769)[0x9003] == "2025:06:01 10:00:02"


def test_nobody_changed(tmp_path: Path) -> None:
    """Without heads there are two pages, the picture and the base."""
    base = noise(SIZE, np.uint8, 0)
    write_layered_tiff(tmp_path / "a.tif", base, [], base)
    assert [np.array_equal(page, base) for page in by_pillow(tmp_path / "a.tif")] == [True, True]


def test_names_beyond_ascii(tmp_path: Path) -> None:
    """A file name in any script is kept, as UTF-8."""
    base, heads, merged = scene(np.uint8)
    write_layered_tiff(tmp_path / "a.tif", base, heads[:1], merged, donors={"P03": "früh_朝.jpg"})
    with tifffile.TiffFile(tmp_path / "a.tif") as file:
        name = file.pages[2].tags["PageName"].value
    assert (name.encode("latin-1").decode() if "朝" not in name else name) == "P03 from früh_朝.jpg"


def test_same_input_same_bytes(tmp_path: Path) -> None:
    """No clock is in the file."""
    for name in ("a.tif", "b.tif"):
        written(tmp_path / name, np.uint16, xmp=PACKET)
    assert (tmp_path / "a.tif").read_bytes() == (tmp_path / "b.tif").read_bytes()


def test_no_room(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A disk that refuses is one sentence."""

    def refuses(path: Path, data: bytes) -> None:
        raise OutputError(f"Nothing was written to {path}: there is no space left.")

    monkeypatch.setattr(layered_tiff, "write_bytes", refuses)
    with pytest.raises(OutputError, match="no space left"):
        written(tmp_path / "a.tif", np.uint8)
