"""How the program is stopped and how it ends: Ctrl-C at any moment, output that fails, native threads.

Loaded before anything else, so it needs next to nothing itself.
"""

from __future__ import annotations

import contextlib
import errno
import io
import os
import signal
import sys

TYPE_CHECKING = False
if TYPE_CHECKING:
    from types import FrameType, TracebackType
    from typing import Any, NoReturn

    from facemerge.errors import UnprintedError

INTERRUPTED = 130
NOTHING_WRITTEN = "nothing was written"

_asked = False
_working = False
_finished = False
_held = 0
_outcome = NOTHING_WRITTEN


def begin() -> None:
    """Heed Ctrl-C from now on, and give the program three streams that it can write to."""
    signal.signal(signal.SIGINT, heed)
    sys.unraisablehook = _unraisable
    for stream in range(3):
        # A file opened later would get the number of a stream that is closed, and be written into.
        try:
            os.fstat(stream)
        except OSError:
            os.set_inheritable(os.open(os.devnull, os.O_RDWR), True)
    sys.stdout, sys.stderr = _over(sys.stdout, _Out), _over(sys.stderr, _Err)


def _over(stream: Any, kind: type[io.TextIOWrapper]) -> io.TextIOWrapper:
    # A terminal that cannot write a file's name shows it escaped; the work is done all the same.
    if isinstance(stream, io.TextIOWrapper):
        return kind(stream.buffer, stream.encoding, "backslashreplace", line_buffering=stream.line_buffering)
    return kind(io.BufferedWriter(_Closed()), "utf-8", "backslashreplace")


class _Closed(io.RawIOBase):
    """A stream that was closed before the program began."""

    def writable(self) -> bool:
        return True

    def write(self, data: Any) -> int:
        raise OSError(errno.EBADF, os.strerror(errno.EBADF))


class _Out(io.TextIOWrapper):
    """Standard output, whose failures are told from those of any other file."""

    def write(self, text: str) -> int:
        try:
            return super().write(text)
        except OSError as error:
            raise _unprinted(error) from error

    def flush(self) -> None:
        try:
            super().flush()
        except OSError as error:
            raise _unprinted(error) from error


class _Err(io.TextIOWrapper):
    """Standard error: where it cannot be written, nothing can be said of that."""

    def write(self, text: str) -> int:
        try:
            return super().write(text)
        except OSError:
            return len(text)

    def flush(self) -> None:
        with contextlib.suppress(OSError):
            super().flush()


def _unprinted(error: OSError) -> UnprintedError:
    from facemerge.errors import UnprintedError

    return UnprintedError(error)


def _unraisable(unraisable: Any) -> None:
    # An interrupt inside a destructor is swallowed there; the wish to stop is kept and asked for later.
    if unraisable.exc_type is not KeyboardInterrupt:
        sys.__unraisablehook__(unraisable)


# -- Ctrl-C -------------------------------------------------------------------------------------------------


def heed(number: int, frame: FrameType | None) -> None:
    """Take the signal of Ctrl-C, or of whoever started this process and wants it to end."""
    global _asked
    again, _asked = _asked, True
    if _finished:
        return
    if not _working:
        if again:
            return
        # Nothing is made yet that has to be taken away, and an import that is broken off says anything.
        say(f"stopped; {NOTHING_WRITTEN}.")
        os._exit(INTERRUPTED)
    # Whoever presses again while things are put in order would leave them half in order.
    if not _held and not (again and sys.exc_info()[0] is not None):
        raise KeyboardInterrupt


def working() -> None:
    """Say that from now on things are made that have to be put in order when the program is stopped."""
    global _working, _finished, _outcome
    _working, _finished, _outcome = True, False, NOTHING_WRITTEN


def finished() -> None:
    """Say that the work is done: what is left takes no time, and Ctrl-C changes nothing about it."""
    global _finished
    _finished = True


def asked() -> bool:
    """Return whether Ctrl-C was pressed: native code and imports may swallow its exception."""
    return _asked


def outcome() -> str:
    """Return what there is to be said of the result by somebody who is stopped."""
    return _outcome


def in_place(place: object) -> None:
    """Say that a result is whole and in its place, whatever comes now."""
    global _outcome
    _outcome = f"the new result was in {place} already"


class Held:
    """While it is entered Ctrl-C waits, in the main thread: for steps that only make sense together."""

    def __enter__(self) -> None:
        global _held
        self._mine = _is_main()
        self._before = _asked
        _held += self._mine

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, where: TracebackType | None
    ) -> None:
        global _held
        _held -= self._mine
        if self._mine and not _held and kind is None and _asked and not self._before:
            raise KeyboardInterrupt


def _is_main() -> bool:
    import threading

    return threading.current_thread() is threading.main_thread()


# -- the end ------------------------------------------------------------------------------------------------


def say(sentence: str) -> None:
    """Write one sentence to standard error, past all buffers."""
    with contextlib.suppress(OSError):
        os.write(2, f"facemerge: {sentence}\n".encode("utf-8", "backslashreplace"))


def leave(code: int) -> NoReturn:
    """End the process with an exit code, once all that was to be printed is.

    The interpreter is not taken down: threads of native libraries, and threads that wait in native code, may
    still be there, and the system aborts a program that takes itself down under them.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    from facemerge.errors import UnprintedError

    try:
        sys.stdout.flush()
    except UnprintedError as error:
        if code == 0:
            say(str(error))
            code = error.exit_code
    except ValueError:
        pass
    sys.stderr.flush()
    os._exit(code)
