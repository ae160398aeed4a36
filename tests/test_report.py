"""The report keeps the contract that other programs rely on, and says honestly what is not known."""

from __future__ import annotations

import copy
import dataclasses
import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from facemerge import text
from facemerge.errors import InputError
from facemerge.formats.report import Report, build_report, read_report, report_bytes, write_report
from facemerge.options import Options, build
from facemerge.words import (
    PARTS,
    Aligned,
    Analysis,
    Choice,
    Face,
    Fault,
    FaultKind,
    Frame,
    Head,
    Joint,
    Misfit,
    Missing,
    Part,
    Person,
    Pick,
    Risk,
    Score,
    Unaligned,
)

NAN = float("nan")


def frame(name: str) -> Frame:
    """Return a frame of 60 x 40 pixels."""
    return Frame(name=name, path=f"/burst/{name}", size=(60, 40), bit_depth=8, time_s=10.5)


def aligned(dx: float, error_px: float) -> Aligned:
    """Return a frame that lies `dx` to the right on the reference."""
    return Aligned(
        reference_from_frame=np.array([[1, 0, dx], [0, 1, 0], [0, 0, 1.0]]),
        model="translation",
        inliers=99,
        error_px=error_px,
        note="only the people could be matched" if dx else "",
    )


def face(x: float) -> Face:
    """Return a face at `x`."""
    return Face(
        box=(x, 2.0, x + 10.1234, 14.0),
        landmarks=np.zeros((478, 3)),
        blendshapes=np.zeros(52),
        appearance=np.zeros(8),
        confidence=0.9,
    )


def score(eyes: float | None, total: float, detail: float = 0.25) -> Score:
    """Return a score whose eyes may be unknown."""
    return Score(
        eyes=Part(value=eyes, reason="" if eyes else "sunglasses"),
        sharpness=Part(value=0.7),
        expression=Part(value=0.123456, reason="mouth pulled"),
        total=total,
        factors={"eyes": 0.6, "expression": 0.4},
        blur_px=1.23456,
        detail={"jaw": detail, "brow": 0.5},
    )


def joint(tone: float = 3.0) -> Joint:
    """Return what is known of how a head was joined."""
    return Joint(
        tone_delta_e=tone, grain_ratio=1.23456, head_hidden=0.0123456, invented=0.1, old_head_left=0.0
    )


def fault(at: tuple[float, float] | None = (12.34, 5.0), **more: Any) -> Fault:
    """Return something that a viewer may find, at a place or nowhere in particular."""
    kind = FaultKind.BREAK if at else FaultKind.GRAIN
    return Fault(**{"kind": kind, "chance": 0.4, "amount": 1.23456, "at": at} | more)


HEAD = Head(
    person="P02",
    offset=(30, 4),
    pixels=np.zeros((9, 7, 3), np.uint8),
    mask=np.zeros((9, 7), np.uint8),
    joint=joint(),
    placement="homography",
)
ANALYSIS = Analysis(
    frames=(frame("a.jpg"), frame("b.jpg"), frame("c.jpg")),
    reference=0,
    alignments=(aligned(0, 0), aligned(5, 0.3), Unaligned(reason="too little background")),
    people=(
        Person(id="P01", row=0, faces=(face(5), face(0), Missing(reason="turned away"))),
        Person(id="P02", row=1, faces=(face(30), face(25), face(20))),
    ),
    scores={
        "P01": (score(0.9, 0.8), score(None, 0.6), None),
        "P02": (score(0.1, 0.2), score(1.0, 0.95), None),
    },
    notes=("a person passed by",),
)
CHOICE = Choice(
    base=1,
    picks=(
        Pick(person="P01", frame=1, from_base=True, gain=0, cost=0, why="best already"),
        Pick(person="P02", frame=0, from_base=False, gain=0.5, cost=0.1, why="eyes open"),
    ),
    why="most good faces",
)
RISKS = {
    "P02": Risk(
        value=0.42,
        flag="inspect",
        faults=(fault(size_px=4.56), fault(None, chance=0.1, amount=2.5)),
    )
}


def built(**changes: Any) -> Report:
    """Return a report of a small run in which P02 is changed."""
    parts: dict[str, Any] = {
        "analysis": ANALYSIS,
        "choice": CHOICE,
        "options": Options(),
        "heads": [HEAD],
        "risks": RISKS,
        "notes": ["d.jpg is left out: it is empty."],
    }
    return build_report(**parts | changes)


