"""A small picture of a plan, as SVG or PNG: two curves, rows from the side, a frame with its cut.

Greys, strokes and words only: nothing is told by colour.
"""

from __future__ import annotations

import glob
import io
import math
import os
import secrets
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from xml.sax.saxutils import escape

from facemerge.errors import OptionError, OutputError
from facemerge.formats.files import read_plain, replace_file, said
from facemerge.formats.program import NAME

SIGN = f"{NAME} plan"
"""Stands in every picture, so that a later one knows that it may replace it."""
KINDS = (".svg", ".png")
WIDTH, LEFT, RIGHT = 900.0, 70.0, 40.0
_PNG_SCALE, _SMOOTH = 2, 2
_BLACK, _GREY, _PALE = 20, 110, 226
_TEXT, _SMALL, _TITLE = 15.0, 13.0, 18.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Curves:
    """Two chances over the number of frames."""

    title: str
    frames: tuple[int, ...]
    solid: tuple[float, ...]
    solid_name: str
    dashed: tuple[float, ...]
    dashed_name: str
    level: float
    """The chance asked for."""
    marks: tuple[tuple[float, str], ...]
    """Numbers of frames that are pointed out below the axis, and what they are."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """Rows before the camera, from the side; distances in metres."""

    title: str
    places: tuple[float, ...]
    focus: float
    near: float
    far: float
    """May be infinite."""
    names: tuple[str, str, str]
    """Words for near limit, focus and far limit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """A frame, what a print keeps, and where the group goes; shares of the frame's sides."""

    title: str
    ratio: float
    cut: tuple[float, float]
    cut_name: str
    group: tuple[float, float]
    group_name: str


Panel = Curves | Side | Frame


@dataclass(frozen=True, slots=True)
class _Line:
    points: tuple[tuple[float, float], ...]
    width: float
    dash: float
    """Length of a dash and of a gap, or 0."""
    grey: int


@dataclass(frozen=True, slots=True)
class _Box:
    x: float
    y: float
    w: float
    h: float
    grey: int


@dataclass(frozen=True, slots=True)
class _Dot:
    x: float
    y: float
    r: float
    grey: int


@dataclass(frozen=True, slots=True)
class _Words:
    x: float
    y: float
    """Of the base line."""
    text: str
    size: float
    anchor: str
    """'start', 'middle' or 'end'."""


@dataclass(slots=True)
class _Canvas:
    """Shapes in the order they are drawn; `top` is where the next panel begins."""

    top: float = 16.0
    shapes: list[_Line | _Box | _Dot | _Words] = field(default_factory=list)

    def line(
        self, *points: tuple[float, float], width: float = 1.2, dash: float = 0.0, grey: int = _BLACK
    ) -> None:
        self.shapes.append(_Line(points, width, dash, grey))

    def outline(
        self, x: float, y: float, w: float, h: float, *, width: float = 1.2, dash: float = 0.0
    ) -> None:
        self.line((x, y), (x + w, y), (x + w, y + h), (x, y + h), (x, y), width=width, dash=dash)

    def words(self, x: float, y: float, text: str, size: float = _TEXT, anchor: str = "start") -> None:
        self.shapes.append(_Words(x, y, text, size, anchor))

    def title(self, text: str) -> None:
        self.words(LEFT - 30, self.top + 20, text, _TITLE)
        self.top += 36


def picture_bytes(panels: Sequence[Panel], kind: str) -> bytes:
    """Return the picture as the bytes of a file.

    Parameters
    ----------
    panels
        One or more, drawn from top to bottom.
    kind
        '.svg' or '.png'.
    """
    canvas = _Canvas()
    for panel in panels:
        match panel:
            case Curves():
                _draw_curves(canvas, panel)
            case Side():
                _draw_side(canvas, panel)
            case Frame():
                _draw_frame(canvas, panel)
    return _svg(canvas) if kind == ".svg" else _png(canvas)


def check_place(path: Path) -> None:
    """Refuse a place before any work is done.

    Raises
    ------
    OptionError
        If the name ends in neither .svg nor .png.
    OutputError
        If there is something that is not an earlier picture of ours, or no folder.
    """
    if path.suffix.lower() not in KINDS:
        raise OptionError(f"--picture is a file that ends in .svg or .png, not {path.name!r}.")
    if not path.parent.is_dir():
        raise OutputError(f"Nothing was written to {path}: the folder for it is not there.")
    if not os.path.lexists(path):
        return
    try:
        if path.is_file() and not path.is_symlink() and SIGN.encode() in read_plain(path, 4096):
            return
    except OSError as error:
        raise said(error, path) from error
    raise OutputError(f"{path} holds something else, which would be lost; name another file.")


def write_picture(path: Path, panels: Sequence[Panel]) -> None:
    """Write the picture beside its place and rename it when it is whole.

    Raises
    ------
    OptionError, OutputError
        As `check_place`, or if it cannot be written.
    """
    check_place(path)
    data = picture_bytes(panels, path.suffix.lower())
    stem = f".{path.name[:40]}.{NAME}-"
    beside = path.with_name(f"{stem}{secrets.token_hex(4)}")
    # What a killed run left.
    with suppress(OSError):
        for left in path.parent.glob(f"{glob.escape(stem)}????????"):
            left.unlink(missing_ok=True)
    replace_file(path, data, beside)


