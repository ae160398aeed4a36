"""What the plan says: the right figures in plain sentences, and small pictures drawn to scale."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from facemerge.errors import OptionError
from facemerge.plan import Framing, Group, Scene, make_plan, sketch
from facemerge.plan.framing import cut_for
from facemerge.plan.optics import Rows, Setting, setting_for

NEAR = Scene(distance="12ft", focal="50mm")


def said(group: Group, scene: Scene | None = None, framing: Framing | None = None) -> str:
    """Return the plan as one text without its line breaks."""
    lines = make_plan(group, scene or Scene(), framing or Framing()).lines
    return " ".join(" ".join(lines).split())


def line_of(group: Group, scene: Scene, begins: str) -> str:
    return next(line for line in make_plan(group, scene, Framing()).lines if line.lstrip().startswith(begins))


# -- frames -------------------------------------------------------------------------------------------------


def test_the_first_line_says_what_to_do() -> None:
    """Frames, time, and whether the group will stand that long."""
    first = make_plan(Group(people=12), Scene(), Framing()).lines[0]
    assert re.match(r"12 people: take \d+ frames, \d:\d\d min at one every 3 s, within the 10:00 min", first)


def test_a_group_that_loses_patience_is_told_so() -> None:
    """More time than they will stand: what else to do."""
    text = said(Group(people=12, patience="30s"))
    assert "longer than the 0:30 min they will stand" in text
    assert "fewer people at a time" in text


def test_people_who_are_nearly_always_good_need_no_composite() -> None:
    """Said in the first sentences."""
    assert "a composite will hardly be needed" in said(Group(people=4, keeper_rate=0.95))
    assert "hardly be needed" not in said(Group(people=12))


def test_people_who_are_seldom_good_are_a_sentence_and_no_number() -> None:
    """Over a million frames, never; and no 'inf' or 'nan' anywhere."""
    text = said(Group(people=300, keeper_rate=0.001, confidence=0.9999, pace="10min"))
    assert "over a million" in text
    assert "never" in text
    assert not re.search(r"\b(inf|nan)\b", text)


def test_the_rule_of_thumb_stands_beside_the_model() -> None:
    """4 or 5, 16 and 48 (common practice, no source) beside 4 and 5 multiplied and the plan's own rate; and
    that 48 is no cube is said.
    """
    lines = make_plan(Group(people=2, keeper_rate=0.25), Scene(), Framing()).lines
    at = lines.index(next(line for line in lines if line.startswith("Without a composite")))
    rows = [line.split("  ") for line in lines[at + 2 : at + 5]]
    cells = [[c.strip() for c in row if c.strip()] for row in rows]
    assert cells == [
        ["1", "4 or 5", "4 to 5", "4.0"],
        ["2", "16", "16 to 25", "16.0"],
        ["3", "48", "64 to 125", "64.0"],
    ]
    assert "the rule is no law" in " ".join(lines)


def test_the_published_rule_stands_beside_the_blinks() -> None:
    """Svenson and Barnes 2006: a third as many frames as people in good light, below twenty people."""
    assert "(Svenson and Barnes 2006): 4 frames." in said(Group(people=12, blinks=10))
    assert "Svenson" not in said(Group(people=20, blinks=10))


def test_a_slower_shutter_lets_more_blinks_in() -> None:
    """The exposure counts with the blink."""
    slow = said(Group(people=12, blinks=10), Scene(shutter="1/4"))
    assert "shutter 1/4 s" in slow
    assert "spoil 8.3 %" in slow
    assert "spoil 4.3 %" in said(Group(people=12, blinks=10))


@pytest.mark.parametrize(
    ("group", "words"),
    [
        (Group(people=12), "one frame of 4.5, a keeper in four or five (common practice, no source)"),
        (Group(people=12, keeper_rate=0.25), "one frame of 4 (as you said)"),
        (Group(people=12, keeper_rate=0.8), "80 % of frames (as you said)"),
        (
            Group(people=12, children=1),
            "A small child is good in one frame of 10 (common practice, no source)",
        ),
        (
            Group(people=12, children=2, child_rate=0.2),
            "2 small children are good in one frame of 5 (as you said)",
        ),
    ],
)
def test_where_a_keeper_rate_comes_from_is_said(group: Group, words: str) -> None:
    """Usual ones are called common practice, others the user's."""
    assert words in said(group)


