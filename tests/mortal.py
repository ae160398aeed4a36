"""Work that kills the process it is given to; a module by itself, which a new process has loaded at once."""

from __future__ import annotations

import os
import signal


def dies_of_three(piece: int) -> int:
    """Square a number, of which 3 cannot be survived."""
    if piece == 3:
        os.kill(os.getpid(), signal.SIGKILL)
    return piece * piece


def dies_once(mark: str) -> str:
    """Die at the first call with this path and return it at the second."""
    try:
        os.close(os.open(mark, os.O_CREAT | os.O_EXCL))
    except FileExistsError:
        return mark
    os.kill(os.getpid(), signal.SIGKILL)
    return ""
