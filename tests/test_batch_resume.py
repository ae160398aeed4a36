"""A batch that goes on: nothing done twice, nothing lost, whatever happened before."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import dumps
import pytest
from once import Once

from facemerge import pipeline
from facemerge.batch import Batch, Form, GroupsFile
from facemerge.batch.job import make_job, standing
from facemerge.batch.plan import Planned, PlannedFrame
from facemerge.options import Options, build


@pytest.fixture(scope="module")
def card(once: Once) -> Path:
    return dumps.made_card(once)


@pytest.fixture(scope="module")
def done(once: Once) -> tuple[Batch, Path]:
    return dumps.made_batch(once)


@pytest.fixture
def finished(done: tuple[Batch, Path], tmp_path: Path) -> Path:
    """A finished batch to spoil."""
    return Path(shutil.copytree(done[1], tmp_path / "finished"))


def test_what_is_finished_is_not_done_again(finished: Path, card: Path) -> None:
    """A second dumps.run starts no merge and leaves every folder as it was."""
    before, content = [dumps.identity(finished / n) for n in dumps.NAMES], dumps.everything(finished)
    batch = dumps.run(card, finished)
    assert batch.kept == 2
    assert [dumps.identity(finished / n) for n in dumps.NAMES] == before
    assert dumps.everything(finished) == content
    assert "2 of them by an earlier run" in batch.summary[0]


def test_only_what_has_changed_is_done_again(finished: Path, card: Path, tmp_path: Path) -> None:
    """One frame with other content: its group is made anew, the others stay."""
    own = Path(shutil.copytree(card, tmp_path / "card"))
    path = sorted(own.rglob("*.JPG"), key=lambda p: p.stat().st_mtime_ns)[-1]
    path.write_bytes(path.read_bytes() + b"\0")
    before = [dumps.identity(finished / n) for n in dumps.NAMES]
    assert dumps.run_here(own, finished).kept == 1
    assert [dumps.identity(finished / n) == b for n, b in zip(dumps.NAMES, before, strict=True)] == [
        True,
        False,
    ]


FRAME = PlannedFrame(path=Path("/card/a.jpg"), name="a.jpg", digest="0" * 64, time_s=None)


@pytest.mark.parametrize(
    ("setting", "form", "digest", "same"),
    [
        ({}, dumps.FORM, "0", True),
        ({"grouping.pause_s": 40}, dumps.FORM, "0", True),
        ({"choice.swap_cost": 0.2}, dumps.FORM, "0", False),
        ({}, Form(pictures=("png",), layers=False), "0", False),
        ({}, dumps.FORM, "1", False),
    ],
    ids=["nothing", "sorting", "merging", "form", "content"],
)
def test_a_group_is_known_by_what_matters_to_it(
    setting: dict[str, object], form: Form, digest: str, same: bool, tmp_path: Path
) -> None:
    """Settings of the merge, the form and the content make a group anew; those of the sorting do not."""
    one = Planned(name="001", frames=(FRAME,), why="")
    other = replace(one, name="002", frames=(replace(FRAME, digest=digest * 64),))
    first = make_job(one, tmp_path, Options(), dumps.FORM, None)
    second = make_job(other, tmp_path, build(setting), form, None)
    assert (first.fingerprint == second.fingerprint) is same


def test_groups_that_get_other_numbers_are_renamed_and_not_made_again(
    finished: Path, card: Path, tmp_path: Path
) -> None:
    """The card gets a family that was taken before all others."""
    own = Path(shutil.copytree(card, tmp_path / "card"))
    for n in range(2):
        moment = dumps.START.replace(hour=9, minute=10, second=n)
        dumps.save(own / "other" / f"P_{n}.jpg", dumps.picture("B", 4 + n), moment)
    before = [dumps.identity(finished / n) for n in dumps.NAMES]
    batch = dumps.run_here(own, finished)
    assert batch.kept == 2
    assert [g["name"] for g in batch.index["groups"] if g["state"] == "made"][1:] == [
        f"{i:03d}{n[3:]}" for i, n in enumerate(dumps.NAMES, 2)
    ]
    assert [dumps.identity(finished / f"{i:03d}{n[3:]}") for i, n in enumerate(dumps.NAMES, 2)] == before


def test_what_somebody_made_by_hand_since_stays(finished: Path, card: Path) -> None:
    """A group merged again with another base is kept and said, under the same settings and under others."""
    frames = sorted(card.rglob("*.JPG"))
    entry = json.loads((finished / "index.json").read_bytes())["groups"][0]
    sources = [p for p in frames if p.relative_to(card).as_posix() in {f["file"] for f in entry["frames"]}]
    pipeline.merge(sources, finished / dumps.NAMES[0], options=build({"choice.swap_cost": 1}), afresh=True)
    mine = dumps.everything(finished / dumps.NAMES[0])
    for options in (Options(), build({"scores.weight_gaze": 0.5})):
        batch = dumps.run_here(card, finished, options=options)
        assert batch.index["groups"][0]["by_hand"] is True
        assert dumps.everything(finished / dumps.NAMES[0]) == mine


def test_edited_groups_are_not_written_over_and_are_obeyed(finished: Path, card: Path) -> None:
    """Forgotten, the user's file stays and that is said; given back, its groups and names are used."""
    text = (finished / "groups.txt").read_text("utf-8")
    edited = text.replace(f"[{dumps.NAMES[0]}]", "[the Smiths]")
    (finished / "groups.txt").write_text(edited, "utf-8")
    batch = dumps.run(card, finished)
    assert any("groups.txt was edited" in note for note in batch.index["notes"])
    batch = dumps.run(card, finished, groups=GroupsFile(text=edited, name="groups.txt"))
    assert batch.kept == 2
    assert "the Smiths" in dumps.states(batch)
    assert not (finished / dumps.NAMES[0]).exists()
    assert (finished / "groups.txt").read_text("utf-8") == edited


