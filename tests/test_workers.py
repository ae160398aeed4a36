"""Processes that work for this one: each may die, none runs the caller's script again."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from mortal import Learner, dies_of_three, dies_once

from facemerge import workers
from facemerge.workers import NO_PROCESS, Died, Pool, how_many


def test_a_process_that_dies_takes_no_other_with_it() -> None:
    """The piece it died of is tried twice and given up; all others are answered."""
    answers: dict[int, object] = {}
    with Pool(dies_of_three, 2) as pool:
        pool.run([1, 2, 3, 4, 5], answers.__setitem__, lambda: None)
    assert {i: a for i, a in answers.items() if i != 2} == {0: 1, 1: 4, 3: 16, 4: 25}
    assert answers[2] == Died("the process was killed, perhaps because the memory was used up")


def test_what_a_process_died_of_once_is_given_to_another(tmp_path: Path) -> None:
    """A process may be killed for its neighbours' hunger: one death proves nothing."""
    answers: dict[int, object] = {}
    with Pool(dies_once, 1) as pool:
        pool.run([str(tmp_path / "mark")], answers.__setitem__, lambda: None)
    assert answers == {0: str(tmp_path / "mark")}


@pytest.mark.parametrize(
    ("each", "pieces", "least", "most"), [(1e9, 1, 1, 1), (1e15, 9, 1, 1), (1e6, 64, 1, 64)]
)
def test_processes_are_bounded_by_work_memory_and_cores(
    each: float, pieces: int, least: int, most: int
) -> None:
    """Never none, never more than there is work, and one where a frame would fill the memory."""
    assert least <= how_many(pieces, each) <= min(most, os.cpu_count() or 1)


def test_every_process_is_taught_before_its_next_piece() -> None:
    """What was taught before and after a process was started is known to it, in the order of teaching."""
    answers: dict[int, object] = {}
    with Pool(Learner(), 2) as pool:
        pool.start()
        pool.teach("a")
        pool.run([1, 2, 3, 4], answers.__setitem__, lambda: None)
        pool.teach("b")
        pool.run([5, 6], answers.__setitem__, lambda: None)
    assert answers == {0: (5, "ab"), 1: (6, "ab"), 2: (3, "a"), 3: (4, "a")}


def test_where_no_process_can_be_started_it_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every piece is answered all the same."""

    def refuse(*_: object, **__: object) -> None:
        raise BlockingIOError(11, "Resource temporarily unavailable")

    monkeypatch.setattr(workers.multiprocessing.context.SpawnProcess, "start", refuse)
    answers: dict[int, object] = {}
    with Pool(dies_of_three, 2) as pool:
        pool.start()
        pool.run([1, 2], answers.__setitem__, lambda: None)
    assert answers == {0: Died(NO_PROCESS), 1: Died(NO_PROCESS)}


def test_the_script_that_calls_is_not_run_again(tmp_path: Path) -> None:
    """A script needs no guard about what it does: the processes never load it."""
    script = tmp_path / "script.py"
    script.write_text(
        "import mortal\n"
        "from facemerge.workers import Pool\n"
        "print('begun', flush=True)\n"
        "with Pool(mortal.dies_of_three, 1) as pool:\n"
        "    pool.run([2], lambda index, answer: print(answer, flush=True), lambda: None)\n"
    )
    paths = os.pathsep.join([str(Path(__file__).parent), *sys.path])
    ran = subprocess.run(
        [sys.executable, str(script)],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        env={**os.environ, "PYTHONPATH": paths},
    )
    assert (ran.returncode, ran.stdout.split(), ran.stderr) == (0, ["begun", "4"], "")
