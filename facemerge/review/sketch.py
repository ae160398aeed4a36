"""A first look at a head while the true one is made: laid on roughly within a soft oval, not measured."""

from __future__ import annotations

import numpy as np

from facemerge import imaging
from facemerge.composite import cut, place
from facemerge.words import Array, Face, Float, Head, Pixels, Seam, frozen

ACROSS_FACES, ABOVE_FACES, BELOW_FACES = 0.68, 0.62, 0.22
"""How far the oval reaches from the face's middle, and beyond its top and bottom, in face widths."""
SOFT_FACES = 0.22
MOST_GAIN = 1.5

_NOTHING = Seam(
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


def sketch(
    *,
    current: Pixels,
    donor: Pixels,
    base_from_donor: Float,
    person: str,
    base_face: Face,
    donor_face: Face,
) -> Head:
    """Return a person's head from a donor frame, laid on roughly; its seam is not measured.

    Parameters
    ----------
    current
        (H, W, 3) the base with the heads laid so far, uint8 or uint16.
    donor
        (H', W', 3) the frame the head comes from, in the base's form.
    base_from_donor
        (3, 3) homography.
    person
        The person's id.
    base_face, donor_face
        The person's face in the base and in the donor frame, each in own pixels.
    """
    there = imaging.transform(base_from_donor, donor_face.landmarks[:, :2])
    both = np.vstack([base_face.landmarks[:, :2], there])
    (left, top), (right, bottom) = both.min(0), both.max(0)
    face_px = right - left
    top, bottom = top - ABOVE_FACES * face_px, bottom + BELOW_FACES * face_px
    middle = np.array([(left + right) / 2, (top + bottom) / 2])
    half = np.array([ACROSS_FACES * face_px, (bottom - top) / 2])
    reach = half + SOFT_FACES * face_px
    size = np.array(current.shape[1::-1])
    low = np.clip(np.floor(middle - reach), 0, size - 2).astype(int)
    high = np.clip(np.ceil(middle + reach) + 1, low + 1, size).astype(int)
    (x0, y0), (x1, y1) = low.tolist(), high.tolist()
    y, x = np.mgrid[y0:y1, x0:x1].astype(np.float32)
    far = np.hypot((x - middle[0]) / half[0], (y - middle[1]) / half[1])
    alpha = cut.soft_edge(np.asarray((1 - far) * half.min(), np.float32), SOFT_FACES * float(face_px))
    pixels, valid = place.sample(donor, base_from_donor, (x0, y0), (x1 - x0, y1 - y0), fine=False)
    alpha[~valid] = 0
    below = current[y0:y1, x0:x1]
    top_value = imaging.full_scale(current)
    toned = np.clip(pixels * _gain(below, pixels, alpha), 0, top_value)
    return Head(
        person=person,
        offset=(x0, y0),
        pixels=frozen(np.rint(toned).astype(current.dtype)),
        mask=frozen(np.rint(alpha * top_value).astype(current.dtype)),
        seam=_NOTHING,
        placement="first look",
    )


def _gain(below: Pixels, above: Pixels, alpha: Array) -> Float:
    """Return the (3,) factor by which a donor's edge is as bright as what it is laid on."""
    ring = (alpha > 0.05) & (alpha < 0.95)
    if not ring.any():
        return np.ones(3)
    share = (below[ring].mean(axis=0) + 1) / (above[ring].mean(axis=0) + 1)
    return np.asarray(np.clip(share, 1 / MOST_GAIN, MOST_GAIN), np.float64)
