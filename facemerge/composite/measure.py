"""Measures what a viewer may see where a head joins the base."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.color import deltaE_ciede2000, rgb2lab

GRAIN_PX = 2.0
"""Width over which an eye at viewing distance averages grain."""
STEEP = 3.0
"""8-bit steps a pixel from which a place counts as texture that can be seen not to meet."""
HIGH_PASS_PX = 8.0
FINE_FACES, TEXTURE_PATCH_FACES = 0.08, 0.15
HALO_FACES = 0.06
SAME_THING = 6.0
"""Colour difference up to which two pictures may show the same thing in another tone."""
REACH_FACES = 0.02
"""How far from its place a patch is looked for: people bend and lean by so much unseen."""
PATCH_FACES = 0.05
TONE_KEPT = 0.2
MASKED_FROM, MASKING_POWER = 2.0, 0.6
LEAST_CONTRAST = 0.3
MOST_SPOTS, LEAST_SPOT, APART_FACES = 8, 0.5, 0.15
"""How many places are named, how strange they are at least, and how far they lie apart."""


def soft_edge_of(alpha: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Return the middle of a mask's soft edge, where both pictures show about equally."""
    return (alpha > 0.3) & (alpha < 0.7)


def seen_difference(
    base: NDArray[np.float32], donor: NDArray[np.float32], where: NDArray[np.bool_], known: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Return CIEDE2000 between two pictures at some pixels, grain averaged over 2 px.

    Sharma, Wu & Dalal, "The CIEDE2000 Color-Difference Formula", 2005.

    Parameters
    ----------
    base, donor
        (h, w, 3) encoded, in [0, 1].
    where
        (h, w) pixels to report.
    known
        (h, w) pixels that count in the averages.

    Returns
    -------
    (N,) float64
        One for each pixel of `where`, row by row.
    """
    if not where.any():
        return np.zeros(0)
    share = cv2.GaussianBlur(known.astype(np.float32), (0, 0), GRAIN_PX)[..., None] + 1e-6
    a = cv2.GaussianBlur(base * known[..., None], (0, 0), GRAIN_PX) / share
    b = cv2.GaussianBlur(donor * known[..., None], (0, 0), GRAIN_PX) / share
    apart: Any = deltaE_ciede2000
    return np.asarray(apart(rgb2lab(a[where]), rgb2lab(b[where])), np.float64)


def texture(base: NDArray[np.float32], where: NDArray[np.bool_]) -> float:
    """Return the mean steepness of a picture at some pixels, in 8-bit steps a pixel, grain averaged."""
    if not where.any():
        return 0.0
    return float(_steepness(luma(base))[where].mean())


def misregistration(base: NDArray[np.float32], donor: NDArray[np.float32], where: NDArray[np.bool_]) -> float:
    """Return the shift in pixels that would explain what still differs between two pictures.

    The size of normal flow, by least squares over the textured pixels of `where`: a shift of d changes a
    value by d times its slope (Lucas & Kanade, "An Iterative Image Registration Technique", 1981, eq. 3).
    It is nought where there is no texture, and falls short of shifts longer than the texture is wide.

    Parameters
    ----------
    base, donor
        (h, w, 3) encoded, in [0, 1].
    where
        (h, w) pixels around the seam.
    """
    a, b = luma(base), luma(donor)
    # Slow differences are tone, not shift.
    apart = (a - cv2.GaussianBlur(a, (0, 0), HIGH_PASS_PX)) - (b - cv2.GaussianBlur(b, (0, 0), HIGH_PASS_PX))
    steep = (_steepness(a) + _steepness(b)) / 2
    use = where & (steep > STEEP)
    if use.sum() < 20:
        return 0.0
    s = steep[use].astype(np.float64)
    return float((np.abs(apart[use]) * s).sum() / (s * s).sum())


def sharpness_step(
    base: NDArray[np.float32], donor: NDArray[np.float32], where: NDArray[np.bool_], face_px: float
) -> float:
    """Return how many times, in powers of two, one picture is crisper than the other along the seam.

    A sharp head on a body that moved or lay out of focus shows, however well the colours meet. Gradient
    energies are compared in patches a fifth of a face wide; what counts is the patch that only a tenth of the
    seam's textured length exceeds, in either direction.

    Parameters
    ----------
    base, donor
        (h, w, 3) encoded, in [0, 1].
    where
        (h, w) the seam's soft edge.
    face_px
        Face width.

    Returns
    -------
    float
        0 where both are equally crisp, or where there is no texture to tell by.
    """
    band, (a, b) = _crispness((base, donor), where, face_px)
    use = band & (np.maximum(a, b) > STEEP)
    if use.sum() < 20:
        return 0.0
    # A step added to both keeps grain on what is nearly plain from counting as crispness.
    ratio = np.log2((a[use] + 1) / (b[use] + 1))
    return float(max(-np.percentile(ratio, 10), np.percentile(ratio, 90), 0.0))


def detail_step(
    base: NDArray[np.float32], donor: NDArray[np.float32], where: NDArray[np.bool_], face_px: float
) -> float:
    """Return how much more detail one picture shows than the other along the seam.

    Where `sharpness_step` says how many times as crisp, this says whether there is anything to see: fine
    cloth may be four times as crisp and nobody finds it.

    Parameters
    ----------
    base, donor
        (h, w, 3) encoded, in [0, 1], at working size, so that it means the same for large faces and small.
    where
        (h, w) the seam's soft edge.
    face_px
        Face width.

    Returns
    -------
    float
        In 8-bit steps a pixel: what a tenth of the seam's length exceeds, in either direction.
    """
    band, (a, b) = _crispness((base, donor), where, face_px)
    if band.sum() < 20:
        return 0.0
    more = a[band] - b[band]
    return float(max(-np.percentile(more, 10), np.percentile(more, 90), 0.0))


def _crispness(
    pictures: Sequence[NDArray[np.float32]], where: NDArray[np.bool_], face_px: float
) -> tuple[NDArray[np.bool_], list[NDArray[np.float32]]]:
    """Return the seam's band, and each picture's steepness in patches of it, root mean square."""
    widen = np.ones((3, 3), np.uint8)
    band = cv2.dilate(where.astype(np.uint8), widen, iterations=max(1, round(0.04 * face_px))) > 0
    side = max(5, round(0.2 * face_px)) | 1
    weight = np.maximum(cv2.boxFilter(band.astype(np.float32), -1, (side, side), normalize=False), 1)
    found = []
    for picture in pictures:
        energy = np.asarray(_steepness(luma(picture)) ** 2 * band, np.float32)
        total = cv2.boxFilter(energy, -1, (side, side), normalize=False)
        found.append(np.asarray(np.sqrt(np.maximum(total, 0) / weight), np.float32))
    return band, found


def texture_phase(
    base: NDArray[np.float32], donor: NDArray[np.float32], where: NDArray[np.bool_], face_px: float
) -> float:
    """Return how badly the same kind of texture fits from one picture to the other along the seam.

    Leaves beside leaves, weave beside weave: as busy on both sides, yet the leaves are not the same ones, or
    lie elsewhere. In patches a seventh of a face wide, one minus the correlation of what is finer than a
    tenth of a face, less the more the two differ in energy (that is sharpness, `sharpness_step`); what
    counts is the patch that only a tenth of the seam's textured length exceeds.

    Parameters
    ----------
    base, donor
        (h, w, 3) encoded, in [0, 1].
    where
        (h, w) the seam's soft edge.
    face_px
        Face width.

    Returns
    -------
    float
        In [0, 2]: 0 where textures meet or there is none, 1 where they have nothing to do with each other.
    """
    slow = max(3.0, FINE_FACES * face_px)
    a, b = luma(base), luma(donor)
    a, b = a - cv2.GaussianBlur(a, (0, 0), slow), b - cv2.GaussianBlur(b, (0, 0), slow)
    side = max(5, round(TEXTURE_PATCH_FACES * face_px)) | 1
    aa, bb, ab = (cv2.boxFilter(q, -1, (side, side)) for q in (a * a, b * b, a * b))
    use = where & (np.minimum(aa, bb) > STEEP**2)
    if use.sum() < 20:
        return 0.0
    alike = np.minimum(aa[use], bb[use]) / np.maximum(aa[use], bb[use])
    apart = 1 - ab[use] / np.sqrt(aa[use] * bb[use])
    return float(max(np.percentile(np.sqrt(alike) * apart, 90), 0.0))


def tone_step(
    base: NDArray[np.float32], shown: NDArray[np.float32], where: NDArray[np.bool_], face_px: float
) -> float:
    """Return the slow difference in tone between base and composite near the seam: a soft halo.

    The eye misses no broad glow beside a wall's own tone, however softly it begins. Where both pictures show
    the same thing, their difference is averaged over a sixteenth of a face.

    Parameters
    ----------
    base, shown
        (h, w, 3) encoded, in [0, 1].
    where
        (h, w) pixels inside the seam at which both may show what stands behind the head.
    face_px
        Face width.

    Returns
    -------
    float
        What only a tenth of these pixels exceed, in units of CIEDE2000, nearly; 0 if there are none.
    """
    apart = even(base, GRAIN_PX / 2) - even(shown, GRAIN_PX / 2)
    use = (where & (np.linalg.norm(apart, axis=2) < SAME_THING)).astype(np.float32)
    wide = max(1.0, HALO_FACES * face_px)
    share = cv2.GaussianBlur(use, (0, 0), wide)
    slow = cv2.GaussianBlur(apart * use[..., None], (0, 0), wide) / np.maximum(share, 1e-3)[..., None]
    known = where & (share > 0.4)
    if known.sum() < 20:
        return 0.0
    return float(np.percentile(np.linalg.norm(slow[known], axis=1), 90))


def even(picture: NDArray[np.float32], grain_px: float) -> NDArray[np.float32]:
    """Return a picture, grain averaged out, in a space whose distances are nearly those of CIEDE2000.

    CIELAB with its chroma drawn together as CIE94 weighs it, C' = ln(1 + 0.045 C) / 0.045, so that sums of
    squares can be taken (CIE 116-1995, S_C = 1 + 0.045 C, from memory).

    Parameters
    ----------
    picture
        (h, w, 3) encoded, in [0, 1].
    grain_px
        Width of the average.
    """
    calm = np.clip(cv2.GaussianBlur(picture, (0, 0), grain_px), 0, 1)
    lab = np.asarray(cv2.cvtColor(calm, cv2.COLOR_RGB2LAB), np.float32)
    chroma = np.hypot(lab[..., 1], lab[..., 2])[..., None]
    lab[..., 1:] *= np.log1p(0.045 * chroma) / np.maximum(0.045 * chroma, 1e-6)
    return lab


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """What was found at one place of a seam."""

    size: float
    """In the measure's own unit; 0 = nothing."""
    at: tuple[float, float] | None = None
    """x, y where it is worst, in the picture's pixels."""


NOTHING = Fault(size=0.0)


def strangest(
    seen: NDArray[np.float32],
    sources: Sequence[NDArray[np.float32]],
    where: NDArray[np.bool_],
    face_px: float,
    grain_px: float = GRAIN_PX,
) -> Fault:
    """Return the patch of a seam that is least like anything near it in the frames it was made of.

    A careful viewer does not find a seam by comparing frames: an outline has a notch, a line breaks, soft
    cloth begins beside crisp cloth. Such a patch is in neither frame. This is the coherence half of Simakov,
    Caspi, Shechtman & Irani, "Summarizing Visual Data Using Bidirectional Similarity", 2008 (from memory),
    over one scale and a small neighbourhood: the root mean square difference over a patch, with most of its
    mean left out (tone has measures of its own), least over all shifts in reach and all frames; less where
    fine texture hides it (`masking`).

    Parameters
    ----------
    seen
        (h, w, 3) the composite, encoded in [0, 1].
    sources
        (h, w, 3) each: the base, and the donor as it lies.
    where
        (h, w) the seam.
    face_px
        Face width.
    grain_px
        Width over which grain is averaged.

    Returns
    -------
    Fault
        Its size in units of CIEDE2000, nearly.
    """
    odd, part = _strangeness(seen, sources, where, face_px, grain_px)
    if not odd.size:
        return NOTHING
    y, x = np.unravel_index(int(odd.argmax()), odd.shape)
    place = (float(2 * x + part[1].start), float(2 * y + part[0].start))
    return Fault(size=float(odd[y, x]), at=place)


def strange_spots(
    seen: NDArray[np.float32],
    sources: Sequence[NDArray[np.float32]],
    where: NDArray[np.bool_],
    face_px: float,
    grain_px: float = GRAIN_PX,
) -> list[Fault]:
    """Return the places of a composite that are least like anything near them in the frames it was made of.

    As `strangest`, but all over what was changed, outlines of whoever stands in front among it, and not one
    place: at most `MOST_SPOTS`, none weaker than `LEAST_SPOT`, none within `APART_FACES` of a stronger one.
    Of 20 places that blind viewers named as giving people away who were taken whole, 16 lie within 0.3 face
    widths of one; of the single place before, 4.

    Parameters
    ----------
    seen, sources, face_px, grain_px
        As `strangest`.
    where
        (h, w) what was changed.

    Returns
    -------
    list of Fault
        The strangest first.
    """
    odd, part = _strangeness(seen, sources, where, face_px, grain_px)
    apart = max(1, round(APART_FACES * face_px / 2))
    found: list[Fault] = []
    while odd.size and len(found) < MOST_SPOTS:
        y, x = (int(v) for v in np.unravel_index(int(odd.argmax()), odd.shape))
        size = float(odd[y, x])
        if size < LEAST_SPOT:
            break
        found.append(Fault(size=size, at=(float(2 * x + part[1].start), float(2 * y + part[0].start))))
        odd[max(0, y - apart) : y + apart + 1, max(0, x - apart) : x + apart + 1] = 0
    return found


def _strangeness(
    seen: NDArray[np.float32],
    sources: Sequence[NDArray[np.float32]],
    where: NDArray[np.bool_],
    face_px: float,
    grain_px: float,
) -> tuple[NDArray[np.float32], tuple[slice, slice]]:
    """Return how strange every other pixel of a part is, 0 where it was not asked, and the part."""
    if not where.any():
        return np.zeros((0, 0), np.float32), (slice(0, 0), slice(0, 0))
    reach = max(2, round(REACH_FACES * face_px))
    side = max(3, round(PATCH_FACES * face_px / 2)) | 1
    part = _about(where, 2 * side + reach)
    # What is averaged over grain may be read at every other pixel; shifts still go by whole ones.
    mine = even(seen[part], grain_px)[::2, ::2]
    rows, columns = mine.shape[:2]
    best = np.full((rows, columns), np.inf, np.float32)
    for source in sources:
        wide = cv2.copyMakeBorder(
            even(source[part], grain_px), reach, reach, reach, reach, cv2.BORDER_REPLICATE
        )
        phases = [[np.ascontiguousarray(wide[y::2, x::2]) for x in (0, 1)] for y in (0, 1)]
        cost = np.empty((2 * reach + 1, 2 * reach + 1, rows, columns), np.float32)
        for dy, dx in np.ndindex(cost.shape[:2]):
            other = phases[dy % 2][dx % 2][dy // 2 :, dx // 2 :][:rows, :columns]
            cost[dy, dx] = _patch_cost(np.asarray(mine - other), side)
        best = np.minimum(best, between(cost))
    odd = np.where(
        where[part][::2, ::2],
        np.sqrt(np.maximum(best, 0)) * masking(np.ascontiguousarray(mine[..., 0]), side),
        0,
    )
    return np.asarray(odd, np.float32), part


def masking(lightness: NDArray[np.float32], side: int) -> NDArray[np.float32]:
    """Return how much of a difference is seen where texture lies under it, (h, w) in (0, 1].

    What is just seen grows with the contrast it lies on to a power of about 0.6 (Legge & Foley, "Contrast
    masking in human vision", 1980, from memory). An outline is contrast as well and hides nothing: contrast
    counts by its geometric mean over three patches, which is large only where all of them are textured.

    Parameters
    ----------
    lightness
        (h, w) CIELAB L of the picture, grain averaged.
    side
        Side of a patch, pixels.
    """
    mean = cv2.blur(lightness, (3, 3))
    contrast = np.sqrt(np.maximum(cv2.blur(lightness * lightness, (3, 3)) - mean * mean, 0))
    wide = (6 * (side // 2) + 1, 6 * (side // 2) + 1)
    usual = np.exp(cv2.blur(np.log(contrast + LEAST_CONTRAST), wide)) - LEAST_CONTRAST
    return np.asarray((1 + np.maximum(usual, 0) / MASKED_FROM) ** -MASKING_POWER, np.float32)


def _patch_cost(apart: NDArray[np.float32], side: int) -> NDArray[np.float32]:
    """Return the mean square over patches of a (h, w, 3) difference, with most of its mean left out."""
    sums = np.ones((1, 3), np.float32)
    square = cv2.boxFilter(
        cv2.transform(cv2.multiply(apart, apart), sums), -1, (side, side), borderType=cv2.BORDER_REFLECT
    )
    mean = cv2.boxFilter(apart, -1, (side, side), borderType=cv2.BORDER_REFLECT)
    return np.asarray(square - (1 - TONE_KEPT) * cv2.transform(cv2.multiply(mean, mean), sums), np.float32)


def between(cost: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the least of a squared difference over whole shifts (m, n, h, w), and by a parabola between."""
    m, n, h, w = cost.shape
    flat = cost.reshape(m * n, h, w)
    at = flat.argmin(0)
    y, x = np.clip(at // n, 1, m - 2), np.clip(at % n, 1, n - 2)
    r, c = np.indices((h, w))
    low = cost[y, x, r, c]
    gain = np.zeros_like(low)
    for before, after in (
        (cost[y - 1, x, r, c], cost[y + 1, x, r, c]),
        (cost[y, x - 1, r, c], cost[y, x + 1, r, c]),
    ):
        bend = before + after - 2 * low
        gain += np.where(bend > 0, (before - after) ** 2 / (8 * np.maximum(bend, 1e-9)), 0)
    return np.asarray(np.minimum(flat.min(0), np.maximum(low - gain, 0)), np.float32)


def _about(where: NDArray[np.bool_], margin: int) -> tuple[slice, slice]:
    rows, columns = np.flatnonzero(where.any(1)), np.flatnonzero(where.any(0))
    return (
        slice(max(0, int(rows[0]) - margin), min(where.shape[0], int(rows[-1]) + margin + 1)),
        slice(max(0, int(columns[0]) - margin), min(where.shape[1], int(columns[-1]) + margin + 1)),
    )


def gradient(grey: NDArray[np.float32]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return the slopes of an (h, w) picture along x and y, per pixel."""
    gx, gy = cv2.Scharr(grey, cv2.CV_32F, 1, 0) / 32, cv2.Scharr(grey, cv2.CV_32F, 0, 1) / 32
    return np.asarray(gx, np.float32), np.asarray(gy, np.float32)


def luma(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the (h, w) luma of a picture in [0, 1] in 8-bit steps, grain averaged."""
    return np.asarray(
        cv2.GaussianBlur(cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY) * 255, (0, 0), GRAIN_PX / 2), np.float32
    )


def _steepness(grey: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.asarray(np.hypot(*gradient(grey)), np.float32)
