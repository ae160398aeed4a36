"""The part of the base that a layer may change, and its smaller copy on which faults are sought."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge import imaging
from facemerge.words import Array

WORK_FACE_PX = 110.0
"""Face width at which seams are sought and judged."""


def work_scale(face_px: float, work_face_px: float = WORK_FACE_PX) -> float:
    """Return working pixels a pixel, where a face is so wide; never more than 1."""
    return min(1.0, work_face_px / face_px)


def work_size(size: tuple[int, int], face_px: float, work_face_px: float = WORK_FACE_PX) -> tuple[int, int]:
    """Return the (w, h) of the working copy of a picture of that size."""
    scale = work_scale(face_px, work_face_px)
    return max(8, round(size[0] * scale)), max(8, round(size[1] * scale))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Window:
    """A part of the base."""

    offset: tuple[int, int]
    """x, y of its corner in the base."""
    size: tuple[int, int]
    """(w, h) in base pixels."""
    face_px: float
    """Face width at full resolution."""
    work_face_px: float = WORK_FACE_PX
    """Face width on the working copy, unless the full one is less."""

    @property
    def work_size(self) -> tuple[int, int]:
        """(w, h) of the working copy."""
        return work_size(self.size, self.face_px, self.work_face_px)

    @property
    def scale(self) -> float:
        """Working pixels a base pixel."""
        return self.work_size[0] / self.size[0]

    def in_base(self, at: tuple[float, float] | None) -> tuple[float, float] | None:
        """Return a place of the working copy in base pixels; None is nowhere."""
        if at is None:
            return None
        x, y = imaging.transform(imaging.scale_matrix(self.work_size, self.size), np.array([at]))[0]
        return float(x + self.offset[0]), float(y + self.offset[1])

    def shrink(self, picture: Array) -> NDArray[np.float32]:
        """Return a picture of the window, of any dtype, as float32 in [0, 1] at working size."""
        unit = imaging.to_unit(picture) if picture.dtype != np.float32 else picture
        return np.asarray(np.clip(imaging.resize(unit, self.work_size), 0, 1), np.float32)

    def shrink_mask(self, mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Return a mask of the window at working size; a pixel is True if any part of it is."""
        small = cv2.resize(mask.astype(np.float32), self.work_size, interpolation=cv2.INTER_AREA)
        return np.asarray(small > 0)
