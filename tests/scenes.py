"""Small drawn worlds whose truth is known: a background that stands still, and people who do not.

    scene = scenes.scene("brick", people=6, seed=1)
    reference = scenes.shoot(scene)
    shot = scenes.shoot(scene, camera=scenes.camera(scene.size, shift=(20, -8), turn_deg=0.5), moves=moves)
    scenes.reference_from_frame(reference, shot)        # the truth

Nothing here is a photograph and no face detector is asked: each shot carries the faces it was drawn with.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge import imaging
from facemerge.words import Array, Face, Float

KINDS = ("leaves", "brick", "same brick", "sky", "plain")
"""'brick' has many colours, 'same brick' repeats exactly, 'sky' has faint clouds, 'plain' has nothing."""

MARGIN = 0.15
"""The drawn world reaches this share of the frame's size beyond each edge."""

BRICK_PX = (40, 24)
"""Period of the brick wall along x and y (every other course is shifted by half), at the scene's size."""

# Where a few named landmarks lie in a face of width 1, height 1.3, its centre at 0, 0 (y down).
_NAMED = {
    33: (-0.31, -0.12), 133: (-0.12, -0.12), 362: (0.12, -0.12), 263: (0.31, -0.12),
    159: (-0.215, -0.16), 145: (-0.215, -0.08), 386: (0.215, -0.16), 374: (0.215, -0.08),
    168: (0.0, -0.14), 6: (0.0, -0.08), 1: (0.0, 0.12), 61: (-0.2, 0.33), 291: (0.2, 0.33),
    13: (0.0, 0.31), 14: (0.0, 0.35), 10: (0.0, -0.65), 152: (0.0, 0.65), 234: (-0.5, 0.0), 454: (0.5, 0.0),
}  # fmt: skip


@dataclass(frozen=True, kw_only=True, eq=False)
class Figure:
    """One person of a scene."""

    centre: tuple[float, float]
    """Where the middle of the face is when nobody moves, in scene pixels."""
    width: float
    """Face width in pixels."""
    sprite: NDArray[np.float32]
    """(h, w, 4) RGB and coverage in [0, 1]: head, hair, shoulders, body down to the frame's end."""
    anchor: tuple[float, float]
    """Where the middle of the face is in the sprite."""
    appearance: Float
    """(16,) unit vector."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Scene:
    """A world: scene pixels are those of a frame taken with the identity camera."""

    size: tuple[int, int]
    """(W, H) of the frames."""
    canvas: NDArray[np.float32]
    """(H + 2 margin, W + 2 margin, 3) background in [0, 1]."""
    margin: tuple[int, int]
    """(x, y) pixels of the canvas left of and above the frame."""
    figures: tuple[Figure, ...]
    """Back row first: later ones stand before earlier ones."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Shot:
    """One frame of a scene, with its truth."""

    image: Array
    """(H, W, 3) RGB uint8 or uint16."""
    faces: tuple[Face, ...]
    """One per figure, in the scene's order, in this frame's pixels."""
    frame_from_scene: Float
    """(3, 3)."""
    who: NDArray[np.uint8]
    """(H, W) 0 = background, k = figure k - 1 is what is seen."""


def scene(kind: str, *, people: int = 6, size: tuple[int, int] = (1200, 800), seed: int = 0) -> Scene:
    """Return a world of a kind of background with people in one or two rows."""
    rng = np.random.default_rng([seed, KINDS.index(kind)])
    margin = (round(size[0] * MARGIN), round(size[1] * MARGIN))
    canvas_size = (size[0] + 2 * margin[0], size[1] + 2 * margin[1])
    return Scene(
        size=size, canvas=background(kind, canvas_size, rng), margin=margin, figures=_group(size, people, rng)
    )


