"""Touches a finished head's mask up by hand: moves its seam outward or inward, paints and erases."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge import imaging
from facemerge.composite import cut
from facemerge.words import Array, Float, Head, Stroke, Touches, frozen

ROOM_PX = 6.0
"""Over how many pixels a mask may rise from where the layer ends, or the donor's frame does."""
UNSURE_PX = 2
"""A resampling kernel mixes the outermost pixels of a frame with nothing."""
RISEN = 0.25
"""A mask that has risen by so much shows the donor alone, not what was blended there before."""
SAME_PLACE_PX = 1e-3
"""Points of a stroke that lie so near each other are one."""

_CROSS = np.array([[0, 1, 0], [1, 1, 1], [0, 1, 0]], np.uint8)


def touch(head: Head, touches: Touches, size: tuple[int, int]) -> Head:
    """Return a head with its mask touched up.

    Where the mask rises the layer shows the donor itself: as built it runs over into the base there, and
    would show the base once more. A head that has not kept its donor so (`Head.unblended`) stays as built.

    Parameters
    ----------
    head
        As it was built, its mask not yet touched: touches always begin at that one.
    touches
        What to do; whether they were made for this base and donor is for the caller to know.
    size
        (W, H) of the base.

    Returns
    -------
    Head
        `head` itself if the mask comes out as it was.
    """
    mask = touched_mask(head, touches, size)
    if np.array_equal(mask, head.mask):
        return head
    # How well an inner face fits is true of the mask that was cut, and of no other.
    joint = replace(head.joint, misfit=None)
    return replace(head, mask=frozen(mask), pixels=_uncovered(head, mask), joint=joint)


def _uncovered(head: Head, mask: Array) -> Array:
    """Return a head's pixels with the unblended donor where a new mask is higher than its own."""
    if head.unblended is None:
        return head.pixels
    more = np.clip((imaging.to_unit(mask) - imaging.to_unit(head.mask)) / RISEN, 0, 1)[..., None]
    built, donor = imaging.to_unit(head.pixels), imaging.to_unit(head.unblended)
    shown = imaging.from_unit(built + (donor - built) * more, head.pixels.dtype)
    return frozen(np.where(more > 0, shown, head.pixels))


def touched_mask(head: Head, touches: Touches, size: tuple[int, int]) -> Array:
    """Return a head's mask after its seam was moved and strokes were laid over it, one after the other.

    A stroke that paints takes the greater of mask and brush, one that erases the lesser of mask and what the
    brush leaves: going over a place twice changes nothing more. Nothing is shown where the donor is not
    known, that is, where its frame does not reach, nor beyond the head's layer; towards both a mask falls
    softly, unless it was higher before.

    Parameters
    ----------
    head
        As it was built.
    touches
        What to do.
    size
        (W, H) of the base.

    Returns
    -------
    (h, w) of the mask's dtype
        Each stroke is rounded to it: what is shown after a stroke is what is there before the next.
    """
    top = imaging.full_scale(head.mask)
    most = np.maximum(np.rint(_room(head, size) * top).astype(head.mask.dtype), head.mask)
    mask: Array = np.minimum(moved(head.mask, touches.widen_px), most)
    for stroke in touches.strokes:
        found = brush(stroke, head.offset, (mask.shape[0], mask.shape[1]))
        if found is None:
            continue
        where, covered = found
        shown = np.rint(covered * top).astype(mask.dtype)
        if stroke.paints:
            mask[where] = np.maximum(mask[where], np.minimum(shown, most[where]))
        else:
            mask[where] = np.minimum(mask[where], top - shown)
    return mask


def moved(mask: Array, by_px: float) -> Array:
    """Return a mask whose seam lies further out, or further in, its edge as soft as it was at each place.

    The seam is where the mask is half; the distance to it is shifted, and the soft edge laid along it anew
    with the width that it has at the nearest point of the seam.

    Parameters
    ----------
    mask
        (h, w) uint8 or uint16, full range.
    by_px
        Pixels outward; negative = inward.

    Returns
    -------
    (h, w) of the mask's dtype
        A copy of the mask if it is not to be moved, or is nowhere or everywhere more than half.
    """
    inside = mask > imaging.full_scale(mask) // 2
    if by_px == 0 or inside.all() or not inside.any():
        return mask.copy()
    signed, width = _seam_of(imaging.to_unit(mask), inside)
    return imaging.from_unit(cut.soft_edge(signed + np.float32(by_px), width), mask.dtype)


def brush(
    stroke: Stroke, offset: tuple[int, int], shape: tuple[int, int]
) -> tuple[tuple[slice, slice], NDArray[np.float32]] | None:
    """Return the part of a window that a stroke covers, and how much of each pixel there.

    Parameters
    ----------
    stroke
        In base pixels.
    offset
        x, y of the window's corner in base pixels.
    shape
        (h, w) of the window.

    Returns
    -------
    where
        Rows and columns of the window.
    covered
        float32 in [0, 1]: 1 along the stroke, falling smoothly to 0 at the brush's rim. A stroke covers a
        place once, however often it passes there.

    None if the stroke passes the window by, or has no width.
    """
    points = np.array(stroke.points, np.float64) - offset
    x0, y0, x1, y1 = _bounds(points, stroke.radius_px, shape)
    if x0 >= x1 or y0 >= y1 or stroke.radius_px <= 0:
        return None
    squared = np.full((y1 - y0, x1 - x0), np.inf, np.float32)
    corner = np.array([x0, y0])
    lines_from, lines_to = (points[:-1], points[1:]) if len(points) > 1 else (points, points)
    for start, end in zip(lines_from - corner, lines_to - corner, strict=True):
        _nearer(squared, start, end, stroke.radius_px)
    # A rim harder than a pixel would be a staircase.
    fade = min(max(1.0, stroke.softness * stroke.radius_px), stroke.radius_px)
    share = np.clip((stroke.radius_px - np.sqrt(squared)) / fade, 0, 1)
    return np.s_[y0:y1, x0:x1], np.asarray(share * share * (3 - 2 * share), np.float32)


