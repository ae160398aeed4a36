"""The base and everybody's head, chosen together."""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from facemerge import choice
from facemerge.errors import OptionError
from facemerge.options import ChoiceOptions
from facemerge.words import (
    Aligned,
    Analysis,
    Decisions,
    Face,
    Frame,
    Missing,
    Part,
    Person,
    Score,
    Stays,
    Unaligned,
)

NOTHING = np.zeros(1)


def analysis(totals: np.ndarray, *, gap: float = 400.0) -> Analysis:
    """Return a burst whose people score as given: (people, frames); NaN where a person is missing."""
    people, frames = totals.shape

    def sees(p: int, f: int) -> Face | Missing:
        if np.isnan(totals[p, f]):
            return Missing(reason="turned away")
        x = p * gap
        return Face(
            box=(x, 0, x + 100, 130), landmarks=NOTHING, blendshapes=NOTHING, appearance=NOTHING, confidence=1
        )

    def scored(value: float) -> Score | None:
        if np.isnan(value):
            return None
        part = Part(value=float(value), reason="eyes shut" if value < 0.5 else "")
        return Score(
            eyes=part,
            sharpness=Part(value=1.0),
            expression=Part(value=1.0),
            total=float(value),
            factors={"eyes": float(value)},
        )

    return Analysis(
        frames=tuple(
            Frame(name=f"f{f}.jpg", path=f"/nowhere/f{f}.jpg", size=(2000, 1000), bit_depth=8)
            for f in range(frames)
        ),
        reference=0,
        alignments=tuple(
            Aligned(reference_from_frame=np.eye(3), model="homography", inliers=9, error_px=0.1)
            for _ in range(frames)
        ),
        people=tuple(
            Person(id=f"P{p + 1:02d}", row=0, faces=tuple(sees(p, f) for f in range(frames)))
            for p in range(people)
        ),
        scores={f"P{p + 1:02d}": tuple(scored(v) for v in totals[p]) for p in range(people)},
    )


def turned_away(known: Analysis) -> Analysis:
    """Return the same burst, in which it is known where those stand who were not found."""
    people = []
    for person in known.people:
        shown = next(f for f in person.faces if isinstance(f, Face))
        there = tuple(
            replace(f, place=shown) if isinstance(f, Missing) and known.scores[person.id] else f
            for f in person.faces
        )
        people.append(replace(person, faces=there))
    return replace(known, people=tuple(people))


@pytest.mark.parametrize(("seam", "left"), [(0.1, False), (1.0, True)])
def test_whoever_is_turned_away_in_the_base_asked_for_is_set_in(seam: float, left: bool) -> None:
    """As well as it goes; where that would surely be found they stay, and it is said who shows them."""
    known = turned_away(analysis(np.array([[0.9, 0.8], [np.nan, 0.7]])))
    found = choice.choose(known, lambda *_: seam, Decisions(base="f0.jpg"), ChoiceOptions(seam_weight=50.0))
    assert found.picks[1].from_base == left
    assert found.picks[1].gain == pytest.approx(0.0 if left else 0.7)
    assert "no face was found" in found.picks[1].why or left


def test_a_base_in_which_nobody_is_turned_away_is_better() -> None:
    """However good the others are in it, and though whoever is lost could be set in."""
    known = turned_away(analysis(np.array([[0.9, 0.3, 0.3], [0.9, 0.3, 0.3], [np.nan, 0.5, 0.4]])))
    found = choice.choose(known, no_seam, Decisions(), ChoiceOptions())
    assert found.base != 0
    forced = choice.choose(known, no_seam, Decisions(base="f0.jpg", force={"P03": "f2.jpg"}), ChoiceOptions())
    assert [p.frame for p in forced.picks] == [0, 0, 2]


def no_seam(base: int, person: int, frame: int) -> float:
    return 0.0


def frames_of(chosen: choice.Choice) -> list[int]:
    return [p.frame for p in chosen.picks]


