"""What eyes are judged from: facts of one face, with no opinion of them.

Source of the aperture: Soukupova and Cech, "Real-Time Eye Blink Detection using Facial Landmarks", 21st
Computer Vision Winter Workshop, 2016, eq. 1 (the eye aspect ratio). Here it is taken in three dimensions, so
that a turned or lowered head does not narrow it.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge.words import Array, Float, frozen

Grey = NDArray[np.float32]

# The subject's right eye, then the left: p1 ... p6 of the aspect ratio, p1 and p4 the corners.
EYE_POINTS = ((33, 160, 158, 133, 153, 144), (263, 387, 385, 362, 380, 373))
PATCH_WIDTH, PATCH_HEIGHT = 44, 36
CORNERS_PX = 20.0
"""Distance of an eye's corners in the patch."""
FOREHEAD, CHEEKS = (151, 9, 168, 6), (50, 280)
DARK_GLASS = 0.48
"""Brightness about both eyes, against skin above and below, under which they are behind dark glasses."""
VEIL = 0.96
"""Brightness, against the brighter skin's, that the darkest fifth of an eye never has, not even of a lid."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EyesMeasure:
    """What eyes are judged from, for one face; the subject's right eye first."""

    aperture: Float
    """(2,) eye aspect ratio."""
    width_px: Float
    """(2,) distance of the eye's corners in the picture, in pixels."""
    tilt_deg: Float
    """(2,) how far each eye's line is turned clockwise from the horizontal."""
    blink: Float
    """(2,) blink score in [0, 1] of the landmarks' own network."""
    patches: NDArray[np.float16]
    """(2, PATCH_HEIGHT, PATCH_WIDTH) the eyes upright at one size, brightness in [0, 1]; half precision is
    finer than the file's own steps."""
    face_px: float
    """Width of the face in pixels."""
    inside: tuple[bool, bool]
    """Whether each eye lies within the picture."""
    shade: Float
    """(2,) brightness about the eye, where a lens would lie, over that of the skin above and below it."""
    veil: Float
    """(2,) brightness of the darkest fifth of the eye over that of the skin."""
    lids: Float
    """(2, 2) how far the middle of the upper and lower lid lies below the corners, in eye widths."""
    down: Float
    """(2,) score in [0, 1] of the landmarks' own network for a look down."""
    smile: float
    """In [0, 1]."""


def aspect_ratio(points: Array) -> float:
    """Return the eye aspect ratio of (6, 2) or (6, 3) points p1 ... p6.

    (|p2 - p6| + |p3 - p5|) / (2 |p1 - p4|): Soukupova and Cech 2016, eq. 1.
    """
    p = np.asarray(points, np.float64)
    lids = np.linalg.norm(p[1] - p[5]) + np.linalg.norm(p[2] - p[4])
    return float(lids) / max(2 * float(np.linalg.norm(p[0] - p[3])), 1e-9)


def eye_patch(grey: Grey, corner_a: Float, corner_b: Float) -> Grey:
    """Return the (PATCH_HEIGHT, PATCH_WIDTH) picture of an eye, its corners level and at one distance.

    Parameters
    ----------
    grey
        (H, W) float32.
    corner_a, corner_b
        (2,) the corners as they lie from left to right in the picture, in pixels.
    """
    across = corner_b - corner_a
    width = max(float(np.linalg.norm(across)), 1e-3)
    zoom = width / CORNERS_PX
    cos, sin = float(across[0]) / width, float(across[1]) / width
    turn = np.array([[cos * zoom, -sin * zoom], [sin * zoom, cos * zoom]])
    # The upper lid is where an eye changes: more is kept above the corners than below.
    middle = np.array([(PATCH_WIDTH - 1) / 2, (PATCH_HEIGHT - 1) / 2 + 1])
    centre = (corner_a + corner_b) / 2
    reach = int(np.ceil(1.5 * width)) + 2
    left, top = max(0, int(centre[0]) - reach), max(0, int(centre[1]) - reach)
    near = grey[top : max(top + 1, int(centre[1]) + reach), left : max(left + 1, int(centre[0]) + reach)]
    if near.size == 0:
        return np.zeros((PATCH_HEIGHT, PATCH_WIDTH), np.float32)
    if zoom > 1.2:
        # Shrinking needs a blur of about half the new pixel, or lashes alias.
        near = np.asarray(cv2.GaussianBlur(near, (0, 0), 0.45 * zoom), np.float32)
    matrix = np.column_stack([turn, centre - turn @ middle - [left, top]])
    return np.asarray(
        cv2.warpAffine(
            near,
            matrix,
            (PATCH_WIDTH, PATCH_HEIGHT),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        ),
        np.float32,
    )


