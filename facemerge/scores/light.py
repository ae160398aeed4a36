"""Whether light spoils a face: skin blown out, a face lost in black, eyes red from flash.

All of it is physical, of one picture by itself. Skin of which two channels are at the top of their range
holds no detail that could be brought back, and neither does skin at the bottom. Skin that is merely bright,
dark or warm is as it is (red alone clips early on light skin, and green still draws it), and a frame one stop
under is mended easily. Small specular spots are how skin looks; only areas count.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge import imaging
from facemerge.words import Array, Float, Part

Mask = NDArray[np.uint8]

OVAL = (
    *(10, 338, 297, 332, 284, 251, 389, 356, 454, 323, 361, 288, 397, 365, 379, 378, 400, 377),
    *(152, 148, 176, 149, 150, 136, 172, 58, 132, 93, 234, 127, 162, 21, 54, 103, 67, 109),
)
"""Outline of the face."""
EYE_FOLDS = (
    (130, 247, 30, 29, 27, 28, 56, 190, 243, 112, 26, 22, 23, 24, 110, 25),
    (359, 467, 260, 259, 257, 258, 286, 414, 463, 341, 256, 252, 253, 254, 339, 255),
)
LIPS = (61, 185, 40, 39, 37, 0, 267, 269, 270, 409, 291, 375, 321, 405, 314, 17, 84, 181, 91, 146)
IRISES = ((468, 469, 470, 471, 472), (473, 474, 475, 476, 477))
"""Middle and four rim points of the subject's right and left iris."""
LIDS = ((159, 145), (386, 374))
CHEEKS = (50, 280, 205, 425, 101, 330)

FACE_PX = 120
"""Width to which a face is thinned out before its pixels are counted: a share needs no more."""
TOP, BOTTOM = 250, 10
"""Of 255: skin is lost from here in two channels, and up to here in all three."""
SPOT = 0.055
"""Width, in face widths, up to which a clipped spot is a gleam on skin, not lost skin."""
BLOWN_HALF, CRUSHED_HALF = 0.17, 0.45
"""Share of the skin at which a face is worth half."""
IRIS_PX = 3.0
"""Radius below which the colour of a pupil is not to be told: it is fewer than ten pixels then."""
PUPIL = 0.6
"""Radius of what is looked at, in iris radii: the pupil in the dark, and the iris about it by day."""
RED_FROM = 0.65
"""By how much ln(R / G) in linear light must exceed the same face's skin.

Warmer light multiplies linear light, and so moves skin and eyes alike; nor does darkness redden it, as it
does encoded values."""
WARMER = 0.5
"""Share of the excess of ln(G / B) that is taken off: brown has both, a lit retina the first alone."""
LAMP = 0.7
"""ln(R / G) over ln(G / B): 0.6 to 0.7 for black bodies of 2800 to 3500 K in linear sRGB, more for skin."""
RED_BRIGHT = 0.2
"""Share of the skin's own linear red that such a pixel has at least: a black pupil is of no colour."""
RED_FLOOR = 0.004
"""Linear light added to each channel: below it colour is noise."""
RED_SHARE = 0.15
"""Share of the disc that is red in red-eye.

RED_FROM, WARMER, RED_BRIGHT and RED_SHARE were fitted on red pupils drawn into 1084 open eyes of 573 faces,
141 of them photographed, against the same eyes in light of 2800 to 6000 K, up to a stop under."""
RED_VALUE = 0.35


@dataclass(frozen=True, slots=True, kw_only=True)
class LightMeasure:
    """What the light on a face is judged from."""

    blown: float
    """Share of the skin in [0, 1] that lies in areas with two channels clipped at the top."""
    crushed: float
    """Share of the skin in [0, 1] that is black in all channels."""
    red: tuple[float | None, float | None]
    """Share in [0, 1] of the subject's right and left pupil that is red; None = shut, or too small."""


def _skin(shape: tuple[int, int], points: Float) -> Mask:
    """Return 1 where a picture shows a face but for its eyes and lips."""
    mask = np.zeros(shape, np.uint8)
    width = float(np.ptp(points[list(OVAL), 0]))

    def fill(ring: tuple[int, ...], value: int) -> None:
        cv2.fillPoly(mask, [np.rint(points[list(ring)] * 16).astype(np.int32)], value, cv2.LINE_8, 4)

    fill(OVAL, 1)
    # What lies along the outline is hair or background as often as skin.
    edge = 2 * max(1, round(0.03 * width)) + 1
    mask = np.asarray(cv2.erode(mask, np.ones((edge, edge), np.uint8), borderValue=0), np.uint8)
    for ring in (*EYE_FOLDS, LIPS):
        fill(ring, 0)
    return mask


