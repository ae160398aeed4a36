"""Ears, neck, shoulders and clothes as meshes in the head's centimetres (chin near y = -9)."""

from __future__ import annotations

import functools
from typing import NamedTuple

import cv2
import numpy as np

from .head import PIVOT, shape_face, smoothstep
from .mesh import FACE_OVAL, Floats, Ints
from .paint import Pixels, cloud
from .person import Person

FACE, SKIN, CLOTH, COLLAR, SCARF, CAP = range(6)
LIFT = 1.9  # cm; the trunk's own heights are lower by this, which sets the length of the neck
BOTTOM = -95.0  # cm; below the frame's lower edge for every pose

# Half width, half depth and depth of centre of a standing trunk by height, cm; adult proportions from memory.
PROFILE = np.array(
    [
        (-3.0, 5.3, 5.6, -4.6),
        (-9.0, 5.3, 5.6, -4.3),
        (-11.5, 5.5, 5.8, -4.0),
        (-13.2, 6.3, 6.2, -3.9),
        (-14.6, 8.2, 6.6, -3.9),
        (-16.0, 11.6, 7.1, -4.0),
        (-17.6, 15.6, 7.9, -4.1),
        (-19.4, 18.6, 8.7, -4.1),
        (-22.0, 20.5, 9.6, -4.0),
        (-26.0, 21.4, 10.4, -3.8),
        (-34.0, 22.0, 11.2, -3.6),
        (-48.0, 22.2, 11.4, -3.6),
        (-96.0, 23.0, 12.0, -3.6),
    ]
)


class Part(NamedTuple):
    """A piece of mesh with what its shading needs."""

    points: Floats
    triangles: Ints
    material: int
    shade: Floats
    """Occlusion the mesh cannot show by itself, (N,) in [0, 1]; 1 is open."""
    flush: Floats
    """Redness against the person's skin, (N,)."""
    posed: Floats
    """How far the part follows the head's turn, (N,) in [0, 1]."""


def _part(
    points: Floats,
    triangles: Ints,
    material: int,
    posed: object = 0.0,
    shade: object = 1.0,
    flush: object = 0.0,
) -> Part:
    count = len(points)
    spread = [np.broadcast_to(np.asarray(v, float), count).copy() for v in (shade, flush, posed)]
    return Part(points, triangles, material, spread[0], spread[1], spread[2])


def _grid(rows: int, columns: int, *, closed: bool) -> Ints:
    """Triangles of a grid of points, rows downwards and columns counter-clockwise seen from above."""
    r, c = np.meshgrid(np.arange(rows - 1), np.arange(columns if closed else columns - 1), indexing="ij")
    a = r * columns + c
    b = r * columns + (c + 1) % columns
    d, e = a + columns, b + columns
    return np.concatenate([np.stack([a, d, b], -1).reshape(-1, 3), np.stack([b, d, e], -1).reshape(-1, 3)])


def torso(person: Person, y: Floats, angle: Floats, out: Floats | float = 0.0) -> Floats:
    """Surface of neck and trunk, (..., 3) cm; angle 0 is at the image's right, pi/2 in front."""
    y, angle = np.broadcast_arrays(np.asarray(y, float), np.asarray(angle, float))
    rows = PROFILE.copy()
    # Monotone samples of a smooth curve: linear ones would show as rings on the shoulders.
    heights = np.linspace(-96, -3, 373)
    values = []
    for k in (1, 2, 3):
        curve = np.interp(heights, rows[::-1, 0], rows[::-1, k])
        kernel = np.exp(-0.5 * (np.arange(-8, 9) / 3.0) ** 2)
        values.append(np.convolve(np.pad(curve, 8, mode="edge"), kernel / kernel.sum(), "valid"))
    rx, rz, cz = (np.interp(y, heights, v) for v in values)
    trunk = smoothstep(-12.0, -18.0, y)
    rx = rx * (person.neck * (1 - trunk) + person.shoulders * trunk)
    rz = rz * (person.neck * (1 - trunk) + (0.55 + 0.45 * person.shoulders) * trunk)
    power = 1 - 0.14 * trunk
    cos, sin = np.cos(angle), np.sin(angle)
    return np.stack(
        [
            (rx + out) * np.sign(cos) * np.abs(cos) ** power,
            y + LIFT,
            cz + (rz + out) * np.sign(sin) * np.abs(sin) ** power,
        ],
        -1,
    )


