"""A hand drawn from a few rounded strokes: skin, nails, creases, a little shade. Nobody's."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge.words import Float

SIDE = 240
WRIST = (120, 215)
PALM = ((86, 130), (150, 126), (158, 150), (148, 196), (98, 198), (86, 165))
FINGERS = (
    ((92, 136), (82, 92), (76, 58), 10.5),
    ((111, 128), (108, 78), (106, 38), 11.5),
    ((131, 128), (134, 80), (137, 44), 11.0),
    ((149, 136), (160, 98), (168, 70), 9.0),
)
"""Base, middle, tip and radius, pixels."""
TIPS = tuple(tip for _, _, tip, _ in FINGERS)


def drawn_hand(skin: tuple[int, int, int] = (205, 150, 120)) -> tuple[NDArray[np.uint8], Float]:
    """Return (240, 240, 3) RGB of a hand's back, fingers up, and (240, 240) how much it covers."""
    image, alpha = np.zeros((SIDE, SIDE, 3), np.float32), np.zeros((SIDE, SIDE), np.float32)

    def stroke(a: tuple[float, float], b: tuple[float, float], ra: float, rb: float, shade: float) -> None:
        for t in np.linspace(0, 1, 40):
            at = (round(a[0] + (b[0] - a[0]) * t), round(a[1] + (b[1] - a[1]) * t))
            radius = round(ra + (rb - ra) * t)
            cv2.circle(image, at, radius, tuple(float(c) * shade for c in skin), -1, cv2.LINE_AA)
            cv2.circle(alpha, at, radius, 1.0, -1, cv2.LINE_AA)

    stroke((120, 238), (120, 180), 24, 27, 1.0)
    cv2.fillConvexPoly(image, np.array(PALM), tuple(float(c) for c in skin), cv2.LINE_AA)
    cv2.fillConvexPoly(alpha, np.array(PALM), 1.0, cv2.LINE_AA)
    for base, middle, tip, radius in FINGERS:
        stroke(base, middle, radius + 1.5, radius, 0.97)
        stroke(middle, tip, radius, radius - 2, 0.97)
        for x, y in (middle, ((middle[0] + tip[0]) // 2, (middle[1] + tip[1]) // 2)):
            crease = tuple(float(c) * 0.8 for c in skin)
            cv2.line(image, (x - 6, y), (x + 6, y), crease, 1, cv2.LINE_AA)
        cv2.circle(image, (tip[0], tip[1] - 2), 5, (225, 180, 165), -1, cv2.LINE_AA)
    stroke((98, 178), (66, 150), 15, 12, 0.95)
    stroke((66, 150), (48, 122), 12, 9, 0.95)
    image *= np.linspace(1.08, 0.85, SIDE, dtype=np.float32)[None, :, None]
    image = cv2.GaussianBlur(image, (0, 0), 1.0)
    return np.clip(image, 0, 255).astype(np.uint8), np.asarray(cv2.GaussianBlur(alpha, (0, 0), 0.8), float)


def with_hand(
    image: NDArray[np.uint8], corner: tuple[float, float], side: float, turn_deg: float = 0.0
) -> NDArray[np.uint8]:
    """Return a picture with the hand laid over it: corner and side in pixels, turned clockwise."""
    hand, alpha = drawn_hand()
    turn = cv2.getRotationMatrix2D((SIDE / 2, SIDE / 2), -turn_deg, 1.0)
    place = np.vstack([turn, [0, 0, 1]])
    place = np.array([[side / SIDE, 0, corner[0]], [0, side / SIDE, corner[1]], [0, 0, 1]]) @ place
    size = (image.shape[1], image.shape[0])
    over = cv2.warpAffine(hand, place[:2], size, flags=cv2.INTER_LINEAR).astype(np.float64)
    share = cv2.warpAffine(alpha, place[:2], size, flags=cv2.INTER_LINEAR)[..., None]
    return np.clip(np.rint(image * (1 - share) + over * share), 0, 255).astype(np.uint8)
