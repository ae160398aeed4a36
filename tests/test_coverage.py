"""Who has a keeper, who has not and why, and how many frames that will take: against trying every outcome."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from facemerge.coverage import (
    MOST_FRAMES,
    PRIOR_FRAMES,
    USUAL_RATE,
    Coverage,
    chance,
    cover,
    fault,
    frames_for,
    headline,
    moments,
    shrunk_rate,
    told,
)
from facemerge.options import CoverageOptions
from facemerge.pipeline.places import places, row_names
from facemerge.words import PARTS, Missing, Part, Person, Score

FINE = Part(value=1.0)
OPTIONS = CoverageOptions()
RATES = st.lists(st.floats(0.05, 0.95), min_size=1, max_size=6)


def score(total: float = 0.95, spoilt: str = "", reason: str = "", **detail: float) -> Score:
    """A face that scores `total`, the part `spoilt` taking it all."""
    parts = dict.fromkeys(PARTS, FINE)
    factors = dict.fromkeys(PARTS, 1.0)
    if spoilt:
        parts[spoilt] = Part(value=total, reason=reason)
        factors[spoilt] = total
    return Score(**parts, total=total, factors=factors, detail=detail)


GOOD = score()
BLINK = score(0.1, "eyes", "eyes shut")
MOVED = score(0.2, "sharpness", "moved, 12 px", motion_px=12.0)


def group(rows: tuple[int, ...]) -> list[Person]:
    """People with so many in each row, back row first."""
    order = [row for row, count in enumerate(rows) for _ in range(count)]
    nobody = (Missing(reason="drawn"),)
    return [Person(id=f"P{i:02d}", row=row, faces=nobody) for i, row in enumerate(order, 1)]


def covered(
    rows: tuple[int, ...],
    scores: list[list[Score | None]],
    times_s: list[float | None] | None = None,
    options: CoverageOptions = OPTIONS,
) -> Coverage:
    """Coverage of a group with these scores, a list a person."""
    people = group(rows)
    return cover(
        people,
        {p.id: own for p, own in zip(people, scores, strict=True)},
        [f"f{i}.jpg" for i in range(len(scores[0]) if scores else 0)],
        places(people),
        row_names(people),
        options,
        times_s=times_s,
    )


# -- chances ------------------------------------------------------------------------------------------------


def tried_out(rates: tuple[float, ...], frames: int) -> float:
    """The chance that everybody has a keeper, by adding up every possible outcome of every frame."""
    total = 0.0
    for outcome in itertools.product((False, True), repeat=len(rates) * frames):
        good = np.array(outcome).reshape(frames, len(rates))
        if good.any(axis=0).all():
            total += float(np.prod(np.where(good, rates, 1 - np.array(rates))))
    return total


@pytest.mark.parametrize("rates", [(0.3,), (0.5, 0.2), (0.9, 0.4, 0.1)])
@pytest.mark.parametrize("frames", [1, 2, 4])
def test_the_chance_is_that_of_all_outcomes_added_up(rates: tuple[float, ...], frames: int) -> None:
    """The product formula is exact for people of unlike rates."""
    assert chance(rates, frames) == pytest.approx(tried_out(rates, frames), abs=1e-12)


def test_the_chance_is_what_dice_give(rng: np.random.Generator) -> None:
    """20,000 shoots of five people, within four standard errors."""
    rates, frames = [0.2, 0.3, 0.25, 0.6, 0.45], 6
    shoots = rng.random((20_000, frames, len(rates))) < rates
    seen = shoots.any(axis=1).all(axis=1).mean()
    expected = chance(rates, frames)
    assert seen == pytest.approx(expected, abs=4 * np.sqrt(expected * (1 - expected) / 20_000))


@given(RATES, st.floats(0.5, 0.99))
def test_no_fewer_frames_would_do(rates: list[float], confidence: float) -> None:
    """The number reaches the confidence, and one less does not."""
    frames = frames_for(rates, confidence)
    assert frames is not None
    assert frames >= 1
    assert chance(rates, frames) >= confidence > chance(rates, frames - 1)


def test_nobody_waits_for_ever() -> None:
    """With nobody left nothing is needed; what takes too long is said to be too long."""
    assert frames_for([], 0.9) == 0
    assert frames_for([1e-4], 0.9) is None


@given(st.integers(0, 30), st.integers(0, 30), st.floats(0.05, 0.95))
def test_few_frames_prove_little(keepers: int, spoilt: int, usual: float) -> None:
    """The rate lies between what was seen and what is usual, strictly within (0, 1)."""
    seen = keepers + spoilt
    rate = shrunk_rate(keepers, seen, usual)
    own = keepers / seen if seen else usual
    assert min(own, usual) - 1e-12 <= rate <= max(own, usual) + 1e-12
    assert 0 < rate < 1
    assert shrunk_rate(10 * keepers, 10 * seen, usual) == pytest.approx(
        own, abs=PRIOR_FRAMES / (10 * seen + 4)
    )


def test_without_frames_a_keeper_takes_four_or_five() -> None:
    """Four or five frames for one keeper of one person (common practice, no source)."""
    assert 4 <= 1 / shrunk_rate(0, 0, USUAL_RATE) <= 5


def test_the_forecast_holds_about_as_often_as_it_says(rng: np.random.Generator) -> None:
    """Over drawn groups of eight, whose rates differ, nine in ten are covered in time: 82 to 97 %."""
    held = tried = 0
    for _ in range(600):
        rates = rng.beta(4, 6, 8)
        so_far = int(rng.integers(2, 9))
        good = rng.random((so_far, 8)) < rates
        scores: list[list[Score | None]] = [[GOOD if x else BLINK for x in own] for own in good.T]
        found = covered((8,), scores)
        if found.complete or found.further is None:
            continue
        later = rng.random((found.further, 8)) < rates
        tried += 1
        held += bool((good.any(axis=0) | later.any(axis=0)).all())
    assert tried > 150
    assert 0.82 <= held / tried <= 0.97


@pytest.mark.parametrize(
    ("times_s", "expected"),
    [
        ([], []),
        ([None, None, None], [0, 1, 2]),
        ([10.0, 10.1, 10.4, 10.5, 10.9, 11.0], [0, 0, 0, 1, 1, 2]),
        ([10.0, 10.0, None, 10.2, 13.0], [0, 0, 1, 2, 3]),
        ([10.0, 9.0, 9.2], [0, 1, 1]),
    ],
)
def test_frames_of_one_blink_are_one_moment(times_s: list[float | None], expected: list[int]) -> None:
    """A blink lasts up to about half a second (Stern et al. 1984: from memory): frames within it are one."""
    assert moments(times_s) == expected


def test_a_fast_burst_through_one_blink_proves_no_more_than_one_frame() -> None:
    """Ten frames of the same half second leave the rate, and so the forecast, as one frame does."""
    slow = covered((1,), [[BLINK]])
    fast = covered((1,), [[BLINK] * 10], times_s=[i / 25 for i in range(10)])
    assert fast.moments == 1
    assert (fast.people[0].rate, fast.further) == (slow.people[0].rate, slow.further)
    assert "half a second apart" in headline(fast)
    apart = covered((1,), [[BLINK] * 10], times_s=[float(i) for i in range(10)])
    assert apart.people[0].rate < fast.people[0].rate


# -- who stands where, and how ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rows", "expected"),
    [
        ((1,), ["the only person"]),
        ((2,), ["left", "right"]),
        ((3,), ["far left", "middle", "far right"]),
        ((4,), ["far left", "second from left", "second from right", "far right"]),
        (
            (5, 1),
            [
                *("far left, back row", "second from left, back row", "third from left, back row"),
                *("second from right, back row", "far right, back row", "front row"),
            ],
        ),
        ((1, 2, 1), ["back row", "left, middle row", "right, middle row", "front row"]),
        ((1, 1, 1, 1), ["back row", "row 2 from the back", "row 3 from the back", "front row"]),
    ],
)
def test_places_are_told_as_one_sees_them(rows: tuple[int, ...], expected: list[str]) -> None:
    """Counted from the nearer end of the row; the row is named where there is more than one."""
    assert list(places(group(rows)).values()) == expected


@pytest.mark.parametrize("count", range(1, 60))
def test_no_two_people_of_a_row_are_told_alike(count: int) -> None:
    """Every place names one person."""
    assert len(set(places(group((count, 1))).values())) == count + 1


def test_those_come_first_who_need_attention() -> None:
    """Nobody's keeper before one keeper before many; among those without, the least likely first."""
    people = [
        [GOOD, GOOD, GOOD, BLINK],
        [BLINK, BLINK, GOOD, BLINK],
        [BLINK, MOVED, BLINK, BLINK],
    ]
    found = covered((3,), people)
    assert [p.place for p in found.people] == ["far right", "middle", "far left"]
    assert (found.covered, found.complete) == (2, False)
    assert found.people[0].faults == (("blinked", 3), ("moved", 1))
    assert found.people[1].keepers == ("f2.jpg",)
    assert found.people[0].further > found.people[1].further == 0


