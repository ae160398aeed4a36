"""What a photographer types for prints, and what comes back."""

from __future__ import annotations

import errno
import functools
import io
import json
import re
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import bursts
import numpy as np
import pytest
import shell
import tifffile
from PIL import Image

from facemerge.formats import encode, icc, photo, xmp
from facemerge.formats.regions import Area, Region

BASE = "frame_000.jpg"
W, H = bursts.SIZE
# Forehead to chin, cheek to cheek, of the two people that bursts.py draws; measured once by the landmarker.
FACES = ((272.6, 274.4, 362.9, 385.3), (630.1, 287.5, 722.2, 395.9))


def run(*words: object) -> shell.Ran:
    return shell.run("crop", *words)


def person(number: int, box: tuple[float, ...], *, placed: bool) -> dict[str, Any]:
    name = f"P{number:02d}"
    return {
        "id": name,
        "pick": "frame_001.jpg" if placed else BASE,
        "from_base": not placed,
        "risk": 0.0,
        "flag": "clear",
        "reasons": ["nothing was changed here"],
        "mask": f"masks/{name}.png" if placed else None,
        "faces": [
            {
                "frame": frame,
                "box": [v + shift for v in box],
                "eyes_open": 1.0,
                "sharpness": 1.0,
                "expression": 1.0,
                "score": 1.0,
            }
            for frame, shift in ((BASE, 0.0), ("frame_001.jpg", 20.0))
        ],
    }


@functools.cache
def drawn() -> np.ndarray:
    """Return the picture."""
    return bursts.frame(0, blurred=())


@functools.cache
def base_frame() -> bytes:
    """Return a base frame's file, with what a camera says of it."""
    block = Image.Exif()
    block[0x010F], block[0x0110] = "Maker", "Model 1"
    block.get_ifd(0x8769)[0x9003] = "2026:05:02 14:30:00"
    block.get_ifd(0x8825)[1] = "N"
    held = io.BytesIO()
    Image.fromarray(drawn()).save(held, "JPEG", quality=95, exif=block)
    return held.getvalue()


def finished(
    folder: Path,
    *,
    form: str = "tif",
    dtype: type = np.uint8,
    faces: tuple[tuple[float, ...], ...] = FACES,
    packet: bytes | None = None,
) -> Path:
    """Write a folder as merge leaves it, by the contract: a picture of two people, and its report.

    The second person's head comes from frame_001.jpg, which lies 20 px right of the base and below.
    """
    folder.mkdir(parents=True)
    (folder / BASE).write_bytes(base_frame())
    (frame,), _ = photo.find_frames([folder / BASE])
    image = drawn().astype(dtype) * (257 if dtype == np.uint16 else 1)
    writers = {"tif": encode.write_tiff, "png": encode.write_png, "jpg": encode.write_jpeg}
    writers[form](
        folder / f"composite.{form}",
        image,
        profile=icc.made("adobergb"),
        exif_from=frame,
        xmp=xmp.composite_packet(BASE, ["frame_001.jpg"]) if packet is None else packet,
    )
    (folder / BASE).unlink()
    still = [[1.0, 0, 0], [0, 1.0, 0], [0, 0, 1.0]]
    moved = [[1.0, 0, -20.0], [0, 1.0, -20.0], [0, 0, 1.0]]
    report = {
        "schema": "facemerge-report/1",
        "size": [W, H],
        "base": BASE,
        "composite": f"composite.{form}",
        "layers": None,
        "frames": [
            {"file": BASE, "aligned": True, "to_base": still, "align_error_px": 0.0, "note": ""},
            {"file": "frame_001.jpg", "aligned": True, "to_base": moved, "align_error_px": 0.1, "note": ""},
        ],
        "people": [person(i, box, placed=i == 2) for i, box in enumerate(faces, 1)],
    }
    (folder / "report.json").write_text(json.dumps(report), encoding="utf-8")
    return folder


def everything(folder: Path) -> dict[str, bytes]:
    """Return every file below a folder with its bytes."""
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


