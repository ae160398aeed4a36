"""Sidecars are found by either name, come whole or not at all, and never touch a photograph."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest
from photographs import drawn, save, tags

from facemerge.errors import OutputError
from facemerge.formats import beside, headers
from facemerge.formats.exif import Location
from facemerge.formats.rdf import BrokenPacketError
from facemerge.formats.sidecar import NEW


def contents(folder: Path) -> dict[str, bytes]:
    """Return every file of a folder, hidden ones too."""
    return {p.name: p.read_bytes() for p in sorted(folder.iterdir()) if p.is_file()}


@pytest.mark.parametrize(
    ("there", "picture", "expected"),
    [
        ([], "IMG_1.JPG", "IMG_1.xmp"),
        (["IMG_1.xmp"], "IMG_1.JPG", "IMG_1.xmp"),
        (["IMG_1.JPG.xmp"], "IMG_1.JPG", "IMG_1.JPG.xmp"),
        (["IMG_1.xmp", "IMG_1.JPG.xmp"], "IMG_1.JPG", "IMG_1.JPG.xmp"),
        (["IMG_1.XMP"], "IMG_1.JPG", "IMG_1.XMP"),
        (["img_1.jpg.XMP"], "IMG_1.JPG", "img_1.jpg.XMP"),
        # Of the raw file beside it, and of another picture.
        (["IMG_1.NEF.xmp", "IMG_10.xmp"], "IMG_1.JPG", "IMG_1.xmp"),
        (["a.b.xmp"], "a.b.tif", "a.b.xmp"),
        ([], "a.b.tif", "a.b.xmp"),
    ],
)
def test_either_name_is_found(tmp_path: Path, there: list[str], picture: str, expected: str) -> None:
    """FRAME.EXT.xmp is taken if it is there, then FRAME.xmp, in any case; else it will be FRAME.xmp."""
    for name in there:
        (tmp_path / name).write_bytes(NEW)
    (tmp_path / picture).write_bytes(b"picture")
    assert beside.sidecar_of(tmp_path / picture) == tmp_path / expected


def test_raw_and_jpeg_share_one(tmp_path: Path) -> None:
    """Two files of one moment have the same sidecar."""
    assert beside.sidecar_of(tmp_path / "IMG_1.NEF") == beside.sidecar_of(tmp_path / "IMG_1.JPG")


def test_a_folder_of_that_name_is_no_sidecar(tmp_path: Path) -> None:
    """Only a file can be one."""
    (tmp_path / "a.jpg.xmp").mkdir()
    assert beside.sidecar_of(tmp_path / "a.jpg").name == "a.xmp"


@pytest.mark.parametrize("orientation", range(1, 9))
def test_how_a_photograph_is_stored(tmp_path: Path, orientation: int) -> None:
    """Size and orientation are the file's own, whatever its upright size is."""
    path = save(tmp_path / "a.jpg", drawn((60, 40)), exif=tags(orientation))
    upright = (40, 60) if orientation >= 5 else (60, 40)
    found = beside.stored(path, upright)
    assert (found.size, found.orientation, found.rated, found.location) == (
        (60, 40),
        orientation,
        False,
        None,
    )


@pytest.mark.parametrize(("rating", "rated"), [(0, False), (3, True), (None, False)])
@pytest.mark.parametrize("where", ["exif", "xmp"])
def test_a_rating_in_the_file_is_seen(tmp_path: Path, where: str, rating: int | None, rated: bool) -> None:
    """Stars given in the camera, in Exif or in an embedded packet, are somebody's; 0 is 'unrated'."""
    block, packet = tags(), b""
    if where == "exif" and rating is not None:
        block[0x4746] = rating
    if where == "xmp":
        value = (
            f'xmlns:xmp="http://ns.adobe.com/xap/1.0/" xmp:Rating="{rating}"' if rating is not None else ""
        )
        packet = NEW.replace(b" </rdf:RDF>", f'<rdf:Description rdf:about="" {value}/> </rdf:RDF>'.encode())
    path = save(tmp_path / "a.jpg", drawn(), exif=block, xmp=packet)
    assert beside.stored(path, (60, 40)).rated is rated


