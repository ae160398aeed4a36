"""People set in as layers on the sample burst, whose truth says whose every pixel is."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pytest
from conftest import SAMPLE
from numpy.typing import NDArray
from once import Once

from facemerge import composite, imaging, pipeline
from facemerge.composite import layering, place, tone
from facemerge.formats import photo
from facemerge.models import Models
from facemerge.options import Options
from facemerge.pipeline import setting
from facemerge.pipeline.draft import Draft
from facemerge.pipeline.outlines import Outlines
from facemerge.words import Analysis, Choice, Decisions, Face, Head, Missing, Pick, Pixels

TRUTH: dict[str, Any] = json.loads((SAMPLE / "truth.json").read_text())
BASE, DONOR = 0, 8
WITNESSES = (3, 6, 9, 12, 15)
FRONT_HARM = 0.001
"""Share of somebody in front, 3 px inside their outline, that may change. Measured was none at all."""


@pytest.fixture(scope="module")
def seen(once: Once, models: Models) -> tuple[Analysis, pipeline.Album]:
    """The sample burst, looked through."""
    frames, _ = photo.find_frames([SAMPLE])
    return once.word("sample looked through", lambda: pipeline.analyse(frames, photo.read, models, Options()))


@pytest.fixture(scope="module")
def analysis(seen: tuple[Analysis, pipeline.Album]) -> Analysis:
    return seen[0]


def true_owner(frame: int) -> NDArray[np.uint8]:
    """Return (H, W) whose a pixel is: 0 the background, k the person of index k - 1."""
    found = cv2.imread(str(SAMPLE / TRUTH["frames"][frame]["who"]), cv2.IMREAD_GRAYSCALE)
    return np.asarray(found, np.uint8)


def true_person(analysis: Analysis, who: int, frame: int) -> int:
    """Return the index in the truth of a person that was found."""
    face = analysis.people[who].faces[frame]
    assert isinstance(face, Face)
    middle = face.landmarks[:, :2].mean(0)
    told = TRUTH["frames"][frame]["faces"]
    return int(min(told, key=lambda f: float(np.hypot(*(np.array(f["frame_centre"]) - middle))))["id"])


def seen_small(analysis: Analysis, frame: int) -> composite.Glimpse:
    faces = {i: f for i, p in enumerate(analysis.people) if isinstance(f := p.faces[frame], Face)}
    return composite.glimpse(photo.read(analysis.frames[frame]), faces, 180.0)


def overlaps(analysis: Analysis, told: composite.Silhouettes) -> list[float]:
    """Return by how much everybody's silhouette in the base overlaps with the truth, near their face."""
    h, w = told.background.shape
    truth = cv2.resize(true_owner(BASE), (w, h), interpolation=cv2.INTER_NEAREST)
    label = told.shares.argmax(0)
    y, x = np.mgrid[0:h, 0:w]
    found = []
    for n, who in enumerate(told.people):
        face = analysis.people[who].faces[BASE]
        assert isinstance(face, Face)
        points = imaging.transform(told.small_from_frame, face.landmarks[:, :2])
        near = np.hypot(x - points[:, 0].mean(), y - points[:, 1].mean()) < 1.6 * np.ptp(points[:, 0])
        mine, true = (label == n) & near, (truth == true_person(analysis, who, BASE) + 1) & near
        found.append(float((mine & true).sum() / (mine | true).sum()))
    return found


def test_silhouettes_are_told_by_the_whole_burst(analysis: Analysis) -> None:
    """Whose a pixel is agrees with the truth for everybody, and better than without anybody's motion."""
    target = seen_small(analysis, BASE)
    others = [(seen_small(analysis, f), analysis.base_from_frame(BASE, f)) for f in WITNESSES]
    told = composite.segment(target, others)
    assert np.allclose(told.shares.sum(0), 1, atol=1e-4)
    found = overlaps(analysis, told)
    assert np.mean(found) > 0.9
    assert min(found) > 0.8
    # The same frame as its own witness: nobody moves, and nothing is bare that was not.
    alone = overlaps(analysis, composite.segment(target, [(target, np.eye(3))]))
    assert np.mean(alone) < np.mean(found) - 0.01


def test_silhouettes_need_somebody_and_another_frame(analysis: Analysis) -> None:
    """Without a face, or without another frame, there is nothing to tell people by."""
    target = seen_small(analysis, BASE)
    with pytest.raises(ValueError, match="somebody"):
        composite.segment(target, [])
    with pytest.raises(ValueError, match="somebody"):
        composite.segment(replace(target, faces={}), [(target, np.eye(3))])


def bench(analysis: Analysis) -> setting.Bench:
    draft = Draft(analysis=analysis, read=photo.read, shrink=1)
    return setting.Bench(draft, BASE, Outlines(draft), Options())


@pytest.fixture(scope="module")
def laid(analysis: Analysis, once: Once) -> tuple[Pixels, tuple[Head, ...]]:
    """Two people of the back row from another frame, set into the base."""
    picks = tuple(
        Pick(
            person=p.id,
            frame=DONOR if i in (0, 2) else BASE,
            from_base=i not in (0, 2),
            gain=0,
            cost=0,
            why="",
        )
        for i, p in enumerate(analysis.people)
    )
    chosen = Choice(base=BASE, picks=picks, why="")

    def make() -> tuple[Pixels, tuple[Head, ...]]:
        w, h = analysis.frames[BASE].size
        whole = setting.Sketch(area=(0, 0, w, h), extent="person")
        sketches = {p.id: whole for p in analysis.people}
        made = bench(analysis).set_in(chosen, lambda *_: None, sketches=sketches)
        return made.base, made.heads

    return once.word("sample with two people set in", make)