# -- panels -------------------------------------------------------------------------------------------------


def _draw_curves(canvas: _Canvas, panel: Curves) -> None:
    canvas.title(panel.title)
    wide, high, top = WIDTH - LEFT - RIGHT, 260.0, canvas.top + 8
    first, last = panel.frames[0], panel.frames[-1]

    def at(frames: float, chance: float) -> tuple[float, float]:
        return LEFT + wide * (frames - first) / max(last - first, 1), top + high * (1 - chance)

    for chance in (0.0, 0.25, 0.5, 0.75, 1.0):
        canvas.line(at(first, chance), at(last, chance), width=0.6, grey=_PALE - 30)
        x, y = at(first, chance)
        canvas.words(x - 8, y + 5, f"{100 * chance:.0f} %", _SMALL, "end")
    canvas.line(at(first, panel.level), at(last, panel.level), dash=2, grey=_GREY)
    x, y = at(last, panel.level)
    canvas.words(x, y - 5 if panel.level < 0.9 else y + 16, f"{100 * panel.level:g} %", _SMALL, "end")
    for step in _ticks(last):
        x, y = at(step, 0)
        canvas.line((x, y), (x, y + 5))
        canvas.words(x, y + 20, f"{step:,}", _SMALL, "middle")
    canvas.line(at(first, 0), at(last, 0))
    for frames, name in panel.marks:
        x, y = at(frames, 0)
        canvas.line(at(frames, panel.level), (x, y + 30), width=1.2, dash=4)
        # The words stand on the side where there is room.
        right = x > LEFT + wide / 2
        canvas.words(x + (-6 if right else 6), y + 36, name, _SMALL, "end" if right else "start")
        top_mark = at(frames, panel.level)
        canvas.shapes.append(_Dot(*top_mark, 4.5, _BLACK))
    for values, name, dash, row in (
        (panel.solid, panel.solid_name, 0.0, 0),
        (panel.dashed, panel.dashed_name, 7.0, 1),
    ):
        canvas.line(*(at(f, v) for f, v in zip(panel.frames, values, strict=True)), width=2.6, dash=dash)
        y = top + high + 66 + 22 * row
        canvas.line((LEFT, y - 5), (LEFT + 50, y - 5), width=2.6, dash=dash)
        canvas.words(LEFT + 60, y, name)
    canvas.top = top + high + 110


def _ticks(last: int) -> list[int]:
    rough = max(last / 8, 1)
    unit = 10 ** math.floor(math.log10(rough))
    step = next(int(m * unit) for m in (1, 2, 5, 10) if m * unit >= rough)
    return [1, *range(step if step > 1 else 2, last + 1, step)]


def _draw_side(canvas: _Canvas, panel: Side) -> None:
    canvas.title(panel.title)
    wide, ground, head = WIDTH - LEFT - RIGHT, canvas.top + 150, canvas.top + 62
    end = max(panel.places[-1] * 1.15, min(panel.far, panel.places[-1] * 1.6) * 1.03)

    def at(distance: float) -> float:
        return LEFT + wide * min(distance, end) / end

    canvas.shapes.append(
        _Box(at(panel.near), head - 34, at(panel.far) - at(panel.near), ground - head + 34, _PALE)
    )
    canvas.line((LEFT, ground), (LEFT + wide, ground))
    canvas.shapes.append(_Box(LEFT - 12, head + 4, 24, 17, _BLACK))
    canvas.shapes.append(_Box(LEFT + 12, head + 8, 10, 9, _BLACK))
    for leg in (-12, 12):
        canvas.line((LEFT, head + 21), (LEFT + leg, ground), width=2)
    for number, place in enumerate(panel.places, 1):
        x, top = at(place), head - 14 * (number - 1) / max(1, len(panel.places) - 1)
        canvas.line((x, top), (x, ground), width=5, grey=_GREY)
        canvas.shapes.append(_Dot(x, top, 8, _BLACK))
        canvas.words(x, ground + 18, f"{number}", _SMALL, "middle")
    canvas.line((at(panel.focus), head - 34), (at(panel.focus), ground), width=1.6, dash=5)
    near, focus, far = panel.names
    canvas.words(at(panel.focus), head - 40, focus, _SMALL, "middle")
    canvas.words(at(panel.near), ground + 38, near, _SMALL, "middle")
    canvas.words(at(panel.far), ground + 38, far, _SMALL, "end" if at(panel.far) > WIDTH - 140 else "middle")
    for edge in (panel.near, panel.far):
        canvas.line((at(edge), head - 34), (at(edge), ground + 24), width=1)
    canvas.top = ground + 64


