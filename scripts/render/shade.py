"""Light on skin and cloth."""

from __future__ import annotations

import functools

import cv2
import numpy as np
from numpy.typing import NDArray

from . import body, paint
from .hair import hairline
from .head import Expression, smoothstep
from .mesh import Floats, Ints
from .paint import Pixels, Skin, to_linear
from .person import Person

LIGHT = np.array([-0.46, 0.58, 0.67]) / np.linalg.norm([-0.46, 0.58, 0.67])
HALF = (LIGHT + np.array([0, 0, 1])) / np.linalg.norm(LIGHT + np.array([0, 0, 1]))
KEY = np.array([1.00, 0.94, 0.86]) * 0.98
SKY = np.array([0.80, 0.92, 1.08]) * 0.40
GROUND = np.array([1.05, 0.92, 0.78]) * 0.15


@functools.lru_cache(maxsize=32)
def skin_of(person: Person) -> Skin:
    """Painted skin, kept: it does not change from frame to frame."""
    return paint.paint_skin(person)


def openness(depth: Pixels, density: float) -> tuple[Pixels, Pixels]:
    """Ambient openness and key-light visibility of a depth map in cm, both (H, W) in [0, 1].

    Screen-space: what stands nearer to the camera around a pixel closes off part of its sky (after
    L. Bavoil and M. Sainz, image-space horizon-based ambient occlusion, 2009).
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
        ray = LIGHT + np.array([sx, sy, 0])
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


def diffuse(normal: Floats, ambient: Floats, lit: Floats, wrap: object) -> Floats:
    """Key, sky and ground light falling on normals (F, 3), per colour (F, 3)."""
    wrap = np.asarray(wrap, np.float32)
    facing = (normal @ LIGHT.astype(np.float32))[:, None]
    key = np.clip((facing + wrap) / (1 + wrap), 0, 1) * KEY.astype(np.float32)
    # Light that has bled through skin fills the edge of a shadow with red first.
    shadow = lit[:, None] + np.clip(wrap * 1.6, 0, 0.8) * (np.sqrt(lit) - lit)[:, None]
    up = normal[:, 1:2]
    sky = SKY.astype(np.float32) * (0.62 + 0.38 * up)
    ground = GROUND.astype(np.float32) * (0.5 - 0.5 * up)
    front = 0.20 * np.clip(normal[:, 2:3], 0, 1)
    return (key * shadow + (sky + ground + front) * ambient[:, None]).astype(np.float32)


def _specular(normal: Floats, power: float) -> Floats:
    return np.clip(normal @ HALF.astype(np.float32), 0, 1) ** power


def skin_light(
    person: Person, seen: dict[str, Floats], face: NDArray[np.bool_], expression: Expression
) -> Floats:
    """Shade skin fragments; `face` marks those that carry the painted texture."""
    skin = skin_of(person)
    normal = seen["normal"]
    base = to_linear(person.skin)
    albedo = np.broadcast_to(base, normal.shape).astype(np.float32).copy()
    albedo *= np.exp(
        seen["flush"][:, None] * np.array([0.0, -0.20, -0.17], np.float32) * (0.7 + 0.3 * base.mean())
    )
    gloss = np.full(len(normal), 0.28, np.float32)
    bent = normal.copy()
    ambient = seen["ambient"] * seen["shade"]
    if face.any():
        uv = seen["uv"][face] * paint.TEXTURE - 0.5
        mx, my = np.ascontiguousarray(uv[:, 0][None]), np.ascontiguousarray(uv[:, 1][None])

        def sample(texture: Pixels) -> Floats:
            out = [
                cv2.remap(
                    texture,
                    mx[:, k : k + 30000],
                    my[:, k : k + 30000],
                    cv2.INTER_LINEAR,
                    borderMode=cv2.BORDER_REPLICATE,
                )
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
            recede = (
                1.0 if person.hair_style == "receding" else (0.25 if person.hair_style == "crop" else 0.0)
            )
            grown = smoothstep(-0.25, 0.9, rest[:, 1] - hairline(rest[:, 0], recede)) * (rest[:, 2] > -1.6)
            grown = np.maximum(grown, (rest[:, 2] <= -1.6) & (rest[:, 1] > 2.4)) * (
                0.35 if recede == 1.0 else 0.82
            )
            shade = to_linear(np.array(person.hair) * 0.8)
            albedo[face] = albedo[face] * (1 - grown[:, None]) + shade * grown[:, None]
            gloss[face] *= 1 - 0.8 * grown
    bent /= np.linalg.norm(bent, axis=1, keepdims=True)
    wrap = np.array([0.42, 0.25, 0.19], np.float32)
    light = diffuse(bent, ambient, seen["lit"], wrap)
    # Light caught inside narrow places comes back red.
    light *= 1 + (1 - ambient)[:, None] * np.array([0.10, -0.03, -0.05], np.float32)
    grazing = (1 - np.clip(normal[:, 2], 0, 1)) ** 3
    shine = gloss * (0.075 * _specular(bent, 14.0) + 0.10 * _specular(bent, 46.0)) * (0.4 + 0.6 * seen["lit"])
    shine = shine + 0.055 * grazing * ambient
    return albedo * light + shine[:, None] * np.array([1.0, 0.98, 0.95], np.float32)


def cloth_light(person: Person, seen: dict[str, Floats], material: Ints) -> Floats:
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
            cv2.remap(
                texture,
                np.ascontiguousarray(u[None, k : k + 30000]),
                np.ascontiguousarray(v[None, k : k + 30000]),
                cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_REFLECT,
            )
            for k in range(0, len(u), 30000)
        ]
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
        band = 0.5 + 0.5 * np.tanh(
            7 * np.sin(2 * np.pi * (rest[:, 1] + 0.25 * fold + 0.05 * rest[:, 0] ** 2 / 20) / 3.6)
        )
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
    light = diffuse(normal, seen["ambient"] * seen["shade"], seen["lit"], np.array([0.16, 0.16, 0.16]))
    fuzz = (1 - np.clip(normal[:, 2], 0, 1)) ** 2.5 * (0.09 if person.weave == "knit" else 0.04)
    return albedo * light + fuzz[:, None] * (0.4 + 0.6 * albedo) * seen["ambient"][:, None]
