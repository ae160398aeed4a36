"""A whole card: every family found and made as merge makes it, and what fails costs no other."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import dumps
import pytest
from once import Once
from typer.testing import CliRunner

from facemerge import pipeline
from facemerge.batch import Batch
from facemerge.cli import app


@pytest.fixture(scope="module")
def card(once: Once) -> Path:
    return dumps.made_card(once)


@pytest.fixture(scope="module")
def done(once: Once) -> tuple[Batch, Path]:
    return dumps.made_batch(once)


def test_a_card_becomes_the_groups_it_was_drawn_of(done: tuple[Batch, Path], tmp_path: Path) -> None:
    """Each family has its folder, the wall is named and not dumps.run, and the index says so."""
    batch, out = done
    truth = dumps.write(tmp_path, dumps.SHOTS)
    groups = {g["name"]: {truth[f["file"]] for f in g["frames"]} for g in batch.index["groups"]}
    assert groups == dict(zip(dumps.NAMES, [{"A"}, {"B"}], strict=True)) | {"single_IMG_9999": {dumps.WALL}}
    assert [g["state"] for g in batch.index["groups"]] == ["made", "idle", "made"]
    assert sum(len(g["frames"]) for g in batch.index["groups"]) == len(dumps.SHOTS)
    assert {p.name for p in out.iterdir()} == {
        *dumps.NAMES,
        ".records",
        "groups.txt",
        "index.html",
        "index.json",
    }
    assert json.loads((out / "index.json").read_bytes()) == batch.index
    assert all((out / g["report"]).is_file() for g in batch.index["groups"] if g["state"] == "made")


def test_a_group_is_what_merge_makes_of_its_frames(
    done: tuple[Batch, Path], card: Path, tmp_path: Path
) -> None:
    """To the last byte."""
    batch, out = done
    (entry,) = (g for g in batch.index["groups"] if g["name"] == dumps.NAMES[0])
    pipeline.merge(
        [card / f["file"] for f in entry["frames"]],
        tmp_path / "x",
        pictures=("jpg",),
        layers=False,
        afresh=True,
    )
    assert dumps.everything(tmp_path / "x", card) == dumps.everything(out / dumps.NAMES[0], card)


def test_one_process_or_two_and_an_out_inside_the_card_make_no_difference(
    done: tuple[Batch, Path], card: Path, tmp_path: Path
) -> None:
    """The same bytes everywhere, pages and records too, and the card's own files as they were."""
    own = Path(shutil.copytree(card, tmp_path / "card"))
    before = dumps.everything(own)
    dumps.run(own, own / "out", processes=1)
    assert dumps.everything(own / "out", own) == dumps.everything(done[1], card)
    again = dumps.run(own, own / "out")
    assert again.kept == 2
    shutil.rmtree(own / "out")
    assert dumps.everything(own) == before


def test_a_broken_group_costs_no_other(tmp_path: Path) -> None:
    """A group of walls fails with its sentence, the rest is made, the shell hears of it."""
    text = "[walls]\n{0[2]}\n{1}\n[good]\n{0[0]}\n{0[1]}\n".format(
        list(dumps.write(tmp_path / "card", dumps.SHOTS[:3])), "wall.jpg"
    )
    dumps.save(tmp_path / "card" / "wall.jpg", dumps.picture(dumps.WALL, 9), None)
    (tmp_path / "groups.txt").write_text(text)
    words = ["batch", tmp_path / "card", "-o", tmp_path / "out", "--groups", tmp_path / "groups.txt"]
    with dumps.here():
        ran = CliRunner().invoke(app, [str(w) for w in [*words, "--no-layers", "--picture", "jpg"]])
    assert ran.exit_code == 1
    assert ran.stdout.startswith("2 groups: 1 made, 1 failed")
    assert "Failed: walls: No face was found" in ran.stdout
    assert ran.stderr == ""
    assert "No face was found" in (tmp_path / "out" / "index.html").read_text("utf-8")
    assert not (tmp_path / "out" / "walls").exists()
