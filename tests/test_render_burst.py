"""The drawn burst must be what its truth says, and the landmarker must read the faces as they were drawn."""

from __future__ import annotations

import functools
import json
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from facemerge.faces import detect_faces
from facemerge.models import BLENDSHAPES, Models
from facemerge.options import Options
from facemerge.words import Face

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "scripts"))

import render_burst as rb
from render import mesh
from render.head import EYE_RADIUS
from render.paint import to_linear, to_srgb
from render.plan import FACE_CM, schedule
from render.portrait import draw_person, smear
from render.view import View

FACE_PX = 190


def only_face(image: np.ndarray, models: Models) -> Face:
    """The one face of a picture."""
    (face,) = detect_faces(image, models, Options().faces)
    return face


def scores(image: np.ndarray, models: Models) -> dict[str, float]:
    """Blink, smile and jaw of the one face in a picture, as the landmarker's blendshapes have them."""
    named = dict(zip(BLENDSHAPES, only_face(image, models).blendshapes.tolist(), strict=True))
    return {
        "blink": (named["eyeBlinkLeft"] + named["eyeBlinkRight"]) / 2,
        "smile": (named["mouthSmileLeft"] + named["mouthSmileRight"]) / 2,
        "jaw": named["jawOpen"],
    }


def head_scores(models: Models, person: rb.Person, **drawn: float) -> dict[str, float]:
    """Scores of a head drawn at the size it has in the sample."""
    rng = np.random.default_rng(1)
    return scores(rb.render_head(person, width_px=FACE_PX, rng=rng, supersample=1.0, **drawn), models)


PEOPLE = pytest.mark.parametrize("person", [rb.CAST[0], rb.CAST[4], rb.CAST[6]], ids=lambda p: p.name)


@PEOPLE
def test_blink_follows_the_drawn_lids(models, person):
    """Blink rises with the drawn lids: low when open, past the middle only when shut."""
    blink = [head_scores(models, person, close=c)["blink"] for c in (0.0, 0.35, 0.6, 1.0)]
    assert np.all(np.diff(blink) > 0.03), blink
    # Bounds from the issue's own trial with the same mesh (0.13, 0.38, 0.80 shut), with room for other faces.
    assert blink[0] < 0.30, blink
    assert blink[-1] > 0.55, blink


@PEOPLE
def test_smile_follows_the_drawn_corners(models, person):
    """The smile score rises with the drawn smile."""
    smile = [head_scores(models, person, smile=s)["smile"] for s in (0.0, 0.5, 0.9)]
    assert smile[0] < 0.2, smile
    assert smile[2] > 0.5, smile
    assert np.all(np.diff(smile) > 0.02), smile


@PEOPLE
def test_jaw_follows_the_drawn_mouth(models, person):
    """The jaw score rises with the drawn opening."""
    jaw = [head_scores(models, person, smile=0.1, mouth_open=m)["jaw"] for m in (0.0, 0.5, 1.0)]
    assert np.all(np.diff(jaw) > 0.05), jaw


DRAWN = {"people": 2, "frames": 2, "width": 480, "quality": 95, "grain": 1.0}


@pytest.fixture(scope="module")
def burst(once):
    """Two people, two frames, 480 px."""
    return once("drawn", lambda out: rb.render_burst(out, np.random.default_rng(3), **DRAWN))


@pytest.fixture(scope="module")
def truth(burst):
    """Its truth."""
    return json.loads((burst / "truth.json").read_text(encoding="utf-8"))


def frame_of(burst: Path, told: dict) -> tuple[np.ndarray, np.ndarray]:
    """Pixels and who map of a frame."""
    return np.asarray(Image.open(burst / told["file"])), np.asarray(Image.open(burst / told["who"]))


def test_who_map_agrees_with_the_boxes(burst, truth):
    """Most of each face's box belongs to that person, and the box lies inside the person's outline."""
    for told in truth["frames"]:
        _, who = frame_of(burst, told)
        assert set(np.unique(who)) == {0, 1, 2}
        for face in told["faces"]:
            x0, y0, x1, y1 = (round(v) for v in face["frame_box"])
            own = who == face["id"] + 1
            assert own[y0:y1, x0:x1].mean() > 0.88
            columns = np.flatnonzero(own[y0:y1].any(0))
            assert columns.min() <= x0 + 1
            assert columns.max() >= x1 - 2


