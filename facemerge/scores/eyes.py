"""How open the eyes are, against the same person's own open eyes.

Two witnesses must agree before an eye counts as closing: the aperture between the lids as the landmarks give
it, against the person's widest, and the picture of the eye, against the consensus of their open eyes at the
same blur. Neither alone separates people (deep-set eyes hardly change their landmarks; a glance aside changes
the picture), and a fixed threshold does so still less: an open eye of one person is narrower than the
half-shut eye of another.

An eye that cannot be seen (behind dark glasses, glare, hair or a hand) is unknown, and gives no standard. A
lid that is lowered for a look down is told from one that shuts: the iris still shows, the lower lid does not
come up to meet the upper, and the landmarks' network answers 'down' more than 'blink'. A laugh pushes the
lower lid up; what it takes from below does not count as closing.

Source of the aperture: Soukupova and Cech, "Real-Time Eye Blink Detection using Facial Landmarks", 21st
Computer Vision Winter Workshop, 2016, eq. 1 (the eye aspect ratio). Here it is taken in three dimensions, so
that a turned or lowered head does not narrow it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge.words import Array, Float, Part, frozen

Grey = NDArray[np.float32]

# The subject's right eye, then the left: p1 ... p6 of the aspect ratio, p1 and p4 the corners.
EYE_POINTS = ((33, 160, 158, 133, 153, 144), (263, 387, 385, 362, 380, 373))
NAMES = ("right", "left")
PATCH_WIDTH, PATCH_HEIGHT = 44, 36
CORNERS_PX = 20.0
"""Distance of an eye's corners in the patch."""
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
SHUT_CUE, SHUT_CUE_SPREAD = 0.1, 0.009
"""Aperture less 0.3 blink at which a person's widest eyes are as likely shut as open, and how gradually."""
SURELY_OPEN_CUE = 0.2
"""No half-shut eye reaches this cue, whoever it is."""
SAME_CUE = 0.03
"""Two open eyes of one person differ by less in it."""
CHANCE = 0.12
"""By which one eye lies above the mean of both without meaning a wink."""
HALF_CLOSURE = 0.25
"""Closure at which an eye is worth half."""
DOUBT_CLOSURE = 0.2
"""What is taken for granted of an eye that cannot be seen for blur: probably open."""
TRUSTED_BLUR = 1.1
"""Blur in patch pixels at which landmarks are half trusted."""
BLINDING_BLUR = 2.0
"""Blur in patch pixels at which half of what is seen is believed."""
CLEAR_PX = 0.7
"""Less blur than this hides nothing; shut lashes alone may look that much sharper than an iris."""
SMALLEST_FACE_PX = 40.0
HIDDEN_RATIO = 0.45
"""An eye whose width is this much less than the other's is turned out of sight."""
FOREHEAD, CHEEKS = (151, 9, 168, 6), (50, 280)
DARK_GLASS = 0.48
"""Brightness about both eyes, against skin above and below, under which they are behind dark glasses."""
VEIL = 0.96
"""Brightness, against the brighter skin's, that the darkest fifth of an eye never has, not even of a lid."""
DOWN_FROM, DOWN_FULL = 0.8, 2.4
"""Evidence of a look down from which it is taken into account, and at which it is taken for sure."""
DOWN_EXCUSE = 0.45
"""Share of a lowered lid's closure that a look down takes back: better than shut, worse than open."""
LAUGH = 0.4
"""Smile beyond the person's usual that explains the whole of a raised lower lid."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EyesMeasure:
    """What eyes are judged from, for one face; the subject's right eye first."""

    aperture: Float
    """(2,) eye aspect ratio."""
    width_px: Float
    """(2,) distance of the eye's corners in the picture, in pixels."""
    tilt_deg: Float
    """(2,) how far each eye's line is turned clockwise from the horizontal."""
    blink: Float
    """(2,) blink score in [0, 1] of the landmarks' own network."""
    patches: NDArray[np.float32]
    """(2, PATCH_HEIGHT, PATCH_WIDTH) the eyes upright at one size, brightness in [0, 1]."""
    face_px: float
    """Width of the face in pixels."""
    inside: tuple[bool, bool]
    """Whether each eye lies within the picture."""
    shade: Float
    """(2,) brightness about the eye, where a lens would lie, over that of the skin above and below it."""
    veil: Float
    """(2,) brightness of the darkest fifth of the eye over that of the skin."""
    lids: Float
    """(2, 2) how far the middle of the upper and lower lid lies below the corners, in eye widths."""
    down: Float
    """(2,) score in [0, 1] of the landmarks' own network for a look down."""
    smile: float
    """In [0, 1]."""