def exhaustive(
    a: Analysis, seam: choice.SeamCost, options: ChoiceOptions
) -> tuple[float, int, tuple[int, ...]]:
    """Return the best worth, base and frames by trying every one of them, reckoned apart from the program."""
    people, frames = len(a.people), len(a.frames)
    totals = np.array([[s.total if s else np.nan for s in a.scores[p.id]] for p in a.people])
    boxes = [p.faces[0].box for p in a.people if isinstance(p.faces[0], Face)]
    reach = 0.35 * 100
    best = (-np.inf, -1, ())
    for base in range(frames):
        for picks in itertools.product(range(frames), repeat=people):
            worth = 0.0
            for p, f in enumerate(picks):
                # The square root, reckoned apart from the program.
                worth += totals[p, f] ** 0.5
                if f != base:
                    worth -= options.swap_cost + options.seam_weight * seam(base, p, f) ** 2
            for p, q in itertools.combinations(range(people), 2):
                overlap = boxes[p][2] + reach - (boxes[q][0] - reach)
                if overlap > 0 and picks[p] != picks[q]:
                    worth -= options.neighbour_cost * overlap / (100 + 2 * reach)
            if worth > best[0] + 1e-12:
                best = (worth, base, picks)
    return best


@pytest.mark.parametrize("gap", [400.0, 120.0], ids=["apart", "touching"])
@pytest.mark.parametrize("seed", range(6))
def test_the_choice_is_the_exact_optimum(seed: int, gap: float) -> None:
    """No base and no set of heads is worth more than the one chosen: every one of 4 x 4^4 was tried."""
    rng = np.random.default_rng(seed)
    a = analysis(rng.random((4, 4)), gap=gap)
    table = rng.random((4, 4, 4))
    options = ChoiceOptions(neighbour_cost=0.6)

    def seam(base: int, person: int, frame: int) -> float:
        return float(table[base, person, frame])

    chosen = choice.choose(a, seam, Decisions(), options)
    _, base, picks = exhaustive(a, seam, options)
    assert chosen.base == base
    assert tuple(frames_of(chosen)) == picks


def test_everybody_gets_their_best_head_when_seams_cost_nothing() -> None:
    """Three people, each good in a frame of their own; the base is the frame with most good heads."""
    a = analysis(np.array([[0.9, 0.1, 0.2], [0.8, 0.1, 0.1], [0.1, 0.1, 0.9]]))
    chosen = choice.choose(a, no_seam, Decisions(), ChoiceOptions())
    assert chosen.base == 0
    assert frames_of(chosen) == [0, 0, 2]
    assert [p.from_base for p in chosen.picks] == [True, True, False]
    assert chosen.picks[2].gain == pytest.approx(0.8)
    assert "eyes shut" in chosen.picks[2].why


def test_a_lesser_face_on_a_clean_seam_beats_the_best_on_a_broken_one() -> None:
    """0.90 behind a seam that will show loses to 0.85 behind one that will not."""
    a = analysis(np.array([[0.9, 0.9, 0.9], [0.1, 0.9, 0.85]]))

    def seam(base: int, person: int, frame: int) -> float:
        return 0.9 if frame == 1 else 0.0

    chosen = choice.choose(a, seam, Decisions(base="f0.jpg"), ChoiceOptions())
    assert frames_of(chosen) == [0, 2]


def test_a_face_left_for_its_seam_is_named() -> None:
    """'f2.jpg scores 0.05 more': said where the seam decided, and not where the best face was taken."""
    a = analysis(np.array([[0.1, 0.9, 0.95], [1.0, 0.5, 0.5]]))
    options = ChoiceOptions(seam_weight=1.0)
    only_frame_0 = Decisions(base="f0.jpg")
    broken = choice.choose(a, lambda b, p, f: 0.9 if f == 2 else 0.0, only_frame_0, options)
    assert frames_of(broken) == [1, 0]
    assert "f2.jpg scores 0.05 more" in broken.picks[0].why
    best = choice.choose(a, no_seam, only_frame_0, options)
    assert frames_of(best) == [2, 0]
    assert "more" not in best.picks[0].why


def test_a_gain_within_the_price_of_a_swap_is_no_reason_to_cut() -> None:
    """A head better by 0.02 stays out; the reason given says so."""
    a = analysis(np.array([[0.90, 0.92], [0.9, 0.5]]))
    chosen = choice.choose(a, no_seam, Decisions(), ChoiceOptions(swap_cost=0.05))
    assert frames_of(chosen) == [0, 0]
    assert chosen.picks[0].why


