"""A head in centimetres: the canonical face, closed by a skull, shaped for a person, set to an expression."""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy import sparse

from . import mesh
from .mesh import Floats, Ints
from .person import Person

SKULL_CENTRE = np.array([0.0, 3.4, -2.6])
SKULL_RADII = np.array([7.75, 9.0, 9.0])
PIVOT = np.array([0.0, -7.0, -4.0])  # where the head turns on the neck
EYE_RADIUS = 1.32
EYE_CENTRE = np.array([3.2, 2.62, 2.52])
LEVELS = 2
RINGS = 7


@dataclass(frozen=True, slots=True, kw_only=True)
class Expression:
    """What a face does in one frame; all in [0, 1] but the angles."""

    close: float = 0.0
    smile: float = 0.3
    squash: float = 0.0
    squash_kind: str = "word"
    """word, side, pout or grimace."""
    mouth_open: float = 0.0
    turn_deg: float = 0.0
    """Positive turns the face to the image's right."""
    nod_deg: float = 0.0
    """Positive lowers the chin."""
    tilt_deg: float = 0.0
    """Positive leans the head to the image's right."""
    gaze_x_deg: float = 0.0
    """Turn of the eyes away from the camera, whatever the head does; positive to the image's right."""
    gaze_y_deg: float = 0.0
    """Positive looks down; the lids come along as far as the head has not gone there itself."""
    tongue: float = 0.0
    """How far the tongue is put out; the mouth opens for it."""


class Topology(NamedTuple):
    """The closed head, coarse and subdivided."""

    triangles: Ints
    weights: sparse.csr_matrix
    uv: Floats
    rest: Floats
    """Canonical position of every fine point, (N, 3) cm."""
    oval: Ints
    lids: tuple[Ints, Ints]
    """Fine points along the right and left eye openings, in order."""
    lips: Ints
    """Fine points along the inner lips, in order."""


def smoothstep(low: float, high: float, value: Floats | float) -> Floats:
    """Cubic step from 0 at `low` to 1 at `high`."""
    t = np.clip((np.asarray(value, float) - low) / (high - low), 0, 1)
    return t * t * (3 - 2 * t)


def bump(x: Floats, y: Floats, at: tuple[float, float], radius: float | tuple[float, float]) -> Floats:
    """Gaussian hill in the face plane, cm."""
    rx, ry = (radius, radius) if isinstance(radius, (int, float)) else radius
    return np.exp(-(((x - at[0]) / rx) ** 2) - ((y - at[1]) / ry) ** 2)


def _skull_rings(points: Floats) -> Floats:
    """Rings from the face's outline round the skull (above) and under the jaw (below), (RINGS * 36, 3)."""
    oval = points[list(mesh.FACE_OVAL)]
    direction = (oval - SKULL_CENTRE) / SKULL_RADII
    reach = np.linalg.norm(direction, axis=1, keepdims=True)
    # Along meridians from the outline to the back of the head: straight blends would miss the crown.
    radial = direction[:, :2] / np.linalg.norm(direction[:, :2], axis=1, keepdims=True)
    start = np.arccos(np.clip(direction[:, 2:] / reach, -1, 1))
    rings = []
    for k in range(1, RINGS + 1):
        t = k / (RINGS + 0.4)
        angle = start + (np.pi - start) * t
        turned = np.concatenate([radial * np.sin(angle), np.cos(angle)], axis=1)
        upper = SKULL_CENTRE + SKULL_RADII * turned * (
            1 + (reach - 1) * (1 - t) ** 2 + 0.085 * np.sin(np.pi * t)
        )
        # Under the jaw the surface runs back to the throat instead of swelling into the skull's ellipsoid.
        lower = (
            oval * [1 - 0.5 * t, 1, 1]
            + np.array([0, 3.0, -11.0]) * t
            + np.array([0, -0.35, 0]) * np.sin(np.pi * t)
        )
        low = smoothstep(-1.5, -5.5, oval[:, 1])[:, None]
        rings.append(upper * (1 - low) + lower * low)
    return np.concatenate(rings)


