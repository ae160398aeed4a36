"""One person drawn into a canvas: meshes, eyes, mouth, lashes, hair."""

from __future__ import annotations

from typing import NamedTuple

import cv2
import numpy as np

from . import body, head, mesh
from .features import draw_eye, draw_lashes, draw_mouth, gaze_direction
from .front import Front, draw_front, draw_spectacles
from .hair import grow_hair
from .head import Expression
from .mesh import Floats, Ints
from .paint import Pixels, to_srgb
from .person import Person
from .shade import cloth_light, openness, skin_light
from .strokes import hair_layers
from .tongue import draw_tongue
from .view import View

NOTHING = Front()


class Drawn(NamedTuple):
    """A drawn person: premultiplied sRGB and coverage at frame scale, and where the landmarks fell."""

    colour: Pixels
    """(H, W, 3) in [0, 1], premultiplied."""
    alpha: Pixels
    """(H, W) in [0, 1]."""
    landmarks: Floats
    """(468, 2) scene px."""
    hidden: Pixels
    """(H, W) in [0, 1]: how much of the face's light something in front keeps back."""
    irises: Floats
    """(2, 2) scene px, middle of the right and of the left iris."""


def _join(person: Person, fine: Floats, matrix: Floats) -> tuple[Floats, Ints, dict[str, Floats]]:
    """All meshes of a person posed and joined, with per-point attributes."""
    top = head.topology()
    parts = body.dress(person)
    points = [head.pose(fine, matrix)] + [body.pose_parts(p, matrix) for p in parts]
    rest = [fine] + [p.points for p in parts]
    offsets = np.cumsum([0] + [len(p) for p in points])
    triangles = np.concatenate(
        [top.triangles] + [p.triangles + o for p, o in zip(parts, offsets[1:-1], strict=True)]
    )
    materials = np.concatenate(
        [np.full(len(top.triangles), body.FACE)] + [np.full(len(p.triangles), p.material) for p in parts]
    )
    # The skull behind the face's outline has no texture of its own and is plain skin.
    attributes = {
        "uv": np.concatenate([top.uv] + [np.full((len(p.points), 2), 0.5) for p in parts]),
        "rest": np.concatenate(rest),
        "shade": np.concatenate([np.ones(len(fine))] + [p.shade for p in parts]),
        "flush": np.concatenate([np.zeros(len(fine))] + [p.flush for p in parts]),
    }
    normals = [mesh.vertex_normals(points[0], top.triangles)]
    normals += [mesh.vertex_normals(q, p.triangles) for q, p in zip(points[1:], parts, strict=True)]
    attributes["normal"] = np.concatenate(normals)
    attributes["material"] = materials
    joined = np.concatenate(points)
    # Cloth is seen from both sides; skin is closed.
    middle = joined[triangles].mean(1)
    thin = ((materials == body.SCARF) & (middle[:, 2] > -6.5) & (middle[:, 1] < 2)) | (
        materials == body.COLLAR
    )
    triangles = np.concatenate([triangles, triangles[thin][:, ::-1]])
    attributes["material"] = np.concatenate([materials, materials[thin]])
    attributes["inside"] = np.repeat([False, True], [len(materials), int(thin.sum())])
    return joined, triangles, attributes