def test_children_make_it_longer() -> None:
    """The same group with two small ones needs more frames."""

    def frames(group: Group) -> float:
        return make_plan(group, Scene(), Framing()).forecast.covered.sure

    assert frames(Group(people=12, children=2)) > frames(Group(people=12))


def test_both_chances_are_drawn() -> None:
    """o and x, the dotted line of the confidence, and the axis; the o never below the x."""
    covered, one = [0.0, 0.5, 0.9, 1.0], [0.0, 0.1, 0.2, 0.3]
    lines = sketch.curves(covered, one, 0.95, 4)
    columns = list(zip(*(f"{line:<{80}}" for line in lines[: sketch.HEIGHT]), strict=True))
    drawn = [c for c in columns[9 : 9 + sketch.WIDTH] if "o" in c]
    assert len(drawn) == sketch.WIDTH
    for column in drawn:
        assert "x" not in column or column.index("o") < column.index("x")
    assert "4 frames" in lines[-2]
    assert "95 %" in lines[-1]


# -- settings -----------------------------------------------------------------------------------------------


def test_settings_are_shown_in_both_systems() -> None:
    """Metres and feet, whichever was said."""
    for distance in ("12ft", "3.6576m"):
        text = said(Group(people=12), Scene(distance=distance, focal="50mm", rows=3))
        assert "3.66 m (12 ft)" in text
        assert "47 cm (1.54 ft) behind row 1, between rows 1 and 2" in text


def test_the_f_number_is_that_of_the_textbook() -> None:
    """85 mm, rows at 4.5 and 5.5 m, circle 0.03 mm: f² (D - d)/(2 c D d) = 4.87 (textbook's short form, from
    memory), so f/5, focused at 4.95 m.
    """
    scene = Scene(distance="4.5m", focal="85mm", rows=2, row_depth="1m", row_play="0m", circle="0.03mm")
    assert "f/5" in line_of(Group(people=9), scene, "set")
    assert "4.95 m" in line_of(Group(people=9), scene, "focus at")


def test_a_larger_number_may_be_set_until_diffraction_takes_over() -> None:
    """The span ends below the f-number at which the Airy disc is the circle."""
    line = line_of(Group(people=12), NEAR, "set")
    found = re.search(r"f/([\d.]+), or any number up to f/([\d.]+)", line)
    assert found
    assert float(found[1]) < float(found[2]) < 19.1


@pytest.mark.parametrize(
    ("scene", "words"),
    [
        (Scene(distance="2m", focal="85mm", rows=5, row_depth="1m"), "is too far: diffraction alone"),
        (
            Scene(distance="4m", focal="85mm", rows=6, row_depth="1m", circle="0.0288mm"),
            "No f-number keeps the outer rows",
        ),
        (Scene(distance="20m", focal="24mm"), "Depth of field asks for no small f-number"),
    ],
)
def test_what_no_f_number_can_do_is_said_and_what_else_to_do(scene: Scene, words: str) -> None:
    """Too deep, too near, or no matter."""
    text = said(Group(people=12), scene)
    assert words in text
    assert ("Put the rows" in text or "Step back" in text) == ("no small" not in words)


@pytest.mark.parametrize(
    ("scene", "holds"),
    [
        (Scene(distance="12ft", focal="50mm", rows=3), False),
        (Scene(distance="4.5m", focal="50mm", rows=6, row_depth="1m", row_play="0m"), True),
    ],
)
def test_a_third_in_front_is_said_to_hold_only_where_it_does(scene: Scene, holds: bool) -> None:
    """It does where the last row is twice as far as the first, and so the focus at a third of the hyperfocal
    distance (by the limits' formulas).
    """
    assert (f"the rule {'holds' if holds else 'does not hold'} here") in said(Group(people=12), scene)


@pytest.mark.parametrize(
    ("group", "scene", "shutter"),
    [
        (Group(people=12), NEAR, "1/125 s"),
        (Group(people=12, children=1), NEAR, "1/250 s"),
        (Group(people=12), Scene(distance="12ft", focal="200mm"), "1/200 s"),
        (Group(people=12), Scene(distance="12ft", focal="50mm", shutter="1/80"), "1/80 s"),
    ],
)
def test_the_shutter_holds_people_children_and_the_hand(group: Group, scene: Scene, shutter: str) -> None:
    """1/125 s, 1/250 s for children, one over the focal length (common practice, no source), or as said."""
    assert any(
        line.strip().startswith(f"{shutter}  <- this") for line in make_plan(group, scene, Framing()).lines
    )