@functools.cache
def topology() -> Topology:
    """Close the canonical face with a skull, open eyes and mouth, subdivide."""
    points, uv, triangles = mesh.canonical()
    holes = [
        {*mesh.RIGHT_UPPER_LID, *mesh.RIGHT_LOWER_LID},
        {*mesh.mirrored(mesh.RIGHT_UPPER_LID), *mesh.mirrored(mesh.RIGHT_LOWER_LID)},
        {*mesh.INNER_UPPER_LIP, *mesh.INNER_LOWER_LIP},
    ]
    kept = [t for t in triangles.tolist() if not any(set(t) <= hole for hole in holes)]
    ring = len(mesh.FACE_OVAL)
    before = np.array(mesh.FACE_OVAL)
    joined = list(kept)
    for k in range(RINGS):
        after = 468 + k * ring + np.arange(ring)
        for i in range(ring):
            j = (i + 1) % ring
            joined += [[before[i], after[j], before[j]], [before[i], after[i], after[j]]]
        before = after
    pole = 468 + RINGS * ring
    joined += [[before[i], pole, before[(i + 1) % ring]] for i in range(ring)]
    coarse = np.array(joined)
    rest = np.concatenate(
        [points, _skull_rings(points), [SKULL_CENTRE + np.array([0, -0.9, -SKULL_RADII[2]])]]
    )
    coarse = _outward(rest, coarse, len(kept))
    # Outside the face the texture has no room: the skull takes the colour of the outline it grows from.
    outer_uv = np.concatenate([np.tile(uv[list(mesh.FACE_OVAL)], (RINGS, 1)), [[0.5, 0.11]]])
    fine_uv = np.concatenate([uv, outer_uv])
    weights = sparse.identity(len(rest), format="csr")
    current = coarse
    count = len(rest)
    for _ in range(LEVELS):
        step, current = mesh.loop_subdivide(current, count)
        weights = step @ weights
        count = step.shape[0]
    loops = _open_loops(current)
    rest_fine = weights @ rest
    centre = [rest_fine[loop].mean(0) for loop in loops]
    order = np.argsort([c[0] for c in centre])
    lips = min(range(3), key=lambda k: centre[k][1])
    right, left = (loops[k] for k in order if k != lips)
    return Topology(
        current,
        weights.tocsr(),
        weights @ fine_uv,
        rest_fine,
        np.array(mesh.FACE_OVAL),
        (right, left),
        loops[lips],
    )


def _outward(points: Floats, triangles: Ints, faces: int) -> Ints:
    """Turn all triangles so that their normals look out of the head."""
    p = points[triangles]
    normal = np.cross(p[:, 1] - p[:, 0], p[:, 2] - p[:, 0])
    front = normal[:faces, 2].sum() > 0
    out = triangles.copy()
    if not front:
        out[:faces] = out[:faces, ::-1]
    away = p[faces:].mean(1) - np.array([0.0, 1.0, -3.0])
    if ((normal[faces:] * away).sum(1) > 0).mean() < 0.5:
        out[faces:] = out[faces:, ::-1]
    return out


def _open_loops(triangles: Ints) -> list[Ints]:
    """Closed chains of points along edges used by one triangle only."""
    sides = np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]])
    edges, uses = np.unique(np.sort(sides, axis=1), axis=0, return_counts=True)
    neighbours: dict[int, list[int]] = {}
    for a, b in edges[uses == 1].tolist():
        neighbours.setdefault(a, []).append(b)
        neighbours.setdefault(b, []).append(a)
    loops, left = [], set(neighbours)
    while left:
        start = min(left)
        loop, previous, here = [start], -1, start
        while True:
            following = [n for n in neighbours[here] if n != previous]
            previous, here = here, following[0]
            if here == start:
                break
            loop.append(here)
        left -= set(loop)
        loops.append(np.array(loop))
    return [loop for loop in loops if len(loop) > 8]


