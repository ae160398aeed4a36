"""How open the eyes are, against the same person's own open eyes.

Two witnesses must agree before an eye counts as closing: the aperture between the lids as the landmarks give
it, against the person's usual, and the picture of the eye, against the consensus of their open eyes at the
same blur. Neither alone separates people (deep-set eyes hardly change their landmarks; a glance aside, a
turn of the head or another light changes the picture), and a fixed threshold does so still less: an open eye
of one person is narrower than the half-shut eye of another. Whatever the picture says, an aperture at the
person's usual is no closing eye; and one that is wide for anybody is open, however wide the person's usual.

A lid that is lowered for a look down is told from one that shuts: the iris still shows, the lower lid does
not come up to meet the upper, and the landmarks' network answers 'down' more than 'blink'. A laugh pushes the
lower lid up; what it takes from below does not count as closing, and an iris that is seen in a laugh is of an
open eye, however narrow. (An iris alone proves nothing: thick lashes of shut eyes are as dark a spot.)

Eyes behind dark glasses, glare, hair, a hand, or more blur than an iris is wide are unknown, and give no
standard.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge.scores.alike import together
from facemerge.scores.eyes.measure import (
    CORNERS_PX,
    PATCH_HEIGHT,
    PATCH_WIDTH,
    EyesMeasure,
    behind_glare,
    dark_glasses,
)
from facemerge.words import Float, Part

Grey = NDArray[np.float32]

NAMES = ("right", "left")
MARGIN_PX = 9
"""What the patch has around the part that is compared: room to shift it."""
SLACK_PX = 3
"""How far landmarks of a clear face may be off; blur adds to it."""
SHUT_RATIO = 0.45
"""Landmarks of a shut eye still leave this share of the open aperture."""
SHUT_DIFFERENCE = 0.2
"""1 - correlation between the pictures of one person's shut and open eye, sharp."""
NARROWEST_OPEN = 0.16
"""No open eye is narrower than this aspect ratio: the floor for people who never open theirs."""
SHUT_CUE, SHUT_CUE_SPREAD = 0.08, 0.02
"""Aperture less 0.3 blink at which a person's widest eyes are as likely shut as open, and how gradually."""
CUE_ERROR = 0.005
"""By how much blur of one patch pixel may falsify the cue; it grows with the fourth power."""
SURELY_OPEN_CUE, SURELY_SPREAD = 0.215, 0.03
"""Hardly a half-shut eye reaches this cue, whoever it is, and how far about it that is in doubt."""
FAR_WIDER = 0.1
"""Cue by which a blurred eye must exceed every clear one to be believed: those are shut, then."""
SAME_CUE = 0.03
"""Two open eyes of one person differ by less in it."""
APERTURE_PX, BLINK_PX = 0.24, 0.55
"""What aperture and blink are off by chance, times the eye's width in pixels.

About twice the median standard deviation over six slightly moved copies of each of 240 faces, 14 of them with
eyes below 20 px."""
CLOSURE_PX = 2.0
"""The same of the closure that follows: an aperture counts by its share of the person's own, about a fifth of
the eye's width, and half of that is shut."""
LEAST_CHANCE_PX = 25.0
"""Smaller eyes are granted no more chance than this width: tiny shut ones would be drawn to open ones."""
CHANCE = 0.12
"""By which one eye lies above the mean of both without meaning a wink."""
HALF_CLOSURE = 0.25
"""Closure at which an eye is worth half."""
DOUBT_CLOSURE = 0.2
"""What is taken for granted of an eye that cannot be seen for blur: probably open."""
BLINDING_BLUR = 2.0
"""Blur in patch pixels at which half of what is seen is believed; an iris has a radius of four."""
UNSURE_STANDARD = 1.35
"""What a pixel of blur counts where not even a person's clearest eyes are without it."""
LEAST_KNOWN = 0.4
"""Of what is seen, what must be believed lest the eyes be unknown."""
CLEAR_PX = 0.7
"""Less blur than this hides nothing; shut lashes alone may look that much sharper than an iris."""
SMALLEST_FACE_PX = 40.0
HIDDEN_RATIO = 0.45
"""An eye whose width is this much less than the other's is turned out of sight."""
DOWN_FROM, DOWN_FULL = 0.8, 2.4
"""Evidence of a look down from which it is taken into account, and at which it is taken for sure."""
DOWN_EXCUSE = 0.45
"""Share of a lowered lid's closure that a look down takes back: better than shut, worse than open."""
LAUGH = 0.4
"""Smile beyond the person's usual that explains the whole of a raised lower lid."""
LAUGH_CUE = 0.12
"""What a full laugh takes from the cue of an eye that stays open."""
IRIS_FROM, IRIS_FULL = 0.7, 0.9
"""Share of the iris of their open eye that few half-shut eyes show, and that nearly all open ones do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EyeBlur:
    """By how much a face is blurrier than the person's sharpest frames, in full-resolution pixels."""

    defocus_px: float = 0.0
    motion_px: float = 0.0
    motion_deg: float = 0.0
    total_px: float = 0.0
    """Gaussian sigma of all blur, the sharpest frames' own included; 0 = not known."""

    @property
    def spread_px(self) -> float:
        """Gaussian sigma of the same spread."""
        return float(np.hypot(self.defocus_px, self.motion_px / np.sqrt(12)))

    @property
    def whole_px(self) -> float:
        """All blur as far as it is known."""
        return max(self.spread_px, self.total_px)