def test_where_a_photograph_was_taken(tmp_path: Path) -> None:
    """47 degrees 30 minutes 36 seconds south is -47.51 degrees (CIPA DC-008, GPSLatitude: parts of sixty)."""
    block = tags()
    block.get_ifd(0x8825).update({1: "S", 2: (47.0, 30.0, 36.0), 3: "E", 4: (8.0, 0.0, 0.0), 6: 400.5})
    path = save(tmp_path / "a.jpg", drawn(), exif=block)
    found = beside.stored(path, (60, 40)).location
    assert isinstance(found, Location)
    assert found.latitude_deg == pytest.approx(-47.51, abs=1e-9)
    assert (found.longitude_deg, found.altitude_m) == (8.0, 400.5)


@pytest.mark.parametrize(
    "place",
    [
        {1: "N"},
        {1: "N", 2: (91.0, 0.0, 0.0), 3: "E", 4: (8.0, 0.0, 0.0)},
        {1: "x", 2: (9.0, 0.0, 0.0), 3: "E", 4: (8.0, 0.0, 0.0)},
        {1: "", 2: (9.0, 0.0, 0.0), 3: "E", 4: (8.0, 0.0, 0.0)},
    ],
)
def test_nonsense_is_no_place(tmp_path: Path, place: dict[int, object]) -> None:
    """Half a place, one beyond the pole, or without a side is none."""
    block = tags()
    block.get_ifd(0x8825).update(place)
    assert beside.stored(save(tmp_path / "a.jpg", drawn(), exif=block), (60, 40)).location is None


def test_a_photograph_that_is_gone_is_taken_for_upright(tmp_path: Path) -> None:
    """What cannot be read any more stops nothing."""
    assert beside.stored(tmp_path / "gone.jpg", (60, 40)).size == (60, 40)


def test_sidecars_are_put_in_place_whole(tmp_path: Path) -> None:
    """Until the block ends the old ones stand; then the new ones do, and nothing else is left."""
    (tmp_path / "a.xmp").write_bytes(b"old")
    with beside.put_beside() as waiting:
        waiting.add(tmp_path / "a.xmp", b"new", b"old")
        waiting.add(tmp_path / "b.xmp", b"first", None)
        assert (tmp_path / "a.xmp").read_bytes() == b"old"
        assert not (tmp_path / "b.xmp").exists()
    assert contents(tmp_path) == {"a.xmp": b"new", "b.xmp": b"first"}


@pytest.mark.parametrize("error", [ValueError, KeyboardInterrupt, OutputError])
def test_failure_leaves_the_old_ones(tmp_path: Path, error: type[BaseException]) -> None:
    """Whatever ends the block, the folder is as it was."""
    (tmp_path / "a.xmp").write_bytes(b"old")
    with pytest.raises(error), beside.put_beside() as waiting:
        waiting.add(tmp_path / "a.xmp", b"new", b"old")
        waiting.add(tmp_path / "b.xmp", b"first", None)
        raise error("stop")
    assert contents(tmp_path) == {"a.xmp": b"old"}


KILLED = """
import os, signal, sys
from pathlib import Path
from facemerge.formats import beside
folder = Path(sys.argv[1])
with beside.put_beside() as waiting:
    waiting.add(folder / "a.xmp", b"new" * 100_000, b"old")
    os.kill(os.getpid(), signal.SIGKILL)
"""


