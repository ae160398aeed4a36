"""A layered TIFF: the finished picture, the base and every head as pages, for programs without OpenRaster.

Baseline TIFF and its document extensions (TIFF 6.0, Adobe 1992), and no tag that one program alone knows.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import imagecodecs
import numpy as np
import tifffile

from facemerge.formats import icc
from facemerge.formats.encode import DEFLATE_LEVEL, TIFF_PAGE, TiffTag, masked, tiff_bytes
from facemerge.formats.files import write_bytes
from facemerge.formats.openraster import layer_name
from facemerge.formats.program import signature
from facemerge.words import Array, Frame, Head

_PAGE_NAME: Final = 285
_X_POSITION, _Y_POSITION = 286, 287
_PAGE_NUMBER: Final = 297
_PAGE_OF_SEVERAL: Final = 2
_PIXELS_AN_INCH: Final = 300
_ROWS: Final = TIFF_PAGE["rowsperstrip"]


def write_layered_tiff(
    path: Path,
    base: Array,
    layers: Sequence[Head],
    merged: Array,
    *,
    profile: bytes | None = None,
    exif_from: Frame | None = None,
    base_name: str = "",
    donors: Mapping[str, str] | None = None,
    xmp: bytes = b"",
    greyscale: bool = False,
) -> None:
    """Write the finished picture and what it is made of as one TIFF file of several pages.

    The first page is the composite, so that a program that shows one page shows the finished picture. Then
    come the base and the heads from bottom to top: laid over each other in this order they give the
    composite. Each page's name says what it is. All pages are of the picture's size, so that they lie on each
    other wherever they are opened: of four readers tried, one heeds the offset of a smaller page. What is
    empty takes a two-hundredth of its room.

    Parameters
    ----------
    path
        Where; inside a folder that is still to be put in place.
    base
        (H, W, 3) RGB uint8 or uint16.
    layers
        The heads in the order in which they were laid over the base. Each becomes a page with its mask as
        unassociated alpha; its colour goes on beyond the mask, to the edge of its window.
    merged
        (H, W, 3) RGB, dtype of `base`: the composite.
    profile
        ICC profile of all pages, or None for sRGB.
    exif_from
        The frame whose time, camera, exposure and lens the first page carries.
    base_name
        File name of the base frame, for the page's name.
    donors
        Person id -> file name of the frame the head comes from, for the pages' names.
    xmp
        An XMP packet for the first page, or b''.
    greyscale
        Write one channel, and alpha where there is a mask; for a base frame that has only one.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    names = ["Composite", f"Base {base_name}".strip()]
    names += [layer_name(head.person, (donors or {}).get(head.person, "")) for head in layers]
    pages = [_page(name, number, len(names)) for number, name in enumerate(names)]
    first = tiff_bytes(
        merged,
        profile=profile,
        exif_from=exif_from,
        xmp=xmp,
        greyscale=greyscale,
        expected=_expected(base, layers),
        page=pages[0],
    )
    out = io.BytesIO(first)
    colour: dict[str, Any] = {"photometric": "minisblack" if greyscale else "rgb", "iccprofile": profile}
    with tifffile.TiffWriter(out, append=True) as file:
        file.write(icc.one_channel(base) if greyscale else base, **TIFF_PAGE, **colour, **pages[1])
        for head, page in zip(layers, pages[2:], strict=True):
            pixels = masked(head, base.dtype)
            if greyscale:
                pixels = np.dstack([icc.one_channel(pixels[..., :3]), pixels[..., 3]])
            shape = (*base.shape[:2], pixels.shape[2])
            file.write(
                _strips(pixels, head.offset, shape),
                shape=shape,
                dtype=base.dtype,
                extrasamples=["unassalpha"],
                **TIFF_PAGE,
                **colour,
                **page,
            )
    write_bytes(path, out.getvalue())


def _page(name: str, number: int, pages: int) -> dict[str, Any]:
    tags: list[TiffTag] = [
        # ASCII by the standard; a file name that is not is kept as UTF-8, as programs do.
        (_PAGE_NAME, "s", 0, name.replace("\0", "").encode("utf-8", "replace"), True),
        (_X_POSITION, "2I", 1, (0, 1), True),
        (_Y_POSITION, "2I", 1, (0, 1), True),
        (_PAGE_NUMBER, "H", 2, (number, pages), True),
    ]
    return {
        "subfiletype": _PAGE_OF_SEVERAL,
        "resolution": (_PIXELS_AN_INCH, _PIXELS_AN_INCH),
        "resolutionunit": "INCH",
        "software": signature(),
        "extratags": tags,
    }


def _expected(base: Array, heads: Sequence[Head]) -> int:
    """Return how many bytes the file takes at most: what is filled as it is, what is empty a hundredth."""
    filled = 2 * base.nbytes + sum(4 * head.mask.size * base.itemsize for head in heads)
    return int(filled + len(heads) * 4 * base.nbytes // 300)


def _strips(pixels: Array, offset: tuple[int, int], shape: tuple[int, int, int]) -> Iterator[bytes]:
    """Yield the compressed strips of a page of `shape` that is 0 but for `pixels` at `offset`.

    What lies beyond the page is cut off. A strip without any of the pixels is compressed once.
    """
    (x, y), (h, w) = offset, pixels.shape[:2]
    x0, x1 = max(x, 0), min(x + w, shape[1])
    empty: dict[int, bytes] = {}
    for top in range(0, shape[0], _ROWS):
        rows = min(_ROWS, shape[0] - top)
        y0, y1 = max(y, top), min(y + h, top + rows)
        if x0 < x1 and y0 < y1:
            strip = np.zeros((rows, *shape[1:]), pixels.dtype)
            strip[y0 - top : y1 - top, x0:x1] = pixels[y0 - y : y1 - y, x0 - x : x1 - x]
            yield _packed(strip)
        else:
            if rows not in empty:
                empty[rows] = _packed(np.zeros((rows, *shape[1:]), pixels.dtype))
            yield empty[rows]


def _packed(strip: Array) -> bytes:
    """Return a strip as differences along its rows (TIFF 6.0, section 14), deflated."""
    little = strip.astype(strip.dtype.newbyteorder("<"), copy=False)
    steps = imagecodecs.delta_encode(little, axis=1)
    return bytes(imagecodecs.deflate_encode(steps.tobytes(), level=DEFLATE_LEVEL, raw=False))