@pytest.mark.parametrize(
    ("group", "scene", "words"),
    [
        (
            Group(people=12, children=1),
            Scene(distance="4m", focal="50mm", shutter="1/60"),
            "Small children want",
        ),
        (Group(people=12), Scene(distance="4m", focal="50mm", shutter="1/15"), "seldom hold still"),
        (Group(people=12), Scene(distance="4m", focal="50mm", light="-4"), "beyond what cameras offer"),
        (Group(people=12), Scene(distance="4m", focal="50mm", light="4"), "grain shows"),
        (Group(people=12), Scene(distance="4m", focal="50mm", light="16"), "At ISO 100 the shutter may be"),
        (Group(people=12), NEAR, "Say the light with --light"),
        (Group(people=30), Scene(distance="2m", focal="85mm"), "too wide. Step back to"),
        (Group(people=6), NEAR, "they fit"),
    ],
)
def test_what_a_photographer_should_know_is_said(group: Group, scene: Scene, words: str) -> None:
    """One sentence each, where it matters."""
    assert words in said(group, scene)


def test_iso_follows_from_the_light() -> None:
    """100 N²/(t 2^EV), N² = 2^(13/3) at f/4.5, 1/125 s and EV 9: 492, so ISO 500 (definition, ISO 2720, from
    memory); 1280 lux are the same light.
    """
    for light in ("9EV", "1280lux"):
        line = line_of(Group(people=12), Scene(distance="12ft", focal="50mm", rows=3, light=light), "1/125 s")
        assert "ISO 500" in line


def test_the_strictest_print_decides() -> None:
    """Of two prints the one that is cut more, as it is enlarged more; from closer it is stricter."""
    both = said(Group(people=12), NEAR, Framing(prints=("8x12", "8x10")))
    assert "on the 8x10 print" in both

    def needed(**how: str) -> float:
        scene = Scene(distance="12ft", focal="50mm", **how)
        setting = make_plan(Group(people=12), scene, Framing(prints=("8x10",))).setting
        assert isinstance(setting, Setting)
        return setting.needed

    assert needed(viewing="25cm") > needed() > needed(viewing="1m")
    assert needed(blur="0.1mm") == pytest.approx(2 * needed(blur="0.2mm"))
    # 8x10 is 30 x 24 mm of the frame, enlarged 8.47 times: 0.254 mm on the print are 0.03 mm.
    assert needed(blur="0.254mm") == pytest.approx(needed(circle="0.03mm"))


def test_the_blur_is_said_in_pixels() -> None:
    """0.03 mm of 36 mm are 5 of 6000 px: 0.03/36 = 1/1200."""
    scene = Scene(distance="12ft", focal="50mm", circle="0.03mm", pixels=6000)
    assert "0.030 mm on the sensor, 5.0 px of 6000" in said(Group(people=12), scene)


@given(
    front=st.floats(1.5, 12),
    count=st.integers(1, 5),
    apart=st.floats(0.4, 1.5),
    focal=st.floats(0.024, 0.135),
)
def test_rows_are_drawn_to_scale(front: float, count: int, apart: float, focal: float) -> None:
    """Camera at the left, rows in order and at their distances within a letter, the focus among what is
    sharp.
    """
    rows = Rows(front_m=front, count=count, apart_m=apart, play_m=0.1)
    setting = setting_for(rows, focal_m=focal, circle_m=3e-5)
    _, mark, line, _ = sketch.rows(setting)
    shown = [m.start() - 2 for m in re.finditer(r"\d", line)]
    assert line[2] == ">"
    assert shown == sorted(shown)
    letters = [at / place for at, place in zip(shown, rows.places_m, strict=False)]
    if len(shown) == count:
        assert max(letters) - min(letters) < 1.2 / front
    focus = mark.index("v")
    assert re.match(r"[=\d]", line[focus])


# -- framing ------------------------------------------------------------------------------------------------


def test_an_inch_at_each_end_is_said() -> None:
    """8x10 from 3:2 (common practice, no source), in inches and centimetres."""
    assert re.search(r"8x10 <- yours 83 % 1\.00 in \(2\.5 cm\) 83 % 75 %", said(Group(people=12)))


