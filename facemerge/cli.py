"""The command line: parse, call, print, exit code; nothing else."""

from __future__ import annotations

import io
import logging
import signal
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperGroup

from facemerge.errors import FacemergeError, OptionError

if TYPE_CHECKING:
    from facemerge.options import Options
    from facemerge.pipeline import Clock, Progress, Result
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
Afresh = Annotated[
    bool,
    typer.Option(
        "--afresh",
        help="Look at every frame anew, and keep nothing beside OUT. Otherwise what was seen of the frames "
        "is kept in OUT.facemerge-cache, so that the next run is quick; that folder may be deleted any time.",
    ),
]
Timings = Annotated[bool, typer.Option("--timings", help="Say at the end where the time went, step by step.")]


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
    afresh: Afresh = False,
    timings: Timings = False,
) -> None:
    """Choose everybody's best head, set them into one frame, and say which heads need a hand.

    Give it the frames of one group: same people, same place. OUT then holds the finished picture
    (composite.tif), the same in layers with a soft mask for each head (composite.ora; with --layered-tiff
    composite-layers.tif as well), the masks, and a report to look at (report.html). The frames themselves
    are never changed.

    Example: facemerge merge tuesday/group-12 -o finished/group-12

    Example: facemerge merge tuesday/group-12 -o finished/group-12 --base IMG_0412.JPG --keep P02
    """
    began_s = time.perf_counter()
    options, decisions = _options(settings, set_, weigh), _decisions(base, take, avoid, keep)
    from facemerge import pipeline
    from facemerge.models import Models

    clock = pipeline.Clock(began_s)
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
        afresh=afresh,
        clock=clock,
    )
    _tell(result, out)
    if timings:
        _tell_times(clock)


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
    afresh: Afresh = False,
    timings: Timings = False,
) -> None:
    """Look through a burst and report who is good where; make no picture.

    The report shows everybody's faces with their scores, the frame that would serve best as the base, and
    whose head would be taken from which frame.

    Example: facemerge cull tuesday/group-12 -o looked-through/group-12
    """
    began_s = time.perf_counter()
    options, decisions = _options(settings, set_, weigh), _decisions(base, take, avoid, keep)
    from facemerge import pipeline
    from facemerge.models import Models

    clock = pipeline.Clock(began_s)
    result = pipeline.cull(
        burst,
        out,
        options=options,
        decisions=decisions,
        models=Models(models),
        progress=_progress(),
        afresh=afresh,
        clock=clock,
    )
    _tell(result, out)
    if timings:
        _tell_times(clock)