def shape_face(person: Person) -> tuple[Floats, Floats]:
    """Proportions of a person: points (468, 3) and eye centres (2, 3) right, left; cm, expressionless."""
    points = mesh.canonical().points.copy()
    x, y, z = points.T.copy()
    side = np.sign(x)
    ax = np.abs(x)
    # The mesh's own lips stand apart and its eyes are narrow: start from a closed mouth and a wider opening.
    for upper, lower in zip(mesh.INNER_UPPER_LIP[1:-1], mesh.INNER_LOWER_LIP[1:-1], strict=True):
        middle = (points[upper] + points[lower]) / 2
        points[upper] = middle + np.array([0, 0.02, 0])
        points[lower] = middle - [0, 0.02, 0]
    centres = np.array([EYE_CENTRE * [-1, 1, 1], EYE_CENTRE])
    child = smoothstep(16, 6, person.age)
    old = smoothstep(45, 75, person.age)

    def both(at: tuple[float, float], radius: float | tuple[float, float]) -> Floats:
        return bump(ax, y, at, radius)

    points[:, 0] *= 1 + 0.06 * person.wide + 0.085 * person.jaw * smoothstep(0, -7, y) - 0.03 * child
    points[:, 0] *= 1 + 0.12 * person.chin * bump(ax, y, (0.0, -9.0), (3.0, 2.2))
    points[:, 1] += -0.35 * person.chin * smoothstep(-6, -9.5, y)
    points[:, 2] += 0.25 * person.chin * both((0.0, -8.6), 2.2)
    cheek = both((4.9, -2.6), (2.2, 2.6))
    points[:, 0] += 0.42 * person.cheeks * cheek * side
    points[:, 2] += 0.38 * person.cheeks * cheek
    jowl = both((4.6, -6.4), (1.6, 1.7))
    points[:, 0] += 0.35 * old * jowl * side
    points[:, 1] -= 0.30 * old * jowl
    hollow = both((5.2, -2.0), (1.5, 1.6))
    points[:, 2] -= 0.45 * old * hollow
    nose = bump(x, y, (0.0, -1.0), (2.1, 1.9)) * smoothstep(4.6, 6.0, z)
    points[:, 0] *= 1 + 0.30 * person.nose_wide * nose
    points[:, 2] += 0.55 * person.nose_long * bump(x, y, (0.0, -0.6), (1.2, 2.4))
    points[:, 1] += (0.38 * person.nose_up - 0.25 * person.nose_long - 0.25 * old) * nose
    bridge = bump(x, y, (0.0, 2.0), (1.1, 1.9))
    points[:, 2] += (0.2 * person.nose_long - 0.45 * child - 0.12 * max(person.nose_wide, 0)) * bridge
    lip = bump(x, y, (0.0, -4.2), (2.3, 1.15))
    points[:, 1] = np.where(
        lip > 0.02, points[:, 1] + 0.40 * person.lips * lip * np.clip(y + 4.25, -0.9, 0.9), points[:, 1]
    )
    points[:, 2] += 0.22 * person.lips * lip
    points[:, 0] *= 1 + 0.12 * person.mouth_wide * bump(x, y, (0.0, -4.2), (3.0, 1.6))
    brow = both((3.2, 4.7), (2.9, 1.1))
    points[:, 1] += (0.36 * person.brow_up - 0.12 * old) * brow
    points[:, 2] += (0.18 * max(person.jaw, 0) - 0.28 * child) * brow
    # Eyes: opening, size, distance and slant move the orbit as a whole, so folds keep their order.
    opening = 1.36 + 0.26 * person.eyes + 0.12 * child - 0.14 * old
    scale = 1.06 + 0.06 * person.eyes + 0.02 * child
    for k, sign in enumerate((-1, 1)):
        centre = EYE_CENTRE * [sign, 1, 1]
        near = np.exp(-(((x - centre[0]) / 2.3) ** 2) - ((y - centre[1]) / 1.25) ** 2)
        own = (side == sign).astype(float)
        dx, dy = x - centre[0], y - centre[1]
        points[:, 1] += (
            own
            * near
            * dy
            * np.where(np.abs(dx) < 2.2, opening * scale - 1, 0)
            * smoothstep(2.0, 0.9, np.abs(dy))
        )
        points[:, 0] += own * near * dx * (scale - 1)
        points[:, 1] += own * near * (0.16 * person.slant + 0.03) * dx * sign
        shift = 0.16 * person.eyes_apart * sign
        points[:, 0] += own * near * shift
        centres[k, 0] += shift
        points[:, 1] -= own * near * 0.22 * old * smoothstep(0.2, 1.6, dx * sign) * (dy > -0.2)
    # Face length last: below the eyes for grown-ups and children, forehead the other way round.
    low = 1 + 0.085 * person.long - 0.07 * child
    high = 1 + 0.03 * person.long + 0.06 * child
    points[:, 1] = np.where(
        points[:, 1] < 2.6, 2.6 + (points[:, 1] - 2.6) * low, 2.6 + (points[:, 1] - 2.6) * high
    )
    wobble = np.random.default_rng(person.seed + 11)
    for _ in range(6):
        at = (wobble.uniform(-6, 6), wobble.uniform(-8, 6))
        points += bump(points[:, 0], points[:, 1], at, 4.0)[:, None] * wobble.normal(0, [0.06, 0.06, 0.08])
    return points, centres


