"""The benchmark draws what it says, watches what it runs, and puts its numbers where they belong."""

from __future__ import annotations

import itertools
import json
import re
import shutil
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from skimage.color import deltaE_ciede2000, rgb2lab
from typer.testing import CliRunner

from facemerge import composite
from facemerge.cli import app, told
from facemerge.formats.openraster import write_ora
from facemerge.pipeline import Clock
from facemerge.words import Face, Head, Joint

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "scripts"))

import benchmark
from bench import burst, judge, reference, tables, watch

RECIPE = burst.Recipe(people=2, of=2, frames=3, width=900, height=600)


@pytest.fixture(scope="module")
def folder(once, tmp_path_factory):
    """A folder in which one small burst was drawn."""
    drawn = once("burst of the benchmark", lambda place: burst.draw_burst(place, RECIPE, workers=1))
    return shutil.copytree(drawn, tmp_path_factory.mktemp("bursts") / "drawn")


@pytest.fixture
def frames(folder):
    return sorted((folder / RECIPE.name).glob("*.jpg"))


@pytest.fixture
def truth(folder):
    return json.loads((folder / RECIPE.name / "truth.json").read_text())


@pytest.fixture(scope="module")
def composed(folder):
    """What the plain reference makes of it, and the picture."""
    out = folder / "reference.tif"
    made = reference.compose(sorted((folder / RECIPE.name).glob("*.jpg")), out, long_side=600)
    return made, reference.read(out)


def test_a_burst_is_drawn_once(folder, frames):
    """A frame that is there is left alone, and one that is missing is drawn anew to the same bytes."""
    whole = [p.read_bytes() for p in frames]
    marked = whole[0] + b"left alone"
    frames[0].write_bytes(marked)
    frames[1].unlink()
    again = burst.draw_burst(folder, RECIPE, workers=1)
    found = [p.read_bytes() for p in again]
    frames[0].write_bytes(whole[0])
    assert found == [marked, *whole[1:]]


def test_another_burst_of_the_same_name_is_not_taken_for_it(folder):
    """A burst of another recipe is refused, not measured as if it were the one asked for."""
    other = burst.Recipe(people=2, of=2, frames=3, width=900, height=600, seed=8)
    with pytest.raises(FileExistsError, match="another burst"):
        burst.draw_burst(folder, other, workers=1)


def test_more_frames_are_the_same_a_little_aside(folder, frames):
    """Frames beyond the burst's own are no copies, have its size, and are made from its own by turns."""
    more = burst.more_frames(folder / "more", frames, 5, workers=1)
    assert more[:3] == frames
    assert len({p.read_bytes() for p in more}) == 5
    assert {reference.read(p).shape for p in more} == {(600, 900, 3)}


@pytest.mark.parametrize("size", [(600, 400), (1200, 800)])
def test_a_frame_of_another_size_shows_the_same(folder, frames, size):
    """Resized frames show the burst's own picture at their size, once grain is averaged out."""
    (made,) = burst.resized(folder / f"{size[0]}", frames[:1], size, workers=1)
    # Shrunk so far, grain averages out; what is left is rounding.
    pictures = [reference.read(p).astype(np.float32) for p in (made, frames[0])]
    assert pictures[0].shape == (size[1], size[0], 3)
    small = [cv2.resize(p, (60, 40), interpolation=cv2.INTER_AREA) for p in pictures]
    assert abs(small[0] - small[1]).mean() < 1.0
    assert made.read_bytes() != frames[0].read_bytes()


@pytest.mark.parametrize(("megapixels", "size"), [(24, (6000, 4000)), (6, (3000, 2000))])
def test_megapixels_become_a_size_of_three_to_two(megapixels, size):
    """24 megapixels are 6000 x 4000, as 6000 times 4000 has it."""
    assert burst.size_of(megapixels) == size


