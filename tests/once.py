"""Dear things of which a whole run needs one: made by the process that asks first, found by all others.

    place = once("card", lambda folder: dumps.write(folder, dumps.SHOTS))
    seen = once.word("seen", lambda: pipeline.analyse(frames, read, models, Options()))

Whatever is made once is read by many: a test that would change it works on a copy.
"""

from __future__ import annotations

import pickle
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

try:
    import fcntl
except ImportError:  # a system without this lock: see `shared`
    fcntl = None  # type: ignore[assignment]


def shared() -> bool:
    """Whether several processes may ask for the same thing here; else each makes its own."""
    return fcntl is not None


@dataclass(frozen=True)
class Once:
    """A folder that all processes of a run share."""

    place: Path

    def __call__(self, name: str, make: Callable[[Path], object]) -> Path:
        """Return the folder of a name, filled by `make` if nobody has filled it yet.

        It is made where it stays: reports say where things lie.
        """
        folder, finished = self.place / name, self.place / f"{name}.finished"
        with self._alone(name):
            if not finished.exists():
                shutil.rmtree(folder, ignore_errors=True)
                folder.mkdir()
                make(folder)
                finished.touch()
        return folder

    def word(self, name: str, make: Callable[[], Any]) -> Any:
        """Return what `make` gives, each time a copy of its own."""
        folder = self(name, lambda place: (place / "word").write_bytes(pickle.dumps(make())))
        return pickle.loads((folder / "word").read_bytes())

    @contextmanager
    def _alone(self, name: str) -> Iterator[None]:
        self.place.mkdir(exist_ok=True)
        with (self.place / f"{name}.lock").open("w") as lock:
            # Let go of by the system too, should the process die.
            if fcntl is not None:
                fcntl.flock(lock, fcntl.LOCK_EX)
            yield
