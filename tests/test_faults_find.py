"""Faults planted on a drawn picture: each has its place, its kind and whose it is told; else nothing is."""

from __future__ import annotations

import dataclasses

import cv2
import numpy as np
import pytest
from drawn_faults import (
    BASE,
    DONOR,
    FACE_PX,
    PEOPLE,
    At,
    Plant,
    blur_step,
    ghost,
    head_of,
    labels,
    planted,
    scene,
    shift,
    smear,
    strip,
    tone_step,
)
from drawn_heads import crowd, frame

from facemerge import faults, imaging
from facemerge.faults.likely import IN_PICTURE
from facemerge.words import Array, FaultKind, frozen

NAMES = {0: "P01", 1: "P02"}


def found(finished: Array, **more: object) -> list[faults.Place]:
    """Return what is found of a finished picture, the strangest place first."""
    return faults.find(BASE, head_of(finished), FACE_PX, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize("plant", [smear, strip, shift, ghost, blur_step])
@pytest.mark.parametrize("at", [(208, 190), (330, 120), (90, 150)], ids=["between two", "hair", "shoulder"])
def test_a_planted_fault_is_named(plant: Plant, at: At) -> None:
    """Its place is the first that is named, to 0.3 face widths, and no other lies farther off."""
    finished = planted(plant, at)
    assert np.abs(finished.astype(int) - DONOR).max() > 25
    places = [p.at for p in found(finished)]
    assert places
    assert max(np.hypot(x - at[0], y - at[1]) for x, y in places) < 0.35 * FACE_PX


@pytest.mark.parametrize(
    ("plant", "at", "kinds"),
    [
        (strip, (208, 190), {FaultKind.STRIP}),
        (strip, (90, 100), {FaultKind.STRIP}),
        (shift, (330, 120), {FaultKind.BREAK, FaultKind.PATTERN, FaultKind.STRIP}),
        (tone_step, (150, 400), {FaultKind.STEP, FaultKind.BREAK}),
    ],
)
def test_the_kind_is_told(plant: Plant, at: At, kinds: set[FaultKind]) -> None:
    """A strip is called a strip, a break a break; where two words fit either will do."""
    first = found(planted(plant, at))[0]
    assert first.kind in kinds


def test_two_frames_through_each_other_are_a_ghost() -> None:
    """Half of the base and half of a donor in which somebody stands elsewhere is named a ghost."""
    moved = {0: ((150.0, 190.0), 0.0), 1: ((300.0, 200.0), 6.0)}
    donor = crowd(moved, kind="brick", noise=1.5, seed=9).image
    both = imaging.from_unit((imaging.to_unit(BASE) + imaging.to_unit(donor)) / 2, np.uint8)
    kinds = [p.kind for p in faults.find(BASE, head_of(both, donor), FACE_PX)]
    assert kinds.count(FaultKind.GHOST) >= 3


def test_lost_texture_is_called_smeared() -> None:
    """A weave that both frames show and the finished picture does not."""
    rng = np.random.default_rng(5)
    weave = np.clip(130 + 25 * np.sign(rng.normal(size=BASE.shape[:2])), 0, 255)
    weave = cv2.GaussianBlur(np.repeat(weave[..., None], 3, 2), (0, 0), 1.2).astype(np.uint8)
    out = weave.copy()
    out[180:220, 180:220] = cv2.GaussianBlur(weave, (0, 0), 6)[180:220, 180:220]
    places = faults.find(weave, head_of(out, weave), FACE_PX)
    assert places
    assert {p.kind for p in places} <= {FaultKind.SMEAR, FaultKind.SHARPNESS}


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("kind", ["brick", "plain"])
def test_where_nothing_was_planted_nothing_is_named(kind: str, seed: int) -> None:
    """A third frame that differs from both by its grain alone, and the base itself."""
    base, donor = scene(1, kind), scene(2, kind)
    for finished in (scene(20 + seed, kind), base, donor):
        assert faults.find(base, head_of(finished, donor), FACE_PX) == []


def test_nothing_changed_is_nothing_found() -> None:
    """A mask that takes nothing leaves nothing to look at."""
    head = head_of(planted(strip, (208, 190)))
    nothing = faults.find(
        BASE,
        type(head)(**{n: getattr(head, n) for n in head.__slots__} | {"mask": frozen(head.mask * 0)}),
        FACE_PX,
    )
    assert nothing == []


def test_several_are_named_the_worst_first() -> None:
    """Two faults are two places, apart from each other; what lies beyond the mask is nobody's."""
    picture = strip(imaging.to_unit(DONOR), (330, 120))
    cv2.line(picture, (80, 300), (110, 306), tuple(float(v) for v in picture[303, 95] * 0.8), 3, cv2.LINE_AA)
    cv2.line(picture, (3, 300), (18, 306), (0.9, 0.1, 0.1), 3, cv2.LINE_AA)
    places = found(imaging.from_unit(picture, np.uint8))
    amounts = [p.amount for p in places if p.kind in IN_PICTURE]
    assert amounts == sorted(amounts, reverse=True)
    at = np.array([p.at for p in places])
    assert np.hypot(*(at[0] - (330, 120))) < 30
    assert np.hypot(*(at - (95, 303)).T).min() < 30
    assert at[:, 0].min() > 25


def test_stronger_faults_are_stranger() -> None:
    """The more a strip differs, the larger the amount."""
    amounts = []
    for share in (0.1, 0.25, 0.5, 1.0):
        plain = imaging.to_unit(DONOR)
        part = plain + share * (strip(plain, (90, 100)) - plain)
        places = found(imaging.from_unit(part, np.uint8))
        amounts.append(max((p.amount for p in places), default=0.0))
    assert amounts == sorted(amounts)
    assert amounts[-1] > 3 * amounts[0]


def test_a_place_is_told_in_the_bases_pixels() -> None:
    """A layer that lies elsewhere, and a large face seen small: the place is where the fault is."""
    big = cv2.resize(planted(strip, (208, 190)), None, fx=3, fy=3, interpolation=cv2.INTER_CUBIC)
    base, donor = (cv2.resize(p, None, fx=3, fy=3, interpolation=cv2.INTER_CUBIC) for p in (BASE, DONOR))
    head = head_of(planted(strip, (208, 190)))
    mask = cv2.resize(head.mask, None, fx=3, fy=3, interpolation=cv2.INTER_NEAREST)
    more = {"pixels": frozen(big), "unblended": frozen(donor), "mask": frozen(mask), "offset": (1000, 500)}
    moved = type(head)(**{n: getattr(head, n) for n in head.__slots__} | more)
    first = faults.find(base, moved, 3 * FACE_PX)[0]
    assert np.hypot(first.at[0] - 1000 - 3 * 208, first.at[1] - 500 - 3 * 190) < 0.3 * 3 * FACE_PX
    assert 10 < first.size_px < 150


def test_broken_lines_are_told_in_true_pixels() -> None:
    """Courses off by 6 px across the mask's border; of a stand-in a quarter as wide that is 24."""
    base, donor = (
        frame(kind="brick", noise=1.0, seed=1).image,
        frame(kind="brick", wall_shift=(0, 6), seed=2).image,
    )
    places = faults.find(base, head_of(donor, donor), FACE_PX)
    (lines,) = [p for p in places if p.kind is FaultKind.LINES]
    assert lines.amount == pytest.approx(6, rel=0.2)
    again = faults.find(base, head_of(donor, donor), FACE_PX, true_px=4)
    assert next(p for p in again if p.kind is FaultKind.LINES).amount == pytest.approx(24, rel=0.2)


# --- whose pixels suffer ------------------------------------------------------------------------------------


def owners(donor: np.ndarray | None = None) -> faults.Owners:
    told = labels()
    return faults.Owners(before=told, donor=told if donor is None else donor, who=0, names=NAMES)


def test_a_neighbour_who_lost_pixels_is_named() -> None:
    """Somebody else's shoulder in another colour: how much of a face it is, and whose."""
    finished = DONOR.copy()
    finished[330:370, 290:340] = (200, 180, 40)
    places = found(finished, owners=owners())
    (harmed,) = [p for p in places if p.kind is FaultKind.NEIGHBOUR]
    assert harmed.person == "P02"
    assert harmed.amount == pytest.approx(40 * 50 / FACE_PX**2, rel=0.3)
    assert np.hypot(harmed.at[0] - 315, harmed.at[1] - 350) < 30
    assert {p.person for p in places if p.kind in IN_PICTURE} >= {"P02"}


def test_ones_own_pixels_are_nobody_elses() -> None:
    """The same on the person set in, or on the wall, is their own."""
    for x, y in ((110, 350), (360, 60)):
        finished = DONOR.copy()
        finished[y - 15 : y + 15, x - 15 : x + 15] = (200, 180, 40)
        places = found(finished, owners=owners())
        assert places
        assert {p.person for p in places} == {None}


def test_whoever_steps_before_somebody_harms_nobody() -> None:
    """Where the donor shows the person set in, a neighbour is covered as they were there."""
    there = labels()
    there[320:380, 280:350] = 0
    finished = DONOR.copy()
    finished[330:370, 290:340] = (200, 180, 40)
    assert [p for p in found(finished, owners=owners(there)) if p.kind is FaultKind.NEIGHBOUR] == []


@pytest.mark.parametrize("extent", ["face", "person"])
def test_slow_light_is_no_fault(extent: str) -> None:
    """A face drawn to the base's tone, lighter on one side and darker on the other, looks like no frame's and
    is right all the same."""
    donor = crowd(PEOPLE, kind="plain", noise=1.5, seed=3).image
    # At the mask's border, at columns 30 and 390, the light is the base's.
    along = np.clip((np.arange(donor.shape[1], dtype=np.float32) - 30) / 360, 0, 1)
    down = np.clip((np.arange(donor.shape[0], dtype=np.float32) - 30) / 400, 0, 1)
    ramp = 1 + 0.06 * (np.sin(np.pi * down)[:, None] * np.sin(np.pi * along)[None])[..., None]
    finished = imaging.from_unit(np.clip(imaging.to_unit(donor) * ramp, 0, 1), np.uint8)
    base = crowd(PEOPLE, kind="plain", noise=1.5, seed=4).image
    assert faults.find(base, head_of(finished, donor, extent), FACE_PX) == []


def weave(steps: float = 25.0) -> np.ndarray:
    """Return cloth of a fine weave, of as many 8-bit steps."""
    rng = np.random.default_rng(5)
    grey = np.clip(130 + steps * np.sign(rng.normal(size=BASE.shape[:2])), 0, 255)
    return cv2.GaussianBlur(np.repeat(grey[..., None], 3, 2), (0, 0), 1.2).astype(np.uint8)


def plain() -> np.ndarray:
    rng = np.random.default_rng(6)
    return np.clip(140 + rng.normal(0, 1.0, BASE.shape), 0, 255).astype(np.uint8)


def first_kind(base: Array, donor: Array, finished: Array) -> FaultKind:
    return faults.find(base, head_of(finished, donor), FACE_PX)[0].kind


def test_a_step_on_plain_ground_is_a_step() -> None:
    """A backdrop that changes its tone along a line."""
    out = plain()
    out[200:260, 150:210] += 12
    assert first_kind(plain(), plain(), out) is FaultKind.STEP


def test_sharp_beside_soft_is_named() -> None:
    """A wall that is crisp on one side of a line and soft on the other, of a crisp and a soft frame."""
    donor = cv2.GaussianBlur(BASE, (0, 0), 5)
    out = BASE.copy()
    out[:, 326:] = donor[:, 326:]
    found = faults.find(BASE, head_of(out, donor), FACE_PX)
    assert found
    assert FaultKind.SHARPNESS in {p.kind for p in found}


def test_a_texture_that_does_not_carry_on_is_a_pattern() -> None:
    """Leaves beside other leaves: no outline is broken, but the texture is."""
    base = weave(40)
    out = base.copy()
    out[180:230, 180:230] = base[60:110, 60:110]
    kinds = {p.kind for p in faults.find(base, head_of(out, base), FACE_PX)}
    assert FaultKind.PATTERN in kinds
    assert FaultKind.SMEAR not in kinds


@pytest.mark.parametrize("at", [(60, 40), (208, 190), (370, 420)])
def test_a_strip_is_one_at_the_layers_edge_too(at: At) -> None:
    """Near the first and the last rows and columns of a layer a strip is named as in its middle."""
    x, y = at
    part = np.s_[y - 10 : y + 60, x - 10 : x + 60]
    finished = planted(strip, (x + 14, y))[part]
    head = dataclasses.replace(
        head_of(DONOR),
        pixels=frozen(finished),
        unblended=frozen(DONOR[part]),
        mask=frozen(np.full(finished.shape[:2], 255, np.uint8)),
    )
    assert FaultKind.STRIP in {p.kind for p in faults.find(BASE[part], head, FACE_PX)}
