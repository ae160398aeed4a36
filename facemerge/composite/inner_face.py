"""Sets in the inner face alone: brows, eyes, nose, mouth and the skin about them.

Most heads are spoilt by a blink or by a mouth. If the head is held alike in both frames nothing else need
change: hair, outline, neck, clothes, neighbours and background stay the base's, and the border runs through
skin that both frames show alike. The donor is moved, turned and scaled as a whole (a similarity); its light
is brought to the base's, and what is left of a slow difference along the border is spread inwards as a
membrane (Perez, Gangnet and Blake, "Poisson Image Editing", SIGGRAPH 2003, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge import imaging
from facemerge.composite import cut, outline, place, tone
from facemerge.window import Window, work_size
from facemerge.words import Array, Face, Float, Misfit

Map = NDArray[np.float32]
Mask = NDArray[np.bool_]

# fmt: off
RIGHT_EYE = (
    33, 7, 163, 144, 145, 153, 154, 155, 133, 173, 157, 158, 159, 160, 161, 246,
    70, 63, 105, 66, 107, 46, 53, 52, 65, 55,
)
LEFT_EYE = (
    263, 249, 390, 373, 374, 380, 381, 382, 362, 398, 384, 385, 386, 387, 388, 466,
    300, 293, 334, 296, 336, 276, 283, 282, 295, 285,
)
LIPS = (61, 146, 91, 181, 84, 17, 314, 405, 321, 375, 291, 409, 270, 269, 267, 0, 37, 39, 40, 185)
# fmt: on
"""Landmarks of each eye with its brow, and of the lips."""
HELD = ((RIGHT_EYE, 1.2), (LEFT_EYE, 1.2), (LIPS, 1.25))
"""What must come from the donor, and how much larger than its landmarks' hull."""
REACH_HEADS = 1.15
"""How far the border may run, in heads."""
REGISTERED_FACE_PX, CUT_FACE_PX = 220.0, 220.0
"""Face width at which two faces are laid on each other, and at which the border is sought."""
STEPS, SETTLED_PX = 40, 0.003
EVEN_FACES, NEAR_FACES, SOFT_FACES = 0.01, 0.03, 0.025
"""Over how much grain is averaged, how wide a strip along the border tells the membrane, and how soft the
border is."""
MOST_SPREAD = 0.08
"""How much of full scale the membrane may add."""
UNLIKE_DELTA_E = 8.0
"""CIELAB difference from which skin that should be the same is something else."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class InnerFace:
    """A donor's inner face as it lies over the base."""

    window: Window
    below: Map
    """(h, w, 3) the base, encoded in [0, 1]."""
    placed: Map
    """(h, w, 3) the donor as placed, its light brought to the base's."""
    laid: Map
    """(h, w, 3) the same with the membrane."""
    mask: Map
    """(h, w) in [0, 1]."""
    reached: Mask
    """(h, w) where the donor's frame reaches."""
    gain: tuple[float, float, float]
    """Factors on the donor's linear light, R, G, B, in the middle."""
    tone_delta_e: float
    """By how much skin differed before its light was matched, CIELAB."""
    base_from_donor: Float
    """(3, 3) similarity in full-resolution pixels."""
    misfit: Misfit


