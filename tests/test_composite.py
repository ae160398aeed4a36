"""One head set into a base: what must hold whoever stands before whatever wall."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
import pytest
from drawn_heads import FACE_WIDE, SIZE, Drawn, crowd, frame
from numpy.typing import NDArray
from skimage.color import deltaE_ciede2000, rgb2lab

from facemerge import composite, faults, imaging, text
from facemerge.composite import layering
from facemerge.options import RiskOptions
from facemerge.words import Float, Head, Risk

HEAD_ROWS = 63
"""So far below its middle a drawn face ends."""


def build(
    base: Drawn,
    donor: Drawn,
    *others: composite.Offer,
    who: int = 0,
    rows: Sequence[int] = (0, 0),
    to_base: Float | None = None,
) -> Head:
    return composite.build_person(
        base=base.shot(), donor=donor.shot(to_base), person="P01", who=who, rows=rows, others=others
    )


def looked_over(base: Drawn, head: Head) -> Risk:
    """Return what a viewer may find of person 0's head in the finished picture."""
    (x, y), (h, w) = head.offset, head.mask.shape
    places = faults.find(base.image[y : y + h, x : x + w], head, FACE_WIDE)
    return faults.assess(places, head, RiskOptions(), base.faces[0].box)


def full_mask(head: Head) -> np.ndarray:
    mask = np.zeros((SIZE[1], SIZE[0]), head.mask.dtype)
    x, y = head.offset
    mask[y : y + head.mask.shape[0], x : x + head.mask.shape[1]] = head.mask
    return mask


def apart(base: Drawn, head: Head, wanted: Drawn) -> NDArray[np.float64]:
    """Return (H, W) by how many 8-bit steps the composite differs from a picture, at its worst channel."""
    step = imaging.full_scale(base.image) / 255
    out = composite.lay(base.image, [head]).astype(float)
    return np.asarray(np.abs(out - wanted.image.astype(float)).max(2) / step)


JUST_NOTICEABLE = 2.3
"""CIELAB difference that is just noticed (Mahy, Van Eycken & Oosterlinck 1994, from memory)."""


def along_the_seam(head: Head, wanted: Drawn) -> float:
    """Return the CIEDE2000 difference between layer and true picture that a twentieth of the soft edge
    exceeds, grain averaged over 2 px (scikit-image's CIEDE2000; Sharma, Wu & Dalal 2005)."""
    (x, y), (h, w) = head.offset, head.mask.shape
    mask = head.mask / imaging.full_scale(head.mask)
    calm = [
        rgb2lab(cv2.GaussianBlur(imaging.to_unit(p), (0, 0), 2.0))[(mask > 0.3) & (mask < 0.7)]
        for p in (head.pixels, wanted.image[y : y + h, x : x + w])
    ]
    return float(np.percentile(deltaE_ciede2000(*calm), 95))


def unmatched(head: Head, donor: Drawn) -> Head:
    """Return a head as its donor shows it, its light not matched."""
    (x, y), (h, w) = head.offset, head.mask.shape
    return replace(head, pixels=donor.image[y : y + h, x : x + w])


@pytest.mark.parametrize(("kind", "dtype"), [("plain", np.uint8), ("brick", np.uint16)])
def test_a_frame_set_into_itself_changes_nothing(kind: str, dtype: type) -> None:
    """The same frame as base and donor: composite equal to a step, nothing found anywhere, no risk."""
    drawn = frame(kind=kind, dtype=dtype)
    head = build(drawn, drawn)
    assert apart(drawn, head, drawn).max() <= (1 if dtype == np.uint8 else 0.25)
    found = looked_over(drawn, head)
    assert found.places == ()
    assert found.flag == "clear"
    assert found.value < 0.05


