"""Backgrounds painted once in scene coordinates, to be moved exactly by each frame's homography."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from .head import smoothstep
from .paint import Pixels, cloud, to_linear, to_srgb

BACKGROUNDS = ("half", "sky", "brick", "backdrop")
MARGIN = 0.06  # of the width; what a hand-held camera may uncover


def _sky(shape: tuple[int, int], rng: np.random.Generator) -> Pixels:
    height, width = shape
    y = np.linspace(0, 1, height, dtype=np.float32)[:, None, None]
    top, low = to_linear((0.36, 0.56, 0.81)), to_linear((0.78, 0.86, 0.92))
    sky = top * (1 - y) ** 1.2 + low * (1 - (1 - y) ** 1.2)
    sky = np.broadcast_to(sky, (height, width, 3)).copy()
    cell = width / 3.2
    base = cv2.resize(cloud(rng, (height, width // 2 + 1), cell * 0.55, 6), (width, height))
    cover = smoothstep(0.25, 2.0, base)[..., None] * (1 - 0.6 * y)
    lit = cv2.GaussianBlur(base, (0, 0), cell * 0.03)
    light = np.clip(0.90 + 0.06 * (lit - np.roll(lit, int(cell * 0.06), 0))[..., None], 0.75, 1.0)
    return (
        sky * (1 - 0.75 * cover) + np.array([1.0, 0.985, 0.97], np.float32) * light * 0.75 * cover
    ).astype(np.float32)


def _brick(shape: tuple[int, int], rng: np.random.Generator, unit: float) -> Pixels:
    """A wall in running bond; `unit` is the height of a course in pixels."""
    height, width = shape
    y, x = np.mgrid[:height, :width].astype(np.float32)
    # Hand-laid: courses wander a little, edges crumble.
    y = y + 0.05 * unit * cloud(rng, shape, unit * 9, 2) + 0.022 * unit * cloud(rng, shape, unit * 0.5, 2)
    x = x + 0.06 * unit * cloud(rng, shape, unit * 7, 2) + 0.022 * unit * cloud(rng, shape, unit * 0.5, 2)
    row = np.floor(y / unit)
    long = 3.05 * unit
    shift = (row % 2) * long / 2
    column = np.floor((x + shift) / long)
    v, u = y - row * unit, (x + shift) - column * long
    joint = 0.14 * unit
    gap = np.minimum(np.minimum(v, unit - v), np.minimum(u, long - u))
    stone = smoothstep(joint * 0.42, joint * 0.66, gap).astype(np.float32)
    rows, columns = int(row.max() - row.min()) + 1, int(column.max() - column.min()) + 1
    at = ((row - row.min()).astype(int), (column - column.min()).astype(int))
    tone = np.exp(0.20 * rng.standard_normal((rows, columns))).astype(np.float32)[at]
    mix = np.clip(rng.beta(1.6, 2.4, (rows, columns)), 0, 1).astype(np.float32)[at][..., None]
    burnt = (rng.random((rows, columns)) < 0.09).astype(np.float32)[at][..., None]
    colour = to_linear((0.58, 0.355, 0.285)) * (1 - mix) + to_linear((0.68, 0.49, 0.385)) * mix
    colour = colour * (1 - burnt) + to_linear((0.44, 0.31, 0.28)) * burnt
    rough = cloud(rng, shape, max(unit * 0.16, 2), 3)
    patch = cloud(rng, shape, unit * 1.3, 3)
    colour = colour * (tone * np.exp(0.11 * rough + 0.09 * patch))[..., None]
    # Upper left light: the top edge of each brick catches it, the joint below lies in shadow.
    edge = (
        1
        + 0.22 * smoothstep(joint, joint * 0.5, v) * stone
        - 0.28 * smoothstep(joint * 1.2, joint * 0.5, unit - v) * stone
    )
    mortar = to_linear((0.70, 0.665, 0.61)) * np.exp(0.13 * rough + 0.06 * patch)[..., None]
    mortar *= (0.62 + 0.38 * smoothstep(0.0, joint * 0.5, gap))[..., None]
    mortar *= (1 - 0.30 * smoothstep(unit * 0.10, 0.0, v))[..., None]
    wall = colour * edge[..., None] * stone[..., None] + mortar * (1 - stone[..., None])
    stain = cloud(rng, shape, unit * 12, 4)
    return (wall * np.exp(0.08 * stain)[..., None]).astype(np.float32)


def _leaves(
    image: Pixels, box: tuple[int, int, int, int], size: float, rng: np.random.Generator, count: int
) -> None:
    """Dab a hedge into the box (x0, y0, x1, y1): leaves from dark to light, upper edge ragged."""
    x0, y0, x1, y1 = box
    width = image.shape[1]
    canvas = (to_srgb(image) * 255).astype(np.uint8)
    ragged = cloud(rng, (4, width + 2), (x1 - x0) / 7, 4)[0] * size * 2.2
    for k in range(count):
        t = k / count
        px = rng.uniform(x0, x1)
        top = y0 + ragged[int(np.clip(px, 0, width - 1))]
        py = top + (y1 - top) * rng.random() ** (1.0 + 0.6 * t)
        light = 0.30 + 0.55 * t * rng.uniform(0.7, 1.1) * (1 - 0.45 * (py - top) / max(y1 - top, 1))
        green = (
            np.array([0.44, 0.56, 0.26]) * light + rng.normal(0, 0.012, 3) + [0.06 * rng.random() * t, 0, 0]
        )
        axes = (
            max(1, int(size * rng.uniform(0.5, 1.0) * 16)),
            max(1, int(size * rng.uniform(0.22, 0.42) * 16)),
        )
        colour = tuple(float(c) for c in np.clip(green, 0, 1) * 255)
        at = (int(px * 16), int(py * 16))
        cv2.ellipse(canvas, at, axes, float(rng.uniform(0, 180)), 0, 360, colour, -1, cv2.LINE_AA, 4)
    image[:] = to_linear(canvas.astype(np.float32) / 255)


def paint_background(
    kind: str, width: int, height: int, rng: np.random.Generator, *, oversample: float = 2.0
) -> tuple[NDArray[np.uint8], NDArray[np.float64]]:
    """Paint a background.

    Parameters
    ----------
    kind : {"half", "sky", "brick", "backdrop"}
    width, height : int
        Size of the scene, px.
    rng : numpy.random.Generator
    oversample : float
        Canvas pixels per scene pixel.

    Returns
    -------
    canvas : (H, W, 3) uint8
        SRGB, larger than the scene by a margin on every side.
    canvas_from_scene : (3, 3) float64

    Raises
    ------
    ValueError
        If the kind is not known.
    """
    if kind not in BACKGROUNDS:
        raise ValueError(f"no background is called {kind!r}; there are {', '.join(BACKGROUNDS)}")
    margin = round(MARGIN * width)
    w, h = round((width + 2 * margin) * oversample), round((height + 2 * margin) * oversample)
    shape = (h, w)
    unit = width * oversample / 62
    if kind == "backdrop":
        y, x = np.mgrid[:h, :w].astype(np.float32)
        fall = np.exp(-(((x - 0.40 * w) / (0.62 * w)) ** 2) - ((y - 0.36 * h) / (0.75 * h)) ** 2)
        mottled = 1 + 0.018 * cloud(rng, shape, w / 7, 4)
        image = to_linear((0.80, 0.79, 0.765)) * ((0.60 + 0.48 * fall) * mottled)[..., None]
    elif kind == "brick":
        image = _brick(shape, rng, unit)
    else:
        image = _sky(shape, rng)
        hills = cloud(rng, (4, w), w / 4, 4)[0] * h * 0.02
        rows = np.arange(h)[:, None]
        for level, colour in ((0.47, (0.60, 0.70, 0.74)), (0.51, (0.49, 0.60, 0.56))):
            line = h * level + np.roll(hills, int(w * level)) * (1.0 if level < 0.5 else 0.7)
            inside = smoothstep(-1.5 * oversample, 1.5 * oversample, rows - line[None])[..., None]
            image = image * (1 - inside) + to_linear(colour) * inside
        if kind == "half":
            _leaves(image, (0, int(h * 0.545), int(w * 0.56), h), unit * 0.34, rng, 15000)
        grass = to_linear((0.42, 0.50, 0.26)) * np.exp(0.12 * cloud(rng, shape, unit * 0.8, 4))[..., None]
        if kind == "sky":
            inside = smoothstep(0, 0.03 * h, np.arange(h) - h * 0.58)[:, None, None]
            image = image * (1 - inside) + grass * inside
    if kind == "half":
        left = int(w * 0.52)
        wall = _brick((h, w - left), rng, unit)
        # Quoins: pale dressed stones bind the wall's corner.
        y = np.arange(h, dtype=np.float32)
        block = unit * 4
        k = np.floor(y / block)
        long = np.where(k % 2 == 0, unit * 4.6, unit * 2.8)
        x = np.arange(w - left, dtype=np.float32)
        stone = x[None] < long[:, None]
        # Each course of blocks has its own tone and worn edges.
        tones = np.exp(0.07 * rng.standard_normal(int(k.max()) + 1))[k.astype(int)]
        inset = np.minimum(np.minimum(y - k * block, (k + 1) * block - y)[:, None], (long[:, None] - x[None]))
        inset = np.minimum(inset, x[None] + unit)
        face = smoothstep(0.03 * unit, 0.13 * unit, inset)
        grit = np.exp(
            0.06 * cloud(rng, stone.shape, unit * 0.3, 3) + 0.05 * cloud(rng, stone.shape, unit * 2, 3)
        )
        pale = to_linear((0.76, 0.715, 0.64)) * (tones[:, None] * grit * (0.55 + 0.45 * face))[..., None]
        wall = np.where(stone[..., None], pale, wall)
        edge = smoothstep(0, 1.2 * oversample, x)[None, :, None]
        image[:, left:] = image[:, left:] * (1 - edge) + wall * edge
    y, x = np.mgrid[:h, :w].astype(np.float32)
    fall = 1.05 - 0.16 * np.hypot((x / w - 0.42), 0.8 * (y / h - 0.35))
    image = image * fall[..., None]
    canvas = np.clip(np.rint(to_srgb(image.astype(np.float32)) * 255), 0, 255).astype(np.uint8)
    o = oversample
    # Pixel centres at integers: scene pixel 0 covers canvas pixels 0 .. o-1 beyond the margin.
    canvas_from_scene = np.array(
        [[o, 0, (margin + 0.5) * o - 0.5], [0, o, (margin + 0.5) * o - 0.5], [0, 0, 1.0]]
    )
    return canvas, canvas_from_scene


def photograph(
    canvas: NDArray[np.uint8],
    canvas_from_scene: NDArray[np.float64],
    frame_from_scene: NDArray[np.float64],
    size: tuple[int, int],
    oversample: float,
) -> Pixels:
    """The background as one frame sees it, (H, W, 3) float32 sRGB in [0, 1]; `size` is (W, H)."""
    width, height = size
    big = (round(width * oversample), round(height * oversample))
    shift = 0.5 * oversample - 0.5
    big_from_frame = np.array([[oversample, 0, shift], [0, oversample, shift], [0, 0, 1.0]])
    big_from_canvas = big_from_frame @ frame_from_scene @ np.linalg.inv(canvas_from_scene)
    moved = cv2.warpPerspective(
        canvas, big_from_canvas, big, flags=cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REFLECT
    )
    if big != (width, height):
        moved = cv2.resize(moved, (width, height), interpolation=cv2.INTER_AREA)
    return moved.astype(np.float32) / 255
