"""Where the seam runs: the cheapest closed line round the face, and the soft edge laid along it."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge import imaging

COST_SCALE_DELTA_E = 2.0
COST_POWER = 4
MAX_COST = 1.6e5
EDGE_WEIGHT = 0.35
# A line has to cost something even where both pictures agree wholly, or it wanders; the solver adds this
# much for every link it cuts.
LINK_COST = 1.0


def to_lab(encoded: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return CIELAB (D65) of sRGB in [0, 1]; L in 0..100."""
    return np.asarray(cv2.cvtColor(np.clip(encoded, 0, 1).astype(np.float32), cv2.COLOR_RGB2LAB))


def mean_difference(a: NDArray[np.float32], b: NDArray[np.float32], where: NDArray[np.bool_]) -> float:
    """Return the CIELAB difference between the mean colours of two encoded pictures; 0 of no pixels."""
    if not where.any():
        return 0.0
    one, other = (
        to_lab(np.ascontiguousarray(p[where].mean(0, dtype=np.float64)[None, None], np.float32))
        for p in (a, b)
    )
    return float(np.linalg.norm(one - other))


def disagreement(base_lab: NDArray[np.float32], donor_lab: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return what it costs to let the seam pass a pixel.

    Colour and gradient difference as in Agarwala et al., "Interactive Digital Photomontage", 2004, sec. 3,
    to the fourth power, so that one bad crossing costs more than many middling ones: the worst shows.

    Parameters
    ----------
    base_lab, donor_lab
        (h, w, 3) CIELAB.

    Returns
    -------
    (h, w) float32, 0 where both are equal
    """
    difference = base_lab - donor_lab
    colour = np.linalg.norm(difference, axis=2)
    slopes = imaging.gradient(np.ascontiguousarray(difference[..., 0]))
    cost = ((colour + EDGE_WEIGHT * np.hypot(*slopes)) / COST_SCALE_DELTA_E) ** COST_POWER
    return np.asarray(np.minimum(cost, MAX_COST), np.float32)


def minimum_cut(
    cost: NDArray[np.float32], inside: NDArray[np.bool_], outside: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Return the region that holds `inside`, shuns `outside`, and whose border costs least.

    A minimum cut on the 4-connected grid (Boykov & Kolmogorov, "An Experimental Comparison of
    Min-Cut/Max-Flow Algorithms for Energy Minimization in Vision", 2004; a link costs the sum over its two
    pixels, Kwatra et al., "Graphcut Textures", 2003, eq. 1, and `LINK_COST`). The picture's own edge costs
    nothing. It is cut exactly: by halves, in a band about the coarser line, a strip that is only a few
    pixels wide is missed, and the strips beside whoever stands in front are.

    Parameters
    ----------
    cost
        (h, w) float32, >= 0.
    inside, outside
        (h, w) bool; where both claim a pixel, `outside` yields.

    Returns
    -------
    (h, w) bool
        True inside.
    """
    outside = outside & ~inside
    if not inside.any() or not outside.any():
        return inside.copy()
    # The solver takes two pictures and cuts along their squared difference: one holds the cost's root, the
    # other nothing.
    # A pixel that only one of the pictures covers is bound to it; a frame of one pixel keeps the solver's own
    # treatment of borders away from ours.
    first = np.zeros((cost.shape[0] + 2, cost.shape[1] + 2, 3), np.float32)
    first[..., 0] = np.pad(np.sqrt(cost), 1, mode="edge")
    ours, theirs = (
        np.pad(np.where(bound, 0, 255).astype(np.uint8), 1, mode="edge") for bound in (outside, inside)
    )
    # OpenCV 5 ships the class without its type.
    made: Any = cv2
    finder = made.detail_GraphCutSeamFinder("COST_COLOR", 1e9, 0.0)
    found = finder.find([first, np.zeros_like(first)], [(0, 0), (0, 0)], [ours, theirs])
    mask = found[0].get() if isinstance(found[0], cv2.UMat) else found[0]
    return np.asarray(mask[1:-1, 1:-1] > 0)


def soft_edge(signed_px: NDArray[np.float32], width_px: NDArray[np.float32] | float) -> NDArray[np.float32]:
    """Return the feathered mask in [0, 1] from the signed distance to the seam.

    Parameters
    ----------
    signed_px
        (h, w), positive inside.
    width_px
        Width of the soft edge, one number or (h, w).
    """
    share = np.clip(signed_px / np.maximum(width_px, 1.0) + 0.5, 0, 1)
    return np.asarray(share * share * (3 - 2 * share), np.float32)


def signed_distance(region: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Return the distance in pixels to the region's border, positive inside.

    Without a border it is the picture's height and width together: infinite ones cannot be interpolated.
    """
    inner = cv2.distanceTransform(region.astype(np.uint8), cv2.DIST_L2, 5)
    outer = cv2.distanceTransform((~region).astype(np.uint8), cv2.DIST_L2, 5)
    most = sum(region.shape)
    return np.asarray(np.clip(inner - outer, -most, most) + np.where(region, -0.5, 0.5), np.float32)
