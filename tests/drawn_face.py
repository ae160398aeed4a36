"""A face drawn with known lids, gaze, mouth and turn, and the landmarks that belong to it."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge.models import BLENDSHAPES
from facemerge.scores.expression import MOUTH_CORNERS
from facemerge.scores.eyes import EYE_POINTS
from facemerge.scores.pose import RIGID_POINTS
from facemerge.scores.sharpness import OUTLINE

SIZE = (300, 360)
"""(W, H) of the drawing; the face is about 250 pixels wide."""
EYES = ((98.0, 150.0), (202.0, 150.0))
"""Centres of the subject's right and left eye."""
EYE_WIDTH, EYE_HEIGHT = 52.0, 17.0
OVERSAMPLING = 4
PLACES = {
    10: (150, 65), 152: (150, 315), 234: (25, 190), 454: (275, 190),
    151: (150, 95), 9: (150, 125), 168: (150, 148), 6: (150, 160), 50: (80, 215), 280: (220, 215),
}  # fmt: skip
"""Where the drawing has the face's ends, bare skin of the forehead and the nose's bridge, and the cheeks."""
PAIRS = (
    (33, 263), (160, 387), (158, 385), (133, 362), (153, 380), (144, 373), (468, 473), (50, 280), (234, 454),
)  # fmt: skip
"""Landmarks that a mirror exchanges, of those that are placed."""


def ring(centre: tuple[float, float], opening: float, outer: int) -> NDArray[np.float64]:
    """Return the (6, 3) points p1 ... p6 of an eye, the outer corner first; `outer` is -1 or 1."""
    half, lift = EYE_WIDTH / 2, EYE_HEIGHT / 2 * opening
    # A lid falls: the upper one comes down to the lower.
    low, high = centre[1] + EYE_HEIGHT / 2, centre[1] + EYE_HEIGHT / 2 - 2 * lift
    x = [outer * half, outer * half * 0.35, -outer * half * 0.35, -outer * half]
    across = [(centre[0] + v, y) for v, y in zip(x, (centre[1] + 3, high, high, centre[1] + 3), strict=True)]
    below = [(centre[0] + x[2], low), (centre[0] + x[1], low)]
    return np.array([(*p, 0.0) for p in (*across, *below)])


def mirrored(points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the landmarks of the mirrored picture."""
    found = points * [-1, 1, 1] + [SIZE[0] - 1, 0, 0]
    for a, b in PAIRS:
        found[[a, b]] = found[[b, a]]
    return np.asarray(found)


def landmarks(
    right: float = 1.0, left: float = 1.0, mouth_px: float = 90.0, gaze_px: float = 0.0
) -> NDArray[np.float64]:
    """Return (478, 3) landmarks in which the points that scores use lie where the drawing has them."""
    rng = np.random.default_rng(3)
    points = np.column_stack(
        [rng.uniform(60, 240, 478), rng.uniform(60, 300, 478), rng.uniform(-20, 20, 478)]
    )
    turn = np.linspace(0, 2 * np.pi, len(OUTLINE), endpoint=False) - np.pi / 2
    points[list(OUTLINE), :2] = np.column_stack([150 + 125 * np.cos(turn), 190 + 125 * np.sin(turn)])
    points[list(RIGID_POINTS), 2] = np.linspace(-40, 40, len(RIGID_POINTS))
    for eye, opening, outer in zip(EYE_POINTS, (right, left), (-1, 1), strict=True):
        points[list(eye)] = ring(EYES[0] if outer < 0 else EYES[1], opening, outer)
    for k, place in PLACES.items():
        points[k, :2] = place
    for k, centre in zip((468, 473), EYES, strict=True):
        points[k] = (centre[0] + gaze_px, centre[1], 0.0)
    points[MOUTH_CORNERS[0]], points[MOUTH_CORNERS[1]] = (
        (150 - mouth_px / 2, 260, 0),
        (150 + mouth_px / 2, 260, 0),
    )
    return points


def shapes(**changed: float) -> dict[str, float]:
    """Return blendshapes of a calm face, some changed."""
    return dict.fromkeys(BLENDSHAPES, 0.0) | changed


def drawing(
    right: float = 1.0,
    left: float = 1.0,
    *,
    gaze_px: float = 0.0,
    iris_px: float = 8.5,
    noise: float = 0.0,
    seed: int = 0,
) -> NDArray[np.float32]:
    """Return the (H, W) float32 picture of a face whose eyes are open by these shares."""
    k = OVERSAMPLING
    skin, lid, white, iris, line = 0.62, 0.57, 0.8, 0.22, 0.18
    canvas = np.full((SIZE[1] * k, SIZE[0] * k), 0.4, np.float32)

    def at(*xy: float) -> list[int]:
        return [round(v * k) for v in xy]

    cv2.ellipse(canvas, at(150, 190), at(125, 150), 0, 0, 360, skin, -1)
    for (x, y), opening in zip(EYES, (right, left), strict=True):
        cv2.ellipse(canvas, at(x, y - 26), at(34, 7), 0, 180, 360, 0.3, -1)
        eye = np.zeros_like(canvas)
        cv2.ellipse(eye, at(x, y), at(EYE_WIDTH / 2, EYE_HEIGHT / 2), 0, 0, 360, 1, -1)
        inner = np.full_like(canvas, white)
        cv2.circle(inner, at(x + gaze_px, y), round(iris_px * k), iris, -1)
        edge = y + EYE_HEIGHT / 2 - EYE_HEIGHT * opening
        inner[: round(edge * k)] = lid
        inner[round(edge * k) : round((edge + 2) * k)] = line
        canvas[:] = np.where(eye > 0, inner, canvas)
    cv2.ellipse(canvas, at(150, 215), at(14, 6), 0, 0, 180, 0.45, -1)
    cv2.ellipse(canvas, at(150, 260), at(45, 10), 0, 0, 180, 0.4, -1)
    small = np.asarray(cv2.resize(canvas, SIZE, interpolation=cv2.INTER_AREA))
    if noise:
        small = small + np.random.default_rng(seed).normal(0, noise, small.shape)
    return np.asarray(small, np.float32)
