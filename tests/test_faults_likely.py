"""Likely: what was found becomes a chance, a flag and the faults behind it."""

from __future__ import annotations

from dataclasses import replace

import pytest
from drawn_faults import DONOR, head_of
from hypothesis import given
from hypothesis import strategies as st

from facemerge.faults import Place, assess, of_face, of_neighbours, of_strange, told
from facemerge.faults.likely import IN_PICTURE
from facemerge.options import RiskOptions
from facemerge.words import MOST_MISFIT, Fault, FaultKind, Head, Joint, Misfit, Risk

OPTIONS = RiskOptions()
HEAD = head_of(DONOR)
FITS = Misfit(pose=0.01, border_delta_e=0.8, covered=0.01, crisper=0.02)


def place(kind: FaultKind, amount: float, person: str | None = None) -> Place:
    """A place; of one that looks like neither frame the mass grows with the amount."""
    mass = 0.01 * amount if kind in IN_PICTURE else 0.0
    return Place(kind=kind, amount=amount, at=(150.0, 190.0), size_px=12.0, mass=mass, person=person)


def joined(**facts: float) -> Head:
    return replace(HEAD, joint=Joint(**facts))


def test_nothing_found_is_clear() -> None:
    """A person in whom nothing was found, and an inner face that fits."""
    assert assess([], HEAD, OPTIONS) == Risk(value=0.0, flag="clear")
    face = assess([], replace(HEAD, joint=Joint(misfit=FITS)), OPTIONS)
    assert face.flag == "clear"
    assert face.value < 0.05


@pytest.mark.parametrize(
    ("places", "flag"),
    [
        ([place(FaultKind.BREAK, 0.1)], "clear"),
        ([place(FaultKind.STRIP, 9.0)], "retouch"),
        ([place(FaultKind.LINES, 2.0)], "clear"),
        ([place(FaultKind.LINES, 12.0)], "inspect"),
        ([place(FaultKind.NEIGHBOUR, 0.5, "P02")], "retouch"),
    ],
)
def test_flags_follow_what_was_found(places: list[Place], flag: str) -> None:
    """What blind viewers found, and what they did not."""
    assert assess(places, HEAD, OPTIONS).flag == flag


@pytest.mark.parametrize(
    ("facts", "kind"),
    [
        ({"old_head_left": 0.05}, FaultKind.OLD_SELF),
        ({"head_hidden": 0.1}, FaultKind.HIDDEN),
        ({"grain_ratio": 4.0}, FaultKind.GRAIN),
        ({"grain_ratio": 0.25}, FaultKind.GRAIN),
    ],
)
def test_what_is_known_of_the_joint_counts(facts: dict[str, float], kind: FaultKind) -> None:
    """Whatever alone is wrong comes first."""
    found = assess([], joined(**facts), OPTIONS)
    assert found.faults[0].kind is kind
    assert found.value > 0.3


@pytest.mark.parametrize("name", sorted(MOST_MISFIT))
def test_a_face_that_does_not_fit_is_flagged_for_that(name: str) -> None:
    """Each misfit, at twice what will do, is found more often than not, and is the first fault."""
    worse = replace(FITS, **{name: 2 * MOST_MISFIT[name]})
    found = assess([], replace(HEAD, joint=Joint(misfit=worse)), OPTIONS)
    kinds = {
        "pose": FaultKind.POSE,
        "border_delta_e": FaultKind.BORDER,
        "covered": FaultKind.COVERED,
        "crisper": FaultKind.SHARPNESS,
    }
    assert found.faults[0].kind is kinds[name]
    assert found.faults[0].amount == pytest.approx(2 * MOST_MISFIT[name])
    assert found.flag != "clear"
    assert found.value == pytest.approx(of_face(2.0), abs=0.01)


def test_a_fault_on_a_face_that_fits_counts_all_the_same() -> None:
    """However well a face fits, a broken edge in the finished picture is found."""
    face = replace(HEAD, joint=Joint(misfit=FITS))
    assert assess([place(FaultKind.BREAK, 9.0)], face, OPTIONS).flag == "retouch"


