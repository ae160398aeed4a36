"""From a finished result to prints of it: look at the picture, find the crops, write the files."""

from __future__ import annotations

import os
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from facemerge import imaging
from facemerge.composite import outline
from facemerge.crop import (
    COMPOSITIONS,
    INCH_MM,
    USUAL,
    Box,
    Crop,
    Paper,
    Seen,
    Sheet,
    Sitter,
    Taste,
    Verdict,
    bordered,
    canvas_of,
    choose,
    enlarged_or_reduced,
    judge,
    on_white,
    paper,
    sharpened,
    sharpening_px,
    sitters,
)
from facemerge.errors import InputError, OptionError, OutputError
from facemerge.formats import icc, photo, print_file, print_folder, print_regions, report, xmp
from facemerge.models import Models, Region, region_of_landmarks
from facemerge.pipeline.progress import Progress, no_progress
from facemerge.words import Array, Float, Frame

FOLDER = "prints"
WAYS = ("auto", "landscape", "portrait")
LEAST_PRESENCE = 0.5
EYES = (33, 133, 362, 263)
"""The landmarks of the corners of both eyes."""
EYES_DOWN = 0.34
"""How far down a face's box eyes lie, as a share; measured: 0.31 to 0.35 on the faces of one group."""
MOST_MOVED = 0.5
"""A face found again farther off than so many of its widths is another one."""
TRIM_MOST_MM = 25.0
PPI_RANGE = (72.0, 1200.0)
MOST_PIXELS = 250_000_000
"""No print is enlarged beyond: 40 x 60 inches at 300 pixels an inch."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """What is asked of the prints."""

    papers: tuple[Paper, ...]
    taste: Taste = field(default_factory=Taste)
    way: str = "auto"
    """One of WAYS: how the paper is held."""
    trim_mm: float = 3.0
    """What a lab may cut off each side (common practice, no source)."""
    ppi: float = 300.0
    enlarge: bool = False
    """Whether pixels are made up where there are too few."""
    sharpen: bool = False
    border: bool = False
    """Whether white is put at two sides where no crop keeps every head."""
    anyway: bool = False
    """Whether a print that cuts a head is made all the same."""
    form: str = "jpg"
    bits: int | None = None
    """8 or 16 for a TIFF; None: as the composite."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """One print, found but not made."""

    paper: Paper
    sheet: Sheet
    crop: Crop
    canvas: tuple[int, int]
    """(W, H) in the picture's pixels: the crop, and the white around it."""
    pixels: tuple[int, int]
    """(W, H) of the file."""
    file_ppi: float
    """Pixels an inch of the file."""
    verdict: Verdict
    made: bool
    """Whether it is to be made."""
    file: str

    @property
    def bordered(self) -> bool:
        """Whether it has white at two sides."""
        return self.canvas != (self.crop.width, self.crop.height)


@dataclass(frozen=True, slots=True, kw_only=True)
class Prints:
    """What was found, and where it lies."""

    size: tuple[int, int]
    """(W, H) of the finished picture."""
    planned: tuple[Planned, ...]
    folder: Path | None
    """Where files were written; None if none was."""
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Finished:
    """A result of merge as it lies there."""

    folder: Path
    frame: Frame
    said: report.Report


def papers(words: Sequence[str]) -> tuple[Paper, ...]:
    """Return the papers that words name, each once; 'usual' stands for several.

    Raises
    ------
    OptionError
        If there is none, or a word names none.
    """
    if not words:
        raise OptionError(
            f"Name a print size with --print, 8x10 for example; usual stands for {', '.join(USUAL)}."
        )
    named = [n for word in words for n in (USUAL if word.strip().lower() == "usual" else (word,))]
    return tuple({p.name: p for p in map(paper, named)}.values())


