"""Whose a pixel is: this person's, a neighbour's, or the wall's, told by place, motion and colour."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, sparse
from scipy.sparse.linalg import cg

from facemerge.composite import cut, outline
from facemerge.words import Float

FACE_PX = 32.0
"""Face width at which pixels are told apart; the picture's own edges bring the answer back to full size."""
# Held against the maps of five bursts, whose is which pixel, 120 heads: of a neighbour 0.016 faces' area are
# taken along and of the head 0.015 are missed (0.101 and 0.036 by place and motion alone).
PLACE, MOTION, COLOUR = 3.0, 2.0, 2.0
"""Weights of place in heads, of motion, and of the log likelihood of a colour."""
MOTION_DELTA_E, WORST_MOTION = 6.0, 3.0
"""What is left unexplained by a person's motion counts in units of the one, up to the other."""
HEAD_FADES = 2.0
CORE_HEADS = 0.8
"""Within it a pixel is the head's whatever its colour, if no face stands before it."""
# A body as an ellipse below the face, in face widths and heights, and what it costs in heads to be one.
BODY_WIDE, BODY_HIGH, BODY_DOWN = 1.3, 1.1, 1.5
BODY_COST, ABOVE_CHIN_COST = 1.4, 2.0
ROUNDS = 2
BINS = (10, 14, 14)
"""Colours are counted in so many boxes of CIELAB."""
WIDEST_A_B = 60.0
COUNTED_FROM = 0.5
FEWEST = 20
STRAY_SHARE = 0.03
"""Share of a part's pixels that may have any colour."""
WORST_COLOUR = 2.0
DOUBT = 0.04
"""The outlines of people are a network's, and it takes white cloth before a wall for wall."""
EDGE_DELTA_E = 7.0
LEAST_LINK = 1e-3
PRIOR_WEIGHT, SURE_WEIGHT = 0.2, 10.0