def aspect_ratio(points: Array) -> float:
    """Return the eye aspect ratio of (6, 2) or (6, 3) points p1 ... p6.

    (|p2 - p6| + |p3 - p5|) / (2 |p1 - p4|): Soukupova and Cech 2016, eq. 1.
    """
    p = np.asarray(points, np.float64)
    lids = np.linalg.norm(p[1] - p[5]) + np.linalg.norm(p[2] - p[4])
    return float(lids) / max(2 * float(np.linalg.norm(p[0] - p[3])), 1e-9)


def eye_patch(grey: Grey, corner_a: Float, corner_b: Float) -> Grey:
    """Return the (PATCH_HEIGHT, PATCH_WIDTH) picture of an eye, its corners level and at one distance.

    Parameters
    ----------
    grey
        (H, W) float32.
    corner_a, corner_b
        (2,) the corners as they lie from left to right in the picture, in pixels.
    """
    across = corner_b - corner_a
    width = max(float(np.linalg.norm(across)), 1e-3)
    zoom = width / CORNERS_PX
    cos, sin = float(across[0]) / width, float(across[1]) / width
    turn = np.array([[cos * zoom, -sin * zoom], [sin * zoom, cos * zoom]])
    # The upper lid is where an eye changes: more is kept above the corners than below.
    middle = np.array([(PATCH_WIDTH - 1) / 2, (PATCH_HEIGHT - 1) / 2 + 1])
    centre = (corner_a + corner_b) / 2
    reach = int(np.ceil(1.5 * width)) + 2
    left, top = max(0, int(centre[0]) - reach), max(0, int(centre[1]) - reach)
    near = grey[top : max(top + 1, int(centre[1]) + reach), left : max(left + 1, int(centre[0]) + reach)]
    if near.size == 0:
        return np.zeros((PATCH_HEIGHT, PATCH_WIDTH), np.float32)
    if zoom > 1.2:
        # Shrinking needs a blur of about half the new pixel, or lashes alias.
        near = np.asarray(cv2.GaussianBlur(near, (0, 0), 0.45 * zoom), np.float32)
    matrix = np.column_stack([turn, centre - turn @ middle - [left, top]])
    return np.asarray(
        cv2.warpAffine(
            near,
            matrix,
            (PATCH_WIDTH, PATCH_HEIGHT),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        ),
        np.float32,
    )


def _ellipse(wide: float, high: float, below: float) -> NDArray[np.bool_]:
    y, x = np.mgrid[:PATCH_HEIGHT, :PATCH_WIDTH]
    x0, y0 = (PATCH_WIDTH - 1) / 2, (PATCH_HEIGHT - 1) / 2 + 1 + below
    return np.asarray(((x - x0) / wide) ** 2 + ((y - y0) / high) ** 2 <= 1)


LENS, INNER = _ellipse(14, 9, 2), _ellipse(9, 5, 0)
"""What a spectacle lens covers of a patch at the least, and the eye between its lids, corners and lashes."""


def _skin(grey: Grey, points: Float) -> tuple[float, float]:
    """Return the brightness of the brightest skin between the eyes and above, and of the cheeks."""
    reach = max(1, int(0.02 * np.ptp(points[:, 0])))

    def spot(k: int) -> float:
        x, y = (round(float(v)) for v in points[k, :2])
        part = grey[max(0, y - reach) : max(0, y + reach + 1), max(0, x - reach) : max(0, x + reach + 1)]
        return float(part.mean()) if part.size else 0.0

    return max(max(spot(k) for k in FOREHEAD), 1e-3), max(float(np.mean([spot(k) for k in CHEEKS])), 1e-3)


def _lid_heights(eye: Float) -> tuple[float, float]:
    """Return how far the upper and the lower lid of (6, 3) points lie below the corners, in eye widths."""
    across = eye[3, :2] - eye[0, :2]
    across = across * np.sign(across[0] or 1.0)
    below = np.array([-across[1], across[0]]) / max(float(across @ across), 1e-9)
    middle = (eye[0, :2] + eye[3, :2]) / 2
    upper, lower = ((eye[a, :2] + eye[b, :2]) / 2 - middle for a, b in ((1, 2), (4, 5)))
    return float(upper @ below), float(lower @ below)