def _ellipse(wide: float, high: float, below: float) -> NDArray[np.bool_]:
    y, x = np.mgrid[:PATCH_HEIGHT, :PATCH_WIDTH]
    x0, y0 = (PATCH_WIDTH - 1) / 2, (PATCH_HEIGHT - 1) / 2 + 1 + below
    return np.asarray(((x - x0) / wide) ** 2 + ((y - y0) / high) ** 2 <= 1)


LENS, INNER = _ellipse(14, 9, 2), _ellipse(9, 5, 0)
"""What a spectacle lens covers of a patch at the least, and the eye between its lids, corners and lashes."""


def _skin(grey: Grey, points: Float) -> tuple[float, float]:
    """Return the brightness of the brightest skin between the eyes and above, and of the cheeks."""
    reach = max(1, int(0.02 * np.ptp(points[:, 0])))

    def spot(k: int) -> float:
        x, y = (round(float(v)) for v in points[k, :2])
        part = grey[max(0, y - reach) : max(0, y + reach + 1), max(0, x - reach) : max(0, x + reach + 1)]
        return float(part.mean()) if part.size else 0.0

    return max(max(spot(k) for k in FOREHEAD), 1e-3), max(float(np.mean([spot(k) for k in CHEEKS])), 1e-3)


def _lid_heights(eye: Float) -> tuple[float, float]:
    """Return how far the upper and the lower lid of (6, 3) points lie below the corners, in eye widths."""
    across = eye[3, :2] - eye[0, :2]
    across = across * np.sign(across[0] or 1.0)
    below = np.array([-across[1], across[0]]) / max(float(across @ across), 1e-9)
    middle = (eye[0, :2] + eye[3, :2]) / 2
    upper, lower = ((eye[a, :2] + eye[b, :2]) / 2 - middle for a, b in ((1, 2), (4, 5)))
    return float(upper @ below), float(lower @ below)


def measure_eyes(
    grey: Grey,
    points: Float,
    blink: tuple[float, float],
    inside: tuple[bool, bool] = (True, True),
    *,
    down: tuple[float, float] = (0.0, 0.0),
    smile: float = 0.0,
) -> EyesMeasure:
    """Measure what eyes are judged from.

    Parameters
    ----------
    grey
        (H, W) float32 in [0, 1]: a crop around the face.
    points
        (478, 3) landmarks in the crop's pixels.
    blink
        The blink scores of the subject's right and left eye.
    inside
        Whether each eye lies within the picture.
    down
        The scores for a look down of the subject's right and left eye.
    smile
        In [0, 1].
    """
    aperture, widths, tilts, patches = [], [], [], []
    for ring in EYE_POINTS:
        eye = points[list(ring)]
        aperture.append(aspect_ratio(eye))
        widths.append(float(np.linalg.norm(eye[0, :2] - eye[3, :2])))
        # The right eye's outer corner is on the left of the picture, the left eye's inner corner is.
        a, b = (eye[0, :2], eye[3, :2]) if ring[0] == 33 else (eye[3, :2], eye[0, :2])
        tilts.append(float(np.rad2deg(np.arctan2(b[1] - a[1], b[0] - a[0]))))
        patches.append(eye_patch(grey, a, b))
    above, below = _skin(grey, points)
    dark, veil = [], []
    for patch in patches:
        # Bright for a deep-set or made-up eye: its white, its bag. Both, so that no catch light decides.
        bright = np.percentile(patch[LENS], (75, 90))
        dark.append(float(np.sqrt(bright[0] * bright[1])) / min(above, below))
        veil.append(float(np.percentile(patch[INNER], 20)) / max(above, below))
    return EyesMeasure(
        shade=frozen(np.array(dark)),
        veil=frozen(np.array(veil)),
        lids=frozen(np.array([_lid_heights(points[list(ring)]) for ring in EYE_POINTS])),
        down=frozen(np.array(down, np.float64)),
        smile=smile,
        aperture=frozen(np.array(aperture)),
        width_px=frozen(np.array(widths)),
        tilt_deg=frozen(np.array(tilts)),
        blink=frozen(np.array(blink, np.float64)),
        patches=frozen(np.array(patches, np.float16)),
        face_px=float(np.ptp(points[:, 0])),
        inside=inside,
    )


def dark_glasses(measure: EyesMeasure) -> bool:
    """Return whether the eyes are behind dark glasses: nothing is bright about either, beside bright skin."""
    return bool(measure.shade.max() < DARK_GLASS)


def behind_glare(measure: EyesMeasure, eye: int) -> bool:
    """Return whether light on a lens hides an eye: nothing in it is darker than skin."""
    return bool(measure.veil[eye] > VEIL)
