"""Sidecars and the place, from the command line to what another program reads."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import bursts
import numpy as np
import pyexiv2
import pytest
from PIL import Image
from test_cli import Ran, everything, run

from facemerge.formats.sidecar import NEW

PLACE = {1: "N", 2: (47.0, 30.0, 36.0), 3: "W", 4: (8.0, 15.0, 0.0)}


@pytest.fixture(scope="module")
def burst(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a burst: its first frame knows where it was taken, its second is of a turned camera."""
    folder = bursts.write(tmp_path_factory.mktemp("group") / "burst")
    for number in range(4):
        path = folder / f"frame_{number:03d}.jpg"
        with Image.open(path) as image:
            block, pixels = image.getexif(), np.asarray(image)
        block.get_ifd(0x8825).update(PLACE)
        if number == 1:
            block[0x0112], pixels = 6, np.rot90(pixels)
        Image.fromarray(pixels).save(path, quality=97, exif=block)
    return folder


@pytest.fixture(scope="module")
def culled(burst: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Ran, Path]:
    out = tmp_path_factory.mktemp("culled") / "out"
    return run("cull", burst, "-o", out, "--sidecars", "out"), out


def told(path: Path) -> dict[str, Any]:
    """Return what an independent reader, Exiv2, finds."""
    image = pyexiv2.Image(str(path))
    try:
        return dict(image.read_xmp())
    finally:
        image.close()


def copied(burst: Path, tmp_path: Path) -> Path:
    """Return a copy of the burst, in which sidecars may be put."""
    folder = tmp_path / "burst"
    folder.mkdir()
    for path in burst.iterdir():
        (folder / path.name).write_bytes(path.read_bytes())
    return folder


def test_sidecars_in_the_result(culled: tuple[Ran, Path], burst: Path) -> None:
    """One a frame, in OUT alone; the report lists them and a line says so."""
    ran, out = culled
    assert (ran.code, ran.stderr) == (0, "")
    names = [f"frame_{i:03d}" for i in range(4)]
    assert sorted(p.name for p in (out / "sidecars").iterdir()) == [f"{n}.xmp" for n in names]
    said = json.loads((out / "report.json").read_text("utf-8"))["sidecars"]
    assert said["files"] == {f"{n}.jpg": f"sidecars/{n}.xmp" for n in names}
    assert (
        "4 sidecars with stars, a caption and faces: in sidecars, to be copied beside the frames."
        in ran.stdout
    )
    assert sorted(p.name for p in burst.iterdir()) == [f"{n}.jpg" for n in names]


def test_a_result_with_sidecars_can_be_replaced(burst: Path, tmp_path: Path) -> None:
    """The next run puts its own in place and takes up what has been written into them; the one after, asked
    for none, leaves none; another file among them is somebody's, and refused.
    """
    out = tmp_path / "out"
    assert run("cull", burst, "-o", out, "--sidecars", "out").code == 0
    before = everything(out / "sidecars")
    rated = re.sub(rb"<xmp:Rating>\d<", b"<xmp:Rating>1<", before["frame_000.xmp"])
    (out / "sidecars" / "frame_000.xmp").write_bytes(rated)
    assert run("cull", burst, "-o", out, "--sidecars", "out").code == 0
    assert told(out / "sidecars" / "frame_000.xmp")["Xmp.xmp.Rating"] == "1"
    after = everything(out / "sidecars")
    assert {n for n in before if before[n] != after[n]} == {"frame_000.xmp"}
    (out / "sidecars" / "letter.txt").write_text("mine")
    assert "holds something else (sidecars)" in run("cull", burst, "-o", out).stderr
    (out / "sidecars" / "letter.txt").unlink()
    assert run("cull", burst, "-o", out).code == 0
    assert not (out / "sidecars").exists()


def test_stars_follow_what_is_known(culled: tuple[Ran, Path]) -> None:
    """No frame has both people sharp: the base and the one with a best head get four stars, others three."""
    _, out = culled
    report = json.loads((out / "report.json").read_text("utf-8"))
    used = {report["base"], *(p["pick"] for p in report["people"])}
    stars = {f: told(out / s)["Xmp.xmp.Rating"] for f, s in report["sidecars"]["files"].items()}
    assert len(used) == 2
    assert stars == {f["file"]: "4" if f["file"] in used else "3" for f in report["frames"]}


@pytest.mark.parametrize("number", [0, 1])
def test_regions_lie_on_the_faces(culled: tuple[Ran, Path], burst: Path, number: int) -> None:
    """Both forms say where the report has the faces, in the stored picture, a turned one too."""
    _, out = culled
    name = f"frame_{number:03d}"
    report = json.loads((out / "report.json").read_text("utf-8"))
    found = told(out / "sidecars" / f"{name}.xmp")
    with Image.open(burst / f"{name}.jpg") as image:
        size = w, h = image.size
    assert size == ((600, 900) if number else (900, 600))
    for i, person in enumerate(report["people"], 1):
        x0, y0, x1, y1 = (
            v + 0.5 for v in next(f for f in person["faces"] if f["frame"] == f"{name}.jpg")["box"]
        )
        if number:
            # Shown by a quarter turn clockwise: stored, the upright x runs upwards and y to the right.
            x0, y0, x1, y1 = y0, h - x1, y1, h - x0
        area = f"Xmp.mwg-rs.Regions/mwg-rs:RegionList[{i}]/mwg-rs:Area/stArea:"
        x, y, wide, high = (float(found[area + k]) for k in "xywh")
        mwg = ((x - wide / 2) * w, (y - high / 2) * h, (x + wide / 2) * w, (y + high / 2) * h)
        assert mwg == pytest.approx((x0, y0, x1, y1), abs=0.02)
        corner = f"Xmp.iptcExt.ImageRegion[{i}]/Iptc4xmpExt:RegionBoundary/Iptc4xmpExt:"
        left, top, wide, high = (float(found[corner + k]) for k in ("rbX", "rbY", "rbW", "rbH"))
        iptc = (left * w, top * h, (left + wide) * w, (top + high) * h)
        assert iptc == pytest.approx((x0, y0, x1, y1), abs=0.02)


