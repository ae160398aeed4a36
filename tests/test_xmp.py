"""What the finished picture says of itself is read by an independent program, and nothing private is."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pyexiv2
import pytest
from photographs import only, save, tags
from PIL import Image

from facemerge.formats import encode, icc, xmp
from facemerge.formats.exif import Location
from facemerge.formats.regions import Area, Region

REGIONS = (
    Region(person="P01", area=Area(x=0.4, y=0.35, w=0.2, h=0.3)),
    Region(person="P02", area=Area(x=0.1, y=0.3, w=0.1, h=0.2), text="head from <b>.jpg"),
)
STEPS = ("head of P02 set in from <b>.jpg, placed by head shift",)
HOME = Location(latitude_deg=-47.51, longitude_deg=8.0, altitude_m=400.5)
WRITERS = {"tif": encode.write_tiff, "png": encode.write_png, "jpg": encode.write_jpeg}


def packet(**more: Any) -> bytes:
    """Return a packet of a composite of two frames."""
    said = {"steps": STEPS, "regions": REGIONS, "size": (60, 40)} | more
    return xmp.composite_packet("a.jpg", ["<b>.jpg"], **said)


def told(path: Path) -> dict[str, Any]:
    """Return what an independent reader, Exiv2, finds in a picture."""
    image = pyexiv2.Image(str(path))
    try:
        return dict(image.read_xmp())
    finally:
        image.close()


@pytest.mark.parametrize("kind", WRITERS)
def test_an_independent_reader_finds_it_in_every_form(tmp_path: Path, kind: str) -> None:
    """Exiv2 finds in each kind of file what the picture is, its history, its donors and its faces.

    IPTC NewsCodes, Digital Source Type: compositeCapture.
    """
    path = tmp_path / f"a.{kind}"
    WRITERS[kind](path, np.zeros((40, 60, 3), np.uint8), profile=icc.made("adobergb"), xmp=packet())
    found = told(path)
    assert found["Xmp.iptcExt.DigitalSourceType"].endswith("/digitalsourcetype/compositeCapture")
    assert found["Xmp.dc.source"] == "a.jpg"
    assert found["Xmp.xmpMM.Ingredients[1]/stRef:filePath"] == "<b>.jpg"
    events = [
        tuple(found[f"Xmp.xmpMM.History[{i}]/stEvt:{k}"] for k in ("action", "parameters")) for i in (1, 2)
    ]
    assert events == [("created", "from a.jpg"), ("edited", STEPS[0])]
    assert found["Xmp.xmpMM.History[2]/stEvt:softwareAgent"].startswith("facemerge ")
    second = "Xmp.mwg-rs.Regions/mwg-rs:RegionList[2]/mwg-rs:"
    assert [found[f"{second}Area/stArea:{k}"] for k in "xywh"] == ["0.15", "0.4", "0.1", "0.2"]
    assert (found[f"{second}Name"], found[f"{second}Description"]) == ("P02", "head from <b>.jpg")
    assert found["Xmp.mwg-rs.Regions/mwg-rs:AppliedToDimensions/stDim:w"] == "60"
    corner = "Xmp.iptcExt.ImageRegion[2]/Iptc4xmpExt:RegionBoundary/Iptc4xmpExt:"
    assert [found[corner + k] for k in ("rbX", "rbY", "rbW", "rbH")] == ["0.1", "0.3", "0.1", "0.2"]
    assert not [name for name in found if "GPS" in name or name.endswith("stEvt:when")]


def test_a_place_is_told_only_when_asked(tmp_path: Path) -> None:
    """Degrees, decimal minutes and a letter: 47.51 degrees south are 47,30.6000S.

    CIPA DC-010 (Exif metadata for XMP), GPSLatitude: from memory.
    """
    (tmp_path / "a.xmp").write_bytes(packet(location=HOME))
    found = told(tmp_path / "a.xmp")
    assert found["Xmp.exif.GPSLatitude"] == "47,30.6000S"
    assert found["Xmp.exif.GPSLongitude"] == "8,0.0000E"
    assert (found["Xmp.exif.GPSAltitude"], found["Xmp.exif.GPSAltitudeRef"]) == ("40050/100", "0")
    assert b"GPS" not in packet()


@pytest.mark.parametrize("kind", ["tif", "big.tif", "png", "jpg"])
@pytest.mark.parametrize("asked", [False, True])
def test_a_place_is_in_the_exif_as_well(
    tmp_path: Path, kind: str, asked: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Pillow and Exiv2 find the base's place in every kind of file if it was asked for, else nothing."""
    if kind.startswith("big"):
        monkeypatch.setattr(encode, "TIFF_MOST", 0)
    block = tags(1, "2025:06:01 10:00:02")
    block.get_ifd(0x8825).update(
        {1: "S", 2: (47.0, 30.0, 36.0), 3: "E", 4: (8.0, 0.0, 0.0), 5: b"\0", 6: 400.5}
    )
    source = only(save(tmp_path / "source.jpg", np.zeros((40, 60, 3), np.uint8), exif=block))
    path = tmp_path / f"a.{kind}"
    said = packet(location=HOME if asked else None)
    WRITERS[kind[-3:]](path, np.zeros((40, 60, 3), np.uint8), exif_from=source, xmp=said)
    with Image.open(path) as im:
        found = dict(im.getexif().get_ifd(0x8825))
        assert im.getexif().get_ifd(0x8769)[0x9003] == "2025:06:01 10:00:02"
    if not asked:
        assert found == {}
        return
    assert (found[1], found[3], found[5]) == ("S", "E", b"\0")
    assert [float(v) for v in (*found[2], *found[4], found[6])] == [47, 30, 36, 8, 0, 0, 400.5]
    if not kind.startswith("big"):
        image = pyexiv2.Image(str(path))
        read = image.read_exif()
        image.close()
        assert read["Exif.GPSInfo.GPSLatitude"] == "47/1 30/1 36/1"
        assert read["Exif.GPSInfo.GPSVersionID"] == "2 3 0 0"