def test_contract_is_kept() -> None:
    """Every key of the contract is there, under its name, with its meaning."""
    report = json.loads(report_bytes(built()))
    assert report["schema"] == "facemerge-report/1"
    assert (report["size"], report["base"]) == ([60, 40], "b.jpg")
    assert (report["composite"], report["layers"]) == ("composite.tif", "composite.ora")
    assert [f["file"] for f in report["frames"]] == ["a.jpg", "b.jpg", "c.jpg"]
    assert [f["aligned"] for f in report["frames"]] == [True, True, False]
    assert [p["id"] for p in report["people"]] == ["P01", "P02"]
    one, two = report["people"]
    assert (one["pick"], one["from_base"], one["flag"], one["mask"]) == ("b.jpg", True, "clear", None)
    assert (two["pick"], two["from_base"], two["flag"]) == ("a.jpg", False, "inspect")
    assert (two["risk"], two["mask"]) == (0.42, "masks/P02.png")
    assert two["reasons"] == list(text.reasons(RISKS["P02"]))
    assert "edge" in two["reasons"][0]
    assert (one["risk"], one["reasons"], one["faults"]) == (0, [text.NOTHING_CHANGED], [])
    assert {
        k: two["faces"][1][k] for k in ("frame", "box", "eyes_open", "sharpness", "expression", "score")
    } == {
        "frame": "b.jpg",
        "box": [25.0, 2.0, 35.12, 14.0],
        "eyes_open": 1.0,
        "sharpness": 0.7,
        "expression": 0.1235,
        "score": 0.95,
    }


@pytest.mark.parametrize("name", [None, "composite-layers.tif"])
def test_layered_tiff_is_named(name: str | None) -> None:
    """A file that was not written is null."""
    assert built(layered_tiff=name)["layered_tiff"] == name


def square(x: float, y: float) -> Face:
    """Return a face of 10 x 10 at a place, its outline that of its box."""
    corners = np.array([[x, y, 0], [x + 10, y, 0], [x + 10, y + 10, 0], [x, y + 10, 0]], float)
    return Face(
        box=(x, y, x + 10, y + 10),
        landmarks=np.resize(corners, (478, 3)),
        blendshapes=np.zeros(52),
        appearance=np.zeros(8),
        confidence=0.9,
    )


def surroundings(*places: tuple[float, float] | None, offset: tuple[int, int] = (18, 8)) -> Report:
    """Return what the report says of where faults of P02 lie, whose face is at 20, 10, that of P01 at 35, 10.

    The mask is full from x 4 to 17 of its window, up to x 35 in the picture.
    """
    mask = np.zeros((20, 20), np.uint8)
    mask[2:18, 4:18] = 255
    head = Head(
        person="P02",
        offset=offset,
        pixels=np.zeros((20, 20, 3), np.uint8),
        mask=mask,
        joint=joint(),
        placement="",
    )
    gone = Missing(reason="turned away")
    analysis = Analysis(
        frames=ANALYSIS.frames,
        reference=0,
        alignments=ANALYSIS.alignments,
        people=(
            Person(id="P01", row=0, faces=(gone, square(35, 10), gone)),
            Person(id="P02", row=1, faces=(square(20, 10), square(20, 10), gone)),
            Person(id="P03", row=1, faces=(square(20, 10), gone, gone)),
        ),
        scores=dict.fromkeys(("P01", "P02", "P03"), (None, None, None)),
    )
    still = Pick(person="P03", frame=0, from_base=True, gain=0, cost=0, why="")
    choice = dataclasses.replace(CHOICE, picks=(*CHOICE.picks, still))
    risk = Risk(value=0.5, flag="inspect", faults=tuple(fault(at) for at in places))
    made = built(analysis=analysis, choice=choice, heads=[head], risks={"P02": risk})
    said: Report = made["people"][1]["surroundings"]
    return said


