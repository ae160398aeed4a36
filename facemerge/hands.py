"""Finds the hands near a face: what covers a mouth, and what passes for a face and is none.

Source of the networks: Zhang et al., "MediaPipe Hands: On-device Real-time Hand Tracking", 2020.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge.models import Models, Region, region_of_palm
from facemerge.words import Float, frozen

REACHES = (3.0,)
"""Sides of the squares around a mouth that are searched, in face widths.

Of 35 mouths in clips that a hand, an arm or what a hand holds covers, 33 have a hand found near at this size,
and none of 185 free ones has one over it; at 2.0 the palms of large hands are cut off.
"""
CLOSE_REACHES = (2.4, 3.2)
"""The same where a face is doubtful."""
MIN_PALM, MIN_PRESENCE = 0.2, 0.8
"""The least confidence of the palm detector, which alone finds hands in cheeks, and of the landmarker."""
SAME_HAND = 0.5
"""Distance of two palms' middles, in sides of the square around one, up to which they are one hand's."""
WITHIN = 0.9
"""Share of a hand's points within a face from which it is a part of that face, seen from the side: a hand
that covers a face has its wrist outside it."""
IS_HAND = 0.3
"""Share of a face's landmarks within a hand from which there is no face: of 22 hands in clips, turned and
mirrored, that pass for faces, 21 lie so; no more than 0.1 of 242 faces in clips does, however covered."""

FINGERS = tuple((k, k + 1) for first in (1, 5, 9, 13, 17) for k in range(first, first + 3))
PALM = ((0, 1), (0, 5), (0, 9), (0, 13), (0, 17), (5, 9), (9, 13), (13, 17), (1, 5))
FINGER_RADIUS, PALM_RADIUS = 0.17, 0.17
"""Half a finger's width, and how far a palm reaches about its bones, in lengths of the palm. From memory of
hands: a palm of ten centimetres has fingers of two or a little more."""
FOREARM, FOREARM_RADIUS = 2.5, 0.38
"""Length of a forearm and half its width, in lengths of the palm."""


def hands_near(
    image: NDArray[np.uint8], mouth: Float, face_px: float, models: Models, reaches: Sequence[float] = REACHES
) -> Float:
    """Return the (N, 21, 2) landmarks of the hands near a face, in pixels of the picture, wrist first.

    Parameters
    ----------
    image
        (H, W, 3) RGB.
    mouth
        (2,) the mouth's middle, pixels.
    face_px
        Width of the face.
    models
        The networks to run.
    reaches
        Sides of the squares to be searched, in face widths.
    """
    found: list[Float] = []
    for reach in reaches:
        around = Region(
            centre=(float(mouth[0]), float(mouth[1]) + 0.1 * face_px),
            side_px=max(reach * face_px, 1.0),
            tilt_rad=0.0,
        )
        palms = models.palms(image, around, MIN_PALM)
        asked: list[int] = []
        for i in map(int, np.argsort(-palms.confidence, kind="stable")):
            apart = np.linalg.norm(palms.middles[asked] - palms.middles[i], axis=1)
            if palms.sides[i] < 1 or (apart < SAME_HAND * palms.sides[i]).any():
                continue
            asked.append(i)
            hand = models.hand(image, region_of_palm(palms, i))
            if hand.presence >= MIN_PRESENCE and not _is_one_of(hand.points, found):
                found.append(hand.points)
    return frozen(np.array(found, np.float64).reshape(-1, 21, 2))


def _is_one_of(hand: Float, found: Sequence[Float]) -> bool:
    size = float(np.ptp(hand, axis=0).max())
    return any(float(np.hypot(*(hand.mean(0) - other.mean(0)))) < size / 2 for other in found)


def share_within(points: Float, of: Float) -> float:
    """Return which share of (N, 2) points lies within the convex hull of others."""
    hull = cv2.convexHull(of.astype(np.float32))
    inside = [cv2.pointPolygonTest(hull, (float(x), float(y)), False) >= 0 for x, y in points]
    return float(np.mean(inside))


def cover(hand: Float, at: Float) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return which points lie under a hand, and which may lie under its forearm.

    Parameters
    ----------
    hand
        (21, 2) landmarks, wrist first.
    at
        (..., 2) points.

    Returns
    -------
    hand, forearm
        (...) bool. The forearm is only known by where it should be.
    """
    palm = max(float(np.hypot(*(hand[9] - hand[0]))), 1e-6)
    under = np.zeros(at.shape[:-1], bool)
    for bones, radius in ((FINGERS, FINGER_RADIUS), (PALM, PALM_RADIUS)):
        for a, b in bones:
            under |= _distance(at, hand[a], hand[b]) < radius * palm
    wrist, knuckles = hand[0], hand[[5, 9, 13, 17]].mean(0)
    along = (wrist - knuckles) / max(float(np.hypot(*(wrist - knuckles))), 1e-6)
    return under, _distance(at, wrist, wrist + FOREARM * palm * along) < FOREARM_RADIUS * palm


def _distance(at: Float, a: Float, b: Float) -> Float:
    """Return the (...) distances of points from the segment between two."""
    way = b - a
    share = np.clip(((at - a) @ way) / max(float(way @ way), 1e-9), 0, 1)
    return np.asarray(np.linalg.norm(at - a - share[..., None] * way, axis=-1))
