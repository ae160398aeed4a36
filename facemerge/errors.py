"""What can go wrong, in one sentence each, and the exit code the shell sees.

Exit code 2 is left to the command line's own usage errors; a bug keeps its traceback.
"""

from __future__ import annotations


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
