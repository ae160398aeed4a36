"""Whole scores: measured on real pixels, weighed so that one serious defect sinks a face."""

from __future__ import annotations

import pickle

import cv2
import evaluate
import numpy as np
import pytest
import render_burst
from hypothesis import given
from hypothesis import strategies as st
from skimage import data

from facemerge import scores
from facemerge.faces import detect_faces
from facemerge.options import FacesOptions, ScoresOptions
from facemerge.words import PARTS, Face, Part, Score

OPTIONS = ScoresOptions()
FINE = Part(value=1.0)
part_values = st.one_of(st.none(), st.floats(0, 1))


def only_face(image: np.ndarray, models) -> Face:
    """The largest face of a picture."""
    found = detect_faces(image, models, FacesOptions(min_face_px=40))
    return max(found, key=lambda f: f.box[2] - f.box[0])


def judged(images: list[np.ndarray], models, options: ScoresOptions = OPTIONS) -> list[Score]:
    """Score one person's pictures."""
    measured = [scores.measure(i, only_face(i, models)) for i in images]
    return [s for s in scores.score(measured, options) if s is not None]


@pytest.fixture(scope="module")
def portrait() -> np.ndarray:
    """A real person, the face 220 px wide."""
    return np.asarray(
        cv2.resize(data.astronaut()[0:260, 100:360], None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
    )


def with_blur(image: np.ndarray, sigma: float, seed: int = 0) -> np.ndarray:
    """Out of focus, with a camera's noise."""
    soft = cv2.GaussianBlur(image, (0, 0), sigma) if sigma else image
    noisy = soft + np.random.default_rng(seed).normal(0, 1.5, image.shape)
    return np.clip(np.rint(noisy), 0, 255).astype(np.uint8)


def test_a_real_face_falls_with_blur(portrait, models):
    """Total and sharpness fall with each step of blur; the blur is known within 15 %; eyes are not blamed."""
    found = judged([with_blur(portrait, s, i) for i, s in enumerate((0.0, 2.0, 3.5, 6.0))], models)
    totals = [s.total for s in found]
    assert totals[0] > 0.7
    assert np.all(np.diff(totals) < -0.03)
    assert totals[2] < 0.4
    assert [s.blur_px for s in found[1:]] == pytest.approx([2.0, 3.5, 6.0], rel=0.15)
    assert min(s.eyes.value for s in found[:3]) > 0.5
    assert found[3].sharpness.reason == "out of focus, blur about 6 px"


def nudged(image: np.ndarray, seed: int) -> np.ndarray:
    """The same still moved by 3 px, 0.3 degrees and 0.4 %, a third of a stop off, with noise, as JPEG."""
    rng = np.random.default_rng(seed)
    height, width = image.shape[:2]
    move = cv2.getRotationMatrix2D(
        (width / 2, height / 2), float(rng.normal(0, 0.3)), 1 + float(rng.normal(0, 0.004))
    )
    move[:, 2] += rng.normal(0, 3, 2)
    moved = cv2.warpAffine(image, move, (width, height), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
    lit = (moved / 255) ** 2.2 * 2 ** rng.uniform(-0.3, 0.3)
    noisy = 255 * np.clip(lit, 0, 1) ** (1 / 2.2) + rng.normal(0, 2, image.shape)
    eight = np.clip(np.rint(noisy), 0, 255).astype(np.uint8)
    quality = [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(85, 95))]
    packed = cv2.imencode(".jpg", eight[..., ::-1], quality)[1]
    return np.ascontiguousarray(cv2.imdecode(packed, cv2.IMREAD_COLOR)[..., ::-1])


@pytest.mark.parametrize("seed", [0, 100])
@pytest.mark.parametrize("zoom", [1.0, 0.4])
def test_copies_of_one_still_score_alike(portrait, models, seed, zoom):
    """Six copies of one still, hardly moved, of a face 90 to 220 px wide: no total differs by 0.1."""
    size = (round(portrait.shape[1] * zoom), round(portrait.shape[0] * zoom))
    small = np.asarray(cv2.resize(portrait, size, interpolation=cv2.INTER_AREA))
    totals = [s.total for s in judged([nudged(small, seed + i) for i in range(6)], models)]
    assert max(totals) - min(totals) < 0.1


def test_mirrored_pictures_score_the_same(portrait, models):
    """A picture and its mirror image differ by no more than the landmarks do."""
    plain = judged([portrait, with_blur(portrait, 3.0)], models)
    other = judged([p[:, ::-1].copy() for p in (portrait, with_blur(portrait, 3.0))], models)
    for a, b in zip(plain, other, strict=True):
        assert a.total == pytest.approx(b.total, abs=0.05)
        assert a.blur_px == pytest.approx(b.blur_px, abs=0.35)


def test_sixteen_bits_say_the_same_as_eight(portrait, models):
    """Depth is no quality: the same picture at 16 bits scores the same."""
    face = only_face(portrait, models)
    deep = portrait.astype(np.uint16) * 257
    eight, sixteen = (scores.score([scores.measure(i, face)], OPTIONS)[0] for i in (portrait, deep))
    assert eight.total == pytest.approx(sixteen.total, abs=1e-6)


@pytest.mark.parametrize("light", [0.5, 0.7])
def test_exposure_is_no_blur(portrait, models, light):
    """A frame with half the light scores as the others do."""
    dark = evaluate.imaging.from_unit(
        evaluate.imaging.from_linear(evaluate.imaging.to_linear(evaluate.imaging.to_unit(portrait)) * light),
        np.uint8,
    )
    bright, dim = judged([portrait, dark], models)
    assert dim.total == pytest.approx(bright.total, abs=0.06)


def test_missing_frames_stay_missing(portrait, models):
    """None in, None out, and the other frames are judged as if it were not there."""
    m = scores.measure(portrait, only_face(portrait, models))
    assert scores.score([], OPTIONS) == ()
    assert scores.score([None, None], OPTIONS) == (None, None)
    assert scores.score([None, m, None], OPTIONS)[1] == scores.score([m], OPTIONS)[0]


def test_measures_travel_between_processes_and_give_the_same_bytes(portrait, models):
    """Measures can be pickled, weigh some 23 kB, and say the same afterwards and when measured again."""
    face = only_face(portrait, models)
    m = scores.measure(portrait, face)
    packed = pickle.dumps(m)
    assert 15_000 < len(packed) < 30_000
    assert scores.score([pickle.loads(packed)], OPTIONS) == scores.score([m], OPTIONS)
    assert pickle.dumps(scores.measure(portrait, face)) == packed


@pytest.mark.parametrize("corner", [(0, 0), (0, 150), (130, 0)])
def test_a_face_cut_by_the_picture_is_measured_or_unknown(portrait, models, corner):
    """A face half outside the picture neither fails nor invents an eye that is not there."""
    face = only_face(portrait, models)
    top, left = corner
    shift = np.array([-left, -top, 0.0])
    x0, y0, x1, y1 = face.box
    moved = Face(
        box=(x0 - left - 120, y0 - top, x1 - left - 120, y1 - top),
        landmarks=face.landmarks + shift - [120, 0, 0],
        blendshapes=face.blendshapes,
        appearance=face.appearance,
        confidence=1.0,
    )
    (found,) = scores.score([scores.measure(portrait[top:, left:], moved)], OPTIONS)
    assert 0 <= found.total <= 1
    inside = moved.landmarks[[33, 133], 0].mean() >= 0
    assert ("closed_right" in found.detail) == inside


def whole(options: ScoresOptions = OPTIONS, **values: float | None) -> float:
    """The total of a face all of whose other parts are perfect."""
    parts = {name: Part(value=values.get(name, 1.0)) for name in PARTS}
    return scores.total(scores.factors(parts, options))


@given(part_values, part_values, part_values)
def test_total_is_a_product_in_range(a, b, c):
    """In [0, 1]; the worst part bounds it; unknown eyes are neither good nor bad."""
    found = whole(eyes=a, sharpness=b, expression=c)
    assert 0 <= found <= 1
    for value, weight in ((a, 1.0), (b, 1.0), (c, 0.7)):
        assert found <= (0.6 if value is None else value) ** weight + 1e-12


def test_weights_weigh():
    """A weight of 0 forgets a part; a larger one makes it count for more."""
    none, some, full = (
        whole(ScoresOptions(weight_eyes=w), eyes=0.1, sharpness=0.9, expression=0.9) for w in (0.0, 0.5, 1.0)
    )
    assert none == pytest.approx(0.9 * 0.9**0.7)
    assert full < some < none


@pytest.mark.parametrize("worst", ["eyes", "sharpness", "expression", "visible"])
def test_one_serious_defect_sinks_a_face(worst):
    """Any one of these parts at 0.15 pulls an otherwise perfect face below 0.4."""
    assert whole(**{worst: 0.15}) < 0.4


@pytest.mark.parametrize("part", PARTS)
def test_every_part_has_a_weight_and_costs_what_its_factor_says(part):
    """Half a part takes its weight's share of the total, and nothing of any other factor."""
    parts = {name: Part(value=0.5 if name == part else 1.0) for name in PARTS}
    found = scores.factors(parts, OPTIONS)
    assert found.pop(part) == pytest.approx(0.5 ** getattr(OPTIONS, f"weight_{part}"))
    assert set(found.values()) == {1.0}


@pytest.mark.parametrize("part", ["gaze", "pose", "visible", "light"])
def test_what_cannot_be_told_is_not_held_against_a_face(part):
    """Nobody's gaze is known behind shut lids: the eyes' part says so already."""
    assert whole(**{part: None}) == 1.0


@pytest.fixture(scope="module")
def drawn(models) -> dict[str, list[Score]]:
    """Scores of one drawn person over lids, blur and smile; each row begins with the good face."""
    plans: dict[str, list[dict[str, float]]] = {
        "close": [{"close": c} for c in (0.35, 0.6, 1.0)],
        "blur_px": [{"blur_px": b} for b in (1.5, 3.0)],
        "smile": [{"smile": s} for s in (0.35, 0.0)],
    }
    drawings = [{}, *(plan for row in plans.values() for plan in row)]
    heads = [
        render_burst.render_head(
            render_burst.CAST[0], width_px=130, rng=np.random.default_rng(i), **{"smile": 0.7, **plan}
        )
        for i, plan in enumerate(drawings)
    ]
    good, *rest = judged(heads, models)
    return {name: [good, *(rest.pop(0) for _ in row)] for name, row in plans.items()}


@pytest.mark.parametrize(
    ("drawn_as", "part"), [("close", "eyes"), ("blur_px", "sharpness"), ("smile", "expression")]
)
def test_scores_follow_the_drawn_face(drawn, drawn_as, part):
    """On a rendered head, eyes follow the lids, sharpness the blur and expression the smile."""
    row = drawn[drawn_as]
    values = [getattr(s, part).value for s in row]
    assert values[0] > 0.9
    # Two shut lids are equally shut: only a rise would be wrong.
    assert np.all(np.diff(values) < 1e-3)
    assert values[-1] < values[0] - 0.05
    assert row[0].total == max(s.total for s in row)


def test_a_shut_drawn_eye_is_shut_and_a_half_shut_one_spoils(drawn):
    """The drawn lids at 0.6 and 1.0 are below what a good face may have."""
    assert drawn["close"][2].total < 0.4
    assert drawn["close"][3].eyes.reason == "eyes shut"


@pytest.fixture(scope="module")
def behind_glasses(models) -> list[Score]:
    """Scores of one drawn person, bare twice and behind dark glasses three times."""
    heads = [
        render_burst.render_head(
            render_burst.CAST[0], width_px=130, rng=np.random.default_rng(i), dark_glasses=dark
        )
        for i, dark in enumerate([False, True, False, True, True])
    ]
    return judged(heads, models)


def test_dark_glasses_leave_the_eyes_unknown_and_say_so(behind_glasses):
    """Neither open nor shut, and never better than the eyes that can be seen."""
    bare, dark = behind_glasses[::2][:2], [behind_glasses[1], *behind_glasses[3:]]
    assert {s.eyes.value for s in dark} == {None}
    assert {s.eyes.reason for s in dark} == {"eyes behind dark glasses"}
    assert min(s.eyes.value for s in bare) > 0.9
    assert min(s.total for s in bare) > max(s.total for s in dark)


def test_rims_set_no_standard_of_sharpness(behind_glasses):
    """The bare frames, as sharp as the others, stay sharp beside the crisp rims of dark glasses."""
    assert min(s.sharpness.value for s in behind_glasses[::2][:2]) > 0.9


def test_auc_against_its_definition():
    """The share of pairs in the right order, ties half: 7 of 8 pairs and one tie of 9."""
    good, bad = np.array([0.9, 0.8, 0.4]), np.array([0.1, 0.4, 0.5])
    pairs = [(g > b) + 0.5 * (g == b) for g in good for b in bad]
    assert evaluate.auc(good, bad) == pytest.approx(sum(pairs) / 9)
    assert np.isnan(evaluate.auc(good, np.array([])))


def test_bootstrap_interval_holds_the_figure():
    """The interval surrounds the figure, and shrinks to nothing where the two are far apart."""
    rng = np.random.default_rng(1)
    value, low, high = evaluate.interval(rng.normal(1, 1, 60), rng.normal(0, 1, 50))
    assert low < value < high
    assert 0.02 < high - low < 0.3


def test_an_interval_of_few_faces_is_wide():
    """Ten of ten leave a lower end of 0.692: Clopper and Pearson, Biometrika 26, 1934, from memory."""
    middle, low, high = evaluate.interval(np.linspace(0.8, 0.9, 10), np.linspace(0.1, 0.2, 30))
    assert (middle, high) == (1.0, 1.0)
    assert low == pytest.approx(0.6915, abs=5e-4)


@pytest.mark.parametrize(
    ("high", "low", "cut", "right"),
    [
        ([0.8, 0.9], [0.2, 0.4], 0.6, 1.0),
        ([0.8, 0.9, 0.1], [0.2, 0.3, 0.4], 0.6, 5 / 6),
        ([0.5, 0.5], [0.5], 0.5, 0.5),
    ],
)
def test_threshold_parts_best(high, low, cut, right):
    """In the middle of the widest gap that leaves fewest on the wrong side."""
    found = evaluate.threshold(np.array(high), np.array(low))
    assert found == pytest.approx(cut)
    assert evaluate.balanced_accuracy(np.array(high), np.array(low), found) == pytest.approx(right)


def judged_face(eyes: float | None, close: float, good: bool) -> evaluate.Judged:
    """One face of a burst whose truth is `close` and whose eyes were given this value."""
    score = Score(eyes=Part(value=eyes), sharpness=FINE, expression=FINE, total=0.3 if eyes is None else eyes)
    truth = {"close": close, "squash": 0.0, "blur": 0.0, "motion": 0.0, "good": good}
    return evaluate.Judged(person=0, frame=0, truth=truth, score=score)


def test_tables_leave_the_unknown_out_and_count_it():
    """One of four unknown is 25 % and left out of the area; the cut tried on a burst is the others'."""
    one = [judged_face(0.9, 0.0, True), judged_face(0.2, 1.0, False), judged_face(None, 1.0, False)]
    one.append(judged_face(0.8, 0.05, True))
    two = [judged_face(0.6, 0.0, True), judged_face(0.4, 0.95, False)]
    bursts = {("one", "full"): (one, 1.0), ("two", "full"): (two, 1.0)}
    row = evaluate.score_table(bursts)[2]
    assert row.startswith("| one | full | 1.0000 (")
    assert "| 25 / 0 / 0 / 0 % | 1/1 | 4/4 | 1.0 |" in row
    assert evaluate.cross_table(bursts)[2].startswith("| one | full | 100.0 % (0.50) |")
    assert evaluate.cross_table(bursts)[3].startswith("| two | full | 100.0 % (0.50) |")


@pytest.mark.parametrize(
    ("box", "expected"),
    [((0, 0, 2, 2), 1.0), ((1, 0, 3, 2), 1 / 3), ((2, 0, 4, 2), 0.0), ((5, 5, 6, 6), 0.0)],
)
def test_overlap_of_boxes(box, expected):
    """Intersection over union by hand."""
    assert evaluate.overlap((0, 0, 2, 2), box) == pytest.approx(expected)


def test_a_noisy_frame_has_half_as_much_again():
    """Grain joined by 1.118 times its own is 1.5 times as much, in grey, which is what is estimated."""
    drawn = np.random.default_rng(9).normal(120, 6, (200, 200, 3))
    flat = np.clip(np.rint(drawn), 0, 255).astype(np.uint8)
    # Grey averages the channels, so the noise added to each is less than the channel's own.
    in_grey = float(np.sqrt(0.299**2 + 0.587**2 + 0.114**2))
    assert evaluate.degrade(flat, "noise", 0).std() / flat.std() == pytest.approx(
        np.hypot(1, 1.118 * in_grey), rel=0.03
    )


def test_an_underexposed_frame_has_half_the_light():
    """Mean linear light is halved."""
    flat = np.clip(np.random.default_rng(9).normal(120, 4, (200, 200, 3)), 0, 255).astype(np.uint8)
    dim = evaluate.degrade(flat, "under", 0)
    before, after = (evaluate.imaging.to_linear(evaluate.imaging.to_unit(i)).mean() for i in (flat, dim))
    assert after == pytest.approx(0.5 * before, rel=0.02)


def test_a_small_frame_has_half_the_size():
    """Both sides are halved, and the picture stays what it was: a flat one stays flat."""
    flat = np.full((200, 160, 3), 120, np.uint8)
    small = evaluate.degrade(flat, "half", 0)
    assert small.shape == (100, 80, 3)
    assert np.unique(small).tolist() == [120]


def test_seam_tables_are_printed_with_the_others(monkeypatch, capsys):
    """`--seams` draws what is named and prints the errors and the reliability of its heads."""
    measures = {f"{p}_{q}": 1.0 for p in ("inside", "band") for q in ("mean", "p95", "max")}
    told = {"forced": False, "outside_max": 0, "flag": "clear", "risk": 0.1, "strange_max": 1.0, **measures}
    drawn = []

    def measure(spec, folder, **how):
        drawn.append(spec.name)
        yield {"burst": spec.name, **told}

    monkeypatch.setattr(evaluate.seams, "measure", measure)
    assert evaluate.main(["--seams", "7:sky:3:600", "8:brick:2:600"]) == 0
    printed = capsys.readouterr().out
    assert drawn == ["7:sky:3:600", "8:brick:2:600"]
    assert all(f"| {name} | 1 | own |" in printed for name in drawn)
    assert "Brier" in printed
