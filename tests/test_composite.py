"""One head set into a base: what must hold whoever stands before whatever wall."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from drawn_heads import SIZE, Drawn, Silhouettes, frame

from facemerge import composite, imaging, risk
from facemerge.composite import build as building
from facemerge.composite import stage, trial
from facemerge.models import Models
from facemerge.options import CompositeOptions, RiskOptions
from facemerge.words import Float, Head

STAND_IN = cast(Models, Silhouettes())


def build(base: Drawn, donor: Drawn, *, to_base: Float | None = None, **more: object) -> Head:
    arguments: dict[str, object] = {
        "current": base.image,
        "donor": donor.image,
        "base_from_donor": np.eye(3) if to_base is None else to_base,
        "person": "P01",
        "base_face": base.face,
        "donor_face": donor.face,
        "base_others": (),
        "donor_others": (),
        "models": STAND_IN,
        "options": CompositeOptions(),
    }
    return composite.build_head(**(arguments | more))  # type: ignore[arg-type]


def flag_of(head: Head) -> risk.Risk:
    return risk.assess(head.seam, head_turn_deg=0, align_error_px=0.3, options=RiskOptions())


def full_mask(head: Head) -> np.ndarray:
    mask = np.zeros((SIZE[1], SIZE[0]), head.mask.dtype)
    x, y = head.offset
    mask[y : y + head.mask.shape[0], x : x + head.mask.shape[1]] = head.mask
    return mask


@pytest.mark.parametrize(("kind", "dtype"), [("plain", np.uint8), ("brick", np.uint16)])
def test_a_frame_set_into_itself_changes_nothing(kind: str, dtype: type) -> None:
    """The same frame as base and donor: composite equal to a step, no difference along the seam, no risk."""
    drawn = frame(kind=kind, dtype=dtype)
    head = build(drawn, drawn)
    out = composite.lay(drawn.image, [head])
    step = 1 if dtype == np.uint8 else 64
    assert np.abs(out.astype(int) - drawn.image.astype(int)).max() <= step
    assert head.seam.delta_e_p95 < 0.2
    assert head.seam.misregistration_px < 0.05
    assert head.seam.bent_px < 0.05
    found = flag_of(head)
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
    """A smile comes across whole; along the seam the difference stays below what is just noticeable, though
    the donor was exposed differently (2.3: Mahy et al. 1994, from memory)."""
    base = frame(kind=kind, noise=1.5, seed=1)
    donor = frame(kind=kind, smile=10, gain=(1.06, 1.05, 1.03), noise=1.5, seed=2)
    wanted = frame(kind=kind, smile=10)
    head = build(base, donor)
    out = composite.lay(base.image, [head]).astype(float)
    mouth = (slice(205, 245), slice(180, 240))
    apart = np.abs(out[mouth] - wanted.image[mouth].astype(float)).mean()
    unchanged = np.abs(base.image[mouth].astype(float) - wanted.image[mouth].astype(float)).mean()
    assert apart < 3.5 < unchanged
    assert head.seam.delta_e_p95 < 2.3
    assert flag_of(head).flag == "clear"


@pytest.mark.parametrize("move", [(0, 0), (9, 4), (-14, -7)])
def test_no_old_head_shows_where_the_person_moved(move: tuple[float, float]) -> None:
    """A person who moved between the frames leaves no second head: every pixel that only the old head or only
    the new one covers, down to the chin, is inside the mask."""
    base = frame(kind="brick")
    donor = frame(kind="brick", centre=(210 + move[0], 190 + move[1]))
    head = build(base, donor)
    shown = full_mask(head) > 127
    rows = np.arange(SIZE[1])[:, None] < 190 + min(0, move[1]) + 63
    shift = donor.who if head.placement == "homography" else base.who
    changed = (base.who ^ shift) & rows
    assert (changed & ~shown).sum() <= 0.005 * (base.who & rows).sum()
    assert head.seam.old_head_left <= 0.005


def test_a_tone_that_differs_is_matched_and_told() -> None:
    """A donor exposed 15 % darker is brought to the base's tone, and the measure says how far off it was."""
    base = frame(kind="plain")
    head = build(base, frame(kind="plain", smile=6, gain=(0.85, 0.85, 0.85)))
    inner = head.mask == 255
    x, y = head.offset
    under = base.image[y : y + head.mask.shape[0], x : x + head.mask.shape[1]].astype(float)
    assert abs((head.pixels.astype(float) - under)[inner].mean()) < 1.0
    assert head.seam.tone_delta_e > 2
    assert head.seam.delta_e_p95 < 1