@pytest.mark.parametrize(("kind", "dtype"), [("plain", np.uint8), ("brick", np.uint16)])
def test_outside_the_mask_not_a_bit_changes(kind: str, dtype: type) -> None:
    """Where the mask is nought the composite is the base; the mask spans its full scale."""
    base = frame(kind=kind, dtype=dtype, noise=2, seed=1)
    head = build(base, frame(kind=kind, dtype=dtype, smile=8, gain=(1.05, 1.0, 0.97), noise=2, seed=2))
    out = composite.lay(base.image, [head])
    mask = full_mask(head)
    assert out.dtype == dtype
    assert head.mask.dtype == dtype
    assert np.array_equal(out[mask == 0], base.image[mask == 0])
    assert mask.min() == 0
    assert mask.max() == imaging.full_scale(mask)
    assert 0.05 < (mask > 0).mean() < 0.9


@pytest.mark.parametrize("kind", ["plain", "brick"])
def test_the_new_face_is_in_and_the_seam_does_not_show(kind: str) -> None:
    """A smile comes across whole; along the seam the composite is the true picture to less than is just
    noticeable, though the donor was exposed differently, and nothing is found that a viewer should see."""
    base = frame(kind=kind, noise=1.5, seed=1)
    donor = frame(kind=kind, smile=10, gain=(1.06, 1.05, 1.03), noise=1.5, seed=2)
    wanted = frame(kind=kind, smile=10)
    head = build(base, donor)
    mouth = (slice(205, 245), slice(180, 240))
    out = composite.lay(base.image, [head]).astype(float)
    left = np.abs(out[mouth] - wanted.image[mouth].astype(float)).mean()
    unchanged = np.abs(base.image[mouth].astype(float) - wanted.image[mouth].astype(float)).mean()
    assert left < 3.5 < unchanged
    assert looked_over(base, head).flag == "clear"
    seen = along_the_seam(head, wanted)
    assert seen < JUST_NOTICEABLE
    assert seen < 0.5 * along_the_seam(unmatched(head, donor), wanted)


@pytest.mark.parametrize("kind", ["plain", "brick"])
@pytest.mark.parametrize("move", [(9, 4), (-14, -7), (40, 0)])
def test_no_old_head_shows_where_the_person_moved(move: tuple[float, float], kind: str) -> None:
    """A person who moved between the frames leaves no second head: down to the chin the composite is the
    donor's picture wherever the old head was or the new one is."""
    base = frame(kind=kind)
    donor = frame(kind=kind, centre=(210 + move[0], 190 + move[1]))
    head = build(base, donor)
    rows = np.arange(SIZE[1])[:, None] < 190 + min(0, move[1]) + HEAD_ROWS
    either = (base.who | donor.who) & rows
    found = apart(base, head, donor)[either]
    assert (found > 3).mean() <= 0.005
    assert head.joint.old_head_left <= 0.005


def test_the_whole_person_is_set_in_where_they_stood() -> None:
    """Before a wall that both frames show, the layer is the donor's picture from hair to hem, to a few
    steps, in the place that the donor has it: the body is not left behind, nor moved with the head."""
    base, donor = frame(kind="brick"), frame(kind="brick", centre=(250.0, 180.0), smile=8)
    off = apart(base, build(base, donor), donor)
    head_and_neck = (base.who | donor.who) & (np.arange(SIZE[1])[:, None] < 300)
    assert np.percentile(off[head_and_neck], 99) <= 3
    # Along its border the layer fades over a hundredth to a sixteenth of a face.
    assert (off[base.who | donor.who] > 8).mean() < 0.02


def test_a_tone_that_differs_is_matched_and_told() -> None:
    """A donor exposed 15 % darker is brought to the base's tone, and the measure says how far off it was."""
    base = frame(kind="plain")
    donor = frame(kind="plain", smile=6, gain=(0.85, 0.85, 0.85))
    head = build(base, donor)
    assert np.median(apart(base, head, frame(kind="plain", smile=6))[base.who]) <= 1
    assert head.joint.tone_delta_e > 2
    wanted = frame(kind="plain", smile=6)
    assert along_the_seam(head, wanted) < 1
    assert along_the_seam(unmatched(head, donor), wanted) > JUST_NOTICEABLE


