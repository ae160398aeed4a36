"""Crops keep every head that can be kept, have the paper's shape, and tell truly what they cost."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from facemerge.crop import (
    COMPOSITIONS,
    Crop,
    Sheet,
    Sitter,
    Taste,
    best_crop,
    bordered,
    canvas_of,
    choose,
    judge,
    paper,
)

SIX_BY_FOUR = (6000, 4000)
LARGEST = Taste(compose="largest")


def sitter(
    x: float,
    y: float,
    wide: float,
    high: float,
    *,
    name: str = "P01",
    body: tuple[float, float] | None = None,
) -> Sitter:
    """Return somebody whose head has its top left corner at x, y."""
    return Sitter(id=name, head=(x, y, x + wide, y + high), eyes=(x + wide / 2, y + 0.5 * high), body=body)


def middle_of(size: tuple[int, int]) -> Sitter:
    """Return somebody small in the middle of a picture."""
    w, h = size
    return sitter(0.495 * w, 0.45 * h, 0.01 * w, 0.02 * h)


def sheets(name: str, trim: float = 0.0) -> list[Sheet]:
    """Return a paper held both ways."""
    p = paper(name)
    return [
        Sheet(width=p.long, height=p.short, trim=trim),
        Sheet(width=p.short, height=p.long, trim=trim),
    ]


# -- shapes -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "kept"),
    [
        # Shares of a 3:2 picture's area: simple arithmetic; for 8x10 'about 17 %' lost is also told by
        # mymindseye.us/AspectRatio.phtml.
        ("8x10", 83.33),
        ("5x7", 93.33),
        ("11x14", 84.85),
        ("10x13", 86.67),
        ("1:1", 66.67),
        ("A4", 94.28),
        ("4x6", 100),
        ("8x12", 100),
        ("20x30", 100),
    ],
)
def test_largest_crops_keep_the_known_share(name: str, kept: float) -> None:
    """The largest crop of a 3:2 picture keeps what its shape lets it keep, to a hundredth of a per cent."""
    sitters = [middle_of(SIX_BY_FOUR)]
    sheet, found = choose(SIX_BY_FOUR, sitters, sheets(name), LARGEST, sized=True)
    verdict = judge(SIX_BY_FOUR, sitters, sheet, found, unit="in")
    # A4 is whole millimetres, not the square root of two: 0.02 %.
    assert 100 * verdict.kept == pytest.approx(kept, abs=0.025 if name == "A4" else 0.011)
    assert sheet.landscape or sheet.width == sheet.height


def test_eight_by_ten_loses_an_inch_at_each_side() -> None:
    """Of a 3:2 picture, with the group in its middle (common practice, no source): 5000 of 6000 px are left.

    5000 x 4000 px of 6000 x 4000: simple arithmetic.
    """
    sitters = [middle_of(SIX_BY_FOUR)]
    sheet, found = choose(SIX_BY_FOUR, sitters, sheets("8x10"), LARGEST, sized=True)
    assert (found.x, found.y, found.width, found.height) == (500, 0, 5000, 4000)
    verdict = judge(SIX_BY_FOUR, sitters, sheet, found, unit="in")
    assert verdict.lost_in == pytest.approx((1.0, 0.0, 1.0, 0.0))
    assert verdict.lost == pytest.approx((1 / 12, 0.0, 1 / 12, 0.0))
    assert verdict.ppi == pytest.approx(500)


# -- who is kept --------------------------------------------------------------------------------------------


@st.composite
def pictures(
    draw: st.DrawFn, longest: int = 400, most: int = 6
) -> tuple[tuple[int, int], list[Sitter], Sheet, Taste]:
    """Draw a picture, people in it, a paper and a taste."""
    size = (draw(st.integers(20, longest)), draw(st.integers(20, longest)))
    sitters = []
    for number in range(draw(st.integers(1, most))):
        wide, high = draw(st.floats(2, 0.4 * size[0])), draw(st.floats(2, 0.4 * size[1]))
        # Some reach over the picture's edge.
        x, y = draw(st.floats(-0.2 * wide, size[0] - 0.8 * wide)), draw(st.floats(-2, size[1] - 0.8 * high))
        body = (x - wide, x + 2 * wide) if draw(st.booleans()) else None
        sitters.append(sitter(x, y, wide, high, name=f"P{number:02d}", body=body))
    sheet = Sheet(
        width=draw(st.floats(2, 20)),
        height=draw(st.floats(2, 20)),
        trim=draw(st.sampled_from([0.0, 0.12, 0.8])),
    )
    return size, sitters, sheet, Taste(compose=draw(st.sampled_from(COMPOSITIONS)))


def starts(low: float, high: float, side: int, length: int, clear: float = 0.0) -> bool:
    """Return by trying whether some start keeps a span whole, and so far from the crop's ends."""
    return any(
        x <= low - clear + 1e-7 and high + clear <= x + side + 1e-7 for x in range(max(0, length - side) + 1)
    )


