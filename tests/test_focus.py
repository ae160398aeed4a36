"""Missed focus, too little depth and movement are told apart, and what is advised mends them.

The drawn truth is a thin lens: the blur disc of a point at x, with the focus at s, is (f^2 / N) |x - s| /
(x (s - f)) wide on the sensor (from memory: Kingslake, Optics in Photography, 1992). A disc as wide as D has
the standard deviation D / 4.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import photographs
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL.TiffImagePlugin import IFDRational

from facemerge.focus import (
    Diagnosis,
    Look,
    Shot,
    Stand,
    diagnose,
    f_name,
    plane_of_focus,
    shutter_name,
    stops,
    thirds_of_f_number,
)
from facemerge.focus.optics import thirds_of_exposure
from facemerge.focus.words import OWN_PX, SOFT, STREAK
from facemerge.formats.exposure import Exposure, exposure_of
from facemerge.scores.sharpness import SHARP, Blur, sharp_up_to_px, sharpness_part

NAMES = {1: ["row"], 2: ["back row", "front row"], 3: ["back row", "middle row", "front row"]}
LIMIT_PX = 2.0


@dataclass(frozen=True)
class Lens:
    """A camera of 36 mm with 6000 px across, before rows at these distances, back row first."""

    rows_m: tuple[float, ...]
    focus_m: float
    f_number: float = 4.0
    focal_mm: float = 85.0
    exposure_s: float = 1 / 60

    def sigma_px(self, row: int) -> float:
        """Blur of a row (Gaussian sigma) with the camera's own."""
        x, s, f = self.rows_m[row], self.focus_m, self.focal_mm / 1000
        disc_m = f**2 / self.f_number * abs(x - s) / (x * (s - f))
        return math.hypot(disc_m / (0.036 / 6000) / 4, OWN_PX)

    def excess(self, row: int) -> float:
        """Blur beyond the camera's own over the limit."""
        return math.sqrt(max(self.sigma_px(row) ** 2 - OWN_PX**2, 0)) / LIMIT_PX

    @property
    def best_focus_m(self) -> float:
        """Where the focus has to be for equal blur at both ends: P = 2 D d / (D + d) (US Navy, Photography
        (Basic), NAVEDTRA 14209, focus setting)."""
        far, near = self.rows_m[0], self.rows_m[-1]
        return 2 * far * near / (far + near)

    def shots(self, count: int = 4, people: int = 3, **more: float) -> tuple[list[Stand], list[Shot]]:
        """Frames of rows of so many people."""
        stands = [Stand(place=f"{r}:{i}", row=r) for r in range(len(self.rows_m)) for i in range(people)]
        looks = tuple(Look(blur_px=self.sigma_px(p.row), limit_px=LIMIT_PX) for p in stands)
        return stands, [
            Shot(name=f"f{i}.jpg", looks=looks, f_number=self.f_number, exposure_s=self.exposure_s)
            for i in range(count)
        ]

    def told(self, count: int = 4, people: int = 3) -> Diagnosis:
        """What is said of such frames."""
        stands, shots = self.shots(count, people)
        return diagnose(stands, NAMES[len(self.rows_m)], shots)


def still(excess: float = 0.2) -> Look:
    """A face that is this far over the limit."""
    return Look(blur_px=math.hypot(excess * LIMIT_PX, OWN_PX), limit_px=LIMIT_PX)


def smeared(length: float, degrees: float = 30.0) -> Look:
    """A face that moved."""
    return Look(
        blur_px=math.hypot(length / STREAK, OWN_PX), limit_px=LIMIT_PX, motion_px=length, motion_deg=degrees
    )


def one_row(*shots: list[Look | None], exposure_s: float | None = 1 / 60) -> Diagnosis:
    """What is said of frames of one row."""
    stands = [Stand(place=f"number {i}", row=0) for i in range(len(shots[0]))]
    return diagnose(
        stands,
        NAMES[1],
        [Shot(name=f"f{i}.jpg", looks=tuple(s), exposure_s=exposure_s) for i, s in enumerate(shots)],
    )


