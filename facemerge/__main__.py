"""`python -m facemerge` is the same as `facemerge`."""

from __future__ import annotations

from facemerge import stopping


def main() -> None:
    """Run the command line, and leave with its exit code."""
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
