"""The shoulder of somebody who stands nearer, before a face."""

from __future__ import annotations

import cv2
import numpy as np

from . import body, mesh
from .body import LIFT, torso
from .mesh import Floats
from .paint import Pixels, to_srgb
from .person import Person
from .shade import cloth_light, openness
from .view import View

AHEAD = 13.0  # cm; how much nearer to the camera the neighbour stands, so that nothing of the face pokes out
CLOTHS = ((0.33, 0.38, 0.45), (0.55, 0.34, 0.30), (0.42, 0.45, 0.36), (0.68, 0.65, 0.60))
NEAR = 1.45  # a neighbour close to the camera looks larger by this
BESIDE = 25.5  # cm; the neighbour's neck stays out of a picture of one head


def _neighbour(person: Person) -> Person:
    number = person.seed + round(1000 * sum(person.cloth))
    return Person(name="neighbour", seed=number, cloth=CLOTHS[number % len(CLOTHS)], weave="jersey")


def _hides(other: Person, at: tuple[float, float], x: Floats, y: Floats) -> float:
    """Share of points x, y behind a neighbour whose chin's place is moved to `at`, cm."""
    own = (y - at[1]) / NEAR
    wide = torso(other, own - LIFT, np.zeros(len(own)), 0.25)[:, 0]
    return float(((np.abs(x - at[0]) < NEAR * wide) & (own < -13.0)).mean())


def place_shoulder(other: Person, side: str, share: float, oval: Floats) -> tuple[float, float]:
    """Where a neighbour stands to hide a share of the oval (N, 2), cm.

    Raises
    ------
    ValueError
        If no place does.
    """
    step = 0.25
    x, y = np.meshgrid(np.arange(-10, 10, step), np.arange(-12, 11, step))
    ring = np.rint((oval - [-10, -12]) / step * 16).astype(np.int32)
    inside = cv2.fillPoly(np.zeros(x.shape, np.uint8), [ring], 1, cv2.LINE_8, 4) > 0
    px, py = x[inside], y[inside]
    sign = -1.0 if side == "right" else 1.0
    if side == "below":
        ways = [[(BESIDE, h) for h in np.arange(0.0, 60.0, 0.1)]]
    else:
        inwards = [sign * a for a in np.arange(60.0, BESIDE, -0.1)]
        ways = [[(a, h) for a in inwards] for h in (27.0, 31.0, 36.0, 43.0)]
    for way in ways:
        low, high = 0, len(way) - 1
        if _hides(other, way[high], px, py) < share:
            continue
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (low, middle) if _hides(other, way[middle], px, py) >= share else (middle, high)
        return way[high]
    raise ValueError(f"a shoulder from {side} cannot hide {share:.0%} of a face")


def lay_shoulder(person: Person, side: str, share: float, oval: Floats, view: View) -> tuple[Pixels, Pixels]:
    """Draw a neighbour's shoulder in plain cloth.

    Returns
    -------
    colour : (H, W, 3) float32 sRGB
    cover : (H, W) float32, 0 or 1
    """
    other = _neighbour(person)
    x, y = place_shoulder(other, side, share, oval)
    parts = [p for p in body.dress(other) if p.material == body.CLOTH]
    rest = np.concatenate([p.points for p in parts])
    points = NEAR * rest + np.array([x, y, AHEAD])
    (part,) = parts
    height, width = view.canvas
    seen = mesh.rasterise(view.project(points), points[:, 2], part.triangles, (height, width))
    normals = mesh.vertex_normals(points, part.triangles)
    flat = mesh.interpolate(
        seen, part.triangles, np.column_stack([normals, rest, part.shade, part.flush, points[:, 2]])
    )
    depth = np.full(height * width, -1e3, np.float32)
    depth[seen.pixel] = flat[:, 8]
    ambient, lit = openness(depth.reshape(height, width), view.density)
    normal = flat[:, :3] / np.maximum(np.linalg.norm(flat[:, :3], axis=1, keepdims=True), 1e-6)
    fragment = {
        "normal": normal,
        "rest": flat[:, 3:6],
        "shade": flat[:, 6],
        "ambient": ambient.ravel()[seen.pixel],
        "lit": lit.ravel()[seen.pixel],
    }
    light = cloth_light(other, fragment, np.full(len(seen.pixel), body.CLOTH))
    colour = np.zeros((height * width, 3), np.float32)
    colour[seen.pixel] = to_srgb(light / (1 + 0.16 * light))
    cover = np.zeros(height * width, np.float32)
    cover[seen.pixel] = 1
    return colour.reshape(height, width, 3), cover.reshape(height, width)
