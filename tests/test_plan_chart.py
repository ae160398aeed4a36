"""The picture of a plan: well formed, drawn to scale, the same in both forms, and put in place whole."""

from __future__ import annotations

import io
import itertools
import math
import re
import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from facemerge.errors import OptionError, OutputError
from facemerge.formats import chart
from facemerge.formats.chart import Curves, Frame, Panel, Side

SVG = "{http://www.w3.org/2000/svg}"
CURVES = Curves(
    title="12 people <& more>",
    frames=tuple(range(1, 51)),
    solid=tuple(1 - 0.9**k for k in range(1, 51)),
    solid_name="a composite",
    dashed=tuple(1 - 0.99**k for k in range(1, 51)),
    dashed_name="one frame",
    level=0.95,
    marks=((29.0, "29 frames"),),
)
SIDE = Side(title="f/8", places=(4.0, 5.0), focus=4.4, near=3.8, far=5.4, names=("from", "focus", "to"))
FRAME = Frame(
    title="frame", ratio=1.5, cut=(5 / 6, 1.0), cut_name="8x10", group=(0.75, 0.9), group_name="group"
)
ALL: list[Panel] = [CURVES, SIDE, FRAME]


def drawn(*panels: Panel) -> ET.Element:
    return ET.fromstring(chart.picture_bytes(panels, ".svg"))


def test_an_svg_is_well_formed_and_says_its_words() -> None:
    """Names are escaped, nothing is fetched, and no colour is used: greys only."""
    root = drawn(*ALL)
    words = [t.text for t in root.iter(f"{SVG}text")]
    assert {"12 people <& more>", "a composite", "one frame", "29 frames", "8x10", "group", "f/8"} <= set(
        words
    )
    text = chart.picture_bytes(ALL, ".svg").decode()
    assert re.findall(r"https?://[^\"]+", text) == ["http://www.w3.org/2000/svg"]
    for red, green, blue in re.findall(r"#(..)(..)(..)\b", text):
        assert red == green == blue


def test_everything_lies_within_the_picture() -> None:
    """Lines, boxes and the beginnings of words, for far limits at infinity and a single row too."""
    endless = Side(title="f/8", places=(4.0,), focus=4.0, near=2.0, far=math.inf, names=("a", "b", "c"))
    for panels in (ALL, [endless]):
        root = drawn(*panels)
        wide, high = float(root.attrib["width"]), float(root.attrib["height"])
        points = [
            tuple(map(float, p.split(",")))
            for e in root.iter(f"{SVG}polyline")
            for p in e.attrib["points"].split()
        ]
        points += [(float(e.attrib["x"]), float(e.attrib["y"])) for e in root.iter(f"{SVG}text")]
        assert all(0 <= x <= wide and 0 <= y <= high for x, y in points)


def test_curves_go_through_their_values() -> None:
    """The solid line's height over its frames is the chance, to a hundredth of the axis."""
    root = drawn(CURVES)
    lines = [e for e in root.iter(f"{SVG}polyline") if len(e.attrib["points"].split()) == 50]
    assert [("stroke-dasharray" in e.attrib) for e in lines] == [False, True]
    for element, values in zip(lines, (CURVES.solid, CURVES.dashed), strict=True):
        heights = np.array([float(p.split(",")[1]) for p in element.attrib["points"].split()])
        slope, offset = np.polyfit(values, heights, 1)
        assert slope < -200
        assert np.abs(heights - (slope * np.array(values) + offset)).max() < 0.02


def test_rows_stand_at_their_distances() -> None:
    """Heads from left to right in proportion to the distance from the camera."""
    heads = [float(e.attrib["cx"]) - chart.LEFT for e in drawn(SIDE).iter(f"{SVG}circle")]
    assert heads[1] / heads[0] == pytest.approx(5 / 4, rel=1e-3)