def test_the_reference_puts_frames_in_place(composed, truth):
    """On brick and hedge SIFT and RANSAC lie within 2 px of the drawn truth (measured: 0.2 and 0.6)."""
    made, _ = composed
    apart = judge.placed_px(truth, made["base"], made["to_base"])
    assert len(apart) == 2
    assert 0 < max(apart) < 2


def test_the_reference_takes_good_faces(composed, truth):
    """Everybody who has a good face in the drawn truth is given one."""
    right, possible = judge.good_picks(truth, [(p["frame"], p["box"]) for p in composed[0]["picks"]])
    assert (right, possible) == (2, 2)


def test_the_reference_changes_heads_and_nothing_else(composed, frames):
    """Inside the ellipses the picture is another than the base, outside it is the base but for one step."""
    made, picture = composed
    assert made["seams"]
    base = reference.read(next(p for p in frames if p.name == made["base"]))
    apart = abs(picture.astype(int) - base).max(2)
    inside = np.zeros(apart.shape, bool)
    for pick in made["picks"]:
        x0, y0, x1, y1 = (int(v) for v in pick["box"])
        # The ellipse with its feather, and what a person moves between frames: a face's width about each.
        reach = x1 - x0
        inside[max(0, y0 - reach) : y1 + reach, max(0, x0 - reach) : x1 + reach] = True
    assert apart[inside].max() > 30
    assert apart[~inside].max() <= 1


def test_a_feathered_ellipse_is_whole_inside_and_nothing_far_off(models, frames):
    """The mask is 1 on the face's middle, a half on the ellipse, 0 in the far corner."""
    (face, *_) = reference.look(reference.read(frames[0]), models, 300).faces
    mask = reference.ellipse((600, 900), face)
    x0, y0, x1, y1 = face.box
    x, y = round((x0 + x1) / 2), round((y0 + y1) / 2 - 0.1 * (y1 - y0))
    assert mask[y, x] > 0.99
    assert 0.35 < mask[y, round(x + reference.ELLIPSE[0] * (x1 - x0))] < 0.65
    assert mask[-1, -1] == 0


def test_frames_out_of_place_are_measured_in_pixels():
    """A frame three pixels right and four down of its true place is five off; one not placed is none."""
    from_scene = [[1.01, 0.0, 5.0], [0.0, 0.99, -2.0], [0.0, 0.0, 1.0]]
    truth = {
        "width": 90,
        "height": 60,
        "frames": [{"file": n, "homography": from_scene} for n in ("a", "b", "c")],
    }
    aside = [[1, 0, 3], [0, 1, 4], [0, 0, 1]]
    found = judge.placed_px(truth, "a", {"a": np.eye(3).tolist(), "b": aside, "c": None})
    assert found == pytest.approx([5.0])


def test_seams_of_a_result_are_measured_as_the_references_own(tmp_path):
    """Grey laid on grey with a soft mask: everywhere the CIEDE2000 of the two greys (scikit-image), above the
    first head against that and not against the base; and the reference's own is measured by the same rule."""
    greys = (120, 130, 150)
    pictures = [np.full((80, 120, 3), v, np.uint8) for v in greys]
    x = np.arange(120)
    heads = []
    for person, above, (left, right) in (("P01", pictures[1], (20, 100)), ("P02", pictures[2], (40, 80))):
        share = np.clip(np.minimum(x - left, right - x) / 12 + 0.5, 0, 1)
        mask = np.tile(np.rint(255 * share).astype(np.uint8), (80, 1))
        heads.append(
            Head(person=person, offset=(0, 0), pixels=above, mask=mask, joint=Joint(), placement="drawn")
        )
    write_ora(tmp_path / "a.ora", pictures[0], heads, composite.lay(pictures[0], heads))
    labs = [rgb2lab(p[:1, :1] / 255) for p in pictures]
    apart = [float(deltaE_ciede2000(a, b)[0, 0]) for a, b in itertools.pairwise(labs)]
    found = judge.seams_of(tmp_path / "a.ora")
    assert [s["delta_e_median"] for s in found] == pytest.approx(apart, abs=0.05)
    assert [s["delta_e_p95"] for s in found] == pytest.approx(apart, abs=0.05)
    face = Face(
        box=(40, 20, 80, 60),
        landmarks=np.zeros((478, 3)),
        blendshapes=np.zeros(52),
        appearance=np.ones(1),
        confidence=1.0,
    )
    merged = pictures[0].copy()
    own = reference.lay(merged, pictures[1], np.eye(3), face)
    assert merged[40, 60].tolist() == [greys[1]] * 3
    assert [own["delta_e_median"], own["delta_e_p95"]] == pytest.approx([apart[0]] * 2, abs=0.05)