def test_a_frame_in_which_somebody_is_missing_is_no_base() -> None:
    """Nobody may vanish from the group, however good the others look."""
    a = analysis(np.array([[0.2, 0.9], [0.2, 0.9], [0.3, np.nan]]))
    chosen = choice.choose(a, no_seam, Decisions(), ChoiceOptions())
    assert chosen.base == 0
    assert frames_of(chosen) == [1, 1, 0]


def test_the_user_has_the_last_word() -> None:
    """Base, forced, forbidden and kept heads are obeyed, and the reasons say that the user asked."""
    a = analysis(np.array([[0.1, 0.9, 0.8], [0.1, 0.9, 0.8], [0.1, 0.9, 0.8], [0.1, 0.9, 0.8]]))
    chosen = choice.choose(
        a,
        no_seam,
        Decisions(
            base="f0.jpg",
            force={"P01": "f2.jpg"},
            keep=frozenset({"P02"}),
            forbid=frozenset({("P03", "f1.jpg")}),
        ),
        ChoiceOptions(),
    )
    assert chosen.base == 0
    assert frames_of(chosen) == [2, 0, 2, 1]
    assert "you asked" in chosen.why
    assert "you asked" in chosen.picks[0].why
    assert "you asked" in chosen.picks[1].why


SEEN = Stays(base="f0.jpg", picks={"P01": "f2.jpg", "P02": "f0.jpg", "P03": "f2.jpg"})


@pytest.mark.parametrize(
    ("said", "base", "frames"),
    [
        ({}, 0, [2, 0, 2, 1]),
        ({"base": "f0.jpg"}, 0, [2, 0, 2, 1]),
        ({"force": {"P02": "f1.jpg"}}, 0, [2, 1, 2, 1]),
        ({"keep": frozenset({"P01"})}, 0, [0, 0, 2, 1]),
        ({"forbid": frozenset({("P03", "f2.jpg")})}, 0, [2, 0, 1, 1]),
        ({"forbid": frozenset({("*", "f2.jpg")})}, 0, [1, 0, 1, 1]),
        ({"base": "f1.jpg"}, 1, [1, 1, 1, 1]),
    ],
)
def test_what_was_seen_stays(said: dict[str, Any], base: int, frames: list[int]) -> None:
    """Base and heads of the picture that was looked at, though others are worth more; whatever else is said
    of somebody goes before it, who was not in it is chosen freely, and with another base it means nothing."""
    a = analysis(np.array([[0.1, 0.9, 0.8]] * 4))
    chosen = choice.choose(a, no_seam, Decisions(**said, stays=SEEN), ChoiceOptions())
    assert (chosen.base, frames_of(chosen)) == (base, frames)
    if not said:
        assert chosen.why == "f0.jpg is the base, as in the picture you have looked at."
        assert ["looked at" in p.why for p in chosen.picks] == [True, True, True, False]


def test_who_cannot_stay_is_chosen_freely() -> None:
    """A head that the frame does not show is no reason to refuse the rest."""
    a = analysis(np.array([[0.1, np.nan, 0.9], [0.1, 0.9, 0.8]]))
    seen = Stays(base="f0.jpg", picks={"P01": "f1.jpg", "P02": "f0.jpg"})
    assert frames_of(choice.choose(a, no_seam, Decisions(stays=seen), ChoiceOptions())) == [2, 0]


def test_a_frame_forbidden_for_everybody_gives_no_head() -> None:
    """'*' stands for everybody."""
    a = analysis(np.array([[0.1, 0.9, 0.8], [0.1, 0.9, 0.8]]))
    chosen = choice.choose(
        a, no_seam, Decisions(base="f0.jpg", forbid=frozenset({("*", "f1.jpg")})), ChoiceOptions()
    )
    assert frames_of(chosen) == [2, 2]


