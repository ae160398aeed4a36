"""Sentences about what was found, made from kinds and numbers.

Nobody decides anything by reading one; another language would be another module like this.
"""

from __future__ import annotations

from collections.abc import Callable

from facemerge.words import Box, Fault, FaultKind, Pick, Risk

NOTHING_SHOWS = "nothing was found that a viewer should see"
NOTHING_CHANGED = "nothing was changed here"
NOT_MEASURED = "no head was placed, so nothing was measured"
HARDLY = "hardly to be seen"
SEVERAL = "several things together, each of them faint"
MOST_SAID = 5
SAID_ALWAYS = (
    FaultKind.TOUCHED,
    FaultKind.NOTED,
    FaultKind.ABSENT,
    FaultKind.LEFT,
    FaultKind.SHUT,
    FaultKind.FIRST_LOOK,
    FaultKind.TO_COME,
)
"""Said whatever the chance, and as they are."""

_PLACED: dict[FaultKind, str] = {
    FaultKind.BREAK: "an edge is broken",
    FaultKind.PATTERN: "a pattern breaks off",
    FaultKind.SMEAR: "texture is smeared",
    FaultKind.GHOST: "two pictures show through each other",
    FaultKind.STRIP: "a thin rim or sliver is left",
    FaultKind.STEP: "a step in tone",
    FaultKind.SHARPNESS: "sharpness mismatch",
}
_UNPLACED: dict[FaultKind, Callable[[Fault], str]] = {
    FaultKind.SHARPNESS: lambda f: f"sharpness mismatch: one frame is {2**f.amount:.1f} times as crisp",
    FaultKind.BORDER: lambda f: f"colours differ by {f.amount:.1f} dE along the border",
    FaultKind.POSE: lambda f: "the head is held differently in the two frames",
    FaultKind.COVERED: lambda f: "something lies before the face in one of the frames",
    FaultKind.OLD_SELF: lambda f: f"{100 * f.amount:.1f} % of the old head may still show beside the new one",
    FaultKind.HIDDEN: lambda f: "whoever stands in front covers a part of the new head",
    FaultKind.GRAIN: lambda f: f"grain differs: {f.amount:.1f} times as much in one frame",
    FaultKind.TOUCHED: lambda f: "its mask was touched up by hand, and looked over again",
    FaultKind.NOTED: lambda f: f"noted by hand: {f.words}",
    FaultKind.ABSENT: lambda f: f"not found in the base frame, so nothing was set in: {f.words}",
    FaultKind.FIRST_LOOK: lambda f: (
        "a first look: what the donor does not show is still to come, and nothing is measured yet"
    ),
    FaultKind.TO_COME: lambda f: "a first look: the head is not set in yet",
    FaultKind.SHUT: lambda f: "the eyes are shut in the picture",
    FaultKind.LEFT: lambda f: (
        f"left as in the base frame: {f.words} shows them better, but setting that in would be seen; "
        "the layered file has it as a hidden layer"
    ),
}


def reasons(risk: Risk) -> tuple[str, ...]:
    """Return what is to be said of a risk, the weightiest first; never empty, never against its flag.

    Faults of one kind are told together. Of a head that is clear, what little was found is called so.
    """
    told: dict[tuple[object, ...], list[Fault]] = {}
    for fault in risk.faults:
        told.setdefault((fault.kind, fault.person, fault.words, fault.at is None), []).append(fault)
    clear = risk.flag == "clear"
    said = []
    always = [faults for key, faults in told.items() if key[0] in SAID_ALWAYS]
    others = [faults for key, faults in told.items() if key[0] not in SAID_ALWAYS]
    for faults in (*others[:MOST_SAID], *always) if clear else (*always, *others[:MOST_SAID]):
        words = _sentence(faults, risk.face_box)
        said.append(f"{HARDLY}: {words}" if clear and faults[0].kind not in SAID_ALWAYS else words)
    if clear and not any(fault.kind in SAID_ALWAYS for fault in risk.faults):
        return (NOTHING_SHOWS, *said)
    return tuple(said) or (SEVERAL,)


def reasons_of(pick: Pick, risk: Risk | None) -> tuple[str, ...]:
    """Return what is to be said of somebody's pick; `risk` None: nothing was looked over."""
    if risk is not None:
        return reasons(risk)
    return (NOTHING_CHANGED if pick.from_base else NOT_MEASURED,)


def places(risk: Risk) -> tuple[str, ...]:
    """Return what is wrong at each of a risk's places, in their order."""
    said = tuple(_sentence([fault], risk.face_box) for fault in risk.faults if fault.at is not None)
    return said or reasons(risk)[:1] if risk.places else ()


def _sentence(faults: list[Fault], box: Box | None) -> str:
    first = faults[0]
    theirs = first.person is not None and not first.words
    # Of somebody else's pixels, where they lie about this head says little.
    where = "" if first.at is None or theirs else region(first.at, box)
    more = len(faults) - 1
    further = "" if not more else f", and {'one more place' if more == 1 else f'{more} more places'}"
    place = f"{where}{further}"
    if first.kind is FaultKind.NEIGHBOUR:
        words = f"a part of {first.person} as large as {_size(first.amount)} has changed{where}"
    elif first.kind is FaultKind.LINES:
        words = f"lines are off by {first.amount:.0f} px{place}"
    elif first.kind in _PLACED and (first.at is not None or first.kind not in _UNPLACED):
        words = f"{_PLACED[first.kind]}{place}"
    else:
        words = _UNPLACED[first.kind](first)
    if first.words and first.kind not in SAID_ALWAYS:
        return f"{words}, because {first.words} was set in"
    if first.person is not None and first.kind is not FaultKind.NEIGHBOUR:
        return f"{words}, on {first.person}"
    return words


def _size(faces: float) -> str:
    """Return an area in squared face widths in words."""
    return f"{max(1.0, 100 * faces):.0f} % of a face" if faces < 1 else f"{faces:.1f} faces"


def region(at: tuple[float, float], box: Box | None) -> str:
    """Return where a place lies about a face, as seen in the picture, with a space before it, or nothing.

    Parameters
    ----------
    at
        x, y.
    box
        x0, y0, x1, y1 of the face, in the same pixels; None: nothing is said.
    """
    if box is None:
        return ""
    x0, y0, x1, y1 = box
    across = (at[0] - (x0 + x1) / 2) / max(x1 - x0, 1e-6)
    down = (at[1] - y0) / max(y1 - y0, 1e-6)
    side = "left" if across < 0 else "right"
    if 0 <= down <= 1:
        return " on the face" if abs(across) <= 0.5 else f" beside the head, {side}"
    if down < 0:
        near = down > -0.6 and abs(across) <= 0.8
        return " at the hair" if near else f" above the head, {side}"
    if down <= 1.6:
        return " at the collar" if abs(across) <= 0.6 else f" at the shoulder, {side}"
    return " on the chest" if abs(across) <= 0.8 else f" at the arm, {side}"
