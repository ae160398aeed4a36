"""What is wrong with one frame as a whole."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np

from facemerge.focus.words import SOFT, Fault, Look, Shot, Stand

MOST = 2 / 3
"""Share of a row's faces that must be soft before the row is."""
ALIKE = 0.9
"""Resultant length of doubled directions from which they are one: about 13 degrees around the mean."""
ALIKE_LENGTHS = 0.4
"""Width of the middle half of the streaks' lengths over their median, up to which they are one."""
FEW_SHARP = 1 / 4
"""Share of the faces that may be sharp though the camera shook."""
CLEARLY = 1.5
"""By what factor rows must differ in blur before a side is told from it."""


def of_row(people: Sequence[Stand], shot: Shot, row: int) -> list[Look]:
    """Return the faces of a row whose sharpness is known."""
    return [x for p, x in zip(people, shot.looks, strict=True) if p.row == row and x is not None]


def fault_of(people: Sequence[Stand], rows: int, shot: Shot) -> Fault:
    """Return what is wrong with a frame of so many rows; people's own movement and softness is not."""
    seen = [x for x in shot.looks if x is not None]
    if not seen:
        return "unknown"
    if _shaken(seen):
        return "shake"
    still = [[x for x in of_row(people, shot, r) if not x.moved] for r in range(rows)]
    known = [r for r in range(rows) if still[r]]
    soft = [r for r in known if is_soft(still[r])]
    sharp = [r for r in known if 2 * sum(x.excess <= 1 for x in still[r]) >= len(still[r])]
    if not soft:
        return "fine" if known else "unknown"
    # Where no row is sharp, one that is not quite soft says as much.
    nearest = sharp or [r for r in known if r not in soft]
    if nearest:
        behind, before = any(r < min(nearest) for r in soft), any(r > max(nearest) for r in soft)
        # Soft between sharp rows is no plane of focus.
        return "shallow" if behind and before else "farther" if behind else "nearer" if before else "fine"
    # One soft face alone is no group.
    if sum(len(still[r]) for r in known) < 2:
        return "fine"
    return _off([float(np.median([x.excess for x in still[r]])) for r in known])


def is_soft(looks: Sequence[Look]) -> bool:
    """Return whether most faces of a row are out of focus, and none is sharp."""
    soft = sum(x.excess >= SOFT for x in looks)
    return soft >= MOST * len(looks) and not any(x.excess <= 1 for x in looks)


def _off(excess: Sequence[float]) -> Fault:
    """Return which way the focus lies off where every row is soft, from their blur, back to front."""
    steps = [b - a for a, b in itertools.pairwise(excess)]
    if len(excess) < 2 or max(excess) < CLEARLY * min(excess):
        return "off"
    if all(step > 0 for step in steps):
        return "off nearer"
    if all(step < 0 for step in steps):
        return "off farther"
    inner = int(np.argmin(excess))
    return "shallow" if 0 < inner < len(excess) - 1 else "off"


def _shaken(seen: Sequence[Look]) -> bool:
    """Return whether a whole group is smeared alike, which people by themselves never are."""
    moved = [x for x in seen if x.motion_px > 0]
    if len(moved) < max(2, len(seen) / 2) or not any(x.moved for x in moved):
        return False
    if sum(x.motion_px == 0 and x.excess <= 1 for x in seen) > FEW_SHARP * len(seen):
        return False
    # A streak has no head or tail: 179 and 1 degrees are neighbours.
    doubled = np.deg2rad([2 * x.motion_deg for x in moved])
    low, middle, high = np.percentile([x.motion_px for x in moved], [25, 50, 75])
    one_way = np.hypot(np.cos(doubled).mean(), np.sin(doubled).mean()) >= ALIKE
    return bool(one_way and high - low <= ALIKE_LENGTHS * middle)