def test_what_the_donor_does_not_reach_is_left_to_the_base() -> None:
    """A donor whose frame ends below the chin gives no pixel beyond it."""
    base, donor = frame(kind="brick"), frame(kind="brick", smile=8)
    cropped = replace(donor, image=donor.image[:330], owner=donor.owner[:330])
    head = build(base, cropped)
    assert head.mask.any()
    assert not full_mask(head)[330:].any()
    assert head.reached is not None
    assert not head.reached[330 - head.offset[1] :].any()


def test_the_same_head_twice_is_the_same_bytes() -> None:
    """Nothing random, nothing left over from the run before."""
    base, donor = frame(kind="brick"), frame(kind="brick", smile=8)
    one, two = build(base, donor), build(base, donor)
    assert one.pixels.tobytes() == two.pixels.tobytes()
    assert one.mask.tobytes() == two.mask.tobytes()


def test_the_frames_handed_in_are_not_written_to() -> None:
    """Read-only frames do, and hold the same bytes afterwards."""
    base, donor = frame(), frame(smile=8)
    before = base.image.tobytes(), donor.image.tobytes()
    base.image.setflags(write=False)
    donor.image.setflags(write=False)
    assert build(base, donor).mask.any()
    assert (base.image.tobytes(), donor.image.tobytes()) == before


@pytest.mark.parametrize("off_px", [3.0, 6.0, 10.0])
def test_bricks_that_do_not_meet_are_told(off_px: float) -> None:
    """A brick wall off by some pixels behind a head that stands still is flagged and said, by places where
    the layer meets the wall; one that meets is not."""
    base = frame(kind="brick")
    heads = [build(base, frame(kind="brick", wall_shift=(0, k), smile=6)) for k in (0.0, off_px)]
    meeting, broken = (looked_over(base, head) for head in heads)
    assert meeting.value < 0.1
    assert broken.flag != "clear"
    assert text.reasons(broken)[0] not in (text.NOTHING_SHOWS, text.SEVERAL)
    mask = full_mask(heads[1]).astype(float) / imaging.full_scale(heads[1].mask)
    soft = ((mask > 0.02) & (mask < 0.98)).astype(np.uint8)
    near = cv2.dilate(soft, np.ones((25, 25), np.uint8)) > 0
    assert all(near[round(y), round(x)] for x, y in broken.places)
    assert np.mean([base.owner[round(y), round(x)] == 0 for x, y in broken.places]) > 0.8


# -- others -------------------------------------------------------------------------------------------------

BACK, FRONT = (150.0, 170.0), (275.0, 230.0)


def two(back: tuple[float, float], front: tuple[float, float], smile: float = 0.0) -> Drawn:
    """Return person 0 behind person 1, whose shoulder covers a part of person 0's chest."""
    return crowd({0: (back, smile), 1: (front, 0.0)}, kind="brick")


def inner(where: NDArray[np.bool_], rim: int = 3) -> NDArray[np.bool_]:
    return cv2.erode(where.astype(np.uint8), np.ones((2 * rim + 1, 2 * rim + 1), np.uint8)) > 0


@pytest.mark.parametrize("move", [(0.0, 0.0), (10.0, 4.0), (-12.0, 0.0)])
def test_whoever_stands_in_front_keeps_every_pixel(move: tuple[float, float]) -> None:
    """Inside the outline of somebody in the row before nothing changes, though both have moved."""
    base = two(BACK, FRONT)
    donor = two((BACK[0] + move[0], BACK[1] + move[1]), (FRONT[0] + 8, FRONT[1]), smile=8)
    head = build(base, donor, rows=(0, 1))
    assert apart(base, head, base)[inner(base.owner == 2)].max() <= 3
    face = inner(donor.owner == 1) & (np.arange(SIZE[1])[:, None] < BACK[1] + HEAD_ROWS)
    assert np.percentile(apart(base, head, donor)[face], 99) <= 3
    assert head.joint.head_hidden < 0.01