@pytest.mark.skipif(os.name == "nt", reason="Windows knows no such signal")
def test_killed_half_way_the_old_one_stays(tmp_path: Path) -> None:
    """A run that is killed leaves the old sidecar; the next one leaves nothing else behind."""
    (tmp_path / "a.xmp").write_bytes(b"old")
    run = subprocess.run([sys.executable, "-c", KILLED, str(tmp_path)], timeout=60, check=False)
    assert run.returncode == -signal.SIGKILL
    assert (tmp_path / "a.xmp").read_bytes() == b"old"
    assert len(contents(tmp_path)) == 2
    with beside.put_beside() as waiting:
        waiting.add(tmp_path / "a.xmp", b"new", b"old")
    assert contents(tmp_path) == {"a.xmp": b"new"}


def test_another_programs_change_is_not_lost(tmp_path: Path) -> None:
    """A sidecar that has been written to meanwhile is left as that program has it."""
    (tmp_path / "a.xmp").write_bytes(b"old")
    with pytest.raises(OutputError, match="another program") as said, beside.put_beside() as waiting:
        waiting.add(tmp_path / "a.xmp", b"new", b"old")
        (tmp_path / "a.xmp").write_bytes(b"theirs")
    assert str(tmp_path / "a.xmp") in str(said.value)
    assert contents(tmp_path) == {"a.xmp": b"theirs"}


def test_a_full_disk_is_a_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The sentence names the sidecar, not the name it is first written under, and nothing is left."""

    def full(self: Path, data: bytes) -> int:
        raise OSError(errno.ENOSPC, "no space")

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(OutputError) as said, beside.put_beside() as waiting:
        waiting.add(tmp_path / "a.xmp", b"new", None)
    assert str(said.value) == f"Nothing was written to {tmp_path / 'a.xmp'}: there is no space left."
    assert contents(tmp_path) == {}


def test_a_linked_sidecar_stays_a_link(tmp_path: Path) -> None:
    """Where a sidecar is a link, what it leads to is changed; rights stay as they were."""
    (tmp_path / "real.xmp").write_bytes(b"old")
    (tmp_path / "real.xmp").chmod(0o640)
    (tmp_path / "a.xmp").symlink_to("real.xmp")
    with beside.put_beside() as waiting:
        waiting.add(tmp_path / "a.xmp", b"new", b"old")
    assert (tmp_path / "a.xmp").is_symlink()
    assert (tmp_path / "real.xmp").read_bytes() == b"new"
    assert (tmp_path / "real.xmp").stat().st_mode & 0o777 == 0o640


def test_a_protected_sidecar_is_left_alone(tmp_path: Path) -> None:
    """Who takes the right to write away means it."""
    (tmp_path / "a.xmp").write_bytes(NEW)
    assert beside.read(tmp_path / "a.xmp") == NEW
    (tmp_path / "a.xmp").chmod(0o444)
    with pytest.raises(BrokenPacketError, match="protected"):
        beside.read(tmp_path / "a.xmp")
    assert beside.read(tmp_path / "none.xmp") is None


@pytest.mark.parametrize(
    ("flip", "orientation", "size"), [(0, 1, (40, 60)), (3, 3, (40, 60)), (5, 8, (60, 40)), (6, 6, (60, 40))]
)
def test_how_a_raw_file_is_stored(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, flip: int, orientation: int, size: tuple[int, int]
) -> None:
    """A raw file is stored as its sensor lies; the library tells by which turn it is shown upright.

    LibRaw, data structures, sizes.flip: 3 a half turn, 5 a quarter to the left, 6 one to the right; from
    memory.
    """

    class Opened:
        sizes = SimpleNamespace(iwidth=40, iheight=60, flip=flip, pixel_aspect=1)

        def __enter__(self) -> Opened:
            return self

        def __exit__(self, *_: object) -> None:
            pass

    monkeypatch.setattr(headers, "extra", lambda *_: SimpleNamespace(imread=lambda _: Opened()))
    (tmp_path / "a.nef").write_bytes(b"raw")
    found = beside.stored(tmp_path / "a.nef", (40, 60))
    assert (found.orientation, found.size) == (orientation, size)