@pytest.mark.parametrize(("total", "keeper"), [(0.7, True), (0.699, False), (1.0, True)])
def test_a_keeper_scores_what_the_setting_says(total: float, keeper: bool) -> None:
    """From 0.7 on, as the report scores; another threshold is obeyed."""
    assert covered((1,), [[score(total, "eyes")]]).complete is keeper
    strict = CoverageOptions(keeper_from=1.0)
    assert covered((1,), [[score(total, "eyes")]], options=strict).complete is (total == 1.0)


@pytest.mark.parametrize(
    ("spoilt", "said"),
    [
        (None, "not found"),
        (BLINK, "blinked"),
        (MOVED, "moved"),
        (score(0.3, "eyes", "looking down"), "looked down"),
        (score(0.3, "sharpness", "out of focus, blur about 4 px"), "out of focus"),
        (score(0.3, "sharpness", "camera shake, 9 px", motion_px=9.0), "camera shook"),
        (score(0.3, "expression", "mouth open"), "pulled a face"),
        (score(0.3, "expression", "no silly face"), "no silly face"),
        (score(0.3, "gaze", "looks up"), "looked away"),
        (score(0.3, "pose", "head turned"), "head turned"),
        (score(0.3, "visible", "mouth hidden"), "partly hidden"),
        (score(0.3, "light", "blown"), "badly lit"),
    ],
)
def test_what_spoilt_a_face_is_said_in_two_words(spoilt: Score | None, said: str) -> None:
    """The part that costs the face most is named."""
    assert fault(spoilt) == said