@pytest.mark.parametrize(
    ("decisions", "words"),
    [
        (Decisions(base="f9.jpg"), "no frame 'f9.jpg'"),
        (Decisions(stays=Stays(base="f9.jpg", picks={})), "no frame 'f9.jpg'"),
        (Decisions(stays=Stays(base="f2.jpg", picks={})), "f2.jpg cannot be the base"),
        (Decisions(stays=Stays(base="f0.jpg", picks={"P77": "f0.jpg"})), "no person 'P77'"),
        (Decisions(keep=frozenset({"P77"})), "no person 'P77'"),
        (Decisions(force={"P01": "f1.jpg"}), "turned away"),
        (Decisions(force={"P02": "f2.jpg"}), "could not be aligned"),
        (Decisions(base="f2.jpg"), "cannot be the base"),
        (Decisions(force={"P02": "f1.jpg"}, keep=frozenset({"P02"})), "cannot both"),
        (
            Decisions(force={"P02": "f1.jpg"}, forbid=frozenset({("P02", "f1.jpg")})),
            "both demanded and ruled out",
        ),
    ],
)
def test_a_decision_that_cannot_be_obeyed_is_refused_in_a_sentence(decisions: Decisions, words: str) -> None:
    """The sentence names what is wrong."""
    a = analysis(np.array([[0.5, np.nan, 0.5], [0.5, 0.5, 0.5]]))
    a = Analysis(
        frames=a.frames,
        reference=0,
        alignments=(*a.alignments[:2], Unaligned(reason="it shows another place")),
        people=a.people,
        scores=a.scores,
    )
    with pytest.raises(OptionError, match=words):
        choice.choose(a, no_seam, decisions, ChoiceOptions())


def test_a_head_that_cannot_be_set_into_the_base_is_refused() -> None:
    """A forced head for somebody who is not in the forced base is no wish that can be granted in silence."""
    a = analysis(np.array([[0.5, 0.5], [np.nan, 0.9]]))
    with pytest.raises(OptionError, match="not to be found in the base"):
        choice.choose(a, no_seam, Decisions(base="f0.jpg", force={"P02": "f1.jpg"}), ChoiceOptions())


def test_a_forced_head_finds_a_base_that_can_take_it() -> None:
    """With no base forced, one is chosen in which the person stands."""
    a = analysis(np.array([[0.9, 0.2, 0.2], [np.nan, 0.9, 0.3]]))
    chosen = choice.choose(a, no_seam, Decisions(force={"P02": "f2.jpg"}), ChoiceOptions())
    assert chosen.base in (1, 2)
    assert frames_of(chosen)[1] == 2


def test_when_all_other_frames_are_ruled_out_the_reason_says_so() -> None:
    """Not 'already at their best'."""
    a = analysis(np.array([[0.1, 0.9], [0.1, 0.9]]))
    forbid = frozenset({("P01", "f1.jpg")})
    chosen = choice.choose(a, no_seam, Decisions(base="f0.jpg", forbid=forbid), ChoiceOptions())
    assert frames_of(chosen) == [0, 1]
    assert "ruled out" in chosen.picks[0].why


BETTER_ELSEWHERE = np.array([[0.1, 0.9, 0.9], [0.9, 0.1, 0.1], [0.9, 0.2, 0.1]])
"""With the first frame as the base, one person is better in two others."""


def found_surely(base: int, person: int, frame: int) -> float:
    return 1.0


def test_whoever_would_surely_be_found_is_left_as_in_the_base() -> None:
    """The program's own choice delivers no head that is found; it says which frame it has left, and why."""
    chosen = choice.choose(analysis(BETTER_ELSEWHERE), found_surely, Decisions(), ChoiceOptions())
    assert (chosen.base, frames_of(chosen)) == (0, [0, 0, 0])
    left, *others = chosen.picks
    assert left.from_base
    assert left.left == 1
    assert "f1.jpg" in left.why
    assert "0.80 more" in left.why
    assert {p.left for p in others} == {None}
    clean = choice.choose(analysis(BETTER_ELSEWHERE), no_seam, Decisions(), ChoiceOptions())
    assert frames_of(clean) == [1, 0, 0]
    assert {p.left for p in clean.picks} == {None}


