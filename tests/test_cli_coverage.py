"""`coverage` and `focus` as a photographer types them, on a burst of which the truth is drawn."""

from __future__ import annotations

import io
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import bursts
import numpy as np
import pytest
from PIL import Image
from shell import Ran, everything, run

from facemerge.cli import coverage as command

ROOT = Path(__file__).resolve().parents[1]
PATIENCE_S = 120.0
"""After which a test gives up on a slow machine."""
QUICK = ("--set", "coverage.poll_s=0.05")


@pytest.fixture(scope="module")
def burst(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return bursts.write(tmp_path_factory.mktemp("group") / "burst")


@pytest.fixture(scope="module")
def looked(burst: Path) -> Ran:
    return run("coverage", burst)


def test_one_look_says_who_is_covered(looked: Ran, burst: Path) -> None:
    """The first line says it all; exit 0, nothing on stderr, no file beside the frames."""
    assert (looked.code, looked.stderr) == (0, "")
    assert looked.stdout.splitlines()[0] == "Both are covered after 4 frames."
    assert sorted(p.name for p in burst.parent.iterdir()) == ["burst"]


def test_one_who_is_not_covered_is_placed_and_the_fault_named(tmp_path: Path) -> None:
    """The left one is out of focus in both frames (drawn so), the right one is sharp in both."""
    place = tmp_path / "burst"
    place.mkdir()
    for i in range(2):
        Image.fromarray(bursts.frame(i, blurred=((0, 0), (1, 0)))).save(place / f"{i}.jpg", quality=95)
    ran = run("coverage", place)
    lines = ran.stdout.splitlines()
    assert lines[0].startswith("1 of 2 covered after 2 frames; keep going: about ")
    assert lines[1].startswith("  not yet  left  out of focus in 2 of 2; about ")


def test_what_is_kept_is_asked_for(burst: Path, tmp_path: Path, looked: Ran) -> None:
    """With -o the second look takes what the first has kept beside OUT, and says the same."""
    before = everything(burst)
    out = tmp_path / "out"
    assert run("coverage", burst, "-o", out).stdout == looked.stdout
    kept = everything(tmp_path)
    assert any(".facemerge-cache/" in name and name.endswith(".entry") for name in kept)
    assert run("coverage", burst, "-o", out).stdout == looked.stdout
    assert everything(tmp_path) == kept
    assert everything(burst) == before


def test_focus_names_who_is_soft_by_themselves(burst: Path) -> None:
    """Each is out of focus in two of four frames, by turns: no row, no shake, a table for both."""
    ran = run("focus", burst)
    assert (ran.code, ran.stderr) == (0, "")
    assert "Soft by themselves, beside others who are not: left in 2; right in 2 of 4 frames" in ran.stdout
    row = next(line for line in ran.stdout.splitlines() if line.startswith("row "))
    assert "4 of 8" in row


def written(place: Path, change: Callable[[np.ndarray], np.ndarray], count: int = 3) -> Path:
    """Frames that are changed as a whole, taken at f/4, 1/30 s and 85 mm."""
    place.mkdir()
    for i in range(count):
        exif = Image.Exif()
        exif.get_ifd(0x8769).update({0x829A: 1 / 30, 0x829D: 4.0, 0x920A: 85.0})
        picture = change(bursts.frame(i, blurred=())) if i else bursts.frame(i, blurred=())
        Image.fromarray(picture).save(place / f"{i}.jpg", quality=95, exif=exif)
    return place


def shaken(picture: np.ndarray) -> np.ndarray:
    """The camera moved by 13 px along x."""
    return np.mean([np.roll(picture, i, axis=1) for i in range(13)], axis=0).astype(np.uint8)


def test_focus_knows_a_shaken_camera_and_the_shutter(tmp_path: Path) -> None:
    """A streak of 13 px drawn over whole frames: found to a fifth, and a faster shutter than 1/30 s named."""
    ran = run("focus", written(tmp_path / "burst", shaken))
    first = ran.stdout.splitlines()[0]
    assert first.startswith("Camera shake in 2 of 3 frames (1.jpg, 2.jpg)")
    px = [float(w) for w in first.split(" px")[0].replace(" to ", " ").split()[-2:] if w.isdigit()]
    assert all(13 * 0.8 <= v <= 13 * 1.2 for v in px)
    assert px
    assert "not 1/30 s" in first
    assert "3 frames, f/4, 1/30 s, 85 mm." in ran.stdout


def test_focus_takes_a_single_frame(burst: Path) -> None:
    """Just taken, before the next: it says so, with the doubt that goes with it."""
    ran = run("focus", burst / "frame_000.jpg")
    assert ran.code == 0
    assert "1 frame" in ran.stdout
    assert "Doubt: Few frames" in ran.stdout


# -- bad input ----------------------------------------------------------------------------------------------


def nowhere(tmp: Path) -> list[object]:
    return [tmp / "nowhere"]


def empty(tmp: Path) -> list[object]:
    (tmp / "burst").mkdir()
    return [tmp / "burst"]


def text_named_jpg(tmp: Path) -> list[object]:
    (tmp / "a.jpg").write_bytes(b"hello")
    return [tmp]


def nobody(tmp: Path) -> list[object]:
    Image.fromarray(np.random.default_rng(0).integers(0, 255, (300, 400, 3), np.uint8)).save(tmp / "a.png")
    return [tmp]


def no_model(tmp: Path) -> list[object]:
    return [bursts.write(tmp / "burst", 1), "--models", tmp]


def wrong_setting(tmp: Path) -> list[object]:
    return [tmp, "--set", "coverage.keeper_from=2"]


@pytest.mark.parametrize("word", ["coverage", "focus"])
@pytest.mark.parametrize(
    ("make", "code", "said"),
    [
        (nowhere, 3, "nowhere"),
        (empty, 3, "holds no pictures"),
        (text_named_jpg, 3, "a.jpg"),
        (nobody, 5, "No face was found"),
        (no_model, 7, "model"),
        (wrong_setting, 4, "coverage.keeper_from lies between 0 and 1"),
    ],
)
def test_what_cannot_be_done_is_one_sentence(
    word: str, make: Callable[[Path], list[object]], code: int, said: str, tmp_path: Path
) -> None:
    """On stderr, with its exit code; nothing written, nothing touched. A folder without a face is no error
    during a shoot: the people may not stand there yet.
    """
    words = make(tmp_path)
    before = everything(tmp_path)
    ran = run(word, *words)
    if word == "coverage" and make is nobody:
        assert (ran.code, ran.stdout.splitlines()[0]) == (0, "No frame with anybody in it yet.")
        assert "Left aside: a.png, for nobody was found in it." in ran.stdout
    else:
        assert ran.code == code
        assert ran.stdout == ""
        assert ran.stderr.startswith("facemerge: ")
        assert ran.stderr.count("\n") == 1
        assert said in ran.stderr
    assert everything(tmp_path) == before


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["--until-covered"], 4, "go with --watch"),
        (["--stop-after", "3"], 4, "go with --watch"),
        (["--watch", "--stop-after", "-1"], 2, "--stop-after"),
        (["--watch", "--stop-after", "soon"], 2, "--stop-after"),
    ],
)
def test_a_wrong_word_of_a_watch_is_one_sentence(
    words: list[str], code: int, said: str, tmp_path: Path
) -> None:
    """What ends a watch needs one."""
    ran = run("coverage", tmp_path, *words)
    assert ran.code == code
    assert said in ran.stderr