def _draw_frame(canvas: _Canvas, panel: Frame) -> None:
    canvas.title(panel.title)
    wide = 460.0
    high, left, top = wide / panel.ratio, LEFT, canvas.top + 4

    def inner(shares: tuple[float, float]) -> tuple[float, float, float, float]:
        w, h = wide * shares[0], high * shares[1]
        return left + (wide - w) / 2, top + (high - h) / 2, w, h

    canvas.shapes.append(_Box(left, top, wide, high, _PALE))
    canvas.shapes.append(_Box(*inner(panel.cut), 255))
    canvas.outline(left, top, wide, high, width=2.4)
    canvas.outline(*inner(panel.cut), width=1.6, dash=7)
    canvas.outline(*inner(panel.group), width=1.2, dash=2)
    x = left + wide + 30
    for row, (text, width, dash) in enumerate(
        (("the frame", 2.4, 0.0), (panel.cut_name, 1.6, 7.0), (panel.group_name, 1.2, 2.0))
    ):
        y = top + 26 + 28 * row
        canvas.line((x, y - 5), (x + 40, y - 5), width=width, dash=dash)
        canvas.words(x + 50, y, text)
    canvas.top = top + high + 28


# -- the two forms ------------------------------------------------------------------------------------------


def _svg(canvas: _Canvas) -> bytes:
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {canvas.top:g}" '
        f'width="{WIDTH:g}" height="{canvas.top:g}" font-family="sans-serif">',
        f"<desc>{SIGN}</desc>",
        '<rect width="100%" height="100%" fill="#fff"/>',
        *(_element(shape) for shape in canvas.shapes),
        "</svg>\n",
    ]
    return "\n".join(lines).encode()


def _element(shape: _Line | _Box | _Dot | _Words) -> str:
    match shape:
        case _Line():
            points = " ".join(f"{x:.2f},{y:.2f}" for x, y in shape.points)
            dash = f' stroke-dasharray="{shape.dash:g}"' if shape.dash else ""
            return (
                f'<polyline points="{points}" fill="none" stroke="{_hex(shape.grey)}" '
                f'stroke-width="{shape.width:g}"{dash}/>'
            )
        case _Box():
            return (
                f'<rect x="{shape.x:.2f}" y="{shape.y:.2f}" width="{shape.w:.2f}" height="{shape.h:.2f}" '
                f'fill="{_hex(shape.grey)}"/>'
            )
        case _Dot():
            return (
                f'<circle cx="{shape.x:.2f}" cy="{shape.y:.2f}" r="{shape.r:g}" fill="{_hex(shape.grey)}"/>'
            )
        case _Words():
            return (
                f'<text x="{shape.x:.2f}" y="{shape.y:.2f}" font-size="{shape.size:g}" '
                f'text-anchor="{shape.anchor}">{escape(shape.text)}</text>'
            )


def _hex(grey: int) -> str:
    return f"#{grey:02x}{grey:02x}{grey:02x}"


def _png(canvas: _Canvas) -> bytes:
    from PIL import Image, ImageDraw, ImageFont, PngImagePlugin

    scale = _PNG_SCALE * _SMOOTH
    image = Image.new("L", (round(WIDTH * scale), round(canvas.top * scale)), 255)
    draw = ImageDraw.Draw(image)
    for shape in canvas.shapes:
        match shape:
            case _Line():
                for part in _dashes(shape):
                    draw.line(
                        [(x * scale, y * scale) for x, y in part],
                        fill=shape.grey,
                        width=max(1, round(shape.width * scale)),
                        joint="curve",
                    )
            case _Box():
                x0, y0 = shape.x * scale, shape.y * scale
                draw.rectangle((x0, y0, x0 + shape.w * scale, y0 + shape.h * scale), fill=shape.grey)
            case _Dot():
                x, y, r = shape.x * scale, shape.y * scale, shape.r * scale
                draw.ellipse((x - r, y - r, x + r, y + r), fill=shape.grey)
            case _Words():
                anchor = {"start": "ls", "middle": "ms", "end": "rs"}[shape.anchor]
                font = ImageFont.load_default(shape.size * scale)
                draw.text((shape.x * scale, shape.y * scale), shape.text, fill=0, font=font, anchor=anchor)
    small = image.resize((image.width // _SMOOTH, image.height // _SMOOTH), Image.Resampling.BOX)
    note = PngImagePlugin.PngInfo()
    note.add_text("Software", SIGN)
    held = io.BytesIO()
    small.save(held, "PNG", pnginfo=note)
    return held.getvalue()


def _dashes(line: _Line) -> list[list[tuple[float, float]]]:
    """Return a line's visible parts, dashes and gaps of one length; the library draws none itself."""
    if not line.dash:
        return [list(line.points)]
    parts: list[list[tuple[float, float]]] = []
    shown, left = True, line.dash
    part = [line.points[0]]
    for (x0, y0), (x1, y1) in zip(line.points, line.points[1:], strict=False):
        length, gone = math.hypot(x1 - x0, y1 - y0), 0.0
        while length - gone > left:
            gone += left
            point = (x0 + (x1 - x0) * gone / length, y0 + (y1 - y0) * gone / length)
            if shown:
                parts.append([*part, point])
            part, shown, left = [point], not shown, line.dash
        left -= length - gone
        part.append((x1, y1))
    return [*parts, part] if shown else parts
