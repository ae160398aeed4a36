"""Large frames are tried smaller, and the small ones tell the same story."""

from __future__ import annotations

from typing import Any

import bursts
import numpy as np
import pytest
from building import watch

from facemerge import composite, faults, imaging, pipeline
from facemerge.models import Models
from facemerge.options import Options
from facemerge.pipeline import draft, setting
from facemerge.pipeline.outlines import Outlines
from facemerge.words import Aligned, Analysis, Decisions, Face, Frame, Head, Pixels

Seen = tuple[Analysis, pipeline.Album, dict[str, Pixels]]


@pytest.fixture(scope="module")
def seen(models: Models) -> Seen:
    """A burst of three frames in which no frame has both people sharp, looked through."""
    pictures = {f"f{i}.png": bursts.frame(i) for i in range(3)}
    frames = [
        Frame(name=n, path=f"/nowhere/{n}", size=(p.shape[1], p.shape[0]), bit_depth=8)
        for n, p in pictures.items()
    ]
    analysis, album = pipeline.analyse(frames, lambda f: pictures[f.name], models, Options())
    return analysis, album, pictures


def face_px(analysis: Analysis) -> float:
    return float(
        np.median([f.box[2] - f.box[0] for p in analysis.people for f in p.faces if isinstance(f, Face)])
    )