def test_the_cut_is_drawn_to_scale() -> None:
    """The inner rectangles are as wide and high as their shares."""
    boxes = []
    for e in drawn(FRAME).iter(f"{SVG}polyline"):
        points = np.array([list(map(float, p.split(","))) for p in e.attrib["points"].split()])
        if len(points) == 5:
            boxes.append(np.ptp(points, axis=0))
    whole, cut, group = boxes
    assert whole[0] / whole[1] == pytest.approx(1.5, rel=1e-3)
    assert cut / whole == pytest.approx([5 / 6, 1], rel=1e-3)
    assert group / whole == pytest.approx([0.75, 0.9], rel=1e-3)


def test_a_png_shows_the_same() -> None:
    """Its size is twice the SVG's, it is grey, and it is dark where the SVG has heads and pale where it has
    none.
    """
    root = drawn(*ALL)
    image = Image.open(io.BytesIO(chart.picture_bytes(ALL, ".png")))
    assert image.mode == "L"
    assert image.size == (round(2 * float(root.attrib["width"])), round(2 * float(root.attrib["height"])))
    pixels = np.asarray(image)
    for e in root.iter(f"{SVG}circle"):
        x, y = round(2 * float(e.attrib["cx"])), round(2 * float(e.attrib["cy"]))
        assert pixels[y, x] < 60
    assert pixels[4, 4] == 255


def test_a_dashed_line_is_half_gaps_and_as_long_as_the_line() -> None:
    """Dashes follow the corners, and none is longer than it should be."""
    line = chart._Line(((0.0, 0.0), (100.0, 0.0), (100.0, 50.0)), 1.0, 7.0, 0)
    lengths = [sum(math.dist(a, b) for a, b in itertools.pairwise(part)) for part in chart._dashes(line)]
    assert max(lengths) <= 7 + 1e-9
    assert sum(lengths) == pytest.approx(75, abs=7)


@pytest.mark.parametrize("name", ["plan.svg", "plan.png", "PLAN.SVG"])
def test_a_picture_is_put_in_place_and_replaces_an_earlier_one(name: str, tmp_path: Path) -> None:
    """Nothing else is left beside it, what a killed run left neither; the same plan gives the same bytes."""
    (tmp_path / f".{name}.facemerge-0123abcd").write_bytes(b"half")
    chart.write_picture(tmp_path / name, ALL)
    first = (tmp_path / name).read_bytes()
    chart.write_picture(tmp_path / name, ALL)
    assert (tmp_path / name).read_bytes() == first
    assert [p.name for p in tmp_path.iterdir()] == [name]


@pytest.mark.parametrize("name", ["plan.gif", "plan", "report.json"])
def test_another_kind_of_file_is_refused(name: str, tmp_path: Path) -> None:
    """Only .svg and .png."""
    with pytest.raises(OptionError, match=r"ends in \.svg or \.png"):
        chart.write_picture(tmp_path / name, ALL)
    assert list(tmp_path.iterdir()) == []


def test_somebodys_file_is_refused(tmp_path: Path) -> None:
    """A picture that is not ours, a folder, a link, and a folder that is not there: a sentence, nothing
    changed.
    """
    (tmp_path / "family.png").write_bytes(b"somebody's")
    (tmp_path / "folder.svg").mkdir()
    chart.write_picture(tmp_path / "ours.svg", ALL)
    (tmp_path / "link.svg").symlink_to(tmp_path / "ours.svg")
    for name in ("family.png", "folder.svg", "link.svg", "nowhere/plan.svg"):
        with pytest.raises(OutputError, match=r"\.$"):
            chart.write_picture(tmp_path / name, ALL)
    assert (tmp_path / "family.png").read_bytes() == b"somebody's"


def test_a_write_that_fails_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No space left: a sentence, the earlier picture as it was, no temporary file."""
    place = tmp_path / "plan.svg"
    chart.write_picture(place, ALL)
    before = place.read_bytes()

    def full(self: Path, data: bytes) -> int:
        with self.open("wb") as file:
            file.write(data[:100])
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(OutputError, match="no space left"):
        chart.write_picture(place, [FRAME])
    assert [p.name for p in tmp_path.iterdir()] == ["plan.svg"]
    assert place.read_bytes() == before
