"""Whether a face looks pleasant and natural, against the same person at their most pleasant.

A smile is not demanded of a person who never smiles: every figure is an excess over, or a loss against, the
frames in which this person looks best. What spoils a face is told from the landmarks' geometry (mouth pulled
narrow), from the blendshapes of the landmarks' own network (pout, jaw dropped without a laugh, grimace), and,
for a tongue put out, which that network has no figure for, from the colours between upper lip and chin.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from facemerge.scores.alike import together
from facemerge.words import Array, Float, Part, frozen

MOUTH_CORNERS = (61, 291)
LIPS_AND_CHIN = (13, 14, 17, 152)
"""Down the middle: inner edge of the upper lip, inner and outer edge of the lower one, chin."""
CHEEKS = (50, 280, 205, 425)
SMALLEST_FACE_PX = 40.0

# Each amount below is where that trouble alone halves the value of a face.
NARROW_FREE, NARROW_BY_SMILE, NARROW_HALF = 0.04, 0.15, 0.055
"""Share of the own mouth's width lost by chance, lost with a whole smile, and the loss beyond that spoils."""
POUT_HALF = 0.45
JAW_HALF = 0.3
GAPE_FREE, GAPE_HALF = 0.55, 0.2
"""Height over width of the open mouth: hardly a laugh is rounder; the network sees smiles in yawns."""
GRIMACE_HALF = 0.25
SKEW_HALF = 0.1
BLANK_HALF = 1.4
"""A lost smile alone never spoils a face; it only ranks it lower."""
TONGUE_FREE, TONGUE_HALF = 0.02, 0.05
"""Length of tongue, in eyes' distances."""
BLURRED_SHARE = 0.03
"""Blur, as a share of the eyes' distance, at which landmarks of the mouth are half trusted."""
NARROWEST_BEST = 0.76
"""No relaxed mouth is narrower than this, in eyes' distances: the floor for people who are never seen so."""
WIDEST_POUT = 0.6
"""No relaxed mouth pouts more."""
LENGTH_PX, SHAPE_PX = 1.3, 1.7
"""What lengths in eyes' distances and what blendshapes are off by chance, times the face's width in pixels.

About twice the median standard deviation over six slightly moved copies of each of 240 faces, 14 of them with
eyes below 20 px."""
POUT_PX2 = 340.0
"""The same of a pout, times the square of that width: small mouths look pursed."""
UNSEEN = 0.75
"""Value of an expression that blur hides."""
NAMED = 0.85
"""Value below which a reason is given."""
OPEN_GAP = 0.1
"""Height of an open mouth in eyes' distances, from which lips out of shape are those of speech."""
LAUGH = 0.5
"""Smile from which an open mouth may be a laugh."""
YAWN_GAP = 0.34
"""The same, from which a jaw dropped without a smile is a yawn rather than a word."""

PINKER = 0.15
"""How much pinker than the cheeks a tongue is at least, as log(R B / G G); chins differ by up to 0.2."""
LIGHTEST_DARK = 0.55
"""Brightness against the cheeks up to which pink is the shaded inside of an open mouth."""
TONGUE_FILLS = 0.4
"""A tongue that lies in a laughing mouth fills less of its height."""
TONGUE_SAID = 0.5
"""Strain from which the tongue is what is named, for it drops the jaw and pulls the lips as well."""
TONGUE_GAP, TONGUE_GAP_SPREAD = 0.15, 0.05
"""No tongue comes out of a mouth less open, in eyes' distances; from so much more on all of it counts."""
STRIP_ROWS, STRIP_COLUMNS, STRIPS_AT = 48, 9, (-0.25, 0.0, 0.25)