# -- the plane of focus -------------------------------------------------------------------------------------


@given(st.floats(0.0, 2.0), st.floats(0.8, 6.0))
def test_three_rows_give_back_the_plane_within_them(row: float, slope: float) -> None:
    """Blur drawn from a plane within the group gives that plane, to a hundredth of a row."""
    found = plane_of_focus([(r, slope * abs(r - row)) for r in (0, 1, 2)])
    assert found.row == pytest.approx(row, abs=0.05)
    assert found.slope == pytest.approx(slope, rel=0.05)


@given(st.sampled_from([1, -1]), st.floats(0.3, 2.5), st.floats(1.2, 4.0))
def test_three_rows_give_back_a_plane_beyond_them(side: int, off: float, slope: float) -> None:
    """Before the front row or behind the back row, though nobody is sharp."""
    row = 2 + off if side > 0 else -off
    found = plane_of_focus([(r, slope * abs(r - row)) for r in (0, 1, 2)])
    assert found.row == pytest.approx(row, abs=0.15)
    assert found.slope == pytest.approx(slope, rel=0.1)


def test_of_two_planes_that_fit_two_rows_the_likelier_is_taken() -> None:
    """Between the rows if one of them is sharp, beyond them if neither is."""
    assert plane_of_focus([(0, 0.5), (1, 3.0)]).row == pytest.approx(1 / 7, abs=0.02)
    assert plane_of_focus([(0, 1.5), (1, 3.0)]).row == pytest.approx(-1.0, abs=0.02)


@given(st.lists(st.floats(0.1, 8.0), min_size=2, max_size=5))
def test_a_mirrored_group_has_its_plane_mirrored(blur: list[float]) -> None:
    """Nothing prefers the front or the back, as long as one plane alone fits best."""
    last = len(blur) - 1
    one = plane_of_focus(list(enumerate(blur)))
    other = plane_of_focus(list(enumerate(blur[::-1])))
    misfit = [
        sum((b - p.slope * abs(r - p.row)) ** 2 for r, b in enumerate(v))
        for p, v in ((one, blur), (other, blur[::-1]))
    ]
    assert misfit[0] == pytest.approx(misfit[1], abs=2e-3 * sum(b * b for b in blur) + 1e-9)
    assert -last - 2 <= one.row <= 2 * last + 2


# -- whole frames, by a drawn lens --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rows_m", "focus_m", "f_number", "fault", "words"),
    [
        ((5.5, 4.5), 4.5, 2.8, "farther", "Focus farther by half a row"),
        ((5.5, 4.5), 5.5, 2.8, "nearer", "Focus nearer by half a row"),
        ((5.5, 5.0, 4.5), 4.98, 1.4, "shallow", "Too little depth of field"),
        ((6.0, 5.0, 4.3), 4.3, 2.8, "farther", "Focus farther by one row, on the middle row"),
        ((6.0, 5.0, 4.3), 3.7, 2.8, "off farther", "it lies before the front row"),
        ((6.0, 5.0, 4.3), 8.0, 2.8, "off nearer", "it lies behind the back row"),
        ((5.5, 4.5), 3.9, 1.8, "off farther", "two rows cannot tell which"),
        ((5.0,), 4.0, 2.8, "off", "Which way cannot be told"),
        ((5.5, 5.0, 4.5), 4.98, 8.0, "fine", "Nothing to change"),
        ((5.2, 5.0), 5.1, 4.0, "fine", "Nothing to change"),
    ],
)
def test_a_drawn_lens_is_seen_through(
    rows_m: tuple[float, ...], focus_m: float, f_number: float, fault: str, words: str
) -> None:
    """Each way to miss is told by its name, in every frame, and the advice goes that way."""
    told = Lens(rows_m, focus_m, f_number).told()
    assert set(told.faults) == {fault}
    assert any(words in line for line in told.advice), told.advice


