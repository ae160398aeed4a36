"""What a photographer types, and what comes back: every wrong word is one sentence and an exit code."""

from __future__ import annotations

import io
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
import types
from collections.abc import Callable
from pathlib import Path

import bursts
import cv2
import numpy as np
import pytest
from once import Once
from shell import Ran, everything, run

from facemerge import models as room
from facemerge.cli import told

COMMANDS = ["plan", "coverage", "focus", "merge", "cull", "batch", "review", "crop", "options"]


@pytest.fixture(scope="module")
def place(once: Once) -> Path:
    """A burst and what a first merge has made of it."""
    return bursts.merged(once)


@pytest.fixture(scope="module")
def burst(place: Path) -> Path:
    return place / "burst"


@pytest.fixture(scope="module")
def merged(place: Path) -> tuple[Ran, Path]:
    return bursts.said_of(place), place / "out"


@pytest.fixture
def out(place: Path, tmp_path: Path) -> Path:
    """A place for a result, beside which lies what is known of the burst."""
    return bursts.known_beside(tmp_path / "out", place)


def test_merge_does_the_main_job_and_says_so(merged: tuple[Ran, Path], burst: Path) -> None:
    """Exit 0, the files of the contract, a few plain lines, nothing on stderr in a pipe."""
    ran, out = merged
    assert ran.code == 0
    assert ran.stderr == ""
    assert {"composite.tif", "composite.ora", "report.json", "report.html"} <= {p.name for p in out.iterdir()}
    report = json.loads((out / "report.json").read_text(encoding="utf-8"))
    swapped = [p["id"] for p in report["people"] if not p["from_base"]]
    assert len(report["people"]) == 2
    assert swapped == [p.stem for p in sorted((out / "masks").iterdir())]
    assert len(swapped) == 1
    lines = ran.stdout.splitlines()
    assert len(lines) <= 8
    assert any("4 frames" in line and "2 people" in line for line in lines)
    assert str(out / "report.html") in lines[-1]


def test_the_same_input_gives_the_same_bytes(merged: tuple[Ran, Path], tmp_path: Path) -> None:
    """A second run writes the same files to the last byte; not a byte of the input changes, and no file
    appears beside it but what was asked for.
    """
    burst = bursts.write(tmp_path / "burst")
    before = everything(burst)
    assert run("merge", burst, "-o", tmp_path / "out").code == 0
    assert everything(tmp_path / "out") == everything(merged[1])
    assert everything(burst) == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["burst", "out", "out.facemerge-cache"]


def test_cull_reports_and_makes_no_picture(burst: Path, tmp_path: Path, merged: tuple[Ran, Path]) -> None:
    """The same scores and picks as merge, and no composite."""
    ran = run("cull", burst, "-o", tmp_path / "out")
    assert (ran.code, ran.stderr) == (0, "")
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == ["report.html", "report.json"]
    mine = json.loads((tmp_path / "out" / "report.json").read_text(encoding="utf-8"))
    theirs = json.loads((merged[1] / "report.json").read_text(encoding="utf-8"))
    assert mine["composite"] is None
    assert mine["base"] == theirs["base"]
    for a, b in zip(mine["people"], theirs["people"], strict=True):
        assert (a["pick"], a["faces"]) == (b["pick"], b["faces"])


def test_the_users_words_are_obeyed(burst: Path, out: Path) -> None:
    """Base, kept person, forms of the picture and a setting, all as said."""
    ran = run(
        *("merge", burst, "-o", out, "--base", "frame_002.jpg", "--keep", "P02", "--no-layers"),
        *("--picture", "png", "--picture", "jpg", "--set", "choice.swap_cost=0.3"),
        *("--weigh", "eyes=2", "--weigh", "gaze=0"),
    )
    assert ran.code == 0
    report = json.loads((out / "report.json").read_text(encoding="utf-8"))
    assert report["base"] == "frame_002.jpg"
    assert report["people"][1]["from_base"] is True
    assert (report["composite"], report["layers"]) == ("composite.png", None)
    assert not (out / "composite.ora").exists()
    assert (out / "composite.jpg").exists()
    assert not (out / "composite-layers.tif").exists()
    assert report["options"]["choice"]["swap_cost"] == 0.3
    assert report["options"]["scores"]["weight_eyes"] == 2
    assert report["options"]["scores"]["weight_gaze"] == 0