def lay_inner_face(
    base: Array,
    donor: Array,
    base_face: Face,
    donor_face: Face,
    area: tuple[int, int, int, int] | None = None,
) -> InnerFace:
    """Return the inner face of one person from a donor frame, laid where it is in the base.

    Parameters
    ----------
    base, donor
        (H, W, 3) uint8 or uint16, of one profile and depth.
    base_face, donor_face
        The person in each.
    area
        x0, y0, x1, y1 in the base beyond which nothing is to change; None = told by the landmarks.
    """
    in_base, theirs = (np.asarray(f.landmarks[:, :2], np.float64) for f in (base_face, donor_face))
    window = _window(base, in_base, float(base_face.box[2] - base_face.box[0]), area)
    (x, y), (w, h) = window.offset, window.size
    below = np.asarray(imaging.to_unit(np.ascontiguousarray(base[y : y + h, x : x + w])), np.float32)
    here = imaging.shift_matrix(-x, -y)
    points = in_base - window.offset

    start = place.similarity_of(theirs, in_base)
    placed, _ = _placed(donor, start, window)
    skin = _skin(points, imaging.transform(here @ start, theirs), window)
    found = np.linalg.inv(here) @ _registered(below, placed, skin, window.face_px) @ here @ start
    placed, reached = _placed(donor, found, window)
    moved = imaging.transform(here @ found, theirs)
    skin = _skin(points, moved, window) & reached
    tone_delta_e = cut.mean_difference(below, placed, skin)
    gain = tone.gain_field(below, placed, skin)
    placed = tone.apply_gain(placed, gain)

    fine = replace(window, work_face_px=CUT_FACE_PX)
    beyond = outline.head_distance(points, reached.shape) > REACH_HEADS
    beyond |= ~reached | _ends(window, base.shape)
    region = _region(below, placed, _held(points, moved, window), beyond, fine)
    laid = np.clip(placed + _membrane(below, placed, region, fine), 0, 1).astype(np.float32)
    # A distance grows with the picture.
    signed = _full_size(cut.signed_distance(region), fine) / np.float32(fine.scale)
    mask = cut.soft_edge(signed, SOFT_FACES * window.face_px)
    mask = np.where(reached, mask, 0).astype(np.float32)
    return InnerFace(
        window=window,
        below=below,
        placed=placed,
        laid=laid,
        mask=mask,
        reached=reached,
        gain=tone.usual(gain),
        tone_delta_e=tone_delta_e,
        base_from_donor=found,
        misfit=Misfit(
            pose=pose_misfit(base_face, donor_face),
            border_delta_e=_border(below, laid, mask, window),
            covered=_covered(below, placed, skin, window),
            crisper=_crisper(below, placed, skin, window),
        ),
    )


def pose_misfit(base_face: Face, donor_face: Face) -> float:
    """Return how differently a head is held in two frames, as in `Misfit.pose`, from landmarks alone."""
    points, theirs = (np.asarray(f.landmarks[:, :2], np.float64) for f in (base_face, donor_face))
    left = imaging.transform(place.similarity_of(theirs, points), theirs) - points
    face_px = float(base_face.box[2] - base_face.box[0])
    return float(np.sqrt((left[list(place.STEADY_POINTS)] ** 2).sum(1).mean()) / face_px)


def _window(base: Array, points: Float, face_px: float, area: tuple[int, int, int, int] | None) -> Window:
    middle, _, wide, high = outline.head_axes(points)
    reach = 1.05 * REACH_HEADS * max(wide, high)
    low, high_end = np.maximum(middle - reach, 0), np.minimum(middle + reach, base.shape[1::-1])
    if area is not None:
        low, high_end = np.maximum(low, area[:2]), np.minimum(high_end, area[2:])
    (x0, y0), (x1, y1) = low.astype(int).tolist(), np.ceil(high_end).astype(int).tolist()
    return Window(offset=(x0, y0), size=(x1 - x0, y1 - y0), face_px=face_px)


def _placed(donor: Array, base_from_donor: Float, window: Window) -> tuple[Map, Mask]:
    pixels, reached = place.sample(donor, base_from_donor, window.offset, window.size)
    return np.asarray(imaging.to_unit(pixels), np.float32), reached


def _held(points: Float, moved: Float, window: Window) -> Mask:
    """Return what must come from the donor: eyes, brows and lips, where they are in either frame."""
    shape = window.size[::-1]
    held = np.zeros(shape, bool)
    for some, grow in HELD:
        for face in (points, moved):
            held |= outline.hull(face[list(some)], shape, grow)
    return held


def _skin(points: Float, moved: Float, window: Window) -> Mask:
    """Return the skin between, which no blink and hardly any mouth changes."""
    return outline.hull(points, window.size[::-1]) & ~_held(points, moved, window)


