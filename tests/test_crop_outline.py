"""How far people reach is read from where the network sees them; drawn silhouettes are the truth."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from facemerge.crop import Seen, sitters

SIZE = (1600, 1000)
FACE = (100.0, 130.0)


def seen(x: float, y: float, name: str = "P01") -> Seen:
    """Return a face in the middle of x, y with its usual head."""
    w, h = FACE
    return Seen(
        id=name,
        face=(x - w / 2, y - h / 2, x + w / 2, y + h / 2),
        head=(x - 65, y - 113, x + 65, y + 69),
        eyes=(x, y - 20),
    )


def drawn(*people: tuple[float, float, float, float]) -> NDArray[np.uint8]:
    """Return white people on black: (x, y of the face's middle, hair above it, half width of the head)."""
    image = np.zeros((SIZE[1], SIZE[0], 3), np.uint8)
    for x, y, hair, half in people:
        box = (round(x - half), round(y - hair)), (round(x + half), round(y + 65))
        cv2.rectangle(image, *box, (255, 255, 255), -1)
        cv2.rectangle(image, (round(x - 150), round(y + 90)), (round(x + 150), SIZE[1]), (255, 255, 255), -1)
        cv2.rectangle(image, (round(x - 25), round(y)), (round(x + 25), round(y + 100)), (255, 255, 255), -1)
    return image


def white(image: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Stand in for the network: white is a person."""
    return (image.mean(axis=2) > 128).astype(np.float32)


@pytest.mark.parametrize(("hair", "half"), [(90, 60), (150, 60), (110, 95)])
def test_hair_and_shoulders_are_found(hair: float, half: float) -> None:
    """Short hair, tall hair and wide hair to 3 px, shoulders to 3 px."""
    (found,) = sitters(drawn((800, 400, hair, half)), [seen(800, 400)], white)
    x0, y0, x1, y1 = found.head
    assert (x0, y0, x1) == pytest.approx((800 - half, 400 - hair, 801 + half), abs=3)
    assert y1 == 469
    assert found.body == pytest.approx((650, 951), abs=3)
    assert found.eyes == (800, 380)


def test_a_bald_head_gets_a_little_room() -> None:
    """Landmarks end below the crown: at least an eighth of the face's height is added above them."""
    (found,) = sitters(drawn((800, 400, 60, 50)), [seen(800, 400)], white)
    assert found.head[1] == pytest.approx(335 - 0.12 * 130, abs=1)
    assert found.head[0] == pytest.approx(750 - 6, abs=1)


def test_what_hangs_apart_is_not_theirs() -> None:
    """Somebody a gap away adds nothing; an arm that hangs together with them does."""
    image = drawn((800, 400, 90, 60))
    cv2.rectangle(image, (1010, 300), (1050, 450), (255, 255, 255), -1)
    (found,) = sitters(image, [seen(800, 400)], white)
    assert found.head[2] == pytest.approx(861, abs=3)
    cv2.rectangle(image, (900, 560), (1040, 600), (255, 255, 255), -1)
    (found,) = sitters(image, [seen(800, 400)], white)
    assert found.body is not None
    assert found.body[1] == pytest.approx(1041, abs=4)


def test_neighbours_end_half_way() -> None:
    """Two shoulder to shoulder are parted between their faces, each whole on the outer side."""
    people = [seen(700, 400, "P01"), seen(900, 410, "P02")]
    one, two = sitters(drawn((700, 400, 90, 60), (900, 410, 90, 60)), people, white)
    assert one.body == pytest.approx((550, 800), abs=3)
    assert two.body == pytest.approx((800, 1051), abs=3)


def test_a_head_before_somebodys_body_is_taken_as_usual() -> None:
    """Cloth behind hair cannot be told from it: then a usual head is taken, never the body behind."""
    people = [seen(800, 250, "P01"), seen(820, 480, "P02")]
    _, front = sitters(drawn((800, 250, 90, 60), (820, 480, 90, 60)), people, white)
    assert front.head[1] == 480 - 113
    assert (front.head[0], front.head[2]) == pytest.approx((747.2, 892.8), abs=0.1)


def test_who_is_not_seen_is_taken_as_usual() -> None:
    """Where the network sees nobody, the usual head stands and nothing is claimed of the body."""
    (found,) = sitters(np.zeros((SIZE[1], SIZE[0], 3), np.uint8), [seen(800, 400)], white)
    assert found.head == seen(800, 400).head
    assert found.body is None


@pytest.mark.parametrize("place", [(20, 400), (1590, 400), (800, 20), (800, 990)])
def test_the_pictures_edge_is_no_obstacle(place: tuple[float, float]) -> None:
    """A face that the picture cuts is measured as far as it goes."""
    (found,) = sitters(drawn((*place, 90, 60)), [seen(*place)], white)
    assert np.isfinite(found.head).all()
    assert found.head[0] < found.head[2]
    assert found.head[1] < found.head[3]
