"""Thin strips that neither frame shows are found, and nothing else is taken for one."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from facemerge.faults.strips import SEEN_DELTA_E, strips

Map = NDArray[np.float32]
SHAPE = (160, 200)


def flat(left: float, right: float, at: int = 100) -> Map:
    """Return a picture of two tones that meet at a column."""
    picture = np.full((*SHAPE, 3), left, np.float32)
    picture[:, at:] = right
    return picture


def lined(width: int, tone: float = 0.2) -> Map:
    """Return a plain picture with an upright line."""
    picture = flat(0.7, 0.7)
    picture[40:120, 97 : 97 + width] = tone
    return picture


@pytest.mark.parametrize("width", [1, 2, 3])
def test_a_strip_is_found_where_it_is(width: int) -> None:
    """A dark line that neither frame shows, and where it is strongest."""
    found = strips(lined(width), (flat(0.7, 0.7), flat(0.7, 0.7)))
    y, x = np.unravel_index(int(found.argmax()), SHAPE)
    assert found.max() > 20
    assert 96 <= x <= 97 + width
    assert 39 <= y <= 120
    assert found[:, :85].max() == 0


@pytest.mark.parametrize("picture", [flat(0.5, 0.5), flat(0.2, 0.9), lined(2)], ids=["plain", "step", "line"])
def test_what_a_frame_shows_there_is_its_own(picture: Map) -> None:
    """An outline or a necklace that one of the frames has is none of the program's, nor two pixels beside."""
    assert strips(picture, (flat(0.7, 0.7), picture)).max() == 0
    assert strips(picture, (np.roll(picture, 2, 1), flat(0.7, 0.7))).max() == 0


def test_a_step_is_no_strip() -> None:
    """Two tones meet: that is seen, but is another fault."""
    assert strips(flat(0.7, 0.4), (flat(0.7, 0.7), flat(0.4, 0.4))).max() == 0


def test_what_is_hardly_seen_does_not_count() -> None:
    """A line of less contrast than is seen is no fault."""
    assert strips(lined(2, 0.7 - SEEN_DELTA_E / 200), (flat(0.7, 0.7),)).max() == 0