def _registered(below: Map, placed: Map, skin: Mask, face_px: float) -> Float:
    """Return the (3, 3) similarity, in window pixels, that lays a face on the base's.

    Gauss-Newton on grey values with a gain and an offset (Baker and Matthews, "Lucas-Kanade 20 Years On: A
    Unifying Framework", 2004, from memory), robust (Tukey's biweight; Beaton and Tukey 1974, from memory): an
    expression moves some of the skin, and that is left out. The identity if it runs off.
    """
    h, w = skin.shape
    size = work_size((w, h), face_px, REGISTERED_FACE_PX)
    to_small = imaging.scale_matrix((w, h), size)
    wanted, source = (_grey(cv2.resize(p, size, interpolation=cv2.INTER_AREA)) for p in (below, placed))
    use = cv2.resize(skin.astype(np.float32), size, interpolation=cv2.INTER_AREA) > 0.9
    y, x = np.nonzero(use)
    if len(x) < 100:
        return np.eye(3)
    middle = x.mean(), y.mean()
    x, y = x - middle[0], y - middle[1]
    target = wanted[use].astype(np.float64)
    source_from_base = np.eye(3)
    for _ in range(STEPS):
        now = cv2.warpPerspective(
            source,
            source_from_base,
            size,
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )
        gx, gy = (cv2.Scharr(now, cv2.CV_32F, *d)[use].astype(np.float64) / 32 for d in ((1, 0), (0, 1)))
        value = now[use].astype(np.float64)
        a = np.column_stack([gx, gy, gx * x + gy * y, gy * x - gx * y, value, np.ones_like(value)])
        dx, dy, grow, turn = _robust(a, target - value)[:4]
        step = np.array([[1 + grow, -turn, dx], [turn, 1 + grow, dy], [0, 0, 1]])
        source_from_base = (
            source_from_base
            @ imaging.shift_matrix(*middle)
            @ step
            @ imaging.shift_matrix(-middle[0], -middle[1])
        )
        if max(np.hypot(dx, dy), np.hypot(grow, turn) * max(size) / 2) < SETTLED_PX:
            break
    ends = np.array([[0, 0], [size[0], size[1]]], np.float64)
    ran = np.abs(imaging.transform(source_from_base, ends) - ends).max()
    if not np.isfinite(ran) or ran > 0.1 * REGISTERED_FACE_PX:
        return np.eye(3)
    return np.asarray(np.linalg.inv(to_small) @ np.linalg.inv(source_from_base) @ to_small)


def _robust(a: Float, wanted: Float) -> Float:
    weight = np.ones(len(wanted))
    found: Float = np.zeros(a.shape[1])
    for _ in range(4):
        aw = a * weight[:, None]
        found = np.asarray(np.linalg.solve(aw.T @ a + 1e-9 * np.eye(a.shape[1]), aw.T @ wanted))
        weight = tone.biweight(wanted - a @ found, 0.002)
    return found


def _ends(window: Window, shape: tuple[int, ...]) -> Mask:
    """Return the window's outermost pixels, as a soft edge needs them, but where the base itself ends."""
    (x, y), (w, h) = window.offset, window.size
    ends = np.zeros((h, w), bool)
    wide = 1 + int(np.ceil(SOFT_FACES * window.face_px / 2))
    ends[:wide] |= y > 0
    ends[-wide:] |= y + h < shape[0]
    ends[:, :wide] |= x > 0
    ends[:, -wide:] |= x + w < shape[1]
    return ends


def _region(below: Map, placed: Map, held: Mask, beyond: Mask, window: Window) -> Mask:
    """Return, at working size, what is taken: it holds what must be, and its border costs least."""
    labs = [
        cut.to_lab(_even(window.shrink(p), EVEN_FACES * window.face_px * window.scale))
        for p in (below, placed)
    ]
    return cut.minimum_cut(cut.disagreement(*labs), window.shrink_mask(held), window.shrink_mask(beyond))


def _membrane(below: Map, placed: Map, region: Mask, window: Window) -> Map:
    """Return what is to be added to the donor so that it meets the base along the region's border.

    The difference, averaged over a little, holds in a strip along the border; inside, it is the harmonic
    function that meets it there.
    """
    near = max(1.5, NEAR_FACES * window.face_px * window.scale)
    apart = _even(window.shrink(below) - window.shrink(placed), near / 2)
    signed = cut.signed_distance(region)
    spread = harmonic(apart, signed > near)
    return _full_size(np.clip(spread, -MOST_SPREAD, MOST_SPREAD).astype(np.float32), window)


