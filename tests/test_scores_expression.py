"""An expression must be judged against the person's own best, and smiles asked of nobody who never smiles."""

from __future__ import annotations

import dataclasses
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest
from drawn_face import landmarks, shapes

from facemerge.faces import detect_faces
from facemerge.models import BLENDSHAPES
from facemerge.options import FacesOptions
from facemerge.scores.expression import (
    ExpressionMeasure,
    TongueMeasure,
    expression_part,
    measure_expression,
    measure_tongue,
    strains,
    tongue_length,
)

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "scripts"))

import render_burst

SKIN, LIP, TONGUE, CAVITY, TEETH = (
    (214, 170, 148),
    (190, 112, 110),
    (212, 120, 128),
    (58, 22, 22),
    (225, 220, 208),
)
PLAIN = np.full((360, 300, 3), SKIN, np.uint8)
SMILE = {"mouthSmileLeft": 0.8, "mouthSmileRight": 0.8}
POUT = {"mouthPucker": 0.9}


def seen(mouth_px: float = 90.0, **changed: float) -> ExpressionMeasure:
    """Measure a drawn face with this width of mouth and these blendshapes."""
    return measure_expression(face_points(mouth_px=mouth_px), shapes(**changed), PLAIN)


def face_points(mouth_px: float = 90.0, gap_px: float = 0.0) -> np.ndarray:
    """Landmarks with lips 16 px thick, open by `gap_px`, the eyes 104 px apart."""
    points = landmarks(mouth_px=mouth_px)
    for index, y in zip(
        (13, 14, 17, 152), (258.0, 258.0 + gap_px, 274.0 + gap_px, 318.0 + gap_px), strict=True
    ):
        points[index] = (150, y, 0)
    for index, spot in zip((50, 280, 205, 425), ((90, 215), (210, 215), (105, 230), (195, 230)), strict=True):
        points[index] = (*spot, 0)
    return points


def mouth(
    gap_px: float = 0.0,
    *,
    tongue_px: float = 0.0,
    lying: float = 0.0,
    teeth: bool = False,
    tone: tuple[int, int, int] = SKIN,
    lip: tuple[int, int, int] = LIP,
    chin: tuple[int, int, int] | None = None,
    light: float = 1.0,
) -> np.ndarray:
    """Paint a mouth open by `gap_px`, its tongue `tongue_px` past the lower lip or filling `lying` of it."""
    image = np.full((360, 300, 3), tone, np.uint8)
    if chin is not None:
        image[274 + int(gap_px) :] = chin
    lips = ((105, 242), (195, int(274 + gap_px)))
    cv2.rectangle(image, *lips, lip, -1)
    if gap_px:
        low = int(258 + gap_px)
        cv2.rectangle(image, (110, 258), (190, low), CAVITY, -1)
        if lying:
            shaded = tuple(int(v * 0.55) for v in TONGUE)
            cv2.rectangle(image, (122, int(low - lying * gap_px)), (178, low), shaded, -1)
        if teeth:
            cv2.rectangle(image, (112, 258), (188, int(258 + 0.4 * gap_px)), TEETH, -1)
    if tongue_px:
        end = int(274 + gap_px + tongue_px)
        cv2.rectangle(image, (126, int(258 + 0.25 * gap_px)), (174, end), TONGUE, -1)
    noisy = image * light + np.random.default_rng(0).normal(0, 2, image.shape)
    return np.clip(np.rint(noisy), 0, 255).astype(np.uint8)


def painted(gap_px: float = 0.0, image: np.ndarray | None = None, **how: object) -> ExpressionMeasure:
    """Measure a painted mouth; the landmarker's figures are those of a calm face or, open, of a laugh."""
    figures = shapes(jawOpen=0.5, **SMILE) if gap_px else shapes(**SMILE)
    picture = mouth(gap_px, **how) if image is None else image
    return measure_expression(face_points(100.0, gap_px), figures, picture)


