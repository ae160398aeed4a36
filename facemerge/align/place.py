"""Places one frame on the reference, and knows how well: background first, people where there is none."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge.align.motion import Evidence, corner_shift_px, expected_error_px, moved, no_evidence, solve
from facemerge.align.people import common_motion, matched_faces, own_move_px, people_evidence, zoom_by_faces
from facemerge.align.shading import Shading, shading_of
from facemerge.align.start import matched_start, voted_starts
from facemerge.align.tiles import TEXTURED, Tiles, textured_share, tile_evidence, tiles_of
from facemerge.align.view import View, level_from_level
from facemerge.imaging import transform
from facemerge.options import AlignOptions
from facemerge.words import Aligned, Array, Float, Unaligned, frozen

REFERENCE_WIDTH_PX = 2400
"""Picture width for which the limits in the options are meant."""
SHARED_TEXTURE = 0.4
"""Share of the textured tiles that must look alike in both frames of one scene."""
ALIKE = 0.5
"""Correlation from which two tiles look alike."""
PLAIN_SHARE = 0.1
"""Share of textured background below which a background is plain; above three times that it surely is not."""
SHADING_HELPS = 0.8
"""Share of the people's expected error that shading must undercut to be listened to."""
SHADING_DOUBT = 1.25
"""What shading's expected error is raised by: its flaws hang together beyond what held-out regions show.

Root mean square of the true error over that of the expected one without this factor, on two bursts of known
truth with frames as the reference in turn: 1.15 and 0.99. People alone need no factor: 0.95 and 0.76.
"""
LENS_GAIN = 10.0
"""Twice the gain in log-likelihood for which the lens's two numbers are worth fitting (common practice)."""
SCENE_GAIN = 100.0
"""The same, over a camera that stood still, from which shading is the scene's and not the lens's.

Measured: at most 96 where only a lens shaded a drawn backdrop; 2,900 and more for clouds and lit backdrops,
26 to 1,100 for faint clouds through a lens that loses 30 % in the corners.
"""
SETTLING_STEPS = 12
MOST_STEPS = 6
LIKENESS = 90.0
"""What the likeness of all tiles together counts for: 30 independent ones."""
REPEATS = 0.97
"""Share of the best likelihood from which another placement is as good."""
GUESS_SD = 0.003
"""How far turns and zooms put the people's common motion off, as a share of the width."""
LIMIT_FACES = 0.12
"""Error, in face widths, up to which a head can still be placed on its own before a plain background."""
ROUGH_FACES = 0.2
"""Error, in face widths, up to which a frame gives faces: each is registered by itself."""
LAYOUT_SHARE, SAME_LAYOUT, FLAT = 0.04, 0.6, 3.0
"""Width over which light and dark of a background are averaged, as a share of the picture's; their
correlation from which two backgrounds are one, however badly they lie on each other; and the standard
deviation, in 8-bit steps, below which there is nothing to go by. Of 18 frames of hand-held clips of near
groups the correlation is 0.79 and more, of drawn backgrounds of one kind in another place 0.19 and less."""
ROUGH_NOTE = "Placed only to within {error_px:.1f} px: whoever comes from it is placed by the face alone."
STILL_PX = 0.1
"""Shift, in pixels at the reference width, below which a camera stood still."""
PLAIN_NOTES = {
    "people": "The background is too plain to match; placed by the people, who move by themselves.",
    "shading": "The background is too plain to match; placed by its faint shading and by the people.",
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Placed:
    """A placement by the background, and what speaks for it."""

    matrix: Float
    error_px: float
    inliers: int
    trusted: bool


def align_reference(view: View) -> Aligned:
    """Return the placement of the reference on itself."""
    return Aligned(reference_from_frame=frozen(np.eye(3)), model="reference", inliers=0, error_px=0.0)


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
            reason=f"It is {frame.size[0]} x {frame.size[1]} pixels, the others are "
            f"{reference.size[0]} x {reference.size[1]}."
        )
    zoom = zoom_by_faces(reference, frame)
    pair = _Pair(reference=reference, frame=frame, faces=matched_faces(reference, frame, zoom), zoom=zoom)
    if not len(pair.faces) and min(len(reference.faces), len(frame.faces)) >= 2:
        return Unaligned(reason="None of the people of the other frames was recognised in it.")
    shares = sorted((textured_share(reference), textured_share(frame)))
    plain = shares[0] < PLAIN_SHARE
    placed = _by_background(pair, plain=plain)
    match placed:
        case Unaligned():
            return placed
        case _Placed():
            return _answer(pair, placed, options)
    if not plain or shares[1] > 3 * PLAIN_SHARE:
        matrix, error = _settled(pair, pair.guess, pair.people)
        rough = _roughly(pair, matrix, error) if _same_layout(pair, matrix) else None
        return rough or Unaligned(reason="Its background is not that of the other frames.")
    if not pair.shows_most_people:
        return Unaligned(
            reason="Its background is too plain to match, and it shows too few of the same people."
        )
    return _by_people(pair, options)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Pair:
    """The two frames at hand."""

    reference: View
    frame: View
    faces: Array
    """(N, 2) which face of the reference is which of the frame."""
    zoom: float
    """Change of scale that the faces tell of."""

    def shading(self, matrix: Float, *, lens: bool) -> Shading:
        return shading_of(self.reference, self.frame, matrix, lens=lens)

    @property
    def shows_most_people(self) -> bool:
        """Whether at least half of those who could be in both frames are known to be."""
        return 2 * len(self.faces) >= max(min(len(self.reference.faces), len(self.frame.faces)), 1)

    @property
    def guess(self) -> Float:
        """(3, 3) the people's common motion, frame to reference."""
        return common_motion(self.reference, self.frame, self.faces, self.zoom)

    @property
    def levels(self) -> int:
        return len(self.reference.levels)

    @property
    def second_coarsest(self) -> int:
        return max(self.levels - 2, 0)

    def people(self, matrix: Float) -> Evidence:
        return people_evidence(self.reference, self.frame, self.faces, matrix)

    def own_move_px(self, matrix: Float) -> float:
        return own_move_px(self.reference, self.frame, self.faces, matrix)

    def group_doubt_px(self, matrix: Float) -> float:
        """How far the people's median motion may be from the camera's, one standard deviation."""
        # A median of n is as good as a mean of 2 n / pi.
        return self.own_move_px(matrix) * float(np.sqrt(np.pi / 2 / len(self.faces)))

    def tiles(self, level: int, matrix: Float) -> Tiles:
        return tiles_of(self.reference, self.frame, level, matrix)

    def improved(self, matrix: Float, evidence: Evidence) -> Float:
        size = self.reference.size
        return moved(matrix, solve(evidence, matrix, size, self.zoom), size)

    def error_px(self, matrix: Float, evidence: Evidence) -> float:
        return expected_error_px(evidence, matrix, self.reference.size, self.zoom)


