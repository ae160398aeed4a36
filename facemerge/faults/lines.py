"""Measures whether straight lines of the base meet the donor's where a seam crosses them."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge import imaging

Broken = tuple[float, tuple[float, float] | None]
NOTHING: Broken = (0.0, None)
GRAIN_PX = 1.0
"""Width over which grain is averaged, working pixels."""
FEWEST_POINTS = 8
TENSOR_FACES, SUPPORT_FACES = 0.04, 0.05
CLEAR_DIRECTION, LINE_STEEP, SAME_DIRECTION = 0.7, 2.0, 0.97
CROSSES = 0.85
"""Cosine between a line's normal and the seam's from which the line runs along the seam."""
ALONG_FACES, PROFILE_FACES, LONGEST_BREAK_FACES = 0.06, 0.1, 0.1
ALIKE, AGREE_SHARE = 0.92, 0.75
SEEN_SHARE, WIDE_LINE_PX = 0.5, 3.0
"""How much of the difference that a shift explains must be there on the seam."""


def broken_lines(
    base: NDArray[np.float32], donor: NDArray[np.float32], alpha: NDArray[np.float32], face_px: float
) -> Broken:
    """Return by how many pixels a straight line fails to meet itself where the seam crosses it.

    Along the seam, wherever the structure tensor (Foerstner & Guelch 1987, from memory) says that the base
    has one clear direction that is not the seam's own, both pictures are averaged along that direction; the
    shift between the two profiles is what the line is off by. It is believed where the profiles are alike
    once shifted, where the donor has a line of that direction there, and where most of the seam nearby says
    the same: leaves give none.

    Parameters
    ----------
    base, donor
        (h, w, 3) encoded, in [0, 1]; both known on either side of the seam.
    alpha
        (h, w) mask in [0, 1]; the seam is where it passes a half.
    face_px
        Face width; shifts up to a tenth of it are found.

    Returns
    -------
    size
        In pixels; 0 without lines.
    at
        x, y where it is worst; None without lines.
    """
    seam = _seam_points(alpha)
    if len(seam) < FEWEST_POINTS:
        return NOTHING
    a, b = _luma(base), _luma(donor)
    spread = max(2.0, TENSOR_FACES * face_px)
    normal, clear, steep = _direction(a, seam, spread)
    soft = np.asarray(cv2.GaussianBlur(alpha, (0, 0), spread), np.float32)
    across = np.column_stack([g[seam[:, 1], seam[:, 0]] for g in imaging.gradient(soft)]).astype(np.float64)
    across /= np.maximum(np.linalg.norm(across, axis=1), 1e-9)[:, None]
    use = (clear > CLEAR_DIRECTION) & (steep > LINE_STEEP)
    use &= np.abs((normal * across).sum(1)) < CROSSES
    shift = np.full(len(seam), np.nan)
    if use.any():
        told = _profile_shift(a, b, seam[use], normal[use], face_px)
        there = seam[use] + np.nan_to_num(told)[:, None] * normal[use]
        there = np.clip(np.rint(there), 0, np.array(alpha.shape[::-1]) - 1)
        other, clear_there, _ = _direction(b, np.asarray(there, np.int32), spread)
        line = (clear_there > CLEAR_DIRECTION) & (np.abs((normal[use] * other).sum(1)) > SAME_DIRECTION)
        # Where both agree at the seam itself, what differs beside it is not joined there.
        seen = _local_difference(a, b, seam[use], SUPPORT_FACES * face_px)
        line &= seen > SEEN_SHARE * steep[use] * np.minimum(np.abs(np.nan_to_num(told)), WIDE_LINE_PX)
        shift[use] = np.where(line, told, np.nan)
    return _agreed(seam, shift, max(2.0, SUPPORT_FACES * face_px))


def _seam_points(alpha: NDArray[np.float32]) -> NDArray[np.int32]:
    """Return (N, 2) pixels where a mask passes a half, along its longest line, off the picture's rim."""
    found, _ = cv2.findContours((alpha > 0.5).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not found:
        return np.zeros((0, 2), np.int32)
    points = np.asarray(max(found, key=len)[::2, 0], np.int32)
    h, w = alpha.shape
    free = (points > 3).all(1) & (points < np.array([w - 4, h - 4])).all(1)
    return np.asarray(points[free])


def _direction(
    luma: NDArray[np.float32], points: NDArray[np.int32], spread: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return the unit normal of the line at each point, how clear it is in [0, 1], and its steepness."""
    gx, gy = imaging.gradient(luma)
    xx, yy, xy = (
        cv2.GaussianBlur(q, (0, 0), spread)[points[:, 1], points[:, 0]].astype(np.float64)
        for q in (gx * gx, gy * gy, gx * gy)
    )
    total, differ = xx + yy, np.hypot(xx - yy, 2 * xy)
    angle = np.arctan2(2 * xy, xx - yy) / 2
    # One is added so that what little grain leaves has no direction.
    return (
        np.column_stack([np.cos(angle), np.sin(angle)]),
        differ / (total + 1),
        np.sqrt((total + differ) / 2),
    )


def _profile_shift(
    a: NDArray[np.float32],
    b: NDArray[np.float32],
    points: NDArray[np.int32],
    normal: NDArray[np.float64],
    face_px: float,
) -> NDArray[np.float64]:
    """Return (N,) how far the second picture lies along the normal from the first; NaN where not alike."""
    along, half, most = (
        max(3, round(s * face_px)) for s in (ALONG_FACES, PROFILE_FACES, LONGEST_BREAK_FACES)
    )
    u, v = np.arange(-along, along + 1), np.arange(-half - most, half + most + 1)
    x = points[:, 0, None, None] - u[None, :, None] * normal[:, 1, None, None] + v * normal[:, 0, None, None]
    y = points[:, 1, None, None] + u[None, :, None] * normal[:, 0, None, None] + v * normal[:, 1, None, None]
    flat = (len(points) * len(u), len(v))
    first, second = (
        cv2.remap(
            picture,
            x.astype(np.float32).reshape(flat),
            y.astype(np.float32).reshape(flat),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        .reshape(x.shape)
        .mean(1)
        for picture in (a, b)
    )
    p = first[:, most:-most] - first[:, most:-most].mean(1, keepdims=True)
    windows = np.lib.stride_tricks.sliding_window_view(second, p.shape[1], axis=1)
    q = windows - windows.mean(2, keepdims=True)
    cost = ((p[:, None] - q) ** 2).mean(2)
    alike = (p[:, None] * q).mean(2) / np.sqrt((p * p).mean(1)[:, None] * (q * q).mean(2) + 1)
    # Courses repeat: of two shifts that fit, the shorter one is believed.
    steps = np.arange(-most, most + 1)
    at = (cost * (1 + 0.2 * np.abs(steps) / most)).argmin(1)
    inner, row = np.clip(at, 1, 2 * most - 1), np.arange(len(points))
    low, here, high = cost[row, inner - 1], cost[row, inner], cost[row, inner + 1]
    bend = np.maximum(low + high - 2 * here, 1e-9)
    shift = steps[inner] + np.clip((low - high) / (2 * bend), -0.5, 0.5)
    return np.asarray(np.where((alike[row, inner] > ALIKE) & (at == inner), shift, np.nan), np.float64)


def _local_difference(
    a: NDArray[np.float32], b: NDArray[np.float32], points: NDArray[np.int32], near_px: float
) -> NDArray[np.float64]:
    """Return the root mean square difference of two pictures about each point."""
    side = 2 * max(1, round(near_px)) + 1
    mean = cv2.boxFilter((a - b) ** 2, -1, (side, side))
    return np.asarray(np.sqrt(np.maximum(mean[points[:, 1], points[:, 0]], 0)), np.float64)


def _agreed(seam: NDArray[np.int32], shift: NDArray[np.float64], near_px: float) -> Broken:
    """Return the longest shift on which a stretch of the seam agrees."""
    best = NOTHING
    for k in np.flatnonzero(np.isfinite(shift)):
        close = np.linalg.norm(seam - seam[k], axis=1) <= near_px
        told = shift[close & np.isfinite(shift)]
        if len(told) < max(4, 0.6 * close.sum()):
            continue
        middle = float(np.median(told))
        same = np.abs(told - middle) <= max(0.5, 0.3 * abs(middle))
        if same.mean() >= AGREE_SHARE and abs(middle) > best[0]:
            best = abs(middle), (float(seam[k, 0]), float(seam[k, 1]))
    return best


def _luma(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the (h, w) luma of a picture in [0, 1] in 8-bit steps, grain averaged."""
    grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY) * 255
    return np.asarray(cv2.GaussianBlur(grey, (0, 0), GRAIN_PX), np.float32)
