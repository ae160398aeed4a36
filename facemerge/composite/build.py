"""Builds one head: the inner face alone, or the person laid as a layer, and what is left to see, measured."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge import imaging
from facemerge.composite import lines, measure, tone
from facemerge.composite.inner_face import InnerFace, lay_inner_face
from facemerge.composite.layering import Layer, Layering, Offer, Shot
from facemerge.composite.scraps import scraps
from facemerge.composite.window import Window
from facemerge.words import Array, Face, Head, Seam, Spot, frozen

Map = NDArray[np.float32]

RIM = np.ones((5, 5), np.uint8)


def build_face(
    *,
    base: Array,
    donor: Array,
    base_face: Face,
    donor_face: Face,
    person: str,
    area: tuple[int, int, int, int] | None = None,
    certain: bool = False,
) -> Head | None:
    """Return a person's inner face from a donor frame, ready to be laid over the base.

    Parameters
    ----------
    base
        (H, W, 3) uint8 or uint16: the base with the heads laid so far.
    donor
        (H, W, 3) the frame that the face comes from, in the base's profile and depth.
    base_face, donor_face
        The person in both.
    person
        The id that the head is to carry.
    area
        x0, y0, x1, y1 in the base beyond which nothing is to change; None: told by the landmarks.
    certain
        Whether it is known already that the inner face alone will do.

    Returns
    -------
    Head or None
        None if the inner face alone does not do: the head is held differently, is covered or is blurred in
        one of the frames.
    """
    face = lay_inner_face(base, donor, base_face, donor_face, area)
    if not certain and face.misfit.worst > 1:
        return None
    dtype = base.dtype
    placed = imaging.from_unit(face.placed, dtype)
    return Head(
        person=person,
        offset=face.window.offset,
        pixels=frozen(imaging.from_unit(face.laid, dtype)),
        mask=frozen(np.rint(face.mask * np.iinfo(dtype).max).astype(dtype)),
        seam=_face_seam(face, base_face.box),
        placement="similarity",
        unblended=frozen(placed),
        reached=frozen(face.reached),
        base_from_donor=frozen(face.base_from_donor),
        gain=face.gain,
        extent="face",
    )


def _face_seam(face: InnerFace, face_box: tuple[float, float, float, float]) -> Seam:
    """Return the measures of an inner face, on what is seen in the end."""
    seen = face.below + face.mask[..., None] * (face.laid - face.below)
    small = _shrunk(face.window, (face.below, face.laid, face.laid, seen), face.mask)
    nowhere = np.zeros(face.mask.shape, bool)
    return Seam(
        **_measures(face.window, face.below, face.laid, face.mask, nowhere, small),
        grain_ratio=_grain_ratio(face.below, face.placed),
        tone_delta_e=face.tone_delta_e,
        head_hidden=0.0,
        invented=0.0,
        old_head_left=0.0,
        head_box=face_box,
        misfit=face.misfit,
    )


def build_person(
    *,
    base: Shot,
    donor: Shot,
    person: str,
    who: int,
    rows: Sequence[int],
    others: Sequence[Offer] = (),
    laid: Mapping[int, Shot] | None = None,
    area: tuple[int, int, int, int] | None = None,
) -> Head:
    """Return one person, as far as they are seen in a donor frame, ready to be laid over the base.

    Parameters
    ----------
    base
        The base with the heads laid so far; its silhouettes are those of the untouched frame.
    donor
        The frame that the person comes from.
    person
        The id that the head is to carry.
    who
        The person's index in the shots.
    rows
        Everybody's row, 0 = back.
    others
        Further frames that may be asked for what the donor does not show.
    laid
        The frames of those who were set in before, by person's index.
    area
        x0, y0, x1, y1 in the base beyond which nothing is to change; None: told by the outlines.
    """
    layering = Layering(base, donor, others, who, rows, laid, area)
    layer = layering.lay()
    dtype = base.pixels.dtype
    h, w = layer.mask.shape
    window = Window(offset=layer.offset, size=(w, h), face_px=layering.face_px)
    pixels = imaging.from_unit(np.where((layer.mask > 0)[..., None], layer.shown, layer.donor), dtype)
    placed = imaging.from_unit(layer.donor, dtype)
    return Head(
        person=person,
        offset=layer.offset,
        pixels=frozen(pixels),
        mask=frozen(np.rint(layer.mask * np.iinfo(dtype).max).astype(dtype)),
        seam=_seam(layer, window, base.faces[who].box),
        placement="homography",
        unblended=frozen(placed),
        reached=frozen(layer.reached),
        base_from_donor=frozen(donor.base_from_frame),
        gain=layer.gain,
    )


def _seam(layer: Layer, window: Window, face_box: tuple[float, float, float, float]) -> Seam:
    """Return the measures of a layer, on what is seen in the end."""
    small = _shrunk(window, (layer.below, layer.donor, layer.whole, layer.shown), layer.taken)
    below, donor, _, seen, taken = small
    face_px = window.face_px * window.scale
    strange = measure.strange_spots(
        seen, (below, donor), window.shrink_mask(layer.mask > 0), face_px, grain_px=_grain_px(window)
    )
    places = [(window.in_base(fault.at), fault.size) for fault in strange]
    return Seam(
        **_measures(window, layer.below, layer.whole, layer.taken, layer.natural, small),
        grain_ratio=_grain_ratio(layer.below, layer.donor),
        tone_delta_e=layer.tone_delta_e,
        head_hidden=layer.new_hidden,
        invented=layer.filled,
        old_head_left=layer.old_left,
        tone_step=measure.tone_step(below, seen, taken > 0.9, face_px),
        spots=tuple(Spot(at=at, delta_e=size) for at, size in places if at is not None),
        head_box=face_box,
    )


def _shrunk(window: Window, pictures: Sequence[Map], taken: Map) -> list[Map]:
    """Return pictures, and how much is taken, at working size."""
    small = np.asarray(cv2.resize(taken, window.work_size, interpolation=cv2.INTER_AREA), np.float32)
    return [*(window.shrink(p) for p in pictures), small]


def _measures(
    window: Window,
    below: Map,
    above: Map,
    taken: Map,
    natural: NDArray[np.bool_],
    small: Sequence[Map],
) -> dict[str, Any]:
    """Return what is measured of every head, by the names in `Seam`.

    Parameters
    ----------
    window
        What the pictures show.
    below, above
        (h, w, 3) the base, and what is laid over it, encoded in [0, 1].
    taken
        (h, w) in [0, 1], how much of `above` shows.
    natural
        (h, w) where an outline is to be expected.
    small
        At working size the base, the donor as it lies, what is laid, what comes of it, and `taken`.
    """
    ring = measure.soft_edge_of(taken) & ~natural
    apart = measure.seen_difference(below, above, ring, taken > 0.02)
    small_below, donor, small_above, small_seen, small_taken = small
    face_px = window.face_px * window.scale
    left = scraps(small_below, donor, small_above, small_seen, small_taken, face_px)
    return {
        **colours_along(apart, ring, window.offset),
        "texture": measure.texture(below, ring),
        "misregistration_px": measure.misregistration(
            below, above, (taken > 0.05) & (taken < 0.95) & ~natural
        ),
        "sharpness_step": measure.sharpness_step(below, above, ring, window.face_px),
        "scraps": left.size,
        "scraps_at": window.in_base(left.at),
        **faults_at_work(
            window, small_below, small_above, small_seen, small_taken, window.shrink_mask(natural)
        ),
    }


def colours_along(
    apart: NDArray[np.float64], ring: NDArray[np.bool_], offset: tuple[int, int]
) -> dict[str, Any]:
    """Return what the colours along a seam say, by the names in `Seam`.

    Parameters
    ----------
    apart
        (N,) CIEDE2000 for each pixel of the ring, row by row.
    ring
        (h, w) the middle of the soft edge.
    offset
        x, y of the window in the base.
    """
    if not apart.size:
        return {"delta_e_median": 0.0, "delta_e_p95": 0.0, "worst_at": None}
    rows, columns = np.nonzero(ring)
    worst = int(apart.argmax())
    return {
        "delta_e_median": float(np.median(apart)),
        "delta_e_p95": float(np.percentile(apart, 95)),
        "worst_at": (float(columns[worst] + offset[0]), float(rows[worst] + offset[1])),
    }


def faults_at_work(
    window: Window,
    below: NDArray[np.float32],
    above: NDArray[np.float32],
    seen: NDArray[np.float32],
    mask: NDArray[np.float32],
    natural: NDArray[np.bool_] | None = None,
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
    natural
        (h, w) where an outline is to be expected; None = nowhere.
    """
    face_px = window.face_px * window.scale
    edge = (mask > 0.02) & (mask < 0.98)
    if natural is not None:
        edge &= ~natural
    near = cv2.dilate(edge.astype(np.uint8), RIM) > 0
    strange = measure.strangest(seen, (below, above), near, face_px, grain_px=_grain_px(window))
    broken = lines.broken_lines(below, above, mask, face_px)

    return {
        "strange_delta_e": strange.size,
        "strange_at": window.in_base(strange.at),
        "broken_px": broken.size / window.scale,
        "broken_at": window.in_base(broken.at),
        "texture_phase": measure.texture_phase(below, above, edge, face_px),
        "detail_step": measure.detail_step(below, above, measure.soft_edge_of(mask) & edge, face_px),
    }


def _grain_px(window: Window) -> float:
    """Return over how many working pixels grain is averaged."""
    return max(0.7, measure.GRAIN_PX * window.scale)


def _grain_ratio(base: NDArray[np.float32], donor: NDArray[np.float32]) -> float:
    """Return the donor's noise over the base's; half a step is added to both: clean files have none."""
    return (tone.grain(donor) + 0.5) / (tone.grain(base) + 0.5)
