"""What a sidecar and the finished picture say of a frame and its people, and which frame gets which."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from photographs import drawn, save, tags

from facemerge.formats.regions import Area
from facemerge.formats.sidecar import NEW
from facemerge.options import Options, build
from facemerge.pipeline import delivery
from facemerge.words import (
    Aligned,
    Analysis,
    Choice,
    Face,
    Frame,
    Head,
    Joint,
    Missing,
    Part,
    Person,
    Pick,
    Score,
    Unaligned,
)

OPTIONS = Options()
BOXES = {"P01": (4.5, 4.5, 14.5, 14.5), "P02": (24.5, 4.5, 34.5, 14.5), "P03": (44.5, 14.5, 54.5, 24.5)}


def score(total: float | None) -> Score | None:
    """Return a score that says why it is low, or None."""
    if total is None:
        return None
    low = total < 0.7
    return Score(
        eyes=Part(value=total, reason="left eye 80 % closed" if low else ""),
        sharpness=Part(value=1.0, reason="a little soft" if low else ""),
        expression=Part(value=1.0),
        total=total,
        factors={"eyes": total, "sharpness": 0.95},
    )


def face(box: tuple[float, float, float, float]) -> Face:
    """Return a face at a place."""
    return Face(
        box=box,
        landmarks=np.zeros((478, 3)),
        blendshapes=np.zeros(52),
        appearance=np.zeros(8),
        confidence=0.9,
    )


def analysed(
    table: list[list[float | None]], *, paths: list[Path] | None = None, size: tuple[int, int] = (60, 40)
) -> Analysis:
    """Return an analysis of three people; a row of scores a frame, None for somebody who is not found."""
    paths = paths or [Path(f"/gone/f{i}.jpg") for i in range(len(table))]
    columns = list(zip(*table, strict=True))
    return Analysis(
        frames=tuple(Frame(name=p.name, path=str(p), size=size, bit_depth=8) for p in paths),
        reference=0,
        alignments=tuple(
            Aligned(
                reference_from_frame=np.array([[1, 0, 2.0 * i], [0, 1, 0], [0, 0, 1]]),
                model="homography",
                inliers=9,
                error_px=0.1,
            )
            for i in range(len(table))
        ),
        people=tuple(
            Person(
                id=who,
                row=0,
                faces=tuple(Missing(reason="not found") if s is None else face(box) for s in column),
            )
            for (who, box), column in zip(BOXES.items(), columns, strict=True)
        ),
        scores={who: tuple(map(score, column)) for who, column in zip(BOXES, columns, strict=True)},
    )


def chosen(base: int, *frames: int) -> Choice:
    """Return a choice that takes each person from a frame."""
    picks = tuple(
        Pick(person=who, frame=f, from_base=f == base, gain=0, cost=0, why="")
        for who, f in zip(BOXES, frames, strict=True)
    )
    return Choice(base=base, picks=picks, why="")


TABLE: list[list[float | None]] = [
    [0.9, 0.9, 0.2],
    [0.9, 0.9, 0.9],
    [0.3, 0.2, 0.95],
    [0.9, 0.8, 0.2],
    [0.9, 0.2, 0.2],
    [0.3, 0.2, None],
    [None, None, None],
]


@pytest.mark.parametrize(
    ("frame", "stars"),
    [(0, 4), (1, 5), (2, 4), (3, 3), (4, 2), (5, 1), (6, None)],
    ids=["base", "all good", "a best head", "half", "somebody", "nobody", "nothing to tell"],
)
def test_stars(frame: int, stars: int | None) -> None:
    """Five for everybody, four for the base or a best head, three for half, two for somebody, one for nobody;
    nothing is said of a frame in which nobody is found, and no frame is ever marked as rejected.
    """
    choice = chosen(0, 0, 0, 2)
    assert delivery.stars(analysed(TABLE), choice, OPTIONS, frame) == stars


def test_good_is_what_coverage_calls_a_keeper() -> None:
    """The same setting says during the shoot and after it what a keeper is."""
    strict = build({"coverage.keeper_from": 0.92})
    assert delivery.stars(analysed(TABLE), chosen(0, 0, 0, 2), strict, 1) == 1
    assert [delivery.is_good(score(v), OPTIONS) for v in (0.69, 0.7, None)] == [False, True, False]


@pytest.mark.parametrize(
    ("frame", "words"),
    [
        (0, "Chosen as the base. Best head here: P01, P02. Not good: P03 (left eye 80 % closed)."),
        (1, "Good: P01, P02, P03."),
        (2, "Best head here: P03. Not good: P01 (left eye 80 % closed), P02 (left eye 80 % closed)."),
        (5, "Not good: P01 (left eye 80 % closed), P02 (left eye 80 % closed). Not found: P03."),
        (6, "Not found: P01, P02, P03. Gives no heads: it shows another group."),
    ],
)
def test_caption_says_who_and_why(frame: int, words: str) -> None:
    """Keepers, the others, and what spoils them most, in plain words."""
    analysis = analysed(TABLE)
    fates = (*analysis.alignments[:6], Unaligned(reason="it shows another group."))
    analysis = Analysis(
        frames=analysis.frames,
        reference=0,
        alignments=fates,
        people=analysis.people,
        scores=analysis.scores,
    )
    assert delivery.seen(analysis, chosen(0, 0, 0, 2), OPTIONS, frame).caption == words


def test_keepers_and_what_each_region_says() -> None:
    """Best heads are named; a face says how good it is where it lies."""
    said = delivery.seen(analysed(TABLE), chosen(0, 0, 0, 2), OPTIONS, 2)
    assert said.keepers == ("P03",)
    assert [(r.person, r.text) for r in said.regions] == [
        ("P01", "left eye 80 % closed"),
        ("P02", "left eye 80 % closed"),
        ("P03", "best of 5"),
    ]


def test_the_best_may_still_be_bad() -> None:
    """A best head that is not good says so."""
    said = delivery.seen(analysed([[0.3, 0.9, 0.9], [0.2, 0.9, 0.9]]), chosen(0, 0, 0, 0), OPTIONS, 0)
    assert said.regions[0].text == "best of 2, though left eye 80 % closed"


@pytest.mark.parametrize(
    ("orientation", "area"),
    [
        # P01 at 5 to 15 of 40 by 60 upright pixels; the stored picture is 60 by 40, turned.
        (6, Area(x=5 / 60, y=25 / 40, w=10 / 60, h=10 / 40)),
        (8, Area(x=45 / 60, y=5 / 40, w=10 / 60, h=10 / 40)),
    ],
)
def test_regions_are_of_the_stored_picture(tmp_path: Path, orientation: int, area: Area) -> None:
    """A frame of a turned camera gets its regions as its file is stored.

    MWG Guidelines 2.0 (2010), image regions: of the stored picture, before Orientation. 6 is shown by a
    quarter turn clockwise, 8 by one counter-clockwise (Exif 2.32, Orientation), so that its top edge is
    stored on the left or on the right.
    """
    path = save(tmp_path / "a.jpg", drawn((60, 40)), exif=tags(orientation))
    analysis = analysed([[0.9, 0.9, 0.9]], paths=[path], size=(40, 60))
    said = delivery.seen(analysis, chosen(0, 0, 0, 0), OPTIONS, 0)
    found = said.regions[0].area
    assert said.size == (60, 40)
    assert (found.x, found.y, found.w, found.h) == pytest.approx((area.x, area.y, area.w, area.h), abs=1e-9)


def test_stars_given_in_the_camera_stay_the_only_ones(tmp_path: Path) -> None:
    """Where the file itself is rated, the sidecar says nothing of stars."""
    block = tags()
    block[0x4746] = 2
    path = save(tmp_path / "a.jpg", drawn((60, 40)), exif=block)
    assert delivery.seen(analysed(TABLE[:1], paths=[path]), chosen(0, 0, 0, 0), OPTIONS, 0).rating is None


def homes(analysis: Analysis) -> list[tuple[str, str, str]]:
    """Return by sidecar where it lies, what it is called in OUT, and the frame it tells of."""
    made, notes = delivery.sidecars(analysis, chosen(0, 0, 0, 0), OPTIONS, Path("/nowhere"))
    assert notes == []
    return [(s.path.name, s.name, s.frame) for s in made]


def test_raw_and_jpeg_share_a_sidecar() -> None:
    """A raw file and its JPEG have one; it tells of the finished file."""
    paths = [Path("/gone/a.nef"), Path("/gone/a.jpg"), Path("/gone/b.jpg")]
    assert homes(analysed(TABLE[:3], paths=paths)) == [
        ("a.xmp", "a.xmp", "a.jpg"),
        ("b.xmp", "b.xmp", "b.jpg"),
    ]


def test_one_name_in_two_folders() -> None:
    """In OUT two sidecars of one name get the frames' whole names."""
    paths = [Path("/gone/one/a.jpg"), Path("/gone/two/a.png")]
    assert homes(analysed(TABLE[:2], paths=paths)) == [
        ("a.xmp", "a.jpg.xmp", "a.jpg"),
        ("a.xmp", "a.png.xmp", "a.png"),
    ]