def print_crops(
    result: Path,
    wish: Wish,
    *,
    folder: Path | None = None,
    write: bool = True,
    models: Models | None = None,
    progress: Progress = no_progress,
) -> Prints:
    """Find the best crop of a finished picture for each paper, and write the prints.

    Parameters
    ----------
    result
        The folder that `merge` wrote.
    wish
        The papers, and how the crops should sit.
    folder
        Where the prints go; None: a folder 'prints' inside `result`.
    write
        Whether they are written, or only told of.
    models, progress
        The networks, and who is told how far it is.

    Raises
    ------
    FacemergeError
        If it cannot be done; nothing is written then.
    """
    _check(wish)
    finished = _finished(result)
    place, stem = _place(finished, folder), finished.folder.name
    progress("Looking at the picture", 0, 1)
    pixels = photo.read(finished.frame)
    people = _people(finished, pixels, models or Models())
    planned = tuple(_plan(finished, people, asked, wish) for asked in wish.papers)
    progress("Looking at the picture", 1, 1)
    to_make = [p for p in planned if p.made]
    if write and to_make:
        plain = _plain_packet(finished.said)
        packet = print_file.packet(Path(finished.frame.path), plain)
        names = [p.file for p in to_make]
        with print_folder.prints_in_place(place, stem, names, finished.folder) as work:
            for number, plan in enumerate(to_make):
                progress("Making prints", number, len(to_make))
                data = print_file.print_bytes(
                    _printed(pixels, plan, wish),
                    wish.form,
                    ppi=plan.file_ppi,
                    source=finished.frame,
                    xmp=print_regions.cropped(packet, _view(plan, finished.frame.size), plain),
                    name=plan.file,
                )
                work.add(plan.file, data, _entry(plan, wish))
            progress("Making prints", len(to_make), len(to_make))
    return Prints(
        size=finished.frame.size,
        planned=planned,
        folder=place if write and to_make else None,
        notes=_notes(finished, people),
    )


def _check(wish: Wish) -> None:
    for value, name, among in (
        (wish.taste.compose, "--compose", COMPOSITIONS),
        (wish.way, "--way", WAYS),
        (wish.form, "--picture", print_file.FORMS),
    ):
        if value not in among:
            raise OptionError(f"{name} is {', '.join(among[:-1])} or {among[-1]}, not {value!r}.")
    if wish.bits not in (None, 8, 16):
        raise OptionError(f"--bits is 8 or 16, not {wish.bits}.")
    if wish.bits == 16 and wish.form == "jpg":
        raise OptionError("A JPEG file holds 8 bits; ask for --picture tif with --bits 16.")
    for number, name, low, high in (
        (wish.trim_mm, "--trim", 0.0, TRIM_MOST_MM),
        (wish.ppi, "--ppi", *PPI_RANGE),
        (wish.taste.margin, "--margin", 0.0, 2.0),
    ):
        # `not low <= value` also refuses a NaN.
        if not low <= number <= high:
            raise OptionError(f"{name} lies between {low:g} and {high:g}: {number:g} is out of range.")
    for asked in wish.papers:
        if asked.unit and wish.trim_mm / INCH_MM > asked.short / 8:
            raise OptionError(f"A trim of {wish.trim_mm:g} mm is too much for a print of {asked.name}.")
        if asked.unit and wish.enlarge and asked.short * asked.long * wish.ppi**2 > MOST_PIXELS:
            raise OptionError(
                f"A print of {asked.name} at {wish.ppi:g} pixels an inch would have more than "
                f"{MOST_PIXELS // 1_000_000} million pixels; ask for fewer with --ppi."
            )


def _finished(result: Path) -> _Finished:
    """Return a finished result once its report and its picture fit each other."""
    if not result.exists():
        raise InputError(f"There is no folder {result}.")
    if not result.is_dir():
        raise InputError(f"{result} is a file; name the folder that merge wrote.")
    with suppress(PermissionError):  # told by whoever opens it
        if not (result / "report.json").exists():
            raise InputError(f"{result} holds no report.json; name the folder that merge wrote.")
    said = report.read_report(result / "report.json")
    name = said["composite"]
    if name is None:
        raise InputError(f"{result} holds a report but no finished picture; run merge, cull makes none.")
    path = result / Path(name).name
    if Path(name).name != name or not path.is_file():
        raise InputError(f"{result} holds no {name}, though its report names it; run merge again.")
    frame = photo.find_frames([path])[0][0]
    if list(frame.size) != said["size"]:
        w, h = said["size"]
        raise InputError(
            f"{path} is {frame.size[0]} x {frame.size[1]} pixels and the report says {w} x {h}: where people "
            "stand in it is not known any more."
        )
    if not said["people"]:
        raise InputError(f"The report of {result} names nobody, so there is no head to crop by.")
    return _Finished(folder=result.resolve(), frame=frame, said=said)


