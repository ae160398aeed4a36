"""Whether a face looks pleasant and natural, against the same person at their most pleasant.

A smile is not demanded of a person who never smiles: every figure is an excess over, or a loss against, the
frames in which this person looks best. What spoils a face is told from the landmarks' geometry (mouth pulled
narrow, head turned away) and from the blendshapes of the landmarks' own network (pout, jaw dropped without a
laugh, grimace). The network has no figure for a tongue put out; that is not seen.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from facemerge.words import Array, Float, Part, frozen

MOUTH_CORNERS = (61, 291)
# Bone, not muscle: the forehead, the bridge and the tip of the nose, the corners of the eyes, the temples.
RIGID_POINTS = (10, 151, 9, 168, 6, 197, 4, 33, 133, 263, 362, 127, 356, 234, 454)
SMALLEST_FACE_PX = 40.0

# Each amount below is where that trouble alone halves the value of a face.
NARROW_FREE, NARROW_BY_SMILE, NARROW_HALF = 0.04, 0.1, 0.055
"""Share of the own mouth's width lost by chance, lost with a whole smile, and the loss beyond that spoils."""
POUT_HALF = 0.45
JAW_HALF = 0.3
GRIMACE_HALF = 0.25
SKEW_HALF = 0.1
BLANK_HALF = 1.4
"""A lost smile alone never spoils a face; it only ranks it lower."""
TURN_FREE_DEG, TURN_HALF_DEG = 8.0, 14.0
BLURRED_SHARE = 0.03
"""Blur, as a share of the eyes' distance, at which landmarks of the mouth are half trusted."""
NARROWEST_BEST = 0.76
"""No relaxed mouth is narrower than this, in eyes' distances: the floor for people who are never seen so."""
WIDEST_POUT = 0.6
"""No relaxed mouth pouts more."""
UNSEEN = 0.75
"""Value of an expression that blur hides."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ExpressionMeasure:
    """What expression is judged from, for one face."""

    mouth_width: float
    """Distance of the mouth's corners over the eyes' distance."""
    smile: float
    """In [0, 1]."""
    pout: float
    """In [0, 1]: lips pushed forward or rounded."""
    jaw: float
    """In [0, 1]: jaw dropped without a smile: speech, yawn, surprise."""
    grimace: Float
    """(7,) in [0, 1]: corners down, corners apart, mouth aside, jaw aside, nose, cheeks, lip bitten."""
    skew: float
    """Slant of the mouth against the eyes' line, in eyes' distances."""
    rigid: Float
    """(15, 3) bony landmarks, centred, in eyes' distances."""
    face_px: float
    """Width of the face in pixels."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Strain:
    """What speaks against an expression; each is 1 where it alone halves the value."""

    narrow: float
    pout: float
    jaw: float
    grimace: float
    blank: float
    turned: float
    turn_deg: float
    """Turn of the head away from the person's usual pose, in degrees."""

    @property
    def total(self) -> float:
        """All of it."""
        return self.narrow + self.pout + self.jaw + self.grimace + self.blank + self.turned


def measure_expression(points: Float, shapes: dict[str, float]) -> ExpressionMeasure:
    """Measure what expression is judged from.

    Parameters
    ----------
    points
        (478, 3) landmarks in pixels.
    shapes
        The blendshapes by name, in [0, 1].
    """
    across = (points[263] + points[362] - points[33] - points[133]) / 2
    eyes = max(float(np.linalg.norm(across)), 1e-6)
    mouth = points[MOUTH_CORNERS[1]] - points[MOUTH_CORNERS[0]]
    smile = (shapes["mouthSmileLeft"] + shapes["mouthSmileRight"]) / 2
    rigid = points[list(RIGID_POINTS)] / eyes
    pairs = (
        (shapes["mouthFrownLeft"] + shapes["mouthFrownRight"]) / 2,
        (shapes["mouthStretchLeft"] + shapes["mouthStretchRight"]) / 2,
        max(shapes["mouthLeft"], shapes["mouthRight"]),
        max(shapes["jawLeft"], shapes["jawRight"]),
        (shapes["noseSneerLeft"] + shapes["noseSneerRight"]) / 2,
        shapes["cheekPuff"],
        max(shapes["mouthRollLower"], shapes["mouthRollUpper"]),
    )
    return ExpressionMeasure(
        mouth_width=float(np.linalg.norm(mouth)) / eyes,
        smile=smile,
        pout=max(shapes["mouthPucker"], shapes["mouthFunnel"]),
        jaw=shapes["jawOpen"] * (1 - smile),
        grimace=frozen(np.array(pairs)),
        skew=float(across[0] * mouth[1] - across[1] * mouth[0]) / eyes**2,
        rigid=frozen(rigid - rigid.mean(0)),
        face_px=float(np.ptp(points[:, 0])),
    )


