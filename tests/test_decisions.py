"""Decisions: the file they are kept in, decisions over earlier ones, and how touches and notes are obeyed."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import bursts
import numpy as np
import pytest
from drawn_layers import head
from hypothesis import given, settings
from hypothesis import strategies as st

from facemerge import composite, pipeline, text
from facemerge.composite import touch
from facemerge.errors import InputError, OptionError, OutputError
from facemerge.formats import decisions as decisions_file
from facemerge.formats import files
from facemerge.formats.decisions import (
    SCHEMA,
    decisions_bytes,
    parse_decisions,
    read_decisions,
    write_decisions,
)
from facemerge.models import Models
from facemerge.options import Options
from facemerge.pipeline import draft, setting
from facemerge.words import (
    Analysis,
    Choice,
    Decisions,
    Fault,
    FaultKind,
    Frame,
    Head,
    Pick,
    Pixels,
    Risk,
    Stays,
    Stroke,
    Touches,
)

STROKES = (
    Stroke(paints=True, radius_px=12.0, softness=0.5, points=((10.0, 20.0), (12.25, 31.5))),
    Stroke(paints=False, radius_px=40.0, softness=0.0, points=((7.0, 8.0),)),
)
REVIEW = Decisions(
    base="b.jpg",
    force={"P03": "d.jpg", "P01": "d.jpg"},
    forbid=frozenset({("*", "z.jpg"), ("P01", "y.jpg"), ("P01", "x.jpg")}),
    keep=frozenset({"P02", "P04"}),
    notes={"P01": 'lift the "shadow" – a little'},
    masks={
        "P03": (
            Touches(base="b.jpg", donor="d.jpg", widen_px=-4.5, strokes=STROKES),
            Touches(base="b.jpg", donor="e.jpg", widen_px=2.0),
        )
    },
    stays=Stays(base="b.jpg", picks={"P05": "c.jpg", "P04": "b.jpg"}),
)

# -- the file -----------------------------------------------------------------------------------------------

names = st.text(st.characters(exclude_characters="/\\\0"), min_size=1, max_size=12).filter(
    lambda s: s.strip() and s not in (".", "..", "*")
)
numbers = st.floats(-1e6, 1e6)
strokes = st.builds(
    Stroke,
    paints=st.booleans(),
    radius_px=st.floats(1, 5000),
    softness=st.floats(0, 1),
    points=st.lists(st.tuples(numbers, numbers), min_size=1, max_size=4).map(tuple),
)
all_touches = st.lists(
    st.builds(
        Touches,
        base=names,
        donor=names,
        widen_px=st.floats(-1000, 1000),
        strokes=st.lists(strokes, max_size=3).map(tuple),
    ),
    max_size=3,
    unique_by=lambda t: (t.base, t.donor),
).map(tuple)
all_decisions = st.builds(
    Decisions,
    base=st.none() | names,
    force=st.dictionaries(names, names, max_size=3),
    forbid=st.frozensets(st.tuples(names | st.just("*"), names), max_size=4),
    keep=st.frozensets(names, max_size=3),
    notes=st.dictionaries(names, st.text(st.characters(exclude_characters="\0")).filter(str.strip)),
    masks=st.dictionaries(names, all_touches, max_size=3),
    stays=st.none() | st.builds(Stays, base=names, picks=st.dictionaries(names, names, max_size=3)),
)


@given(decided=all_decisions)
@settings(max_examples=150, deadline=None)
def test_what_is_written_is_read_again(decided: Decisions) -> None:
    """Any decisions come back equal, to the last bit of a coordinate, and give the same bytes once more."""
    data = decisions_bytes(decided)
    found = parse_decisions(data)
    assert found == decided
    assert decisions_bytes(found) == data


def test_a_file_reads_like_a_list_one_thing_a_line() -> None:
    """People and frames are sorted, every one on a line of its own, and so is every stroke."""
    assert decisions_bytes(REVIEW).decode() == (
        f"""{{
 "schema": "{SCHEMA}",
 "base": "b.jpg",
 "take": {{
  "P01": "d.jpg",
  "P03": "d.jpg"
 }},
 "avoid": {{
  "*": [
   "z.jpg"
  ],
  "P01": [
   "x.jpg",
   "y.jpg"
  ]
 }},
 "keep": [
  "P02",
  "P04"
 ],
 "stays": {{
  "base": "b.jpg",
  "heads": {{
   "P04": "b.jpg",
   "P05": "c.jpg"
  }}
 }},
 "notes": {{
  "P01": "lift the \\"shadow\\" – a little"
 }},
 "masks": {{
  "P03": [
   {{
    "base": "b.jpg",
    "donor": "d.jpg",
    "widen_px": -4.5,
    "strokes": [
     {{"brush": "paint", "radius_px": 12, "softness": 0.5, "points": [[10, 20], [12.25, 31.5]]}},
     {{"brush": "erase", "radius_px": 40, "softness": 0, "points": [[7, 8]]}}
    ]
   }},
   {{
    "base": "b.jpg",
    "donor": "e.jpg",
    "widen_px": 2,
    "strokes": []
   }}
  ]
 }}
}}
"""
    )


def test_one_more_stroke_is_one_more_line() -> None:
    """Two states of a review that differ by a stroke differ by its line, and the comma before it."""
    done = REVIEW.masks["P03"][0]
    more = replace(done, strokes=(*done.strokes, replace(STROKES[0], softness=0.25)))
    before = decisions_bytes(replace(REVIEW, masks={"P03": (done,)})).decode().splitlines()
    after = decisions_bytes(replace(REVIEW, masks={"P03": (more,)})).decode().splitlines()
    assert len(after) == len(before) + 1
    plain = [line.rstrip(",") for line in before]
    assert len([line for line in after if line.rstrip(",") not in plain]) == 1


def test_what_is_not_said_is_not_decided() -> None:
    """A file written by hand needs its schema and what it decides, nothing else."""
    assert parse_decisions(f'{{"schema": "{SCHEMA}"}}'.encode()) == Decisions()
    said = f'\ufeff{{"schema": "{SCHEMA}", "masks": {{"P01": [{{"base": "a", "donor": "b"}}]}}}}'
    assert parse_decisions(said.encode()).masks == {"P01": (Touches(base="a", donor="b"),)}


@pytest.mark.parametrize("name", ["first/IMG_1.jpg", "M\u00fcller \U0001f600.jpg", "\udcff.jpg"])
def test_a_frame_goes_by_whatever_name_the_report_has(name: str) -> None:
    """With the folder that tells it from another of its name, in any script, in bytes that are no text."""
    decided = Decisions(base=name, forbid=frozenset({("P01", name)}))
    assert parse_decisions(decisions_bytes(decided)) == decided


def said(**changed: Any) -> bytes:
    """Return a file of decisions with some keys set."""
    return json.dumps({"schema": SCHEMA, **changed}).encode()


def with_touches(**changed: Any) -> bytes:
    return said(masks={"P01": [{"base": "b", "donor": "d"} | changed]})


def with_stroke(**changed: Any) -> bytes:
    stroke = {"brush": "paint", "radius_px": 5, "softness": 0.5, "points": [[1, 2]]} | changed
    return with_touches(strokes=[stroke])


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "is not a file of decisions: it is broken, or not JSON"),
        (b"\xff\xfe{", "broken, or not JSON"),
        (b"[" * 100_000, "broken, or not JSON"),
        (b'{"schema": ', "broken, or not JSON"),
        (b"[]", "JSON, but not a file of decisions: it needs the key schema"),
        (b'{"schema": "facemerge-report/1"}', "JSON, but not a file of decisions"),
        (b'{"schema": 1}', "JSON, but not a file of decisions"),
        (b'{"schema": "facemerge-decisions/99"}', f"version 'facemerge-decisions/99'; known here: {SCHEMA}"),
    ],
)
def test_what_is_no_file_of_decisions_is_no_input(data: bytes, words: str) -> None:
    """Broken, foreign and unknown versions are told apart, in a sentence that names the file."""
    with pytest.raises(InputError) as error:
        parse_decisions(data, "mine.json")
    assert str(error.value).startswith("mine.json ")
    assert words in str(error.value)
    assert "\n" not in str(error.value)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (said(bases="a.jpg"), 'there is the key "bases"; known here: schema, base, take, avoid, keep, '),
        (f'{{"schema": "{SCHEMA}", "base": "a", "base": "b"}}'.encode(), '"base" is there twice'),
        (said(base=3), "base must be a text, not 3"),
        (said(base=""), 'base must be a text, not ""'),
        (said(base="../a.jpg"), 'as the report shows it, not the path "../a.jpg"'),
        (said(base="/card/a.jpg"), "not the path"),
        (said(base="..\\card\\a.jpg"), "not the path"),
        (said(base="x" * 1001), "base is longer than 1000 characters"),
        (said(take=["P01"]), 'take must be {...} with a person before each colon, not ["P01"]'),
        (said(take={"P01": ["a.jpg"]}), 'take, "P01" must be a text'),
        (said(take={"*": "a.jpg"}), "take takes one person each, not '*' for everybody"),
        (said(avoid={"P01": "a.jpg"}), 'avoid, "P01" must be a list, [...], not "a.jpg"'),
        (said(avoid={"*": ["a.jpg", "a.jpg"]}), 'avoid, "*" names "a.jpg" twice'),
        (said(keep={"P01": True}), "keep must be a list"),
        (said(keep=["P01", "P01"]), 'keep names "P01" twice'),
        (said(keep=[["P01"]]), 'a person in keep must be a text, not ["P01"]'),
        (said(stays=["P01"]), 'stays must be {...} with the keys base, heads, not ["P01"]'),
        (said(stays={"base": "a.jpg"}), "stays lacks heads"),
        (said(stays={"base": "a.jpg", "heads": ["P01"]}), "heads must be {...} with a person before each"),
        (said(stays={"base": "a/../b", "heads": {}}), "stays, base must be a frame's name"),
        (said(stays={"base": "a.jpg", "heads": {"*": "a.jpg"}}), "stays takes one person each"),
        (said(notes={"P01": " "}), 'notes, "P01" must be a text'),
        (said(notes={"P01": "x" * 2001}), 'notes, "P01" is longer than 2000 characters'),
        (said(masks={"P01": {}}), 'masks, "P01" must be a list'),
        (said(masks={"P01": [3]}), 'masks, "P01", entry 1 must be {...} with the keys base, donor, '),
        (said(masks={"P01": [{"base": "b"}]}), 'masks, "P01", entry 1 lacks donor'),
        (with_touches(widen=1), 'has the key "widen"; known here: base,'),
        (said(masks={"P01": [{"base": "b", "donor": "d"}] * 2}), "the head from d in b is there twice"),
        (with_touches(widen_px=1001), "widen_px must be from -1000 to 1000, not 1001"),
        (with_touches(widen_px="3"), 'widen_px must be a number, not "3"'),
        (with_stroke(brush="smear"), 'entry 1, stroke 1: brush is paint or erase, not "smear"'),
        (with_stroke(radius_px=0), "radius_px must be from 1 to 5000, not 0"),
        (with_stroke(radius_px=True), "radius_px must be a number, not true"),
        (with_stroke(softness=1.01), "softness must be from 0 to 1, not 1.01"),
        (with_stroke(softness=None), "softness must be a number, not null"),
        (with_stroke(softness=float("nan")), "NaN is no number"),
        (with_stroke(points=[]), "stroke 1 has no points"),
        (with_stroke(points=[[1, 2], [3]]), "stroke 1, point 2 must be [x, y], two numbers, not [3]"),
        (with_stroke(points=[[1, 1e7]]), "point 1 must be from -1e+06 to 1e+06, not 10000000.0"),
        (with_stroke(points=[[1, 10**400]]), "point 1 must be from -1e+06 to 1e+06"),
        (with_stroke(pressure=1), 'has the key "pressure"; known here: brush, radius_px, softness, points'),
    ],
)  # fmt: skip
def test_whatever_is_wrong_is_said_with_its_place(data: bytes, words: str) -> None:
    """One sentence: the file, the place in it, what is wrong, and what would be right."""
    with pytest.raises(OptionError) as error:
        parse_decisions(data, "mine.json")
    assert str(error.value).startswith("mine.json: ")
    assert words in str(error.value)
    assert str(error.value).endswith(".")
    assert len(str(error.value)) < 300
    assert "\n" not in str(error.value)


def test_a_backslash_is_a_letter_of_a_name() -> None:
    """Most systems allow it in a file's name."""
    assert parse_decisions(said(base="a\\b.jpg"), "mine.json").base == "a\\b.jpg"


