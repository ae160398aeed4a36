"""Strands of hair drawn as strokes, behind and before the head."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from . import head
from .hair import STEPS, Strands
from .head import PIVOT, smoothstep
from .mesh import Floats
from .paint import Pixels, to_srgb
from .shade import HALF, LIGHT
from .view import View


def hair_layers(
    strands: Strands, matrix: Floats, view: View, depth: Pixels
) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """Strands behind and before the meshes as premultiplied RGBA canvases."""
    turned = (strands.points - PIVOT) @ matrix.T + PIVOT
    points = strands.points + strands.posed[..., None] * (turned - strands.points)
    xy = view.project(points)
    height, width = depth.shape
    tangent = np.gradient(points, axis=1)
    tangent /= np.maximum(np.linalg.norm(tangent, axis=-1, keepdims=True), 1e-6)
    centre = head.pose(head.SKULL_CENTRE[None], matrix)[0]
    away = (points - centre) / head.SKULL_RADII
    away[..., 1] = np.where(points[..., 1] < centre[1], away[..., 1] * 0.25, away[..., 1])
    away /= np.maximum(np.linalg.norm(away, axis=-1, keepdims=True), 1e-6)
    wrap = 0.14 + 0.86 * np.clip((away @ LIGHT + 0.60) / 1.60, 0, 1)
    along_light = tangent @ LIGHT
    diffuse = np.sqrt(np.clip(1 - along_light**2, 0, 1))
    # Two highlights: a pale one off the scales, a wider coloured one from inside (after J. Kajiya and
    # T. Kay 1989 and S. Marschner et al. 2003, much simplified).
    along_half = tangent @ HALF
    first = np.clip(1 - (along_half + 0.10) ** 2, 0, 1) ** 45
    second = np.clip(1 - (along_half - 0.12) ** 2, 0, 1) ** 12
    t = np.linspace(0, 1, STEPS)[None]
    hidden = (0.42 + 0.58 * strands.depth)[:, None] * (0.70 + 0.30 * np.minimum(1, 3 * t))
    back = smoothstep(-13.0, -1.0, points[..., 2])
    level = (0.32 + 0.95 * wrap * diffuse) * hidden * (0.42 + 0.58 * back)
    colour = strands.colour[:, None] * level[..., None] * 1.25
    shine = wrap * back * hidden * strands.depth[:, None] ** 0.5
    pale = np.array([1.0, 0.96, 0.90])
    hue = strands.colour / np.maximum(strands.colour.max(1, keepdims=True), 1e-3)
    colour = (
        colour
        + (0.11 * first * shine)[..., None] * pale
        + (0.16 * second * shine)[..., None] * hue[:, None] * (0.35 + strands.colour.max(1)[:, None, None])
    )
    colour = to_srgb(colour.astype(np.float32)) * 255
    behind = np.zeros((height, width, 4), np.uint8)
    before = np.zeros((height, width, 4), np.uint8)
    order = np.argsort(points[:, STEPS // 2, 2] + 3.0 * strands.depth)
    middle_xy = (xy[:, :-1] + xy[:, 1:]) / 2
    middle_z = (points[:, :-1, 2] + points[:, 1:, 2]) / 2
    ix = np.clip(np.rint(middle_xy[..., 0]).astype(int), 0, width - 1)
    iy = np.clip(np.rint(middle_xy[..., 1]).astype(int), 0, height - 1)
    onto = depth[iy, ix]
    # On the skull roots lie in the skin; beside cheek and jaw only what is clearly nearer passes in front.
    middle_y = (points[:, :-1, 1] + points[:, 1:, 1]) / 2
    beside_face = smoothstep(4.0, 1.0, middle_y) * smoothstep(-12.0, -9.5, middle_y)
    front = middle_z > onto - 0.25 + 0.70 * beside_face
    front &= ~((onto < -500) & (middle_z < -6))
    # Broad strokes end round: where a lock comes out from behind the face they would lap over the cheek.
    broad = front.copy()
    broad[:, 1:] &= front[:, :-1]
    broad[:, :-1] &= front[:, 1:]
    ixy = np.clip(np.rint(xy * 16), -300000, 300000).astype(np.int64)
    thick = np.maximum(1, np.rint(strands.width * view.density)).astype(int)
    body_width = np.maximum(2, np.rint(0.30 * view.density)).astype(int)
    small = np.rint(np.concatenate([colour, np.full((*colour.shape[:2], 1), 255.0)], -1)[:, :-1])
    wanted = strands.width > 0.04
    # First broad dim locks so that no skin shows through, then the strands themselves.
    for stage in (0, 1):
        for i in order[:: 3 if stage == 0 else 1]:
            if stage == 0 and not wanted[i]:
                continue
            points_i, colours, fore = (
                ixy[i].tolist(),
                small[i].tolist(),
                (broad if stage == 0 else front)[i].tolist(),
            )
            wide = int(body_width) if stage == 0 else int(thick[i])
            last = STEPS - 1
            for k in range(last):
                c = colours[k]
                if stage == 0:
                    if k < 2:
                        continue
                    if k > last - 4:
                        break
                    c = [c[0] * 0.76, c[1] * 0.74, c[2] * 0.74, 255.0]
                if stage == 0:
                    thin = max(1, wide * min(k - 1, 3) // 3)
                else:
                    thin = wide if 2 <= k < last - 3 else max(1, wide - 1)
                cv2.line(before if fore[k] else behind, points_i[k], points_i[k + 1], c, thin, cv2.LINE_AA, 4)
    return behind, before
