"""A choice is looked at once it is made, and made again where a seam would be found."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import bursts
import numpy as np
import pytest
from building import watch
from once import Once

from facemerge import composite, faults, imaging, pipeline, text
from facemerge.models import Models
from facemerge.options import Options
from facemerge.pipeline import outlines, setting
from facemerge.pipeline.draft import Draft
from facemerge.pipeline.outlines import Outlines
from facemerge.words import (
    MOST_MISFIT,
    Analysis,
    Choice,
    Decisions,
    Face,
    Fault,
    FaultKind,
    Frame,
    Head,
    Missing,
    Part,
    Person,
    Pick,
    Pixels,
    Risk,
    Unaligned,
)

CLEAR = Risk(value=0.05, flag="clear")
BROKEN = Risk(value=0.9, flag="retouch", faults=(Fault(kind=FaultKind.BREAK, chance=0.9, at=(9.0, 9.0)),))
Judge = Callable[[int, str, int], bool]
"""(base, person, frame) -> whether the seam is broken."""


@pytest.fixture(scope="module")
def seen(once: Once, models: Models) -> tuple[Analysis, pipeline.Album, dict[str, Pixels]]:
    """A burst of four frames in which no frame has both people sharp, looked through."""
    pictures = {f"f{i}.png": bursts.frame(i) for i in range(4)}
    frames = [
        Frame(name=n, path=f"/nowhere/{n}", size=(p.shape[1], p.shape[0]), bit_depth=8)
        for n, p in pictures.items()
    ]
    analysis, album = once.word(
        "four frames looked through",
        lambda: pipeline.analyse(frames, lambda f: pictures[f.name], models, Options()),
    )
    return analysis, album, pictures


@pytest.fixture
def settled(seen, monkeypatch):
    """Settle with seams judged by a rule; returns what was set in, and who was built from which frame."""
    analysis, album, pictures = seen
    built: list[tuple[str, int]] = []

    def counted(who: str, _: Pixels, pixels: Pixels) -> None:
        donor = next(i for i, p in enumerate(pictures.values()) if np.array_equal(p, pixels))
        built.append((who, donor))

    def run(broken: Judge, decisions: Decisions | None = None) -> tuple[setting.Set, list[tuple[str, int]]]:
        def risk(bench: setting.Bench, person: Person, pick: Pick, head: Head, current: Pixels) -> Risk:
            return BROKEN if broken(bench._index, person.id, pick.frame) else CLEAR

        monkeypatch.setattr(setting.Bench, "_risk", risk)
        with monkeypatch.context() as patched:
            watch(patched, counted)
            return settle_with(decisions)

    def settle_with(decisions: Decisions | None) -> tuple[setting.Set, list[tuple[str, int]]]:
        read = lambda f: pictures[f.name]  # noqa: E731
        return pipeline.settle(analysis, album, decisions or Decisions(), read, Options()), built

    return run


def swaps(made: setting.Set) -> dict[str, int]:
    """Return who comes from which frame."""
    return {p.person: p.frame for p in made.choice.picks if not p.from_base}


def test_a_clear_choice_stands(settled):
    """Nothing to mend: every head is built once, and the heads are those of the choice."""
    made, built = settled(lambda base, person, frame: False)
    assert len(swaps(made)) == 1
    assert built == list(swaps(made).items())
    assert [h.person for h in made.heads] == list(swaps(made))
    assert set(made.risks.values()) == {CLEAR}


def test_a_broken_seam_gives_way_to_the_next_best_head(settled):
    """With the first choice's seam broken, another frame's equally sharp head is taken."""
    first, _ = settled(lambda base, person, frame: False, Decisions(base="f0.png"))
    ((person, frame),) = swaps(first).items()
    made, built = settled(lambda b, p, f: (p, f) == (person, frame), Decisions(base="f0.png"))
    ((other, taken),) = swaps(made).items()
    assert other == person
    assert {frame, taken} == {1, 3}
    assert built == [(person, frame), (person, frame), (person, taken)]
    assert made.risks[person] == CLEAR
    assert [h.person for h in made.heads] == [person]


def test_what_breaks_everywhere_is_still_the_best_there_is(settled):
    """All seams broken: it ends, and the heads, risks and picks belong together."""
    made, built = settled(lambda base, person, frame: True)
    assert set(made.risks) == set(swaps(made)) == {h.person for h in made.heads}
    assert len(built) <= setting.ROUNDS * 2
    assert set(made.risks.values()) <= {BROKEN}


def test_what_was_demanded_is_made_however_it_breaks(settled):
    """A head the user asks for is not taken away again for its seam."""
    demanded = Decisions(base="f0.png", force={"P01": "f1.png"})
    made, _ = settled(lambda base, person, frame: True, demanded)
    assert swaps(made)["P01"] == 1


def test_heads_that_lie_on_the_same_are_not_made_again(settled):
    """In a second round the head that nothing changed for is the very one of the first."""
    both = Decisions(base="f0.png", force={"P01": "f2.png"})
    first, built = settled(lambda base, person, frame: False, both)
    wrong = swaps(first)["P02"]
    built.clear()
    made, _ = settled(lambda base, person, frame: (person, frame) == ("P02", wrong), both)
    assert swaps(made)["P01"] == 2
    assert [who for who, _ in built].count("P01") == 1


def test_further_frames_are_neither_base_nor_donor(seen):
    """All that are well aligned, but for the base and the frame that gives the head."""
    analysis, _, _ = seen
    found = setting.further_frames(analysis, 0, 1)
    assert sorted(found) == [2, 3]
    assert all(analysis.error_to_base_px(0, f) <= setting.SPARE_ERROR_PX for f in found)


def test_a_frame_that_lies_badly_is_no_further_frame(seen):
    """A frame whose alignment is not known well enough, or at all, is not offered."""
    analysis, _, _ = seen
    alignments = list(analysis.alignments)
    alignments[2] = replace(alignments[2], error_px=setting.SPARE_ERROR_PX + 1)
    alignments[3] = Unaligned(reason="another place")
    known = replace(analysis, alignments=tuple(alignments))
    assert setting.further_frames(known, 0, 1) == []


def test_a_head_is_built_on_what_lies_below_and_told_whose_frames_these_are(seen, monkeypatch):
    """Base with the heads laid so far, donor, everybody's row, the further frames, and for those laid the
    frames that they come from."""
    analysis, album, pictures = seen
    asked: list[dict[str, Any]] = []
    build = composite.build_person
    monkeypatch.setattr(composite, "build_person", lambda **words: asked.append(words) or build(**words))
    both = Decisions(base="f0.png", force={"P01": "f1.png", "P02": "f3.png"})
    frames, images = {"P01": 1, "P02": 3}, list(pictures.values())
    made = pipeline.settle(analysis, album, both, lambda f: pictures[f.name], Options())
    first, second = asked[-2:]
    assert [first["person"], second["person"]] == [h.person for h in made.heads]
    for words in (first, second):
        assert analysis.people[words["who"]].id == words["person"]
        np.testing.assert_array_equal(words["donor"].pixels, images[frames[words["person"]]])
        assert list(words["rows"]) == [p.row for p in analysis.people]
        taken = {0, frames[words["person"]]}
        assert len(words["others"]) == len([f for f in range(4) if f not in taken])
    assert first["laid"] == {}
    np.testing.assert_array_equal(first["base"].pixels, images[0])
    np.testing.assert_array_equal(second["base"].pixels, composite.lay(images[0], made.heads[:1]))
    ((who, shot),) = second["laid"].items()
    assert who == first["who"]
    np.testing.assert_array_equal(shot.pixels, images[frames[first["person"]]])


def test_who_is_much_less_sharp_than_elsewhere_is_blurred(seen):
    """Each frame of this burst has one of the two out of focus."""
    analysis, _, pictures = seen
    outlines = Outlines(Draft(analysis=analysis, read=lambda f: pictures[f.name], shrink=1))
    assert {(f, who) for f in range(4) for who in outlines.blurred(f)} == set(bursts.BLURRED)


def test_nobody_has_an_outline_in_a_frame_without_people(seen):
    """There is nothing to tell apart: no outlines, and no error."""
    analysis, _, pictures = seen
    gone = Missing(reason="nobody was found")
    people = tuple(
        replace(p, faces=tuple(gone if f == 2 else face for f, face in enumerate(p.faces)))
        for p in analysis.people
    )
    bare = replace(analysis, people=people)
    outlines = Outlines(Draft(analysis=bare, read=lambda f: pictures[f.name], shrink=1))
    assert outlines.of(2) is None
    assert outlines.of(0) is not None


def test_whoever_is_blurred_in_the_base_is_expected_to_be_taken_whole(seen):
    """A sharp inner face in a blurred head is never forecast; held alike and sharp in both, hardly a risk."""
    analysis, album, _ = seen
    who = analysis.people[0]
    sharp = [
        f for f in range(4) if 0 not in outlines.blurred_in(analysis)[f] and isinstance(who.faces[f], Face)
    ]
    swap = sharp[0], 0, sharp[1]
    clean = setting._forecast(analysis, album, swap, blurred=False)
    whole = setting._forecast(analysis, album, swap, blurred=True)
    assert clean < 0.1
    assert whole >= setting.WHOLE_RISK


@pytest.mark.parametrize("extent", ["face", "person"])
def test_a_head_is_made_at_full_size_as_it_was_made_small(seen, extent: str):
    """What a sketch says of how much is taken is done, whatever would be chosen without it."""
    analysis, _, pictures = seen
    draft = Draft(analysis=analysis, read=lambda f: pictures[f.name], shrink=1)
    bench = setting.Bench(draft, 0, Outlines(draft), Options())
    h, w = pictures["f0.png"].shape[:2]
    sketch = setting.Sketch(area=(0, 0, w, h), extent=extent)
    made = bench.build("P01", 1, pictures["f0.png"], {}, sketch=sketch)
    assert made.extent == extent
    assert made.placement == {"face": "similarity", "person": "homography"}[extent]


def test_a_sketch_tells_how_much_was_taken_and_where(seen):
    """In the full frame's pixels, with some room about what was changed."""
    analysis, _, pictures = seen
    draft = Draft(analysis=analysis, read=lambda f: pictures[f.name], shrink=1)
    bench = setting.Bench(draft, 0, Outlines(draft), Options())
    made = bench.build("P01", 1, pictures["f0.png"], {})
    (told,) = setting.sketches_of([made], 3).values()
    y, x = np.nonzero(made.mask)
    x0, y0, x1, y1 = told.area
    assert told.extent == made.extent
    assert x0 <= 3 * (made.offset[0] + x.min()) < 3 * (made.offset[0] + x.max() + 1) <= x1
    assert y0 <= 3 * (made.offset[1] + y.min()) < 3 * (made.offset[1] + y.max() + 1) <= y1


