"""How much of a face is to be seen past hair, a hand, a neighbour or the picture's edge.

Every face is brought to one small canonical picture by its landmarks, so that a cell always shows the same
spot of the face. A cell is hidden when it is unlike the same person's other frames in colour and in structure
at once, once exposure, white balance and blur are accounted for. What is always there (a beard, glasses, a
hat, a fringe) is thereby no hiding, and a shadow, which leaves the structure it falls on, is none either. A
hand, which has a face's own colour, is known by its joints; where its forearm should be, less is asked for.

Source of the warp: Bookstein, "Principal Warps: Thin-Plate Splines and the Decomposition of Deformations",
IEEE Transactions on Pattern Analysis and Machine Intelligence 11(6), 1989.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge import hands, imaging
from facemerge.words import Array, Float, Part, frozen

FOREARM, HAND = 1, 2
Mask = NDArray[np.bool_]
Plane = NDArray[np.float32]

WIDTH, HEIGHT = 36, 42
"""Size of the canonical picture in cells: the face of the landmarker's own mesh, seen from the front."""
# Landmarks and where they lie in the canonical picture (x, y in cells). Those of the right half have a mirror
# image. The lids are left out, so that a blink stays a blink instead of bending the picture.
MIDDLE_POINTS = {10: -0.4, 168: 11.2, 4: 20.0, 0: 26.7, 17: 31.2, 152: 40.6}
PAIRED_POINTS = {
    (67, 297): (9.3, 0.2),
    (54, 284): (2.9, 3.4),
    (162, 389): (-0.1, 9.2),
    (234, 454): (-0.3, 17.2),
    (132, 361): (0.6, 25.4),
    (172, 397): (3.7, 33.2),
    (150, 379): (8.0, 37.3),
    (148, 377): (14.5, 40.3),
    (105, 334): (8.2, 6.9),
    (70, 300): (4.2, 8.9),
    (107, 336): (14.3, 7.1),
    (33, 263): (7.2, 12.6),
    (133, 362): (13.2, 12.8),
    (50, 280): (6.4, 20.4),
    (205, 425): (8.6, 22.3),
    (98, 327): (14.2, 22.8),
    (61, 291): (11.8, 28.9),
    (214, 434): (6.9, 29.8),
}
OUTLINE = (10, 297, 284, 389, 454, 361, 397, 379, 377, 152, 148, 150, 172, 132, 234, 162, 54, 67)
REGIONS = ("right eye", "left eye", "right cheek", "left cheek", "nose", "mouth", "forehead", "chin")
EYE_BLOCKS = ((slice(6, 17), slice(5, 16)), (slice(6, 17), slice(20, 31)))
"""Brow to lower lid of the subject's right and left eye: what correlates, open or shut."""
EYE_CORES = ((slice(9, 16), slice(7, 14)), (slice(9, 16), slice(22, 29)))
BELOW_EYES = ((slice(15, 19), slice(6, 13)), (slice(15, 19), slice(23, 30)))
"""Skin under each eye: what neither beard nor fringe nor lids reach."""
FEATURES = (*EYE_BLOCKS, (slice(26, 37), slice(10, 26)))
"""The eyes and the mouth."""

