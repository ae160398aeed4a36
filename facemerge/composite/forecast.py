"""Forecasts, from small copies kept of every head, how much a swap would show before it is made."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge import imaging
from facemerge.composite import outline
from facemerge.words import Array, Face, Pixels, frozen

ANGLES, RADII = 72, 10
# Where a seam may run, in heads: from just outside the usual head's outline outwards.
NEAREST, FARTHEST = 1.0, 1.5
GRID_PX = 24
"""Copies are made at this many pixels a face: finer, and they would only tell that people move."""
FULL_DELTA_E = 30.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Patch:
    """What surrounds one head in one frame, unrolled round the head; a few kilobytes."""

    ring: Array
    """(72, 10, 3) float16 CIELAB: angles clockwise from the top of the head, distances outwards."""
    known: NDArray[np.bool_]
    """(72, 10) False where the frame ends."""


def patch_of(image: Pixels, face: Face) -> Patch:
    """Return the surroundings of a head, in the frame's own coordinates and at the head's own scale.

    Parameters
    ----------
    image
        (H, W, 3) RGB uint8 or uint16.
    face
        The face in it.
    """
    points = face.landmarks[:, :2]
    middle, up, wide, high = outline.head_axes(points)
    angle = 2 * np.pi * np.arange(ANGLES) / ANGLES
    reach = np.linspace(NEAREST, FARTHEST, RADII)
    across = wide * np.sin(angle)[:, None] * reach
    along = high * np.cos(angle)[:, None] * reach
    x = middle[0] + across * -up[1] + along * up[0]
    y = middle[1] + across * up[0] + along * up[1]
    known = (x >= 0) & (y >= 0) & (x <= image.shape[1] - 1) & (y <= image.shape[0] - 1)
    left, top = (
        int(np.clip(x.min() - 2, 0, image.shape[1] - 2)),
        int(np.clip(y.min() - 2, 0, image.shape[0] - 2)),
    )
    right, bottom = (
        int(np.clip(x.max() + 3, left + 2, image.shape[1])),
        int(np.clip(y.max() + 3, top + 2, image.shape[0])),
    )
    part = imaging.to_eight_bit(image[top:bottom, left:right])
    size = (part.shape[1], part.shape[0])
    factor = min(1.0, GRID_PX / max(float(np.ptp(points[:, 0])), 1.0))
    small = (max(2, round(size[0] * factor)), max(2, round(size[1] * factor)))
    lab = cv2.cvtColor(imaging.to_unit(imaging.resize(part, small)), cv2.COLOR_RGB2LAB)
    inner = imaging.transform(
        imaging.scale_matrix(size, small), np.column_stack([(x - left).ravel(), (y - top).ravel()])
    )
    u, v = inner.astype(np.float32).reshape(ANGLES, RADII, 2).transpose(2, 0, 1)
    ring = cv2.remap(
        lab,
        np.ascontiguousarray(u),
        np.ascontiguousarray(v),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return Patch(ring=frozen(ring.astype(np.float16)), known=frozen(known))


def forecast(base: Patch, donor: Patch) -> float:
    """Return the risk in [0, 1] to expect if the donor's head were set into the base.

    Round the head, at every angle, the distance is taken at which both frames agree best: that is where a
    seam would pass. The worse of the angles count. Monotone in the difference; 0 for equal frames.

    Parameters
    ----------
    base, donor
        One person's surroundings in two frames.
    """
    a, b = base.ring.astype(np.float32), donor.ring.astype(np.float32)
    both = base.known & donor.known
    if not both.any():
        return 1.0
    # An exposure that differs as a whole will be matched; it is no reason to expect a seam.
    tone = np.median((a - b)[both], axis=0)
    apart = np.where(both, np.linalg.norm(a - b - tone, axis=2), np.nan)
    seen = np.asarray(both.any(axis=1))
    best = np.nanmin(np.where(seen[:, None], apart, 0.0), axis=1)
    # A seam is a line: it cannot jump between one angle's best distance and the next one's for nothing.
    smooth = (np.roll(best, 1) + best + np.roll(best, -1)) / 3
    worst = float(np.sort(smooth)[-ANGLES // 5 :].mean())
    return float(np.clip(worst / FULL_DELTA_E, 0, 1))