def _loft(
    person: Person,
    top: Floats,
    bottom: Floats | float,
    rows: int,
    out: Floats | float,
    material: int,
    posed: object = 0.0,
) -> Part:
    angle = np.linspace(0, 2 * np.pi, len(top), endpoint=False)
    t = np.linspace(0, 1, rows)[:, None] ** 1.6
    y = top[None] * (1 - t) + np.asarray(bottom) * t
    points = torso(person, y, angle[None], out).reshape(-1, 3)
    return _part(points, _grid(rows, len(top), closed=True)[:, ::-1], material, posed)


def neckline(person: Person, angle: Floats) -> Floats:
    """Height of the cloth's upper edge round the neck, cm."""
    front = np.maximum(np.sin(angle), 0)
    drop = {"crew": 2.0, "vneck": 0.0, "shirt": 2.6, "turtleneck": 0.6, "hood": 2.2}[person.collar]
    y = -13.3 - drop * front**1.5 + 0.9 * np.maximum(-np.sin(angle), 0)
    if person.collar in ("vneck", "shirt"):
        depth, wide = (5.6, 0.95) if person.collar == "vneck" else (3.0, 0.36)
        off = np.abs(np.arctan2(np.cos(angle), np.sin(angle)))
        y -= depth * np.clip(1 - off / wide, 0, 1)
    return y


def _tube(line: Floats, radius: Floats | float, material: int, flat: float = 1.0) -> Part:
    """A tube along a closed line (N, 3); `flat` squeezes it radially."""
    count, sides = len(line), 10
    ahead = np.roll(line, -1, 0) - np.roll(line, 1, 0)
    ahead /= np.linalg.norm(ahead, axis=1, keepdims=True)
    outward = line - [0, 0, -4.0]
    outward[:, 1] = 0
    outward -= (outward * ahead).sum(1, keepdims=True) * ahead
    outward /= np.linalg.norm(outward, axis=1, keepdims=True)
    upward = np.cross(ahead, outward)
    upward *= np.sign(upward[:, 1:2])
    a = np.linspace(0, 2 * np.pi, sides, endpoint=False)
    radius = np.broadcast_to(np.asarray(radius, float), count)[:, None, None]
    points = line[:, None] + radius * (
        flat * np.cos(a)[None, :, None] * outward[:, None] + np.sin(a)[None, :, None] * upward[:, None]
    )
    r, c = np.meshgrid(np.arange(count), np.arange(sides), indexing="ij")
    i, j = r * sides + c, r * sides + (c + 1) % sides
    k, m = ((r + 1) % count) * sides + c, ((r + 1) % count) * sides + (c + 1) % sides
    triangles = np.concatenate(
        [np.stack([i, j, k], -1).reshape(-1, 3), np.stack([j, m, k], -1).reshape(-1, 3)]
    )
    flat_points = points.reshape(-1, 3)
    return _part(flat_points, _facing(flat_points, triangles, np.repeat(line, sides, 0)), material)


def _facing(points: Floats, triangles: Ints, inner: Floats) -> Ints:
    """Orient triangles away from the axis points they were built round."""
    p = points[triangles]
    normal = np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0])
    away = p.mean(1) - inner[triangles].mean(1)
    return triangles if ((normal * away).sum(1) > 0).mean() > 0.5 else triangles[:, ::-1]


