"""What is found on a card and in which order, and the text file in which its groups may be changed."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import dumps
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image
from test_photo_pixels import dng

from facemerge.batch.dump import Photograph, find_photographs, in_order
from facemerge.batch.plan import Planned, PlannedFrame, groups_text, read_groups
from facemerge.errors import FacemergeError, InputError, OutputError
from facemerge.formats import photo
from facemerge.formats.small_copy import Identity, identify, small_copy

TINY = np.zeros((8, 12, 3), np.uint8)


def put(folder: Path, *names: str) -> Path:
    """Write small pictures, no two of the same bytes."""
    for n, name in enumerate(names):
        dumps.save(folder / name, TINY + np.uint8(n), None)
    return folder


def names(folder: Path, out: Path | None = None) -> list[str]:
    return [p.name for p in find_photographs(folder, out)[0]]


@pytest.mark.parametrize(
    ("given_", "order"),
    [
        (["IMG_9998", "IMG_9999", "IMG_0001", "IMG_0002"], ["IMG_9998", "IMG_9999", "IMG_0001", "IMG_0002"]),
        (["IMG_0001", "IMG_0002", "IMG_0010"], ["IMG_0001", "IMG_0002", "IMG_0010"]),
        (["IMG_0001", "IMG_5000"], ["IMG_0001", "IMG_5000"]),
        (["IMG_9950", "IMG_0003"], ["IMG_9950", "IMG_0003"]),
        (["B_9999", "B_0001", "A_0500", "A_0501"], ["A_0500", "A_0501", "B_9999", "B_0001"]),
        (["frame_10", "frame_9"], ["frame_9", "frame_10"]),
    ],
    ids=[
        "over the turn",
        "plain",
        "far apart",
        "numbers missing at the turn",
        "two series",
        "no camera's numbers",
    ],
)
def test_a_counter_that_began_again_is_noticed(given_: list[str], order: list[str]) -> None:
    """Files are taken in the order of their numbers, 0001 after 9999 where both were shot."""
    found = in_order([Path(f"{name}.JPG") for name in reversed(given_)])
    assert [p.stem for p in found] == order


@given(first=st.integers(1, 9999), count=st.integers(1, 300))
def test_any_run_of_a_counter_is_put_back_in_order(first: int, count: int) -> None:
    """Wherever a series begins and however long it is, its order is found again."""
    series = [Path(f"DSC_{(first + n - 1) % 9999 + 1:04d}.NEF") for n in range(count)]
    assert in_order(sorted(series)) == series


def test_a_card_is_looked_through_folder_by_folder(tmp_path: Path) -> None:
    """Folders of the camera in their order; hidden files, other files and empty folders are passed over."""
    put(tmp_path, "DCIM/101CANON/IMG_0001.JPG", "DCIM/100CANON/IMG_9999.JPG", "MISC/x.jpg", ".Trash/y.jpg")
    (tmp_path / "DCIM" / "100CANON" / "IMG_9999.XMP").write_text("sidecar")
    (tmp_path / "DCIM" / "102CANON").mkdir()
    (tmp_path / "DCIM" / "100CANON" / "._IMG_9999.JPG").write_bytes(b"litter")
    assert names(tmp_path) == ["DCIM/100CANON/IMG_9999.JPG", "DCIM/101CANON/IMG_0001.JPG", "MISC/x.jpg"]


def test_a_raw_file_beside_its_finished_picture_is_left_out_with_a_note(tmp_path: Path) -> None:
    """The camera wrote both: one moment is one frame."""
    put(tmp_path, "IMG_0001.JPG")
    (tmp_path / "IMG_0001.CR2").write_bytes(b"raw")
    found, notes = find_photographs(tmp_path)
    assert [p.name for p in found] == ["IMG_0001.JPG"]
    assert notes == ["IMG_0001.CR2 is left out: the same picture is there as a finished file."]


def test_results_inside_the_dump_are_no_photographs(tmp_path: Path) -> None:
    """Neither OUT nor an earlier result beside it is looked into."""
    put(
        tmp_path, "IMG_0001.JPG", "finished/001/composite.jpg", "old/composite.png", "older/001/composite.png"
    )
    (tmp_path / "old" / "report.json").write_text('{"schema": "facemerge-report/1"}')
    (tmp_path / "older" / "index.json").write_text('{"schema": "facemerge-index/1"}')
    assert names(tmp_path, tmp_path / "finished") == ["IMG_0001.JPG"]


def _nowhere(folder: Path) -> tuple[Path, Path]:
    return folder / "nowhere", folder / "out"


def _a_file(folder: Path) -> tuple[Path, Path]:
    (folder / "x.txt").write_text("x")
    return folder / "x.txt", folder / "out"


def _empty(folder: Path) -> tuple[Path, Path]:
    (folder / "card").mkdir()
    return folder / "card", folder / "out"


def _itself(folder: Path) -> tuple[Path, Path]:
    return put(folder, "a.jpg"), folder


def _above(folder: Path) -> tuple[Path, Path]:
    return put(folder / "card", "a.jpg"), folder


@pytest.mark.parametrize(
    ("make", "kind", "words"),
    [
        (_nowhere, InputError, "is not there"),
        (_a_file, InputError, "is a file, not a folder"),
        (_empty, InputError, "holds no pictures"),
        (_itself, OutputError, "holds the photographs themselves"),
        (_above, OutputError, "holds the photographs themselves"),
    ],
)
def test_a_wrong_place_is_one_sentence(
    make: Callable[[Path], tuple[Path, Path]], kind: type[FacemergeError], words: str, tmp_path: Path
) -> None:
    """Nothing there, a file, no pictures, and an OUT that is or holds the card."""
    with pytest.raises(kind, match=words):
        find_photographs(*make(tmp_path))


# -- one photograph -----------------------------------------------------------------------------------------


def test_a_small_copy_is_the_photograph_upright_and_small(tmp_path: Path) -> None:
    """Size, turn and colours are those of the whole picture; the file's words are read with it."""
    image = np.zeros((400, 600, 3), np.uint8)
    image[:200, :300] = (220, 40, 30)
    exif = Image.Exif()
    exif[0x0112] = 6
    exif.get_ifd(0x8769).update({0x9003: "2026:05:02 10:00:00", 0x9291: "25", 0x9011: "+02:00"})
    path = tmp_path / "turned.jpg"
    Image.fromarray(image).save(path, exif=exif, quality=95, subsampling=0)
    known, small = small_copy(path, "turned.jpg", 150)
    assert known == identify(path, "turned.jpg")
    assert (known.size, small.shape) == ((400, 600), (150, 100, 3))
    assert (known.time_s or 0) % 1 == 0.25
    assert known.offset_s == 7200
    # Orientation 6: the stored left edge is the top, so the red corner is at the top right.
    np.testing.assert_allclose(small[30, 80], (220, 40, 30), atol=6)
    np.testing.assert_allclose(small[30, 20], (0, 0, 0), atol=6)


