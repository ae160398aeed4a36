"""What hides a face must be seen, and nothing that a shown face does may pass for it."""

from __future__ import annotations

import pickle

import cv2
import numpy as np
import pytest
import render_burst
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage import data

from facemerge.faces import detect_faces
from facemerge.options import FacesOptions
from facemerge.scores.visible import (
    EYE_CORES,
    FOREARM,
    HAND,
    HEIGHT,
    MIDDLE_POINTS,
    PAIRED_POINTS,
    WIDTH,
    Visibility,
    VisibleMeasure,
    correlation,
    measure_visible,
    visibility,
    visible_part,
)
from facemerge.words import Float

CELL_PX = 7
SKIN, HAIR = np.array([205, 150, 120]), np.array([45, 30, 25])


def landmarks(cell_px: float = CELL_PX) -> Float:
    """Return (478, 2) landmarks of a face seen exactly from the front, a cell this large."""
    points = np.full((478, 2), np.nan)
    for i, y in MIDDLE_POINTS.items():
        points[i] = ((WIDTH - 1) / 2, y)
    for (right, left), (x, y) in PAIRED_POINTS.items():
        points[right], points[left] = (x, y), (WIDTH - 1 - x, y)
    return (points + 2.5) * cell_px - 0.5


def face(
    *,
    opening: float = 1.0,
    mouth: float = 0.3,
    fringe: bool = False,
    seed: int = 0,
    noise: float = 2.0,
    skin: np.ndarray = SKIN,
) -> np.ndarray:
    """Draw the face: shaded skin, brows, eyes open by a share, a mouth, and hair on the forehead or not."""
    k = CELL_PX
    image = np.full(((HEIGHT + 4) * k, (WIDTH + 4) * k, 3), (95, 125, 150), np.float32)

    def at(x: float, y: float) -> tuple[int, int]:
        return round((x + 2.5) * k - 0.5), round((y + 2.5) * k - 0.5)

    def spot(x: float, y: float, w: float, h: float, colour: np.ndarray | tuple[int, ...]) -> None:
        size = (round(w * k), max(round(h * k), 1))
        cv2.ellipse(image, at(x, y), size, 0, 0, 360, tuple(float(c) for c in colour), -1)

    spot(17.5, 20, 19, 21.5, skin)
    columns = np.linspace(-1, 1, image.shape[1], dtype=np.float32)[None, :, None]
    image *= 1 + 0.12 * columns
    for x in (10.2, 24.8):
        spot(x, 7.6, 4, 0.9, 0.3 * skin)
        spot(x, 12.7, 3, 1.4 * opening, (225, 220, 215))
        spot(x, 12.7, 1.3, 1.3 * opening, (60, 45, 35))
        spot(x, 12.7 + 1.4 * (1 - opening), 3.1, 0.3, 0.35 * skin)
    spot(17.5, 22.5, 2.6, 0.8, 0.6 * skin)
    spot(17.5, 29 + mouth, 5, 0.7 + mouth, (150, 60, 65))
    if fringe:
        cv2.rectangle(image, at(4, -2), at(31, 5), tuple(float(c) for c in HAIR), -1)
    image = cv2.GaussianBlur(image, (0, 0), 1.0)
    image += np.random.default_rng(seed).normal(0, noise, image.shape)
    return np.clip(np.rint(image), 0, 255).astype(np.uint8)


def seen(image: np.ndarray) -> VisibleMeasure:
    """Measure a drawn face."""
    return measure_visible(image, landmarks())


def laid_over(
    image: np.ndarray, x0: float, y0: float, x1: float, y1: float, colour: np.ndarray
) -> np.ndarray:
    """Hide a rectangle given in cells, behind something with stripes of a cell or two."""
    out = image.copy()
    k = CELL_PX
    left, top, right, bottom = (max(0, round((v + 2.5) * k)) for v in (x0, y0, x1, y1))
    part = out[top:bottom, left:right]
    wave = 1 + 0.35 * np.sin(np.arange(part.shape[1]) / 4)[None, :, None]
    part[:] = np.clip(colour * wave, 0, 255)
    return out