def test_small_faces_are_left_as_they_are(seen: Seen, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where faces are hardly wider than seams are sought at, the burst is its own draft."""
    analysis, _, pictures = seen
    monkeypatch.setattr(draft, "DRAFT_FACE_PX", 0.6 * face_px(analysis))
    made = draft.draft_of(analysis, lambda f: pictures[f.name])
    assert made.shrink == 1
    assert made.analysis is analysis


@pytest.mark.parametrize("shrink", [2, 4])
def test_a_draft_is_the_burst_taken_smaller(seen: Seen, monkeypatch: pytest.MonkeyPatch, shrink: int) -> None:
    """Points carried over in the small frames are where the large ones carry them; errors shrink alike."""
    analysis, _, pictures = seen
    monkeypatch.setattr(draft, "DRAFT_FACE_PX", face_px(analysis) / shrink)
    made = draft.draft_of(analysis, lambda f: pictures[f.name])
    assert made.shrink == shrink
    for frame in made.analysis.frames:
        assert made.read(frame).shape == (frame.size[1], frame.size[0], 3)
    base, donor = 0, 2
    small = [
        imaging.scale_matrix(analysis.frames[f].size, made.analysis.frames[f].size) for f in (base, donor)
    ]
    points = np.array([[10.0, 20.0], [300.0, 40.0], [150.0, 200.0]])
    there = imaging.transform(analysis.base_from_frame(base, donor), points)
    carried = imaging.transform(
        made.analysis.base_from_frame(base, donor), imaging.transform(small[1], points)
    )
    np.testing.assert_allclose(carried, imaging.transform(small[0], there), atol=1e-6)
    assert made.analysis.error_to_base_px(base, donor) * shrink == pytest.approx(
        analysis.error_to_base_px(base, donor)
    )
    face, large = made.analysis.people[0].faces[donor], analysis.people[0].faces[donor]
    assert isinstance(face, Face)
    assert isinstance(large, Face)
    np.testing.assert_allclose(
        face.landmarks[:, :2], imaging.transform(small[1], large.landmarks[:, :2]), atol=1e-6
    )


def test_measures_in_pixels_are_told_in_the_true_frames(seen: Seen, monkeypatch: pytest.MonkeyPatch) -> None:
    """A draft's heads are looked over in its own pixels; what is counted in pixels is told in true ones."""
    analysis, album, pictures = seen
    read = lambda f: pictures[f.name]  # noqa: E731
    monkeypatch.setattr(draft, "DRAFT_FACE_PX", face_px(analysis) / 2)
    small = draft.draft_of(analysis, read)
    chosen = setting.choose(analysis, album, Decisions(), Options())
    told: list[tuple[float, float]] = []
    find = faults.find

    def watched(before: Pixels, head: Head, wide: float, owners: Any, true_px: float) -> list[faults.Place]:
        assert before.shape[:2] == head.mask.shape
        told.append((wide, true_px))
        return find(before, head, wide, owners, true_px)

    monkeypatch.setattr(faults, "find", watched)
    found = {}
    for one in (small, draft.Draft(analysis=analysis, read=read, shrink=1)):
        told.clear()
        made = setting.Bench(one, chosen.base, Outlines(one), Options()).set_in(chosen, lambda *_: None)
        assert len(told) == len(made.heads) > 0
        found[one.shrink] = list(told)
    assert small.shrink == 2
    for (wide, px), (true_wide, true_px) in zip(found[2], found[1], strict=True):
        assert (px, true_px) == (2, 1)
        assert true_wide == pytest.approx(2 * wide, rel=0.01)


def test_what_is_chosen_is_made_at_full_size(seen: Seen, monkeypatch: pytest.MonkeyPatch) -> None:
    """Settled on drafts, heads are set in at full size, each made there once; people are told apart once."""
    analysis, album, pictures = seen
    read = lambda f: pictures[f.name]  # noqa: E731
    monkeypatch.setattr(draft, "DRAFT_FACE_PX", face_px(analysis) / 2)
    large, told = pictures["f0.png"].shape, []
    built: list[tuple[int, ...]] = []
    segment = composite.segment
    watch(monkeypatch, lambda _who, base, _donor: built.append(base.shape))
    monkeypatch.setattr(composite, "segment", lambda *words: told.append(1) or segment(*words))
    made = pipeline.settle(analysis, album, Decisions(), read, Options())
    assert made.heads
    assert made.base.shape == large
    assert built.count(large) == len(made.heads)
    assert len(built) > len(made.heads)
    assert len(told) <= len(pictures)


def test_the_way_by_drafts_ends_where_the_straight_one_does(
    seen: Seen, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The heads are those of a bench at full size that knows what the draft has told: outlines and areas."""
    analysis, album, pictures = seen
    read = lambda f: pictures[f.name]  # noqa: E731
    monkeypatch.setattr(draft, "DRAFT_FACE_PX", face_px(analysis) / 2)
    made = pipeline.settle(analysis, album, Decisions(), read, Options())
    small, whole = draft.draft_of(analysis, read), draft.Draft(analysis=analysis, read=read, shrink=1)
    outlines = Outlines(small)
    for frame in range(len(analysis.frames)):
        outlines.of(frame)
    tried = setting.Bench(small, made.choice.base, outlines, Options()).set_in(made.choice, lambda *_: None)
    sketches = setting.sketches_of(tried.heads, small.shrink)
    bench = setting.Bench(whole, made.choice.base, outlines.resized(whole), Options())
    again = bench.set_in(made.choice, lambda *_: None, sketches=sketches)
    assert made.risks == again.risks
    for one, other in zip(made.heads, again.heads, strict=True):
        np.testing.assert_array_equal(one.pixels, other.pixels)
        np.testing.assert_array_equal(one.mask, other.mask)


def test_outlines_of_another_size_lie_where_they_did(seen: Seen, monkeypatch: pytest.MonkeyPatch) -> None:
    """Everybody's share is the same, and a face's middle falls on the same place of it."""
    analysis, _, pictures = seen
    read = lambda f: pictures[f.name]  # noqa: E731
    monkeypatch.setattr(draft, "DRAFT_FACE_PX", face_px(analysis) / 2)
    small, whole = draft.draft_of(analysis, read), draft.Draft(analysis=analysis, read=read, shrink=1)
    outlines = Outlines(small)
    before = outlines.of(0)
    after = outlines.resized(whole).of(0)
    assert before is not None
    assert after is not None
    np.testing.assert_array_equal(before.shares, after.shares)
    for one, other in zip(small.analysis.people, whole.analysis.people, strict=True):
        at = []
        for face, told in ((one.faces[0], before), (other.faces[0], after)):
            assert isinstance(face, Face)
            at.append(imaging.transform(told.small_from_frame, face.landmarks[:, :2]))
        np.testing.assert_allclose(at[0], at[1], atol=0.01)


def test_frames_that_lie_nowhere_stay_so(seen: Seen, monkeypatch: pytest.MonkeyPatch) -> None:
    """A frame that could not be placed is not placed in the draft either."""
    analysis, _, pictures = seen
    monkeypatch.setattr(draft, "DRAFT_FACE_PX", face_px(analysis) / 2)
    made = draft.draft_of(analysis, lambda f: pictures[f.name])
    assert [isinstance(a, Aligned) for a in made.analysis.alignments] == [
        isinstance(a, Aligned) for a in analysis.alignments
    ]
