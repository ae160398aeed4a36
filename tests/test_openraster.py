"""Layers laid over each other give the composite, in other programs too."""

from __future__ import annotations

import io
import re
import zipfile
from pathlib import Path
from xml.etree import ElementTree

import imagecodecs
import numpy as np
import pytest
from drawn_layers import DONORS, SIZE, composed, hidden, noise, scene, shown_part, whole
from PIL import Image

from facemerge.errors import InputError
from facemerge.formats import icc, openraster, xmp
from facemerge.formats.openraster import flatten, read_ora, write_ora
from facemerge.imaging import full_scale
from facemerge.words import Head, Joint


def written(path: Path) -> Path:
    """Return a file of 8 bits once it is written."""
    base, heads, merged = scene(np.uint8)
    write_ora(
        path,
        base,
        heads,
        merged,
        profile=icc.made("adobergb"),
        base_name="frame_0004.jpg",
        donors=DONORS,
        hidden=hidden(np.uint8),
    )
    return path


@pytest.fixture
def ora(tmp_path: Path) -> Path:
    """Give a written file of 8 bits."""
    return written(tmp_path / "composite.ora")


def test_first_bytes_tell_what_it_is(ora: Path) -> None:
    """The entry 'mimetype' is first, stored, and 16 bytes without a line end, so it stands at byte 38.

    OpenRaster file layout specification (openraster.org/baseline/file-layout-spec.html).
    """
    assert ora.read_bytes()[30:54] == b"mimetypeimage/openraster"
    with zipfile.ZipFile(ora) as z:
        first = z.infolist()[0]
        assert (first.filename, first.compress_type, first.extra) == ("mimetype", zipfile.ZIP_STORED, b"")
        assert z.read("mimetype") == b"image/openraster"
        assert z.testzip() is None


def test_all_parts_are_there(ora: Path) -> None:
    """The stack, the merged picture, the thumbnail and one picture a layer, in lower-case .png, and
    nothing else.
    """
    with zipfile.ZipFile(ora) as z:
        assert set(z.namelist()) == {
            *("mimetype", "stack.xml", "mergedimage.png", "Thumbnails/thumbnail.png"),
            *("data/base.png", "data/P01.png", "data/P02.png", "data/P03.png"),
            *("data/P01-whole.png", "data/P03-whole.png", "data/P07-whole.png"),
        }
        assert {i.compress_type for i in z.infolist()} <= {zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED}


def test_stack_lists_the_top_first(ora: Path) -> None:
    """The first child is the top layer; names begin with the person's id; every attribute is of the baseline.

    OpenRaster layer stack specification (openraster.org/baseline/layer-stack-spec.html).
    """
    with zipfile.ZipFile(ora) as z:
        text = z.read("stack.xml")
        image = ElementTree.fromstring(text)
    assert text.startswith(b'<?xml version="1.0" encoding="UTF-8"?>')
    assert (image.tag, image.get("w"), image.get("h")) == ("image", "90", "70")
    layers = image.findall("./stack/layer")
    at = {h.person: shown_part(h)[0] for h in scene(np.uint8)[1]}
    x, y = ({who: str(place[axis]) for who, place in at.items()} for axis in (0, 1))
    assert [(e.get("name"), e.get("x"), e.get("y"), e.get("visibility")) for e in layers] == [
        ("P07 whole", "0", "0", "hidden"),
        ('P02 from <b>"&\ufffd.jpg', x["P02"], y["P02"], "visible"),
        ("P01 from frame_0007.jpg", x["P01"], y["P01"], "visible"),
        ("P01 whole", "0", "0", "hidden"),
        ("P03 from frame_0001.jpg", x["P03"], y["P03"], "visible"),
        ("P03 whole", "0", "0", "hidden"),
        ("Base frame_0004.jpg", "0", "0", "visible"),
    ]
    assert {(e.get("composite-op"), e.get("opacity")) for e in layers} == {("svg:src-over", "1.0")}


