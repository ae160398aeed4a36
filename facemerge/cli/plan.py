"""Before the shoot: how many frames, which settings, how wide to frame."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from facemerge.cli.app import app

if TYPE_CHECKING:
    from facemerge.formats.chart import Curves, Panel, Side
    from facemerge.plan import Forecast, Plan, Setting


@app.command(short_help="Say how many frames a group needs, and the settings.")
def plan(
    people: Annotated[
        int | None,
        typer.Argument(
            metavar="PEOPLE",
            help="How many people stand in the group. With --from-report, if left out: these people again.",
            show_default=False,
        ),
    ] = None,
    confidence: Annotated[
        float,
        typer.Option(
            "--confidence", metavar="SHARE", help="Share of such groups for which it has to be enough."
        ),
    ] = 0.95,
    keeper_rate: Annotated[
        float | None,
        typer.Option(
            "--keeper-rate",
            metavar="SHARE",
            help="Share of one person's frames that are good. If nothing is said, one in 4.5.",
        ),
    ] = None,
    blinks: Annotated[
        float | None,
        typer.Option(
            "--blinks",
            metavar="PER_MINUTE",
            help="Count blinks only: how often a person blinks. 10 is calm, 17 at rest, 26 talking.",
        ),
    ] = None,
    blink_length: Annotated[
        str | None,
        typer.Option("--blink-length", metavar="TIME", help="How long a blink lasts; 250ms if not said."),
    ] = None,
    from_report: Annotated[
        Path | None,
        typer.Option(
            "--from-report",
            metavar="OUT/report.json",
            readable=False,
            help="Take everybody's keeper rate from an earlier result; few frames promise little.",
        ),
    ] = None,
    children: Annotated[
        int, typer.Option("--children", metavar="N", help="How many of the PEOPLE are small children.")
    ] = 0,
    child_rate: Annotated[
        float | None,
        typer.Option(
            "--child-rate",
            metavar="SHARE",
            help="Share of a small child's frames that are good; 0.1 if not said.",
        ),
    ] = None,
    pace: Annotated[
        str | None,
        typer.Option(
            "--pace",
            metavar="TIME",
            help="Time from frame to frame, for example 3s, which is used if nothing is said.",
        ),
    ] = None,
    patience: Annotated[
        str | None,
        typer.Option("--patience", metavar="TIME", help="How long the group will stand, 10min if not said."),
    ] = None,
    distance: Annotated[
        str | None,
        typer.Option(
            "--distance",
            metavar="LENGTH",
            help="From the lens to the front row: 4m, 12ft. Asks for the settings.",
        ),
    ] = None,
    focal: Annotated[
        str | None,
        typer.Option("--focal", metavar="LENGTH", help="Focal length of the lens, for example 50mm."),
    ] = None,
    rows: Annotated[
        int | None,
        typer.Option(
            "--rows", metavar="N", help="Number of rows; if not said 1 up to 4 people, 2 up to 14, else 3."
        ),
    ] = None,
    row_depth: Annotated[
        str | None,
        typer.Option("--row-depth", metavar="LENGTH", help="From row to row: 80cm, 2ft; 60cm if not said."),
    ] = None,
    row_play: Annotated[
        str | None,
        typer.Option(
            "--row-play",
            metavar="LENGTH",
            help="How far heads are before or behind their row; 15cm if not said.",
        ),
    ] = None,
    sensor: Annotated[
        str,
        typer.Option("--sensor", metavar="SIZE", help="full-frame, aps-c, four-thirds, 44x33, or 36x24mm."),
    ] = "full-frame",
    print_: Annotated[
        list[str],
        typer.Option(
            "--print",
            metavar="SIZE",
            help="What will be printed: 8x10 (inches), 20x30cm, or only 5:4. Repeatable; 8x10 if not said.",
        ),
    ] = [],  # noqa: B006 - typer reads the default and never changes it
    viewing: Annotated[
        str | None,
        typer.Option(
            "--viewing", metavar="LENGTH", help="From where the print is looked at; its diagonal if not said."
        ),
    ] = None,
    blur: Annotated[
        str | None,
        typer.Option(
            "--blur", metavar="LENGTH", help="Blur allowed on the print; 1/1500 of --viewing if not said."
        ),
    ] = None,
    circle: Annotated[
        str | None,
        typer.Option(
            "--circle",
            metavar="LENGTH",
            help="Blur allowed on the sensor (circle of confusion), instead: 0.03mm.",
        ),
    ] = None,
    pixels: Annotated[
        int | None,
        typer.Option("--pixels", metavar="N", help="Pixels along the frame, to have the blur in pixels too."),
    ] = None,
    shutter: Annotated[
        str | None,
        typer.Option(
            "--shutter",
            metavar="TIME",
            help="Exposure time; if not said 1/125, 1/250 with small children, or what can be held by hand.",
        ),
    ] = None,
    light: Annotated[
        str | None,
        typer.Option(
            "--light", metavar="LEVEL", help="Measured light: 9EV (at ISO 100) or 500lux. Gives the ISO."
        ),
    ] = None,
    margin: Annotated[
        float,
        typer.Option("--margin", metavar="SHARE", help="Share of the print left free at each of its ends."),
    ] = 0.05,
    picture: Annotated[
        Path | None,
        typer.Option(
            "--picture", metavar="FILE", readable=False, help="Draw the plan into this file, .svg or .png."
        ),
    ] = None,
) -> None:
    """Say how many frames a group needs until a composite can be made, and how to set the camera.

    First the frames: until one has everybody good, and until everybody is good in one or another, which is
    all that merge needs; and what each minute of waiting brings. With --distance and --focal the settings:
    the f-number that keeps every row sharp on the print, where to focus, shutter and ISO. Last, how wide to
    frame so that the print can be cut. Say lengths in metres, or in feet and inches.

    Example: facemerge plan 12 --children 2

    Example: facemerge plan 12 --rows 3 --distance 12ft --focal 50mm --light 9EV --picture plan.svg

    Example: facemerge plan --from-report finished/group-12/report.json --confidence 0.99
    """
    from facemerge import plan as room

    if picture is not None:
        from facemerge.formats import chart

        chart.check_place(picture)
    report = None
    if from_report is not None:
        from facemerge.formats.report import read_report

        report = read_report(from_report)
    group = room.Group(
        people=people,
        confidence=confidence,
        keeper_rate=keeper_rate,
        blinks=blinks,
        blink_length=blink_length,
        children=children,
        child_rate=child_rate,
        pace=pace,
        patience=patience,
    )
    scene = room.Scene(
        distance=distance,
        focal=focal,
        rows=rows,
        row_depth=row_depth,
        row_play=row_play,
        viewing=viewing,
        blur=blur,
        circle=circle,
        pixels=pixels,
        shutter=shutter,
        light=light,
    )
    framing = room.Framing(sensor=sensor, prints=tuple(print_), margin=margin)
    made = room.make_plan(group, scene, framing, report=report)
    for line in made.lines:
        print(line)
    if picture is not None:
        chart.write_picture(picture, _panels(made))
        print(f"Look at {picture}")


def _panels(made: Plan) -> list[Panel]:
    from facemerge.formats.chart import Frame

    tight = made.picture.tightest
    cut = made.picture.cut(tight)
    panels: list[Panel] = [_curves(made.forecast)]
    if made.setting is not None:
        panels.append(_side(made.setting))
    panels.append(
        Frame(
            title="How wide to frame",
            ratio=made.picture.ratio,
            cut=(cut.long_share, cut.short_share),
            cut_name=f"what the {tight.name} print keeps",
            group=(cut.group_share, cut.group_height_share),
            group_name=f"for the group: {100 * cut.group_share:.0f} % of the length",
        )
    )
    return panels


def _curves(forecast: Forecast) -> Curves:
    from facemerge.formats.chart import Curves
    from facemerge.plan import chance_covered, chance_one_frame, clock

    people = "1 person" if forecast.people == 1 else f"{forecast.people} people"
    last = int(min(1.25 * forecast.twice.sure + 3, 10_000))
    frames = tuple(sorted({1 + round(i * (last - 1) / 200) for i in range(201)}))
    sure = forecast.covered.sure
    marks = ((sure, f"{sure:,.0f} frames, {clock(forecast.duration_s(sure))}"),) if sure <= last else ()
    return Curves(
        title=f"{people}: chance after so many frames",
        frames=frames,
        solid=tuple(chance_covered(forecast.rates, k) for k in frames),
        solid_name="everybody good in one frame or another: a composite",
        dashed=tuple(chance_one_frame(forecast.rates, k) for k in frames),
        dashed_name="one frame with everybody good",
        level=forecast.confidence,
        marks=marks,
    )


def _side(setting: Setting) -> Side:
    from facemerge.formats.chart import Side
    from facemerge.plan import metric

    return Side(
        title=f"{setting.stop.name}, focus at {metric(setting.focus_m)}",
        places=setting.rows.places_m,
        focus=setting.focus_m,
        near=setting.near_m,
        far=setting.far_m,
        names=(
            f"sharp from {metric(setting.near_m)}",
            f"focus {metric(setting.focus_m)}",
            f"to {metric(setting.far_m)}",
        ),
    )
