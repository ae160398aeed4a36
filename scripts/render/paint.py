"""Skin painted in the texture plane of the canonical face, once per person."""

from __future__ import annotations

import functools
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.interpolate import LinearNDInterpolator

from . import mesh
from .head import bump, smoothstep
from .person import Person

Pixels = NDArray[np.float32]
TEXTURE = 1024


def to_linear(colour: object) -> Pixels:
    """Linear light of sRGB values in [0, 1] (IEC 61966-2-1)."""
    c = np.asarray(colour, np.float32)
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4).astype(np.float32)


def to_srgb(light: Pixels) -> Pixels:
    """SRGB values in [0, 1] of linear light (IEC 61966-2-1)."""
    c = np.clip(light, 0, 1)
    return np.where(c <= 0.0031308, c * 12.92, 1.055 * np.power(np.maximum(c, 1e-8), 1 / 2.4) - 0.055)


def cloud(rng: np.random.Generator, shape: tuple[int, int], cell: float, octaves: int = 4) -> Pixels:
    """Smooth noise of unit variance, coarsest features `cell` pixels wide, (H, W) float32."""
    out = np.zeros(shape, np.float32)
    gain = 1.0
    for _ in range(octaves):
        low = rng.standard_normal((int(shape[0] / cell) + 4, int(shape[1] / cell) + 4)).astype(np.float32)
        grown = cv2.resize(low, None, fx=cell, fy=cell, interpolation=cv2.INTER_CUBIC)
        out += gain * grown[: shape[0], : shape[1]]
        gain *= 0.5
        cell = max(cell / 2, 1)
    return out / max(float(out.std()), 1e-6)


class Skin(NamedTuple):
    """Texture maps of one person, all TEXTURE x TEXTURE float32."""

    albedo: Pixels
    """(T, T, 3) linear."""
    relief: Pixels
    """Height in arbitrary units: pores, lines, lip creases."""
    gloss: Pixels
    folds: Pixels
    """(T, T, 2): lines that a smile deepens; lines that a frown or grimace deepens."""


@functools.cache
def positions() -> Pixels:
    """Canonical position (cm) of each texel, continued outside the face and into its openings, (T, T, 3)."""
    rest, uv, triangles = mesh.canonical()
    count = 468
    weights = np.eye(468)
    for _ in range(2):
        step, triangles = mesh.loop_subdivide(triangles, count)
        weights = step @ weights
        count = step.shape[0]
    seen = mesh.rasterise(
        weights @ uv * TEXTURE - 0.5, np.zeros(count), triangles, (TEXTURE, TEXTURE), cull=False
    )
    values = mesh.interpolate(seen, triangles, weights @ rest)
    out = np.zeros((TEXTURE * TEXTURE, 3), np.float32)
    out[seen.pixel] = values
    empty = np.ones(TEXTURE * TEXTURE, bool)
    empty[seen.pixel] = False
    nearest = ndimage.distance_transform_edt(
        empty.reshape(TEXTURE, TEXTURE), return_distances=False, return_indices=True
    )
    return out.reshape(TEXTURE, TEXTURE, 3)[nearest[0], nearest[1]]


@functools.cache
def _to_texture() -> LinearNDInterpolator:
    points, uv, _ = mesh.canonical()
    return LinearNDInterpolator(points[:, :2], uv * TEXTURE - 0.5)


def texels(xy: object) -> NDArray[np.float64]:
    """Texture pixel of positions (N, 2) cm in the face plane, (N, 2)."""
    return np.nan_to_num(_to_texture()(np.asarray(xy, float)), nan=-50.0)


def _stroke(canvas: Pixels, xy: object, value: float, width_cm: float, taper: bool = False) -> None:
    """Draw a smooth line through face-plane positions; `taper` thins it towards its end."""
    points = np.asarray(xy, float)
    t = np.linspace(0, len(points) - 1, 8 * len(points))
    fine = np.stack([np.interp(t, np.arange(len(points)), points[:, k]) for k in range(2)], 1)
    pixels = texels(ndimage.gaussian_filter1d(fine, 2.5, axis=0, mode="nearest"))
    per_cm = TEXTURE * 0.0545
    steps = np.rint(pixels * 16).astype(np.int32)
    for k in range(len(steps) - 1):
        fade = np.sin(np.pi * (0.08 + 0.84 * k / len(steps))) if taper else 1.0
        thick = max(1, round(width_cm * per_cm * fade))
        cv2.line(canvas, steps[k].tolist(), steps[k + 1].tolist(), value * float(fade), thick, cv2.LINE_AA, 4)


