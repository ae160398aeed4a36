"""Results come whole or not at all, and never at the cost of somebody else's files."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from facemerge.errors import OutputError
from facemerge.formats import files
from facemerge.formats.files import folder_in_place, write_bytes

REPORT = '{\n "schema": "facemerge-report/1"\n}'


@pytest.fixture
def earlier(tmp_path: Path) -> Path:
    """Give a folder that holds an earlier result."""
    out = tmp_path / "out"
    (out / "masks").mkdir(parents=True)
    for name in ("composite.tif", "composite.ora", "report.html", "masks/P01.png"):
        (out / name).write_text("old")
    (out / "report.json").write_text(REPORT)
    return out


def contents(folder: Path) -> dict[str, bytes]:
    """Return every file below a folder by its relative path, hidden ones too."""
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_result_appears_whole(tmp_path: Path) -> None:
    """Until the block ends nothing is at the place, then everything is, and nothing else is left beside
    it.
    """
    out = tmp_path / "a" / "out"
    with folder_in_place(out) as work:
        write_bytes(work / "masks" / "P01.png", b"mask")
        write_bytes(work / "report.json", b"{}")
        assert not out.exists()
        assert work.parent == out.parent
    assert contents(tmp_path) == {"a/out/masks/P01.png": b"mask", "a/out/report.json": b"{}"}


@pytest.mark.parametrize("error", [ValueError, KeyboardInterrupt, SystemExit, OSError, OutputError])
def test_failure_leaves_the_old_result(earlier: Path, error: type[BaseException]) -> None:
    """Whatever ends the block, the earlier result is there to the last byte and nothing lies beside it."""
    before = contents(earlier.parent)
    with pytest.raises(error), folder_in_place(earlier) as work:
        write_bytes(work / "composite.tif", b"new")
        raise error("stop")
    assert contents(earlier.parent) == before
    assert os.listdir(earlier.parent) == ["out"]


def test_failure_leaves_no_parents(tmp_path: Path) -> None:
    """Folders that were made on the way to the place go again when the run fails."""
    with pytest.raises(ValueError, match="stop"), folder_in_place(tmp_path / "a" / "b" / "out"):
        raise ValueError("stop")
    assert list(tmp_path.iterdir()) == []


def test_earlier_result_is_replaced_and_decisions_kept(earlier: Path) -> None:
    """Nothing of an earlier result stays but what the user decided, which is carried over."""
    (earlier / "decisions.json").write_text("mine")
    with folder_in_place(earlier) as work:
        write_bytes(work / "report.json", b"new")
    assert contents(earlier.parent) == {"out/decisions.json": b"mine", "out/report.json": b"new"}


def test_old_result_comes_back_when_the_new_one_cannot_be_put_there(
    earlier: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """When the old result is moved aside and the new one cannot take its place, the old one is put back."""
    before = contents(earlier.parent)
    real = Path.rename

    def rename(self: Path, target: Path) -> Path:
        if self.name.endswith("-new"):
            raise OSError(errno.EIO, "Input/output error")
        return real(self, target)

    monkeypatch.setattr(files.Path, "rename", rename)
    with pytest.raises(OutputError, match="reports an error"), folder_in_place(earlier) as work:
        write_bytes(work / "report.json", b"new")
    assert contents(earlier.parent) == before


def test_new_decisions_win(earlier: Path) -> None:
    """A run that writes decisions itself is not overruled by the old ones."""
    (earlier / "decisions.json").write_text("old")
    with folder_in_place(earlier) as work:
        write_bytes(work / "decisions.json", b"new")
    assert contents(earlier) == {"decisions.json": b"new"}


def test_empty_folder_is_filled(tmp_path: Path) -> None:
    """An empty folder, or one with what file managers leave, may be the place."""
    (tmp_path / ".DS_Store").write_text("litter")
    with folder_in_place(tmp_path / "out") as work:
        write_bytes(work / "report.json", b"new")
    (tmp_path / "empty").mkdir()
    with folder_in_place(tmp_path / "empty") as work:
        write_bytes(work / "report.json", b"new")
    assert contents(tmp_path / "empty") == contents(tmp_path / "out") == {"report.json": b"new"}


def test_link_stays_a_link(earlier: Path) -> None:
    """A link to the place is followed: the folder behind it is replaced, the link still points there."""
    link = earlier.parent / "link"
    link.symlink_to(earlier)
    with folder_in_place(link) as work:
        write_bytes(work / "report.json", b"new")
    assert link.is_symlink()
    assert contents(earlier) == {"report.json": b"new"}


@pytest.mark.parametrize(
    ("stranger", "said"),
    [
        ("holiday.jpg", "holiday.jpg"),
        ("composite.psd", "composite.psd"),
        ("masks/notes.txt", "masks"),
        ("masks/deeper/P01.png", "masks"),
        ("sub/report.json", "sub"),
    ],
)
def test_other_files_are_never_lost(earlier: Path, stranger: str, said: str) -> None:
    """A folder that holds anything that is not ours is refused before any work is done, naming what it is."""
    (earlier / stranger).parent.mkdir(parents=True, exist_ok=True)
    (earlier / stranger).write_text("precious")
    before = contents(earlier.parent)
    with pytest.raises(OutputError, match=said), folder_in_place(earlier):
        pytest.fail("the block must not run")
    assert contents(earlier.parent) == before


def test_file_that_arrives_during_the_run_is_kept(earlier: Path) -> None:
    """What somebody put into the place while the run went on is not deleted with the old result."""
    with pytest.raises(OutputError, match=r"mine\.jpg"), folder_in_place(earlier) as work:
        write_bytes(work / "report.json", b"new")
        (earlier / "mine.jpg").write_text("precious")
    assert (earlier / "mine.jpg").read_text() == "precious"
    assert (earlier / "report.json").read_text() == REPORT


def test_our_names_without_our_report_are_not_ours(tmp_path: Path) -> None:
    """A composite.jpg without a report of ours beside it may be anybody's."""
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "composite.jpg").write_text("precious")
    with pytest.raises(OutputError, match="no report of ours"), folder_in_place(tmp_path / "out"):
        pytest.fail("the block must not run")


