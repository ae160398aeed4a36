"""How long work says how far it is."""

from __future__ import annotations

from collections.abc import Callable

Progress = Callable[[str, int, int], None]
"""(what is being done, steps done, steps in all)."""


def no_progress(what: str, done: int, total: int) -> None:
    """Take no notice of progress."""