def test_a_head_that_is_covered_is_told() -> None:
    """Somebody in front stands before a part of the new head: the share covered is measured, and a doubt."""
    base = two((150.0, 170.0), (300.0, 230.0))
    donor = two((205.0, 200.0), (370.0, 230.0))
    head = build(base, donor, rows=(0, 1))
    head_there = (donor.owner == 1) & (np.arange(SIZE[1])[:, None] < 200 + HEAD_ROWS)
    covered = (head_there & (base.owner == 2)).sum() / head_there.sum()
    assert covered > 0.05
    assert head.joint.head_hidden == pytest.approx(covered, abs=0.03)
    assert any("in front" in reason for reason in text.reasons(looked_over(base, head)))


def test_whoever_stands_behind_is_covered_by_the_new_body() -> None:
    """Somebody of the row before who moves over somebody behind them covers them with their own outline."""
    base, donor = two(BACK, FRONT), two(BACK, (FRONT[0] - 12, FRONT[1]))
    head = build(base, donor, who=1, rows=(0, 1))
    assert np.percentile(apart(base, head, donor)[inner(donor.owner == 2)], 99) <= 3


def neighbours(left: float, right: float, *, nearer: int, smile: float = 0.0) -> Drawn:
    """Return persons 0 and 1 side by side in one row, one of whom overlaps the other."""
    people = {0: ((left, 180.0), smile), 1: ((right, 185.0), 0.0)}
    return crowd(dict(sorted(people.items(), key=lambda p: p[0] == nearer)), kind="brick")


@pytest.mark.parametrize("nearer", [0, 1])
def test_the_nearer_of_two_in_a_row_is_told_by_whose_outline_moves_along(nearer: int) -> None:
    """A neighbour before the person keeps every pixel; one behind is covered by the person's own outline."""
    base = neighbours(120.0, 285.0, nearer=nearer)
    donor = neighbours(136.0, 269.0, nearer=nearer, smile=8)
    head = build(base, donor, rows=(0, 0))
    if nearer == 1:
        assert apart(base, head, base)[inner(base.owner == 2)].max() <= 3
    else:
        assert np.percentile(apart(base, head, donor)[inner(donor.owner == 1)], 99) <= 3


def test_a_neighbour_who_stands_still_hides_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """What the old self covered of a neighbour before whom nothing moves is taken from the donor as it is."""
    base = neighbours(140.0, 285.0, nearer=0)
    donor = neighbours(120.0, 285.0, nearer=0, smile=8)
    uncovered = inner((base.owner == 1) & (donor.owner == 2), 2)
    assert uncovered.sum() > 300
    assert np.percentile(apart(base, build(base, donor, rows=(0, 0)), donor)[uncovered], 90) <= 3
    monkeypatch.setattr(layering, "STILL_FACES", 0.0)
    monkeypatch.setattr(layering, "HARDLY_UNLIKE", 0.0)
    monkeypatch.setattr(layering, "SURELY_BEFORE", np.inf)
    taken = build(base, donor, rows=(0, 0))
    assert np.percentile(apart(base, taken, donor)[uncovered], 90) > 3


RIM = np.array([250, 0, 250], np.uint8)


def rimmed(drawn: Drawn, px: int) -> Drawn:
    """Return the frame with a rim of odd colour about person 1 that no silhouette knows of."""
    theirs = (drawn.owner == 2).astype(np.uint8)
    size = 2 * px + 1
    rim = (cv2.dilate(theirs, np.ones((size, size), np.uint8)) > 0) & (theirs == 0)
    image = drawn.image.copy()
    image[rim] = RIM
    return replace(drawn, image=image)


