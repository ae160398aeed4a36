"""The small pictures of the page: whole frames, heads before and after, where the seam runs, faces."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np

from facemerge.errors import OutputError
from facemerge.formats.icc import to_srgb
from facemerge.imaging import full_scale, resize
from facemerge.words import Array, Head

Point = tuple[float, float]

_WHOLE_PX = 1800
_FACE_W, _FACE_H = 132, 165
# A face box ends at forehead and chin; hair and collar tell a viewer who it is and what the head does.
_FACE_ROOM = 1.75
_AROUND = 0.2
_CROP_MOST_PX = 1000
_CROP_LEAST_PX = 520
_OUTLINE_PX = 520
_CLOSE_PX = 360
_CLOSE_VIEWS = 3
# A head whose layer is this large shows its seam at its own size, a smaller one at twice its size.
_LARGE_HEAD_PX = 1200


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadPictures:
    """One swapped head as JPEG files of the same area: before, after, and where the seam runs."""

    base: bytes
    composite: bytes
    outline: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class SeamPictures:
    """A weak place as JPEG files of one area: before, the donor, after, and after with the seam drawn."""

    base: bytes
    donor: bytes
    composite: bytes
    line: bytes
    size: tuple[int, int]
    """(W, H) of each, in pixels of the screen."""
    zoom: int
    """How much larger than in the picture, in percent."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pictures:
    """All pictures of the page as JPEG files; what is missing is left out of the page."""

    composite: bytes | None = None
    base: bytes | None = None
    heads: Mapping[str, HeadPictures] = field(default_factory=dict)
    """By person id."""
    seams: Mapping[str, tuple[SeamPictures, ...]] = field(default_factory=dict)
    """By person id, for those that are to be looked at."""
    faces: Mapping[tuple[str, str], bytes] = field(default_factory=dict)
    """By person id and frame name."""


def whole_picture(image: Array, profile: bytes | None) -> bytes:
    """Return a frame or composite as a JPEG at most 1800 px wide.

    Parameters
    ----------
    image
        (H, W, 3) RGB uint8 or uint16 in `profile`; None is sRGB.
    """
    factor = _WHOLE_PX / image.shape[1]
    return srgb_jpeg(_scaled(image, factor) if factor < 1 else image, profile, quality=84)


def head_pictures(
    base: Array, composite: Array, head: Head, places: Sequence[Point], profile: bytes | None
) -> HeadPictures:
    """Return the area around a swapped head from the base, from the composite, and with its seam drawn.

    Parameters
    ----------
    base, composite
        (H, W, 3) RGB uint8 or uint16 in `profile`; None is sRGB.
    head
        What was laid over the base.
    places
        x, y in base pixels, to be ringed.
    """
    x0, y0, x1, y1 = _around(head, (base.shape[1], base.shape[0]))
    before, after = base[y0:y1, x0:x1], composite[y0:y1, x0:x1]
    side = max(x1 - x0, y1 - y0)
    factor = min(2.0, max(1.0, _CROP_LEAST_PX / side), _CROP_MOST_PX / side)
    shown = _scaled(after, min(2.0, _OUTLINE_PX / side))
    return HeadPictures(
        base=srgb_jpeg(_scaled(before, factor), profile, quality=88),
        composite=srgb_jpeg(_scaled(after, factor), profile, quality=88),
        outline=_encoded(_drawn_seam(to_srgb(shown, profile), head, places, (x0, y0, x1, y1)), quality=84),
    )


