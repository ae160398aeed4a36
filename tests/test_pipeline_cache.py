"""A second run begins where the first one ended, and ends where it would have without that."""

from __future__ import annotations

import os
import shutil
import threading
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import bursts
import cv2
import numpy as np
import pytest
from once import Once
from typer.testing import CliRunner

from facemerge import faces, machine, pipeline
from facemerge.cli import app
from facemerge.errors import FacemergeError, InputError, OptionError
from facemerge.formats import cache, photo
from facemerge.models import Models
from facemerge.options import Options, as_dict, build
from facemerge.pipeline import known, outlines
from facemerge.pipeline.glance import Overlooked
from facemerge.pipeline.known import Known
from facemerge.words import Aligned, Decisions, Face, Frame, Pixels

FRAMES = [f"frame_{i:03d}.jpg" for i in range(4)]
REFERENCE = FRAMES[2]
"""The middle of four."""


@pytest.fixture(autouse=True)
def _any_disk(monkeypatch: pytest.MonkeyPatch) -> None:
    """The disk of the test may be nearly full."""
    monkeypatch.setattr(cache, "SPARE_BYTES", 0)


@pytest.fixture(scope="module")
def first(once: Once) -> Path:
    """Give a folder with a burst, the result of a first merge, and what was kept beside it."""
    return bursts.merged(once)


@pytest.fixture(scope="module")
def plain(first: Path, once: Once) -> dict[str, bytes]:
    """Give what a cull of the burst as it is writes without anything that is known."""

    def make(place: Path) -> None:
        shutil.copytree(first / "burst", place / "burst")
        pipeline.cull([place / "burst"], place / "out", afresh=True)

    return contents(once("culled afresh", make) / "out")


@pytest.fixture
def place(first: Path, tmp_path: Path) -> Path:
    """Give a copy of it, to spoil."""
    for name in ("burst", "out", cache.beside(first / "out").name):
        shutil.copytree(first / name, tmp_path / name)
    return tmp_path


