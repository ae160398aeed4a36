"""Places one frame on the reference, and knows how well: background first, people where there is none."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from facemerge.align.motion import Evidence, corner_shift_px, expected_error_px, moved, no_evidence, solve
from facemerge.align.people import common_shift, matched_faces, own_move_px, people_evidence
from facemerge.align.shading import shading_evidence
from facemerge.align.start import matched_start, voted_starts
from facemerge.align.tiles import TEXTURED, Tiles, textured_share, tile_evidence, tiles_of
from facemerge.align.view import View
from facemerge.imaging import shift_matrix, transform
from facemerge.options import AlignOptions
from facemerge.words import Aligned, Array, Float, Unaligned, frozen

REFERENCE_WIDTH_PX = 2400
"""Picture width for which the limits in the options are meant."""
SHARED_TEXTURE = 0.4
"""Share of the textured tiles that must look alike in both frames of one scene."""
ALIKE = 0.5
"""Correlation from which two tiles look alike."""
PLAIN_SHARE = 0.1
"""Share of textured background below which a background is plain."""
STILL_PX = 0.1
"""Shift, in pixels at the reference width, below which a camera stood still."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Placed:
    """A placement by the background, and what speaks for it."""

    matrix: Float
    evidence: Evidence
    inliers: int
    trusted: bool


def align_reference(view: View) -> Aligned:
    """Return the placement of the reference on itself."""
    return Aligned(
        reference_from_frame=frozen(np.eye(3)), model="reference", inliers=0, error_px=0.0
    )


def align_frame(reference: View, frame: View, options: AlignOptions) -> Aligned | Unaligned:
    """Return where a frame lies on the reference, or why it cannot be placed.

    Parameters
    ----------
    reference, frame
        The two views, made with the same options.
    options
        How large an expected error is allowed.

    Notes
    -----
    People move, bricks repeat, a sky has nothing to match. So: the people's common motion gives a start that
    repetition cannot fool; patches of background vote around it; tiles of background refine it, robustly and
    with people left out; held-out regions tell the error. A background too plain for that leaves the people
    and the background's faint shading, with an error to match.
    """
    if reference.size != frame.size:
        return Unaligned(
            reason=f"It is {frame.size[0]} x {frame.size[1]} pixels, the reference "
            f"{reference.size[0]} x {reference.size[1]}."
        )
    pairs = matched_faces(reference, frame)
    placed = _by_background(reference, frame, pairs)
    if placed is not None:
        return _answer(reference, placed, options)
    plain = min(textured_share(reference), textured_share(frame)) < PLAIN_SHARE
    if not plain:
        return Unaligned(reason="Its background does not match the reference's.")
    if not len(pairs):
        return Unaligned(reason="Its background is too plain to match, and it shows none of the same people.")
    return _by_people(reference, frame, pairs, options)


def _by_background(reference: View, frame: View, pairs: Array) -> _Placed | None:
    """Return the first placement that the background confirms; None if none does."""
    shift = common_shift(reference, frame, pairs)
    sd = 0.02 * reference.size[0]
    if shift is not None:
        sd = own_move_px(reference, frame, pairs, shift_matrix(*shift))
    starts = voted_starts(reference, frame, shift, sd)
    if starts:
        refined = [_coarsely(reference, frame, m, pairs) for m in starts]
        best = max(refined, key=lambda m: _likelihood(reference, frame, m, pairs))
        placed = _finely(reference, frame, best, pairs)
        if placed.trusted:
            return placed
    start = matched_start(reference, frame)
    if start is not None:
        placed = _finely(reference, frame, _coarsely(reference, frame, start, pairs), pairs)
        if placed.trusted:
            return placed
    return None


def _step(
    reference: View, frame: View, level: int, matrix: Float, pairs: Array, *, strict: bool
) -> tuple[Float, float]:
    """Return the matrix after one Gauss-Newton step on one level, and how far it went in its pixels."""
    seen, _ = tile_evidence(tiles_of(reference, frame, level, matrix), reference, strict=strict)
    evidence = seen + people_evidence(reference, frame, pairs, matrix)
    better = moved(matrix, solve(evidence, matrix, reference.size), reference.size)
    return better, corner_shift_px(matrix, better, reference.size) / reference.levels[level].scale