USUAL = [face(seed=i, opening=o, mouth=m) for i, (o, m) in enumerate([(1, 0.3), (0.9, 0.4), (1, 0.2)])]
PLACES = {
    "right eye": (5, 6, 15, 17),
    "left eye": (21, 6, 31, 17),
    "mouth": (10, 25, 26, 35),
    "chin": (6, 33, 30, 43),
    "right cheek": (-2, 16, 12, 30),
    "left cheek": (24, 16, 38, 30),
}


def last(images: list[np.ndarray]) -> Visibility:
    """Return what is said of the last of one person's pictures."""
    found = visibility([seen(i) for i in images])[-1]
    assert found is not None
    return found


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("colour", [HAIR, np.array([60, 90, 160]), np.array([120, 85, 70])])
def test_what_is_hidden_is_named(place, colour):
    """Hair, cloth and a darker hand over each place: the place, its size and the eyes are told rightly."""
    image = laid_over(USUAL[0], *PLACES[place], colour)
    found = last([*USUAL, image])
    assert place in found.regions
    x0, y0, x1, y1 = PLACES[place]
    assert found.hidden == pytest.approx((x1 - x0) * (y1 - y0) / (0.75 * WIDTH * HEIGHT), abs=0.07)
    assert found.eyes_hidden == (place == "right eye", place == "left eye")
    part = visible_part(found)
    assert part.value < 0.8
    assert part.reason.endswith("hidden")


@pytest.mark.parametrize(("side", "name"), [(0, "right"), (1, "left")])
def test_an_eye_behind_a_hand_of_its_own_colour(side, name):
    """A hand as bright and as pink as the face still takes the brow and the eye away."""
    y, x = EYE_CORES[side]
    image = USUAL[0].copy()
    k = CELL_PX
    rows = slice(round((y.start - 4 + 2.5) * k), round((y.stop + 4 + 2.5) * k))
    columns = slice(round((x.start - 3 + 2.5) * k), round((x.stop + 3 + 2.5) * k))
    image[rows, columns] = SKIN
    found = last([*USUAL, image])
    assert found.eyes_hidden == (name == "right", name == "left")
    assert visible_part(found).reason == f"{name} eye hidden"
    assert visible_part(found).value < 0.3


@pytest.mark.parametrize("depth", [2.0, 6.0, 12.0, 20.0])
def test_the_more_is_hidden_the_worse(depth):
    """A shoulder that rises over the chin costs more with every step, as much as its share says."""
    cloth = np.array([60, 90, 160])
    before, now = (
        last([*USUAL, laid_over(USUAL[0], -2, HEIGHT - d, WIDTH + 2, HEIGHT + 2, cloth)])
        for d in (depth - 2.0, depth)
    )
    assert now.hidden >= before.hidden
    assert visible_part(now).value <= visible_part(before).value
    if depth > 6:
        assert now.hidden == pytest.approx(depth / HEIGHT, abs=0.12)
        assert now.hidden > before.hidden


SHADE = np.clip((np.arange((WIDTH + 4) * CELL_PX) - 110) / 30, 0, 1)[None, :, None]
FINE = {
    "blink": face(opening=0.0),
    "half a blink": face(opening=0.4),
    "open mouth": face(mouth=2.0),
    "defocus": cv2.GaussianBlur(USUAL[0], (0, 0), 9.0),
    "motion": cv2.blur(USUAL[0], (31, 1)),
    "grain": face(noise=9.0),
    "one stop under": np.rint(USUAL[0] * 0.73).astype(np.uint8),
    "lamplight": np.clip(USUAL[0] * [1.1, 0.9, 0.65], 0, 255).astype(np.uint8),
    "a soft shadow, one stop": np.rint(USUAL[0] * (1 - 0.27 * SHADE)).astype(np.uint8),
    "a harder shadow, two stops": np.rint(USUAL[0] * (1 - 0.47 * SHADE)).astype(np.uint8),
    "a highlight": np.clip(USUAL[0] * (1 + 0.6 * SHADE), 0, 255).astype(np.uint8),
}


@pytest.mark.parametrize("name", FINE)
def test_a_shown_face_is_not_hidden(name):
    """Blinks, laughter, blur, grain, and other light on a face hide nothing of it."""
    found = last([*USUAL, FINE[name]])
    assert (found.hidden, found.eyes_hidden) == (pytest.approx(0, abs=0.01), (False, False))
    assert visible_part(found).value > 0.99