@dataclass(frozen=True, slots=True, kw_only=True)
class TongueMeasure:
    """The pink run that reaches through the lower lip, in eyes' distances."""

    inside: float
    """How far it reaches up from the lower lip into the mouth."""
    below: float
    """How far it reaches down beyond where the lower lip should end."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ExpressionMeasure:
    """What expression is judged from, for one face."""

    mouth_width: float
    """Distance of the mouth's corners over the eyes' distance."""
    gap: float
    """Height of the opening between the lips over the eyes' distance."""
    smile: float
    """In [0, 1]."""
    pout: float
    """In [0, 1]: lips pushed forward or rounded."""
    jaw: float
    """In [0, 1]: jaw dropped without a smile: speech, yawn, surprise."""
    grimace: Float
    """(5,) in [0, 1]: corners down, corners apart, nose, cheeks, lip bitten."""
    aside: float
    """In [0, 1]: mouth or jaw pushed to one side."""
    skew: float
    """Slant of the mouth against the eyes' line, in eyes' distances."""
    narrowed: float
    """In [0, 1]: lids of both eyes drawn together."""
    tongue: TongueMeasure
    face_px: float
    """Width of the face in pixels."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Strain:
    """What speaks against an expression; each is 1 where it alone halves the value."""

    narrow: float
    pout: float
    jaw: float
    grimace: float
    aside: float
    blank: float
    tongue: float
    open: bool
    """Whether the lips stand apart further than usual."""
    yawn: bool
    """Whether a dropped jaw is wide enough, and the eyes narrow enough, for a yawn."""
    gape: bool
    """Whether the mouth is rounder than that of a laugh, although the landmarker sees a smile."""

    @property
    def total(self) -> float:
        """All of it."""
        return self.pulled + self.blank

    @property
    def pulled(self) -> float:
        """All that a face does, a lost smile left out."""
        return self.narrow + self.pout + self.jaw + self.grimace + self.aside + self.tongue


def measure_expression(points: Float, shapes: dict[str, float], crop: Array) -> ExpressionMeasure:
    """Measure what expression is judged from.

    Parameters
    ----------
    points
        (478, 3) landmarks in pixels of `crop`.
    shapes
        The blendshapes by name, in [0, 1].
    crop
        (H, W, 3) RGB uint8 or uint16, with at least the cheeks and the mouth in it.
    """
    across = (points[263] + points[362] - points[33] - points[133]) / 2
    eyes = max(float(np.linalg.norm(across)), 1e-6)
    mouth = points[MOUTH_CORNERS[1]] - points[MOUTH_CORNERS[0]]

    def pair(name: str) -> float:
        return (shapes[f"{name}Left"] + shapes[f"{name}Right"]) / 2

    smile = pair("mouthSmile")
    grimace = (
        pair("mouthFrown"),
        pair("mouthStretch"),
        pair("noseSneer"),
        shapes["cheekPuff"],
        max(shapes["mouthRollLower"], shapes["mouthRollUpper"]),
    )
    return ExpressionMeasure(
        mouth_width=float(np.linalg.norm(mouth)) / eyes,
        gap=float(np.linalg.norm(points[LIPS_AND_CHIN[1]] - points[LIPS_AND_CHIN[0]])) / eyes,
        smile=smile,
        pout=max(shapes["mouthPucker"], shapes["mouthFunnel"]),
        jaw=shapes["jawOpen"] * (1 - smile),
        grimace=frozen(np.array(grimace)),
        aside=max(shapes[name] for name in ("mouthLeft", "mouthRight", "jawLeft", "jawRight")),
        skew=float(across[0] * mouth[1] - across[1] * mouth[0]) / eyes**2,
        narrowed=max(pair("eyeSquint"), pair("eyeBlink")),
        tongue=measure_tongue(points, crop),
        face_px=float(np.ptp(points[:, 0])),
    )


def measure_tongue(points: Float, crop: Array) -> TongueMeasure:
    """Measure the pink run from the open mouth over the lower lip towards the chin.

    A tongue is pinker than the same face's cheeks and, unlike the inside of an open mouth, lit; it leaves no
    dark gap behind the lower lip and does not end where the lip does. The lower lip itself is pink in most
    faces, which is why only what lies above and below it is measured.

    Parameters
    ----------
    points
        (478, 3) landmarks in pixels of `crop`.
    crop
        (H, W, 3) RGB uint8 or uint16.
    """
    flat = points[:, :2]
    across = (flat[263] + flat[362] - flat[33] - flat[133]) / 2
    eyes = max(float(np.linalg.norm(across)), 1e-6)
    right = across / eyes
    down = np.array([-right[1], right[0]])
    upper, lower, lip_end, chin = flat[list(LIPS_AND_CHIN)]
    inner, outer = float((lower - upper) @ down), float((lip_end - upper) @ down)
    half = abs(float((flat[MOUTH_CORNERS[1]] - flat[MOUTH_CORNERS[0]]) @ right)) / 2
    depth = np.linspace(0, max(float((chin - upper) @ down), outer + 0.3 * eyes), STRIP_ROWS)
    side = np.concatenate([c + np.linspace(-0.2, 0.2, STRIP_COLUMNS) for c in STRIPS_AT]) * half
    spots = (upper + side[None, :, None] * right + depth[:, None, None] * down).astype(np.float32)
    seen = cv2.remap(
        crop, spots[..., 0], spots[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    ).astype(np.float64)
    # The median over a strip's columns leaves out moustache, crumbs and the tongue's own furrow.
    strips = np.median(seen.reshape(STRIP_ROWS, len(STRIPS_AT), STRIP_COLUMNS, 3), axis=2)
    cheek = _cheek_colour(flat, crop, eyes)
    dark = 4 / 255 * float(np.iinfo(crop.dtype).max)
    alike = (_pinkness(strips, dark) - _pinkness(cheek, dark) > PINKER) & (
        strips.mean(-1) > LIGHTEST_DARK * cheek.mean()
    )
    step = float(depth[1] - depth[0])
    middle = int(np.clip(round((inner + outer) / 2 / step), 0, STRIP_ROWS - 1))
    found = TongueMeasure(inside=0.0, below=0.0)
    for strip in alike.T:
        run = _run_around(strip, middle)
        if run is None:
            continue
        inside, below = (inner - run[0] * step) / eyes, (run[1] * step - outer) / eyes
        if inside + max(below, 0.0) > found.inside + max(found.below, 0.0):
            found = TongueMeasure(inside=float(inside), below=float(below))
    return found


def _cheek_colour(flat: Float, crop: Array, eyes: float) -> Float:
    reach = max(1, int(0.05 * eyes))
    height, width = crop.shape[:2]
    colours = []
    for x, y in flat[list(CHEEKS)]:
        left, top = int(np.clip(round(x), 0, width - 1)), int(np.clip(round(y), 0, height - 1))
        patch = crop[max(0, top - reach) : top + reach + 1, max(0, left - reach) : left + reach + 1]
        colours.append(patch.reshape(-1, 3).mean(0, dtype=np.float64))
    return np.asarray(np.median(colours, axis=0))


def _pinkness(colour: Float, dark: float) -> Float:
    """Return log(R B / G G) of (..., 3) colours: no matter how bright, and balanced by a difference."""
    lifted = np.log(colour + dark)
    return np.asarray(lifted[..., 0] + lifted[..., 2] - 2 * lifted[..., 1])


def _run_around(alike: Array, middle: int) -> tuple[int, int] | None:
    """Return first and last of the True that lie together around `middle`, gaps of one bridged."""
    near = [k for k in (middle, middle - 1, middle + 1) if 0 <= k < len(alike) and alike[k]]
    if not near:
        return None
    first = last = near[0]
    while first > 0 and alike[max(first - 2, 0) : first].any():
        first -= 1 if alike[first - 1] else 2
    while last < len(alike) - 1 and alike[last + 1 : last + 3].any():
        last += 1 if alike[last + 1] else 2
    return first, last


def tongue_length(measure: ExpressionMeasure, own_below: float) -> float:
    """Return how much tongue is out, in eyes' distances; negative if the mouth is open and empty.

    Parameters
    ----------
    measure
        One face.
    own_below
        How far below the lower lip this person is pink in any case.
    """
    if measure.gap < TONGUE_GAP:
        return 0.0
    inside = measure.tongue.inside - TONGUE_FILLS * measure.gap
    # A pink chin says nothing while the mouth above it is dark.
    if inside <= 0:
        return inside
    # Landmarks that wander by a hair's breadth about the limit must not put a tongue out.
    open_enough = min((measure.gap - TONGUE_GAP) / TONGUE_GAP_SPREAD, 1.0)
    return open_enough * (inside + max(measure.tongue.below - own_below, 0.0))


def _pleasantness(m: ExpressionMeasure) -> float:
    pulled = max(float(m.grimace.max()), m.aside) + 4 * max(tongue_length(m, 0.0), 0.0)
    return m.smile + m.mouth_width - 1.5 * m.pout - m.jaw - pulled


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
    used = [(i, m) for i, m in enumerate(measures) if m is not None and m.face_px >= SMALLEST_FACE_PX]
    found: list[Strain | None] = [None] * len(measures)
    if not used:
        return tuple(found)
    used = list(zip([i for i, _ in used], _steady([m for _, m in used]), strict=True))
    blur = np.array([blur_share[i] for i, _ in used])
    # Half a pixel of blur is a large share of a small face and hides nothing: the sharper half may speak.
    sharper = min(float(np.median(blur)), BLURRED_SHARE)
    clear = np.flatnonzero(blur <= max(BLURRED_SHARE / 2, sharper, float(blur.min())))
    # The standard is the best third, not the middle: a person may pull faces in most frames.
    order = sorted((used[k][1] for k in clear), key=lambda m: -_pleasantness(m))
    best = _Best.of(order[: max(1, round(len(order) / 3))], order)
    for i, m in used:
        found[i] = _strain(m, best)
    return tuple(found)


def _steady(seen: Sequence[ExpressionMeasure]) -> list[ExpressionMeasure]:
    """Return the measures with those that differ by no more than chance brought together."""
    face_px = np.array([m.face_px for m in seen])
    lengths = together(np.array([(m.mouth_width, m.gap, m.skew) for m in seen]), LENGTH_PX / face_px)
    shapes = np.array([(m.smile, m.jaw, m.aside, m.narrowed, *m.grimace) for m in seen])
    shapes = together(shapes, SHAPE_PX / face_px)
    pout = together(np.array([m.pout for m in seen]), POUT_PX2 / face_px**2)
    return [
        replace(
            m,
            mouth_width=float(length[0]),
            gap=float(length[1]),
            skew=float(length[2]),
            smile=float(shape[0]),
            jaw=float(shape[1]),
            aside=float(shape[2]),
            narrowed=float(shape[3]),
            grimace=shape[4:],
            pout=float(own),
        )
        for m, length, shape, own in zip(seen, lengths, shapes, pout, strict=True)
    ]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Best:
    """A person at their most pleasant."""

    width: float
    gap: float
    smile: float
    pout: float
    jaw: float
    grimace: Float
    aside: float
    skew: float
    narrowed: float
    below: float
    tongue: float

    @staticmethod
    def of(best: Sequence[ExpressionMeasure], clear: Sequence[ExpressionMeasure]) -> _Best:
        def middle(name: str) -> float:
            return float(np.median([getattr(m, name) for m in best]))

        below = _usual([m.tongue.below for m in clear])
        return _Best(
            width=max(middle("mouth_width"), NARROWEST_BEST),
            gap=middle("gap"),
            smile=middle("smile"),
            pout=min(middle("pout"), WIDEST_POUT),
            jaw=middle("jaw"),
            grimace=np.median([m.grimace for m in best], axis=0),
            aside=middle("aside"),
            skew=middle("skew"),
            narrowed=middle("narrowed"),
            below=below,
            tongue=_usual([tongue_length(m, below) for m in clear]),
        )


def _usual(lengths: Sequence[float]) -> float:
    # A low quantile: the tongue may be out in most frames.
    return max(0.0, float(np.quantile(lengths, 0.25)))


def _strain(m: ExpressionMeasure, best: _Best) -> Strain:
    lost = 1 - m.mouth_width / best.width - NARROW_FREE - NARROW_BY_SMILE * max(best.smile - m.smile, 0.0)
    round_mouth = m.gap / max(m.mouth_width, 1e-6)
    return Strain(
        narrow=_over(lost, NARROW_HALF),
        pout=_over(m.pout - best.pout - POUT_PX2 / m.face_px**2, POUT_HALF),
        jaw=_over(m.jaw - best.jaw, JAW_HALF) + _over(round_mouth - GAPE_FREE, GAPE_HALF),
        grimace=_over(float((m.grimace - best.grimace).max()), GRIMACE_HALF),
        aside=_over(m.aside - best.aside, GRIMACE_HALF) + _over(abs(m.skew - best.skew), SKEW_HALF),
        blank=_over(best.smile - m.smile, BLANK_HALF),
        tongue=_over(tongue_length(m, best.below) - best.tongue - TONGUE_FREE, TONGUE_HALF),
        open=m.gap - best.gap > OPEN_GAP,
        yawn=m.gap > YAWN_GAP and m.smile < LAUGH and m.narrowed > best.narrowed,
        gape=round_mouth > GAPE_FREE and m.smile >= LAUGH,
    )


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
        'pleasant', or 'silly', which asks for what 'pleasant' avoids; a blank face is not silly either.
    """
    if strain is None:
        return Part(value=None, reason="face too small to judge its expression")
    trust = float(1 / (1 + (blur_share / BLURRED_SHARE) ** 4))
    if mood == "silly":
        fun = strain.pulled
        value = trust * fun / (1 + fun) + (1 - trust) * (1 - UNSEEN)
        return Part(value=value, reason="" if value > 0.5 else "no silly face")
    value = trust / (1 + strain.total) + (1 - trust) * UNSEEN
    if trust < 0.5:
        return Part(value=value, reason="expression hard to see in the blur")
    return Part(value=value, reason=_reason(strain) if value < NAMED else "")


def _reason(strain: Strain) -> str:
    """Return the weightiest trouble in plain words."""
    amounts = {
        "tongue out": strain.total if strain.tongue > TONGUE_SAID else 0.0,
        "yawning" if strain.yawn else "mouth wide open" if strain.gape else "caught mid-word": strain.jaw,
        "grimace": strain.grimace,
        "mouth pulled to one side": strain.aside,
        "blank, smiles in other frames": strain.blank,
    }
    pursed = "caught mid-word" if strain.open else "lips pursed"
    amounts[pursed] = amounts.get(pursed, 0.0) + strain.narrow + strain.pout
    return max(amounts, key=lambda name: amounts[name])
