"""A hand before a face: rounded limbs as one height field, shaded as the rest."""

from __future__ import annotations

import cv2
import numpy as np

from .head import smoothstep
from .mesh import Floats
from .paint import Pixels, cloud, to_linear, to_srgb
from .person import Person
from .shade import HALF, diffuse
from .view import View

PLANE = 7.2  # cm; depth at which the cover stands, about the nose's tip

# Limbs of a right hand seen from its back, fingers up: x, y, radius at either end and flatness, cm. Lengths
# after a grown-up hand, from memory.
PALM = (
    (-1.5, -5.2, 1.7, -2.7, 3.2, 1.15, 0.55),
    (-0.5, -5.2, 1.75, -0.9, 3.8, 1.2, 0.55),
    (0.5, -5.2, 1.75, 0.95, 3.8, 1.2, 0.55),
    (1.5, -5.2, 1.7, 2.75, 3.2, 1.2, 0.55),
)
FINGERS = (
    ((-2.8, 3.2, 0.92), (-3.45, 5.7, 0.78), (-3.7, 7.5, 0.64)),
    ((-0.95, 3.8, 1.0), (-1.2, 7.0, 0.86), (-1.3, 9.3, 0.70)),
    ((1.0, 3.9, 1.02), (1.2, 7.3, 0.88), (1.3, 9.9, 0.72)),
    ((2.85, 3.3, 1.0), (3.35, 6.4, 0.86), (3.6, 8.8, 0.70)),
    ((2.2, -2.9, 1.45), (4.5, 0.2, 1.05), (5.3, 3.1, 0.80)),
)
ARM = ((0.0, -5.0, 2.15, 0.0, -26.0, 3.0, 0.8),)
SLEEVE = -11.5  # cm; the cuff's height on the arm


def _limb(x: Pixels, y: Pixels, limb: tuple[float, ...]) -> Pixels:
    """Height of a tapered rounded limb over the plane, 0 outside, cm."""
    x0, y0, r0, x1, y1, r1, flat = limb
    dx, dy = x1 - x0, y1 - y0
    t = np.clip(((x - x0) * dx + (y - y0) * dy) / (dx * dx + dy * dy), 0, 1)
    radius = r0 + (r1 - r0) * t
    off = (x - x0 - t * dx) ** 2 + (y - y0 - t * dy) ** 2
    out: Pixels = flat * np.sqrt(np.maximum(radius**2 - off, 0))
    return out


def _hand_limbs() -> list[tuple[float, ...]]:
    limbs: list[tuple[float, ...]] = [*PALM, *ARM]
    for base, middle, tip in FINGERS:
        limbs += [(*base, *middle, 0.85), (*middle, *tip, 0.85)]
    return limbs


def _to_own(side: str, x: Pixels, y: Pixels, way: float, scale: float) -> tuple[Pixels, Pixels]:
    """Plane coordinates as the hand's own once it has come `way` cm from outside."""
    if side == "below":
        # Laid over from the image's right, wrist a little lower, as one hides a mouth.
        x, y = x / scale, (y - way) / scale
        a = np.deg2rad(68.0)
        return np.cos(a) * x + np.sin(a) * y, -np.sin(a) * x + np.cos(a) * y
    sign = 1.0 if side == "left" else -1.0
    x, y = sign * (x + sign * way) / scale, y / scale
    a = np.deg2rad(14.0)
    return -(np.cos(a) * x - np.sin(a) * y), np.sin(a) * x + np.cos(a) * y


def _height(side: str, x: Pixels, y: Pixels, way: float, scale: float) -> Pixels:
    """Height of the hand over plane points, 0 beside it, cm."""
    u, v = _to_own(side, x, y, way, scale)
    out: Pixels = scale * np.max([_limb(u, v, limb) for limb in _hand_limbs()], axis=0)
    return out


def _place(side: str, share: float, oval: Floats) -> tuple[float, float]:
    """How far and how large a hand stands to hide a share of the oval (N, 2)."""
    step = 0.25
    x, y = np.meshgrid(np.arange(-10, 10, step), np.arange(-12, 11, step))
    ring = np.rint((oval - [-10, -12]) / step * 16).astype(np.int32)
    inside = cv2.fillPoly(np.zeros(x.shape, np.uint8), [ring], 1, cv2.LINE_8, 4) > 0
    px, py = x[inside], y[inside]

    def hides(way: float, scale: float) -> float:
        return float((_height(side, px, py, way, scale) > 0).mean())

    for scale in (1.0, 1.15, 1.3, 1.5, 1.75, 2.0, 2.4):
        for way in np.arange(-20.0, 26.0, 0.4).tolist():
            if hides(way, scale) >= share:
                low, high = way - 0.4, way
                for _ in range(6):
                    middle = (low + high) / 2
                    low, high = (low, middle) if hides(middle, scale) >= share else (middle, high)
                return high, scale
    raise ValueError(f"a hand from {side} cannot hide {share:.0%} of a face")