def _place(finished: _Finished, folder: Path | None) -> Path:
    inside = finished.folder / FOLDER
    if folder is None:
        return inside
    place = Path(os.path.abspath(folder))
    real = place.resolve()
    if real != inside and real.is_relative_to(finished.folder):
        raise OutputError(
            f"{folder} lies in the result itself; leave -o out for {inside}, or name one elsewhere."
        )
    return place


def _plain_packet(said: report.Report) -> bytes:
    """Return a packet that says what the picture is, as far as its report tells."""
    donors = [p["pick"] for p in said["people"] if p["mask"] is not None]
    return xmp.composite_packet(said["base"], donors)


# -- who is where -------------------------------------------------------------------------------------------


def _people(finished: _Finished, pixels: Array, models: Models) -> list[Sitter]:
    """Return how far everybody reaches in the finished picture.

    The report says where each face was in its own frame; a head that was set in may have been moved a little,
    so each is measured again where it is now.
    """
    image = icc.to_srgb(pixels, finished.frame.profile)
    seen = [s for p in finished.said["people"] if (s := _seen(finished.said, p, image, models)) is not None]
    if not seen:
        raise InputError(
            f"The report of {finished.folder} says of no face where it is, so there is none to crop by."
        )
    return sitters(image, seen, models.people)


def _seen(said: report.Report, person: report.Report, image: Array, models: Models) -> Seen | None:
    box = _expected(said, person)
    if box is None or not _inside(box, image):
        return None
    points = _again(image, box, models)
    if points is None:
        x0, y0, x1, y1 = box
        w, h = x1 - x0, y1 - y0
        head = (
            (x0 + x1) / 2 - outline.HEAD_WIDE * w,
            (y0 + y1) / 2 - (outline.HEAD_UP + outline.HEAD_HIGH) * h,
            (x0 + x1) / 2 + outline.HEAD_WIDE * w,
            (y0 + y1) / 2 - (outline.HEAD_UP - outline.HEAD_HIGH) * h,
        )
        return Seen(id=person["id"], face=box, head=head, eyes=((x0 + x1) / 2, y0 + EYES_DOWN * h))
    # Crops count pixel edges, landmarks count centres.
    points = points + 0.5
    low, high = points.min(0), points.max(0)
    eyes = points[list(EYES)].mean(0)
    return Seen(
        id=person["id"],
        face=(float(low[0]), float(low[1]), float(high[0]), float(high[1])),
        head=_usual_head(points),
        eyes=(float(eyes[0]), float(eyes[1])),
    )


def _expected(said: report.Report, person: report.Report) -> Box | None:
    """Return where a person's face should lie in the picture, or None if the report does not say."""
    to_base = {f["file"]: f["to_base"] for f in said["frames"] if f["aligned"]}
    boxes = {f["frame"]: f["box"] for f in person["faces"] if f["frame"] in to_base}
    for frame in (person["pick"], said["base"]):
        if frame in boxes:
            x0, y0, x1, y1 = boxes[frame]
            corners = np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)], np.float64)
            moved = imaging.transform(np.array(to_base[frame], np.float64), corners) + 0.5
            low, high = moved.min(0), moved.max(0)
            return float(low[0]), float(low[1]), float(high[0]), float(high[1])
    return None


def _inside(box: Box, image: Array) -> bool:
    x, y = (box[0] + box[2]) / 2, (box[1] + box[3]) / 2
    return bool(0 < x < image.shape[1] and 0 < y < image.shape[0])


def _again(image: Array, box: Box, models: Models) -> Float | None:
    """Return the (478, 2) landmarks of the face at a place, or None if none is found there."""
    x0, y0, x1, y1 = box
    middle = np.array([(x0 + x1) / 2 - 0.5, (y0 + y1) / 2 - 0.5])
    region = Region(centre=(middle[0], middle[1]), side_px=1.5 * max(x1 - x0, y1 - y0), tilt_rad=0.0)
    # The second look is turned upright with the head.
    found = models.landmarks(image, region_of_landmarks(models.landmarks(image, region).points))
    points = found.points[:, :2]
    apart = np.abs((points.min(0) + points.max(0)) / 2 - middle).max()
    wide = float(np.ptp(points[:, 0]))
    same = apart < MOST_MOVED * (x1 - x0) and 0.5 < wide / (x1 - x0) < 2
    return points if found.presence >= LEAST_PRESENCE and same else None


