"""Where the eyes look: at the camera, or past it, against the person's own usual look.

In a burst nearly every frame shows eyes that look at the camera, so a person's usual place of the iris is the
standard, and only what leaves it is a look away. The iris is found in the picture as a dark disc between two
bright sides, in both eyes at once (they move together, the shadows of their corners mirror each other), near
where the landmarks have it: these alone lag behind a glance by a third to a half. A head that turns while the
eyes stay on the lens moves the iris between the corners as well; how far is learnt from the person's own
frames, starting from what holds between people.

The method is common practice (a disc against its surroundings: Daugman, "High confidence visual recognition
of persons by a test of statistical independence", IEEE TPAMI 15(11), 1993, eq. 3, here with fixed radius and
the sides alone, for lids cover top and bottom).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge.scores.alike import together
from facemerge.words import Array, Float, Part, frozen

Plane = NDArray[np.float32]

CORNERS = ((33, 133), (362, 263))
"""Of the subject's right eye, then the left: as they lie from left to right in the picture."""
IRISES = (468, 473)
CHEEKS, MIDLINE = (234, 454), (10, 152)
EYE_PX = 40.0
"""Width of an eye in the patch in which its iris is sought."""
PATCH = (72, 44)
IRIS = 0.215
"""Radius of the iris in eye widths: hardly differs between people, nor between adults and children."""
SIDES_DEG = 50.0
"""The ring is looked at this far above and below the level: beyond are the lids."""
REACH, STEP = 15.0, 0.5
"""How far from the middle of the eye the iris is sought, and in what steps; patch pixels."""
LAG = 0.1
"""Eye widths by which the landmarks' iris may lag before that costs half of what a perfect disc gains."""
WIDTHS_A_DEGREE = 0.0055
"""Shift of the iris in eye widths for a degree: 0.0045 seen on photographs, 0.0068 on larger, drawn eyes."""
HEIGHTS_A_DEGREE = 0.0018
"""The same up and down, of the landmarks' iris, which hardly follow there."""
TURN_SHIFT, TURN_DOUBT = 0.005, 0.0025
"""Shift for a degree of the head's turn with the eyes on the lens, and how far people differ in it."""
NOD_SHIFT, NOD_DOUBT = 0.001, 0.001
PLACE_NOISE = 0.006
"""Standard deviation of a measured place, eye widths."""
USUAL_LIMIT = 0.06
"""Few people's usual look at a camera lies farther aside, eye widths: looks away are no standard."""
HALF_DEG = 9.5
"""A look this far aside is worth half."""
STEEP = 5.0
FARTHEST = 0.06
"""Worth of the farthest look away: an open eye is still better than a shut one."""
NOISE_PX = 0.1
"""What a place is off by chance, picture pixels: it is taken off before a look away is claimed."""
PLACE_PX = 0.2
"""What a place is off by chance from one face to the next, picture pixels.

About twice the median standard deviation over six slightly moved copies of each of 240 faces, 14 of them with
eyes below 20 px."""
BLINDING_SHARE = 0.1
"""Blur, in eye widths, in which the iris is lost."""
SMALLEST_FACE_PX = 40.0
NARROW_CLOSURE, SHUT_CLOSURE = 0.25, 0.5
"""From the first a falling lid carries the landmarks' iris down; from the second it hides the iris."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GazeMeasure:
    """What a look is judged from, for one face; the subject's right eye first."""

    discs: NDArray[np.float32]
    """(2, N) how much of a dark disc lies at each place from -REACH to REACH in steps of STEP."""
    places: Float
    """(2, 2) x, y of the landmarks' iris from the middle of its eye, in eye widths, along the eyes' line."""
    turn_deg: float
    """Turn of the head, positive to the picture's right."""
    nod_deg: float
    """Nod of the head by its landmarks, positive with the chin to the chest, with a constant of its own."""
    eye_px: float
    """Width of an eye in picture pixels, as if seen from the front."""
    face_px: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Gaze:
    """Where the eyes look, against the person's usual look at the camera."""

    x_deg: float
    """Positive to the picture's right."""
    y_deg: float
    """Positive down."""
    doubt_deg: float
    """By how much either may be off by chance."""
    blur_share: float
    """Gaussian sigma of the blur in eye widths."""


