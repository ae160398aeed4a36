"""What a burst's sharpness says of the camera: which row the focus lay on, and when the camera shook.

One soft face is a person's own affair. A row that is soft while another is sharp is a missed focus plane:
at portrait distances the depth of field is often thinner than two rows. A group that is smeared alike, in one
direction and by one length, is the camera's movement, for people do not move alike. Words in, words out.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Sequence

import numpy as np

from facemerge.words import Part, Score

SHARP, SOFT = 0.7, 0.5
"""Sharpness from which a face counts as sharp, and below which as soft; between, as neither."""
MOST = 2 / 3
"""Share of a row's faces that must be soft before the row is."""
FEW = 1 / 4
"""Share of the faces that may be sharp though the camera shook."""
ALIKE = 0.9
"""Resultant length of doubled directions from which they are one: about 13 degrees around the mean."""
ALIKE_LENGTHS = 0.4
"""Width of the middle half of the streaks' lengths over their median, up to which they are one."""
NAMED = 3
"""Frames that are named; of more, the number is told."""


def row_notes(
    rows: Sequence[int], scores: Sequence[Sequence[Score | None]], frames: Sequence[str]
) -> tuple[str, ...]:
    """Return what the sharpness of whole rows says about the burst.

    Parameters
    ----------
    rows
        One a person: 0 is the back row.
    scores
        One a person, each one a frame; None where the person is missing.
    frames
        Names of the frames.

    Returns
    -------
    tuple of str
        Plain sentences: rows that are never sharp, frames in which the camera shook, rows the focus lay on.
        Empty if there is nothing to say.
    """
    shots = [_Shot(rows, [own[f] for own in scores]) for f in range(len(frames))]
    never = _never_sharp(shots)
    notes = _notes_of_never(shots, never)
    shaken = [(f, s.shake_px) for f, s in enumerate(shots) if s.shake_px is not None]
    if shaken:
        lengths = [px for _, px in shaken]
        notes.append(
            f"Camera shake {_where([f for f, _ in shaken], frames)}: the whole group moved by {_px(lengths)}."
        )
    missed = [f for f, s in enumerate(shots) if s.all_soft]
    if missed and not set(shots[missed[0]].names) <= never:
        notes.append(f"The focus missed everybody {_where(missed, frames)}.")
    return tuple(notes + _notes_of_focus(shots, never, frames))


def with_row_reasons(
    rows: Sequence[int], scores: Sequence[Sequence[Score | None]]
) -> tuple[tuple[Score | None, ...], ...]:
    """Return the same scores, the reason of soft faces telling of the row or the camera where it was that.

    Parameters
    ----------
    rows, scores
        As in `row_notes`. Values are not touched.
    """
    told: list[list[Score | None]] = [list(own) for own in scores]
    for f in range(max((len(own) for own in scores), default=0)):
        shot = _Shot(rows, [own[f] for own in scores])
        for p, score in enumerate(own[f] for own in scores):
            reason = None if score is None else shot.reason(rows[p], score)
            if score is not None and reason:
                part = Part(value=score.sharpness.value, reason=reason)
                told[p][f] = dataclasses.replace(score, sharpness=part)
    return tuple(tuple(own) for own in told)


class _Shot:
    """What one frame shows of its rows."""

    def __init__(self, rows: Sequence[int], scores: Sequence[Score | None]) -> None:
        self.faces: dict[int, list[Score]] = {}
        for row, score in zip(rows, scores, strict=True):
            if score is not None and score.sharpness.value is not None:
                self.faces.setdefault(row, []).append(score)
        present = sorted(set(rows))
        self.names = {row: _row_name(i, len(present)) for i, row in enumerate(present)}
        self.shake_px = _shake(self.seen)
        counts = {row: len(faces) for row, faces in self.faces.items()}
        self.soft = {r for r, faces in self.faces.items() if sum(map(_is_soft, faces)) >= MOST * counts[r]}
        self.soft -= {r for r in self.soft if any(map(_is_sharp, self.faces[r]))}
        self.sharp = {r for r, faces in self.faces.items() if 2 * sum(map(_is_sharp, faces)) >= counts[r]}

    @property
    def seen(self) -> list[Score]:
        """Every face whose sharpness is known."""
        return [score for faces in self.faces.values() for score in faces]

    @property
    def all_soft(self) -> bool:
        """Whether every row is out of focus; one person alone is no group."""
        return len(self.seen) > 1 and self.soft == set(self.faces)

    def reason(self, row: int, score: Score) -> str | None:
        """Return why a soft face of this row is soft, if it is not its own affair."""
        if self.shake_px is not None and _streak(score):
            return f"camera shake, {_streak(score):.0f} px"
        if row in self.soft and self.sharp and _is_soft(score):
            return f"focus on {_listed(self.names[r] for r in sorted(self.sharp))}, {_blur([score])}"
        return None


