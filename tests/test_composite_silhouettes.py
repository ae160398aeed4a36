"""Holds who a pixel is told to belong to against drawn bursts of people whose places are known."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from drawn_heads import FACE_HIGH, FACE_WIDE, HAIR, SKIN, landmarks
from numpy.typing import NDArray

from facemerge import composite, imaging
from facemerge.composite import silhouettes

SIZE = (640, 460)
WALL = (0.62, 0.64, 0.66)
SMALL = 0.56
"""The pictures are this much smaller than the frames they stand for: faces 56 px wide."""
Person = tuple[tuple[float, float], tuple[float, float, float]]
"""Middle of the face, colour of the shirt."""
MOVES = ((0, 0), (9, 3), (-14, -4), (21, 2), (-25, 5))
"""By how much everybody is moved in each frame, the first person to the other side than the second."""
BLUE, CREAM, RED = (0.2, 0.3, 0.7), (0.85, 0.8, 0.7), (0.7, 0.15, 0.2)
SIDE_BY_SIDE = [((200.0, 170.0), BLUE), ((420.0, 180.0), RED)]
ONE_BEHIND = [((290.0, 120.0), CREAM), ((350.0, 300.0), BLUE)]
ALIKE = [((210.0, 170.0), BLUE), ((420.0, 170.0), BLUE)]
OF_THE_WALL = [((200.0, 170.0), WALL), ((420.0, 180.0), RED)]


def draw(
    people: list[Person], seed: int, turn: tuple[int, int] = (0, 0)
) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """Return a picture and whose each pixel is (0 = the wall), the last person in front.

    `turn` is by how much everybody's head is moved against the body.
    """
    w, h = SIZE
    picture = np.full((h, w, 3), WALL, np.float32)
    who = np.zeros((h, w), np.uint8)
    for number, ((x, y), shirt) in enumerate(people, 1):
        a, b = x + turn[0], y + turn[1]
        for at, axes, colour in (
            ((x, y + 220), (140, 140), shirt),
            ((x, y + 75), (32, 40), SKIN),
            ((a, b - 12), (62, 74), HAIR),
            ((a, b + 4), (FACE_WIDE / 2, FACE_HIGH / 2), SKIN),
        ):
            for target, value in ((picture, colour), (who, number)):
                middle, half = (round(at[0]), round(at[1])), (round(axes[0]), round(axes[1]))
                cv2.ellipse(target, middle, half, 0, 0, 360, value, -1)
            if colour == shirt:
                cloth = np.all(picture == np.float32(shirt), axis=2) & (who == number)
                picture[cloth] += np.roll(weave(number), (round(y), round(x)), (0, 1))[cloth][:, None]
    grain = np.random.default_rng(seed).normal(0, 0.012, picture.shape)
    return imaging.from_unit(np.clip(picture + grain, 0, 1).astype(np.float32), np.uint8), who


def weave(number: int) -> NDArray[np.float32]:
    """Return a person's own folds and pattern, by which the motion of cloth is seen."""
    noise = np.random.default_rng(number).normal(0, 1, (SIZE[1], SIZE[0])).astype(np.float32)
    return np.asarray(0.5 * cv2.GaussianBlur(noise, (0, 0), 4), np.float32)


def moved(people: list[Person], move: tuple[int, int]) -> list[Person]:
    (first, shirt), *rest = people
    return [
        ((first[0] - move[0], first[1] + move[1]), shirt),
        *(((x + move[0], y + move[1]), colour) for (x, y), colour in rest),
    ]


def seen(
    people: list[Person], seed: int, turn: tuple[int, int] = (0, 0)
) -> tuple[composite.Glimpse, NDArray[np.uint8]]:
    """Return a small frame and, as large, whose each of its pixels is."""
    picture, who = draw(people, seed, turn)
    size = round(SIZE[0] * SMALL), round(SIZE[1] * SMALL)
    small = imaging.scale_matrix(SIZE, size)
    glimpse = composite.Glimpse(
        picture=imaging.to_unit(cv2.resize(picture, size, interpolation=cv2.INTER_AREA)),
        faces={
            i: imaging.transform(small, landmarks((p[0][0] + turn[0], p[0][1] + turn[1]))[:, :2])
            for i, p in enumerate(people)
        },
        small_from_frame=small,
    )
    return glimpse, cv2.resize(who, size, interpolation=cv2.INTER_NEAREST)


