"""Tries one way to set a head in at working size: bend, seam, and what the seam would cost."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.color import deltaE_ciede2000

from facemerge.composite import cut, outline, place
from facemerge.composite.stage import GHOST_PX, Filling, Laid, Stage, Window, calm, difference
from facemerge.words import Float, Way

FEWEST_BENT = 50
LONG_FADE_FACES, SHORT_FADE_FACES = 0.4, 0.12
"""Over how much of a face's width the bend grows: a collar bent over the longer keeps its line; the shorter
lets a seam run nearer to the head where a neighbour leaves no room."""
SHORT_FADE_PRICE = 1.5
RIM_FACES = 0.05
LONGEST_BEND_FACES = 0.25
STIFF_FACES = 0.08
SHOULDER_FACES, BESIDE_CHIN_FACES, NEAR_CHIN_HEADS = 0.05, 0.15, 1.5
NEAR_FACES = 0.2
"""How far from the head a seam may run over somebody else."""
UNTOUCHED_SHARE = 1.0
GHOST_DELTA_E = 12.0
BENT_WEIGHT = 3.0
UNSEEN_STRAIN, STRAIN_WEIGHT, WORST_STRAIN_PRICE = 0.15, 8.0, 5.0
"""Cloth stretched by a tenth or two looks as cloth does; beyond that it flows."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trial:
    """One placement, cut and priced."""

    picture: NDArray[np.float32]
    """(h, w, 3) the bent, toned donor at working size."""
    placement: place.Placement
    way: Way
    bend: NDArray[np.float32]
    """(h, w, 2) working pixels."""
    wall: place.Wall
    """Where the wall behind stands in for the bent donor."""
    region: NDArray[np.bool_]
    """Inside of the seam."""
    gain: NDArray[np.float32]
    """(h, w, 3) factor on linear light."""
    apart: NDArray[np.float32]
    """(h, w) colour difference of the bent, toned donor and the base, CIELAB units."""
    person: NDArray[np.bool_]
    """Pixels that show the person, before or after."""
    neighbour_overlap: float
    """Share of the region that lies on another person's face in the base."""
    old_head_left: float
    """Share of the old head that lies outside the seam with nothing of the new one before it."""
    bent_px: float
    """Mean bend of the textured background inside the seam, working pixels."""
    strain: float
    """How much the bend stretches or shears what has texture inside the seam, at its worst: 0.1 = a tenth."""
    fillings: tuple[Filling, ...]
    """Third frames laid over the donor before it was bent."""
    invented: float
    """Share of the region whose background no frame shows."""
    price: float
    """What the seam is expected to show, in CIELAB units."""