def test_eyes_that_cannot_be_seen_did_not_blink() -> None:
    """Unknown is not shut."""
    unseen = Part(value=None, reason="eyes behind dark glasses")
    assert "not to be seen" in fault(
        Score(eyes=unseen, sharpness=FINE, expression=FINE, total=0.6, factors={"eyes": 0.6, "pose": 1.0})
    )


def test_a_row_is_sharp_where_half_of_it_is() -> None:
    """By frames; a frame in which the sharpness of nobody is known does not count."""
    soft = score(0.2, "sharpness", "out of focus, blur about 4 px")
    found = covered((2, 1), [[GOOD, soft, soft, None], [soft, soft, GOOD, None], [GOOD, GOOD, GOOD, GOOD]])
    assert [(r.name, r.sharp, r.seen) for r in found.rows] == [("back row", 2, 3), ("front row", 4, 4)]


# -- in words -----------------------------------------------------------------------------------------------


def test_the_first_line_says_it_all() -> None:
    """How many of how many after how many frames, and how many more with which chance."""
    found = covered((2,), [[GOOD, BLINK], [BLINK, BLINK]])
    assert headline(found) == (
        f"1 of 2 covered after 2 frames; keep going: about {found.further} more (90 % chance)."
    )
    assert headline(covered((2,), [[GOOD], [GOOD]])) == "Both are covered after 1 frame."
    assert headline(covered((3,), [[GOOD]] * 3)) == "All 3 are covered after 1 frame."
    assert headline(covered((1,), [[GOOD]])) == "The one person is covered after 1 frame."
    assert headline(covered((), [])) == "No frame with anybody in it yet."


def test_what_would_take_too_long_is_not_reckoned_out() -> None:
    """More than anybody takes is said as such."""
    found = covered((1,), [[BLINK] * 900])
    assert found.further is None
    assert f"more than {MOST_FRAMES} more" in headline(found)


def test_the_list_is_short_and_says_why() -> None:
    """A line for each who waits, with what spoilt how many; one for each who is covered once; one more."""
    nine = [BLINK] * 9 + [MOVED, MOVED]
    lines = told(covered((5, 2), [[GOOD] * 11, [GOOD] * 11, nine, *[[GOOD] * 11] * 3, [BLINK] * 10 + [GOOD]]))
    assert lines[0].startswith("6 of 7 covered after 11 frames; keep going: about ")
    assert lines[1].startswith("  not yet  third from left, back row  blinked in 9 of 11, moved in 2 of 11; ")
    assert lines[2].split() == ["once", "right,", "front", "row", "f10.jpg"]
    assert lines[3] == "  5 people have 11 keepers each."
    assert lines[4] == "  Sharp: back row in 11 of 11, front row in 11 of 11 frames."
    assert len(lines) == 5


def test_a_soft_row_is_sent_to_the_command_that_says_why() -> None:
    """Where a row is soft in most frames."""
    soft = score(0.2, "sharpness", "out of focus, blur about 4 px")
    lines = told(covered((1, 1), [[soft, soft, soft], [GOOD] * 3]))
    assert any("back row in 0 of 3" in line and "`facemerge focus`" in line for line in lines)