@dataclass(frozen=True, slots=True, kw_only=True)
class _OpenEye:
    """What one eye of a person looks like open."""

    aperture: float
    patch: Grey
    cue: float
    """Its absolute evidence of being open: aperture less 0.3 blink."""
    blur: float
    """All blur of the frames it was taken from, in patch pixels."""
    lids: Float
    """(2,) where the lids are."""
    down: float
    """Score for a look down, less the blink's."""
    iris: float
    """How much of a dark disc it shows."""
    smile: float


def _cue(measure: EyesMeasure, eye: int) -> float:
    """Return the absolute evidence that an eye is open: the blink score in about the aperture's unit."""
    return float(measure.aperture[eye] - 0.3 * measure.blink[eye])


def _open_eye(
    measures: Sequence[EyesMeasure], blur: Float, total: Float, irises: Float, eye: int
) -> _OpenEye:
    """Return the consensus of a person's widest open, least blurred frames.

    `blur` and `total` are (F,) in patch pixels: beyond the person's sharpest frames, and all of it.
    """
    aperture = np.array([m.aperture[eye] for m in measures])
    blink = np.array([m.blink[eye] for m in measures])
    raw = np.array([_cue(m, eye) for m in measures])
    # Landmarks of blurred faces invent wide eyes: they set the standard only if there is nothing better.
    clear = blur <= np.maximum(0.6, CLEAR_PX * CORNERS_PX / np.array([m.width_px[eye] for m in measures]))
    clear |= blur <= blur.min() + 0.3
    if raw[clear].max() < (SHUT_CUE + SURELY_OPEN_CUE) / 2:
        clear |= (raw > raw[clear].max() + FAR_WIDER) & (blur < BLINDING_BLUR)
    cue = np.where(clear, raw, -np.inf)
    ranked = np.argsort(-cue, kind="stable")[: int(np.clip(round(clear.sum() / 4), 1, 5))]
    order = ranked[cue[ranked] >= cue[ranked[0]] - SAME_CUE]
    widest = float(np.median(aperture[order]))
    same = clear & (aperture >= 0.93 * widest) & (blink <= blink[order].max() + 0.05)
    same[order] = True
    # The usual open eye is the standard, not the widest: eyes narrow in a smile and are no less open.
    same |= clear & (raw >= SURELY_OPEN_CUE)
    alike = [measures[int(i)] for i in np.flatnonzero(same)]
    patches = np.array([m.patches[eye] for m in alike], np.float32)
    return _OpenEye(
        lids=np.median([m.lids[eye] for m in alike], axis=0),
        down=float(np.median([m.down[eye] - m.blink[eye] for m in alike])),
        iris=float(np.median(irises[same])),
        smile=float(np.median([m.smile for m in alike])),
        aperture=max(float(np.median(aperture[same])), NARROWEST_OPEN),
        patch=np.asarray(np.median(patches, axis=0), np.float32),
        cue=float(np.median(raw[order])),
        blur=float(np.median(total[order])),
    )


