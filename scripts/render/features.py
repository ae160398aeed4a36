"""Eyes, mouth, lashes and glasses, drawn over the shaded head."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from . import head
from .head import Expression, smoothstep
from .mesh import Floats
from .paint import Pixels, to_linear, to_srgb
from .person import Person
from .shade import LIGHT
from .view import CAMERA_CM, View


def _polygon(canvas: Pixels | NDArray[np.uint8], xy: Floats, value: object) -> None:
    cv2.fillPoly(canvas, [np.rint(xy * 16).astype(np.int32)], value, cv2.LINE_AA, 4)


def gaze_direction(expression: Expression) -> Floats:
    """Where the eyes look, (3,) unit vector in the camera's axes (x right, y up, z to the camera)."""
    x, y = np.sin(np.deg2rad([expression.gaze_x_deg, -expression.gaze_y_deg]))
    return np.array([x, y, np.sqrt(max(1 - x * x - y * y, 0.0))])


def _turned(px: Pixels, py: Pixels, nz: Pixels, gaze: Floats) -> tuple[Pixels, Pixels]:
    """Ball coordinates beside the line of sight: the shortest turn that takes `gaze` to the camera."""
    if gaze[2] == 1:
        return px.astype(float), py.astype(float)
    pz = nz * head.EYE_RADIUS
    x, y, z = gaze
    # Rodrigues' formula about the axis gaze x (0, 0, 1), first two rows only.
    gpx = px * (1 - x * x / (1 + z)) - py * x * y / (1 + z) - pz * x
    gpy = -px * x * y / (1 + z) + py * (1 - y * y / (1 + z)) - pz * y
    return gpx.astype(float), gpy.astype(float)


def draw_eye(
    person: Person,
    image: Pixels,
    hole: NDArray[np.bool_],
    centre: Floats,
    gaze: Floats,
    view: View,
    sign: int,
    red: float = 0.0,
) -> None:
    """Paint one eyeball that looks along `gaze` into the pixels of its opening; `image` is sRGB.

    `red` in [0, 1] is how much of a flash the retina gives back through a wide pupil.
    """
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
    colour = sclera * light[..., None]
    gpx, gpy = _turned(px, py, nz, gaze)
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
    wide = 0.16 * red
    pupil = smoothstep(0.235 + wide, 0.20 + wide, rr)[..., None]
    iris = iris * (1 - 0.96 * pupil) + 0.004
    if red:
        back = (1.0 - 0.45 * (rr / (0.235 + wide)) ** 2)[..., None] * np.array([0.82, 0.055, 0.045])
        iris = iris * (1 - red * pupil) + back * red * pupil
    inside = smoothstep(radius + 0.025, radius - 0.035, rr)[..., None]
    colour = colour * (1 - inside) + iris * inside
    ring = np.exp(-(((rr - radius - 0.02) / 0.05) ** 2))[..., None]
    colour = colour * (1 - 0.25 * ring)
    wet = np.exp(-(((edge - 0.035) / 0.03) ** 2)) * (below > 0.35)
    colour = colour + 0.12 * wet[..., None]
    # Caruncle: the pink corner by the nose.
    nose_side = -sign * px
    pink = smoothstep(0.98, 1.22, nose_side)[..., None]
    colour = (
        colour * (1 - pink)
        + to_linear(np.array(person.skin) * [0.98, 0.74, 0.70]) * light[..., None] * pink * 1.05
    )
    # Catch lights: the bright part of the sky, and its faint return from the ground. They lie on the cornea,
    # whose middle is less far out than the iris, so they travel less than it does.
    cornea = 0.5 * gaze
    for (cx, cy), (rx, ry), power in (
        ((-0.20, 0.22), (0.115, 0.13), 0.95),
        ((0.19, -0.27), (0.12, 0.06), 0.10),
    ):
        spot = ((px - cornea[0] - cx) / rx) ** 2 + ((py - cornea[1] - cy) / ry) ** 2
        shine = smoothstep(1.25, 0.7, spot)[..., None] * power * np.clip(below / 0.06, 0, 1)[..., None]
        colour = colour * (1 - shine) + shine * np.array([1.0, 1.0, 1.0], np.float32)
    patch = image[y0:y1, x0:x1]
    patch[opening] = to_srgb(colour.astype(np.float32))[opening]