def test_what_is_too_much_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Points are counted over all strokes, and a file that is too large is not read."""
    monkeypatch.setattr(decisions_file, "MOST_POINTS", 3)
    parse_decisions(with_stroke(points=[[1, 2]] * 3))
    with pytest.raises(OptionError, match="more than 3 points together"):
        parse_decisions(with_stroke(points=[[1, 2]] * 4))
    monkeypatch.setattr(decisions_file, "MOST_BYTES", 1 << 20)
    (tmp_path / "large.json").write_bytes(said().ljust((1 << 20) + 1))
    with pytest.raises(InputError, match="larger than 1 MB"):
        read_decisions(tmp_path / "large.json")
    (tmp_path / "large.json").write_bytes(said().ljust(1 << 20))
    assert read_decisions(tmp_path / "large.json") == Decisions()


@pytest.mark.parametrize(
    "decided",
    [
        Decisions(base="../a.jpg"),
        Decisions(notes={"P01": ""}),
        Decisions(force={"*": "a.jpg"}),
        Decisions(masks={"P01": (Touches(base="b", donor="d", widen_px=float("nan")),)}),
        Decisions(masks={"P01": (Touches(base="b", donor="d", strokes=(replace(STROKES[0], points=()),)),)}),
    ],
)
def test_nothing_is_written_that_could_not_be_read(tmp_path: Path, decided: Decisions) -> None:
    """What the reader would refuse the writer does, and the file of before is still there."""
    path = tmp_path / files.DECISIONS
    write_decisions(path, REVIEW)
    with pytest.raises(OptionError, match="These decisions cannot be kept: "):
        write_decisions(path, decided)
    assert read_decisions(path) == REVIEW


def test_a_file_is_replaced_whole_or_not_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A new state takes the place of the old; if it cannot, the old is there and nothing lies beside it."""
    path = tmp_path / files.DECISIONS
    write_decisions(path, REVIEW)
    old = path.stat().st_ino
    write_decisions(path, Decisions(base="c.jpg"))
    assert path.stat().st_ino != old
    assert read_decisions(path) == Decisions(base="c.jpg")
    assert [p.name for p in tmp_path.iterdir()] == [files.DECISIONS]

    def full(self: Path, data: bytes) -> int:
        self.touch()
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(OutputError) as error:
        write_decisions(path, REVIEW)
    assert str(error.value) == f"Nothing was written to {path}: there is no space left."
    assert read_decisions(path) == Decisions(base="c.jpg")
    assert [p.name for p in tmp_path.iterdir()] == [files.DECISIONS]