def harmonic(values: Map, inside: Mask) -> Map:
    """Return values in which those inside are replaced by the mean of their four neighbours, exactly.

    The discrete Laplace equation (Perez, Gangnet and Blake, "Poisson Image Editing", SIGGRAPH 2003, from
    memory).

    Parameters
    ----------
    values
        (h, w, c); what lies outside holds.
    inside
        (h, w). Pixels beyond the picture's edge count for nothing.
    """
    if not inside.any() or inside.all():
        return values.copy()
    from scipy.sparse import coo_array  # loads slowly
    from scipy.sparse.linalg import splu

    h, w = inside.shape
    number = np.full((h, w), -1)
    number[inside] = np.arange(int(inside.sum()))
    y, x = np.nonzero(inside)
    own = number[inside]
    degree = np.zeros(len(own))
    right = np.zeros((len(own), values.shape[2]))
    rows, columns = [], []
    for dy, dx in ((0, 1), (0, -1), (1, 0), (-1, 0)):
        ny, nx = y + dy, x + dx
        there = (ny >= 0) & (ny < h) & (nx >= 0) & (nx < w)
        degree += there
        ny, nx = np.clip(ny, 0, h - 1), np.clip(nx, 0, w - 1)
        free = there & inside[ny, nx]
        fixed = there & ~inside[ny, nx]
        rows.append(own[free])
        columns.append(number[ny[free], nx[free]])
        right[fixed] += values[ny[fixed], nx[fixed]]
    row, column = np.concatenate([own, *rows]), np.concatenate([own, *columns])
    entries = np.concatenate([degree, -np.ones(len(row) - len(own))])
    matrix = coo_array((entries, (row, column)), shape=(len(own), len(own))).tocsc()
    out = values.copy()
    # The matrix is symmetric and needs no pivots: this order of its rows halves the factors' size and time.
    factors = splu(matrix, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True})
    out[inside] = factors.solve(right)
    return out


def _border(below: Map, laid: Map, mask: Map, window: Window) -> float:
    region = cv2.resize(mask, window.work_size, interpolation=cv2.INTER_AREA) > 0.5
    edge = np.abs(cut.signed_distance(region)) < 1.5
    if not edge.any():
        return 0.0
    grain = EVEN_FACES * window.face_px * window.scale
    a, b = (cut.to_lab(_even(window.shrink(p), grain)) for p in (below, laid))
    return float(np.percentile(np.linalg.norm((a - b)[edge], axis=1), 95))


def _covered(below: Map, placed: Map, skin: Mask, window: Window) -> float:
    small = window.shrink_mask(skin)
    if not small.any():
        return 1.0
    a, b = (cut.to_lab(_even(window.shrink(p), 2.0)) for p in (below, placed))
    return float((np.linalg.norm((a - b)[small], axis=1) > UNLIKE_DELTA_E).mean())


def _crisper(below: Map, placed: Map, skin: Mask, window: Window) -> float:
    """Return the ratio of two pictures' steepness; a step added to both keeps grain from counting."""
    inner = cv2.erode(skin.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    if not inner.any():
        return 0.0
    a, b = (float(np.hypot(*imaging.gradient(_grey(p) * 255))[inner].mean()) for p in (below, placed))
    return float(abs(np.log2((a + 0.5) / (b + 0.5))))


def _full_size(picture: Map, window: Window) -> Map:
    return np.asarray(cv2.resize(picture, window.size, interpolation=cv2.INTER_LINEAR), np.float32)


def _even(picture: Map, sigma: float) -> Map:
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), max(sigma, 0.7)), np.float32)


def _grey(picture: Array) -> Map:
    """Return grey values, grain averaged out."""
    return _even(np.asarray(cv2.cvtColor(np.clip(picture, 0, 1), cv2.COLOR_RGB2GRAY), np.float32), 1.0)