def test_beside_the_frames(burst: Path, tmp_path: Path, culled: tuple[Ran, Path]) -> None:
    """The frames stay byte for byte; a sidecar that was there is added to and keeps its stars; a broken one
    and a protected one are left alone and named; a second run changes nothing, not even a date.
    """
    folder = copied(burst, tmp_path)
    rated = NEW.replace(
        b" </rdf:RDF>",
        b'<rdf:Description rdf:about="" xmlns:xmp="http://ns.adobe.com/xap/1.0/" xmp:Rating="1"/></rdf:RDF>',
    )
    (folder / "frame_000.jpg.xmp").write_bytes(rated)
    (folder / "frame_001.xmp").write_bytes(b"<broken")
    (folder / "frame_002.xmp").write_bytes(NEW)
    (folder / "frame_002.xmp").chmod(0o444)
    before = everything(folder)
    ran = run("cull", folder, "-o", tmp_path / "a", "--sidecars", "beside")
    assert (ran.code, ran.stderr) == (0, "")
    after = everything(folder)
    same = [n for n in before if n != "frame_000.jpg.xmp"]
    assert {n: after[n] for n in same} == {n: before[n] for n in same}
    assert set(after) - set(before) == {"frame_003.xmp"}
    assert told(folder / "frame_000.jpg.xmp")["Xmp.xmp.Rating"] == "1"
    assert "Xmp.dc.description" in told(folder / "frame_000.jpg.xmp")
    assert after["frame_003.xmp"] == (culled[1] / "sidecars" / "frame_003.xmp").read_bytes()
    notes = json.loads((tmp_path / "a" / "report.json").read_text("utf-8"))["notes"]
    assert [n for n in notes if "sidecar" in n] == [
        "The sidecar frame_001.xmp is left as it is: it is broken (line 1).",
        "The sidecar frame_002.xmp is left as it is: it is protected against writing.",
    ]
    assert "frame_001.xmp is left as it is" in ran.stdout
    dates = {p: p.stat().st_mtime_ns for p in folder.iterdir()}
    assert run("cull", folder, "-o", tmp_path / "a", "--sidecars", "beside").code == 0
    assert everything(folder) == after
    assert {p: p.stat().st_mtime_ns for p in folder.iterdir()} == dates
    assert not (tmp_path / "a" / "sidecars").exists()


def test_a_folder_that_takes_none_leaves_everything(
    burst: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where sidecars cannot be put beside the frames there is a sentence, and OUT is as it was."""
    folder = copied(burst, tmp_path)
    write = Path.write_bytes

    def refused(self: Path, data: bytes) -> int:
        if self.parent == folder:
            raise PermissionError(13, "no")
        return write(self, data)

    monkeypatch.setattr(Path, "write_bytes", refused)
    before = everything(folder)
    ran = run("cull", folder, "-o", tmp_path / "out", "--sidecars", "beside")
    assert ran.code == 6
    assert (
        ran.stderr
        == f"facemerge: Nothing was written to {folder}/frame_000.xmp: writing there is not allowed.\n"
    )
    assert everything(folder) == before
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("command", [["merge"], ["merge", "--no-location"], ["cull"]])
def test_an_unknown_place_is_a_sentence(burst: Path, tmp_path: Path, command: list[str]) -> None:
    """It says what there is, and nothing is made."""
    ran = run(*command, burst, "-o", tmp_path / "out", "--sidecars", "somewhere")
    assert (ran.code, ran.stdout) == (4, "")
    assert ran.stderr == "facemerge: --sidecars takes out or beside, not 'somewhere'.\n"
    assert list(tmp_path.iterdir()) == []


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give one place for all results, so that the frames are looked at once."""
    return tmp_path_factory.mktemp("merged") / "out"


@pytest.mark.parametrize("word", [None, "--keep-location"])
def test_where_it_was_taken_is_told_when_asked(burst: Path, place: Path, word: str | None) -> None:
    """Left out unless it is asked for: then 47 degrees, 30.6 minutes north, 8 degrees, 15 minutes west. The
    picture says besides what was done, and where the faces are.
    """
    ran = run("merge", burst, "-o", place, "--no-layers", *([word] if word else []))
    assert ran.code == 0
    found = told(place / "composite.tif")
    where = [found.get(f"Xmp.exif.GPS{k}") for k in ("Latitude", "Longitude")]
    assert where == (["47,30.6000N", "8,15.0000W"] if word == "--keep-location" else [None, None])
    report = json.loads((place / "report.json").read_text("utf-8"))
    swapped = [p for p in report["people"] if not p["from_base"]]
    steps = [v for k, v in found.items() if k.endswith("stEvt:parameters")]
    assert len(swapped) == 1
    assert steps[0] == f"from {report['base']}"
    assert steps[1].startswith(f"head of {swapped[0]['id']} set in from {swapped[0]['pick']}, placed by ")
    assert [v for k, v in found.items() if k.endswith("mwg-rs:Name")] == ["P01", "P02"]
    assert "sidecars" not in report