def test_whoever_stands_in_front_is_not_touched(
    analysis: Analysis, laid: tuple[Pixels, tuple[Head, ...]]
) -> None:
    """Inside the outlines of everybody in the rows before, the composite is the base."""
    base, heads = laid
    shown = composite.lay(base, heads)
    apart = np.abs(shown.astype(int) - base).max(2) > 6
    owner = true_owner(BASE)
    front = [i for i, p in enumerate(analysis.people) if p.row > 0]
    assert front
    for who in front:
        theirs = (owner == true_person(analysis, who, BASE) + 1).astype(np.uint8)
        inner = cv2.erode(theirs, np.ones((7, 7), np.uint8)) > 0
        assert (apart & inner).sum() <= FRONT_HARM * inner.sum()


def test_nothing_of_a_person_is_bent(analysis: Analysis, laid: tuple[Pixels, tuple[Head, ...]]) -> None:
    """Well inside a person the layer is the donor as placed by one matrix, to a step of the file."""
    donor = photo.read(analysis.frames[DONOR])
    for head in laid[1]:
        assert head.base_from_donor is not None
        h, w = head.mask.shape
        placed, _ = place.sample(donor, head.base_from_donor, head.offset, (w, h))
        gain = np.broadcast_to(np.float32(head.gain), (h, w, 3))
        placed = imaging.from_unit(tone.apply_gain(imaging.to_unit(placed), gain), np.uint8)
        who = next(i for i, p in enumerate(analysis.people) if p.id == head.person)
        face = analysis.people[who].faces[BASE]
        assert isinstance(face, Face)
        points = (face.landmarks[:, :2] - head.offset).astype(np.float32)
        inside = np.zeros(head.mask.shape, np.uint8)
        cv2.fillConvexPoly(inside, cv2.convexHull(points).astype(np.int32), 1)
        inner = cv2.erode(inside, np.ones((15, 15), np.uint8)) > 0
        assert (head.mask[inner] == 255).all()
        # The gain is a plane, of which the middle counts for the whole frame.
        assert np.abs(head.pixels[inner].astype(int) - placed[inner]).max() <= 4


def test_outside_the_masks_nothing_changes(laid: tuple[Pixels, tuple[Head, ...]]) -> None:
    """Where every mask is nought the composite is the base to the bit, and masks end where both are alike."""
    base, heads = laid
    shown = composite.lay(base, heads)
    masked = np.zeros(base.shape[:2], bool)
    for head in heads:
        (x, y), (h, w) = head.offset, head.mask.shape
        masked[y : y + h, x : x + w] |= head.mask > 0
    assert masked.any()
    assert np.array_equal(shown[~masked], base[~masked])


def test_a_frame_without_anybody_does_no_harm(analysis: Analysis) -> None:
    """A further frame in which nobody was found is passed over when it is asked what stood behind."""
    empty = 3
    gone = Missing(reason="nobody was found")
    people = tuple(
        replace(p, faces=tuple(gone if f == empty else face for f, face in enumerate(p.faces)))
        for p in analysis.people
    )
    bare = replace(analysis, people=people)
    pick = Pick(person=people[0].id, frame=DONOR, from_base=False, gain=0, cost=0, why="")
    assert empty in setting.further_frames(bare, BASE, DONOR)
    stay = [Pick(person=p.id, frame=BASE, from_base=True, gain=0, cost=0, why="") for p in people[1:]]
    made = bench(bare).set_in(Choice(base=BASE, picks=(pick, *stay), why=""), lambda *_: None)
    (head,) = made.heads
    assert head.person == people[0].id
    assert head.mask.any()


def test_the_programs_own_choice_is_good_for_everybody_and_touches_nobody_else(
    seen: tuple[Analysis, pipeline.Album],
) -> None:
    """Three heads or more are set in, inner faces all, so that everybody's face is good; and only pixels that
    are those people's own, in the truth, have changed.
    """
    analysis, album = seen
    made = pipeline.settle(analysis, album, Decisions(), photo.read, Options())
    assert len(made.heads) >= 3
    assert {h.extent for h in made.heads} == {"face"}
    assert {made.risks[h.person].flag for h in made.heads} == {"clear"}
    for who, pick in enumerate(made.choice.picks):
        true = true_person(analysis, who, pick.frame)
        assert next(f for f in TRUTH["frames"][pick.frame]["faces"] if f["id"] == true)["good"]
    owner = true_owner(made.choice.base)
    apart = np.abs(composite.lay(made.base, made.heads).astype(int) - made.base).max(2) > 6
    swapped = [i for i, p in enumerate(analysis.people) if p.id in {h.person for h in made.heads}]
    theirs = np.isin(owner, [true_person(analysis, i, made.choice.base) + 1 for i in swapped])
    assert apart[theirs].any()
    assert not apart[~(cv2.dilate(theirs.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0)].any()


def test_a_body_that_is_seen_down_to_the_feet_is_one_part(analysis: Analysis) -> None:
    """However far below the face its middle lies, all of it is the person's: a head forced on the sample had
    come out as a layer of nothing.
    """
    told = bench(analysis)._shot(BASE, photo.read(analysis.frames[BASE]))
    for who in told.silhouettes.people:
        box = told.faces[who].box
        share = layering._parts(told, who, float(box[2] - box[0]))
        assert share.max() > 0.9
