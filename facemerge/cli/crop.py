"""Prints of a finished picture: where to crop for each paper."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from facemerge.cli.app import app
from facemerge.cli.asked import ModelFolder
from facemerge.cli.told import progress
from facemerge.errors import FacemergeError

if TYPE_CHECKING:
    from facemerge.pipeline.printing import Planned, Prints


@app.command(short_help="Crop the finished picture for prints, every head kept.")
def crop(
    out: Annotated[Path, typer.Argument(metavar="OUT", readable=False, help="The folder that merge wrote.")],
    sizes: Annotated[
        list[str],
        typer.Option(
            "--print",
            metavar="SIZE",
            help="Paper: 8x10 (inches), 20x30cm, 100x150mm, A4, 8R; a shape alone, 4:5; or usual, for the "
            "usual sizes. Repeatable.",
        ),
    ] = [],  # noqa: B006 - typer reads the default and never changes it
    folder: Annotated[
        Path | None,
        typer.Option(
            "--out",
            "-o",
            metavar="FOLDER",
            readable=False,
            help="Folder for the prints; OUT/prints if not said. What else lies in it stays as it is.",
        ),
    ] = None,
    check: Annotated[bool, typer.Option("--check", help="Only show the crops; write nothing.")] = False,
    compose: Annotated[
        str,
        typer.Option(
            "--compose",
            metavar="centred|thirds|largest|close",
            help="How the group sits. centred: in the middle, and nearer by up to 15 % where there is much "
            "room above; thirds: to one side, eyes a third from the top, as far as heads allow; largest: as "
            "much of the picture as the paper takes; close: as near as heads, shoulders and 200 pixels an "
            "inch allow.",
        ),
    ] = "centred",
    way: Annotated[
        str,
        typer.Option(
            "--way", metavar="auto|landscape|portrait", help="How the paper is held; auto: as serves best."
        ),
    ] = "auto",
    margin: Annotated[
        float, typer.Option("--margin", metavar="HEADS", help="Room around each head, in heads.")
    ] = 0.25,
    trim: Annotated[
        float,
        typer.Option("--trim", metavar="MM", help="What the lab may cut off each side, in millimetres."),
    ] = 3.0,
    border: Annotated[
        bool,
        typer.Option("--border", help="Where no crop keeps every head, keep them with white at two sides."),
    ] = False,
    anyway: Annotated[
        bool, typer.Option("--anyway", help="Make a print even if it cuts somebody's head.")
    ] = False,
    ppi: Annotated[
        float,
        typer.Option("--ppi", metavar="N", help="Pixels an inch. More than there are, are not made up."),
    ] = 300.0,
    enlarge: Annotated[
        bool, typer.Option("--enlarge", help="Make up the pixels that are missing, by interpolation.")
    ] = False,
    sharpen: Annotated[
        bool,
        typer.Option(
            "--sharpen", help="Sharpen gently for paper of this size, seen from its usual distance."
        ),
    ] = False,
    picture: Annotated[
        str, typer.Option("--picture", metavar="jpg|tif", help="Form of the prints; a JPEG has quality 95.")
    ] = "jpg",
    bits: Annotated[
        int | None,
        typer.Option("--bits", metavar="8|16", help="Bits a colour of a TIFF; the composite's if not said."),
    ] = None,
    models: ModelFolder = None,
) -> None:
    """Crop the finished picture for prints, so that nobody's head is cut.

    For each paper the best crop is found: every head with its hair and room around it, the group in place,
    nothing that matters in what the lab may trim. A table says what is lost at each side, in per cent and on
    paper, and how many pixels an inch of print has. A print that no crop makes without cutting a head is not
    made, unless you ask for --border or --anyway.

    People are seen one head with its shoulders at a time: a hand raised high, an elbow far out, hands and
    feet below are yours to look at.

    Example: facemerge crop finished/group-12 --print usual --check

    Example: facemerge crop finished/group-12 --print 8x10 --print A4 --sharpen
    """
    from facemerge import crop as room
    from facemerge.models import Models
    from facemerge.pipeline import printing

    prints = printing.print_crops(
        out,
        printing.Wish(
            papers=printing.papers(sizes),
            taste=room.Taste(compose=compose, margin=margin),
            way=way,
            trim_mm=trim,
            ppi=ppi,
            enlarge=enlarge,
            sharpen=sharpen,
            border=border,
            anyway=anyway,
            form=picture,
            bits=bits,
        ),
        folder=folder,
        write=not check,
        models=Models(models),
        progress=progress(),
    )
    _tell(prints, check=check)
    if not all(p.made for p in prints.planned):
        raise typer.Exit(FacemergeError.exit_code)


def _tell(prints: Prints, *, check: bool) -> None:
    w, h = prints.size
    print(f"The picture has {w} x {h} pixels. Cut off, of its width or height and on paper:")
    head = ("print", "way", "pixels", "per inch", "left", "right", "above", "below")
    rows = [head, *map(_row, prints.planned)]
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    for row in rows:
        print("  " + "  ".join(cell.ljust(n) for cell, n in zip(row, widths, strict=True)).rstrip())
    for plan in prints.planned:
        for words in plan.verdict.warnings:
            print(f"{plan.paper.name}: {words}")
        if not plan.made:
            print(
                f"{plan.paper.name}: no crop keeps every head{', so it was not made' if not check else ''}; "
                "--border keeps them with white at two sides, --anyway cuts."
            )
    for note in prints.notes:
        print(note)
    print("Hands raised high, elbows far out, and what is below the chest are not looked for: look yourself.")
    if prints.folder is not None:
        print(f"Look at {prints.folder}")


def _row(plan: Planned) -> tuple[str, ...]:
    from facemerge.crop import length

    v = plan.verdict
    left, above, right, below = (
        "-"
        if share == 0
        else f"{100 * share:.1f} %" + (f", {length(v.lost_in[i], plan.paper.unit)}" if v.lost_in else "")
        for i, share in enumerate(v.lost)
    )
    name = plan.paper.name + (" on white" if plan.bordered else "")
    ppi = "-" if v.ppi is None else f"{plan.file_ppi:.0f}"
    way = "landscape" if plan.sheet.landscape else "portrait"
    if plan.sheet.width == plan.sheet.height:
        way = "square"
    size = f"{plan.pixels[0]} x {plan.pixels[1]}"
    return name, way, size, ppi, left, right, above, below
