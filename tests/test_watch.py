"""Frames as they arrive: half copied, in any order, under other names first, gone again; and with faces."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import bursts
import cv2
import dumps
import numpy as np
import pytest

from facemerge.errors import InputError
from facemerge.formats import photo
from facemerge.models import Models
from facemerge.options import CoverageOptions, Options
from facemerge.pipeline import arriving, covering
from facemerge.pipeline.arriving import Arrivals, Shoot
from facemerge.watch import News, Watch, watch
from facemerge.words import Frame

OPTIONS = Options(coverage=CoverageOptions(poll_s=1.0, patience_s=5.0))
NOISE = np.random.default_rng(0).integers(0, 255, (48, 64, 3), np.uint8)
JPEG = bytes(cv2.imencode(".jpg", NOISE)[1].tobytes())


class Taker:
    """Takes frames as `Arrivals` does, without looking at faces; reads each to its end."""

    def __init__(self) -> None:
        self.frames: dict[str, Frame] = {}
        self.looked: list[str] = []

    def add(self, frames: Sequence[Frame], progress: object = None) -> dict[str, str]:
        failed = {}
        for frame in frames:
            self.looked.append(frame.name)
            try:
                photo.read(frame)
                self.frames[frame.path] = frame
            except InputError as error:
                failed[frame.path] = str(error)
        return failed

    def forget(self, path: str) -> None:
        del self.frames[path]

    def rename(self, path: str, frame: Frame) -> None:
        del self.frames[path]
        self.frames[frame.path] = frame

    def shoot(self, progress: object = None) -> Shoot:
        frames = tuple(sorted(self.frames.values(), key=lambda f: f.name))
        return Shoot(frames=frames, people=(), scores={}, notes=(), aside=(), before=(), why_anew="")


class Folder:
    """A folder under watch, and a clock that the test turns."""

    def __init__(self, place: Path) -> None:
        self.place = place
        self.taker = Taker()
        self.now_s = 100.0
        self.watched = Watch(place, self.taker, OPTIONS)  # type: ignore[arg-type]
        self.notes: tuple[str, ...] = ()
        self.waiting = 0
        self.look()

    def put(self, name: str, content: bytes = JPEG) -> None:
        """Write a file, with a date of its own."""
        path = self.place / name
        path.write_bytes(content)
        os.utime(path, (self.now_s, self.now_s))

    def look(self, times: int = 1) -> bool:
        """Look a few times, a second apart; return whether there was any news."""
        news = False
        for _ in range(times):
            found = self.watched.look(self.now_s)
            self.now_s += 1
            if found is not None:
                news, self.notes, self.waiting = True, found.notes, found.waiting
        return news

    @property
    def counted(self) -> list[str]:
        """Names of the frames that count."""
        return sorted(f.name for f in self.taker.frames.values())


@pytest.fixture
def folder(tmp_path: Path) -> Folder:
    return Folder(tmp_path)


def test_a_file_that_stands_still_is_looked_at_once(folder: Folder) -> None:
    """Not at first sight, then once, and never again."""
    folder.put("a.jpg")
    assert not folder.look()
    assert folder.taker.looked == []
    assert folder.look()
    assert (folder.counted, folder.notes) == (["a.jpg"], ())
    assert not folder.look(20)
    assert folder.taker.looked == ["a.jpg"]


@pytest.mark.parametrize("step", [1, 37, 200])
def test_a_file_that_is_being_copied_is_waited_for(folder: Folder, step: int) -> None:
    """While it grows it is left alone; counted when it is whole."""
    for end in range(step, len(JPEG), max(step, len(JPEG) // 12)):
        folder.put("a.jpg", JPEG[:end])
        folder.look()
    assert folder.taker.looked == []
    folder.put("a.jpg")
    folder.look(3)
    assert (folder.counted, folder.notes) == (["a.jpg"], ())


def test_a_copy_that_pauses_is_neither_counted_nor_blamed(folder: Folder) -> None:
    """Half of a file that stands still for less than the patience, then goes on."""
    folder.put("a.jpg", JPEG[: len(JPEG) // 2])
    assert not folder.look(4)
    folder.put("a.jpg")
    folder.look(2)
    assert (folder.counted, folder.notes) == (["a.jpg"], ())


def test_room_kept_for_a_file_is_no_picture(folder: Folder) -> None:
    """Copied into a file that has its full length from the start: zeros first, the same size throughout."""
    half = len(JPEG) // 2
    folder.put("a.jpg", JPEG[:half] + bytes(len(JPEG) - half))
    folder.look(3)
    assert folder.counted == []
    folder.put("a.jpg")
    folder.look(2)
    assert folder.counted == ["a.jpg"]


def test_a_file_that_never_grows_is_named_after_a_while(folder: Folder) -> None:
    """Once, with what is wrong; and if it grows after all it counts and the name is gone."""
    folder.put("a.jpg", JPEG[: len(JPEG) // 2])
    folder.put("b.jpg")
    assert folder.look(3)
    assert (folder.counted, folder.notes, folder.waiting) == (["b.jpg"], (), 1)
    assert folder.look(5)
    (note,) = folder.notes
    assert "a.jpg" in note
    assert "cut off" in note
    assert "not changed for 5 s" in note
    assert not folder.look(10)
    folder.put("a.jpg")
    assert folder.look(2)
    assert (folder.counted, folder.notes, folder.waiting) == (["a.jpg", "b.jpg"], (), 0)


def test_what_is_no_picture_is_let_be(folder: Folder) -> None:
    """Sidecars, hidden files, parts of a download and folders are not ours; a text named .jpg is named."""
    for name in ("notes.txt", ".a.jpg", "a.jpg.part", "a.xmp"):
        folder.put(name)
    (folder.place / "sub.jpg").mkdir()
    assert not folder.look(10)
    folder.put("b.jpg", b"hello")
    folder.look(8)
    assert folder.counted == []
    assert len(folder.notes) == 1
    assert "b.jpg" in folder.notes[0]


@pytest.mark.parametrize("first", ["a.jpg.part", ".a.jpg", "tmp4711.jpg"])
def test_a_temporary_name_costs_no_second_look(folder: Folder, first: str) -> None:
    """Renamed when it is whole: counted once, under its last name."""
    folder.put(first)
    folder.look(3)
    (folder.place / first).rename(folder.place / "a.jpg")
    assert folder.look(3)
    assert folder.counted == ["a.jpg"]
    assert len(folder.taker.looked) == 1


def test_order_does_not_matter(folder: Folder) -> None:
    """The last of a burst may come first."""
    for name in ("f10.jpg", "f9.jpg", "f1.jpg"):
        folder.put(name)
        folder.look(2)
    assert folder.counted == ["f1.jpg", "f10.jpg", "f9.jpg"]


def test_a_file_that_goes_is_forgotten(folder: Folder) -> None:
    """Thrown away by the photographer: it counts no more, and may come back."""
    folder.put("a.jpg")
    folder.put("b.jpg")
    folder.look(2)
    (folder.place / "a.jpg").unlink()
    assert folder.look()
    assert folder.counted == ["b.jpg"]
    folder.put("a.jpg")
    folder.look(2)
    assert folder.counted == ["a.jpg", "b.jpg"]


def test_a_file_that_goes_before_it_is_whole_is_no_news(folder: Folder) -> None:
    """A copy that was given up."""
    folder.put("a.jpg", JPEG[:40])
    folder.look(2)
    (folder.place / "a.jpg").unlink()
    assert not folder.look(10)
    assert folder.notes == ()


def test_a_file_written_anew_is_looked_at_anew(folder: Folder) -> None:
    """Another picture under the same name."""
    folder.put("a.jpg")
    folder.look(2)
    folder.put("a.jpg", JPEG + b"\0")
    folder.look(2)
    assert folder.taker.looked == ["a.jpg", "a.jpg"]
    assert folder.counted == ["a.jpg"]


@pytest.mark.parametrize("order", [("a.nef", "a.jpg"), ("a.jpg", "a.nef")])
def test_raw_and_finished_file_are_one_moment(folder: Folder, order: tuple[str, str]) -> None:
    """A camera that writes both has taken one picture; a raw file that is broken stands in nobody's way."""
    for name in order:
        folder.put(name, JPEG if name.endswith("jpg") else b"raw")
        folder.look(2)
    assert folder.counted == ["a.jpg"]
    assert folder.notes == ()


