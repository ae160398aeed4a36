"""Holds who a pixel is told to belong to against drawn people whose places are known."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from drawn_heads import FACE_HIGH, FACE_WIDE, HAIR, SKIN, landmarks
from numpy.typing import NDArray

from facemerge.composite.whose import ownership

SIZE = (640, 460)
WALL = (0.62, 0.64, 0.66)
Person = tuple[tuple[float, float], tuple[float, float, float]]
"""Middle of the face, colour of the shirt."""


def draw(people: list[Person]) -> tuple[NDArray[np.float32], NDArray[np.uint8]]:
    """Return a picture and whose each pixel is (0 = the wall), the last person in front."""
    w, h = SIZE
    picture = np.full((h, w, 3), WALL, np.float32)
    who = np.zeros((h, w), np.uint8)
    for number, ((x, y), shirt) in enumerate(people, 1):
        for at, axes, colour in (
            ((x, y + 220), (140, 140), shirt),
            ((x, y + 75), (32, 40), SKIN),
            ((x, y - 12), (62, 74), HAIR),
            ((x, y + 4), (FACE_WIDE / 2, FACE_HIGH / 2), SKIN),
        ):
            for target, value in ((picture, colour), (who, number)):
                middle, half = (round(at[0]), round(at[1])), (round(axes[0]), round(axes[1]))
                cv2.ellipse(target, middle, half, 0, 0, 360, value, -1)
    grain = np.random.default_rng(3).normal(0, 0.012, picture.shape)
    return np.clip(picture + grain, 0, 1).astype(np.float32), who


def told(
    picture: NDArray[np.float32], seen: NDArray[np.bool_], people: list[Person], first: int
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return what is told as the person's and as anybody's where nothing moved."""
    order = [first, *(i for i in range(len(people)) if i != first)]
    still = [np.zeros(seen.shape, np.float32) for _ in people]
    mine, anybody = ownership(
        picture, seen.astype(np.float32), [landmarks(people[i][0]) for i in order], still
    )
    return mine > 0.5, anybody > 0.5


def shrunk(mask: NDArray[np.bool_], rim: int = 4) -> NDArray[np.bool_]:
    """Return a mask without its rim, about which an answer of coarse pixels may be unsure."""
    return cv2.erode(mask.astype(np.uint8), np.ones((2 * rim + 1, 2 * rim + 1))) > 0


BLUE, CREAM, RED = (0.2, 0.3, 0.7), (0.85, 0.8, 0.7), (0.7, 0.15, 0.2)
SIDE_BY_SIDE = [((220.0, 170.0), BLUE), ((390.0, 180.0), RED)]
ONE_BEHIND = [((300.0, 120.0), CREAM), ((350.0, 300.0), BLUE)]


@pytest.mark.parametrize("people", [SIDE_BY_SIDE, ONE_BEHIND], ids=["side by side", "one behind"])
@pytest.mark.parametrize("first", [0, 1])
def test_head_is_told_from_neighbour(people: list[Person], first: int) -> None:
    """Of a head and its hair nearly all is told as the person's, and of the neighbours nearly nothing."""
    picture, who = draw(people)
    mine, _ = told(picture, who > 0, people, first)
    x, y = people[first][0]
    rows, columns = np.mgrid[0 : SIZE[1], 0 : SIZE[0]]
    near = (np.hypot(columns - x, rows - y) < 100) & (rows < y + FACE_HIGH / 2)
    own = near & shrunk(who == first + 1)
    others = near & shrunk((who > 0) & (who != first + 1))
    assert (mine & own).sum() / own.sum() > 0.98
    # Beside the chin a little is always the head's: where a face ends there is no doubt about it.
    assert (mine & others).sum() < 0.06 * own.sum()


def test_cloth_taken_for_wall_is_found_by_its_colour() -> None:
    """Where the network sees wall in the middle of a shirt, the shirt's colour puts it right."""
    picture, who = draw(SIDE_BY_SIDE)
    seen = who > 0
    hole = np.zeros_like(seen)
    hole[340:400, 180:240] = True
    assert (who[hole] == 1).all()
    mine, anybody = told(picture, seen & ~hole, SIDE_BY_SIDE, 0)
    assert (mine & hole).mean() > 0.95 * hole.mean()
    assert (anybody & hole).mean() > 0.95 * hole.mean()


def test_wall_taken_for_a_person_is_found_by_its_colour() -> None:
    """Where the network sees a person before bare wall far from anybody, the wall stays wall."""
    picture, who = draw(SIDE_BY_SIDE)
    phantom = np.zeros(who.shape, bool)
    phantom[20:70, 20:80] = True
    _, anybody = told(picture, (who > 0) | phantom, SIDE_BY_SIDE, 0)
    assert (anybody & phantom).sum() < 0.05 * phantom.sum()


def test_motion_tells_where_colours_are_alike() -> None:
    """Two shirts of one colour part where what one's motion leaves unexplained the other's explains."""
    people = [((230.0, 170.0), BLUE), ((400.0, 170.0), BLUE)]
    picture, who = draw(people)
    unexplained = [np.where(who == other, 30.0, 0.0).astype(np.float32) for other in (2, 1)]
    mine, _ = ownership(picture, (who > 0).astype(np.float32), [landmarks(p[0]) for p in people], unexplained)
    between = np.zeros(who.shape, bool)
    between[330:430, 255:375] = True
    first, second = between & shrunk(who == 1), between & shrunk(who == 2)
    assert (mine[first] > 0.5).mean() > 0.95
    assert (mine[second] > 0.5).mean() < 0.05


def test_mirrored_picture_has_the_mirrored_answer() -> None:
    """Left and right are alike to it but for the rounding of a coarse grid."""
    people = [((200.0, 170.0), BLUE), ((400.0, 190.0), RED)]
    picture, who = draw(people)
    turned = [((SIZE[0] - 1 - x, y), shirt) for (x, y), shirt in people]
    mine, _ = told(picture, who > 0, people, 0)
    other, _ = told(np.ascontiguousarray(picture[:, ::-1]), who[:, ::-1] > 0, turned, 0)
    assert (mine != other[:, ::-1]).mean() < 0.01