def can_be_kept(size: tuple[int, int], sitters: list[Sitter], sheet: Sheet, *, clear: bool) -> bool:
    """Return by trying every size and place whether a crop of the sheet's shape keeps every head."""
    heads = np.clip([s.head for s in sitters], 0, [*size, *size])
    x0, y0, x1, y1 = (
        heads[:, 0].min(),
        heads[:, 1].min(),
        heads[:, 2].max(),
        heads[:, 3].max(),
    )
    for side in range(1, max(size) + 1):
        if sheet.landscape:
            w, h = side, round(side * (sheet.height / sheet.width))
        else:
            w, h = round(side * (sheet.width / sheet.height)), side
        trim = h * sheet.trim / sheet.height if clear else 0.0
        if (
            1 <= w <= size[0]
            and 1 <= h <= size[1]
            and starts(x0, x1, w, size[0], trim)
            and starts(y0, y1, h, size[1], trim)
        ):
            return True
    return False


@given(pictures())
def test_a_crop_lies_in_the_picture_and_has_the_papers_shape(
    drawn: tuple[tuple[int, int], list[Sitter], Sheet, Taste],
) -> None:
    """Whatever the people, the paper and the taste; the shorter side is true to half a pixel."""
    size, sitters, sheet, taste = drawn
    found = best_crop(size, sitters, sheet, taste)
    assert 0 <= found.x < found.right <= size[0]
    assert 0 <= found.y < found.bottom <= size[1]
    if sheet.landscape:
        assert abs(found.height - found.width * sheet.height / sheet.width) <= 0.5 + 1e-9
    else:
        assert abs(found.width - found.height * sheet.width / sheet.height) <= 0.5 + 1e-9


@given(pictures(most=2))
def test_heads_are_clear_of_the_trim_or_it_is_told(
    drawn: tuple[tuple[int, int], list[Sitter], Sheet, Taste],
) -> None:
    """Measured on paper: no head lies in what may be trimmed unless `kept` says so."""
    size, sitters, sheet, taste = drawn
    found = best_crop(size, sitters, sheet, taste)
    heads = np.clip([s.head for s in sitters], 0, [*size, *size])
    clear_px = min(
        (heads[:, 0] - found.x).min(),
        (heads[:, 1] - found.y).min(),
        (found.right - heads[:, 2]).min(),
        (found.bottom - heads[:, 3]).min(),
    )
    clear = clear_px / found.height * sheet.height
    if found.kept in ("edge", "cut"):
        assert (clear < 0) == (found.kept == "cut")
    else:
        assert clear >= sheet.trim - 1e-9


@settings(max_examples=200, deadline=None)
@given(pictures(longest=60, most=2))
def test_every_head_is_kept_if_any_crop_can(
    drawn: tuple[tuple[int, int], list[Sitter], Sheet, Taste],
) -> None:
    """Held against trying every crop: all heads whole if that is possible, clear of the trim likewise."""
    size, sitters, sheet, taste = drawn
    found = best_crop(size, sitters, sheet, taste)
    assert (found.kept != "cut") == can_be_kept(size, sitters, sheet, clear=False)
    assert (found.kept in ("people", "heads", "tight")) == can_be_kept(size, sitters, sheet, clear=True)
    cuts = judge(size, sitters, sheet, found, unit="in").cuts
    assert bool(cuts) == (found.kept == "cut")


