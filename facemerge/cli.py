"""The command line: parse, call, print, exit code; nothing else."""

from __future__ import annotations

import io
import logging
import signal
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperGroup

from facemerge.errors import FacemergeError, OptionError

if TYPE_CHECKING:
    from facemerge.options import Options
    from facemerge.pipeline import Progress, Result
    from facemerge.words import Decisions

INTERRUPTED = 130

_interrupted = False


def _interrupt(number: int, frame: object) -> None:
    global _interrupted
    _interrupted = True
    raise KeyboardInterrupt


class _Sentences(TyperGroup):
    """Turns what can go wrong into one sentence on stderr and its exit code; a bug keeps its traceback."""

    def invoke(self, ctx: Any) -> Any:
        try:
            return super().invoke(ctx)
        except FacemergeError as error:
            _end_line()
            print(f"facemerge: {error}", file=sys.stderr)
            ctx.exit(error.exit_code)
        except KeyboardInterrupt:
            _end_line()
            print("facemerge: stopped; nothing was written.", file=sys.stderr)
            ctx.exit(INTERRUPTED)


app = typer.Typer(
    cls=_Sentences,
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)

Burst = Annotated[
    list[Path],
    typer.Argument(metavar="BURST...", help="A folder of frames of one group, or the frames themselves."),
]
Out = Annotated[
    Path,
    typer.Option(
        "--out",
        "-o",
        metavar="OUT",
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
Settings = Annotated[
    Path | None,
    typer.Option(
        "--settings", metavar="TOML", help="A TOML file of settings; `facemerge options` lists them."
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
    typer.Option("--models", metavar="FOLDER", help="A folder of your own that holds the model files."),
]


@app.callback(invoke_without_command=True)
def _root(
    ctx: typer.Context,
    version: Annotated[bool, typer.Option("--version", help="Print the version.")] = False,
) -> None:
    """Set everybody's best head of a burst into one group portrait, in layers.

    Example: facemerge merge tuesday/group-12 -o finished/group-12
    """
    if version:
        from facemerge.formats.program import signature

        print(signature())
        ctx.exit()
    elif ctx.invoked_subcommand is None:
        print(ctx.get_help())
        ctx.exit(2)


@app.command(short_help="Make the finished picture, its layers and a report.")
def merge(
    burst: Burst,
    out: Out,
    base: Base = None,
    take: Take = [],  # noqa: B006 - typer reads the default and never changes it
    avoid: Avoid = [],  # noqa: B006
    keep: Keep = [],  # noqa: B006
    picture: Annotated[
        list[str],
        typer.Option(
            "--picture",
            metavar="tif|png|jpg",
            help="Form of the finished picture. Repeatable; tif if not said.",
        ),
    ] = [],  # noqa: B006
    layers: Annotated[
        bool,
        typer.Option(
            "--layers/--no-layers",
            help="Write the layered file for retouching, OpenRaster: each head on a layer with its mask, "
            "and below it, hidden, the frame it comes from.",
        ),
    ] = True,
    layered_tiff: Annotated[
        bool,
        typer.Option(
            "--layered-tiff",
            help="Write the layers as a TIFF of several pages too, for a program that opens no OpenRaster. "
            "A large file: about twice the finished picture and a little for each head.",
        ),
    ] = False,
    settings: Settings = None,
    set_: Set = [],  # noqa: B006
    weigh: Weigh = [],  # noqa: B006
    models: ModelFolder = None,
) -> None:
    """Choose everybody's best head, set them into one frame, and say which heads need a hand.

    Give it the frames of one group: same people, same place. OUT then holds the finished picture
    (composite.tif), the same in layers with a soft mask for each head (composite.ora; with --layered-tiff
    composite-layers.tif as well), the masks, and a report to look at (report.html). The frames themselves
    are never changed.

    Example: facemerge merge tuesday/group-12 -o finished/group-12

    Example: facemerge merge tuesday/group-12 -o finished/group-12 --base IMG_0412.JPG --keep P02
    """
    options, decisions = _options(settings, set_, weigh), _decisions(base, take, avoid, keep)
    from facemerge import pipeline
    from facemerge.models import Models

    result = pipeline.merge(
        burst,
        out,
        options=options,
        decisions=decisions,
        models=Models(models),
        progress=_progress(),
        pictures=tuple(picture) or ("tif",),
        layers=layers,
        layered_tiff=layered_tiff,
    )
    _tell(result, out)


@app.command(short_help="Report who is good where; make no picture.")
def cull(
    burst: Burst,
    out: Out,
    base: Base = None,
    take: Take = [],  # noqa: B006
    avoid: Avoid = [],  # noqa: B006
    keep: Keep = [],  # noqa: B006
    settings: Settings = None,
    set_: Set = [],  # noqa: B006
    weigh: Weigh = [],  # noqa: B006
    models: ModelFolder = None,
) -> None:
    """Look through a burst and report who is good where; make no picture.

    The report shows everybody's faces with their scores, the frame that would serve best as the base, and
    whose head would be taken from which frame.

    Example: facemerge cull tuesday/group-12 -o looked-through/group-12
    """
    options, decisions = _options(settings, set_, weigh), _decisions(base, take, avoid, keep)
    from facemerge import pipeline
    from facemerge.models import Models

    result = pipeline.cull(
        burst, out, options=options, decisions=decisions, models=Models(models), progress=_progress()
    )
    _tell(result, out)


@app.command("options", short_help="List every setting.")
def options_() -> None:
    """List every setting with its default, its range and where the default comes from.

    Set one with --set, or several in a TOML file given with --settings:

    \b
        [scores]
        weight_eyes = 2

    Example: facemerge merge tuesday/group-12 -o finished/group-12 --set scores.weight_eyes=2
    """
    from facemerge.options import table

    for entry in table():
        unit = f" {entry.unit}" if entry.unit else ""
        print(f"{entry.name} = {entry.default}{unit}")
        print(f"    {entry.help}; {entry.range}")
        print(f"    default: {entry.source}")


def main() -> None:
    """Run the command line."""
    signal.signal(signal.SIGINT, _interrupt)
    # The TIFF reader logs what it finds odd in a broken file; the user hears of it in our own words.
    logging.getLogger("tifffile").setLevel(logging.CRITICAL)
    for stream in (sys.stdout, sys.stderr):
        # A terminal that cannot write a file's name shows it escaped; the work is done all the same.
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
    app()


def _options(settings: Path | None, assignments: Sequence[str], weights: Sequence[str]) -> Options:
    from facemerge import options
    from facemerge.words import PARTS

    layers: list[dict[str, object]] = []
    if settings is not None:
        try:
            text = settings.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise OptionError(f"The settings file {settings} cannot be read.") from error
        layers.append(options.parse_toml(text, str(settings)))
    layers.append(options.parse_assignments(assignments))
    named = options.parse_assignments(weights, "--weigh takes a part and its weight, eyes=2")
    for part in named:
        if part not in PARTS:
            raise OptionError(f"--weigh knows {', '.join(PARTS)}, not {part!r}.")
    layers.append({f"scores.weight_{part}": weight for part, weight in named.items()})
    return options.build(*layers)


def _decisions(base: str | None, take: Sequence[str], avoid: Sequence[str], keep: Sequence[str]) -> Decisions:
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
    return Decisions(base=base, force=force, forbid=frozenset(forbid), keep=frozenset(keep))


def _progress() -> Progress:
    """Return a line that is written over on a terminal, and nothing in a pipe."""
    shown = sys.stderr.isatty()

    def show(what: str, done: int, total: int) -> None:
        # Native code and imports may swallow the exception of Ctrl-C; the wish to stop is not lost with it.
        if _interrupted:
            raise KeyboardInterrupt
        if not shown:
            return
        print(f"\r\033[K{what}: {done} of {total}", end="", file=sys.stderr, flush=True)
        if done >= total:
            _end_line()

    return show


def _end_line() -> None:
    if sys.stderr.isatty():
        print("\r\033[K", end="", file=sys.stderr, flush=True)


def _tell(result: Result, out: Path) -> None:
    for line in result.summary:
        print(line)
    print(f"Look at {out / 'report.html'}")