def spoken(gap_px: float = 16.0, **changed: float) -> ExpressionMeasure:
    """Measure a face with an empty open mouth."""
    return measure_expression(face_points(80.0, gap_px), shapes(**changed), mouth(gap_px))


def values(faces: list[ExpressionMeasure | None], mood: str = "pleasant") -> list[float | None]:
    """One figure a frame."""
    return [expression_part(s, 0.0, mood).value for s in strains(faces, [0.0] * len(faces))]


def reason(face: ExpressionMeasure, best: ExpressionMeasure) -> str:
    """What is said of one face of a person who otherwise looks like `best`."""
    return expression_part(strains([best, best, face], [0.0] * 3)[2], 0.0, "pleasant").reason


def test_a_person_who_never_smiles_is_not_asked_to():
    """Without a smile in any frame, every calm frame is good."""
    assert min(values([seen(), seen(), seen(91.0)])) > 0.9


def test_a_lost_smile_ranks_lower_and_spoils_nothing():
    """A blank face is worse than the own smile and far better than a pulled mouth."""
    smiling, blank, pulled = values([seen(104.0, **SMILE), seen(), seen(62.0, **POUT)])
    assert smiling > 0.95
    assert 0.5 < blank < 0.85
    assert pulled < 0.15
    assert reason(seen(), seen(96.0, **SMILE)) == "blank, smiles in other frames"


@pytest.mark.parametrize("usual", [0.0, 0.4])
def test_value_never_falls_with_the_smile(usual):
    """The more of a smile, the better, up to the person's own best, and a wider one is no worse."""
    own = dict.fromkeys(SMILE, usual)
    best = [seen(92.0, **own)] * 2
    row = values([*best, *(seen(92.0, **dict.fromkeys(SMILE, v)) for v in (0.0, 0.2, 0.4, 0.7, 0.9))])[2:]
    assert np.all(np.diff(row) >= 0)
    assert row[-1] > 0.99
    assert row[-1] - row[0] > 0.05


@pytest.mark.parametrize(
    ("face", "said"),
    [
        (seen(60.0), "lips pursed"),
        (seen(88.0, mouthPucker=0.8), "lips pursed"),
        (seen(jawOpen=0.6), "caught mid-word"),
        (spoken(mouthFunnel=0.7), "caught mid-word"),
        (spoken(40.0, jawOpen=0.7, eyeSquintLeft=0.6, eyeSquintRight=0.6), "yawning"),
        (seen(mouthStretchLeft=0.5, mouthStretchRight=0.5), "grimace"),
        (seen(mouthLeft=0.5), "mouth pulled to one side"),
        (seen(jawRight=0.5), "mouth pulled to one side"),
    ],
)
def test_what_spoils_a_face_is_named(face, said):
    """Each spoiled face is below a half, and the reason is the one drawn."""
    assert values([seen(), seen(), face])[2] < 0.5
    assert reason(face, seen()) == said


def test_a_laugh_is_not_a_yawn():
    """A dropped jaw costs a face that does not smile, not one that laughs."""
    laugh, yawn = values([seen(104.0, **SMILE), seen(100.0, jawOpen=0.6, **SMILE), seen(jawOpen=0.6)])[1:]
    assert laugh > 0.85
    assert yawn < 0.45


def test_a_round_wide_mouth_is_no_laugh_whatever_the_figures_say():
    """The landmarker takes a mouth wide open for a smile; one three quarters as high as wide is no laugh."""
    gaping = spoken(60.0, jawOpen=0.9, **SMILE)
    part = expression_part(strains([seen(80.0, **SMILE)] * 2 + [gaping], [0.0] * 3)[2], 0.0, "pleasant")
    assert part.value < 0.55
    assert part.reason == "mouth wide open"


def test_the_standard_is_the_best_not_the_majority():
    """Of a person who pulls a face in four frames of six, the two others are still the good ones."""
    found = values([seen(62.0, **POUT)] * 2 + [seen(), seen(91.0)] + [seen(60.0, **POUT)] * 2)
    assert min(found[2:4]) > 0.8
    assert max(found[:2] + found[4:]) < 0.2


