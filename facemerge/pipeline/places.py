"""Where people stand, in words: 'third from left, back row'."""

from __future__ import annotations

from collections.abc import Sequence

from facemerge.words import Person

_NTH = ("", "", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth")


def row_names(people: Sequence[Person]) -> dict[int, str]:
    """Return by row, back to front, what it is called."""
    rows = sorted({p.row for p in people})
    return {row: _row_name(i, len(rows)) for i, row in enumerate(rows)}


def places(people: Sequence[Person]) -> dict[str, str]:
    """Return by person id where they stand, as one sees it in the picture.

    Parameters
    ----------
    people
        Ordered back row to front, left to right, as `tracks` gives them.
    """
    rows = row_names(people)
    found = {}
    for row, name in rows.items():
        members = [p.id for p in people if p.row == row]
        for i, person in enumerate(members):
            where = _in_row(i, len(members))
            found[person] = ", ".join(w for w in (where, name if len(rows) > 1 else "") if w)
    return found if len(people) > 1 else dict.fromkeys(found, "the only person")


def _row_name(index: int, count: int) -> str:
    if count == 1:
        return "row"
    if index in (0, count - 1):
        return "front row" if index else "back row"
    return "middle row" if count == 3 else f"row {index + 1} from the back"


def _in_row(index: int, count: int) -> str:
    """Return the place in a row, counted from the nearer end."""
    right = count - 1 - index
    if count == 1:
        return ""
    if count == 2:
        return "right" if index else "left"
    if index == right:
        return "middle" if count == 3 else f"{_nth(index + 1)} from left"
    if min(index, right) == 0:
        return "far left" if index == 0 else "far right"
    return f"{_nth(index + 1)} from left" if index < right else f"{_nth(right + 1)} from right"


def _nth(number: int) -> str:
    return _NTH[number] if number < len(_NTH) else f"number {number}"