def shoot(
    scene: Scene,
    *,
    camera: Float | None = None,
    moves: Array | None = None,
    gain: float = 1.0,
    noise: float = 1.5,
    vignette: float = 0.0,
    dtype: type = np.uint8,
    seed: int = 0,
) -> Shot:
    """Return one frame.

    Parameters
    ----------
    scene
        The world.
    camera
        (3, 3) frame_from_scene; None = the identity.
    moves
        (N, 2) how far each figure has moved by themselves, in scene pixels; None = nobody moves.
    gain
        Factor on all values: exposure.
    noise
        Standard deviation of each channel's noise, in 8-bit steps.
    vignette
        Share of the light that the lens loses in the corners: it stays with the camera.
    dtype
        uint8 or uint16.
    seed
        Of the noise.
    """
    m = np.eye(3) if camera is None else np.asarray(camera, np.float64)
    moves = np.zeros((len(scene.figures), 2)) if moves is None else np.asarray(moves, np.float64)
    canvas, who = scene.canvas.copy(), np.zeros(scene.canvas.shape[:2], np.float32)
    for k, (figure, move) in enumerate(zip(scene.figures, moves, strict=True), 1):
        _paste(canvas, who, figure, move + scene.margin, k)
    frame_from_canvas = m @ imaging.shift_matrix(-scene.margin[0], -scene.margin[1])
    image = cv2.warpPerspective(
        canvas, frame_from_canvas, scene.size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT_101
    )
    seen = cv2.warpPerspective(who, frame_from_canvas, scene.size, flags=cv2.INTER_NEAREST)
    w, h = scene.size
    y, x = np.mgrid[0:h, 0:w].astype(np.float32)
    corner = ((x - w / 2) ** 2 + (y - h / 2) ** 2) / ((w / 2) ** 2 + (h / 2) ** 2)
    image = image * (gain * (1 - vignette * corner))[..., None]
    image += np.random.default_rng(seed).normal(0, noise / 255, image.shape).astype(np.float32)
    faces = tuple(_face(f, move, m) for f, move in zip(scene.figures, moves, strict=True))
    return Shot(
        image=imaging.from_unit(image, dtype), faces=faces, frame_from_scene=m, who=seen.astype(np.uint8)
    )


def camera(
    size: tuple[int, int],
    *,
    shift: Sequence[float] = (0.0, 0.0),
    turn_deg: float = 0.0,
    zoom: float = 1.0,
    tilt: Sequence[float] = (0.0, 0.0),
) -> Float:
    """Return frame_from_scene of a camera shifted (px), turned and zoomed about the middle, and tilted.

    `tilt` is the relative change of scale from the middle to the right edge, and to the bottom edge.
    """
    cx, cy = (size[0] - 1) / 2, (size[1] - 1) / 2
    a = np.deg2rad(turn_deg)
    m = np.array(
        [
            [zoom * np.cos(a), -zoom * np.sin(a), shift[0]],
            [zoom * np.sin(a), zoom * np.cos(a), shift[1]],
            [tilt[0] / cx, tilt[1] / cy, 1],
        ]
    )
    m = imaging.shift_matrix(cx, cy) @ m @ imaging.shift_matrix(-cx, -cy)
    return np.asarray(m / m[2, 2])


def hand_held(size: tuple[int, int], rng: np.random.Generator, amount: float = 1.0) -> Float:
    """Return a random camera as a hand holds it: shifts of 1 % of the width, turns of 0.4 degrees (1 sd)."""
    return camera(
        size,
        shift=rng.normal(0, 0.01 * size[0] * amount, 2),
        turn_deg=float(rng.normal(0, 0.4 * amount)),
        zoom=1 + float(rng.normal(0, 0.004 * amount)),
        tilt=rng.normal(0, 0.0004 * amount, 2),
    )


def reference_from_frame(reference: Shot, frame: Shot) -> Float:
    """Return the (3, 3) truth that takes a shot's pixels to the reference's."""
    m = reference.frame_from_scene @ np.linalg.inv(frame.frame_from_scene)
    return np.asarray(m / m[2, 2])


def corner_error_px(truth: Float, found: Float, size: tuple[int, int]) -> float:
    """Return how far two homographies part, mean over the four corners and the centre, in pixels."""
    w, h = size
    points = np.array([[0, 0], [w, 0], [w, h], [0, h], [w / 2, h / 2]], np.float64)
    apart = imaging.transform(truth, points) - imaging.transform(found, points)
    return float(np.linalg.norm(apart, axis=1).mean())


