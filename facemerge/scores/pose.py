"""Whether a head is held as this person usually holds it: turned away, nodded or tilted.

A face is a rigid body as far as its bone goes. The rotation that takes the bony landmarks of the person's
usual pose to those of one frame (Kabsch, "A solution for the best rotation to relate two sets of vectors",
Acta Cryst. A32, 1976) is told as yaw, pitch and roll, and only what goes past ordinary movement counts.

Convention: x to the picture's right, y down, z away from the camera. `R = Ry(yaw) Rx(pitch) Rz(roll)`, so
that yaw and pitch say where the face looks and roll is the turn about that line. Positive yaw looks to the
picture's right, positive pitch brings the chin down, positive roll leans the crown to the picture's right.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from facemerge.words import Array, Float, Part, frozen

# Bone, not muscle: the forehead, the bridge and the tip of the nose, the corners of the eyes, the temples.
RIGID_POINTS = (10, 151, 9, 168, 6, 197, 4, 33, 133, 263, 362, 127, 356, 234, 454)
# fmt: off
FRONTAL = np.array([
    (0.0, -0.853, -0.237), (0.0, -0.581, -0.324), (0.0, -0.317, -0.381), (0.0, -0.061, -0.357),
    (0.0, 0.065, -0.445), (0.0, 0.184, -0.528), (0.0, 0.531, -0.730), (-0.705, 0.035, -0.030),
    (-0.295, 0.048, -0.122), (0.705, 0.035, -0.030), (0.295, 0.048, -0.122), (-1.229, 0.083, 0.792),
    (1.229, 0.083, 0.792), (-1.216, 0.351, 0.860), (1.216, 0.351, 0.860),
])
"""(15, 3) the rigid points of the landmarker's average face, looking into the camera, in eyes' distances."""
# fmt: on
YAW_SEEN, PITCH_SEEN = 0.92, 0.72
"""The landmarker's depth is flat: this share of a turn and of a nod is seen (drawn heads, to 35 degrees)."""
LEVEL_PITCH_DEG = 4.0
"""Where people who face the camera are seen to look; their foreheads and noses make it 0 to 15."""
PITCH_TRUST = 0.5
"""How much that says of one person, against yaw, which symmetry shows whatever the face."""
YAW_FREE_DEG, YAW_HALF_DEG = 10.0, 14.0
PITCH_FREE_DEG, PITCH_HALF_DEG = 9.0, 14.0
ROLL_FREE_DEG, ROLL_HALF_DEG = 9.0, 14.0
"""Ordinary movement and a charming tilt cost nothing; so much beyond that halves the value."""
BLURRED_SHARE = 0.015
"""Blur, as a share of the eyes' distance, up to which a frame may say what is usual."""
SMALLEST_FACE_PX = 40.0
NAMED = 0.9
"""Value below which a reason is given."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PoseMeasure:
    """What the pose is judged from, for one face."""

    rigid: Float
    """(15, 3) bony landmarks, centred, in eyes' distances."""
    face_px: float
    """Width of the face in pixels."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """How a head is turned out of the person's usual pose, in degrees."""

    yaw_deg: float
    """Positive: the face looks further to the picture's right."""
    pitch_deg: float
    """Positive: chin down."""
    roll_deg: float
    """Positive: the crown leans to the picture's right."""


def measure_pose(points: Float) -> PoseMeasure:
    """Measure what the pose is judged from.

    Parameters
    ----------
    points
        (478, 3) landmarks in pixels.
    """
    eyes = float(np.linalg.norm((points[263] + points[362] - points[33] - points[133]) / 2))
    rigid = points[list(RIGID_POINTS)] / max(eyes, 1e-6)
    return PoseMeasure(rigid=frozen(rigid - rigid.mean(0)), face_px=float(np.ptp(points[:, 0])))


def rotation_between(a: Array, b: Array) -> Float:
    """Return the (3, 3) rotation that takes centred points (N, 3) `a` best to `b`, by Kabsch 1976."""
    u, _, vt = np.linalg.svd(b.T @ a)
    return np.asarray(u @ np.diag([1.0, 1.0, np.sign(np.linalg.det(u @ vt))]) @ vt, np.float64)