def _ear(person: Person, sign: int) -> Part:
    """One ear: a dished shell with helix, antihelix, hollow and lobe."""
    rho, theta = np.meshgrid(
        np.linspace(0, 1, 17), np.linspace(0, 2 * np.pi, 44, endpoint=False), indexing="ij"
    )
    cos, sin = np.cos(theta), np.sin(theta)
    # Outline: broad and round above, narrowing to the lobe; cos > 0 is the free, rear edge.
    half_width = np.where(cos > 0, 1.62 + 0.42 * sin, 1.22 + 0.2 * sin)
    u = rho * cos * half_width * np.where(sin < 0, 1 - 0.22 * sin**2, 1.0)
    v = rho * np.where(sin > 0, 3.0, 3.2) * np.sign(sin) * np.abs(sin) ** 0.95
    rear = smoothstep(-0.75, 0.1, cos + 0.5 * np.maximum(sin, 0))
    above = smoothstep(-0.75, -0.2, sin)
    height = 0.48 * np.exp(-(((rho - 0.90) / 0.10) ** 2)) * rear * above
    height -= 0.16 * np.exp(-(((rho - 0.72) / 0.09) ** 2)) * rear * above
    height += (
        0.36
        * np.exp(-(((rho - 0.54) / 0.13) ** 2))
        * smoothstep(-0.2, 0.6, cos)
        * smoothstep(-0.95, -0.5, sin)
    )
    hollow = np.exp(-(((u + 0.15) / 0.75) ** 2) - ((v + 0.35) / 1.15) ** 2)
    height -= 0.85 * hollow
    tragus = np.exp(-(((u + 1.0) / 0.34) ** 2) - ((v + 0.5) / 0.6) ** 2)
    height += 0.55 * tragus
    lobe = np.exp(-(((u - 0.1) / 0.9) ** 2) - ((v + 2.5) / 0.7) ** 2)
    height += 0.22 * lobe - 0.45 * rho**8
    shade = (
        1 - 0.62 * hollow * (1 - 0.8 * tragus) - 0.30 * np.exp(-(((rho - 0.72) / 0.1) ** 2)) * rear * above
    )
    back = np.array([0.60 * sign, 0.06, -0.80])
    up = np.array([0.10 * sign, 0.98, -0.20])
    back /= np.linalg.norm(back)
    out = np.cross(back, up) * sign
    out /= np.linalg.norm(out)
    scale = person.ears
    centre = np.array([7.75 * sign, 0.75, -3.15])
    points = centre + scale * (u[..., None] * back + v[..., None] * up + height[..., None] * out)
    flat = points.reshape(-1, 3)
    triangles = _grid(17, 44, closed=True)
    p = flat[triangles]
    normal = np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0])
    if (normal @ out).sum() < 0:
        triangles = triangles[:, ::-1]
    flush = 0.75 + 0.4 * rho.ravel() + 0.3 * lobe.ravel()
    return _part(flat, triangles, SKIN, 1.0, shade.ravel(), flush)


def _collar_flaps(person: Person) -> list[Part]:
    """A shirt collar: a stand round the neck and two leaves that fall open at the front."""
    parts = []
    for sign in (-1, 1):
        s = np.linspace(0, 1, 26)[None]  # 0 at the front edge, 1 behind the neck
        t = np.linspace(0, 1, 9)[:, None]
        angle = np.pi / 2 - sign * (0.16 + s * (np.pi - 0.16))
        inner = -12.2 - 3.6 * (1 - smoothstep(0, 0.62, s)) + 0.9 * smoothstep(0.5, 1, s)
        fall = 2.1 + 2.3 * (1 - smoothstep(0.0, 0.24, s))
        y = inner - fall * t
        roll = 0.05 + 0.95 * smoothstep(0, 0.3, t) + 0.35 * t
        points = torso(person, y, angle, roll)
        # The trunk widens towards the shoulders; a collar's upper edge keeps to the neck and lies in front.
        narrow = torso(person, np.maximum(y, -12.6), angle, roll)[..., 0]
        ahead = smoothstep(0.52, 0.36, s)
        points[..., 0] += ahead * (1 - smoothstep(0.0, 0.9, t)) * (narrow - points[..., 0])
        half, deep = (
            torso(person, y, np.zeros_like(y), roll)[..., 0],
            torso(person, y, np.full_like(y, np.pi / 2), roll)[..., 2],
        )
        lying = -4.0 + (deep + 4.0) * np.sqrt(np.maximum(1 - (points[..., 0] / half) ** 2, 0.0))
        points[..., 2] += ahead * (np.maximum(lying, points[..., 2]) - points[..., 2])
        # The leaf's front edge swings outwards from the throat to its point.
        points[..., 0] += sign * (0.25 + 0.5 * t) * (1 - smoothstep(0, 0.25, s))
        points[..., 2] += 0.3 * t * (1 - smoothstep(0, 0.5, s)) + 0.15
        flat = points.reshape(-1, 3)
        triangles = _grid(9, 26, closed=False)
        axis = flat * [0, 1, 0] + [0, 0, -4.0]
        parts.append(_part(flat, _facing(flat, triangles, axis), COLLAR))
    return parts


