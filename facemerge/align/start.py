"""Where to start from: motions near enough to the truth for the tiles to finish, best guess first."""

from __future__ import annotations

import cv2
import numpy as np

from facemerge import imaging
from facemerge.align.view import Level, View, level_from_level
from facemerge.words import Array, Float

PATCH_PX = 16
REACH = 0.075
"""Shift looked for around the people's common motion, as a share of the width."""
TURN_RAD = 0.03
"""Largest turn voted on: 1.7 degrees."""
VOTE = 6.0
"""Independent pixels that a patch counts for, halved: neighbouring pixels say the same."""
PATCHES = 30.0
"""Independent patches that all votes together count for: neighbours say the same."""
PEAKS = 4
RIVAL = 0.7
"""Share of the highest vote from which another peak is worth a try."""
KEYPOINTS, GRID = 1500, (12, 8)
RATIO = 0.8
ENOUGH_MATCHES = 12


def voted_starts(reference: View, frame: View, guess: Float, guess_sd: float | None) -> list[Float]:
    """Return homographies that most patches of background vote for at the coarsest level, best first.

    Each patch of the reference is looked for in the frame; its whole correlation surface votes, so a wall of
    equal bricks votes for every period and the people's common motion decides among them.

    Parameters
    ----------
    reference, frame
        The two views.
    guess
        (3, 3) reference_from_frame to search around: the people's common motion.
    guess_sd
        How far the guess may be off, one standard deviation in pixels; None = it is no more than a place to
        begin.
    """
    level = reference.levels[-1]
    m = level_from_level(level, frame.levels[-1], guess)
    near = frame.levels[-1]
    texture = cv2.warpPerspective(near.texture * near.still, m, level.size, flags=cv2.INTER_LINEAR)
    votes, places = _surfaces(level, np.asarray(texture))
    if not len(votes):
        return []
    step = 2.0 / level.size[0]
    reach = (votes.shape[1] - 1) // 2
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1].astype(np.float64)
    doubt = 0.0 if guess_sd is None else (x**2 + y**2) * (level.scale / guess_sd) ** 2 / 2
    sums, kinds = [], []
    for turn in np.arange(-np.ceil(TURN_RAD / step), np.ceil(TURN_RAD / step) + 1) * step:
        for zoom in np.arange(-2, 3) * step:
            sums.append(PATCHES * _shifted_sum(votes, places, turn, zoom) / len(votes) - doubt)
            kinds.append((turn, zoom))
    return [found @ guess for found in _peaks(np.array(sums), kinds, level)]


