"""A drawn composite with nothing wrong, and faults planted on it: truth for what a viewer may find."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from drawn_heads import SIZE, crowd
from numpy.typing import NDArray

from facemerge import imaging
from facemerge.words import Array, Head, Joint, frozen

FACE_PX = 100.0
PEOPLE = {0: ((150.0, 190.0), 0.0), 1: ((270.0, 200.0), 6.0)}
Picture = NDArray[np.float32]
At = tuple[int, int]
Plant = Callable[[Picture, At], Picture]


def scene(seed: int, kind: str = "brick", noise: float = 1.5) -> Array:
    """Return one frame of two people before a wall; frames differ by their grain alone."""
    return crowd(PEOPLE, kind=kind, noise=noise, seed=seed).image


BASE, DONOR = scene(0), scene(9)


def head_of(finished: Array, donor: Array = DONOR, extent: str = "person") -> Head:
    """Return a head that makes a finished picture of the base: all of it, but for a rim."""
    mask = np.zeros(finished.shape[:2], np.uint8)
    mask[30:430, 30:390] = 255
    return Head(
        person="P01",
        offset=(0, 0),
        pixels=frozen(finished),
        mask=frozen(mask),
        joint=Joint(),
        placement="homography",
        unblended=frozen(donor),
        extent="face" if extent == "face" else "person",
    )


def planted(plant: Plant, at: At) -> Array:
    """Return the donor's picture with a fault at a place, as the finished one."""
    return imaging.from_unit(plant(imaging.to_unit(DONOR), at), np.uint8)


def _square(at: At, half: int) -> tuple[slice, slice]:
    return slice(at[1] - half, at[1] + half), slice(at[0] - half, at[0] + half)


def smear(picture: Picture, at: At) -> Picture:
    """Return it with a patch of one mean colour a row."""
    out = picture.copy()
    part = _square(at, 14)
    out[part] = picture[part].mean(1, keepdims=True)
    return out


def strip(picture: Picture, at: At) -> Picture:
    """Return it with a thin strip of something else."""
    out = picture.copy()
    cv2.line(out, (at[0] - 15, at[1] - 6), (at[0] + 15, at[1] + 6), (0.15, 0.4, 0.2), 3, cv2.LINE_AA)
    return out


def shift(picture: Picture, at: At) -> Picture:
    """Return it with a part moved by more than people lean: an outline breaks."""
    x, y = at
    out = picture.copy()
    out[_square(at, 16)] = picture[_square((x - 8, y + 7), 16)]
    return out


def ghost(picture: Picture, at: At) -> Picture:
    """Return it with a half seen piece of another place."""
    out = picture.copy()
    part = _square(at, 16)
    out[part] += 0.5 * (picture[150:182, 200:232] - out[part])
    return out


def blur_step(picture: Picture, at: At) -> Picture:
    """Return it with a part that is soft."""
    out = picture.copy()
    part = _square(at, 16)
    out[part] = cv2.GaussianBlur(picture, (0, 0), 4)[part]
    return out


def tone_step(picture: Picture, at: At) -> Picture:
    """Return it with a part that is darker, its border hard."""
    out = picture.copy()
    out[_square(at, 20)] *= 0.85
    return out


def labels() -> NDArray[np.int16]:
    """Return (H, W) whose each pixel of the scene is, -1 = the wall's."""
    return crowd(PEOPLE, kind="brick").owner.astype(np.int16) - 1


assert BASE.shape[:2] == SIZE[::-1]
