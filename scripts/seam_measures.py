"""What `seams.py` measures: how far a composite is from its true picture, and whether a seam was found.

Pictures in, numbers and rows of tables out; nothing here knows how the pictures were made.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.color import deltaE_ciede2000, rgb2lab

from facemerge.faults.patches import between, masking

Image = NDArray[np.uint8]
Map = NDArray[np.float32]
Record = dict[str, Any]

GRAIN_PX = 2.0
"""Width over which an eye at viewing distance averages grain."""
BAND_FACES = 0.015
"""How far beyond its soft edge a seam still counts as the seam."""
PATCH_FACES = 0.05
"""Side of the patches that are looked for in the true picture."""
REACH_FACES = 0.02
"""How far from its place a patch is looked for; people in neighbouring truths stand no farther apart."""
LEVELS = (1.5, 2.0, 2.3, 3.0, 4.0, 6.0)
"""At which the largest connected area of the band is recorded, in squared face widths."""
FOUND_DELTA_E = 2.3
"""A seam is found if a patch of its band is stranger than that: the CIELAB difference that is just noticed
(Mahy, Van Eycken & Oosterlinck, "Evaluation of uniform color spaces developed after the adoption of CIELAB
and CIELUV", 1994, from memory)."""
SUM = np.ones((1, 3), np.float32)
BINS = (0.0, 0.1, 0.2, 0.35, 0.5, 0.7, 0.85, 1.0)


def colour_error(a: Image | Map, b: Image | Map) -> Map:
    """Return CIEDE2000 between two (h, w, 3) pictures, uint8 or in [0, 255], with grain averaged out.

    Sharma, Wu & Dalal, "The CIEDE2000 Color-Difference Formula", 2005.
    """
    la, lb = (rgb2lab(cv2.GaussianBlur(p.astype(np.float32) / 255, (0, 0), GRAIN_PX)) for p in (a, b))
    apart: Any = deltaE_ciede2000
    return np.asarray(apart(la, lb), np.float32)


def soft_edge_of(alpha: Map) -> NDArray[np.bool_]:
    """Return the middle of a mask's soft edge, where both pictures show about equally."""
    return (alpha > 0.3) & (alpha < 0.7)


def seen_difference(
    base: Map, donor: Map, where: NDArray[np.bool_], known: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Return CIEDE2000 between two pictures at some pixels, grain averaged over `GRAIN_PX`.

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


def along_edge(base: Map, donor: Map, alpha: Map, known: NDArray[np.bool_]) -> Record:
    """Return the median and the 95th percentile of `seen_difference` along a mask's soft edge.

    Parameters
    ----------
    base, donor
        (h, w, 3) encoded, in [0, 1].
    alpha
        (h, w) mask in [0, 1].
    known
        As in `seen_difference`.

    Returns
    -------
    Record
        `delta_e_median` and `delta_e_p95`; 0 for a mask without a soft edge.
    """
    apart = seen_difference(base, donor, soft_edge_of(alpha), known)
    if not apart.size:
        return {"delta_e_median": 0.0, "delta_e_p95": 0.0}
    return {"delta_e_median": float(np.median(apart)), "delta_e_p95": float(np.percentile(apart, 95))}


def even(picture: Image) -> Map:
    """Return a picture, grain averaged out, in a colour space whose distances are nearly those of CIEDE2000.

    CIELAB with its chroma drawn together as CIE94 weighs it (C' = ln(1 + 0.045 C) / 0.045), so that sums of
    squares can be taken; `test_seams.py` holds it against CIEDE2000.
    """
    lab = rgb2lab(cv2.GaussianBlur(picture.astype(np.float32) / 255, (0, 0), GRAIN_PX))
    chroma = np.hypot(lab[..., 1], lab[..., 2])[..., None]
    lab[..., 1:] *= np.log1p(0.045 * chroma) / np.maximum(0.045 * chroma, 1e-6)
    return np.asarray(lab, np.float32)


def strangeness(seen: Image, truths: Sequence[Image], face_px: float) -> Map:
    """Return how unlike anything nearby in a true picture each small patch of a picture is, (h, w).

    A head two pixels beside the true one, or a shoulder that leans gently, is no seam: every patch of it is
    found in the truth, if a little elsewhere, or in a truth in which people stand a little elsewhere. A line
    that breaks, a strand of the old hair, soft cloth beside crisp is found nowhere. This is the coherence
    half of Simakov, Caspi, Shechtman & Irani, "Summarizing Visual Data Using Bidirectional Similarity", 2008
    (from memory), over one scale and a small neighbourhood: the root mean square colour difference over a
    patch, least over all shifts in reach and all truths, and less where fine texture hides it.

    Parameters
    ----------
    seen : (h, w, 3) uint8
    truths : sequence of (h, w, 3) uint8
    face_px : float
        Face width.

    Returns
    -------
    (h, w) float32
        In units of CIEDE2000, nearly.
    """
    h, w = seen.shape[:2]
    # What is averaged over 2 px may be read at every other pixel; shifts still go by whole ones.
    mine = even(seen)[::2, ::2]
    rows, columns = mine.shape[:2]
    reach, side = max(2, round(REACH_FACES * face_px) + 1), max(3, round(PATCH_FACES * face_px / 2)) | 1
    best = np.full((rows, columns), np.inf, np.float32)
    for truth in truths:
        wide = cv2.copyMakeBorder(even(truth), reach, reach, reach, reach, cv2.BORDER_REPLICATE)
        phases = [[np.ascontiguousarray(wide[y::2, x::2]) for x in (0, 1)] for y in (0, 1)]
        cost = np.empty((2 * reach + 1, 2 * reach + 1, rows, columns), np.float32)
        for dy in range(2 * reach + 1):
            for dx in range(2 * reach + 1):
                apart = cv2.subtract(mine, phases[dy % 2][dx % 2][dy // 2 :, dx // 2 :][:rows, :columns])
                total = cv2.transform(cv2.multiply(apart, apart), SUM)
                cost[dy, dx] = cv2.boxFilter(total, -1, (side, side), borderType=cv2.BORDER_REFLECT)
        best = np.minimum(best, between(cost))
    # A running sum may end a breath below nought.
    best = np.sqrt(np.maximum(best, 0)) * masking(np.ascontiguousarray(mine[..., 0]), side)
    return np.asarray(cv2.resize(best, (w, h), interpolation=cv2.INTER_LINEAR), np.float32)


def largest_patch(error: Map, where: NDArray[np.bool_], level: float) -> float:
    """Return the area in pixels of the largest connected part of `where` that exceeds a level."""
    over = (where & (error > level)).astype(np.uint8)
    count, _, told, _ = cv2.connectedComponentsWithStats(over, connectivity=8)
    return float(told[1:, cv2.CC_STAT_AREA].max()) if count > 1 else 0.0


def regions(alpha: Map, face_px: float) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return where a mask is full, and the band about its soft edge; they do not overlap."""
    edge = ((alpha > 0.02) & (alpha < 0.98)).astype(np.uint8)
    grow = 2 * max(2, round(BAND_FACES * face_px)) + 1
    band = cv2.dilate(edge, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (grow, grow))) > 0
    return (alpha >= 0.98) & ~band, band


def figures(
    error: Map,
    raw: Map,
    inside: NDArray[np.bool_],
    band: NDArray[np.bool_],
    face_px: float,
    offset: tuple[int, int],
) -> Record:
    told: Record = {}
    for name, field, where in (
        ("inside", raw, inside),
        ("band", raw, band),
        ("strange_inside", error, inside),
        ("strange", error, band),
    ):
        values = field[where] if where.any() else np.zeros(1, np.float32)
        told[f"{name}_mean"] = round(float(values.mean()), 3)
        told[f"{name}_p95"] = round(float(np.percentile(values, 95)), 3)
        told[f"{name}_max"] = round(float(values.max()), 3)
    for level in LEVELS:
        told[f"patch_{level:g}"] = round(largest_patch(error, band, level) / face_px**2, 5)
    y, x = np.unravel_index(int(np.where(band, error, -1).argmax()), error.shape)
    told["truth_worst_at"] = [int(x) + offset[0], int(y) + offset[1]]
    told["found"] = was_found(told)
    return told


def was_found(record: Record) -> bool:
    """Whether a careful viewer, who looks at every seam at 200 %, finds this one; see `FOUND_DELTA_E`."""
    return bool(record["strange_max"] > FOUND_DELTA_E)


def truth_rows(records: Sequence[Record]) -> list[str]:
    """Return the table of errors against the true picture, a row for each burst and way of choosing.

    Inside the full mask and about the seam, CIEDE2000 to the nearest true picture, pixel by pixel: mean, 95th
    percentile (both averaged over heads) and worst; then the strangest patch of each seam, and the largest
    difference to the base outside all masks, in 8-bit steps.
    """
    lines = [
        "| burst | heads | chosen | inside: mean | p95 | worst | seam: mean | p95 | worst "
        "| strangest: median | worst | outside | found | of the clear |",
        "| --- " * 14 + "|",
    ]
    for burst in dict.fromkeys(r["burst"] for r in records):
        for forced in (False, True):
            own = [r for r in records if r["burst"] == burst and r["forced"] == forced]
            if own:
                lines.append(_truth_row(burst, "forced" if forced else "own", own))
    lines.append(_truth_row("all", "both", records))
    return lines


def _truth_row(name: str, how: str, own: Sequence[Record]) -> str:
    cells = [name, str(len(own)), how]
    for place in ("inside", "band"):
        cells += [
            f"{np.mean([r[f'{place}_mean'] for r in own]):.2f}",
            f"{np.mean([r[f'{place}_p95'] for r in own]):.2f}",
            f"{max(r[f'{place}_max'] for r in own):.1f}",
        ]
    strange = [r["strange_max"] for r in own]
    cells += [f"{np.median(strange):.1f}", f"{max(strange):.1f}", str(max(r["outside_max"] for r in own))]
    clear = [r for r in own if r["flag"] == "clear"]
    cells.append(f"{sum(was_found(r) for r in own)}/{len(own)}")
    cells.append(f"{sum(was_found(r) for r in clear)}/{len(clear)}")
    return f"| {' | '.join(cells)} |"


def brier(chance: Sequence[float], happened: Sequence[bool]) -> float:
    """Return the mean squared error of forecast chances.

    Brier, "Verification of forecasts expressed in terms of probability", 1950, for two outcomes and one of
    the two terms.
    """
    return float(np.mean((np.asarray(chance, float) - np.asarray(happened, float)) ** 2))


def auc(chance: Sequence[float], happened: Sequence[bool]) -> float:
    """Return how often a found seam has the higher risk than one that is not; NaN without both kinds."""
    c, y = np.asarray(chance, float), np.asarray(happened, bool)
    if y.all() or not y.any():
        return float("nan")
    high, low = c[y][:, None], c[~y][None]
    return float(((high > low) + 0.5 * (high == low)).mean())


def reliability_rows(records: Sequence[Record]) -> list[str]:
    """Return the reliability curve as a table: at each risk, how often the seam was found."""
    risk = np.array([r["risk"] for r in records], float)
    found = np.array([was_found(r) for r in records], bool)
    lines = ["| risk | heads | mean risk | found | share |", "| --- | --- | --- | --- | --- |"]
    for low, high in itertools.pairwise(BINS):
        here = (risk >= low) & ((risk < high) | (high == BINS[-1]))
        if here.any():
            lines.append(
                f"| {low:g} to {high:g} | {here.sum()} | {risk[here].mean():.2f} | {found[here].sum()} "
                f"| {found[here].mean():.2f} |"
            )
    usual = brier([float(found.mean())] * len(found), list(found))
    lines.append("")
    lines.append(
        f"Brier score {brier(list(risk), list(found)):.3f} (always saying {found.mean():.2f}: {usual:.3f}), "
        f"area under the ROC curve {auc(list(risk), list(found)):.3f}, {len(records)} heads."
    )
    return lines