def draw_mouth(
    person: Person,
    image: Pixels,
    hole: NDArray[np.bool_],
    expression: Expression,
    matrix: Floats,
    view: View,
    lip_ring: Floats,
) -> None:
    """Paint the inside of the mouth into the pixels of its opening; `image` is sRGB."""
    if hole.sum() < 6:
        return
    ys, xs = np.nonzero(hole)
    y0, y1, x0, x1 = ys.min(), ys.max() + 1, xs.min(), xs.max() + 1
    shape = (y1 - y0, x1 - x0)
    inside = np.zeros((*shape, 3), np.float32)
    depth = np.linspace(0, 1, shape[0])[:, None, None]
    inside[:] = (
        np.array([0.20, 0.07, 0.065]) * (1 - 0.45 * depth) + np.array([0.30, 0.11, 0.10]) * 0.45 * depth
    )
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
    gap = float(low_y[np.abs(low_x) < 0.5].max()) - floor_mid
    # In a narrow gap the teeth reach behind the lower lip: a dark line below them would read as bad teeth.
    edge_y = max(floor_mid + 0.10 - 0.32 * (1 - float(smoothstep(0.35, 0.75, gap))), -4.75 + drop)
    lift_side = 0.30 * float(smoothstep(0.3, 0.8, expression.smile))
    if wide_open > 0.25:
        tongue = view.project(head.pose(np.array([[0.0, floor_mid + 0.25, 4.3]]), matrix))[0] - offset
        axes = (int(0.62 * half * view.density), int(0.5 * view.density))
        cv2.ellipse(
            canvas, np.rint(tongue).astype(int).tolist(), axes, 0, 0, 360, (158, 78, 74), -1, cv2.LINE_AA
        )
        canvas[:] = cv2.GaussianBlur(canvas, (0, 0), max(0.14 * view.density, 0.5))
    if expression.squash_kind == "grimace" and expression.squash > 0.4:
        _teeth(canvas, arc, (0.42, 0.42, 0.45, 0.5, 0.5), -4.78, 0.75, 0.86, 0.0, up=True)
        edge_y = -4.74
    _teeth(canvas, arc, (0.83, 0.66, 0.72, 0.62, 0.6, 0.6), edge_y, 1.35, 1.0, lift_side, up=False)
    lit = canvas.astype(np.float32) / 255
    opening = hole[y0:y1, x0:x1]
    top = np.where(opening.any(0), opening.argmax(0), 0)
    below = (np.arange(shape[0])[:, None] - top[None]) / view.density
    edge = (
        cv2.distanceTransform(np.pad(opening.astype(np.uint8), 1), cv2.DIST_L2, 5)[1:-1, 1:-1] / view.density
    )
    across = np.abs(np.linspace(-1, 1, shape[1]))[None]
    shade = (
        (1 - 0.42 * np.exp(-below / 0.16))
        * (1 - 0.35 * np.exp(-edge / 0.08))
        * (1 - 0.55 * smoothstep(0.45, 1.0, across))
    )
    lit = lit * shade[..., None] * np.array([1.0, 0.985, 0.97], np.float32)
    patch = image[y0:y1, x0:x1]
    patch[opening] = lit[opening]


def _teeth(
    canvas: NDArray[np.uint8],
    arc: object,
    widths: tuple[float, ...],
    edge_y: float,
    tall: float,
    tone: float,
    curve: float,
    *,
    up: bool,
) -> None:
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
            inner = arc(
                px * 0.0 + sign * (x + wide / 2) + (px - sign * (x + wide / 2)) * 0.62, py + direction * 0.05
            )
            _polygon(canvas, inner, tuple(float(c * fade) for c in (233, 225, 211)))
            x += wide


def _ribbon(
    canvas: NDArray[np.uint8], xy: Floats, width: Floats, colour: tuple[float, float, float, float]
) -> None:
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


def draw_lashes(
    person: Person,
    image: Pixels,
    upper: Floats,
    lower: Floats,
    crease: Floats,
    view: View,
    expression: Expression,
    sign: int,
) -> None:
    """Lid fold, lid rims and lashes of one eye; the rows run from the outer corner to the inner one."""
    height, width = image.shape[:2]
    d = view.density
    t = np.linspace(0, len(upper) - 1, 60)

    def dense(row: Floats) -> Floats:
        return CubicSpline(np.arange(len(row)), row)(t)

    up, lo, fold = dense(upper), dense(lower), dense(crease)
    s = t / t[-1]
    skin = np.array(person.skin)
    dark = np.clip(np.array(person.hair) * 0.45, 0, 0.22) * (1 - 0.4 * person.grey) + 0.12 * person.grey
    layer = np.zeros((height, width, 4), np.uint8)
    # The fold above the lid smooths out as the lid comes down.
    fade = 1 - 0.75 * expression.close
    _ribbon(
        layer,
        view.project(fold),
        0.15 * d * np.sin(np.pi * np.clip(s * 1.02, 0, 1)) ** 0.6 + 0.02 * d,
        (0, 0, 0, 255),
    )
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
    thick = (0.055 + 0.075 * (1 - s) ** 0.7 * np.sin(np.pi * np.clip(s + 0.12, 0, 1)) ** 0.4) * (
        0.65 + 0.4 * person.lashes
    )
    thick = thick * d * np.clip(np.sin(np.pi * (0.03 + 0.94 * s)) * 2.2, 0.12, 1)
    _ribbon(layer, view.project(up + np.array([0, 0.02, 0.02])), thick, ink)
    layer[:] = cv2.GaussianBlur(layer, (0, 0), max(0.012 * d, 0.4))
    rng = np.random.default_rng(person.seed + 40 + sign)
    count = 46
    at = np.linspace(0.02, 0.93, count) + rng.normal(0, 0.008, count)
    droop = smoothstep(0.15, 0.9, expression.close)
    for a in at:
        root = np.array([np.interp(a, s, up[:, k]) for k in range(3)])
        spread = (0.5 - a) * 2
        long = (
            person.lashes
            * (0.30 + 0.26 * spread * (spread > 0))
            * rng.uniform(0.75, 1.1)
            * np.sin(np.pi * np.clip(a * 0.9 + 0.12, 0, 1)) ** 0.4
        )
        out = np.array([sign * 0.75 * spread, 0.55 - 1.15 * droop, 0.95])
        out /= np.linalg.norm(out)
        k = np.linspace(0, 1, 6)[:, None]
        curl = np.array([0, 0.55 - 0.25 * droop, -0.1]) * k**2 * long
        path = root + out * long * k + curl
        _ribbon(
            layer,
            view.project(path),
            (0.032 * (1 - 0.85 * k[:, 0]) + 0.004) * d * (0.7 + 0.3 * person.lashes),
            ink,
        )
    faint = tuple(np.append(dark * 255 * 0.4, 255 * 0.4).tolist())
    for a in np.linspace(0.06, 0.75, 20) + rng.normal(0, 0.01, 20):
        root = np.array([np.interp(a, s, lo[:, k]) for k in range(3)]) + np.array([0, -0.05, 0.02])
        spread = (0.45 - a) * 2
        long = 0.17 * person.lashes * rng.uniform(0.6, 1.1)
        k = np.linspace(0, 1, 5)[:, None]
        path = root + np.array([sign * 0.5 * spread, -0.8, 0.5]) * long * k
        _ribbon(layer, view.project(path), (0.028 * (1 - 0.8 * k[:, 0])) * d, faint)
    _over(image, layer)