def turn_between(a: Array, b: Array) -> float:
    """Return the angle in degrees of the rotation that takes centred points (N, 3) `a` best to `b`.

    Kabsch, "A solution for the best rotation to relate two sets of vectors", Acta Cryst. A32, 1976.
    """
    u, _, vt = np.linalg.svd(a.T @ b)
    flip = np.sign(np.linalg.det(u @ vt))
    turn = u @ np.diag([1.0, 1.0, flip]) @ vt
    return float(np.rad2deg(np.arccos(np.clip((np.trace(turn) - 1) / 2, -1, 1))))


def _pleasantness(m: ExpressionMeasure) -> float:
    return m.smile + m.mouth_width - 1.5 * m.pout - m.jaw - float(m.grimace.max())


def strains(
    measures: Sequence[ExpressionMeasure | None], blur_share: Sequence[float]
) -> tuple[Strain | None, ...]:
    """Return what speaks against each of one person's expressions.

    Parameters
    ----------
    measures
        One a frame, None where the person is missing.
    blur_share
        One a frame: Gaussian sigma of the blur as a share of the eyes' distance.

    Returns
    -------
    tuple
        One a frame; None for a missing person or too small a face.
    """
    used = [i for i, m in enumerate(measures) if m is not None and m.face_px >= SMALLEST_FACE_PX]
    seen = [m for i, m in enumerate(measures) if i in used and m is not None]
    found: list[Strain | None] = [None] * len(measures)
    if not seen:
        return tuple(found)
    blur = np.array([blur_share[i] for i in used])
    clear = np.flatnonzero(blur <= max(BLURRED_SHARE / 2, float(blur.min())))
    # The standard is the best third, not the middle: a person may pull faces in most frames.
    order = sorted(clear, key=lambda k: -_pleasantness(seen[k]))
    best = [seen[k] for k in order[: max(1, round(len(order) / 3))]]
    width = max(float(np.median([m.mouth_width for m in best])), NARROWEST_BEST)
    smile = float(np.median([m.smile for m in best]))
    pout = min(float(np.median([m.pout for m in best])), WIDEST_POUT)
    jaw = float(np.median([m.jaw for m in best]))
    grimace = np.median([m.grimace for m in best], axis=0)
    skew = float(np.median([m.skew for m in best]))
    pose = np.median([seen[k].rigid for k in clear], axis=0)
    for i, m in zip(used, seen, strict=True):
        turn = turn_between(m.rigid, pose)
        lost = 1 - m.mouth_width / width - NARROW_FREE - NARROW_BY_SMILE * max(smile - m.smile, 0.0)
        found[i] = Strain(
            narrow=_over(lost, NARROW_HALF),
            pout=_over(m.pout - pout, POUT_HALF),
            jaw=_over(m.jaw - jaw, JAW_HALF),
            grimace=_over(float((m.grimace - grimace).max()), GRIMACE_HALF)
            + _over(abs(m.skew - skew), SKEW_HALF),
            blank=_over(smile - m.smile, BLANK_HALF),
            turned=_over(turn - TURN_FREE_DEG, TURN_HALF_DEG),
            turn_deg=turn,
        )
    return tuple(found)


def _over(amount: float, half: float) -> float:
    return float((max(amount, 0.0) / half) ** 2)


def expression_part(strain: Strain | None, blur_share: float, mood: str) -> Part:
    """Return how good an expression is in [0, 1], with the reason.

    Parameters
    ----------
    strain
        What speaks against it, or None if that cannot be told.
    blur_share
        Gaussian sigma of the blur as a share of the eyes' distance.
    mood
        'pleasant', or 'silly', which asks for what 'pleasant' avoids.
    """
    if strain is None:
        return Part(value=None, reason="face too small to judge its expression")
    trust = float(1 / (1 + (blur_share / BLURRED_SHARE) ** 4))
    if mood == "silly":
        fun = strain.total - strain.turned
        value = trust * fun / (1 + fun) + (1 - trust) * (1 - UNSEEN)
        return Part(value=value, reason="" if value > 0.5 else "no silly face")
    value = trust / (1 + strain.total) + (1 - trust) * UNSEEN
    if trust < 0.5:
        return Part(value=value, reason="expression hard to see in the blur")
    if value > 0.7:
        return Part(value=value)
    reasons = {
        "mouth pulled": strain.narrow + strain.pout,
        "mouth open": strain.jaw,
        "grimace": strain.grimace,
        "smile gone": strain.blank,
        f"head turned {strain.turn_deg:.0f} degrees from usual": strain.turned,
    }
    return Part(value=value, reason=max(reasons, key=lambda name: reasons[name]))
