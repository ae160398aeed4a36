"""Says how likely a careful viewer finds a seam, and why, in plain words."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from facemerge.options import RiskOptions
from facemerge.words import Extent, Flag, Misfit, Risk, Seam

# Each line is a measure's (value, risk) corners, between which risk rises straight. STRANGE and LINES were
# drawn through how often seams were found in 154 heads of four rendered bursts held against their true
# pictures (`scripts/seams.py`): there the corners before, which had seen none of them, reached an area under
# the curve of 0.82 and a Brier score of 0.19; these, on 102 heads of four bursts drawn later, 0.88 and 0.07.
# A colour difference of 1 is at the edge of sight and 3 is seen side by side (Mahy et al. 1994 find 2.3, from
# memory): above 3 no head is called clear, whatever else was measured. The others are rare on bursts and were
# set by looking at seams.
STRANGE = (
    (0.3, 0.0),
    (0.5, 0.04),
    (0.8, 0.06),
    (1.0, 0.1),
    (1.3, 0.26),
    (1.6, 0.44),
    (2.0, 0.62),
    (2.5, 0.76),
    (3.0, 0.84),
    (4.0, 0.91),
    (6.0, 0.96),
    (9.0, 0.98),
    (14.0, 0.995),
)
LINES = ((2.0, 0.0), (3.0, 0.08), (5.0, 0.2), (10.0, 0.38), (30.0, 0.75))
SCRAPS = ((0.5, 0.0), (1.5, 0.1), (4.0, 0.4), (10.0, 0.7), (30.0, 0.9))
DETAIL = ((1.0, 0.0), (2.0, 0.12), (3.0, 0.26), (4.0, 0.42), (6.0, 0.7))
COLOUR = ((1.2, 0.0), (2.3, 0.2), (2.8, 0.32), (3.0, 0.36), (6.0, 0.6), (12.0, 0.9), (20.0, 1.0))
SHIFT = ((0.5, 0.0), (1.5, 0.25), (3.0, 0.5), (6.0, 0.8))
PHASE = ((0.6, 0.0), (1.0, 0.25), (1.4, 0.45))
HALO = ((1.5, 0.0), (3.0, 0.2), (6.0, 0.5))
OLD_HEAD = ((0.002, 0.0), (0.005, 0.36), (0.03, 0.8))
HIDDEN = ((0.005, 0.0), (0.03, 0.3), (0.1, 0.6))
INVENTED = ((0.02, 0.0), (0.1, 0.2))
TURN = ((12.0, 0.0), (25.0, 0.3), (45.0, 0.6))
TONE = ((5.0, 0.0), (12.0, 0.2), (25.0, 0.5))
GRAIN = ((0.3, 0.0), (1.0, 0.2), (2.0, 0.4))
ALIGNMENT = ((3.0, 0.0), (10.0, 0.25), (30.0, 0.5))
TEXTURE_FULL = 12.0
FACE_LEVEL, FACE_SLOPE = 4.17, 2.5
SHARE_WORTH_SAYING = 0.6
"""Below this share of the most that will do, a misfit of an inner face is not spoken of."""
WHOLE = 0.6
"""Risk of somebody who is taken whole, whatever else was measured: of 39, nine blind viewers found 32; of 131
inner faces one."""
WORTH_SAYING = 0.03
CRISP_WORTH_SAYING = 1.3
STRANGE_WORTH_SAYING = 0.18
"""Below it a patch is as strange as grain and compression make it."""


def assess(
    seam: Seam,
    *,
    head_turn_deg: float,
    align_error_px: float,
    options: RiskOptions,
    extent: Extent,
) -> Risk:
    """Return the risk that a seam is found, its flag and the reasons for it.

    The causes are taken as independent chances: the risk is one minus the product of what each leaves.

    Parameters
    ----------
    seam
        What was measured.
    head_turn_deg
        How much further the head is turned in the donor than in the base, degrees, signed.
    align_error_px
        Expected alignment error between the donor's frame and the base, pixels.
    options
        The risks from which a head is flagged.
    extent
        How much of the person was taken.
    """
    if seam.misfit is not None:
        return _assess_face(seam, seam.misfit, options)
    causes = sorted(_causes(seam, abs(head_turn_deg), align_error_px, extent), key=lambda c: -c[0])
    value = float(1 - np.prod([1 - c[0] for c in causes]))
    reasons = tuple(words for risk, words in causes if risk >= WORTH_SAYING and words)
    return _told(min(max(value, 0.0), 1.0), reasons, options)


def _told(value: float, reasons: tuple[str, ...], options: RiskOptions) -> Risk:
    return Risk(
        value=value,
        flag=_flag(value, options),
        reasons=reasons or ("both frames agree all along the seam",),
    )


def of_face(worst: float) -> float:
    """Return the risk in [0, 1] that an inner face is found, which rises with how badly it fits.

    A logistic curve in one number, `Misfit.worst`, fitted to what blind viewers said of 138 inner faces, well
    and badly fitting ones, on drawn and photographed people; each burst told from the others, its area under
    the curve was 0.95 and its Brier score 0.07.
    """
    return float(1 / (1 + np.exp(FACE_LEVEL - FACE_SLOPE * worst)))


def _assess_face(seam: Seam, misfit: Misfit, options: RiskOptions) -> Risk:
    said = {
        "pose": "the head is held differently in the two frames",
        "border_delta_e": f"colours differ by {misfit.border_delta_e:.1f} dE along the border{_most(seam)}",
        "covered": "something lies before the face in one of the frames",
        "crisper": f"one frame is {2**misfit.crisper:.1f} times as crisp: sharp meets soft within the face",
    }
    shares = sorted(misfit.shares.items(), key=lambda s: -s[1])
    reasons = tuple(said[name] for name, share in shares if share >= SHARE_WORTH_SAYING)
    return _told(of_face(misfit.worst), reasons, options)


def _flag(value: float, options: RiskOptions) -> Flag:
    if value >= options.retouch_from:
        return "retouch"
    return "inspect" if value >= options.inspect_from else "clear"


def _rise(value: float, corners: tuple[tuple[float, float], ...]) -> float:
    if not np.isfinite(value):
        return corners[-1][1]
    x, y = zip(*corners, strict=True)
    return float(np.interp(value, x, y))


def _causes(seam: Seam, turn_deg: float, align_px: float, extent: Extent) -> Iterator[tuple[float, str]]:
    if extent == "person":
        yield WHOLE, "the person is taken whole: look along outlines where people overlap"
    yield from _shown(seam)
    if extent == "face":
        # Whoever is taken whole was blurred in the base: sharp meets soft along their outline as it should.
        yield from _crispness(seam)
    yield from _doubts(seam, turn_deg, align_px)


def _shown(seam: Seam) -> Iterator[tuple[float, str]]:
    """What was seen along the seam."""
    strange = _rise(seam.strange_delta_e, STRANGE)
    broken = f"an outline or a pattern is broken{_place(seam, seam.strange_at)}"
    yield strange, broken if strange >= STRANGE_WORTH_SAYING else ""
    yield (
        _rise(seam.broken_px, LINES),
        f"lines do not meet{_place(seam, seam.broken_at)}: they are off by {seam.broken_px:.0f} px",
    )
    yield (
        _rise(seam.scraps, SCRAPS),
        f"a scrap, or the rim of an older outline, is left{_place(seam, seam.scraps_at)}",
    )
    yield (
        _rise(seam.delta_e_p95, COLOUR),
        f"colours differ by {seam.delta_e_p95:.1f} dE along the seam{_most(seam)}",
    )
    yield (
        _rise(seam.misregistration_px, SHIFT) * (0.3 + 0.7 * _busy(seam)),
        f"texture does not meet along the seam: it is off by {seam.misregistration_px:.1f} px",
    )
    yield (
        _rise(seam.texture_phase, PHASE),
        "a pattern like leaves or weave does not carry on across the seam",
    )
    yield (
        _rise(seam.tone_step, HALO),
        f"a soft glow round the head: its surroundings are off by {seam.tone_step:.1f} dE",
    )


def _crispness(seam: Seam) -> Iterator[tuple[float, str]]:
    times = 2**seam.sharpness_step
    crisp = f": one frame is {times:.1f} times as crisp there" if times >= CRISP_WORTH_SAYING else ""
    yield _rise(seam.detail_step, DETAIL), f"sharp meets soft along the seam{crisp}"


def _doubts(seam: Seam, turn_deg: float, align_px: float) -> Iterator[tuple[float, str]]:
    """What was done, or could not be known."""
    yield (
        _rise(seam.old_head_left, OLD_HEAD),
        f"{100 * seam.old_head_left:.1f} % of the old head may still show beside the new one",
    )
    yield _rise(seam.head_hidden, HIDDEN), "whoever stands in front covers a part of the new head"
    yield (
        _rise(seam.invented, INVENTED),
        f"{100 * seam.invented:.1f} % of what was set in comes from a third frame",
    )
    yield _rise(turn_deg, TURN), f"the head is turned {turn_deg:.0f} degrees further than in the base"
    yield (
        _rise(seam.tone_delta_e, TONE),
        f"tone differed by {seam.tone_delta_e:.1f} dE before it was matched",
    )
    yield (
        _rise(abs(float(np.log2(max(seam.grain_ratio, 1e-3)))), GRAIN),
        f"grain differs: the donor has {seam.grain_ratio:.1f} times the base's",
    )
    yield (
        # Before a plain backdrop there is nothing that could lie wrong.
        _rise(align_px, ALIGNMENT) * (0.3 + 0.7 * _busy(seam)),
        f"the donor's frame could be aligned only to about {align_px:.0f} px",
    )


def _busy(seam: Seam) -> float:
    return min(1.0, seam.texture / TEXTURE_FULL)


def _most(seam: Seam) -> str:
    if seam.worst_at is None:
        return ""
    side = _place(seam, seam.worst_at)
    return f", most{side} at x {seam.worst_at[0]:.0f}, y {seam.worst_at[1]:.0f}"


def _place(seam: Seam, at: tuple[float, float] | None) -> str:
    """Return a place in words as seen in the picture, with a space before them, or nothing."""
    if at is None or seam.head_box is None:
        return ""
    x0, y0, x1, y1 = seam.head_box
    level = "above" if at[1] < y0 else "below" if at[1] > y1 else ""
    side = "left of" if at[0] < x0 else "right of" if at[0] > x1 else ""
    words = " and ".join(word for word in (level, side) if word)
    return f" {words} the head" if words else " on the head"