def _bounds(points: Float, reach_px: float, shape: tuple[int, int]) -> tuple[int, int, int, int]:
    """Return x0, y0, x1, y1 of the pixels of a plane that lie within reach of points."""
    low = np.clip(np.floor(points.min(0) - reach_px), 0, shape[::-1])
    high = np.clip(np.ceil(points.max(0) + reach_px) + 1, 0, shape[::-1])
    return int(low[0]), int(low[1]), int(high[0]), int(high[1])


def _nearer(squared: NDArray[np.float32], start: Float, end: Float, reach_px: float) -> None:
    """Lower squared distances, in place, to those from the line between two points, within reach of it."""
    x0, y0, x1, y1 = _bounds(np.array([start, end]), reach_px, (squared.shape[0], squared.shape[1]))
    if x0 >= x1 or y0 >= y1:
        return
    x = np.arange(x0, x1, dtype=np.float32) - np.float32(start[0])
    y = (np.arange(y0, y1, dtype=np.float32) - np.float32(start[1]))[:, None]
    dx, dy = (float(v) for v in end - start)
    length = dx * dx + dy * dy
    along = np.clip((x * dx + y * dy) / length, 0, 1) if length > SAME_PLACE_PX**2 else np.float32(0)
    here = squared[y0:y1, x0:x1]
    np.minimum(here, (x - along * dx) ** 2 + (y - along * dy) ** 2, out=here)


def _room(head: Head, size: tuple[int, int]) -> NDArray[np.float32]:
    """Return, from 0 to 1, how far up a mask may be raised: nothing where there is no donor to show."""
    h, w = head.mask.shape
    if head.reached is None:
        # What lies beyond the mask may be the donor or only the base: nobody has kept which.
        return np.zeros((h, w), np.float32)
    kernel = np.ones((2 * UNSURE_PX + 1, 2 * UNSURE_PX + 1), np.uint8)
    known = cv2.erode(head.reached.astype(np.uint8), kernel, borderValue=1) > 0
    x, y = head.offset
    ends = [(y > 0, y + h < size[1]), (x > 0, x + w < size[0])]
    # A side of the layer is an end of what is known, unless the picture itself ends there.
    padded = np.pad(known.astype(np.uint8), 1, mode="edge")
    for axis, sides in enumerate(ends):
        for side, is_end in zip((0, -1), sides, strict=True):
            if is_end:
                padded[(side, slice(None)) if axis == 0 else (slice(None), side)] = 0
    if padded.all():
        return np.ones((h, w), np.float32)
    far = cv2.distanceTransform(padded, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)[1:-1, 1:-1]
    return np.asarray(np.clip(far / ROOM_PX, 0, 1), np.float32)


def _seam_of(
    alpha: NDArray[np.float32], inside: NDArray[np.bool_]
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return the signed distance to where a mask is half, positive inside, and the width of its soft edge.

    Both are such that `cut.soft_edge` gives the mask again, nearly.
    """
    # The edge's profile undone: the place within it, from -0.5 to 0.5, of 3 t^2 - 2 t^3 = alpha.
    place = -np.sin(np.arcsin(np.clip(1 - 2 * alpha, -1, 1)) / 3)
    slope = np.maximum(np.hypot(*(_steepest(place, axis) for axis in (0, 1))), 1e-3)
    rim = inside & (cv2.erode(inside.astype(np.uint8), _CROSS, borderValue=1) == 0)
    _, labels = cv2.distanceTransformWithLabels(
        (~rim).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_5, labelType=cv2.DIST_LABEL_PIXEL
    )
    rows, columns = np.nonzero(rim)
    of_label = np.zeros(int(labels.max()) + 1, np.intp)
    of_label[labels[rows, columns]] = np.arange(len(rows))
    nearest = of_label[labels]
    y, x = np.indices(alpha.shape, np.float32)
    distance = np.hypot(y - rows.astype(np.float32)[nearest], x - columns.astype(np.float32)[nearest])
    width = (1 / slope[rows, columns]).astype(np.float32)
    # A pixel of the rim lies inside; the seam itself runs up to a pixel further out.
    beyond = np.clip(place[rows, columns] * width, 0, 1).astype(np.float32)[nearest]
    signed = np.where(inside, distance + beyond, beyond - distance)
    # Steps of whole pixels are evened out, and jumps between pixels that have different nearest ones.
    return (
        np.asarray(cv2.GaussianBlur(signed, (0, 0), 1.0), np.float32),
        np.asarray(cv2.GaussianBlur(width[nearest], (0, 0), 2.0), np.float32),
    )


def _steepest(plane: NDArray[np.float32], axis: int) -> NDArray[np.float32]:
    """Return the greater of each pixel's steps to its two neighbours along an axis."""
    step = np.abs(np.diff(plane, axis=axis))
    ahead, behind = [(0, 0), (0, 0)], [(0, 0), (0, 0)]
    ahead[axis], behind[axis] = (0, 1), (1, 0)
    return np.asarray(np.maximum(np.pad(step, ahead), np.pad(step, behind)), np.float32)
