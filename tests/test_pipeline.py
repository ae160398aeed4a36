"""The order of things: what is read, what is kept, and what a run makes of it."""

from __future__ import annotations

import gc
import json
import pickle
import threading
import weakref
from collections.abc import Callable
from pathlib import Path

import bursts
import cv2
import numpy as np
import pyora
import pytest
import tifffile
from once import Once

from facemerge import composite, faces, faults, pipeline, text
from facemerge.errors import InputError, OptionError
from facemerge.formats import encode, icc, openraster, photo
from facemerge.models import Models
from facemerge.options import Options, build
from facemerge.words import Aligned, Decisions, Face, FaultKind, Frame, Head, Missing, Pixels, Unaligned


class Reader:
    """Gives drawn frames by name, and keeps count."""

    def __init__(self, pictures: dict[str, np.ndarray]) -> None:
        self.pictures = pictures
        self.reads: list[str] = []
        self.alive: list[weakref.ref[np.ndarray]] = []
        self.most_alive = 0
        """Frames still in memory when the next is read."""
        self.lock = threading.Lock()

    def __call__(self, frame: Frame) -> Pixels:
        with self.lock:
            gc.collect()
            self.most_alive = max(self.most_alive, sum(r() is not None for r in self.alive))
            self.reads.append(frame.name)
            pixels = self.pictures[frame.name].copy()
            self.alive.append(weakref.ref(pixels))
            return pixels


def frames_of(pictures: dict[str, np.ndarray]) -> list[Frame]:
    return [
        Frame(name=n, path=f"/nowhere/{n}", size=(p.shape[1], p.shape[0]), bit_depth=8)
        for n, p in pictures.items()
    ]


@pytest.fixture(scope="module")
def burst_folder(once: Once) -> Path:
    return bursts.merged(once) / "burst"


@pytest.fixture
def out(once: Once, tmp_path: Path) -> Path:
    """A place for a result, beside which lies what is known of that burst."""
    return bursts.known_beside(tmp_path / "out", bursts.merged(once))


@pytest.fixture(scope="module")
def pictures() -> dict[str, np.ndarray]:
    return {f"f{i}.png": bursts.frame(i) for i in range(4)}


@pytest.mark.parametrize("workers", [1, 2, 3])
def test_every_frame_is_read_once_and_let_go(
    workers: int, pictures: dict[str, np.ndarray], models: Models
) -> None:
    """One reading a frame while all faces are found; never more frames' pixels in memory than threads."""
    reader = Reader(pictures)
    analysis, album = pipeline.analyse(frames_of(pictures), reader, models, Options(), workers=workers)
    assert sorted(reader.reads) == sorted(pictures)
    assert reader.most_alive <= workers - 1
    assert len(analysis.people) == 2
    assert all(isinstance(f, Face) for p in analysis.people for f in p.faces)
    assert len(album.thumbnails) == 8


