"""What several commands ask for, and what is made of the words given."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from facemerge.errors import OptionError

if TYPE_CHECKING:
    from facemerge.options import Options
    from facemerge.words import Decisions

# Places are asked for with `readable=False`: one that may not be read is no wrong word, and whoever opens it
# says so with an exit code of its own.
Burst = Annotated[
    list[Path],
    typer.Argument(
        metavar="BURST...", readable=False, help="A folder of frames of one group, or the frames themselves."
    ),
]
Out = Annotated[
    Path,
    typer.Option(
        "--out",
        "-o",
        metavar="OUT",
        readable=False,
        help="Folder for the result. It must be new, empty, or hold an earlier result, which is replaced.",
    ),
]
Base = Annotated[
    str | None,
    typer.Option("--base", metavar="FRAME", help="Use this frame as the base, into which heads are set."),
]
Take = Annotated[
    list[str],
    typer.Option("--take", metavar="P03=FRAME", help="Take this person's head from this frame. Repeatable."),
]
Avoid = Annotated[
    list[str],
    typer.Option(
        "--avoid",
        metavar="[P03=]FRAME",
        help="Take no head from this frame: this person's, or, without a person, anybody's. Repeatable.",
    ),
]
Keep = Annotated[
    list[str],
    typer.Option("--keep", metavar="P03", help="Leave this person as they are in the base. Repeatable."),
]
Decided = Annotated[
    Path | None,
    typer.Option(
        "--decisions",
        metavar="FILE",
        readable=False,
        help="Do what a decisions.json says, for example that of a review. What you say beside it (--base, "
        "--take, --avoid, --keep) comes on top and wins.",
    ),
]
Settings = Annotated[
    Path | None,
    typer.Option(
        "--settings",
        metavar="TOML",
        readable=False,
        help="A TOML file of settings; `facemerge options` lists them.",
    ),
]
Set = Annotated[
    list[str],
    typer.Option(
        "--set", metavar="NAME=VALUE", help="One setting, for example scores.weight_eyes=2. Repeatable."
    ),
]
Weigh = Annotated[
    list[str],
    typer.Option(
        "--weigh",
        metavar="PART=WEIGHT",
        help="How much a part of the score counts (eyes, sharpness, expression, gaze, pose, visible, light), "
        "for example eyes=2. Repeatable.",
    ),
]
ModelFolder = Annotated[
    Path | None,
    typer.Option(
        "--models", metavar="FOLDER", readable=False, help="A folder of your own that holds the model files."
    ),
]
Afresh = Annotated[
    bool,
    typer.Option(
        "--afresh",
        help="Look at every frame anew, and keep nothing beside OUT. Otherwise what was seen of the frames "
        "is kept in OUT.facemerge-cache, so that the next run is quick; that folder may be deleted any time.",
    ),
]
Timings = Annotated[bool, typer.Option("--timings", help="Say at the end where the time went, step by step.")]


def options_from(settings: Path | None, assignments: Sequence[str], weights: Sequence[str]) -> Options:
    from facemerge import options
    from facemerge.words import PARTS

    layers: list[dict[str, object]] = []
    if settings is not None:
        layers.append(options.parse_toml(text_of(settings, "settings file"), str(settings)))
    layers.append(options.parse_assignments(assignments))
    named = options.parse_assignments(weights, "--weigh takes a part and its weight, eyes=2")
    for part in named:
        if part not in PARTS:
            raise OptionError(f"--weigh knows {', '.join(PARTS)}, not {part!r}.")
    layers.append({f"scores.weight_{part}": weight for part, weight in named.items()})
    return options.build(*layers)


def text_of(path: Path, what: str) -> str:
    from facemerge.formats.files import read_plain

    try:
        return read_plain(path).decode().replace("\r\n", "\n")
    except (OSError, UnicodeDecodeError) as error:
        raise OptionError(f"The {what} {path} cannot be read.") from error


def decisions_from(
    base: str | None,
    take: Sequence[str],
    avoid: Sequence[str],
    keep: Sequence[str],
    file: Path | None = None,
) -> Decisions:
    from facemerge.words import Decisions

    force: dict[str, str] = {}
    for word in take:
        person, equals, frame = word.partition("=")
        if not (person and equals and frame):
            raise OptionError(f"--take takes a person and a frame, P03=FRAME, not {word!r}.")
        if force.setdefault(person, frame) != frame:
            raise OptionError(f"--take names two frames for {person}.")
    forbid = set()
    for word in avoid:
        person, equals, frame = word.partition("=")
        forbid.add((person, frame) if equals else ("*", word))
    said = Decisions(base=base, force=force, forbid=frozenset(forbid), keep=frozenset(keep))
    if file is None:
        return said
    from facemerge.formats.decisions import read_decisions

    return said.over(read_decisions(file))
