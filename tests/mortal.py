"""Work that kills the process it is given to; a module by itself, which a new process has loaded at once."""

from __future__ import annotations

import multiprocessing
import os
import signal

from facemerge.formats import photo
from facemerge.words import Frame, Pixels


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


class Learner:
    """Answers with all that it was taught."""

    def __init__(self) -> None:
        self.known = ""

    def learn(self, lesson: str) -> None:
        self.known += lesson

    def __call__(self, piece: int) -> tuple[int, str]:
        return piece, self.known


def reads_but_dies_elsewhere(frame: Frame) -> Pixels:
    """Read a frame; the first of a burst cannot be survived by a process that another one has started."""
    if frame.name.startswith("a") and multiprocessing.parent_process() is not None:
        os.kill(os.getpid(), signal.SIGKILL)
    return photo.read(frame)
