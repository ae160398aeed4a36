"""Background patches as witnesses: where each tile of texture went, and how well it can tell.

One Gauss-Newton step a tile (Lucas and Kanade, "An iterative image registration technique with an application
to stereo vision", IJCAI 1981, from memory), with the gradient taken midway between both pictures (Benhimane
and Malis, "Real-time image-based tracking of planes using efficient second-order minimization", IROS 2004,
from memory). What noise adds to a gradient is the same in no two frames, so the product of both gradients
holds the signal alone: a tile of pure noise claims nothing.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge import imaging
from facemerge.align.motion import Evidence, displacement, no_evidence, normaliser
from facemerge.align.view import Level, View, level_from_level
from facemerge.words import Array, Float

Plane = NDArray[np.float32]

SIGNAL_SHARE = 0.3
"""Share of a tile's gradient energy that both frames must have in common."""
FINE_TILE_PX, TILE_PX = 32, 16
FINE_FROM_PX = 900
"""Long side from which a level is cut into fine tiles."""
BEND_PX = 0.05
"""What a tile may be off for reasons of its own (resampling, a lens), in pixels of its level."""
NOISE_FLOOR = 0.02
"""Smallest mean square difference believed, in squared 8-bit steps: clipped white is no perfect match."""
BAND_PX = 40_000
"""Pixels worked on together: a dozen planes of them stay in a core's own cache."""
TEXTURED = 3.0
"""Standard deviation, in 8-bit steps, that no shading and no noise has on a small copy."""
ENOUGH_TILES, ENOUGH_SHARE = 12, 0.1
"""Tiles, and share of the background, that must agree before a level is listened to."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tiles:
    """Sums over each tile of one level; T tiles with enough background in both frames."""

    level: int
    centres: Float
    """(T, 2) in pixels of the level."""
    clear: NDArray[np.bool_]
    """(T,) no person is next to the tile."""
    gradients: Float
    """(T, 2, 2) sum of the products of the middle gradient."""
    pull: Float
    """(T, 2) sum of the middle gradient times the difference."""
    misfit: Float
    """(T,) mean square difference."""
    signal: Float
    """(T,) share in [0, 1] of the gradient energy that both frames have in common; 0 = just noise."""
    correlation: Float
    """(T,) in [-1, 1]."""
    contrast: Float
    """(T,) smaller of both frames' standard deviations."""