def test_a_broken_sidecar_is_left_alone_and_said_so(tmp_path: Path) -> None:
    """One sentence names it; the others are made."""
    paths = [save(tmp_path / f"{n}.jpg", drawn()) for n in "ab"]
    (tmp_path / "a.xmp").write_bytes(b"<x")
    made, notes = delivery.sidecars(
        analysed(TABLE[:2], paths=paths), chosen(0, 0, 0, 0), OPTIONS, tmp_path / "out"
    )
    assert [s.frame for s in made] == ["b.jpg"]
    assert notes == ["The sidecar a.xmp is left as it is: it is broken (line 1)."]


def test_what_lies_beside_is_gone_on_from_first(tmp_path: Path) -> None:
    """A sidecar for OUT starts from the one beside the frame, else from that of an earlier run."""
    (tmp_path / "in").mkdir()
    paths = [save(tmp_path / "in" / f"{n}.jpg", drawn()) for n in "ab"]
    earlier = tmp_path / "out" / "sidecars"
    earlier.mkdir(parents=True)
    for place, names, mark in ((tmp_path / "in", "a", b"<!-- in -->"), (earlier, "ab", b"<!-- out -->")):
        for name in names:
            (place / f"{name}.xmp").write_bytes(NEW.replace(b"</x:", mark + b"</x:"))
    made, _ = delivery.sidecars(
        analysed(TABLE[:2], paths=paths), chosen(0, 0, 0, 0), OPTIONS, tmp_path / "out"
    )
    assert [(b"<!-- in -->" in s.data, b"<!-- out -->" in s.data) for s in made] == [
        (True, False),
        (False, True),
    ]