def _plane(view: View) -> tuple[Pixels, Pixels]:
    """Upright-plane coordinates of every canvas pixel, cm."""
    origin, right, up = view.project(np.array([[0.0, 0.0, PLANE], [10.0, 0.0, PLANE], [0.0, 10.0, PLANE]]))
    back = np.linalg.inv(np.stack([right - origin, up - origin], 1) / 10).astype(np.float32)
    gy, gx = np.mgrid[: view.canvas[0], : view.canvas[1]].astype(np.float32)
    gx, gy = gx - np.float32(origin[0]), gy - np.float32(origin[1])
    return back[0, 0] * gx + back[0, 1] * gy, back[1, 0] * gx + back[1, 1] * gy


def lay_hand(person: Person, side: str, share: float, oval: Floats, view: View) -> tuple[Pixels, Pixels]:
    """Draw a hand of the person's own skin, seen from its back, with a cuff of their cloth.

    Parameters
    ----------
    person : Person
    side : {"left", "right", "below"}
        The subject's side it comes from.
    share : float
        Of the oval to be hidden.
    oval : (N, 2) float
        Outline of the turned face in the upright plane, cm.
    view : View

    Returns
    -------
    colour : (H, W, 3) float32 sRGB
    cover : (H, W) float32 in [0, 1]

    Raises
    ------
    ValueError
        If it cannot hide that much.
    """
    way, scale = _place(side, share, oval)
    x, y = _plane(view)
    height = _height(side, x, y, way, scale).astype(np.float32)
    cover = cv2.GaussianBlur((height > 0).astype(np.float32), (0, 0), 0.6)
    d = view.density
    # Limbs melt into one another, but for the clefts between fingers.
    soft = cv2.GaussianBlur(height, (0, 0), max(0.16 * d, 0.6))
    colour = _albedo(person, *_to_own(side, x, y, way, scale))
    gx = cv2.Sobel(soft, cv2.CV_32F, 1, 0, ksize=3, scale=d / 8)
    gy = cv2.Sobel(soft, cv2.CV_32F, 0, 1, ksize=3, scale=d / 8)
    normal = np.stack([-gx, gy, np.ones_like(gx)], -1)
    normal /= np.linalg.norm(normal, axis=-1, keepdims=True)
    cleft = np.clip((cv2.GaussianBlur(soft, (0, 0), max(0.45 * d, 0.8)) - soft) / 0.35, 0, 1)
    ambient = 1 - 0.55 * cleft.ravel()
    lit = diffuse(normal.reshape(-1, 3), ambient, ambient, np.array([0.42, 0.25, 0.19]))
    light = colour * lit.reshape(colour.shape)
    light += (0.022 * np.clip(normal @ HALF.astype(np.float32), 0, 1) ** 16)[..., None]
    return to_srgb(light / (1 + 0.16 * light)).astype(np.float32), cover


def _albedo(person: Person, u: Pixels, v: Pixels) -> Pixels:
    """Linear albedo of a hand's back: flushed knuckles and tips, nails, creases, a cuff."""
    rng = np.random.default_rng(person.seed + 80)
    base = to_linear(person.skin)
    flush = np.zeros_like(u)
    crease = np.zeros_like(u)
    nails = np.zeros_like(u)
    for k, (root, middle, tip) in enumerate(FINGERS):
        along = np.array(tip[:2]) - middle[:2]
        along /= np.linalg.norm(along)
        for at, reach in ((root, 0.9), (middle, 0.7), (tip, 0.8)):
            flush += np.exp(-((u - at[0]) ** 2 + (v - at[1]) ** 2) / reach**2)
        du, dv = u - middle[0], v - middle[1]
        p, q = du * along[0] + dv * along[1], du * along[1] - dv * along[0]
        for shift in (-0.16, 0.0, 0.16):
            crease += np.exp(-(((p - shift - 0.1 * q * q) / 0.05) ** 2)) * (np.abs(q) < 0.55)
        du, dv = u - tip[0], v - tip[1]
        p, q = du * along[0] + dv * along[1], du * along[1] - dv * along[0]
        size = 0.48 if k < 4 else 0.58
        inside = (np.abs(q) / (0.72 * size)) ** 3 + (np.abs(p - 0.1) / (1.05 * size)) ** 3
        nails = np.maximum(nails, smoothstep(1.15, 0.85, inside))
    colour = base * np.exp(
        np.clip(flush, 0, 1)[..., None] * np.array([0.0, -0.16, -0.14])
        - 0.30 * crease[..., None] * [0.6, 1, 1]
    )
    colour = colour * (1 + 0.02 * cloud(rng, u.shape, max(8.0, u.shape[1] / 60), 2))[..., None]
    nail = np.clip(base * [1.10, 1.02, 1.04] + 0.03, 0, 1)
    colour = colour * (1 - nails[..., None]) + nail * nails[..., None]
    cuff = smoothstep(SLEEVE + 0.05, SLEEVE - 0.05, v)[..., None]
    edge = 1 - 0.35 * np.exp(-(((v - SLEEVE + 0.9) / 0.10) ** 2))[..., None]
    out: Pixels = (colour * (1 - cuff) + to_linear(person.cloth) * edge * cuff).astype(np.float32)
    return out