@pytest.fixture
def out(tmp_path: Path) -> Path:
    return finished(tmp_path / "group-12")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[shell.Ran, Path]:
    """Prints that several tests look at: an 8x10 of few pixels, and a small one of more than enough."""
    out = finished(tmp_path_factory.mktemp("made") / "group-12")
    return run(out, "--print", "8x10", "--print", "1.2x1.5"), out


# -- what is made -------------------------------------------------------------------------------------------


def test_prints_lie_in_the_result(made: tuple[shell.Ran, Path]) -> None:
    """Exit 0, nothing on stderr in a pipe, the prints and their record, and where to look."""
    ran, out = made
    assert (ran.code, ran.stderr) == (0, "")
    assert sorted(p.name for p in (out / "prints").iterdir()) == [
        "group-12-1.2x1.5in.jpg",
        "group-12-8x10in.jpg",
        "group-12-prints.json",
    ]
    assert ran.stdout.splitlines()[-1] == f"Look at {out / 'prints'}"


def test_the_table_tells_what_is_lost_and_how_fine_it_is(made: tuple[shell.Ran, Path]) -> None:
    """900 x 600 px: 8x10 keeps 750 x 600, two inches go at left and right together, 75 px are left an inch.

    Two inches of a 3:2 picture printed 8 in high: common practice, no source; the rest is simple arithmetic.
    """
    ran, _ = made
    row = next(line for line in ran.stdout.splitlines() if line.lstrip().startswith("8x10in"))
    assert "landscape" in row
    assert "750 x 600" in row
    assert " 75 " in row
    left, right = re.findall(r"([\d.]+) %, ([\d.]+) in", row)
    assert float(left[0]) + float(right[0]) == pytest.approx(100 * 150 / 900, abs=0.11)
    assert float(left[1]) + float(right[1]) == pytest.approx(2.0, abs=0.06)
    assert "8x10in: Only 75 pixels an inch: below about 200 a print looks soft in the hand." in ran.stdout


def test_pixels_are_as_asked_and_none_are_made_up(made: tuple[shell.Ran, Path]) -> None:
    """More than 300 an inch are reduced to 300; fewer stay as they are, and the file says how many."""
    _, out = made
    with Image.open(out / "prints" / "group-12-1.2x1.5in.jpg") as im:
        assert im.size == (450, 360)
        assert im.info["dpi"] == (300, 300)
    with Image.open(out / "prints" / "group-12-8x10in.jpg") as im:
        assert im.size == (750, 600)
        assert im.info["dpi"] == (75, 75)
        original = photo.read(photo.find_frames([out / "composite.tif"])[0][0])
        record = json.loads((out / "prints" / "group-12-prints.json").read_text(encoding="utf-8"))
        x0, y0, x1, y1 = record["prints"]["group-12-8x10in.jpg"]["crop"]
        apart = np.abs(np.asarray(im).astype(int) - original[y0:y1, x0:x1])
    # Quality 95 differs by few steps; a crop beside the right one would by far more on gravel.
    assert apart.mean() < 2


def test_enlarging_is_done_when_asked_for(out: Path) -> None:
    """300 ppi on 8x10 are 2400 x 3000 px: simple arithmetic (methods, print sizes)."""
    assert run(out, "--print", "8x10", "--enlarge").code == 0
    with Image.open(out / "prints" / "group-12-8x10in.jpg") as im:
        assert (im.size, im.info["dpi"]) == ((3000, 2400), (300, 300))


@pytest.mark.parametrize("form", ["tif", "png", "jpg"])
def test_colours_and_story_are_carried(tmp_path: Path, form: str) -> None:
    """Profile, camera and time of the composite, that it is one, and no place, read by Pillow."""
    out = finished(tmp_path / "group-12", form=form)
    assert run(out, "--print", "4x6").code == 0
    path = out / "prints" / "group-12-4x6in.jpg"
    with Image.open(path) as im:
        tags = im.getexif()
        inner = tags.get_ifd(0x8769)
        assert im.info["icc_profile"] == icc.made("adobergb")
        assert b"compositeCapture" in im.info["xmp"]
    assert (tags[0x010F], tags[0x0110], tags[0x0112]) == ("Maker", "Model 1", 1)
    # CompositeImage 2, 'general composite image': Exif 2.32 (CIPA DC-008-2019), tag 42080 (from memory).
    assert (inner[0x9003], inner[0xA460]) == ("2026:05:02 14:30:00", 2)
    assert (inner[0xA002], inner[0xA003]) == (900, 600)
    assert not tags.get_ifd(0x8825)