def tiles_of(reference: View, frame: View, level: int, matrix: Float) -> Tiles:
    """Return the tile sums of one level with the frame warped onto the reference by `matrix`."""
    a, b = reference.levels[level], frame.levels[level]
    m = level_from_level(a, b, matrix)
    # Cubic where the last hundredths count; linear blurs what the coarse levels do not hold anyway.
    smooth = cv2.INTER_CUBIC if level == 0 else cv2.INTER_LINEAR
    warped = cv2.warpPerspective(b.texture, m, a.size, flags=smooth)
    still = np.asarray(cv2.warpPerspective(b.still, m, a.size, flags=cv2.INTER_NEAREST), np.uint8) & a.still
    gain = np.clip(reference.brightness / max(frame.brightness, 1e-3), 0.25, 4)
    side = FINE_TILE_PX if max(a.size) >= FINE_FROM_PX else TILE_PX
    return _sums(level, a, np.asarray(warped, np.float32) * np.float32(gain), still, reference.open, side)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Grid:
    """How a level is cut into tiles."""

    side: int
    shape: tuple[int, int]
    """(rows, columns) of tiles."""
    corner: tuple[int, int]
    """(y, x) of the first tile."""

    def cut(self, image: Array) -> Array:
        """Return the part of a picture that lies in tiles."""
        (top, left), (ny, nx) = self.corner, self.shape
        return image[top : top + ny * self.side, left : left + nx * self.side]

    def bands(self) -> list[slice]:
        """Return rows, whole tiles of them, that are worked on together: few enough to stay in the cache."""
        ny, nx = self.shape
        rows = max(1, BAND_PX // (nx * self.side * self.side)) * self.side
        return [slice(start, start + rows) for start in range(0, ny * self.side, rows)]


def _grid(size: tuple[int, int], side: int) -> _Grid:
    w, h = size
    ny, nx = max(h // side, 1), max(w // side, 1)
    return _Grid(side=side, shape=(ny, nx), corner=(max(h - ny * side, 0) // 2, max(w - nx * side, 0) // 2))


# A reference is compared with every frame, several times each.
@functools.lru_cache(maxsize=16)
def _reference_slopes(level: Level, side: int) -> tuple[Plane, Plane]:
    return _slopes(_grid(level.size, side).cut(level.texture))


def _slopes(image: Plane) -> tuple[Plane, Plane]:
    """Return the differences across and down of a picture, in steps a pixel."""
    x, y = (cv2.Sobel(image, cv2.CV_32F, dx, 1 - dx, ksize=1, scale=0.5) for dx in (1, 0))
    return np.asarray(x), np.asarray(y)


def _sums(
    level: int,
    reference: Level,
    two: Plane,
    still: NDArray[np.uint8],
    open: Array,
    side: int,
) -> Tiles:
    """Return the sums over each tile of a level of the reference, and of another picture laid on it."""
    grid = _grid(reference.size, side)
    ny, nx = grid.shape
    planes = (grid.cut(reference.texture), grid.cut(two), grid.cut(still))
    slopes = (*_reference_slopes(reference, side), *_slopes(planes[1]))
    bands = [_band([p[rows] for p in planes], [s[rows] for s in slopes], grid) for rows in grid.bands()]
    share, xx, xy, yy, rr, ww, rw, common, pull_x, pull_y, apart = np.concatenate(bands, axis=1)
    keep = share > 0.5
    signal = common / np.maximum(xx + yy, 1e-9)
    signal = np.where(signal > SIGNAL_SHARE, np.minimum(signal, 1), 0)
    y, x = np.mgrid[0:ny, 0:nx]
    centres = np.column_stack([x.ravel(), y.ravel()]) * side + (side - 1) / 2 + grid.corner[::-1]
    area = share[keep]
    n = side * side
    return Tiles(
        level=level,
        centres=centres[keep],
        clear=_clear(open, (nx, ny)).ravel()[keep],
        gradients=n * np.moveaxis(np.array([[xx, xy], [xy, yy]]), 2, 0)[keep],
        pull=n * np.column_stack([pull_x, pull_y])[keep],
        misfit=apart[keep] / area,
        signal=signal[keep],
        correlation=(rw / np.sqrt(np.maximum(rr * ww, 1e-12)))[keep],
        contrast=np.sqrt(np.minimum(rr, ww)[keep] / area),
    )


def _band(planes: Sequence[Array], slopes: Sequence[Plane], grid: _Grid) -> Float:
    """Return (11, T) means over the tiles of one band, of everything that `_sums` needs."""
    m = planes[2].astype(np.float32)
    one, two = planes[0] * m, planes[1] * m
    x1, y1, x2, y2 = (s * m for s in slopes)
    gx, gy, difference = (x1 + x2) / 2, (y1 + y2) / 2, one - two
    products = (
        m,
        gx * gx,
        gx * gy,
        gy * gy,
        one * one,
        two * two,
        one * two,
        x1 * x2 + y1 * y2,
        gx * difference,
        gy * difference,
        difference * difference,
    )
    size = (grid.shape[1], max(len(m) // grid.side, 1))
    return np.array([cv2.resize(p, size, interpolation=cv2.INTER_AREA).ravel() for p in products], np.float64)


def _clear(open: Array, tiles: tuple[int, int]) -> NDArray[np.bool_]:
    # A tile beside a person may hold a sleeve that the mask has missed.
    share = cv2.resize(open.astype(np.float32), tiles, interpolation=cv2.INTER_AREA)
    whole = (share > 0.98).astype(np.uint8)
    return np.asarray(cv2.erode(whole, np.ones((3, 3), np.uint8), borderValue=1) > 0)


def tile_evidence(tiles: Tiles, reference: View, *, strict: bool) -> tuple[Evidence, NDArray[np.bool_]]:
    """Return the tiles' evidence, those that agree with no others weighed down, and (T,) which do agree.

    If `strict`, no evidence at all when too few tiles away from people agree: on a plain backdrop the only
    texture left is what moves. On the way from a coarse start fewer must do.
    """
    nobody = np.zeros(len(tiles.centres), bool)
    useful = tiles.signal > 0
    if not _enough(useful, tiles, strict):
        return no_evidence(), nobody
    level = reference.levels[tiles.level]
    n = normaliser(reference.size)
    unit = level.scale * n[0, 0]
    at = imaging.transform(n @ level.frame_from_level, tiles.centres[useful])
    signal = tiles.signal[useful]
    noise = np.maximum(tiles.misfit[useful], NOISE_FLOOR)
    information = tiles.gradients[useful] * (signal**2 / noise)[:, None, None] / unit**2
    vector = -tiles.pull[useful] * (signal / noise)[:, None] / unit
    limit = np.linalg.inv(np.eye(2) + (BEND_PX * unit) ** 2 * information)
    information, vector = limit @ information, np.einsum("tij,tj->ti", limit, vector)
    weight, misses = _consensus(information, vector, displacement(at))
    if not _enough(_spread(useful, misses < 9), tiles, strict):
        return no_evidence(), nobody
    j = displacement(at)
    return (
        Evidence(
            information=np.einsum("t,tik,tij,tjl->tkl", weight, j, information, j),
            vector=np.einsum("t,tik,ti->tk", weight, j, vector),
            at=at,
        ),
        _spread(useful, misses < 9),
    )


def _spread(where: NDArray[np.bool_], values: NDArray[np.bool_]) -> NDArray[np.bool_]:
    out = np.zeros(len(where), bool)
    out[where] = values
    return out


def _enough(these: NDArray[np.bool_], tiles: Tiles, strict: bool) -> bool:
    if not strict:
        return bool(these.sum() >= 4)
    return bool((these & tiles.clear).sum() >= max(ENOUGH_TILES, ENOUGH_SHARE * len(these)))


def _consensus(information: Float, vector: Float, j: Float) -> tuple[Float, Float]:
    """Return (T,) weights and squared misses of tiles against their robust common motion.

    Iteratively reweighted least squares with Cauchy's weights, the tiles' own spread as the unit.
    """
    normal = np.einsum("tik,tij,tjl->tkl", j, information, j)
    right = np.einsum("tik,ti->tk", j, vector)
    size = np.trace(information, axis1=1, axis2=2)
    near = information + (1e-9 * size + 1e-12)[:, None, None] * np.eye(2)
    weight = np.ones(len(j))
    misses, spread = weight, 1.0
    for _ in range(4):
        gentle = np.eye(8) * 1e-6 * np.trace(normal.sum(0))
        motion = np.linalg.solve(
            np.einsum("t,tkl->kl", weight, normal) + gentle * weight.mean(), weight @ right
        )
        rest = vector - np.einsum("tij,tjk,k->ti", information, j, motion)
        misses = np.einsum("ti,ti->t", rest, np.linalg.solve(near, rest[..., None])[..., 0])
        # 1.386 is the median of chi-square with two degrees of freedom.
        spread = max(float(np.median(misses)) / 1.386, 0.3)
        weight = 1 / (1 + misses / (6 * spread))
    return weight / spread, misses / spread


def textured_share(view: View) -> float:
    """Return the share in [0, 1] of the background, away from people, that has texture of its own."""
    index = _textured_level(view)
    level = view.levels[index]
    tiles = _sums(index, level, level.texture, level.still, view.open, TILE_PX)
    if not tiles.clear.any():
        return 0.0
    return float((tiles.contrast[tiles.clear] > TEXTURED).mean())


def _textured_level(view: View) -> int:
    return max(len(view.levels) - 2, 0)