@pytest.mark.parametrize(
    ("at", "where", "near"),
    [
        ((25, 4), "above the face", None),
        ((15, 15), "left of the face", None),
        ((32, 15), "right of the face", 3.0),
        ((31, 22), "below and right of the face", 4.5),
        ((18, 8), "above and left of the face", None),
        ((25, 15), "on the face", 10.0),
        ((40, 15), "right of the face", 0.0),
    ],
)
def test_the_weakest_place_is_said_in_words(at: tuple[float, float], where: str, near: float | None) -> None:
    """From the person's own face in the base, and who else is within a face's width of it, and how far."""
    said = surroundings(None, at, (25, 15))
    assert said["where"] == where
    assert said["near"] == (None if near is None else {"person": "P01", "distance_px": near})


@pytest.mark.parametrize("faults", [(), (None,)], ids=["no faults", "faults of no place"])
def test_faults_that_lie_nowhere(faults: tuple[None, ...]) -> None:
    """Where nothing is known of a place nothing is said of one."""
    said = surroundings(*faults)
    assert (said["where"], said["near"]) == (None, None)


@pytest.mark.parametrize(("x", "reached"), [(18, ["P01"]), (17, []), (45, []), (-30, [])])
def test_whose_face_the_mask_reaches(x: int, reached: list[str]) -> None:
    """By pixels that show more of the donor than of the base; who is not in the base is not reached."""
    assert surroundings((25, 4), offset=(x, 8))["touches"] == reached


def test_frames_are_placed_on_the_base() -> None:
    """`to_base` is against the base, not the reference: what is at 5 in the base is at 10 in the
    reference.
    """
    a, b, c = built()["frames"]
    assert a["to_base"] == [[1, 0, -5], [0, 1, 0], [0, 0, 1]]
    assert b["to_base"] == [[1, 0, 0], [0, 1, 0], [0, 0, 1]]
    assert (b["align_error_px"], a["align_error_px"]) == (0, 0.3)
    assert b["note"] == "only the people could be matched"
    assert (c["to_base"], c["note"]) == (None, "too little background")
    assert built()["dropped"] == [{"file": "c.jpg", "reason": "too little background"}]


def test_errors_of_two_frames_add_up() -> None:
    """Two frames placed on a third one independently: their errors add as squares (common practice, no
    source).
    """
    fates = (aligned(0, 0), aligned(5, 0.3), aligned(2, 0.4))
    analysis = Analysis(
        frames=ANALYSIS.frames,
        reference=0,
        alignments=fates,
        people=ANALYSIS.people,
        scores=ANALYSIS.scores,
    )
    assert built(analysis=analysis)["frames"][2]["align_error_px"] == 0.5


def test_a_score_says_what_took_from_it() -> None:
    """Every part once, what takes most first, with its value, what it multiplies the score by, and why."""
    parts = built()["people"][0]["faces"][1]["parts"]
    assert sorted(p["part"] for p in parts) == sorted(PARTS)
    assert parts[0] == {"part": "expression", "value": 0.1235, "factor": 0.4, "reason": "mouth pulled"}
    assert parts[1] == {"part": "eyes", "value": None, "factor": 0.6, "reason": "sunglasses"}
    assert {p["factor"] for p in parts[2:]} == {1.0}


def test_unknown_scores_are_marked() -> None:
    """What cannot be told is written as the middle, 0.5, and said to be unknown; a face without scores all
    of it.
    """
    one, two = built()["people"]
    assert one["faces"][1]["eyes_open"] == 0.5
    assert one["faces"][1]["unknown"] == ["eyes_open"]
    assert {p["part"]: p["reason"] for p in one["faces"][1]["parts"] if p["reason"]} == {
        "eyes": "sunglasses",
        "expression": "mouth pulled",
    }
    assert one["faces"][0]["unknown"] == []
    assert two["faces"][2]["unknown"] == ["eyes_open", "sharpness", "expression", "score"]
    assert two["faces"][2]["score"] == 0.5
    assert one["missing"] == [{"frame": "c.jpg", "reason": "turned away"}]