def _scarf(person: Person) -> list[Part]:
    """A headscarf: a shell over the skull with an opening for the face, and a drape over neck and chest."""
    parts = []
    a = np.linspace(0, 2 * np.pi, 72, endpoint=False)
    t = np.linspace(0, 1, 26)[:, None]
    # The opening lies a little inside the face's own outline, so that no gap opens when the head turns.
    oval = shape_face(person)[0][list(FACE_OVAL)]
    around = np.unwrap(np.arctan2(oval[:, 1] - 0.5, oval[:, 0]))
    order = np.argsort(around % (2 * np.pi))
    angles = (around % (2 * np.pi))[order]
    edge = np.stack([np.interp(a, angles, oval[order, k], period=2 * np.pi) for k in range(3)], -1)
    for _ in range(3):
        edge = (np.roll(edge, 1, 0) + 2 * edge + np.roll(edge, -1, 0)) / 4
    edge = edge * [0.965, 0.985, 1.0] + [0, 0, 0.85]
    edge[:, 1] -= 0.75 * smoothstep(3.0, 7.0, edge[:, 1])
    edge[:, 0] *= 1 - 0.03 * smoothstep(-4.0, -7.0, edge[:, 1])
    centre = np.array([0.0, 3.0, -3.0])
    direction = edge - centre
    radii = np.array([9.15, 11.2, 10.9])
    unit = direction / radii
    reach = np.linalg.norm(unit, axis=1, keepdims=True)
    unit /= reach
    back = np.array([0.0, -0.25, -1.0])
    rows = []
    for k in t.ravel():
        turned = unit * (1 - k) + back * k
        turned /= np.linalg.norm(turned, axis=1, keepdims=True)
        lift = 1 - (1 - min(1.0, 3.5 * k)) ** 2
        grow = reach * (1 - lift) + lift
        row = centre + radii * turned * grow
        low = smoothstep(-3.0, -8.0, edge[:, 1])[:, None]
        under = (
            edge * [1 + 0.35 * k, 1, 1]
            + np.array([0, -0.9, -9.0]) * k
            + np.array([0, -1.2, 0.4]) * np.sin(np.pi * min(1, k))
        )
        rows.append(row * (1 - low) + under * low)
    ripple = 0.14 * np.sin(7 * a + 1.1)[None] * smoothstep(0.05, 0.5, t) + 0.08 * np.sin(13 * a + 2.3 + 5 * t)
    points = np.stack(rows)
    points += (
        (ripple[..., None]) * (points - centre) / np.linalg.norm(points - centre, axis=-1, keepdims=True)
    )
    flat = points.reshape(-1, 3)
    triangles = _facing(flat, _grid(26, 72, closed=True), np.broadcast_to(centre, flat.shape))
    parts.append(_part(flat, triangles, SCARF, 1.0))
    # Drape: from under the chin down over the collar in soft rolls.
    rows_y = np.linspace(0, 1, 30)[:, None]
    angle = a[None]
    front = np.maximum(np.sin(angle), 0)
    y = -8.6 - rows_y * (9.2 + 3.5 * front**2) + 1.4 * np.maximum(-np.sin(angle), 0)
    rolls = 0.42 * np.sin(rows_y * 17 + 1.3 * np.sin(angle * 2 + 0.6) + 0.8 * np.cos(angle))
    swell = (
        0.6
        + 1.5 * smoothstep(0.0, 0.3, rows_y)
        + 0.5 * np.sin(rows_y * np.pi)
        + rolls * smoothstep(0.05, 0.3, rows_y)
        + 0.9 * front
        - 1.7 * smoothstep(0.75, 1.0, rows_y)
    )
    drape = torso(person, y, angle, swell)
    flat = drape.reshape(-1, 3)
    axis = flat * [0, 1, 0] + [0, 0, -4.0]
    posed = np.broadcast_to(smoothstep(-14.0, -8.5, y), y.shape).ravel()
    parts.append(_part(flat, _facing(flat, _grid(30, 72, closed=True), axis), SCARF, posed))
    return parts