def _value(score: Score) -> float:
    return 0.0 if score.sharpness.value is None else score.sharpness.value


def _is_sharp(score: Score) -> bool:
    return _value(score) >= SHARP


def _streak(score: Score) -> float:
    return score.detail.get("motion_px", 0.0)


def _is_soft(score: Score) -> bool:
    """Whether a face is out of focus, as against moved."""
    return _value(score) < SOFT and not _streak(score)


def _shake(seen: Sequence[Score]) -> float | None:
    """Return the length of the streak that a whole group shares, in pixels; None if it does not."""
    moved = [s for s in seen if _streak(s)]
    if len(moved) < max(2, len(seen) / 2) or sum(map(_is_sharp, seen)) > FEW * len(seen):
        return None
    lengths = np.array([_streak(s) for s in moved])
    # A streak has no head or tail: 179 and 1 degrees are neighbours.
    doubled = np.deg2rad([2 * s.detail.get("motion_deg", 0.0) for s in moved])
    if np.hypot(np.cos(doubled).mean(), np.sin(doubled).mean()) < ALIKE:
        return None
    low, middle, high = np.percentile(lengths, [25, 50, 75])
    return float(middle) if high - low <= ALIKE_LENGTHS * middle else None


def _never_sharp(shots: Sequence[_Shot]) -> set[int]:
    """Return the rows of which nobody is sharp in any frame, and that are soft in most."""
    never = set()
    for row in {r for s in shots for r in s.faces}:
        there = [s for s in shots if row in s.faces]
        soft = sum(row in s.soft for s in there)
        if soft >= MOST * len(there) and not any(_is_sharp(x) for s in there for x in s.faces[row]):
            never.add(row)
    return never


def _notes_of_never(shots: Sequence[_Shot], never: set[int]) -> list[str]:
    rows = {r for s in shots for r in s.faces}
    if not never:
        return []
    if never == rows:
        return [f"Nobody is sharp in any frame: {_blur(_soft_faces(shots, rows))} at the eyes."]
    notes = []
    for row in sorted(never):
        focus = sorted(
            r for r in rows - never if sum(r in s.sharp for s in shots if row in s.soft) * 2 > len(shots)
        )
        names = shots[0].names
        lay = f"; the focus lay on {_listed(names[r] for r in focus)}" if focus else ""
        blur = _blur(_soft_faces(shots, {row}))
        notes.append(f"Nobody in {names[row]} is sharp in any frame: {blur} at the eyes{lay}.")
    return notes


def _soft_faces(shots: Sequence[_Shot], rows: set[int]) -> list[Score]:
    return [x for s in shots for r in rows & set(s.faces) for x in s.faces[r] if _is_soft(x)]


def _notes_of_focus(shots: Sequence[_Shot], never: set[int], frames: Sequence[str]) -> list[str]:
    """Say in which frames one row was sharp and another soft; rows that never are sharp were told of."""
    notes = []
    for row in sorted({r for s in shots for r in s.soft} - never):
        missed = [f for f, s in enumerate(shots) if row in s.soft and s.sharp]
        # One soft face in one frame is no plane of focus.
        if sum(len(shots[f].faces[row]) for f in missed) < 2:
            continue
        on = {r for f in missed for r in shots[f].sharp}
        names = shots[0].names
        blur = _blur([x for f in missed for x in shots[f].faces[row] if _is_soft(x)])
        notes.append(
            f"The focus lies on {_listed(names[r] for r in sorted(on))} {_where(missed, frames)}: "
            f"{names[row]} is soft there, {blur}."
        )
    return notes


def _row_name(index: int, count: int) -> str:
    if count == 1:
        return "the row"
    if index == 0:
        return "the back row"
    if index == count - 1:
        return "the front row"
    if count == 3:
        return "the middle row"
    return f"row {index + 1} from the back"


def _listed(names: Iterable[str]) -> str:
    return " and ".join(names)


def _where(found: Sequence[int], frames: Sequence[str]) -> str:
    share = "in every frame" if len(found) == len(frames) else f"in {len(found)} of {len(frames)} frames"
    if len(found) == len(frames) or len(found) > NAMED:
        return share
    return f"{share} ({', '.join(frames[f] for f in found)})"


def _px(lengths: Sequence[float]) -> str:
    low, high = round(min(lengths)), round(max(lengths))
    return f"about {low} px" if low == high else f"{low} to {high} px"


def _blur(faces: Sequence[Score]) -> str:
    """Return the usual blur of some faces in words; pixels finer than one cannot be told."""
    px = [s.blur_px for s in faces if s.blur_px is not None]
    return f"blur about {max(float(np.median(px)), 1.0):.0f} px" if px else "blur"
