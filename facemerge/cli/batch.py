"""A whole card at once."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from facemerge.cli.app import INTERRUPTED, app
from facemerge.cli.asked import ModelFolder, Set, Settings, Weigh, options_from, text_of
from facemerge.cli.told import end_line, progress
from facemerge.errors import FacemergeError, OptionError


@app.command(short_help="Sort a whole card into groups and merge each.")
def batch(
    folder: Annotated[
        Path,
        typer.Argument(
            metavar="FOLDER", readable=False, help="A card or a copy of one: photographs, or folders of them."
        ),
    ],
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            "-o",
            metavar="OUT",
            readable=False,
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
            readable=False,
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
    options = options_from(settings, set_, weigh)
    from facemerge import batch as room

    given = None if groups is None else room.GroupsFile(text=text_of(groups, "groups file"), name=groups.name)
    if show_groups:
        found = room.sort_dump(
            folder, out, options, progress(), models=models, groups=given, processes=processes
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
            progress=progress(),
        )
    except KeyboardInterrupt:
        end_line()
        print(
            "facemerge: stopped; groups that are finished are kept, the same line goes on.", file=sys.stderr
        )
        raise typer.Exit(INTERRUPTED) from None
    for line in done.summary:
        print(line)
    print(f"Look at {out / 'index.html'}")
    if done.failed:
        raise typer.Exit(FacemergeError.exit_code)