@app.command(short_help="Sort a whole card into groups and merge each.")
def batch(
    folder: Annotated[
        Path,
        typer.Argument(metavar="FOLDER", help="A card or a copy of one: photographs, or folders of them."),
    ],
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            "-o",
            metavar="OUT",
            help="Folder for all results. It must be new, empty, or hold an earlier batch, which goes on.",
        ),
    ] = None,
    show_groups: Annotated[
        bool, typer.Option("--show-groups", help="Only show the groups, and why each begins; make nothing.")
    ] = False,
    groups: Annotated[
        Path | None,
        typer.Option(
            "--groups",
            metavar="FILE",
            help="Take the groups from this file, as --show-groups prints it, and OUT/groups.txt keeps it.",
        ),
    ] = None,
    processes: Annotated[
        int | None,
        typer.Option(
            "--processes",
            metavar="N",
            min=1,
            help="How many groups are worked on at a time; as many as cores and memory allow if not said.",
        ),
    ] = None,
    scheduler: Annotated[
        str | None,
        typer.Option(
            "--scheduler",
            metavar="ADDRESS",
            help="Have the groups made by the workers of this Dask scheduler (tcp://192.168.1.20:8786). They "
            "read the frames and write the results themselves, so FOLDER and OUT must lie on a disk that all "
            "of them see under the same path. Scheduler and workers must be machines of your own network: "
            "whoever reaches the scheduler can run programs on its workers; what is sent is not encrypted.",
        ),
    ] = None,
    picture: Annotated[
        list[str],
        typer.Option(
            "--picture",
            metavar="tif|png|jpg",
            help="Form of the finished pictures. Repeatable; tif if not said.",
        ),
    ] = [],  # noqa: B006
    layers: Annotated[
        bool, typer.Option("--layers/--no-layers", help="Write the layered files for retouching.")
    ] = True,
    layered_tiff: Annotated[
        bool, typer.Option("--layered-tiff", help="Write the layers as TIFF files too.")
    ] = False,
    settings: Settings = None,
    set_: Set = [],  # noqa: B006
    weigh: Weigh = [],  # noqa: B006
    models: ModelFolder = None,
) -> None:
    """Sort a whole card into groups, merge each, and write one page over all.

    A group is one family, class or team as it stood: a new one begins with other people, another arrangement,
    another size of picture or a long pause. OUT then holds a folder for each group, as merge makes it, and a
    page over all (index.html). A group that fails stops none of the others. Stopped at any moment, the same
    line goes on where it was: what is finished is kept.

    To put right how the card was sorted, show the groups, edit the file, and give it back.

    Example: facemerge batch card-3 -o finished

    Example: facemerge batch card-3 --show-groups > groups.txt

    Example: facemerge batch card-3 -o finished --groups groups.txt
    """
    options = _options(settings, set_, weigh)
    from facemerge import batch as room

    given = None if groups is None else room.GroupsFile(text=_text(groups, "groups file"), name=groups.name)
    if show_groups:
        found = room.sort_dump(
            folder, out, options, _progress(), models=models, groups=given, processes=processes
        )
        print(room.groups_text(found.groups, notes=found.notes), end="")
        return
    if out is None:
        raise OptionError("Name a folder for the results with -o OUT, or ask for --show-groups.")
    try:
        done = room.run_batch(
            folder,
            out,
            options=options,
            form=room.Form(pictures=tuple(picture) or ("tif",), layers=layers, layered_tiff=layered_tiff),
            models=models,
            groups=given,
            where=room.Where(processes=processes, scheduler=scheduler),
            progress=_progress(),
        )
    except KeyboardInterrupt:
        _end_line()
        print(
            "facemerge: stopped; groups that are finished are kept, the same line goes on.", file=sys.stderr
        )
        raise typer.Exit(INTERRUPTED) from None
    for line in done.summary:
        print(line)
    print(f"Look at {out / 'index.html'}")
    if done.failed:
        raise typer.Exit(FacemergeError.exit_code)


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
        layers.append(options.parse_toml(_text(settings, "settings file"), str(settings)))
    layers.append(options.parse_assignments(assignments))
    named = options.parse_assignments(weights, "--weigh takes a part and its weight, eyes=2")
    for part in named:
        if part not in PARTS:
            raise OptionError(f"--weigh knows {', '.join(PARTS)}, not {part!r}.")
    layers.append({f"scores.weight_{part}": weight for part, weight in named.items()})
    return options.build(*layers)


def _text(path: Path, what: str) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise OptionError(f"The {what} {path} cannot be read.") from error


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
    step, since_s = "", 0.0

    def show(what: str, done: int, total: int) -> None:
        nonlocal step, since_s
        # Native code and imports may swallow the exception of Ctrl-C; the wish to stop is not lost with it.
        if _interrupted:
            raise KeyboardInterrupt
        if not shown:
            return
        if what != step or done == 0:
            step, since_s = what, time.perf_counter()
        left = _left(done, total, time.perf_counter() - since_s)
        print(f"\r\033[K{what}: {done} of {total}{left}", end="", file=sys.stderr, flush=True)
        if done >= total:
            _end_line()

    return show


def _left(done: int, total: int, elapsed_s: float) -> str:
    """Return how long the rest of a step will take, in words as rough as the guess is, or ''."""
    from facemerge.pipeline import left_s

    left = left_s(done, total, elapsed_s)
    if left is None:
        return ""
    if left < 90:
        return f", about {max(5, 5 * round(left / 5))} s left"
    return f", about {round(left / 60)} min left"


def _end_line() -> None:
    if sys.stderr.isatty():
        print("\r\033[K", end="", file=sys.stderr, flush=True)


def _tell(result: Result, out: Path) -> None:
    for line in result.summary:
        print(line)
    print(f"Look at {out / 'report.html'}")


def _tell_times(clock: Clock) -> None:
    """Print a table: the steps, their seconds and shares, and within a step its parts, drawn in."""
    spent = clock.spent
    total = sum(s.seconds for s in spent if s.within is None)
    print(f"Where the time went, {total:.1f} s in all:")
    for s in spent:
        name = s.what if s.within is None else f"  {s.what}"
        print(f"  {name:<40}{s.seconds:8.2f} s{100 * s.seconds / total:5.0f} %")
