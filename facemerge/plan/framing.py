"""How wide to frame, so that a print of other proportions can be cut from the frame."""

from __future__ import annotations

import math
from dataclasses import dataclass

MARGIN = 0.05
"""Share of a print left free at each end, for straightening, mount and bleed (common practice, no source)."""
SAME = 0.005


@dataclass(frozen=True, slots=True, kw_only=True)
class Cut:
    """The largest part of a frame with a print's proportions; shares of the frame's sides, in (0, 1]."""

    long_share: float
    short_share: float
    group_share: float
    """Share of the frame's long side that the group may fill, the margin at both ends left free."""
    group_height_share: float
    """The same of its short side."""

    @property
    def area(self) -> float:
        """Share of the frame's area that is kept."""
        return self.long_share * self.short_share

    @property
    def lost_each_end(self) -> float:
        """Share of the frame's long side cut off at each end."""
        return (1 - self.long_share) / 2


def cut_for(frame_ratio: float, print_ratio: float, margin: float = MARGIN) -> Cut:
    """Return what a print leaves of a frame, both lying or both standing.

    Parameters
    ----------
    frame_ratio, print_ratio
        Long side over short side, 1 or more.
    margin
        Share of the cut picture left free at each of its four sides, in [0, 0.5).
    """
    # Sensors keep to their proportions within half a per cent; nobody cuts for that.
    same = math.isclose(frame_ratio, print_ratio, rel_tol=SAME)
    long = 1.0 if same else min(1.0, print_ratio / frame_ratio)
    short = 1.0 if same else min(1.0, frame_ratio / print_ratio)
    return Cut(
        long_share=long,
        short_share=short,
        group_share=long * (1 - 2 * margin),
        group_height_share=short * (1 - 2 * margin),
    )


def field_m(side_m: float, focal_m: float, distance_m: float) -> float:
    """Return how much, at a distance, a side of the sensor takes in: side (x - f)/f, focused there."""
    return side_m * (distance_m - focal_m) / focal_m


def distance_for_m(field_m: float, side_m: float, focal_m: float) -> float:
    """Return the distance at which a side of the sensor takes in so much; the inverse of `field_m`."""
    return focal_m * (1 + field_m / side_m)