@pytest.mark.parametrize(
    ("dtype", "bits", "depth"), [(np.uint8, 16, 16), (np.uint16, 8, 8), (np.uint16, None, 16)]
)
def test_a_tiff_has_its_depth_and_says_its_size(
    tmp_path: Path, dtype: type, bits: int | None, depth: int
) -> None:
    """Depth as asked or as the composite; resolution, profile and packet read by tifffile."""
    out = finished(tmp_path / "group-12", dtype=dtype)
    words = () if bits is None else ("--bits", bits)
    assert run(out, "--print", "A6", "--picture", "tif", *words).code == 0
    path = out / "prints" / "group-12-A6.tif"
    with tifffile.TiffFile(path) as tiff:
        page = tiff.pages.first
        assert page.bitspersample == depth
        per_inch = page.tags["XResolution"].value
        assert page.tags["ResolutionUnit"].value == 2  # inch: TIFF 6.0 (Adobe, 1992), p. 38, from memory
        # A6 is 105 mm high when it lies (ISO 216:2007, from memory).
        assert per_inch[0] / per_inch[1] == pytest.approx(page.imagelength / (105 / 25.4), rel=1e-3)
        assert page.iccprofile == icc.made("adobergb")
        assert b"compositeCapture" in page.tags[700].value
    with warnings.catch_warnings():
        block = Image.Exif()
        block.load_from_fp(io.BytesIO(path.read_bytes()))
    assert block[0x010F] == "Maker"
    assert (block.get_ifd(0x8769)[0x9003], block.get_ifd(0x8769)[0xA460]) == ("2026:05:02 14:30:00", 2)


@pytest.mark.parametrize(
    "packet",
    [
        b"",
        b"<x:xmpmeta xmlns:x='adobe:ns:meta/'>a program has dropped it</x:xmpmeta>",
        xmp.composite_packet(BASE, []),
    ],
)
def test_a_print_says_that_it_is_a_composite_whatever_the_file_says(tmp_path: Path, packet: bytes) -> None:
    """A packet that was lost or no longer says so is made anew from the report."""
    out = finished(tmp_path / "group-12", packet=packet)
    assert run(out, "--print", "8x10").code == 0
    with Image.open(out / "prints" / "group-12-8x10in.jpg") as im:
        held = im.info["xmp"]
    assert b"compositeCapture" in held
    assert b"frame_001.jpg" in held


def test_faces_are_told_where_they_are_in_the_print(tmp_path: Path) -> None:
    """A region of the composite's metadata is moved along with the crop."""
    region = Region(person="P01", area=Area(x=0.4, y=0.4, w=0.1, h=0.2))
    packet = xmp.composite_packet(BASE, ["frame_001.jpg"], regions=[region], size=(W, H))
    out = finished(tmp_path / "group-12", packet=packet)
    assert run(out, "--print", "8x10").code == 0
    record = json.loads((out / "prints" / "group-12-prints.json").read_text(encoding="utf-8"))
    x0, _, x1, _ = record["prints"]["group-12-8x10in.jpg"]["crop"]
    with Image.open(out / "prints" / "group-12-8x10in.jpg") as im:
        found = re.search(rb'stArea:x="([^"]*)"', im.info["xmp"])
    assert found is not None
    assert float(found[1]) == pytest.approx((0.45 * W - x0) / (x1 - x0), abs=1e-5)


def test_the_users_own_words_go_on(tmp_path: Path) -> None:
    """A caption that somebody has added to the composite is in its prints."""
    packet = xmp.composite_packet(BASE, ["frame_001.jpg"]).replace(b"Composite: ", b"Class 3b. Composite: ")
    out = finished(tmp_path / "group-12", packet=packet)
    assert run(out, "--print", "8x10").code == 0
    with Image.open(out / "prints" / "group-12-8x10in.jpg") as im:
        assert b"Class 3b" in im.info["xmp"]