def test_any_proportions_and_any_frame_can_be_said() -> None:
    """A panorama is cut at top and bottom, a print of the frame's own proportions not at all."""
    text = said(Group(people=12), framing=Framing(prints=("3:1",)))
    assert "3:1 <- yours 100 % top and bottom 50 % 90 %" in text
    assert "4:3 frame" in said(Group(people=12), framing=Framing(sensor="four-thirds"))
    assert "30x40cm <- yours 100 % nothing 100 %" in said(
        Group(people=12), framing=Framing(sensor="40x30", prints=("30x40cm",))
    )


@pytest.mark.parametrize("ratio", [1.0, 1.25, 1.5, 3.0])
def test_the_cut_is_drawn_to_scale(ratio: float) -> None:
    """What is kept, and the group within it, are as wide as their shares within two letters."""
    cut = cut_for(1.5, ratio, 0.05)
    lines = sketch.frame(cut, 1.5, "print")[1:-2]
    wide = max((line.rindex("#") - line.index("#") + 1 for line in lines if "#" in line), default=0)
    assert wide == pytest.approx(sketch.FRAME_WIDTH * cut.group_share, abs=2)
    assert all(line[2] == line[-1] == "|" for line in lines)


def test_lines_fit_a_terminal() -> None:
    """No line is longer than 110 letters, tables and pictures included."""
    group = Group(people=300, keeper_rate=0.01, children=100)
    scene = Scene(distance="30ft", focal="85mm", rows=12, light="500lux", pixels=6000)
    assert max(map(len, make_plan(group, scene, Framing(prints=("20x30cm", "11x14"))).lines)) <= 110


# -- wrong words --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("group", "scene", "framing", "words"),
    [
        (Group(), Scene(), Framing(), "Say how many people"),
        (Group(people=0), Scene(), Framing(), "PEOPLE"),
        (Group(people=12, confidence=1.0), Scene(), Framing(), "--confidence"),
        (Group(people=12, confidence=float("nan")), Scene(), Framing(), "--confidence"),
        (Group(people=12, keeper_rate=0.0), Scene(), Framing(), "nobody would ever be good"),
        (Group(people=12, keeper_rate=1.0), Scene(), Framing(), "the first frame would do"),
        (Group(people=12, keeper_rate=float("nan")), Scene(), Framing(), "--keeper-rate"),
        (Group(people=12, children=1, child_rate=2.0), Scene(), Framing(), "--child-rate"),
        (Group(people=12, child_rate=0.2), Scene(), Framing(), "--child-rate needs --children"),
        (Group(people=12, keeper_rate=0.2, blinks=10), Scene(), Framing(), "choose between"),
        (Group(people=12, blinks=300), Scene(), Framing(), "--blinks"),
        (Group(people=12, blinks=10, blink_length="1h"), Scene(), Framing(), "--blink-length"),
        (Group(people=12, pace="0.1s"), Scene(), Framing(), "--pace"),
        (Group(people=12, patience="1s"), Scene(), Framing(), "--patience"),
        (Group(people=12), Scene(focal="50mm"), Framing(), "--focal needs --distance"),
        (Group(people=12), Scene(row_depth="1m"), Framing(), "--row-depth needs --distance"),
        (Group(people=12), Scene(shutter="1/60"), Framing(), "--shutter needs --distance"),
        (Group(people=12), Scene(distance="4m"), Framing(), "say the lens too"),
        (Group(people=12), Scene(distance="4m", focal="50mm", rows=0), Framing(), "--rows"),
        (Group(people=12), Scene(distance="4m", focal="50mm", pixels=3), Framing(), "--pixels"),
        (Group(people=12), Scene(distance="4m", focal="5m"), Framing(), "--focal"),
        (Group(people=12), Scene(distance="0.3m", focal="200mm"), Framing(), "too near"),
        (
            Group(people=12),
            Scene(distance="4m", focal="50", blur="1mm", circle="1mm"),
            Framing(),
            "leave out",
        ),
        (
            Group(people=12),
            Scene(distance="4m", focal="50", viewing="1m"),
            Framing(prints=("5:4",)),
            "size of the",
        ),
        (Group(people=12), Scene(), Framing(margin=0.5), "--margin"),
        (Group(people=12), Scene(), Framing(margin=float("nan")), "--margin"),
    ],
)
def test_a_wrong_word_is_one_sentence(group: Group, scene: Scene, framing: Framing, words: str) -> None:
    """It names the option, and ends with a full stop."""
    with pytest.raises(OptionError) as caught:
        make_plan(group, scene, framing)
    assert words in str(caught.value)
    assert str(caught.value).endswith(".")
    assert "\n" not in str(caught.value)