def _surfaces(one: Level, two: Array) -> tuple[Array, Float]:
    """Return (P, S, S) votes for shifts of the second picture, and (P, 2) patch places from the middle."""
    reach = int(np.ceil(REACH * one.size[0]))
    a = one.texture * one.still
    b = cv2.copyMakeBorder(two, reach, reach, reach, reach, cv2.BORDER_CONSTANT)
    n = PATCH_PX
    w, h = one.size
    votes, places = [], []
    for y in range(0, h - n + 1, n // 2):
        for x in range(0, w - n + 1, n):
            if one.still[y : y + n, x : x + n].mean() < 0.7:
                continue
            window = b[y : y + n + 2 * reach, x : x + n + 2 * reach]
            # Where the window holds nothing the quotient is not a number.
            c = cv2.matchTemplate(window, a[y : y + n, x : x + n], cv2.TM_CCOEFF_NORMED)
            c = np.clip(np.nan_to_num(c, nan=0, posinf=0, neginf=0), 0, 0.97)
            votes.append(-VOTE / 2 * np.log(1 - c[::-1, ::-1] ** 2))
            places.append((x + (n - 1) / 2 - (w - 1) / 2, y + (n - 1) / 2 - (h - 1) / 2))
    return np.array(votes), np.array(places).reshape(-1, 2)


def _shifted_sum(votes: Array, places: Float, turn: float, zoom: float) -> Array:
    edge = 4
    dx = np.clip(np.rint(zoom * places[:, 0] - turn * places[:, 1]), -edge, edge).astype(int)
    dy = np.clip(np.rint(turn * places[:, 0] + zoom * places[:, 1]), -edge, edge).astype(int)
    size = votes.shape[1]
    total = np.zeros((size + 2 * edge, size + 2 * edge))
    for surface, x, y in zip(votes, dx, dy, strict=True):
        total[edge - y : edge - y + size, edge - x : edge - x + size] += surface
    return total[edge : edge + size, edge : edge + size]


def _peaks(sums: Array, kinds: list[tuple[float, float]], level: Level) -> list[Float]:
    reach = (sums.shape[1] - 1) // 2
    middle = (np.array(level.size) - 1) / 2
    found: list[Float] = []
    highest = float(sums.max())
    for _ in range(PEAKS):
        k, y, x = np.unravel_index(int(sums.argmax()), sums.shape)
        if sums[k, y, x] < RIVAL * highest:
            break
        turn, zoom = kinds[k]
        dx, dy = x - reach, y - reach
        m = np.array([[1 + zoom, -turn, dx], [turn, 1 + zoom, dy], [0, 0, 1]])
        m = imaging.shift_matrix(*middle) @ m @ imaging.shift_matrix(*-middle)
        found.append(level.frame_from_level @ m @ np.linalg.inv(level.frame_from_level))
        # The next peak must be elsewhere, not the same one with a little more turn.
        sums[:, max(0, y - 1) : y + 2, max(0, x - 1) : x + 2] = -np.inf
    return found


def matched_start(reference: View, frame: View) -> Float | None:
    """Return a homography from matched keypoints of the background, or None: for zooms and large moves.

    References
    ----------
    Lowe, "Distinctive image features from scale-invariant keypoints", IJCV 60(2), 2004; Barath, Noskova,
    Ivashechkin and Matas, "MAGSAC++, a fast, reliable and accurate robust estimator", CVPR 2020.
    """
    index = min(range(len(reference.levels)), key=lambda i: abs(max(reference.levels[i].size) - 700))
    a, b = reference.levels[index], frame.levels[index]
    points_a, words_a = _keypoints(a)
    points_b, words_b = _keypoints(b)
    if min(len(points_a), len(points_b)) < ENOUGH_MATCHES:
        return None
    matcher = cv2.BFMatcher(cv2.NORM_L2)
    good = [m for m, n in matcher.knnMatch(words_b, words_a, k=2) if m.distance < RATIO * n.distance]
    if len(good) < ENOUGH_MATCHES:
        return None
    good.sort(key=lambda m: (m.distance, m.queryIdx))
    src = np.array([points_b[m.queryIdx] for m in good], np.float64)
    dst = np.array([points_a[m.trainIdx] for m in good], np.float64)
    cv2.setRNGSeed(0)
    m, inliers = cv2.findHomography(src, dst, cv2.USAC_MAGSAC, 2.0, maxIters=2000, confidence=0.999)
    if m is None or int(inliers.sum()) < ENOUGH_MATCHES:
        return None
    full = a.frame_from_level @ m @ np.linalg.inv(b.frame_from_level)
    return np.asarray(full / full[2, 2])


def _keypoints(level: Level) -> tuple[Array, Array]:
    # The strongest keypoints of a picture crowd on few things; the strongest of each cell do not.
    picture = np.clip(level.texture * 2 + 128, 0, 255).astype(np.uint8)
    sift = cv2.SIFT.create(contrastThreshold=0.02)
    seen = sorted(sift.detect(picture, level.still), key=lambda k: (-k.response, k.pt))
    room = KEYPOINTS // (GRID[0] * GRID[1])
    taken: dict[tuple[int, int], int] = {}
    kept = []
    for k in seen:
        cell = (int(k.pt[0] * GRID[0] / level.size[0]), int(k.pt[1] * GRID[1] / level.size[1]))
        taken[cell] = taken.get(cell, 0) + 1
        if taken[cell] <= room:
            kept.append(k)
    if not kept:
        return np.zeros((0, 2)), np.zeros((0, 128), np.float32)
    described, words = sift.compute(picture, kept)
    return np.array([k.pt for k in described]), words