def test_of_equal_faces_the_one_that_moved_less_is_forecast_to_show_less(seen):
    """Held alike, but half a face width away from where it is in the base."""
    analysis, album, _ = seen
    who = analysis.people[0]
    sharp = [
        f for f in range(4) if 0 not in outlines.blurred_in(analysis)[f] and isinstance(who.faces[f], Face)
    ]
    base, donor = sharp[:2]
    face = who.faces[donor]
    far = face.landmarks + np.array([0.5 * (face.box[2] - face.box[0]), 0, 0])
    moved = replace(
        who, faces=tuple(replace(face, landmarks=far) if f == donor else x for f, x in enumerate(who.faces))
    )
    there = replace(analysis, people=(moved, *analysis.people[1:]))
    near, away = (setting._forecast(a, album, (base, 0, donor), blurred=False) for a in (analysis, there))
    assert away > near + 0.05


def test_whoever_is_left_as_in_the_base_is_to_be_looked_at(seen):
    """Nothing of them was changed, but somebody must know that they could be better, and where that lies."""
    analysis, album, _ = seen
    chosen = setting.choose(analysis, album, Decisions(base="f0.png"), Options())
    picks = tuple(
        replace(p, frame=0, from_base=True, left=2 if p.person == "P01" else None) for p in chosen.picks
    )
    found = setting.missing_risks(analysis, replace(chosen, picks=picks), Options())
    assert set(found) == {"P01"}
    assert found["P01"].flag == "inspect"
    (said,) = text.reasons(found["P01"])
    assert "f2.png" in said
    assert "hidden" in said