def test_a_layered_tiff_is_written_when_asked_for(burst: Path, out: Path) -> None:
    """--layered-tiff writes one, with or without the OpenRaster file, the help says so, and the folder stays
    ours: the next run replaces it.
    """
    assert run("merge", burst, "-o", out, "--layered-tiff", "--no-layers").code == 0
    report = json.loads((out / "report.json").read_text(encoding="utf-8"))
    assert (report["layers"], report["layered_tiff"]) == (None, "composite-layers.tif")
    assert (out / "composite-layers.tif").read_bytes()[:4] == b"II*\0"
    assert not (out / "composite.ora").exists()
    assert run("cull", burst, "-o", out).code == 0
    assert not (out / "composite-layers.tif").exists()
    assert "--layered-tiff" in run("merge", "--help").stdout


def test_settings_come_from_a_file_and_words_overrule_it(burst: Path, out: Path, tmp_path: Path) -> None:
    """Defaults, then TOML, then --set."""
    settings = tmp_path / "mine.toml"
    settings.write_text("[choice]\nswap_cost = 0.2\n[scores]\nmood = 'silly'\n", encoding="utf-8")
    ran = run("cull", burst, "-o", out, "--settings", settings, "--set", "choice.swap_cost=0.1")
    assert ran.code == 0
    report = json.loads((out / "report.json").read_text(encoding="utf-8"))
    assert report["options"]["choice"]["swap_cost"] == 0.1
    assert report["options"]["scores"]["mood"] == "silly"


# -- bad input ----------------------------------------------------------------------------------------------


def folder_of(tmp: Path, **files: bytes) -> Path:
    place = tmp / "burst"
    place.mkdir()
    for name, content in files.items():
        (place / name.replace("__", ".")).write_bytes(content)
    return place


def png(image: np.ndarray) -> bytes:
    return bytes(cv2.imencode(".png", image)[1].tobytes())


def missing(tmp: Path) -> list[object]:
    return [tmp / "nowhere"]


def empty(tmp: Path) -> list[object]:
    return [folder_of(tmp)]


def no_pictures(tmp: Path) -> list[object]:
    return [folder_of(tmp, notes__txt=b"hello")]


def text_named_jpg(tmp: Path) -> list[object]:
    return [folder_of(tmp, a__jpg=b"hello", b__jpg=b"hello")]


def one_frame(tmp: Path) -> list[object]:
    return [bursts.write(tmp / "burst", 1)]


def one_good_of_three(tmp: Path) -> list[object]:
    place = bursts.write(tmp / "burst", 1)
    (place / "b.jpg").write_bytes(b"hello")
    (place / "c.jpg").write_bytes((place / "frame_000.jpg").read_bytes()[:9000])
    return [place]


def nobody(tmp: Path) -> list[object]:
    rng = np.random.default_rng(0)
    wall = cv2.resize(rng.integers(0, 255, (60, 80, 3), np.uint8), (640, 480))
    return [folder_of(tmp, a__png=png(wall), b__png=png(wall))]


def absurdly_large(tmp: Path) -> list[object]:
    # A PNG header that promises 100 000 x 100 000 pixels: it must be refused before it is decoded.
    small = png(np.zeros((2, 2, 3), np.uint8))
    import struct
    import zlib

    head = struct.pack(">II", 100_000, 100_000) + small[24:29]
    chunk = b"IHDR" + head
    large = small[:12] + chunk + struct.pack(">I", zlib.crc32(chunk)) + small[33:]
    return [folder_of(tmp, a__png=large, b__png=large)]