def test_boxes_are_where_the_landmarker_sees_the_face(burst, truth, models):
    """Every drawn face is found, with its centre within a tenth of the face's width."""
    for told in truth["frames"]:
        image, _ = frame_of(burst, told)
        seen = [np.array(f.box) for f in detect_faces(image, models, Options().faces)]
        assert len(seen) == len(told["faces"])
        for face in told["faces"]:
            x0, _, x1, _ = face["frame_box"]
            off = min(np.hypot(*((b[:2] + b[2:]) / 2 - face["frame_centre"])) for b in seen)
            assert off < 0.1 * (x1 - x0)


def test_homographies_are_exact(burst, truth):
    """Background carried between frames by the truth differs by grain; half a pixel off, by more."""
    (first, who_a), (second, who_b) = (frame_of(burst, truth["frames"][k]) for k in (0, 1))
    h_a, h_b = (np.array(truth["frames"][k]["homography"]) for k in (0, 1))
    gain = [truth["frames"][k]["gain"] for k in (0, 1)]

    def light(image: np.ndarray, factor: float) -> np.ndarray:
        return (image.astype(np.float32) / 255) ** 2.2 / factor * 255

    size = first.shape[1::-1]

    def error(shift: float) -> float:
        move = h_a @ np.linalg.inv(h_b) @ np.array([[1, 0, shift], [0, 1, 0], [0, 0, 1.0]])
        carried = cv2.warpPerspective(light(second, gain[1]), move, size, flags=cv2.INTER_CUBIC)
        people = cv2.warpPerspective((who_b > 0).astype(np.float32), move, size, borderValue=1.0)
        clear = (people == 0) & (cv2.dilate(who_a, np.ones((15, 15))) == 0)
        clear = cv2.erode(clear.astype(np.uint8), np.ones((9, 9))) > 0
        assert clear.mean() > 0.2
        difference = cv2.GaussianBlur(carried - light(first, gain[0]), (0, 0), 1.0)
        return float(np.abs(difference[clear]).mean())

    right = error(0.0)
    # Two frames' grain of 1.0 (about 1.6 in linear steps), averaged over the Gaussian: well below one step.
    assert right < 1.3
    assert min(error(0.5), error(-0.5)) > 1.15 * right


@pytest.mark.parametrize("seed", [1, 7, 20])
@pytest.mark.parametrize(("people", "most"), [(8, 5), (10, 6)])
def test_of_a_group_no_frame_is_good_for_more_than_five_eighths(people, most, seed):
    """As in life; and everybody has their good frames all the same."""
    good = schedule(people, 20, np.random.default_rng(seed)) == ""
    assert good.sum(0).max() <= most
    assert good.sum(1).min() >= 4


def test_everyone_is_good_somewhere_and_nowhere_all_are(truth):
    """A composite is possible, and needed."""
    good = np.array([[f["good"] for f in told["faces"]] for told in truth["frames"]])
    assert good.any(0).all()
    assert not good.all(1).any()


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize(("people", "frames", "needed"), [(2, 2, 1), (3, 12, 4), (8, 20, 4), (10, 60, 4)])
def test_schedule_leaves_everyone_good_frames(people, frames, needed, seed):
    """Enough good frames each, and no frame with everyone good, whatever the seed."""
    good = schedule(people, frames, np.random.default_rng(seed)) == ""
    assert (good.sum(1) >= needed).all()
    assert not good.all(0).any()


def test_same_seed_same_bytes(burst, tmp_path):
    """The same arguments give the same files, byte for byte; another seed does not."""
    again = rb.render_burst(tmp_path / "again", np.random.default_rng(3), workers=2, **DRAWN)
    names = sorted(p.relative_to(burst) for p in burst.rglob("*") if p.is_file())
    assert names == sorted(p.relative_to(again) for p in again.rglob("*") if p.is_file())
    for name in names:
        assert (burst / name).read_bytes() == (again / name).read_bytes(), name
    other = rb.plan_burst(np.random.default_rng(4), people=2, frames=2, width=600)
    mine = rb.plan_burst(np.random.default_rng(3), people=2, frames=2, width=600)
    assert not np.allclose(other.shots[0].homography, mine.shots[0].homography)


def test_frames_carry_time_and_profile(burst, truth):
    """Times of capture rise by 2 to 4 s, and every frame says it is sRGB."""
    times = []
    for told in truth["frames"]:
        with Image.open(burst / told["file"]) as image:
            tags = image.getexif().get_ifd(0x8769)
            assert b"sRGB" in image.info["icc_profile"].replace(b"\x00", b"")
            hour, minute, second = (int(v) for v in tags[0x9003].split()[1].split(":"))
            times.append(3600 * hour + 60 * minute + second + float("0." + tags[0x9291]))
    assert np.all((np.diff(times) >= 1.99) & (np.diff(times) <= 4.01)), times


