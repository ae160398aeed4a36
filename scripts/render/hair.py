"""Hair as strands grown over the skull, in head centimetres."""

from __future__ import annotations

import functools
from typing import NamedTuple

import numpy as np
from scipy import ndimage
from scipy.spatial import cKDTree

from .body import LIFT, torso
from .head import SKULL_CENTRE, SKULL_RADII, smoothstep
from .mesh import Floats
from .paint import to_linear
from .person import Person

STEPS = 18
DOWN = np.array([0.0, -1.0, 0.0])


class Strands(NamedTuple):
    """Grown strands; `colour` is linear light before shading."""

    points: Floats
    """(N, STEPS, 3) cm."""
    colour: Floats
    """(N, 3)."""
    width: Floats
    """(N,) cm."""
    depth: Floats
    """(N,) 0 next to the skin, 1 outermost."""
    posed: Floats
    """(N, STEPS) how far points follow the head's turn."""


def hairline(x: Floats, recede: float = 0.0) -> Floats:
    """Height of the hairline over the front half of the head, cm, at a distance from the middle."""
    ax = np.abs(x)
    line = np.interp(ax, [0, 2.5, 4.5, 5.7, 6.7, 7.4], [8.45, 8.4, 7.75, 6.6, 4.6, 0.6])
    return line + recede * np.interp(ax, [0, 2, 4.5, 6.5, 7], [2.2, 2.9, 3.2, 1.0, 0])


def _roots(count: int, rng: np.random.Generator, *, recede: float = 0.0) -> tuple[Floats, Floats]:
    """Points and normals on the hairy part of the skull."""
    v = rng.standard_normal((count * 4, 3))
    v /= np.linalg.norm(v, axis=1, keepdims=True)
    p = SKULL_CENTRE + SKULL_RADII * v * 1.0
    x, y, z = p.T
    line = hairline(x, recede)
    line += 0.45 * np.abs(rng.normal(0, 1, len(line))) ** 1.5 - 0.15
    front = (z > -1.6) & (y > line)
    back = (z <= -1.6) & (y > np.interp(z, [-12, -8, -6.0, -5.2, -1.6], [-6.5, -5.5, -2.5, 2.6, 2.4]))
    keep = front | back
    if recede:
        crown = (y > 8.5) & (rng.random(len(y)) < 0.92 * recede)
        keep &= ~crown
    p, v = p[keep][:count], v[keep][:count]
    n = v / SKULL_RADII
    return p, n / np.linalg.norm(n, axis=1, keepdims=True)


def _tangent(direction: Floats, normal: Floats) -> Floats:
    flat = direction - (direction * normal).sum(1, keepdims=True) * normal
    return flat / np.maximum(np.linalg.norm(flat, axis=1, keepdims=True), 1e-6)