@cache
def _ring() -> Plane:
    """Return the (K, K) kernel: mean of the ring beside the iris less the mean of the iris."""
    radius, inner, outer = IRIS * EYE_PX, (0.3, 0.95), (1.1, 1.7)
    half = int(np.ceil(radius * outer[1])) + 1
    y, x = np.mgrid[-half : half + 1, -half : half + 1].astype(np.float64)
    far = np.hypot(x, y)
    sides = np.clip((SIDES_DEG - np.rad2deg(np.arctan2(np.abs(y), np.abs(x)))) / 6 + 0.5, 0, 1)

    def band(low: float, high: float) -> Array:
        weight = np.clip(far - low * radius + 0.5, 0, 1) * np.clip(high * radius - far + 0.5, 0, 1) * sides
        return np.asarray(weight / weight.sum())

    return np.asarray(band(*outer) - band(*inner), np.float32)


def _patch(plane: Plane, middle: Float, along: Float, eye_px: float) -> Plane:
    zoom = eye_px / EYE_PX
    reach = int(np.ceil(1.2 * eye_px)) + 3
    left, top = (max(0, int(v) - reach) for v in middle)
    near = plane[top : max(top + 1, int(middle[1]) + reach), left : max(left + 1, int(middle[0]) + reach)]
    if near.size == 0:
        return np.zeros((PATCH[1], PATCH[0]), np.float32)
    if zoom > 1.2:
        near = np.asarray(cv2.GaussianBlur(near, (0, 0), 0.45 * zoom), np.float32)
    turn = np.array([[along[0], -along[1]], [along[1], along[0]]]) * zoom
    centre = np.array([(PATCH[0] - 1) / 2, (PATCH[1] - 1) / 2])
    matrix = np.column_stack([turn, middle - turn @ centre - [left, top]])
    return np.asarray(
        cv2.warpAffine(
            near,
            matrix,
            PATCH,
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        ),
        np.float32,
    )


def _discs(patch: Plane, down: float) -> Plane:
    """Return how much of a dark disc lies at each place, best over a little up and down; `down` in pixels."""
    answer = cv2.filter2D(patch, -1, _ring(), borderType=cv2.BORDER_REPLICATE)
    row = (PATCH[1] - 1) / 2 + float(np.clip(down, -6, 6))
    best = answer[round(row) - 3 : round(row) + 4].max(0)
    at = np.arange(-REACH, REACH + STEP / 2, STEP) + (PATCH[0] - 1) / 2
    return np.asarray(np.interp(at, np.arange(PATCH[0]), best), np.float32)


def measure_gaze(plane: Plane, points: Float) -> GazeMeasure:
    """Measure what a look is judged from.

    Parameters
    ----------
    plane
        (H, W) float32 in [0, 1]: the red channel of a crop around the face, in which skin and the white of
        the eye are bright and irises of all colours are dark.
    points
        (478, 3) landmarks in the crop's pixels.
    """
    across = (points[263] + points[362] - points[33] - points[133])[:2]
    along = across / max(float(np.linalg.norm(across)), 1e-6)
    square = np.array([along, [-along[1], along[0]]])
    widths = [float(np.linalg.norm(points[a] - points[b])) for a, b in CORNERS]
    eye_px = max(float(np.mean(widths)), 1.0)
    discs, places = [], []
    for (a, b), iris in zip(CORNERS, IRISES, strict=True):
        middle = (points[a, :2] + points[b, :2]) / 2
        place = square @ (points[iris, :2] - middle) / eye_px
        discs.append(_discs(_patch(plane, middle, along, eye_px), float(place[1]) * EYE_PX))
        places.append(place)
    cheeks, midline = (points[ends[1]] - points[ends[0]] for ends in (CHEEKS, MIDLINE))
    return GazeMeasure(
        discs=frozen(np.array(discs, np.float32)),
        places=frozen(np.array(places)),
        turn_deg=float(np.rad2deg(np.arctan2(cheeks[2], np.hypot(cheeks[0], cheeks[1])))),
        nod_deg=float(np.rad2deg(np.arctan2(midline[2], np.hypot(midline[0], midline[1])))),
        eye_px=eye_px,
        face_px=float(np.ptp(points[:, 0])),
    )


