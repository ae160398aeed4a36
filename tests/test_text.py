"""Sentences are made from kinds and numbers, and never speak against the flag."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from facemerge import text
from facemerge.words import Fault, FaultKind, Flag, Risk

BOX = (100.0, 200.0, 200.0, 300.0)
AT = (150.0, 320.0)


def risk(*faults: Fault, flag: Flag = "retouch") -> Risk:
    return Risk(value=0.5, flag=flag, faults=faults, face_box=BOX)


def fault(kind: FaultKind, amount: float = 4.0, **more: object) -> Fault:
    return Fault(kind=kind, chance=0.5, amount=amount, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("found", "words"),
    [
        (fault(FaultKind.BREAK, at=AT), "an edge is broken at the collar"),
        (fault(FaultKind.PATTERN, at=AT), "a pattern breaks off at the collar"),
        (fault(FaultKind.SMEAR, at=AT), "texture is smeared at the collar"),
        (fault(FaultKind.GHOST, at=AT), "two pictures show through each other at the collar"),
        (fault(FaultKind.STRIP, at=AT), "a thin rim or sliver is left at the collar"),
        (fault(FaultKind.STEP, at=AT), "a step in tone at the collar"),
        (fault(FaultKind.SHARPNESS, at=AT), "sharpness mismatch at the collar"),
        (fault(FaultKind.SHARPNESS, 1.0), "sharpness mismatch: one frame is 2.0 times as crisp"),
        (fault(FaultKind.LINES, 6.2, at=AT), "lines are off by 6 px at the collar"),
        (fault(FaultKind.BORDER, 3.24), "colours differ by 3.2 dE along the border"),
        (fault(FaultKind.POSE), "the head is held differently in the two frames"),
        (fault(FaultKind.COVERED), "something lies before the face in one of the frames"),
        (fault(FaultKind.OLD_SELF, 0.05), "5.0 % of the old head may still show beside the new one"),
        (fault(FaultKind.HIDDEN), "whoever stands in front covers a part of the new head"),
        (fault(FaultKind.GRAIN, 3.0), "grain differs: 3.0 times as much in one frame"),
        (fault(FaultKind.STRIP, at=AT, person="P04"), "a thin rim or sliver is left, on P04"),
        (
            fault(FaultKind.NEIGHBOUR, 0.25, at=AT, person="P04"),
            "a part of P04 as large as 25 % of a face has changed",
        ),
        (
            fault(FaultKind.NEIGHBOUR, 0.25, at=AT, person="P04", words="P02"),
            "a part of P04 as large as 25 % of a face has changed at the collar, because P02 was set in",
        ),
        (fault(FaultKind.NOTED, words="stray hair"), "noted by hand: stray hair"),
        (
            fault(FaultKind.ABSENT, words="turned away"),
            "not found in the base frame, so nothing was set in: turned away",
        ),
    ],
)
def test_each_kind_has_its_sentence(found: Fault, words: str) -> None:
    """What is wrong, and where about the head."""
    assert text.reasons(risk(found))[0] == words


@pytest.mark.parametrize("kind", list(FaultKind))
@pytest.mark.parametrize("at", [AT, None])
def test_no_kind_is_without_words(kind: FaultKind, at: tuple[float, float] | None) -> None:
    """Whatever a stage may find can be said, with a place and without."""
    (words,) = text.reasons(risk(fault(kind, at=at, person="P04", words="it")))
    assert len(words) > 10
    assert not words.endswith(" ")


@pytest.mark.parametrize(
    ("at", "where"),
    [
        ((150.0, 250.0), " on the face"),
        ((60.0, 250.0), " beside the head, left"),
        ((240.0, 250.0), " beside the head, right"),
        ((150.0, 170.0), " at the hair"),
        ((150.0, 100.0), " above the head, right"),
        ((140.0, 100.0), " above the head, left"),
        ((150.0, 330.0), " at the collar"),
        ((40.0, 340.0), " at the shoulder, left"),
        ((150.0, 420.0), " on the chest"),
        ((300.0, 420.0), " at the arm, right"),
    ],
)
def test_places_are_told_as_seen_in_the_picture(at: tuple[float, float], where: str) -> None:
    """Left and right as in the picture; without a face nothing is said."""
    assert text.region(at, BOX) == where
    assert text.region(at, None) == ""


def test_faults_of_one_kind_are_told_together() -> None:
    """The worst place by name, the others by number; other kinds apart."""
    found = [fault(FaultKind.STRIP, at=AT), fault(FaultKind.STRIP, at=(150.0, 250.0))]
    assert text.reasons(risk(*found)) == ("a thin rim or sliver is left at the collar, and one more place",)
    more = [*found, fault(FaultKind.STRIP, at=(60.0, 250.0)), fault(FaultKind.POSE)]
    assert text.reasons(risk(*more)) == (
        "a thin rim or sliver is left at the collar, and 2 more places",
        "the head is held differently in the two frames",
    )


def test_what_is_clear_is_called_clear_whatever_faint_was_found() -> None:
    """Of a head that is clear the first sentence says so; what little there is is called hardly seen."""
    assert text.reasons(risk(flag="clear")) == (text.NOTHING_SHOWS,)
    found = text.reasons(risk(fault(FaultKind.LINES, 3.0, at=AT), flag="clear"))
    assert found == (text.NOTHING_SHOWS, "hardly to be seen: lines are off by 3 px at the collar")


def test_what_the_user_did_is_said_as_it_is() -> None:
    """A mask that was touched up, of a head that is clear, is no fault that is hardly seen."""
    by_hand = Fault(kind=FaultKind.TOUCHED, chance=0.0)
    assert text.reasons(risk(by_hand, flag="clear")) == (
        "its mask was touched up by hand, and looked over again",
    )


@given(
    chances=st.lists(st.floats(0, 1), max_size=6),
    kinds=st.lists(st.sampled_from(list(FaultKind)), min_size=6, max_size=6),
    flag=st.sampled_from(["clear", "inspect", "retouch"]),
)
def test_words_and_flag_never_contradict_each_other(
    chances: list[float], kinds: list[FaultKind], flag: Flag
) -> None:
    """Whoever is flagged has a fault named; whoever is clear has none that is called seen."""
    faults = [Fault(kind=k, chance=c, at=AT) for k, c in zip(kinds, chances, strict=False)]
    said = text.reasons(risk(*faults, flag=flag))
    assert said
    if flag == "clear":
        seen = [f for f in faults if f.kind in text.SAID_ALWAYS]
        own = [s for s in said if s != text.NOTHING_SHOWS and not s.startswith(text.HARDLY)]
        assert len(own) <= len(seen)
    else:
        assert text.NOTHING_SHOWS not in said
        assert not any(s.startswith(text.HARDLY) for s in said)


def test_every_place_has_its_words() -> None:
    """As many sentences as places, in their order; who is flagged without a place gets the face's."""
    found = risk(
        fault(FaultKind.POSE), fault(FaultKind.STRIP, at=AT), fault(FaultKind.STEP, at=(150.0, 250.0))
    )
    assert text.places(found) == ("a thin rim or sliver is left at the collar", "a step in tone on the face")
    assert found.places == (AT, (150.0, 250.0))
    nowhere = risk(fault(FaultKind.POSE))
    assert nowhere.places == ((150.0, 250.0),)
    assert text.places(nowhere) == ("the head is held differently in the two frames",)
    assert text.places(risk(flag="clear")) == risk(flag="clear").places == ()