def test_a_file_that_is_named_as_the_folder_is_refused_by_a_watch(burst: Path) -> None:
    """A watch is of a folder."""
    ran = run("coverage", burst / "frame_000.jpg", "--watch", "--stop-after", "0")
    assert ran.code == 3
    assert "is not a folder" in ran.stderr


@pytest.mark.parametrize("word", ["coverage", "focus"])
def test_help_ends_with_an_example(word: str) -> None:
    """A line to type."""
    ran = run(word, "--help")
    assert ran.code == 0
    assert f"Example: facemerge {word} " in ran.stdout


# -- watching -----------------------------------------------------------------------------------------------


@pytest.fixture
def started() -> Iterator[Callable[..., subprocess.Popen[str]]]:
    """Start the program for itself; whatever happens it is gone at the end."""
    running: list[subprocess.Popen[str]] = []

    def start(*words: object) -> subprocess.Popen[str]:
        process = subprocess.Popen(
            [sys.executable, "-m", "facemerge", *map(str, words)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            cwd=ROOT,
            env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1"},
        )
        running.append(process)
        return process

    yield start
    for process in running:
        if process.poll() is None:
            process.kill()
        process.communicate()


def dripped(source: Path, place: Path, names: list[str], parts: int = 6) -> threading.Thread:
    """Copy files slowly, a piece at a time, as a card reader does; the last under a temporary name first."""

    def drip() -> None:
        for name in names:
            data = (source / name).read_bytes()
            first = place / (f"{name}.part" if name == names[-1] else name)
            with first.open("wb") as file:
                for i in range(parts):
                    file.write(data[i * len(data) // parts : (i + 1) * len(data) // parts])
                    file.flush()
                    time.sleep(0.03)
            first.rename(place / name)

    thread = threading.Thread(target=drip)
    thread.start()
    return thread


def test_a_watch_follows_files_dropped_slowly_and_out_of_order(
    burst: Path, tmp_path: Path, started: Callable[..., subprocess.Popen[str]]
) -> None:
    """From an empty folder to everybody covered: exit 0 by itself, a block for each change, the last one as a
    single look at the whole folder says it.
    """
    place = tmp_path / "tether"
    place.mkdir()
    watching = started("coverage", place, "--watch", "--until-covered", *QUICK)
    assert watching.stdout is not None
    # Nobody's picture has come yet; from here on the files drop while the program looks.
    assert watching.stdout.readline() == "No frame with anybody in it yet.\n"
    copying = dripped(burst, place, ["frame_002.jpg", "frame_000.jpg", "frame_001.jpg", "frame_003.jpg"])
    out, errors = watching.communicate(timeout=PATIENCE_S)
    copying.join()
    assert (watching.returncode, errors) == (0, "")
    last = out.strip().split("\n\n")[-1].splitlines()[0]
    assert last.startswith("Both are covered after ")
    assert 2 <= int(last.split()[-2]) <= 4
    assert everything(place) == everything(burst)


def test_ctrl_c_ends_a_watch_with_a_sentence(
    burst: Path, started: Callable[..., subprocess.Popen[str]]
) -> None:
    """Exit 130, and where it stood."""
    watching = started("coverage", burst, "--watch", *QUICK)
    assert watching.stdout is not None
    for line in watching.stdout:
        if line.startswith("Both are covered"):
            break
    watching.send_signal(signal.SIGINT)
    _, errors = watching.communicate(timeout=PATIENCE_S)
    assert watching.returncode == 130
    assert errors == "facemerge: stopped. Both are covered after 4 frames.\n"


def test_a_watch_whose_time_is_over_says_so(tmp_path: Path) -> None:
    """--stop-after alone is a normal end; with --until-covered a script must see that it was in vain."""
    ran = run("coverage", tmp_path, "--watch", "--stop-after", "0", *QUICK)
    assert (ran.code, ran.stdout, ran.stderr) == (0, "No frame with anybody in it yet.\n", "")
    ran = run("coverage", tmp_path, "--watch", "--until-covered", "--stop-after", "0", *QUICK)
    assert ran.code == 1
    assert ran.stderr == "facemerge: the time is over, and not everybody is covered.\n"


def test_a_terminal_is_written_over_and_a_pipe_written_on(monkeypatch: pytest.MonkeyPatch) -> None:
    """The cursor goes up by the lines of the block before; long lines are cut to the width, never broken."""
    screen = io.StringIO()
    monkeypatch.setattr(sys, "stdout", screen)
    monkeypatch.setenv("COLUMNS", "20")
    block = command._Block()
    block.show(["one", "  two"])
    block.show(["one", "  two"])
    block.show(["three"])
    assert screen.getvalue() == "one\n  two\n\nthree\n"
    screen.truncate(0)
    screen.seek(0)
    monkeypatch.setattr(screen, "isatty", lambda: True)
    block = command._Block()
    block.show(["one", "x" * 40])
    block.show(["three"])
    shown = screen.getvalue()
    assert shown.startswith("one\nxxx")
    assert shown.endswith("…\n\033[2F\033[Jthree\n")
    assert max(len(line) for line in shown.partition("\033")[0].splitlines()) < 20