def difference(patch: Grey, template: Grey, slack_px: int = SLACK_PX) -> float:
    """Return 1 - the best normalised correlation of a patch with a template over small shifts, in [0, 2]."""
    core = np.ascontiguousarray(template[MARGIN_PX:-MARGIN_PX, MARGIN_PX:-MARGIN_PX])
    keep = MARGIN_PX - slack_px
    field = np.ascontiguousarray(patch[keep : PATCH_HEIGHT - keep, keep : PATCH_WIDTH - keep])
    if np.ptp(core) < 1e-4 or np.ptp(field) < 1e-4:
        return 1.0
    return float(1 - cv2.matchTemplate(field, core, cv2.TM_CCOEFF_NORMED).max())


def streak_kernel(length: float, direction_deg: float) -> Grey:
    """Return the (K, K) kernel, of sum 1, of a straight streak of `length` pixels; 90 degrees is down."""
    half = int(np.ceil(length / 2)) + 1
    y, x = np.mgrid[-half : half + 1, -half : half + 1].astype(np.float64)
    angle = np.deg2rad(direction_deg)
    along = np.abs(x * np.cos(angle) + y * np.sin(angle))
    across = np.abs(-x * np.sin(angle) + y * np.cos(angle))
    # A line one pixel wide with soft ends and sides: the pixel's own box, well enough.
    weight = np.clip(length / 2 + 0.5 - along, 0, 1) * np.clip(1 - across, 0, 1)
    return np.asarray(weight / weight.sum(), np.float32)


def _closure(
    measure: EyesMeasure, eye: int, blur: EyeBlur, iris: float, standard: _OpenEye, never_open: float
) -> float:
    """Return how far one eye is closed, 0 open to 1 shut.

    `never_open` is how likely it is that even the standard is shut.
    """
    # What a laugh takes from below is given back; a blink comes from above.
    laughs = float(np.clip((measure.smile - standard.smile) / LAUGH, 0, 1))
    squeezed = laughs * max(0.0, float(standard.lids[1] - measure.lids[eye, 1]))
    aperture = float(measure.aperture[eye]) + squeezed
    by_lids = float(np.clip((1 - aperture / standard.aperture) / (1 - SHUT_RATIO), 0, 1))
    against_own = float(np.sqrt(by_lids * _by_look(measure, eye, blur, standard)))
    share = iris / max(standard.iris, 1e-3)
    shows = float(np.clip((share - IRIS_FROM) / (IRIS_FULL - IRIS_FROM), 0, 1))
    past = _cue(measure, eye) + LAUGH_CUE * laughs * shows - SURELY_OPEN_CUE
    surely_open = float(np.clip(0.5 + past / (2 * SURELY_SPREAD), 0, 1))
    return 1 - (1 - against_own * (1 - surely_open)) * (1 - never_open)


def _by_look(measure: EyesMeasure, eye: int, blur: EyeBlur, standard: _OpenEye) -> float:
    """Return how far the picture of an eye says that it is closed, in [0, 1]."""
    template = standard.patch
    zoom = CORNERS_PX / max(float(measure.width_px[eye]), 1.0)
    moved = blur.motion_px * zoom
    extra = blur.spread_px * zoom
    if moved > 1:
        kernel = streak_kernel(moved, blur.motion_deg - float(measure.tilt_deg[eye]))
        template = np.asarray(cv2.filter2D(template, -1, kernel, borderType=cv2.BORDER_REPLICATE))
    if blur.defocus_px * zoom > 0.3:
        template = np.asarray(cv2.GaussianBlur(template, (0, 0), blur.defocus_px * zoom))
    slack = min(MARGIN_PX, SLACK_PX + round(2 * extra))
    # Blur brings all pictures of an eye closer to each other: what counts as a difference shrinks with it.
    full = SHUT_DIFFERENCE / (1 + 0.2 * extra**2)
    found = difference(measure.patches[eye].astype(np.float32), template, slack)
    return float(np.clip(found / full, 0, 1))


def _patch_blur(measure: EyesMeasure, blur: EyeBlur) -> float:
    """Return all blur of a face in pixels of the wider eye's patch."""
    return blur.whole_px * CORNERS_PX / max(float(measure.width_px.max()), 1.0)


def _believed(patch_px: float) -> float:
    """Return how much of what is seen can be believed for blur, in [0, 1]."""
    return float(1 / (1 + (patch_px / BLINDING_BLUR) ** 6))


