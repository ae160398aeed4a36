"""One person drawn into a canvas: meshes, eyes, mouth, lashes, hair."""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from . import body, head, mesh, paint
from .hair import STEPS, Strands, grow_hair, hairline
from .head import PIVOT, Expression, smoothstep
from .mesh import Floats, Ints
from .paint import Pixels, Skin, to_linear, to_srgb
from .person import Person

LIGHT = np.array([-0.46, 0.58, 0.67]) / np.linalg.norm([-0.46, 0.58, 0.67])
HALF = (LIGHT + [0, 0, 1]) / np.linalg.norm(LIGHT + [0, 0, 1])
CAMERA_CM = 330.0
KEY = np.array([1.00, 0.94, 0.86]) * 0.98
SKY = np.array([0.80, 0.92, 1.08]) * 0.40
GROUND = np.array([1.05, 0.92, 0.78]) * 0.15


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """Where a head stands and how its centimetres become canvas pixels."""

    x: float
    """Scene position of the head's origin (between brow and mouth), px."""
    y: float
    px_per_cm: float
    homography: NDArray[np.float64]
    """Frame from scene, (3, 3)."""
    origin: tuple[int, int]
    """Frame pixel of the canvas's upper left corner."""
    shape: tuple[int, int]
    """(H, W) of the canvas in frame pixels."""
    supersample: float

    @property
    def canvas(self) -> tuple[int, int]:
        """(H, W) of the supersampled canvas."""
        return round(self.shape[0] * self.supersample), round(self.shape[1] * self.supersample)

    @property
    def density(self) -> float:
        """Canvas pixels per centimetre."""
        return self.px_per_cm * self.supersample

    def scene(self, points: Floats) -> Floats:
        """Scene pixels (..., 2) of head points (..., 3) in cm."""
        near = CAMERA_CM / (CAMERA_CM - points[..., 2])
        return np.stack(
            [self.x + self.px_per_cm * points[..., 0] * near, self.y - self.px_per_cm * points[..., 1] * near], -1
        )

    def frame(self, points: Floats) -> Floats:
        """Frame pixels (..., 2) of head points (..., 3) in cm."""
        xy = self.scene(points)
        h = self.homography
        w = h[2, 0] * xy[..., 0] + h[2, 1] * xy[..., 1] + h[2, 2]
        return np.stack([
            (h[0, 0] * xy[..., 0] + h[0, 1] * xy[..., 1] + h[0, 2]) / w,
            (h[1, 0] * xy[..., 0] + h[1, 1] * xy[..., 1] + h[1, 2]) / w,
        ], -1)  # fmt: skip

    def project(self, points: Floats) -> Floats:
        """Canvas pixels (..., 2) of head points (..., 3) in cm."""
        return (self.frame(points) - self.origin + 0.5) * self.supersample - 0.5


class Drawn(NamedTuple):
    """A drawn person: premultiplied sRGB and coverage at frame scale, and where the landmarks fell."""

    colour: Pixels
    """(H, W, 3) in [0, 1], premultiplied."""
    alpha: Pixels
    """(H, W) in [0, 1]."""
    landmarks: Floats
    """(468, 2) scene px."""


@functools.lru_cache(maxsize=32)
def skin_of(person: Person) -> Skin:
    """Painted skin, kept: it does not change from frame to frame."""
    return paint.paint_skin(person)


def _join(person: Person, fine: Floats, matrix: Floats) -> tuple[Floats, Ints, dict[str, Floats]]:
    """All meshes of a person posed and joined, with per-point attributes."""
    top = head.topology()
    parts = body.dress(person)
    points = [head.pose(fine, matrix)] + [body.pose_parts(p, matrix) for p in parts]
    rest = [fine] + [p.points for p in parts]
    offsets = np.cumsum([0] + [len(p) for p in points])
    triangles = np.concatenate([top.triangles] + [p.triangles + o for p, o in zip(parts, offsets[1:-1], strict=True)])
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
    return np.concatenate(points), triangles, attributes


