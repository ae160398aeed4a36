"""Lost highlights, lost shadows and red pupils must be seen, and nothing said of light, dark or warm skin."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage import data

from facemerge.faces import detect_faces
from facemerge.options import FacesOptions
from facemerge.scores.light import (
    EYE_FOLDS,
    IRISES,
    LIDS,
    LIPS,
    OVAL,
    LightMeasure,
    light_part,
    measure_light,
)
from facemerge.words import Array, Float

SIZE = 260
CENTRE = (130.0, 130.0)
RADII = (100.0, 120.0)
IRIS_PX = 9.0
EYES = ((92.0, 105.0), (168.0, 105.0))
SKINS = {
    "pale": (245, 215, 195),
    "rosy and bright": (253, 190, 160),
    "brown": (150, 100, 72),
    "dark": (62, 40, 30),
    "in lamplight": (235, 150, 70),
}
IRIS_COLOURS = {
    "brown": (92, 58, 40),
    "hazel": (128, 96, 58),
    "amber": (150, 95, 40),
    "blue": (90, 120, 150),
    "black": (18, 11, 9),
}


def landmarks(opening: float = 1.0) -> Float:
    """Return (478, 2) landmarks of a face that fills an ellipse, its eyes open by this share."""
    points = np.full((478, 2), CENTRE)

    def around(ring: tuple[int, ...], centre: tuple[float, float], radii: tuple[float, float]) -> None:
        turn = np.linspace(0, 2 * np.pi, len(ring), endpoint=False)
        points[list(ring)] = np.array(centre) + np.column_stack(
            [radii[0] * np.sin(turn), -radii[1] * np.cos(turn)]
        )

    around(OVAL, CENTRE, RADII)
    around(LIPS, (130, 190), (32, 12))
    for eye, centre in enumerate(EYES):
        around(EYE_FOLDS[eye], centre, (26, 16))
        around(IRISES[eye][1:], centre, (IRIS_PX, IRIS_PX))
        points[IRISES[eye][0]] = centre
        points[list(LIDS[eye])] = [(centre[0], centre[1] + s * 10 * opening) for s in (-1, 1)]
    for i, place in zip((50, 280, 205, 425, 101, 330), (-1, 1) * 3, strict=True):
        points[i] = (130 + 45 * place, 145)
    return points


def face(
    skin: tuple[int, int, int] = SKINS["pale"],
    iris: tuple[int, int, int] = IRIS_COLOURS["brown"],
    pupil: tuple[int, int, int] = (12, 10, 10),
) -> np.ndarray:
    """Draw the face: skin, eyes with a pupil of half the iris, lips."""
    image = np.full((SIZE, SIZE, 3), 90, np.uint8)
    cv2.ellipse(image, (130, 130), (100, 120), 0, 0, 360, skin, -1)
    cv2.ellipse(image, (130, 190), (32, 12), 0, 0, 360, (170, 60, 60), -1)
    for x, y in EYES:
        at = (round(x), round(y))
        cv2.ellipse(image, at, (22, 11), 0, 0, 360, (225, 222, 220), -1)
        cv2.circle(image, at, round(IRIS_PX), iris, -1, cv2.LINE_AA)
        cv2.circle(image, at, round(IRIS_PX / 2), pupil, -1, cv2.LINE_AA)
    return image


def skin_mask() -> np.ndarray:
    """The drawn face well within its outline, without eyes and lips, as the test draws it itself."""
    mask = np.zeros((SIZE, SIZE), np.uint8)
    cv2.ellipse(mask, (130, 130), (94, 114), 0, 0, 360, 1, -1)
    cv2.ellipse(mask, (130, 190), (32, 12), 0, 0, 360, 0, -1)
    for x, y in EYES:
        cv2.ellipse(mask, (round(x), round(y)), (26, 16), 0, 0, 360, 0, -1)
    return mask > 0


def judged(image: Array, opening: float = 1.0) -> LightMeasure:
    """Measure a picture of the drawn face."""
    return measure_light(image, landmarks(opening))


@pytest.mark.parametrize("skin", SKINS)
@pytest.mark.parametrize("iris", IRIS_COLOURS)
def test_skin_and_eyes_of_any_colour_are_fine(skin, iris):
    """Bright, dark and warm skin and eyes of every colour cost nothing."""
    part = light_part(judged(face(SKINS[skin], IRIS_COLOURS[iris])))
    assert (part.value, part.reason) == (pytest.approx(1.0, abs=0.02), "")


@pytest.mark.parametrize("share", [0.1, 0.2, 0.35, 0.6])
@pytest.mark.parametrize(("level", "name"), [(255, "blown"), (2, "crushed")])
def test_the_share_that_is_lost_is_measured(share, level, name):
    """A side of the face without detail is measured within 0.03 of what was drawn, and as nothing else."""
    image, skin = face(), skin_mask()
    columns = np.nonzero(skin)[1]
    edge = int(np.quantile(columns, share))
    image[:, :edge] = level
    truth = float(skin[:, :edge].sum() / skin.sum())
    found = judged(image)
    assert getattr(found, name) == pytest.approx(truth, abs=0.03)
    assert getattr(found, "crushed" if name == "blown" else "blown") == 0


def test_the_more_is_lost_the_worse():
    """The value falls with every step, from fine to spoiled, for highlights and for shadows."""
    shares = np.linspace(0, 0.8, 9)
    for name in ("blown", "crushed"):
        plain = {"blown": 0.0, "crushed": 0.0, "red": (0.0, 0.0)}
        values = [light_part(LightMeasure(**(plain | {name: float(s)}))).value for s in shares]
        assert values[0] == 1.0
        assert np.all(np.diff(values) < 0)
        assert values[-1] < 0.1


@pytest.mark.parametrize(
    ("measure", "reason"),
    [
        ({"blown": 0.21}, "a fifth of the face is blown out"),
        ({"blown": 0.5}, "half of the face is blown out"),
        ({"crushed": 0.7}, "the face is lost in shadow"),
        ({"red": (0.0, 0.8)}, "red-eye"),
        ({"red": (None, None)}, ""),
        ({"blown": 0.02, "crushed": 0.1, "red": (0.1, 0.1)}, ""),
    ],
)
def test_reasons_are_a_photographers(measure, reason):
    """What is wrong is said in plain words, and nothing where nothing is."""
    part = light_part(LightMeasure(**({"blown": 0.0, "crushed": 0.0, "red": (0.0, 0.0)} | measure)))
    assert part.reason == reason
    assert (part.value < 0.5) == bool(reason)


@pytest.mark.parametrize("at", [(130, 130), (85, 150), (130, 50)])
def test_a_gleam_is_no_lost_skin(at):
    """A spot of 4 % of the face's width is how skin looks; one of 30 % is lost skin."""
    small, large = face(), face()
    cv2.circle(small, at, 4, (255, 255, 255), -1)
    cv2.circle(large, at, 30, (255, 255, 255), -1)
    assert judged(small).blown == 0
    assert judged(large).blown > 0.04