@pytest.fixture
def reads(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Give the names of the frames whose pixels have been read, as it goes on."""
    names: list[str] = []
    read = photo.read

    def counted(frame: Frame, **words: Any) -> Pixels:
        names.append(frame.name)
        return read(frame, **words)

    monkeypatch.setattr(photo, "read", counted)
    return names


@pytest.fixture
def searched(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Give an entry for each frame that has been searched for faces, as it goes on."""
    calls: list[int] = []
    detect = faces.detect_faces

    def counted(*words: Any) -> tuple[Face, ...]:
        calls.append(1)
        return detect(*words)

    monkeypatch.setattr(faces, "detect_faces", counted)
    return calls


def contents(folder: Path) -> dict[str, bytes]:
    """Return every file below a folder by its relative path."""
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def looked_at(reads: list[str]) -> list[str]:
    """Return the frames read for the analysis of a cull, which then reads the base, for its picture."""
    return sorted(reads[:-1])


def as_afresh(place: Path, burst: Path, **words: Any) -> bool:
    """Return whether a cull beside what is known has written what a cull without it does."""
    pipeline.cull([burst], place / "afresh", afresh=True, **words)
    return contents(place / "afresh") == contents(place / "out")


# -- the same result, with less reading ---------------------------------------------------------------------


def test_a_merge_without_keeping_writes_the_same_bytes(first: Path, tmp_path: Path) -> None:
    """Composite, layers, masks, report and page; and nothing lies beside OUT."""
    # The report says where the frames lie as seen from there.
    shutil.copytree(first / "burst", tmp_path / "burst")
    pipeline.merge([tmp_path / "burst"], tmp_path / "out", afresh=True)
    assert contents(tmp_path / "out") == contents(first / "out")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["burst", "out"]


def test_a_second_merge_reads_who_bears_witness_once(
    place: Path, reads: list[str], searched: list[int]
) -> None:
    """It writes the same bytes, and what is kept stays as it is. People are told apart by some frames, here
    by all of them; base and donors are among them, and a donor is read again only to lie whole in the layered
    file.
    """
    result, kept = contents(place / "out"), contents(cache.beside(place / "out"))
    made = pipeline.merge([place / "burst"], place / "out")
    assert contents(place / "out") == result
    assert contents(cache.beside(place / "out")) == kept
    assert 1000 < max(len(data) for data in kept.values()) < 150_000
    donors = [FRAMES[p.frame] for p in made.choice.picks if not p.from_base]
    assert len(FRAMES) <= outlines.MOST_WITNESSES
    assert {h.extent for h in made.heads} == {"person"}
    assert sorted(reads) == sorted([*FRAMES, *donors])
    assert len(searched) == 0


def test_the_order_of_work_does_not_matter(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Any number of threads finds and keeps the same."""
    before = contents(place / "out")
    monkeypatch.setattr(machine, "cores", lambda: 1)
    pipeline.merge([place / "burst"], place / "out")
    assert contents(place / "out") == before


@pytest.mark.parametrize(
    "words",
    [
        {"decisions": Decisions(base=FRAMES[1])},
        {"decisions": Decisions(keep=frozenset(["P01"]), force={"P02": FRAMES[3]})},
        {"options": build({"scores.weight_eyes": 2.0, "scores.mood": "silly"})},
        {"options": build({"tracks.max_move_faces": 1.0, "choice.swap_cost": 0.3, "risk.inspect_from": 0.1})},
    ],
    ids=["base", "picks", "weight", "cost"],
)
def test_another_wish_looks_at_no_frame_again(
    words: dict[str, Any], place: Path, reads: list[str], searched: list[int]
) -> None:
    """A pick, a base or a weight that changes is reckoned from what is known, to the same result."""
    result = pipeline.cull([place / "burst"], place / "out", **words)
    assert reads == [result.report["base"]]
    assert len(searched) == 0
    assert as_afresh(place, place / "burst", **words)


def test_names_places_and_dates_do_not_matter(place: Path, reads: list[str]) -> None:
    """Frames that were renamed, moved and touched are known by their content."""
    moved = place / "elsewhere"
    moved.mkdir()
    for i, name in enumerate(FRAMES):
        (place / "burst" / name).rename(moved / f"IMG_{i}.jpg")
        os.utime(moved / f"IMG_{i}.jpg", (1e9, 1e9))
    pipeline.cull([moved], place / "out")
    assert looked_at(reads) == []
    assert as_afresh(place, moved)


# -- what is not known is looked at -------------------------------------------------------------------------


@pytest.mark.parametrize("name", [FRAMES[1], REFERENCE])
def test_a_changed_byte_in_a_frame_is_noticed(
    name: str, place: Path, reads: list[str], searched: list[int]
) -> None:
    """Though size and date stay: that frame is looked at, and placed on the reference again; another
    reference places all frames anew, and searches none but itself for faces.
    """
    path = place / "burst" / name
    status, data = path.stat(), bytearray(path.read_bytes())
    # The density that it says to have been taken at (ITU-T T.871, 10.1): of its pixels nothing changes.
    data[data.index(b"JFIF\0") + 9] ^= 1
    path.write_bytes(data)
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))
    pipeline.cull([place / "burst"], place / "out")
    assert looked_at(reads) == (FRAMES if name == REFERENCE else sorted([name, REFERENCE]))
    assert len(searched) == 1
    assert as_afresh(place, place / "burst")


@pytest.mark.parametrize(
    ("setting", "anew"),
    [({"faces.min_face_px": 40.0}, 4), ({"align.max_error_px": 9.0}, 0)],
    ids=str,
)
def test_a_setting_that_matters_looks_again(
    setting: dict[str, object], anew: int, place: Path, reads: list[str], searched: list[int]
) -> None:
    """What faces are found by makes all anew; what frames are placed by reads them, and searches none."""
    pipeline.cull([place / "burst"], place / "out", options=build(setting))
    assert looked_at(reads) == FRAMES
    assert len(searched) == anew
    assert as_afresh(place, place / "burst", options=build(setting))


def test_a_new_slice_of_the_options_matters_until_somebody_says_otherwise(
    place: Path, searched: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A setting that is added cannot be forgotten."""
    monkeypatch.setattr(known, "as_dict", lambda options: {**as_dict(options), "light_meter": {"gain": 2}})
    pipeline.cull([place / "burst"], place / "out")
    assert len(searched) == 4


def test_another_version_looks_at_every_frame_again(
    place: Path, searched: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    """And what the other version had kept goes."""
    before = set(contents(cache.beside(place / "out")))
    monkeypatch.setattr(cache, "_maker", lambda: {"program": "facemerge 9.9"})
    pipeline.cull([place / "burst"], place / "out")
    assert len(searched) == 4
    assert set(contents(cache.beside(place / "out"))) & before == {"CACHEDIR.TAG", "README.txt"}


def test_frames_without_colour_make_all_anew(place: Path, searched: list[int]) -> None:
    """With one grey frame in the burst all are looked at as grey: what was seen in colour does not count."""
    image = cv2.cvtColor(bursts.frame(7), cv2.COLOR_RGB2GRAY)
    cv2.imwrite(str(place / "burst" / "frame_007.png"), image)
    pipeline.cull([place / "burst"], place / "out")
    assert len(searched) == 5
    assert as_afresh(place, place / "burst")


# -- frames come and go -------------------------------------------------------------------------------------


def test_a_frame_at_the_end_is_looked_at_alone(place: Path, reads: list[str], searched: list[int]) -> None:
    """While the middle of the burst stays where it is; of the others only the reference is read again."""
    bursts.write(place / "more", 5)
    (place / "more" / "frame_004.jpg").rename(place / "burst" / "frame_004.jpg")
    pipeline.cull([place / "burst"], place / "out")
    assert looked_at(reads) == sorted([REFERENCE, "frame_004.jpg"])
    assert len(searched) == 1
    assert as_afresh(place, place / "burst")


def test_a_frame_at_the_front_moves_the_middle(place: Path, reads: list[str], searched: list[int]) -> None:
    """All frames are placed on another one; but the new one, only the two middles are searched again: the
    one is looked at without knowing what to expect, the other no longer is.
    """
    more = bursts.write(place / "more", 5) / "frame_004.jpg"
    day_before = more.read_bytes().replace(b"2026:05:02", b"2026:05:01")
    (place / "burst" / "frame_004.jpg").write_bytes(day_before)
    result = pipeline.cull([place / "burst"], place / "out")
    assert result.analysis.frames[0].name == "frame_004.jpg"
    assert looked_at(reads) == [*FRAMES, "frame_004.jpg"]
    assert len(searched) == 3
    assert as_afresh(place, place / "burst")


def test_a_copy_of_the_reference_is_no_reference(place: Path) -> None:
    """The same content twice in one burst: the copy is placed like any other frame."""
    shutil.copy(place / "burst" / REFERENCE, place / "burst" / "frame_002b.jpg")
    result = pipeline.cull([place / "burst"], place / "out")
    models = [a.model for a in result.analysis.alignments if isinstance(a, Aligned)]
    assert models.count("reference") == 1
    assert as_afresh(place, place / "burst")


def test_what_was_known_of_a_deleted_frame_goes(place: Path, reads: list[str]) -> None:
    """With the next run; what is left is what a first run on the frames that are left would keep."""
    (place / "burst" / FRAMES[3]).unlink()
    (place / "burst" / FRAMES[2]).unlink()
    pipeline.cull([place / "burst"], place / "out")
    assert as_afresh(place, place / "burst")
    pipeline.cull([place / "burst"], place / "new")
    kept, new = (contents(cache.beside(place / name)) for name in ("out", "new"))
    assert set(kept) == set(new)
    assert all(kept[name] == new[name] for name in kept if name != "README.txt")


# -- what is kept is harmed ---------------------------------------------------------------------------------


def exchanged(folder: Path) -> None:
    paths = sorted(folder.glob("*.entry"))
    for a, b in zip(paths[::2], paths[1::2], strict=False):
        one, other = a.read_bytes(), b.read_bytes()
        a.write_bytes(other)
        b.write_bytes(one)


def rubbish(folder: Path) -> None:
    for path in folder.iterdir():
        path.write_bytes(np.random.default_rng(1).bytes(5000))


def gone(folder: Path) -> None:
    shutil.rmtree(folder)


def one_gone(folder: Path) -> None:
    max(folder.glob("*.entry"), key=lambda p: p.stat().st_size).unlink()


@pytest.mark.parametrize("harm", [exchanged, rubbish, gone, one_gone])
def test_harm_to_what_is_kept_costs_time_alone(
    harm: Callable[[Path], None], place: Path, plain: dict[str, bytes], reads: list[str]
) -> None:
    """The same result as before, quietly, and what was harmed is there again."""
    kept = cache.beside(place / "out")
    entries = {name: data for name, data in contents(kept).items() if name.endswith(".entry")}
    harm(kept)
    assert entries != {n: d for n, d in contents(kept).items() if n.endswith(".entry")}
    pipeline.cull([place / "burst"], place / "out")
    assert len(looked_at(reads)) >= 1
    assert entries == {n: d for n, d in contents(kept).items() if n.endswith(".entry")}
    assert contents(place / "out") == plain


def test_without_space_the_run_goes_on(
    place: Path, plain: dict[str, bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing is kept, and the result is the same."""
    gone(cache.beside(place / "out"))
    monkeypatch.setattr(cache, "SPARE_BYTES", 1 << 62)
    pipeline.cull([place / "burst"], place / "out")
    assert not list(cache.beside(place / "out").glob("*.entry"))
    assert contents(place / "out") == plain


# -- what costs a second reading ----------------------------------------------------------------------------


def analysed(folder: Path, frames: list[Frame], models: Models, reads: list[str]) -> pipeline.Album:
    """Look through frames with what is known in a folder, and return the album."""
    reads.clear()
    mine = Known(cache.Shelf(folder), Options())
    return pipeline.analyse(frames, photo.read, models, Options(), known=mine)[1]


def written(folder: Path, pictures: list[np.ndarray]) -> list[Frame]:
    folder.mkdir()
    for i, picture in enumerate(pictures):
        cv2.imwrite(str(folder / f"f{i}.png"), picture[..., ::-1])
    return photo.find_frames([folder])[0]


def test_somebody_who_is_not_there_is_not_looked_for_again(
    tmp_path: Path, models: Models, reads: list[str]
) -> None:
    """A frame in which somebody is hidden is looked at twice by the first run, and by no other."""
    pictures = [bursts.frame(i) for i in range(4)]
    pictures[0][:, 560:800] = 90
    frames = written(tmp_path / "burst", pictures)
    analysed(tmp_path / "kept", frames, models, reads)
    assert sorted(reads) == ["f0.png", "f0.png", "f1.png", "f2.png", "f3.png"]
    analysed(tmp_path / "kept", frames, models, reads)
    assert reads == []


def test_somebody_who_was_overlooked_is_known_the_next_time(
    tmp_path: Path, models: Models, reads: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The face that a second look found comes back with its picture."""
    frames = written(tmp_path / "burst", [bursts.frame(i) for i in range(4)])
    detect = faces.detect_faces
    calls: list[int] = []

    def forgetful(*words: Any) -> tuple[Face, ...]:
        calls.append(1)
        return detect(*words)[1:] if len(calls) == 2 else detect(*words)

    monkeypatch.setattr(faces, "detect_faces", forgetful)
    before = analysed(tmp_path / "kept", frames, models, reads)
    assert len(reads) == 5
    after = analysed(tmp_path / "kept", frames, models, reads)
    assert reads == []
    assert len(after.thumbnails) == 8
    assert after.thumbnails == before.thumbnails


def test_a_better_reference_is_known_the_next_time(tmp_path: Path, models: Models, reads: list[str]) -> None:
    """Where the frame in the middle is the odd one, the search for another one is not done again."""
    odd = cv2.resize(
        np.random.default_rng(2).integers(0, 255, (40, 60, 3), np.uint8),
        bursts.SIZE,
        interpolation=cv2.INTER_CUBIC,
    )
    frames = written(tmp_path / "burst", [bursts.frame(0), odd, bursts.frame(1)])
    before = analysed(tmp_path / "kept", frames, models, reads)
    assert len(reads) > 3
    after = analysed(tmp_path / "kept", frames, models, reads)
    assert reads == []
    assert after.thumbnails == before.thumbnails


def test_a_broken_frame_is_noted_every_time(place: Path, reads: list[str]) -> None:
    """Nothing is known of it: it is tried again, and left out again."""
    whole = (place / "burst" / FRAMES[1]).read_bytes()
    (place / "burst" / "cut.jpg").write_bytes(whole[: len(whole) // 2])
    said = [pipeline.cull([place / "burst"], place / "out").report["notes"] for _ in range(2)]
    assert said[0] == said[1]
    assert "cut.jpg" in said[0][0]
    assert as_afresh(place, place / "burst")


def test_a_second_look_elsewhere_is_another_one(tmp_path: Path) -> None:
    """What is found depends on where it is expected, so that is part of what it is known by."""
    (frame,) = written(tmp_path / "burst", [bursts.frame(0)])
    mine = Known(cache.Shelf(tmp_path / "kept"), Options())
    here, there = np.zeros((478, 2)), np.ones((478, 2))
    asked: list[list[np.ndarray]] = [[here], [here, there], [there], [there, here], [here]]
    made: list[int] = []

    def found(number: int) -> Overlooked:
        made.append(number)
        return Overlooked(portraits=(), heads=())

    for number, expected in enumerate(asked):
        assert mine.overlooked(frame, expected, partial(found, number)).portraits == ()
    assert made == [0, 1, 2, 3]


def test_the_same_bytes_under_another_ending_are_another_picture(place: Path, searched: list[int]) -> None:
    """The ending may decide how they are read."""
    (place / "burst" / FRAMES[0]).rename(place / "burst" / "frame_000.jpeg")
    pipeline.cull([place / "burst"], place / "out")
    assert len(searched) == 1


# -- runs that are stopped, fail, or run at once ------------------------------------------------------------


def test_a_frame_that_changes_while_it_is_looked_at_is_not_kept(
    tmp_path: Path, models: Models, reads: list[str]
) -> None:
    """What was seen of the new picture is never given out for the old one."""
    frames = written(tmp_path / "burst", [bursts.frame(i) for i in range(4)])
    old, new = (tmp_path / "burst" / f"f{i}.png" for i in (0, 3))
    before, after = old.read_bytes(), new.read_bytes()

    def read(frame: Frame) -> Pixels:
        if frame.name == "f0.png":
            old.write_bytes(after)
        return photo.read(frame)

    mine = Known(cache.Shelf(tmp_path / "kept"), Options())
    pipeline.analyse(frames, read, models, Options(), known=mine)
    old.write_bytes(before)
    album = analysed(tmp_path / "kept", frames, models, reads)
    assert "f0.png" in reads
    bare = pipeline.analyse(frames, photo.read, models, Options())[1]
    assert album.thumbnails == bare.thumbnails


def test_a_run_that_was_stopped_is_taken_up(tmp_path: Path, models: Models, reads: list[str]) -> None:
    """Frames that were looked at before Ctrl-C are not looked at again."""
    frames = written(tmp_path / "burst", [bursts.frame(i) for i in range(4)])

    def read(frame: Frame) -> Pixels:
        if frame.name == "f3.png":
            raise KeyboardInterrupt
        return photo.read(frame)

    mine = Known(cache.Shelf(tmp_path / "kept"), Options())
    with pytest.raises(KeyboardInterrupt):
        pipeline.analyse(frames, read, models, Options(), known=mine, workers=1)
    # From the middle outwards; what was read before the stop is known, but for the view of the reference.
    assert reads == ["f2.png", "f1.png"]
    analysed(tmp_path / "kept", frames, models, reads)
    assert sorted(reads) == ["f0.png", "f2.png", "f3.png"]


@pytest.mark.parametrize(
    ("empty", "words", "error", "left"),
    [
        (True, {}, FacemergeError, False),
        (False, {"decisions": Decisions(keep=frozenset(["P09"]))}, OptionError, True),
    ],
    ids=["nobody found", "no such person"],
)
def test_a_run_that_fails_leaves_only_what_helps_the_next(
    empty: bool, words: dict[str, Any], error: type[Exception], left: bool, tmp_path: Path
) -> None:
    """Of frames that cannot be used nothing is kept; a wrong word costs no second look at good ones."""
    if empty:
        written(tmp_path / "burst", [np.full((400, 600, 3), 90 + i, np.uint8) for i in range(3)])
    else:
        bursts.write(tmp_path / "burst")
    with pytest.raises(error):
        pipeline.cull([tmp_path / "burst"], tmp_path / "out", **words)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["burst", *["out.facemerge-cache"] * left]


def test_a_reference_that_can_no_longer_be_read_is_passed_over(
    place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is known what was in it, and another frame must be placed on it: a sentence, not a traceback."""
    data = bytearray((place / "burst" / FRAMES[0]).read_bytes())
    # The density that it says to have been taken at (ITU-T T.871, 10.1): of its pixels nothing changes.
    data[data.index(b"JFIF\0") + 9] ^= 1
    (place / "burst" / FRAMES[0]).write_bytes(data)
    read = photo.read

    def failing(frame: Frame, **words: Any) -> Pixels:
        if frame.name == REFERENCE:
            raise InputError(f"{REFERENCE} cannot be read: the disk reports an error.")
        return read(frame, **words)

    monkeypatch.setattr(photo, "read", failing)
    result = pipeline.cull([place / "burst"], place / "out", decisions=Decisions(base=FRAMES[1]))
    assert any(REFERENCE in note for note in result.report["notes"])


def test_two_runs_at_once_on_one_folder(tmp_path: Path, models: Models) -> None:
    """Both see what a run alone sees, and so does the next, which reads nothing."""
    frames = written(tmp_path / "burst", [bursts.frame(i) for i in range(4)])
    albums: list[pipeline.Album] = []

    def run() -> None:
        mine = Known(cache.Shelf(tmp_path / "kept"), Options())
        albums.append(pipeline.analyse(frames, photo.read, models, Options(), known=mine, workers=1)[1])
        mine.tidy()

    threads = [threading.Thread(target=run) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    reads: list[str] = []
    albums.append(analysed(tmp_path / "kept", frames, models, reads))
    assert reads == []
    assert len(albums[0].thumbnails) == 8
    assert [a.thumbnails == albums[0].thumbnails for a in albums] == [True] * 3


# -- the command line ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("command", ["merge", "cull"])
def test_afresh_neither_uses_nor_fills_what_is_kept(command: str, place: Path, searched: list[int]) -> None:
    """The folder of before stays as it was."""
    kept = contents(cache.beside(place / "out"))
    ran = CliRunner().invoke(app, [command, str(place / "burst"), "-o", str(place / "out"), "--afresh"])
    assert ran.exit_code == 0
    assert len(searched) == 4
    assert contents(cache.beside(place / "out")) == kept