def _grow(
    person: Person,
    roots: Floats,
    normals: Floats,
    direction: Floats,
    length: Floats,
    clearance: Floats,
    *,
    lift: Floats | float = 0.2,
    gravity: float = 0.08,
    inward: float = 0.0,
    hug: Floats | None = None,
) -> Floats:
    """Grow strands step by step: they bend down, slide over the skull and lie on the shoulders."""
    step = (length / (STEPS - 1))[:, None]
    p = roots.copy()
    d = direction + np.broadcast_to(np.asarray(lift, float), len(p))[:, None] * normals
    d /= np.linalg.norm(d, axis=1, keepdims=True)
    out = [p.copy()]
    for k in range(1, STEPS):
        d = d + gravity * step * DOWN
        if inward:
            turn = smoothstep(0.6, 1.0, k / STEPS) * inward
            d = d + turn * step * np.stack([-np.sign(p[:, 0]), 0 * p[:, 0], 0 * p[:, 0]], 1)
        d /= np.linalg.norm(d, axis=1, keepdims=True)
        p = p + d * step
        e = (p - SKULL_CENTRE) / SKULL_RADII
        reach = np.linalg.norm(e, axis=1)
        want = 1 + clearance * min(1.0, 0.25 + k / 5)
        hit = reach < want
        n = e / SKULL_RADII
        n /= np.linalg.norm(n, axis=1, keepdims=True)
        p = np.where(
            hit[:, None], SKULL_CENTRE + (p - SKULL_CENTRE) * (want / np.maximum(reach, 1e-6))[:, None], p
        )
        sinking = np.minimum((d * n).sum(1), 0) * hit
        d = d - sinking[:, None] * n
        if hug is not None:
            # Below the widest part of the skull hair falls back against cheek and neck.
            fall = smoothstep(6.5, -1.0, p[:, 1]) * smoothstep(2, 6, np.abs(p[:, 0]))
            p[:, 0] += 0.30 * fall * (np.sign(p[:, 0]) * hug - p[:, 0]) * (np.abs(p[:, 0]) > hug)
            d[:, 0] *= 1 - 0.5 * fall
        low = p[:, 1] < -8.0
        if low.any():
            y = np.minimum(p[:, 1], -8.0) - LIFT
            half = torso(person, y, np.zeros(len(y)), 0.9)[:, 0]
            deep = torso(person, y, np.full(len(y), np.pi / 2), 0.9)[:, 2] + 4.0
            room = np.sqrt(np.maximum(1 - (p[:, 0] / half) ** 2, 0)) * deep
            inside = low & (np.abs(p[:, 2] + 4.0) < room)
            ahead = np.where((roots[:, 2] > -5.5) & (np.abs(p[:, 0]) > 5.8), 1.0, -1.0)
            p[:, 2] = np.where(inside, p[:, 2] + 0.6 * (-4.0 + ahead * (room + 0.4) - p[:, 2]), p[:, 2])
        d /= np.maximum(np.linalg.norm(d, axis=1, keepdims=True), 1e-6)
        out.append(p.copy())
    return np.stack(out, 1)


