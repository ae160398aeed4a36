"""What is known of a burst's frames from earlier runs, so that a frame is read only for what is new."""

from __future__ import annotations

import hashlib
import os
import threading
from collections.abc import Callable, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from facemerge.faces import Expected
from facemerge.formats import cache
from facemerge.models import SHA256
from facemerge.options import Options, as_dict
from facemerge.pipeline.glance import Glance, Overlooked
from facemerge.words import Aligned, Float, Frame, Unaligned

LATER = ("tracks", "scores", "choice", "composite", "risk", "grouping", "coverage")
"""Slices of the options that come into play when all frames have been looked at; any other slice is taken to
matter from the start."""

Made = TypeVar("Made")


class Known:
    """Answers from what is kept, or has the answer made and keeps it; for several threads at once.

    A frame is known by its content (SHA-256), whatever its name, its place or its date: a date may be kept by
    a program that changes the picture. An answer stands as long as content, models, program and the settings
    that matter are the same, and so is equal to the one that would be made anew.
    """

    def __init__(self, shelf: cache.Shelf | None, options: Options, *, colours: str = "") -> None:
        """Take the place where answers are kept (None: nowhere), the settings, and how frames are read."""
        self._shelf = shelf
        self._made_from = options, colours
        said: dict[str, Any] = as_dict(options)
        early = {name: part for name, part in said.items() if name not in LATER}
        self._looking = {"models": SHA256, "colours": colours} | {
            n: p for n, p in early.items() if n != "align"
        }
        self._placing = self._looking | {"align": early["align"]}
        self._lock = threading.Lock()
        self._contents: dict[str, tuple[str, _Stamp] | None] = {}

    def __reduce__(self) -> tuple[Any, ...]:
        # Another process opens the same folder for itself; what is read of frames here need not be there.
        return _again, (self._shelf, *self._made_from, dict(self._contents))

    def glance(self, frame: Frame, expected: Expected, make: Callable[[], Glance]) -> Glance:
        """Return what a frame gives by itself; without its view unless it was made now."""
        return self._answer(
            Glance, make, self._glance_facts(expected), [frame], lambda made: replace(made, view=None)
        )

    def has_glance(self, frame: Frame, expected: Expected) -> bool:
        """Return whether an answer of `glance` is kept, though it may turn out to be damaged."""
        if self._shelf is None or not self._shelf.exists():
            return False
        content = self._content(frame)
        facts = self._glance_facts(expected) | {"frames": [content]}
        return content is not None and self._shelf.has(cache.key(facts))

    def _glance_facts(self, expected: Expected) -> dict[str, Any]:
        return {"what": "glance", "expected": asdict(expected), **self._looking}

    def overlooked(
        self, frame: Frame, expected: Sequence[Float], make: Callable[[], Overlooked]
    ) -> Overlooked:
        """Return who is found at a second look where they are expected."""
        places = [hashlib.sha256(np.ascontiguousarray(e).tobytes()).hexdigest() for e in expected]
        facts = {"what": "second look", "expected": places, **self._looking}
        return self._answer(Overlooked, make, facts, [frame])

    def placed(
        self, frame: Frame, reference: Frame, make: Callable[[], Aligned | Unaligned]
    ) -> Aligned | Unaligned:
        """Return where a frame lies on another, or on itself if that is the reference."""
        what = "itself" if frame.path == reference.path else "placed"
        return self._answer(Aligned | Unaligned, make, {"what": what, **self._placing}, [frame, reference])

    def touched(self) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """Return which entries were used, and which were written, since this was last asked for."""
        return ((), ()) if self._shelf is None else self._shelf.touched()

    def note(self, touched: tuple[tuple[str, ...], tuple[str, ...]]) -> None:
        """Count what another process has used and written as this one's."""
        if self._shelf is not None:
            self._shelf.note(touched)

    def tidy(self) -> None:
        """Forget what this run did not need: frames that are no longer there, settings of before."""
        if self._shelf is not None:
            self._shelf.tidy()

    def discard(self) -> None:
        """Forget what this run has learnt."""
        if self._shelf is not None:
            self._shelf.discard()

    def _answer(
        self,
        kind: Any,
        make: Callable[[], Made],
        facts: dict[str, Any],
        frames: Sequence[Frame],
        kept: Callable[[Made], Made] = lambda made: made,
    ) -> Made:
        contents = [self._content(f) for f in frames]
        if self._shelf is None or None in contents:
            return make()
        name = cache.key(facts | {"frames": contents})
        found: Made | None = self._shelf.find(name, kind)
        if found is not None:
            return found
        made = make()
        # What was made of a frame that changed meanwhile is not what its content gives.
        if all(self._unchanged(f) for f in frames):
            self._shelf.keep(name, kept(made))
        return made

    def _content(self, frame: Frame) -> str | None:
        """Return what a frame is known by, or None if it cannot be told."""
        if self._shelf is None:
            return None
        with self._lock:
            if frame.path in self._contents:
                known = self._contents[frame.path]
                return None if known is None else known[0]
        try:
            known = _content(Path(frame.path))
        except OSError:
            known = None
        with self._lock:
            self._contents[frame.path] = known
        return None if known is None else known[0]

    def _unchanged(self, frame: Frame) -> bool:
        known = self._contents[frame.path]
        try:
            if known is not None and known[1] == _stamp(os.stat(frame.path)):
                return True
        except OSError:
            pass
        with self._lock:
            self._contents[frame.path] = None
        return False


_Stamp = tuple[int, int, int, int]


def _again(
    shelf: cache.Shelf | None, options: Options, colours: str, contents: dict[str, tuple[str, _Stamp] | None]
) -> Known:
    known = Known(shelf, options, colours=colours)
    known._contents = contents
    return known


def _content(path: Path) -> tuple[str, _Stamp]:
    with path.open("rb") as file:
        stamp = _stamp(os.fstat(file.fileno()))
        digest = hashlib.file_digest(file, "sha256").hexdigest()
    # The ending says how the bytes are read.
    return digest + path.suffix.lower(), stamp


def _stamp(status: os.stat_result) -> _Stamp:
    return status.st_dev, status.st_ino, status.st_size, status.st_mtime_ns