def test_a_file_is_no_place(tmp_path: Path) -> None:
    """A file where the folder should be is refused and stays."""
    (tmp_path / "out").write_text("precious")
    with pytest.raises(OutputError, match="is a file"), folder_in_place(tmp_path / "out"):
        pytest.fail("the block must not run")
    assert (tmp_path / "out").read_text() == "precious"


@pytest.mark.parametrize("out", [".", "..", "inner/.."])
def test_place_must_not_hold_the_frames(tmp_path: Path, out: str) -> None:
    """The folder of the input frames, or one above it, can never be the place."""
    burst = tmp_path / "burst"
    (burst / "inner").mkdir(parents=True)
    (burst / "a.jpg").write_text("frame")
    with pytest.raises(OutputError, match="holds the frames"):
        with folder_in_place(burst / out, inputs=[burst / "a.jpg"]):
            pytest.fail("the block must not run")


def test_place_may_lie_among_the_frames(tmp_path: Path) -> None:
    """A folder of its own beside the frames is a fine place."""
    (tmp_path / "a.jpg").write_text("frame")
    with folder_in_place(tmp_path / "out", inputs=[tmp_path / "a.jpg"]) as work:
        write_bytes(work / "report.json", b"new")
    assert contents(tmp_path) == {"a.jpg": b"frame", "out/report.json": b"new"}


