"""OpenRaster: the base frame, a layer for each swapped head, and donors whole and hidden to paint from.

Written to the baseline of the OpenRaster specification, version 0.0.5: file layout and layer stack.
"""

from __future__ import annotations

import zipfile
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from xml.etree import ElementTree

import cv2
import numpy as np

from facemerge import machine
from facemerge.errors import InputError
from facemerge.formats.encode import masked, png_bytes
from facemerge.formats.files import writing
from facemerge.formats.icc import colour_space, to_srgb
from facemerge.formats.xmp import xml_text
from facemerge.imaging import fit_within, full_scale, resize
from facemerge.words import Array, Head

MIMETYPE = b"image/openraster"
_THUMBNAIL_PX = 256
_MOST_BYTES, _BYTES_A_SAMPLE = 1.5e9, 4.5
"""What pictures made at the same time may take, and what one takes for each byte of its samples: laid,
with its opacity, filtered, packed."""
# Entries carry a time; the same run must give the same bytes, so all carry the first that a zip can hold.
_WHEN = (1980, 1, 1, 0, 0, 0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layer:
    """One layer as it lies in a file."""

    name: str
    offset: tuple[int, int]
    """x, y of its top-left corner in the picture."""
    pixels: Array
    """(h, w, 4) RGBA uint8 or uint16, not premultiplied."""
    visible: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Hidden:
    """A whole donor that is to lie hidden in the file, to paint from."""

    person: str
    """For whom: it lies below this person's layer, and on top of all if they have none."""
    name: str
    picture: Callable[[], Array]
    """Gives its (H, W, 4) RGBA pixels, of the base's size and dtype, when their turn has come: all at once
    would cost memory."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Raster:
    """A layered picture as it was read."""

    size: tuple[int, int]
    """(W, H)."""
    layers: tuple[Layer, ...]
    """From bottom to top."""
    merged: Array
    """(H, W, 3) RGB: what the file says the layers look like together."""


def write_ora(
    path: Path,
    base: Array,
    layers: Sequence[Head],
    merged: Array,
    *,
    profile: bytes | None = None,
    base_name: str = "",
    donors: Mapping[str, str] | None = None,
    hidden: Sequence[Hidden] = (),
    xmp: bytes = b"",
) -> None:
    """Write the base frame and the heads above it.

    Parameters
    ----------
    path
        Where; inside a folder that is still to be put in place.
    base
        (H, W, 3) RGB uint8 or uint16: the bottom layer, opaque.
    layers
        The heads from bottom to top, in the order in which they were laid over the base: a later one covers
        an earlier one. Each becomes a layer with its pixels as RGB and its mask as alpha.
    merged
        (H, W, 3) RGB, dtype of `base`: the composite.
    profile
        ICC profile of all pixels, or None for sRGB; embedded in every picture but the thumbnail, which is
        sRGB.
    base_name
        File name of the base frame, for the bottom layer's name.
    donors
        Person id -> file name of the frame the head comes from, for the layers' names.
    hidden
        Whole donors, at most one a person.
    xmp
        An XMP packet for the merged picture, or b''.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    entries = _entries(base, layers, base_name, donors or {}, hidden)
    # All pictures are RGB here, in which a grey profile would be an error (W3C PNG 2003, 11.3.3.3).
    embedded = None if profile is None or colour_space(profile) == "gray" else profile
    works: list[tuple[str, Callable[[], bytes]]] = [
        (entry.source, partial(_encoded, entry, embedded)) for entry in entries
    ]
    works.append(("mergedimage.png", lambda: png_bytes(merged, profile=embedded, xmp=xmp)))
    works.append(("Thumbnails/thumbnail.png", lambda: _thumbnail(merged, profile)))
    with writing(path) as file, zipfile.ZipFile(file, "w") as ora:
        # First and stored, so that its first bytes tell the kind of file (file layout specification).
        ora.writestr(_dated("mimetype"), MIMETYPE, zipfile.ZIP_STORED)
        stack = _stack((base.shape[1], base.shape[0]), entries)
        ora.writestr(_dated("stack.xml"), stack, zipfile.ZIP_DEFLATED)
        for source, data in _together(works, base.nbytes):
            ora.writestr(_dated(source), data, zipfile.ZIP_STORED)


def _encoded(entry: _Entry, profile: bytes | None) -> bytes:
    return png_bytes(entry.picture(), profile=profile)


def _together(
    works: Sequence[tuple[str, Callable[[], bytes]]], picture_bytes: int
) -> Iterator[tuple[str, bytes]]:
    """Give what works make, in their order.

    Encoding lets go of the interpreter, so several cores are used, as far as memory allows.
    """
    count = min(machine.cores(), fitting(picture_bytes))
    with ThreadPoolExecutor(count) as pool:
        waiting: deque[tuple[str, Future[bytes]]] = deque()
        for name, work in works:
            waiting.append((name, pool.submit(work)))
            # Heads are quick: while a whole frame is waited for, those behind it can be begun.
            if len(waiting) == 2 * count:
                first, data = waiting.popleft()
                yield first, data.result()
        for name, data in waiting:
            yield name, data.result()


def fitting(picture_bytes: int) -> int:
    """Return how many pictures of so many bytes are made at the same time, however many cores there are."""
    return max(1, int(_MOST_BYTES / (_BYTES_A_SAMPLE * picture_bytes)))


def layer_name(person: str, donor: str) -> str:
    """Return what a head's layer is called, by person and frame: 'P03 from frame_010.jpg'."""
    return f"{person} from {donor}" if donor else person


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Entry:
    """One layer that is to be written."""

    source: str
    """Its file within the zip."""
    name: str
    offset: tuple[int, int]
    visible: bool
    picture: Callable[[], Array]
    """Gives its pixels when their turn has come, for all at once would cost memory."""


def _entries(
    base: Array,
    heads: Sequence[Head],
    base_name: str,
    donors: Mapping[str, str],
    hidden: Sequence[Hidden],
) -> list[_Entry]:
    """Return the layers from bottom to top: the base, and of each head first the hidden whole."""
    wholes = {
        whole.person: _Entry(
            source=f"data/{whole.person}-whole.png",
            name=whole.name,
            offset=(0, 0),
            visible=False,
            picture=whole.picture,
        )
        for whole in hidden
    }
    entries = [
        _Entry(
            source="data/base.png",
            name=f"Base {base_name}".strip(),
            offset=(0, 0),
            visible=True,
            picture=lambda: base,
        )
    ]
    for head in heads:
        name = layer_name(head.person, donors.get(head.person, ""))
        if head.person in wholes:
            entries.append(wholes.pop(head.person))
        shown = _cropped(head)
        entries.append(
            _Entry(
                source=f"data/{head.person}.png",
                name=name,
                offset=shown.offset,
                visible=True,
                picture=partial(masked, shown, base.dtype),
            )
        )
    return [*entries, *wholes.values()]


def _cropped(head: Head) -> Head:
    """Return a head without the rows and columns in which nothing of it shows."""
    part = head.shown_part
    if part is None:
        return head
    (x, y), (rows, columns) = head.offset, part
    return replace(
        head,
        offset=(x + columns.start, y + rows.start),
        pixels=head.pixels[part],
        mask=head.mask[part],
    )


def _thumbnail(merged: Array, profile: bytes | None) -> bytes:
    size = fit_within((merged.shape[1], merged.shape[0]), _THUMBNAIL_PX)
    return png_bytes(to_srgb(resize(merged, size), profile))


def _stack(size: tuple[int, int], entries: Sequence[_Entry]) -> bytes:
    image = ElementTree.Element(
        "image", {"version": "0.0.5", "w": str(size[0]), "h": str(size[1]), "xres": "300", "yres": "300"}
    )
    stack = ElementTree.SubElement(image, "stack", {"name": "root"})
    # The first child is the top layer (layer stack specification).
    for entry in reversed(entries):
        ElementTree.SubElement(
            stack,
            "layer",
            {
                "name": xml_text(entry.name),
                "src": entry.source,
                "x": str(entry.offset[0]),
                "y": str(entry.offset[1]),
                "opacity": "1.0",
                "visibility": "visible" if entry.visible else "hidden",
                "composite-op": "svg:src-over",
            },
        )
    ElementTree.indent(image)
    return (
        b'<?xml version="1.0" encoding="UTF-8"?>\n' + ElementTree.tostring(image, encoding="unicode").encode()
    )


def _dated(name: str) -> zipfile.ZipInfo:
    entry = zipfile.ZipInfo(name, _WHEN)
    entry.external_attr = 0o644 << 16
    return entry


def read_ora(path: Path) -> Raster:
    """Return a layered picture with its layers from bottom to top.

    For programs that go on from a finished result. Groups are opened up; opacities below 1 and blend modes
    other than the normal one are disregarded.

    Raises
    ------
    InputError
        If the file is missing or is not an OpenRaster picture.
    """
    try:
        with zipfile.ZipFile(path) as ora:
            if ora.read("mimetype") != MIMETYPE:
                raise InputError(f"{path} is not an OpenRaster picture.")
            image = ElementTree.fromstring(ora.read("stack.xml"))
            root = image.find("stack")
            layers = [] if root is None else list(_layers(ora, root, 0, 0))
            merged = _pixels(ora, "mergedimage.png")[..., :3]
            size = (int(image.get("w", "0")), int(image.get("h", "0")))
    except (OSError, zipfile.BadZipFile, KeyError, ValueError, ElementTree.ParseError) as error:
        raise InputError(f"{path} is not an OpenRaster picture that can be read.") from error
    return Raster(size=size, layers=tuple(reversed(layers)), merged=merged)


def _layers(ora: zipfile.ZipFile, stack: ElementTree.Element, x0: int, y0: int) -> Iterable[Layer]:
    for child in stack:
        x, y = x0 + int(child.get("x", "0")), y0 + int(child.get("y", "0"))
        if child.tag == "stack":
            yield from _layers(ora, child, x, y)
        elif child.tag == "layer":
            yield Layer(
                name=child.get("name", ""),
                offset=(x, y),
                pixels=_pixels(ora, child.get("src", "")),
                visible=child.get("visibility", "visible") == "visible",
            )


def _pixels(ora: zipfile.ZipFile, name: str) -> Array:
    image = cv2.imdecode(np.frombuffer(ora.read(name), np.uint8), cv2.IMREAD_UNCHANGED)
    if image is None:
        raise ValueError(f"{name} is broken")
    if image.ndim == 2:
        image = cv2.cvtColor(image, cv2.COLOR_GRAY2BGR)
    if image.shape[2] == 4:
        return np.asarray(cv2.cvtColor(image, cv2.COLOR_BGRA2RGBA))
    rgb = cv2.cvtColor(image, cv2.COLOR_BGR2RGB)
    opaque = np.full(rgb.shape[:2], full_scale(np.asarray(rgb)), rgb.dtype)
    return np.dstack([rgb, opaque])


def flatten(raster: Raster) -> Array:
    """Return the visible layers laid over each other, for programs that go on from a finished result.

    Returns
    -------
    ndarray
        (H, W, 3) float64 RGB in [0, 1] over black, not rounded between layers (simple alpha compositing:
        Porter and Duff 1984, 'over').
    """
    out = np.zeros((raster.size[1], raster.size[0], 3))
    for layer in raster.layers:
        if not layer.visible:
            continue
        (x, y), (h, w) = layer.offset, layer.pixels.shape[:2]
        x0, y0, x1, y1 = max(x, 0), max(y, 0), min(x + w, raster.size[0]), min(y + h, raster.size[1])
        if x0 >= x1 or y0 >= y1:
            continue
        part = layer.pixels[y0 - y : y1 - y, x0 - x : x1 - x] / float(full_scale(layer.pixels))
        alpha = part[..., 3:]
        out[y0:y1, x0:x1] = out[y0:y1, x0:x1] * (1 - alpha) + part[..., :3] * alpha
    return out