@pytest.mark.parametrize(
    ("make", "code", "words"),
    [
        (missing, 3, "nowhere"),
        (empty, 3, "burst"),
        (no_pictures, 3, "burst"),
        (text_named_jpg, 3, "a.jpg"),
        (one_frame, 3, "at least two frames"),
        (one_good_of_three, 3, "two"),
        (nobody, 5, "No face was found"),
        (absurdly_large, 3, "a.png"),
    ],
    ids=lambda v: getattr(v, "__name__", None),
)
@pytest.mark.parametrize("command", ["merge", "cull"])
def test_input_that_cannot_be_used_is_one_sentence(
    command: str, make: Callable[[Path], list[object]], code: int, words: str, tmp_path: Path
) -> None:
    """One sentence on stderr, a non-zero exit, nothing written, nothing of the user's touched."""
    sources = make(tmp_path)
    before = everything(tmp_path)
    ran = run(command, *sources, "-o", tmp_path / "out")
    assert ran.code == code
    assert ran.stdout == ""
    assert ran.stderr.count("\n") == 1
    assert ran.stderr.startswith("facemerge: ")
    assert ran.stderr.rstrip().endswith((".", ")"))
    assert words in ran.stderr
    assert everything(tmp_path) == before
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["--base", "nope.jpg"], 4, "no frame 'nope.jpg'"),
        (["--keep", "P09"], 4, "no person 'P09'"),
        (["--take", "P01"], 4, "--take"),
        (["--take", "P01=a", "--take", "P01=b"], 4, "two frames for P01"),
        (["--set", "scores.weight_ears=1"], 4, "There is no option"),
        (["--set", "scores.weight_eyes"], 4, "--set"),
        (["--weigh", "ears=1"], 4, "--weigh"),
        (["--weigh", "eyes=99"], 4, "0 and 10"),
        (["--settings", "/nowhere/mine.toml"], 4, "cannot be read"),
        (["--models", "/dev"], 7, "/dev does not hold the model"),
        (["--weigh", "eyes"], 4, "--weigh takes a part and its weight"),
        (["--set", "align.work_px=" + "9" * 400], 4, "out of range"),
    ],
    ids=lambda v: " ".join(v) if isinstance(v, list) else None,
)
def test_a_wrong_word_is_one_sentence(
    words: list[str], code: int, said: str, burst: Path, tmp_path: Path
) -> None:
    """The sentence says what is wrong, and nothing is written."""
    ran = run("cull", burst, "-o", tmp_path / "out", *words)
    assert ran.code == code
    assert said in ran.stderr
    assert ran.stderr.count("\n") == (1 if code else 0)
    assert (tmp_path / "out").exists() == (code == 0)


def test_a_wrong_form_of_picture_is_one_sentence(burst: Path, tmp_path: Path) -> None:
    """A finished picture is tif, png or jpg."""
    ran = run("merge", burst, "-o", tmp_path / "out", "--picture", "gif")
    assert ran.code == 4
    assert "'gif'" in ran.stderr


def test_a_broken_frame_among_good_ones_is_left_out_and_named(out: Path, tmp_path: Path) -> None:
    """Text named .jpg and a cut-off file end no run; the report names both."""
    place = bursts.write(tmp_path / "burst")
    (place / "text.jpg").write_bytes(b"hello")
    (place / "cut.jpg").write_bytes((place / "frame_001.jpg").read_bytes()[:20000])
    assert run("cull", place, "-o", out).code == 0
    report = json.loads((out / "report.json").read_text(encoding="utf-8"))
    said = " ".join(report["notes"])
    assert "text.jpg" in said
    assert "cut.jpg" in said
    assert [f["file"] for f in report["frames"]] == [f"frame_{i:03d}.jpg" for i in range(4)]