def measure_light(crop: Array, points: Float) -> LightMeasure:
    """Measure what the light on a face is judged from.

    Parameters
    ----------
    crop
        (H, W, 3) RGB uint8 or uint16 around the face.
    points
        (478, 2) or (478, 3) landmarks in the crop's pixels.
    """
    flat = np.asarray(points, np.float64)[:, :2]
    step = max(1, int(np.ptp(flat[list(OVAL), 0]) / FACE_PX))
    # Every n-th pixel, not their mean: averaged, a clipped pixel is clipped no more.
    few = imaging.to_eight_bit(np.ascontiguousarray(crop[::step, ::step]))
    places = flat / step
    skin = _skin(few.shape[:2], places) > 0
    total = max(int(skin.sum()), 1)
    r, g, b = cv2.split(few)
    low, high = cv2.min(r, g), cv2.max(r, g)
    clipped = ((cv2.max(low, cv2.min(high, b)) >= TOP) & skin).astype(np.uint8)
    spot = max(3, round(SPOT * float(np.ptp(places[list(OVAL), 0]))) | 1)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (spot, spot))
    blown = cv2.morphologyEx(clipped, cv2.MORPH_OPEN, disc, borderValue=0)
    crushed = (cv2.max(high, b) <= BOTTOM) & skin
    cheek = _skin_colour(few, places)
    right, left = (_red(crop, flat, eye, cheek) for eye in (0, 1))
    return LightMeasure(
        blown=float(blown.sum()) / total, crushed=float(crushed.sum()) / total, red=(right, left)
    )


def _skin_colour(picture: NDArray[np.uint8], points: Float) -> NDArray[np.uint8] | None:
    """Return the (3,) median colour of the cheeks, or None if they lie outside the picture."""
    height, width = picture.shape[:2]
    at = np.rint(points[list(CHEEKS)]).astype(int)
    near = [
        picture[y - 2 : y + 3, x - 2 : x + 3].reshape(-1, 3)
        for x, y in at
        if 2 <= x < width - 2 and 2 <= y < height - 2
    ]
    return np.median(np.concatenate(near), axis=0).astype(np.uint8) if near else None


def _red(crop: Array, points: Float, eye: int, skin: NDArray[np.uint8] | None) -> float | None:
    """Return the share of an eye's pupil that is red, or None if it cannot be seen."""
    middle, *rim = points[list(IRISES[eye])]
    radius = float(np.mean([np.linalg.norm(p - middle) for p in rim]))
    upper, lower = points[list(LIDS[eye])]
    if skin is None or radius < IRIS_PX or float(np.linalg.norm(upper - lower)) < radius:
        return None
    reach = int(np.ceil(PUPIL * radius)) + 1
    x, y = (round(float(v)) for v in middle)
    if x < reach or y < reach:
        return None
    near = imaging.to_eight_bit(
        np.ascontiguousarray(crop[y - reach : y + reach + 1, x - reach : x + reach + 1])
    )
    rows, columns = np.mgrid[: near.shape[0], : near.shape[1]]
    disc = np.hypot(columns + x - reach - middle[0], rows + y - reach - middle[1]) <= PUPIL * radius
    pixels = near[disc]
    if len(pixels) < 5:
        return None
    skin_log, log = np.log(_light(skin)), np.log(_light(pixels))
    skin_warmth = float(skin_log[1] - skin_log[2])
    skin_red = float(skin_log[0] - skin_log[1])
    if skin[0] >= TOP:
        # Clipped, the red of skin says too little; how warm the light is shows in green and blue as well.
        skin_red = max(skin_red, LAMP * skin_warmth)
    warmer = np.maximum(log[:, 1] - log[:, 2] - skin_warmth, 0)
    red = log[:, 0] - log[:, 1] - skin_red - WARMER * warmer
    lit = _light(pixels)[:, 0] >= RED_BRIGHT * _light(skin)[0]
    return float(((red > RED_FROM) & lit).mean())


def _light(pixels: NDArray[np.uint8]) -> Float:
    """Return linear light of (..., 3) 8-bit sRGB, lifted off black."""
    return np.asarray(imaging.to_linear(imaging.to_unit(pixels)) + RED_FLOOR, np.float64)


def light_part(measure: LightMeasure) -> Part:
    """Return how good the light on a face is in [0, 1], with the reason."""
    blown = 1 / (1 + (measure.blown / BLOWN_HALF) ** 2)
    crushed = 1 / (1 + (measure.crushed / CRUSHED_HALF) ** 4)
    red = RED_VALUE if max((r or 0.0) for r in measure.red) >= RED_SHARE else 1.0
    value = float(blown * crushed * red)
    if value > 0.9:
        return Part(value=value)
    reasons = {
        f"{_share(measure.blown)} of the face is blown out": blown,
        "the face is lost in shadow": crushed,
        "red-eye": red,
    }
    return Part(value=value, reason=min(reasons, key=lambda name: reasons[name]))


def _share(share: float) -> str:
    words = {0.05: "a small part", 0.1: "a tenth", 0.2: "a fifth", 0.25: "a quarter", 1 / 3: "a third"}
    words |= {0.5: "half", 0.8: "most"}
    return words[min(words, key=lambda v: abs(v - share))]