def draw_person(
    person: Person,
    expression: Expression,
    view: View,
    front: Front = NOTHING,
    red_eye: float = 0.0,
) -> Drawn:
    """Draw one person.

    Parameters
    ----------
    person : Person
    expression : Expression
    view : View
    front : Front
        What stands before the face.
    red_eye : float
        How much of a flash the pupils give back, in [0, 1].

    Returns
    -------
    Drawn
        At frame scale, of the shape `view.shape`.
    """
    top = head.topology()
    fine, centres = head.express(person, expression)
    matrix = head.rotation(expression)
    points, triangles, attributes = _join(person, fine, matrix)
    height, width = view.canvas
    xy = view.project(points)
    seen = mesh.rasterise(xy, points[:, 2], triangles, (height, width))
    material = attributes["material"][seen.triangle]
    values = np.concatenate(
        [
            attributes["normal"],
            attributes["uv"],
            attributes["rest"],
            attributes["shade"][:, None],
            attributes["flush"][:, None],
            points[:, 2:],
        ],
        axis=1,
    )
    flat = mesh.interpolate(seen, triangles, values)
    fragment = {
        "normal": flat[:, :3],
        "uv": flat[:, 3:5],
        "rest": flat[:, 5:8],
        "shade": flat[:, 8],
        "flush": flat[:, 9],
    }
    fragment["normal"] = fragment["normal"] / np.maximum(
        np.linalg.norm(fragment["normal"], axis=1, keepdims=True), 1e-6
    )
    fragment["normal"] *= np.where(attributes["inside"][seen.triangle, None], -1, 1)
    depth = np.full(height * width, -1e3, np.float32)
    depth[seen.pixel] = flat[:, 10]
    depth = depth.reshape(height, width)
    kind = np.full(height * width, -1, np.int8)
    kind[seen.pixel] = material
    kind = kind.reshape(height, width)

    # Openings: pixels inside a rim that no part of the face covers.
    holes = []
    for ring in (*top.lids, top.lips):
        outline = np.zeros((height, width), np.uint8)
        ring_xy = xy[ring]
        cv2.fillPoly(outline, [np.rint(ring_xy * 16).astype(np.int32)], 255, cv2.LINE_8, 4)
        grown = cv2.dilate(outline, np.ones((3, 3), np.uint8)) > 0
        hole = grown & (kind != body.FACE)
        holes.append(hole)
        rim_z = float(points[ring, 2].mean())
        depth[hole] = rim_z
    ambient, lit = openness(depth, view.density)
    fragment["ambient"] = ambient.ravel()[seen.pixel]
    fragment["lit"] = lit.ravel()[seen.pixel]
    light = np.zeros((len(seen.pixel), 3), np.float32)
    is_skin = (material == body.FACE) | (material == body.SKIN)
    light[is_skin] = skin_light(
        person, {k: v[is_skin] for k, v in fragment.items()}, material[is_skin] == body.FACE, expression
    )
    if (~is_skin).any():
        light[~is_skin] = cloth_light(
            person, {k: v[~is_skin] for k, v in fragment.items()}, material[~is_skin]
        )
    image = np.zeros((height * width, 3), np.float32)
    # A soft shoulder keeps lit foreheads from burning out.
    image[seen.pixel] = to_srgb(light / (1 + 0.16 * light))
    image = image.reshape(height, width, 3)
    alpha = (kind >= 0).astype(np.float32)
    for hole in holes:
        alpha[hole] = 1

    eye_centres = head.pose(centres, matrix)
    gaze = gaze_direction(expression)
    for k, sign in enumerate((-1, 1)):
        draw_eye(person, image, holes[k], eye_centres[k], gaze, view, sign, red_eye)
    coarse = points[:468]
    draw_mouth(person, image, holes[2], expression, matrix, view, fine[top.lips])
    if expression.tongue > 0:
        draw_tongue(person, image, holes[2], depth, fine, matrix, view, expression.tongue)
    for sign in (-1, 1):
        rows = (mesh.RIGHT_UPPER_LID, mesh.RIGHT_LOWER_LID, mesh.RIGHT_UPPER_FOLD)
        upper, lower, fold = (coarse[list(r if sign < 0 else mesh.mirrored(r))] for r in rows)
        draw_lashes(person, image, upper, lower, fold, view, expression, sign)

    strands = grow_hair(person)
    if strands is not None:
        behind, before = hair_layers(strands, matrix, view, depth)
        ground = behind.astype(np.float32) / 255
        image = image * alpha[..., None] + ground[..., :3] * (1 - alpha[..., None])
        alpha = alpha + ground[..., 3] * (1 - alpha)
        fore = before.astype(np.float32) / 255
        shadow = cv2.GaussianBlur(fore[..., 3], (0, 0), 0.35 * view.density)
        shift = np.float32([[1, 0, 0.22 * view.density], [0, 1, 0.40 * view.density]])
        shadow = cv2.warpAffine(shadow, shift, (width, height))
        image *= 1 - 0.42 * shadow[..., None] * np.array([0.8, 1.0, 1.0], np.float32)
        image = image * (1 - fore[..., 3:]) + fore[..., :3]
        alpha = alpha + fore[..., 3] * (1 - alpha)
    else:
        image *= alpha[..., None]
    hidden = np.zeros((height, width), np.float32)
    if person.glasses or front.spectacles:
        hidden = draw_spectacles(image, alpha, matrix, centres, view, front)
    hidden = np.maximum(hidden, draw_front(image, alpha, person, front, fine, centres, matrix, view))
    size = (view.shape[1], view.shape[0])
    if view.supersample != 1:
        image = cv2.resize(image, size, interpolation=cv2.INTER_AREA)
        alpha = cv2.resize(alpha, size, interpolation=cv2.INTER_AREA)
        hidden = cv2.resize(hidden, size, interpolation=cv2.INTER_AREA)
    irises = view.scene(eye_centres + gaze * [head.EYE_RADIUS, head.EYE_RADIUS, 0])
    return Drawn(
        image.astype(np.float32),
        np.clip(alpha, 0, 1).astype(np.float32),
        view.scene(coarse),
        hidden,
        irises,
    )


def smear(drawn: Drawn, blur_px: float, motion_px: float, motion_deg: float) -> tuple[Pixels, Pixels]:
    """Defocus and motion blur of premultiplied colour and coverage."""
    colour, alpha = drawn.colour, drawn.alpha
    if blur_px > 0:
        # A lens spreads a point over a disc; a disc of radius 2 sigma has the Gaussian's standard deviation.
        radius = 2 * blur_px
        reach = int(np.ceil(radius)) + 1
        gy, gx = np.mgrid[-reach : reach + 1, -reach : reach + 1]
        disc = np.clip(radius + 0.5 - np.hypot(gx, gy), 0, 1).astype(np.float32)
        disc /= disc.sum()
        colour = cv2.filter2D(colour, -1, disc, borderType=cv2.BORDER_REPLICATE)
        alpha = cv2.filter2D(alpha, -1, disc, borderType=cv2.BORDER_REPLICATE)
    if motion_px > 0:
        reach = int(np.ceil(motion_px / 2)) + 1
        line = np.zeros((2 * reach + 1, 2 * reach + 1), np.float32)
        step = motion_px / 2 * np.array([np.cos(np.deg2rad(motion_deg)), -np.sin(np.deg2rad(motion_deg))])
        for s in np.linspace(-1, 1, 8 * reach):
            x, y = reach + s * step
            ix, iy = int(np.floor(x)), int(np.floor(y))
            fx, fy = x - ix, y - iy
            line[iy : iy + 2, ix : ix + 2] += np.outer([1 - fy, fy], [1 - fx, fx])
        line /= line.sum()
        colour = cv2.filter2D(colour, -1, line, borderType=cv2.BORDER_REPLICATE)
        alpha = cv2.filter2D(alpha, -1, line, borderType=cv2.BORDER_REPLICATE)
    return colour, alpha
