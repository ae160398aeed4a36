"""Sorting a card into groups: nothing lost, nothing twice, and families parted where they part."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from facemerge.batch.grouping import Group, duration, find_groups, in_time
from facemerge.batch.likeness import compare
from facemerge.batch.sight import Sight
from facemerge.formats.small_copy import Identity
from facemerge.options import GroupingOptions

OPTIONS = GroupingOptions()
PLACES = np.array(
    [[0.3, 0.4], [0.45, 0.38], [0.6, 0.41], [0.75, 0.4], [0.38, 0.6], [0.52, 0.61], [0.68, 0.6]]
)
WIDTH = 0.06


def looks_of(person: int) -> np.ndarray:
    """Return what a person looks like; no two of them alike."""
    vector = np.random.default_rng([7, person]).normal(0, 1, 192)
    return np.asarray(vector / np.linalg.norm(vector))


def sight(
    people: Sequence[int],
    time_s: float | None = None,
    *,
    number: int = 0,
    size: tuple[int, int] = (600, 400),
    camera: str = "",
    offset_s: float | None = None,
    zoom: float = 1.0,
    shift: tuple[float, float] = (0.0, 0.0),
    places: Sequence[int] | None = None,
    seed: int = 0,
) -> Sight:
    """Return a sight of people who stand in a row of places and move a little, as drawn bursts do."""
    rng = np.random.default_rng([seed, number])
    at = PLACES[np.array(list(places if places is not None else range(len(people))), int)].reshape(-1, 2)
    at = at + rng.normal(0, 0.1 * WIDTH, at.shape)
    seen = [looks_of(p) + rng.normal(0, 0.008, 192) for p in people]
    return Sight(
        name=f"IMG_{number:04d}.JPG",
        known=Identity(digest=str(number), size=size, time_s=time_s, offset_s=offset_s, camera=camera),
        centres=(at - 0.5) * zoom + 0.5 + np.array(shift),
        widths=np.full(len(people), WIDTH * zoom),
        looks=np.array([v / np.linalg.norm(v) for v in seen]).reshape(len(people), 192),
    )


def series(*shots: tuple[Sequence[int], float], **more: object) -> list[Sight]:
    """Return sights of (people, seconds after the one before)."""
    now, found = 1000.0, []
    for number, (people, pause) in enumerate(shots):
        now += pause
        found.append(sight(people, now, number=number, **more))  # type: ignore[arg-type]
    return found


def frames(groups: Sequence[Group]) -> list[tuple[int, ...]]:
    return [g.frames for g in groups]


SMITHS, OTHERS, KIDS = (0, 1, 2, 3), (4, 5, 6), (2, 3)


@pytest.mark.parametrize(
    ("shots", "truth", "why"),
    [
        ([(SMITHS, 1)] * 4, [(0, 1, 2, 3)], "the first frame"),
        (
            [(SMITHS, 1)] * 3 + [(OTHERS, 2)] * 3,
            [(0, 1, 2), (3, 4, 5)],
            "other people (none of 4 stayed, 3 came)",
        ),
        ([(SMITHS, 1)] * 3 + [(KIDS, 4)] * 2, [(0, 1, 2), (3, 4)], None),
        ([(SMITHS, 1)] * 2 + [((), 1)] + [(SMITHS, 1)] * 2, [(0, 1, 3, 4), (2,)], "nobody is seen"),
        ([(SMITHS, 1)] * 2 + [(OTHERS, 1)] + [(SMITHS, 1)] * 2, [(0, 1, 3, 4), (2,)], "other people"),
        ([(SMITHS, 1)] * 2 + [(OTHERS, 2)] + [((6, 7, 8), 2)] * 2, [(0, 1), (2,), (3, 4)], None),
        ([(SMITHS, 1)] * 3 + [(SMITHS, 200)] * 2, [(0, 1, 2, 3, 4)], None),
        ([(SMITHS, 1)] * 3 + [(SMITHS, 700)] * 2, [(0, 1, 2), (3,), (4,)], "a pause of 12 min"),
        ([(SMITHS, 1)] * 2 + [((0, 1, 2, 3, 4, 5), 100)] * 2, [(0, 1), (2, 3)], "only 4 of 6 are the same"),
        (
            [((0,), 2)] * 3 + [((1,), 2)] * 3,
            [(0, 1, 2), (3, 4, 5)],
            "other people (none of 1 stayed, 1 came)",
        ),
        ([((), 1)] * 3, [(0, 1, 2)], "the first frame"),
    ],
    ids=[
        "one family",
        "the next family within seconds",
        "only the children",
        "a test frame between",
        "somebody else's frame between",
        "a single frame before the next family",
        "away for three minutes",
        "away for long, twice",
        "joined after a pause",
        "single portraits",
        "nobody at all",
    ],
)
def test_families_are_parted_where_they_part(
    shots: list[tuple[Sequence[int], float]], truth: list[tuple[int, ...]], why: str | None
) -> None:
    """The groups are the drawn ones, and the last but first says why it begins."""
    groups = find_groups(series(*shots), OPTIONS)
    assert frames(groups) == truth
    if why is not None:
        assert groups[min(1, len(groups) - 1)].why.startswith(why)


def test_who_joins_for_good_begins_a_new_group_and_who_passes_by_does_not() -> None:
    """Grandmother comes after three frames and stays: two pictures. Somebody seen once: one."""
    grandmother = [(SMITHS, 1)] * 3 + [((*SMITHS, 4), 5)] + [((*SMITHS, 4), 1)] * 2
    groups = find_groups(series(*grandmother), OPTIONS)
    assert frames(groups) == [(0, 1, 2), (3, 4, 5)]
    assert groups[1].why == "somebody joined or left, 5 s later"
    passing = [(SMITHS, 1)] * 3 + [((*SMITHS, 4), 5)] * 2 + [(SMITHS, 5)] * 5
    assert frames(find_groups(series(*passing), OPTIONS)) == [tuple(range(10))]


def test_a_face_overlooked_for_a_frame_parts_nothing() -> None:
    """A child who looks away in two frames of eight is still of the group, whose frames stay together."""
    shots = [(SMITHS, 1)] * 3 + [((0, 1, 3), 1)] * 2 + [(SMITHS, 1)] * 3
    assert frames(find_groups(series(*shots), OPTIONS)) == [tuple(range(8))]
    # In the first two of six, four seconds apart, the same.
    shots = [((0, 1, 3), 4)] * 2 + [(SMITHS, 4)] * 4
    assert frames(find_groups(series(*shots), OPTIONS)) == [tuple(range(6))]


@pytest.mark.parametrize(
    ("zoom", "shift"), [(1.6, (0, 0)), (0.75, (0.02, 0)), (1.0, (0.15, -0.08)), (1.15, (-0.1, 0.05))]
)
def test_a_zoom_or_a_step_of_the_photographer_parts_nothing(zoom: float, shift: tuple[float, float]) -> None:
    """The same people as they stood, larger, smaller or elsewhere in the picture."""
    found = [sight(SMITHS, float(n), number=n) for n in range(3)]
    found += [sight(SMITHS, 3.0 + n, number=3 + n, zoom=zoom, shift=shift) for n in range(3)]
    assert frames(find_groups(found, OPTIONS)) == [(0, 1, 2, 3, 4, 5)]


def test_the_same_people_in_another_arrangement_are_another_group() -> None:
    """All of them have changed places within three seconds."""
    found = [sight(range(7), float(n), number=n) for n in range(3)]
    found += [sight(range(7), 5.0 + n, number=3 + n, places=[6, 4, 0, 5, 3, 1, 2]) for n in range(3)]
    groups = find_groups(found, OPTIONS)
    assert frames(groups) == [(0, 1, 2), (3, 4, 5)]
    assert groups[1].why == "the same people stand otherwise, 3 s later"


def test_another_size_or_orientation_is_another_group() -> None:
    """The camera is turned upright: the frames cannot be merged with those before."""
    found = [sight(SMITHS, float(n), number=n) for n in range(2)]
    found += [sight(SMITHS, 2.0 + n, number=2 + n, size=(400, 600)) for n in range(2)]
    groups = find_groups(found, OPTIONS)
    assert frames(groups) == [(0, 1), (2, 3)]
    assert groups[1].why == "another size: 400 x 600 after 600 x 400 pixels"


def test_the_same_people_again_are_named() -> None:
    """A family that comes back after another is a group of its own that says whose it is."""
    shots = [(SMITHS, 1)] * 6 + [(OTHERS, 2)] * 6 + [(SMITHS, 2)] * 6
    groups = find_groups(series(*shots), OPTIONS)
    assert [len(g.frames) for g in groups] == [6, 6, 6]
    assert [g.again for g in groups] == [None, None, 0]


def test_two_cameras_are_sorted_each_by_itself() -> None:
    """Two photographers take two families at the same time."""
    found = [
        sight(SMITHS if n % 2 else OTHERS, float(n), number=n, camera="one" if n % 2 else "two")
        for n in range(8)
    ]
    assert sorted(frames(find_groups(found, OPTIONS))) == [(0, 2, 4, 6), (1, 3, 5, 7)]


@pytest.mark.parametrize("all_tell", [True, False])
def test_the_clock_is_followed_over_a_change_of_zone_only_if_every_frame_tells_it(all_tell: bool) -> None:
    """An hour forward at the border: a pause only for a camera that says nothing of zones."""
    found = [sight(SMITHS, 100.0 + n, number=n, offset_s=3600.0) for n in range(2)]
    found += [
        sight(SMITHS, 3702.0 + n, number=2 + n, offset_s=7200.0 if all_tell else None) for n in range(2)
    ]
    assert frames(find_groups(found, OPTIONS)) == ([(0, 1, 2, 3)] if all_tell else [(0, 1), (2, 3)])


def test_without_times_the_order_of_the_files_serves() -> None:
    """Nothing is known of pauses; people alone part families."""
    found = [sight(SMITHS if n < 3 else OTHERS, None, number=n) for n in range(6)]
    assert frames(find_groups(found, OPTIONS)) == [(0, 1, 2), (3, 4, 5)]


def test_likeness_is_the_same_both_ways_and_whole_for_the_same_frame() -> None:
    """Nobody is more like another than the other is like them."""
    a, b = sight((0, 1, 2, 3), number=1), sight((1, 2, 3, 4, 5), number=2, places=(1, 2, 3, 4, 5), zoom=1.2)
    assert compare(a, a).share == pytest.approx(1)
    assert compare(a, b).share == pytest.approx(compare(b, a).share)
    # Three of six different people are in both.
    assert compare(a, b).share == pytest.approx(0.5, abs=0.02)
    assert compare(a, b).in_place == 1.0


@pytest.mark.parametrize("seed", range(4))
def test_twins_are_told_apart_by_where_they_stand(seed: int) -> None:
    """Three who look the same are matched to their own places, whatever order they were found in."""
    a = sight((0, 0, 0, 1), number=1, seed=seed)
    b = sight((0, 1, 0, 0), number=2, places=(2, 3, 0, 1), seed=seed)
    assert sorted(map(tuple, compare(a, b).pairs)) == [(0, 2), (1, 3), (2, 0), (3, 1)]


shots_ = st.lists(
    st.tuples(
        st.sets(st.integers(0, 5), max_size=5).map(sorted),
        st.one_of(st.none(), st.sampled_from([0.0, 0.5, 3.0, 45.0, 900.0, -20.0])),
        st.sampled_from([(600, 400), (400, 600)]),
        st.sampled_from(["", "one", "two"]),
    ),
    max_size=14,
)


@given(shots=shots_)
@settings(max_examples=60, deadline=None)
def test_no_frame_is_lost_or_doubled_and_order_is_kept(
    shots: list[tuple[list[int], float | None, tuple[int, int], str]],
) -> None:
    """Every frame is in one group, a group holds one size, and its frames lie in the order taken."""
    now, found = 1000.0, []
    for number, (people, pause, size, camera) in enumerate(shots):
        now += pause or 0.0
        found.append(sight(people, None if pause is None else now, number=number, size=size, camera=camera))
    groups = find_groups(found, OPTIONS)
    assert sorted(i for g in groups for i in g.frames) == list(range(len(found)))
    place = {index: at for at, index in enumerate(in_time(found))}
    for group in groups:
        assert len({found[i].known.size for i in group.frames}) == 1
        assert group.why
        times = [t for i in group.frames if (t := found[i].known.time_s) is not None]
        assert times == sorted(times)
        assert group.again is None or groups[group.again].frames[0] != group.frames[0]
    starts = [place[g.frames[0]] for g in groups]
    assert all(a < b for a, b in pairwise(starts))
    assert find_groups(found, OPTIONS) == groups


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0.42, "0.4 s"), (3.0, "3 s"), (42.0, "42 s"), (300.0, "5 min"), (3600.0, "1 h"), (7500.0, "2 h 5 min")],
)
def test_a_time_is_said_as_people_say_it(seconds: float, words: str) -> None:
    """Seconds while it is short, then minutes, then hours."""
    assert duration(seconds) == words