def test_memory_is_the_programs_own(tmp_path):
    """A program that holds 300 MB for half a second has a peak of that and an interpreter's 2 to 100 MB."""
    held = "import time; b = bytearray(300_000_000); time.sleep(0.5); print('done')"
    ran = watch.run([sys.executable, "-c", held])
    assert 302 < ran.peak_mb < 400
    assert ran.output == "done\n"


def test_memory_of_children_counts():
    """What a program's child holds is added to what it holds itself."""
    child = "import time; b = bytearray(300_000_000); time.sleep(0.5)"
    start = f"subprocess.run([sys.executable, '-c', {child!r}])"
    parent = f"import subprocess, sys; b = bytearray(150_000_000); {start}"
    assert 455 < watch.run([sys.executable, "-c", parent]).peak_mb < 600


def test_a_run_that_fails_is_a_sentence():
    """A program that ends badly is not measured: its exit code and last words are told."""
    with pytest.raises(watch.FailedError, match=r"ended with 3: no such place"):
        watch.run([sys.executable, "-c", "import sys; print('no such place', file=sys.stderr); sys.exit(3)"])


def test_stages_are_read_as_the_program_prints_them(capsys):
    """Every stage and part that the program's own table has comes out of it again, to a hundredth."""
    clock = Clock()
    with clock.stage("Looking at the frames"), clock.part("Finding the faces"):
        sum(range(300_000))
    with clock.stage("Writing"):
        pass
    spent = clock.spent
    told.tell_times(clock)
    found = watch.stages_of(capsys.readouterr().out)
    assert list(found) == [
        "Looking at the frames",
        "Looking at the frames: Finding the faces",
        "Writing",
        "All else",
    ]
    assert list(found.values())[:3] == pytest.approx([s.seconds for s in spent][:3], abs=0.0051)


def a_run(wall_s: float, frames: int = 60) -> dict[str, Any]:
    return {
        "frames": frames,
        "wall_s": wall_s,
        "cpu_s": 2 * wall_s,
        "peak_mb": 900.0,
        "others_cores": 0.02,
        "stages": {},
    }


@pytest.fixture
def measured():
    """Times that were never taken, so that what the tables make of them can be reckoned by hand."""
    looked = {"stages": {"Looking": 15.0, "Looking: Aligning": 4.0, "Writing": 5.0}}
    seen = {"heads": 3, "stages": {"Looking at the frames": 6.0, "Choosing heads and setting them in": 2.0}}
    judged = {
        "good_picks": 9,
        "people": 10,
        "heads_set_in": 4,
        "frames_placed": 59,
        "placed_px_median": 0.25,
        "placed_px_worst": None,
        "seam_delta_e_median": 0.5,
        "seam_delta_e_p95": 2.0,
        "seam_delta_e_worst": 3.0,
    }
    return {
        "machine": {
            "processor": "Abacus",
            "cores": 2,
            "python": "3.11",
            "opencv": "5",
            "load_before": 0.1,
            "load_after": 1.5,
        },
        "repeats": 3,
        "reference_repeats": 1,
        "long_side": 2000,
        "burst": {"frames": 60, "people": 10, "width": 6000, "height": 4000, "megabytes": 9.5},
        "whole": {
            "floor": [a_run(10), a_run(10), a_run(8)],
            "merge": [a_run(20) | looked, a_run(30) | looked, a_run(32) | looked],
            "weight": [a_run(5) | {"stages": {"Looking": s, "Writing": 3.0}} for s in (0.1, 0.3, 0.2)],
            "reference": [a_run(100, 12)],
            "floor_of_reference": [a_run(2, 12)],
        },
        "judged": {"merge": judged},
        "frames": [{"at": 30, "floor": [a_run(4, 30)], "merge": [a_run(9, 30) | seen]}],
        "people": [{"at": 5, "floor": [a_run(2, 10)], "merge": [a_run(5, 10) | {"heads": 1}]}],
        "imports": {"typer": [a_run(0.1)], "help": [a_run(0.25)]},
    }


