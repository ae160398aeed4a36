"""One face drawn large, landmarks where eyes, brows and lips truly are, laid wherever a test wants it."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge import imaging
from facemerge.composite import inner_face
from facemerge.words import Face, Float, frozen

SIZE = (360, 400)
"""(W, H) of a frame."""
WIDE, HIGH = 150.0, 190.0
CENTRE = np.array([180.0, 195.0])
EYES = ((-33.0, -18.0), (33.0, -18.0))
MOUTH = (0.0, 48.0)
SKIN, HAIR, WHITE, DARK, LIP = (
    (0.78, 0.6, 0.5),
    (0.22, 0.15, 0.1),
    (0.93, 0.92, 0.9),
    (0.1, 0.08, 0.07),
    (0.62, 0.27, 0.27),
)


def landmarks() -> Float:
    """Return (478, 2) landmarks of the face as it is drawn, about the origin."""
    rng = np.random.default_rng(5)
    turn, far = rng.uniform(0, 2 * np.pi, 478), np.sqrt(rng.uniform(0, 1, 478))
    far[400:] = 1.0
    points = np.column_stack([WIDE / 2 * far * np.cos(turn), HIGH / 2 * far * np.sin(turn)])
    points[10], points[152] = (0, -HIGH / 2), (0, HIGH / 2)
    points[234], points[454] = (-WIDE / 2, 0), (WIDE / 2, 0)
    for some, (x, y), (rx, ry) in (
        (inner_face.RIGHT_EYE[:16], EYES[0], (15, 8)),
        (inner_face.LEFT_EYE[:16], EYES[1], (15, 8)),
        (inner_face.LIPS, MOUTH, (26, 10)),
    ):
        angle = np.linspace(0, 2 * np.pi, len(some), endpoint=False)
        points[list(some)] = np.column_stack([x + rx * np.cos(angle), y + ry * np.sin(angle)])
    for some, (x, y) in ((inner_face.RIGHT_EYE[16:], EYES[0]), (inner_face.LEFT_EYE[16:], EYES[1])):
        across = np.linspace(-18, 18, len(some))
        points[list(some)] = np.column_stack([x + across, np.full(len(some), y - 17)])
    return np.asarray(points)


def similarity(turn_deg: float = 0.0, scale: float = 1.0, shift: tuple[float, float] = (0.0, 0.0)) -> Float:
    """Return the (3, 3) matrix that turns and scales about the face's middle and then shifts."""
    c, s = scale * np.cos(np.deg2rad(turn_deg)), scale * np.sin(np.deg2rad(turn_deg))
    turned = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
    x, y = CENTRE
    moved = imaging.shift_matrix(x + shift[0], y + shift[1])
    return np.asarray(moved @ turned @ imaging.shift_matrix(-x, -y))


def face_of(move: Float, squeeze: float = 1.0) -> Face:
    """Return the face that belongs to a drawing; `squeeze` narrows it as a turn of the head does."""
    points = landmarks() * (squeeze, 1.0) + CENTRE
    points = np.column_stack([imaging.transform(move, points), np.zeros(478)])
    (x0, y0), (x1, y1) = points[:, :2].min(0).tolist(), points[:, :2].max(0).tolist()
    return Face(
        box=(x0, y0, x1, y1),
        landmarks=frozen(points),
        blendshapes=frozen(np.zeros(52)),
        appearance=frozen(np.ones(4) / 2),
        confidence=1.0,
    )


def draw(
    *,
    open_eyes: bool,
    move: Float | None = None,
    mouth_wide: float = 26.0,
    blur_px: float = 0.0,
    slope: float = 0.0,
    gain: float = 1.0,
    cover: tuple[float, float, float] | None = None,
    noise: float = 1.0,
    seed: int = 0,
    dtype: type = np.uint8,
) -> NDArray[np.generic]:
    """Return an (H, W, 3) picture of the face.

    Parameters
    ----------
    open_eyes, mouth_wide
        What the face does.
    move
        (3, 3) how it lies off its usual place; the wall behind does not move.
    blur_px
        Sigma of a blur of all.
    slope, gain
        How much brighter the light is to the right than to the left, and factor on all, in encoded values.
    cover
        x, y off the face's middle and radius of something grey that lies before it.
    noise, seed
        Grain, 8-bit steps.
    dtype
        uint8 or uint16.
    """
    w, h = SIZE
    y, x = np.mgrid[0:h, 0:w].astype(np.float32)
    wall = np.where((np.floor(x / 18) + np.floor(y / 12))[..., None] % 2 > 0, 0.55, 0.4) * np.float32(
        (1, 0.8, 0.7)
    )
    picture, alpha = wall.astype(np.float32), np.zeros((h, w), np.float32)
    # Fine pores and spots: a face that is registered by its skin alone.
    pores = cv2.GaussianBlur(np.random.default_rng(99).normal(0, 1, (h, w)).astype(np.float32), (0, 0), 2.0)
    face = np.empty((h, w, 3), np.float32)
    face[:] = HAIR

    def ellipse(target: NDArray[np.float32], at: Float, axes: tuple[float, float], colour: object) -> None:
        centre = tuple(int(v) for v in np.round(at * 16))
        sides = tuple(round(a * 16) for a in axes)
        cv2.ellipse(target, centre, sides, 0, 0, 360, colour, -1, cv2.LINE_AA, 4)

    ellipse(alpha, CENTRE + np.array((0, -14)), (WIDE * 0.62, HIGH * 0.6), 1.0)
    ellipse(face, CENTRE, (WIDE / 2, HIGH / 2), SKIN)
    skin = np.zeros((h, w), np.float32)
    ellipse(skin, CENTRE, (WIDE / 2, HIGH / 2), 1.0)
    face += (0.06 * pores * skin)[..., None] / pores.std() * 0.5
    for place in EYES:
        at = CENTRE + place
        cv2.line(
            face, *(tuple(int(v) for v in at + np.array((d, -17))) for d in (-18, 18)), HAIR, 4, cv2.LINE_AA
        )
        if open_eyes:
            ellipse(face, at, (15, 8), WHITE)
            ellipse(face, at, (6, 6), DARK)
        else:
            cv2.line(
                face, *(tuple(int(v) for v in at + np.array((d, 2))) for d in (-15, 15)), DARK, 3, cv2.LINE_AA
            )
    ellipse(face, CENTRE + MOUTH, (mouth_wide, 10), LIP)
    matrix = (np.eye(3) if move is None else move)[:2]
    face, alpha = (cv2.warpAffine(p, matrix, SIZE, flags=cv2.INTER_CUBIC) for p in (face, alpha))
    picture += np.clip(alpha, 0, 1)[..., None] * (face - picture)
    if cover is not None:
        ellipse(picture, CENTRE + cover[:2], (cover[2], cover[2]), (0.45, 0.5, 0.6))
    if blur_px:
        picture = cv2.GaussianBlur(picture, (0, 0), blur_px)
    picture = picture * gain * (1 + slope * (x / w - 0.5))[..., None]
    picture = picture + np.random.default_rng(seed).normal(0, noise / 255, picture.shape).astype(np.float32)
    return imaging.from_unit(picture, dtype)