def test_a_frame_of_another_group_gives_no_head(out: Path, tmp_path: Path) -> None:
    """Another picture of the same size is not aligned, the report says why, and nobody is taken from it."""
    place = bursts.write(tmp_path / "burst")
    rng = np.random.default_rng(9)
    other = cv2.resize(
        rng.integers(0, 255, (30, 45, 3), np.uint8), bursts.SIZE, interpolation=cv2.INTER_CUBIC
    )
    cv2.imwrite(str(place / "other.jpg"), other)
    assert run("cull", place, "-o", out).code == 0
    report = json.loads((out / "report.json").read_text(encoding="utf-8"))
    record = next(f for f in report["frames"] if f["file"] == "other.jpg")
    assert record["aligned"] is False
    assert record["note"]
    assert [d["file"] for d in report["dropped"]] == ["other.jpg"]
    assert all(p["pick"] != "other.jpg" for p in report["people"])


def test_a_frame_of_another_size_gives_no_head(out: Path, tmp_path: Path) -> None:
    """A smaller picture among the frames is left out with its reason."""
    place = bursts.write(tmp_path / "burst")
    small = cv2.resize(bursts.frame(7)[..., ::-1], (600, 400), interpolation=cv2.INTER_AREA)
    cv2.imwrite(str(place / "small.jpg"), small)
    assert run("cull", place, "-o", out).code == 0
    report = json.loads((out / "report.json").read_text(encoding="utf-8"))
    record = next(f for f in report["frames"] if f["file"] == "small.jpg")
    assert record["aligned"] is False
    assert "size" in record["note"] or "600" in record["note"]


@pytest.mark.parametrize("kind", ["a file", "other files", "the burst itself"])
def test_a_place_that_is_not_ours_is_refused_before_the_work(
    kind: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """OUT that is a file, that holds somebody's files, or that holds the frames stays as it was."""
    place = bursts.write(tmp_path / "burst", 2)
    out = tmp_path / "out"
    if kind == "a file":
        out.write_text("mine")
    elif kind == "other files":
        out.mkdir()
        (out / "wedding.psd").write_text("mine")
    else:
        out = place
    before = everything(tmp_path)
    # With models that cannot be had, work that had begun would end with exit code 7 instead.
    monkeypatch.setitem(room.SHA256, "face_landmarker.task", "of another file")
    ran = run("merge", place, "-o", out)
    assert ran.code == 6
    assert ran.stderr.count("\n") == 1
    assert everything(tmp_path) == before


def test_an_earlier_result_is_replaced_as_a_whole(place: Path, tmp_path: Path) -> None:
    """After a cull into the folder of a merge no picture of the merge is left over."""
    out = Path(shutil.copytree(place / "out", tmp_path / "out"))
    assert run("cull", "--afresh", place / "burst", "-o", out).code == 0
    assert sorted(p.name for p in out.iterdir()) == ["report.html", "report.json"]
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def start(*words: object) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "facemerge", *map(str, words)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=Path(words[-1]).parent,  # type: ignore[arg-type]
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGKILL], ids=["Ctrl-C", "killed"])
def test_stopped_half_way_nothing_is_half_written(how: signal.Signals, place: Path, tmp_path: Path) -> None:
    """OUT is as it was; after a kill the next run clears what the dead one left beside it."""
    burst = Path(shutil.copytree(place / "burst", tmp_path / "burst"))
    out = Path(shutil.copytree(place / "culled", tmp_path / "out"))
    before = everything(out)
    running = start("merge", "--afresh", burst, "-o", out)
    while running.poll() is None and len(list(tmp_path.iterdir())) < 3:
        time.sleep(0.01)
    running.send_signal(how)
    _, stderr = running.communicate(timeout=60)
    assert everything(out) == before
    if how is signal.SIGINT:
        assert running.returncode == 130
        assert stderr == "facemerge: stopped; nothing was written.\n"
        assert sorted(p.name for p in tmp_path.iterdir()) == ["burst", "out"]
    else:
        assert running.returncode == -signal.SIGKILL
        bursts.known_beside(out, place)
        assert run("merge", burst, "-o", out).code == 0
        assert sorted(p.name for p in tmp_path.iterdir()) == ["burst", "out", "out.facemerge-cache"]
        assert everything(out) == everything(place / "out")