def test_silly_mood_turns_the_order_round():
    """Asked for the silly frame, the pulled face wins."""
    calm, silly = values([seen(), seen(62.0, **POUT)], "silly")
    assert silly > 0.8
    assert calm < 0.1


def test_a_tongue_is_the_top_of_a_silly_frame():
    """Silly: a tongue put out beats a pulled mouth, which beats a smile; a blank face is not silly."""
    faces = [painted(), painted(), painted(26.0, tongue_px=34.0), seen(76.0, **POUT), seen(98.0)]
    smiling, _, tongue, pulled, blank = values(faces, "silly")
    assert tongue > pulled > 0.5
    assert max(smiling, blank) < 0.15


def test_blur_hides_an_expression():
    """A strongly blurred face is neither praised nor condemned for its mouth."""
    strained = strains([seen(), seen(60.0, **POUT)], [0.0, 0.09])[1]
    part = expression_part(strained, 0.09, "pleasant")
    assert 0.6 < part.value < 0.8
    assert part.reason == "expression hard to see in the blur"


def test_a_single_sharper_frame_is_not_the_standard():
    """Of small faces each is a little soft: a pulled face that happens to be the sharpest is still pulled."""
    faces = [seen(62.0, **POUT), seen(), seen(91.0), seen()]
    row = [expression_part(s, 0.0, "pleasant").value for s in strains(faces, [0.0, 0.02, 0.02, 0.02])]
    assert row[0] < 0.2
    assert min(row[1:]) > 0.9


def test_a_tongue_is_named_before_what_it_does_to_the_mouth():
    """A short tongue in a dropped jaw is told as a tongue, though the jaw speaks louder against the face."""
    out = measure_expression(face_points(80.0, 30.0), shapes(jawOpen=0.9), mouth(30.0, tongue_px=6.0))
    strained = strains([seen(80.0)] * 2 + [out], [0.0] * 3)[2]
    assert strained.jaw > strained.tongue
    assert expression_part(strained, 0.0, "pleasant").reason == "tongue out"


def test_one_frame_missing_frames_and_small_faces():
    """One frame alone is its own standard; missing and tiny faces are unknown and change nothing."""
    assert values([seen()])[0] > 0.9
    # 62 px of 104 between the eyes: narrower than any relaxed mouth, known without another frame.
    assert values([seen(62.0, **POUT)])[0] < 0.5
    tiny = dataclasses.replace(seen(60.0), face_px=30.0)
    assert values([None, seen(), tiny]) == [None, values([seen()])[0], None]
    assert strains([None], [0.0]) == (None,)


def test_mirrored_faces_score_the_same():
    """Left and right exchanged, a crooked mouth is as crooked."""
    points = landmarks(mouth_px=86.0)
    points[291, 1] += 14
    mirror = points * [-1, 1, 1] + [299, 0, 0]
    pairs = ((33, 263), (133, 362), (61, 291))
    for a, b in pairs:
        mirror[[a, b]] = mirror[[b, a]]
    plain = measure_expression(points, shapes(mouthLeft=0.3, mouthFrownLeft=0.4), PLAIN)
    other = measure_expression(mirror, shapes(mouthRight=0.3, mouthFrownRight=0.4), PLAIN)
    calm = landmarks()
    calm_mirror = calm * [-1, 1, 1] + [299, 0, 0]
    for a, b in pairs:
        calm_mirror[[a, b]] = calm_mirror[[b, a]]
    one = strains([measure_expression(calm, shapes(), PLAIN), plain], [0.0] * 2)[1]
    two = strains([measure_expression(calm_mirror, shapes(), PLAIN), other], [0.0] * 2)[1]
    assert one.total == pytest.approx(two.total, rel=1e-6)
    assert one.aside > 1