@pytest.mark.parametrize(
    "row",
    [
        # 20 / 10, 30 / 10, 32 / 8: each run against its own floor.
        "| `facemerge merge`, the first time | 60 | 30.0 (20.0 to 32.0) | 3.00 (2.00 to 4.00) |",
        # 5 / 20, 5 / 30, 5 / 32.
        "| 0.17 (0.16 to 0.25) |",
        # Twelve frames against the floor of twelve.
        "| plain reference, features on whole frames | 12 | 100.0 | 50.00 |",
        "| Looking | 15.00 (15.00 to 15.00) | 0.20 (0.10 to 0.30) |",
        "| … aligning | 4.00 (4.00 to 4.00) | - |",
        "| 30 | 3 | 4.0 | 9.0 | 2.25 | 0.20 | 2.00 | 18.0 | 900 |",
        # Stages that the program did not name are left open.
        "| 5 | 10 | 1 | 2.0 | 5.0 | 2.50 | - | - | 10.0 | 900 |",
        "| `facemerge merge` | 9 of 10 | 4 | 59 | 0.25 | - | 0.50 | 2.0 | 3.0 |",
        "| `facemerge --help` | 0.250 |",
    ],
)
def test_tables_say_what_was_measured(measured, row):
    """Every number stands in its row: medians with the least and most, ratios of runs made by turns."""
    assert row in "\n".join(tables.lines(measured))


def test_tables_are_whole(measured):
    """Every row of a table has as many cells as its head, and what was not measured has no row."""
    for table in re.split(r"\n\n", "\n".join(tables.lines(measured))):
        assert len({line.count(" | ") for line in table.splitlines() if line.startswith("| ")}) <= 1
    assert "another base" not in "\n".join(tables.lines(measured))


@pytest.mark.parametrize(
    "kept", [("floor", "merge"), ("reference", "floor_of_reference"), ()], ids=["runs", "reference", "none"]
)
def test_a_part_alone_has_its_tables(measured, kept):
    """Whoever measures one part gets its rows and no other's."""
    measured["whole"] = {name: measured["whole"][name] for name in kept}
    text = "\n".join(tables.lines(measured))
    assert ("| `facemerge merge`, the first time |" in text) is ("merge" in kept)
    assert ("| stage of" in text) is ("merge" in kept)
    assert ("| plain reference, features on whole frames | 12 |" in text) is ("reference" in kept)
    assert "| people |" in text


@pytest.mark.parametrize(
    ("load", "others", "told"), [(0.1, 0.02, False), (0.9, 0.02, True), (0.1, 0.8, True)]
)
def test_a_busy_machine_is_owned_up_to(measured, load, others, told):
    """Whoever measures beside other work reads so above the tables."""
    measured["machine"]["load_before"] = load
    for runs in measured["whole"].values():
        for one in runs:
            one["others_cores"] = others
    assert ("not quiet" in "\n".join(tables.lines(measured))) is told