def test_a_folder_that_goes_is_a_sentence(tmp_path: Path) -> None:
    """A card that was pulled out."""
    place = tmp_path / "card"
    place.mkdir()
    folder = Folder(place)
    place.rmdir()
    with pytest.raises(InputError, match="card"):
        folder.look()


@pytest.mark.parametrize(("make", "said"), [(lambda p: None, "not there"), (Path.touch, "not a folder")])
def test_what_is_no_folder_is_not_watched(tmp_path: Path, make: Callable[[Path], None], said: str) -> None:
    """Said at once, not after waiting."""
    make(tmp_path / "x")
    with pytest.raises(InputError, match=said):
        Watch(tmp_path / "x", Taker(), OPTIONS)  # type: ignore[arg-type]


# -- when to stop -------------------------------------------------------------------------------------------


class Day:
    """A clock, and a sleep that lets things happen meanwhile."""

    def __init__(self, steps: Iterator[None]) -> None:
        self.now_s, self.steps = 0.0, steps

    def clock(self) -> float:
        return self.now_s

    def sleep(self, seconds: float) -> None:
        assert 0 < seconds <= OPTIONS.coverage.poll_s
        self.now_s += seconds
        next(self.steps, None)


def test_a_watch_ends_when_it_is_told_to(tmp_path: Path) -> None:
    """Told at once that there is nothing, then of each change; three frames are enough here."""
    told: list[int] = []

    def tell(news: News) -> bool:
        told.append(len(news.shoot.frames))
        return told[-1] == 3

    def steps() -> Iterator[None]:
        for name in ("a.jpg", "b.jpg", "c.jpg", "d.jpg"):
            (tmp_path / name).write_bytes(JPEG)
            yield
            yield

    day = Day(steps())
    done = watch(tmp_path, Taker(), OPTIONS, tell, clock=day.clock, sleep=day.sleep)  # type: ignore[arg-type]
    assert done
    assert told == [0, 1, 2, 3]