def _cap(person: Person) -> list[Part]:
    """A knitted cap with a turned-up band."""
    a = np.linspace(0, 2 * np.pi, 96, endpoint=False)
    t = np.linspace(0, 1, 22)[:, None]
    centre = np.array([0.0, 5.0, -2.4])
    radii = np.array([8.75, 8.9, 9.9])
    polar = (1 - t) * 1.62
    ring = np.stack(
        [np.sin(polar) * np.cos(a), np.cos(polar) * np.ones_like(a), np.sin(polar) * np.sin(a)], -1
    )
    points = centre + radii * ring
    tilt = 0.13
    y, z = points[..., 1] - 5, points[..., 2].copy()
    points[..., 1] = 5 + y + tilt * z
    flat = points.reshape(-1, 3)
    crown = _part(
        flat, _facing(flat, _grid(22, 96, closed=True), np.broadcast_to(centre, flat.shape)), CAP, 1.0
    )
    rows = np.linspace(-1, 1, 9)[:, None]
    bulge = 0.75 * np.sqrt(np.maximum(1 - rows**2, 0.02))
    bx = (radii[0] + bulge) * np.cos(a)
    bz = (radii[2] + bulge) * np.sin(a)
    band = np.stack([bx, 5.9 + 1.7 * rows + tilt * (bz - 2.4) + 0 * a, centre[2] + bz], -1)
    flat = band.reshape(-1, 3)
    axis = flat * [0, 1, 0] + centre * [1, 0, 1]
    del person
    return [crown, _part(flat, _facing(flat, _grid(9, 96, closed=True), axis), CAP, 1.0, 0.94)]


@functools.lru_cache(maxsize=64)
def dress(person: Person) -> tuple[Part, ...]:
    """All meshes of a person but the face.

    Returns
    -------
    tuple of Part
    """
    parts: list[Part] = []
    angle = np.linspace(0, 2 * np.pi, 96, endpoint=False)
    skin_y = np.full(96, -3.5)
    neck = _loft(person, skin_y, -27.0, 40, -0.45, SKIN)
    posed = smoothstep(-12.5, -5.0, neck.points[:, 1])
    # The hollow between the collar bones and the two cords that run down to it.
    x, y, z = neck.points.T
    y = y - LIFT
    pit = np.exp(-((x / 1.1) ** 2) - ((y + 15.6) / 0.9) ** 2) * (z > 0)
    cords = (
        np.exp(-(((np.abs(x) - 1.2 - 0.42 * (y + 15.5)) / 0.75) ** 2))
        * smoothstep(-16, -14.5, y)
        * smoothstep(-8, -11, y)
        * (z > 0)
    )
    bones = np.exp(-(((y + 16.6 - 0.10 * np.abs(x)) / 0.5) ** 2)) * smoothstep(1.2, 2.4, np.abs(x)) * (z > -2)
    neck.points[:, 2] += 0.40 * cords - 0.45 * pit + 0.35 * bones
    parts.append(neck._replace(posed=posed, flush=0.1 * np.ones(len(posed))))
    cloth = _loft(person, neckline(person, angle), BOTTOM, 64, 0.25, CLOTH)
    parts.append(cloth)
    line = torso(person, neckline(person, angle), angle, 0.25)
    if person.collar in ("crew", "vneck"):
        parts.append(_tube(line, 0.62 if person.weave == "knit" else 0.46, COLLAR, 0.55))
    elif person.collar == "hood":
        behind = smoothstep(0.9, -0.6, np.sin(angle))
        dip = 0.9 * np.clip(np.sin(angle), 0, 1) ** 2
        lifted = torso(
            person, neckline(person, angle) + 0.35 + 1.0 * behind - dip, angle, 0.75 + 1.3 * behind
        )
        lifted[:, 1] += 0.12 * np.sin(5 * angle + 0.7)
        parts.append(_tube(lifted, 0.85 + 1.35 * behind, COLLAR, 0.8))
    elif person.collar == "turtleneck":
        rows = np.linspace(0, 1, 12)[:, None]
        y = -10.6 - 3.9 * rows - 0.5 * np.maximum(np.sin(angle), 0)[None]
        swell = 0.45 + 0.75 * np.sin(np.pi * np.clip(rows * 0.9 + 0.1, 0, 1)) + 0.25 * rows
        flat = torso(person, y, angle[None], swell).reshape(-1, 3)
        axis = flat * [0, 1, 0] + [0, 0, -4.0]
        parts.append(_part(flat, _facing(flat, _grid(12, 96, closed=True), axis), COLLAR, 0.0))
    else:
        parts.extend(_collar_flaps(person))
    if person.hair_style == "scarf":
        parts.extend(_scarf(person))
    else:
        parts.extend(_ear(person, sign) for sign in (-1, 1))
    if person.hair_style == "cap":
        parts.extend(_cap(person))
    return tuple(parts)