def test_what_is_always_there_hides_nothing():
    """A fringe in every frame is the person's own; in one frame it hides the forehead."""
    always = [face(fringe=True, seed=i) for i in range(4)]
    assert visible_part(last(always)).value == pytest.approx(1.0)
    once = last([*USUAL, always[0]])
    assert once.regions == ("forehead",)
    assert visible_part(once).value < 0.9


def test_the_many_may_be_the_hidden_ones():
    """Hidden in three frames of five, the three are blamed and the two are not."""
    hidden = [laid_over(i, *PLACES["right cheek"], HAIR) for i in USUAL]
    values = [visible_part(v).value for v in visibility([seen(i) for i in [*hidden, *USUAL[:2]]])]
    assert max(values[:3]) < 0.8
    assert min(values[3:]) > 0.97


def test_of_two_frames_the_bare_one_is_right():
    """Where two frames differ, the one that shows skin is not the hidden one."""
    hidden = laid_over(USUAL[0], *PLACES["chin"], HAIR)
    bare, covered = (visible_part(v).value for v in visibility([seen(USUAL[1]), seen(hidden)]))
    assert bare > 0.97
    assert covered < 0.9


def test_one_frame_alone_claims_nothing():
    """With nothing to hold it against, hiding is unknown, and so is it in the dark."""
    (alone,) = visibility([seen(USUAL[0])])
    assert (alone.hidden, visible_part(alone).value) == (None, None)
    dark = last([*USUAL, np.zeros_like(USUAL[0])])
    assert (dark.hidden, visible_part(dark).value) == (None, None)


def test_missing_frames_stay_missing():
    """None in, None out, and a black frame changes nothing for the others."""
    assert visibility([]) == ()
    assert visibility([None, None]) == (None, None)
    measures = [seen(i) for i in USUAL]
    with_gaps = visibility([None, *measures, seen(np.zeros_like(USUAL[0]))])
    assert with_gaps[0] is None
    assert with_gaps[1:4] == visibility(measures)


@pytest.mark.parametrize("share", [0.15, 0.3, 0.5])
@pytest.mark.parametrize("edge", ["left", "right", "below"])
def test_a_face_cut_by_the_picture(edge, share):
    """The share beyond the edge is that of the drawn face there; an eye beyond it is out of sight."""
    image, points = USUAL[0], landmarks()
    whole = np.zeros(image.shape[:2], np.uint8)
    middle = (round(20 * CELL_PX), round(22.5 * CELL_PX))
    cv2.ellipse(whole, middle, (17 * CELL_PX, 20 * CELL_PX), 0, 0, 360, 1, -1)
    across, down = (round((2.5 + n * v) * CELL_PX) for n, v in ((WIDTH, share), (HEIGHT, 1 - share)))
    kept = {
        "left": np.s_[:, across:],
        "right": np.s_[:, : image.shape[1] - across],
        "below": np.s_[:down],
    }[edge]
    points = points - [across if edge == "left" else 0, 0]
    cut = measure_visible(np.ascontiguousarray(image[kept]), points)
    found = visibility([*(seen(i) for i in USUAL), cut])[-1]
    assert found.cut == pytest.approx(1 - whole[kept].sum() / whole.sum(), abs=0.04)
    assert found.hidden < 0.02
    assert found.eyes_hidden == (edge == "left" and share > 0.25, edge == "right" and share > 0.25)
    part = visible_part(found)
    assert part.reason == "face cut by the picture edge"
    assert (part.value < 0.6) == (found.cut > 0.14)


def cut_to(edge: str, cells: float) -> Visibility:
    """Return what is said of the drawn face when the picture ends this many cells into it."""
    image, points = USUAL[0], landmarks()
    at = round((cells + 2.5) * CELL_PX)
    far = round((WIDTH - cells + 1.5) * CELL_PX)
    kept = {
        "left": np.s_[:, at:],
        "right": np.s_[:, :far],
        "above": np.s_[at:],
        "below": np.s_[: round((HEIGHT - cells + 1.5) * CELL_PX)],
    }[edge]
    points = points - [at if edge == "left" else 0, at if edge == "above" else 0]
    cut = measure_visible(np.ascontiguousarray(image[kept]), points)
    found = visibility([*(seen(i) for i in USUAL), cut])[-1]
    assert found is not None
    return found


