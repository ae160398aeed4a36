"""A tongue put out over the lower lip, as a small mesh lit like the skin."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from . import head, mesh
from .head import smoothstep
from .mesh import Floats
from .paint import Pixels, to_linear, to_srgb
from .person import Person
from .shade import HALF, diffuse
from .view import View

ROWS, COLUMNS = 44, 27
PINK = (0.79, 0.41, 0.42)
INNER_UPPER, INNER_LOWER, OUTER_LOWER = 13, 14, 17


def _surface(fine: Floats, out: float) -> tuple[Floats, Floats, Floats]:
    """Points (ROWS, COLUMNS, 3) cm in the head, with how far along and how far aside each lies."""
    lip, chin = fine[INNER_LOWER], fine[OUTER_LOWER]
    gap = max(fine[INNER_UPPER, 1] - lip[1], 0.3)
    tip = lip[1] - 0.35 - 2.5 * out
    # From the floor of the mouth over the lip's edge, then down before lip and chin.
    knots = np.array(
        [
            [lip[1] + 0.42 * gap, lip[2] - 2.2],
            [lip[1] + 0.30, lip[2] - 0.2],
            [lip[1] - 0.05 - 0.25 * out, lip[2] + 0.50 + 0.10 * out],
            [tip, max(lip[2], chin[2]) + 0.30 + 0.25 * out],
        ]
    )
    s = np.linspace(0, 1, ROWS)
    way = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(knots, axis=0), axis=1))])
    line = CubicSpline(way / way[-1], knots)(s)
    half = min(1.55, 0.62 * float(np.abs(fine[head.topology().lips][:, 0]).max()))
    round_end = np.sqrt(np.clip(1 - (np.clip(s - 0.66, 0, None) / 0.345) ** 2, 0.0004, 1))
    u = np.linspace(-1, 1, COLUMNS)[None]
    along = np.broadcast_to(s[:, None], (ROWS, COLUMNS))
    x = u * half * round_end[:, None] * (1 - 0.10 * along)
    bulge = 0.55 * np.sqrt(np.maximum(1 - u**2, 0)) * round_end[:, None]
    groove = 0.17 * np.exp(-((x / 0.17) ** 2)) * smoothstep(1.0, 0.7, along) * smoothstep(0.1, 0.3, along)
    z = line[:, 1:] + bulge - groove
    y = line[:, :1] - 0.10 * bulge * along
    return np.stack([x, y, z], -1), along, np.abs(x)


def draw_tongue(
    person: Person,
    image: Pixels,
    hole: NDArray[np.bool_],
    depth: Pixels,
    fine: Floats,
    matrix: Floats,
    view: View,
    out: float,
) -> None:
    """Draw the tongue over the shaded face; `image` is sRGB, `out` in (0, 1] how far it is put out.

    Parameters
    ----------
    person : Person
    image : (H, W, 3) float32
    hole : (H, W) bool
        The mouth's opening.
    depth : (H, W) float32
        Of the face, cm.
    fine : (N, 3) float64
        The face before its turn, cm.
    matrix, view
        As in `draw_person`.
    out : float
    """
    grid, along, aside = _surface(fine, out)
    points = head.pose(grid.reshape(-1, 3), matrix)
    r, c = np.meshgrid(np.arange(ROWS - 1), np.arange(COLUMNS - 1), indexing="ij")
    a = (r * COLUMNS + c).ravel()
    triangles = np.concatenate(
        [np.stack([a, a + COLUMNS, a + 1], 1), np.stack([a + 1, a + COLUMNS, a + COLUMNS + 1], 1)]
    )
    normals = mesh.vertex_normals(points, triangles)
    height, width = depth.shape
    seen = mesh.rasterise(view.project(points), points[:, 2], triangles, (height, width))
    flat = mesh.interpolate(
        seen, triangles, np.column_stack([normals, along.ravel(), aside.ravel(), points[:, 2]])
    )
    shown = hole.ravel()[seen.pixel] | (flat[:, 5] > depth.ravel()[seen.pixel])
    pixel, flat = seen.pixel[shown], flat[shown]
    normal = flat[:, :3] / np.maximum(np.linalg.norm(flat[:, :3], axis=1, keepdims=True), 1e-6)
    ambient = np.clip(0.30 + 0.70 * smoothstep(0.10, 0.46, flat[:, 3]), 0, 1).astype(np.float32)
    ambient *= 1 - 0.30 * np.exp(-((flat[:, 4] / 0.13) ** 2)) * smoothstep(1.0, 0.72, flat[:, 3])
    albedo = to_linear(np.array(PINK) * (0.80 + 0.20 * np.mean(person.skin) / 0.7))
    light = albedo * diffuse(normal, ambient, ambient, np.array([0.42, 0.25, 0.19]))
    facing = np.clip(normal @ HALF.astype(np.float32), 0, 1)
    rough = np.random.default_rng(person.seed + 90).uniform(0.7, 1.0, len(pixel))
    light = light + ((0.05 * facing**10 + 0.16 * facing**60 * rough) * ambient)[:, None]
    cover = np.zeros(height * width, np.float32)
    cover[pixel] = 1
    d = view.density
    shadow = cv2.GaussianBlur(cover.reshape(height, width), (0, 0), max(0.22 * d, 0.5))
    shift = np.array([[1, 0, 0.16 * d], [0, 1, 0.30 * d]], np.float32)
    shadow = cv2.warpAffine(shadow, shift, (width, height))
    image *= 1 - 0.45 * shadow[..., None] * np.array([0.75, 1.0, 1.0], np.float32)
    image.reshape(-1, 3)[pixel] = to_srgb((light / (1 + 0.16 * light)).astype(np.float32))