@pytest.mark.parametrize(
    ("dtype", "mask_dtype"),
    [(np.uint8, np.uint8), (np.uint16, np.uint16), (np.uint8, np.uint16), (np.uint16, np.uint8)],
)
def test_layers_give_the_composite(tmp_path: Path, dtype: type, mask_dtype: type) -> None:
    """Flattened, the layers are the composite to within a step of 8 bits, whatever the depth of picture
    and mask.
    """
    base, heads, merged = scene(dtype, mask_dtype)
    write_ora(tmp_path / "a.ora", base, heads, merged)
    raster = read_ora(tmp_path / "a.ora")
    assert raster.size == SIZE
    assert np.array_equal(raster.merged, merged)
    assert np.abs(flatten(raster) - merged / full_scale(merged)).max() <= 1 / 255
    # At the depth of the picture only the one rounding at the end is left, if the mask was not rounded.
    if mask_dtype == dtype:
        assert np.abs(flatten(raster) * full_scale(merged) - merged).max() <= 0.501


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_layers_hold_what_was_given(tmp_path: Path, dtype: type) -> None:
    """Colour is stored as placed, not multiplied by the mask, which is the alpha; a layer ends where its mask
    does.
    """
    base, heads, merged = scene(dtype)
    write_ora(tmp_path / "a.ora", base, heads, merged)
    bottom, *others = read_ora(tmp_path / "a.ora").layers
    above = [layer for layer in others if layer.visible]
    assert np.array_equal(bottom.pixels[..., :3], base)
    assert int(bottom.pixels[..., 3].min()) == np.iinfo(dtype).max
    assert len(above) == len(heads)
    for layer, h in zip(above, heads, strict=True):
        at, part = shown_part(h)
        assert at != h.offset
        assert layer.offset == at
        assert np.array_equal(layer.pixels[..., :3], h.pixels[part])
        assert np.array_equal(layer.pixels[..., 3], h.mask[part])
    assert above[0].pixels.dtype == dtype


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_the_donor_lies_whole_and_hidden_below_its_head(tmp_path: Path, dtype: type) -> None:
    """Right below each head, over all of the picture; whose head was left out lies on top. None shows."""
    base, heads, merged = scene(dtype)
    write_ora(tmp_path / "a.ora", base, heads, merged, donors=DONORS, hidden=hidden(dtype))
    raster = read_ora(tmp_path / "a.ora")
    names = [layer.name for layer in raster.layers]
    assert [n[:3] for n in names] == ["Bas", "P03", "P03", "P01", "P01", "P02", "P07"]
    lying = [layer for layer in raster.layers if not layer.visible]
    assert [layer.name for layer in lying] == ["P03 whole", "P01 whole", "P07 whole"]
    for layer, seed in zip(lying, (101, 102, 103), strict=True):
        assert layer.offset == (0, 0)
        assert layer.pixels.dtype == dtype
        assert np.array_equal(layer.pixels, whole(dtype, seed))
    assert np.abs(flatten(raster) - merged / full_scale(merged)).max() <= 1 / 255


def test_a_grey_profile_is_not_put_into_coloured_pictures(tmp_path: Path) -> None:
    """A grey profile has no place in an RGB picture (W3C PNG 2003, 11.3.3.3); the pixels are as they were."""
    base, heads, merged = scene(np.uint8)
    grey = bytes(imagecodecs.cms_profile("gray", whitepoint=[0.3127, 0.329, 1.0], gamma=2.2))
    assert icc.colour_space(grey) == "gray"
    write_ora(tmp_path / "a.ora", base, heads, merged, profile=grey)
    with zipfile.ZipFile(tmp_path / "a.ora") as z:
        assert not any(b"iCCP" in z.read(name)[:200] for name in z.namelist() if name.endswith(".png"))
    assert np.array_equal(read_ora(tmp_path / "a.ora").layers[0].pixels[..., :3], base)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_another_reader_sees_the_composite(tmp_path: Path, dtype: type) -> None:
    """A reader of the open standard that is not ours renders the layers to the composite.

    It cuts 16 bits down to 8 before it blends, which costs up to two steps; at 8 bits it must agree to one.
    """
    pyora = pytest.importorskip("pyora")
    base, heads, merged = scene(dtype)
    # A black merged picture, so that the reader cannot show that one instead of the layers.
    black = np.zeros_like(merged)
    write_ora(tmp_path / "a.ora", base, heads, black, base_name="a.jpg", donors=DONORS, hidden=hidden(dtype))
    project = pyora.Project.load(str(tmp_path / "a.ora"))
    names = [layer.name for layer in project.children if layer.visible]
    assert names[0].startswith("P02 from ")
    assert names[1:] == ["P01 from frame_0007.jpg", "P03 from frame_0001.jpg", "Base a.jpg"]
    lying = [layer.name for layer in project.children if not layer.visible]
    assert lying == ["P07 whole", "P01 whole", "P03 whole"]
    rendered = np.asarray(project.get_image_data(use_original=False).convert("RGB")).astype(float)
    assert np.abs(rendered - merged / (full_scale(merged) / 255)).max() <= (1 if dtype == np.uint8 else 2)


@pytest.mark.parametrize("size", [(90, 70), (256, 40), (700, 300), (300, 2000), (1, 1)])
def test_thumbnail(tmp_path: Path, size: tuple[int, int]) -> None:
    """At most 256 px a side and never enlarged, 8 bits a channel, not interlaced, without a profile: sRGB.

    OpenRaster file layout specification; PNG header fields: W3C PNG 2003, 11.2.2.
    """
    base = noise(size, np.uint16, 0)
    write_ora(tmp_path / "a.ora", base, [], base, profile=icc.made("adobergb"))
    with zipfile.ZipFile(tmp_path / "a.ora") as z:
        data = z.read("Thumbnails/thumbnail.png")
    with Image.open(io.BytesIO(data)) as im:
        factor = min(1, 256 / max(size))
        assert abs(im.width - size[0] * factor) <= 0.5 or im.width == 1
        assert abs(im.height - size[1] * factor) <= 0.5 or im.height == 1
        assert "icc_profile" not in im.info
    assert (data[24], data[28]) == (8, 0)


