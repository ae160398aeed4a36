"""Faults planted on a drawn picture: each has its place named, and where there is none, none is."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
import pytest
from drawn_heads import crowd
from numpy.typing import NDArray

from facemerge import imaging
from facemerge.composite import measure
from facemerge.composite.measure import Fault

Picture = NDArray[np.float32]
FACE_PX = 100.0
SEEN: Picture = imaging.to_unit(
    crowd({0: ((150.0, 190.0), 0.0), 1: ((270.0, 200.0), 6.0)}, kind="brick", noise=1.5).image
)
OTHER: Picture = imaging.to_unit(
    crowd({0: ((150.0, 190.0), 0.0), 1: ((270.0, 200.0), 6.0)}, kind="brick", noise=1.5, seed=9).image
)
"""The same scene in two frames, with other grain."""
WHERE = np.zeros(SEEN.shape[:2], bool)
WHERE[30:430, 30:390] = True


def spots(picture: Picture) -> list[Fault]:
    return measure.strange_spots(picture, (SEEN, OTHER), WHERE, FACE_PX)


def smear(at: tuple[int, int]) -> Picture:
    """Return the picture with a patch stretched to bars."""
    x, y = at
    out = SEEN.copy()
    out[y - 14 : y + 14, x - 14 : x + 14] = SEEN[y, x - 14 : x + 14][None]
    return out


def scrap(at: tuple[int, int]) -> Picture:
    """Return it with a thin strip of something else."""
    out = SEEN.copy()
    cv2.line(out, (at[0] - 15, at[1] - 6), (at[0] + 15, at[1] + 6), (0.15, 0.4, 0.2), 3, cv2.LINE_AA)
    return out


def shift(at: tuple[int, int]) -> Picture:
    """Return it with a part moved by more than people lean: an outline breaks."""
    x, y = at
    out = SEEN.copy()
    out[y - 16 : y + 16, x - 16 : x + 16] = SEEN[y - 9 : y + 23, x - 24 : x + 8]
    return out


def ghost(at: tuple[int, int]) -> Picture:
    """Return it with a half seen piece of another place."""
    x, y = at
    out = SEEN.copy()
    part = out[y - 16 : y + 16, x - 16 : x + 16]
    part += 0.5 * (SEEN[150:182, 200:232] - part)
    return out


def blurred(at: tuple[int, int]) -> Picture:
    """Return it with an outline that ends softly and goes on crisp."""
    x, y = at
    out = SEEN.copy()
    soft = cv2.GaussianBlur(SEEN, (0, 0), 4)
    out[y - 16 : y + 16, x - 16 : x + 16] = soft[y - 16 : y + 16, x - 16 : x + 16]
    return out


@pytest.mark.parametrize("plant", [smear, scrap, shift, ghost, blurred])
@pytest.mark.parametrize("at", [(208, 190), (330, 120), (90, 150)], ids=["between two", "hair", "shoulder"])
def test_a_planted_fault_is_named(plant: Callable[[tuple[int, int]], Picture], at: tuple[int, int]) -> None:
    """Its place is the first that is named, to 0.3 face widths."""
    picture = plant(at)
    assert np.abs(picture - SEEN).max() > 0.1
    found = spots(picture)
    assert found
    first = found[0].at
    assert first is not None
    assert np.hypot(first[0] - at[0], first[1] - at[1]) < 0.3 * FACE_PX


def test_where_nothing_was_planted_nothing_is_named() -> None:
    """The untouched picture, against two frames with other grain."""
    again = crowd({0: ((150.0, 190.0), 0.0), 1: ((270.0, 200.0), 6.0)}, kind="brick", noise=1.5, seed=33)
    assert spots(imaging.to_unit(again.image)) == []


def test_several_are_named_the_worst_first() -> None:
    """Two faults are two places, apart from each other; what lies beyond the mask is nobody's."""
    picture = scrap((330, 120))
    faint = picture.copy()
    cv2.line(faint, (80, 300), (110, 306), tuple(float(v) for v in SEEN[303, 95] * 0.8), 3, cv2.LINE_AA)
    cv2.line(faint, (5, 300), (22, 306), (0.9, 0.1, 0.1), 3, cv2.LINE_AA)
    found = spots(faint)
    assert [f.size for f in found] == sorted((f.size for f in found), reverse=True)
    places = np.array([f.at for f in found])
    assert np.hypot(*(places[0] - (330, 120))) < 30
    assert np.hypot(*(places - (95, 303)).T).min() < 30
    assert places[:, 0].min() > 25
    gaps = np.abs(places[:, None] - places[None]).max(2)
    assert (gaps + 99 * np.eye(len(found))).min() > 0.1 * FACE_PX