HARM = Fault(kind=FaultKind.NEIGHBOUR, chance=0.5, amount=0.1, at=(30.0, 40.0), size_px=20.0, person="P02")


@pytest.mark.parametrize("left", [None, 3], ids=["as they are", "left as in the base"])
def test_whoever_suffers_from_a_head_beside_them_is_to_be_looked_at(
    seen, monkeypatch: pytest.MonkeyPatch, left: int | None
):
    """Nothing was set in of them, yet their own pixels have changed: they are flagged, and it is told by
    whose head; what was known of them besides is not lost."""
    analysis, album, pictures = seen
    suffers = Risk(value=0.5, flag="inspect", faults=(HARM,))
    monkeypatch.setattr(setting.Bench, "_risk", lambda *_: suffers)
    chosen = setting.choose(
        analysis, album, Decisions(base="f0.png", force={"P01": "f1.png"}, keep=frozenset({"P02"})), Options()
    )
    picks = tuple(replace(p, left=left) if p.person == "P02" else p for p in chosen.picks)
    read = lambda f: pictures[f.name]  # noqa: E731
    _, heads, risks = setting.set_in(analysis, replace(chosen, picks=picks), read, Options())
    assert [h.person for h in heads] == ["P01"]
    assert risks["P01"] == suffers
    theirs = risks["P02"]
    assert theirs.flag == "inspect"
    assert theirs.value == pytest.approx(0.5 if left is None else max(0.5, Options().risk.inspect_from))
    assert theirs.places == (HARM.at,)
    assert any("P01" in words for words in text.reasons(theirs))
    assert any("f3.png" in words for words in text.reasons(theirs)) is (left is not None)