def attempt(
    common: Stage,
    laid: Laid,
    way: Way,
) -> Trial:
    """Return one placement with its bend and seam.

    Parameters
    ----------
    common, laid
        The base, and the donor as the placement lays it.
    way
        How the donor is bent and where the seam may run.
    """
    window = common.window
    face_px = window.face_px * window.scale
    bend = place.bend(
        laid.flow,
        laid.head if way.near else laid.inside,
        laid.apart,
        fade_px=(LONG_FADE_FACES if way.long_fade else SHORT_FADE_FACES) * face_px,
        limit_px=LONGEST_BEND_FACES * face_px,
        smooth_px=STIFF_FACES * face_px if way.stiff else None,
        hidden=laid.inside if way.near else None,
    )
    wall = (
        place.wall(common.anybody, laid.people, bent(laid.people.astype(np.float32), bend), laid.inside)
        if way.straight
        else place.no_wall(window.shape)
    )
    small = wall.laid(common.base, laid.donor, bent(laid.donor, bend))
    known = bent(laid.known.astype(np.float32), bend) > 0.99
    apart = difference(common.base, small)
    ghosts = (bent(laid.other_heads.astype(np.float32), bend) > 0.5) & (apart > GHOST_DELTA_E)
    outside = (
        (_forbidden(common, laid.others, bend, ghosts) & ~laid.inside) | ~known | common.held | border(window)
    )
    if not way.wide:
        outside |= _far_on_neighbours(common, laid, bend)
    within = laid.inside | _raised_shoulders(common, laid)
    region = cut.minimum_cut(_seam_cost(common, small), within & ~outside, outside)
    people = (common.anybody | laid.people | laid.inside).astype(np.uint8)
    behind = region & (cv2.dilate(people, np.ones((7, 7), np.uint8)) == 0)
    bent_px = _bent_texture(common, bend * wall.rest[..., None], behind)
    strain = _strain(common, bend, region & (wall.rest > 0.5) & (people > 0))
    old = common.person & outline.above_chin(common.face, window.shape, 0)
    return Trial(
        picture=small,
        placement=laid.placement,
        way=way,
        bend=bend,
        wall=wall,
        region=region,
        gain=laid.gain,
        apart=apart,
        person=common.person | laid.person,
        neighbour_overlap=_share(_hulls(common.others, window.shape), region),
        old_head_left=_share(~region & ~laid.person, old),
        bent_px=bent_px,
        strain=strain,
        fillings=laid.fillings,
        invented=0.0 if laid.lacking is None else float(laid.lacking.sum() / max(int(region.sum()), 1)),
        price=_price(common, small, region)
        + min(WORST_STRAIN_PRICE, STRAIN_WEIGHT * max(0.0, strain - UNSEEN_STRAIN))
        + BENT_WEIGHT * bent_px
        + (0.0 if way.long_fade else SHORT_FADE_PRICE),
    )


def _raised_shoulders(common: Stage, laid: Laid) -> NDArray[np.bool_]:
    """Return what else of the person reaches above the chin, in either frame: bent to meet, but one whole.

    Whose a shoulder is, is not always told; beside the chin it is taken for the person's.
    """
    window = common.window
    face_px = window.face_px * window.scale
    above = outline.above_chin(common.face, window.shape, SHOULDER_FACES * face_px)
    beside = above & ~outline.above_chin(common.face, window.shape, -BESIDE_CHIN_FACES * face_px)
    near = beside & (outline.head_distance(common.face, window.shape) < NEAR_CHIN_HEADS)
    heads = laid.other_heads | _hulls(common.others, window.shape)
    return ((common.person | laid.person) & above) | (near & (common.anybody | laid.people) & ~heads)