def _lines(paths: list[tuple[object, float, float]], soft_cm: float) -> Pixels:
    """Soft dark lines from (path, strength, width in cm), mirrored to the other half."""
    canvas = np.zeros((TEXTURE, TEXTURE), np.float32)
    for path, strength, width in paths:
        for sign in (1, -1):
            layer = np.zeros_like(canvas)
            _stroke(layer, np.asarray(path, float) * [sign, 1], strength, width, taper=True)
            np.maximum(canvas, layer, out=canvas)
    return cv2.GaussianBlur(canvas, (0, 0), soft_cm * TEXTURE * 0.0545)


def lips_mask() -> Pixels:
    """Where the red of the lips is, soft-edged, (T, T) in [0, 1]."""
    uv = mesh.canonical().uv * TEXTURE - 0.5
    ring = np.concatenate([uv[list(mesh.OUTER_UPPER_LIP)], uv[list(mesh.OUTER_LOWER_LIP)][-2:0:-1]])
    # A spline through the landmarks: straight edges between them would show as corners on the lip line.
    t = np.linspace(0, len(ring), 400, endpoint=False)
    wrap = np.concatenate([ring, ring[:1]])
    smooth = np.stack([np.interp(t, np.arange(len(wrap)), wrap[:, k]) for k in range(2)], 1)
    smooth = ndimage.gaussian_filter1d(smooth, 5, axis=0, mode="wrap")
    canvas = np.zeros((TEXTURE, TEXTURE), np.uint8)
    cv2.fillPoly(canvas, [np.rint(smooth * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    return cv2.GaussianBlur(canvas.astype(np.float32) / 255, (0, 0), 3.2)


def paint_skin(person: Person) -> Skin:
    """Paint a person's face.

    Returns
    -------
    Skin
    """
    rng = np.random.default_rng(person.seed)
    where = positions()
    x, y = where[..., 0], where[..., 1]
    ax = np.abs(x)
    shape = (TEXTURE, TEXTURE)
    old = float(smoothstep(42, 74, person.age))
    ageing = float(smoothstep(22, 60, person.age))
    base = to_linear(person.skin)
    dark = float(1 - np.clip(base.mean() / 0.45, 0, 1))
    log = np.zeros((*shape, 3), np.float32)
    red = np.array([0.02, -0.20, -0.17], np.float32) * (1 - 0.45 * dark)

    def tint(amount: object, colour: object) -> None:
        nonlocal log
        log += np.asarray(amount, np.float32)[..., None] * np.asarray(colour, np.float32)

    tint(0.032 * cloud(rng, shape, 90), (1, 1, 1))
    tint(0.030 * cloud(rng, shape, 40), red * 5)
    flush = 0.95 * bump(ax, y, (4.7, -0.9), (2.0, 1.7)) + 0.8 * bump(x, y, (0, -0.7), (1.3, 1.3))
    flush += 0.35 * bump(x, y, (0, -8.3), (1.6, 1.2)) + 0.25 * bump(x, y, (0, 6), (3, 2)) * 0.5
    tint(0.72 * person.blush * flush * (0.85 + 0.25 * cloud(rng, shape, 60, 3)), red * 1.25)
    lid = bump(ax, y, (3.2, 3.3), (1.9, 0.75))
    tint(lid, red * 0.8 + np.array([-0.07, -0.09, -0.07]))
    bag = bump(ax, y, (2.9, 1.55), (1.6, 0.55))
    tint(bag * (0.6 + 0.8 * ageing), (-0.09, -0.13, -0.075))
    tint(bump(ax, y, (1.45, 2.5), (0.6, 1.0)), (-0.06, -0.12, -0.08))
    tint(bump(x, y, (0.0, 6.3), (4.6, 1.8)), (0.02, 0.02, -0.02))
    if person.beard:
        jaw = smoothstep(-2.0, -4.6, y) * smoothstep(8.0, 6.5, ax) + 0
        side = smoothstep(5.4, 6.6, ax) * smoothstep(1.5, -2.0, y)
        lip_gap = bump(x, y, (0.0, -2.75), (2.2, 0.62))
        beard = np.clip(np.maximum(np.maximum(jaw, side), lip_gap), 0, 1)
        beard *= 1 - 0.85 * bump(x, y, (0, -4.2), (2.6, 0.95)) * (lip_gap < 0.6)
        beard *= 1 - 0.75 * bump(ax, y, (3.9, -2.9), (1.5, 1.3))
        beard *= np.clip(0.9 + 0.12 * cloud(rng, shape, 50, 3), 0, 1)
        tint(beard * person.beard, np.array([-0.30, -0.22, -0.13]) * (1 - 0.3 * dark))
    freckles = np.zeros(shape, np.float32)
    if person.freckles:
        for _ in range(int(420 * person.freckles)):
            at = rng.normal((0, 0.3), (3.6, 1.8))
            if abs(at[1] - 2.6) < 0.9 and 1.6 < abs(at[0]) < 4.8:
                continue
            p = texels(at[None])[0]
            radius = rng.uniform(0.9, 2.4)
            cv2.circle(
                freckles,
                np.rint(p * 16).astype(int).tolist(),
                int(radius * 16),
                rng.uniform(0.2, 1),
                -1,
                cv2.LINE_AA,
                4,
            )
        freckles = cv2.GaussianBlur(freckles, (0, 0), 1.1)
        tint(freckles, (-0.16, -0.32, -0.38))
    if old:
        spots = np.clip(cloud(rng, shape, 26, 2) - 1.7, 0, 1) * smoothstep(
            2.0, 6.0, ax + 0.6 * np.maximum(y, 0)
        )
        tint(old * spots, (-0.22, -0.34, -0.4))

    # Lines: drawn once, as relief and as darkness.
    lines = []
    if old:
        for level in (5.9, 6.75, 7.5):
            wave = [
                (-0.2 + 0.95 * k, level + 0.12 * np.sin(k * 1.3 + level) - 0.03 * k * k * 0.3)
                for k in range(6)
            ]
            lines.append((wave, 0.55 * old, 0.07))
        for end in (3.7, 3.1, 2.4, 1.8):
            lines.append(
                (
                    [(5.0, 2.45 + 0.25 * (end - 2.5)), (5.6, end - 0.1), (6.35, end * 1.12 - 0.4)],
                    0.55 * old,
                    0.06,
                )
            )
        lines.append(([(2.75, -4.6), (3.0, -5.5), (2.95, -6.4)], 0.6 * old, 0.09))
        lines.append(([(1.9, 1.75), (3.1, 1.05), (4.5, 1.5)], 0.5 * old, 0.08))
        lines.append(([(0.55, 5.4), (0.5, 4.6), (0.6, 4.0)], 0.4 * old, 0.07))
        for k in np.linspace(0.35, 1.9, 4):
            lines.append(([(k, -2.5), (k * 1.04, -2.95), (k * 1.06, -3.3)], 0.28 * old, 0.04))
    lines.append(([(1.75, 1.95), (2.7, 1.45), (3.9, 1.5)], 0.16 + 0.25 * ageing, 0.07))
    lines.append(([(1.75, -1.35), (2.45, -2.4), (3.0, -3.7)], 0.06 + 0.42 * ageing, 0.14))
    static = _lines(lines, 0.045)
    smile = _lines(
        [
            ([(1.85, -1.2), (2.7, -2.3), (3.35, -3.6), (3.3, -4.5)], 1.0, 0.16),
            ([(2.0, 1.85), (3.1, 1.35), (4.3, 1.55)], 0.55, 0.09),
            ([(5.05, 2.4), (5.7, 2.35), (6.2, 2.2)], 0.3 + 0.5 * ageing, 0.05),
            ([(4.95, 2.1), (5.5, 1.75), (5.9, 1.35)], 0.25 + 0.5 * ageing, 0.05),
        ],
        0.10,
    )
    frown = _lines(
        [
            ([(0.5, 5.6), (0.55, 4.9), (0.75, 4.2)], 1.0, 0.1),
            ([(1.0, -6.7), (2.0, -6.2), (2.9, -5.2)], 0.8, 0.16),
        ],
        0.09,
    )

    red_lips = lips_mask()
    log *= (1 - 0.8 * red_lips)[..., None]
    albedo = base * np.exp(log)
    albedo *= 1 - (0.34 * static)[..., None] * np.array([0.75, 1.0, 1.0], np.float32)
    lip = to_linear(person.lip) * (0.92 + 0.1 * cloud(rng, shape, 40, 3))[..., None]
    creases = ndimage.gaussian_filter1d(rng.standard_normal(shape).astype(np.float32), 9, axis=0)
    creases = ndimage.gaussian_filter1d(creases, 1.6, axis=1)
    creases /= creases.std()
    lip *= (1 + 0.055 * creases)[..., None]
    upper = smoothstep(-4.35, -4.1, y)
    lip *= (1 - 0.16 * upper)[..., None]
    lip *= (1 - 0.22 * bump(x, y, (0.0, -4.25), (3.0, 0.22)))[..., None]
    albedo = albedo * (1 - red_lips[..., None]) + lip * red_lips[..., None]
    # A fine light edge above the lips and a soft shadow below them, as skin turns there.
    albedo *= (1 + 0.05 * bump(x, y, (0.0, -3.15), (1.6, 0.22)) * (1 - red_lips))[..., None]
    albedo *= (1 - 0.13 * bump(x, y, (0.0, -5.75), (1.9, 0.42)))[..., None]

    pores = rng.standard_normal(shape).astype(np.float32)
    pores = cv2.GaussianBlur(pores, (0, 0), 0.8) - 0.6 * cv2.GaussianBlur(pores, (0, 0), 2.2)
    pores /= pores.std()
    pore_map = 0.45 + 0.6 * flush + 0.3 * bump(x, y, (0.0, 6.0), (4.0, 2.0)) + 0.4 * ageing
    grain = pores * pore_map * (1 - red_lips)
    albedo *= (1 + 0.020 * grain)[..., None]
    relief = 0.32 * grain - 5.0 * static + 1.1 * creases * red_lips + 0.5 * cloud(rng, shape, 14, 3)
    if person.beard > 0.3:
        hairs = np.zeros(shape, np.float32)
        density = np.clip(beard, 0, 1)
        tries = int(26000 * person.beard)
        spots = rng.integers(0, TEXTURE, (tries, 2))
        take = rng.random(tries) < density[spots[:, 1], spots[:, 0]] * 0.8
        slant = rng.normal(0, 1.4, (tries, 2)) + np.array([0, 3.2])
        for p, d in zip(spots[take], slant[take], strict=True):
            end = np.rint((p + d * 0.9) * 16).astype(int)
            cv2.line(
                hairs, (p * 16).tolist(), end.tolist(), float(0.35 + 0.5 * person.beard), 1, cv2.LINE_AA, 4
            )
        shade = to_linear(np.array(person.hair) * 0.9 + 0.35 * person.grey)
        amount = (0.62 * hairs)[..., None]
        albedo = albedo * (1 - amount) + shade * amount
    albedo = _brows(person, albedo, rng)
    # Nostrils: seen a little from below the tip; darkness the mesh has no holes for.
    nostril = np.zeros(shape, np.float32)
    for sign in (-1, 1):
        path = np.array([(0.42, -1.92), (0.72, -1.86), (1.05, -1.88), (1.15, -2.0)]) * [sign, 1]
        _stroke(nostril, path, 1.0, 0.26, taper=True)
    nostril = cv2.GaussianBlur(nostril, (0, 0), 3.0)
    albedo *= 1 - (0.86 * nostril)[..., None] * np.array([0.86, 1.0, 1.0], np.float32)
    wing = _lines([([(1.45, -0.45), (1.85, -1.0), (1.7, -1.75)], 0.8, 0.1)], 0.07)
    albedo *= 1 - (0.38 * wing)[..., None] * np.array([0.7, 1.0, 1.0], np.float32)

    gloss = 0.40 + 0.55 * bump(x, y, (0.0, -0.4), (0.9, 1.6)) + 0.30 * bump(x, y, (0.0, 6.2), (3.4, 1.6))
    gloss += 0.30 * bump(ax, y, (4.4, 0.4), (1.3, 1.0)) + 0.25 * bump(x, y, (0, -8.2), 1.2)
    gloss = gloss * (1 - red_lips) + red_lips * (0.75 + 0.5 * bump(x, y, (0.0, -4.95), (1.7, 0.45)))
    gloss *= (1 - 0.6 * nostril) * (1 + 0.10 * np.clip(grain, -2, 2))
    folds = np.stack([smile, frown], -1)
    return Skin(
        albedo.astype(np.float32),
        relief.astype(np.float32),
        gloss.astype(np.float32),
        folds.astype(np.float32),
    )


def _brows(person: Person, albedo: Pixels, rng: np.random.Generator) -> Pixels:
    """Eyebrows as single hairs, leaning outwards along the brow."""
    line = np.array([(1.25, 4.35), (1.9, 4.72), (2.8, 4.98), (3.8, 5.0), (4.7, 4.72), (5.45, 4.12)])
    height = np.interp(np.linspace(0, 1, 50), [0, 0.2, 0.6, 1], [0.36, 0.44, 0.32, 0.05]) * (
        0.6 + 0.4 * person.brow_weight
    )
    t = np.linspace(0, len(line) - 1, 50)
    path = np.stack([np.interp(t, np.arange(len(line)), line[:, k]) for k in range(2)], 1)
    path = ndimage.gaussian_filter1d(path, 4, axis=0, mode="nearest")
    along = np.gradient(path, axis=0)
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    dark = to_linear(np.clip(np.array(person.hair) * 0.72, 0.04, 1))
    grey = to_linear((0.58, 0.56, 0.54))
    scale = 4
    count = int(330 * person.brow_weight)
    for sign in (-1, 1):
        shade = np.zeros((TEXTURE, TEXTURE), np.float32)
        light = np.zeros((TEXTURE, TEXTURE), np.float32)
        under = np.zeros((TEXTURE, TEXTURE), np.float32)
        edge = np.concatenate(
            [
                path + np.stack([0 * height, height * 0.75], 1),
                (path - np.stack([0 * height, height * 0.75], 1))[::-1],
            ]
        )
        cv2.fillPoly(under, [np.rint(texels(edge * [sign, 1]) * 16).astype(np.int32)], 1.0, cv2.LINE_AA, 4)
        under = cv2.GaussianBlur(under, (0, 0), 4.5) * 0.50 * min(person.brow_weight, 1.2)
        for _ in range(count):
            k = int(min(49, rng.beta(1.15, 1.25) * 50))
            across = rng.normal(0, 0.46)
            root = path[k] + np.array([0, height[k] * across])
            # Hairs rise near the nose and lie down towards the temple; upper ones point down, lower up.
            lean = np.deg2rad(
                np.interp(k, [0, 8, 25, 49], [48, 32, 12, -14]) - 26 * across * (k > 8) + rng.normal(0, 9)
            )
            ahead = np.arctan2(along[k, 1], along[k, 0]) + lean
            length = rng.uniform(0.38, 0.8) * np.interp(k, [0, 15, 49], [0.6, 1, 0.7])
            tip = root + length * np.array([np.cos(ahead), np.sin(ahead)])
            middle = (root + tip) / 2 + np.array([0, 0.05])
            points = np.rint(texels(np.stack([root, middle, tip]) * [sign, 1]) * 16).astype(np.int32)
            canvas = light if rng.random() < person.grey else shade
            cv2.polylines(canvas, [points[:2]], False, float(rng.uniform(0.55, 1.0)), 2, cv2.LINE_AA, scale)
            cv2.polylines(canvas, [points[1:]], False, float(rng.uniform(0.5, 0.9)), 2, cv2.LINE_AA, scale)
        for canvas, colour, amount in ((under, dark, 1.0), (shade, dark, 0.95), (light, grey, 0.8)):
            a = np.clip(cv2.GaussianBlur(canvas, (0, 0), 0.7) * amount, 0, 1)[..., None]
            albedo = albedo * (1 - a) + colour * a
    return albedo