def test_the_folder_one_stands_in_is_refused(earlier: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Replacing the working folder would leave the shell in a deleted one."""
    monkeypatch.chdir(earlier)
    with pytest.raises(OutputError, match="folder of its own"), folder_in_place(Path()):
        pytest.fail("the block must not run")


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.ENOSPC, "no space left"),
        (errno.EROFS, "read-only"),
        (errno.EACCES, "not allowed"),
        (errno.EIO, "reports an error"),
    ],
)
def test_trouble_with_the_disk_is_one_sentence(earlier: Path, number: int, words: str) -> None:
    """A full, read-only or failing disk gives one sentence that names the place, and the old result stays."""
    before = contents(earlier.parent)
    with pytest.raises(OutputError, match=words) as caught, folder_in_place(earlier):
        raise OSError(number, os.strerror(number))
    assert str(earlier) in str(caught.value)
    assert "\n" not in str(caught.value)
    assert contents(earlier.parent) == before


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs the device that is always full")
def test_full_device() -> None:
    """A write that the system refuses for want of space is told as such."""
    with pytest.raises(OutputError, match="no space left"):
        write_bytes(Path("/dev/full"), b"x")


@pytest.mark.skipif(not Path("/proc/self").exists(), reason="needs a file system that refuses new folders")
def test_place_that_cannot_be_written() -> None:
    """A place where nothing can be made gives one sentence."""
    with pytest.raises(OutputError, match="Nothing was written to /proc/out"):
        with folder_in_place(Path("/proc/out")):
            pytest.fail("the block must not run")


KILLED = """
import os, signal, sys
from pathlib import Path
from facemerge.formats import files
if sys.argv[2] == "between":
    real = Path.rename
    def rename(self, target):
        real(self, target)
        os.kill(os.getpid(), signal.SIGKILL)
    Path.rename = rename
with files.folder_in_place(Path(sys.argv[1])) as work:
    files.write_bytes(work / "report.json", b"half")
    if sys.argv[2] == "during":
        os.kill(os.getpid(), signal.SIGKILL)
"""


@pytest.mark.skipif(os.name == "nt", reason="needs SIGKILL")
@pytest.mark.parametrize("moment", ["during", "between"])
def test_killed_run_loses_nothing(earlier: Path, moment: str) -> None:
    """A run killed while it works, or between its two renames, costs no old result; the next run tidies
    up.
    """
    before = contents(earlier)
    done = subprocess.run([sys.executable, "-c", KILLED, str(earlier), moment], check=False)
    assert done.returncode == -signal.SIGKILL
    assert len(list(earlier.parent.iterdir())) == 2
    with pytest.raises(ValueError, match="stop"), folder_in_place(earlier):
        assert contents(earlier) == before
        raise ValueError("stop")
    assert os.listdir(earlier.parent) == ["out"]
    assert contents(earlier) == before


def test_folder_of_a_living_run_is_left_alone(tmp_path: Path) -> None:
    """Two runs into one place at once do not remove each other's work."""
    with folder_in_place(tmp_path / "out") as first:
        write_bytes(first / "report.json", b"1")
        other = tmp_path / first.name.replace(f"-{os.getpid()}-", "-1-").replace(str(os.getpid()), "1")
        other.mkdir()
        with folder_in_place(tmp_path / "out2") as second:
            write_bytes(second / "report.json", b"2")
        assert first.is_dir()
        assert other.is_dir()


@pytest.mark.parametrize("name", ["ä" * 100, "x" * 250])
def test_long_names(tmp_path: Path, name: str) -> None:
    """A place whose name is almost as long as the system allows can still be prepared beside it."""
    with folder_in_place(tmp_path / name) as work:
        write_bytes(work / "report.json", b"new")
    assert (tmp_path / name / "report.json").read_bytes() == b"new"


def test_a_failure_names_the_place_the_user_knows(tmp_path: Path) -> None:
    """The sentence speaks of OUT, not of the working folder beside it."""
    out = tmp_path / "out"
    with pytest.raises(OutputError) as failure:
        with folder_in_place(out) as work:
            (work / "masks").write_text("in the way")
            write_bytes(work / "masks" / "P01.png", b"")
    assert str(out / "masks" / "P01.png") in str(failure.value)
    assert ".out." not in str(failure.value)


def test_a_pipe_is_refused_and_not_waited_for(tmp_path: Path) -> None:
    """Nobody writes into it, and opening it to read would hang."""
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(OSError, match="no plain file"):
        files.read_plain(tmp_path / "pipe")


@pytest.mark.parametrize("length", [1, 240, 250, 255])
def test_a_hidden_name_is_no_longer_than_a_disk_allows(length: int) -> None:
    """255 bytes; and two long names that differ at their ends have two hidden ones."""
    name = "n" * length
    assert len(os.fsencode(files.hidden(name, ".123456-new"))) <= 255
    assert files.hidden(name, "-new") != files.hidden(f"{name[:-1]}m", "-new")


def test_a_name_too_long_for_a_disk_is_refused_before_the_work(tmp_path: Path) -> None:
    """Not after it, and nothing is made beside it."""
    with (
        pytest.raises(OutputError, match="the name is too long"),
        folder_in_place(tmp_path / ("n" * 300)),
    ):
        pytest.fail("the work was begun")
    assert not list(tmp_path.iterdir())
