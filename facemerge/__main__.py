"""`python -m facemerge` is the same as `facemerge`."""

from __future__ import annotations

# Of what the interpreter holds anyway: until the next statement Ctrl-C shows where it has hit.
import _signal  # type: ignore[import-not-found]
import os

INTERRUPTED = 130


def _at_once(number: int, frame: object) -> None:
    # Said once, however often it is pressed.
    _signal.signal(_signal.SIGINT, _signal.SIG_IGN)
    os.write(2, b"facemerge: stopped; nothing was written.\n")
    os._exit(INTERRUPTED)


_signal.signal(_signal.SIGINT, _at_once)


def main() -> None:
    """Run the command line, and leave with its exit code."""
    from facemerge import stopping

    stopping.begin()
    code = 1
    try:
        from facemerge.cli.app import main as run

        code = run()
    except BaseException as error:
        from facemerge.errors import lack_of

        if (lack := lack_of(error)) is not None:
            stopping.say(str(lack))
            code = lack.exit_code
        else:
            import traceback

            traceback.print_exception(error)
    stopping.leave(code)


if __name__ == "__main__":
    main()