def _clump(points: Floats, rng: np.random.Generator, share: float, every: int = 24) -> tuple[Floats, Floats]:
    """Draw strands together into locks; returns points and the lock number of each strand."""
    guides = rng.choice(len(points), max(1, len(points) // every), replace=False)
    middle = points[:, STEPS // 3]
    _, nearest = cKDTree(middle[guides]).query(middle)
    t = np.linspace(0, 1, STEPS)[None, :, None] ** 1.3
    target = points[guides][nearest]
    return points + share * t * (target - points), nearest


def _gathered(roots: Floats, goal: Floats, clearance: Floats, rng: np.random.Generator) -> Floats:
    """Strands combed over the skull to one place."""
    a = (roots - SKULL_CENTRE) / SKULL_RADII
    b = (goal - SKULL_CENTRE) / SKULL_RADII
    b /= np.linalg.norm(b)
    t = np.linspace(0, 1, STEPS)[None, :, None]
    spread = rng.normal(0, 0.05, (len(roots), 1, 3))
    v = a[:, None] * (1 - t) + (b + spread) * t
    v /= np.linalg.norm(v, axis=-1, keepdims=True)
    # Hair leaves the hairline upright, then lies down: without it the head looks painted.
    rise = clearance[:, None, None] * np.minimum(1, 0.3 + 3 * t)
    return SKULL_CENTRE + SKULL_RADII * v * (1 + rise)


def _bundle(path: Floats, radius: Floats, count: int, rng: np.random.Generator, twist: float = 1.0) -> Floats:
    """Strands along a path (K, 3), spread over a round section."""
    knots = np.arange(len(path))
    fine = np.linspace(0, len(path) - 1, 160)
    line = np.stack([np.interp(fine, knots, path[:, k]) for k in range(3)], 1)
    line = ndimage.gaussian_filter1d(line, 9, axis=0, mode="nearest")
    ahead = np.gradient(line, axis=0)
    ahead /= np.linalg.norm(ahead, axis=1, keepdims=True)
    side = np.cross(ahead, [0.0, 0.0, 1.0]) + 1e-6
    side /= np.linalg.norm(side, axis=1, keepdims=True)
    third = np.cross(ahead, side)
    # Each strand starts a little further along, or the joints of all would line up as bands.
    at = np.linspace(0, 1, STEPS)[None] + rng.uniform(-0.5, 0.5, (count, 1)) / STEPS
    at = np.clip(at, 0, 1) * 159
    index = np.rint(at).astype(int)
    wide = np.interp(at * (len(path) - 1) / 159, knots, radius)
    a = rng.uniform(0, 2 * np.pi, (count, 1)) + twist * np.linspace(0, 1, STEPS)[None]
    r = np.sqrt(rng.random((count, 1))) * wide
    return line[index] + (r * np.cos(a))[..., None] * side[index] + (r * np.sin(a))[..., None] * third[index]


@functools.lru_cache(maxsize=64)
def grow_hair(person: Person) -> Strands | None:
    """Strands of a person's hair style, or None where a scarf covers it.

    Returns
    -------
    Strands or None
    """
    style = person.hair_style
    if style == "scarf":
        return None
    rng = np.random.default_rng(person.seed + 3)
    count = {"crop": 5200, "short": 4200, "receding": 2600, "fringe": 3800, "bob": 4200, "long": 5200}.get(
        style, 3600
    )
    roots, normals = _roots(
        count, rng, recede=1.0 if style == "receding" else (0.25 if style == "crop" else 0.0)
    )
    n = len(roots)
    x, y, z = roots.T
    ax = np.abs(x)
    part = 1.6 if style in ("long", "bob", "short", "fringe") else 0.0
    side = np.where(x > part, 1.0, -1.0)
    layer = rng.random(n)
    ones = np.ones(n)
    follow = np.ones((n, STEPS))
    width = rng.uniform(0.045, 0.08, n)
    if style in ("long", "bob"):
        aim = np.stack([side * 1.0, 0.25 * smoothstep(7, 10, y), -0.55 * ones * smoothstep(0, 4, z) - 0.1], 1)
        aim = np.where((y < 6)[:, None], np.stack([0.25 * side, -ones, -0.25 * ones], 1), aim)
        direction = _tangent(aim + rng.normal(0, 0.07, (n, 3)), normals)
        clear = 0.03 + 0.055 * layer * smoothstep(3, 9, y) + 0.02 * layer
        hug = 7.4 + (2.2 if style == "long" else 1.5) * layer
        if style == "long":
            length = rng.normal(30, 2.6, n) - (9.5 - y) * 0.35
            points = _grow(person, roots, normals, direction, length, clear, lift=0.30, gravity=0.16, hug=hug)
            wave = np.sin(
                np.linspace(0, 8.5, STEPS)[None] + 1.3 * np.round(x)[:, None] + 2.0 * (layer[:, None] > 0.5)
            )
            points[..., 0] += 0.42 * wave * np.linspace(0, 1, STEPS) ** 1.2
            points[..., 2] += 0.35 * np.roll(wave, 2, 1) * np.linspace(0, 1, STEPS)
        else:
            length = np.maximum((y + 6.3) * 1.0 + 4.2 * smoothstep(6, 11, y) + rng.normal(0, 0.9, n), 3.5)
            points = _grow(
                person,
                roots,
                normals,
                direction,
                length,
                clear * 1.35,
                lift=0.38,
                gravity=0.16,
                inward=0.22,
                hug=hug + 0.7,
            )
            wave = np.sin(
                np.linspace(0, 9.5, STEPS)[None] + 1.1 * np.round(x * 0.8)[:, None] + 2.5 * layer[:, None]
            )
            points[..., 0] += 0.38 * wave * np.linspace(0, 1, STEPS)
        points, lock = _clump(points, rng, 0.36 if style == "long" else 0.5, 30)
        follow = 1 - 0.9 * smoothstep(-9, -16, points[..., 1])
    elif style in ("short", "receding"):
        top = smoothstep(6.0, 9.0, y)
        swept = np.stack(
            [0.75 * side * (ax > 0) * 0 - 0.75 * ones, 0.3 * ones, 0.25 * smoothstep(0, 4, z) - 0.5], 1
        )
        down = np.stack([0.12 * side, -ones, -0.45 * ones], 1)
        aim = swept * top[:, None] + down * (1 - top[:, None])
        direction = _tangent(aim + rng.normal(0, 0.11, (n, 3)), normals)
        length = (1.5 + 3.4 * top + 1.3 * top * smoothstep(1, 4, z)) * rng.uniform(0.75, 1.15, n)
        lift = 0.16 + 0.48 * top * smoothstep(-2, 3, z) * (style == "short")
        if style == "receding":
            length *= 0.7
        points = _grow(
            person,
            roots,
            normals,
            direction,
            length,
            0.02 + 0.055 * layer + 0.05 * top * layer,
            lift=lift,
            gravity=0.11,
        )
        points, lock = _clump(points, rng, 0.38, 20)
    elif style == "crop":
        direction = _tangent(
            np.stack([0.15 * side, 0 * ones, ones], 1) + rng.normal(0, 0.35, (n, 3)), normals
        )
        length = (0.75 + 0.7 * smoothstep(6, 9, y)) * rng.uniform(0.8, 1.2, n)
        points = _grow(
            person, roots, normals, direction, length, 0.012 + 0.03 * layer, lift=0.55, gravity=0.02
        )
        points, lock = _clump(points, rng, 0.2, 6)
    elif style == "fringe":
        top = smoothstep(5.5, 9.0, y)
        ahead = np.stack([0.10 * x + 0.25, -0.1 * ones, ones], 1) * smoothstep(-6, 0, z)[:, None]
        ahead = (
            ahead
            + np.stack([0.8 * side, 0.1 * ones, -0.2 * ones], 1)
            * (smoothstep(2.0, 6.0, ax) + smoothstep(0, -6, z))[:, None]
        )
        down = np.stack([0.06 * side, -ones, 0.12 * ones], 1)
        aim = ahead * top[:, None] + down * (1 - top[:, None])
        direction = _tangent(aim + rng.normal(0, 0.09, (n, 3)), normals)
        goal = np.where(ax < 5.0, 5.9 + 0.10 * ax, 1.2)
        length = np.clip(
            (y - goal) * 0.75 + 2.2 + 3.6 * top * smoothstep(-7, -1, z) * (z < 3), 2.2, 10.5
        ) * rng.uniform(0.85, 1.12, n)
        points = _grow(
            person,
            roots,
            normals,
            direction,
            length,
            0.03 + 0.06 * layer,
            lift=0.30,
            gravity=0.14,
            hug=7.3 + 0.9 * layer,
        )
        points, lock = _clump(points, rng, 0.62, 22)
    elif style in ("curls", "cap"):
        if style == "cap":
            keep = y < 5.2
            roots, normals, layer = roots[keep], normals[keep], layer[keep]
            n = len(roots)
        out = normals + np.array([0, 0.15, 0.0]) + rng.normal(0, 0.22, (n, 3))
        sides = smoothstep(7.0, 4.0, roots[:, 1])
        reach = (
            (3.0 - 1.1 * sides) * (0.35 + 0.65 * np.sqrt(layer))
            if style == "curls"
            else 2.4 * (0.3 + 0.7 * layer)
        )
        t = np.linspace(0, 1, STEPS)
        a = rng.uniform(0, 2 * np.pi, (n, 1)) + rng.choice([-1, 1], (n, 1)) * t[None] * rng.uniform(
            7, 12, (n, 1)
        )
        e1 = _tangent(np.broadcast_to([0.3, 1.0, 0.2], (n, 3)), normals)
        e2 = np.cross(normals, e1)
        coil = 0.34 * np.minimum(1, 3 * t)[None, :, None]
        points = roots[:, None] + out[:, None] * (reach[:, None] * t[None])[..., None]
        points = points + coil * (np.cos(a)[..., None] * e1[:, None] + np.sin(a)[..., None] * e2[:, None])
        if style == "cap":
            points[..., 1] -= 2.2 * t[None] ** 1.5 * layer[:, None]
        _, lock = _clump(points, rng, 0.0, 7)
        width = rng.uniform(0.05, 0.085, n)
        follow = np.ones((n, STEPS))
    else:
        goal = np.array([0.0, 11.2, -7.2]) if style == "bun" else np.array([0.0, 5.2, -11.4])
        points = _gathered(roots, goal, 0.025 + 0.05 * layer, rng)
        points[..., 1] += 0.35 * np.sin(np.pi * np.linspace(0, 1, STEPS))[None] * layer[:, None]
        points, lock = _clump(points, rng, 0.25, 30)
        if style == "bun":
            m = 900
            centre = np.array([0.0, 13.0, -5.6])
            pole = rng.normal(0, 0.35, (m, 3)) + np.array([0.2, 0.25, 1.0])
            pole /= np.linalg.norm(pole, axis=1, keepdims=True)
            e1 = np.cross(pole, [0.0, 1.0, 0.0])
            e1 /= np.linalg.norm(e1, axis=1, keepdims=True)
            e2 = np.cross(pole, e1)
            start = rng.uniform(0, 2 * np.pi, (m, 1))
            turn = start + np.linspace(0, 2.4, STEPS)[None]
            height = rng.uniform(-0.95, 0.95, (m, 1, 1))
            ring = np.sqrt(1 - height**2)
            ball = (
                ring * (np.cos(turn)[..., None] * e1[:, None] + np.sin(turn)[..., None] * e2[:, None])
                + height * pole[:, None]
            )
            extra = centre + 2.75 * ball * [1.05, 0.92, 1.0] * rng.uniform(0.9, 1.04, (m, 1, 1))
        else:
            m = 1100
            path = np.array(
                [
                    (0, 5.2, -11.4),
                    (2.0, 5.6, -13.2),
                    (5.2, 1.0, -12.6),
                    (7.6, -6, -9.5),
                    (8.8, -11.6, -3.5),
                    (8.6, -15.5, 5.0),
                    (8.0, -22, 9.6),
                    (7.4, -29, 10.6),
                ],
                float,
            )
            path[4:, 0] *= person.shoulders / 0.8 * 0.92
            extra = _bundle(path, np.array([0.7, 1.2, 1.6, 1.75, 1.75, 1.7, 1.4, 0.3]), m, rng)
            extra[:, -6:] += rng.normal(0, 0.2, (m, 1, 3))
        # A few loose hairs at the temples keep the hairline from looking cut.
        loose_at = rng.choice(np.flatnonzero((z > 0) & (ax > 4.5)), 46)
        aim = _tangent(
            np.stack([0.35 * np.sign(x[loose_at]), -np.ones(46), 0.15 * np.ones(46)], 1), normals[loose_at]
        )
        loose = _grow(
            person,
            roots[loose_at],
            normals[loose_at],
            aim,
            rng.uniform(2.5, 6.5, 46),
            np.full(46, 0.02),
            lift=0.25,
            gravity=0.30,
            hug=np.full(46, 7.2),
        )
        points = np.concatenate([points, extra, loose])
        lock = np.concatenate(
            [lock, lock.max() + 1 + rng.integers(0, 30, len(extra)), np.full(46, lock.max() + 40)]
        )
        layer = np.concatenate([layer, rng.random(len(extra)), np.ones(46)])
        width = np.concatenate([width, rng.uniform(0.05, 0.085, len(extra)), np.full(46, 0.032)])
        follow = 1 - 0.95 * smoothstep(-4, -13, points[..., 1])
    n = len(points)
    widen = 1 + 0.045 * person.wide - 0.03 * float(smoothstep(16, 6, person.age))
    points = points.copy()
    points[..., 0] *= widen
    points = points + rng.normal(0, 0.05, (n, 1, 3)) * np.linspace(0, 1, STEPS)[None, :, None]
    base = to_linear(person.hair)
    locks = np.exp(0.17 * rng.standard_normal(int(lock.max()) + 1))[lock]
    tone = locks * np.exp(0.16 * rng.standard_normal(n))
    colour = base[None] * tone[:, None] * np.exp(rng.normal(0, 0.05, (n, 3)))
    grey = rng.random(n) < person.grey * 0.6
    colour[grey] = to_linear((0.66, 0.65, 0.63)) * tone[grey, None]
    return Strands(points, colour, width, layer, follow)