def test_full_folder_is_left_alone(tmp_path, capsys):
    """A folder with something in it is refused, and what is in it stays."""
    (tmp_path / "kept.txt").write_text("mine", encoding="utf-8")
    assert rb.main([str(tmp_path), "--people", "1", "--frames", "1", "--width", "300"]) == 1
    assert "not empty" in capsys.readouterr().err
    assert [p.name for p in tmp_path.iterdir()] == ["kept.txt"]


@pytest.mark.parametrize("who", [1, 5])
def test_sample_is_drawn_as_before(who):
    """A head of the sample drawn again differs from its frame by grain and JPEG, not in tone."""
    sample = Path(__file__).resolve().parent.parent / "sample_burst"
    told = json.loads((sample / "truth.json").read_text(encoding="utf-8"))
    plan = rb.plan_burst(
        np.random.default_rng(7), people=8, frames=20, width=told["width"], background=told["background"]
    )
    shot, seen = plan.shots[0], told["frames"][0]
    frame, people = frame_of(sample, seen)
    x0, y0, x1, y1 = (round(v) for v in seen["faces"][who]["frame_box"])
    moment = shot.moments[who]
    place = moment.place
    view = View(
        x=place.x,
        y=place.y,
        px_per_cm=place.px_per_cm,
        homography=shot.homography,
        origin=(x0, y0),
        shape=(y1 - y0, x1 - x0),
        supersample=plan.supersample,
    )
    drawn = draw_person(plan.people[who], moment.expression, view)
    colour, _ = smear(drawn, moment.blur, moment.motion, moment.motion_deg)
    again = to_srgb(to_linear(np.clip(colour, 0, 1)) * shot.gain) * 255
    # The margin keeps shadows and blur that reach in from outside the box away.
    inner = (slice(20, -20), slice(20, -20))
    own = people[y0:y1, x0:x1][inner] == who + 1
    off = (again - frame[y0:y1, x0:x1])[inner][own]
    # Grain of 1.6 gives about 1.4 steps of mean difference, JPEG of quality 82 about as much again.
    assert 0.5 < np.abs(off).mean() < 4.5
    assert np.abs(off.mean(0)).max() < 1.0


STATE_PX = 110
ADULT = rb.CAST[4]


@functools.cache
def head(person: rb.Person = ADULT, **drawn: object) -> rb.Head:
    """A head without noise, with its truth; drawn once, to be looked at only."""
    plain = {"smile": 0.2, "grain": 0.0, "width_px": STATE_PX, "squash_kind": "word", "supersample": 1.0}
    return rb.render_head_with_truth(person, rng=np.random.default_rng(1), **{**plain, **drawn})


def usual() -> rb.Head:
    """The head every state is held against."""
    return head()


def eye_mask(drawn: rb.Head, side: int, grow: int = 0) -> np.ndarray:
    """Pixels between the lids of the subject's right (0) or left (1) eye."""
    rows = [
        rows if side == 0 else mesh.mirrored(rows) for rows in (mesh.RIGHT_UPPER_LID, mesh.RIGHT_LOWER_LID)
    ]
    ring = np.concatenate([drawn.landmarks[list(rows[0])], drawn.landmarks[list(rows[1])][::-1]])
    out = cv2.fillPoly(np.zeros(drawn.face.shape, np.uint8), [np.rint(ring).astype(np.int32)], 1)
    return cv2.dilate(out, np.ones((2 * grow + 1, 2 * grow + 1))) > 0


def changed(drawn: rb.Head) -> np.ndarray:
    """Pixels that differ from the usual head by more than rounding."""
    return np.abs(drawn.picture.astype(int) - usual().picture).max(2) > 2


def test_neutral_states_change_nothing():
    """Every new state at rest gives the bytes of a head drawn without it."""
    rest = {"gaze_x_deg": 0.0, "gaze_y_deg": 0.0, "nod_deg": 0.0, "tongue": 0.0, "red_eye": 0.0}
    rest |= {"stops": 0.0, "hot": 0.0, "crushed": 0.0, "front": rb.Front()}
    np.testing.assert_array_equal(head(**rest).picture, usual().picture)