def told(people: list[Person], moves: tuple[tuple[int, int], ...] = MOVES) -> tuple[np.ndarray, np.ndarray]:
    """Return whose each pixel of the first frame is told to be, and whose it is; 0 the wall's."""
    target, who = seen(people, 0)
    others = [(seen(moved(people, m), i)[0], np.eye(3)) for i, m in enumerate(moves[1:], 1)]
    found = composite.segment(target, others)
    assert found.people == tuple(range(len(people)))
    np.testing.assert_allclose(found.shares.sum(0), 1, atol=1e-4)
    n = len(people)
    return (found.shares.argmax(0) + 1) % (n + 1), who


def shrunk(mask: NDArray[np.bool_], rim: int = 2) -> NDArray[np.bool_]:
    """Return a mask without its rim, along which a small picture's pixels show both sides."""
    return cv2.erode(mask.astype(np.uint8), np.ones((2 * rim + 1, 2 * rim + 1))) > 0


@pytest.mark.parametrize(
    "people", [SIDE_BY_SIDE, ONE_BEHIND, ALIKE], ids=["side by side", "one behind", "shirts alike"]
)
def test_everybody_is_told_from_wall_and_neighbour(people: list[Person]) -> None:
    """Of everybody, and of the wall, nearly all is told as theirs; heads wholly, but for their rims."""
    label, who = told(people)
    for number in range(len(people) + 1):
        inner = shrunk(who == number)
        assert (label[inner] == number).mean() > 0.93
    for number, ((x, y), _) in enumerate(people, 1):
        rows, columns = np.mgrid[0 : label.shape[0], 0 : label.shape[1]]
        head = np.hypot(columns - SMALL * x, rows - SMALL * y) < 0.9 * SMALL * FACE_WIDE
        head &= (rows < SMALL * (y + FACE_HIGH / 2)) & shrunk(who == number)
        assert (label[head] == number).mean() > 0.98


def test_a_shirt_of_the_walls_colour_is_told_by_its_motion() -> None:
    """What no colour tells, motion does: folds that move with the person are theirs, and more of them are
    told as theirs than in a burst in which nobody moves; the wall far from anybody stays wall."""
    label, who = told(OF_THE_WALL)
    still, _ = told(OF_THE_WALL, ((0, 0), (0, 0), (0, 0)))
    shirt = shrunk(who == 1)
    assert (label[shirt] == 1).mean() > 0.9
    assert (still[shirt] == 1).mean() < (label[shirt] == 1).mean()
    assert (label[:60, :40] == 0).all()


def test_motion_tells_where_colours_are_alike() -> None:
    """Two shirts of one colour, where they meet: less is told wrongly once people have moved."""

    def wrong(moves: tuple[tuple[int, int], ...]) -> float:
        label, who = told([((240.0, 170.0), BLUE), ((400.0, 170.0), BLUE)], moves)
        between = np.zeros(who.shape, bool)
        between[180:240, 140:220] = True
        either = between & (shrunk(who == 1) | shrunk(who == 2))
        return float((label != who)[either].mean())

    assert wrong(MOVES) < 0.05
    assert wrong(MOVES) < wrong(((0, 0), (0, 0), (0, 0)))


def test_mirrored_burst_has_the_mirrored_answer() -> None:
    """Left and right are alike to it but for the rounding of a coarse grid."""
    label, _ = told(SIDE_BY_SIDE)
    turned = [((SIZE[0] - 1 - x, y), shirt) for (x, y), shirt in SIDE_BY_SIDE]
    other, _ = told(turned, tuple((-x, y) for x, y in MOVES))
    assert (label != other[:, ::-1]).mean() < 0.02


def test_shares_of_some_people_are_added() -> None:
    """Those of two people together; somebody who is not in the frame has none."""
    target, _ = seen(SIDE_BY_SIDE, 0)
    found = composite.segment(target, [(seen(moved(SIDE_BY_SIDE, MOVES[1]), 1)[0], np.eye(3))])
    np.testing.assert_allclose(found.of([0, 1]) + found.background, 1, atol=1e-4)
    np.testing.assert_array_equal(found.of([0, 7]), found.of([0]))
    assert not found.of([7]).any()
    assert found.of([1]).max() > 0.9


TURNS = ((0, 0), (7, -4), (-8, 3), (10, 5), (-9, -5))