def test_pictures_say_their_colours(ora: Path) -> None:
    """The merged picture and the layers carry the profile; a thumbnail of an even colour is that colour in
    sRGB.
    """
    with zipfile.ZipFile(ora) as z:
        for name in ("mergedimage.png", "data/base.png", "data/P01.png"):
            with Image.open(io.BytesIO(z.read(name))) as im:
                assert im.info["icc_profile"] == icc.made("adobergb")
    plain = np.full((30, 30, 3), (60, 180, 90), np.uint8)
    write_ora(ora, plain, [], plain, profile=icc.made("adobergb"))
    with zipfile.ZipFile(ora) as z, Image.open(io.BytesIO(z.read("Thumbnails/thumbnail.png"))) as im:
        assert np.array_equal(np.asarray(im), icc.to_srgb(plain, icc.made("adobergb")))
        assert not np.array_equal(np.asarray(im), plain)


def test_merged_picture_says_that_it_is_a_composite(tmp_path: Path) -> None:
    """The packet is in the merged picture, where a reader of PNG finds it, and in none of the layers."""
    base, heads, merged = scene(np.uint8)
    packet = xmp.composite_packet("a.jpg", list(DONORS.values()))
    write_ora(tmp_path / "a.ora", base, heads, merged, xmp=packet)
    with zipfile.ZipFile(tmp_path / "a.ora") as z:
        pngs = {name: z.read(name) for name in z.namelist() if name.endswith(".png")}
    assert [name for name, data in pngs.items() if b"compositeCapture" in data] == ["mergedimage.png"]
    with Image.open(io.BytesIO(pngs["mergedimage.png"])) as im:
        assert im.info["XML:com.adobe.xmp"].encode() == packet


def test_same_input_same_bytes(ora: Path, tmp_path: Path) -> None:
    """No clock is in the file: written again it is the same to the last byte."""
    assert written(tmp_path / "b.ora").read_bytes() == ora.read_bytes()


def test_hidden_layers_and_groups_of_others(tmp_path: Path) -> None:
    """A file that another program saved, its layers in a group that is moved and one hidden, is read as it
    shows.
    """
    base, heads, merged = scene(np.uint8)
    write_ora(tmp_path / "a.ora", base, heads[:2], merged)
    with zipfile.ZipFile(tmp_path / "a.ora") as z:
        parts = {name: z.read(name) for name in z.namelist()}
    parts["stack.xml"] = (
        b'<image w="90" h="70"><stack>'
        b'<stack x="3" y="-2"><layer name="P01" src="data/P01.png" x="1" y="2"/></stack>'
        b'<layer name="P03" src="data/P03.png" visibility="hidden"/>'
        b'<layer name="Base" src="data/base.png"/></stack></image>'
    )
    with zipfile.ZipFile(tmp_path / "b.ora", "w") as z:
        for name, data in parts.items():
            z.writestr(name, data)
    raster = read_ora(tmp_path / "b.ora")
    assert [(layer.name, layer.offset, layer.visible) for layer in raster.layers] == [
        ("Base", (0, 0), True),
        ("P03", (0, 0), False),
        ("P01", (4, 0), True),
    ]
    _, part = shown_part(heads[1])
    moved = Head(
        person="P01",
        offset=(4, 0),
        pixels=heads[1].pixels[part],
        mask=heads[1].mask[part],
        joint=Joint(),
        placement="",
    )
    assert np.abs(flatten(raster) * 255 - composed(base, [moved])).max() <= 0.501


def no_zip(path: Path) -> None:
    """Write words."""
    path.write_text("no zip")


def wrong_type(path: Path) -> None:
    """Write a zip of something else."""
    with zipfile.ZipFile(path, "w") as z:
        z.writestr("mimetype", "application/epub+zip")


def no_stack(path: Path) -> None:
    """Write an OpenRaster file without its list of layers."""
    with zipfile.ZipFile(path, "w") as z:
        z.writestr("mimetype", "image/openraster")


def broken_layer(path: Path) -> None:
    """Write an OpenRaster file whose layer is no picture."""
    with zipfile.ZipFile(path, "w") as z:
        z.writestr("mimetype", "image/openraster")
        z.writestr("stack.xml", '<image w="9" h="9"><stack><layer src="data/a.png"/></stack></image>')
        z.writestr("data/a.png", b"no picture")


@pytest.mark.parametrize("make", [no_zip, wrong_type, no_stack, broken_layer, lambda path: None])
def test_what_is_no_openraster_file(tmp_path: Path, make: object) -> None:
    """A missing or broken file gives one sentence that names it."""
    assert callable(make)
    make(tmp_path / "a.ora")
    with pytest.raises(InputError, match=re.escape(str(tmp_path / "a.ora"))):
        read_ora(tmp_path / "a.ora")


def test_nobody_changed(tmp_path: Path) -> None:
    """Without heads the file holds the base alone."""
    base = noise(SIZE, np.uint8, 0)
    write_ora(tmp_path / "a.ora", base, [], base)
    raster = read_ora(tmp_path / "a.ora")
    assert [layer.name for layer in raster.layers] == ["Base"]
    assert np.abs(flatten(raster) * 255 - base).max() < 1e-9
    assert openraster.MIMETYPE == b"image/openraster"