@pytest.mark.parametrize("kind", ["missing", "folder"])
def test_a_file_that_cannot_be_opened_is_named(tmp_path: Path, kind: str) -> None:
    """No such file, or a folder: a sentence with its name."""
    path = tmp_path if kind == "folder" else tmp_path / "nowhere.json"
    with pytest.raises(InputError, match=rf"^The decisions {path} cannot be opened: .+\.$"):
        read_decisions(path)


# -- over earlier ones --------------------------------------------------------------------------------------


WIDER = Touches(base="b", donor="d", widen_px=1.0)
OTHER = Touches(base="b", donor="e")
SEEN = Stays(base="a", picks={"P01": "a"})


@pytest.mark.parametrize(
    ("later", "earlier", "both"),
    [
        ({"base": "a"}, {"base": "b", "keep": {"P01"}}, {"base": "a", "keep": {"P01"}}),
        ({}, {"base": "b"}, {"base": "b"}),
        ({"force": {"P01": "a"}}, {"force": {"P01": "b", "P02": "b"}}, {"force": {"P01": "a", "P02": "b"}}),
        ({"force": {"P01": "a"}}, {"keep": {"P01", "P02"}}, {"force": {"P01": "a"}, "keep": {"P02"}}),
        ({"keep": {"P01"}}, {"force": {"P01": "a", "P02": "a"}}, {"keep": {"P01"}, "force": {"P02": "a"}}),
        (
            {"force": {"P01": "x/a"}},
            {"forbid": {("P01", "a"), ("P02", "a"), ("P01", "aa")}},
            {"force": {"P01": "x/a"}, "forbid": {("P02", "a"), ("P01", "aa")}},
        ),
        ({"forbid": {("P01", "a")}}, {"force": {"P01": "a"}}, {"forbid": {("P01", "a")}}),
        ({"forbid": {("*", "a")}}, {"force": {"P01": "a"}}, {"forbid": {("*", "a")}}),
        ({"force": {"A": "a"}}, {"forbid": {("A", "aa")}}, {"force": {"A": "a"}, "forbid": {("A", "aa")}}),
        ({"force": {"P01": "a"}}, {"forbid": {("*", "a")}}, {"force": {"P01": "a"}, "forbid": {("*", "a")}}),
        ({"base": "a"}, {"stays": SEEN}, {"base": "a", "stays": SEEN}),
        ({"stays": SEEN}, {"stays": Stays(base="b", picks={}), "base": "b"}, {"stays": SEEN, "base": "b"}),
        ({"notes": {"P01": "x"}}, {"notes": {"P01": "y", "P02": "z"}}, {"notes": {"P01": "x", "P02": "z"}}),
        (
            {"masks": {"P01": (WIDER,)}},
            {"masks": {"P01": (replace(WIDER, widen_px=0.0), OTHER), "P02": ()}},
            {"masks": {"P01": (OTHER, WIDER), "P02": ()}},
        ),
    ],
)  # fmt: skip
def test_what_is_said_later_wins(
    later: dict[str, Any], earlier: dict[str, Any], both: dict[str, Any]
) -> None:
    """A demand undoes an earlier 'keep' and 'avoid' of the same person, and they it; the rest adds up."""

    def made(words: dict[str, Any]) -> Decisions:
        return Decisions(**{k: frozenset(v) if isinstance(v, set) else v for k, v in words.items()})

    assert made(later).over(made(earlier)) == made(both)


