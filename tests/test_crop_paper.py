"""Papers go by the names that photographers use, and what is no paper is said to be none."""

from __future__ import annotations

import pytest

from facemerge.crop import USUAL, paper
from facemerge.errors import OptionError


@pytest.mark.parametrize(
    ("name", "short_mm", "long_mm"),
    [
        # ISO 216:2007, table 1 (from memory).
        ("A3", 297, 420),
        ("A4", 210, 297),
        ("a5", 148, 210),
        ("A6", 105, 148),
        # 1 in = 25.4 mm exactly (international yard and pound agreement, 1959; from memory).
        ("8x10", 203.2, 254.0),
        ("10 X 8 in", 203.2, 254.0),
        ('8×10"', 203.2, 254.0),
        ("20x30cm", 200, 300),
        ("100x150mm", 100, 150),
        ("3.5x5", 88.9, 127.0),
    ],
)
def test_a_paper_has_the_size_its_name_says(name: str, short_mm: float, long_mm: float) -> None:
    """Inches, centimetres, millimetres and the A series, whichever side is named first."""
    found = paper(name)
    assert (found.short * 25.4, found.long * 25.4) == pytest.approx((short_mm, long_mm))


@pytest.mark.parametrize(
    ("name", "short_cm", "long_cm"),
    # 4R 10 x 15, 5R 13 x 18, 8R 20 x 25, S8R 20 x 30 cm: dimensionsinfo.com/photo-sizes, rounded there.
    [("4R", 10, 15), ("5R", 13, 18), ("8R", 20, 25), ("S8R", 20, 30)],
)
def test_trade_names_are_known(name: str, short_cm: float, long_cm: float) -> None:
    """To the half centimetre to which they are told."""
    found = paper(name)
    assert found.short * 2.54 == pytest.approx(short_cm, abs=0.5)
    assert found.long * 2.54 == pytest.approx(long_cm, abs=0.5)


def test_a_shape_has_no_size() -> None:
    """A ratio is a paper without a unit, and can be part of a file's name."""
    found = paper("5:4")
    assert (found.name, found.unit, found.file_name) == ("4:5", "", "4to5")
    assert found.long / found.short == 1.25


@pytest.mark.parametrize("name", USUAL)
def test_usual_papers_are_papers(name: str) -> None:
    """Every word that 'usual' stands for names one."""
    assert paper(name).unit in ("in", "cm")


@pytest.mark.parametrize(
    "name",
    [
        *("", "8", "x", "8x", "8y10", "A9", "8x10x12", "-8x10", "8x10km", "nan", "1e3x10", "8,5x11", "ratio"),
        *("0x5", "0x0", "0:1", "5x0cm", "0.5x0.5", "1000x2000", "9999999x9999999", "1x10", "10:1", "5x9mm"),
        "9" * 400 + "x8",
    ],
)
def test_what_is_no_paper_is_one_sentence(name: str) -> None:
    """Nonsense, no area, too small, too large, a strip: one sentence each."""
    with pytest.raises(OptionError) as caught:
        paper(name)
    assert str(caught.value).endswith(".")
    assert "\n" not in str(caught.value)