@functools.cache
def _fields() -> dict[str, Floats]:
    """Where expressions act, as weights (468,) over the canonical points."""
    points = mesh.canonical().points
    x, y, _ = points.T
    ax = np.abs(x)
    out = {
        "corner": bump(ax, y, (2.5, -4.3), (1.35, 1.25)),
        "apple": bump(ax, y, (4.4, -0.4), (2.0, 1.7)),
        "fold": bump(ax, y, (2.9, -2.2), (0.9, 1.5)),
        "mouth": bump(x, y, (0.0, -4.2), (2.2, 1.3)),
        "around": bump(x, y, (0.0, -4.2), (3.2, 2.2)),
    }
    # The jaw carries what lies below the line between the lips, which widens into the cheek.
    width = 0.25 + 3.0 * smoothstep(2.2, 6.5, ax)
    jaw = smoothstep(0, 1, 0.5 - (y + 4.25) / (2 * width)) * smoothstep(7.9, 5.0, ax)
    for index in (*mesh.INNER_LOWER_LIP[1:-1], *mesh.OUTER_LOWER_LIP[1:-1]):
        jaw[index] = 1.0
    upper = [i for i in range(468) if points[i, 1] > -4.25 and ax[i] < 2.1]
    jaw[upper] = 0
    jaw[list(mesh.INNER_LOWER_LIP[1:-1])] = 1.0
    for index in (61, 291, 78, 308, 62, 292, 76, 306):
        jaw[index] = 0.42
    out["jaw"] = jaw
    return out