def test_the_rim_of_whoever_stands_in_front_is_not_left_behind() -> None:
    """Hair has a rim that outlines miss: where somebody in front has moved, it does not stay in the air."""
    base = rimmed(two(BACK, FRONT), 2)
    donor = rimmed(two(BACK, (FRONT[0] - 14, FRONT[1] - 10), smile=8), 2)
    head = build(base, donor, rows=(0, 1))
    shown = composite.lay(base.image, [head])
    odd = np.abs(shown.astype(int) - RIM).max(2) < 60
    own = np.abs(base.image.astype(int) - RIM).max(2) < 60
    there = np.abs(donor.image.astype(int) - RIM).max(2) < 60
    beyond = there & ~cv2.dilate(own.astype(np.uint8), np.ones((5, 5), np.uint8)).astype(bool)
    assert beyond.sum() > 300
    assert (odd & beyond).sum() < 0.02 * beyond.sum()


# -- what the donor does not show ---------------------------------------------------------------------------

EDGE = 320
"""Where the donor's frame ends: within the old head's hair, beside the new one."""


def offer(drawn: Drawn, to_base: Float | None = None) -> tuple[composite.Offer, list[int]]:
    """Return a further frame, and a list that grows each time it is read."""
    read: list[int] = []
    shot = drawn.shot(to_base)

    def give() -> composite.Shot:
        read.append(1)
        return shot

    made = composite.Offer(
        faces=shot.faces, base_from_frame=shot.base_from_frame, blurred=shot.blurred, read=give
    )
    return made, read


def aside(kind: str, gain: float = 1.0, dtype: type = np.uint8) -> Drawn:
    """Return a frame in which the person stands so far left that the old head's place is bare."""
    return frame(kind=kind, centre=(70.0, 190.0), gain=(gain, gain, gain), dtype=dtype)


def at_the_edge(kind: str, dtype: type = np.uint8) -> tuple[Drawn, Drawn, Drawn]:
    """Return a base with the head to the right, a donor with it to the left that ends in the old hair, and
    the donor's frame as it would be, did it not end there."""
    base = frame(kind=kind, centre=(285.0, 190.0), dtype=dtype)
    wanted = frame(kind=kind, centre=(235.0, 190.0), smile=8, dtype=dtype)
    return base, replace(wanted, image=wanted.image[:, :EDGE], owner=wanted.owner[:, :EDGE]), wanted


def uncovered(base: Drawn) -> NDArray[np.bool_]:
    """Return the old head's pixels above the shoulders that the donor's frame does not reach."""
    y, x = np.mgrid[0 : SIZE[1], 0 : SIZE[0]]
    return np.asarray(base.who & (x > EDGE) & (y < 235))


@pytest.mark.parametrize(
    ("kind", "gain", "dtype"),
    [
        ("plain", 1.0, np.uint8),
        ("brick", 1.0, np.uint8),
        ("plain", 1.0, np.uint16),
        ("brick", 0.9, np.uint16),
    ],
)
def test_the_background_comes_back_from_a_third_frame(kind: str, gain: float, dtype: type) -> None:
    """Where the donor's frame ends within the old head, the wall is there again, as light as in the base; how
    much of the layer that is, is told."""
    base, donor, wanted = at_the_edge(kind, dtype)
    third, read = offer(aside(kind, gain, dtype))
    head = build(base, donor, third)
    where = uncovered(base)
    assert where.sum() > 1000
    assert np.percentile(apart(base, head, wanted)[where], 95) < 5
    assert head.joint.old_head_left < 0.005
    assert head.joint.invented > 0
    assert read