def test_red_alone_at_the_top_is_merely_bright():
    """Skin whose red channel is clipped still has its shape in green; with green clipped too it has not."""
    assert judged(face((255, 200, 170))).blown == 0
    assert judged(face((255, 252, 200))).blown > 0.9


def test_one_stop_under_is_not_lost():
    """Half the light (IEC 61966-2-1:1999 decoding, halved) leaves even dark skin out of the black."""
    code = np.array(SKINS["dark"]) / 255
    half = ((code + 0.055) / 1.055) ** 2.4 / 2
    under = tuple(int(v) for v in np.rint(255 * (1.055 * half ** (1 / 2.4) - 0.055)))
    assert judged(face(under)).crushed == 0


@pytest.mark.parametrize("skin", SKINS)
@pytest.mark.parametrize("pupil", [(200, 50, 50), (230, 70, 70), (190, 30, 40)])
def test_red_pupils_are_seen(skin, pupil):
    """A pupil that gives the flash back is red-eye on skin of every colour, even if only one eye does."""
    both = judged(face(SKINS[skin], pupil=pupil))
    assert min(both.red) > 0.4
    one = face(SKINS[skin])
    one[:, 130:] = face(SKINS[skin], pupil=pupil)[:, 130:]
    found = judged(one)
    assert found.red[0] < 0.1 < 0.4 < found.red[1]
    assert light_part(found).reason == "red-eye"