def test_locked_pixels_stay() -> None:
    """What the user or an earlier head holds is not touched."""
    base, donor = frame(kind="brick"), frame(kind="brick", smile=8)
    locked = np.zeros((SIZE[1], SIZE[0]), bool)
    locked[:, :165] = True
    head = build(base, donor, locked=locked)
    assert not full_mask(head)[locked].any()


def test_a_neighbours_face_is_never_cut_into() -> None:
    """Another person's face next to this one keeps every pixel."""
    base, donor = frame(), frame(smile=8)
    other = frame(centre=(330.0, 190.0)).face
    head = build(base, donor, base_others=(other,), donor_others=(other,))
    low, high = other.landmarks[:, :2].min(0), other.landmarks[:, :2].max(0)
    y, x = np.mgrid[0 : SIZE[1], 0 : SIZE[0]]
    middle, half = (low + high) / 2, (high - low) / 2
    face = np.hypot((x - middle[0]) / half[0], (y - middle[1]) / half[1]) < 0.9
    assert not (full_mask(head) > 0)[face & (x > 290)].any()
    assert head.seam.neighbour_overlap == 0


def test_what_the_donor_does_not_reach_is_left_to_the_base() -> None:
    """A donor whose frame ends below the chin gives no pixel beyond it."""
    base, donor = frame(kind="brick"), frame(kind="brick", smile=8)
    cropped = replace(donor, image=donor.image[:330])
    head = build(base, cropped)
    assert not full_mask(head)[330:].any()
    assert head.seam.invented < 0.01


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


def test_a_wider_edge_is_wider() -> None:
    """The option sets the width of the soft edge."""
    base, donor = frame(), frame(smile=8)
    soft = [
        ((m := build(base, donor, options=CompositeOptions(feather_faces=f)).mask) > 0).sum()
        - (m == 255).sum()
        for f in (0.02, 0.08)
    ]
    assert soft[1] > 2 * soft[0]


def test_bricks_that_do_not_meet_are_told() -> None:
    """A brick wall off by k pixels behind a head that stands still: the risk grows with k, and from 6 px on,
    bent away or broken, it is flagged and said."""
    base = frame(kind="brick")
    heads = [build(base, frame(kind="brick", wall_shift=(0, k), smile=6)) for k in (0.0, 3.0, 6.0, 10.0)]
    values = [flag_of(h).value for h in heads]
    assert values == sorted(values)
    assert values[0] < 0.1
    for head in heads[2:]:
        assert flag_of(head).flag != "clear"
        assert head.seam.bent_px > 2 or head.seam.delta_e_p95 > 5


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


@pytest.mark.parametrize(("cramped", "windows"), [(False, 1), (True, 2)])
def test_a_seam_against_its_windows_side_is_sought_in_a_wider_one(
    cramped: bool, windows: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Once more, half as far again, and only then; the dearer of the two is never taken."""
    seen: list[trial.Trial] = []
    best = building.Ways.best

    def counted(tried: building.Ways) -> trial.Trial:
        seen.append(best(tried))
        return seen[-1]

    finished: list[trial.Trial] = []
    finish = building._finish
    monkeypatch.setattr(building.Ways, "best", counted)
    monkeypatch.setattr(
        building, "_finish", lambda t, *rest, **more: finished.append(t) or finish(t, *rest, **more)
    )
    monkeypatch.setattr(building, "_cramped", lambda found: cramped)
    head = build(frame(), frame(smile=8), options=CompositeOptions(reach_faces=0.5))
    taken = min(seen, key=lambda t: t.price)
    assert head.way == replace(taken.way, reach=1.0 if taken is seen[0] else building.GROWTH)
    assert len(seen) == windows
    assert finished[0].price == min(t.price for t in seen)
    assert [t.region.size for t in seen] == sorted({t.region.size for t in seen})


@pytest.mark.parametrize(("column", "expected"), [(30, False), (195, True)])
def test_a_seam_along_a_windows_side_is_known(column: int, expected: bool) -> None:
    """A region that ends at the rim is cramped; one that ends well inside is not."""
    window = stage.Window(offset=(50, 60), size=(200, 240), work_size=(200, 240), face_px=80.0)
    region = np.zeros((240, 200), bool)
    region[100:140, 20 : column + 1] = True
    found = SimpleNamespace(common=SimpleNamespace(window=window), trial=SimpleNamespace(region=region))
    assert building._cramped(cast(building._Tried, found)) is expected
