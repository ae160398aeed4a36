"""index.html and index.json: all groups of a card, what came of each, and the way to its report.

The page is one file that asks nothing of anywhere; it links only to the groups' own reports beside it.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from importlib.resources import files
from pathlib import Path
from typing import Any
from urllib.parse import quote

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from facemerge.errors import InputError
from facemerge.formats.files import read_plain
from facemerge.formats.program import NAME, version

INDEX = "index.json"
PAGE = "index.html"
SCHEMA = "facemerge-index/1"
Index = dict[str, Any]

STATES = ("failed", "made", "waiting", "idle")
"""What may have become of a group; 'idle' is not run, for a reason that is said."""


def is_ours(folder: Path) -> bool:
    """Return whether a folder holds results of this program: of one group, or of many."""
    return _says(folder / INDEX, b'"facemerge-index/') or _says(folder / "report.json", b'"facemerge-report/')


def is_index(folder: Path) -> bool:
    """Return whether a folder holds the results of many groups."""
    return _says(folder / INDEX, b'"facemerge-index/')


def _says(path: Path, words: bytes) -> bool:
    try:
        return words in read_plain(path, 4096)
    except OSError:
        return False


def build_index(*, groups: Sequence[Index], notes: Sequence[str], sorting: Mapping[str, Any]) -> Index:
    """Return the index of a card.

    Parameters
    ----------
    groups
        One dictionary a group, with at least name, state, frames, why, again, reason and taken; if it was
        made, summary, people, changed, inspect, retouch, report, composite and by_hand too.
    notes
        Sentences about files that were left out and the like.
    sorting
        What the sorting into groups depends on, so that a later run need not do it again.
    """
    return {
        "schema": SCHEMA,
        "program": {"name": NAME, "version": version()},
        "summary": summary(groups),
        "notes": list(notes),
        "groups": list(groups),
        "sorting": dict(sorting),
    }


def summary(groups: Sequence[Index]) -> str:
    """Return what became of a card in one line: '112 groups: 110 made, 2 failed; 12 to look at ...'."""
    count = {state: sum(g["state"] == state for g in groups) for state in STATES}
    run = len(groups) - count["idle"]
    states = (("made", "made"), ("failed", "failed"), ("waiting", "not made yet"))
    said = [f"{count[state]} {words}" for state, words in states if count[state]]
    groups_ = f"{run} group{'' if run == 1 else 's'}"
    line = f"{groups_} made" if count["made"] == run else f"{groups_}: {', '.join(said)}"
    made = [g for g in groups if g["state"] == "made"]
    retouch = sum(g["retouch"] > 0 for g in made)
    look = sum(g["inspect"] > 0 and not g["retouch"] for g in made)
    flags = [f"{retouch} with heads to retouch"] if retouch else []
    flags += [f"{look} to look at"] if look else []
    line += f"; {', '.join(flags)}" if flags else ""
    return line + (f"; {count['idle']} not run" if count["idle"] else "")


def index_bytes(index: Index) -> bytes:
    """Return an index as the UTF-8 bytes of index.json."""
    text = json.dumps(index, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    return text.encode("utf-8", "replace")


def read_index(path: Path) -> Index:
    """Return an earlier index.

    Raises
    ------
    InputError
        If there is none, it is broken, or of a version this program does not know.
    """
    try:
        index = json.loads(read_plain(path))
    except OSError as error:
        raise InputError(f"The index {path} cannot be opened: {(error.strerror or '').lower()}.") from error
    except (ValueError, RecursionError) as error:
        raise InputError(f"{path} is not an index: it is broken, or not JSON.") from error
    if not isinstance(index, dict) or index.get("schema") != SCHEMA:
        raise InputError(f"{path} is not an index of this program, or of a version it does not know.")
    return index


def render_index(index: Index, pictures: Mapping[str, str]) -> str:
    """Return the index as one HTML file with its style and its pictures inside.

    Parameters
    ----------
    index
        As `build_index` or `read_index` gives it.
    pictures
        Small JPEG files of the composites, base64, by the group's name.
    """
    room = files("facemerge.formats") / "templates"
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters |= {"link": lambda path: quote(path)}
    template = environment.from_string((room / "index.html.j2").read_text("utf-8"))
    groups = index["groups"]
    made = [g for g in groups if g["state"] == "made"]
    return template.render(
        index=index,
        pictures=pictures,
        by_state={state: [g for g in groups if g["state"] == state] for state in STATES},
        made=made,
        look=[g for g in made if g["retouch"]] + [g for g in made if g["inspect"] and not g["retouch"]],
        style=Markup((room / "report.css").read_text("utf-8") + (room / "index.css").read_text("utf-8")),
    )
