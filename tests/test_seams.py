"""Composites are held against a true picture that is drawn; what holds them must itself be held."""

from __future__ import annotations

import dataclasses
import json
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest
from scipy.stats import mannwhitneyu
from skimage.color import deltaE_ciede2000, rgb2lab

from facemerge import text
from facemerge.words import (
    Aligned,
    Analysis,
    Choice,
    Face,
    Fault,
    FaultKind,
    Frame,
    Head,
    Joint,
    Person,
    Pick,
    Risk,
)

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "scripts"))

import seam_measures
import seam_truth
import seams
from render import burst as drawing

FACE_PX = 160.0


def drawn(
    *, up: float = 0.0, step: float = 0.0, lean: float = 0.0, ghost: bool = False, soft: bool = False
) -> np.ndarray:
    """A striped shoulder before a brick wall, (240, 320, 3) uint8.

    `up` px moves the body; `step` px breaks it at x = 160, `lean` px moves it ever more to the right, `ghost`
    leaves a strand of old hair on the wall, `soft` blurs the cloth on the right.
    """
    fine = 4
    y, x = np.mgrid[0 : 240 * fine, 0 : 320 * fine] / fine
    course, along = y % 24, (x + 24 * (y // 24 % 2)) % 48
    wall = np.where(((course < 3) | (along < 3))[..., None], [205, 200, 190], [168, 88, 66]).astype(float)
    body = y + up + step * (x > 160) + lean * (0.5 - 0.5 * np.cos(x / 320 * np.pi))
    stripes = np.where((body // 14 % 2 < 1)[..., None], [190, 60, 50], [230, 225, 210]).astype(float)
    if soft:
        blurred = cv2.GaussianBlur(stripes, (0, 0), 5 * fine)
        stripes = np.where((x > 160)[..., None], blurred, stripes)
    image = np.where((body > 130 - 0.35 * (x - 160))[..., None], stripes, wall)
    if ghost:
        image[(np.abs(x - 150 - 0.2 * y) < 4) & (y < 100) & (y > 40)] = (70, 45, 30)
    return np.rint(cv2.resize(image, (320, 240), interpolation=cv2.INTER_AREA)).astype(np.uint8)


TRUTHS = [drawn(up=u) for u in range(0, 10, 2)]


def strangest(seen: np.ndarray, truths: list[np.ndarray]) -> tuple[float, tuple[int, int]]:
    """Largest strangeness well inside the picture, and where (x, y)."""
    found = seam_measures.strangeness(seen, truths, FACE_PX)[20:-20, 20:-20]
    y, x = np.unravel_index(int(found.argmax()), found.shape)
    return float(found.max()), (int(x) + 20, int(y) + 20)


@pytest.mark.parametrize(
    "seen",
    [drawn(), drawn(up=4.4), drawn(lean=8), np.roll(drawn(up=6), (2, -2), (0, 1))],
    ids=["same", "between", "leaning", "elsewhere"],
)
def test_what_only_lies_elsewhere_is_not_strange(seen):
    """Bodies that moved or lean gently within what is known of their places are not found."""
    assert strangest(seen, TRUTHS)[0] < seam_measures.FOUND_DELTA_E


@pytest.mark.parametrize(
    ("seen", "place"),
    [(drawn(step=8), (160, 130)), (drawn(ghost=True), (164, 70)), (drawn(soft=True), None)],
    ids=["broken line", "old hair", "soft beside crisp"],
)
def test_what_is_found_nowhere_is_strange(seen, place):
    """A break, though both its sides are true, a ghost, and soft beside crisp cloth stand out."""
    value, at = strangest(seen, TRUTHS)
    assert value > 1.5 * seam_measures.FOUND_DELTA_E
    if place is not None:
        # Half the strand is 30 px long; a break in stripes goes on below the shoulder's line.
        assert abs(at[0] - place[0]) < 15
        assert -35 < at[1] - place[1] < 90


def test_nearest_of_several_truths_counts():
    """A second truth can only make a picture less strange, and the right one makes it not strange at all."""
    seen, wrong = drawn(step=8), drawn()
    alone = seam_measures.strangeness(seen, [wrong], FACE_PX)
    both = seam_measures.strangeness(seen, [wrong, seen], FACE_PX)
    assert (both <= alone + 1e-5).all()
    # Nothing but the rounding of running sums is left.
    assert both.max() < 0.1


def test_even_space_agrees_with_ciede2000():
    """Small differences of muted colours are as large as CIEDE2000 (Sharma, Wu & Dalal 2005) has them."""
    rng = np.random.default_rng(5)
    base = rng.uniform(60, 200, (400, 1, 3)) + np.zeros((1, 40, 3))
    other = np.clip(base + rng.normal(0, 6, (400, 1, 3)), 0, 255)
    pair = [np.rint(p).astype(np.uint8) for p in (base, other)]
    # Side by side, colours would be averaged into each other: each gets a picture of its own.
    ratios = []
    for a, b in zip(*pair, strict=True):
        tiles = [np.tile(p[None, :1], (9, 9, 1)) for p in (a, b)]
        mine = np.linalg.norm(np.subtract(*(seam_measures.even(t)[4, 4] for t in tiles)))
        ratios.append(mine / deltaE_ciede2000(*(rgb2lab(t)[4, 4] for t in tiles)))
    low, middle, high = np.percentile(ratios, [5, 50, 95])
    # Measured here: lightness counts less than in CIEDE2000 at mid grey, hue more; no worse than by a half.
    assert 0.9 < middle < 1.3
    assert low > 0.7
    assert high < 1.7


def test_difference_along_a_soft_edge_is_ciede2000_of_what_is_known():
    """Between two colours it is their CIEDE2000 (Sharma, Wu & Dalal 2005, by scikit-image), asked for where a
    mask is about a half; pixels that are not known, whatever they hold, do not count in the averages."""
    alpha = np.tile(np.clip((np.arange(60, dtype=np.float32) - 30) / 12 + 0.5, 0, 1), (40, 1))
    edge = seam_measures.soft_edge_of(alpha)
    # From 0.3 to 0.7 of a slope of 12 px, its ends left out: columns 28 to 32.
    assert edge.any(0).nonzero()[0].tolist() == [28, 29, 30, 31, 32]
    base, donor = (np.full((40, 60, 3), c, np.float32) for c in ((0.5, 0.5, 0.5), (0.56, 0.48, 0.44)))
    expected = float(deltaE_ciede2000(rgb2lab(base[:1, :1]), rgb2lab(donor[:1, :1]))[0, 0])
    known = alpha > 0.02
    donor[~known] = 1.0
    apart = seam_measures.seen_difference(base, donor, edge, known)
    assert apart == pytest.approx([expected] * int(edge.sum()), abs=0.02)
    mixed = seam_measures.seen_difference(base, donor, edge, np.ones_like(known))
    assert np.abs(mixed - expected).max() > 0.2
    told = seam_measures.along_edge(base, donor, alpha, known)
    assert list(told.values()) == pytest.approx([expected] * 2, abs=0.02)
    hard = (alpha > 0.5).astype(np.float32)
    assert set(seam_measures.along_edge(base, donor, hard, known).values()) == {0.0}


def test_band_and_inside_part_the_mask():
    """The band holds the whole soft edge, the inside what is full beyond it, and they do not overlap."""
    y, x = np.mgrid[0:200, 0:200]
    alpha = np.clip((60 - np.hypot(x - 100, y - 100)) / 8 + 0.5, 0, 1).astype(np.float32)
    inside, band = seam_measures.regions(alpha, FACE_PX)
    assert not (inside & band).any()
    assert band[(alpha > 0.02) & (alpha < 0.98)].all()
    assert (inside | band)[alpha > 0.02].all()
    assert (alpha[inside] >= 0.98).all()
    # Soft edge of 7.7 px about r = 60, grown on both sides by the larger of 2 px and 0.015 faces (2.4 px).
    assert np.isclose(band.sum(), 2 * np.pi * 60 * (7.7 + 4), rtol=0.15)


@pytest.mark.parametrize(("level", "area"), [(4.0, 30.0), (6.0, 16.0), (30.0, 0.0)])
def test_largest_patch_is_measured(level, area):
    """Of the areas above the level the largest is told; outside the band none."""
    error = np.zeros((60, 60), np.float32)
    error[5:9, 5:9], error[30:36, 20:25], error[32, 22], error[50:60, 50:60] = 9, 5, 7, 20
    where = np.zeros((60, 60), bool)
    where[:45, :45] = True
    assert seam_measures.largest_patch(error, where, level) == area


def test_brier_score_of_known_forecasts():
    """Certain and right costs 0, certain and wrong 1, one half always a quarter (Brier 1950, from memory)."""
    happened = [True, False, True, True]
    assert seam_measures.brier([1, 0, 1, 1], happened) == 0
    assert seam_measures.brier([0, 1, 0, 0], happened) == 1
    assert seam_measures.brier([0.5] * 4, happened) == 0.25


@pytest.mark.parametrize("seed", range(5))
def test_area_under_curve_is_mann_and_whitneys(seed):
    """The area is U over the product of both counts, ties by halves (scipy's own computation)."""
    rng = np.random.default_rng(seed)
    chance, happened = rng.integers(0, 8, 60) / 8, rng.random(60) < 0.4
    other = mannwhitneyu(chance[happened], chance[~happened]).statistic
    expected = other / (happened.sum() * (~happened).sum())
    assert np.isclose(seam_measures.auc(list(chance), list(happened)), expected)


def record(risk: float, found: bool, **more: object) -> dict[str, object]:
    """A record as far as the tables read it."""
    measures = {f"{p}_{q}": 1.0 for p in ("inside", "band") for q in ("mean", "p95", "max")}
    flag = "clear" if risk < 0.35 else "inspect"
    told = {"burst": "1:sky:2:600", "forced": False, "outside_max": 0, "flag": flag}
    return {**measures, **told, "risk": risk, "strange_max": 2.4 if found else 2.2, **more}


def test_tables_count_every_head():
    """Every head lands in one bin of the curve, also at both ends, and in one row of its burst."""
    told = [record(r, r > 0.5) for r in (0.0, 0.05, 0.2, 0.55, 0.9, 1.0)]
    told += [record(0.4, False, burst="2:sky:2:600"), record(0.1, True, forced=True)]
    rows = [line.split("|") for line in seam_measures.reliability_rows(told) if line.startswith("| 0")]
    assert sum(int(r[2]) for r in rows) == len(told)
    assert sum(int(r[4]) for r in rows) == sum(seam_measures.was_found(t) for t in told)
    table = [line.split("|") for line in seam_measures.truth_rows(told)[2:]]
    assert [int(r[2]) for r in table] == [6, 1, 1, 8]
    assert [r[13].strip() for r in table] == ["3/6", "1/1", "0/1", "4/8"]
    assert [r[14].strip() for r in table] == ["0/3", "1/1", "0/0", "1/4"]


@pytest.mark.parametrize("words", ["7", "7:sky:2", "x:sky:2:600", "7:sky:2:600:9"])
def test_burst_that_says_something_else_is_refused(words):
    """A burst is named by four parts."""
    with pytest.raises(ValueError, match=r"."):
        seams.Spec.of(words)


@pytest.fixture(scope="module")
def plan():
    """A small burst of two, decided but not drawn."""
    spec = seams.Spec(seed=5, background="brick", people=2, width=600, frames=2)
    return dataclasses.replace(spec.plan(), supersample=1.0, oversample=1.0)


@pytest.fixture(scope="module")
def world(plan):
    """The first shot of it: its frame, the faces' truth, and the scene that windows are taken from."""
    with seam_truth.drawn_once():
        frame, _, told = drawing.draw_shot(plan, plan.shots[0])
        yield frame, told, seam_truth.Scene(plan, plan.shots[0])


def calm(picture: np.ndarray) -> np.ndarray:
    """A picture with its grain averaged out."""
    return cv2.GaussianBlur(picture.astype(np.float32), (0, 0), 2)


@pytest.mark.parametrize("part", [(slice(0, 400), slice(0, 600)), (slice(60, 330), slice(110, 480))])
def test_nothing_exchanged_is_the_frame_itself(plan, world, part):
    """A window without a swap is the frame's, but for the grain that the frame has and it has not."""
    frame, _, scene = world
    moments = plan.shots[0].moments
    window = scene.picture(part, moments, [m.place for m in moments])
    # Grain of 1.6 averaged over a Gaussian of 2 px is 1.6 / (2 x 2 x sqrt(pi)) = 0.23; five times that, and
    # half a step of rounding.
    apart = np.abs(calm(window) - calm(frame[part]))[8:-8, 8:-8]
    assert apart.max() < 1.7
    assert 0.05 < apart.mean() < 0.3


def test_exchanged_moment_changes_that_person_alone(plan, world):
    """Another moment changes the face; the other person and the wall away from both stay to the bit."""
    _, told, scene = world
    part = (slice(0, plan.height), slice(0, plan.width))
    here, there = (shot.moments for shot in plan.shots)
    places = [m.place for m in here]
    own = scene.picture(part, here, places)
    cast = [here[0], dataclasses.replace(there[1], place=here[1].place)]
    changed = (scene.picture(part, cast, places) != own).any(2)
    x0, y0, x1, y1 = (round(v) for v in told[1]["frame_box"])
    assert changed[y0:y1, x0:x1].mean() > 0.3
    assert not changed[:, : round(told[0]["frame_box"][2])].any()


def test_moved_layer_lies_where_it_would_be_drawn(plan, world):
    """A person moved as a layer looks as if drawn in the new place, but for a fraction of a pixel of blur."""
    _, told, scene = world
    x0, y0, x1, y1 = (round(v) for v in told[1]["frame_box"])
    part = (slice(y0 - 20, y1 + 20), slice(x0 - 20, x1 + 20))
    here, there = (shot.moments for shot in plan.shots)
    places = [here[0].place, there[1].place]
    drawn_there = scene.picture(part, [here[0], there[1]], places)
    cast = [here[0], dataclasses.replace(there[1], place=here[1].place)]
    moved = scene.picture(part, cast, places)
    left = scene.picture(part, cast, [here[0].place, here[1].place])
    apart = np.abs(calm(moved) - calm(drawn_there)).mean()
    assert apart < 0.6
    assert apart < 0.2 * np.abs(calm(left) - calm(drawn_there)).mean()


@pytest.mark.parametrize(("dx", "dy"), [(0.0, 0.0), (6.0, -4.0)])
def test_goal_is_where_the_head_was_put(plan, world, dx, dy):
    """A head set in beside the donor's place is found there to half a pixel, the neck aside."""
    _, told, scene = world
    here, there = (shot.moments for shot in plan.shots)
    x0, y0, x1, y1 = (round(v) for v in told[1]["frame_box"])
    part = (slice(y0 - 60, y1 + 60), slice(x0 - 60, x1 + 60))
    cast = [here[0], dataclasses.replace(there[1], place=here[1].place)]
    put = dataclasses.replace(there[1].place, x=there[1].place.x + dx, y=there[1].place.y + dy)
    seen = scene.picture(part, cast, [here[0].place, put])
    inside = np.zeros(seen.shape[:2], bool)
    inside[30:-30, 30:-30] = True
    truth = seam_truth.Truth(plan, 0, {1: 1})
    found = truth.goal(part, 1, seen, inside, 20.0)
    assert np.hypot(found.x - put.x, found.y - put.y) < 0.5
    # Too far beside is no placement: then one of the two honest places is it.
    kept = truth.goal(part, 1, seen, inside, 0.0)
    assert min(np.hypot(kept.x - p.x, kept.y - p.y) for p in (here[1].place, there[1].place)) < 1e-9


@pytest.mark.parametrize("share", [0.0, 0.25, 1.0])
def test_between_goes_from_one_place_to_the_other(plan, share):
    """A share of the way is that share in position and in size."""
    one, other = plan.shots[0].moments[0].place, plan.shots[1].moments[0].place
    middle = seam_truth.between(one, other, share)
    for name in ("x", "y", "px_per_cm"):
        a, b = getattr(one, name), getattr(other, name)
        assert getattr(middle, name) == pytest.approx(a + share * (b - a))


def test_remembered_people_are_drawn_the_same(plan):
    """Keeping drawn people changes no pixel, and the drawing is its own again afterwards."""
    own = drawing._layer
    moment = plan.shots[1].moments[0]
    words = (plan.people[0], moment, plan.shots[1].homography, plan.width, plan.height, 1.0)
    with seam_truth.drawn_once():
        first, again = drawing._layer(*words), drawing._layer(*words)
    assert again is first
    assert drawing._layer is own
    fresh, corner = drawing._layer(*words)
    assert corner == first[1]
    assert (fresh.colour == first[0].colour).all()


def a_face(told: dict[str, object]) -> Face:
    """A face as far as it is read here: its box."""
    return Face(
        box=tuple(told["frame_box"]),
        landmarks=np.zeros((478, 3)),
        blendshapes=np.zeros(52),
        appearance=np.ones(1),
        confidence=1.0,
    )


FAULT = Fault(kind=FaultKind.STEP, chance=0.1, amount=0.7, at=(300.0, 200.0), size_px=12.0)


@pytest.fixture(scope="module")
def perfect(plan, world):
    """A run whose one head, the second person's of the second frame, is the true picture half-way between."""
    frame, told, scene = world
    here, there = (shot.moments for shot in plan.shots)
    cast = [here[0], dataclasses.replace(there[1], place=here[1].place)]
    part = (slice(0, plan.height), slice(0, plan.width))
    middle = seam_truth.between(here[1].place, there[1].place, 0.5)
    pixels = scene.picture(part, cast, [here[0].place, middle])
    x0, y0, x1, y1 = told[1]["frame_box"]
    wide = x1 - x0
    y, x = np.mgrid[0 : plan.height, 0 : plan.width]
    # Through the wall and across both shoulders, where the body is as in the base but for its place.
    out = np.maximum(np.abs(x - (x0 + x1) / 2) - 0.95 * wide, np.abs(y - (y0 + y1) / 2) - 1.1 * (y1 - y0))
    mask = np.rint(255 * np.clip(0.5 - out / 4, 0, 1)).astype(np.uint8)
    aligned = Aligned(reference_from_frame=np.eye(3), model="reference", inliers=0, error_px=0.0)
    frames = [Frame(name=n, path=n, size=(plan.width, plan.height), bit_depth=8) for n in "ab"]
    person = Person(id="P02", row=0, faces=(a_face(told[1]), a_face(told[1])))
    pick = Pick(person="P02", frame=1, from_base=False, gain=0.5, cost=0.0, why="")
    return seams.Run(
        spec=seams.Spec(seed=5, background="brick", people=2, width=600, frames=2),
        plan=plan,
        analysis=Analysis(
            frames=tuple(frames), reference=0, alignments=(aligned, aligned), people=(person,), scores={}
        ),
        chosen=Choice(base=0, picks=(pick,), why=""),
        forced=False,
        base=frame,
        heads=(
            Head(person="P02", offset=(0, 0), pixels=pixels, mask=mask, joint=Joint(), placement="drawn"),
        ),
        risks={"P02": Risk(value=0.1, flag="clear", faults=(FAULT,))},
        who={"P02": 1},
    )


def broken(head: Head) -> Head:
    """The same head a twentieth of a face too far to the side and as much too low: every line breaks."""
    return dataclasses.replace(head, pixels=np.roll(head.pixels, (7, 7), (0, 1)))


def test_perfect_composite_is_not_found_and_a_broken_one_is(perfect):
    """The truth itself, set in with a soft mask, is found nowhere; moved seven pixels, it is."""
    (held,) = seams.hold(perfect)
    assert held.record["outside_max"] == 0
    assert held.record["found"] is False
    # The nearest truth drawn may stand a pixel or two beside the half-way one.
    assert held.record["inside_mean"] < 1
    spoiled = dataclasses.replace(perfect, heads=(broken(perfect.heads[0]),))
    (worse,) = seams.hold(spoiled)
    assert worse.record["found"] is True
    assert worse.record["strange_max"] > 2 * held.record["strange_max"]


def test_kept_records_come_back(perfect, tmp_path, capsys):
    """What is kept is what is printed from it later, and crops and maps lie where the record says."""
    (held,) = seams.hold(perfect)
    seams.keep_pictures(held, tmp_path)
    seams.keep([held.record], tmp_path)
    assert seams.main(["--table", str(tmp_path)]) == 0
    printed = capsys.readouterr().out
    assert "| 5:brick:2:600 | 1 | own |" in printed
    crop = cv2.imread(held.record["crop"])
    assert crop.shape == (held.seen.shape[0], 4 * held.seen.shape[1], 3)
    assert (tmp_path / "records.csv").read_text(encoding="utf-8").count("\n") == 2
    (again,) = json.loads((tmp_path / "records.json").read_text(encoding="utf-8"))
    (told,) = again["faults"]
    assert (told["kind"], told["at"], told["amount"]) == ("step", [300.0, 200.0], 0.7)
    assert again["reasons"] == list(text.reasons(perfect.risks["P02"]))
    assert again["joint_grain_ratio"] == Joint().grain_ratio
