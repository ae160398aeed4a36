"""Builds one head: the inner face alone, or the person laid as a layer."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from facemerge import imaging
from facemerge.composite import tone
from facemerge.composite.inner_face import lay_inner_face
from facemerge.composite.layering import Layering, Offer, Shot
from facemerge.words import Array, Face, Head, Joint, frozen


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
        joint=Joint(
            tone_delta_e=face.tone_delta_e,
            grain_ratio=_grain_ratio(face.below, face.placed),
            misfit=face.misfit,
        ),
        placement="similarity",
        unblended=frozen(placed),
        reached=frozen(face.reached),
        base_from_donor=frozen(face.base_from_donor),
        gain=face.gain,
        extent="face",
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
    pixels = imaging.from_unit(np.where((layer.mask > 0)[..., None], layer.shown, layer.donor), dtype)
    placed = imaging.from_unit(layer.donor, dtype)
    return Head(
        person=person,
        offset=layer.offset,
        pixels=frozen(pixels),
        mask=frozen(np.rint(layer.mask * np.iinfo(dtype).max).astype(dtype)),
        joint=Joint(
            tone_delta_e=layer.tone_delta_e,
            grain_ratio=_grain_ratio(layer.below, layer.donor),
            head_hidden=layer.new_hidden,
            invented=layer.filled,
            old_head_left=layer.old_left,
        ),
        placement="homography",
        unblended=frozen(placed),
        reached=frozen(layer.reached),
        base_from_donor=frozen(donor.base_from_frame),
        gain=layer.gain,
    )


def _grain_ratio(base: NDArray[np.float32], donor: NDArray[np.float32]) -> float:
    """Return the donor's noise over the base's; half a step is added to both: clean files have none."""
    return (tone.grain(donor) + 0.5) / (tone.grain(base) + 0.5)