def _looks_down(measure: EyesMeasure, eye: int, iris: float, standard: _OpenEye) -> float:
    """Return how surely a lowered lid means a look down, not a blink, in [0, 1]."""
    fallen = float(measure.lids[eye, 0] - standard.lids[0])
    raised = float(standard.lids[1] - measure.lids[eye, 1])
    share = iris / max(standard.iris, 1e-3)
    # Each term is about 1 for looks down and -1 for blinks; common practice, no source.
    shows = (share - 0.72) / 0.15
    meets = (0.22 - raised / max(fallen, 0.03)) / 0.08
    answers = (float(measure.down[eye] - measure.blink[eye]) - standard.down) / 0.06
    evidence = sum(float(np.clip(v, -2, 2)) for v in (shows, meets, answers))
    # Landmarks alone are no proof where they hardly follow the lids: the iris must be there to be seen.
    sure = float(np.clip((fallen - 0.02) / 0.04, 0, 1)) * float(np.clip((share - 0.7) / 0.12, 0, 1))
    # Through less than a quarter of the opening no iris is seen: those are lashes.
    gap = float(measure.aperture[eye]) / standard.aperture
    sure *= float(np.clip((gap - 0.25) / 0.1, 0, 1))
    return sure * float(np.clip((evidence - DOWN_FROM) / (DOWN_FULL - DOWN_FROM), 0, 1))


@dataclass(frozen=True, slots=True, kw_only=True)
class Closure:
    """How far the eyes of one face are closed."""

    right: float | None
    """The subject's right eye: 0 open to 1 shut; None = out of sight."""
    left: float | None
    clear: float
    """How clearly the eyes are seen, in [0, 1]: blur takes it away."""
    down: float = 0.0
    """How surely the lids are lowered for a look down, in [0, 1]; already taken off both figures."""
    unseen: str = "eyes not to be seen"
    """Why, where neither eye is."""

    @property
    def both(self) -> float | None:
        """One figure for the face: the mean, and more for a clear wink."""
        shown = [c for c in (self.right, self.left) if c is not None]
        if not shown:
            return None
        mean, worst = float(np.mean(shown)), max(shown)
        return mean + self.clear**4 * max(worst - mean - CHANCE, 0.0)


def _shown(measure: EyesMeasure, hidden: tuple[bool, bool], eye: int) -> bool:
    turned = measure.width_px[eye] <= HIDDEN_RATIO * measure.width_px[1 - eye]
    gone = hidden[eye] or not measure.inside[eye] or bool(turned)
    return not (gone or behind_glare(measure, eye) or dark_glasses(measure))


def _why_unseen(measure: EyesMeasure, hidden: tuple[bool, bool]) -> str:
    if dark_glasses(measure):
        return "eyes behind dark glasses"
    if all(hidden):
        return "eyes covered"
    glare = behind_glare(measure, 0) or behind_glare(measure, 1)
    return "eyes behind glare" if glare else "eyes not to be seen"