@pytest.mark.parametrize(("gaze_x_deg", "gaze_y_deg"), [(15.0, 0.0), (-15.0, 0.0), (8.0, 8.0)])
def test_iris_goes_where_the_gaze_goes(gaze_x_deg, gaze_y_deg):
    """Pupils, told by their flash, move by the ball's radius times the sine of the angle."""

    def pupil(drawn: rb.Head, side: int) -> np.ndarray:
        red = np.clip(drawn.picture[..., 0].astype(float) - drawn.picture[..., 1] - 90, 0, None)
        ys, xs = np.nonzero(red * eye_mask(drawn, side))
        return np.average(np.stack([xs, ys], 1), axis=0, weights=red[ys, xs])

    here = head(red_eye=1.0, width_px=180, smile=0.0)
    there = head(red_eye=1.0, width_px=180, smile=0.0, gaze_x_deg=gaze_x_deg, gaze_y_deg=gaze_y_deg)
    radius = EYE_RADIUS * 180 / FACE_CM
    want = radius * np.sin(np.deg2rad([gaze_x_deg, gaze_y_deg]))
    for side in (0, 1):
        assert pupil(there, side) - pupil(here, side) == pytest.approx(want, abs=0.08 * radius)
        assert there.irises[side] - here.irises[side] == pytest.approx(want, rel=0.05, abs=0.5)


def test_lid_follows_a_look_down():
    """The opening narrows steadily with a look down, never shuts, and widens a little with a look up."""
    opening = np.array([head(gaze_y_deg=y).opening for y in (-15.0, 0.0, 10.0, 20.0, 30.0)])
    assert np.all(np.diff(opening, axis=0) < -0.01)
    assert np.all(opening[-1] > 0.35 * opening[1])
    assert np.all(opening[-1] < 0.80 * opening[1])


def test_lids_stay_when_the_head_goes_along():
    """Eyes that look down with the head have the lids of eyes that look ahead with a raised one."""
    np.testing.assert_allclose(head(nod_deg=18.0, gaze_y_deg=18.0).opening, head(nod_deg=18.0).opening)


def test_nod_lowers_the_nose_against_the_ears():
    """A positive nod lowers the tip of the nose against the face's sides, a negative one raises it."""
    nose = [
        (m[1, 1] - (m[234, 1] + m[454, 1]) / 2) / STATE_PX
        for m in (head(nod_deg=n).landmarks for n in (-15.0, 0.0, 15.0))
    ]
    assert 0.08 < nose[1] - nose[0] < 0.35
    assert 0.08 < nose[2] - nose[1] < 0.35


@pytest.mark.parametrize(
    ("state", "reach"),
    [({"gaze_x_deg": 20.0}, 3), ({"gaze_y_deg": 20.0}, 16), ({"red_eye": 1.0}, 3)],
    ids=["aside", "down", "red"],
)
def test_eyes_alone_change(state, reach):
    """Gaze and flash change the eyes and nothing outside; a lid that moves takes the skin up to the brow."""
    drawn = head(**state)
    near = eye_mask(usual(), 0, reach) | eye_mask(usual(), 1, reach)
    assert min(changed(drawn)[eye_mask(drawn, side)].mean() for side in (0, 1)) > 0.1
    assert not changed(drawn)[~near].any()


def test_red_eye_is_red():
    """With a flash the pupil is far redder than green or blue; without, it is black."""
    x, y = np.rint(usual().irises[0]).astype(int)
    red, black = (h.picture[y, x - 1 : x + 2].mean(0) for h in (head(red_eye=1.0), usual()))
    assert red[0] > 150
    assert red[1:].max() < 100
    assert black.max() < 70


def test_tongue_lies_over_lip_and_chin():
    """A tongue puts pink below the lower lip, the more the further it is out, and leaves the eyes alone."""
    lengths = []
    for out in (0.3, 0.6, 1.0):
        drawn = head(tongue=out)
        shut = head(mouth_open=0.42 if out >= 0.5 else 0.42 * 0.648)
        pixels = drawn.picture.astype(int)
        pink = (np.abs(pixels - shut.picture).max(2) > 12) & (pixels[..., 0] - pixels[..., 1] > 60)
        lip = drawn.landmarks[14, 1]
        column = round(drawn.landmarks[14, 0])
        rows = np.flatnonzero(pink[:, column - 2 : column + 3].any(1))
        lengths.append((rows.max() - lip) / STATE_PX)
        assert not changed(drawn)[eye_mask(usual(), 0)].any()
    assert np.all(np.diff(lengths) > 0.02), lengths
    assert 0.12 < lengths[-1] < 0.30


