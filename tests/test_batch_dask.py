"""The same card on Dask workers: the same bytes as on one machine, though a worker is killed on the way."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import dumps
import pytest
from once import Once
from typer.testing import CliRunner

from facemerge.batch import Batch, Where
from facemerge.batch.job import make, make_job
from facemerge.batch.plan import Planned, PlannedFrame
from facemerge.cli import app
from facemerge.errors import InputError, OptionError
from facemerge.options import Options

pytest.importorskip("distributed")


SHUT = ("--no-dashboard", "--dashboard-address", "127.0.0.1:0")
"""Without an address of its own the page of a scheduler without a page still listens to the whole network."""


@dataclass
class Cluster:
    """A scheduler and its workers, each a process of its own that listens on this machine alone."""

    address: str
    scheduler: subprocess.Popen[bytes]
    workers: list[subprocess.Popen[bytes]]


def wait_for(what: Callable[[], bool], limit_s: float = 90) -> None:
    """Wait until something holds; a guard against hanging, no measure of speed."""
    until = time.monotonic() + limit_s
    while not what():
        assert time.monotonic() < until
        time.sleep(0.02)


def begin(folder: Path, *words: str) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-m", "distributed.cli." + words[0], *words[1:], *SHUT],
        cwd=folder,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path), "HOME": str(folder)},
    )


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[Cluster]:
    known, here = tmp_path / "scheduler.json", "127.0.0.1"
    told = ("--scheduler-file", str(known), "--host", here)
    processes = [begin(tmp_path, "dask_scheduler", *told, "--port", "0")]
    try:
        wait_for(known.exists)
        address = json.loads(known.read_text())["address"]
        alone = ("--host", here, "--no-nanny", "--nthreads", "1", "--local-directory", str(tmp_path / "dask"))
        processes += [begin(tmp_path, "dask_worker", address, *alone) for _ in range(2)]
        yield Cluster(address, *processes[:1], processes[1:])
    finally:
        for process in reversed(processes):
            process.kill()
            process.wait()


@pytest.fixture(scope="module")
def card(once: Once) -> Path:
    return dumps.made_card(once)


@pytest.fixture(scope="module")
def done(once: Once) -> tuple[Batch, Path]:
    return dumps.made_batch(once)


def test_workers_make_what_one_machine_makes_though_one_is_killed(
    cluster: Cluster, card: Path, done: tuple[Batch, Path], tmp_path: Path
) -> None:
    """A worker dies over its first group; another one makes it, and every byte is that of the pool."""
    alone, pooled = done
    out, killed = dumps.begun(tmp_path / "out", pooled), []
    wait_for(lambda: len(listening(cluster)) == 2)

    def kill(what: str, done: int, total: int) -> None:
        owners = [int(p.name.split("facemerge-")[1].split("-")[0]) for p in out.glob(".*-new")]
        for worker in cluster.workers:
            if not killed and worker.pid in owners:
                worker.send_signal(signal.SIGKILL)
                killed.append(worker.pid)

    batch = dumps.run(card, out, where=Where(scheduler=cluster.address, processes=2), progress=kill)
    assert len(killed) == 1
    assert batch.index == alone.index
    assert results(out, card) == results(pooled, card)


def results(out: Path, card: Path) -> dict[str, bytes]:
    """Return every file of a batch but its own records."""
    return {n: d for n, d in dumps.everything(out, card).items() if not n.startswith(".records/")}


def listening(cluster: Cluster) -> list[str]:
    from distributed import Client

    with Client(cluster.address, set_as_default=False) as client:
        return list(client.scheduler_info(n_workers=-1)["workers"])


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:9", "nonsense://x"])
def test_a_scheduler_that_does_not_answer_is_one_sentence(
    address: str, card: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Said before the card is looked through; nothing is written."""
    monkeypatch.setattr("facemerge.batch.cluster.ANSWERS_S", 2)
    words = ["batch", str(card), "-o", str(tmp_path / "out"), "--scheduler", address, "--processes", "2"]
    ran = CliRunner().invoke(app, words)
    assert (ran.exit_code, ran.stderr) == (3, f"facemerge: No Dask scheduler answers at {address}.\n")
    assert not (tmp_path / "out").exists()


def test_without_the_extra_the_sentence_says_what_to_install(
    card: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Dask is asked for only where a scheduler is named."""
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(OptionError, match=r"pip install 'facemerge\[dask\]'"):
        dumps.run(card, tmp_path / "out", where=Where(scheduler="tcp://127.0.0.1:9", processes=2))


def test_a_worker_refuses_what_it_cannot_see_or_was_not_made_for(tmp_path: Path) -> None:
    """A frame that is not under this path on its machine, and another version of the program."""
    frame = PlannedFrame(path=tmp_path / "a.jpg", name="a.jpg", digest="0", time_s=None)
    job = make_job(Planned(name="001", frames=(frame, frame), why=""), tmp_path, Options(), dumps.FORM, None)
    assert "all workers must see it by this name" in make(job).error
    other = make(replace(job, program="facemerge 99"))
    assert not other.made
    assert "not facemerge 99" in other.error


def test_no_part_of_the_program_loads_dask_unasked() -> None:
    """Neither the command line nor a batch on one machine imports it."""
    code = (
        "import sys\nimport facemerge.cli, facemerge.batch\n"
        "sys.exit(sum(m in sys.modules for m in ('dask', 'distributed', 'tornado')))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], check=False, env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    )
    assert done.returncode == 0


def test_a_scheduler_lost_on_the_way_ends_the_batch_and_nothing_that_is_finished(
    cluster: Cluster, card: Path, done: tuple[Batch, Path], tmp_path: Path
) -> None:
    """A sentence; and the next run, on this machine, goes on."""
    out = dumps.begun(tmp_path / "out", done[1])
    wait_for(lambda: len(listening(cluster)) == 2)
    cluster.workers.pop().kill()
    wait_for(lambda: len(listening(cluster)) == 1)

    def kill(what: str, done: int, total: int) -> None:
        if (out / dumps.NAMES[0]).exists():
            cluster.scheduler.kill()

    with pytest.raises(InputError, match="was lost"):
        dumps.run(card, out, where=Where(scheduler=cluster.address, processes=2), progress=kill)
    cluster.workers[0].kill()
    cluster.workers[0].wait()
    batch = dumps.run_here(card, out)
    assert batch.kept >= 1
    assert [g["state"] for g in batch.index["groups"]] == ["made", "idle", "made"]


def test_a_scheduler_without_workers_is_one_sentence(cluster: Cluster, card: Path, tmp_path: Path) -> None:
    """No worker is there: said at once."""
    for worker in cluster.workers:
        worker.kill()
        worker.wait()
    wait_for(lambda: not listening(cluster))
    with pytest.raises(InputError, match="has no workers"):
        dumps.run(card, tmp_path / "out", where=Where(scheduler=cluster.address, processes=2))