def iris_strength(measure: GazeMeasure) -> tuple[float, float]:
    """Return how much of a dark disc the right and the left eye show near the landmarks' iris."""
    at = np.arange(-REACH, REACH + STEP / 2, STEP)
    right, left = (
        float(disc[np.abs(at - np.clip(x * EYE_PX, -10, 10)) <= 4].max())
        for disc, x in zip(measure.discs, measure.places[:, 0], strict=True)
    )
    return right, left


def iris_place(measure: GazeMeasure, shown: tuple[bool, bool] = (True, True)) -> tuple[float, float]:
    """Return where the irises of the eyes that are shown lie: x, y from the eyes' middle, in eye widths."""
    at = np.arange(-REACH, REACH + STEP / 2, STEP)
    eyes = [eye for eye in (0, 1) if shown[eye]]
    # Eyes that look at something near turn towards each other: each is moved by half of that.
    inward = float(measure.places[0, 0] - measure.places[1, 0]) / 2 * EYE_PX
    known = float(measure.places[:, 0].mean())
    gain = np.zeros(len(at))
    for eye in eyes:
        disc = measure.discs[eye] / max(float(measure.discs[eye].max()), 0.02)
        gain += np.interp(at + (inward if eye == 0 else -inward), at, disc) / len(eyes)
    if len(eyes) == 1:
        known = float(measure.places[eyes[0], 0]) - (inward if eyes[0] == 0 else -inward) / EYE_PX
    gain -= 0.5 * ((at - known * EYE_PX) / (LAG * EYE_PX)) ** 2
    k = int(gain.argmax())
    x = float(at[k])
    if 0 < k < len(at) - 1:
        bend = gain[k - 1] - 2 * gain[k] + gain[k + 1]
        x += STEP * 0.5 * float((gain[k - 1] - gain[k + 1]) / bend) if bend < 0 else 0.0
    return x / EYE_PX, float(measure.places[eyes, 1].mean())


def _follow(turn: Float, place: Float, weight: Float, slope: float, doubt: float) -> tuple[float, float]:
    """Return the usual place at turn 0 and its slope: a line through one person's frames.

    A ridge towards the slope that holds between people, the outliers (the looks away) weighed down as in
    Huber, "Robust estimation of a location parameter", Ann. Math. Statist. 35(1), 1964.
    """
    share = weight.copy()
    own = slope
    usual = _median(place - own * turn, weight)
    for _ in range(8):
        centre = float(np.average(turn, weights=share))
        spread = float((share * (turn - centre) ** 2).sum())
        level = float(np.average(place - slope * turn, weights=share))
        moved = float((share * (turn - centre) * (place - slope * turn - level)).sum())
        change = moved / (spread + (PLACE_NOISE / doubt) ** 2)
        own = slope + float(np.clip(change, -1.6 * doubt, 1.6 * doubt))
        usual = _median(place - own * turn, weight)
        off = np.abs(place - own * turn - usual)
        share = weight * np.minimum(1.0, 2 * PLACE_NOISE / np.maximum(off, 1e-9)) ** 2
    return usual, own


def _median(values: Float, weight: Float) -> float:
    """Return the weighted median, the mean of both where two share the middle."""
    order = np.argsort(values, kind="stable")
    passed = np.cumsum(weight[order]) / weight.sum()
    low, high = (int(np.argmax(passed >= share)) for share in (0.5 - 1e-9, 0.5 + 1e-9))
    return float(values[order[low]] + values[order[high]]) / 2