@pytest.mark.parametrize("who", ["P01", "P02"])
def test_whose_a_layers_pixels_are_is_told_before_and_in_the_donor(seen, who: str):
    """Faces of both people, in the base and in the donor as it is laid, are told to be theirs; only people
    taken whole are asked for."""
    analysis, _, pictures = seen
    draft = Draft(analysis=analysis, read=lambda f: pictures[f.name], shrink=1)
    bench = setting.Bench(draft, 0, Outlines(draft), Options())
    index = next(i for i, p in enumerate(analysis.people) if p.id == who)
    h, w = pictures["f0.png"].shape[:2]
    sketch = setting.Sketch(area=(0, 0, w, h), extent="person")
    made = bench.build(who, 1, pictures["f0.png"], {}, sketch=sketch)
    found = bench._owners(analysis.people[index], 1, made)
    assert found is not None
    assert (found.who, found.names) == (index, {i: p.id for i, p in enumerate(analysis.people)})
    high, wide = made.mask.shape
    for labels, frame in ((found.before, 0), (found.donor, 1)):
        matrix = analysis.base_from_frame(0, frame)
        for i, person in enumerate(analysis.people):
            face = person.faces[frame]
            assert isinstance(face, Face)
            x, y = imaging.transform(matrix, face.landmarks[:, :2]).mean(0) - made.offset
            if 0 <= x < wide and 0 <= y < high:
                assert labels[int(y * labels.shape[0] / high), int(x * labels.shape[1] / wide)] == i
        assert -1 in labels
    assert index in found.before
    assert index in found.donor


@pytest.mark.parametrize("extent", ["face", "person"])
def test_a_head_is_looked_over_with_what_it_lies_on(seen, monkeypatch: pytest.MonkeyPatch, extent: str):
    """Held against the very picture below it, heads laid earlier among that; whose pixels are whose is told
    of people taken whole, for an inner face has no neighbours."""
    analysis, _, pictures = seen
    draft = Draft(analysis=analysis, read=lambda f: pictures[f.name], shrink=1)
    bench = setting.Bench(draft, 0, Outlines(draft), Options())
    asked: list[tuple[Pixels, Head, float, faults.Owners | None]] = []
    find = faults.find

    def watched(
        before: Pixels, head: Head, face_px: float, owners: faults.Owners | None, true_px: float
    ) -> list[faults.Place]:
        asked.append((before, head, face_px, owners))
        return find(before, head, face_px, owners, true_px)

    monkeypatch.setattr(faults, "find", watched)
    picks = tuple(
        Pick(person=p.id, frame=1, from_base=False, gain=0, cost=0, why="") for p in analysis.people
    )
    h, w = pictures["f0.png"].shape[:2]
    sketches = {p.id: setting.Sketch(area=(0, 0, w, h), extent=extent) for p in analysis.people}
    made = bench.set_in(Choice(base=0, picks=picks, why=""), lambda *_: None, sketches=sketches)
    assert [id(head) for _, head, *_ in asked] == [id(head) for head in made.heads]
    for n, (before, head, wide, owners) in enumerate(asked):
        (x, y), (high, across) = head.offset, head.mask.shape
        below = composite.lay(pictures["f0.png"], made.heads[:n])[y : y + high, x : x + across]
        np.testing.assert_array_equal(before, below)
        face = next(p for p in analysis.people if p.id == head.person).faces[0]
        assert isinstance(face, Face)
        assert wide == face.box[2] - face.box[0]
        assert made.risks[head.person].face_box == face.box
        assert (owners is None) is (extent == "face")