def test_the_same_words_give_the_same_bytes(made: tuple[shell.Ran, Path], tmp_path: Path) -> None:
    """In another folder and a second time in the same."""
    again = finished(tmp_path / "group-12")
    for _ in range(2):
        assert run(again, "--print", "8x10", "--print", "1.2x1.5").code == 0
        assert everything(again / "prints") == everything(made[1] / "prints")


def test_sharpening_changes_the_print_and_says_so(made: tuple[shell.Ran, Path], tmp_path: Path) -> None:
    """Another picture of the same size, with more contrast between neighbours; the record tells it."""
    again = finished(tmp_path / "group-12")
    assert run(again, "--print", "1.2x1.5", "--sharpen").code == 0
    path = again / "prints" / "group-12-1.2x1.5in.jpg"
    mine = np.asarray(Image.open(path)).astype(float)
    plain = np.asarray(Image.open(made[1] / "prints" / path.name)).astype(float)
    assert 1.03 < np.abs(np.diff(mine, axis=1)).mean() / np.abs(np.diff(plain, axis=1)).mean() < 1.7
    record = json.loads((again / "prints" / "group-12-prints.json").read_text(encoding="utf-8"))
    assert record["prints"][path.name]["sharpened"] is True


def test_checking_writes_nothing(out: Path) -> None:
    """The table for every usual paper, and not a file."""
    before = everything(out)
    ran = run(out, "--print", "usual", "--check")
    assert ran.code == 0
    assert everything(out) == before
    assert sum("landscape" in line or "square" in line for line in ran.stdout.splitlines()) == 11
    assert "Look at" not in ran.stdout


def test_another_folder_may_hold_other_things(out: Path, tmp_path: Path) -> None:
    """-o takes a folder in which somebody's files lie; they stay, and the result gets no prints."""
    lab = tmp_path / "lab"
    lab.mkdir()
    (lab / "order.txt").write_bytes(b"two of each")
    assert run(out, "--print", "8x8", "-o", lab).code == 0
    assert (lab / "order.txt").read_bytes() == b"two of each"
    assert (lab / "group-12-8x8in.jpg").exists()
    assert not (out / "prints").exists()


# -- who is kept --------------------------------------------------------------------------------------------


def test_every_head_is_in_the_print(made: tuple[shell.Ran, Path]) -> None:
    """Faces of the contract's boxes, with a quarter of their height above, lie inside the crop.

    The second face's box is told in its own frame, 20 px off: it has to be taken to the base first.
    """
    record = json.loads((made[1] / "prints" / "group-12-prints.json").read_text(encoding="utf-8"))
    for entry in record["prints"].values():
        x0, y0, x1, y1 = entry["crop"]
        for box in FACES:
            assert x0 < box[0]
            assert box[2] < x1
            assert y0 < box[1] - 30
            assert box[3] < y1
        middle = (FACES[0][0] + FACES[1][2]) / 2
        assert (x0 + x1) / 2 == pytest.approx(middle, abs=25)


# Two faces so far apart that a square of 600 px cuts both, where nobody is drawn: their boxes are believed.
APART = ((160.0, 60.0, 253.0, 180.0), (645.0, 60.0, 738.0, 180.0))


def test_who_would_be_cut_is_told_and_nothing_is_made(tmp_path: Path) -> None:
    """Exit 1; who, where, how much; what can be done; other sizes are made."""
    out = finished(tmp_path / "group-12", faces=APART)
    ran = run(out, "--print", "8x8", "--print", "4x6")
    assert ran.code == 1
    # Usual heads are 1.3 faces wide: 146.5 to 752.5; 600 px from 150 cut 3.5 and 2.5 of their 121.
    assert "8x8in: P01's head is cut at the left: 0.05 in, 3 % of its width." in ran.stdout
    assert "8x8in: P02's head is cut at the right: 0.03 in, 2 % of its width." in ran.stdout
    assert "--border" in ran.stdout
    assert "--anyway" in ran.stdout
    assert [p.name for p in (out / "prints").glob("*.jpg")] == ["group-12-4x6in.jpg"]