@given(decided=all_decisions)
@settings(max_examples=40, deadline=None)
def test_nothing_said_changes_nothing(decided: Decisions) -> None:
    """No decisions over some, and some over none, are those."""
    assert Decisions().over(decided) == decided
    assert decided.over(Decisions()) == decided


# -- obeyed -------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def seen(models: Models) -> tuple[Analysis, pipeline.Album, dict[str, Pixels]]:
    """A burst of two frames, each with one of two people sharp, looked through."""
    pictures = {f"f{i}.png": bursts.frame(i) for i in range(2)}
    frames = [
        Frame(name=n, path=f"/nowhere/{n}", size=(p.shape[1], p.shape[0]), bit_depth=8)
        for n, p in pictures.items()
    ]
    analysis, album = pipeline.analyse(frames, lambda f: pictures[f.name], models, Options())
    return analysis, album, pictures


BY_HAND = Touches(base="f0.png", donor="f1.png", widen_px=3)


def touched_up(risk: Risk) -> bool:
    """Return whether a risk says that a mask was touched up."""
    return FaultKind.TOUCHED in [fault.kind for fault in risk.faults]


def test_a_mask_touched_up_is_that_of_the_plain_head_touched_up(seen) -> None:
    """Settled, or set in at once: the mask is touched up, that is told beside the risk, and all else is the
    base's, bit for bit."""
    analysis, album, pictures = seen
    read = lambda f: pictures[f.name]  # noqa: E731
    one = Decisions(base="f0.png", force={"P01": "f1.png"}, keep=frozenset({"P02"}))
    plain = pipeline.settle(analysis, album, one, read, Options())
    made = pipeline.settle(analysis, album, replace(one, masks={"P01": (BY_HAND,)}), read, Options())
    ((before,), (after,)) = plain.heads, made.heads
    np.testing.assert_array_equal(after.mask, touch.touched_mask(before, BY_HAND, bursts.SIZE))
    assert after.mask.sum() > before.mask.sum()
    assert touched_up(made.risks["P01"])
    assert any("touched up by hand" in words for words in text.reasons(made.risks["P01"]))
    assert not touched_up(plain.risks["P01"])
    assert made.notes == ()
    base, (again,), risks = setting.set_in(analysis, made.choice, read, Options(), touches={"P01": BY_HAND})
    assert (again.mask.tobytes(), again.pixels.tobytes()) == (after.mask.tobytes(), after.pixels.tobytes())
    assert risks == made.risks
    (x, y), (h, w) = after.offset, after.mask.shape
    shown = np.zeros(base.shape[:2], bool)
    shown[y : y + h, x : x + w] = after.mask > 0
    np.testing.assert_array_equal(composite.lay(base, [after])[~shown], pictures["f0.png"][~shown])