@settings(max_examples=100, deadline=None)
@given(pictures(longest=50))
def test_who_must_be_cut_is_cut_least(drawn: tuple[tuple[int, int], list[Sitter], Sheet, Taste]) -> None:
    """Where no crop keeps everybody, no place of the largest one has a smaller sum of squared shares cut."""
    size, sitters, sheet, taste = drawn
    found = best_crop(size, sitters, sheet, taste)
    if found.kept != "cut":
        return

    def cost(crop: Crop) -> float:
        total = 0.0
        for s in sitters:
            x0, y0, x1, y1 = np.clip(s.head, 0, [*size, *size])
            wide = max(0.0, min(x1, crop.right) - max(x0, crop.x))
            high = max(0.0, min(y1, crop.bottom) - max(y0, crop.y))
            total += (1 - wide / max(x1 - x0, 1e-9)) ** 2 + (1 - high / max(y1 - y0, 1e-9)) ** 2
        return total

    places = itertools.product(range(size[0] - found.width + 1), range(size[1] - found.height + 1))
    least = min(cost(replace(found, x=x, y=y)) for x, y in places)
    assert cost(found) <= least + 1e-9


@given(pictures())
def test_a_mirrored_picture_has_the_mirrored_crop(
    drawn: tuple[tuple[int, int], list[Sitter], Sheet, Taste],
) -> None:
    """Left and right are treated alike, to the pixel of rounding and of ties."""
    size, sitters, sheet, taste = drawn
    if taste.compose == "thirds":
        taste = replace(taste, compose="centred")
    other = [
        Sitter(
            id=s.id,
            head=(size[0] - s.head[2], s.head[1], size[0] - s.head[0], s.head[3]),
            eyes=(size[0] - s.eyes[0], s.eyes[1]),
            body=None if s.body is None else (size[0] - s.body[1], size[0] - s.body[0]),
        )
        for s in sitters
    ]
    one, two = best_crop(size, sitters, sheet, taste), best_crop(size, other, sheet, taste)
    assert one.kept == two.kept
    # Rounding a place may tip the balance between two sizes by a pixel; a place far off cannot come of it.
    if (one.width, one.height) == (two.width, two.height) and one.kept != "cut":
        assert abs(one.x - (size[0] - two.right)) <= 1
        assert one.y == two.y


# -- how it sits --------------------------------------------------------------------------------------------

ROOMY = (3000, 2000)
PAIR = [
    sitter(1000, 900, 200, 280, name="P01", body=(850, 1250)),
    sitter(1400, 920, 200, 280, name="P02", body=(1300, 1700)),
]


@pytest.mark.parametrize("name", ["8x10", "5x7", "1:1"])
def test_the_group_is_in_the_middle(name: str) -> None:
    """Of heads (1000 to 1600) and shoulders (850 to 1700), half way between, where the picture has room."""
    _, found = choose(ROOMY, PAIR, sheets(name, 0.12)[:1], Taste(), sized=True)
    assert found.x + found.width / 2 == pytest.approx((1300 + 1275) / 2, abs=1)
    heads_only = [replace(s, body=None) for s in PAIR]
    _, found = choose(ROOMY, heads_only, sheets(name, 0.12)[:1], Taste(), sized=True)
    assert found.x + found.width / 2 == pytest.approx(1300, abs=1)
    assert found.kept == "people"


def test_eyes_lie_a_third_from_the_top_where_there_is_room() -> None:
    """On a wide paper the picture has room above and below: eyes a third from the top (common practice)."""
    people = [replace(s, head=(s.head[0], 700, s.head[2], 980), eyes=(s.eyes[0], 840)) for s in PAIR]
    _, found = choose(ROOMY, people, sheets("9:16")[:1], LARGEST, sized=False)
    assert (840 - found.y) / found.height == pytest.approx(1 / 3, abs=0.002)


def test_centred_comes_nearer_only_for_empty_space_above() -> None:
    """Much room above is cut, by 15 % of the side at most; nothing is where eyes are high already."""
    low = [
        replace(s, head=(s.head[0], s.head[1] + 400, s.head[2], s.head[3] + 400), eyes=(s.eyes[0], 1440))
        for s in PAIR
    ]
    sheet = sheets("4x6", 0.12)[0]
    near = best_crop(ROOMY, low, sheet, Taste())
    assert near.height == pytest.approx(0.85 * 2000, abs=1)
    assert near.bottom == 2000
    high = [
        replace(s, head=(s.head[0], s.head[1] - 500, s.head[2], s.head[3] - 500), eyes=(s.eyes[0], 540))
        for s in PAIR
    ]
    centred = [
        replace(s, head=(s.head[0] + 200, s.head[1], s.head[2] + 200, s.head[3]), body=None) for s in high
    ]
    assert best_crop(ROOMY, centred, sheet, Taste()).height == 2000