def _usual_head(points: Float) -> Box:
    middle, up, wide, high = outline.head_axes(points)
    across = float(np.hypot(wide * up[1], high * up[0]))
    along = float(np.hypot(wide * up[0], high * up[1]))
    x, y = float(middle[0]), float(middle[1])
    return x - across, y - along, x + across, y + along


# -- one print ----------------------------------------------------------------------------------------------


def _plan(finished: _Finished, people: Sequence[Sitter], on: Paper, wish: Wish) -> Planned:
    size, sized = finished.frame.size, bool(on.unit)
    trim = wish.trim_mm / INCH_MM if sized else 0.0
    landscape = Sheet(width=on.long, height=on.short, trim=trim)
    portrait = Sheet(width=on.short, height=on.long, trim=trim)
    sheets = {"landscape": [landscape], "portrait": [portrait], "auto": [landscape, portrait]}[wish.way]
    sheet, found = choose(size, people, sheets, wish.taste, sized=sized)
    canvas = (found.width, found.height)
    if wish.border and found.kept in ("edge", "cut"):
        # Of the ways to hold the paper, the one with least white.
        held = [(s, bordered(size, people, s, wish.taste)) for s in sheets]
        sheet, found = min(held, key=lambda h: -_filled(*h))
        canvas = canvas_of(found, sheet)
    verdict = judge(size, people, sheet, found, unit=on.unit, canvas=canvas)
    pixels, file_ppi = _pixels(canvas, sheet, verdict.ppi, wish)
    return Planned(
        paper=on,
        sheet=sheet,
        crop=found,
        canvas=canvas,
        pixels=pixels,
        file_ppi=file_ppi,
        verdict=verdict,
        made=wish.anyway or not verdict.cuts,
        file=f"{finished.folder.name}-{on.file_name}.{wish.form}",
    )


def _filled(sheet: Sheet, found: Crop) -> float:
    w, h = canvas_of(found, sheet)
    return found.width * found.height / (w * h)


def _pixels(
    canvas: tuple[int, int], sheet: Sheet, ppi: float | None, wish: Wish
) -> tuple[tuple[int, int], float]:
    """Return (W, H) of the file and its pixels an inch: as asked, but no more than there are unless asked."""
    if ppi is None or (ppi < wish.ppi and not wish.enlarge):
        return canvas, wish.ppi if ppi is None else ppi
    return (round(sheet.width * wish.ppi), round(sheet.height * wish.ppi)), wish.ppi


def _printed(pixels: Array, plan: Planned, wish: Wish) -> Array:
    c = plan.crop
    part = np.ascontiguousarray(pixels[c.y : c.bottom, c.x : c.right])
    if plan.bordered:
        part = on_white(part, plan.canvas)
    if wish.bits == 16 and part.dtype == np.uint8:
        part = part.astype(np.uint16) * np.uint16(257)
    part = enlarged_or_reduced(part, plan.pixels)
    if wish.sharpen:
        inches = float(np.hypot(*plan.pixels)) / plan.file_ppi
        part = sharpened(part, sharpening_px(plan.file_ppi, inches))
    return imaging.to_eight_bit(part) if wish.bits == 8 else part


def _view(plan: Planned, size: tuple[int, int]) -> print_regions.View:
    c = plan.crop
    return print_regions.View(
        size=size, crop=(c.x, c.y, c.right, c.bottom), canvas=plan.canvas, pixels=plan.pixels
    )


def _entry(plan: Planned, wish: Wish) -> dict[str, Any]:
    """Return what the record says of a print, for other programs."""
    c = plan.crop
    return {
        "print": plan.paper.name,
        "landscape": plan.sheet.landscape,
        "compose": wish.taste.compose,
        "crop": [c.x, c.y, c.right, c.bottom],
        "size": list(plan.pixels),
        "ppi": round(plan.file_ppi, 2),
        "bordered": plan.bordered,
        "enlarged": wish.enlarge and plan.pixels[0] > plan.canvas[0],
        "sharpened": wish.sharpen,
        "warnings": list(plan.verdict.warnings),
    }


def _notes(finished: _Finished, people: Sequence[Sitter]) -> tuple[str, ...]:
    found = {who.id for who in people}
    missing = [p["id"] for p in finished.said["people"] if p["id"] not in found]
    return (f"Where {', '.join(missing)} is in the picture is not known: look yourself.",) if missing else ()