@pytest.mark.parametrize(
    ("placement", "left"),
    [
        # The base is the second frame: what is at x in the first lies two pixels further left in it.
        ("homography", 44.5 - 2),
        ("head shift", 44.5),
    ],
)
def test_faces_of_the_finished_picture(placement: str, left: float) -> None:
    """A head placed with its background lies where that puts it, a shifted one where the old one was."""
    head = Head(
        person="P03",
        offset=(40, 10),
        pixels=np.zeros((20, 20, 3), np.uint8),
        mask=np.zeros((20, 20), np.uint8),
        joint=Joint(),
        placement=placement,
    )
    packet = delivery.packet(
        analysed([[0.9, 0.9, 0.95], [0.9, 0.9, 0.2]]), chosen(1, 1, 1, 0), [head], keep_location=False
    )
    root = ElementTree.fromstring(packet)
    areas = root.findall(".//{http://www.metadataworkinggroup.com/schemas/regions/}Area")
    x, w = (float(areas[2].get(f"{{http://ns.adobe.com/xmp/sType/Area#}}{k}", "")) for k in "xw")
    assert len(areas) == 3
    assert (x - w / 2) * 60 - 0.5 == pytest.approx(left, abs=1e-4)
    said = [e.text for e in root.iter("{http://ns.adobe.com/xap/1.0/sType/ResourceEvent#}parameters")]
    assert said == ["from f1.jpg", f"head of P03 set in from f0.jpg, placed by {placement}"]


def test_somebody_who_is_not_in_the_base_is_nowhere() -> None:
    """Who cannot be seen in the picture has no region in it."""
    analysis = analysed([[0.9, 0.9, None], [0.9, 0.9, 0.9]])
    packet = delivery.packet(analysis, chosen(0, 0, 0, 0), [], keep_location=False)
    assert packet.count(b"<mwg-rs:Name>") == 2
    assert b"compositeCapture" not in packet