def test_nothing_comes_nearer_than_its_pixels_allow() -> None:
    """A print that has few pixels as it is gets all of them; a close one stops at 200 an inch."""
    low = [replace(s, eyes=(s.eyes[0], 1500)) for s in PAIR]
    few = Sheet(width=18, height=12, trim=0.12)
    assert best_crop(ROOMY, low, few, Taste()).height == 2000
    close = best_crop(ROOMY, PAIR, Sheet(width=6, height=4, trim=0.12), Taste(compose="close"))
    assert close.height / 4 == pytest.approx(200, abs=1)
    free = best_crop(ROOMY, PAIR, Sheet(width=6, height=4, trim=0.12), Taste(compose="close"), sized=False)
    assert 400 < free.height < close.height
    assert free.kept == "people"


@pytest.mark.parametrize("compose", COMPOSITIONS)
def test_nothing_comes_nearer_where_shoulders_are_cut_already(compose: str) -> None:
    """A row too wide for the paper gets the largest crop: no more of an arm is cut than must be."""
    row = [
        sitter(700, 1300, 200, 280, name="P01", body=(150, 1250)),
        sitter(2100, 1300, 200, 280, name="P02", body=(1800, 2900)),
    ]
    found = best_crop(ROOMY, row, Sheet(width=10, height=8, trim=0.12), Taste(compose=compose))
    assert (found.kept, found.height) == ("heads", 2000)
    if compose != "thirds":
        # 2750 px of bodies on 2500: both sides lose the same.
        assert (found.x - 150, 2900 - found.right) == (125, 125)


def test_an_arm_at_the_pictures_own_edge_asks_for_nothing() -> None:
    """Who reaches to the picture's edge can have no more: everybody else still counts as whole."""
    edge = [replace(PAIR[0], body=(0, 1250)), PAIR[1]]
    found = best_crop(ROOMY, edge, Sheet(width=6, height=4, trim=0.12), Taste(compose="largest"))
    assert (found.kept, found.x) == ("people", 0)


def test_thirds_puts_the_group_to_its_side() -> None:
    """A group left of the middle stands a third from the left, where heads and the picture allow it."""
    one = [sitter(1000, 700, 200, 280)]
    found = best_crop((4000, 2000), one, Sheet(width=6, height=4), Taste(compose="thirds"))
    assert (1100 - found.x) / found.width == pytest.approx(1 / 3, abs=0.01)
    mirrored = [sitter(2800, 700, 200, 280)]
    found = best_crop((4000, 2000), mirrored, Sheet(width=6, height=4), Taste(compose="thirds"))
    assert (2900 - found.x) / found.width == pytest.approx(2 / 3, abs=0.01)


def test_the_way_of_holding_follows_the_group() -> None:
    """A tall couple in a tall picture is held upright, a row of people in a wide one is not."""
    sheet, _ = choose((2000, 3000), [sitter(800, 600, 300, 400)], sheets("8x10"), Taste(), sized=True)
    assert not sheet.landscape
    row = [sitter(x, 900, 200, 280, name=f"P{x}") for x in range(200, 2700, 400)]
    sheet, found = choose(ROOMY, row, sheets("4x6"), Taste(), sized=True)
    assert sheet.landscape
    assert found.kept == "people"


# -- what is said -------------------------------------------------------------------------------------------


def test_who_is_cut_is_told_with_how_much() -> None:
    """Side, length on paper and share of the head are those of the crop."""
    sheet = Sheet(width=10, height=8)
    crop = Crop(x=1040, y=0, width=2500, height=2000, kept="cut")
    people = [sitter(1000, 900, 200, 280)]
    verdict = judge((4000, 2000), people, sheet, crop, unit="in")
    (cut,) = verdict.cuts
    assert (cut.id, cut.side) == ("P01", "left")
    assert (cut.share, cut.length) == pytest.approx((0.2, 40 / 250))
    assert verdict.warnings[0] == "P01's head is cut at the left: 0.16 in, 20 % of its width."
    metric = judge((4000, 2000), people, sheet, crop, unit="cm")
    assert metric.warnings[0] == "P01's head is cut at the left: 4 mm, 20 % of its width."


