"""The montage shows what the files hold: the same pixels, the line where the mask is half, the words."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import tifffile
from PIL import Image

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "scripts"))

import montage

CENTRE, RADIUS = (150, 90), 40


def a_person(**more: Any) -> dict[str, Any]:
    """A person as the report's contract has them."""
    told = {
        "id": "P01",
        "row": 0,
        "pick": "b.png",
        "from_base": False,
        "why": "",
        "risk": 0.41,
        "flag": "inspect",
        "reasons": ["colours differ by 3.1 dE along the seam", "a neighbour's head overlaps the seam"],
        "mask": "masks/P01.png",
        "faces": [],
    }
    return {**told, **more}


@pytest.fixture(params=[8, 16], ids=["8 bit", "16 bit"])
def result(request, tmp_path):
    """A finished result with one swapped head, and its burst: noise, so that no two places look alike."""
    burst, out = tmp_path / "burst", tmp_path / "out"
    (out / "masks").mkdir(parents=True)
    burst.mkdir()
    rng = np.random.default_rng(2)
    base = rng.integers(0, 256, (200, 300, 3), dtype=np.uint8)
    merged = base.copy()
    mask = np.zeros((200, 300), np.uint8)
    cv2.circle(mask, CENTRE, RADIUS, 255, -1)
    merged[mask > 0] = 255 - merged[mask > 0]
    kind, factor = (np.uint8, 1) if request.param == 8 else (np.uint16, 257)
    for name, picture in (("a.png", base), ("b.png", merged)):
        Image.fromarray(picture).save(burst / name)
    tifffile.imwrite(out / "composite.tif", merged.astype(kind) * kind(factor), photometric="rgb")
    cv2.imwrite(str(out / "masks/P01.png"), mask.astype(kind) * kind(factor))
    frames = [
        {"file": n, "aligned": True, "to_base": np.eye(3).tolist(), "note": ""} for n in ("a.png", "b.png")
    ]
    report = {
        "schema": "facemerge-report/1",
        "size": [300, 200],
        "base": "a.png",
        "composite": "composite.tif",
        "layers": None,
        "frames": frames,
        "people": [a_person(), a_person(id="P02", from_base=True, mask=None, pick="a.png")],
    }
    (out / "report.json").write_text(json.dumps(report), encoding="utf-8")
    return out, burst, base, merged


def test_pixels_are_those_of_the_files(result):
    """Only the swapped head is shown, whole, and its cut-outs are the files' own pixels side by side."""
    out, burst, base, merged = result
    (sight,) = montage.sights(out, burst)
    x, y = CENTRE
    margin = round(montage.MARGIN_SHARE * 2 * RADIUS) + 2
    part = (
        slice(y - RADIUS - margin, y + RADIUS + margin + 1),
        slice(x - RADIUS - margin, x + RADIUS + margin + 1),
    )
    assert (sight.base == base[part]).all()
    assert (sight.composite == merged[part]).all()
    h, w = sight.base.shape[:2]
    sheet = montage.page(sight, 1)
    top = sheet.shape[0] - 2 * h - montage.GAP
    assert (sheet[top : top + h, :w] == sight.base).all()
    assert (sheet[top : top + h, w + montage.GAP :] == sight.composite).all()


@pytest.mark.parametrize("scale", [1, 2])
def test_line_runs_where_the_mask_is_half(result, scale):
    """The line lies within a pixel and a half of the mask's edge all round, and nothing else is changed."""
    out, burst, *_ = result
    (sight,) = montage.sights(out, burst)
    plain = montage.enlarged(sight.composite, scale)
    drawn = montage.outlined(sight.composite, sight.mask, scale)
    ys, xs = np.nonzero((drawn != plain).any(2))
    middle = (np.array(sight.mask.shape) - 1) / 2 * scale + (scale - 1) / 2
    away = np.hypot(ys - middle[0], xs - middle[1])
    assert np.abs(away - RADIUS * scale).max() < 1.5 * scale
    # A circle has 4 sqrt(2) r pixels in steps that go cornerwise, 8 r in steps that do not.
    assert 0.95 * 4 * np.sqrt(2) < len(away) / (RADIUS * scale) < 8
    turn = np.arctan2(ys - middle[0], xs - middle[1])
    assert (np.histogram(turn, 36, (-np.pi, np.pi))[0] > 0).all()


def test_label_says_who_whence_and_why(result):
    """Person, both frames, flag, risk and every reason are on the sheet."""
    out, burst, *_ = result
    (sight,) = montage.sights(out, burst)
    for words in ("P01", "b.png", "a.png", "inspect", "0.41", *a_person()["reasons"]):
        assert words in sight.label
    ink = (montage.caption(sight.label, 200) > 128).any(2)
    assert 0.02 < ink.mean() < 0.4


def test_pages_are_written_and_foreign_files_left(result, tmp_path, capsys):
    """A folder with something in it is refused; with --force only pages are replaced."""
    out, burst, *_ = result
    folder = tmp_path / "seen"
    assert montage.main([str(out), str(burst), "-o", str(folder)]) == 0
    assert sorted(p.name for p in folder.iterdir()) == ["P01_100.png", "P01_200.png", "contact.png"]
    with Image.open(folder / "P01_200.png") as large, Image.open(folder / "P01_100.png") as small:
        assert 1.9 * small.width < large.width <= 2 * small.width
    (folder / "kept.txt").write_text("mine", encoding="utf-8")
    assert montage.main([str(out), str(burst), "-o", str(folder)]) == 1
    assert "not empty" in capsys.readouterr().err
    assert montage.main([str(out), str(burst), "-o", str(folder), "--force"]) == 0
    assert (folder / "kept.txt").read_text(encoding="utf-8") == "mine"


@pytest.mark.parametrize("missing", ["report.json", "composite.tif", "masks/P01.png"])
def test_half_a_result_is_named(result, tmp_path, capsys, missing):
    """What is missing is said in a sentence, and nothing is written."""
    out, burst, *_ = result
    (out / missing).unlink()
    assert montage.main([str(out), str(burst), "-o", str(tmp_path / "seen")]) == 1
    assert missing.split("/")[-1] in capsys.readouterr().err
    assert not (tmp_path / "seen").exists()