def _by_background(pair: _Pair, *, plain: bool) -> _Placed | Unaligned | None:
    """Return the first placement that the background confirms; None if none does."""
    guess = pair.guess
    sd, own = None, []
    if len(pair.faces):
        # The people's own guess is always tried: votes count in whole pixels, and miss a small period's peak.
        own = [guess]
        sd = float(np.hypot(pair.group_doubt_px(guess), GUESS_SD * pair.reference.size[0]))
    starts = own + voted_starts(pair.reference, pair.frame, guess, sd)
    if starts:
        refined = [_coarsely(pair, m) for m in starts]
        scores = [_likelihood(pair, m) for m in refined]
        best = refined[int(np.argmax(scores))]
        placed = _finely(pair, best)
        if placed.trusted:
            if not len(pair.faces) and _repeats(pair, best, refined, scores):
                return Unaligned(
                    reason="Its background repeats itself, and no people tell which part is which."
                )
            return placed
    # On a plain background keypoints are noise and sleeves.
    start = None if plain else matched_start(pair.reference, pair.frame)
    if start is not None:
        placed = _finely(pair, _coarsely(pair, start))
        if placed.trusted:
            return placed
    return None


def _repeats(pair: _Pair, best: Float, refined: list[Float], scores: list[float]) -> bool:
    far = 4 * pair.reference.levels[-1].scale
    return any(
        score > REPEATS * max(scores) and corner_shift_px(best, m, pair.reference.size) > far
        for m, score in zip(refined, scores, strict=True)
    )


