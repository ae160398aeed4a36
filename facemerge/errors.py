"""What can go wrong, in one sentence each, and the exit code the shell sees.

Exit code 2 is left to the command line's own usage errors; a bug keeps its traceback.
"""

from __future__ import annotations

import errno

CLOSED_PIPE = 141
"""What a shell shows of a program that writes into a pipe nobody reads: 128 and the number of the signal."""


class FacemergeError(Exception):
    """Base of every failure that a user can cause or mend; `str(error)` is one plain sentence."""

    exit_code = 1


class InputError(FacemergeError):
    """The frames given cannot be read, or are not frames of one group."""

    exit_code = 3


class OptionError(FacemergeError):
    """A setting is unknown, of the wrong type, or out of its range."""

    exit_code = 4


class NobodyFoundError(FacemergeError):
    """No face was found in any frame that could be read."""

    exit_code = 5


class OutputError(FacemergeError):
    """The result could not be written; nothing half-written is left behind."""

    exit_code = 6


class ModelError(FacemergeError):
    """A model file is missing, or is not the file this program was tried with."""

    exit_code = 7


class MachineError(FacemergeError):
    """The machine has too little of what the work needs: memory, threads, open files."""

    exit_code = 8


class UnprintedError(OutputError):
    """What was to be printed cannot be: nobody reads it, or there is no room behind standard output."""

    def __init__(self, error: OSError) -> None:
        closed = error.errno in (errno.EPIPE, errno.ESHUTDOWN)
        why = "nobody reads it any more" if closed else (error.strerror or "the system refused").lower()
        if error.errno == errno.EBADF:
            why = "standard output is closed"
        super().__init__(f"What was to be printed could not be: {why}; files that are made are whole.")
        if closed:
            self.exit_code = CLOSED_PIPE


_MEMORY = "there is not enough memory; close other programs, or give fewer or smaller frames"
_LACKS = {
    errno.ENOMEM: _MEMORY,
    errno.EMFILE: "this program may not open as many files as it needs",
    errno.ENFILE: "the system has no more files to open",
    errno.EAGAIN: "no more threads or processes may be started",
}
# As the loader of the system, OpenCV, the interpreter of the models and Python itself say it.
_SIGNS = {
    "can't start new thread": _LACKS[errno.EAGAIN],
    "too many open files": _LACKS[errno.EMFILE],
    "failed to map segment": _MEMORY,
    "cannot allocate memory": _MEMORY,
    "insufficient memory": _MEMORY,
    "outofmemory": _MEMORY,
    "bad_alloc": _MEMORY,
    "failed to allocate": _MEMORY,
    "unable to allocate": _MEMORY,
    "no space left on device": "there is no space left for temporary files",
}


def lack_of(error: BaseException | None) -> MachineError | None:
    """Return what the machine lacks, if that is why something failed, else None."""
    seen: set[int] = set()
    while error is not None and id(error) not in seen:
        seen.add(id(error))
        if isinstance(error, MachineError):
            return error
        if isinstance(error, MemoryError):
            return MachineError(f"The work could not go on: {_MEMORY}.")
        if isinstance(error, OSError) and error.errno in _LACKS:
            return MachineError(f"The work could not go on: {_LACKS[error.errno]}.")
        if isinstance(error, ImportError | OSError | RuntimeError) or type(error).__module__ == "cv2":
            said = str(error).lower()
            for sign, why in _SIGNS.items():
                if sign in said:
                    return MachineError(f"The work could not go on: {why}.")
        error = error.__cause__ or error.__context__
    return None
