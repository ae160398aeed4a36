"""What stands between a face and the camera: dark or shining lenses, a lock of hair; and the light on it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.interpolate import griddata
from scipy.spatial import cKDTree

from . import head
from .features import draw_glasses, lenses
from .hair import STEPS, Strands
from .hand import lay_hand
from .head import smoothstep
from .mesh import Floats
from .neighbour import lay_shoulder
from .paint import Pixels, to_linear
from .person import Person
from .strokes import hair_layers
from .view import View

COVERS = ("hand", "shoulder", "hair")
SIDES = ("left", "right", "below")


@dataclass(frozen=True, slots=True, kw_only=True)
class Front:
    """What hides parts of a face. Left and right are the subject's own: their left is the picture's right."""

    dark_glasses: bool = False
    glare: float = 0.0
    """How much of clear lenses the sky shines back from, in [0, 1]; clear glasses are put on for it."""
    hair_over_eye: str | None = None
    """left or right: a lock of the person's own hair falls over that eye."""
    covered: float = 0.0
    """Share of the face, inside its oval, to be hidden by `covered_by`, in [0, 0.9].

    Hand and shoulder keep to it within a few hundredths whatever the head does; hair before a turned head may
    be off by 0.08. The truth tells what came of it.
    """
    covered_by: str = "hand"
    """hand, shoulder (a neighbour's) or hair (the person's own)."""
    covered_from: str = "below"
    """left, right or below; hair comes from left or right."""

    def __post_init__(self) -> None:
        """Refuse what cannot be drawn."""
        if self.covered_by not in COVERS or self.covered_from not in SIDES:
            raise ValueError(f"covered_by is one of {COVERS}, covered_from one of {SIDES}")
        if self.covered and (self.covered_by, self.covered_from) == ("hair", "below"):
            raise ValueError("hair covers a face from the left or the right")
        if self.hair_over_eye not in (None, "left", "right"):
            raise ValueError("hair_over_eye is left, right or None")
        if not (0 <= self.covered <= 0.9 and 0 <= self.glare <= 1):
            raise ValueError("covered lies in [0, 0.9], glare in [0, 1]")

    @property
    def spectacles(self) -> bool:
        """Whether this puts glasses on a person who has none."""
        return self.dark_glasses or self.glare > 0