@pytest.mark.parametrize(
    ("x", "said"),
    [
        (1020, "trimming may cut it"),  # 0.08 in, within a trim of 0.12
        (1060, "is close to the edge at the left: 0.24 in"),
        (1100, None),  # 0.4 in: beyond trim and 5 mm
    ],
)
def test_a_head_near_the_edge_is_told(x: float, said: str | None) -> None:
    """Within the trim, near it, and clear of it are three things."""
    sheet, crop = (
        Sheet(width=10, height=8, trim=0.12),
        Crop(x=1000, y=0, width=2500, height=2000, kept="tight"),
    )
    verdict = judge((4000, 2000), [sitter(x, 900, 200, 280)], sheet, crop, unit="in")
    assert [w for w in verdict.warnings if said and said in w] == list(verdict.warnings)
    assert len(verdict.warnings) == (said is not None)


@pytest.mark.parametrize(
    ("body", "said"),
    [
        ((800, 1500), "A shoulder or arm of P01 is cut at the left, by up to 0.80 in."),
        ((1010, 1500), "A shoulder or arm of P01 may be trimmed at the left."),
        ((1100, 1500), None),
        # The picture itself ends there: nothing a crop could mend.
        ((0, 1500), None),
        (None, None),
    ],
)
def test_a_shoulder_over_the_edge_is_told(body: tuple[float, float] | None, said: str | None) -> None:
    """Cut, within the trim, clear, cut by the picture itself, and not known."""
    sheet, crop = (
        Sheet(width=10, height=8, trim=0.12),
        Crop(x=1000, y=0, width=2500, height=2000, kept="heads"),
    )
    verdict = judge((4000, 2000), [sitter(1200, 900, 200, 280, body=body)], sheet, crop, unit="in")
    assert list(verdict.warnings) == ([said] if said else [])


@pytest.mark.parametrize(("inches", "soft"), [(12.4, False), (12.6, True)])
def test_few_pixels_are_told(inches: float, soft: bool) -> None:
    """Below 200 pixels an inch (common practice, no source), and not above: 2500 px on 12.5 inches."""
    crop = Crop(x=0, y=0, width=2500, height=2000, kept="people")
    sheet = Sheet(width=inches, height=0.8 * inches)
    verdict = judge((2500, 2000), [middle_of((2500, 2000))], sheet, crop, unit="in")
    assert verdict.ppi == pytest.approx(2500 / inches)
    assert any("pixels an inch" in w for w in verdict.warnings) == soft


def test_a_head_the_picture_cuts_is_no_cut_of_the_crop() -> None:
    """What the picture itself does not have is told as such."""
    crop = Crop(x=0, y=0, width=2500, height=2000, kept="edge")
    verdict = judge((2500, 2000), [sitter(-30, 900, 200, 280)], Sheet(width=10, height=8), crop, unit="in")
    assert verdict.cuts == ()
    assert "reaches the edge of the picture itself" in verdict.warnings[0]


# -- on white -----------------------------------------------------------------------------------------------


@given(pictures())
def test_white_keeps_every_head(drawn: tuple[tuple[int, int], list[Sitter], Sheet, Taste]) -> None:
    """Whatever the paper: no head is cut, the canvas holds the crop and has the paper's shape."""
    size, sitters, sheet, taste = drawn
    found = bordered(size, sitters, sheet, taste)
    canvas = canvas_of(found, sheet)
    assert 0 <= found.x < found.right <= size[0]
    assert 0 <= found.y < found.bottom <= size[1]
    assert canvas[0] >= found.width
    assert canvas[1] >= found.height
    # White lies at two sides at most.
    assert canvas[0] == found.width or canvas[1] == found.height
    assert (
        abs(canvas[0] - canvas[1] * sheet.width / sheet.height)
        <= 0.5 * max(1, sheet.width / sheet.height) + 1e-6
    )
    cut_across = judge(size, sitters, sheet, found, unit="in", canvas=canvas).cuts
    assert not [c for c in cut_across if c.share > 1e-9]