DOWNCAST = 0.5
"""What the lids of somebody who looks down leave of a face at best: half shut, it is worth half."""


@pytest.mark.parametrize(
    ("edge", "cells"), [("left", 4.0), ("left", 5.0), ("right", 5.0), ("above", 5.0), ("below", 7.0)]
)
def test_a_smile_cut_beside_its_features_beats_a_downcast_face(edge, cells):
    """An edge that takes cheek, forehead or chin, eyes and mouth all in, is mere framing."""
    found = cut_to(edge, cells)
    assert found.cut > 0.02
    assert visible_part(found).value > 0.9
    assert visible_part(found).reason == "face cut by the picture edge"


@pytest.mark.parametrize(
    ("edge", "cells"), [("left", 10.2), ("right", 10.2), ("above", 12.7), ("below", 13.0)]
)
def test_a_face_that_loses_an_eye_or_its_mouth_to_the_edge_loses(edge, cells):
    """An edge through an eye or the mouth leaves less than a downcast face, by far."""
    assert visible_part(cut_to(edge, cells)).value < DOWNCAST / 4


def test_each_cell_that_the_edge_takes_costs_more():
    """From an ear to past the eye the value only falls, and never by half within one cell at the start."""
    values = [visible_part(cut_to("left", c)).value for c in np.arange(0, 12, 1.0)]
    assert np.all(np.diff(values) <= 0)
    assert values[3] > 0.95


@pytest.mark.parametrize(
    ("hidden", "regions", "eyes", "reason"),
    [
        (0.0, (), (False, False), ""),
        (0.12, ("left eye",), (False, True), "left eye hidden"),
        (0.3, ("right eye", "left eye"), (True, True), "eyes hidden"),
        (0.2, ("mouth",), (False, False), "mouth hidden"),
        (0.34, ("chin", "left cheek"), (False, False), "a third of the face hidden"),
        (0.52, ("chin", "left cheek"), (False, False), "half of the face hidden"),
    ],
)
def test_reasons_are_plain(hidden, regions, eyes, reason):
    """What is hidden is said in few words; a hidden eye is the worst of it."""
    part = visible_part(Visibility(hidden=hidden, cut=0.0, regions=regions, eyes_hidden=eyes))
    assert part.reason == reason
    assert (part.value < 0.6) == bool(reason)
    if any(eyes):
        assert part.value < 0.2


@settings(max_examples=20, deadline=None)
@given(st.sampled_from(sorted(PLACES)), st.integers(0, 3))
def test_mirrored_faces_are_judged_the_same(place, seed):
    """The mirror image swaps right and left and changes no share by more than sampling does."""
    swap = {i: i for i in range(478)}
    for right, left in PAIRED_POINTS:
        swap[right], swap[left] = left, right
    flipped = landmarks()[[swap[i] for i in range(478)]]
    images = [*USUAL, laid_over(face(seed=seed), *PLACES[place], HAIR)]
    flipped[:, 0] = images[0].shape[1] - 1 - flipped[:, 0]
    plain = last(images)
    other = visibility([measure_visible(np.ascontiguousarray(i[:, ::-1]), flipped) for i in images])[-1]
    assert other.eyes_hidden == plain.eyes_hidden[::-1]
    assert other.hidden == pytest.approx(plain.hidden, abs=0.01)


@pytest.mark.parametrize("factor", [0.25, 0.5, 4.0])
def test_size_and_depth_say_the_same(factor):
    """A face of another size, and at 16 bits, has the same cells."""
    plain = seen(USUAL[0]).cells.astype(int)
    large = cv2.resize(
        USUAL[0], None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA if factor < 1 else cv2.INTER_CUBIC
    )
    other = measure_visible(large, landmarks(CELL_PX * factor)).cells.astype(int)
    deep = measure_visible(USUAL[0].astype(np.uint16) * 257, landmarks()).cells.astype(int)
    assert np.abs(deep - plain).max() <= 1
    assert np.percentile(np.abs(other - plain), 95) < 12