def test_nothing_at_all_is_written_if_every_print_cuts(tmp_path: Path) -> None:
    """Not even a folder."""
    out = finished(tmp_path / "group-12", faces=APART)
    assert run(out, "--print", "8x8").code == 1
    assert not (out / "prints").exists()


def test_anyway_is_obeyed(tmp_path: Path) -> None:
    """The print is made, and still says whom it cuts."""
    out = finished(tmp_path / "group-12", faces=APART)
    ran = run(out, "--print", "8x8", "--anyway")
    assert ran.code == 0
    assert "P01's head is cut" in ran.stdout
    assert (out / "prints" / "group-12-8x8in.jpg").exists()


def test_a_border_keeps_everybody(tmp_path: Path) -> None:
    """A square with white above and below, the picture between, and nobody cut."""
    out = finished(tmp_path / "group-12", faces=APART)
    ran = run(out, "--print", "8x8", "--border", "--picture", "tif")
    assert ran.code == 0
    assert "8x8in on white" in ran.stdout
    assert "is cut" not in ran.stdout
    image = tifffile.imread(out / "prints" / "group-12-8x8in.tif")
    assert image.shape[0] == image.shape[1]
    white = (image == 255).all(axis=(1, 2))
    first, last = np.flatnonzero(~white)[[0, -1]]
    assert last - first + 1 == 600
    assert abs(first - (image.shape[0] - 1 - last)) <= 1


def test_who_is_not_in_the_picture_is_told(tmp_path: Path) -> None:
    """A face that lies outside the base gives no crop anything to keep, and a sentence says so."""
    out = finished(tmp_path / "group-12", faces=(*FACES, (1400.0, 60.0, 1490.0, 180.0)))
    ran = run(out, "--print", "8x10")
    assert ran.code == 0
    assert "Where P03 is in the picture is not known" in ran.stdout


# -- bad input ----------------------------------------------------------------------------------------------


def nowhere(tmp: Path) -> list[object]:
    return [tmp / "nowhere"]


def no_report(tmp: Path) -> list[object]:
    (tmp / "empty").mkdir()
    return [tmp / "empty"]


def a_file(tmp: Path) -> list[object]:
    (tmp / "file").write_bytes(b"")
    return [tmp / "file"]


def broken_report(tmp: Path) -> list[object]:
    out = finished(tmp / "out")
    (out / "report.json").write_bytes(b"{")
    return [out]


def changed(tmp: Path, **keys: object) -> Path:
    out = finished(tmp / "out")
    report = json.loads((out / "report.json").read_bytes())
    (out / "report.json").write_text(json.dumps(report | keys), encoding="utf-8")
    return out


def only_culled(tmp: Path) -> list[object]:
    return [changed(tmp, composite=None)]


def composite_gone(tmp: Path) -> list[object]:
    out = finished(tmp / "out")
    (out / "composite.tif").unlink()
    return [out]


def composite_elsewhere(tmp: Path) -> list[object]:
    return [changed(tmp, composite="../out/composite.tif")]


def composite_cut_off(tmp: Path) -> list[object]:
    out = finished(tmp / "out")
    path = out / "composite.tif"
    path.write_bytes(path.read_bytes()[:5000])
    return [out]


def composite_of_another_size(tmp: Path) -> list[object]:
    return [changed(tmp, size=[901, 600])]


def nobody(tmp: Path) -> list[object]:
    return [changed(tmp, people=[])]


def nobody_placed(tmp: Path) -> list[object]:
    out = finished(tmp / "out")
    report = json.loads((out / "report.json").read_bytes())
    for who in report["people"]:
        who["faces"] = []
    (out / "report.json").write_text(json.dumps(report), encoding="utf-8")
    return [out]


def into_itself(tmp: Path) -> list[object]:
    out = finished(tmp / "out")
    return [out, "-o", out]


def into_a_file(tmp: Path) -> list[object]:
    (tmp / "file").write_bytes(b"")
    return [finished(tmp / "out"), "-o", tmp / "file"]


def over_somebodys(tmp: Path) -> list[object]:
    out = finished(tmp / "out")
    (out / "prints").mkdir()
    (out / "prints" / "out-8x10in.jpg").write_bytes(b"somebody's")
    return [out]