@pytest.mark.parametrize(
    "decided", [Decisions(base="f0.jpg"), Decisions(force={"P01": "f1.jpg"})], ids=["base", "head"]
)
def test_what_was_demanded_is_set_in_though_it_will_be_found(decided: Decisions) -> None:
    """A base that the photographer asks for gets the best heads, as does whoever is demanded."""
    chosen = choice.choose(analysis(BETTER_ELSEWHERE), found_surely, decided, ChoiceOptions())
    assert (chosen.base, frames_of(chosen)) == (0, [1, 0, 0])
    assert chosen.picks[0].left is None


def test_a_base_that_was_only_looked_at_is_not_demanded() -> None:
    """A review's own base stays, and so does what the program thinks of seams."""
    looked_at = Decisions(stays=Stays(base="f0.jpg", picks={}))
    chosen = choice.choose(analysis(BETTER_ELSEWHERE), found_surely, looked_at, ChoiceOptions())
    assert frames_of(chosen) == [0, 0, 0]


def test_whoever_is_kept_was_not_left_out() -> None:
    """Nothing better was left out where the photographer said what to do."""
    kept = Decisions(base="f0.jpg", keep=frozenset({"P01"}))
    chosen = choice.choose(analysis(BETTER_ELSEWHERE), found_surely, kept, ChoiceOptions())
    assert {p.left for p in chosen.picks} == {None}


def test_a_little_better_is_not_spoken_of_as_left() -> None:
    """Two good faces differ by so much; only a head that a base asked for would be given is left."""
    totals = np.array([[0.75, 0.95, 0.9], [0.9, 0.1, 0.1], [0.9, 0.2, 0.1]])
    chosen = choice.choose(analysis(totals), found_surely, Decisions(), ChoiceOptions())
    assert frames_of(chosen) == [0, 0, 0]
    assert chosen.picks[0].left is None
    assert "worth a seam" in chosen.picks[0].why


@pytest.mark.parametrize(("shut", "opened"), [(0.0, 0.05), (0.01, 0.09), (0.02, 0.2), (0.3, 0.6)])
def test_a_blink_gives_way_to_open_eyes_however_low_both_score(shut: float, opened: float) -> None:
    """Who is soft or looks away scores low in every frame; open eyes are worth a swap all the same."""
    a = analysis(np.array([[shut, opened], [0.9, 0.1]]))
    chosen = choice.choose(a, no_seam, Decisions(base="f0.jpg"), ChoiceOptions())
    assert frames_of(chosen) == [1, 0]


@pytest.mark.parametrize(("here", "there"), [(0.8, 0.95), (0.9, 1.0), (0.7, 0.85), (0.01, 0.02)])
def test_two_faces_of_a_kind_are_not_exchanged(here: float, there: float) -> None:
    """A good face stays, though another scores a little more; so does a shut one for another shut one."""
    a = analysis(np.array([[here, there], [0.9, 0.1]]))
    chosen = choice.choose(a, no_seam, Decisions(base="f0.jpg"), ChoiceOptions())
    assert frames_of(chosen) == [0, 0]


def test_nobody_with_shut_eyes_is_told_to_be_at_their_best() -> None:
    """Where no frame shows somebody better the fault is named."""
    a = analysis(np.array([[0.02, 0.01], [0.9, 0.1]]))
    chosen = choice.choose(a, no_seam, Decisions(), ChoiceOptions())
    assert chosen.picks[0].why == "No frame shows them much better than the base frame (eyes shut)."
    assert chosen.picks[1].why == "Already at their best in the base frame."


def test_only_swaps_that_may_be_made_are_chosen() -> None:
    """Of two better faces that one is taken whose swap is allowed; without any everybody stays as is."""
    a = analysis(np.array([[0.1, 0.9, 1.0], [1.0, 0.1, 0.1]]))
    free = choice.choose(a, no_seam, Decisions(), ChoiceOptions())
    assert (free.base, frames_of(free)) == (0, [2, 0])
    allowed = choice.choose(a, no_seam, Decisions(), ChoiceOptions(), only={(0, 0, 1)})
    assert (allowed.base, frames_of(allowed)) == (0, [1, 0])
    none = choice.choose(a, no_seam, Decisions(), ChoiceOptions(), only=())
    assert frames_of(none) == [none.base] * 2
