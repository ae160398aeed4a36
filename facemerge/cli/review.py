"""The review: the photographer has the last word."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from facemerge.cli.app import app
from facemerge.cli.asked import ModelFolder
from facemerge.cli.told import end_line, progress


@app.command(short_help="Look at a finished picture in the browser, and have the last word.")
def review(
    out: Annotated[
        Path, typer.Argument(metavar="OUT", readable=False, help="The folder that merge or cull wrote.")
    ],
    frames: Annotated[
        list[Path],
        typer.Option(
            "--frames",
            metavar="FOLDER",
            readable=False,
            help="Where the frames are now, if they are no longer where they were. Repeatable.",
        ),
    ] = [],  # noqa: B006 - typer reads the default and never changes it
    port: Annotated[
        int,
        typer.Option(
            "--port", metavar="N", min=0, max=65535, help="Port on this computer; 0: any that is free."
        ),
    ] = 0,
    browser: Annotated[
        bool,
        typer.Option("--browser/--no-browser", help="Open the page, or only say its address."),
    ] = True,
    models: ModelFolder = None,
) -> None:
    """Look at a finished picture, choose other heads, touch masks up, and save it again.

    The page is served by this computer to itself: nothing leaves it, and nobody else can open the page.
    Whatever you change is kept at once in OUT/decisions.json, which merge takes too; "Save the files"
    on the page writes the files again as merge does. Ctrl-C ends the review; the next one goes on from there.

    Example: facemerge review finished/group-12

    Example: facemerge review finished/group-12 --frames tuesday/group-12 --no-browser
    """
    from facemerge.formats import files, photo
    from facemerge.models import Models
    from facemerge.pipeline.reviewing import alone, finished
    from facemerge.review.engine import Engine
    from facemerge.review.serve import listen, serve
    from facemerge.review.session import Session

    networks, show = Models(models), progress()
    with listen(port) as listening, alone(out):
        work = finished(out, frames, networks, show)
        session = Session(work, Engine(work, photo.read, show), networks)

        def ready(address: str) -> None:
            typer.echo(f"Review of {out}: {address}")
            typer.echo("Open it in a browser on this computer. Ctrl-C ends the review.")
            if browser:
                import webbrowser

                webbrowser.open(address)

        try:
            serve(session, listening, ready)
        except KeyboardInterrupt:
            end_line()
            decided = out / files.DECISIONS
            kept = f"what you decided is in {decided}" if decided.is_file() else "nothing was changed"
            typer.echo(f"The review has ended; {kept}.")
