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
# What is looked at, in heads: hair moves whoever it is, so it begins outside the usual outline; shoulders and
# neighbours are what a seam has to pass.
NEAREST, FARTHEST = 1.2, 1.9
GRID_PX = 24
"""Copies are made at this many pixels a face: finer, and they would only tell that people move."""
# Fitted to the measured risk of 145 heads forced into bases of nine bursts, painted and photographed people,
# each burst forecast from the eight others.
USUAL_CHANGE, CHANGE_POWER = 10.0, 0.45
USUAL_CONTRAST, CONTRAST_POWER = 15.0, 1.6
USUAL_SEAM = 0.58
UNSEEN_DELTA_E = 1.0
LIGHTNESS_FOOT = np.array([16, 0, 0], np.float32)
WORST_SHARE = 10


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
    # Even sides can be halved, which is quick.
    right, bottom = right - (right - left) % 2, bottom - (bottom - top) % 2
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

    What surrounds the head and has changed (neighbours and shoulders that moved, somebody blurred) is what a
    seam has to pass; it shows the more, the stronger the contrasts are there. Where exactly the seam will run
    cannot be told from so small a copy. Monotone in the difference; 0 for equal frames.

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
    # (A gain on linear light is a factor on L + 16, a and b: CIE 15:2004, eq. 8.3 to 8.11, from memory.)
    light_a, light_b = a[..., 0][both] + LIGHTNESS_FOOT[0], b[..., 0][both] + LIGHTNESS_FOOT[0]
    b = (b + LIGHTNESS_FOOT) * np.median(light_a / light_b) - LIGHTNESS_FOOT
    tone = np.median((a - b)[both], axis=0)
    apart = np.linalg.norm(a - b - tone, axis=2)[both]
    change = max(float(np.percentile(apart, 100 - WORST_SHARE)) - UNSEEN_DELTA_E, 0.0) / USUAL_CHANGE
    contrast = float(np.hypot(a[..., 0][both].std(), b[..., 0][both].std())) / np.sqrt(2) / USUAL_CONTRAST
    seam = USUAL_SEAM * change**CHANGE_POWER * contrast**CONTRAST_POWER
    return float(1 - np.exp(-seam))
