"""During the shoot: who has a good face already, and who still needs one."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from facemerge.cli.app import INTERRUPTED, app
from facemerge.cli.asked import ModelFolder, Set, Settings, options_from
from facemerge.cli.told import end_line, progress
from facemerge.errors import FacemergeError, OptionError

if TYPE_CHECKING:
    from facemerge.options import Options
    from facemerge.pipeline.arriving import Arrivals
    from facemerge.watch import News

KeptBeside = Annotated[
    Path | None,
    typer.Option(
        "--out",
        "-o",
        metavar="OUT",
        readable=False,
        help="Keep what is seen in OUT.facemerge-cache, so that the next look and a merge into OUT "
        "are quick. Nothing is kept if not said.",
    ),
]


@app.command(short_help="During the shoot: say who has a good face already, and who not.")
def coverage(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", readable=False, help="The folder into which the frames come.")
    ],
    watch: Annotated[
        bool, typer.Option("--watch", help="Keep looking, and say it anew with every frame that comes.")
    ] = False,
    until_covered: Annotated[
        bool, typer.Option("--until-covered", help="With --watch: stop when everybody has a keeper.")
    ] = False,
    stop_after: Annotated[
        float | None,
        typer.Option("--stop-after", metavar="SECONDS", help="With --watch: stop after so long.", min=0),
    ] = None,
    out: KeptBeside = None,
    settings: Settings = None,
    set_: Set = [],  # noqa: B006
    models: ModelFolder = None,
) -> None:
    """Say who of a group has a keeper already, who has not and why, and about how many frames are wanting.

    The first line says it all; below it stand those who need attention, by where they stand. A keeper is a
    face that scores 0.7 or more (coverage.keeper_from), as the report of a merge scores it. With --watch the
    folder is looked into every second (coverage.poll_s) until you press Ctrl-C: a card that is being copied,
    or the folder a tethered camera writes to. When other people stand before the camera it counts anew.
    Nothing is written into the folder.

    With --until-covered, exit code 1 says that the time was over first.

    Example: facemerge coverage tether/tuesday

    Example: facemerge coverage tether/tuesday --watch --until-covered
    """
    if not watch and (until_covered or stop_after is not None):
        raise OptionError("--until-covered and --stop-after say when a watch ends: they go with --watch.")
    options = options_from(settings, set_, [])
    from facemerge.models import Models
    from facemerge.pipeline import covering

    networks = Models(models)
    if watch:
        _watch(folder, covering.arrivals(options, networks, out), options, until_covered, stop_after)
        return
    shoot, notes = covering.look_at([folder], options, networks, progress(), out)
    for line in covering.report(shoot, options, notes):
        print(line)


def _watch(
    folder: Path, arrivals: Arrivals, options: Options, until_covered: bool, stop_after: float | None
) -> None:
    import math

    from facemerge import coverage as stage
    from facemerge.pipeline import covering
    from facemerge.watch import watch

    block = _Block()
    said = ""

    def tell(news: News) -> bool:
        nonlocal said
        found = covering.covered(news.shoot, options)
        said = stage.headline(found)
        waiting = [f"Still being written: {news.waiting}."] if news.waiting else []
        block.show([*covering.report(news.shoot, options, news.notes), *(f"  {line}" for line in waiting)])
        return until_covered and found.complete

    try:
        done = watch(
            folder,
            arrivals,
            options,
            tell,
            progress=progress(),
            stop_after_s=math.inf if stop_after is None else stop_after,
        )
    except KeyboardInterrupt:
        end_line()
        print(f"facemerge: stopped. {said}".rstrip(), file=sys.stderr)
        raise typer.Exit(INTERRUPTED) from None
    if until_covered and not done:
        print("facemerge: the time is over, and not everybody is covered.", file=sys.stderr)
        raise typer.Exit(FacemergeError.exit_code)


class _Block:
    """Lines that are written over on a terminal, and one after the other in a pipe."""

    def __init__(self) -> None:
        self._lines = 0
        self._shown: list[str] = []

    def show(self, lines: Sequence[str]) -> None:
        """Show lines in place of those before, if they are not the same."""
        if list(lines) == self._shown:
            return
        if sys.stdout.isatty():
            width = shutil.get_terminal_size().columns
            # A line that the terminal breaks is two: it could not be written over.
            cut = [line if len(line) < width else line[: width - 2] + "…" for line in lines]
            above = f"\033[{self._lines}F\033[J" if self._lines else ""
            sys.stdout.write(above + "".join(f"{line}\n" for line in cut))
        else:
            sys.stdout.write(("\n" if self._shown else "") + "".join(f"{line}\n" for line in lines))
        sys.stdout.flush()
        self._lines, self._shown = len(lines), list(lines)