@pytest.mark.parametrize(
    ("by", "side", "share"),
    [
        ("hand", "below", 0.15),
        ("hand", "below", 0.4),
        ("hand", "left", 0.25),
        ("hand", "right", 0.4),
        ("shoulder", "below", 0.4),
        ("shoulder", "right", 0.15),
        ("hair", "left", 0.15),
        ("hair", "right", 0.4),
    ],
)
def test_cover_hides_the_share_asked_for(by, side, share):
    """The mask covers the share within a fifth, from the side asked for, and only it and shadow change."""
    drawn = head(covered=share, covered_by=by, covered_from=side)
    assert drawn.covered == pytest.approx(share, rel=0.2)
    ys, xs = np.nonzero((drawn.hidden > 0.5) & drawn.face)
    fy, fx = np.nonzero(drawn.face)
    toward = {"below": ys.mean() - fy.mean(), "left": xs.mean() - fx.mean(), "right": fx.mean() - xs.mean()}
    assert toward[side] > 0.05 * STATE_PX
    # Shadows reach about as far as two centimetres.
    reach = round(4.0 * STATE_PX / FACE_CM)
    near = cv2.dilate((drawn.hidden > 0.02).astype(np.uint8), np.ones((reach + 1, reach + 1))) > 0
    assert not changed(drawn)[~near].any()
    np.testing.assert_array_equal(drawn.landmarks, usual().landmarks)


@pytest.mark.parametrize(("side", "index"), [("right", 0), ("left", 1)])
def test_lock_hides_one_eye(side, index):
    """A lock hides the eye it falls over and leaves the other as it was."""
    drawn = head(hair_over_eye=side)
    assert drawn.hidden[eye_mask(drawn, index)].mean() > 0.85
    assert drawn.hidden[eye_mask(drawn, 1 - index)].max() < 0.05
    assert not changed(drawn)[eye_mask(drawn, 1 - index)].any()


def test_dark_glasses_hide_the_eyes():
    """Behind dark lenses nothing of the eyes is left, and the mouth is as it was."""
    drawn = head(dark_glasses=True)
    eyes = eye_mask(drawn, 0) | eye_mask(drawn, 1)
    assert drawn.hidden[eyes].min() > 0.9
    assert drawn.picture[eyes].mean() < 100
    low = round(usual().landmarks[1, 1])
    assert not changed(drawn)[low:].any()


def test_glare_grows_over_clear_lenses():
    """Glare hides more of the eyes the more of it there is: nothing at 0, nearly all at 1."""
    hidden = []
    for glare in (0.0, 0.25, 0.5, 1.0):
        drawn = head(rb.CAST[8], glare=glare)
        hidden.append(drawn.hidden[eye_mask(drawn, 0) | eye_mask(drawn, 1)].mean())
    assert hidden[0] == 0
    assert np.all(np.diff(hidden) > 0)
    assert hidden[-1] > 0.85


@pytest.mark.parametrize("person", [rb.CAST[4], rb.CAST[6]], ids=lambda p: p.name)
@pytest.mark.parametrize("share", [0.1, 0.35])
def test_sun_and_shadow_take_the_share_asked_for(person, share):
    """The share of the face at either end of the scale is the one asked for, within a fifth."""
    drawn = head(person, hot=share, crushed=share)
    assert drawn.blown[drawn.face].mean() == pytest.approx(share, rel=0.2)
    assert drawn.crushed[drawn.face].mean() == pytest.approx(share, rel=0.2)
    assert (drawn.picture[drawn.face].min(1) >= 254).mean() == pytest.approx(share, rel=0.2)
    assert (drawn.picture[drawn.face].max(1) <= 4).mean() == pytest.approx(share, rel=0.25)
    np.testing.assert_array_equal(drawn.landmarks, head(person).landmarks)


@pytest.mark.parametrize("stops", [-2.0, -1.0, 0.5])
def test_exposure_is_a_factor_of_light(stops):
    """A stop doubles the light wherever nothing is clipped."""
    before, after = (to_linear(h.picture / 255.0) for h in (usual(), head(stops=stops)))
    middle = (before.min(2) > 0.08) & (after.max(2) < 0.9)
    assert middle.mean() > 0.1
    assert np.median(after[middle] / before[middle]) == pytest.approx(2.0**stops, rel=0.03)


@pytest.mark.parametrize(
    "state",
    [
        {"covered": 0.95},
        {"covered": 0.2, "covered_by": "cat"},
        {"covered": 0.2, "covered_by": "hair", "covered_from": "below"},
        {"hair_over_eye": "both"},
        {"glare": 1.5},
    ],
    ids=str,
)
def test_what_cannot_be_drawn_is_refused(state):
    """A state nobody can draw is an error, not something else drawn."""
    with pytest.raises(ValueError, match=r"covered|hair|glare"):
        head(**state)
