"""What the page shows, as JSON says it."""

from __future__ import annotations

from typing import Any

import numpy as np

from facemerge import imaging, text
from facemerge.pipeline.places import places
from facemerge.pipeline.reviewing import Finished
from facemerge.review.engine import Engine, Shown
from facemerge.words import Aligned, Analysis, Face, Part, Person, Pick, Risk, Score

_URGENCY = {"retouch": 0, "inspect": 1, "clear": 2}


def described(work: Finished, engine: Engine, shown: Shown) -> dict[str, Any]:
    """Return a state of the picture: frames, base and people, first who needs attention most.

    Parameters
    ----------
    work, engine
        The result under review, and what makes its pictures.
    shown
        What is decided and shown.
    """
    analysis, decided, choice = work.analysis, shown.decisions, shown.choice
    index = {f.name: i for i, f in enumerate(analysis.frames)}
    told = _as_told(work, shown)
    where, areas, weak = places(analysis.people), engine.areas(shown), engine.places(shown)
    people = []
    for person, pick in zip(analysis.people, choice.picks, strict=True):
        risk = shown.made.risks.get(person.id)
        people.append(
            {
                "id": person.id,
                "place": where[person.id],
                "row": person.row,
                "box": _box(analysis, person, choice.base),
                "pick": pick.frame,
                "forced": person.id in decided.force,
                "kept": person.id in decided.keep,
                "from_base": pick.from_base,
                "why": told["why"].get(person.id, pick.why),
                "flag": risk.flag if risk else "clear",
                "risk": round(risk.value, 3) if risk else 0.0,
                "reasons": list(text.reasons_of(pick, risk)),
                "note": decided.notes.get(person.id, ""),
                **_touches(analysis, shown, pick),
                "area": list(areas[person.id]) if person.id in areas else None,
                "weak": [list(at) for at in weak.get(person.id, ())],
                "weak_words": list(text.places(risk)) if risk else [],
                "weak_donors": _donors(person.id, risk) if risk else [],
                "faces": _faces(analysis, person, decided.forbid),
            }
        )
    return {
        "size": list(engine.size(shown)),
        "screen": list(engine.screen_size(shown)),
        "frames": [
            {
                "index": i,
                "name": frame.name,
                "aligned": isinstance(fate, Aligned),
                "note": fate.note if isinstance(fate, Aligned) else fate.reason,
            }
            for i, (frame, fate) in enumerate(zip(analysis.frames, analysis.alignments, strict=True))
        ],
        "base": choice.base,
        "base_forced": decided.base is not None,
        "base_why": told["base_why"] or choice.why,
        "forbidden": sorted(index[f] for who, f in decided.forbid if who == "*" and f in index),
        "notes": [*analysis.notes, *shown.made.notes],
        "people": sorted(people, key=lambda p: (_URGENCY[p["flag"]], _margin(p))),
    }


def _as_told(work: Finished, shown: Shown) -> dict[str, Any]:
    """Return the report's reasons for the base and, by person id, for picks, as far as they still stand.

    Whoever only stays as seen was chosen for a reason.
    """
    names = [f.name for f in work.analysis.frames]
    decided, choice, report = shown.decisions, shown.choice, work.report
    if decided.stays is None or names[choice.base] != report["base"]:
        return {"base_why": None, "why": {}}
    picks = {p.person: names[p.frame] for p in choice.picks}
    said = decided.force.keys() | decided.keep
    return {
        "base_why": None if decided.base else report.get("base_why"),
        "why": {
            p["id"]: p["why"]
            for p in report["people"]
            if p.get("why") and p["pick"] == picks[p["id"]] and p["id"] not in said
        },
    }


def _donors(person: str, risk: Risk) -> list[str]:
    """Return by place whose head's donor is to be shown there: somebody who was not set in has none."""
    return [f.words or person for f in risk.faults if f.at] or [person] * len(risk.places)


def _margin(person: dict[str, Any]) -> float:
    """Return by how much a pick beats the next best face: near nought, one may see it otherwise."""
    scores = {face["frame"]: face["score"] for face in person["faces"]}
    own = scores.pop(person["pick"], 0.0)
    return float(own - max(scores.values(), default=0.0))


def _touches(analysis: Analysis, shown: Shown, pick: Pick) -> dict[str, Any]:
    base, donor = analysis.frames[shown.choice.base].name, analysis.frames[pick.frame].name
    found = None if pick.from_base else shown.decisions.touches(pick.person, base, donor)
    return {
        "touched": found is not None,
        "widen_px": found.widen_px if found else 0,
        "strokes": len(found.strokes) if found else 0,
    }


def _box(analysis: Analysis, person: Person, base: int) -> list[float]:
    """Return where a face lies in the base; where it would lie, if the person was not found there."""
    own = person.faces[base]
    if isinstance(own, Face):
        return [round(v, 1) for v in own.box]
    frame, face = next(
        (f, face)
        for f, face in enumerate(person.faces)
        if isinstance(face, Face) and isinstance(analysis.alignments[f], Aligned)
    )
    corners = np.array(face.box, np.float64).reshape(2, 2)
    return imaging.transform(analysis.base_from_frame(base, frame), corners).round(1).ravel().tolist()


def _faces(analysis: Analysis, person: Person, forbid: frozenset[tuple[str, str]]) -> list[dict[str, Any]]:
    found = []
    for i, (face, score) in enumerate(zip(person.faces, analysis.scores[person.id], strict=True)):
        if not isinstance(face, Face):
            continue
        name = analysis.frames[i].name
        found.append(
            {
                "frame": i,
                "score": round(score.total, 3) if score else 0.0,
                "eyes": _value(score.eyes) if score else None,
                "sharpness": _value(score.sharpness) if score else None,
                "expression": _value(score.expression) if score else None,
                "words": _words(score),
                "forbidden": (person.id, name) in forbid,
            }
        )
    return found


def _words(score: Score | None) -> list[str]:
    """Return what is said of a face, what takes most of its score first."""
    if score is None:
        return []
    parts = sorted(score.parts.items(), key=lambda p: score.factors.get(p[0], 1.0))
    return [part.reason for _, part in parts if part.reason]


def _value(part: Part) -> float | None:
    return None if part.value is None else round(part.value, 3)
