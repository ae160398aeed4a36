"""What focus is told from, and what is said of it: frozen dataclasses."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

Fault = Literal[
    "fine", "shake", "nearer", "farther", "shallow", "off nearer", "off farther", "off", "unknown"
]

OWN_PX = 0.8
"""Blur (Gaussian sigma) that a camera leaves in a sharp picture, as the sharpness of a face allows for."""
SOFT = 1.33
"""Times the limit from which a face is soft: half as good as a sharp one. Between, it is neither."""
STREAK = math.sqrt(12)
"""Length of a streak over the Gaussian sigma of its spread: a box of length L has the variance L^2 / 12."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """One face in one frame."""

    blur_px: float
    """Gaussian sigma of all its blur, the camera's own included; full-resolution pixels."""
    limit_px: float
    """Gaussian sigma up to which a face of this size is sharp."""
    motion_px: float = 0.0
    """Length of its streak; 0 = it did not move."""
    motion_deg: float = 0.0
    """Direction of the streak, 0 = along x, in [0, 180)."""

    @property
    def moved(self) -> bool:
        """Whether a streak is what spoils it."""
        return self.motion_px > STREAK * self.limit_px

    @property
    def excess(self) -> float:
        """Blur beyond the camera's own, over the limit; 1 or less is sharp."""
        return math.sqrt(max(self.blur_px**2 - OWN_PX**2, 0.0)) / self.limit_px


@dataclass(frozen=True, slots=True, kw_only=True)
class Stand:
    """One person of the group."""

    place: str
    """In words."""
    row: int
    """0 = back."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot:
    """One frame."""

    name: str
    looks: tuple[Look | None, ...]
    """One a person; None where the sharpness of the face is not known."""
    f_number: float | None = None
    exposure_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Sharpness:
    """How sharp a row or a person is over the frames."""

    name: str
    people: int
    sharp: int
    """Faces that are sharp."""
    between: int
    """Faces that are neither sharp nor soft."""
    soft: int
    """Faces that are out of focus."""
    moved: int
    """Faces that are smeared."""
    blur_px: float | None
    """Median blur (Gaussian sigma) of the faces that did not move; None if all did."""
    limit_px: float | None
    """Median of the blur up to which they are sharp."""
    streak_px: float = 0.0
    """Longest streak."""

    @property
    def seen(self) -> int:
        """Faces whose sharpness is known."""
        return self.sharp + self.between + self.soft + self.moved


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagnosis:
    """What the frames say of focus and movement."""

    rows: tuple[Sharpness, ...]
    """Back to front."""
    people: tuple[Sharpness, ...]
    faults: tuple[Fault, ...]
    """What is wrong with each frame as a whole."""
    advice: tuple[str, ...]
    """Sentences, the weightiest first; never empty."""
    doubts: tuple[str, ...] = ()
    """What the advice rests on less firmly."""
