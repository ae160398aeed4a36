"""Where the donor's head is to lie on the base: candidate placements, and the small bend that joins them.

A placement is a (3, 3) matrix base_from_donor. The background agrees under the global homography, the head
under a registration of its own; a smooth bend, nought on the face, leads from one to the other.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge import imaging
from facemerge.words import Array, Face, Float

# Landmarks that no blink, smile or shout moves much: brow ridge, bridge and sides of the nose, temples.
# fmt: off
STEADY_POINTS = (
    6, 8, 9, 10, 21, 54, 67, 103, 109, 127, 162, 168, 195, 197, 234, 251, 284, 297, 332, 338, 356, 389, 454,
    33, 133, 263, 362, 5, 4, 1, 48, 278,
)
# fmt: on
ECC_STEPS = 30
ECC_CHANGE = 1e-4
MAX_TURN_RAD = 0.2
MAX_ZOOM = 0.15
SOFT_OUTLINE_PX = 0.7
MEDIAN_ROUNDS = 3
AGREES_DELTA_E, DIFFERS_DELTA_E = 2.5, 6.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Placement:
    """One way to lay the donor on the base."""

    name: str
    """'homography' or 'head shift'."""
    base_from_donor: Float
    """(3, 3), full-resolution pixels."""


def head_from_landmarks(base_face: Face, donor_face: Face, base_from_donor: Float) -> Float:
    """Return the (3, 3) matrix that lays the donor's face on the base's by their steady landmarks.

    It is the global homography followed by the least-squares similarity (Umeyama, "Least-squares estimation
    of transformation parameters between two point patterns", 1991) over the landmarks that no expression
    moves, or by the median shift where the similarity turns or zooms more than a burst allows.

    Parameters
    ----------
    base_face, donor_face
        The same person, each in own frame's pixels.
    base_from_donor
        (3, 3) global homography.
    """
    points = list(STEADY_POINTS)
    target = np.asarray(base_face.landmarks[points, :2], np.float64)
    source = imaging.transform(base_from_donor, donor_face.landmarks[points, :2])
    similar = _similarity(source, target)
    zoom = float(np.hypot(similar[0, 0], similar[1, 0]))
    turn = float(np.arctan2(similar[1, 0], similar[0, 0]))
    if abs(zoom - 1) > MAX_ZOOM or abs(turn) > MAX_TURN_RAD:
        similar = imaging.shift_matrix(*np.median(target - source, axis=0))
    return np.asarray(similar @ base_from_donor)


def similarity_of(source: Float, target: Float) -> Float:
    """Return the (3, 3) similarity between two faces by the landmarks that no expression moves.

    Parameters
    ----------
    source, target
        (478, 2) landmarks of one person, each in own pixels.
    """
    points = list(STEADY_POINTS)
    return _similarity(np.asarray(source[points], np.float64), np.asarray(target[points], np.float64))


def _similarity(source: Float, target: Float) -> Float:
    a, b = source.mean(0), target.mean(0)
    s, t = source - a, target - b
    norm = float((s * s).sum())
    c = float((s * t).sum()) / norm
    d = float((s[:, 0] * t[:, 1] - s[:, 1] * t[:, 0]).sum()) / norm
    m = np.array([[c, -d, 0], [d, c, 0], [0, 0, 1]])
    return np.asarray(imaging.shift_matrix(*b) @ m @ imaging.shift_matrix(*-a))


def refine(base: NDArray[np.float32], placed: NDArray[np.float32], region: NDArray[np.uint8]) -> Float | None:
    """Return the (3, 3) matrix base_from_placed that best lays one grey picture on the other in a region.

    Enhanced correlation coefficient, translation and turn (Evangelidis & Psarakis, "Parametric Image
    Alignment Using Enhanced Correlation Coefficient Maximization", 2008).

    Parameters
    ----------
    base, placed
        (h, w) float32 in [0, 1].
    region
        (h, w) uint8, non-zero where the two should agree.

    Returns
    -------
    (3, 3) or None
        None if it does not converge or runs off; the caller then keeps what it has.
    """
    start = np.eye(2, 3, dtype=np.float32)
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, ECC_STEPS, ECC_CHANGE)
    try:
        _, m = cv2.findTransformECC(base, placed, start, cv2.MOTION_EUCLIDEAN, criteria, region, 5)
    except cv2.error:
        return None
    placed_from_base = np.vstack([m.astype(np.float64), [0, 0, 1]])
    y, x = np.nonzero(region)
    middle = np.array([[x.mean(), y.mean()]])
    moved = float(np.linalg.norm(imaging.transform(placed_from_base, middle) - middle))
    if moved > 0.06 * max(base.shape) or abs(np.arctan2(m[1, 0], m[0, 0])) > MAX_TURN_RAD:
        return None
    return np.asarray(np.linalg.inv(placed_from_base))


def flow(base: NDArray[np.uint8], placed: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Return where each pixel of the base is found in the placed donor.

    Dense inverse search (Kroeger et al., "Fast Optical Flow using Dense Inverse Search", 2016), its ripples
    taken out by a median.

    Parameters
    ----------
    base, placed
        (h, w) grey.

    Returns
    -------
    (h, w, 2) float32
        u, v in pixels: the base at q shows what the donor shows at q + (u, v).
    """
    # OpenCV 5 ships the function without its type.
    made: Any = cv2
    search = made.DISOpticalFlow_create(cv2.DISOPTICAL_FLOW_PRESET_MEDIUM)
    found = np.asarray(search.calc(base, placed, None))
    # Fine regular cloth puts ripples into the flow; a median takes them out and keeps its edges.
    for _ in range(MEDIAN_ROUNDS):
        found = np.dstack([cv2.medianBlur(np.ascontiguousarray(found[..., c]), 5) for c in (0, 1)])
    return np.asarray(found, np.float32)


def bend(
    flow: NDArray[np.float32],
    keep: NDArray[np.bool_],
    apart: NDArray[np.float32],
    *,
    fade_px: float,
    limit_px: float,
    smooth_px: float | None = None,
    hidden: NDArray[np.bool_] | None = None,
) -> NDArray[np.float32]:
    """Return how to bend the placed donor so that, away from `keep`, it meets the base.

    The flow from the base to the donor, smoothed, limited, and faded to nothing on `keep`: people breathe and
    turn, rows show parallax, and a seam wants both pictures to agree where it runs while the face stays as it
    was taken.
    Where the two agree already nothing is bent, or the people who moved would drag the wall along.

    Parameters
    ----------
    flow
        (h, w, 2) as `flow` returns it.
    keep
        (h, w) where the donor must not be bent.
    apart
        (h, w) colour difference of the two as they lie, CIELAB units.
    fade_px
        Distance over which the bend grows to its full size.
    limit_px
        Longest bend allowed.
    smooth_px
        How smooth the bend is made, standard deviation; None = as smooth as the fade asks for.
    hidden
        (h, w) where one of the two shows what the other hides: the flow says nothing there, and the bend is
        carried on from around it.

    Returns
    -------
    (h, w, 2) float32
        u, v in pixels: the bent donor at q is the placed donor at q + (u, v).
    """
    length = np.linalg.norm(flow, axis=2)
    flow = flow * np.minimum(1, limit_px / np.maximum(length, 1e-6))[..., None]
    away = cv2.distanceTransform((~keep).astype(np.uint8), cv2.DIST_L2, 5)
    share = _ramp(away / max(fade_px, 1e-6))
    smooth_px = max(1.0, fade_px / 12) if smooth_px is None else smooth_px
    differs = cv2.dilate(cv2.GaussianBlur(apart, (0, 0), smooth_px), np.ones((3, 3), np.uint8))
    weight = _ramp((differs - AGREES_DELTA_E) / (DIFFERS_DELTA_E - AGREES_DELTA_E))
    if hidden is not None:
        weight = _carried(weight[..., None], hidden)[..., 0]
        flow = _carried(flow, hidden)
    total = cv2.GaussianBlur(weight, (0, 0), smooth_px)[..., None] + 1e-3
    flow = cv2.GaussianBlur(flow * weight[..., None], (0, 0), smooth_px) / total
    return np.asarray(flow * (share * cv2.GaussianBlur(weight, (0, 0), smooth_px / 2))[..., None], np.float32)


def _carried(field: NDArray[np.float32], hidden: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Return a (h, w, C) field with what it has under `hidden` carried on from the nearest pixels around."""
    _, labels = cv2.distanceTransformWithLabels(
        hidden.astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    if hidden.all():
        return np.zeros_like(field)
    values = np.zeros((int(labels.max()) + 1, field.shape[2]), np.float32)
    values[labels[~hidden]] = field[~hidden]
    return np.asarray(values[labels], np.float32)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Wall:
    """Where what stands behind the people takes the place of the bent donor, (h, w) shares in [0, 1]."""

    donor: NDArray[np.float32]
    """The donor as it lies, not bent: it shows the wall there."""
    base: NDArray[np.float32]
    """The base: the wall is seen there, and in the donor somebody stands before it."""

    @property
    def rest(self) -> NDArray[np.float32]:
        """What is left to the bent donor."""
        return np.asarray(1 - self.donor - self.base, np.float32)

    def laid(
        self, base: NDArray[np.float32], straight: NDArray[np.float32], bent: NDArray[np.float32]
    ) -> NDArray[np.float32]:
        """Return the (h, w, 3) mixture of base, unbent and bent donor."""
        return np.asarray(
            base * self.base[..., None] + straight * self.donor[..., None] + bent * self.rest[..., None],
            np.float32,
        )

    def enlarged(self, size: tuple[int, int]) -> Wall:
        """Return the same at another (w, h)."""
        donor, base = (
            np.asarray(cv2.resize(share, size, interpolation=cv2.INTER_LINEAR), np.float32)
            for share in (self.donor, self.base)
        )
        return Wall(donor=donor, base=base)


def no_wall(shape: tuple[int, int]) -> Wall:
    """Return the (h, w) wall that leaves everything to the bent donor."""
    none = np.zeros(shape, np.float32)
    return Wall(donor=none, base=none)


def wall(
    base_people: NDArray[np.bool_],
    donor_people: NDArray[np.bool_],
    bent_people: NDArray[np.float32],
    keep: NDArray[np.bool_],
) -> Wall:
    """Return where the wall behind the people stays straight while bodies are bent before it.

    A bend that carries a shoulder over to where the base has it would carry the bricks beside it along.

    Parameters
    ----------
    base_people, donor_people
        (h, w) pixels that show anybody in the base, and in the donor as it lies.
    bent_people
        (h, w) the latter after the bend, in [0, 1].
    keep
        (h, w) the head, which is taken as the donor has it.
    """
    rim = np.ones((3, 3), np.uint8)
    behind = np.where(keep, 0, 1 - _ramp(bent_people)).astype(np.float32)
    # A rim's width is not trusted: the outlines are a network's.
    clear_there = cv2.dilate(donor_people.astype(np.uint8), rim) == 0
    clear_here = cv2.dilate(base_people.astype(np.uint8), rim) == 0
    donor = cv2.GaussianBlur(behind * clear_there, (0, 0), SOFT_OUTLINE_PX)
    base = cv2.GaussianBlur(behind * (~clear_there & clear_here), (0, 0), SOFT_OUTLINE_PX)
    donor[keep] = base[keep] = 0
    return Wall(donor=np.asarray(donor, np.float32), base=np.asarray(base, np.float32))


def _ramp(share: Array) -> NDArray[np.float32]:
    t = np.clip(share, 0, 1).astype(np.float32)
    return np.asarray(t * t * (3 - 2 * t))


def sample(
    donor: Array,
    base_from_donor: Float,
    offset: tuple[int, int],
    size: tuple[int, int],
    bend_px: NDArray[np.float32] | None = None,
    *,
    fine: bool = True,
) -> tuple[Array, NDArray[np.bool_]]:
    """Return the donor as placed and bent on a window of the base, resampled once.

    Parameters
    ----------
    donor
        (H, W, 3) uint8 or uint16.
    base_from_donor
        (3, 3) placement.
    offset, size
        x, y and (w, h) of the window in base pixels.
    bend_px
        (h, w, 2) as `bend` returns it, in full-resolution pixels, or None.
    fine
        Whether the pixels are to be looked at; what is shrunk next needs four pixels a point, not 64.

    Returns
    -------
    pixels : (h, w, 3), the donor's dtype
    valid : (h, w) bool
        False where the donor frame does not reach.
    """
    w, h = size
    donor_from_base = np.linalg.inv(base_from_donor)
    y, x = np.mgrid[0:h, 0:w].astype(np.float32)
    x, y = x + offset[0], y + offset[1]
    if bend_px is not None:
        x, y = x + bend_px[..., 0], y + bend_px[..., 1]
    m = donor_from_base.astype(np.float32)
    depth = m[2, 0] * x + m[2, 1] * y + m[2, 2]
    u = (m[0, 0] * x + m[0, 1] * y + m[0, 2]) / depth
    v = (m[1, 0] * x + m[1, 1] * y + m[1, 2]) / depth
    # The window's part of the donor alone, so that nothing depends on the size of the frame.
    left, top = max(0, int(u.min()) - 8), max(0, int(v.min()) - 8)
    right, bottom = min(donor.shape[1], int(u.max()) + 10), min(donor.shape[0], int(v.max()) + 10)
    valid = (u >= 0) & (v >= 0) & (u <= donor.shape[1] - 1) & (v <= donor.shape[0] - 1)
    if right <= left or bottom <= top:
        return np.zeros((h, w, 3), donor.dtype), np.zeros((h, w), bool)
    part = np.ascontiguousarray(donor[top:bottom, left:right])
    how = cv2.INTER_LANCZOS4 if fine else cv2.INTER_LINEAR
    pixels = cv2.remap(part, u - left, v - top, how, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(pixels), valid