def express(person: Person, expression: Expression) -> tuple[Floats, Floats]:
    """Set a face to an expression.

    Returns
    -------
    points : (N, 3) float64
        Fine head mesh, cm, head coordinates before the head's turn.
    eyes : (2, 3) float64
        Eye centres.
    """
    points, centres = shape_face(person)
    points = points.copy()
    field = _fields()
    x, y, _ = mesh.canonical().points.T
    side = np.sign(x)
    ax = np.abs(x)
    smile, opened, squash, kind = (
        expression.smile,
        expression.mouth_open,
        expression.squash,
        expression.squash_kind,
    )
    opened = max(opened, 0.42 * float(smoothstep(0.0, 0.5, expression.tongue)))
    if squash and kind == "word":
        opened = max(opened, 0.62 * squash)
        smile *= 1 - 0.7 * squash
    if squash and kind in ("pout", "side"):
        smile *= 1 - squash
    corner, apple, around = field["corner"], field["apple"], field["around"]

    points[:, 0] += smile * side * (0.98 * corner + 0.16 * apple)
    points[:, 1] += smile * (0.98 * corner + 0.46 * apple + 0.25 * field["fold"])
    points[:, 2] += smile * (-0.62 * corner + 0.42 * apple - 0.2 * around + 0.15 * field["fold"])
    # A stretched lip thins, and the lower lip's middle stays low: that makes the curve of a smile.
    points[:, 1] -= smile * 0.26 * bump(x, y, (0.0, -4.7), (1.5, 1.1))
    lip = field["mouth"] * np.clip(y + 4.25, -0.9, 0.9)
    points[:, 1] -= smile * 0.16 * lip
    teeth = float(smoothstep(0.42, 0.82, smile)) * person.toothy
    parted = 0.70 * teeth * smoothstep(2.5, 1.1, ax)
    upper_lip = np.zeros(468)
    lower_lip = np.zeros(468)
    upper_lip[list(mesh.INNER_UPPER_LIP[1:-1])] = 1
    upper_lip[list(mesh.OUTER_UPPER_LIP[1:-1])] = 0.75
    lower_lip[list(mesh.INNER_LOWER_LIP[1:-1])] = 1
    lower_lip[list(mesh.OUTER_LOWER_LIP[1:-1])] = 0.85
    between = [(i in _upper_rest()) for i in range(468)]
    upper_lip[between] = 0.8
    lower_rest = [(i in _lower_rest()) for i in range(468)]
    lower_lip[lower_rest] = 0.95
    skin_above = bump(x, y, (0.0, -2.9), (2.2, 0.8)) * (upper_lip == 0) * (lower_lip == 0)
    skin_below = bump(x, y, (0.0, -5.9), (2.4, 1.2)) * (upper_lip == 0) * (lower_lip == 0)
    points[:, 1] += parted * (0.42 * upper_lip + 0.22 * skin_above)
    points[:, 1] -= parted * (0.62 * lower_lip + 0.4 * skin_below)

    if squash:
        if kind == "word":
            points[:, 0] -= squash * 0.62 * side * corner
            points[:, 2] += squash * 0.45 * field["mouth"]
        elif kind == "side":
            pull = bump(x, y, (0.0, -4.6), (3.0, 1.9))
            points[:, 0] += squash * 1.05 * pull
            points[:, 1] += squash * (0.75 * corner * (x > 0) - 0.3 * corner * (x < 0))
            points[:, 1] += squash * 0.25 * apple * (x > 0)
            points[:, 0] -= squash * 0.35 * side * corner
        elif kind == "pout":
            points[:, 0] -= squash * side * np.minimum(ax, 2.6) * 0.42 * field["around"]
            points[:, 2] += squash * 0.75 * field["mouth"]
            points[:, 1] += squash * 0.30 * lip
        else:
            points[:, 0] += squash * 0.75 * side * corner
            points[:, 1] -= squash * (0.55 * corner + 0.3 * bump(ax, y, (2.7, -5.6), 1.3))
            points[:, 2] -= squash * 0.4 * corner
            stretch = squash * smoothstep(2.6, 1.4, ax)
            points[:, 1] += stretch * (0.25 * upper_lip)
            points[:, 1] -= stretch * (0.65 * lower_lip + 0.4 * skin_below)
            brow = bump(ax, y, (1.6, 4.6), (1.3, 1.1))
            points[:, 1] -= squash * 0.3 * brow
            points[:, 0] -= squash * 0.2 * side * brow
    if opened:
        angle = np.deg2rad(17.0 * opened)
        hinge = np.array([0.0, 0.3, -2.0])
        turned = points - hinge
        cos, sin = np.cos(angle), np.sin(angle)
        moved = np.stack(
            [turned[:, 0], turned[:, 1] * cos - turned[:, 2] * sin, turned[:, 1] * sin + turned[:, 2] * cos],
            1,
        )
        points += field["jaw"][:, None] * (moved - turned)
        points[:, 0] -= opened * 0.28 * side * corner
        points[:, 1] += opened * 0.1 * upper_lip

    if expression.tongue:
        points[:, 1] -= expression.tongue * 0.12 * lower_lip
    squint = 0.26 * smile
    follow = _lids_follow(expression)
    for _sign, upper, lower, fold, low_fold, orbit in _lids():
        up, lo = points[upper].copy(), points[lower].copy()
        raised = lo + (up - lo) * squint * 0.55
        closed = raised + (up - raised) * 0.04
        # Lashes of a shut eye sag between the corners.
        closed[:, 1] -= 0.09 * np.sin(np.linspace(0, np.pi, len(closed)))
        open_up = up - (up - raised) * 0.06 * smile
        new_up = open_up + (closed - open_up) * expression.close
        new_lo = raised + (closed - raised) * expression.close
        if any(follow):
            _lower_lids(new_up, new_lo, follow)
        points[upper] = new_up
        points[lower] = new_lo
        points[fold[1:-1], 1] += 0.52 * (new_up - up)[1:-1, 1]
        points[low_fold[1:-1], 1] += 0.6 * (new_lo - lo)[1:-1, 1]
        points[orbit[1:-1], 1] += 0.12 * (new_up - up)[1:-1, 1]
    top = topology()
    coarse = np.concatenate(
        [points, _skull_rings(points), [SKULL_CENTRE + np.array([0, -0.9, -SKULL_RADII[2]])]]
    )
    fine = top.weights @ coarse
    rest = top.rest
    for centre, sign in zip(centres, (-1, 1), strict=True):
        near = (np.abs(rest[:, 0] - EYE_CENTRE[0] * sign) < 2.0) & (np.abs(rest[:, 1] - EYE_CENTRE[1]) < 1.5)
        near &= rest[:, 2] > 1.5
        away = fine[near] - centre
        # Lids are skin over the ball: what would sink into it is pushed out along z; the lid line stays put.
        radius = EYE_RADIUS + 0.10
        inside = radius**2 - away[:, 0] ** 2 - away[:, 1] ** 2
        need = np.sqrt(np.maximum(inside, 0))
        soft = np.where(inside > 0, need, -9)
        away[:, 2] = np.maximum(away[:, 2], soft)
        fine[near] = centre + away
    return fine, centres


