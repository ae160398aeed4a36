"""The command line as a shell would see it, in this process."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from typer.testing import CliRunner

from facemerge.cli import app


@dataclass(frozen=True)
class Ran:
    """What a shell would see."""

    code: int
    stdout: str
    stderr: str


def run(*words: object) -> Ran:
    """Run the command line."""
    result = CliRunner().invoke(app, [str(w) for w in words], catch_exceptions=False)
    return Ran(result.exit_code, result.stdout, result.stderr)


def everything(folder: Path) -> dict[str, bytes]:
    """Return every file below a folder with its bytes."""
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}
