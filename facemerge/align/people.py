"""The people as witnesses of the camera's motion: each moves by themselves, together they stay."""

from __future__ import annotations

import numpy as np

from facemerge import imaging
from facemerge.align.motion import Evidence, displacement, no_evidence, normaliser
from facemerge.align.view import View
from facemerge.words import Array, Float

ALIKE = 0.8
"""Cosine of two heads' looks below which they are not taken for one person."""
REACH = 0.8
"""How far from the common motion a face may be and still be the same person, in face widths."""
FARTHEST = 0.25
"""Largest common shift looked for, as a share of the picture's width."""
ZOOMED = 0.04
"""Logarithm of the change of the faces' sizes below which it may be a head turned or leant forward."""
OWN_MOVE = 0.06
"""What a person moves between two frames of a burst, in face widths; tried on bursts with known truth."""


def zoom_by_faces(reference: View, frame: View) -> float:
    """Return the change of scale, reference over frame, that the faces' sizes tell of; 1.0 unless clear."""
    if not len(reference.faces) or not len(frame.faces):
        return 1.0
    alike = reference.appearances @ frame.appearances.T
    mutual = [
        (i, j) for i, j in enumerate(alike.argmax(1)) if alike[:, j].argmax() == i and alike[i, j] >= ALIKE
    ]
    ratios = [reference.widths[i] / frame.widths[j] for i, j in mutual]
    if len(ratios) < 2:
        return 1.0
    zoom = float(np.median(ratios))
    return zoom if abs(np.log(zoom)) > ZOOMED else 1.0


def zoom_matrix(size: tuple[int, int], zoom: float) -> Float:
    """Return the (3, 3) change of scale about the picture's centre."""
    cx, cy = (size[0] - 1) / 2, (size[1] - 1) / 2
    return np.array([[zoom, 0, cx * (1 - zoom)], [0, zoom, cy * (1 - zoom)], [0, 0, 1]])


def matched_faces(reference: View, frame: View, zoom: float = 1.0) -> Array:
    """Return (N, 2) index pairs (face in reference, face in frame) of the same people.

    Every pair of like faces is tried as the common shift; the shift that brings most faces onto like ones
    wins, so a group of strangers, or the same people in other places, gives few pairs.
    """
    none = np.zeros((0, 2), np.int64)
    if not len(reference.faces) or not len(frame.faces):
        return none
    alike = reference.appearances @ frame.appearances.T
    placed = imaging.transform(zoom_matrix(reference.size, zoom), frame.faces)
    steps = reference.faces[:, None] - placed[None]
    width = np.sqrt(reference.widths[:, None] * frame.widths[None] * zoom)
    tried = np.argwhere((alike >= ALIKE) & (np.linalg.norm(steps, axis=2) < FARTHEST * reference.size[0]))
    best, best_gain = None, 0.0
    for i, j in tried:
        apart = np.linalg.norm(steps - steps[i, j], axis=2) / width
        gain = np.exp(-((apart / 0.3) ** 2) / 2) * alike * ((apart < REACH) & (alike >= ALIKE))
        total = float(gain.max(1).sum())
        if total > best_gain:
            best, best_gain = gain, total
    if best is None:
        return none
    from scipy.optimize import linear_sum_assignment  # loads slowly

    rows, columns = linear_sum_assignment(-best)
    good = best[rows, columns] > 0.02
    return np.column_stack([rows[good], columns[good]])


def common_motion(reference: View, frame: View, pairs: Array, zoom: float) -> Float:
    """Return the (3, 3) zoom and median shift of the people, frame to reference; a mere zoom without any."""
    m = zoom_matrix(reference.size, zoom)
    if not len(pairs):
        return m
    shift = np.median(reference.faces[pairs[:, 0]] - imaging.transform(m, frame.faces[pairs[:, 1]]), axis=0)
    return imaging.shift_matrix(float(shift[0]), float(shift[1])) @ m


def own_move_px(reference: View, frame: View, pairs: Array, matrix: Float) -> float:
    """Return what each person moved by themselves, one standard deviation a coordinate, in pixels.

    What the burst usually shows counts like two more people, so that two who happen to agree are not taken
    for a tripod.
    """
    usual = OWN_MOVE * float(np.median(reference.widths))
    rest = reference.faces[pairs[:, 0]] - imaging.transform(matrix, frame.faces[pairs[:, 1]])
    rest = rest - np.median(rest, axis=0)
    return float(np.sqrt((4 * usual**2 + (rest**2).sum()) / (4 + max(2 * len(pairs) - 4, 0))))


def people_evidence(reference: View, frame: View, pairs: Array, matrix: Float) -> Evidence:
    """Return one witness a person, by their faces; who moved much more than the others counts little."""
    if not len(pairs):
        return no_evidence()
    n = normaliser(reference.size)
    now = imaging.transform(matrix, frame.faces[pairs[:, 1]])
    step = reference.faces[pairs[:, 0]] - now
    sd = own_move_px(reference, frame, pairs, matrix)
    far = np.linalg.norm(step - np.median(step, axis=0), axis=1)
    weight = 1 / (sd * n[0, 0]) ** 2 / (1 + (far / (3 * sd)) ** 2)
    at = imaging.transform(n, now)
    j = displacement(at)
    return Evidence(
        information=np.einsum("n,nik,nil->nkl", weight, j, j),
        vector=np.einsum("n,nik,ni->nk", weight, j, step * n[0, 0]),
        at=at,
    )