def _openness(depth: Pixels, density: float) -> tuple[Pixels, Pixels]:
    """Ambient openness and key-light visibility of a depth map in cm, both (H, W) in [0, 1].

    Screen-space: what stands nearer to the camera around a pixel closes off part of its sky (after L. Bavoil and
    M. Sainz, image-space horizon-based ambient occlusion, 2009).
    """
    per_cm = 5.0
    scale = min(1.0, per_cm / density)
    small = cv2.resize(depth, None, fx=scale, fy=scale, interpolation=cv2.INTER_NEAREST)
    per_cm = density * scale
    height, width = small.shape
    pad = int(9 * per_cm) + 2
    big = np.pad(small, pad, constant_values=-1e3)

    def shifted(dx: float, dy: float) -> Pixels:
        ix, iy = round(dx * per_cm), round(-dy * per_cm)
        return big[pad + iy : pad + iy + height, pad + ix : pad + ix + width]

    closed = np.zeros_like(small)
    for angle in np.arange(10) * 2 * np.pi / 10 + 0.2:
        horizon = np.zeros_like(small)
        for reach in (0.4, 0.8, 1.4, 2.3, 3.6, 5.4):
            rise = shifted(reach * np.cos(angle), reach * np.sin(angle)) - small
            slope = np.where(rise > 14, 0, rise / reach)
            sine = slope / np.sqrt(1 + slope * slope)
            np.maximum(horizon, sine * (1 - reach / 8), out=horizon)
        closed += horizon
    ambient = 1 - closed / 10
    lit = np.zeros_like(small)
    spread = ((0, 0), (0.14, 0.05), (-0.14, 0.0), (0.0, 0.16), (0.05, -0.14), (0.1, 0.12), (-0.1, -0.1))
    for sx, sy in spread:
        ray = LIGHT + [sx, sy, 0]
        block = np.zeros_like(small)
        for reach in (0.6, 1.1, 1.8, 2.7, 3.9, 5.5, 7.5, 8.8):
            other = shifted(reach * ray[0], reach * ray[1])
            over = other - (small + reach * ray[2])
            hit = np.clip((over - 0.12) / (0.30 + 0.12 * reach), 0, 1) * (over < 13)
            np.maximum(block, hit, out=block)
        lit += 1 - block
    lit /= len(spread)
    inside = (small > -500).astype(np.float32)

    def soften(image: Pixels, sigma_cm: float) -> Pixels:
        weight = cv2.GaussianBlur(inside, (0, 0), sigma_cm * per_cm) + 1e-4
        return cv2.GaussianBlur(image * inside, (0, 0), sigma_cm * per_cm) / weight

    size = (depth.shape[1], depth.shape[0])
    ambient = cv2.resize(soften(ambient, 0.16), size, interpolation=cv2.INTER_LINEAR)
    lit = cv2.resize(soften(lit, 0.26), size, interpolation=cv2.INTER_LINEAR)
    return np.clip(ambient, 0, 1), np.clip(lit, 0, 1)


def _diffuse(normal: Floats, ambient: Floats, lit: Floats, wrap: object) -> Floats:
    """Key, sky and ground light falling on normals (F, 3), per colour (F, 3)."""
    wrap = np.asarray(wrap, np.float32)
    facing = (normal @ LIGHT.astype(np.float32))[:, None]
    key = np.clip((facing + wrap) / (1 + wrap), 0, 1) ** 1.15 * KEY
    # Light that has bled through skin fills the edge of a shadow with red first.
    shadow = lit[:, None] ** (1 - 0.55 * np.clip(wrap * 1.6, 0, 0.8))
    up = normal[:, 1:2]
    sky = SKY * (0.62 + 0.38 * up)
    ground = GROUND * (0.5 - 0.5 * up)
    front = 0.20 * np.clip(normal[:, 2:3], 0, 1)
    return (key * shadow + (sky + ground + front) * ambient[:, None]).astype(np.float32)


def _specular(normal: Floats, power: float) -> Floats:
    return np.clip(normal @ HALF.astype(np.float32), 0, 1) ** power