def angles_deg(rotation: Array) -> tuple[float, float, float]:
    """Return yaw, pitch and roll in degrees of a (3, 3) rotation, in the module's convention.

    Yaw and roll lie within 180 degrees of 0, pitch within 90.
    """
    towards = -rotation[:, 2]
    yaw = np.arctan2(towards[0], -towards[2])
    pitch = np.arcsin(np.clip(towards[1], -1, 1))
    # What is left once yaw and pitch are undone is a turn in the picture's plane: [cos, -sin; sin, cos].
    right = np.array([np.cos(yaw), 0.0, np.sin(yaw)])
    roll = np.arctan2(-right @ rotation[:, 1], right @ rotation[:, 0])
    return float(np.rad2deg(yaw)), float(np.rad2deg(pitch)), float(np.rad2deg(roll))


def _turn(rigid: Array, standard: Array) -> Turn:
    yaw, pitch, roll = angles_deg(rotation_between(standard, rigid))
    return Turn(yaw_deg=yaw / YAW_SEEN, pitch_deg=pitch / PITCH_SEEN, roll_deg=roll)


def turns(measures: Sequence[PoseMeasure | None], blur_share: Sequence[float]) -> tuple[Turn | None, ...]:
    """Return how one person's head is turned out of its usual pose.

    The usual pose is the middle of the frames around the one that looks most into the camera, not of all of
    them: somebody who looks away in most frames is best in the others.

    Parameters
    ----------
    measures
        One a frame, None where the person is missing.
    blur_share
        One a frame: Gaussian sigma of the blur as a share of the eyes' distance.

    Returns
    -------
    tuple
        One a frame; None for a missing person or too small a face.
    """
    used = [(i, m) for i, m in enumerate(measures) if m is not None and m.face_px >= SMALLEST_FACE_PX]
    found: list[Turn | None] = [None] * len(measures)
    if not used:
        return tuple(found)
    blur = np.array([blur_share[i] for i, _ in used])
    sharper = min(float(np.median(blur)), 2 * BLURRED_SHARE)
    clear = np.flatnonzero(blur <= max(BLURRED_SHARE, sharper, float(blur.min())))
    facing = [_turn(used[k][1].rigid, FRONTAL - FRONTAL.mean(0)) for k in clear]
    nearest = min(facing, key=_away)
    around = [k for k, t in zip(clear, facing, strict=True) if _within(t, nearest)]
    usual = np.median([used[k][1].rigid for k in around], axis=0)
    for i, m in used:
        found[i] = _turn(m.rigid, usual)
    return tuple(found)


def _away(turn: Turn) -> float:
    level = LEVEL_PITCH_DEG / PITCH_SEEN
    return float(np.hypot(turn.yaw_deg, PITCH_TRUST * (turn.pitch_deg - level)))


def _within(turn: Turn, other: Turn) -> bool:
    return (
        abs(turn.yaw_deg - other.yaw_deg) <= YAW_FREE_DEG
        and abs(turn.pitch_deg - other.pitch_deg) <= PITCH_FREE_DEG
    )


def _over(amount_deg: float, free_deg: float, half_deg: float) -> float:
    return float((max(abs(amount_deg) - free_deg, 0.0) / half_deg) ** 2)


def pose_part(turn: Turn | None, mood: str = "pleasant") -> Part:
    """Return how well a head is held in [0, 1], with the reason.

    Parameters
    ----------
    turn
        How it is turned out of the person's usual pose, or None if that cannot be told.
    mood
        'pleasant', or 'silly', in which a nod or a tilt is part of the fun and only a turn away counts.
    """
    if turn is None:
        return Part(value=None, reason="face too small to judge how the head is held")
    side = "right" if turn.yaw_deg > 0 else "left"
    faults = {
        f"head turned {abs(turn.yaw_deg):.0f} degrees to the {side} of the picture": _over(
            turn.yaw_deg, YAW_FREE_DEG, YAW_HALF_DEG
        )
    }
    if mood != "silly":
        faults["chin down" if turn.pitch_deg > 0 else "chin up"] = _over(
            turn.pitch_deg, PITCH_FREE_DEG, PITCH_HALF_DEG
        )
        faults[f"head tilted {abs(turn.roll_deg):.0f} degrees"] = _over(
            turn.roll_deg, ROLL_FREE_DEG, ROLL_HALF_DEG
        )
    value = 1 / (1 + sum(faults.values()))
    return Part(value=value, reason=max(faults, key=lambda name: faults[name]) if value < NAMED else "")