def _far_on_neighbours(common: Stage, laid: Laid, bend: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Return where somebody else stands, in either frame, and the head is not near.

    Colours alone would lead a seam through a neighbour's sleeve of the wall's colour, where its outline then
    breaks.
    """
    near_px = NEAR_FACES * common.window.face_px * common.window.scale
    far = cv2.distanceTransform((~laid.inside).astype(np.uint8), cv2.DIST_L2, 5) > near_px
    there = bent(laid.neighbours.astype(np.float32), bend) > 0.5
    return far & (common.neighbours | there)


def _seam_cost(common: Stage, donor: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return what a seam costs at each pixel, against the base with the heads laid so far and without."""
    lab = cut.to_lab(calm(donor))
    cost = cut.disagreement(cut.to_lab(calm(common.base)), lab)
    if common.untouched is not common.base:
        plain = cut.disagreement(cut.to_lab(calm(common.untouched)), lab)
        cost = cost + np.float32(UNTOUCHED_SHARE) * plain
    return cost


def _hulls(points: Sequence[Float], shape: tuple[int, int]) -> NDArray[np.bool_]:
    found = np.zeros(shape, bool)
    for p in points:
        found |= outline.hull(p, shape, 1.1)
    return found


def _forbidden(
    common: Stage, near: Sequence[Float], bend: NDArray[np.float32], ghosts: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Return where a seam must not reach: other people's faces in either frame, and their ghosts."""
    solid = cv2.morphologyEx(ghosts.astype(np.uint8), cv2.MORPH_OPEN, np.ones((GHOST_PX, GHOST_PX), np.uint8))
    shape = common.window.shape
    there = bent(_hulls(near, shape).astype(np.float32), bend) > 0.5
    return _hulls(common.others, shape) | there | (solid > 0)


def border(window: Window) -> NDArray[np.bool_]:
    """Return where the seam must not reach, or nothing would be left to paint its mask wider on."""
    h, w = window.shape
    rim = max(2, round(RIM_FACES * window.face_px * window.scale))
    # With the whole frame for a window the cheapest seam would be none.
    ends = (False, False, False, window.frame_ends[3]) if all(window.frame_ends) else window.frame_ends
    left, top, right, bottom = (0 if end else rim for end in ends)
    found = np.ones((h, w), bool)
    found[top : h - bottom, left : w - right] = False
    return found


def _share(part: NDArray[np.bool_], whole: NDArray[np.bool_]) -> float:
    return float((part & whole).sum() / max(int(whole.sum()), 1))


def _price(common: Stage, donor: NDArray[np.float32], region: NDArray[np.bool_]) -> float:
    """Return what the seam shows: CIEDE2000 along it at its worst and at its mean.

    Against the base with the heads laid so far and without, whichever is more. What the cut is found by,
    plain CIELAB distance, makes far too much of colourful cloth to choose between ways.
    """
    edge = region & ~(cv2.erode(region.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0)
    if not edge.any():
        return float("inf")
    apart: Any = deltaE_ciede2000
    there = cut.to_lab(calm(donor))[edge]
    below = [common.base] if common.untouched is common.base else [common.base, common.untouched]
    seen = np.max([apart(cut.to_lab(calm(picture))[edge], there) for picture in below], axis=0)
    return float(np.percentile(seen, 95) + seen.mean())


def _bent_texture(common: Stage, bend: NDArray[np.float32], where: NDArray[np.bool_]) -> float:
    """Return the mean bend in working pixels, weighted by steepness: a plain wall bends unseen."""
    lightness = np.ascontiguousarray(cut.to_lab(common.base)[..., 0])
    steep = np.hypot(cv2.Scharr(lightness, cv2.CV_32F, 1, 0), cv2.Scharr(lightness, cv2.CV_32F, 0, 1)) / 32
    # Grain on a plain wall is no texture, and the floor keeps a plain wall's few steep pixels from counting
    # as if they were all of it.
    weight = np.clip(steep - 1.0, 0, 4)[where]
    length = np.linalg.norm(bend, axis=2)[where]
    return float((weight * length).sum() / max(float(weight.sum()), 0.5 * max(weight.size, 1)))


def _strain(common: Stage, bend: NDArray[np.float32], where: NDArray[np.bool_]) -> float:
    """Return the strain that a twentieth of the textured, bent part of the region exceeds.

    The size of the displacement's gradient (Frobenius norm); turning and stretching count alike, for both
    show in cloth. Where nothing has texture nothing is seen of it.
    """
    ux, uy, vx, vy = (
        cv2.Scharr(np.ascontiguousarray(bend[..., c]), cv2.CV_32F, dx, 1 - dx) / 32
        for c in (0, 1)
        for dx in (1, 0)
    )
    size = np.sqrt(ux**2 + uy**2 + vx**2 + vy**2)
    use = where & (np.linalg.norm(bend, axis=2) > 0.25)
    if use.sum() < FEWEST_BENT:
        return 0.0
    lightness = np.ascontiguousarray(cut.to_lab(common.base)[..., 0])
    steep = np.hypot(cv2.Scharr(lightness, cv2.CV_32F, 1, 0), cv2.Scharr(lightness, cv2.CV_32F, 0, 1)) / 32
    seen = np.clip(cv2.GaussianBlur(steep, (0, 0), 2.0) / 2.0 - 0.5, 0, 1)
    return float(np.percentile((size * seen)[use], 95))


def bent(image: NDArray[np.float32], bend: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return a picture bent by (h, w, 2) pixels."""
    h, w = bend.shape[:2]
    y, x = np.mgrid[0:h, 0:w].astype(np.float32)
    return np.asarray(cv2.remap(image, x + bend[..., 0], y + bend[..., 1], cv2.INTER_LINEAR))
