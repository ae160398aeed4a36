"""Shutter and ISO: what holds people still, and what the light then asks for."""

from __future__ import annotations

import math
from dataclasses import dataclass

ADULTS_S, CHILDREN_S = 1 / 125, 1 / 250
SLOWEST_S = 1 / 60
"""What holds people who stand still, children, and those who try hard to (common practice, no source)."""
HANDHELD_DIAGONAL_M = math.hypot(0.036, 0.024)
"""The rule of one over the focal length is meant for this frame (common practice, no source)."""
_ISO = (100, 125, 160, 200, 250, 320, 400, 500, 640, 800, 1000, 1250)
MOST_ISO, GRAINY_ISO = 102400, 3200
"""Beyond the first no usual camera goes; from the second on grain shows on large prints (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Exposure:
    """One way to expose."""

    shutter_s: float
    iso: float
    """What the light asks for, exactly."""
    iso_name: int
    """The next third of a stop that cameras offer."""
    head_speed_m_s: float
    """How fast a head may move across the picture before its motion blurs by the circle of confusion."""


def handheld_s(focal_m: float, sensor_m: tuple[float, float]) -> float:
    """Return the slowest shutter held by hand: one over the focal length in mm, on a frame of 36 x 24 mm."""
    return 0.001 * math.hypot(*sensor_m) / (focal_m * HANDHELD_DIAGONAL_M)


def iso_for(ev: float, f_number: float, shutter_s: float) -> float:
    """Return the ISO that exposes rightly: 100 N²/(t 2^EV), with EV for ISO 100.

    The definition of the exposure value, N²/t = 2^EV at ISO 100 (ISO 2720, from memory).
    """
    return 100 * f_number**2 / (shutter_s * 2**ev)


def named_iso(iso: float) -> int:
    """Return the next ISO that cameras offer, in thirds of a stop; 100 at the least."""
    thirds = max(0, math.ceil(3 * math.log2(iso / 100) - 1e-9))
    if thirds < len(_ISO):
        return _ISO[thirds]
    # From 1600 on the names double: 1600, 2000, 2500, 3200 and so on.
    return (1600, 2000, 2500)[(thirds - 12) % 3] << ((thirds - 12) // 3)


def head_speed_m_s(circle_m: float, shutter_s: float, magnification: float) -> float:
    """Return the speed in life, across the picture, that blurs by the circle while the shutter is open."""
    return circle_m / (shutter_s * magnification)


def exposures(
    ev: float, f_number: float, shutters_s: tuple[float, ...], *, circle_m: float, magnification: float
) -> tuple[Exposure, ...]:
    """Return for each shutter the ISO that a light level (EV at ISO 100) asks for."""
    return tuple(
        Exposure(
            shutter_s=t,
            iso=(iso := iso_for(ev, f_number, t)),
            iso_name=named_iso(iso),
            head_speed_m_s=head_speed_m_s(circle_m, t, magnification),
        )
        for t in shutters_s
    )
