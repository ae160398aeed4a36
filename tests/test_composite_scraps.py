"""Thin strips that neither frame shows are found, and nothing else is taken for one."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from facemerge.composite.scraps import SEEN_DELTA_E, scraps

SHAPE = (160, 200)
FACE_PX = 100.0
Map = NDArray[np.float32]


def flat(left: float, right: float, at: int = 100) -> Map:
    """Return a picture of two tones that meet at a column."""
    picture = np.full((*SHAPE, 3), left, np.float32)
    picture[:, at:] = right
    return picture


def taken(at: int = 100) -> Map:
    """Return a mask: everything left of a column."""
    mask = np.zeros(SHAPE, np.float32)
    mask[:, :at] = 1
    return mask


def laid(base: Map, donor: Map, mask: Map) -> Map:
    return np.asarray(base + (donor - base) * mask[..., None], np.float32)


@pytest.mark.parametrize("width", [1, 2, 3])
def test_a_strip_along_the_border_is_found_where_it_is(width: int) -> None:
    """A dark strip that the border leaves over is more of a fault the wider it is; its place is told."""
    base = flat(0.7, 0.7)
    donor = flat(0.7, 0.7)
    donor[40:120, 97 : 97 + width] = 0.2
    donor[40:120, 97 + width :] = 0.2
    seen = laid(base, donor, taken(97 + width))
    found = scraps(base, donor, donor, seen, taken(97 + width), FACE_PX)
    assert found.size > 5 * width
    assert found.at is not None
    assert abs(found.at[0] - 97) <= width + 1
    assert 39 <= found.at[1] <= 120


def test_frames_that_agree_have_none() -> None:
    """Nor has an outline that both frames show, whatever its contrast."""
    for picture in (flat(0.5, 0.5), flat(0.2, 0.9), flat(0.2, 0.9, 98)):
        assert scraps(picture, picture, picture, picture, taken(), FACE_PX).size == 0


def test_a_step_is_no_strip() -> None:
    """Two pictures of different tones meet: that is seen, but measured elsewhere."""
    base, donor = flat(0.7, 0.7), flat(0.4, 0.4)
    assert scraps(base, donor, donor, laid(base, donor, taken()), taken(), FACE_PX).size == 0


def test_a_line_that_a_frame_shows_there_is_its_own() -> None:
    """A necklace that lies along the border in the donor as well is none of the program's."""
    base, donor = flat(0.7, 0.7), flat(0.7, 0.7)
    donor[:, 95:97] = 0.3
    assert scraps(base, donor, donor, laid(base, donor, taken()), taken(), FACE_PX).size == 0


def test_what_is_hardly_seen_does_not_count() -> None:
    """A strip of less contrast than is seen is no fault."""
    base, donor = flat(0.7, 0.7), flat(0.7, 0.7)
    donor[:, 98:] = 0.7 - SEEN_DELTA_E / 200
    assert scraps(base, donor, donor, laid(base, donor, taken()), taken(), FACE_PX).size == 0


def test_a_filling_from_another_frame_has_borders_too() -> None:
    """A strip beside what comes from a third frame is found, far from the mask's own edge."""
    base, donor = flat(0.7, 0.7), flat(0.7, 0.7)
    whole = donor.copy()
    whole[60:100, 60:62] = 0.2
    everywhere = np.ones(SHAPE, np.float32)
    found = scraps(base, donor, whole, whole, everywhere, FACE_PX)
    assert found.size > 1
    assert found.at is not None
    assert abs(found.at[0] - 60) <= 2


def test_without_a_border_there_is_nothing() -> None:
    """A mask that takes nothing leaves nothing over."""
    base, donor = flat(0.7, 0.7), flat(0.2, 0.2)
    assert scraps(base, donor, donor, base, np.zeros(SHAPE, np.float32), FACE_PX).at is None