def _lids_follow(expression: Expression) -> tuple[float, float]:
    """How far the margins of the upper and lower lid come along with a look up or down, cm; positive down.

    The upper lid keeps to the upper edge of the iris, so it travels nearly as far as the ball's surface; the
    lower one makes about a third of that way, and both less upwards (from memory).
    """
    gaze, nod = expression.gaze_y_deg, expression.nod_deg
    down = max(0.0, gaze - max(nod, 0.0)) if gaze > 0 else min(0.0, gaze - min(nod, 0.0))
    way = EYE_RADIUS * float(np.sin(np.deg2rad(down)))
    return (0.86 * way, 0.34 * way) if way > 0 else (0.42 * way, 0.16 * way)


def _lower_lids(upper: Floats, lower: Floats, follow: tuple[float, float]) -> None:
    """Move lid margins (N, 3), corner to corner, down in place; they may meet but not cross."""
    along = np.sin(np.linspace(0, np.pi, len(upper))) ** 0.7
    lower[:, 1] -= follow[1] * along
    room = np.maximum(upper[:, 1] - lower[:, 1] - 0.04, 0.0)
    upper[:, 1] -= np.minimum(follow[0] * along, room)


@functools.cache
def _upper_rest() -> frozenset[int]:
    """Points on the red of the upper lip between its outer and inner line."""
    return frozenset(
        (62, 76, 184, 183, 74, 42, 73, 41, 72, 38, 11, 12, 302, 268, 303, 271, 304, 272, 408, 407)
    ) - {62, 76}


@functools.cache
def _lower_rest() -> frozenset[int]:
    """Points on the red of the lower lip between its outer and inner line."""
    return frozenset((77, 96, 90, 89, 180, 179, 85, 86, 16, 15, 315, 316, 404, 403, 320, 319, 307, 325))


@functools.cache
def _lids() -> tuple[tuple[int, list[int], list[int], list[int], list[int], list[int]], ...]:
    rows = (
        mesh.RIGHT_UPPER_LID,
        mesh.RIGHT_LOWER_LID,
        mesh.RIGHT_UPPER_FOLD,
        mesh.RIGHT_LOWER_FOLD,
        mesh.RIGHT_UPPER_ORBIT,
    )
    right = tuple(list(row) for row in rows)
    left = tuple(list(mesh.mirrored(row)) for row in rows)
    return ((-1, *right), (1, *left))  # type: ignore[return-value]


def rotation(expression: Expression) -> Floats:
    """Turn, nod and tilt as a matrix (3, 3) acting on head coordinates about `PIVOT`."""
    turn, nod, tilt = np.deg2rad([expression.turn_deg, expression.nod_deg, -expression.tilt_deg])
    ct, st, cn, sn, cl, sl = np.cos(turn), np.sin(turn), np.cos(nod), np.sin(nod), np.cos(tilt), np.sin(tilt)
    about_y = np.array([[ct, 0, st], [0, 1, 0], [-st, 0, ct]])
    about_x = np.array([[1, 0, 0], [0, cn, -sn], [0, sn, cn]])
    about_z = np.array([[cl, -sl, 0], [sl, cl, 0], [0, 0, 1]])
    return about_z @ about_x @ about_y


def pose(points: Floats, matrix: Floats) -> Floats:
    """Turn head points (..., 3) about the neck."""
    return (points - PIVOT) @ matrix.T + PIVOT