def test_a_body_has_its_own_motion(monkeypatch: pytest.MonkeyPatch) -> None:
    """Heads turn against bodies, and shirts have the wall's colour: told by where the bodies move alone."""
    people = [((200.0, 170.0), WALL), ((420.0, 180.0), WALL)]
    target, who = seen(people, 0)
    others = [(seen(moved(people, m), i, TURNS[i])[0], np.eye(3)) for i, m in enumerate(MOVES[1:], start=1)]

    def wrong() -> float:
        label = (composite.segment(target, others).shares.argmax(0) + 1) % 3
        shirts = shrunk(who > 0) & (np.arange(who.shape[0])[:, None] > 190)
        return float((label != who)[shirts].mean())

    own = wrong()
    monkeypatch.setattr(silhouettes, "_body_motions", lambda target, people, seen, bodies: ({},) * len(seen))
    assert own < 0.1
    assert own < 0.6 * wrong()


def burst_of(people: list[Person]) -> list[tuple[composite.Glimpse, NDArray[np.uint8]]]:
    """Return a burst's frames, and whose their pixels are."""
    return [seen(moved(people, m) if i else people, i) for i, m in enumerate(MOVES)]


def test_other_frames_correct_what_one_has_wrong(monkeypatch: pytest.MonkeyPatch) -> None:
    """A piece of a shirt that one frame gives to the neighbour is given back: the others know better."""
    frames = burst_of(SIDE_BY_SIDE)
    glimpses = [g for g, _ in frames]

    def without(n: int) -> list[tuple[composite.Glimpse, np.ndarray]]:
        return [(g, np.eye(3)) for k, g in enumerate(glimpses) if k != n]

    told = [composite.segment(g, without(n)) for n, g in enumerate(glimpses)]
    shares = told[0].shares.copy()
    piece = (slice(150, 180), slice(90, 120))
    assert (frames[0][1][piece] == 1).mean() > 0.9
    shares[0][piece], shares[1][piece], shares[2][piece] = 0.05, 0.9, 0.05
    spoilt = replace(told[0], shares=shares)
    others = [(g, np.eye(3), told[n]) for n, g in enumerate(glimpses) if n]
    mended = composite.reconcile(glimpses[0], spoilt, others)
    np.testing.assert_allclose(mended.shares.sum(0), 1, atol=1e-4)
    assert (mended.shares.argmax(0)[piece] == 0).mean() > 0.95
    monkeypatch.setattr(silhouettes, "VOTE", 0.0)
    unmended = composite.reconcile(glimpses[0], spoilt, others)
    assert (unmended.shares.argmax(0)[piece] == 0).mean() < 0.5


def test_frames_that_agree_change_nothing() -> None:
    """Silhouettes that are right stay as they are."""
    frames = burst_of(SIDE_BY_SIDE)
    target = frames[0][0]
    others = [(g, np.eye(3)) for g, _ in frames[1:]]
    told = composite.segment(target, others)
    theirs = [
        (g, np.eye(3), composite.segment(g, [(o, np.eye(3)) for o, _ in frames if o is not g]))
        for g, _ in frames[1:]
    ]
    label = (composite.reconcile(target, told, theirs).shares.argmax(0) + 1) % 3
    inner = shrunk(frames[0][1] == 1) | shrunk(frames[0][1] == 2) | shrunk(frames[0][1] == 0)
    assert (label != frames[0][1])[inner].mean() < 0.02


@pytest.mark.parametrize("frame_from_small", [1.0, 2.0])
def test_whose_each_pixel_is_is_laid_on_another_picture(frame_from_small: float) -> None:
    """Everybody's index, not their place in the stack, lies where the motion takes it, -1 for the background;
    beyond the frame what its rim shows."""
    w, h = 60, 40
    owner = np.full((h, w), -1, np.int16)
    owner[10:30, 5:20], owner[15:, 30:50] = 3, 7
    shares = np.stack([owner == 3, owner == 7, owner == -1]).astype(np.float32)
    small = imaging.scale_matrix((round(w * frame_from_small), round(h * frame_from_small)), (w, h))
    told = silhouettes.Silhouettes(shares=shares, people=(3, 7), small_from_frame=small)
    # 8 px to the right and 5 up, in the small picture's pixels, which the other picture has.
    motion = imaging.shift_matrix(8, -5) @ small
    found = told.owners(motion, (w + 10, h - 4))
    expected = np.full((h - 4, w + 10), -1, np.int16)
    expected[5:25, 13:28], expected[10:, 38:58] = 3, 7
    np.testing.assert_array_equal(found, expected)
    # The last row that the frame has is 34 there.
    assert (expected[35, 38:58] == 7).all()
