"""Builds one head: places the donor, matches its tone, cuts, blends, and measures what is left to see."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge import imaging
from facemerge.composite import behind, blend, cut, fill, lines, measure, outline, place, tone
from facemerge.composite.layering import Layer, Layering
from facemerge.composite.stage import Stage, Window, nothing, stage
from facemerge.composite.trial import Trial, border
from facemerge.composite.ways import USUAL, Ways
from facemerge.models import Models
from facemerge.options import CompositeOptions
from facemerge.words import Array, Face, Float, Head, Pixels, Seam, Way, frozen

WORK_FACE_PX, ROUGH_FACE_PX = 110.0, 75.0
"""Face width at which seams are sought, and sought roughly: a seam need not be finer than the soft edge laid
along it."""
MEMBRANE_SCALE = 4
"""How much coarser still the tone correction is solved: it is smooth."""
BANDS = 5
NEAR_FACES = 3.0
"""How many face widths beyond its window somebody counts for a head."""
RIM = np.ones((5, 5), np.uint8)
GROWTH = 1.5
"""How much further a window reaches in which a seam has come up against its side."""
NARROWEST, WIDEST = 0.25, 2.4
"""Soft edge where the pictures part and where they agree, as a share of the width asked for."""
UNMEASURED = Seam(
    delta_e_median=0.0,
    delta_e_p95=0.0,
    texture=0.0,
    misregistration_px=0.0,
    tone_delta_e=0.0,
    grain_ratio=1.0,
    neighbour_overlap=0.0,
    invented=0.0,
    old_head_left=0.0,
)
"""Of a head that is set in roughly."""


def build_head(
    *,
    current: Pixels,
    donor: Pixels,
    base_from_donor: Float,
    person: str,
    base_face: Face,
    donor_face: Face,
    base_others: Sequence[Face],
    donor_others: Sequence[Face],
    models: Models,
    options: CompositeOptions,
    locked: NDArray[np.bool_] | None = None,
    base: Pixels | None = None,
    spares: Sequence[behind.Spare] = (),
    way: Way | None = None,
    rough: bool = False,
) -> Head:
    """Return one person's head from a donor frame, ready to be laid over the base.

    Parameters
    ----------
    current
        (H, W, 3) the base with the heads laid so far, uint8 or uint16.
    donor
        (H', W', 3) the frame the head comes from.
    base_from_donor
        (3, 3) homography, full-resolution pixels.
    person
        The person's id.
    base_face, donor_face
        The person's face in the base and in the donor frame, each in own pixels.
    base_others, donor_others
        Everybody else's faces in the two frames, each in own pixels.
    models
        The networks.
    options
        Width of the soft edge, reach of the seam.
    locked
        (H, W) bool, pixels of the base that must not change; None = none. No stage asks for it so far: it is
        there for masks painted by hand.
    base
        (H, W, 3) the base as it was before any head was laid, so that the seam keeps off what earlier heads
        have changed: hiding one layer in an editor should open no seam in another. None = `current`.
    spares
        Third frames, the best first, each read when called and only then: (H'', W'', 3) pixels in the base's
        form, and (3, 3) base_from_frame. They show what stood behind the old head where the donor's frame
        ends, or where a neighbour stands before it there and no longer in the base. Two are read at most.
    way
        The one way to set the head in, found before on a smaller copy, say; None: the one that shows least.
    rough
        Whether the head is for whoever waits before a screen: set in the first way, if none is given, and not
        measured. Third frames are not asked for.
    """

    def within(reach_faces: float) -> _Tried:
        work_px = ROUGH_FACE_PX if rough else WORK_FACE_PX
        window = _window(base_face, donor_face, base_from_donor, current.shape[:2], reach_faces, work_px)
        x0, y0 = window.offset
        w, h = window.size
        below = np.ascontiguousarray(current[y0 : y0 + h, x0 : x0 + w])
        plain = below if base is None else np.ascontiguousarray(base[y0 : y0 + h, x0 : x0 + w])
        if np.array_equal(plain, below):
            # Heads were laid, but not here.
            plain = below
        held = np.zeros((h, w), bool) if locked is None else locked[y0 : y0 + h, x0 : x0 + w]
        faces = (base_face, donor_face)
        here = _near(window, base_others, np.eye(3))
        there = _near(window, donor_others, base_from_donor)
        common = stage(window, below, plain, held, faces, here, there, donor, base_from_donor, models)
        fill = nothing if rough else behind.Spares(common, spares, models).fillings

        def moved() -> place.Placement:
            return _by_head(below, donor, base_from_donor, base_face, donor_face, window)

        ways = Ways(common, moved, (donor, donor_face, there), models, fill)
        return _Tried(ways.best() if way is None else ways.only(way), common, below, plain, held)

    if rough and way is None:
        way = USUAL[0]
    found = within((1.0 if way is None else way.reach) * options.reach_faces)
    taken = found.trial.way if way is None else way
    if way is None and _cramped(found):
        wider = within(GROWTH * options.reach_faces)
        if wider.trial.price < found.trial.price:
            found, taken = wider, replace(wider.trial.way, reach=GROWTH)
    head = _finish(
        found.trial,
        found.common,
        found.below,
        found.plain,
        donor,
        found.held,
        person,
        options,
        measured=not rough,
    )
    return replace(head, way=taken)


def build_layer(layering: Layering, person: str, dtype: np.dtype[Any]) -> Head | None:
    """Return a person set in whole, as a layer; None if a frame does not tell where they are.

    Parameters
    ----------
    layering
        The person, the base and the donor.
    person
        The id that the head is to carry.
    dtype
        The base's, uint8 or uint16.
    """
    if not layering.possible():
        return None
    layer = layering.lay()
    if not (layer.mask > 0).any():
        return None
    h, w = layer.mask.shape
    scale = min(1.0, WORK_FACE_PX / layering.face_px)
    work_size = (max(8, round(w * scale)), max(8, round(h * scale)))
    window = Window(offset=layer.offset, size=(w, h), work_size=work_size, face_px=layering.face_px)
    pixels = imaging.from_unit(np.where((layer.mask > 0)[..., None], layer.shown, layer.donor), dtype)
    donor = imaging.from_unit(layer.donor, dtype)
    return Head(
        person=person,
        offset=layer.offset,
        pixels=frozen(pixels),
        mask=frozen(np.rint(layer.mask * np.iinfo(dtype).max).astype(dtype)),
        seam=_layer_seam(layer, window),
        placement="homography",
        whole=frozen(_opaque(donor, layer.reached)),
        unblended=frozen(donor),
        way=Way(straight=True, whole=True),
    )


def _layer_seam(layer: Layer, window: Window) -> Seam:
    """Return the measures of a layer: where pixels of two frames meet, on what is seen in the end."""
    mask = layer.mask
    ring, known = measure.soft_edge_of(mask), mask > 0.02
    apart = measure.seen_difference(layer.below, layer.shown, ring, known)
    seen, base, donor = (window.shrink(p) for p in (layer.shown, layer.below, layer.donor))
    joins = cv2.resize(layer.joins.astype(np.float32), window.work_size, interpolation=cv2.INTER_AREA) > 0.2
    strange = measure.strangest(
        seen,
        (base, donor),
        joins,
        window.face_px * window.scale,
        grain_px=max(0.7, measure.GRAIN_PX * window.scale),
    )
    at = None
    if strange.at is not None:
        x, y = imaging.transform(imaging.scale_matrix(window.work_size, window.size), np.array([strange.at]))[0]
        at = float(x + window.offset[0]), float(y + window.offset[1])
    return Seam(
        delta_e_median=float(np.median(apart)) if apart.size else 0.0,
        delta_e_p95=float(np.percentile(apart, 95)) if apart.size else 0.0,
        texture=measure.texture(layer.below, ring),
        misregistration_px=0.0,
        tone_delta_e=0.0,
        grain_ratio=_grain_ratio(layer.below, layer.donor),
        neighbour_overlap=layer.new_hidden,
        invented=0.0,
        old_head_left=layer.old_left,
        head_box=_head_box(mask, window),
        strange_delta_e=strange.size,
        strange_at=at,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Tried:
    """The best that was found in one window, and the window's pixels."""

    trial: Trial
    common: Stage
    below: Array
    plain: Array
    held: NDArray[np.bool_]


