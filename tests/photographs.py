"""Drawn photographs with what cameras say of them, for the tests of the formats."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from facemerge.formats import photo
from facemerge.words import Array, Frame


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