def _skin_light(
    person: Person, seen: dict[str, Floats], face: NDArray[np.bool_], expression: Expression, density: float
) -> Floats:
    """Shade skin fragments; `face` marks those that carry the painted texture."""
    skin = skin_of(person)
    normal = seen["normal"]
    base = to_linear(person.skin)
    albedo = np.broadcast_to(base, normal.shape).astype(np.float32).copy()
    albedo *= np.exp(seen["flush"][:, None] * np.array([0.0, -0.20, -0.17], np.float32) * (0.7 + 0.3 * base.mean()))
    gloss = np.full(len(normal), 0.28, np.float32)
    bent = normal.copy()
    ambient = seen["ambient"] * seen["shade"]
    if face.any():
        uv = seen["uv"][face] * paint.TEXTURE - 0.5
        mx, my = np.ascontiguousarray(uv[:, 0][None]), np.ascontiguousarray(uv[:, 1][None])

        def sample(texture: Pixels) -> Floats:
            out = [
                cv2.remap(texture, mx[:, k : k + 30000], my[:, k : k + 30000], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
                for k in range(0, mx.shape[1], 30000)
            ]
            return np.concatenate(out, axis=1)[0]

        albedo[face] = sample(skin.albedo)
        gloss[face] = sample(skin.gloss)
        gx = cv2.Sobel(skin.relief, cv2.CV_32F, 1, 0, ksize=3, scale=0.125)
        gy = cv2.Sobel(skin.relief, cv2.CV_32F, 0, 1, ksize=3, scale=0.125)
        strength = 0.16
        bent[face, 0] -= strength * sample(gx)
        bent[face, 1] += strength * sample(gy)
        folds = sample(skin.folds)
        tense = expression.squash if expression.squash_kind == "grimace" else 0.0
        smiling = expression.smile * (0.42 + 0.2 * smoothstep(14, 40, person.age))
        dark = np.clip(smiling * folds[:, 0] + 0.5 * tense * folds[:, 1], 0, 0.8)
        albedo[face] *= 1 - 0.62 * dark[:, None] * np.array([0.72, 1.0, 1.0], np.float32)
        if person.hair_style not in ("scarf",):
            # Skin under hair takes the hair's colour, so the hairline has no hard start.
            rest = seen["rest"][face]
            recede = 1.0 if person.hair_style == "receding" else (0.25 if person.hair_style == "crop" else 0.0)
            grown = smoothstep(-0.25, 0.9, rest[:, 1] - hairline(rest[:, 0], recede)) * (rest[:, 2] > -1.6)
            grown = np.maximum(grown, (rest[:, 2] <= -1.6) & (rest[:, 1] > 2.4)) * (0.35 if recede == 1.0 else 0.82)
            shade = to_linear(np.array(person.hair) * 0.8)
            albedo[face] = albedo[face] * (1 - grown[:, None]) + shade * grown[:, None]
            gloss[face] *= 1 - 0.8 * grown
    bent /= np.linalg.norm(bent, axis=1, keepdims=True)
    wrap = np.array([0.42, 0.25, 0.19], np.float32)
    light = _diffuse(bent, ambient, seen["lit"], wrap)
    # Light caught inside narrow places comes back red.
    light *= 1 + (1 - ambient)[:, None] * np.array([0.10, -0.03, -0.05], np.float32)
    grazing = (1 - np.clip(normal[:, 2], 0, 1)) ** 3
    shine = gloss * (0.075 * _specular(bent, 14.0) + 0.10 * _specular(bent, 46.0)) * (0.4 + 0.6 * seen["lit"])
    shine = shine + 0.055 * grazing * ambient
    del density
    return albedo * light + shine[:, None] * np.array([1.0, 0.98, 0.95], np.float32)


def _cloth_light(person: Person, seen: dict[str, Floats], material: Ints) -> Floats:
    """Shade fragments of clothes, collar, scarf and cap."""
    weave = body.fabric(person)
    rest = seen["rest"]
    normal = seen["normal"].copy()
    u = (rest[:, 0] - body.LEFT_CM) * body.PER_CM
    v = (body.TOP_CM - rest[:, 1]) * body.PER_CM
    collar = (material == body.COLLAR) | (material == body.CAP)
    scarf = material == body.SCARF

    def sample(texture: Pixels) -> Floats:
        out = [
            cv2.remap(texture, np.ascontiguousarray(u[None, k : k + 30000]), np.ascontiguousarray(v[None, k : k + 30000]),
                      cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
            for k in range(0, len(u), 30000)
        ]  # fmt: skip
        return np.concatenate(out, axis=1)[0]

    u, v = u.astype(np.float32), v.astype(np.float32)
    gx = cv2.Sobel(weave.height, cv2.CV_32F, 1, 0, ksize=3, scale=body.PER_CM / 8)
    gy = cv2.Sobel(weave.height, cv2.CV_32F, 0, 1, ksize=3, scale=body.PER_CM / 8)
    calm = np.where(collar | scarf, 0.3, 1.0).astype(np.float32)
    normal[:, 0] -= 1.0 * sample(gx) * calm
    normal[:, 1] += 1.0 * sample(gy) * calm
    colour = np.array(person.cloth)
    albedo = np.broadcast_to(to_linear(colour), normal.shape).astype(np.float32).copy()
    if person.weave == "stripes":
        fold = sample(weave.height)
        band = 0.5 + 0.5 * np.tanh(7 * np.sin(2 * np.pi * (rest[:, 1] + 0.25 * fold + 0.05 * rest[:, 0] ** 2 / 20) / 3.6))
        band = np.where(collar, 0.0, band)[:, None]
        albedo = albedo * (1 - band) + to_linear((0.88, 0.85, 0.79)) * band
    if scarf.any():
        drift = 0.5 + 0.5 * np.sin(0.9 * rest[scarf, 1] + 0.5 * rest[scarf, 0])
        tone = to_linear(np.clip(np.array(person.cloth)[::-1] * 0.6 + 0.30, 0, 0.85))
        albedo[scarf] = tone * (1 + 0.03 * drift[:, None])
    if (material == body.CAP).any():
        cap = material == body.CAP
        albedo[cap] = to_linear(np.clip(np.array(person.cloth)[[0, 2, 1]] * 0.75, 0, 1))
    ribbed = collar & (person.collar in ("crew", "turtleneck", "vneck")) | (material == body.CAP)
    if ribbed.any():
        angle = np.arctan2(rest[ribbed, 2] + 3.5, rest[ribbed, 0])
        rib = np.cos(angle * (88 if person.weave == "knit" or person.hair_style == "cap" else 120))
        albedo[ribbed] *= (1 + 0.09 * rib)[:, None]
        normal[ribbed, 0] += 0.10 * np.sin(angle * 88)
    albedo *= (1 + sample(weave.tone) * np.where(scarf, 0.4, 1))[:, None]
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    light = _diffuse(normal, seen["ambient"] * seen["shade"], seen["lit"], np.array([0.16, 0.16, 0.16]))
    fuzz = (1 - np.clip(normal[:, 2], 0, 1)) ** 2.5 * (0.09 if person.weave == "knit" else 0.04)
    return albedo * light + fuzz[:, None] * (0.4 + 0.6 * albedo) * seen["ambient"][:, None]


def _polygon(canvas: Pixels | NDArray[np.uint8], xy: Floats, value: object) -> None:
    cv2.fillPoly(canvas, [np.rint(xy * 16).astype(np.int32)], value, cv2.LINE_AA, 4)


def _smooth_ring(xy: Floats) -> Floats:
    """Eight times denser closed ring, smoothed, without shrinking."""
    n = len(xy)
    t = np.linspace(0, n, 6 * n, endpoint=False)
    closed = np.concatenate([xy, xy[:1]])
    return np.stack([np.interp(t, np.arange(n + 1), closed[:, k]) for k in range(xy.shape[1])], 1)


def _draw_eye(
    person: Person, image: Pixels, hole: NDArray[np.bool_], lid: Floats, centre: Floats, gaze: Floats, view: View, sign: int, seed: int
) -> None:
    """Paint one eyeball into the pixels of its opening; `image` is sRGB."""
    if not hole.any():
        return
    ys, xs = np.nonzero(hole)
    y0, y1, x0, x1 = ys.min(), ys.max() + 1, xs.min(), xs.max() + 1
    d = view.density * CAMERA_CM / (CAMERA_CM - centre[2])
    middle = view.project(centre)
    gy, gx = np.mgrid[y0:y1, x0:x1].astype(np.float32)
    px, py = (gx - middle[0]) / d, -(gy - middle[1]) / d
    r2 = px**2 + py**2
    nz = np.sqrt(np.clip(1 - r2 / head.EYE_RADIUS**2, 0.02, 1))
    normal = np.stack([px / head.EYE_RADIUS, py / head.EYE_RADIUS, nz], -1)
    opening = hole[y0:y1, x0:x1]
    # Distance below the upper lid, in cm: its shadow and its lashes darken the ball.
    top = np.where(opening.any(0), opening.argmax(0), 0)
    below = (np.arange(y1 - y0)[:, None] - top[None]) / d
    edge = cv2.distanceTransform(np.pad(opening.astype(np.uint8), 1), cv2.DIST_L2, 5)[1:-1, 1:-1] / d
    wrap = np.clip((normal @ LIGHT.astype(np.float32) + 0.6) / 1.6, 0, 1)
    light = 0.34 + 0.62 * wrap
    light = light * (1 - 0.58 * np.exp(-below / 0.13)) * (1 - 0.30 * np.exp(-edge / 0.10))
    sclera = np.array([0.80, 0.75, 0.715], np.float32) * np.ones((*px.shape, 3), np.float32)
    corner = smoothstep(0.62, 1.3, np.abs(px))[..., None]
    sclera = sclera * (1 - corner * np.array([0.10, 0.32, 0.34], np.float32))
    rng = np.random.default_rng(person.seed + 31)
    del seed
    colour = sclera * light[..., None]
    gpx, gpy = px - gaze[0], py - gaze[1]
    radius = 0.61 if person.age > 14 else 0.625
    rr = np.sqrt(gpx**2 + (gpy * 1.0) ** 2)
    angle = np.arctan2(gpy, gpx)
    fibres = np.zeros_like(rr)
    for k, gain in ((9, 0.5), (17, 0.6), (31, 0.7), (53, 0.5)):
        fibres += gain * np.cos(k * angle + rng.uniform(0, 6.28) + 3 * rr)
    iris = to_linear(person.iris)[None, None] * 1.45
    near_pupil = smoothstep(0.42, 0.2, rr)[..., None]
    iris = iris * (1 + 0.10 * fibres[..., None]) * (1 + near_pupil * np.array([0.55, 0.22, -0.1], np.float32))
    # The cornea gathers the key light on the far side of the iris.
    glow = np.clip((gpx * 0.46 - gpy * 0.58) / radius + 0.15, 0, 1) * smoothstep(radius, 0.3, rr)
    iris = iris * (0.72 + 1.25 * glow[..., None])
    iris = iris * (1 - 0.80 * smoothstep(radius - 0.17, radius - 0.01, rr)[..., None])
    iris = iris * (1 - 0.55 * np.exp(-below / 0.17))[..., None]
    pupil = smoothstep(0.235, 0.20, rr)[..., None]
    iris = iris * (1 - 0.96 * pupil) + 0.004
    inside = smoothstep(radius + 0.025, radius - 0.035, rr)[..., None]
    colour = colour * (1 - inside) + iris * inside
    ring = np.exp(-(((rr - radius - 0.02) / 0.05) ** 2))[..., None]
    colour = colour * (1 - 0.25 * ring)
    wet = np.exp(-((edge - 0.035) / 0.03) ** 2) * (below > 0.35)
    colour = colour + 0.12 * wet[..., None]
    # Caruncle: the pink corner by the nose.
    nose_side = -sign * px
    pink = smoothstep(0.98, 1.22, nose_side)[..., None]
    colour = colour * (1 - pink) + to_linear(np.array(person.skin) * [0.98, 0.74, 0.70]) * light[..., None] * pink * 1.05
    # Catch lights: the bright part of the sky, and its faint return from the ground.
    for (cx, cy), (rx, ry), power in (((-0.20, 0.22), (0.115, 0.13), 0.95), ((0.19, -0.27), (0.12, 0.06), 0.10)):
        spot = ((gpx - cx) / rx) ** 2 + ((gpy - cy) / ry) ** 2
        shine = smoothstep(1.25, 0.7, spot)[..., None] * power * np.clip(below / 0.06, 0, 1)[..., None]
        colour = colour * (1 - shine) + shine * np.array([1.0, 1.0, 1.0], np.float32)
    patch = image[y0:y1, x0:x1]
    patch[opening] = to_srgb(colour.astype(np.float32))[opening]
    del lid


def _draw_mouth(
    person: Person, image: Pixels, hole: NDArray[np.bool_], expression: Expression, matrix: Floats, view: View, lip_ring: Floats
) -> None:
    """Paint the inside of the mouth into the pixels of its opening; `image` is sRGB."""
    if hole.sum() < 6:
        return
    ys, xs = np.nonzero(hole)
    y0, y1, x0, x1 = ys.min(), ys.max() + 1, xs.min(), xs.max() + 1
    shape = (y1 - y0, x1 - x0)
    inside = np.zeros((*shape, 3), np.float32)
    depth = np.linspace(0, 1, shape[0])[:, None, None]
    inside[:] = np.array([0.20, 0.07, 0.065]) * (1 - 0.45 * depth) + np.array([0.30, 0.11, 0.10]) * 0.45 * depth
    canvas = (inside * 255).astype(np.uint8)
    offset = np.array([x0, y0])
    low = person.long
    drop = 0.07 * low

    def arc(x: Floats, y: Floats) -> Floats:
        z = 4.75 - 0.26 * np.abs(x) ** 1.75
        return view.project(head.pose(np.stack([x, y, z], -1), matrix)) - offset

    # Upper teeth hang from the skull; in a smile their edges follow the lower lip's curve.
    low_x, low_y = lip_ring[:, 0], lip_ring[:, 1]
    half = max(float(np.abs(low_x).max()), 0.5)
    floor_mid = float(low_y[np.abs(low_x) < 0.5].min())
    wide_open = max(expression.mouth_open, expression.squash if expression.squash_kind == "word" else 0.0)
    edge_y = max(floor_mid + 0.10, -4.72 + drop)
    lift_side = 0.30 * float(smoothstep(0.3, 0.8, expression.smile))
    if wide_open > 0.25:
        tongue = view.project(head.pose(np.array([[0.0, floor_mid + 0.25, 4.3]]), matrix))[0] - offset
        axes = (int(0.62 * half * view.density), int(0.5 * view.density))
        cv2.ellipse(canvas, np.rint(tongue).astype(int).tolist(), axes, 0, 0, 360, (158, 78, 74), -1, cv2.LINE_AA)
        canvas[:] = cv2.GaussianBlur(canvas, (0, 0), max(0.14 * view.density, 0.5))
    if expression.squash_kind == "grimace" and expression.squash > 0.4:
        _teeth(canvas, arc, (0.42, 0.42, 0.45, 0.5, 0.5), -4.78, 0.75, 0.86, 0.0, up=True)
        edge_y = -4.74
    _teeth(canvas, arc, (0.83, 0.66, 0.72, 0.62, 0.6, 0.6), edge_y, 1.35, 1.0, lift_side, up=False)
    lit = canvas.astype(np.float32) / 255
    opening = hole[y0:y1, x0:x1]
    top = np.where(opening.any(0), opening.argmax(0), 0)
    below = (np.arange(shape[0])[:, None] - top[None]) / view.density
    edge = cv2.distanceTransform(np.pad(opening.astype(np.uint8), 1), cv2.DIST_L2, 5)[1:-1, 1:-1] / view.density
    across = np.abs(np.linspace(-1, 1, shape[1]))[None]
    shade = (1 - 0.42 * np.exp(-below / 0.16)) * (1 - 0.35 * np.exp(-edge / 0.08)) * (1 - 0.55 * smoothstep(0.45, 1.0, across))
    lit = lit * shade[..., None] * np.array([1.0, 0.985, 0.97], np.float32)
    patch = image[y0:y1, x0:x1]
    patch[opening] = lit[opening]


def _teeth(canvas: NDArray[np.uint8], arc: object, widths: tuple[float, ...], edge_y: float, tall: float, tone: float, curve: float, *, up: bool) -> None:
    """Draw a row of teeth as rounded shapes on the dental arch."""
    assert callable(arc)
    direction = -1.0 if up else 1.0
    for sign in (-1, 1):
        x = 0.0
        for k, wide in enumerate(widths):
            a = np.linspace(0, 2 * np.pi, 28, endpoint=False)
            ox = np.sign(np.cos(a)) * np.abs(np.cos(a)) ** 0.45
            oy = np.sign(np.sin(a)) * np.abs(np.sin(a)) ** 0.5
            rise = 0.05 * (k == 1) + 0.02 * k + curve * ((x + wide / 2) / 2.4) ** 2
            px = sign * (x + wide / 2 + ox * (wide / 2 - 0.012))
            py = edge_y + direction * (rise + tall / 2 + oy * tall / 2)
            ring = arc(px, py)
            fade = tone * (1 - 0.06 * k)
            _polygon(canvas, ring, tuple(float(c * fade) for c in (226, 216, 200)))
            inner = arc(px * 0.0 + sign * (x + wide / 2) + (px - sign * (x + wide / 2)) * 0.62, py + direction * 0.05)
            _polygon(canvas, inner, tuple(float(c * fade) for c in (233, 225, 211)))
            x += wide


def _ribbon(canvas: NDArray[np.uint8], xy: Floats, width: Floats, colour: tuple[float, float, float, float]) -> None:
    """Fill a line of varying width on an RGBA canvas, premultiplied."""
    ahead = np.gradient(xy, axis=0)
    side = np.stack([-ahead[:, 1], ahead[:, 0]], 1)
    side /= np.maximum(np.linalg.norm(side, axis=1, keepdims=True), 1e-6)
    ring = np.concatenate([xy + side * width[:, None] / 2, (xy - side * width[:, None] / 2)[::-1]])
    _polygon(canvas, ring, colour)


def _over(image: Pixels, layer: NDArray[np.uint8], strength: float = 1.0) -> None:
    """Lay a premultiplied RGBA canvas over an sRGB image in place."""
    box = cv2.boundingRect(layer[..., 3])
    x, y, w, h = box
    if not w:
        return
    part = layer[y : y + h, x : x + w].astype(np.float32) * (strength / 255)
    image[y : y + h, x : x + w] = image[y : y + h, x : x + w] * (1 - part[..., 3:]) + part[..., :3]


def _lashes(
    person: Person, image: Pixels, upper: Floats, lower: Floats, crease: Floats, centre: Floats, view: View, expression: Expression, sign: int
) -> None:
    """Lid fold, lid rims and lashes of one eye; the rows run from the outer corner to the inner one."""
    height, width = image.shape[:2]
    d = view.density
    t = np.linspace(0, len(upper) - 1, 60)

    def dense(row: Floats) -> Floats:
        from scipy.interpolate import CubicSpline

        return CubicSpline(np.arange(len(row)), row)(t)

    up, lo, fold = dense(upper), dense(lower), dense(crease)
    s = t / t[-1]
    skin = np.array(person.skin)
    dark = np.clip(np.array(person.hair) * 0.45, 0, 0.22) * (1 - 0.4 * person.grey) + 0.12 * person.grey
    layer = np.zeros((height, width, 4), np.uint8)
    # The fold above the lid smooths out as the lid comes down.
    fade = 1 - 0.75 * expression.close
    _ribbon(layer, view.project(fold), 0.15 * d * np.sin(np.pi * np.clip(s * 1.02, 0, 1)) ** 0.6 + 0.02 * d, (0, 0, 0, 255))
    layer[..., 3] = cv2.GaussianBlur(layer[..., 3], (0, 0), max(0.05 * d, 0.5))
    line = layer[..., 3:].astype(np.float32) / 255 * 0.40 * fade
    image *= 1 - line * (1 - skin * [0.55, 0.32, 0.28])
    # Rims: a wet light line on the lower lid, the lash line on the upper.
    layer[:] = 0
    rim = np.rint(255 * np.append(skin * [0.99, 0.80, 0.77], 1.0) * 0.6)
    if expression.close < 0.9:
        _ribbon(layer, view.project(lo), 0.085 * d * np.sin(np.pi * s) ** 0.5, tuple(rim.tolist()))
        _over(image, layer)
        layer[:] = 0
    ink = tuple(np.append(dark * 255 * 0.92, 255 * 0.92).tolist())
    thick = (0.055 + 0.075 * (1 - s) ** 0.7 * np.sin(np.pi * np.clip(s + 0.12, 0, 1)) ** 0.4) * (0.65 + 0.4 * person.lashes)
    thick = thick * d * np.clip(np.sin(np.pi * (0.03 + 0.94 * s)) * 2.2, 0.12, 1)
    _ribbon(layer, view.project(up + [0, 0.02, 0.02]), thick, ink)
    layer[:] = cv2.GaussianBlur(layer, (0, 0), max(0.012 * d, 0.4))
    rng = np.random.default_rng(person.seed + 40 + sign)
    count = 46
    at = np.linspace(0.02, 0.93, count) + rng.normal(0, 0.008, count)
    droop = smoothstep(0.15, 0.9, expression.close)
    for a in at:
        root = np.array([np.interp(a, s, up[:, k]) for k in range(3)])
        spread = (0.5 - a) * 2
        long = person.lashes * (0.30 + 0.26 * spread * (spread > 0)) * rng.uniform(0.75, 1.1) * np.sin(np.pi * np.clip(a * 0.9 + 0.12, 0, 1)) ** 0.4
        out = np.array([sign * 0.75 * spread, 0.55 - 1.15 * droop, 0.95])
        out /= np.linalg.norm(out)
        k = np.linspace(0, 1, 6)[:, None]
        curl = np.array([0, 0.55 - 0.25 * droop, -0.1]) * k**2 * long
        path = root + out * long * k + curl
        _ribbon(layer, view.project(path), (0.032 * (1 - 0.85 * k[:, 0]) + 0.004) * d * (0.7 + 0.3 * person.lashes), ink)
    faint = tuple(np.append(dark * 255 * 0.4, 255 * 0.4).tolist())
    for a in np.linspace(0.06, 0.75, 20) + rng.normal(0, 0.01, 20):
        root = np.array([np.interp(a, s, lo[:, k]) for k in range(3)]) + [0, -0.05, 0.02]
        spread = (0.45 - a) * 2
        long = 0.17 * person.lashes * rng.uniform(0.6, 1.1)
        k = np.linspace(0, 1, 5)[:, None]
        path = root + np.array([sign * 0.5 * spread, -0.8, 0.5]) * long * k
        _ribbon(layer, view.project(path), (0.028 * (1 - 0.8 * k[:, 0])) * d, faint)
    _over(image, layer)
    del centre


def _hair_layers(strands: Strands, matrix: Floats, view: View, depth: Pixels) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
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
    wrap = np.clip((away @ LIGHT + 0.55) / 1.55, 0, 1)
    along_light = tangent @ LIGHT
    diffuse = np.sqrt(np.clip(1 - along_light**2, 0, 1))
    # Two highlights: a pale one off the scales, a wider coloured one from inside (after J. Kajiya and T. Kay 1989 and
    # S. Marschner et al. 2003, much simplified).
    along_half = tangent @ HALF
    first = np.clip(1 - (along_half + 0.10) ** 2, 0, 1) ** 45
    second = np.clip(1 - (along_half - 0.12) ** 2, 0, 1) ** 12
    t = np.linspace(0, 1, STEPS)[None]
    hidden = (0.42 + 0.58 * strands.depth)[:, None] * (0.70 + 0.30 * np.minimum(1, 3 * t))
    back = smoothstep(-13.0, -1.0, points[..., 2])
    under = smoothstep(-3.0, -1.5, 0 * t)
    level = (0.26 + 0.95 * wrap * diffuse) * hidden * (0.42 + 0.58 * back) * under
    colour = strands.colour[:, None] * level[..., None] * 1.25
    shine = wrap * back * hidden * strands.depth[:, None] ** 0.5
    pale = np.array([1.0, 0.96, 0.90])
    hue = strands.colour / np.maximum(strands.colour.max(1, keepdims=True), 1e-3)
    colour = colour + (0.085 * first * shine)[..., None] * pale + (0.16 * second * shine)[..., None] * hue[:, None] * (
        0.35 + strands.colour.max(1)[:, None, None]
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
    front = middle_z > onto - 0.25
    front &= ~((onto < -500) & (middle_z < -6))
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
            points_i, colours, fore = ixy[i].tolist(), small[i].tolist(), front[i].tolist()
            wide = int(body_width) if stage == 0 else int(thick[i])
            last = STEPS - 1
            for k in range(last):
                c = colours[k]
                if stage == 0:
                    if k < 2:
                        continue
                    if k > last - 4:
                        break
                    c = [c[0] * 0.62, c[1] * 0.60, c[2] * 0.60, 255.0]
                thin = wide if 2 <= k < last - 3 else max(1, wide - 1)
                cv2.line(before if fore[k] else behind, points_i[k], points_i[k + 1], c, thin, cv2.LINE_AA, 4)
    return behind, before


def _glasses(image: Pixels, alpha: Pixels, matrix: Floats, centres: Floats, view: View) -> None:
    """Thin round-cornered spectacles."""
    height, width = image.shape[:2]
    layer = np.zeros((height, width, 4), np.uint8)
    d = view.density
    a = np.linspace(0, 2 * np.pi, 90)
    frame = (38.0, 30.0, 30.0, 255.0)
    glare = np.zeros((height, width), np.uint8)
    for k, sign in enumerate((-1, 1)):
        centre = np.array([3.35 * sign, centres[k, 1] - 0.25, 5.35])
        x = 2.55 * np.sign(np.cos(a)) * np.abs(np.cos(a)) ** 0.72
        y = 1.95 * np.sign(np.sin(a)) * np.abs(np.sin(a)) ** 0.72 * (1 + 0.04 * np.cos(a) * sign)
        ring = centre + np.stack([x, y, -0.10 * (x * sign + 1)], 1)
        xy = view.project(head.pose(ring, matrix))
        _polygon(glare, xy, 255)
        cv2.polylines(layer, [np.rint(xy * 16).astype(np.int32)], True, frame, max(1, round(0.17 * d)), cv2.LINE_AA, 4)
        lit = view.project(head.pose(ring[20:42], matrix)) + [-0.02 * d, -0.03 * d]
        cv2.polylines(layer, [np.rint(lit * 16).astype(np.int32)], False, (120.0, 108.0, 104.0, 255.0), max(1, round(0.05 * d)), cv2.LINE_AA, 4)
        arm = np.array([[5.9 * sign, centre[1] + 0.7, 5.0], [7.4 * sign, centre[1] + 0.6, 1.5], [7.9 * sign, centre[1] + 0.3, -2.5]])
        xy = view.project(head.pose(arm, matrix))
        cv2.polylines(layer, [np.rint(xy * 16).astype(np.int32)], False, frame, max(1, round(0.17 * d)), cv2.LINE_AA, 4)
    bridge = np.array([[-0.85, centres[0, 1] + 0.25, 5.55], [0.0, centres[0, 1] + 0.55, 6.1], [0.85, centres[0, 1] + 0.25, 5.55]])
    xy = view.project(head.pose(bridge, matrix))
    cv2.polylines(layer, [np.rint(xy * 16).astype(np.int32)], False, frame, max(1, round(0.17 * d)), cv2.LINE_AA, 4)
    shadow = cv2.GaussianBlur(layer[..., 3], (0, 0), max(0.12 * d, 0.6)).astype(np.float32) / 255
    shift = np.float32([[1, 0, 0.18 * d], [0, 1, 0.35 * d]])
    shadow = cv2.warpAffine(shadow, shift, (width, height))
    image *= 1 - 0.28 * shadow[..., None]
    # The lenses take away a little light and give back a faint sheen.
    image *= 1 - 0.03 * (glare.astype(np.float32) / 255)[..., None]
    _over(image, layer)
    np.maximum(alpha, layer[..., 3].astype(np.float32) / 255, out=alpha)


def draw_person(person: Person, expression: Expression, view: View) -> Drawn:
    """Draw one person.

    Parameters
    ----------
    person : Person
    expression : Expression
    view : View

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
        [attributes["normal"], attributes["uv"], attributes["rest"], attributes["shade"][:, None],
         attributes["flush"][:, None], points[:, 2:]], axis=1
    )  # fmt: skip
    flat = mesh.interpolate(seen, triangles, values)
    fragment = {"normal": flat[:, :3], "uv": flat[:, 3:5], "rest": flat[:, 5:8], "shade": flat[:, 8], "flush": flat[:, 9]}
    fragment["normal"] = fragment["normal"] / np.maximum(np.linalg.norm(fragment["normal"], axis=1, keepdims=True), 1e-6)
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
        box = cv2.boundingRect(outline)
        grown = cv2.dilate(outline, np.ones((3, 3), np.uint8)) > 0
        hole = grown & (kind != body.FACE)
        del box
        holes.append(hole)
        rim_z = float(points[ring, 2].mean())
        depth[hole] = rim_z
    ambient, lit = _openness(depth, view.density)
    fragment["ambient"] = ambient.ravel()[seen.pixel]
    fragment["lit"] = lit.ravel()[seen.pixel]
    light = np.zeros((len(seen.pixel), 3), np.float32)
    is_skin = (material == body.FACE) | (material == body.SKIN)
    light[is_skin] = _skin_light(
        person, {k: v[is_skin] for k, v in fragment.items()}, material[is_skin] == body.FACE, expression, view.density
    )
    if (~is_skin).any():
        light[~is_skin] = _cloth_light(person, {k: v[~is_skin] for k, v in fragment.items()}, material[~is_skin])
    image = np.zeros((height * width, 3), np.float32)
    # A soft shoulder keeps lit foreheads from burning out.
    image[seen.pixel] = to_srgb(light / (1 + 0.16 * light))
    image = image.reshape(height, width, 3)
    alpha = (kind >= 0).astype(np.float32)
    for hole in holes:
        alpha[hole] = 1

    eye_centres = head.pose(centres, matrix)
    for k, sign in enumerate((-1, 1)):
        gaze = np.array([0.0, 0.0])
        _draw_eye(person, image, holes[k], points[top.lids[k]], eye_centres[k], gaze, view, sign, 0)
    coarse = points[:468]
    _draw_mouth(person, image, holes[2], expression, matrix, view, fine[top.lips])
    rows = ((mesh.RIGHT_UPPER_LID, mesh.RIGHT_LOWER_LID, mesh.RIGHT_UPPER_FOLD),)
    for sign in (-1, 1):
        for upper, lower, fold in rows:
            pick = (lambda r: list(r)) if sign < 0 else (lambda r: list(mesh.mirrored(r)))
            _lashes(person, image, coarse[pick(upper)], coarse[pick(lower)], coarse[pick(fold)], eye_centres[0], view, expression, sign)

    strands = grow_hair(person)
    if strands is not None:
        behind, before = _hair_layers(strands, matrix, view, depth)
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
    if person.glasses:
        _glasses(image, alpha, matrix, centres, view)
    size = (view.shape[1], view.shape[0])
    if view.supersample != 1:
        image = cv2.resize(image, size, interpolation=cv2.INTER_AREA)
        alpha = cv2.resize(alpha, size, interpolation=cv2.INTER_AREA)
    landmarks = view.scene(coarse)
    return Drawn(image.astype(np.float32), np.clip(alpha, 0, 1).astype(np.float32), landmarks)


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
