"""Watches heads being built, whichever way."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from facemerge import composite
from facemerge.words import Array, Head

Told = Callable[[str, Array, Array], object]
"""(person, base's pixels, donor's pixels) of a head that is built."""


def watch(monkeypatch: pytest.MonkeyPatch, told: Told) -> None:
    """Tell of every head that is built; one of whom the inner face does not do counts once, as a person."""
    face, person = composite.build_face, composite.build_person

    def build_face(**words: Any) -> Head | None:
        made = face(**words)
        if made is not None:
            told(words["person"], words["base"], words["donor"])
        return made

    def build_person(**words: Any) -> Head:
        told(words["person"], words["base"].pixels, words["donor"].pixels)
        return person(**words)

    monkeypatch.setattr(composite, "build_face", build_face)
    monkeypatch.setattr(composite, "build_person", build_person)
