"""The program itself: what can go wrong becomes a sentence, Ctrl-C an exit code."""

from __future__ import annotations

import logging
import os
import sys
import traceback
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from facemerge import machine, stopping
from facemerge.cli.told import end_line
from facemerge.errors import FacemergeError, InputError, MachineError, UnprintedError, lack_of

INTERRUPTED = stopping.INTERRUPTED
COMMANDS = ("plan", "coverage", "focus", "merge", "cull", "batch", "review", "crop", "options")
"""In the order of a job: before, during and after the shoot, delivery."""
LOADS = frozenset(COMMANDS) - {"plan", "options"}
"""Commands that load the picture libraries and the networks."""


class _Sentences(TyperGroup):
    """Turns what can go wrong into one sentence on stderr and its exit code; a bug keeps its traceback."""

    def list_commands(self, ctx: Any) -> list[str]:
        return [name for name in COMMANDS if name in self.commands]

    def invoke(self, ctx: Any) -> Any:
        try:
            try:
                return super().invoke(ctx)
            finally:
                stopping.finished()
        except FacemergeError as error:
            _end(ctx, error)
        except KeyboardInterrupt:
            _stopped(ctx)
        except Exception as error:
            if stopping.asked() and isinstance(error, ImportError | SystemError):
                # What a native library makes of a Ctrl-C that hits while it is being loaded.
                _stopped(ctx)
            lack = lack_of(error)
            if lack is None and isinstance(error, OSError):
                why = (error.strerror or "it did not say why").lower()
                where = "" if error.filename is None else f" ({error.filename})"
                lack = MachineError(f"The system refused what the work needs: {why}{where}.")
            if lack is None:
                raise
            _end(ctx, lack)


def _stopped(ctx: Any) -> None:
    end_line()
    print(f"facemerge: stopped; {stopping.outcome()}.", file=sys.stderr)
    ctx.exit(INTERRUPTED)


def _end(ctx: Any, error: FacemergeError) -> None:
    end_line()
    # The sentence and the lines after it, if any, are one line: whoever reads it in a log sees it whole.
    print(f"facemerge: {' '.join(str(error).split())}", file=sys.stderr)
    ctx.exit(error.exit_code)


app = typer.Typer(
    cls=_Sentences,
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)


@app.callback(invoke_without_command=True)
def _root(
    ctx: typer.Context,
    version: Annotated[bool, typer.Option("--version", help="Print the version.")] = False,
) -> None:
    """Set everybody's best head of a burst into one group portrait, in layers.

    Example: facemerge merge tuesday/group-12 -o finished/group-12
    """
    try:
        os.getcwd()
    except OSError as error:
        raise InputError("The folder in which you are is not there any more; go to another one.") from error
    if ctx.invoked_subcommand in LOADS:
        machine.require_room()
    if version:
        from facemerge.formats.program import signature

        print(signature())
        ctx.exit()
    elif ctx.invoked_subcommand is None:
        print(ctx.get_help())
        ctx.exit(2)


def main() -> int:
    """Run the command line and return its exit code."""
    # The TIFF reader logs what it finds odd in a broken file; the user hears of it in our own words.
    logging.getLogger("tifffile").setLevel(logging.CRITICAL)
    try:
        app()
    except SystemExit as ended:
        error: BaseException | None = ended
        while error is not None:
            # What the run still holds is let go of: what it has opened is closed, what it has begun ended.
            traceback.clear_frames(error.__traceback__)
            error = error.__context__
        return ended.code if isinstance(ended.code, int) else 0
    except UnprintedError as unprinted:
        # Help is printed before there is a command.
        print(f"facemerge: {unprinted}", file=sys.stderr)
        return unprinted.exit_code
    return 0
