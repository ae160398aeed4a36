"""Frames that are looked at by processes give what threads give, whatever becomes of a process."""

from __future__ import annotations

import pickle
from collections.abc import Callable
from pathlib import Path

import bursts
import cv2
import pytest
from mortal import reads_but_dies_elsewhere
from plain import words

from facemerge import pipeline
from facemerge.formats import cache, photo
from facemerge.models import Models
from facemerge.options import Options, build
from facemerge.pipeline import looker
from facemerge.pipeline.known import Known
from facemerge.words import Analysis, Frame, Pixels

OPTIONS = build({"faces.min_face_px": 20})


@pytest.fixture(scope="module")
def frames(tmp_path_factory: pytest.TempPathFactory) -> list[Frame]:
    """Four frames, the third of which comes last by name."""
    folder = tmp_path_factory.mktemp("group")
    for k, name in enumerate(("a", "b", "d", "c")):
        cv2.imwrite(str(folder / f"{name}.png"), bursts.frame(k)[..., ::-1])
    return photo.find_frames([folder])[0]


def analysed(
    frames: list[Frame],
    workers: int,
    read: Callable[[Frame], Pixels] = photo.read,
    known: Known | None = None,
) -> tuple[Analysis, pipeline.Album]:
    return pipeline.analyse(frames, read, Models(), OPTIONS, workers=workers, known=known)


@pytest.fixture
def eager(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Start processes for the smallest burst; tells how many, each time they are started."""
    started: list[int] = []

    class Counting(looker.Pool):  # type: ignore[misc]
        def start(self) -> None:
            super().start()
            started.append(len(self._workers))

    monkeypatch.setattr(looker, "WORTH_FRAMES", 2)
    monkeypatch.setattr(looker, "WORTH_PIXELS", 0)
    monkeypatch.setattr(looker, "Pool", Counting)
    return started


@pytest.fixture(scope="module")
def plain(frames: list[Frame]) -> tuple[Analysis, pipeline.Album]:
    return analysed(frames, 1)


@pytest.mark.parametrize("workers", [2, 3])
def test_processes_give_what_one_thread_gives(
    workers: int, frames: list[Frame], plain: tuple[Analysis, pipeline.Album], eager: list[int]
) -> None:
    """Not a bit differs in faces, alignments, scores, thumbnails and patches."""
    found = analysed(frames, workers)
    assert eager == [workers]
    assert words(found) == words(plain)
    assert len(plain[0].people) == 2


def test_what_kills_a_process_is_done_here(
    frames: list[Frame], plain: tuple[Analysis, pipeline.Album], eager: list[int]
) -> None:
    """A frame that no process survives costs time, not the result."""
    found = analysed(frames, 2, reads_but_dies_elsewhere)
    assert eager == [2]
    assert words(found) == words(plain)


def test_what_cannot_travel_is_looked_at_by_threads(
    frames: list[Frame], plain: tuple[Analysis, pipeline.Album], eager: list[int]
) -> None:
    """A reader of the caller's own, that cannot be pickled, does all the same."""
    found = analysed(frames, 2, lambda frame: photo.read(frame))
    assert eager == []
    assert words(found) == words(plain)


def test_processes_keep_what_the_next_run_knows(
    tmp_path: Path, frames: list[Frame], eager: list[int]
) -> None:
    """Their entries count as this run's: tidying leaves them; a second run needs no process and no frame."""
    first = Known(cache.Shelf(tmp_path / "kept"), OPTIONS)
    made = analysed(frames, 2, known=first)
    first.tidy()
    kept = {p.name for p in (tmp_path / "kept").glob("*.entry")}
    assert len(kept) == 2 * len(frames)

    def unread(frame: Frame) -> Pixels:
        raise AssertionError(frame.name)

    again = analysed(frames, 2, unread, Known(cache.Shelf(tmp_path / "kept"), OPTIONS))
    assert eager == [2]
    assert words(again) == words(made)


def test_a_burst_given_up_leaves_nothing_kept(tmp_path: Path, frames: list[Frame], eager: list[int]) -> None:
    """What processes have written is discarded with the rest."""
    known = Known(cache.Shelf(tmp_path / "kept"), OPTIONS)
    analysed(frames, 2, known=known)
    known.discard()
    assert eager == [2]
    assert not (tmp_path / "kept").exists()


def test_tools_travel() -> None:
    """What looking takes can be pickled, and stays what it is."""
    known = Known(None, Options(), colours="none")
    tools = looker.Tools(
        reader=photo.read, models=Models(), options=Options(), known=known, clock=pipeline.Clock()
    )
    there = pickle.loads(pickle.dumps(tools))
    assert there.options == tools.options
    assert there.reader is photo.read
