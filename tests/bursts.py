"""Small bursts of a real face (skimage.data.astronaut) for tests of a whole run."""

from __future__ import annotations

import io
import pickle
import shutil
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
from once import Once
from PIL import Image
from shell import Ran, run
from skimage import data

from facemerge.formats import cache as shelf

SIZE = (900, 600)
PLACES = ((150, 220), (520, 230))
"""Top-left corners of the two people's cut-outs."""
BLURRED = ((0, 1), (1, 0), (2, 1), (3, 0))
"""(frame, person) pairs that are out of focus: no frame has both people sharp."""


@cache
def people() -> list[np.ndarray]:
    """Return two cut-outs: the astronaut, and her mirror image in other colours."""
    one = data.astronaut()[20:380, 60:380]
    two = np.ascontiguousarray(one[:, ::-1, ::-1])
    two = cv2.addWeighted(two, 0.55, one[:, ::-1], 0.45, 0)
    return [np.ascontiguousarray(one), two]


def outline(shape: tuple[int, int]) -> np.ndarray:
    """Return the soft outline of a head and shoulders, (h, w, 1) in [0, 1]."""
    h, w = shape
    mask = np.zeros((h, w), np.float32)
    cv2.ellipse(mask, (round(w * 0.51), round(h * 0.3)), (round(w * 0.24), round(h * 0.3)), 0, 0, 360, 1, -1)
    cv2.ellipse(mask, (round(w * 0.5), h), (round(w * 0.48), round(h * 0.42)), 0, 0, 360, 1, -1)
    return cv2.GaussianBlur(mask, (0, 0), 2)[..., None]


def frame(number: int, *, seed: int = 0, blurred: tuple[tuple[int, int], ...] = BLURRED) -> np.ndarray:
    """Return one frame: gravel behind two people who move a little, seen by a hand-held camera."""
    return _drawn(number, seed, blurred).copy()


@cache
def _drawn(number: int, seed: int, blurred: tuple[tuple[int, int], ...]) -> np.ndarray:
    rng = np.random.default_rng([seed, number])
    wall = cv2.resize(data.gravel(), (1000, 700), interpolation=cv2.INTER_CUBIC)
    scene = np.dstack([wall * 0.8, wall * 0.75, wall * 0.7]).astype(np.float32)
    for who, cutout in enumerate(people()):
        x, y = (np.array(PLACES[who]) + 50 + rng.normal(0, 3, 2)).astype(int)
        h, w = cutout.shape[:2]
        seen = cutout.astype(np.float32)
        if (number, who) in blurred:
            seen = cv2.GaussianBlur(seen, (0, 0), 4)
        soft = outline((h, w))
        part = scene[y : y + h, x : x + w]
        scene[y : y + h, x : x + w] = part + soft[: part.shape[0]] * (seen[: part.shape[0]] - part)
    angle = rng.normal(0, 0.15)
    m = cv2.getRotationMatrix2D((500, 350), angle, 1.0)
    m[:, 2] += rng.normal(0, 5, 2) - 50
    seen = cv2.warpAffine(scene, m, SIZE, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return np.clip(seen + rng.normal(0, 1.5, seen.shape), 0, 255).astype(np.uint8)


def write(folder: Path, frames: int = 4, *, seed: int = 0) -> Path:
    """Write a burst of JPEG files, a second apart, and return the folder."""
    folder.mkdir(parents=True, exist_ok=True)
    for number in range(frames):
        (folder / f"frame_{number:03d}.jpg").write_bytes(_file(number, seed))
    return folder


@cache
def _file(number: int, seed: int) -> bytes:
    taken = datetime(2026, 5, 2, 14, 30) + timedelta(seconds=number)
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0x9003] = taken.strftime("%Y:%m:%d %H:%M:%S")
    file = io.BytesIO()
    Image.fromarray(frame(number, seed=seed)).save(file, "JPEG", quality=95, exif=exif)
    return file.getvalue()


# -- merged once for a whole run ----------------------------------------------------------------------------


def merged(once: Once) -> Path:
    """Return a folder to be read only: a burst, OUT as a first `merge` has left it with what is kept beside
    it, and in `culled` what `cull` makes of the same.
    """

    def make(place: Path) -> None:
        write(place / "burst")
        with pytest.MonkeyPatch.context() as patch:
            # The disk of the test may be nearly full.
            patch.setattr(shelf, "SPARE_BYTES", 0)
            ran = run("merge", place / "burst", "-o", place / "out")
        (place / "ran").write_bytes(pickle.dumps(ran))
        shutil.copytree(shelf.beside(place / "out"), shelf.beside(place / "culled"))
        run("cull", place / "burst", "-o", place / "culled")

    return once("merged burst", make)


def said_of(merged: Path) -> Ran:
    """Return what the shell has seen of that merge."""
    ran: Ran = pickle.loads((merged / "ran").read_bytes())
    return ran


def known_beside(out: Path, merged: Path) -> Path:
    """Put what is known of the burst beside OUT, for tests of what is made of it, and return OUT."""
    shutil.copytree(shelf.beside(merged / "out"), shelf.beside(out))
    return out