@pytest.mark.parametrize(
    ("degrees", "said"),
    [(59.99999999, "60,0.0000N"), (-0.00000001, "0,0.0000S"), (90.0, "90,0.0000N"), (8.5, "8,30.0000N")],
)
def test_minutes_never_reach_sixty(tmp_path: Path, degrees: float, said: str) -> None:
    """Rounding carries into the degrees."""
    place = Location(latitude_deg=degrees, longitude_deg=0.0)
    text = packet(location=place)
    assert f"<exif:GPSLatitude>{said}</exif:GPSLatitude>".encode() in text
    assert b"GPSAltitude" not in text


def test_a_packet_too_long_for_a_jpeg_keeps_what_matters(tmp_path: Path) -> None:
    """Of a school of 300 a JPEG drops the lists and still says that it is a composite; others keep all."""
    many = tuple(Region(person=f"P{i:03}", area=Area(x=0.1, y=0.1, w=0.01, h=0.01)) for i in range(300))
    long = packet(regions=many)
    assert len(long) > 65_000
    image = np.zeros((4, 6, 3), np.uint8)
    encode.write_jpeg(tmp_path / "a.jpg", image, xmp=long)
    found = told(tmp_path / "a.jpg")
    assert found["Xmp.iptcExt.DigitalSourceType"].endswith("compositeCapture")
    assert found["Xmp.dc.source"] == "a.jpg"
    assert not [name for name in found if "Region" in name or "History" in name or "Ingredients" in name]
    encode.write_tiff(tmp_path / "a.tif", image, xmp=long)
    assert len([name for name in told(tmp_path / "a.tif") if name.endswith("mwg-rs:Name")]) == 300


def test_the_same_facts_give_the_same_bytes() -> None:
    """No hour of merging and no made-up number is in a packet."""
    assert packet() == packet()
    assert b"when" not in packet()


def test_a_plain_frame_has_no_story(tmp_path: Path) -> None:
    """Nothing set in: no history, no donors, and it is not called a composite."""
    plain = xmp.composite_packet("a.jpg", [], regions=REGIONS[:1], size=(60, 40))
    assert not [w for w in (b"compositeCapture", b"History", b"Ingredients") if w in plain]
    path = tmp_path / "a.png"
    encode.write_png(path, np.zeros((40, 60, 3), np.uint8), xmp=plain)
    with Image.open(path) as im:
        assert im.info["XML:com.adobe.xmp"].encode() == plain
    assert told(path)["Xmp.mwg-rs.Regions/mwg-rs:RegionList[1]/mwg-rs:Name"] == "P01"


@pytest.mark.parametrize("kind", WRITERS)
def test_the_bases_exposure_lens_and_sensor_are_carried(tmp_path: Path, kind: str) -> None:
    """Exiv2 finds what the camera said of the exposure, the lens and the sensor, and nothing of whose it is.

    Names and tags: CIPA DC-008 (Exif 2.32), Exif IFD; the values are made up.
    """
    kept = {
        "ExposureTime": (0x829A, 0.004),
        "FNumber": (0x829D, 5.6),
        "PhotographicSensitivity": (0x8827, 400),
        "FocalLength": (0x920A, 85.0),
        "SubjectDistance": (0x9206, 4.5),
        "ExposureBiasValue": (0x9204, -0.5),
        "FocalPlaneXResolution": (0xA20E, 1675.5),
        "FocalPlaneResolutionUnit": (0xA210, 4),
        "GainControl": (0xA407, 1),
        "SensingMethod": (0xA217, 2),
        "WhiteBalance": (0xA403, 1),
        "FocalLengthIn35mmFilm": (0xA405, 85),
        "RecommendedExposureIndex": (0x8832, 400),
    }
    left = {"BodySerialNumber": 0xA431, "LensSerialNumber": 0xA435, "CameraOwnerName": 0xA430}
    left |= {"UserComment": 0x9286, "MakerNote": 0x927C, "ImageUniqueID": 0xA420}
    block = tags(6, "2025:06:01 10:00:02", "25")
    inner = block.get_ifd(0x8769)
    inner |= dict(kept.values()) | dict.fromkeys(left.values(), b"secret")
    source = only(save(tmp_path / "source.jpg", np.zeros((40, 60, 3), np.uint8), exif=block))
    path = tmp_path / f"a.{kind}"
    WRITERS[kind](path, np.zeros((60, 40, 3), np.uint8), exif_from=source)
    image = pyexiv2.Image(str(path))
    found = {k.rpartition(".")[2]: v for k, v in image.read_exif().items()}
    image.close()
    names = {"PhotographicSensitivity": "ISOSpeedRatings"}
    for name, (_, value) in kept.items():
        assert float(Fraction(found[names.get(name, name)])) == pytest.approx(value, rel=1e-6), name
    assert (found["DateTimeOriginal"], found["SubSecTimeOriginal"]) == ("2025:06:01 10:00:02", "25")
    assert (found["Make"], found["Orientation"]) == ("Maker", "1")
    assert not set(left) & set(found)
    assert b"secret" not in path.read_bytes()