def test_measures_travel_and_repeat():
    """A measure weighs under 10 kB, survives pickling, and is the same bytes when taken again."""
    packed = pickle.dumps(seen(USUAL[0]))
    assert 4_000 < len(packed) < 10_000
    assert pickle.dumps(seen(USUAL[0])) == packed
    again = pickle.loads(packed)
    measures = [seen(i) for i in USUAL]
    assert visibility([again, *measures[1:]]) == visibility(measures)


def test_correlation_is_numpys():
    """Where nothing is shifted, it is Pearson's coefficient, as numpy has it; 1 where nothing can be lost."""
    rng = np.random.default_rng(4)
    smooth = cv2.GaussianBlur(rng.normal(0, 3, (HEIGHT, WIDTH, 1)).astype(np.float32), (0, 0), 3)[..., None]
    block = EYE_CORES[0]
    assert correlation(smooth, smooth, block) == pytest.approx(1.0, abs=1e-5)
    other = smooth + cv2.GaussianBlur(rng.normal(0, 1, smooth.shape[:2]), (0, 0), 3)[..., None]
    known = np.corrcoef(smooth[block].ravel(), other[block].ravel())[0, 1]
    assert known - 1e-5 <= correlation(other.astype(np.float32), smooth, block) <= 1
    assert correlation(smooth, np.zeros_like(smooth), block) == 1.0


@pytest.fixture(scope="module")
def rendered(models) -> dict[str, tuple[float, Visibility]]:
    """What is said of one rendered person, with the share of the face that is truly hidden."""
    plans = {
        **{f"usual {i}": p for i, p in enumerate(({}, {"smile": 0.2}, {"turn_deg": 4, "smile": 0.9}))},
        "turned": {"turn_deg": 25},
        "laughing": {"smile": 1.0, "mouth_open": 0.8},
        "shut": {"close": 1.0},
        "lock of hair": {"hair_over_eye": "left"},
        "shoulder": {"covered": 0.3, "covered_by": "shoulder", "covered_from": "below"},
        "hand": {"covered": 0.3, "covered_by": "hand", "covered_from": "right"},
    }
    shares, measures = [], []
    for i, plan in enumerate(plans.values()):
        head = render_burst.render_head_with_truth(
            render_burst.CAST[0],
            width_px=110,
            rng=np.random.default_rng(i),
            supersample=1.0,
            **{"smile": 0.6, **plan},
        )
        found = detect_faces(head.picture, models, FacesOptions(min_face_px=40))
        largest = max(found, key=lambda f: f.box[2] - f.box[0])
        measures.append(measure_visible(head.picture, largest.landmarks))
        shares.append(float(head.covered))
    told = visibility(measures)
    return {n: (s, v) for n, s, v in zip(plans, shares, told, strict=True) if v is not None}


@pytest.mark.parametrize("name", ["usual 0", "usual 1", "usual 2", "turned", "laughing", "shut"])
def test_a_rendered_face_in_the_clear(rendered, name):
    """Turned by 25 degrees, laughing or with shut eyes, a rendered face is not hidden."""
    share, found = rendered[name]
    assert share < 0.02
    assert visible_part(found).value > 0.95


@pytest.mark.parametrize(
    ("name", "eyes"),
    [("lock of hair", (False, True)), ("shoulder", (False, False)), ("hand", (True, False))],
)
def test_a_rendered_face_behind_something(rendered, name, eyes):
    """A lock, a shoulder and a hand are seen; the share is right within what same skin cannot show."""
    share, found = rendered[name]
    assert found.eyes_hidden == eyes
    assert share - 0.2 < found.hidden < share + 0.1
    assert visible_part(found).value < 0.6