def test_the_weightiest_fault_comes_first() -> None:
    """Faults are sorted by what each means alone, and places by it too."""
    places = [place(FaultKind.LINES, 9.0), place(FaultKind.STRIP, 3.0), place(FaultKind.BREAK, 8.0)]
    found = assess(places, joined(old_head_left=0.004), OPTIONS)
    chances = [f.chance for f in found.faults]
    assert chances == sorted(chances, reverse=True)
    assert found.faults[0].kind is FaultKind.BREAK
    assert len(found.places) == 3


@given(
    kind=st.sampled_from([FaultKind.BREAK, FaultKind.LINES, FaultKind.NEIGHBOUR, FaultKind.GHOST]),
    low=st.floats(0, 40),
    more=st.floats(0, 40),
    others=st.lists(st.floats(0.5, 10), max_size=4),
)
def test_more_of_a_fault_is_never_less_risk(
    kind: FaultKind, low: float, more: float, others: list[float]
) -> None:
    """Risk rises with every amount, stays in [0, 1], and is at least that of the worst fault alone."""
    rest = [place(FaultKind.PATTERN, o) for o in others]
    a = assess([place(kind, low), *rest], HEAD, OPTIONS)
    b = assess([place(kind, low + more), *rest], HEAD, OPTIONS)
    assert 0 <= a.value <= b.value + 1e-12
    assert b.value <= 1
    assert b.value >= max((f.chance for f in b.faults), default=0.0) - 1e-9


@pytest.mark.parametrize("kind", [FaultKind.BREAK, FaultKind.LINES])
def test_nonsense_is_the_worst(kind: FaultKind) -> None:
    """An amount that is no number is taken for the worst, never for nothing."""
    assert assess([place(kind, float("nan"))], HEAD, OPTIONS).flag == "retouch"


@pytest.mark.parametrize(
    ("inspect", "retouch", "flag"), [(0.35, 0.7, "inspect"), (0.9, 0.95, "clear"), (0.1, 0.2, "retouch")]
)
def test_the_thresholds_are_the_users(inspect: float, retouch: float, flag: str) -> None:
    """Flags follow the options."""
    assert told(0.5, [], RiskOptions(inspect_from=inspect, retouch_from=retouch)).flag == flag


def test_a_misfit_that_is_no_number_is_the_worst() -> None:
    """Whatever could not be measured of a face is not taken for a good fit."""
    face = replace(HEAD, joint=Joint(misfit=replace(FITS, pose=float("nan"))))
    found = assess([], face, OPTIONS)
    assert found.flag == "retouch"
    assert found.faults[0].kind is FaultKind.POSE


def test_of_strange_is_a_probability() -> None:
    """Nothing strange is no risk; several places are more than one."""
    assert of_strange(0.0) == 0
    assert 0 < of_strange(1e-4) < of_strange(0.004) < 0.5 < of_strange(0.02) < of_strange(1.0) < 1


def test_what_nobody_would_see_is_not_told() -> None:
    """Faint places count, but are neither told nor ringed."""
    found = assess([place(FaultKind.BREAK, 0.05)], HEAD, OPTIONS)
    assert found.value > 0
    assert found.faults == ()


# --- those who were not set in ------------------------------------------------------------------------------


def fault(person: str | None, chance: float) -> Fault:
    return Fault(kind=FaultKind.STRIP, chance=chance, amount=4.0, at=(10.0, 20.0), person=person)


def test_whoever_suffered_has_a_risk_of_their_own() -> None:
    """Faults on somebody beside are theirs, and say who was set in; both chances count."""
    risks = {
        "P01": told(0.9, [fault("P03", 0.5), fault(None, 0.6), fault("P02", 0.7)], OPTIONS),
        "P02": told(0.5, [fault("P03", 0.4)], OPTIONS),
    }
    found = of_neighbours(risks, {"P03": (0.0, 0.0, 20.0, 20.0)}, OPTIONS)
    assert sorted(found) == ["P02", "P03"]
    assert found["P03"].value == pytest.approx(1 - 0.5 * 0.6)
    assert found["P03"].flag == "retouch"
    assert [f.words for f in found["P03"].faults] == ["P01", "P02"]
    # Who was set in as well suffers as much.
    assert found["P02"].value == pytest.approx(0.7)
    assert [f.words for f in found["P02"].faults] == ["P01"]


def test_where_nobody_suffered_nobody_is_named() -> None:
    """Faults that are the head's own concern nobody else."""
    assert of_neighbours({"P01": told(0.9, [fault(None, 0.9)], OPTIONS)}, {}, OPTIONS) == {}