def _coverage(shape: tuple[int, int], ring: Floats) -> Pixels:
    canvas = np.zeros(shape, np.uint8)
    cv2.fillPoly(canvas, [np.rint(ring * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    return canvas.astype(np.float32) / 255


def _mix(image: Pixels, alpha: Pixels, colour: Pixels | Floats, share: Pixels) -> None:
    """Lay a colour over premultiplied pixels in place."""
    image *= 1 - share[..., None]
    image += np.asarray(colour, np.float32) * share[..., None]
    alpha *= 1 - share
    alpha += share


def draw_spectacles(
    image: Pixels, alpha: Pixels, matrix: Floats, centres: Floats, view: View, front: Front
) -> Pixels:
    """Lenses, then their frame.

    Returns
    -------
    (H, W) float32
        How much of what lies behind the lenses is hidden, in [0, 1].
    """
    hidden = np.zeros(alpha.shape, np.float32)
    grow = 1.10 if front.dark_glasses else 1.0
    for ring in lenses(centres, grow) if front.spectacles else ():
        xy = view.project(head.pose(ring, matrix))
        lens = _coverage(alpha.shape, xy)
        gy, gx = np.mgrid[: alpha.shape[0], : alpha.shape[1]].astype(np.float32)
        low, high = xy.min(0), xy.max(0)
        u, v = (gx - low[0]) / (high[0] - low[0]), (gy - low[1]) / (high[1] - low[1])
        if front.dark_glasses:
            # The sky lies in the upper part of a lens, a paler band of it across.
            sky = 0.75 * smoothstep(0.85, 0.0, v) + 0.9 * np.exp(-(((u + 0.55 * v - 0.62) / 0.13) ** 2))
            tone = np.array([0.050, 0.047, 0.050]) + np.array([0.085, 0.100, 0.122]) * sky[..., None]
            share = 0.955 * lens
        else:
            # The reflection grows from the upper corner on the light's side until it fills the lens.
            reach = 0.05 + 1.70 * front.glare
            patch = smoothstep(reach + 0.12, reach - 0.12, u * 0.62 + v)
            share = lens * patch * 0.94 * smoothstep(0.0, 0.55, front.glare)
            tone = (
                np.array([0.90, 0.94, 0.97]) - np.array([0.10, 0.07, 0.05]) * (0.7 * v + 0.3 * u)[..., None]
            )
        share = share.astype(np.float32)
        _mix(image, alpha, tone, share)
        np.maximum(hidden, share, out=hidden)
    draw_glasses(image, alpha, matrix, centres, view, grow)
    return hidden


def _surface(fine: Floats, xy: Floats) -> Floats:
    """Depth of the face under points (..., 2) of the head's plane, cm."""
    # The first 468 points are the coarse mesh's own; the skull's rings follow them.
    coarse = fine[: head.topology().weights.shape[1]]
    ahead = coarse[coarse[:, 2] > -2.0]
    near = ahead[cKDTree(ahead[:, :2]).query(xy)[1], 2]
    smooth = griddata(ahead[:, :2], ahead[:, 2], xy, "linear")
    out: Floats = np.where(np.isnan(smooth), near, smooth)
    return out


def _strands(
    person: Person, fine: Floats, xy: Floats, lock: NDArray[np.integer], rng: np.random.Generator
) -> Strands:
    """Strands of the person's own colour lying on the face along paths (N, STEPS, 2), shaded by lock (N,)."""
    count = len(xy)
    layer = rng.random(count)
    # Hair bridges the hollows of eye and temple: it lies on the forehead, the cheekbone, the nose.
    z = ndimage.gaussian_filter1d(_surface(fine, xy), 3.0, axis=1, mode="nearest")
    z += 0.6 + 0.45 * layer[:, None]
    base = to_linear(person.hair)
    tone = np.exp(0.17 * rng.standard_normal(int(lock.max()) + 1))[lock] * np.exp(
        0.16 * rng.standard_normal(count)
    )
    colour = base[None] * tone[:, None]
    grey = rng.random(count) < person.grey * 0.6
    colour[grey] = to_linear((0.66, 0.65, 0.63)) * tone[grey, None]
    width = rng.uniform(0.045, 0.08, count)
    posed = 1 - 0.95 * smoothstep(-8, -15, xy[..., 1])
    return Strands(np.concatenate([xy, z[..., None]], -1), colour, width, 0.12 + 0.58 * layer, posed)


def _root_height(person: Person) -> float:
    """Where hair that falls into a face comes from, cm: the parting, or the edge of what is worn."""
    return {"scarf": 7.4, "cap": 6.3, "receding": 8.6, "crop": 8.8}.get(person.hair_style, 10.6)


def eye_lock(person: Person, fine: Floats, centres: Floats, side: int) -> Strands:
    """A lock that falls from the parting over one eye to the cheek; `side` is 1 for the subject's left."""
    rng = np.random.default_rng(person.seed + 60 + side)
    eye = centres[0 if side < 0 else 1, :2] * [side, 1]
    top = _root_height(person)
    down = np.array([[-0.75, 2.3], [-0.15, 0.0], [0.75, -2.6], [1.9, -5.4]])
    path = np.concatenate([[[0.4, top], [1.0, (top + eye[1] + 2.3) / 2 + 0.5]], eye + down])
    spread = np.array([1.3, 1.7, 1.75, 1.65, 1.35, 0.75])
    wisps, each = 7, 75
    lock = np.repeat(np.arange(wisps), each)
    count = wisps * each
    # Wisps lie side by side, each with its own length and curl, and draw to a point.
    middle = np.linspace(-0.92, 0.92, wisps)[lock][:, None]
    reach = rng.uniform(0.72, 1.0, wisps)[lock][:, None] * rng.uniform(0.9, 1.0, (count, 1))
    at = 5 * reach * np.linspace(0, 1, STEPS)[None]
    fine_spread = 0.20 * rng.standard_normal((count, 1)) * (1 - 0.7 * smoothstep(0.72, 1.0, at / 5))
    off = np.clip(middle + fine_spread, -1.15, 1.15)
    curl = rng.uniform(-0.5, 0.5, wisps)[lock][:, None] * smoothstep(3.3, 5.0, at)
    knots = np.arange(6)
    x = np.interp(at, knots, path[:, 0]) + off * np.interp(at, knots, spread) + curl
    y = np.interp(at, knots, path[:, 1]) + 0.25 * off**2
    return _strands(person, fine, _soft(np.stack([side * x, y], -1)), lock, rng)


def curtain(person: Person, fine: Floats, side: int, edge: float) -> Strands:
    """Hair that hangs before one side of the face out from the head's x = `edge`."""
    rng = np.random.default_rng(person.seed + 70 + side)
    far, near = 8.6, side * edge
    width = far - near
    locks = max(3, round(2.2 * width))
    count = round(130 * width) + 80
    lock = rng.integers(0, locks, count)
    across = np.clip((lock[:, None] + 0.5 + 0.32 * rng.standard_normal((count, 1))) / locks, 0, 1)
    t = np.linspace(0, 1, STEPS)[None]
    top = _root_height(person)
    root = np.interp(across, [0, 1], [np.clip(near, -6.0, 5.0) * 0.55 + 0.3, 5.6])
    wave = rng.uniform(0, 6.28, locks)[lock][:, None]
    x = root + (near + width * across - root) * smoothstep(0.0, 0.42, t)
    x += 0.16 * np.sin(5 * t + wave) * smoothstep(0.2, 0.6, t)
    long = rng.uniform(0.85, 1.0, locks)[lock][:, None] * rng.uniform(0.93, 1.0, (count, 1))
    low = top - 0.11 * np.maximum(np.abs(root), 0) ** 1.9
    y = low - (low + 15.0) * long * t
    return _strands(person, fine, _soft(np.stack([side * x, y], -1)), lock, rng)


def _soft(xy: Floats) -> Floats:
    """Paths without the corners of their knots."""
    out = xy.copy()
    for _ in range(2):
        out[:, 1:-1] = (out[:, :-2] + 2 * out[:, 1:-1] + out[:, 2:]) / 4
    return out


def _lay_hair(image: Pixels, alpha: Pixels, strands: Strands, matrix: Floats, view: View) -> Pixels:
    """Lay strands over premultiplied pixels with their shadow; returns their coverage."""
    _, layer = hair_layers(strands, matrix, view, np.full(alpha.shape, -900.0, np.float32))
    fore: Pixels = layer.astype(np.float32) / 255
    drop_shadow(image, fore[..., 3], view, 0.42)
    image *= 1 - fore[..., 3:]
    image += fore[..., :3]
    alpha += fore[..., 3] * (1 - alpha)
    return fore[..., 3]


def drop_shadow(image: Pixels, cover: Pixels, view: View, strength: float) -> None:
    """Darken premultiplied pixels where something just in front keeps the key light off."""
    d = view.density
    shadow = cv2.GaussianBlur(cover, (0, 0), max(0.35 * d, 0.5))
    shift = np.array([[1, 0, 0.22 * d], [0, 1, 0.40 * d]], np.float32)
    shadow = cv2.warpAffine(shadow, shift, cover.shape[::-1])
    image *= 1 - strength * shadow[..., None] * np.array([0.8, 1.0, 1.0], np.float32)


def _edge_for(share: float, side: int, fine: Floats, oval: Floats, matrix: Floats) -> float:
    """The head's x from which a curtain outwards hides this share of the turned oval (N, 2)."""
    step = 0.1
    corner, size = np.array([-16.0, -18.0]), (340, 320)

    def fill(ring: Floats) -> NDArray[np.bool_]:
        canvas = np.zeros(size, np.uint8)
        pixels = np.rint((ring - corner) / step * 16).astype(np.int32)
        return cv2.fillPoly(canvas, [pixels], 1, cv2.LINE_8, 4) > 0

    face = fill(oval)
    y = np.linspace(10.0, -12.0, 12)
    low, high = -8.0, 8.0
    for _ in range(9):
        middle = (low + high) / 2
        border = np.stack([np.full(len(y), side * middle), y], 1)
        seen = head.pose(np.column_stack([border, _surface(fine, border) + 0.8]), matrix)[:, :2]
        # Whatever lies on the curtain's side of its border, seen from the camera.
        chord = (seen[-1] - seen[0]) / np.linalg.norm(seen[-1] - seen[0])
        outward = side * np.array([-chord[1], chord[0]])
        hides = float(fill(np.concatenate([seen, (seen + 40 * outward)[::-1]]))[face].mean())
        low, high = (middle, high) if hides >= share else (low, middle)
    return side * low


def draw_front(
    image: Pixels,
    alpha: Pixels,
    person: Person,
    front: Front,
    fine: Floats,
    centres: Floats,
    matrix: Floats,
    view: View,
) -> Pixels:
    """Lay everything but glasses over premultiplied pixels in place.

    Returns
    -------
    (H, W) float32
        How much of what lies behind is hidden, in [0, 1].
    """
    hidden = np.zeros(alpha.shape, np.float32)
    if front.hair_over_eye:
        strands = eye_lock(person, fine, centres, 1 if front.hair_over_eye == "left" else -1)
        np.maximum(hidden, _lay_hair(image, alpha, strands, matrix, view), out=hidden)
    if not front.covered:
        return hidden
    # The cover stands upright before the turned head, at its own depth.
    oval = head.pose(fine[head.topology().oval], matrix)[:, :2]
    if front.covered_by == "hair":
        side = 1 if front.covered_from == "left" else -1
        edge = _edge_for(front.covered, side, fine, oval, matrix)
        cover = _lay_hair(image, alpha, curtain(person, fine, side, edge), matrix, view)
    else:
        lay = lay_hand if front.covered_by == "hand" else lay_shoulder
        colour, cover = lay(person, front.covered_from, front.covered, oval, view)
        drop_shadow(image, cover, view, 0.5)
        _mix(image, alpha, colour, cover)
    return np.maximum(hidden, cover)