LAUGHS = {
    "teeth": {"gap_px": 30.0, "teeth": True},
    "tongue lying in the mouth": {"gap_px": 34.0, "teeth": True, "lying": 0.4},
    "dark": {"gap_px": 36.0},
    "lipstick": {"gap_px": 30.0, "teeth": True, "lip": (176, 30, 52)},
    "pink chin": {"gap_px": 30.0, "teeth": True, "chin": (222, 160, 150)},
    "shade below the mouth": {"gap_px": 30.0, "teeth": True, "chin": (120, 92, 78)},
    "beard": {"gap_px": 30.0, "teeth": True, "chin": (70, 52, 42)},
    "dark skin": {"gap_px": 30.0, "teeth": True, "tone": (108, 70, 50), "lip": (118, 66, 58)},
    "lips closed": {"gap_px": 0.0, "lip": (176, 30, 52)},
}


@pytest.mark.parametrize("how", LAUGHS.values(), ids=LAUGHS)
def test_a_laugh_is_no_tongue(how):
    """Neither teeth, lipstick, beard, shade nor a tongue that stays in the mouth is a tongue put out."""
    usual = {k: v for k, v in how.items() if k in ("tone", "lip", "chin")}
    strained = strains([painted(**usual), painted(**usual), painted(**how)], [0.0] * 3)[2]
    assert strained.tongue < 0.2
    assert expression_part(strained, 0.0, "pleasant").value > 0.75


@pytest.mark.parametrize("tone", [SKIN, (240, 205, 188), (150, 102, 78), (92, 58, 42)], ids=str)
@pytest.mark.parametrize("light", [0.5, 1.0])
def test_a_tongue_spoils_the_widest_smile(tone, light):
    """On every skin and at half the brightness, a tongue over the lip sinks a face that else laughs."""
    lip = tuple(int(v) for v in np.array(tone) * (0.9, 0.7, 0.75))
    own = [painted(tone=tone, lip=lip, light=light)] * 2
    out = painted(26.0, tongue_px=34.0, tone=tone, lip=lip, light=light)
    part = expression_part(strains([*own, out], [0.0] * 3)[2], 0.0, "pleasant")
    assert part.value < 0.2
    assert part.reason == "tongue out"


def test_a_tongue_in_most_frames_is_still_a_tongue():
    """A child who puts the tongue out in four frames of six is best in the two others."""
    faces = [painted(26.0, tongue_px=30.0)] * 4 + [painted()] * 2
    row = values(faces)
    assert max(row[:4]) < 0.3
    assert min(row[4:]) > 0.9


@pytest.mark.parametrize("length_px", [12.0, 24.0, 36.0])
def test_tongue_is_measured_in_length(length_px):
    """What lies below the lip comes back within two rows of the strip (5 px), in eyes' distances."""
    found = measure_tongue(face_points(100.0, 26.0), mouth(26.0, tongue_px=length_px))
    assert found.below * 104 == pytest.approx(length_px, abs=5)
    # The painted tongue leaves the upper quarter of the opening free.
    assert found.inside * 104 == pytest.approx(0.75 * 26, abs=5)


def test_tongue_of_sixteen_bits_and_of_the_mirror():
    """Depth changes nothing, and neither does left and right exchanged."""
    points, image = face_points(100.0, 26.0), mouth(26.0, tongue_px=30.0)
    found = measure_tongue(points, image)
    assert measure_tongue(points, image.astype(np.uint16) * 257) == found
    mirror = points * [-1, 1, 1] + [299, 0, 0]
    for a, b in ((33, 263), (133, 362), (61, 291), (50, 280), (205, 425)):
        mirror[[a, b]] = mirror[[b, a]]
    other = measure_tongue(mirror, np.ascontiguousarray(image[:, ::-1]))
    assert (other.inside, other.below) == pytest.approx((found.inside, found.below), abs=0.03)


def test_tongue_length_needs_an_open_mouth_that_is_filled():
    """A pink chin under a shut or an empty mouth is no tongue; the person's own pink chin is taken off."""
    whole = TongueMeasure(inside=0.2, below=0.3)
    face = dataclasses.replace(seen(), gap=0.25, tongue=whole)
    assert tongue_length(face, 0.0) == pytest.approx(0.1 + 0.3)
    assert tongue_length(face, 0.25) == pytest.approx(0.1 + 0.05)
    assert tongue_length(dataclasses.replace(face, gap=0.02), 0.0) == 0
    assert tongue_length(dataclasses.replace(face, tongue=TongueMeasure(inside=0, below=0.4)), 0.0) < 0


