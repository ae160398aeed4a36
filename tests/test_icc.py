"""Colours stay the colours they are when pixels change their profile."""

from __future__ import annotations

import io
import struct
from pathlib import Path

import numpy as np
import pytest
from photographs import drawn, only, save, tags
from PIL import ImageCms

from facemerge.formats import icc, photo


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

    Expected from the matrices and curves of Adobe RGB (1998) Color Image Encoding, version 2005-05 (4.3.1,
    gamma 2.19921875) and IEC 61966-2-1:1999, both with the D65 white, worked out here.
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
    """Into a wider space and back, away from black, changes values by no more than the rounding on the
    way.
    """
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
    assert np.array_equal(found, icc.to_srgb(image, wide.profile))
    assert not np.array_equal(found, image)


def test_preview_is_eight_bit_srgb() -> None:
    """For the screen sixteen bits become eight, rounded, in sRGB."""
    image = drawn(dtype=np.uint16)
    assert np.array_equal(icc.to_srgb(image, None), np.rint(image / 257).astype(np.uint8))
    assert icc.to_srgb(image, icc.made("adobergb")).dtype == np.uint8


def test_made_profiles_are_the_same_bytes_every_time() -> None:
    """A profile says a fixed day, not the second it was made in, and another library can read it.

    The date is in bytes 24 to 35: ICC.1:2022, 7.2.10.
    """
    first = icc.made("adobergb")
    icc.made.cache_clear()
    assert icc.made("adobergb") == first
    assert struct.unpack(">6H", first[24:36]) == (2000, 1, 1, 0, 0, 0)
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