def advised_f_number(told: Diagnosis, now: float) -> float:
    """The f-number that the advice names, or the one of now."""
    (line,) = told.advice
    return float(line.partition(" to f/")[2].split()[0].rstrip(".")) if " to f/" in line else now


@pytest.mark.parametrize("focus_m", [4.3, 4.5, 5.0, 5.5, 6.2])
@pytest.mark.parametrize("f_number", [1.4, 2.0, 2.8])
@pytest.mark.parametrize("depth_m", [0.9, 1.4])
def test_what_is_advised_brings_every_row_just_under_the_limit(
    focus_m: float, f_number: float, depth_m: float
) -> None:
    """Focused in the middle at the f-number named, the softest row is under the limit, and not far under it:
    at most a third of a stop in blur and the rounding to an engraved number too much.
    """
    far = 5.0 * 1.0 + depth_m / 2
    near = far - depth_m
    # Evenly in 1/x, as groups are taken to stand.
    rows = (far, 2 * far * near / (far + near), near)
    taken = Lens(rows, focus_m, f_number)
    told = taken.told()
    if told.faults[0] == "fine":
        assert max(taken.excess(r) for r in range(3)) <= SOFT
        return
    then = advised_f_number(told, f_number)
    mended = Lens(rows, taken.best_focus_m, then)
    worst = max(mended.excess(r) for r in range(3))
    assert worst <= 1.1
    if then > f_number:
        assert worst >= 2 ** (-1.8 / 6)


def test_diffraction_is_named_where_the_f_number_goes_too_far() -> None:
    """Beyond f/16 stopping down gives nothing (common practice, no source)."""
    deep = Lens((9.0, 5.0, 3.5), 5.0, 8.0, focal_mm=200).told()
    assert "diffraction" in deep.advice[0]
    assert "diffraction" not in Lens((5.5, 5.0, 4.5), 4.98, 1.4).told().advice[0]


def test_without_the_cameras_word_the_advice_is_in_stops_alone() -> None:
    """No f-number is made up."""
    stands, shots = Lens((5.5, 5.0, 4.5), 4.98, 1.4).shots()
    bare = [Shot(name=s.name, looks=s.looks) for s in shots]
    (line,) = diagnose(stands, NAMES[3], bare).advice
    assert "top down by" in line
    assert "f/" not in line


# -- movement -----------------------------------------------------------------------------------------------


def test_streaks_alike_are_the_cameras() -> None:
    """One direction and one length over the group, in either sense: 1 and 179 degrees are neighbours."""
    told = one_row([smeared(12, 1), smeared(12, 179), smeared(13, 3), smeared(12, 178)])
    assert told.faults == ("shake",)
    assert told.advice[0].startswith("Camera shake in this frame")
    assert "tripod" in told.advice[0]


@pytest.mark.parametrize(
    "looks",
    [
        [smeared(14, 0), still(), still(), still()],
        [smeared(14, 0), smeared(14, 90), smeared(14, 45), still()],
        [smeared(14, 10), smeared(40, 10), smeared(8, 10), smeared(25, 10)],
        [smeared(14, 10), smeared(14, 10), still(), still()],
    ],
)
def test_streaks_of_some_or_unlike_ones_are_peoples(looks: list[Look | None]) -> None:
    """One alone, many directions, many lengths, or half of the group sharp: they moved by themselves."""
    told = one_row(looks)
    assert told.faults != ("shake",)
    assert told.advice[0].startswith("Movement of their own")
    assert "number 0" in told.advice[0]


def test_a_streak_too_short_to_see_is_none() -> None:
    """What stays under the limit needs no faster shutter."""
    short = STREAK * LIMIT_PX * 0.8
    assert one_row([smeared(short)] * 4).advice == one_row([still()] * 4).advice