def test_a_face_overlooked_is_looked_for_again(
    pictures: dict[str, np.ndarray], models: Models, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A search that misses one face in one frame costs one more reading of that frame, and nobody."""
    found = faces.detect_faces
    calls: list[int] = []

    def forgetful(*words: object) -> tuple[Face, ...]:
        calls.append(1)
        return found(*words)[1:] if len(calls) == 2 else found(*words)  # type: ignore[arg-type]

    monkeypatch.setattr(faces, "detect_faces", forgetful)
    reader = Reader(pictures)
    analysis, _ = pipeline.analyse(frames_of(pictures), reader, models, Options())
    assert len(reader.reads) == 5
    assert all(isinstance(f, Face) for p in analysis.people for f in p.faces)


def test_an_odd_frame_in_the_middle_does_not_become_the_measure(
    pictures: dict[str, np.ndarray], models: Models
) -> None:
    """The frame in the middle shows something else: the others are aligned on one of themselves."""
    rng = np.random.default_rng(2)
    odd = cv2.resize(rng.integers(0, 255, (40, 60, 3), np.uint8), bursts.SIZE, interpolation=cv2.INTER_CUBIC)
    names = list(pictures)
    mixed = {names[0]: pictures[names[0]], names[1]: pictures[names[1]], "odd.png": odd}
    mixed |= {names[2]: pictures[names[2]]}
    analysis, _ = pipeline.analyse(frames_of(mixed), Reader(mixed), models, Options())
    assert [isinstance(a, Aligned) for a in analysis.alignments] == [True, True, False, True]
    assert isinstance(analysis.alignments[2], Unaligned)
    assert len(analysis.people) == 2


def test_a_frame_that_breaks_while_it_is_read_is_noted(
    pictures: dict[str, np.ndarray], models: Models
) -> None:
    """The burst goes on without it, and the note says which."""
    reader = Reader(pictures)

    def breaking(frame: Frame) -> Pixels:
        if frame.name == "f1.png":
            raise InputError("f1.png cannot be read: it is cut off.")
        return reader(frame)

    analysis, _ = pipeline.analyse(frames_of(pictures), breaking, models, Options())
    assert [f.name for f in analysis.frames] == ["f0.png", "f2.png", "f3.png"]
    assert "f1.png cannot be read: it is cut off." in analysis.notes


def test_a_person_missing_in_a_forced_base_is_spoken_of(
    pictures: dict[str, np.ndarray], models: Models, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing can be set in where nobody stands: the person is flagged, not passed over."""
    hidden = dict(pictures)
    hidden["f0.png"] = hidden["f0.png"].copy()
    hidden["f0.png"][:, 560:800] = 90
    frames = frames_of(hidden)
    analysis, album = pipeline.analyse(frames, Reader(hidden), models, Options())
    assert isinstance(analysis.people[1].faces[0], Missing)
    chosen = pipeline.choose(analysis, album, Decisions(base="f0.png"), Options())
    assert chosen.picks[1].from_base
    _, _, risks = pipeline.set_in(analysis, chosen, Reader(hidden), Options())
    assert risks["P02"].flag == "inspect"
    assert [fault.kind for fault in risks["P02"].faults] == [FaultKind.ABSENT]
    assert "not found in the base" in text.reasons(risks["P02"])[0]


def test_whoever_is_turned_away_in_a_forced_base_is_set_in(
    pictures: dict[str, np.ndarray], models: Models
) -> None:
    """Their head is where their face should be: it is taken whole, and looked over like any other."""
    known, _ = pipeline.analyse(frames_of(pictures), Reader(pictures), models, Options())
    shown = known.people[1].faces[0]
    assert isinstance(shown, Face)
    x0, y0, x1, y1 = shown.box
    turned = dict(pictures)
    turned["f0.png"] = turned["f0.png"].copy()
    middle, size = (
        (round((x0 + x1) / 2), round((y0 + y1) / 2)),
        (round(0.45 * (x1 - x0)), round(0.45 * (y1 - y0))),
    )
    cv2.ellipse(turned["f0.png"], middle, size, 0, 0, 360, (60, 40, 30), -1)
    frames = frames_of(turned)
    analysis, album = pipeline.analyse(frames, Reader(turned), models, Options())
    lost = analysis.people[1].faces[0]
    assert isinstance(lost, Missing)
    assert lost.place is not None
    chosen = pipeline.choose(analysis, album, Decisions(base="f0.png"), Options())
    assert not chosen.picks[1].from_base
    assert "no face was found" in chosen.picks[1].why
    base, heads, risks = pipeline.set_in(analysis, chosen, Reader(turned), Options())
    head = next(h for h in heads if h.person == "P02")
    assert head.extent == "person"
    assert FaultKind.ABSENT not in [fault.kind for fault in risks["P02"].faults]
    merged = composite.lay(base, heads)
    inner = np.s_[round(y0 + 10) : round(y1 - 10), round(x0 + 10) : round(x1 - 10)]
    assert np.abs(merged[inner].astype(int) - turned["f0.png"][inner]).mean() > 40
    assert np.abs(merged[inner].astype(int) - pictures["f0.png"][inner]).mean() < 25


# -- a whole run --------------------------------------------------------------------------------------------


def depth8(image: np.ndarray) -> np.ndarray:
    return image


def depth16(image: np.ndarray) -> np.ndarray:
    noise = np.random.default_rng(0).integers(0, 256, image.shape)
    return (image.astype(np.uint16) * 256 + noise).astype(np.uint16)


def grey(image: np.ndarray) -> np.ndarray:
    return cv2.cvtColor(image, cv2.COLOR_RGB2GRAY)


@pytest.fixture(scope="module", params=[depth8, depth16, grey], ids=["8 bit", "16 bit", "grey"])
def run(request: pytest.FixtureRequest, once: Once) -> tuple[Path, Path, pipeline.Result]:
    kind: Callable[[np.ndarray], np.ndarray] = request.param

    def make(place: Path) -> None:
        (place / "burst").mkdir()
        for i in range(4):
            image = kind(bursts.frame(i))
            cv2.imwrite(str(place / "burst" / f"f{i}.png"), image[..., ::-1] if image.ndim == 3 else image)
        result = pipeline.merge([place / "burst"], place / "out", layered_tiff=True)
        (place / "result").write_bytes(pickle.dumps(result))

    place = once(f"merged {kind.__name__}", make)
    return place / "burst", place / "out", pickle.loads((place / "result").read_bytes())


def test_outside_the_masks_not_a_bit_changes(run: tuple[Path, Path, pipeline.Result]) -> None:
    """The composite has the base's size, depth and channels, and its pixels wherever no mask is."""
    burst, out, result = run
    base = cv2.imread(str(burst / result.report["base"]), cv2.IMREAD_UNCHANGED)
    composite = cv2.imread(str(out / "composite.tif"), cv2.IMREAD_UNCHANGED)
    assert composite.shape == base.shape
    assert composite.dtype == base.dtype
    touched = np.zeros(base.shape[:2], bool)
    for person in result.report["people"]:
        if person["mask"]:
            touched |= cv2.imread(str(out / person["mask"]), cv2.IMREAD_UNCHANGED) > 0
    assert 0.01 < touched.mean() < 0.6
    assert np.array_equal(composite[~touched], base[~touched])
    assert not np.array_equal(composite[touched], base[touched])


def test_the_soft_person_is_given_a_sharp_head(run: tuple[Path, Path, pipeline.Result]) -> None:
    """No frame has both people sharp; in the composite both are as sharp as in their sharp frames."""
    burst, out, result = run
    composite = cv2.imread(str(out / "composite.tif"), cv2.IMREAD_GRAYSCALE)
    for person, pick in zip(result.analysis.people, result.choice.picks, strict=True):
        number = int(result.analysis.frames[pick.frame].name[1])
        assert (number, int(person.id[1:]) - 1) not in bursts.BLURRED
        face = person.faces[result.choice.base]
        assert isinstance(face, Face)
        x0, y0, x1, y1 = (round(v) for v in face.box)
        detail = cv2.Laplacian(composite[y0:y1, x0:x1], cv2.CV_64F).var()
        donor = cv2.imread(str(burst / f"f{number}.png"), cv2.IMREAD_GRAYSCALE)
        there = person.faces[pick.frame]
        assert isinstance(there, Face)
        a0, b0, a1, b1 = (round(v) for v in there.box)
        assert detail > 0.7 * cv2.Laplacian(donor[b0:b1, a0:a1], cv2.CV_64F).var()


def test_layers_flatten_to_the_composite(run: tuple[Path, Path, pipeline.Result]) -> None:
    """By our own reader to within one step of 8 bit, at the file's own depth."""
    _, out, _ = run
    raster = openraster.read_ora(out / "composite.ora")
    flat = openraster.flatten(raster)
    composite = cv2.imread(str(out / "composite.tif"), cv2.IMREAD_UNCHANGED)
    composite = composite[..., ::-1] if composite.ndim == 3 else np.dstack([composite] * 3)
    assert np.abs(flat - composite / np.iinfo(composite.dtype).max).max() <= 1 / 255


def test_an_independent_reader_sees_the_same_layers(run: tuple[Path, Path, pipeline.Result]) -> None:
    """pyora lists the base and a layer for each head that was set in, and renders the composite."""
    _, out, result = run
    project = pyora.Project.load(str(out / "composite.ora"))
    names = [layer.name for layer in project.children if layer.visible]
    swapped = [p for p in result.report["people"] if not p["from_base"]]
    assert sorted(n.split()[0] for n in names if n.startswith("P")) == [p["id"] for p in swapped]
    assert all(p["pick"] in n for p in swapped for n in names if n.startswith(p["id"]))
    assert len(names) == 1 + len(swapped)
    hidden = [layer.name for layer in project.children if not layer.visible]
    assert hidden == [f"{name}, whole" for name in names[:-1]]
    rendered = np.asarray(project.get_image_data(use_original=False).convert("RGB")).astype(int)
    composite = cv2.imread(str(out / "composite.tif"), cv2.IMREAD_COLOR)[..., ::-1]
    # The reader cuts 16-bit layers to 8 bits before it blends them.
    assert np.abs(rendered - composite).max() <= 2


def as_rgb(image: np.ndarray) -> np.ndarray:
    """Return a picture that OpenCV read as RGB in [0, 1]."""
    rgb = image[..., ::-1] if image.ndim == 3 else np.dstack([image] * 3)
    return rgb / np.iinfo(image.dtype).max


def softened(image: np.ndarray) -> np.ndarray:
    """Return a picture without its grain, which resampling changes."""
    return np.asarray(cv2.GaussianBlur(image, (0, 0), 2))


def test_the_donor_is_there_whole(run: tuple[Path, Path, pipeline.Result]) -> None:
    """The hidden layer is the donor's frame itself, all of it, laid on the base as its head was: opaque
    wherever it reaches, and nothing of the base in it.
    """
    burst, out, result = run
    layers = openraster.read_ora(out / "composite.ora").layers
    for head in result.heads:
        (hidden,) = [x for x in layers if x.name.startswith(head.person) and not x.visible]
        assert layers[layers.index(hidden) + 1].name == hidden.name.removesuffix(", whole")
        (pick,) = [p for p in result.choice.picks if p.person == head.person]
        donor = as_rgb(cv2.imread(str(burst / f"f{pick.frame}.png"), cv2.IMREAD_UNCHANGED))
        base = as_rgb(cv2.imread(str(burst / result.report["base"]), cv2.IMREAD_UNCHANGED))
        assert hidden.offset == (0, 0)
        assert hidden.pixels.shape[:2] == base.shape[:2]
        assert head.base_from_donor is not None
        size = base.shape[1], base.shape[0]
        laid = cv2.warpPerspective(donor, head.base_from_donor, size)
        reach = cv2.warpPerspective(np.ones(donor.shape[:2]), head.base_from_donor, size)
        full = np.iinfo(hidden.pixels.dtype).max
        assert (hidden.pixels[..., 3][reach > 0.99] == full).mean() > 0.99
        assert not hidden.pixels[..., 3][reach == 0].any()
        shown = hidden.pixels[..., :3] / full
        inside = cv2.erode((reach > 0.99).astype(np.uint8), np.ones((31, 31), np.uint8), borderValue=0) > 0
        off, of_base = (np.abs(softened(x) - softened(shown))[inside].max(axis=1) * 255 for x in (laid, base))
        assert np.percentile(off, 95) < 4
        assert np.percentile(of_base, 95) > 10


def test_a_head_goes_on_in_the_donor_below_it(run: tuple[Path, Path, pipeline.Result]) -> None:
    """A mask can be painted wider from the hidden layer: under the head it shows the same, and it goes on."""
    _, out, result = run
    layers = openraster.read_ora(out / "composite.ora").layers
    for head in result.heads:
        (layer,) = [x for x in layers if x.name.startswith(head.person) and x.visible]
        (whole,) = [x for x in layers if x.name.startswith(head.person) and not x.visible]
        (x, y), (h, w) = layer.offset, layer.pixels.shape[:2]
        scale = np.iinfo(layer.pixels.dtype).max
        below = whole.pixels[y : y + h, x : x + w]
        full = cv2.erode((layer.pixels[..., 3] == scale).astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
        apart = softened(layer.pixels[..., :3] / scale) - softened(below[..., :3] / scale)
        assert (np.abs(apart).max(axis=2) * 255 < 6)[full].mean() > 0.9
        assert (whole.pixels[..., 3] > 0).sum() > 2 * (layer.pixels[..., 3] > 0).sum()


def test_the_layered_tiff_holds_the_composite_and_its_parts(run: tuple[Path, Path, pipeline.Result]) -> None:
    """By a reader of its own: the finished picture first, then what it is made of, which gives it again."""
    burst, out, result = run
    assert result.report["layered_tiff"] == "composite-layers.tif"
    finished = tifffile.imread(out / "composite.tif")
    with tifffile.TiffFile(out / "composite-layers.tif") as file:
        pages = [p.asarray() for p in file.pages]
        names = [p.tags["PageName"].value for p in file.pages]
        assert b"compositeCapture" in bytes(file.pages[0].tags[700].value)
    swapped = [p for p in result.report["people"] if not p["from_base"]]
    assert names[:2] == ["Composite", f"Base {result.report['base']}"]
    assert sorted(names[2:]) == sorted(f"{p['id']} from {p['pick']}" for p in swapped)
    assert np.array_equal(pages[0], finished)
    read = cv2.imread(str(burst / result.report["base"]), cv2.IMREAD_UNCHANGED)
    assert np.array_equal(pages[1], read if read.ndim == 2 else read[..., ::-1])
    flat = np.atleast_3d(pages[1]).astype(float)
    for page in pages[2:]:
        alpha = page[..., -1:] / np.iinfo(page.dtype).max
        flat = flat * (1 - alpha) + page[..., :-1] * alpha
    assert np.abs(flat - np.atleast_3d(finished)).max() <= 1
    bare = np.all([page[..., -1] == 0 for page in pages[2:]], axis=0)
    assert np.array_equal(flat[bare], np.atleast_3d(finished)[bare])


def test_no_layered_tiff_unless_asked_for(burst_folder: Path, out: Path) -> None:
    """It is large: only who wants it gets it."""
    result = pipeline.merge([burst_folder], out)
    assert result.report["layered_tiff"] is None
    assert not (out / "composite-layers.tif").exists()


def a_step_amid(before: Pixels, head: Head, *_: object) -> list[faults.Place]:
    """Find one step in tone, in the middle of a head's layer."""
    (x, y), (h, w) = head.offset, before.shape[:2]
    at = (x + w / 2, y + h / 2)
    return [faults.Place(kind=FaultKind.STEP, amount=3.0, at=at, size_px=9.0, mass=0.02)]


def test_a_flagged_head_shows_its_weak_places(
    burst_folder: Path, out: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where nothing is risked no place is shown closely, where everything is a risk each one is; of a flagged
    head in which no place was found the face is shown."""
    shown = []
    for least, find in ((1.0, a_step_amid), (0.0, a_step_amid), (0.0, lambda *_: [])):
        monkeypatch.setattr(faults, "find", find)
        options = build({"risk.inspect_from": least, "risk.retouch_from": 1.0})
        result = pipeline.merge([burst_folder], out, options=options)
        assert len(result.heads) >= 1
        shown.append((out / "report.html").read_text(encoding="utf-8").count('class="close"'))
        told = [p["faults"] for p in result.report["people"] if p["mask"]]
        assert all(any(f["kind"] == "step" for f in its) is (find is a_step_amid) for its in told)
    assert shown == [0, len(result.heads), len(result.heads)]


def test_the_report_is_the_contracts(run: tuple[Path, Path, pipeline.Result]) -> None:
    """Every key that others rely on is there with its meaning."""
    _, out, result = run
    report = json.loads((out / "report.json").read_text(encoding="utf-8"))
    assert report == result.report
    assert report["schema"] == "facemerge-report/1"
    assert report["size"] == [*bursts.SIZE]
    base = next(f for f in report["frames"] if f["file"] == report["base"])
    assert base["to_base"] == [[1, 0, 0], [0, 1, 0], [0, 0, 1]]
    assert [p["id"] for p in report["people"]] == ["P01", "P02"]
    assert report["people"][0]["faces"][0]["box"][0] < report["people"][1]["faces"][0]["box"][0]
    for person in report["people"]:
        assert 0 <= person["risk"] <= 1
        assert person["flag"] in ("clear", "inspect", "retouch")
        assert person["reasons"]
        assert (person["mask"] is None) == person["from_base"]


def test_the_report_says_where_the_frames_lie(run: tuple[Path, Path, pipeline.Result]) -> None:
    """As seen from beside the result: both may be moved together."""
    burst, out, result = run
    assert [(out.parent / source).resolve() for source in result.report["sources"]] == [burst.resolve()]
    assert not any(Path(source).is_absolute() for source in result.report["sources"])


def test_a_grey_base_takes_grey_heads(tmp_path: Path) -> None:
    """One frame without colour among coloured ones: nobody is counted twice, and the layers are grey too."""
    for i in range(4):
        image = bursts.frame(i)
        cv2.imwrite(str(tmp_path / f"f{i}.png"), grey(image) if i == 0 else image[..., ::-1])
    out = tmp_path / "out"
    result = pipeline.merge(
        [tmp_path / f"f{i}.png" for i in range(4)], out, decisions=Decisions(base="f0.png")
    )
    assert len(result.analysis.people) == 2
    assert len(result.heads) == 1
    composite = cv2.imread(str(out / "composite.tif"), cv2.IMREAD_UNCHANGED)
    assert composite.ndim == 2
    flat = openraster.flatten(openraster.read_ora(out / "composite.ora"))
    assert np.abs(flat - composite[..., None] / 255).max() <= 1 / 255


@pytest.mark.parametrize("said", ["path", "name"])
def test_a_frame_goes_by_its_path_as_well(said: str, burst_folder: Path, out: Path) -> None:
    """A path completed by the shell names the same frame as the name in the report."""
    place = burst_folder / "frame_002.jpg"
    decisions = Decisions(base=str(place) if said == "path" else place.name)
    result = pipeline.cull([burst_folder], out, decisions=decisions)
    assert result.report["base"] == "frame_002.jpg"


def test_a_frame_that_does_not_exist_is_refused_before_the_work(
    burst_folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A typing error costs no minutes of analysis."""
    monkeypatch.setattr(faces, "detect_faces", lambda *words: pytest.fail("the analysis began"))
    with pytest.raises(OptionError, match=r"no frame 'nope\.jpg'"):
        pipeline.merge([burst_folder], tmp_path / "out", decisions=Decisions(base="nope.jpg"))
    assert not (tmp_path / "out").exists()


def test_a_wide_gamut_burst_is_merged_in_its_own_colours(tmp_path: Path) -> None:
    """Frames in Adobe RGB give the same picks as in sRGB, and a composite in Adobe RGB."""
    profile = icc.made("adobergb")
    for i in range(4):
        wide = icc.convert(bursts.frame(i), None, profile)
        encode.write_png(tmp_path / f"f{i}.png", wide, profile=profile)
    result = pipeline.merge([tmp_path / f"f{i}.png" for i in range(4)], tmp_path / "out")
    frames = photo.find_frames([tmp_path / "out" / "composite.tif"])[0]
    assert frames[0].profile == profile
    picks = [int(result.analysis.frames[p.frame].name[1]) for p in result.choice.picks]
    assert all((f, who) not in bursts.BLURRED for who, f in enumerate(picks))