def test_killed_between_the_result_and_its_record_the_result_counts(finished: Path, card: Path) -> None:
    """The rename was the last thing that happened: the group is finished, whatever its record says."""
    (record,) = (
        p
        for p in (finished / ".records").glob("*.json")
        if json.loads(p.read_bytes())["folder"] == dumps.NAMES[1]
    )
    told = json.loads(record.read_bytes())
    begun = {k: told[k] for k in ("schema", "fingerprint", "folder")} | {"state": "begun", "before": None}
    record.write_text(json.dumps(begun))
    before = dumps.identity(finished / dumps.NAMES[1])
    assert dumps.run(card, finished).kept == 2
    assert dumps.identity(finished / dumps.NAMES[1]) == before
    assert json.loads(record.read_bytes()) == told


# -- stopped ------------------------------------------------------------------------------------------------


def start(card: Path, out: Path) -> subprocess.Popen[str]:
    words = ["batch", card, "-o", out, "--processes", "1", "--no-layers", "--picture", "jpg"]
    return subprocess.Popen(
        [sys.executable, "-m", "facemerge", *map(str, words)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=out.parent,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )


def half_done(out: Path) -> list[str]:
    return [p.name for p in out.glob(".*-new")] if out.exists() else []


def wait_for(what: Callable[[], bool], limit_s: float = 60) -> None:
    """Wait until something holds; a guard against hanging, no measure of speed."""
    until = time.monotonic() + limit_s
    while not what():
        assert time.monotonic() < until
        time.sleep(0.01)


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGKILL], ids=["Ctrl-C", "killed"])
def test_stopped_in_the_middle_the_same_line_goes_on(
    how: signal.Signals, done: tuple[Batch, Path], card: Path, tmp_path: Path
) -> None:
    """What was finished is kept, what was half-done is cleared, and the end is that of an undisturbed run."""
    out = dumps.begun(tmp_path / "out", done[1])
    running = start(card, out)
    wait_for(lambda: running.poll() is not None or ((out / dumps.NAMES[0]).exists() and bool(half_done(out))))
    running.send_signal(how)
    _, stderr = running.communicate(timeout=60)
    first = dumps.identity(out / dumps.NAMES[0])
    assert not (out / dumps.NAMES[1]).exists()
    if how is signal.SIGINT:
        assert running.returncode == 130
        assert stderr == "facemerge: stopped; groups that are finished are kept, the same line goes on.\n"
        assert half_done(out) == []
        index = json.loads((out / "index.json").read_bytes())
        assert [g["state"] for g in index["groups"]] == ["made", "idle", "waiting"]
    else:
        assert running.returncode == -signal.SIGKILL
    batch = dumps.run_here(card, out)
    assert batch.kept == 1
    assert dumps.identity(out / dumps.NAMES[0]) == first
    assert half_done(out) == []
    assert dumps.everything(out, card) == dumps.everything(done[1], card)


@pytest.mark.parametrize("damage", [b"", b"{", b"[]", b'{"schema": "facemerge-record/1"}', None])
def test_a_damaged_record_is_as_good_as_none(damage: bytes | None, finished: Path) -> None:
    """What cannot be understood is not believed; the group is made again, and nothing else."""
    for path in (finished / ".records").glob("*.json"):
        told = json.loads(path.read_bytes())
        if told["folder"] == dumps.NAMES[1]:
            assert standing(finished, told["fingerprint"], dumps.NAMES[1]) is not None
            path.unlink() if damage is None else path.write_bytes(damage)
            assert standing(finished, told["fingerprint"], dumps.NAMES[1]) is None
        else:
            assert standing(finished, told["fingerprint"], dumps.NAMES[0]) is not None


def test_a_picture_taken_away_is_made_again(finished: Path) -> None:
    """A result without its composite is not finished."""
    (finished / dumps.NAMES[0] / "composite.jpg").unlink()
    (key,) = (
        told["fingerprint"]
        for p in (finished / ".records").glob("*.json")
        if (told := json.loads(p.read_bytes()))["folder"] == dumps.NAMES[0]
    )
    assert standing(finished, key, dumps.NAMES[0]) is None


def test_what_dead_processes_left_is_cleared_and_what_a_living_one_does_is_not(
    finished: Path, card: Path
) -> None:
    """Of groups that are no longer there too; a merge at work by hand beside the batch keeps its folder."""
    gone = subprocess.Popen([sys.executable, "-c", ""])
    gone.wait()
    dead = finished / f".old-name.facemerge-{gone.pid}-0a0a0a-0a0a0a0a-new"
    living = finished / f".{dumps.NAMES[0]}.facemerge-{os.getpid()}-0a0a0a-0a0a0a0a-new"
    for folder in (dead, living):
        folder.mkdir()
    dumps.run(card, finished)
    assert (dead.exists(), living.exists()) == (False, True)