def test_shut_eyes_that_stay_are_to_be_looked_at(seen):
    """Whoever keeps shut eyes in the picture, with no better frame to take, is flagged and told why."""
    analysis, _, _ = seen
    person = analysis.people[0]
    shut = [
        None if s is None else replace(s, eyes=Part(value=0.1, reason="eyes shut"))
        for s in analysis.scores[person.id]
    ]
    blinking = replace(analysis, scores=analysis.scores | {person.id: tuple(shut)})
    picks = [Pick(person=p.id, frame=0, from_base=True, gain=0.0, cost=0.0, why="") for p in analysis.people]
    chosen = Choice(base=0, picks=tuple(picks), why="")
    risks = setting.missing_risks(blinking, chosen, Options())
    assert [f.kind for f in risks[person.id].faults] == [FaultKind.SHUT]
    assert risks[person.id].flag == "inspect"
    open_eyed = setting.missing_risks(analysis, chosen, Options())
    assert FaultKind.SHUT not in {f.kind for r in open_eyed.values() for f in r.faults}


def test_frames_that_lie_roughly_give_faces_and_nobody_whole(seen):
    """Whoever cannot be set in by the face alone is forecast to show, from a frame that lies only roughly."""
    analysis, album, _ = seen
    rough = replace(analysis.alignments[1], model="rough")
    fates = (analysis.alignments[0], rough, *analysis.alignments[2:])
    roughly = replace(analysis, alignments=fates)
    assert roughly.is_rough(0, 1)
    assert roughly.is_rough(1, 0)
    assert not roughly.is_rough(1, 1)
    assert not roughly.is_rough(0, 2)
    for person in range(len(analysis.people)):
        for blurred in (False, True):
            usual = setting._forecast(analysis, album, (0, person, 1), blurred=blurred)
            found = setting._forecast(roughly, album, (0, person, 1), blurred=blurred)
            assert usual < 1.0
            assert found == (1.0 if blurred else pytest.approx(_face_alone(analysis, person)))


def _face_alone(analysis: Analysis, person: int) -> float:
    """Return what is foreseen of an inner face, however far it moved; 1.0 where there is no face."""
    old, new = (analysis.people[person].faces[f] for f in (0, 1))
    if not isinstance(old, Face) or not isinstance(new, Face):
        return 1.0
    return min(1.0, faults.of_face(composite.pose_misfit(old, new) / MOST_MISFIT["pose"]))


def test_whoever_comes_whole_from_a_rough_frame_is_laid_where_the_face_is(seen):
    """However far off the frame's own placement is, the head lies where it stands in the base; nothing is
    filled from further rough frames, and whose the pixels are is told by where it was laid."""
    analysis, _, pictures = seen
    person = next(p for p in analysis.people if "blurred" in (analysis.scores[p.id][1].eyes.reason or ""))
    off = imaging.shift_matrix(40, 25)
    fates = list(analysis.alignments)
    fates[1] = replace(fates[1], model="rough", reference_from_frame=off @ fates[1].reference_from_frame)
    roughly = replace(analysis, alignments=tuple(fates))
    assert 1 not in setting.further_frames(roughly, 0, 2)
    heads = []
    for known in (analysis, roughly):
        whole = Draft(analysis=known, read=lambda f: pictures[f.name], shrink=1)
        bench = setting.Bench(whole, 1, Outlines(whole), Options())
        bench._may_be_inner = lambda who, frame: False
        heads.append(bench.build(person.id, 0, pictures["f1.png"], {}))
    exact, rough = heads
    assert rough.placement == "similarity"
    assert exact.placement == "homography"
    face = person.faces[0].landmarks[:, :2]
    there = [imaging.transform(h.base_from_donor, face).mean(0) for h in heads]
    mine = person.faces[1].landmarks[:, :2].mean(0)
    assert np.linalg.norm(there[1] - mine) < 3
    assert np.linalg.norm(there[0] - there[1]) < 15


def test_whoever_breaks_from_every_frame_that_was_tried_is_left(settled, monkeypatch: pytest.MonkeyPatch):
    """However many rounds there are: a head that is surely found from each frame that was made is no part of
    the picture in the end, though other frames were still hoped for."""
    monkeypatch.setitem(globals(), "BROKEN", replace(BROKEN, value=0.99))
    made, built = settled(lambda base, person, frame: True)
    assert built
    assert swaps(made) == {}
    assert made.heads == ()
    assert made.measured == {}
    assert all(pick.frame == made.choice.base for pick in made.choice.picks)