# -- how far it is, and where the time went -----------------------------------------------------------------


@pytest.mark.parametrize("command", ["merge", "cull"])
def test_timings_are_said_when_asked_for(command: str, burst: Path, tmp_path: Path) -> None:
    """After the usual lines a table whose shares are all the time; without --timings no word of it."""
    ran = run(command, burst, "-o", tmp_path / "out", "--timings")
    assert ran.code == 0
    before, _, table = ran.stdout.partition("Where the time went, ")
    assert before == run(command, burst, "-o", tmp_path / "out").stdout
    rows = [re.fullmatch(r"  ( *)(\S.*?) +([0-9.]+) s +([0-9]+) %", line) for line in table.splitlines()[1:]]
    assert all(rows)
    steps = {row[2]: (float(row[3]), int(row[4])) for row in rows if row and not row[1]}
    assert {"Loading the program", "Looking at the frames", "Writing", "All else"} <= set(steps)
    assert 95 <= sum(share for _, share in steps.values()) <= 105
    assert sum(seconds for seconds, _ in steps.values()) == pytest.approx(float(table.split()[0]), abs=0.2)
    parts = {row[2] for row in rows if row and row[1]}
    assert {"Reading the files", "Finding the faces", "Measuring the faces", "Aligning"} <= parts


def test_a_terminal_shows_how_long_it_will_take(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing at first, then from what is done, begun anew with each step; the line is wiped at its end."""
    screen = io.StringIO()
    monkeypatch.setattr(screen, "isatty", lambda: True)
    monkeypatch.setattr(sys, "stderr", screen)
    now_s = 0.0
    monkeypatch.setattr(told, "time", types.SimpleNamespace(perf_counter=lambda: now_s))
    show = told.progress()
    for what, total in (("Looking", 30), ("Setting in", 3)):
        for done in range(total + 1):
            show(what, done, total)
            now_s += 4
    shown = [line for line in screen.getvalue().split("\r\033[K") if line]
    assert shown[:3] == ["Looking: 0 of 30", "Looking: 1 of 30", "Looking: 2 of 30, about 2 min left"]
    assert shown[15] == "Looking: 15 of 30, about 60 s left"
    assert shown[25] == "Looking: 25 of 30, about 20 s left"
    assert shown[30:33] == ["Looking: 30 of 30", "Setting in: 0 of 3", "Setting in: 1 of 3"]
    assert screen.getvalue().endswith("\r\033[K")


@pytest.mark.parametrize(
    ("left_s", "words"), [(2, "5 s"), (43, "45 s"), (88, "90 s"), (100, "2 min"), (3000, "50 min")]
)
def test_what_is_left_is_said_as_roughly_as_it_is_known(left_s: float, words: str) -> None:
    """To five seconds, later to minutes."""
    assert told._left(10, 20, left_s) == f", about {words} left"


# -- help ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_explains_itself_with_an_example(command: str) -> None:
    """--help names the command, says what it does, and shows a line to type."""
    ran = run(command, "--help")
    assert ran.code == 0
    assert "Example: facemerge" in ran.stdout


def test_no_words_show_the_help() -> None:
    """The bare name lists the commands."""
    ran = run()
    assert ran.code == 2
    assert all(command in ran.stdout + ran.stderr for command in COMMANDS)


def test_help_waits_for_no_heavy_library() -> None:
    """`--help` loads none of the picture libraries."""
    code = (
        "import sys\n"
        "sys.argv = ['facemerge', 'merge', '--help']\n"
        "from facemerge.cli import main\n"
        "main()\n"
        "heavy = {'numpy', 'cv2', 'scipy', 'skimage', 'PIL', 'tifffile', 'jinja2'} & set(sys.modules)\n"
        "sys.exit(f'loaded: {heavy}' if heavy else 0)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")


def test_the_version_is_the_packages() -> None:
    """--version prints name and version."""
    ran = run("--version")
    assert ran.code == 0
    assert ran.stdout.startswith("facemerge ")
