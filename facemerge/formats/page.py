"""report.html: the report for a person, one file that asks nothing of anywhere.

The page shows what the report says and adds nothing to it; the words are in the template.
"""

from __future__ import annotations

import base64
import functools
import hashlib
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any

from jinja2 import Environment, StrictUndefined, Template
from markupsafe import Markup

from facemerge.formats.files import write_bytes
from facemerge.formats.previews import Pictures
from facemerge.formats.report import Report
from facemerge.words import PARTS

_FLAGS = ("retouch", "inspect", "clear")
_PART_NAMES = {name: name for name in PARTS} | {"visible": "in view"}


def write_page(path: Path, report: Report, pictures: Pictures) -> None:
    """Write report.html; parameters as `render_page`.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    write_bytes(path, render_page(report, pictures).encode("utf-8", "replace"))


def _room() -> Traversable:
    return files("facemerge.formats") / "templates"


@functools.cache
def _template() -> Template:
    # Compiled once: that takes as long as all else of a page.
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters |= {"picture": _data_uri, "hundred": _hundred, "plain": _plain, "px": _px}
    return environment.from_string((_room() / "report.html.j2").read_text("utf-8"))


def render_page(report: Report, pictures: Pictures) -> str:
    """Return the report as one HTML file with its style, its script and its pictures inside.

    Parameters
    ----------
    report
        As `report.build_report` or `report.read_report` gives it.
    pictures
        What there is to show; the page leaves out what is missing.
    """
    room = _room()
    script = (room / "report.js").read_text("utf-8")
    people, made = report["people"], report["composite"] is not None
    changed = [p for p in people if not p["from_base"]]
    # Who is not in the base was not changed, and is to be looked at all the more.
    told = [p for p in people if p["flag"] != "clear" or (made and not p["from_base"])]
    return _template().render(
        report=report,
        pictures=pictures,
        summary=summary(report),
        made=made,
        changed=changed,
        told={p["id"] for p in told},
        by_flag={flag: [p for p in told if p["flag"] == flag] for flag in _FLAGS},
        frames=[_frame(report, frame) for frame in report["frames"]],
        names=_PART_NAMES,
        rows=[_row(report, person) for person in people],
        style=Markup((room / "report.css").read_text("utf-8")),
        script=Markup(script),
        script_hash=base64.b64encode(hashlib.sha256(script.encode()).digest()).decode(),
    )


def summary(report: Report) -> str:
    """Return a run in one line: '8 people, 5 heads changed, 1 needs retouching, 1 to look at'."""
    people = report["people"]
    changed = [p for p in people if not p["from_base"]]
    who = _count(len(people), "person", "people")
    inspect = sum(p["flag"] == "inspect" for p in people)
    look = f", {inspect} to look at" if inspect else ""
    if report["composite"] is None:
        better = (
            f"{len(changed)} with a better head in another frame" if changed else "the base is best for all"
        )
        return f"{who} in {_count(len(report['frames']), 'frame', 'frames')}, {better}{look}"
    retouch = sum(p["flag"] == "retouch" for p in people)
    heads = f"{_count(len(changed), 'head', 'heads')} changed" if changed else "no head changed"
    needs = f"{retouch or 'none'} {'need' if retouch > 1 else 'needs'} retouching"
    return f"{who}, {heads}, {needs}{look}" if changed or retouch else f"{who}, {heads}{look}"


def _count(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}"


def _frame(report: Report, frame: Report) -> dict[str, Any]:
    """Return what the page says of one frame: what it was used for, or why not."""
    name = frame["file"]
    gives = [p["id"] for p in report["people"] if p["pick"] == name and not p["from_base"]]
    return {
        "name": name,
        "base": name == report["base"],
        "aligned": frame["aligned"],
        "error": frame.get("align_error_px"),
        "note": frame["note"],
        "gives": gives,
    }


def _row(report: Report, person: Report) -> dict[str, Any]:
    """Return one person's faces in the order of the frames, those not found among them.

    Nobody is picked from a frame they were not found in: who is missing in the base only stays as they are.
    """
    faces = {face["frame"]: face for face in person["faces"]}
    missing = {gap["frame"]: gap["reason"] for gap in person.get("missing", ())}
    cells = []
    for frame in report["frames"]:
        name = frame["file"]
        cells.append(
            {
                "frame": name,
                "face": faces.get(name),
                "reason": missing.get(name, ""),
                "picked": name == person["pick"] and name in faces,
                "base": name == report["base"],
            }
        )
    return {"person": person, "cells": cells, "in_base": report["base"] in faces}


def _data_uri(data: bytes) -> str:
    return f"data:image/jpeg;base64,{base64.b64encode(data).decode()}"


def _hundred(share: float) -> int:
    return round(100 * share)


def _px(value: float) -> str:
    return f"{value:.0f} px"


def _plain(value: object) -> str:
    if value is None:
        return "unknown"
    return f"{value:g}" if isinstance(value, float) else str(value)