@pytest.mark.parametrize("bad", [NAN, math.inf, -math.inf])
def test_no_number_that_json_does_not_know(bad: float) -> None:
    """Numbers that are none become null in our own keys, and unknown in the contract's."""
    scores = {"P01": (score(bad, bad, bad), None, None), "P02": (None, None, None)}
    analysis = Analysis(
        frames=ANALYSIS.frames,
        reference=0,
        alignments=ANALYSIS.alignments,
        people=ANALYSIS.people,
        scores=scores,
    )
    head = dataclasses.replace(HEAD, joint=joint(bad))
    risks = {"P02": Risk(value=bad, flag="inspect", faults=(fault((bad, 5.0), amount=bad, chance=bad),))}
    made = built(analysis=analysis, heads=[head], risks=risks)
    report = json.loads(report_bytes(made), parse_constant=pytest.fail)
    found = report["people"][0]["faces"][0]
    assert (found["eyes_open"], found["score"], found["detail"]["jaw"]) == (0.5, 0.5, None)
    assert found["unknown"] == ["eyes_open", "score"]
    two = report["people"][1]
    assert two["joint"]["tone_delta_e"] is None
    assert (two["faults"][0]["amount"], two["faults"][0]["at"]) == (None, [None, 5.0])


def test_number_that_is_none_is_never_written() -> None:
    """Should one get as far as the file, writing fails rather than making a file that others cannot read."""
    with pytest.raises(ValueError, match="JSON"):
        report_bytes(built() | {"size": [NAN, 1]})


def test_shares_stay_within_their_range() -> None:
    """A score a hair outside 0 to 1, as rounding makes them, is written inside."""
    analysis = Analysis(
        frames=ANALYSIS.frames,
        reference=0,
        alignments=ANALYSIS.alignments,
        people=ANALYSIS.people,
        scores={"P01": (score(1.001, -0.001), None, None), "P02": (None, None, None)},
    )
    found = built(analysis=analysis)["people"][0]["faces"][0]
    assert (found["eyes_open"], found["score"]) == (1.0, 0.0)


def test_culling_makes_no_picture() -> None:
    """Where nothing was composed, neither picture nor layers nor masks are named, and no seam is judged."""
    report = built(heads=[], risks={}, composite=None, layers=None)
    assert (report["composite"], report["layers"]) == (None, None)
    assert [p["mask"] for p in report["people"]] == [None, None]
    assert [p["flag"] for p in report["people"]] == ["clear", "clear"]
    assert [p["reasons"] for p in report["people"]] == [[text.NOTHING_CHANGED], [text.NOT_MEASURED]]


@pytest.mark.parametrize("made", [True, False], ids=["merge", "cull"])
def test_whoever_is_missing_in_the_base_is_flagged(made: bool) -> None:
    """A risk that is given holds for somebody who was not changed, and where no picture was made."""
    absent = fault(None, kind=FaultKind.ABSENT, chance=1.0, words="turned away")
    missing = Risk(value=0.3, flag="inspect", faults=(absent,))
    more = {} if made else {"heads": [], "composite": None, "layers": None}
    report = built(risks={"P01": missing} | (RISKS if made else {}), **more)
    one, two = report["people"]
    assert (one["from_base"], one["risk"], one["flag"]) == (True, 0.3, "inspect")
    assert one["reasons"] == ["not found in the base frame, so nothing was set in: turned away"]
    assert [(f["kind"], f["words"]) for f in one["faults"]] == [("absent", "turned away")]
    assert two["flag"] == ("inspect" if made else "clear")


def test_what_was_found_and_settings_are_there() -> None:
    """How the head was joined, what was found of it, its area and every setting are on record."""
    report = built(options=build({"align.max_error_px": 2}))
    two = report["people"][1]
    assert two["area"] == [30, 4, 37, 13]
    assert two["joint"] == {
        "misfit": None,
        "tone_delta_e": 3.0,
        "grain_ratio": 1.235,
        "head_hidden": 0.0123,
        "invented": 0.1,
        "old_head_left": 0.0,
    }
    place, grain = two["faults"]
    assert place == {
        "kind": "break",
        "chance": 0.4,
        "amount": 1.235,
        "at": [12.3, 5.0],
        "size_px": 4.6,
        "person": None,
        "words": "",
    }
    assert (grain["kind"], grain["amount"], grain["at"]) == ("grain", 2.5, None)
    assert "joint" not in report["people"][0]
    assert report["options"]["align"]["max_error_px"] == 2
    assert report["notes"] == ["a person passed by", "d.jpg is left out: it is empty."]
    assert report["program"]["name"] == "facemerge"