@pytest.mark.parametrize("ending", ["png", "tif"])
def test_other_kinds_of_files_are_made_small_too(ending: str, tmp_path: Path) -> None:
    """What is no JPEG is read whole and shrunk; a grey picture gives three equal channels."""
    path = tmp_path / f"a.{ending}"
    Image.fromarray(np.full((90, 120), 77, np.uint8)).save(path)
    known, small = small_copy(path, path.name, 60)
    assert known.size == (120, 90)
    assert small.shape == (45, 60, 3)
    assert (small == 77).all()


@pytest.mark.parametrize(("flip", "shape"), [(1, (32, 48)), (3, (32, 48)), (6, (48, 32)), (8, (48, 32))])
def test_a_raw_file_without_a_preview_is_developed_small(
    flip: int, shape: tuple[int, int], tmp_path: Path
) -> None:
    """Upright, at half its size or less, and as bright as the whole one."""
    pytest.importorskip("rawpy")
    dng(tmp_path / "a.dng", 0.2, (64, 96), flip)
    known, small = small_copy(tmp_path / "a.dng", "a.dng", 60)
    assert (known.size, small.shape[:2]) == ((shape[1] * 2, shape[0] * 2), shape)
    whole = photo.read(photo.find_frames([tmp_path / "a.dng"])[0][0], bit_depth=8)
    np.testing.assert_allclose(small[4:-4, 4:-4].mean(), whole[8:-8, 8:-8].mean(), atol=1.5)


@pytest.mark.parametrize(
    "call", [identify, lambda path, name: small_copy(path, name, 100)], ids=["known", "small"]
)
@pytest.mark.parametrize(
    "content", [None, b"", b"no picture", "cut"], ids=["gone", "empty", "text", "cut off"]
)
def test_what_is_no_picture_is_left_out_in_a_sentence(
    call: Callable[[Path, str], object], content: bytes | str | None, tmp_path: Path
) -> None:
    """One bad file ends no card."""
    path = tmp_path / "a.jpg"
    if content == "cut":
        dumps.save(path, dumps.picture("A", 0), None)
        path.write_bytes(path.read_bytes()[:3000])
    elif isinstance(content, bytes):
        path.write_bytes(content)
    with pytest.raises(InputError, match=r"^card/a\.jpg is left out: it "):
        call(path, "card/a.jpg")