def test_without_a_third_frame_it_is_told() -> None:
    """Nothing shows what was behind: the old head stays there, and is a risk. A third frame that ends where
    the donor does is no help, and is not pretended to be one."""
    base, donor, _ = at_the_edge("plain")
    head = build(base, donor)
    far = aside("plain")
    short, _ = offer(replace(far, image=far.image[:, :EDGE], owner=far.owner[:, :EDGE]))
    assert build(base, donor, short).joint.old_head_left == pytest.approx(head.joint.old_head_left, abs=0.01)
    out = composite.lay(base.image, [head])
    assert (out[uncovered(base)] == base.image[uncovered(base)]).all(1).mean() > 0.9
    assert 0.02 < head.joint.old_head_left < 0.5
    found = looked_over(base, head)
    assert found.flag != "clear"
    assert any("old head" in reason for reason in text.reasons(found))


def test_a_frame_in_which_somebody_stands_there_gives_nothing() -> None:
    """Of two frames, one with the person at the same place, the other's wall is taken."""
    base, donor, wanted = at_the_edge("plain")
    taken, free = offer(base)[0], offer(aside("plain"))[0]
    head = build(base, donor, taken, free)
    assert np.percentile(apart(base, head, wanted)[uncovered(base)], 95) < 5
    assert head.joint.old_head_left < 0.005
    assert build(base, donor, taken).joint.old_head_left > 0.02


def test_a_frame_from_which_the_person_is_gone_shows_the_wall() -> None:
    """Somebody else was found in it, the person was not: the wall comes from there all the same."""
    base, donor, wanted = at_the_edge("plain")
    gone, _ = offer(crowd({1: ((70.0, 190.0), 0.0)}, kind="plain"))
    head = build(base, donor, gone)
    assert np.percentile(apart(base, head, wanted)[uncovered(base)], 95) < 5


def test_a_frame_that_cannot_be_told_apart_is_passed_over() -> None:
    """A frame whose silhouettes are not known is no error, and the next one is asked."""
    base, donor, wanted = at_the_edge("plain")
    good, _ = offer(aside("plain"))
    head = build(base, donor, replace(good, read=lambda: None), good)
    assert np.percentile(apart(base, head, wanted)[uncovered(base)], 95) < 5


def test_a_third_frame_is_laid_where_it_belongs() -> None:
    """A third frame taken 12 px aside shows its bricks where the base has them."""
    base, donor, wanted = at_the_edge("brick")
    far = aside("brick")
    points = {
        who: replace(
            face,
            box=(face.box[0] + 12, face.box[1], face.box[2] + 12, face.box[3]),
            landmarks=face.landmarks + np.array([12, 0, 0]),
        )
        for who, face in far.faces.items()
    }
    moved = replace(
        far, image=np.roll(far.image, 12, axis=1), owner=np.roll(far.owner, 12, axis=1), faces=points
    )
    third, _ = offer(moved, imaging.shift_matrix(-12, 0))
    off = apart(base, build(base, donor, third), wanted)[uncovered(base)]
    assert np.percentile(off, 95) < 5


def test_no_frame_is_read_that_is_not_needed() -> None:
    """A donor that shows all of the old head's place asks for no third frame."""
    base, donor = frame(), frame(smile=8)
    third, read = offer(aside("plain"))
    head, alone = build(base, donor, third), build(base, donor)
    assert read == []
    assert head.mask.tobytes() == alone.mask.tobytes()
    assert head.pixels.tobytes() == alone.pixels.tobytes()