def closures(
    measures: Sequence[EyesMeasure | None],
    blurs: Sequence[EyeBlur],
    hidden: Sequence[tuple[bool, bool]] | None = None,
    irises: Sequence[tuple[float, float]] | None = None,
) -> tuple[Closure | None, ...]:
    """Return how far each eye of one person is closed in each frame: 0 open to 1 shut.

    Parameters
    ----------
    measures
        One a frame, None where the person is missing.
    blurs
        One a frame.
    hidden
        One a frame: whether something covers the subject's right and left eye; None = nothing ever does.
    irises
        One a frame: how much of a dark disc the right and the left eye show, in any one unit; None = not
        known, and then no lowered lid counts as a look down.

    Returns
    -------
    tuple
        One a frame; None for a frame without the person or with too small a face.
    """
    used = [i for i, m in enumerate(measures) if m is not None and m.face_px >= SMALLEST_FACE_PX]
    found: list[Closure | None] = [None] * len(measures)
    if not used:
        return tuple(found)
    seen = _steady([m for i, m in enumerate(measures) if i in used and m is not None])
    covered = [(False, False) if hidden is None else hidden[i] for i in used]
    discs = np.array([(0.0, 0.0) if irises is None else irises[i] for i in used])
    blurry = [_patch_blur(m, blurs[i]) for m, i in zip(seen, used, strict=True)]
    # What is shut for anybody is told by landmarks alone, which fail sooner than comparing with clear eyes.
    known = [_believed(max(own, UNSURE_STANDARD * min(blurry))) for own in blurry]
    shown, standards = [], []
    for eye in (0, 1):
        zoom = CORNERS_PX / np.maximum([m.width_px[eye] for m in seen], 1.0)
        spread = np.array([blurs[i].spread_px for i in used]) * zoom
        total = np.array([blurs[i].whole_px for i in used]) * zoom
        own = [k for k, m in enumerate(seen) if known[k] >= LEAST_KNOWN and _shown(m, covered[k], eye)]
        shown.append(own)
        frames = [seen[k] for k in own]
        standards.append(_open_eye(frames, spread[own], total[own], discs[own, eye], eye) if own else None)
    never_open = _never_open([s for s in standards if s is not None])
    columns, lowered = [], []
    for eye, standard in enumerate(standards):
        column: dict[int, float] = {}
        low: dict[int, float] = {}
        if standard is not None:
            for k in shown[eye]:
                closed = _closure(seen[k], eye, blurs[used[k]], discs[k, eye], standard, never_open)
                column[k] = known[k] * closed + (1 - known[k]) * DOUBT_CLOSURE
                low[k] = _looks_down(seen[k], eye, discs[k, eye], standard)
            wide = np.maximum([float(seen[k].width_px.max()) for k in shown[eye]], LEAST_CHANCE_PX)
            steady = together(np.array([column[k] for k in shown[eye]]), CLOSURE_PX / wide)
            column = dict(zip(shown[eye], steady.tolist(), strict=True))
        columns.append(column)
        lowered.append(low)
    for k, i in enumerate(used):
        # Eyes look down together: what one shows by chance does not count.
        down = (1 - never_open) * known[k] ** 4 * min([low[k] for low in lowered if k in low], default=0.0)
        right, left = (c[k] * (1 - DOWN_EXCUSE * down) if k in c else None for c in columns)
        unseen = "too blurred to see the eyes" if known[k] < LEAST_KNOWN else _why_unseen(seen[k], covered[k])
        found[i] = Closure(right=right, left=left, clear=known[k], down=down, unseen=unseen)
    return tuple(found)


def _steady(seen: Sequence[EyesMeasure]) -> list[EyesMeasure]:
    """Return the measures with apertures and blinks that differ by no more than chance brought together."""
    width = np.maximum([float(m.width_px.max()) for m in seen], LEAST_CHANCE_PX)
    aperture = together(np.array([m.aperture for m in seen]), APERTURE_PX / width)
    blink = together(np.array([m.blink for m in seen]), BLINK_PX / width)
    return [replace(m, aperture=a, blink=b) for m, a, b in zip(seen, aperture, blink, strict=True)]


def _never_open(standards: Sequence[_OpenEye]) -> float:
    """Return how likely it is that even the widest eyes of a person are shut, in [0, 1]."""
    if not standards:
        return 0.0
    # Eyes of one person are open together: their mean cue is steadier than either's.
    cue = float(np.mean([s.cue for s in standards]))
    spread = SHUT_CUE_SPREAD + CUE_ERROR * float(np.mean([s.blur for s in standards])) ** 4
    return float(1 / (1 + np.exp(np.clip((cue - SHUT_CUE) / spread, -60, 60))))


def eyes_part(closure: Closure | None) -> Part:
    """Return how good the eyes are in [0, 1], with the reason, from how far they are closed."""
    if closure is None:
        return Part(value=None, reason="face too small to see the eyes")
    closed = closure.both
    if closed is None:
        return Part(value=None, reason=closure.unseen)
    value = float(1 / (1 + (closed / HALF_CLOSURE) ** 3))
    if closure.clear < 0.7:
        return Part(value=value, reason="eyes hard to see in the blur")
    if value > 0.7:
        return Part(value=value)
    if closure.down > 0.5:
        return Part(value=value, reason="looking down")
    shown = {n: c for n, c in zip(NAMES, (closure.right, closure.left), strict=True) if c is not None}
    name = max(shown, key=lambda n: shown[n])
    if len(shown) == 2 and min(shown.values()) > 0.6 * shown[name]:
        return Part(value=value, reason="eyes shut" if closed > 0.8 else f"eyes {100 * closed:.0f} % closed")
    amount = "shut" if shown[name] > 0.8 else f"{100 * shown[name]:.0f} % closed"
    return Part(value=value, reason=f"{name} eye {amount}")