def background(kind: str, size: tuple[int, int], rng: np.random.Generator) -> NDArray[np.float32]:
    """Return an (H, W, 3) background in [0, 1] of (W, H) pixels."""
    w, h = size
    if kind == "leaves":
        f = _fractal(size, 1.0, rng)[..., None]
        return np.clip(np.array([0.25, 0.42, 0.16]) + f * [0.12, 0.17, 0.08], 0, 1).astype(np.float32)
    if kind in ("brick", "same brick"):
        return _bricks(size, rng, same=kind == "same brick")
    y = np.linspace(0, 1, h)[:, None, None]
    if kind == "sky":
        clouds = cv2.GaussianBlur(rng.normal(0, 1, (h, w)).astype(np.float32), (0, 0), w / 30)
        clouds *= 0.006 / clouds.std()
        blue = np.array([0.45, 0.65, 0.9]) + y * [0.2, 0.13, 0.05]
        return np.clip(blue + clouds[..., None], 0, 1).astype(np.float32)
    if kind == "plain":
        return np.full((h, w, 3), (0.9, 0.89, 0.88), np.float32)
    raise ValueError(f"no background called {kind!r}; there are {', '.join(KINDS)}")


def _fractal(size: tuple[int, int], power: float, rng: np.random.Generator) -> NDArray[np.float32]:
    # Amplitude falls as 1 / frequency, as in photographs of nature.
    w, h = size
    fy, fx = np.fft.fftfreq(h)[:, None], np.fft.rfftfreq(w)[None]
    amplitude = 1 / np.maximum(np.hypot(fx, fy), 4 / max(size)) ** power
    spectrum = amplitude * np.exp(2j * np.pi * rng.random(amplitude.shape))
    field = np.fft.irfft2(spectrum, (h, w))
    return np.asarray((field - field.mean()) / field.std(), np.float32)