def _coarsely(reference: View, frame: View, matrix: Float, pairs: Array) -> Float:
    last = len(reference.levels) - 1
    for level in range(last, max(last - 2, -1), -1):
        for _ in range(4):
            matrix, went = _step(reference, frame, level, matrix, pairs, strict=False)
            if went < 0.05:
                break
    return matrix


def _likelihood(reference: View, frame: View, matrix: Float, pairs: Array) -> float:
    """Return a log-likelihood of a coarse placement: likeness of the tiles, less the people's surprise."""
    tiles = tiles_of(reference, frame, max(len(reference.levels) - 2, 0), matrix)
    alike = float(-3 * np.log(1 - np.clip(tiles.correlation, 0, 0.97) ** 2).sum())
    if not len(pairs):
        return alike
    sd = own_move_px(reference, frame, pairs, matrix)
    rest = reference.faces[pairs[:, 0]] - transform(matrix, frame.faces[pairs[:, 1]])
    return alike - float((np.median(rest, axis=0) ** 2).sum()) * len(pairs) / (2 * sd**2)


def _finely(reference: View, frame: View, matrix: Float, pairs: Array) -> _Placed:
    for level in range(len(reference.levels) - 1, -1, -1):
        for _ in range(2 if level == 0 else 3):
            matrix, went = _step(reference, frame, level, matrix, pairs, strict=level < len(reference.levels) - 2)
            if went < 0.03:
                break
    people = people_evidence(reference, frame, pairs, matrix)
    seen, inliers = no_evidence(), 0
    all_tiles = [tiles_of(reference, frame, i, matrix) for i in range(len(reference.levels))]
    for tiles in all_tiles:
        evidence, agree = tile_evidence(tiles, reference, strict=True)
        seen = seen + evidence
        inliers = inliers or int(agree.sum())
    matrix = moved(matrix, solve(seen + people, matrix, reference.size), reference.size)
    trusted = inliers > 0 and _same_scene(all_tiles[max(len(all_tiles) - 2, 0)])
    return _Placed(matrix=matrix, evidence=seen + people, inliers=inliers, trusted=trusted)


def _same_scene(tiles: Tiles) -> bool:
    textured: NDArray[np.bool_] = tiles.clear & (tiles.contrast > TEXTURED)
    if textured.sum() < 6:
        return True
    return bool((tiles.correlation[textured] > ALIKE).mean() >= SHARED_TEXTURE)


def _answer(reference: View, placed: _Placed, options: AlignOptions) -> Aligned | Unaligned:
    unit = reference.size[0] / REFERENCE_WIDTH_PX
    error = expected_error_px(placed.evidence, placed.matrix, reference.size)
    if error > options.max_error_px * unit:
        return Unaligned(reason=f"Its background places it only to within {error:.1f} pixels.")
    if error < 0.5 * unit and corner_shift_px(placed.matrix, np.eye(3), reference.size) < max(
        STILL_PX * unit, error
    ):
        return Aligned(
            reference_from_frame=frozen(np.eye(3)), model="identity", inliers=placed.inliers, error_px=error
        )
    return Aligned(
        reference_from_frame=frozen(placed.matrix), model="homography", inliers=placed.inliers, error_px=error
    )


def _by_people(reference: View, frame: View, pairs: Array, options: AlignOptions) -> Aligned | Unaligned:
    shift = common_shift(reference, frame, pairs)
    matrix = np.eye(3) if shift is None else shift_matrix(*shift)
    evidence = no_evidence()
    for _ in range(6):
        evidence = people_evidence(reference, frame, pairs, matrix) + shading_evidence(reference, frame, matrix)
        matrix = moved(matrix, solve(evidence, matrix, reference.size), reference.size)
    error = expected_error_px(evidence, matrix, reference.size)
    if error > options.max_plain_error_px * reference.size[0] / REFERENCE_WIDTH_PX:
        return Unaligned(
            reason=f"Its background is too plain to match, and its people place it only to within "
            f"{error:.0f} pixels."
        )
    return Aligned(
        reference_from_frame=frozen(matrix),
        model="people",
        inliers=len(pairs),
        error_px=error,
        note="The background is too plain to match; placed by the people, who move by themselves.",
    )
