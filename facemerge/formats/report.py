"""report.json: everything that was found, chosen and measured, for other programs and for the page.

The keys of the contract keep their names and meanings; `schema` changes if they ever do not.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from facemerge import text
from facemerge.errors import InputError
from facemerge.formats.files import read_plain, write_bytes
from facemerge.formats.program import NAME, version
from facemerge.imaging import full_scale
from facemerge.options import Options, as_dict
from facemerge.words import (
    Aligned,
    Analysis,
    Array,
    Choice,
    Face,
    Fault,
    Float,
    Head,
    Joint,
    Person,
    Pick,
    Risk,
    Score,
    Unaligned,
)

SCHEMA = "facemerge-report/1"
Report = dict[str, Any]

_UNTOUCHED = Risk(value=0.0, flag="clear")
_HALF = 0.5
"""Written for a score that cannot be told; the key 'unknown' beside it says so."""


def build_report(
    *,
    analysis: Analysis,
    choice: Choice,
    options: Options,
    heads: Sequence[Head] = (),
    risks: Mapping[str, Risk] | None = None,
    notes: Sequence[str] = (),
    composite: str | None = "composite.tif",
    layers: str | None = "composite.ora",
    layered_tiff: str | None = None,
) -> Report:
    """Return the report of a run.

    Parameters
    ----------
    analysis, choice, options
        What was known, what was chosen, and under which settings.
    heads
        The heads that were placed. A person whose head was placed has a mask.
    risks
        By person id, for everybody whose head was placed, or who needs a look for another reason: not found
        in the base, for one. Holds for a cull too. The others are clear.
    notes
        Sentences about the run beside those of the analysis: files left out and the like.
    composite, layers, layered_tiff
        File names as written, or None where none was made.

    Returns
    -------
    dict
        Ready for JSON: finite numbers only, rounded the same way each time, people and frames in their order.
    """
    frames = analysis.frames
    base = frames[choice.base]
    placed = {head.person: head for head in heads}
    picks = {pick.person: pick for pick in choice.picks}
    return {
        "schema": SCHEMA,
        "program": {"name": NAME, "version": version()},
        "size": list(base.size),
        "base": base.name,
        "base_why": choice.why,
        "composite": composite,
        "layers": layers,
        "layered_tiff": layered_tiff,
        "notes": [*analysis.notes, *notes],
        "frames": [_frame(analysis, choice.base, i) for i in range(len(frames))],
        "dropped": [
            {"file": frame.name, "reason": fate.reason}
            for frame, fate in zip(frames, analysis.alignments, strict=True)
            if isinstance(fate, Unaligned)
        ],
        "people": [
            _person(analysis, choice.base, p, picks[p.id], placed.get(p.id), (risks or {}).get(p.id))
            for p in analysis.people
        ],
        "options": as_dict(options),
    }


def _number(value: float | None, digits: int) -> float | None:
    if value is None or not math.isfinite(value):
        return None
    # Adding 0.0 turns -0.0 into 0.0.
    return round(float(value), digits) + 0.0


def _share(value: float | None) -> float:
    number = _number(value, 4)
    return _HALF if number is None else min(1.0, max(0.0, number))


def _frame(analysis: Analysis, base: int, index: int) -> Report:
    frame, fate = analysis.frames[index], analysis.alignments[index]
    record: Report = {"file": frame.name}
    match fate:
        case Aligned():
            matrix = analysis.base_from_frame(base, index)
            record |= {
                "aligned": True,
                "to_base": _matrix(matrix),
                "align_error_px": _number(analysis.error_to_base_px(base, index), 3),
                "note": fate.note,
                "model": fate.model,
            }
        case Unaligned():
            record |= {"aligned": False, "to_base": None, "align_error_px": None, "note": fate.reason}
    return record | {"size": list(frame.size), "time_s": _number(frame.time_s, 6)}


def _matrix(matrix: Float) -> list[list[float]]:
    return [[_significant(v) for v in row] for row in matrix.tolist()]


def _significant(value: float) -> float:
    # Twelve digits are far below a millionth of a pixel, and hide the last bits in which machines differ.
    return float(f"{value:.12g}") + 0.0


def _person(
    analysis: Analysis, base: int, person: Person, pick: Pick, head: Head | None, risk: Risk | None
) -> Report:
    said = text.reasons_of(pick, risk)
    risk = risk or _UNTOUCHED
    record: Report = {
        "id": person.id,
        "row": person.row,
        "pick": analysis.frames[pick.frame].name,
        "from_base": pick.from_base,
        "why": pick.why,
        "left": None if pick.left is None else analysis.frames[pick.left].name,
        "gain": _number(pick.gain, 4),
        "cost": _number(pick.cost, 4),
        "risk": _share(risk.value),
        "flag": risk.flag,
        "reasons": list(said),
        "faults": [_fault(fault) for fault in risk.faults],
        "mask": None if head is None else f"masks/{person.id}.png",
        "faces": [],
        "missing": [],
    }
    for frame, face, score in zip(analysis.frames, person.faces, analysis.scores[person.id], strict=True):
        if isinstance(face, Face):
            record["faces"].append(_face(frame.name, face, score))
        else:
            record["missing"].append({"frame": frame.name, "reason": face.reason})
    if head is not None:
        h, w = head.mask.shape
        record["area"] = [head.offset[0], head.offset[1], head.offset[0] + w, head.offset[1] + h]
        record["placement"] = head.placement
        record["extent"] = head.extent
        record["base_from_donor"] = None if head.base_from_donor is None else _matrix(head.base_from_donor)
        record["joint"] = _joint(head.joint)
        record["surroundings"] = _surroundings(analysis.people, base, person, head, risk.places)
    return record


def _surroundings(
    people: Sequence[Person], base: int, person: Person, head: Head, places: Sequence[tuple[float, float]]
) -> Report:
    """Return where the weakest place of a head lies, and who is beside it, for whoever goes there by hand.

    `where` is said from the face as the picture shows it; `near` is whose other face is nearest, up to a
    face's width away, and how far; `touches` are those whose faces the mask reaches, hair and ears left out.
    """
    own = person.faces[base]
    others = {p.id: _hull(f) for p in people if p is not person and isinstance(f := p.faces[base], Face)}
    said: Report = {
        "where": None,
        "near": None,
        "touches": [who for who, hull in others.items() if _reaches(head, hull)],
    }
    at = places[0] if places else None
    if at is None or not isinstance(own, Face):
        return said
    far = {who: max(0.0, -cv2.pointPolygonTest(hull, at, True)) for who, hull in others.items()}
    nearest = min(far, key=lambda who: far[who], default=None)
    if nearest is not None and far[nearest] <= own.box[2] - own.box[0]:
        said["near"] = {"person": nearest, "distance_px": _number(far[nearest], 1)}
    return said | {"where": _side(own.box, at)}


def _hull(face: Face) -> Array:
    return np.asarray(cv2.convexHull(face.landmarks[:, :2].astype(np.float32)))


def _reaches(head: Head, hull: Array) -> bool:
    """Return whether a head shows more than the base does anywhere on a face."""
    on = np.zeros(head.mask.shape, np.uint8)
    cv2.fillConvexPoly(on, np.rint(hull - np.array(head.offset, np.float32)).astype(np.int32), 1)
    return bool((on & (head.mask > full_scale(head.mask) // 2)).any())


def _side(box: tuple[float, float, float, float], at: tuple[float, float]) -> str:
    level = "above" if at[1] < box[1] else "below" if at[1] > box[3] else ""
    side = "left of" if at[0] < box[0] else "right of" if at[0] > box[2] else ""
    words = " and ".join(word for word in (level, side) if word)
    return f"{words} the face" if words else "on the face"


def _joint(joint: Joint) -> Report:
    fit = joint.misfit
    return {
        "misfit": None if fit is None else {name: _number(getattr(fit, name), 4) for name in fit.shares},
        "tone_delta_e": _number(joint.tone_delta_e, 3),
        "grain_ratio": _number(joint.grain_ratio, 3),
        "head_hidden": _number(joint.head_hidden, 4),
        "invented": _number(joint.invented, 4),
        "old_head_left": _number(joint.old_head_left, 4),
    }


def _fault(fault: Fault) -> Report:
    return {
        "kind": fault.kind.value,
        "chance": _share(fault.chance),
        "amount": _number(fault.amount, 3),
        "at": None if fault.at is None else [_number(v, 1) for v in fault.at],
        "size_px": _number(fault.size_px, 1),
        "person": fault.person,
        "words": fault.words,
    }


def _face(frame: str, face: Face, score: Score | None) -> Report:
    named = {
        "eyes_open": score.eyes.value if score else None,
        "sharpness": score.sharpness.value if score else None,
        "expression": score.expression.value if score else None,
        "score": score.total if score else None,
    }
    return {
        "frame": frame,
        "box": [_number(v, 2) for v in face.box],
        **{name: _share(value) for name, value in named.items()},
        "unknown": [name for name, value in named.items() if _number(value, 4) is None],
        "parts": _parts(score) if score else [],
        "blur_px": _number(score.blur_px if score else None, 3),
        "confidence": _number(face.confidence, 4),
        "detail": {name: _number(value, 4) for name, value in sorted(score.detail.items())} if score else {},
    }


def _parts(score: Score) -> list[Report]:
    """Return every part of a score, what takes most first: the factors' product is the score."""
    parts = [
        {
            "part": name,
            "value": _number(part.value, 4),
            "factor": _share(score.factors.get(name, 1.0)),
            "reason": part.reason,
        }
        for name, part in score.parts.items()
    ]
    return sorted(parts, key=lambda p: p["factor"])


