"""The quick way through a burst gives what the plain way gives, to the last bit."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import bursts
import pytest
from plain import words

from facemerge import align, faces, machine, pipeline
from facemerge.align import tiles
from facemerge.align import view as align_view
from facemerge.formats import icc, photo
from facemerge.models import Models
from facemerge.options import Options, build
from facemerge.pipeline.glance import Glance, glance
from facemerge.pipeline.look import workers_for
from facemerge.words import Analysis, Decisions, Face, Frame, Pixels

# Faces of 20 px and up are looked for, so that even small frames have many squares.
OPTIONS = build({"faces.min_face_px": 20})


@pytest.fixture
def plain(monkeypatch: pytest.MonkeyPatch) -> None:
    """Look at every square of every scale, and work on pictures as a whole."""
    monkeypatch.setattr(faces, "FEW_SQUARES", 10**9)
    monkeypatch.setattr(faces, "SIZE_SLACK", 0.0)
    monkeypatch.setattr(align_view, "STRIP_ROWS", 10**9)
    monkeypatch.setattr(tiles, "BAND_PX", 10**9)
    tiles._reference_slopes.cache_clear()


@pytest.fixture(scope="module")
def burst(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return bursts.write(tmp_path_factory.mktemp("group") / "burst", 5)


def analysed(burst: Path, workers: int) -> tuple[Analysis, pipeline.Album]:
    def read(frame: Frame) -> Pixels:
        return icc.to_srgb(photo.read(frame), frame.profile)

    return pipeline.analyse(photo.find_frames([burst])[0], read, Models(), OPTIONS, workers=workers)


@pytest.fixture(scope="module")
def quick(burst: Path) -> tuple[Analysis, pipeline.Album]:
    return analysed(burst, 3)


@pytest.mark.usefixtures("plain")
def test_the_quick_way_finds_what_the_plain_one_finds(
    burst: Path, quick: tuple[Analysis, pipeline.Album]
) -> None:
    """Three threads, hints and bands against one thread, every square and whole pictures: the same words,
    scores and thumbnails, the same choice.
    """
    slow = analysed(burst, 1)
    assert words(slow[0]) == words(quick[0])
    assert words(slow[1]) == words(quick[1])
    picks = [pipeline.choose(*found, Decisions(), OPTIONS) for found in (slow, quick)]
    assert picks[0] == picks[1]
    assert len(quick[0].people) >= 2


def test_the_quick_way_leaves_squares_out(burst: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Else the test above compares a thing with itself: fewer than two squares in three are looked at."""
    looked = 0
    detect = Models.detect

    def counting(self: Models, *rest: Any) -> Any:
        nonlocal looked
        looked += 1
        return detect(self, *rest)

    monkeypatch.setattr(Models, "detect", counting)
    image = bursts.frame(0)
    faces.detect_faces(image, Models(), OPTIONS.faces)
    quick, looked = looked, 0
    monkeypatch.setattr(faces, "FEW_SQUARES", 10**9)
    faces.detect_faces(image, Models(), OPTIONS.faces)
    assert 0 < quick < 0.66 * looked


@pytest.fixture(scope="module")
def glances() -> Iterator[list[tuple[int, Glance]]]:
    """Four glances at one frame by four threads that share the models, with the threads they were made in."""
    image, shared, start = bursts.frame(1), Models(), threading.Barrier(4)
    frame = Frame(name="f", path="/nowhere/f", size=bursts.SIZE, bit_depth=8)

    def look(_: int) -> tuple[int, Glance]:
        start.wait(timeout=60)
        return threading.get_ident(), glance(frame, image, shared, Options())

    with ThreadPoolExecutor(4) as pool:
        yield list(pool.map(look, range(4)))


def test_a_glance_is_the_same_in_every_thread(glances: list[tuple[int, Glance]]) -> None:
    """Threads that run the networks at the same time do not disturb each other."""
    assert len({thread for thread, _ in glances}) == 4
    first, *others = (words(g) for _, g in glances)
    assert all(other == first for other in others)


def test_a_glance_holds_what_is_asked_of_a_frame(glances: list[tuple[int, Glance]]) -> None:
    """Both people, each with all that is kept, and the view for alignment."""
    seen = glances[0][1]
    assert len(seen.faces) == 2
    assert all(isinstance(face, Face) for face in seen.faces)
    assert [face.box[0] for face in seen.faces] == sorted(face.box[0] for face in seen.faces)
    assert all(p.thumbnail.startswith(b"\xff\xd8") for p in seen.portraits)
    assert isinstance(seen.view, align.View)


def test_what_is_kept_of_frames_holds_no_view(burst: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Views are megabytes each: at most one a thread, the frame's being placed, and the reference's live."""
    alive, most, lock = 0, 0, threading.Lock()

    class Counted:
        def __init__(self, view: align.View) -> None:
            nonlocal alive, most
            self.view = view
            with lock:
                alive += 1
                most = max(most, alive)

        def __del__(self) -> None:
            nonlocal alive
            with lock:
                alive -= 1

        def __getattr__(self, name: str) -> Any:
            return getattr(self.view, name)

    view_of = align.view_of
    monkeypatch.setattr(align, "view_of", lambda *rest: Counted(view_of(*rest)))
    analysed(burst, 2)
    assert 2 <= most <= 4


@pytest.mark.parametrize(
    ("megapixels", "depth", "cores", "workers"),
    [(24, 8, 1, 1), (24, 8, 2, 2), (24, 8, 64, 7), (45, 8, 64, 5), (24, 16, 64, 5), (150, 16, 64, 1)],
)
def test_large_frames_are_looked_at_by_fewer(
    megapixels: int, depth: int, cores: int, workers: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As many as there are cores, as long as their frames fit into the memory meant for them."""
    monkeypatch.setattr(machine, "cores", lambda: cores)
    monkeypatch.setattr(machine, "free_bytes", lambda: 64e9)
    size = (1000, 1000 * megapixels)
    frames = [Frame(name=n, path=n, size=size, bit_depth=depth) for n in "abcdefghijkl"]
    assert workers_for(frames) == workers