@pytest.mark.parametrize("length", [8.0, 12.0, 20.0, 45.0])
@pytest.mark.parametrize("exposure_s", [1 / 15, 1 / 60, 1 / 125])
@pytest.mark.parametrize("camera", [True, False])
def test_the_shutter_named_holds_the_streak(length: float, exposure_s: float, camera: bool) -> None:
    """A streak goes with the exposure time: at the time named it is under the limit, and not by more than a
    third of a stop and the rounding to an engraved number.
    """
    looks: list[Look | None] = [smeared(length) if camera or i == 0 else still() for i in range(4)]
    told = one_row(looks, exposure_s=exposure_s)
    named = told.advice[0].split(". ")[1].split(" s or faster")[0]
    then = 1 / float(named.removeprefix("1/"))
    left = length * then / exposure_s / (STREAK * LIMIT_PX)
    assert 2 ** (-1.5 / 3) <= left <= 1.1


def test_without_an_exposure_time_the_advice_is_in_stops() -> None:
    """No time is made up."""
    line = one_row([smeared(20)] * 4, exposure_s=None).advice[0]
    assert "stops" in line
    assert "1/" not in line


# -- people by themselves, and doubts -----------------------------------------------------------------------


def test_one_soft_face_is_no_plane_of_focus() -> None:
    """Beside others who are sharp: named as their own, and no setting is advised."""
    told = one_row([still(), still(3), still(), still()], [still()] * 4, [still()] * 4)
    assert told.faults == ("fine",) * 3
    assert told.advice[0].startswith(
        "Soft by themselves, beside others who are not: number 1 in 1 of 3 frames"
    )


def test_a_row_of_one_is_believed_only_when_it_is_soft_again_and_again() -> None:
    """Once it is their own affair; in every frame it may be the row's, with a doubt."""
    stands = [Stand(place="alone", row=0), *[Stand(place=f"front {i}", row=1) for i in range(4)]]

    def told(soft: list[bool]) -> Diagnosis:
        shots = [
            Shot(name=f"f{i}.jpg", looks=(still(3 if s else 0.2), *[still()] * 4)) for i, s in enumerate(soft)
        ]
        return diagnose(stands, NAMES[2], shots)

    once, always = told([True, False, False, False]), told([True] * 4)
    assert once.advice[0].startswith("Soft by themselves")
    assert always.advice[0].startswith("Missed focus in all 4 frames")
    assert any("Only one person in the back row" in doubt for doubt in always.doubts)


@pytest.mark.parametrize(
    ("looks", "said"),
    [
        ([Look(blur_px=0.5, limit_px=0.68)] * 4, "small"),
        ([None, None, still(), still()], "not known"),
        ([still()] * 4, "Few frames"),
    ],
)
def test_what_the_advice_rests_on_is_doubted_aloud(looks: list[Look | None], said: str) -> None:
    """Small faces, unknown sharpness, one frame."""
    assert any(said in doubt for doubt in one_row(looks).doubts)


def test_nothing_known_is_nothing_said() -> None:
    """Faces too small to judge give no fault and no table entry."""
    told = one_row([None, None])
    assert told.faults == ("unknown",)
    assert told.rows[0].seen == 0
    assert told.rows[0].blur_px is None


def test_every_face_is_counted_once() -> None:
    """Sharp, a little soft, soft and moved add up to the faces seen, by row as by person."""
    told = one_row([still(), still(1.1), still(2), smeared(20)], [still(), None, still(), still()])
    row = told.rows[0]
    assert (row.sharp, row.between, row.soft, row.moved, row.seen) == (4, 1, 1, 1, 7)
    assert sum(p.seen for p in told.people) == 7
    assert told.people[3].streak_px == 20


# -- numbers and names --------------------------------------------------------------------------------------


def test_the_limit_is_where_a_face_begins_to_count_as_sharp() -> None:
    """At the limit the score of sharpness is 0.7, for small and large faces."""
    for eyes_px in (20.0, 60.0, 200.0):
        limit = sharp_up_to_px(eyes_px)
        blur = Blur(defocus_px=limit, motion_px=0.0, motion_deg=0.0, total_px=limit)
        assert sharpness_part(blur, eyes_px).value == pytest.approx(SHARP, abs=1e-9)