def report_bytes(report: Report) -> bytes:
    """Return a report as the UTF-8 bytes of report.json.

    Raises
    ------
    ValueError
        If it holds a number that JSON does not know: infinite or not a number.
    """
    try:
        return (json.dumps(report, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode()
    except UnicodeEncodeError:
        # A path whose bytes are no UTF-8: half a pair of surrogates, which is text only when it is escaped.
        return (json.dumps(report, indent=1, allow_nan=False) + "\n").encode()


def write_report(path: Path, report: Report) -> None:
    """Write report.json.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    write_bytes(path, report_bytes(report))


def read_report(path: Path) -> Report:
    """Return an earlier report, for programs that go on from a finished result.

    Raises
    ------
    InputError
        If there is none, it is broken, or it is of a version this program does not know.
    """
    try:
        report = json.loads(read_plain(path).decode("utf-8-sig"))
    except OSError as error:
        raise InputError(f"The report {path} cannot be opened: {(error.strerror or '').lower()}.") from error
    except (ValueError, RecursionError) as error:
        raise InputError(f"{path} is not a report: it is broken, or not JSON.") from error
    schema = report.get("schema") if isinstance(report, dict) else None
    if not isinstance(schema, str) or not schema.startswith(f"{NAME}-report/"):
        raise InputError(f"{path} is JSON, but not a report of {NAME}.")
    if schema not in _READERS:
        raise InputError(f"{path} is a report of version {schema!r}; known here: {', '.join(_READERS)}.")
    try:
        return _READERS[schema](report)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise InputError(
            f"{path} is not a whole report: something is missing or of the wrong kind."
        ) from error


def _read_1(report: Report) -> Report:
    """Return a report of version 1 after looking at every key of the contract."""
    _need(len(report["size"]) == 2 and all(isinstance(v, int) and v > 0 for v in report["size"]))
    _need(all(report[key] is None or isinstance(report[key], str) for key in ("composite", "layers")))
    files = {frame["file"] for frame in report["frames"]}
    _need(report["base"] in files)
    for frame in report["frames"]:
        _need(isinstance(frame["aligned"], bool) and isinstance(frame["note"], str))
        _need(not frame["aligned"] or [len(row) for row in frame["to_base"]] == [3, 3, 3])
    for person in report["people"]:
        _need(
            isinstance(person["id"], str)
            and person["pick"] in files
            and isinstance(person["from_base"], bool)
        )
        _need(person["flag"] in ("clear", "inspect", "retouch") and 0 <= person["risk"] <= 1)
        _need(person["mask"] is None or isinstance(person["mask"], str))
        _need(all(isinstance(reason, str) for reason in person["reasons"]))
        for face in person["faces"]:
            _need(face["frame"] in files and len(face["box"]) == 4)
            _need(all(0 <= face[key] <= 1 for key in ("eyes_open", "sharpness", "expression", "score")))
    return report


def _need(holds: bool) -> None:
    if not holds:
        raise ValueError("not as the contract says")


_READERS: dict[str, Callable[[Report], Report]] = {SCHEMA: _read_1}
