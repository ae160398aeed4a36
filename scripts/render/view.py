"""From a head's centimetres to the pixels of a frame."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .mesh import Floats

CAMERA_CM = 330.0


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """Where a head stands and how its centimetres become canvas pixels."""

    x: float
    """Scene position of the head's origin (between brow and mouth), px."""
    y: float
    px_per_cm: float
    homography: NDArray[np.float64]
    """Frame from scene, (3, 3)."""
    origin: tuple[int, int]
    """Frame pixel of the canvas's upper left corner."""
    shape: tuple[int, int]
    """(H, W) of the canvas in frame pixels."""
    supersample: float

    @property
    def canvas(self) -> tuple[int, int]:
        """(H, W) of the supersampled canvas."""
        return round(self.shape[0] * self.supersample), round(self.shape[1] * self.supersample)

    @property
    def density(self) -> float:
        """Canvas pixels per centimetre."""
        return self.px_per_cm * self.supersample

    def scene(self, points: Floats) -> Floats:
        """Scene pixels (..., 2) of head points (..., 3) in cm."""
        near = CAMERA_CM / (CAMERA_CM - points[..., 2])
        return np.stack(
            [
                self.x + self.px_per_cm * points[..., 0] * near,
                self.y - self.px_per_cm * points[..., 1] * near,
            ],
            -1,
        )

    def frame(self, points: Floats) -> Floats:
        """Frame pixels (..., 2) of head points (..., 3) in cm."""
        xy = self.scene(points)
        h = self.homography
        w = h[2, 0] * xy[..., 0] + h[2, 1] * xy[..., 1] + h[2, 2]
        return np.stack(
            [
                (h[0, 0] * xy[..., 0] + h[0, 1] * xy[..., 1] + h[0, 2]) / w,
                (h[1, 0] * xy[..., 0] + h[1, 1] * xy[..., 1] + h[1, 2]) / w,
            ],
            -1,
        )

    def project(self, points: Floats) -> Floats:
        """Canvas pixels (..., 2) of head points (..., 3) in cm."""
        return (self.frame(points) - self.origin + 0.5) * self.supersample - 0.5
