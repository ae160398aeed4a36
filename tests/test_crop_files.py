"""Prints lie beside others' files: all or none, and never over what was not made here."""

from __future__ import annotations

import errno
import json
import os
import time
from pathlib import Path

import pytest

from facemerge.errors import OutputError
from facemerge.formats.print_folder import prints_in_place

RECORD = "group-prints.json"


def put(folder: Path, result: Path, stem: str = "group", **files: bytes) -> None:
    """Put files, their names' dots written as two underscores, into a folder."""
    named = {name.replace("__", "."): data for name, data in files.items()}
    with prints_in_place(folder, stem, list(named), result) as work:
        for name, data in named.items():
            work.add(name, data, {"print": "8x10in"})


def everything(folder: Path) -> dict[str, bytes]:
    """Return every file of a folder, hidden ones too."""
    return {p.name: p.read_bytes() for p in sorted(folder.iterdir())}


@pytest.fixture
def result(tmp_path: Path) -> Path:
    place = tmp_path / "group"
    place.mkdir()
    return place


def test_files_and_their_record_are_put(result: Path) -> None:
    """The folder is made; nothing else lies in it; the record names each file and where its result lies."""
    put(result / "prints", result, a__jpg=b"one", b__jpg=b"two")
    assert sorted(everything(result / "prints")) == ["a.jpg", "b.jpg", RECORD]
    record = json.loads((result / "prints" / RECORD).read_bytes())
    assert (record["of"], sorted(record["prints"])) == ("..", ["a.jpg", "b.jpg"])


def test_own_prints_are_replaced_and_others_stay_known(result: Path) -> None:
    """A later run writes over its own files and adds to them; what it did not make is not touched."""
    folder = result / "prints"
    put(folder, result, a__jpg=b"one", b__jpg=b"two")
    (folder / "letter.txt").write_bytes(b"to the lab")
    put(folder, result, b__jpg=b"new", c__jpg=b"three")
    found = everything(folder)
    assert (found["a.jpg"], found["b.jpg"], found["c.jpg"]) == (b"one", b"new", b"three")
    assert found["letter.txt"] == b"to the lab"
    assert sorted(json.loads(found[RECORD])["prints"]) == ["a.jpg", "b.jpg", "c.jpg"]
    put(folder, result, a__jpg=b"one again")
    assert (folder / "a.jpg").read_bytes() == b"one again"


def test_the_same_prints_give_the_same_bytes(result: Path) -> None:
    """The record too."""
    put(result / "prints", result, b__jpg=b"two", a__jpg=b"one")
    first = everything(result / "prints")
    put(result / "prints", result, b__jpg=b"two", a__jpg=b"one")
    assert everything(result / "prints") == first


def stranger(folder: Path, result: Path) -> None:
    (folder / "a.jpg").write_bytes(b"somebody's")


def retouched(folder: Path, result: Path) -> None:
    put(folder, result, a__jpg=b"one")
    (folder / "a.jpg").write_bytes(b"one, retouched")


def linked(folder: Path, result: Path) -> None:
    put(folder, result, a__jpg=b"one")
    (folder / "a.jpg").unlink()
    (folder / "elsewhere.jpg").write_bytes(b"one")
    (folder / "a.jpg").symlink_to(folder / "elsewhere.jpg")


def in_its_way(folder: Path, result: Path) -> None:
    (folder / "a.jpg").mkdir()


def not_a_record(folder: Path, result: Path) -> None:
    (folder / RECORD).write_bytes(b'{"mine": true}')


def broken_record(folder: Path, result: Path) -> None:
    (folder / RECORD).write_bytes(b"\xff[")


def of_another(folder: Path, result: Path) -> None:
    other = result.parent / "tuesday" / "group"
    other.mkdir(parents=True)
    put(folder, other, z__jpg=b"one")


@pytest.mark.parametrize(
    ("prepare", "said"),
    [
        (stranger, "was not made here"),
        (retouched, "has been changed"),
        (linked, "has been changed"),
        (in_its_way, "was not made here"),
        (not_a_record, "was not made here"),
        (broken_record, "was not made here"),
        (of_another, "another result of this name"),
    ],
)
def test_what_is_not_ours_is_refused(result: Path, prepare: object, said: str) -> None:
    """One sentence that names it, before any work, and not a byte changes."""
    folder = result / "prints"
    folder.mkdir()
    prepare(folder, result)  # type: ignore[operator]
    before = {p.name: p.lstat().st_mtime_ns for p in folder.iterdir()}
    began = False
    with pytest.raises(OutputError, match=said), prints_in_place(folder, "group", ["a.jpg"], result):
        began = True
    assert not began
    assert {p.name: p.lstat().st_mtime_ns for p in folder.iterdir()} == before


@pytest.mark.parametrize("existing", [True, False])
def test_a_failure_leaves_nothing(result: Path, existing: bool) -> None:
    """Whatever stops the work, an interrupt too: the folder is as it was, or not there."""
    folder = result / "prints"
    if existing:
        put(folder, result, a__jpg=b"one")
        before = everything(folder)
    with (
        pytest.raises(KeyboardInterrupt),
        prints_in_place(folder, "group", ["a.jpg", "b.jpg"], result) as work,
    ):
        work.add("a.jpg", b"new", {})
        raise KeyboardInterrupt
    if existing:
        assert everything(folder) == before
    else:
        assert not folder.exists()


def test_a_full_disk_is_one_sentence(result: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It names the file by the name that it would have got, and nothing stays."""

    def full(self: Path, data: bytes) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(OutputError) as caught:
        put(result / "prints", result, a__jpg=b"one")
    assert (
        str(caught.value) == f"Nothing was written to {result / 'prints' / 'a.jpg'}: there is no space left."
    )
    assert not (result / "prints").exists()


def test_a_kill_between_the_renames_loses_nothing(result: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Half of the files replaced, the record not finished: the next run knows all of them as its own."""
    folder = result / "prints"
    put(folder, result, a__jpg=b"one", b__jpg=b"two")
    replace, done = Path.replace, []

    def killed(self: Path, target: Path) -> Path:
        # The record, then one of the two files.
        if len(done) == 2:
            raise MemoryError
        done.append(target)
        return replace(self, target)

    monkeypatch.setattr(Path, "replace", killed)
    with pytest.raises(MemoryError):
        put(folder, result, a__jpg=b"new", b__jpg=b"newer")
    monkeypatch.undo()
    assert (folder / "a.jpg").read_bytes() == b"new"
    assert (folder / "b.jpg").read_bytes() == b"two"
    put(folder, result, a__jpg=b"newest", b__jpg=b"newest")
    assert (folder / "b.jpg").read_bytes() == b"newest"


def test_what_killed_runs_left_is_cleared_after_a_day(result: Path) -> None:
    """Of this run's names at once; of others' once they are old, for another run may be at work."""
    folder = result / "prints"
    folder.mkdir()
    for name, age_s in (("a.jpg", 0), ("other-1.jpg", 10), ("other-2.jpg", 100_000)):
        path = folder / f".{name}.facemerge-new"
        path.write_bytes(b"half")
        os.utime(path, (time.time() - age_s,) * 2)
    put(folder, result, a__jpg=b"one")
    assert sorted(everything(folder)) == [".other-1.jpg.facemerge-new", "a.jpg", RECORD]


def test_a_file_in_the_folders_place_is_refused(tmp_path: Path, result: Path) -> None:
    """A sentence that says what to do."""
    (tmp_path / "prints").write_bytes(b"")
    with pytest.raises(OutputError, match="is a file; name a folder"):
        put(tmp_path / "prints", result, a__jpg=b"one")