DARK = 0.03
"""Share of the face's own brightness below which differences of colour are noise."""
TONE, HUE = 0.7, 0.22
"""Natural logarithms of brightness and of colour by which a cell must leave its surroundings' range."""
UNLIKE = 0.45
"""1 - correlation, about, from which the structure around a cell is another one."""
SMOOTH = 0.1
"""Contrast, in natural logarithms, below which skin has no structure to be missed."""
UNLIKE_EYE, UNLIKE_MOUTH = 0.45, 0.25
"""Correlation with the person's own eye or mouth below which it is something else; a blink keeps 0.64."""
CLIPPED = 250
"""Of 255: here a cell's colour is not its own any more."""
BLACK = 8
"""Brightest channel, of 255, up to which nothing is to be seen."""
UNLIKE_MIRRORED = 0.15
"""Correlation of one eye with the other's mirror image below which they are not a pair; harsh light: 0.2."""
SAME = 0.75
"""Correlation of every frame with the usual eye or mouth from which there is no dispute."""
AGREE = 0.5
"""Correlation from which two frames show the same eye or mouth."""
BETTER = 0.08
"""By how much more one of two pictures of an eye or mouth must look like such."""
MAYBE = 0.5
"""Share of a clear difference that is enough beside one."""
LIT = 0.7
"""Correlation from which a differing area is the same face in another light."""
SMALLEST_SHARE = 0.02
"""Share of a face below which a differing area is chance."""
TURNED = 0.3
"""A cell seen this much narrower than usual is turned away, not hidden."""
BLURS = (0.0, 0.7, 1.4, 2.2)
"""Sigmas, in cells, of the blurs that a frame is tried to have."""
EYE_HIDDEN = 0.5
"""Share of an eye's cells from which the eye is hidden."""
HALF_SHARE = 0.2
"""Share of a face hidden at which it is worth half."""
EYE_COST = 0.25
"""What one hidden eye leaves of the value."""
TURN_FREE, TURN_ASKS = 0.4, 8.0
"""How far, as the mean logarithm by which cells are larger or smaller than usual, a head may be turned out of
its usual pose; and how much more, for each unit beyond, a cell of it must differ to count as hidden."""
TURN_LOST = 0.3
"""How far a head may be turned for an eye or a mouth that is not found again to be hidden."""
SLIM = 0.3
"""Size of an eye's cells, the face's usual ones being 1, below which it is seen from the side, never alike.

With this and the three numbers above, of 174 faces in clips that nothing covers, many of them turned up to 60
degrees, 5 are told to be hidden; without, 22."""
MOSTLY = 0.9
"""Share of an eye's or a mouth's cells that must be free of hands for it to tell what it looks like."""
MOUTH_COST = 0.4
"""What a hand over `MOUTH_SHARE` of the mouth leaves of the value."""
MOUTH_SHARE = 0.15
HAND_SHARE = 0.05
"""Share of the mouth under a hand from which it is worth a word."""
HALF_CUT, CUT_STEEP = 0.14, 8.0
"""Share of a face beyond the picture's edge at which it is worth half, and how steeply.

An edge that takes an ear, a cheek, the forehead above the brows or the chin takes up to 0.12 of the canonical
face: framing, no fault of the expression. At 0.13 it reaches the corner of an eye or the lower lip."""
CUT_SHARE = 0.02
"""Share of a face beyond the picture's edge that is worth a word."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class VisibleMeasure:
    """What hiding is judged from, for one face; about 6 kB."""

    cells: NDArray[np.uint8]
    """(HEIGHT, WIDTH, 3) sRGB: the face at its canonical place."""
    extent: NDArray[np.uint8]
    """(HEIGHT, WIDTH) area of a cell in the picture, 64 = usual; 0 = beyond the picture's edge."""
    hand: NDArray[np.uint8]
    """(HEIGHT, WIDTH) `HAND` under a hand, `FOREARM` where its forearm should be, else 0."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Visibility:
    """How much of one face is to be seen."""

    hidden: float | None
    """Share of the face in [0, 1] that something hides; None = cannot be told."""
    cut: float
    """Share of the face beyond the picture's edge."""
    regions: tuple[str, ...]
    """Which of `REGIONS` are for the most part out of sight."""
    eyes_hidden: tuple[bool, bool]
    """Whether the subject's right and left eye are out of sight."""
    mouth: float = 0.0
    """Share of the mouth that a hand or an arm hides."""
    always: tuple[bool, bool] = (False, False)
    """Eyes that are out of sight in all of the person's frames: no fault of this one."""


def _canonical() -> tuple[list[int], Float]:
    names, places = list(MIDDLE_POINTS), [((WIDTH - 1) / 2, y) for y in MIDDLE_POINTS.values()]
    for (right, left), (x, y) in PAIRED_POINTS.items():
        names += [right, left]
        places += [(x, y), (WIDTH - 1 - x, y)]
    return names, np.array(places)