def _coarsely(pair: _Pair, matrix: Float) -> Float:
    """Return a start improved on the two coarsest levels, where few tiles must do."""
    for level in range(pair.levels - 1, pair.second_coarsest - 1, -1):
        for _ in range(MOST_STEPS):
            seen, _ = tile_evidence(pair.tiles(level, matrix), pair.reference, strict=False)
            better = pair.improved(matrix, seen + pair.people(matrix))
            went = corner_shift_px(matrix, better, pair.reference.size) / pair.reference.levels[level].scale
            matrix = better
            if went < 0.05:
                break
    return matrix


def _likelihood(pair: _Pair, matrix: Float) -> float:
    """Return a log-likelihood of a coarse placement: likeness of the tiles, less the people's surprise."""
    correlation = np.clip(pair.tiles(pair.second_coarsest, matrix).correlation, 0, 0.97)
    alike = -LIKENESS * float(np.log(1 - correlation**2).mean()) if len(correlation) else 0.0
    if not len(pair.faces):
        return alike
    rest = pair.reference.faces[pair.faces[:, 0]] - transform(matrix, pair.frame.faces[pair.faces[:, 1]])
    off = float(np.linalg.norm(np.median(rest, axis=0)))
    return alike - (off / pair.group_doubt_px(matrix)) ** 2 / 2


def _finely(pair: _Pair, matrix: Float) -> _Placed:
    """Return the placement that ever finer levels, each together with all coarser ones, agree on.

    So a level without texture of its own (a blurred frame) leaves standing what the coarser ones found.
    """
    inliers, error, alike = 0, float("inf"), True
    for finest in range(pair.second_coarsest, -1, -1):
        for _ in range(MOST_STEPS):
            all_tiles = {level: pair.tiles(level, matrix) for level in range(finest, pair.levels)}
            seen, inliers = pair.people(matrix), 0
            for tiles in all_tiles.values():
                evidence, agree = tile_evidence(tiles, pair.reference, strict=True)
                seen = seen + evidence
                inliers = inliers or int(agree.sum())
            if not inliers:
                break
            better = pair.improved(matrix, seen)
            went = corner_shift_px(matrix, better, pair.reference.size) / pair.reference.levels[finest].scale
            matrix, error = better, pair.error_px(better, seen)
            alike = _same_scene(all_tiles[pair.second_coarsest])
            # The next level goes on from here; a step is as small as the square of the one before.
            if went < (0.03 if finest == 0 else 0.3):
                break
    return _Placed(matrix=matrix, error_px=error, inliers=inliers, trusted=inliers > 0 and alike)


def _same_scene(tiles: Tiles) -> bool:
    textured: NDArray[np.bool_] = tiles.clear & (tiles.contrast > TEXTURED)
    if textured.sum() < 6:
        return True
    return bool((tiles.correlation[textured] > ALIKE).mean() >= SHARED_TEXTURE)


def _roughly(pair: _Pair, matrix: Float, error_px: float) -> Aligned | None:
    """Return a placement that is good enough for whoever is set in by their face alone; None if it is not.

    No single homography fits a near group before a near wall seen from a hand that moves.
    """
    if not pair.shows_most_people or error_px > ROUGH_FACES * float(np.median(pair.reference.widths)):
        return None
    return Aligned(
        reference_from_frame=frozen(matrix),
        model="rough",
        inliers=len(pair.faces),
        error_px=error_px,
        note=ROUGH_NOTE.format(error_px=error_px),
    )


def _same_layout(pair: _Pair, matrix: Float) -> bool:
    """Return whether light and dark are spread alike over two backgrounds that no homography joins."""
    one, other = pair.reference.levels[-1], pair.frame.levels[-1]
    m = level_from_level(one, other, matrix)
    laid = cv2.warpPerspective(pair.frame.shade, m, one.size)
    still = cv2.warpPerspective(pair.frame.open, m, one.size, flags=cv2.INTER_NEAREST)
    seen = (np.asarray(still, np.uint8) & pair.reference.open).astype(np.float32)
    sigma = LAYOUT_SHARE * one.size[0]
    share = cv2.GaussianBlur(seen, (0, 0), sigma) + 1e-6
    a, b = (
        np.asarray(cv2.GaussianBlur(p * seen, (0, 0), sigma) / share)[seen > 0]
        for p in (pair.reference.shade, np.asarray(laid, np.float32))
    )
    if len(a) < 2 or min(a.std(), b.std()) < FLAT:
        return False
    return bool(np.corrcoef(a, b)[0, 1] >= SAME_LAYOUT)