@pytest.mark.parametrize("seconds", [0.0, 0.4, 3.0, 7.5])
def test_a_watch_ends_when_its_time_is_over(tmp_path: Path, seconds: float) -> None:
    """To the second, and the folder has been looked into at least once."""
    told: list[News] = []
    day = Day(iter(()))
    done = watch(
        tmp_path,
        Taker(),  # type: ignore[arg-type]
        OPTIONS,
        lambda news: bool(told.append(news)),
        stop_after_s=seconds,
        clock=day.clock,
        sleep=day.sleep,
    )
    assert not done
    assert day.now_s == pytest.approx(seconds)
    assert len(told) == 1


# -- with faces ---------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def shot(tmp_path_factory: pytest.TempPathFactory) -> list[Frame]:
    """Four frames of family A, three of family B (later), and a bare wall."""
    place = tmp_path_factory.mktemp("shoot")
    for i in range(4):
        dumps.save(place / f"a{i}.jpg", dumps.picture("A", i), dumps.START.replace(minute=0, second=i))
    for i in range(3):
        dumps.save(place / f"b{i}.jpg", dumps.picture("B", i), dumps.START.replace(minute=5, second=i))
    dumps.save(place / "wall.jpg", dumps.picture(dumps.WALL, 0), dumps.START.replace(minute=2))
    return photo.find_frames([place])[0]


def named(frames: Sequence[Frame], *names: str) -> list[Frame]:
    """Frames by name, in this order."""
    by_name = {f.name.removesuffix(".jpg"): f for f in frames}
    return [by_name[n] for n in names]


def summary(shoot: Shoot) -> list[tuple[str, str, list[bool | None]]]:
    """Who was found, and in which frames each is a keeper."""
    return [
        (p.id, str(p.row), [None if s is None else s.total >= 0.7 for s in shoot.scores[p.id]])
        for p in shoot.people
    ]


@pytest.fixture(scope="module")
def taken(shot: list[Frame], models: Models) -> Shoot:
    """Family A, all at once."""
    so_far = covering.arrivals(Options(), models)
    assert so_far.add(named(shot, "a0", "a1", "a2", "a3")) == {}
    return so_far.shoot()


