"""The program itself: what can go wrong becomes a sentence, Ctrl-C an exit code."""

from __future__ import annotations

import io
import logging
import signal
import sys
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from facemerge.cli.told import end_line, interrupt
from facemerge.errors import FacemergeError

INTERRUPTED = 130
COMMANDS = ("plan", "coverage", "focus", "merge", "cull", "batch", "review", "crop", "options")
"""In the order of a job: before, during and after the shoot, delivery."""


class _Sentences(TyperGroup):
    """Turns what can go wrong into one sentence on stderr and its exit code; a bug keeps its traceback."""

    def list_commands(self, ctx: Any) -> list[str]:
        return [name for name in COMMANDS if name in self.commands]

    def invoke(self, ctx: Any) -> Any:
        try:
            return super().invoke(ctx)
        except FacemergeError as error:
            end_line()
            print(f"facemerge: {error}", file=sys.stderr)
            ctx.exit(error.exit_code)
        except KeyboardInterrupt:
            end_line()
            print("facemerge: stopped; nothing was written.", file=sys.stderr)
            ctx.exit(INTERRUPTED)


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
    if version:
        from facemerge.formats.program import signature

        print(signature())
        ctx.exit()
    elif ctx.invoked_subcommand is None:
        print(ctx.get_help())
        ctx.exit(2)


def main() -> None:
    """Run the command line."""
    signal.signal(signal.SIGINT, interrupt)
    # The TIFF reader logs what it finds odd in a broken file; the user hears of it in our own words.
    logging.getLogger("tifffile").setLevel(logging.CRITICAL)
    for stream in (sys.stdout, sys.stderr):
        # A terminal that cannot write a file's name shows it escaped; the work is done all the same.
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
    app()
