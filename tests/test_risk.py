"""Risk: what is measured at a seam becomes a number, a flag and reasons in plain words."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from facemerge import risk
from facemerge.options import RiskOptions
from facemerge.words import Risk, Seam

CALM = Seam(
    delta_e_median=0.2,
    delta_e_p95=0.5,
    texture=2.0,
    misregistration_px=0.1,
    tone_delta_e=1.0,
    grain_ratio=1.0,
    head_hidden=0.0,
    invented=0.0,
    old_head_left=0.0,
)


def assess(seam: Seam = CALM, turn: float = 0.0, error: float = 0.3) -> Risk:
    return risk.assess(seam, head_turn_deg=turn, align_error_px=error, options=RiskOptions(), extent="face")


def test_a_seam_that_agrees_is_clear_and_says_so() -> None:
    """Nothing measured, nothing risked; the reason is still there."""
    found = assess()
    assert found.flag == "clear"
    assert found.value == 0
    assert found.reasons == ("both frames agree all along the seam",)


@pytest.mark.parametrize(
    ("change", "flag"),
    [
        ({"delta_e_p95": 2.3}, "clear"),
        ({"delta_e_p95": 3.01}, "inspect"),
        ({"delta_e_p95": 5.0}, "inspect"),
        ({"delta_e_p95": 14.0}, "retouch"),
        ({"old_head_left": 0.006}, "inspect"),
        ({"old_head_left": 0.05}, "retouch"),
        ({"misregistration_px": 5.0, "texture": 12.0}, "retouch"),
        ({"strange_delta_e": 1.2}, "clear"),
        ({"strange_delta_e": 1.8}, "inspect"),
        ({"strange_delta_e": 5.0}, "retouch"),
        ({"broken_px": 2.0}, "clear"),
        ({"broken_px": 12.0}, "inspect"),
        ({"detail_step": 2.0}, "clear"),
        ({"detail_step": 4.8, "sharpness_step": 1.4}, "inspect"),
        ({"sharpness_step": 2.0, "detail_step": 0.8}, "clear"),
    ],
)
def test_flags_follow_what_an_eye_sees(change: dict[str, float], flag: str) -> None:
    """A difference above 3 dE side by side is seen and never called clear (2.3 is just noticeable: Mahy et
    al. 1994, from memory); the rest was set by looking at seams."""
    assert assess(replace(CALM, **change)).flag == flag


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"delta_e_p95": 6.0}, "colours differ"),
        ({"misregistration_px": 3.0, "texture": 12.0}, "texture does not meet"),
        ({"old_head_left": 0.05}, "old head"),
        ({"head_hidden": 0.1}, "whoever stands in front covers a part of the new head"),
        ({"invented": 0.1}, "10.0 % of what was set in comes from a third frame"),
        ({"tone_delta_e": 20.0}, "tone differed"),
        ({"grain_ratio": 3.0}, "grain differs"),
        ({"strange_delta_e": 5.0}, "an outline or a pattern is broken"),
        ({"scraps": 12.0}, "a scrap, or the rim of an older outline, is left"),
        ({"broken_px": 6.2}, "lines do not meet: they are off by 6 px"),
        ({"texture_phase": 1.1}, "leaves or weave does not carry on"),
        ({"tone_step": 5.0}, "soft glow"),
        ({"detail_step": 4.0, "sharpness_step": 1.0}, "2.0 times as crisp"),
        ({"detail_step": 4.0, "sharpness_step": 0.1}, "sharp meets soft along the seam"),
    ],
)
def test_the_cause_is_named_first(change: dict[str, float], word: str) -> None:
    """Whatever alone is wrong is the first reason given."""
    assert word in assess(replace(CALM, **change)).reasons[0]


@pytest.mark.parametrize(
    ("turn", "error", "word"),
    [(30.0, 0.3, "turned 30"), (-30.0, 0.3, "turned 30"), (0.0, 20.0, "aligned only")],
)
def test_turn_and_alignment_are_named(turn: float, error: float, word: str) -> None:
    """A head turned further, either way, and a poor alignment are causes as well."""
    assert word in assess(turn=turn, error=error).reasons[0]


def test_the_weightiest_reason_comes_first() -> None:
    """Reasons are sorted by what each adds."""
    reasons = assess(replace(CALM, delta_e_p95=15.0, old_head_left=0.01, tone_delta_e=8.0)).reasons
    assert "colours differ" in reasons[0]
    assert len(reasons) == 3


def test_the_place_is_told_where_it_is_known() -> None:
    """The sentence about colour says where to look."""
    assert "x 120, y 45" in assess(replace(CALM, delta_e_p95=6.0, worst_at=(120.2, 44.9))).reasons[0]


BOX = (100.0, 200.0, 200.0, 300.0)


@pytest.mark.parametrize(
    ("at", "where"),
    [
        ((40.0, 250.0), " left of the head"),
        ((260.0, 250.0), " right of the head"),
        ((150.0, 120.0), " above the head"),
        ((150.0, 390.0), " below the head"),
        ((40.0, 390.0), " below and left of the head"),
        ((150.0, 250.0), " on the head"),
        (None, ""),
    ],
)
def test_places_are_told_in_words(at: tuple[float, float] | None, where: str) -> None:
    """Left and right, above and below as seen in the picture; nothing where it is not known."""
    lines = assess(replace(CALM, broken_px=6.0, broken_at=at, head_box=BOX)).reasons[0]
    assert lines == f"lines do not meet{where}: they are off by 6 px"
    patch = assess(replace(CALM, strange_delta_e=5.0, strange_at=at, head_box=BOX)).reasons[0]
    assert patch == f"an outline or a pattern is broken{where}"


def test_lines_are_named_only_where_there_are_lines() -> None:
    """Leaves that do not fit are not called lines."""
    reasons = assess(replace(CALM, texture_phase=1.2, strange_delta_e=4.0)).reasons
    assert not any("lines" in reason for reason in reasons)


@given(
    delta_e=st.floats(3.0, 60.0, exclude_min=True),
    texture=st.floats(0, 20),
    strange=st.floats(0, 20),
    broken=st.floats(0, 20),
    turn=st.floats(-60, 60),
)
def test_above_three_nobody_is_told_it_is_clear(
    delta_e: float, texture: float, strange: float, broken: float, turn: float
) -> None:
    """Whatever else was measured, on any background, a seam above 3 dE is flagged."""
    seam = replace(CALM, delta_e_p95=delta_e, texture=texture, strange_delta_e=strange, broken_px=broken)
    assert assess(seam, turn=turn).flag != "clear"


# Measured at seams of four rendered bursts that were held against their true pictures (`scripts/seams.py`),
# and bounds about how often such a seam was found there.
SEEN = (
    ({"strange_delta_e": 0.6, "delta_e_p95": 0.8, "broken_px": 0.5, "detail_step": 0.4}, 0.02, 0.15),
    ({"strange_delta_e": 1.1, "delta_e_p95": 0.9, "broken_px": 0.8, "detail_step": 0.6}, 0.1, 0.3),
    ({"strange_delta_e": 1.5, "delta_e_p95": 1.0, "broken_px": 1.0, "detail_step": 1.0}, 0.3, 0.6),
    ({"strange_delta_e": 2.4, "delta_e_p95": 0.9, "broken_px": 1.5, "detail_step": 1.0}, 0.65, 0.95),
    ({"strange_delta_e": 4.7, "delta_e_p95": 1.6, "broken_px": 1.1, "detail_step": 0.8}, 0.85, 1.0),
    ({"strange_delta_e": 5.9, "delta_e_p95": 2.6, "broken_px": 9.8, "detail_step": 2.4}, 0.9, 1.0),
)


@pytest.mark.parametrize(("measured", "low", "high"), SEEN)
def test_the_risk_is_how_often_such_a_seam_is_found(
    measured: dict[str, float], low: float, high: float
) -> None:
    """The table of seams whose true picture is known."""
    assert low <= assess(replace(CALM, **measured)).value <= high


@given(
    field=st.sampled_from(
        [
            "delta_e_p95",
            "misregistration_px",
            "old_head_left",
            "head_hidden",
            "invented",
            "tone_delta_e",
            "strange_delta_e",
            "scraps",
            "broken_px",
            "texture_phase",
            "detail_step",
            "tone_step",
        ]
    ),
    low=st.floats(0, 40),
    more=st.floats(0, 40),
)
def test_more_of_a_fault_is_never_less_risk(field: str, low: float, more: float) -> None:
    """Risk rises with every measure, and stays in [0, 1]."""
    a, b = assess(replace(CALM, **{field: low})), assess(replace(CALM, **{field: low + more}))
    assert 0 <= a.value <= b.value <= 1
    assert a.reasons
    assert b.reasons


@pytest.mark.parametrize("field", ["delta_e_p95", "strange_delta_e", "scraps", "broken_px"])
def test_nonsense_is_the_worst(field: str) -> None:
    """A measure that is no number is taken for the worst, never for nothing."""
    assert assess(replace(CALM, **{field: float("nan")})).flag == "retouch"


@pytest.mark.parametrize(
    ("inspect", "retouch", "flag"), [(0.35, 0.7, "inspect"), (0.9, 0.95, "clear"), (0.1, 0.2, "retouch")]
)
def test_the_thresholds_are_the_users(inspect: float, retouch: float, flag: str) -> None:
    """Flags follow the options."""
    options = RiskOptions(inspect_from=inspect, retouch_from=retouch)
    seam = replace(CALM, delta_e_p95=5.0)
    assert risk.assess(seam, head_turn_deg=0, align_error_px=0.3, options=options, extent="face").flag == flag