def measure_eyes(
    grey: Grey,
    points: Float,
    blink: tuple[float, float],
    inside: tuple[bool, bool] = (True, True),
    *,
    down: tuple[float, float] = (0.0, 0.0),
    smile: float = 0.0,
) -> EyesMeasure:
    """Measure what eyes are judged from.

    Parameters
    ----------
    grey
        (H, W) float32 in [0, 1]: a crop around the face.
    points
        (478, 3) landmarks in the crop's pixels.
    blink
        The blink scores of the subject's right and left eye.
    inside
        Whether each eye lies within the picture.
    down
        The scores for a look down of the subject's right and left eye.
    smile
        In [0, 1].
    """
    aperture, widths, tilts, patches = [], [], [], []
    for ring in EYE_POINTS:
        eye = points[list(ring)]
        aperture.append(aspect_ratio(eye))
        widths.append(float(np.linalg.norm(eye[0, :2] - eye[3, :2])))
        # The right eye's outer corner is on the left of the picture, the left eye's inner corner is.
        a, b = (eye[0, :2], eye[3, :2]) if ring[0] == 33 else (eye[3, :2], eye[0, :2])
        tilts.append(float(np.rad2deg(np.arctan2(b[1] - a[1], b[0] - a[0]))))
        patches.append(eye_patch(grey, a, b))
    above, below = _skin(grey, points)
    dark, veil = [], []
    for patch in patches:
        # Bright for a deep-set or made-up eye: its white, its bag. Both, so that no catch light decides.
        bright = np.percentile(patch[LENS], (75, 90))
        dark.append(float(np.sqrt(bright[0] * bright[1])) / min(above, below))
        veil.append(float(np.percentile(patch[INNER], 20)) / max(above, below))
    return EyesMeasure(
        shade=frozen(np.array(dark)),
        veil=frozen(np.array(veil)),
        lids=frozen(np.array([_lid_heights(points[list(ring)]) for ring in EYE_POINTS])),
        down=frozen(np.array(down, np.float64)),
        smile=smile,
        aperture=frozen(np.array(aperture)),
        width_px=frozen(np.array(widths)),
        tilt_deg=frozen(np.array(tilts)),
        blink=frozen(np.array(blink, np.float64)),
        patches=frozen(np.array(patches, np.float32)),
        face_px=float(np.ptp(points[:, 0])),
        inside=inside,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class EyeBlur:
    """By how much a face is blurrier than the person's sharpest frames, in full-resolution pixels."""

    defocus_px: float = 0.0
    motion_px: float = 0.0
    motion_deg: float = 0.0

    @property
    def spread_px(self) -> float:
        """Gaussian sigma of the same spread."""
        return float(np.hypot(self.defocus_px, self.motion_px / np.sqrt(12)))


@dataclass(frozen=True, slots=True, kw_only=True)
class _OpenEye:
    """What one eye of a person looks like open."""

    aperture: float
    patch: Grey
    cue: float
    """Its absolute evidence of being open: aperture less 0.3 blink."""
    lids: Float
    """(2,) where the lids are."""
    down: float
    """Score for a look down, less the blink's."""
    iris: float
    """How much of a dark disc it shows."""
    smile: float


def _open_eye(measures: Sequence[EyesMeasure], blur: Float, irises: Float, eye: int) -> _OpenEye:
    """Return the consensus of a person's widest open, least blurred frames."""
    aperture = np.array([m.aperture[eye] for m in measures])
    blink = np.array([m.blink[eye] for m in measures])
    # Landmarks of blurred faces invent wide eyes: they set the standard only if there is nothing better.
    clear = blur <= np.maximum(0.6, CLEAR_PX * CORNERS_PX / np.array([m.width_px[eye] for m in measures]))
    clear |= blur <= blur.min() + 0.3
    # The blink score is the other half of the absolute evidence, in about the aperture's own unit.
    raw = aperture - 0.3 * blink
    cue = np.where(clear, raw, -np.inf)
    ranked = np.argsort(-cue, kind="stable")[: int(np.clip(round(clear.sum() / 4), 1, 5))]
    order = ranked[cue[ranked] >= cue[ranked[0]] - SAME_CUE]
    widest = float(np.median(aperture[order]))
    same = clear & (aperture >= 0.93 * widest) & (blink <= blink[order].max() + 0.05)
    same[order] = True
    # The usual open eye is the standard, not the widest: eyes narrow in a smile and are no less open.
    same |= clear & (raw >= SURELY_OPEN_CUE)
    alike = [measures[int(i)] for i in np.flatnonzero(same)]
    return _OpenEye(
        lids=np.median([m.lids[eye] for m in alike], axis=0),
        down=float(np.median([m.down[eye] - m.blink[eye] for m in alike])),
        iris=float(np.median(irises[same])),
        smile=float(np.median([m.smile for m in alike])),
        aperture=max(float(np.median(aperture[same])), NARROWEST_OPEN),
        patch=np.median([m.patches[eye] for m in alike], axis=0).astype(np.float32),
        cue=float(np.median(raw[order])),
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
    measure: EyesMeasure, eye: int, blur: EyeBlur, standard: _OpenEye, never_open: float
) -> tuple[float, float]:
    """Return how far one eye is closed, 0 open to 1 shut, and how clearly it is seen, in [0, 1].

    `never_open` is how likely it is that even the standard is shut.
    """
    # What a laugh takes from below is given back; a blink comes from above.
    laughs = float(np.clip((measure.smile - standard.smile) / LAUGH, 0, 1))
    squeezed = laughs * max(0.0, float(standard.lids[1] - measure.lids[eye, 1]))
    aperture = float(measure.aperture[eye]) + squeezed
    by_lids = float(np.clip((1 - aperture / standard.aperture) / (1 - SHUT_RATIO), 0, 1))
    template = standard.patch
    zoom = CORNERS_PX / max(float(measure.width_px[eye]), 1.0)
    moved = blur.motion_px * zoom
    extra = float(np.hypot(blur.defocus_px * zoom, moved / np.sqrt(12)))
    if moved > 1:
        kernel = streak_kernel(moved, blur.motion_deg - float(measure.tilt_deg[eye]))
        template = np.asarray(cv2.filter2D(template, -1, kernel, borderType=cv2.BORDER_REPLICATE))
    if blur.defocus_px * zoom > 0.3:
        template = np.asarray(cv2.GaussianBlur(template, (0, 0), blur.defocus_px * zoom))
    slack = min(MARGIN_PX, SLACK_PX + round(2 * extra))
    # Blur brings all pictures of an eye closer to each other: what counts as a difference shrinks with it.
    full = SHUT_DIFFERENCE / (1 + 0.5 * extra**2)
    by_look = float(np.clip(difference(measure.patches[eye], template, slack) / full, 0, 1))
    trust = 1 / (1 + (extra / TRUSTED_BLUR) ** 4)
    against_own = float(np.sqrt(by_look * (trust * by_lids + (1 - trust) * by_look)))
    seen = 1 - (1 - against_own) * (1 - never_open)
    known = float(1 / (1 + (extra / BLINDING_BLUR) ** 4))
    return known * seen + (1 - known) * DOUBT_CLOSURE, known


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


def dark_glasses(measure: EyesMeasure) -> bool:
    """Return whether the eyes are behind dark glasses: nothing is bright about either, beside bright skin."""
    return bool(measure.shade.max() < DARK_GLASS)


def _shown(measure: EyesMeasure, hidden: tuple[bool, bool], eye: int) -> bool:
    turned = measure.width_px[eye] <= HIDDEN_RATIO * measure.width_px[1 - eye]
    gone = hidden[eye] or not measure.inside[eye] or bool(turned)
    return not (gone or measure.veil[eye] > VEIL or dark_glasses(measure))


def _why_unseen(measure: EyesMeasure, hidden: tuple[bool, bool]) -> str:
    if all(hidden):
        return "eyes covered"
    if dark_glasses(measure):
        return "eyes behind dark glasses"
    return "eyes behind glare" if measure.veil.max() > VEIL else "eyes not to be seen"


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
    seen = [m for i, m in enumerate(measures) if i in used and m is not None]
    covered = [(False, False) if hidden is None else hidden[i] for i in used]
    discs = np.array([(0.0, 0.0) if irises is None else irises[i] for i in used])
    shown, standards = [], []
    for eye in (0, 1):
        spread = np.array([blurs[i].spread_px for i in used])
        patch_blur = spread * CORNERS_PX / np.maximum([m.width_px[eye] for m in seen], 1.0)
        own = [k for k, m in enumerate(seen) if _shown(m, covered[k], eye)]
        shown.append(own)
        standards.append(
            _open_eye([seen[k] for k in own], patch_blur[own], discs[own, eye], eye) if own else None
        )
    # Eyes of one person are open together: their mean cue is steadier than either's.
    cue = float(np.mean([s.cue for s in standards if s is not None])) if any(shown) else SHUT_CUE
    never_open = float(1 / (1 + np.exp(np.clip((cue - SHUT_CUE) / SHUT_CUE_SPREAD, -60, 60))))
    columns, lowered = [], []
    for eye, standard in enumerate(standards):
        column: dict[int, tuple[float, float]] = {}
        low: dict[int, float] = {}
        if standard is not None:
            column = {k: _closure(seen[k], eye, blurs[used[k]], standard, never_open) for k in shown[eye]}
            low = {k: _looks_down(seen[k], eye, discs[k, eye], standard) for k in shown[eye]}
        columns.append(column)
        lowered.append(low)
    for k, i in enumerate(used):
        clear = min([c[k][1] for c in columns if k in c], default=0.0)
        # Eyes look down together: what one shows by chance does not count.
        down = (1 - never_open) * clear**4 * min([low[k] for low in lowered if k in low], default=0.0)
        right, left = (c[k][0] * (1 - DOWN_EXCUSE * down) if k in c else None for c in columns)
        found[i] = Closure(
            right=right, left=left, clear=clear, down=down, unseen=_why_unseen(seen[k], covered[k])
        )
    return tuple(found)


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