def ownership(
    picture: NDArray[np.float32],
    seen: NDArray[np.float32],
    people: Sequence[Float],
    unexplained: Sequence[NDArray[np.float32]],
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return how likely each pixel is the first person's, and how likely anybody's.

    Every head, every body and the wall have a model of their colours, learnt in turn from the pixels that
    are theirs so far (as Rother et al., "GrabCut: Interactive Foreground Extraction Using Iterated Graph
    Cuts", 2004, do for two); the answer is then drawn to the picture's edges by a random walk with these
    chances as its prior (Grady, "Multilabel Random Walker Image Segmentation Using Prior Models", 2005,
    eq. 10).

    Parameters
    ----------
    picture
        (h, w, 3) encoded in [0, 1].
    seen
        (h, w) the network's chance that a pixel shows anybody.
    people
        (478, 2) landmarks of each, the first the person in question.
    unexplained
        For each, the (h, w) colour difference that is left once the frames are laid on that person's head.

    Returns
    -------
    mine, anybody : (h, w) float32 in [0, 1]
    """
    h, w = picture.shape[:2]
    scale = min(1.0, FACE_PX / max(float(np.ptp(people[0][:, 0])), 1.0))
    size = (max(8, round(w * scale)), max(8, round(h * scale)))
    small = _shrunk(picture, size)
    lab = cut.to_lab(np.asarray(cv2.GaussianBlur(small, (0, 0), 0.7), np.float32))
    points = [np.asarray(p[:, :2], np.float64) * (size[0] / w, size[1] / h) for p in people]
    moved = [_shrunk(left, size) for left in unexplained]
    there = np.clip(_shrunk(seen, size), DOUBT, 1 - DOUBT)

    sure, whose = cores(points, lab.shape[:2])
    prior = _prior(points, moved, there)
    parts = told(prior, sure, whose)
    boxes = colour_boxes(lab)
    for _ in range(ROUNDS):
        calm = [cv2.GaussianBlur(part, (0, 0), 1.0) for part in parts]
        colour = np.stack([log_likelihood(boxes, np.where(p > COUNTED_FROM, p, 0)) for p in calm])
        usual = np.logaddexp.reduce(colour, axis=0) - np.log(len(colour))
        parts = told(prior + COLOUR * np.clip(colour - usual, -WORST_COLOUR, WORST_COLOUR), sure, whose)
    mine = _walk(lab, parts[0] + parts[len(points)], sure, whose == 0)
    return _enlarged(mine, (w, h)), _enlarged(1 - parts[-1], (w, h))


def _shrunk(picture: NDArray[np.float32], size: tuple[int, int]) -> NDArray[np.float32]:
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.float32)


def _enlarged(share: Float, size: tuple[int, int]) -> NDArray[np.float32]:
    found = cv2.resize(share.astype(np.float32), size, interpolation=cv2.INTER_LINEAR)
    return np.asarray(np.clip(found, 0, 1), np.float32)


def cores(points: Sequence[Float], shape: tuple[int, int]) -> tuple[NDArray[np.bool_], NDArray[np.intp]]:
    """Return the (h, w) pixels of which there is no doubt, and whose they are."""
    away = np.stack([outline.head_distance(p, shape) for p in points])
    faces = np.stack([outline.hull(p, shape, 1.1) for p in points])
    before = faces.any(0)
    heads = (away < CORE_HEADS) & (away == away.min(0)) & ~before
    cores = faces | heads
    return cores.any(0), np.argmin(np.where(cores, away, np.inf), axis=0)


def _prior(
    points: Sequence[Float], moved: Sequence[NDArray[np.float32]], there: NDArray[np.float32]
) -> Float:
    """Return the (2 N + 1, h, w) log chances of heads, bodies and the wall by place and motion."""
    shape = (there.shape[0], there.shape[1])
    place = np.stack([head_cost(p, shape) for p in points] + [body_cost(p, shape) for p in points])
    motion = np.minimum(np.stack(moved) / MOTION_DELTA_E, WORST_MOTION)
    people = -(PLACE * place + MOTION * np.concatenate([motion, motion]))
    people = people - np.logaddexp.reduce(people, axis=0) + np.log(there)
    return np.concatenate([people, np.log(1 - there)[None]])


def head_cost(points: Float, shape: tuple[int, int]) -> NDArray[np.float32]:
    """Return (h, w) what it costs by place, in heads, to be the head of somebody with that face."""
    away = outline.head_distance(points, shape)
    return np.where(away < 1, away, 1 + HEAD_FADES * (away - 1))


def body_cost(points: Float, shape: tuple[int, int]) -> NDArray[np.float32]:
    """Return (h, w) what it costs by place, in heads, to be the body below that face."""
    wide, high = np.ptp(points, axis=0)
    x0, y0 = points.mean(0) + np.array([0, BODY_DOWN * high])
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]].astype(np.float32)
    away = np.hypot((x - x0) / (BODY_WIDE * wide), (y - y0) / (BODY_HIGH * high))
    above_chin = np.maximum(0, (points[:, 1].max() - y) / high)
    return np.asarray(BODY_COST + np.maximum(0, away - 1) + ABOVE_CHIN_COST * above_chin, np.float32)


def told(log: Float, sure: NDArray[np.bool_], whose: NDArray[np.intp]) -> Float:
    """Return chances that sum to 1, with heads where there is no doubt."""
    chances = np.exp(log - log.max(0))
    chances /= chances.sum(0)
    chances[:, sure] = 0
    y, x = np.nonzero(sure)
    chances[whose[y, x], y, x] = 1
    return np.asarray(chances)


def colour_boxes(lab: NDArray[np.float32]) -> tuple[NDArray[np.intp], ...]:
    """Return the box of each colour of a (h, w, 3) CIELAB picture, as three (h, w) indices into `BINS`."""
    low, wide = np.array([0, -WIDEST_A_B, -WIDEST_A_B]), np.array([100, 2 * WIDEST_A_B, 2 * WIDEST_A_B])
    share = np.clip((lab - low) / wide, 0, 1 - 1e-6) * BINS
    return tuple(np.moveaxis(share.astype(np.intp), -1, 0))


def log_likelihood(boxes: tuple[NDArray[np.intp], ...], weight: Float) -> Float:
    """Return the (h, w) log likelihood of each pixel's colour in the part that `weight` shows."""
    size = int(np.prod(BINS))
    if weight.sum() < FEWEST:
        return np.full(weight.shape, -np.log(size))
    counts = np.bincount(np.ravel_multi_index(boxes, BINS).ravel(), weight.ravel(), size).reshape(BINS)
    counts = ndimage.gaussian_filter(counts, 0.8)
    share = (1 - STRAY_SHARE) * counts / counts.sum() + STRAY_SHARE / size
    return np.asarray(np.log(share[boxes]))


def _walk(lab: NDArray[np.float32], prior: Float, sure: NDArray[np.bool_], mine: NDArray[np.bool_]) -> Float:
    """Return the (h, w) chance that a walk which shuns edges ends on the person."""
    h, w = prior.shape
    index = np.arange(h * w).reshape(h, w)
    one = np.concatenate([index[:, 1:].ravel(), index[1:].ravel()])
    other = np.concatenate([index[:, :-1].ravel(), index[:-1].ravel()])
    step = np.concatenate(
        [((lab[:, 1:] - lab[:, :-1]) ** 2).sum(-1).ravel(), ((lab[1:] - lab[:-1]) ** 2).sum(-1).ravel()]
    )
    link = np.exp(-step / EDGE_DELTA_E**2) + LEAST_LINK
    links = sparse.coo_matrix(
        (np.tile(link, 2), (np.concatenate([one, other]), np.concatenate([other, one]))), shape=(h * w, h * w)
    ).tocsr()
    bound = np.where(sure, SURE_WEIGHT, PRIOR_WEIGHT).ravel()
    diagonal = np.asarray(links.sum(1)).ravel() + bound
    # Every pixel is bound to its prior, so the system is well conditioned and this ends after a few steps.
    found, _ = cg(
        sparse.diags(diagonal) - links,
        bound * np.where(sure, mine, prior).ravel(),
        x0=prior.ravel(),
        rtol=1e-3,
        maxiter=200,
        M=sparse.diags(1 / diagonal),
    )
    return np.asarray(found).reshape(h, w)
