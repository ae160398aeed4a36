"""Several threads give what one gives, in the same order; the clock's parts add up."""

from __future__ import annotations

import threading
from collections.abc import Callable

import pytest

from facemerge.pipeline import progress
from facemerge.pipeline.progress import Clock, in_order, left_s


@pytest.mark.parametrize("workers", [1, 2, 5])
def test_answers_come_in_the_order_of_the_items(workers: int) -> None:
    """The last item is ready first and is still given last, and no more are worked on at once than asked."""
    items = list(range(8))
    busy, most, lock = 0, 0, threading.Lock()
    late = threading.Event()

    def work(item: int) -> int:
        nonlocal busy, most
        with lock:
            busy += 1
            most = max(most, busy)
        if item == 0 and workers > 1:
            # Held up until another thread has done the next item.
            assert late.wait(timeout=30)
        if item == 1:
            late.set()
        with lock:
            busy -= 1
        return item * item

    assert list(in_order(work, items, workers)) == [i * i for i in items]
    assert most <= workers


@pytest.mark.parametrize("workers", [1, 3])
def test_progress_is_told_from_the_callers_thread(workers: int) -> None:
    """Every step once, from none to all, whoever does the work."""
    told: list[tuple[str, int, int]] = []
    threads: set[int] = set()

    def tell(what: str, done: int, total: int) -> None:
        threads.add(threading.get_ident())
        told.append((what, done, total))

    list(in_order(str, range(4), workers, "Counting", tell))
    assert told == [("Counting", done, 4) for done in range(5)]
    assert threads == {threading.get_ident()}


@pytest.mark.parametrize("workers", [1, 2])
def test_what_was_done_before_counts(workers: int) -> None:
    """Two items of five were done elsewhere: three are left of five."""
    told: list[tuple[int, int]] = []
    list(in_order(str, range(3), workers, "Counting", lambda _, done, total: told.append((done, total)), 2))
    assert told == [(2, 5), (3, 5), (4, 5), (5, 5)]


@pytest.mark.parametrize("workers", [1, 2])
def test_an_error_ends_the_work(workers: int) -> None:
    """What fails is raised where it is asked for, and what has not been begun never is."""
    begun: list[int] = []

    def work(item: int) -> int:
        begun.append(item)
        if item == 1:
            raise ValueError("broken")
        return item

    answers = in_order(work, range(200), workers)
    assert next(answers) == 0
    with pytest.raises(ValueError, match="broken"):
        list(answers)
    assert len(begun) < 200


def test_ctrl_c_while_others_work_begins_nothing_new() -> None:
    """Progress is where the wish to stop is heard; the threads are gone when it is passed on."""
    before = threading.active_count()

    def stop(what: str, done: int, total: int) -> None:
        if done == 2:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        list(in_order(lambda item: item, range(50), 2, "Counting", stop))
    assert threading.active_count() == before


class Time:
    """A clock that the test turns."""

    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def hands(monkeypatch: pytest.MonkeyPatch) -> Time:
    hands = Time()
    monkeypatch.setattr(progress.time, "perf_counter", hands)
    return hands


def test_the_clock_gives_all_the_time_away(hands: Time) -> None:
    """Stages and the rest add up to the whole; parts of two threads share their stage's time."""
    clock = Clock(began_s=98.0)
    with clock.stage("Looking"):
        for what, seconds in (("Reading", 6.0), ("Measuring", 2.0)):
            with clock.part(what):
                hands.now += seconds
    with clock.stage("Writing"):
        hands.now += 1.5
    hands.now += 0.5
    told = {(s.within, s.what): s.seconds for s in clock.spent}
    assert told == {
        (None, "Loading the program"): 2.0,
        (None, "Looking"): 8.0,
        ("Looking", "Reading"): 6.0,
        ("Looking", "Measuring"): 2.0,
        (None, "Writing"): 1.5,
        (None, "All else"): 0.5,
    }
    assert [s.what for s in clock.spent][1:4] == ["Looking", "Reading", "Measuring"]


def test_parts_done_at_once_are_given_their_share_of_the_stage(hands: Time) -> None:
    """Two threads that read for 4 s each and measure for 1 s each within 5 s: 4 s of it are reading's."""
    clock = Clock()

    def overlapping(what: str, seconds: float) -> None:
        start = hands.now
        with clock.part(what):
            hands.now += seconds
        hands.now = start

    with clock.stage("Looking"):
        for _ in range(2):
            overlapping("Reading", 4.0)
            overlapping("Measuring", 1.0)
        hands.now += 5.0
    assert {s.what: s.seconds for s in clock.spent} == pytest.approx(
        {"Looking": 5.0, "Reading": 4.0, "Measuring": 1.0, "All else": 0.0}
    )


def test_a_stage_that_fails_is_timed_all_the_same(hands: Time) -> None:
    """And a part outside of any stage belongs nowhere."""
    clock = Clock()
    with pytest.raises(ValueError, match="broken"), clock.stage("Looking"):
        hands.now += 3
        raise ValueError("broken")
    with clock.part("Reading"):
        hands.now += 1
    assert {s.what: s.seconds for s in clock.spent} == {"Looking": 3.0, "All else": 1.0}


@pytest.mark.parametrize(
    ("done", "total", "elapsed_s", "left"),
    [
        (10, 40, 20.0, 60.0),
        (39, 40, 78.0, 2.0),
        (1, 40, 30.0, None),
        (5, 40, 1.0, None),
        (40, 40, 80.0, None),
    ],
)
def test_what_is_left_goes_by_what_is_done(
    done: int, total: int, elapsed_s: float, left: float | None
) -> None:
    """Proportional; not said from one step, in the first two seconds, or at the end."""
    assert left_s(done, total, elapsed_s) == left


def test_counting_needs_no_thread() -> None:
    """With one worker the work is done in the caller's own thread, as it is asked for."""
    here: list[int] = []
    work: Callable[[int], None] = lambda item: here.append(threading.get_ident())  # noqa: E731
    answers = in_order(work, range(3), 1)
    next(answers)
    assert here == [threading.get_ident()]
