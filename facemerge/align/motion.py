"""Small camera motions as eight numbers, and the least-squares evidence that different witnesses add up to.

Points are normalised (origin at the picture's centre, half the diagonal = 1), so that the eight numbers are
of one size: shift x, shift y, turn, zoom, two shears, two perspective terms. Everything that can tell where
the camera went (patches of background, faint shading, people) is turned into the same normal equations, so
that each counts by what it knows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from facemerge import imaging
from facemerge.words import Array, Float

HAND_HELD_SD = np.array([0.1, 0.1, 0.012, 0.01, 0.002, 0.002, 0.003, 0.003])
"""What a hand-held burst does between frames, one standard deviation of each number.

It decides only what nothing else measures: with a plain backdrop it keeps the people's own moves from being
read as a turn or a zoom. Turn and zoom: tried on bursts. Perspective: a camera of normal focal length (1.2
widths) turned aside by a third of a degree, computed.
"""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Evidence:
    """What several independent witnesses say of the motion that is still missing."""

    information: Float
    """(G, 8, 8) inverse covariance of each witness."""
    vector: Float
    """(G, 8) information times the motion the witness saw."""
    at: Float
    """(G, 2) where the witness stands, normalised."""

    def __add__(self, other: Evidence) -> Evidence:
        return Evidence(
            information=np.concatenate([self.information, other.information]),
            vector=np.concatenate([self.vector, other.vector]),
            at=np.concatenate([self.at, other.at]),
        )

    @property
    def count(self) -> int:
        """How many witnesses there are."""
        return len(self.vector)


def no_evidence() -> Evidence:
    """Return the evidence of nobody."""
    return Evidence(information=np.zeros((0, 8, 8)), vector=np.zeros((0, 8)), at=np.zeros((0, 2)))


def normaliser(size: tuple[int, int]) -> Float:
    """Return the (3, 3) matrix normalised_from_pixels of a picture of (W, H)."""
    s = 2 / float(np.hypot(*size))
    return np.array([[s, 0, -s * (size[0] - 1) / 2], [0, s, -s * (size[1] - 1) / 2], [0, 0, 1]])


def displacement(points: Array) -> Float:
    """Return the (N, 2, 8) derivative of normalised points' displacement by the eight numbers."""
    x, y = points[:, 0], points[:, 1]
    one, zero = np.ones_like(x), np.zeros_like(x)
    return np.stack(
        [
            np.stack([one, zero, -y, x, x, y, x * x, x * y], 1),
            np.stack([zero, one, x, y, -y, x, x * y, y * y], 1),
        ],
        1,
    )


def matrix_of(motion: Float) -> Float:
    """Return the (3, 3) normalised homography of eight small numbers."""
    tx, ty, turn, zoom, a, b, p, q = motion
    return np.array([[1 + zoom + a, b - turn, tx], [b + turn, 1 + zoom - a, ty], [-p, -q, 1]])


def motion_of(matrix: Float) -> Float:
    """Return the (8,) numbers of a normalised homography; the inverse of `matrix_of`."""
    m = matrix / matrix[2, 2]
    return np.array(
        [
            m[0, 2],
            m[1, 2],
            (m[1, 0] - m[0, 1]) / 2,
            (m[0, 0] + m[1, 1]) / 2 - 1,
            (m[0, 0] - m[1, 1]) / 2,
            (m[1, 0] + m[0, 1]) / 2,
            -m[2, 0],
            -m[2, 1],
        ]
    )


def moved(matrix: Float, motion: Float, size: tuple[int, int]) -> Float:
    """Return a full-resolution homography followed by a small motion, [2, 2] = 1."""
    n = normaliser(size)
    m = np.linalg.solve(n, matrix_of(motion) @ n @ matrix)
    return np.asarray(m / m[2, 2])


def prior(matrix: Float, size: tuple[int, int], zoom: float) -> tuple[Float, Float]:
    """Return (8, 8) information and (8,) vector that draw `matrix` gently back to a standing camera.

    `zoom` is the change of scale that the size of the faces tells of; 1 = none.
    """
    n = normaliser(size)
    information = np.diag(1 / HAND_HELD_SD**2)
    away = motion_of(n @ matrix @ np.linalg.inv(n))
    away[3] -= zoom - 1
    return information, -information @ away


def solve(evidence: Evidence, matrix: Float, size: tuple[int, int], zoom: float = 1.0) -> Float:
    """Return the (8,) motion that the evidence and the prior ask for on top of `matrix`."""
    information, vector = prior(matrix, size, zoom)
    return np.linalg.solve(information + evidence.information.sum(0), vector + evidence.vector.sum(0))


def _corners_and_centre(size: tuple[int, int]) -> Float:
    w, h = size
    return np.array([[0, 0], [w, 0], [w, h], [0, h], [w / 2, h / 2]], np.float64)


def expected_error_px(evidence: Evidence, matrix: Float, size: tuple[int, int], zoom: float = 1.0) -> float:
    """Return how far the motion is expected to be off, mean over the corners and the centre, in pixels.

    The larger of two: what the evidence promises of itself (its inverse information), and how much the
    answer changes when each region of the picture is held out in turn (a grouped jackknife, which also sees
    what the witnesses' own numbers cannot: leaves in the wind, parallax, a lens that bends).

    References
    ----------
    Efron and Stein, "The jackknife estimate of variance", Annals of Statistics 9(3), 1981 (from memory).
    """
    information, vector = prior(matrix, size, zoom)
    total, wanted = information + evidence.information.sum(0), vector + evidence.vector.sum(0)
    n = normaliser(size)
    at = displacement(imaging.transform(n, _corners_and_centre(size))) / n[0, 0]
    promised = np.sqrt(np.einsum("pik,kl,pil->p", at, np.linalg.inv(total), at)).mean()
    groups = _regions(evidence.at, size)
    answers = np.array(
        [
            at
            @ np.linalg.solve(
                total - evidence.information[groups == g].sum(0), wanted - evidence.vector[groups == g].sum(0)
            )
            for g in np.unique(groups)
        ]
    )
    held_out = len(answers)
    if held_out < 2:
        return float(promised)
    spread = ((answers - answers.mean(0)) ** 2).sum((0, 2)) * (held_out - 1) / held_out
    return float(max(promised, np.sqrt(spread).mean()))


def _regions(points: Float, size: tuple[int, int]) -> Array:
    half = np.array(size) / np.hypot(*size)
    cells = np.clip(((points / half + 1) / 2 * [4, 3]).astype(int), 0, [3, 2])
    return np.asarray(cells[:, 0] * 3 + cells[:, 1])


def corner_shift_px(a: Float, b: Float, size: tuple[int, int]) -> float:
    """Return how far two homographies part, mean over the corners and the centre, in pixels."""
    points = _corners_and_centre(size)
    return float(np.linalg.norm(imaging.transform(a, points) - imaging.transform(b, points), axis=1).mean())
