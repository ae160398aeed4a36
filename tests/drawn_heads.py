"""People drawn before a wall at known places, with landmarks and silhouettes: truth for compositing."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge import imaging
from facemerge.composite import Shot, Silhouettes
from facemerge.words import Face, Float, frozen

SIZE = (420, 460)
"""(W, H) of the drawing; the face is 100 px wide."""
FACE_WIDE, FACE_HIGH = 100.0, 126.0
SKIN, HAIR = (0.82, 0.62, 0.52), (0.20, 0.13, 0.10)
SHIRTS = (0.25, 0.35, 0.75), (0.70, 0.20, 0.25)
"""By person's index."""


@dataclass(frozen=True)
class Drawn:
    """One frame of drawn people."""

    image: NDArray[np.generic]
    """(H, W, 3) uint8 or uint16."""
    faces: dict[int, Face]
    """Person's index -> face."""
    owner: NDArray[np.uint8]
    """(H, W) whose a pixel is: 0 the wall's, k that of the person of index k - 1."""

    @property
    def face(self) -> Face:
        """The face of the one person drawn."""
        (found,) = self.faces.values()
        return found

    @property
    def who(self) -> NDArray[np.bool_]:
        """(H, W) where anybody is."""
        return np.asarray(self.owner > 0)

    def shot(self, base_from_frame: Float | None = None, blurred: frozenset[int] = frozenset()) -> Shot:
        """Return the frame with everybody's true silhouette, at half size as a burst tells them small."""
        h, w = self.owner.shape
        size = w // 2, h // 2
        people = tuple(sorted(self.faces))
        parts = [self.owner == who + 1 for who in people] + [self.owner == 0]
        shares = [cv2.resize(p.astype(np.float32), size, interpolation=cv2.INTER_AREA) for p in parts]
        return Shot(
            pixels=self.image,
            faces=self.faces,
            silhouettes=Silhouettes(
                shares=np.stack(shares),
                people=people,
                small_from_frame=imaging.scale_matrix((w, h), size),
            ),
            base_from_frame=np.eye(3) if base_from_frame is None else base_from_frame,
            blurred=blurred,
        )


def wall(kind: str, shift: tuple[float, float] = (0.0, 0.0)) -> NDArray[np.float32]:
    """Return an (H, W, 3) wall, 'plain' or 'brick', moved by a shift in pixels."""
    w, h = SIZE
    y, x = np.mgrid[0:h, 0:w].astype(np.float32)
    if kind == "plain":
        return np.full((h, w, 3), 0.62, np.float32)
    u, v = x - shift[0], y - shift[1]
    row = np.floor(v / 24)
    joint = np.minimum(np.abs(v % 24 - 12), 12)
    upright = np.abs((u + 26 * (row % 2)) % 52 - 26)
    edge = np.clip(np.minimum(12 - joint, 26 - upright) - 2.0, 0, 1)[..., None]
    return (np.float32((0.62, 0.6, 0.58)) * (1 - edge) + np.float32((0.5, 0.42, 0.3)) * edge).astype(
        np.float32
    )


def landmarks(centre: tuple[float, float]) -> NDArray[np.float64]:
    """Return (478, 3) landmarks of a face of the drawn size, the same shape wherever it stands."""
    rng = np.random.default_rng(11)
    turn = rng.uniform(0, 2 * np.pi, 478)
    far = np.sqrt(rng.uniform(0, 1, 478))
    far[:60] = 1.0
    points = np.column_stack(
        [FACE_WIDE / 2 * far * np.cos(turn), FACE_HIGH / 2 * far * np.sin(turn), np.zeros(478)]
    )
    points[10], points[152] = (0, -FACE_HIGH / 2, 0), (0, FACE_HIGH / 2, 0)
    points[234], points[454] = (-FACE_WIDE / 2, 0, 0), (FACE_WIDE / 2, 0, 0)
    return points + np.array([*centre, 0.0])


def face_at(centre: tuple[float, float]) -> Face:
    """Return the face that belongs to a drawn head."""
    points = landmarks(centre)
    low, high = points[:, :2].min(0), points[:, :2].max(0)
    return Face(
        box=(float(low[0]), float(low[1]), float(high[0]), float(high[1])),
        landmarks=frozen(points),
        blendshapes=frozen(np.zeros(52)),
        appearance=frozen(np.ones(4) / 2),
        confidence=1.0,
    )


def frame(
    *,
    centre: tuple[float, float] = (210.0, 190.0),
    kind: str = "plain",
    wall_shift: tuple[float, float] = (0.0, 0.0),
    smile: float = 0.0,
    gain: tuple[float, float, float] = (1.0, 1.0, 1.0),
    noise: float = 0.0,
    seed: int = 0,
    dtype: type = np.uint8,
) -> Drawn:
    """Return one frame: a person at `centre` before a wall, in linear light times `gain`.

    `smile` raises the mouth's corners by that many pixels, so that two frames differ within the face.
    """
    return crowd(
        {0: (centre, smile)}, kind=kind, wall_shift=wall_shift, gain=gain, noise=noise, seed=seed, dtype=dtype
    )


def crowd(
    people: dict[int, tuple[tuple[float, float], float]],
    *,
    kind: str = "plain",
    wall_shift: tuple[float, float] = (0.0, 0.0),
    gain: tuple[float, float, float] = (1.0, 1.0, 1.0),
    noise: float = 0.0,
    seed: int = 0,
    dtype: type = np.uint8,
) -> Drawn:
    """Return one frame of several people, the last one in front.

    Parameters
    ----------
    people
        Person's index -> where the face is, and by how many pixels the mouth's corners are raised.
    """
    image = wall(kind, wall_shift)
    owner = np.zeros(image.shape[:2], np.uint8)
    for who, (centre, smile) in people.items():
        _draw(image, owner, who, centre, smile)
    image = imaging.from_linear(imaging.to_linear(image) * np.float32(gain))
    if noise:
        image = image + np.random.default_rng(seed).normal(0, noise / 255, image.shape).astype(np.float32)
    return Drawn(
        image=imaging.from_unit(image, dtype),
        faces={who: face_at(centre) for who, (centre, _) in people.items()},
        owner=owner,
    )


def _draw(
    image: NDArray[np.float32],
    owner: NDArray[np.uint8],
    who: int,
    centre: tuple[float, float],
    smile: float,
) -> None:
    x, y = centre

    def ellipse(
        at: tuple[float, float], axes: tuple[float, float], colour: tuple[float, float, float]
    ) -> None:
        for target, value in ((image, colour), (owner, who + 1)):
            cv2.ellipse(
                target,
                (round(at[0] * 16), round(at[1] * 16)),
                (round(axes[0] * 16), round(axes[1] * 16)),
                0, 0, 360, value, -1, cv2.LINE_AA if target is image else cv2.LINE_8, 4,
            )  # fmt: skip

    ellipse((x, y + 250), (150, 170), SHIRTS[who])
    ellipse((x, y + 75), (32, 45), SKIN)
    ellipse((x, y - 12), (62, 74), HAIR)
    ellipse((x, y + 4), (FACE_WIDE / 2, FACE_HIGH / 2), SKIN)
    for side in (-1, 1):
        ellipse((x + side * 22, y - 8), (8, 5), HAIR)
    mouth = np.array([[x - 24, y + 34 - smile], [x, y + 36], [x + 24, y + 34 - smile]], np.float32)
    cv2.polylines(image, [np.round(mouth * 16).astype(np.int32)], False, (0.5, 0.15, 0.15), 4, cv2.LINE_AA, 4)