def test_a_mouth_outside_the_picture_is_measured_without_failing():
    """A face cut off by the picture's edge shows no tongue."""
    found = measure_tongue(face_points() + np.array([0, 200, 0]), PLAIN)
    assert found == TongueMeasure(inside=0.0, below=0.0)


def drawn(models, **how: object) -> ExpressionMeasure:
    """A head as the landmarker sees it."""
    image = render_burst.render_head(
        render_burst.CAST[0], width_px=120, rng=np.random.default_rng(1), supersample=1.0, **how
    )
    face = max(detect_faces(image, models, FacesOptions()), key=lambda f: f.box[2] - f.box[0])
    figures = dict(zip(BLENDSHAPES, face.blendshapes.tolist(), strict=True))
    return measure_expression(face.landmarks, figures, image)


@pytest.fixture(scope="module")
def usual(models) -> list[ExpressionMeasure]:
    """The drawn person as they usually smile."""
    return [drawn(models, smile=s) for s in (0.5, 0.6)]


def test_drawn_smiles_rise_and_drawn_faces_fall(models, usual):
    """Through renderer and landmarker: value rises with the smile, and a laugh beats every pulled face."""
    smiles = [drawn(models, smile=s) for s in (0.0, 0.3)]
    row = values([*usual, *smiles, drawn(models, smile=0.8, mouth_open=0.7)])
    assert row[2] < row[3] <= max(row[:2])
    assert row[4] > 0.75


@pytest.mark.parametrize(
    ("how", "said"),
    [
        ({"tongue": 1.0}, "tongue out"),
        ({"squash": 0.9, "squash_kind": "word"}, "caught mid-word"),
        ({"squash": 0.9, "squash_kind": "pout"}, "lips pursed"),
        ({"squash": 0.9, "squash_kind": "grimace"}, "grimace"),
    ],
)
def test_drawn_faces_are_named(models, usual, how, said):
    """Through renderer and landmarker, what was drawn is what is said."""
    part = expression_part(strains([*usual, drawn(models, **how)], [0.0] * 3)[2], 0.0, "pleasant")
    assert part.value < 0.3
    assert part.reason == said


@pytest.mark.parametrize("seed", range(4))
def test_mouths_that_wander_by_chance_do_not_rank_faces(seed):
    """Mouths that chance makes narrower or wider by half a hundredth differ by half as much in value."""
    rng = np.random.default_rng(seed)
    usual = [seen(mouth_px=96.0) for _ in range(6)]
    narrow = seen(mouth_px=84.0)
    wandering = [
        dataclasses.replace(narrow, mouth_width=narrow.mouth_width + float(d))
        for d in rng.normal(0, 0.0045, 6)
    ]

    def values(face_px: float) -> np.ndarray:
        frames = [dataclasses.replace(m, face_px=face_px) for m in (*usual, *wandering)]
        found = strains(frames, [0.0] * len(frames))[6:]
        return np.array([expression_part(s, 0.0, "pleasant").value for s in found])

    settled, plain = values(140.0), values(140000.0)
    assert np.ptp(settled) < 0.5 * np.ptp(plain)
    assert settled.mean() == pytest.approx(plain.mean(), abs=0.03)


def test_a_mouth_hardly_open_puts_out_no_tongue_at_once():
    """A hair's breadth about the least opening changes the length of a tongue by as little."""
    face = dataclasses.replace(seen(), tongue=TongueMeasure(inside=0.3, below=0.2))
    gaps = np.linspace(0.14, 0.22, 33)
    lengths = [tongue_length(dataclasses.replace(face, gap=float(g)), 0.0) for g in gaps]
    assert lengths[0] == 0
    assert lengths[-1] > 0.3
    assert np.abs(np.diff(lengths)).max() < 0.04