@pytest.mark.parametrize("shrink", [1, 2])
def test_later_heads_lie_on_touched_ones(seen, monkeypatch, shrink: int) -> None:
    """Only what is chosen is touched up, once and at full size, and the next head is built on it; drafts and
    heads whose masks nobody touched are left as they are."""
    analysis, album, pictures = seen
    widths = [p.faces[f].box[2] - p.faces[f].box[0] for p in analysis.people for f in (0, 1)]
    monkeypatch.setattr(draft, "DRAFT_FACE_PX", float(np.median(widths)) / shrink)
    built: list[tuple[str, Pixels, Head]] = []

    def build(*, person: str, base: composite.Shot, **_: object) -> Head:
        made = head(person, (20, 30), np.uint8, np.uint8, 1)
        made = replace(made, reached=np.ones(made.mask.shape, bool))
        built.append((person, base.pixels, made))
        return made

    monkeypatch.setattr(composite, "build_face", lambda **_: None)
    monkeypatch.setattr(composite, "build_person", build)
    both = Decisions(
        base="f0.png",
        force={"P01": "f1.png", "P02": "f1.png"},
        masks={"P01": (BY_HAND,)},
        notes={"P02": "a hair on the collar"},
    )
    made = pipeline.settle(analysis, album, both, lambda f: pictures[f.name], Options())
    first, second = made.heads
    plain = next(h for who, _, h in reversed(built) if who == first.person)
    np.testing.assert_array_equal(first.mask, touch.touched_mask(plain, BY_HAND, bursts.SIZE))
    assert (first.mask != plain.mask).any()
    assert second is built[-1][2]
    assert built[-1][0] == second.person
    np.testing.assert_array_equal(built[-1][1], composite.lay(pictures["f0.png"], [first]))
    drafts = [current for _, current, _ in built if current.shape != pictures["f0.png"].shape]
    assert bool(drafts) == (shrink > 1)
    assert touched_up(made.risks["P01"])
    assert not touched_up(made.risks["P02"])
    assert made.risks["P02"].flag == "retouch"
    assert text.reasons(made.risks["P02"])[0] == "noted by hand: a hair on the collar"