def in_lamplight(image: Array, kelvin: int, stops: float = 0.0) -> np.ndarray:
    """Show a picture taken in daylight as it would be under a lamp: linear light times that of a black body.

    The colours of black bodies in linear sRGB, brightest channel 1: from memory, good to a tenth.
    """
    lamp = np.array({2800: (1.0, 0.41, 0.10), 3200: (1.0, 0.50, 0.18), 3500: (1.0, 0.56, 0.25)}[kelvin])
    lamp = lamp / (lamp @ [0.2126, 0.7152, 0.0722]) * 2**stops
    code = image / 255
    linear = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    lit = np.clip(linear * lamp, 0, 1)
    encoded = np.where(lit <= 0.0031308, 12.92 * lit, 1.055 * lit ** (1 / 2.4) - 0.055)
    return np.rint(255 * encoded).astype(np.uint8)


@pytest.mark.parametrize("kelvin", [2800, 3200, 3500])
@pytest.mark.parametrize("stops", [0.0, -0.5, -1.0])
@pytest.mark.parametrize("skin", sorted(set(SKINS) - {"in lamplight"}))
@pytest.mark.parametrize("iris", [(92, 58, 40), (62, 36, 26), (44, 26, 20), (150, 95, 40)])
def test_brown_eyes_in_lamplight_are_not_red(kelvin, stops, skin, iris):
    """Warm light reddens skin and eyes alike, and what is dark the more in encoded values: no red-eye."""
    warm = in_lamplight(face(SKINS[skin], iris), kelvin, stops)
    assert max(judged(warm).red) < 0.1
    assert light_part(judged(warm)).reason != "red-eye"


@pytest.mark.parametrize("kelvin", [3200, 3500])
@pytest.mark.parametrize("pupil", [(200, 50, 50), (150, 40, 45), (230, 70, 70)])
def test_red_pupils_are_seen_in_a_warm_picture(kelvin, pupil):
    """A picture balanced too warm does not hide a red pupil."""
    found = judged(in_lamplight(face(SKINS["pale"], pupil=pupil), kelvin, -0.5))
    assert light_part(found).reason == "red-eye"


def test_shut_and_tiny_eyes_say_nothing():
    """Behind a lid, and in an iris of two pixels, no pupil is judged."""
    image = face(pupil=(220, 40, 40))
    assert judged(image, opening=0.2).red == (None, None)
    tiny = np.asarray(cv2.resize(image, (58, 58), interpolation=cv2.INTER_AREA))
    assert measure_light(tiny, landmarks() * 58 / SIZE).red == (None, None)


def test_sixteen_bits_say_the_same():
    """The same picture at 16 bits is measured the same."""
    image = face(pupil=(200, 50, 50))
    image[:, :70] = 255
    assert judged(image.astype(np.uint16) * 257) == judged(image)


@pytest.fixture(scope="module")
def portrait(models) -> tuple[np.ndarray, Float]:
    """A real person, and her landmarks."""
    image = np.asarray(
        cv2.resize(data.astronaut()[0:260, 100:360], None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
    )
    found = max(detect_faces(image, models, FacesOptions(min_face_px=40)), key=lambda f: f.box[2] - f.box[0])
    return image, found.landmarks


def test_a_photograph_is_fine_until_it_is_spoiled(portrait):
    """A lit portrait costs nothing; five stops more or seven less lose it; red painted pupils are seen."""
    image, points = portrait
    plain = light_part(measure_light(image, points))
    assert plain.value > 0.97
    linear = (image / 255) ** 2.2

    def exposed(stops: float) -> np.ndarray:
        return np.asarray(np.rint(255 * np.clip(linear * 2**stops, 0, 1) ** (1 / 2.2)), np.uint8)

    values = [light_part(measure_light(exposed(s), points)) for s in (-10, -1, 0.5, 4)]
    assert [p.reason for p in values] == [
        "the face is lost in shadow",
        "",
        "",
        "most of the face is blown out",
    ]
    assert [values[0].value < 0.1, values[1].value > 0.97, values[2].value > 0.9, values[3].value < 0.1] == [
        True
    ] * 4
    red = image.copy()
    for ring in IRISES:
        x, y = points[ring[0], :2]
        radius = float(np.linalg.norm(points[ring[1], :2] - points[ring[0], :2]))
        cv2.circle(red, (round(x), round(y)), max(2, round(radius / 2)), (200, 50, 50), -1, cv2.LINE_AA)
    assert light_part(measure_light(red, points)).reason == "red-eye"