def seam_pictures(
    base: Array, composite: Array, head: Head, places: Sequence[Point], profile: bytes | None
) -> tuple[SeamPictures, ...]:
    """Return close views of the weakest places of a head: base, donor, composite, and where the seam runs.

    Pixels are shown as they are, or each as four, so that what a viewer may find is neither averaged away nor
    made up.

    Parameters
    ----------
    base, composite
        (H, W, 3) RGB uint8 or uint16 in `profile`; None is sRGB.
    head
        What was laid over the base.
    places
        x, y in base pixels where to look, the worst first.

    Returns
    -------
    tuple of SeamPictures
        The worst first, at most `_CLOSE_VIEWS`, none that repeats an earlier one; none at all if
        it is not known where the seam is weakest, or if that is not in the picture.
    """
    size = (base.shape[1], base.shape[0])
    factor = 1 if max(head.mask.shape) >= _LARGE_HEAD_PX else 2
    far = _CLOSE_PX // factor / 2
    shown: list[Point] = []
    for at in places:
        within = 0 <= at[0] < size[0] and 0 <= at[1] < size[1]
        if within and all(max(abs(at[0] - x), abs(at[1] - y)) > far for x, y in shown):
            shown.append(at)
    return tuple(
        _close_view(base, composite, head, places, profile, at, factor) for at in shown[:_CLOSE_VIEWS]
    )