@functools.cache
def _operator() -> tuple[list[int], Float]:
    """Return the landmarks used, and the (cells, landmarks) matrix that takes their places to the cells'."""
    names, places = _canonical()
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    cells = np.column_stack([x.ravel(), y.ravel()]).astype(np.float64)

    def bending(a: Float) -> Float:
        squared = ((a[:, None] - places[None]) ** 2).sum(-1)
        return np.asarray(squared * np.log(np.maximum(squared, 1e-12)))

    n = len(names)
    plane = np.column_stack([np.ones(n), places])
    system = np.block([[bending(places), plane], [plane.T, np.zeros((3, 3))]])
    rows = np.column_stack([bending(cells), np.ones(len(cells)), cells])
    return names, np.linalg.solve(system, rows.T).T[:, :n]


@functools.cache
def _zones() -> tuple[Mask, dict[str, Mask]]:
    """Return the cells well within a face, and those of each region."""
    names, places = _canonical()
    ring = np.array([places[names.index(i)] for i in OUTLINE], np.float32)
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    # The outermost cells show what lies beside the face as often as the face.
    inner = np.array(
        [
            [cv2.pointPolygonTest(ring, (float(c), float(r)), True) > 1.2 for c in range(WIDTH)]
            for r in range(HEIGHT)
        ]
    )
    right = x < WIDTH / 2
    eyes = (y >= 9) & (y < 16) & (np.abs(x - (WIDTH - 1) / 2) > 3)
    nose = (np.abs(x - (WIDTH - 1) / 2) <= 4) & (y >= 9) & (y < 25)
    mouth = (np.abs(x - (WIDTH - 1) / 2) <= 7) & (y >= 25) & (y < 34)
    forehead, chin = y < 9, y >= 34
    cheek = ~(eyes | nose | mouth | forehead | chin)
    found = {
        "right eye": eyes & right,
        "left eye": eyes & ~right,
        "right cheek": cheek & right,
        "left cheek": cheek & ~right,
        "nose": nose,
        "mouth": mouth,
        "forehead": forehead,
        "chin": chin,
    }
    return inner, {name: mask & inner for name, mask in found.items()}


@functools.cache
def _lips() -> Mask:
    """Return the cells of the mouth and of the skin below it: what a hand at the lips lies over."""
    inner, zones = _zones()
    return np.asarray(inner & (cv2.dilate(zones["mouth"].astype(np.uint8), np.ones((5, 1), np.uint8)) > 0))