def _answer(pair: _Pair, placed: _Placed, options: AlignOptions) -> Aligned | Unaligned:
    reference = pair.reference
    unit = reference.size[0] / REFERENCE_WIDTH_PX
    error = placed.error_px
    if error > options.max_error_px * unit:
        return _roughly(pair, placed.matrix, error) or Unaligned(
            reason=f"Its background places it only to within {error:.1f} pixels."
        )
    if error < 0.5 * unit and corner_shift_px(placed.matrix, np.eye(3), reference.size) < max(
        STILL_PX * unit, error
    ):
        return Aligned(
            reference_from_frame=frozen(np.eye(3)), model="identity", inliers=placed.inliers, error_px=error
        )
    return Aligned(
        reference_from_frame=frozen(placed.matrix), model="homography", inliers=placed.inliers, error_px=error
    )


def _by_people(pair: _Pair, options: AlignOptions) -> Aligned | Unaligned:
    matrix, error, model = _people_and_shading(pair)
    limit = options.max_plain_error_px * pair.reference.size[0] / REFERENCE_WIDTH_PX
    if len(pair.faces) >= 2:
        # Two people who fill the frame move by more pixels than twenty do, and are no harder to set in.
        limit = max(limit, LIMIT_FACES * float(np.median(pair.reference.widths)))
    if error > limit:
        return Unaligned(
            reason="Its background is too plain to match, and its people place it only to within "
            f"{error:.0f} pixels."
        )
    return Aligned(
        reference_from_frame=frozen(matrix),
        model=model,
        inliers=len(pair.faces),
        error_px=error,
        note=PLAIN_NOTES[model],
    )


def _people_and_shading(pair: _Pair) -> tuple[Float, float, str]:
    """Return the placement by people and by the background's shading, its expected error, and its model.

    Shading may belong to the lens and not to the scene; then it says that nothing moved. So it must not
    contradict the people, and where it says 'nothing moved' the people alone vouch for the error.
    """
    by_people, people_error = _settled(pair, pair.guess, pair.people)
    by_shading, shading_error, lens = _by_shading(pair, by_people)
    if shading_error > SHADING_HELPS * people_error:
        return by_people, people_error, "people"
    middle = pair.frame.faces[pair.faces[:, 1]].mean(axis=0)
    apart = float(np.linalg.norm(transform(by_people, middle) - transform(by_shading, middle)))
    if apart > 3 * float(np.hypot(pair.group_doubt_px(by_people), shading_error)):
        return by_people, people_error, "people"
    both, error = _settled(pair, by_shading, lambda m: pair.people(m) + pair.shading(m, lens=lens).evidence)
    # Shading that is doubted more than the people still leaves the people.
    error = min(SHADING_DOUBT * error, max(error, people_error))
    if _gain(pair.shading(np.eye(3), lens=False), pair.shading(by_shading, lens=lens)) < SCENE_GAIN:
        error = max(error, people_error)
    return both, error, "shading"


def _by_shading(pair: _Pair, start: Float) -> tuple[Float, float, bool]:
    """Return the placement by shading, its expected error, and whether the lens had to be blamed for some."""
    plain, plain_error = _settled(pair, start, lambda m: pair.shading(m, lens=False).evidence)
    blamed, blamed_error = _settled(pair, start, lambda m: pair.shading(m, lens=True).evidence)
    if _gain(pair.shading(plain, lens=False), pair.shading(blamed, lens=True)) > LENS_GAIN:
        return blamed, blamed_error, True
    return plain, plain_error, False


def _gain(one: Shading, other: Shading) -> float:
    """Return twice the gain in log-likelihood of the other explanation."""
    return (one.misfit / max(other.misfit, 1e-9) - 1) * other.independent


def _settled(pair: _Pair, matrix: Float, witness: Callable[[Float], Evidence]) -> tuple[Float, float]:
    """Return the matrix on which a witness settles, and its expected error in pixels."""
    evidence = no_evidence()
    for _ in range(SETTLING_STEPS):
        evidence = witness(matrix)
        better = pair.improved(matrix, evidence)
        went = corner_shift_px(matrix, better, pair.reference.size)
        matrix = better
        if went < 0.02 * pair.reference.levels[-1].scale:
            break
    return matrix, pair.error_px(matrix, evidence)