def gazes(
    measures: Sequence[GazeMeasure | None],
    closed: Sequence[tuple[float | None, float | None]],
    lowered: Sequence[float],
    blur_px: Sequence[float],
) -> tuple[Gaze | None, ...]:
    """Return where one person looks in each frame, against their usual look at the camera.

    Parameters
    ----------
    measures
        One a frame, None where the person is missing.
    closed
        One a frame: how far the subject's right and left eye are closed, 0 to 1; None for an eye that
        cannot be seen.
    lowered
        One a frame: how surely lids are lowered for a look down, not a blink, in [0, 1].
    blur_px
        One a frame: Gaussian sigma of the blur in picture pixels.

    Returns
    -------
    tuple
        One a frame; None without the person or an open eye, or with too small a face.
    """
    found: list[Gaze | None] = [None] * len(measures)
    places: dict[int, tuple[float, float]] = {}
    for i, (m, sides, low) in enumerate(zip(measures, closed, lowered, strict=True)):
        right, left = (c is not None and (c < SHUT_CLOSURE or low > 0.5) for c in sides)
        if m is not None and m.face_px >= SMALLEST_FACE_PX and (right or left):
            places[i] = iris_place(m, (right, left))
    if not places:
        return tuple(found)
    used = list(places)
    seen = [m for i in used if (m := measures[i]) is not None]
    turn, nod = np.array([m.turn_deg for m in seen]), np.array([m.nod_deg for m in seen])
    chance = PLACE_PX / np.array([m.eye_px for m in seen])
    x, y = np.array([places[i] for i in used]).T
    # Heads that are turned alike must agree in where their irises lie, not those that are turned apart.
    x = together(x + TURN_SHIFT * turn, chance) - TURN_SHIFT * turn
    y = together(y + NOD_SHIFT * nod, chance) - NOD_SHIFT * nod
    blur = np.array([blur_px[i] / m.eye_px for i, m in zip(used, seen, strict=True)])
    lids = np.array([max(c for c in closed[i] if c is not None) for i in used])
    weight = 1 / (1 + (blur / (BLINDING_SHARE / 2)) ** 4) / (1 + (lids / NARROW_CLOSURE) ** 4)
    # A few looks at the camera outweigh many far aside: the usual look is the one near the eyes' middle.
    weight = np.maximum(weight / (1 + ((x + TURN_SHIFT * turn) / USUAL_LIMIT) ** 4), 1e-6)
    x0, x_slope = _follow(turn, x, weight, -TURN_SHIFT, TURN_DOUBT)
    x0 = float(np.clip(x0, -USUAL_LIMIT, USUAL_LIMIT))
    y0, y_slope = _follow(nod, y, weight, -NOD_SHIFT, NOD_DOUBT)
    for k, i in enumerate(used):
        down = float(y[k] - y0 - y_slope * nod[k]) / HEIGHTS_A_DEGREE
        if lids[k] > NARROW_CLOSURE and lowered[i] <= 0.5:
            down = min(down, 0.0)
        found[i] = Gaze(
            x_deg=float(x[k] - x0 - x_slope * turn[k]) / WIDTHS_A_DEGREE,
            y_deg=down,
            doubt_deg=NOISE_PX / seen[k].eye_px / WIDTHS_A_DEGREE,
            blur_share=float(blur[k]),
        )
    return tuple(found)


def gaze_part(gaze: Gaze | None) -> Part:
    """Return how good a look is in [0, 1], with the reason."""
    if gaze is None:
        return Part(value=None, reason="no open eye to be seen")
    if gaze.blur_share > BLINDING_SHARE:
        return Part(value=None, reason="too blurred to tell where the eyes look")
    # Up and down is measured worse than aside.
    aside, along = (
        max(abs(gaze.x_deg) - gaze.doubt_deg, 0.0),
        max(abs(gaze.y_deg) - 2 * gaze.doubt_deg, 0.0) * 0.6,
    )
    value = FARTHEST + (1 - FARTHEST) * float(1 / (1 + (np.hypot(aside, along) / HALF_DEG) ** STEEP))
    if value > 0.7:
        return Part(value=value)
    if along > aside:
        return Part(value=value, reason="looks down" if gaze.y_deg > 0 else "looks up")
    side = "right" if gaze.x_deg > 0 else "left"
    return Part(value=value, reason=f"looks away to the picture's {side}")