def test_a_photograph_behind_something(models):
    """On a real person, dark hair over an eye is named, and a softer, dimmer frame is not blamed."""
    image = np.asarray(
        cv2.resize(data.astronaut()[0:260, 100:360], None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
    )
    found = detect_faces(image, models, FacesOptions(min_face_px=40))
    points = max(found, key=lambda f: f.box[2] - f.box[0]).landmarks
    rng = np.random.default_rng(8)

    def grained(picture: np.ndarray) -> np.ndarray:
        return np.clip(np.rint(picture + rng.normal(0, 2, image.shape)), 0, 255).astype(np.uint8)

    hair = image.copy()
    eye = points[[263, 362], :2].mean(0)
    cv2.ellipse(hair, (round(eye[0]), round(eye[1]) - 10), (42, 60), 10, 0, 360, (52, 38, 30), -1)
    pictures = [
        *(grained(image) for _ in range(3)),
        grained(cv2.GaussianBlur(image, (0, 0), 4) * 0.73),
        grained(hair),
    ]
    told = visibility([measure_visible(p, points) for p in pictures])
    parts = [visible_part(v) for v in told]
    assert min(p.value for p in parts[:4]) > 0.97
    assert parts[4].reason == "left eye hidden"
    assert told[4].eyes_hidden == (False, True)


def with_arm(image: np.ndarray, kind: int) -> VisibleMeasure:
    """Measure a face with a skin-coloured bar over mouth and chin, where joints say so."""
    k = CELL_PX
    out = image.copy()
    top, bottom = round((24.5 + 2.5) * k), round((36 + 2.5) * k)
    shade = np.linspace(0.8, 1.15, bottom - top)[:, None, None]
    out[top:bottom] = np.clip(
        SKIN * shade + np.random.default_rng(5).normal(0, 3, out[top:bottom].shape), 0, 255
    )
    bare = seen(out)
    hand = np.zeros((HEIGHT, WIDTH), np.uint8)
    hand[25:36] = kind
    return VisibleMeasure(cells=bare.cells, extent=bare.extent, hand=hand)


@pytest.mark.parametrize("kind", [FOREARM, HAND])
def test_an_arm_before_the_mouth_in_most_frames(kind):
    """Three frames of five have an arm before the mouth: the two without tell what the mouth looks like."""
    told = visibility([*(with_arm(i, kind) for i in USUAL), seen(USUAL[0]), seen(USUAL[1])])
    for found in told[:3]:
        assert found.mouth > (0.3 if kind == HAND else 0.1)
        assert visible_part(found).reason == "a hand or an arm in front of the mouth"
    for found in told[3:]:
        assert found.mouth == 0
        assert visible_part(found).value > 0.9


def test_an_arm_that_passes_behind_hides_nothing():
    """Joints say that an arm may lie over the mouth; the mouth is seen as ever, so the arm is behind."""
    hand = np.zeros((HEIGHT, WIDTH), np.uint8)
    hand[25:36] = FOREARM
    shown = seen(USUAL[0])
    behind = VisibleMeasure(cells=shown.cells, extent=shown.extent, hand=hand)
    found = visibility([seen(USUAL[1]), seen(USUAL[2]), behind])[-1]
    assert found.mouth == 0
    assert visible_part(found).value > 0.9


def test_a_face_always_behind_a_hand_is_told_so():
    """Nobody else's frame is needed to see a hand."""
    (found,) = visibility([with_arm(USUAL[0], HAND)])
    assert visible_part(found).value < 0.5


def test_a_head_turned_far_out_of_its_usual_pose_is_not_hidden():
    """What differs where cells are half or twice as large as usual is the turn; else it is hidden."""
    cover = seen(laid_over(USUAL[0], 10, 25, 26, 35, np.array([150, 108, 88])))
    shares = np.where(np.arange(WIDTH) < WIDTH / 2, 0.5, 1.7)
    extent = np.clip(cover.extent * shares, 1, 255).astype(np.uint8)
    turned = VisibleMeasure(cells=cover.cells, extent=extent, hand=cover.hand)
    usual = [seen(i) for i in USUAL]
    straight, away = (visibility([*usual, m])[-1] for m in (cover, turned))
    assert straight.hidden > 0.05
    assert away.hidden < straight.hidden / 2


def test_an_eye_seen_from_the_side_is_not_hidden():
    """A profile's far eye is a few pixels wide in every frame; that it is never alike hides nothing."""
    covered = seen(laid_over(USUAL[0], *PLACES["right eye"], SKIN))
    slim = np.where(np.arange(WIDTH) < WIDTH / 2, 0.2, 1.5)

    def aside(m: VisibleMeasure) -> VisibleMeasure:
        return VisibleMeasure(
            cells=m.cells, extent=np.clip(m.extent * slim, 1, 255).astype(np.uint8), hand=m.hand
        )

    usual = [seen(i) for i in USUAL]
    assert visibility([*usual, covered])[-1].eyes_hidden == (True, False)
    assert visibility([*map(aside, usual), aside(covered)])[-1].eyes_hidden == (False, False)