def test_a_note_on_somebody_unchanged_is_a_risk_as_well() -> None:
    """Whoever stays as in the base needs retouching if the user says so; what was measured is not lost."""
    lines = Fault(kind=FaultKind.LINES, chance=0.9, amount=30.0, at=(5.0, 6.0))
    known = Risk(value=0.9, flag="retouch", faults=(lines,), face_box=(1.0, 2.0, 9.0, 12.0))
    noted = Decisions(notes={"P01": "red eye", "P03": "stray hair"})
    got = setting.with_notes({"P02": known, "P03": known}, noted, Options())
    assert got["P01"].flag == "retouch"
    assert got["P01"].value == Options().risk.retouch_from
    assert text.reasons(got["P01"]) == ("noted by hand: red eye",)
    assert got["P02"] == known
    hair = Fault(kind=FaultKind.NOTED, chance=1.0, words="stray hair")
    assert got["P03"] == replace(known, faults=(hair, lines))
    assert text.reasons(got["P03"]) == ("noted by hand: stray hair", *text.reasons(known))


@pytest.mark.parametrize(
    ("base", "frame", "fits", "said"),
    [
        (0, 1, True, None),
        (0, 0, False, "the base is f0.png now and P01 stays as in the base"),
        (1, 1, False, "the base is f1.png now and P01 stays as in the base"),
        (1, 0, False, "the base is f1.png now and P01 comes from f0.png"),
    ],
)
def test_strokes_made_for_another_head_are_left_out_with_a_note(
    seen, base: int, frame: int, fits: bool, said: str | None
) -> None:
    """Coordinates belong to one base and one donor: for others strokes are left out, and it is told."""
    analysis, _, _ = seen
    picks = tuple(
        Pick(
            person=p.id, frame=frame if p.id == "P01" else base, from_base=frame == base or p.id != "P01",
            gain=0, cost=0, why="",
        )
        for p in analysis.people
    )  # fmt: skip
    decisions = Decisions(masks={"P01": (BY_HAND,)})
    found, notes = setting.touches_for(analysis, Choice(base=base, picks=picks, why=""), decisions)
    assert found == ({"P01": BY_HAND} if fits else {})
    assert len(notes) == (0 if said is None else 1)
    assert said is None or said in notes[0]


@pytest.mark.parametrize("decisions", [Decisions(notes={"P77": "x"}), Decisions(masks={"P77": ()})])
def test_notes_and_masks_of_nobody_are_refused(seen, decisions: Decisions) -> None:
    """Whoever is not in the burst is named, with those who are."""
    analysis, album, _ = seen
    with pytest.raises(OptionError, match=r"no person 'P77' in this burst; there are P01, P02\."):
        setting.choose(analysis, album, decisions, Options())