@pytest.mark.parametrize(
    ("excess", "thirds"), [(0.5, 0), (1.0, 0), (2**0.5, 3), (2.0, 6), (4.0, 12), (1.2, 2)]
)
def test_a_stop_takes_a_root_of_two_from_blur_and_a_half_from_a_streak(excess: float, thirds: int) -> None:
    """The blur disc goes with 1 / N, a stop is the root of two of N; a streak goes with the time."""
    assert thirds_of_f_number(excess) == thirds
    assert thirds_of_exposure(excess) == max(0, math.ceil(thirds / 2))


@pytest.mark.parametrize(
    ("third", "number", "name"),
    [(0, 5.6, "5.6"), (2, 5.6, "7.1"), (3, 5.6, "8"), (3, 8, "11"), (-3, 4, "2.8")],
)
def test_f_numbers_are_named_as_engraved(third: int, number: float, name: str) -> None:
    """Full and third stops from f/5.6: 7.1, 8, 11 (common practice, no source)."""
    assert f_name(number * 2 ** (third / 6)) == name


@pytest.mark.parametrize(
    ("seconds", "name"),
    [
        (1 / 60, "1/60"),
        (1 / 60 / 2, "1/125"),
        (1 / 250 / 2 ** (1 / 3), "1/320"),
        (0.5, "0.5"),
        (2.0, "2"),
        (1 / 3, "1/3"),
    ],
)
def test_exposure_times_are_named_as_engraved(seconds: float, name: str) -> None:
    """Half of 1/60 is 1/125 (common practice, no source)."""
    assert shutter_name(seconds) == name


@pytest.mark.parametrize(
    ("thirds", "words"),
    [
        (1, "a third of a stop"),
        (2, "two thirds of a stop"),
        (3, "one stop"),
        (4, "one and a third stops"),
        (6, "two stops"),
        (8, "two and two thirds stops"),
    ],
)
def test_thirds_of_a_stop_are_said_in_words(thirds: int, words: str) -> None:
    """As photographers say them."""
    assert stops(thirds) == words


# -- what the camera says -----------------------------------------------------------------------------------


def saved(tmp_path: Path, **inner: object) -> Exposure:
    path = photographs.save(tmp_path / "a.jpg", photographs.drawn(), exif=photographs.tags(**inner))
    return exposure_of(photographs.only(path))


def test_the_exposure_is_read_from_the_file(tmp_path: Path) -> None:
    """ExposureTime 0x829A, FNumber 0x829D, FocalLength 0x920A (CIPA DC-008, Exif 2.32, tables of tags)."""
    found = saved(tmp_path, x829A=IFDRational(1, 125), x829D=IFDRational(56, 10), x920A=IFDRational(85, 1))
    assert found == Exposure(f_number=pytest.approx(5.6), time_s=pytest.approx(1 / 125), focal_mm=85.0)


@pytest.mark.parametrize("tag", ["x829A", "x829D", "x920A"])
@pytest.mark.parametrize("value", [IFDRational(a, b) for a, b in ((0, 1), (1, 0), (0, 0), (10**9, 1))])
def test_what_no_camera_means_is_not_known(tmp_path: Path, tag: str, value: IFDRational) -> None:
    """Lenses without contacts write zero; broken files anything."""
    assert saved(tmp_path, **{tag: value}) == Exposure()


def test_a_file_that_is_gone_says_nothing(tmp_path: Path) -> None:
    """No exception: the exposure is a help, not a need."""
    path = photographs.save(tmp_path / "a.jpg", photographs.drawn())
    frame = photographs.only(path)
    path.unlink()
    assert exposure_of(frame) == Exposure()
    assert np.isfinite(thirds_of_f_number(3.0))
