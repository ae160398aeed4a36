"""What stood behind a head comes from a third frame where the donor does not show it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import cast

import numpy as np
import pytest
from drawn_heads import SIZE, Drawn, Silhouettes, frame, wall
from numpy.typing import NDArray

from facemerge import composite, imaging
from facemerge.composite import build as building
from facemerge.composite import place, stage
from facemerge.models import Models
from facemerge.options import CompositeOptions
from facemerge.words import Float, Head, Pixels

STAND_IN = cast(Models, Silhouettes())
EDGE = 320
"""Where the donor's frame ends: within the old head's hair, beside the new one."""
Spare = Callable[[], tuple[Pixels, Float]]


@pytest.fixture(autouse=True)
def _as_it_stands(monkeypatch: pytest.MonkeyPatch) -> None:
    """Lay donors by the global homography alone: moved with the head, it would hide the old one's place."""
    still = place.Placement(name="homography", base_from_donor=np.eye(3))
    monkeypatch.setattr(building, "_by_head", lambda *_: still)


def spare_of(image: Pixels, to_base: Float | None = None) -> tuple[Spare, list[int]]:
    """Return a third frame, and a list that grows each time it is read."""
    read: list[int] = []

    def spare() -> tuple[Pixels, Float]:
        read.append(1)
        return image, np.eye(3) if to_base is None else to_base

    return spare, read


def bare(kind: str, gain: float = 1.0, dtype: type = np.uint8) -> Pixels:
    """Return the wall with nobody before it."""
    linear = imaging.to_linear(wall(kind)) * np.float32(gain)
    return cast(Pixels, imaging.from_unit(imaging.from_linear(linear), dtype))


def at_the_edge(kind: str, dtype: type = np.uint8) -> tuple[Drawn, Drawn]:
    """Return a base with the head to the right, and a donor with it to the left that ends in the old hair."""
    base = frame(kind=kind, centre=(285.0, 190.0), dtype=dtype)
    donor = frame(kind=kind, centre=(235.0, 190.0), smile=8, dtype=dtype)
    return base, replace(donor, image=donor.image[:, :EDGE])


def build(base: Drawn, donor: Drawn, *spares: Spare) -> Head:
    return composite.build_head(
        current=base.image,
        donor=donor.image,
        base_from_donor=np.eye(3),
        person="P01",
        base_face=base.face,
        donor_face=donor.face,
        base_others=(),
        donor_others=(),
        models=STAND_IN,
        options=CompositeOptions(),
        spares=spares,
    )


def uncovered(base: Drawn) -> NDArray[np.bool_]:
    """Return the old head's pixels above the shoulders that the donor's frame does not reach."""
    y, x = np.mgrid[0 : SIZE[1], 0 : SIZE[0]]
    return cast(NDArray[np.bool_], base.who & (x > EDGE) & (y < 235))


@pytest.mark.parametrize(
    ("kind", "gain", "dtype"),
    [
        ("plain", 1.0, np.uint8),
        ("brick", 1.0, np.uint8),
        ("plain", 1.0, np.uint16),
        ("brick", 0.9, np.uint16),
    ],
)
def test_the_background_comes_back_from_a_third_frame(kind: str, gain: float, dtype: type) -> None:
    """Where the donor's frame ends within the old head, the wall is there again, as light as in the base."""
    base, donor = at_the_edge(kind, dtype)
    spare, read = spare_of(bare(kind, gain, dtype))
    head = build(base, donor, spare)
    step = imaging.full_scale(base.image) / 255
    apart = (
        np.abs(composite.lay(base.image, [head]).astype(float) - bare(kind, 1.0, dtype).astype(float)) / step
    )
    where = uncovered(base)
    assert where.sum() > 1000
    assert np.percentile(apart[where], 95) < 5
    assert head.seam.invented < 0.002
    assert read


def test_without_a_third_frame_it_is_told() -> None:
    """Nothing shows what was behind: the old head stays there, and its share is counted as invented. A third
    frame that ends where the donor does is no help, and is not pretended to be one.
    """
    base, donor = at_the_edge("plain")
    head = build(base, donor)
    short, _ = spare_of(np.ascontiguousarray(bare("plain")[:, :EDGE]))
    assert build(base, donor, short).seam.invented == pytest.approx(head.seam.invented)
    out = composite.lay(base.image, [head])
    assert (out[uncovered(base)] == base.image[uncovered(base)]).mean() > 0.95
    assert 0.02 < head.seam.invented < 0.5


def test_a_frame_in_which_somebody_stands_there_gives_nothing() -> None:
    """The first frame shows the person at the same place: the second one's wall is taken."""
    base, donor = at_the_edge("plain")
    taken, read_first = spare_of(base.image)
    free, read_second = spare_of(bare("plain"))
    head = build(base, donor, taken, free)
    apart = np.abs(composite.lay(base.image, [head]).astype(float) - bare("plain").astype(float))
    assert read_first
    assert read_second
    assert np.percentile(apart[uncovered(base)], 95) < 5
    assert head.seam.invented < 0.002
    assert build(base, donor, taken).seam.invented > 0.02


def test_a_third_frame_is_laid_where_it_belongs() -> None:
    """A third frame taken 12 px aside shows its bricks where the base has them."""
    base, donor = at_the_edge("brick")
    moved = np.roll(bare("brick"), 12, axis=1)
    spare, _ = spare_of(moved, imaging.shift_matrix(-12, 0))
    apart = np.abs(
        composite.lay(base.image, [build(base, donor, spare)]).astype(float) - bare("brick").astype(float)
    )
    assert np.percentile(apart[uncovered(base)], 95) < 5


def test_no_frame_is_read_that_is_not_needed() -> None:
    """A donor that shows everything, or shows all of the old head's place, asks for no third frame."""
    base, donor = frame(), frame(smile=8)
    spare, read = spare_of(bare("plain"))
    head, alone = build(base, donor, spare), build(base, donor)
    assert read == []
    assert head.mask.tobytes() == alone.mask.tobytes()
    assert head.pixels.tobytes() == alone.pixels.tobytes()


def test_a_filled_head_is_the_same_bytes_twice() -> None:
    """Nothing random in it."""
    base, donor = at_the_edge("brick")
    one, two = (build(base, donor, spare_of(bare("brick"))[0]) for _ in range(2))
    assert one.pixels.tobytes() == two.pixels.tobytes()
    assert one.mask.tobytes() == two.mask.tobytes()


@pytest.mark.parametrize(("step", "expected"), [(0.0, 0), (30.0, 600)])
def test_a_neighbour_who_left_is_a_ghost(step: float, expected: int) -> None:
    """A neighbour's head of 20 x 30 px before the old one's place is a ghost only if it moved away since."""
    head, old = np.zeros((80, 120), bool), np.zeros((80, 120), bool)
    head[20:50, 40:60] = old[10:70, 30:90] = True
    found = stage.ghosts([(head, np.array([step, 0.0]))], old, np.zeros_like(old))
    assert found.sum() == expected
    assert not stage.ghosts([(head, np.array([step, 0.0]))], old, head).any()