def test_cameras_are_told_apart_and_no_serial_number_is_kept(tmp_path: Path) -> None:
    """Two bodies of one model differ by their serial numbers, which are not to be read from what is kept."""
    one, other = (
        identify(dumps.save(tmp_path / f"{s}.jpg", TINY, dumps.START, model="M", serial=s), s)
        for s in ("S4711", "S4712")
    )
    assert one.camera != other.camera
    assert "4711" not in repr(one)


# -- the text file ------------------------------------------------------------------------------------------

PHOTOGRAPHS = {
    name: Photograph(path=Path("/card") / name, name=name)
    for name in ("a.jpg", "b.jpg", "#c.jpg", "d/[e.jpg")
}
KNOWN = {
    name: Identity(digest=f"{n}" * 64, size=(6, 4), time_s=100.0 + n, offset_s=None, camera="")
    for n, name in enumerate(PHOTOGRAPHS)
}


def planned(name: str, *frames: str) -> Planned:
    return Planned(
        name=name,
        frames=tuple(
            PlannedFrame(path=PHOTOGRAPHS[f].path, name=f, digest=KNOWN[f].digest, time_s=KNOWN[f].time_s)
            for f in frames
        ),
        why="a pause of 5 min",
        idle="a single frame" if len(frames) < 2 else "",
    )


def test_the_groups_survive_being_written_and_read() -> None:
    """Names, frames and their order; odd names too."""
    groups = [planned("001_x", "#c.jpg", "a.jpg", "d/[e.jpg"), planned("single_b", "b.jpg")]
    text = groups_text(groups, notes=["z.jpg is left out."])
    assert "# z.jpg is left out.\n" in text
    assert "# 3 frames, 00:01:40 to 00:01:43 (3 s); begins here: a pause of 5 min\n" in text
    back, notes = read_groups(text.replace("\n", "\r\n"), "groups.txt", PHOTOGRAPHS, KNOWN)
    assert [(g.name, g.frames, g.idle) for g in back] == [(g.name, g.frames, g.idle) for g in groups]
    assert notes == []


def test_what_a_user_changes_is_obeyed() -> None:
    """A group renamed, two joined, a frame left out, and that is said."""
    back, notes = read_groups("[class 3b]\na.jpg\nb.jpg\n\n./#c.jpg\n", "mine.txt", PHOTOGRAPHS, KNOWN)
    assert [(g.name, [f.name for f in g.frames]) for g in back] == [
        ("class 3b", ["a.jpg", "b.jpg", "#c.jpg"])
    ]
    assert notes == ["In no group by mine.txt, so left out: d/[e.jpg."]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[x]\nnobody.jpg", "line 2: there is no photograph 'nobody.jpg'"),
        ("[x]\na.jpg\n[y]\na.jpg", "line 4: a.jpg is already in a group, in line 2"),
        ("[x]\nbroken.jpg", "line 2: broken.jpg cannot be read"),
        ("a.jpg", "line 1: a frame comes after the name"),
        ("[x]\na.jpg\n[X]\nb.jpg", "line 3: there are two groups called X"),
        ("[../x]\na.jpg", "line 1: a folder cannot be called"),
        ("[.x]\na.jpg", "line 1: a folder cannot be called"),
        ("[a:b]\na.jpg", "line 1: a folder cannot be called"),
        ("[index.html]\na.jpg", "line 1: a folder cannot be called"),
        ("[x\na.jpg", "line 1: the name of a group stands in brackets"),
        (f"[{'x' * 41}]\na.jpg", "line 1: the name of a group has at most 40"),
        ("# nothing\n", "names no group"),
    ],
)
def test_a_wrong_line_is_one_sentence_with_its_number(text: str, words: str) -> None:
    """Nothing is guessed."""
    photographs = PHOTOGRAPHS | {"broken.jpg": Photograph(path=Path("/card/broken.jpg"), name="broken.jpg")}
    with pytest.raises(InputError, match=words):
        read_groups(text, "groups.txt", photographs, KNOWN)


@pytest.mark.skipif(os.geteuid() == 0, reason="root may look into everything")
def test_a_folder_that_may_not_be_looked_into_is_noted(tmp_path: Path) -> None:
    """The rest of the card is found."""
    put(tmp_path, "a/IMG_0001.JPG", "b/IMG_0002.JPG")
    (tmp_path / "a").chmod(0)
    try:
        found, notes = find_photographs(tmp_path)
    finally:
        (tmp_path / "a").chmod(0o755)
    assert [p.name for p in found] == ["b/IMG_0002.JPG"]
    assert len(notes) == 1


def test_the_drawn_card_is_found_in_the_order_it_was_shot(tmp_path: Path) -> None:
    """Over the turn of the counter and into the next folder."""
    truth = dumps.write(tmp_path, [("A", 1)] * 8, first=9997, a_folder=5)
    assert names(tmp_path) == list(truth)
    assert [n[-12:-4] for n in truth][2:4] == ["IMG_9999", "IMG_0001"]