def lenses(centres: Floats, grow: float = 1.0) -> tuple[Floats, Floats]:
    """Outlines of the right and the left lens, (90, 3) cm; `grow` is their size against clear ones."""
    a = np.linspace(0, 2 * np.pi, 90)
    rings = []
    for k, sign in enumerate((-1, 1)):
        centre = np.array([3.35 * sign, centres[k, 1] - 0.25, 5.35])
        x = grow * 2.55 * np.sign(np.cos(a)) * np.abs(np.cos(a)) ** 0.72
        y = grow * 1.95 * np.sign(np.sin(a)) * np.abs(np.sin(a)) ** 0.72 * (1 + 0.04 * np.cos(a) * sign)
        rings.append(centre + np.stack([x, y, -0.10 * (x * sign + 1)], 1))
    return rings[0], rings[1]


def draw_glasses(
    image: Pixels, alpha: Pixels, matrix: Floats, centres: Floats, view: View, grow: float = 1.0
) -> None:
    """Thin round-cornered spectacles."""
    height, width = image.shape[:2]
    layer = np.zeros((height, width, 4), np.uint8)
    d = view.density
    frame = (38.0, 30.0, 30.0, 255.0)
    glare = np.zeros((height, width), np.uint8)
    for sign, ring in zip((-1, 1), lenses(centres, grow), strict=True):
        middle = centres[(sign + 1) // 2, 1] - 0.25
        xy = view.project(head.pose(ring, matrix))
        _polygon(glare, xy, 255)
        cv2.polylines(
            layer, [np.rint(xy * 16).astype(np.int32)], True, frame, max(1, round(0.17 * d)), cv2.LINE_AA, 4
        )
        lit = view.project(head.pose(ring[20:42], matrix)) - np.array([0.02 * d, 0.03 * d])
        cv2.polylines(
            layer,
            [np.rint(lit * 16).astype(np.int32)],
            False,
            (120.0, 108.0, 104.0, 255.0),
            max(1, round(0.05 * d)),
            cv2.LINE_AA,
            4,
        )
        arm = np.array(
            [
                [5.9 * sign, middle + 0.7, 5.0],
                [7.3 * sign, middle + 0.6, 2.0],
            ]
        )
        xy = view.project(head.pose(arm, matrix))
        cv2.polylines(
            layer, [np.rint(xy * 16).astype(np.int32)], False, frame, max(1, round(0.17 * d)), cv2.LINE_AA, 4
        )
    bridge = np.array(
        [
            [-0.85, centres[0, 1] + 0.25, 5.55],
            [0.0, centres[0, 1] + 0.55, 6.1],
            [0.85, centres[0, 1] + 0.25, 5.55],
        ]
    )
    xy = view.project(head.pose(bridge, matrix))
    cv2.polylines(
        layer, [np.rint(xy * 16).astype(np.int32)], False, frame, max(1, round(0.17 * d)), cv2.LINE_AA, 4
    )
    shadow = cv2.GaussianBlur(layer[..., 3], (0, 0), max(0.12 * d, 0.6)).astype(np.float32) / 255
    shift = np.float32([[1, 0, 0.18 * d], [0, 1, 0.35 * d]])
    shadow = cv2.warpAffine(shadow, shift, (width, height))
    image *= 1 - 0.28 * shadow[..., None]
    # The lenses take away a little light and give back a faint sheen.
    image *= 1 - 0.03 * (glare.astype(np.float32) / 255)[..., None]
    _over(image, layer)
    np.maximum(alpha, layer[..., 3].astype(np.float32) / 255, out=alpha)