def _close_view(
    base: Array,
    composite: Array,
    head: Head,
    places: Sequence[Point],
    profile: bytes | None,
    at: Point,
    factor: int,
) -> SeamPictures:
    size = (base.shape[1], base.shape[0])
    area = _window(at, _CLOSE_PX // factor, size)
    x0, y0, x1, y1 = area
    before, there, after = (
        to_srgb(np.repeat(np.repeat(image, factor, axis=0), factor, axis=1), profile)
        for image in (base[y0:y1, x0:x1], _donor_in(base, head, area), composite[y0:y1, x0:x1])
    )
    line = _drawn_seam(after, head, places, area, ring_px=28)
    return SeamPictures(
        base=_encoded(before, quality=92),
        donor=_encoded(there, quality=92),
        composite=_encoded(after, quality=92),
        line=_encoded(line, quality=92),
        size=(before.shape[1], before.shape[0]),
        zoom=100 * factor,
    )


def _donor_in(base: Array, head: Head, area: tuple[int, int, int, int]) -> Array:
    """Return an area of the donor's frame as it was laid; where it or the head's layer ends, the base."""
    x0, y0, x1, y1 = area
    out = base[y0:y1, x0:x1].copy()
    (x, y), (h, w) = head.offset, head.mask.shape
    left, top, right, bottom = max(x, x0), max(y, y0), min(x + w, x1), min(y + h, y1)
    if left < right and top < bottom:
        here = np.s_[top - y : bottom - y, left - x : right - x]
        shown = out[top - y0 : bottom - y0, left - x0 : right - x0]
        known = True if head.reached is None else head.reached[here][..., None]
        np.copyto(shown, head.donor[here], where=known)
    return out


def _window(at: Point, side: int, size: tuple[int, int]) -> tuple[int, int, int, int]:
    """Return the square of a side around a point, moved to lie in the picture, and cut if that is smaller."""
    x0, y0 = (
        min(max(round(v - side / 2), 0), max(whole - side, 0)) for v, whole in zip(at, size, strict=True)
    )
    return x0, y0, min(x0 + side, size[0]), min(y0 + side, size[1])


def face_picture(image: Array, box: tuple[float, float, float, float], profile: bytes | None) -> bytes:
    """Return a face with its hair and collar as a JPEG of 132 x 165 px.

    Parameters
    ----------
    image
        (H, W, 3) RGB uint8 or uint16 in `profile`; None is sRGB.
    box
        x0, y0, x1, y1 of the face, in pixels of `image`; may reach over its edges.
    """
    cx, cy = (box[0] + box[2]) / 2, (box[1] + box[3]) / 2
    side = max(box[2] - box[0], (box[3] - box[1]) * _FACE_W / _FACE_H, 4.0) * _FACE_ROOM
    w, h = max(2, round(side)), max(2, round(side * _FACE_H / _FACE_W))
    x0, y0 = round(cx - w / 2), round(cy - h / 2)
    cut = _cut(image, (x0, y0, x0 + w, y0 + h))
    # Halving is many times quicker than averaging over other areas, and a face of hundreds is drawn for each.
    while cut.shape[1] >= 2 * _FACE_W and cut.shape[0] >= 2 * _FACE_H:
        even = cut[: cut.shape[0] // 2 * 2, : cut.shape[1] // 2 * 2]
        cut = resize(even, (even.shape[1] // 2, even.shape[0] // 2))
    return srgb_jpeg(resize(cut, (_FACE_W, _FACE_H)), profile, quality=80)


def _cut(image: Array, area: tuple[int, int, int, int]) -> Array:
    """Return an area of a picture, what lies outside of it a middle grey."""
    x0, y0, x1, y1 = area
    out = np.full((y1 - y0, x1 - x0, 3), full_scale(image) // 2, image.dtype)
    a0, b0, a1, b1 = max(x0, 0), max(y0, 0), min(x1, image.shape[1]), min(y1, image.shape[0])
    if a0 < a1 and b0 < b1:
        out[b0 - y0 : b1 - y0, a0 - x0 : a1 - x0] = image[b0:b1, a0:a1]
    return out


def _around(head: Head, size: tuple[int, int]) -> tuple[int, int, int, int]:
    """Return the part of the picture that shows where a mask is not 0, and some room around it."""
    used = np.argwhere(head.mask > 0)
    (top, left), (bottom, right) = (
        (used.min(axis=0), used.max(axis=0) + 1) if len(used) else ((0, 0), head.mask.shape)
    )
    room = math.ceil(_AROUND * max(right - left, bottom - top)) + 4
    x0 = min(max(0, head.offset[0] + int(left) - room), size[0] - 1)
    y0 = min(max(0, head.offset[1] + int(top) - room), size[1] - 1)
    x1 = max(x0 + 1, min(size[0], head.offset[0] + int(right) + room))
    y1 = max(y0 + 1, min(size[1], head.offset[1] + int(bottom) + room))
    return x0, y0, x1, y1


def _scaled(image: Array, factor: float) -> Array:
    h, w = image.shape[:2]
    return resize(np.ascontiguousarray(image), (max(1, round(w * factor)), max(1, round(h * factor))))


def _drawn_seam(
    image: Array, head: Head, places: Sequence[Point], area: tuple[int, int, int, int], ring_px: int = 16
) -> Array:
    """Return an 8-bit picture of `area` with the seam as a black and white line, its weak places ringed."""
    x0, y0, x1, y1 = area
    fx, fy = image.shape[1] / (x1 - x0), image.shape[0] / (y1 - y0)
    out = image.copy()
    inside = (head.mask > full_scale(head.mask) // 2).astype(np.uint8)
    lines, _ = cv2.findContours(np.pad(inside, 1), cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
    corner = np.array([head.offset[0] - 1 - x0, head.offset[1] - 1 - y0])
    scaled = [np.rint((line + corner + 0.5) * [fx, fy] - 0.5).astype(np.int32) for line in lines]
    # White within black is seen on any ground, and by any eye.
    for width, grey in ((4, 0), (2, 255)):
        cv2.polylines(out, scaled, True, (grey, grey, grey), width, cv2.LINE_AA)
    for x, y in places:
        at = (round((x - x0 + 0.5) * fx - 0.5), round((y - y0 + 0.5) * fy - 0.5))
        for width, grey in ((6, 0), (3, 255)):
            cv2.circle(out, at, ring_px, (grey, grey, grey), width, cv2.LINE_AA)
    return out


def srgb_jpeg(image: Array, profile: bytes | None, *, quality: int) -> bytes:
    """Return an (H, W, 3) uint8 or uint16 picture as a JPEG file in sRGB; `profile` None is sRGB."""
    return _encoded(to_srgb(np.ascontiguousarray(image), profile), quality=quality)


def _encoded(image: Array, *, quality: int) -> bytes:
    done, data = cv2.imencode(
        ".jpg", cv2.cvtColor(image, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, quality]
    )
    if not done:
        raise OutputError("A picture for the page could not be encoded.")
    return bytes(data.tobytes())