def _cramped(found: _Tried) -> bool:
    """Return whether a seam runs along the window's side, where it might rather run beyond."""
    rim = cv2.dilate(border(found.common.window).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    return bool((found.trial.region & rim).any())


def _window(
    base_face: Face,
    donor_face: Face,
    base_from_donor: Float,
    shape: tuple[int, int],
    reach_faces: float,
    work_face_px: float = WORK_FACE_PX,
) -> Window:
    both = np.vstack(
        [base_face.landmarks[:, :2], imaging.transform(base_from_donor, donor_face.landmarks[:, :2])]
    )
    low, high = both.min(0), both.max(0)
    face = float(base_face.box[2] - base_face.box[0])
    reach = reach_faces * face
    left, top = int(max(0, low[0] - reach)), int(max(0, low[1] - reach))
    right = int(min(shape[1], np.ceil(high[0] + reach) + 1))
    bottom = int(min(shape[0], np.ceil(high[1] + 1.3 * reach) + 1))
    size = (right - left, bottom - top)
    scale = min(1.0, work_face_px / face)
    work_size = (max(8, round(size[0] * scale)), max(8, round(size[1] * scale)))
    ends = (left == 0, top == 0, right == shape[1], bottom == shape[0])
    return Window(offset=(left, top), size=size, work_size=work_size, face_px=face, frame_ends=ends)


def _near(window: Window, faces: Sequence[Face], base_from_frame: Float) -> list[Face]:
    """Return the faces of a frame whose heads or bodies may reach into a window."""
    size, reach = np.array(window.size), NEAR_FACES * window.face_px
    near = []
    for face in faces:
        middle = imaging.transform(base_from_frame, face.landmarks[:, :2].mean(0)[None])[0] - window.offset
        if (middle > -reach).all() and (middle < size + reach).all():
            near.append(face)
    return near


def _by_head(
    base: Array, donor: Array, base_from_donor: Float, base_face: Face, donor_face: Face, window: Window
) -> place.Placement:
    """Return the placement by the head alone."""
    found = place.head_from_landmarks(base_face, donor_face, base_from_donor)
    pixels, _ = place.sample(donor, found, window.offset, window.size, fine=window.fine)
    region = outline.hull(window.to_work(base_face.landmarks), window.shape, 1.1).astype(np.uint8)
    better = place.refine(window.shrink(imaging.grey(base)), window.shrink(imaging.grey(pixels)), region)
    if better is not None:
        work_from_base = imaging.scale_matrix(window.size, window.work_size) @ imaging.shift_matrix(
            -window.offset[0], -window.offset[1]
        )
        found = np.linalg.inv(work_from_base) @ better @ work_from_base @ found
    return place.Placement(name="head shift", base_from_donor=found)


def _finish(
    trial: Trial,
    common: Stage,
    base: Array,
    untouched: Array,
    donor: Array,
    held: NDArray[np.bool_],
    person: str,
    options: CompositeOptions,
    *,
    measured: bool,
) -> Head:
    window = common.window
    grow = window.size[0] / window.work_size[0]
    bend = _enlarge(trial.bend, window) * np.float32(grow)
    raw, valid = place.sample(donor, trial.placement.base_from_donor, window.offset, window.size, bend)
    below = imaging.to_unit(base)
    plain = below if untouched is base else imaging.to_unit(untouched)
    straight, reached = place.sample(donor, trial.placement.base_from_donor, window.offset, window.size)
    gain = _enlarge(trial.gain, window)
    placed, _ = fill.fill(imaging.to_unit(raw), valid, [(below, np.ones_like(valid))])
    unbent = tone.apply_gain(imaging.to_unit(straight), gain)
    frame = (window.offset, window.size)
    bent, filled = behind.lay(tone.apply_gain(placed, gain), trial.fillings, *frame, bend)
    still, _ = behind.lay(unbent, trial.fillings, *frame, np.zeros_like(bend))
    toned = trial.wall.enlarged(window.size).laid(below, still, bent)
    signed = _enlarge(cv2.GaussianBlur(cut.signed_distance(trial.region), (0, 0), 1.5), window) * np.float32(
        grow
    )
    width = np.maximum(2, options.feather_faces * window.face_px * _enlarge(_width(trial.apart), window))
    soft = cut.soft_edge(signed, width)
    alpha = soft.copy()
    alpha[~(fill.shrink(valid, 2) | filled) | held] = 0
    corrected = np.clip(toned + _correction(below, toned, signed, window), 0, 1)
    # Where a third frame shows what was behind, not even a shade of the old head is to be carried over.
    under = np.where(soft[..., None] < 1, below, corrected) if trial.fillings else below
    merged = blend.multiband(under, corrected, soft, BANDS)
    # Beyond the soft edge the layer shows the donor again, for whoever paints the mask wider by hand.
    near = np.clip(2 + signed / width, 0, 1)[..., None]
    blended = np.clip(merged * near + corrected * (1 - near), 0, 1)
    mask = np.rint(alpha * imaging.full_scale(base)).astype(base.dtype)
    pixels = imaging.from_unit(blended, base.dtype)
    head = Head(
        person=person,
        offset=window.offset,
        pixels=frozen(pixels),
        mask=frozen(mask),
        seam=UNMEASURED,
        placement=trial.placement.name,
    )
    if not measured:
        return head
    shown = imaging.to_unit(pixels)
    seam = _seam(trial, window, below, plain, placed, corrected, shown, alpha, valid | filled)
    return replace(
        head,
        seam=replace(seam, invented=max(seam.invented, trial.invented)),
        whole=frozen(_opaque(imaging.from_unit(unbent, base.dtype), reached)),
        unblended=frozen(imaging.from_unit(corrected, base.dtype)),
    )


def _opaque(pixels: Array, reached: NDArray[np.bool_]) -> Array:
    """Return (h, w, 3) as (h, w, 4), opaque where the donor's frame reaches and all 0 elsewhere."""
    alpha = np.full(reached.shape, imaging.full_scale(pixels), pixels.dtype)
    return np.asarray(np.dstack([pixels, alpha]) * reached[..., None])


def _seam(
    trial: Trial,
    window: Window,
    base: NDArray[np.float32],
    plain: NDArray[np.float32],
    placed: NDArray[np.float32],
    corrected: NDArray[np.float32],
    shown: NDArray[np.float32],
    alpha: NDArray[np.float32],
    valid: NDArray[np.bool_],
) -> Seam:
    """Return the measures of a finished head; `placed` is before tone, `shown` after all blending."""
    ring, known = measure.soft_edge_of(alpha), alpha > 0.02
    apart = measure.seen_difference(base, shown, ring, known)
    if plain is not base:
        apart = np.maximum(apart, measure.seen_difference(plain, shown, ring, known))
    before = measure.seen_difference(base, placed, ring, known)
    y, x = np.nonzero(ring)
    worst = int(apart.argmax()) if apart.size else 0
    band = (alpha > 0.05) & (alpha < 0.95)
    small = _seam_at_work(trial, window, base, corrected, base + (shown - base) * alpha[..., None], alpha)
    return Seam(
        delta_e_median=float(np.median(apart)) if apart.size else 0.0,
        delta_e_p95=float(np.percentile(apart, 95)) if apart.size else 0.0,
        texture=measure.texture(base, ring),
        misregistration_px=measure.misregistration(base, corrected, band),
        tone_delta_e=float(np.median(before)) if before.size else 0.0,
        grain_ratio=_grain_ratio(base, placed),
        neighbour_overlap=trial.neighbour_overlap,
        invented=float((known & ~valid).sum() / max(int(known.sum()), 1)),
        old_head_left=trial.old_head_left,
        worst_at=(float(x[worst] + window.offset[0]), float(y[worst] + window.offset[1]))
        if apart.size
        else None,
        bent_px=trial.bent_px / window.scale,
        strain=trial.strain,
        sharpness_step=measure.sharpness_step(base, corrected, ring, window.face_px),
        **small,
    )


def _seam_at_work(
    trial: Trial,
    window: Window,
    base: NDArray[np.float32],
    corrected: NDArray[np.float32],
    laid: NDArray[np.float32],
    alpha: NDArray[np.float32],
) -> dict[str, Any]:
    """Return the measures for which the working size is fine enough, by their names in `Seam`."""
    below, above, seen = (window.shrink(picture) for picture in (base, corrected, laid))
    mask = np.asarray(cv2.resize(alpha, window.work_size, interpolation=cv2.INTER_AREA), np.float32)
    behind = (mask > 0.9) & ~(cv2.dilate(trial.person.astype(np.uint8), RIM) > 0)
    return {
        **faults_at_work(window, below, above, seen, mask),
        "tone_step": measure.tone_step(below, seen, behind, window.face_px * window.scale),
        "head_box": _head_box(alpha, window),
    }


def faults_at_work(
    window: Window,
    below: NDArray[np.float32],
    above: NDArray[np.float32],
    seen: NDArray[np.float32],
    mask: NDArray[np.float32],
) -> dict[str, Any]:
    """Return the faults of a seam that its outlines are not needed for, by their names in `Seam`.

    Parameters
    ----------
    window
        What the pictures show.
    below, above, seen
        (h, w, 3) the base, the donor and what comes of both, encoded in [0, 1], at working size.
    mask
        (h, w) in [0, 1], at working size.
    """
    face_px = window.face_px * window.scale
    edge = (mask > 0.02) & (mask < 0.98)
    near = cv2.dilate(edge.astype(np.uint8), RIM) > 0
    strange = measure.strangest(
        seen, (below, above), near, face_px, grain_px=max(0.7, measure.GRAIN_PX * window.scale)
    )
    broken = lines.broken_lines(below, above, mask, face_px)

    def in_base(at: tuple[float, float] | None) -> tuple[float, float] | None:
        if at is None:
            return None
        x, y = imaging.transform(imaging.scale_matrix(window.work_size, window.size), np.array([at]))[0]
        return float(x + window.offset[0]), float(y + window.offset[1])

    return {
        "strange_delta_e": strange.size,
        "strange_at": in_base(strange.at),
        "broken_px": broken.size / window.scale,
        "broken_at": in_base(broken.at),
        "texture_phase": measure.texture_phase(below, above, edge, face_px),
        "detail_step": measure.detail_step(below, above, measure.soft_edge_of(mask), face_px),
    }


def _head_box(alpha: NDArray[np.float32], window: Window) -> tuple[float, float, float, float] | None:
    """Return about where the head is, from the upper part of its mask."""
    rows = np.flatnonzero((alpha > 0.5).any(1))
    if not rows.size:
        return None
    top = int(rows[0])
    columns = np.nonzero(alpha[top : top + round(1.2 * window.face_px)] > 0.5)[1]
    x, y = float(np.median(columns)) + window.offset[0], top + 0.75 * window.face_px + window.offset[1]
    half = 0.5 * window.face_px
    return x - half, y - half, x + half, y + half


def _grain_ratio(base: NDArray[np.float32], donor: NDArray[np.float32]) -> float:
    """Return the donor's noise over the base's; half a step is added to both: clean files have none."""
    return (tone.grain(donor) + 0.5) / (tone.grain(base) + 0.5)


def _enlarge(small: Array, window: Window) -> NDArray[np.float32]:
    return np.asarray(cv2.resize(small, window.size, interpolation=cv2.INTER_LINEAR))


def _width(apart: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return how wide the soft edge may be: wide where both pictures agree, narrow where they part."""
    share = np.clip((6.0 - cv2.GaussianBlur(apart, (0, 0), 3.0)) / 5.0, 0, 1)
    return np.asarray(cv2.GaussianBlur(NARROWEST + (WIDEST - NARROWEST) * share, (0, 0), 2.0), np.float32)


def _correction(
    base: NDArray[np.float32], donor: NDArray[np.float32], signed: NDArray[np.float32], window: Window
) -> NDArray[np.float32]:
    w, h = window.size
    shrink = MEMBRANE_SCALE / window.scale
    size = (max(4, round(w / shrink)), max(4, round(h / shrink)))
    difference = np.asarray(cv2.resize(base - donor, size, interpolation=cv2.INTER_AREA), np.float32)
    near = cv2.resize(
        np.exp(-0.5 * (signed / (0.03 * window.face_px)) ** 2), size, interpolation=cv2.INTER_AREA
    )
    # Where the two show different things their difference is no difference of tone.
    apart = np.linalg.norm(difference, axis=2)
    weight = near * np.exp(-0.5 * (apart / 0.06) ** 2)
    smooth = blend.membrane(difference, weight, decay_px=0.3 * window.face_px / shrink)
    return np.asarray(cv2.resize(smooth.astype(np.float32), (w, h), interpolation=cv2.INTER_CUBIC))
