"""What sorting a dump needs to know of one photograph: when, how large, and who is in it where."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from facemerge import faces
from facemerge.batch.dump import Photograph
from facemerge.formats.small_copy import Identity, small_copy
from facemerge.models import Models
from facemerge.options import FacesOptions, Options
from facemerge.words import Float, frozen

LEAST_FACE_PX = 16
"""Smaller faces give the landmarker nothing to confirm, whatever the whole photograph holds."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sight:
    """One photograph as sorting sees it."""

    name: str
    """As `dump.Photograph` has it."""
    known: Identity
    """What its file says, and what its content is known by."""
    centres: Float
    """(N, 2) middles of the faces, in widths of the picture."""
    widths: Float
    """(N,) widths of the faces, in widths of the picture."""
    looks: Float
    """(N, D) unit vectors of what the heads look like."""


def see(photograph: Photograph, models: Models, options: Options) -> Sight:
    """Return what sorting needs of one photograph, from a small copy of it.

    Raises
    ------
    InputError
        If it cannot be read; the sentence says that it is left out.
    """
    known, image = small_copy(photograph.path, photograph.name, options.grouping.work_px)
    width = image.shape[1]
    wanted = FacesOptions(
        min_face_px=max(LEAST_FACE_PX, options.faces.min_face_px * width / known.size[0]),
        min_confidence=options.faces.min_confidence,
    )
    found = faces.detect_faces(image, models, wanted)
    boxes = np.array([f.box for f in found], np.float64).reshape(-1, 4) / width
    return Sight(
        name=photograph.name,
        known=known,
        centres=frozen((boxes[:, :2] + boxes[:, 2:]) / 2),
        widths=frozen(boxes[:, 2] - boxes[:, 0]),
        looks=frozen(np.stack([f.appearance for f in found]) if found else np.zeros((0, 0))),
    )
