"""What every test may lean on."""

from __future__ import annotations

import gc
import os
import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import settings
from once import Once, shared

from facemerge.models import Models

ROOT = Path(__file__).resolve().parents[1]
SAMPLE = ROOT / "sample_burst"

# No test is timed: a busy machine is no fault.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")


def pytest_collection_finish() -> None:
    """Spare every later collection of garbage what thousands of collected tests have made for good."""
    gc.collect()
    gc.freeze()


@pytest.fixture(autouse=True)
def _no_network(monkeypatch: pytest.MonkeyPatch) -> None:
    """Forbid every connection but to this machine: pictures of children stay where they are."""
    connect = socket.socket.connect

    def guarded(self: socket.socket, address: Any) -> None:
        if self.family in (socket.AF_INET, socket.AF_INET6) and address[0] not in (
            "127.0.0.1",
            "::1",
            "localhost",
        ):
            raise AssertionError(f"a test reached for the network: {address}")
        connect(self, address)

    monkeypatch.setattr(socket.socket, "connect", guarded)


@pytest.fixture(scope="session", autouse=True)
def _one_thread() -> Iterator[None]:
    """Tests run on two cores already."""
    cv2.setNumThreads(1)
    yield
    cv2.setNumThreads(0)


@pytest.fixture(scope="session")
def once(tmp_path_factory: pytest.TempPathFactory) -> Once:
    """Makes dear things once for all modules and all processes of a run."""
    place = tmp_path_factory.getbasetemp()
    several = shared() and "PYTEST_XDIST_WORKER" in os.environ
    return Once((place.parent if several else place) / "once")


@pytest.fixture(scope="session")
def models() -> Models:
    """The networks, loaded once."""
    return Models()


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(20260101)