def test_how_an_inner_face_fits_is_on_record() -> None:
    """Every measure of it, by its name."""
    misfit = Misfit(pose=0.01234, border_delta_e=2.34567, covered=0.05, crisper=0.3)
    head = dataclasses.replace(HEAD, extent="face", joint=dataclasses.replace(joint(), misfit=misfit))
    found = built(heads=[head])["people"][1]
    assert found["extent"] == "face"
    assert found["joint"]["misfit"] == {
        "pose": 0.0123,
        "border_delta_e": 2.3457,
        "covered": 0.05,
        "crisper": 0.3,
    }


def test_whose_pixels_suffer_is_on_record() -> None:
    """A fault on somebody who was not changed is theirs in the report, and says by whom."""
    harm = fault(kind=FaultKind.NEIGHBOUR, person="P01", words="P02")
    one, _ = built(risks=RISKS | {"P01": Risk(value=0.5, flag="inspect", faults=(harm,))})["people"]
    assert (one["faults"][0]["person"], one["faults"][0]["words"]) == ("P01", "P02")
    assert "P02" in one["reasons"][0]
    assert (one["flag"], one["mask"]) == ("inspect", None)


def test_round_trip(tmp_path: Path) -> None:
    """What is written is read back equal, non-ASCII names too, and two runs write the same bytes."""
    analysis = Analysis(
        frames=(frame("ä<b>.jpg"), *ANALYSIS.frames[1:]),
        reference=0,
        alignments=ANALYSIS.alignments,
        people=ANALYSIS.people,
        scores=ANALYSIS.scores,
    )
    report = built(analysis=analysis)
    write_report(tmp_path / "report.json", report)
    assert read_report(tmp_path / "report.json") == report
    assert (tmp_path / "report.json").read_bytes() == report_bytes(built(analysis=analysis))
    assert "ä<b>.jpg" in (tmp_path / "report.json").read_text("utf-8")


def without(*path: str | int) -> Report:
    """Return a report that lacks one thing."""
    report: Any = copy.deepcopy(built())
    inner = report
    for key in path[:-1]:
        inner = inner[key]
    del inner[path[-1]]
    return dict(report)


def having(value: object, *path: str | int) -> Report:
    """Return a report in which one thing is another."""
    report: Any = copy.deepcopy(built())
    inner = report
    for key in path[:-1]:
        inner = inner[key]
    inner[path[-1]] = value
    return dict(report)


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "not JSON"),
        (b"{", "not JSON"),
        (b"\xff\xfe\x00", "not JSON"),
        (b"[" * 100_000, "not JSON"),
        (b"[]", "not a report of facemerge"),
        (b'{"schema": 1}', "not a report of facemerge"),
        (b'{"schema": "somebody-else/1"}', "not a report of facemerge"),
        (b'{"schema": "facemerge-report/99"}', "facemerge-report/99.*known here: facemerge-report/1"),
        (b'{"schema": "facemerge-report/1"}', "not a whole report"),
        (report_bytes(without("size")), "not a whole report"),
        (report_bytes(without("people")), "not a whole report"),
        (report_bytes(without("frames", 0, "file")), "not a whole report"),
        (report_bytes(without("people", 0, "faces", 0, "box")), "not a whole report"),
        (report_bytes(having("nobody.jpg", "base")), "not a whole report"),
        (report_bytes(having("fine", "people", 0, "flag")), "not a whole report"),
        (report_bytes(having(1.5, "people", 0, "risk")), "not a whole report"),
        (report_bytes(having("high", "people", 0, "faces", 0, "score")), "not a whole report"),
        (report_bytes(having([[1, 0], [0, 1]], "frames", 0, "to_base")), "not a whole report"),
        (report_bytes(having(7, "people", 0, "faces")), "not a whole report"),
    ],
)
def test_what_is_no_report(tmp_path: Path, data: bytes, said: str) -> None:
    """Broken, foreign, too new or incomplete: one sentence that names the file."""
    path = tmp_path / "report.json"
    path.write_bytes(data)
    with pytest.raises(InputError, match=f"report.json .*{said}"):
        read_report(path)


def test_no_report(tmp_path: Path) -> None:
    """A report that is not there is one sentence."""
    with pytest.raises(InputError, match=r"report.json cannot be opened: no such file"):
        read_report(tmp_path / "report.json")
