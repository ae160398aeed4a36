"""Photographs go out with every pixel, their colours and their story, and without what is private."""

from __future__ import annotations

import io
import warnings
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import cv2
import numpy as np
import pytest
import tifffile
from photographs import drawn, only, save, tags
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from facemerge.errors import OutputError
from facemerge.formats import encode, exif, icc, photo, xmp
from facemerge.words import Frame, Head, Joint

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


WRITERS = {"tif": encode.write_tiff, "png": encode.write_png, "jpg": encode.write_jpeg}


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
    """Three readers that know nothing of each other find every pixel as it was; Pillow at the depth it
    knows.
    """
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
    encode.write_jpeg(tmp_path / "a.jpg", image, quality=98)
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


RIGHTS = "© 2026 Jörg".encode()


@pytest.mark.parametrize("kind", WRITERS)
@pytest.mark.parametrize(
    ("said", "found"),
    [
        (RIGHTS, RIGHTS),
        ("Jörg".encode("latin-1"), "Jörg".encode("latin-1")),
        (b"Ann\0Ben", b"Ann\0Ben"),
        (b"two\nlines\0\0", b"two\nlines"),
        (bytes(range(1, 256)), bytes(range(1, 256))),
        (b"\0", None),
        (b"x" * 60_000, None),
    ],
    ids=["utf-8", "latin-1", "two in one", "ends in zeros", "every byte", "empty", "endless"],
)
def test_texts_keep_their_bytes(tmp_path: Path, kind: str, said: bytes, found: bytes | None) -> None:
    """Names and rights in any script, and what a broken camera writes in their place, stay byte for byte or
    are dropped; none stops a picture from being written.

    Cameras write UTF-8 into Exif's ASCII fields: common practice, no source.
    """
    block = tags(1, TAKEN, xA434=said)
    for tag in exif.MAIN_TAGS:
        block[tag] = said
    frame = only(save(tmp_path / "source.png", drawn(), exif=block))
    path = tmp_path / f"a.{kind}"
    WRITERS[kind](path, drawn(), exif_from=frame)
    main, inner = written_exif(path)
    expected = None if found is None else found.decode("latin-1")
    assert [main.get(tag) for tag in exif.MAIN_TAGS] == [expected] * 4
    assert inner.get(0xA434) == expected
    assert inner[0x9003] == TAKEN
    assert path.read_bytes().count((found or said) + b"\0") >= (5 if found else 0)


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
    """Of a packet too long for a JPEG segment all but the list of donors is written."""
    packet = xmp.composite_packet("a.jpg", [f"{i:060}.jpg" for i in range(900)])
    assert len(packet) > 65_533
    encode.write_jpeg(tmp_path / "a.jpg", drawn(), xmp=packet)
    with Image.open(tmp_path / "a.jpg") as im:
        kept = im.info["xmp"]
    ElementTree.fromstring(kept)
    assert all(words in kept for words in (b"compositeCapture", b"heads of 900 people", b"<dc:source>a.jpg<"))
    assert b"Ingredients" not in kept
    encode.write_tiff(tmp_path / "a.tif", drawn(), xmp=packet)
    assert packet in (tmp_path / "a.tif").read_bytes()


def test_too_large_for_jpeg(tmp_path: Path) -> None:
    """A side longer than the format allows is one sentence."""
    with pytest.raises(OutputError, match="too large for a JPEG"):
        encode.write_jpeg(tmp_path / "a.jpg", np.zeros((1, 65_536, 3), np.uint8))


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
        joint=Joint(),
        placement="homography",
    )
    encode.write_mask(tmp_path / "masks" / "P01.png", head, (60, 40))
    found = cv2.imread(str(tmp_path / "masks" / "P01.png"), cv2.IMREAD_UNCHANGED)
    expected = np.zeros((40 + 400, 60 + 400), dtype)
    expected[200 + offset[1] : 220 + offset[1], 200 + offset[0] : 216 + offset[0]] = mask
    assert np.array_equal(found, expected[200:240, 200:260])


def test_packet_says_what_the_picture_is() -> None:
    """The packet is XML that names the kind of source, the base frame and each donor once, hostile names
    and all.

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