def _bricks(size: tuple[int, int], rng: np.random.Generator, *, same: bool) -> NDArray[np.float32]:
    w, h = size
    px, py = BRICK_PX
    y, x = np.mgrid[0:h, 0:w]
    course = y // py
    along = x + (course % 2) * (px // 2)
    number = along // px
    colours = np.tile(np.array([0.62, 0.3, 0.24]), (course.max() + 1, number.max() + 1, 1))
    if not same:
        colours = colours * rng.uniform(0.6, 1.3, (*colours.shape[:2], 1)) + rng.normal(
            0, 0.03, colours.shape
        )
    wall = colours[course, number].astype(np.float32)
    wall[(y % py < 3) | (along % px < 3)] = (0.72, 0.7, 0.66)
    return np.clip(cv2.GaussianBlur(wall, (0, 0), 0.8), 0, 1)


def _group(size: tuple[int, int], people: int, rng: np.random.Generator) -> tuple[Figure, ...]:
    back = people // 2 if people >= 5 else 0
    figures = []
    for row, count in ((0, back), (1, people - back)):
        for k in range(count):
            width = size[0] / max(9.0, 1.9 * count + 3) * rng.uniform(0.92, 1.08)
            x = size[0] * (0.14 + 0.72 * (k + 0.5) / count) + rng.normal(0, 0.01) * size[0]
            y = size[1] * (0.46 if row == 0 and back else 0.68) + rng.normal(0, 0.01) * size[1]
            figures.append(_figure((x, y), width, size, rng))
    return tuple(figures)


def _figure(
    centre: tuple[float, float], width: float, size: tuple[int, int], rng: np.random.Generator
) -> Figure:
    h = round(size[1] * (1 + MARGIN) - centre[1] + 1.6 * width)
    w = round(3.2 * width)
    ax, ay = w / 2, 1.5 * width
    sprite = np.zeros((h, w, 4), np.float32)
    skin = np.array([0.85, 0.65, 0.52]) * rng.uniform(0.45, 1.1)
    cloth = rng.uniform(0.1, 0.9, 3)
    hair = np.array([0.3, 0.2, 0.12]) * rng.uniform(0.2, 2.0)

    def fill(colour: Array, alpha: NDArray[np.uint8]) -> None:
        a = (alpha.astype(np.float32) / 255)[..., None]
        sprite[..., :3] = sprite[..., :3] * (1 - a) + np.asarray(colour, np.float32) * a
        sprite[..., 3:] = np.maximum(sprite[..., 3:], a)

    def ellipse(x: float, y: float, rx: float, ry: float) -> NDArray[np.uint8]:
        out = np.zeros((h, w), np.uint8)
        cv2.ellipse(
            out, (round(ax + x * width), round(ay + y * width)), (round(rx * width), round(ry * width)),
            0, 0, 360, 255, -1, cv2.LINE_AA,
        )  # fmt: skip
        return out

    body = np.zeros((h, w), np.uint8)
    shoulders = [(-0.3, 0.55), (0.3, 0.55), (1.2, 1.0), (1.3, h / width), (-1.3, h / width), (-1.2, 1.0)]
    cv2.fillPoly(
        body, [np.array([(ax + x * width, ay + y * width) for x, y in shoulders], np.int32)], 255, cv2.LINE_AA
    )
    weave = _fractal((w, h), 0.7, rng)[..., None] * 0.08
    fill(np.clip(cloth + weave, 0, 1), body)
    fill(hair, ellipse(0, -0.15, 0.62, 0.72))
    fill(skin, ellipse(0, 0, 0.5, 0.65))
    for side in (-1, 1):
        fill(np.array([0.95, 0.95, 0.95]), ellipse(side * 0.215, -0.12, 0.1, 0.05))
        fill(np.array([0.15, 0.1, 0.08]), ellipse(side * 0.215, -0.12, 0.045, 0.045))
    fill(skin * 0.8, ellipse(0, 0.1, 0.06, 0.1))
    fill(np.array([0.7, 0.25, 0.25]), ellipse(0, 0.33, 0.2, 0.04))
    look = rng.normal(0, 1, 16)
    return Figure(
        centre=centre, width=width, sprite=sprite, anchor=(ax, ay), appearance=look / np.linalg.norm(look)
    )


def _paste(canvas: Array, who: Array, figure: Figure, move: Array, number: int) -> None:
    x, y = figure.centre[0] + move[0] - figure.anchor[0], figure.centre[1] + move[1] - figure.anchor[1]
    left, top = int(np.floor(x)), int(np.floor(y))
    h, w = figure.sprite.shape[:2]
    moved = cv2.warpAffine(
        figure.sprite, np.array([[1, 0, x - left], [0, 1, y - top]]), (w + 1, h + 1), flags=cv2.INTER_LINEAR
    )
    x0, y0 = max(left, 0), max(top, 0)
    x1, y1 = min(left + w + 1, canvas.shape[1]), min(top + h + 1, canvas.shape[0])
    if x0 >= x1 or y0 >= y1:
        return
    part = moved[y0 - top : y1 - top, x0 - left : x1 - left]
    # A sprite's colours are already multiplied by its coverage: it was painted on black.
    alpha = part[..., 3:]
    canvas[y0:y1, x0:x1] = canvas[y0:y1, x0:x1] * (1 - alpha) + part[..., :3]
    who[y0:y1, x0:x1][alpha[..., 0] > 0.5] = number


def _face(figure: Figure, move: Array, m: Float) -> Face:
    points = np.zeros((478, 2))
    angle = np.arange(478) * np.pi * (3 - np.sqrt(5))
    radius = np.sqrt((np.arange(478) + 0.5) / 478)
    points[:, 0], points[:, 1] = 0.5 * radius * np.cos(angle), 0.65 * radius * np.sin(angle)
    for index, place in _NAMED.items():
        points[index] = place
    placed = imaging.transform(m, points * figure.width + np.asarray(figure.centre) + move)
    low, high = placed.min(0), placed.max(0)
    return Face(
        box=(float(low[0]), float(low[1]), float(high[0]), float(high[1])),
        landmarks=np.column_stack([placed, np.zeros(478)]),
        blendshapes=np.zeros(52),
        appearance=figure.appearance.copy(),
        confidence=0.9,
    )
