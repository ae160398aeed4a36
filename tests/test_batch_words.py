"""What a photographer types for a whole card, where it may go, and the processes that do the work."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import dumps
import numpy as np
import pytest
from typer.testing import CliRunner

from facemerge.cli import app
from facemerge.errors import InputError, OutputError


@pytest.fixture(scope="module")
def card(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A card with one lone frame: enough to be looked into."""
    folder = tmp_path_factory.mktemp("card")
    dumps.write(folder, [("A", 1)])
    return folder


# -- help ---------------------------------------------------------------------------------------------------


def test_the_help_has_examples_and_warns_of_what_a_scheduler_may_do() -> None:
    """A line to type; and that workers read the same disk, inside the photographer's own network."""
    ran = CliRunner().invoke(app, ["batch", "--help"], terminal_width=200)
    told = " ".join(ran.stdout.split())
    assert ran.exit_code == 0
    assert "Example: facemerge batch card-3 -o finished" in told
    assert "a disk that all of them see under the same path" in told
    assert "machines of your own network" in told


def test_the_help_waits_for_no_heavy_library() -> None:
    """`batch --help` loads none of the picture libraries, nor Dask."""
    code = (
        "import sys\n"
        "sys.argv = ['facemerge', 'batch', '--help']\n"
        "from facemerge.cli import main\n"
        "main()\n"
        "heavy = {'numpy', 'cv2', 'scipy', 'PIL', 'jinja2', 'distributed'} & set(sys.modules)\n"
        "sys.exit(f'loaded: {heavy}' if heavy else 0)\n"
    )
    path = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False, env=path)
    assert (done.returncode, done.stderr) == (0, "")


# -- places -------------------------------------------------------------------------------------------------


def _foreign(out: Path, card: Path) -> None:
    out.mkdir()
    (out / "letter.txt").write_text("mine")


def _a_file(out: Path, card: Path) -> None:
    out.write_text("mine")


def _a_group(out: Path, card: Path) -> None:
    out.mkdir()
    (out / "report.json").write_text('{"schema": "facemerge-report/1"}')


@pytest.mark.parametrize(
    ("make", "words"),
    [(_foreign, "holds something else"), (_a_file, "is a file"), (_a_group, "holds something else")],
)
def test_an_out_that_is_not_a_batchs_is_left_alone(
    make: Callable[[Path, Path], None], words: str, card: Path, tmp_path: Path
) -> None:
    """A sentence, and nothing written."""
    make(tmp_path / "out", card)
    before = dumps.everything(tmp_path)
    with pytest.raises(OutputError, match=words):
        dumps.run(card, tmp_path / "out")
    assert dumps.everything(tmp_path) == before


@pytest.fixture
def at_work(tmp_path: Path) -> Iterator[Path]:
    """An OUT in which another process is at work."""
    fcntl = pytest.importorskip("fcntl")
    (tmp_path / "out" / ".records").mkdir(parents=True)
    lock = os.open(tmp_path / "out" / ".records" / "lock", os.O_RDWR | os.O_CREAT)
    fcntl.flock(lock, fcntl.LOCK_EX)
    yield tmp_path / "out"
    os.close(lock)


def test_two_batches_do_not_share_a_place(at_work: Path, card: Path) -> None:
    """The second is refused."""
    with pytest.raises(OutputError, match="Another batch is at work"):
        dumps.run(card, at_work)


def test_a_card_without_groups_makes_no_folder(tmp_path: Path) -> None:
    """One wall and one lone frame: a sentence, and OUT is not there."""
    dumps.write(tmp_path / "card", [(dumps.WALL, 1), ("A", 1)])
    with pytest.raises(InputError, match="No group has two frames with people"):
        dumps.run_here(tmp_path / "card", tmp_path / "new" / "out")
    assert [p.name for p in tmp_path.iterdir()] == ["card"]


def test_broken_and_doubled_files_are_left_out_and_said(tmp_path: Path) -> None:
    """A card copied twice, and a file cut off."""
    truth = list(dumps.write(tmp_path / "card", [("A", 1)] * 2))
    shutil.copytree(tmp_path / "card" / "DCIM", tmp_path / "card" / "copy")
    (tmp_path / "card" / "broken.jpg").write_bytes((tmp_path / "card" / truth[0]).read_bytes()[:4000])
    with dumps.here():
        ran = CliRunner().invoke(app, ["batch", str(tmp_path / "card"), "--show-groups"])
    assert ran.exit_code == 0, ran.output
    lines = [line for line in ran.stdout.splitlines() if line and not line.startswith("#")]
    assert len(lines) == 3
    assert sum("is the same file as" in line for line in ran.stdout.splitlines()) == 2
    assert "# broken.jpg is left out: it is cut off" in ran.stdout
    assert [p.name for p in tmp_path.iterdir()] == ["card"]


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["nowhere", "-o", "out"], 3, "is not there"),
        (["card"], 4, "Name a folder for the results"),
        (["card", "-o", "out", "--picture", "gif"], 4, "tif, png or jpg"),
        (["card", "-o", "out", "--groups", "none.txt"], 4, "groups file none.txt cannot be read"),
        (["card", "-o", "out", "--models", "."], 7, "does not hold the model"),
        (["card", "-o", "out", "--processes", "0"], 2, "processes"),
        (["card", "-o", "card"], 6, "holds the photographs themselves"),
        (["card", "-o", "out", "--set", "grouping.pause_s=-1"], 4, "grouping.pause_s lies between"),
    ],
)
def test_a_wrong_word_is_one_sentence_and_its_code(
    words: list[str], code: int, said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And nothing is written."""
    monkeypatch.chdir(tmp_path)
    dumps.save(tmp_path / "card" / "a.jpg", np.zeros((8, 8, 3), np.uint8), None)
    ran = CliRunner().invoke(app, ["batch", *words])
    assert (ran.exit_code, said in ran.stderr) == (code, True), ran.output
    assert [p.name for p in tmp_path.iterdir()] == ["card"]