def test_a_body_that_has_not_moved_is_the_bases_own(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where somebody in front covers more in the donor, the base's cloth stays; else it would be filled."""
    base, donor = two(BACK, FRONT), two(BACK, (FRONT[0] - 14, FRONT[1]), smile=8)
    further, _ = offer(two(BACK, (FRONT[0] + 60, FRONT[1])))
    head = build(base, donor, further, rows=(0, 1))
    gap = inner((base.owner == 1) & (donor.owner == 2), 2)
    assert gap.sum() > 300
    assert apart(base, head, base)[gap].max() <= 3
    monkeypatch.setattr(layering, "ALIKE_DELTA_E", 0.0)
    assert head.joint.invented < 0.5 * build(base, donor, further, rows=(0, 1)).joint.invented


def test_a_filled_head_is_the_same_bytes_twice() -> None:
    """Nothing random in it."""
    base, donor, _ = at_the_edge("brick")
    one, two = (build(base, donor, offer(aside("brick"))[0]) for _ in range(2))
    assert one.pixels.tobytes() == two.pixels.tobytes()
    assert one.mask.tobytes() == two.mask.tobytes()


# -- forecast ----------------------------------------------------------------------------------------------


def patch(drawn: Drawn) -> composite.Patch:
    return composite.patch_of(drawn.image, drawn.face)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_a_forecast_of_the_same_frame_is_nought(dtype: type) -> None:
    """A head set into its own frame shows nothing; the depth makes no difference."""
    one = patch(frame(kind="brick", dtype=dtype))
    assert composite.forecast(one, one) == 0
    assert one.ring.nbytes + one.known.nbytes < 8000


def test_a_forecast_ignores_exposure_and_position() -> None:
    """Another exposure, and another place before a plain wall, forecast next to nothing."""
    base = patch(frame())
    assert composite.forecast(base, patch(frame(gain=(1.07, 1.07, 1.07)))) < 0.05
    assert composite.forecast(base, patch(frame(centre=(222.0, 181.0)))) < 0.05


def forecast_of_change(share: float) -> float:
    """Return the forecast for a donor whose left side is mixed by that share with green."""
    drawn = frame()
    image = drawn.image.astype(float)
    image[:, :170] += share * (np.array((30, 120, 30)) - image[:, :170])
    return composite.forecast(patch(frame()), patch(replace(drawn, image=image.astype(np.uint8))))


@pytest.mark.parametrize(("less", "more"), [(0.0, 0.1), (0.1, 0.2), (0.2, 0.6)])
def test_a_forecast_grows_with_what_differs(less: float, more: float) -> None:
    """The more the surroundings differ on one side, the higher the forecast."""
    assert forecast_of_change(less) < forecast_of_change(more)


def test_a_forecast_has_two_ends() -> None:
    """Surroundings that do not differ forecast nought, and those that differ a lot at most one."""
    assert forecast_of_change(0.0) == 0
    assert 0.3 < forecast_of_change(0.6) <= 1


def beside(neighbour_x: int, colour: float, wall_colour: float) -> composite.Patch:
    """Return the patch of a head with somebody's dark or light shoulder beside it."""
    drawn = frame()
    image = drawn.image.copy()
    wall = (image == image[0, 0]).all(2)
    image[wall] = round(255 * wall_colour)
    shoulder = wall & (np.arange(image.shape[1])[None] > neighbour_x)
    image[shoulder] = round(255 * colour)
    return patch(replace(drawn, image=image))


def test_a_forecast_grows_with_how_far_a_neighbour_moved() -> None:
    """A shoulder that moves into where a seam would run: the farther, the higher."""
    values = [composite.forecast(beside(290, 0.2, 0.6), beside(290 - d, 0.2, 0.6)) for d in (0, 8, 16, 32)]
    assert values == sorted(values)
    assert values[0] == 0
    assert values[-1] > 0.3


def test_a_forecast_knows_that_contrast_shows() -> None:
    """The same move shows less where the shoulder is nearly as light as the wall."""
    faint = composite.forecast(beside(290, 0.55, 0.6), beside(266, 0.55, 0.6))
    assert 0 < faint < composite.forecast(beside(290, 0.2, 0.6), beside(266, 0.2, 0.6)) / 2


@pytest.mark.parametrize("centre", [(20.0, 30.0), (415.0, 455.0)])
def test_a_head_at_the_frames_edge_has_a_patch(centre: tuple[float, float]) -> None:
    """A head half outside the frame is no error, and what is missing is marked."""
    found = patch(frame(centre=centre))
    assert not found.known.all()
    assert 0 <= composite.forecast(found, patch(frame())) <= 1