def test_more_cores_are_reckoned_from_one_and_two():
    """Of 10 s on one core and 6 on two, 2 are serial: 3 s on eight, and no less on more than are used."""
    runs = [[{"stages": {"a": s, "a: part": 1.0, "b": 1.0}}] for s in (10.0, 6.0)]
    told = {"together": {"a": 8}}
    assert tables.reckoned(told, *runs, 1) == pytest.approx(11.0)
    assert tables.reckoned(told, *runs, 2) == pytest.approx(7.0)
    assert tables.reckoned(told, *runs, 8) == pytest.approx(4.0)
    assert tables.reckoned(told, *runs, 64) == pytest.approx(4.0)


def test_a_program_is_kept_to_some_cores():
    """It sees as many as it was given; more than there are cannot be given."""
    ran = watch.run([sys.executable, "-c", "import os; print(len(os.sched_getaffinity(0)))"], cores=1)
    assert ran.output == "1\n"
    with pytest.raises(watch.FailedError, match="not 4096"):
        watch.run([sys.executable, "-c", ""], cores=4096)


def test_a_file_without_marks_is_left_alone(tmp_path, capsys):
    """Where the tables have no place nothing is drawn, measured or written: one sentence."""
    file = tmp_path / "README.md"
    file.write_text("No marks.\n")
    assert benchmark.main([str(tmp_path / "bursts"), "--write", str(file)]) == 1
    assert "has no marks" in capsys.readouterr().err
    assert file.read_text() == "No marks.\n"
    assert not (tmp_path / "bursts").exists()


@pytest.fixture
def _here(monkeypatch):
    """The program runs in this process, where all is loaded; everything else in its own, as ever."""
    elsewhere = watch.run

    def run(
        command: Sequence[str], *, environment: Mapping[str, str] | None = None, cores: int | None = None
    ) -> watch.Run:
        if list(command[1:3]) != ["-m", "facemerge"]:
            return elsewhere(command)
        told = CliRunner().invoke(app, list(command[3:]))
        if told.exit_code:
            raise watch.FailedError(told.output)
        return watch.Run(wall_s=9.0, cpu_s=18.0, peak_mb=700.0, others_cores=0.0, output=told.stdout)

    monkeypatch.setattr(watch, "run", run)


@pytest.mark.usefixtures("_here")
def test_a_whole_run_puts_its_tables_between_the_marks(folder, tmp_path, capsys, monkeypatch):
    """From a drawn burst to the tables in a file and the numbers in another."""
    monkeypatch.setattr(benchmark, "IMPORT_REPEATS", 1)
    file, numbers = tmp_path / "README.md", tmp_path / "numbers.json"
    file.write_text("Before.\n<!-- benchmark -->\nold\n<!-- /benchmark -->\nAfter.\n")
    words = "--people 2 --frames 3 --megapixels 0.54 --repeats 1 --workers 1 --series-frames 2"
    words += " --parts whole imports frames"
    code = benchmark.main([str(folder), *words.split(), "--write", str(file), "--json", str(numbers)])
    assert code == 0, capsys.readouterr().err
    text = file.read_text()
    assert text.startswith("Before.\n<!-- benchmark -->\n3 frames of 900 × 600")
    assert text.endswith("<!-- /benchmark -->\nAfter.\n")
    assert "old" not in text
    assert "| `facemerge merge` | 2 of 2 |" in text
    measured = json.loads(numbers.read_text())
    assert set(measured["whole"]) == {"floor", "merge", "weight", "base", "pick"}
    judged = measured["judged"]["merge"]
    assert judged["heads_set_in"] > 0
    assert 0 < judged["seam_delta_e_median"] <= judged["seam_delta_e_p95"] <= judged["seam_delta_e_worst"]
    assert {tables.LOOKING, tables.SETTING, "Writing"} < set(measured["whole"]["merge"][0]["stages"])
    assert not list(folder.glob(".results-*"))
