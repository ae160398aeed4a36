"""Finds patches of a finished picture that look like nothing near them in the frames it was made of."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Map = NDArray[np.float32]

REACH_FACES = 0.02
"""How far from its place a patch is looked for: people bend and lean by so much unseen."""
PATCH_FACES = 0.05
MASKED_FROM, MASKING_POWER = 2.0, 0.6
LEAST_CONTRAST = 0.3
TILE = 32
"""Side, in every other pixel, of the tiles in which shifts are tried or not."""


def strangeness(
    seen: Map,
    sources: Sequence[Map],
    where: NDArray[np.bool_],
    face_px: float,
    least: float = 0.0,
) -> Map:
    """Return (h, w) how little each place of a picture looks like anything near it in its sources.

    A careful viewer does not find a seam by comparing frames: an outline has a notch, a line breaks, soft
    cloth begins beside crisp cloth. Such a patch is in neither frame. This is the coherence half of Simakov,
    Caspi, Shechtman & Irani, "Summarizing Visual Data Using Bidirectional Similarity", 2008 (from memory),
    over one scale and a small neighbourhood: the root mean square difference over a patch, its mean left out,
    least over all shifts in reach and all frames; less where fine texture hides it (`masking`).

    Parameters
    ----------
    seen
        (h, w, 3) the finished picture as `even` gives it, at working size.
    sources
        (h, w, 3) each, as `even` gives them: the base, and the donor as it lies.
    where
        (h, w) what is looked at.
    face_px
        Face width.
    least
        Below it a place may come out stranger than it is: shifts are tried only where there is more without.

    Returns
    -------
    (h, w) float32
        In units of CIEDE2000, nearly; 0 where it was not looked.
    """
    found = np.zeros(where.shape, np.float32)
    if not where.any():
        return found
    reach = max(2, round(REACH_FACES * face_px))
    side = max(3, round(PATCH_FACES * face_px / 2)) | 1
    margin = 2 * (2 * side + reach)
    part = _about(where, margin)
    mine, *theirs = (p[part] for p in (seen, *sources))
    # What is averaged over grain may be read at every other pixel; shifts still go by whole ones.
    hides = masking(np.ascontiguousarray(mine[::2, ::2, 0]), side)
    odd = hides * np.sqrt(np.maximum(_least_cost(mine, theirs, 0, side), 0))
    odd[~where[part][::2, ::2]] = 0
    rows, columns = odd.shape
    for top, left in np.ndindex(-(-rows // TILE), -(-columns // TILE)):
        tile = np.s_[top * TILE : (top + 1) * TILE, left * TILE : (left + 1) * TILE]
        # A shift can only make a patch look more like something.
        if odd[tile].max() < least:
            continue
        y, x = max(0, 2 * top * TILE - margin), max(0, 2 * left * TILE - margin)
        wide = np.s_[y : 2 * (top + 1) * TILE + margin, x : 2 * (left + 1) * TILE + margin]
        cost = _least_cost(mine[wide], [t[wide] for t in theirs], reach, side)
        high, broad = odd[tile].shape
        inner = cost[top * TILE - y // 2 :, left * TILE - x // 2 :][:high, :broad]
        odd[tile] = np.where(odd[tile] > 0, hides[tile] * np.sqrt(np.maximum(inner, 0)), 0)
    h, w = found[part].shape
    found[part] = np.repeat(np.repeat(odd, 2, 0), 2, 1)[:h, :w]
    return np.asarray(np.where(where, found, 0), np.float32)


def _least_cost(mine: Map, theirs: Sequence[Map], reach: int, side: int) -> Map:
    """Return at every other pixel the least mean square of patches, over all sources and shifts in reach."""
    few = mine[::2, ::2]
    rows, columns = few.shape[:2]
    best = np.full((rows, columns), np.inf, np.float32)
    for source in theirs:
        wide = cv2.copyMakeBorder(source, reach, reach, reach, reach, cv2.BORDER_REPLICATE)
        phases = [[np.ascontiguousarray(wide[y::2, x::2]) for x in (0, 1)] for y in (0, 1)]
        cost = np.empty((2 * reach + 1, 2 * reach + 1, rows, columns), np.float32)
        for dy, dx in np.ndindex(cost.shape[:2]):
            other = phases[dy % 2][dx % 2][dy // 2 :, dx // 2 :][:rows, :columns]
            cost[dy, dx] = _patch_cost(np.asarray(few - other), side)
        best = np.minimum(best, between(cost) if reach else cost[0, 0])
    return best


def even(picture: Map, grain_px: float) -> Map:
    """Return a picture, grain averaged out, in a space whose distances are nearly those of CIEDE2000.

    CIELAB with its chroma drawn together as CIE94 weighs it, C' = ln(1 + 0.045 C) / 0.045, so that sums of
    squares can be taken (CIE 116-1995, S_C = 1 + 0.045 C, from memory).

    Parameters
    ----------
    picture
        (h, w, 3) encoded, in [0, 1].
    grain_px
        Width of the average.
    """
    calm = np.clip(cv2.GaussianBlur(picture, (0, 0), grain_px), 0, 1)
    lab = np.asarray(cv2.cvtColor(calm, cv2.COLOR_RGB2LAB), np.float32)
    chroma = np.hypot(lab[..., 1], lab[..., 2])[..., None]
    lab[..., 1:] *= np.log1p(0.045 * chroma) / np.maximum(0.045 * chroma, 1e-6)
    return lab


def masking(lightness: Map, side: int) -> Map:
    """Return how much of a difference is seen where texture lies under it, (h, w) in (0, 1].

    What is just seen grows with the contrast it lies on to a power of about 0.6 (Legge & Foley, "Contrast
    masking in human vision", 1980, from memory). An outline is contrast as well and hides nothing: contrast
    counts by its geometric mean over three patches, which is large only where all of them are textured.

    Parameters
    ----------
    lightness
        (h, w) CIELAB L of the picture, grain averaged.
    side
        Side of a patch, pixels.
    """
    mean = cv2.blur(lightness, (3, 3))
    contrast = np.sqrt(np.maximum(cv2.blur(lightness * lightness, (3, 3)) - mean * mean, 0))
    wide = (6 * (side // 2) + 1, 6 * (side // 2) + 1)
    usual = np.exp(cv2.blur(np.log(contrast + LEAST_CONTRAST), wide)) - LEAST_CONTRAST
    return np.asarray((1 + np.maximum(usual, 0) / MASKED_FROM) ** -MASKING_POWER, np.float32)


def between(cost: Map) -> Map:
    """Return the least of a squared difference over whole shifts (m, n, h, w), and by a parabola between."""
    m, n, h, w = cost.shape
    flat = cost.reshape(m * n, h, w)
    at = flat.argmin(0)
    y, x = np.clip(at // n, 1, m - 2), np.clip(at % n, 1, n - 2)
    r, c = np.indices((h, w))
    low = cost[y, x, r, c]
    gain = np.zeros_like(low)
    for before, after in (
        (cost[y - 1, x, r, c], cost[y + 1, x, r, c]),
        (cost[y, x - 1, r, c], cost[y, x + 1, r, c]),
    ):
        bend = before + after - 2 * low
        gain += np.where(bend > 0, (before - after) ** 2 / (8 * np.maximum(bend, 1e-9)), 0)
    return np.asarray(np.minimum(flat.min(0), np.maximum(low - gain, 0)), np.float32)


@dataclass(frozen=True, slots=True)
class Peak:
    """A place at which a map is high."""

    strength: float
    x: float
    y: float
    mass: float
    """What exceeds `least` in the square about it, summed over pixels; nothing counts for two peaks."""


def peaks(strength: Map, least: float, apart_px: float, most: int) -> list[Peak]:
    """Return a map's highest places, none within `apart_px` of a higher one, the highest first.

    Parameters
    ----------
    strength
        (h, w), at least 0.
    least
        Nothing weaker counts.
    apart_px
        Half the side of the square about a peak within which there is no other.
    most
        How many at most.
    """
    left, apart = strength.copy(), max(1, round(apart_px))
    found: list[Peak] = []
    while left.size and len(found) < most:
        y, x = (int(v) for v in np.unravel_index(int(left.argmax()), left.shape))
        value = float(left[y, x])
        if value < least:
            break
        about = left[max(0, y - apart) : y + apart + 1, max(0, x - apart) : x + apart + 1]
        mass = float(np.clip(about - least, 0, None).sum())
        found.append(Peak(value, float(x), float(y), mass))
        about[:] = 0
    return found


def _patch_cost(apart: Map, side: int) -> Map:
    """Return the mean square over patches of a (h, w, 3) difference, its mean left out: tone is no fault."""
    sums = np.ones((1, 3), np.float32)
    square = cv2.boxFilter(
        cv2.transform(cv2.multiply(apart, apart), sums), -1, (side, side), borderType=cv2.BORDER_REFLECT
    )
    mean = cv2.boxFilter(apart, -1, (side, side), borderType=cv2.BORDER_REFLECT)
    return np.asarray(square - cv2.transform(cv2.multiply(mean, mean), sums), np.float32)


def _about(where: NDArray[np.bool_], margin: int) -> tuple[slice, slice]:
    rows, columns = np.flatnonzero(where.any(1)), np.flatnonzero(where.any(0))
    return (
        slice(max(0, int(rows[0]) - margin), min(where.shape[0], int(rows[-1]) + margin + 1)),
        slice(max(0, int(columns[0]) - margin), min(where.shape[1], int(columns[-1]) + margin + 1)),
    )