def test_keepers_are_those_of_the_drawn_truth(taken: Shoot) -> None:
    """Sharp where the burst was drawn sharp."""
    assert len(taken.people) == 2
    for i, person in enumerate(taken.people):
        good = [s is not None and s.total >= 0.7 for s in taken.scores[person.id]]
        assert good == [(f, i) not in bursts.BLURRED for f in range(4)]
    assert (taken.aside, taken.before) == ((), ())
    lines = covering.report(taken, Options())
    assert lines[0] == "Both are covered after 4 frames."


@pytest.mark.parametrize("together", [arriving.JUDGED, 2])
def test_one_by_one_and_in_any_order_is_the_same_as_at_once(
    together: int, shot: list[Frame], models: Models, taken: Shoot, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another frame is the reference then, and of a long shoot only the best faces are judged again; who is a
    keeper where depends on neither.
    """
    monkeypatch.setattr(arriving, "JUDGED", together)
    so_far = covering.arrivals(Options(), models)
    for frame in named(shot, "a2", "a0", "a3", "a1"):
        so_far.add([frame])
        found = so_far.shoot()
    assert [f.name for f in found.frames] == [f.name for f in taken.frames]
    assert summary(found) == summary(taken)


def test_other_people_are_named_then_counted_anew(shot: list[Frame], models: Models) -> None:
    """One frame of others is odd; with a second the group has changed, and what was before is told.

    A bare wall is named, and a late frame of the first group still finds its place there.
    """
    so_far = covering.arrivals(Options(), models)
    so_far.add(named(shot, "a0", "a1", "a2", "wall"))
    so_far.add(named(shot, "b0"))
    odd = so_far.shoot()
    assert [f.name for f in odd.frames] == ["a0.jpg", "a1.jpg", "a2.jpg"]
    assert dict(odd.aside) == {"b0.jpg": "it shows other people", "wall.jpg": "nobody was found in it"}
    text = "\n".join(covering.report(odd, Options()))
    assert "Left aside: b0.jpg, for it shows other people." in text
    so_far.add(named(shot, "b1"))
    so_far.add(named(shot, "a3"))
    changed = so_far.shoot()
    assert [f.name for f in changed.frames] == ["b0.jpg", "b1.jpg"]
    assert changed.before == (("a0.jpg", "a1.jpg", "a2.jpg", "a3.jpg"),)
    assert "Counted anew from b0.jpg, for it shows other people; before: a0.jpg to a3.jpg." in "\n".join(
        covering.report(changed, Options())
    )


def test_a_first_frame_of_others_does_not_lead_the_group(shot: list[Frame], models: Models) -> None:
    """The frames that fit one another are the group, whichever came first."""
    so_far = covering.arrivals(Options(), models)
    so_far.add(named(shot, "b0"))
    so_far.add(named(shot, "a0", "a1"))
    found = so_far.shoot()
    assert [f.name for f in found.frames] == ["a0.jpg", "a1.jpg"]
    assert [name for name, _ in found.aside] == ["b0.jpg"]


def test_a_forgotten_frame_counts_no_more_and_a_renamed_one_by_its_name(
    shot: list[Frame], models: Models
) -> None:
    """Even the one on which the others were placed."""
    so_far = covering.arrivals(Options(), models)
    first, second, third = named(shot, "a0", "a1", "a2")
    so_far.add([first, second, third])
    so_far.forget(first.path)
    found = so_far.shoot()
    assert [f.name for f in found.frames] == ["a1.jpg", "a2.jpg"]
    assert all(len(p.faces) == 2 for p in found.people)
    second_anew = replace(second, name="z.jpg", path=second.path.replace("a1", "z"))
    so_far.rename(second.path, second_anew)
    assert [f.name for f in so_far.shoot().frames] == ["z.jpg", "a2.jpg"]
    so_far.forget(second_anew.path)
    so_far.forget(third.path)
    assert so_far.shoot().frames == ()


def test_a_frame_that_cannot_be_read_is_returned(shot: list[Frame], models: Models, tmp_path: Path) -> None:
    """Cut off after its header was read: the others go on."""
    place = bursts.write(tmp_path / "x", 2)
    frames, _ = photo.find_frames([place])
    (place / "frame_001.jpg").write_bytes((place / "frame_001.jpg").read_bytes()[:5000])
    so_far: Arrivals = covering.arrivals(Options(), models)
    failed = so_far.add(frames)
    assert list(failed) == [frames[1].path]
    assert [f.name for f in so_far.shoot().frames] == ["frame_000.jpg"]