class Fabric(NamedTuple):
    """Folds and weave in the plane of the body, PER_CM pixels to the centimetre from LEFT_CM, TOP_CM."""

    height: Pixels
    tone: Pixels


PER_CM = 10.0
LEFT_CM, TOP_CM = -32.0, 14.0


@functools.lru_cache(maxsize=64)
def fabric(person: Person) -> Fabric:
    """Folds of a person's clothes as a height map (cm) and their weave as a tone map, (1120, 640) float32."""
    rng = np.random.default_rng(person.seed + 5)
    shape = (1120, 640)
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    x, y = x / PER_CM + LEFT_CM, TOP_CM - y / PER_CM
    ax = np.abs(x)
    soft = {"jersey": 1.0, "knit": 0.65, "stripes": 0.9, "linen": 1.25}[person.weave]
    wide = person.shoulders
    height = 0.20 * soft * cloud(rng, shape, 90, 3)
    # Drawn folds hang from the armpits and from the points of the shoulders towards the middle.
    lines = np.zeros(shape, np.float32)
    for sign in (-1, 1):
        for _ in range(7):
            start = np.array([sign * wide * rng.uniform(13.0, 16.5), rng.uniform(-31, -23)])
            reach = np.array([-sign * rng.uniform(4, 11), rng.uniform(-9, 3)])
            bend = rng.uniform(-2, 2, 2)
            t = np.linspace(0, 1, 18)[:, None]
            path = start + reach * t + bend * np.sin(np.pi * t)
            pix = np.rint((np.stack([path[:, 0] - LEFT_CM, TOP_CM - path[:, 1]], 1)) * PER_CM * 16).astype(
                np.int32
            )
            layer = np.zeros(shape, np.float32)
            for k in range(17):
                cv2.line(
                    layer,
                    pix[k].tolist(),
                    pix[k + 1].tolist(),
                    float(np.sin(np.pi * (k + 0.7) / 18)),
                    6,
                    cv2.LINE_AA,
                    4,
                )
            lines += rng.choice([-1.0, 1.0], p=[0.6, 0.4]) * cv2.GaussianBlur(
                layer, (0, 0), float(rng.uniform(5, 11))
            )
    height += 1.1 * soft * lines
    # Arm against chest.
    arm = np.exp(-(((ax - wide * (15.2 + 0.035 * (-26 - y))) / 0.75) ** 2)) * smoothstep(-24.0, -33.0, y)
    height -= 0.7 * arm
    tone = 0.05 * cloud(rng, shape, 3, 2) if person.weave == "linen" else 0.03 * cloud(rng, shape, 3, 2)
    if person.weave == "knit":
        # Rows of little V stitches.
        column, row = x / 0.62, (y + 0.10 * np.abs(((x / 0.62) % 1) - 0.5) * 4) / 0.50
        stitch = np.cos(2 * np.pi * row) * (0.35 + 0.65 * np.abs(np.sin(np.pi * column)))
        height += 0.022 * stitch
        tone += 0.07 * stitch - 0.05 * (np.abs((column % 1) - 0.0) < 0.12)
    elif person.weave == "linen":
        tone += 0.03 * np.repeat(rng.standard_normal((shape[0], 1)), shape[1], 1)
        tone += 0.03 * np.repeat(rng.standard_normal((1, shape[1])), shape[0], 0)
    tone -= 0.20 * arm
    if person.collar == "shirt":
        # Button band and buttons down the front.
        below = smoothstep(-16.5, -17.2, y)
        for edge in (-1.5, 1.5):
            height -= 0.10 * below * np.exp(-(((x - edge) / 0.14) ** 2))
            tone -= 0.10 * below * np.exp(-(((x - edge) / 0.10) ** 2))
        for level in np.arange(-19.5, -80, -7.5):
            button = smoothstep(0.62, 0.5, np.hypot(x, y - level))
            height += 0.12 * smoothstep(0.62, 0.3, np.hypot(x, y - level))
            tone += button * (0.22 - 0.5 * smoothstep(0.14, 0.08, np.hypot(np.abs(x) - 0.16, y - level)))
    return Fabric(height.astype(np.float32), tone.astype(np.float32))


def pose_parts(part: Part, matrix: Floats) -> Floats:
    """Positions of a part when the head is turned by `matrix`; the neck twists between head and trunk."""
    turned = (part.points - PIVOT) @ matrix.T + PIVOT
    return part.points + part.posed[:, None] * (turned - part.points)