def measure_visible(crop: Array, points: Float, near: Float | None = None) -> VisibleMeasure:
    """Bring a face to its canonical place.

    Parameters
    ----------
    crop
        (H, W, 3) RGB uint8 or uint16 around the face. It ends short of the face only where the picture does.
    points
        (478, 2) or (478, 3) landmarks in the crop's pixels.
    near
        (N, 21, 2) landmarks of the hands near the face, in the crop's pixels; None = none.
    """
    names, operator = _operator()
    at = (operator @ np.asarray(points)[names, :2]).reshape(HEIGHT, WIDTH, 2)
    down = np.asarray(np.gradient(at, axis=0), np.float64)
    across = np.asarray(np.gradient(at, axis=1), np.float64)
    area = across[..., 0] * down[..., 1] - across[..., 1] * down[..., 0]
    usual = max(float(np.median(area[_zones()[0]])), 0.01)
    height, width = crop.shape[:2]
    cell_px = max(float(np.sqrt(usual)), 1.0)
    # A cell is the mean of what it covers, so that grain is averaged out: of 36 pixels at least, not of all.
    step = max(1, int(cell_px / 6))
    few = np.ascontiguousarray(crop[::step, ::step])
    size = (max(2, round(width / cell_px)), max(2, round(height / cell_px)))
    small = imaging.to_eight_bit(np.asarray(cv2.resize(few, size, interpolation=cv2.INTER_AREA)))
    scaled = (at / step + 0.5) * [size[0] / few.shape[1], size[1] / few.shape[0]] - 0.5
    cells = cv2.remap(
        small,
        scaled[..., 0].astype(np.float32),
        scaled[..., 1].astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    inside = ((at >= -0.5) & (at <= [width - 0.5, height - 0.5])).all(-1)
    extent = np.where(inside, np.clip(np.rint(64 * area / usual), 1, 255), 0)
    hand = np.zeros((HEIGHT, WIDTH), np.uint8)
    for joints in near if near is not None else ():
        under, forearm = hands.cover(joints, at)
        hand = np.maximum(hand, np.where(under, HAND, np.where(forearm, FOREARM, 0)).astype(np.uint8))
    return VisibleMeasure(
        cells=frozen(np.asarray(cells)), extent=frozen(extent.astype(np.uint8)), hand=frozen(hand)
    )


def _tones(measures: Sequence[VisibleMeasure]) -> Plane:
    """Return (N, HEIGHT, WIDTH, 3) brightness and two colours, as logarithms, exposure and tint removed."""
    inner = _zones()[0]
    linear = imaging.to_linear(imaging.to_unit(np.stack([m.cells for m in measures])))
    level = np.median(linear[:, inner], axis=1).mean(-1)
    logs = np.log(linear / np.maximum(level, 1e-4)[:, None, None, None] + np.float32(DARK))
    # A third of the cells knows the light as well as all of them.
    some = logs[:, inner][:, ::3]
    gain = np.median(some, axis=1)
    for _ in range(2):
        # What most cells agree on is the light; the few that do not are what is looked for.
        rest = some - gain[:, None]
        gain = gain + np.median(rest - np.median(rest, axis=0), axis=1)
    logs -= gain[:, None, None]
    mix = np.array([[0.299, 0.587, 0.114], [1, -1, 0], [0, -1, 1]], np.float32)
    return np.asarray(logs @ mix.T, np.float32)


def _skin_like(tones: Plane) -> Mask:
    """Return where a face has its own usual colour, which is 0 in every tone."""
    return np.asarray((np.abs(tones[..., 0]) < TONE) & (np.hypot(tones[..., 1], tones[..., 2]) < HUE))


def _consensus(tones: Plane, free: Mask) -> Plane:
    """Return (HEIGHT, WIDTH, 3) what a person's face looks like, hidden or not in single frames.

    Where some of the (N, HEIGHT, WIDTH) cells are `free` of hands and arms, only those are asked.
    """
    asked = free | ~free.any(0)
    usual = np.asarray(np.nanmedian(np.where(asked[..., None], tones, np.nan), axis=0), np.float32)
    _, zones = _zones()
    skin = np.zeros((HEIGHT, WIDTH), bool)
    for name in ("right cheek", "left cheek", "forehead", "chin", "nose"):
        skin |= zones[name]
    like = _skin_like(tones) & asked
    enough = like.sum(0) >= max(len(tones) / 4, 1 if len(tones) == 2 else 2)
    # Where some frames show skin, the others show what hides it, be they the many.
    bare = np.where(like[..., None], tones, np.nan)
    chosen = skin & enough & ~_skin_like(usual[None])[0]
    usual[chosen] = np.nanmedian(bare[:, chosen], axis=0)
    usual = np.asarray(usual, np.float32)
    _settle_features(tones, usual, asked)
    return usual


@functools.cache
def _features() -> Plane:
    """Return the brightness of what every face has: dark brows, lids or lashes, and the line of the mouth."""
    y, x = np.mgrid[:HEIGHT, :WIDTH].astype(np.float32)

    def spot(at: tuple[float, float], size: tuple[float, float]) -> Plane:
        return np.asarray(np.exp(-(((x - at[0]) / size[0]) ** 2) - ((y - at[1]) / size[1]) ** 2), np.float32)

    eyes = [spot((middle, 12.7), (3.2, 1.3)) for middle in (10.2, 24.8)]
    brows = [spot((middle, 7.6), (4.0, 1.3)) for middle in (10.2, 24.8)]
    return np.asarray(-sum(eyes) - 0.8 * sum(brows) - spot((17.5, 29.0), (5.0, 1.5)))[..., None]


def _settle_features(every: Plane, usual: Plane, asked: Mask) -> None:
    """Put into `usual` the eyes and the mouth that look most like such, where the frames disagree."""
    for block in FEATURES:
        tones = every[asked[(slice(None), *block)].mean((1, 2)) > MOSTLY]
        if len(tones) == 0:
            continue
        if len(tones) > 2 and min(correlation(t, usual, block) for t in tones) >= SAME:
            continue
        # An eye lies in skin; a hand is all skin, and so no more than the better half counts.
        bare = np.minimum(_skin_like(tones)[(slice(None), *block)].mean((1, 2)), 0.6)
        like = np.array([correlation(t, _features(), block) for t in tones]) + bare / 2
        best = int(np.argmax(like))
        same = np.array([correlation(t, tones[best], block) >= AGREE for t in tones])
        # One frame alone proves nothing, unless there are but two.
        if same.all() or (same.sum() < 2 < len(tones)):
            continue
        if like[same].mean() > like[~same].mean() + BETTER:
            usual[block] = np.median(tones[same][(slice(None), *block)], axis=0)


def _at_blur(tones: Plane, usual: Plane) -> Plane:
    """Return what the person usually looks like, blurred as this frame is."""
    inner = _zones()[0]
    best, found = np.inf, usual
    for sigma in BLURS:
        soft = np.asarray(cv2.GaussianBlur(usual, (0, 0), sigma), np.float32) if sigma else usual
        error = np.sort(np.abs(tones - soft)[inner].sum(-1))
        cost = float(error[: int(0.7 * len(error))].mean())
        if cost < best:
            best, found = cost, soft
    return found


def _unlike(tones: Plane, usual: Plane) -> Plane:
    """Return 1 - the local correlation of brightness around each cell, 0 where neither has any structure."""

    def mean(a: Plane) -> Plane:
        return np.asarray(cv2.GaussianBlur(a, (0, 0), 2.0))

    a, b = np.ascontiguousarray(tones[..., 0]), np.ascontiguousarray(usual[..., 0])
    da, db = a - mean(a), b - mean(b)
    return mean((da - db) ** 2) / (mean(da**2) + mean(db**2) + np.float32(SMOOTH**2))


def _beyond(tones: Plane, usual: Plane) -> Plane:
    """Return by how much each tone leaves the range that its cell's neighbourhood usually has."""
    square = np.ones((3, 3), np.uint8)
    low, high = cv2.erode(usual, square), cv2.dilate(usual, square)
    return np.asarray(np.maximum(tones - high, 0) + np.maximum(low - tones, 0))


def correlation(tones: Plane, usual: Plane, block: tuple[slice, slice]) -> float:
    """Return how well a block of brightness is found again within one cell's shift, in [-1, 1].

    1 where the usual face has nothing there to be found.
    """
    rows, columns = block
    wanted = np.ascontiguousarray(usual[block][..., 0])
    field = np.ascontiguousarray(
        tones[rows.start - 1 : rows.stop + 1, columns.start - 1 : columns.stop + 1, 0]
    )
    if float(wanted.std()) < SMOOTH:
        return 1.0
    return float(cv2.matchTemplate(field, wanted, cv2.TM_CCOEFF_NORMED).max())


def _only_lit(tones: Plane, usual: Plane, area: Mask) -> bool:
    """Return whether an area is the same face in another light: its structure shows through."""
    rows, columns = np.nonzero(area)
    plane = np.column_stack([np.ones(len(rows)), rows, columns])
    pair = np.column_stack([tones[area][:, 0], usual[area][:, 0]]).astype(np.float64)
    left = pair - plane @ np.linalg.lstsq(plane, pair, rcond=None)[0]
    spread = left.std(0)
    if float(spread.min()) < SMOOTH / 2:
        return False
    return float((left[:, 0] * left[:, 1]).mean() / spread.prod()) > LIT


def _amount(tones: Plane, usual: Plane) -> tuple[Plane, Plane]:
    """Return by how much cells differ, in all and in colour alone; 1 = clearly."""
    beyond = _beyond(tones, usual)
    hue = np.hypot(beyond[..., 1], beyond[..., 2]) / np.float32(HUE)
    amount = np.asarray(np.hypot(beyond[..., 0] / np.float32(TONE), hue), np.float32)
    # Eyes shut, mouths open: they must differ by more.
    amount[_zones()[1]["mouth"]] /= 2
    for core in EYE_CORES:
        amount[core] /= 1.5
    return amount, np.asarray(hue, np.float32)


def _areas(mask: Mask) -> list[Mask]:
    count, labels = cv2.connectedComponents(mask.astype(np.uint8), connectivity=4)
    return [labels == i for i in range(1, count)]


def _turned(extent: Plane, typical: Plane) -> float:
    """Return how far a head is turned out of its usual pose: the mean logarithm by which cells changed."""
    inner = _zones()[0] & (extent > 0)
    ratio = np.log((extent[inner] + 4) / (typical[inner] + 4))
    return float(np.abs(ratio).mean()) if ratio.size else 0.0


def _hidden_cells(
    tones: Plane, usual: Plane, seen: Mask, clipped: Mask, arm: Mask, extent: Plane, turned: float
) -> tuple[Mask, Mask, tuple[bool, bool]]:
    """Return which cells something hides, which an arm hides, and whether the eyes are hidden."""
    usual = _at_blur(tones, usual)
    amount, hue = (a / (1 + TURN_ASKS * max(turned - TURN_FREE, 0)) for a in _amount(tones, usual))
    unlike = _unlike(tones, usual)
    usable = _zones()[0] & seen & ~clipped
    differs = usable & (amount > 1) & ((unlike > UNLIKE) | (hue > 1.3))
    square = np.ones((3, 3), np.uint8)
    joined = cv2.morphologyEx(differs.astype(np.uint8), cv2.MORPH_CLOSE, square)
    joined = cv2.morphologyEx(joined, cv2.MORPH_OPEN, square) * _zones()[0]
    least = SMALLEST_SHARE * _zones()[0].sum()
    large = [a for a in _areas(joined > 0) if a.sum() >= least and not _only_lit(tones, usual, a)]
    hidden = np.any([np.zeros_like(usable), *large], axis=0)
    lost, sure = [], np.zeros_like(usable)
    for block, limit in zip(FEATURES, (UNLIKE_EYE, UNLIKE_EYE, UNLIKE_MOUTH), strict=True):
        shown = seen[block].mean() > 0.7 and clipped[block].mean() < 0.3
        near = 0.2 if hidden[block].mean() > 0.25 else 0.0
        shown &= turned < TURN_LOST and bool(extent[block].mean() > SLIM)
        lost.append(bool(shown and correlation(tones, usual, block) < limit + near))
        if lost[-1]:
            sure[block] |= (_zones()[0] & seen)[block]
    hidden |= sure
    # An arm is skin before skin: where one should be, colour need not differ as much.
    under = usable & arm & (amount > MAYBE) & (unlike > UNLIKE)
    # What surely hides one place hides those beside it that differ, if less clearly. Grown over more of the
    # face, a shadow may yet show itself for what it is.
    maybe = hidden | (usable & (amount > MAYBE) & (unlike > MAYBE * UNLIKE))
    grown = [a for a in _areas(maybe) if hidden[a].any()]
    kept = [a for a in grown if sure[a].any() or not _only_lit(tones, usual, a)]
    hidden = np.any([np.zeros_like(usable), *kept], axis=0)
    eyes = [g or bool(hidden[core].mean() >= EYE_HIDDEN) for g, core in zip(lost, EYE_CORES, strict=False)]
    return hidden, under | (hidden & arm), (eyes[0], eyes[1])


def _never_shown(tones: Plane) -> tuple[bool, bool]:
    """Return whether a face by itself proves that one eye is out of sight.

    The eyes must be no mirror images of each other, and the skin under one of them, which neither beard nor
    lids reach, nothing like the face's own. Both together are rare in a shown face, however it is lit.
    """
    _, zones = _zones()
    nose = tones[zones["nose"]]

    def odd(some: Plane) -> NDArray[np.bool_]:
        off = some - np.median(nose, axis=0)
        return np.asarray(
            (np.abs(off[..., 0]) > 1.7 * TONE) | (np.hypot(off[..., 1], off[..., 2]) > 1.6 * HUE)
        )

    right, left = (bool(odd(tones[place]).mean() > 0.6) for place in BELOW_EYES)
    mirrored = correlation(tones, np.ascontiguousarray(tones[:, ::-1]), EYE_BLOCKS[0])
    # A nose that is half hidden itself does not tell what skin is.
    if mirrored >= UNLIKE_MIRRORED or right == left or odd(nose).mean() > 0.2:
        return False, False
    return right, left


def visibility(measures: Sequence[VisibleMeasure | None]) -> tuple[Visibility | None, ...]:
    """Return how much of one person's face is to be seen in each frame.

    Parameters
    ----------
    measures
        One a frame, None where the person is missing.

    Returns
    -------
    tuple of Visibility or None
        One a frame, None where the person is missing.
    """
    used = [m for m in measures if m is not None and _lit(m)]
    if not used:
        return tuple(None if m is None else _unknown(m) for m in measures)
    tones = _tones(used)
    usual = _consensus(tones, np.stack([m.hand for m in used]) == 0)
    never = _never_shown(usual)
    extent = np.stack([m.extent for m in used]).astype(np.float32)
    typical = np.median(extent, axis=0)
    found = iter([_one(m, t, usual, typical, never, len(used)) for m, t in zip(used, tones, strict=True)])
    return tuple(None if m is None else next(found) if _lit(m) else _unknown(m) for m in measures)


def _lit(measure: VisibleMeasure) -> bool:
    return float(np.median(measure.cells.max(-1)[_zones()[0]])) >= BLACK


def _unknown(measure: VisibleMeasure) -> Visibility:
    cut = float((measure.extent == 0)[_zones()[0]].mean())
    return Visibility(hidden=None, cut=cut, regions=(), eyes_hidden=(False, False))


def _one(
    measure: VisibleMeasure, tones: Plane, usual: Plane, typical: Plane, never: tuple[bool, bool], frames: int
) -> Visibility:
    inner, zones = _zones()
    outside = inner & (measure.extent == 0)
    covered = inner & (measure.hand == HAND)
    hidden, eyes = np.zeros_like(inner), (False, False)
    if frames > 1:
        extent = measure.extent.astype(np.float32)
        square = np.ones((3, 3), np.uint8)
        seen = cv2.erode((measure.extent > TURNED * typical).astype(np.uint8), square) > 0
        turned = _turned(extent, typical)
        clipped = measure.cells.max(-1) >= CLIPPED
        arm = measure.hand == FOREARM
        hidden, under, eyes = _hidden_cells(tones, usual, seen, clipped, arm, extent / np.float32(64), turned)
        covered |= under
    hidden |= covered
    gone = hidden | outside
    out = [bool(outside[core].mean() >= EYE_HIDDEN) for core in EYE_CORES]
    total = float(inner.sum())
    return Visibility(
        hidden=float(hidden.sum()) / total if frames > 1 else None,
        cut=float(outside.sum()) / total,
        regions=tuple(name for name in REGIONS if gone[zones[name]].mean() > 0.5),
        eyes_hidden=(eyes[0] or out[0] or never[0], eyes[1] or out[1] or never[1]),
        mouth=float(covered[_lips()].mean()),
        always=never,
    )


def visible_part(found: Visibility | None) -> Part:
    """Return how much of a face is to be seen as a part of its score, in [0, 1], with the reason."""
    if found is None:
        return Part(value=None)
    lost = [h and not a for h, a in zip(found.eyes_hidden, found.always, strict=True)]
    share = found.hidden or 0.0
    value = float(1 / (1 + (share / HALF_SHARE) ** 2)) * EYE_COST ** min(sum(lost), 1.5)
    value *= MOUTH_COST ** min(found.mouth / MOUTH_SHARE, 1.0)
    value *= float(1 / (1 + (found.cut / HALF_CUT) ** CUT_STEEP))
    names = [name for name, gone in zip(("right", "left"), lost, strict=True) if gone]
    if found.cut > CUT_SHARE and found.cut >= (found.hidden or 0.0):
        return Part(value=value, reason="face cut by the picture edge")
    if names:
        return Part(value=value, reason="eyes hidden" if len(names) == 2 else f"{names[0]} eye hidden")
    never = [name for name, gone in zip(("right", "left"), found.always, strict=True) if gone]
    if never:
        return Part(value=None, reason=f"{never[0]} eye never to be seen")
    if found.mouth >= HAND_SHARE:
        return Part(value=value, reason="a hand or an arm in front of the mouth")
    if found.hidden is None:
        return Part(value=None, reason="cannot be told whether something hides the face")
    if value > 0.9:
        return Part(value=value)
    if "mouth" in found.regions:
        return Part(value=value, reason="mouth hidden")
    return Part(value=value, reason=f"{_share(share)} of the face hidden")


def _share(share: float) -> str:
    words = {0.1: "a tenth", 0.2: "a fifth", 0.25: "a quarter", 1 / 3: "a third", 0.5: "half", 0.75: "most"}
    return words[min(words, key=lambda v: abs(v - share))]
