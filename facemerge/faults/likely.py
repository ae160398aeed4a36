"""Says how likely a viewer finds a head: a chance, a flag, and the faults behind it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from facemerge.faults.places import Place
from facemerge.options import RiskOptions
from facemerge.words import Box, Fault, FaultKind, Flag, Head, Joint, Misfit, Risk

FACE_LEVEL, FACE_SLOPE = 4.17, 2.5
STRANGE_LEVEL, STRANGE_SLOPE, MASS = 2.76, 1.335, 0.001
"""Of the curve in `of_strange`, and the mass from which it rises."""

# Each line is an amount's (value, chance) corners, between which the chance rises straight. These are rare on
# bursts and were set by looking at pictures.
CURVES = {
    FaultKind.LINES: ((2.0, 0.0), (3.0, 0.08), (5.0, 0.2), (10.0, 0.38), (30.0, 0.75)),
    FaultKind.OLD_SELF: ((0.002, 0.0), (0.005, 0.36), (0.03, 0.8)),
    FaultKind.HIDDEN: ((0.005, 0.0), (0.03, 0.3), (0.1, 0.6)),
    FaultKind.GRAIN: ((2.0, 0.0), (4.0, 0.4)),
    FaultKind.NEIGHBOUR: ((0.002, 0.0), (0.02, 0.1), (0.1, 0.5), (0.4, 0.8)),
}
WORTH_KEEPING = 0.15
"""Chance from which a fault is told and ringed."""


def of_face(worst: float) -> float:
    """Return the risk in [0, 1] that an inner face is found, which rises with how badly it fits.

    A logistic curve in one number, `Misfit.worst`, fitted to what blind viewers said of 138 inner faces, well
    and badly fitting ones, on drawn and photographed people; each burst told from the others, its area under
    the curve was 0.95 and its Brier score 0.07.
    """
    if not np.isfinite(worst):
        return 1.0
    return float(1 / (1 + np.exp(FACE_LEVEL - FACE_SLOPE * worst)))


def of_strange(mass: float) -> float:
    """Return the risk in [0, 1] that a head is found by places that look like neither frame.

    A logistic curve in the logarithm of their mass (`Place.mass`, summed), fitted to what four blind viewers
    said of 149 heads: people taken whole, inner faces, and faults planted one by one on clean pictures. Each
    burst told from the others, its area under the curve was 0.93 and its Brier score 0.09.
    """
    if not np.isfinite(mass):
        return 1.0
    if mass <= 0:
        return 0.0
    return float(1 / (1 + np.exp(STRANGE_LEVEL - STRANGE_SLOPE * np.log1p(mass / MASS))))


IN_PICTURE = (
    FaultKind.BREAK,
    FaultKind.PATTERN,
    FaultKind.SMEAR,
    FaultKind.GHOST,
    FaultKind.STRIP,
    FaultKind.STEP,
    FaultKind.SHARPNESS,
)
"""Kinds of places that look like neither frame."""


def assess(
    places: Sequence[Place],
    head: Head,
    options: RiskOptions,
    face_box: Box | None = None,
) -> Risk:
    """Return the risk that a head is found, its flag and its faults.

    Parameters
    ----------
    places
        What `find` has found.
    head
        As it is laid.
    options
        The risks from which a head is flagged.
    face_box
        x0, y0, x1, y1 of the face in the base, so that places can be told in words.
    """
    strange = [p for p in places if p.kind in IN_PICTURE]
    others = [_of_place(p, _chance(p.kind, p.amount)) for p in places if p.kind not in IN_PICTURE]
    others += _of_joint(head.joint)
    fit = [] if head.joint.misfit is None else _of_misfit(head.joint.misfit)
    apart = [of_strange(sum(p.mass for p in strange)), *(f.chance for f in others)]
    # Misfits are told by the worst alone: that is how the curve was fitted.
    apart.append(max((f.chance for f in fit), default=0.0))
    faults = [*(_of_place(p, of_strange(p.mass)) for p in strange), *others, *fit]
    return told(float(1 - np.prod([1 - c for c in apart])), faults, options, face_box)


def told(
    value: float,
    faults: Iterable[Fault],
    options: RiskOptions,
    face_box: Box | None = None,
) -> Risk:
    """Return a risk with its flag, those faults that may be seen, the weightiest first."""
    value = min(max(value, 0.0), 1.0)
    kept = sorted((f for f in faults if f.chance >= WORTH_KEEPING), key=lambda f: -f.chance)
    return Risk(value=value, flag=_flag(value, options), faults=tuple(kept), face_box=face_box)


def of_neighbours(
    risks: Mapping[str, Risk], boxes: Mapping[str, Box], options: RiskOptions
) -> dict[str, Risk]:
    """Return the risks of people whose pixels suffered from those who were set in beside them.

    Parameters
    ----------
    risks
        By person id, of those who were set in.
    boxes
        By person id, x0, y0, x1, y1 of everybody's face in the base.
    options
        The risks from which somebody is flagged.
    """
    suffered: dict[str, list[Fault]] = {}
    for who, risk in risks.items():
        for fault in risk.faults:
            if fault.person not in (None, who):
                suffered.setdefault(fault.person, []).append(replace(fault, words=who))
    return {
        person: told(float(1 - np.prod([1 - f.chance for f in faults])), faults, options, boxes.get(person))
        for person, faults in suffered.items()
    }


def _flag(value: float, options: RiskOptions) -> Flag:
    if value >= options.retouch_from:
        return "retouch"
    return "inspect" if value >= options.inspect_from else "clear"


def _chance(kind: FaultKind, amount: float) -> float:
    corners = CURVES[kind]
    if not np.isfinite(amount):
        return corners[-1][1]
    x, y = zip(*corners, strict=True)
    return float(np.interp(amount, x, y))


def _of_place(place: Place, chance: float) -> Fault:
    return Fault(
        kind=place.kind,
        chance=chance,
        amount=place.amount,
        at=place.at,
        size_px=place.size_px,
        person=place.person,
    )


def _of_joint(joint: Joint) -> list[Fault]:
    grain = min(max(joint.grain_ratio, 1e-2), 1e2)
    amounts = {
        FaultKind.OLD_SELF: joint.old_head_left,
        FaultKind.HIDDEN: joint.head_hidden,
        FaultKind.GRAIN: max(grain, 1 / grain),
    }
    return [Fault(kind=kind, chance=_chance(kind, a), amount=a) for kind, a in amounts.items()]


def _of_misfit(misfit: Misfit) -> list[Fault]:
    kinds = {
        "pose": FaultKind.POSE,
        "border_delta_e": FaultKind.BORDER,
        "covered": FaultKind.COVERED,
        "crisper": FaultKind.SHARPNESS,
    }
    return [
        Fault(kind=kinds[name], chance=of_face(share), amount=getattr(misfit, name))
        for name, share in misfit.shares.items()
    ]
