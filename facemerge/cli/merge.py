"""The main job on one burst: merge it, or only look through it."""

from __future__ import annotations

import time
from typing import Annotated

import typer

from facemerge.cli.app import app
from facemerge.cli.asked import (
    Afresh,
    Avoid,
    Base,
    Burst,
    Decided,
    Keep,
    ModelFolder,
    Out,
    Set,
    Settings,
    Take,
    Timings,
    Weigh,
    decisions_from,
    options_from,
)
from facemerge.cli.told import progress, tell, tell_times

Sidecars = Annotated[
    str | None,
    typer.Option(
        "--sidecars",
        metavar="out|beside",
        help="Write an XMP sidecar for each frame, with stars, a caption that says why, and where the faces "
        "are: out, into OUT/sidecars; beside, beside the frames. One that is there is added to, and what a "
        "person wrote stays. FRAME.JPG.xmp is taken if it is there, else FRAME.xmp.",
    ),
]


@app.command(short_help="Make the finished picture, its layers and a report.")
def merge(
    burst: Burst,
    out: Out,
    base: Base = None,
    take: Take = [],  # noqa: B006 - typer reads the default and never changes it
    avoid: Avoid = [],  # noqa: B006
    keep: Keep = [],  # noqa: B006
    decided: Decided = None,
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
    sidecars: Sidecars = None,
    keep_location: Annotated[
        bool,
        typer.Option(
            "--keep-location/--no-location",
            help="Say in the finished picture where it was taken, if the base does. Left out unless you ask, "
            "for pictures of children get around. A sidecar that holds a place keeps it.",
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

    Example: facemerge merge tuesday/group-12 -o again/group-12 --decisions finished/group-12/decisions.json
    """
    began_s = time.perf_counter()
    options, decisions = options_from(settings, set_, weigh), decisions_from(base, take, avoid, keep, decided)
    from facemerge import pipeline
    from facemerge.models import Models

    clock = pipeline.Clock(began_s)
    result = pipeline.merge(
        burst,
        out,
        options=options,
        decisions=decisions,
        models=Models(models),
        progress=progress(),
        pictures=tuple(picture) or ("tif",),
        layers=layers,
        layered_tiff=layered_tiff,
        sidecars=sidecars,
        keep_location=keep_location,
        afresh=afresh,
        clock=clock,
    )
    tell(result, out)
    if timings:
        tell_times(clock)


@app.command(short_help="Report who is good where; make no picture.")
def cull(
    burst: Burst,
    out: Out,
    base: Base = None,
    take: Take = [],  # noqa: B006
    avoid: Avoid = [],  # noqa: B006
    keep: Keep = [],  # noqa: B006
    decided: Decided = None,
    sidecars: Sidecars = None,
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

    Sidecars carry that to the program you sort and develop with. Their stars: 5 everybody is good; 4 the
    base, or somebody's best head is here; 3 half of the people are good; 2 somebody is; 1 nobody is. No frame
    is marked as rejected, and stars and captions that you gave yourself are never changed.

    Example: facemerge cull tuesday/group-12 -o looked-through/group-12

    Example: facemerge cull tuesday/group-12 -o looked-through/group-12 --sidecars beside
    """
    began_s = time.perf_counter()
    options, decisions = options_from(settings, set_, weigh), decisions_from(base, take, avoid, keep, decided)
    from facemerge import pipeline
    from facemerge.models import Models

    clock = pipeline.Clock(began_s)
    result = pipeline.cull(
        burst,
        out,
        options=options,
        decisions=decisions,
        models=Models(models),
        progress=progress(),
        sidecars=sidecars,
        afresh=afresh,
        clock=clock,
    )
    tell(result, out)
    if timings:
        tell_times(clock)
