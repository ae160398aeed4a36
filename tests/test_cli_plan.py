"""`facemerge plan` as a photographer types it."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import shell


def run(*words: object) -> tuple[int, str, str]:
    """Run `facemerge plan`; return exit code, stdout and stderr."""
    ran = shell.run("plan", *words)
    return ran.code, ran.stdout, ran.stderr


def report(path: Path, *people: list[float]) -> Path:
    """Write a report of the contract's form with these scores."""
    frames = [f"{k}.jpg" for k in range(len(people[0]))]
    content: dict[str, Any] = {
        "schema": "facemerge-report/1",
        "size": [600, 400],
        "base": frames[0],
        "composite": None,
        "layers": None,
        "frames": [{"file": f, "aligned": False, "note": ""} for f in frames],
        "people": [
            {
                "id": f"P{i:02d}",
                "pick": frames[0],
                "from_base": True,
                "risk": 0.0,
                "flag": "clear",
                "reasons": [],
                "mask": None,
                "faces": [
                    {
                        "frame": f,
                        "box": [0, 0, 9, 9],
                        "eyes_open": s,
                        "sharpness": s,
                        "expression": s,
                        "score": s,
                    }
                    for f, s in zip(frames, scores, strict=True)
                ],
            }
            for i, scores in enumerate(people, 1)
        ],
    }
    path.write_text(json.dumps(content), encoding="utf-8")
    return path


def test_a_number_of_people_is_enough() -> None:
    """Frames and framing, how to get the settings, and nothing on stderr."""
    code, out, err = run(12)
    assert (code, err) == (0, "")
    assert out.startswith("12 people: take ")
    assert "a composite" in out
    assert "--distance 4m --focal 50mm" in out
    assert "8x10" in out


def test_the_whole_plan_with_its_picture(tmp_path: Path) -> None:
    """Settings in metres and feet, a picture in place, and the same words give the same bytes."""
    place = tmp_path / "plan.svg"
    words = ("12", "--children", 2, "--distance", "12ft", "--focal", "50mm", "--rows", 3, "--light", "9EV")
    code, out, err = run(*words, "--picture", place)
    assert (code, err) == (0, "")
    for said in ("3.66 m (12 ft)", "f/4.5", "ISO", "1/250 s  <- this", f"Look at {place}"):
        assert said in out
    first = place.read_bytes()
    assert run(*words, "--picture", place)[0] == 0
    assert place.read_bytes() == first
    assert b"everybody good in one frame or another" in first


@pytest.mark.parametrize(
    "words",
    [
        ("1",),
        ("500", "--keeper-rate", "0.001"),
        ("12", "--keeper-rate", "0.999"),
        ("12", "--distance", "30m", "--focal", "24mm", "--rows", "1"),
    ],
)
def test_a_picture_can_be_made_of_every_plan(words: tuple[str, ...], tmp_path: Path) -> None:
    """One person, a town, rates at both ends, everything sharp to infinity."""
    for name in ("plan.svg", "plan.png"):
        code, _, err = run(*words, "--picture", tmp_path / name)
        assert (code, err) == (0, "")
        assert (tmp_path / name).stat().st_size > 1000


def test_rates_come_from_an_earlier_report(tmp_path: Path) -> None:
    """Who was seldom good is named with what was counted, the report is left as it was, and the answer is the
    same each time.
    """
    place = report(tmp_path / "report.json", [0.9] * 5 + [0.1] * 5, [0.9] + [0.1] * 9, [0.9] * 10)
    before = place.read_bytes()
    code, out, err = run("--from-report", place)
    assert (code, err) == (0, "")
    assert out.startswith("3 people")
    assert "P02 1 of 10" in " ".join(out.split())
    assert run("--from-report", place)[1] == out
    assert place.read_bytes() == before
    code, out, _ = run(20, "--from-report", place)
    assert code == 0
    assert out.startswith("20 people")
    assert "other people like them" in " ".join(out.split())


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        ([], 4, "facemerge plan 12"),
        (["0"], 4, "PEOPLE"),
        (["12", "--keeper-rate", "0"], 4, "nobody would ever be good"),
        (["12", "--distance", "4"], 4, "--distance takes a length with its unit"),
        (["12", "--distance", "4m"], 4, "--focal 50mm"),
        (["12", "--light", "9EV"], 4, "--light needs --distance"),
        (["12", "--print", "large"], 4, "--print"),
        (["12", "--picture", "plan.gif"], 4, ".svg or .png"),
        (["12", "--picture", "/nowhere/plan.svg"], 6, "the folder for it is not there"),
        (["--from-report", "/nowhere/report.json"], 3, "cannot be opened"),
    ],
    ids=lambda v: " ".join(v) if isinstance(v, list) else None,
)
def test_a_wrong_word_is_one_sentence(words: list[str], code: int, said: str) -> None:
    """Exit code, one sentence on stderr, nothing on stdout."""
    if "--distance" in words and "4" in words:
        words = [*words, "--focal", "50mm"]
    found, out, err = run(*words)
    assert found == code
    assert out == ""
    assert err.count("\n") == 1
    assert err.startswith("facemerge: ")
    assert said in err


def test_a_word_nobody_knows_is_a_usage_error() -> None:
    """Exit 2, as for every command."""
    assert run("twelve")[0] == 2
    assert run("12", "--zoom", "3")[0] == 2


def test_children_belong_to_the_people_of_a_report(tmp_path: Path) -> None:
    """Their own rate is measured; saying them again is refused."""
    code, _, err = run("--from-report", report(tmp_path / "report.json", [0.9, 0.1]), "--children", 1)
    assert code == 4
    assert "--children" in err


def test_a_report_of_nobody_is_refused(tmp_path: Path) -> None:
    """Exit 3."""
    place = report(tmp_path / "report.json", [0.9])
    content = json.loads(place.read_text(encoding="utf-8"))
    content["people"] = []
    place.write_text(json.dumps(content), encoding="utf-8")
    code, _, err = run("--from-report", place)
    assert code == 3
    assert "Nobody" in err


def test_help_ends_with_an_example() -> None:
    """And names every unit a photographer may use."""
    code, out, _ = run("--help")
    assert code == 0
    assert "Example: facemerge plan 12 --children 2" in out
    assert "12ft" in out


def test_nothing_heavy_is_loaded() -> None:
    """A plan is arithmetic: no picture library, no optimiser, no network is imported for it."""
    code = (
        "import sys; from facemerge.cli import app\n"
        "app(['plan', '12', '--distance', '4m', '--focal', '50'], standalone_mode=False)\n"
        "heavy = {'cv2', 'scipy', 'skimage', 'PIL', 'ai_edge_litert', 'facemerge.pipeline'}\n"
        "sys.exit(', '.join(sorted(heavy & set(sys.modules))) or 0)"
    )
    ran = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        cwd=Path(__file__).parents[1],
        check=False,
    )
    assert ran.returncode == 0, ran.stderr
    assert ran.stdout.startswith("12 people")