def saying(*words: object) -> Callable[[Path], list[object]]:
    return lambda tmp: [finished(tmp / "out"), *words]


BAD = [
    (nowhere, 3, "There is no folder"),
    (no_report, 3, "holds no report.json"),
    (a_file, 3, "is a file"),
    (broken_report, 3, "broken, or not JSON"),
    (only_culled, 3, "no finished picture"),
    (composite_gone, 3, "holds no composite.tif"),
    (composite_elsewhere, 3, "holds no ../out/composite.tif"),
    (composite_cut_off, 3, "cut off"),
    (composite_of_another_size, 3, "the report says 901 x 600"),
    (nobody, 3, "names nobody"),
    (nobody_placed, 3, "of no face"),
    (into_itself, 6, "lies in the result itself"),
    (into_a_file, 6, "is a file"),
    (over_somebodys, 6, "was not made here"),
    (saying("--print", "8y10"), 4, "is no print size"),
    (saying("--print", "0x10"), 4, "has no area"),
    (saying("--print", "3000x4000"), 4, "cannot be made"),
    (saying("--print", "1x7"), 4, "is a strip"),
    (saying("--compose", "crooked"), 4, "--compose is"),
    (saying("--way", "up"), 4, "--way is"),
    (saying("--picture", "png"), 4, "--picture is"),
    (saying("--bits", "12"), 4, "--bits is 8 or 16"),
    (saying("--bits", "16"), 4, "holds 8 bits"),
    (saying("--trim", "-1"), 4, "--trim lies between"),
    (saying("--trim", "nan"), 4, "--trim lies between"),
    (saying("--print", "2x2", "--trim", "20"), 4, "is too much"),
    (saying("--ppi", "0"), 4, "--ppi lies between"),
    (saying("--print", "60x90", "--enlarge"), 4, "more than 250 million pixels"),
    (saying("--ppi", "inf"), 4, "--ppi lies between"),
    (saying("--margin", "-0.1"), 4, "--margin lies between"),
    (saying("--models", "/nowhere/at/all"), 7, "does not hold the model"),
]


@pytest.mark.parametrize(("prepare", "code", "said"), BAD)
def test_a_wrong_word_is_one_sentence(
    tmp_path: Path, prepare: Callable[[Path], list[object]], code: int, said: str
) -> None:
    """Exit code, one sentence on stderr, nothing on stdout, and not a byte of anything changed."""
    words = prepare(tmp_path)
    before = everything(tmp_path)
    ran = run(*words, "--print", "8x10")
    assert ran.code == code
    assert ran.stdout == ""
    assert ran.stderr.startswith("facemerge: ")
    assert ran.stderr.count("\n") == 1
    assert said in ran.stderr
    assert everything(tmp_path) == before


def test_no_size_is_one_sentence(out: Path) -> None:
    """It says what could have been asked for."""
    ran = run(out)
    assert ran.code == 4
    assert "--print" in ran.stderr
    assert "8x10" in ran.stderr


def test_a_full_disk_leaves_no_print(out: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The second print finds no space: the first is not there either, and one sentence says so."""
    write, written = Path.write_bytes, []

    def filling(self: Path, data: bytes) -> int:
        written.append(self)
        if len(written) > 1:
            raise OSError(errno.ENOSPC, "No space left on device")
        return write(self, data)

    monkeypatch.setattr(Path, "write_bytes", filling)
    before = everything(out)
    ran = run(out, "--print", "8x10", "--print", "5x7")
    assert ran.code == 6
    assert ran.stderr.count("\n") == 1
    assert "there is no space left" in ran.stderr
    assert everything(out) == before
    assert not (out / "prints").exists()


def test_the_help_ends_with_examples() -> None:
    """Each option is there, and what the program does not see is said."""
    ran = run("--help")
    assert ran.code == 0
    for word in (
        "--print",
        "--compose",
        "--border",
        "--anyway",
        "--check",
        "--trim",
        "--sharpen",
        "--enlarge",
    ):
        assert word in ran.stdout
    assert "a hand raised high" in " ".join(ran.stdout.split())
    assert "Example: facemerge crop" in ran.stdout
