"""`facemerge review`: what cannot be reviewed is said in one sentence, before anything is served."""

from __future__ import annotations

import socket
from pathlib import Path

import pytest
from typer.testing import CliRunner

from facemerge.cli import app


@pytest.mark.parametrize(
    ("words", "exit_code", "sentence"),
    [
        (["nowhere"], 3, "There is no folder nowhere"),
        (["empty"], 3, "The report empty/report.json cannot be opened"),
        (["other"], 3, "is JSON, but not a report"),
        (["empty", "--port", "70000"], 2, "less than or equal to 65535"),
        (["empty", "--port", "any"], 2, "a valid integer"),
        ([], 2, "OUT"),
    ],
)
def test_what_cannot_be_reviewed_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: list[str], exit_code: int, sentence: str
) -> None:
    """One sentence and an exit code; nothing is served."""
    monkeypatch.chdir(tmp_path)
    for name in ("empty", "other"):
        (tmp_path / name).mkdir()
    (tmp_path / "other" / "report.json").write_text("{}")
    found = CliRunner().invoke(app, ["review", "--no-browser", *words])
    assert found.exit_code == exit_code
    assert sentence in found.output
    assert "Traceback" not in found.output


def test_a_port_that_is_taken_is_said(tmp_path: Path) -> None:
    """The sentence names the port; the exit code is that of a setting that cannot be obeyed."""
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        found = CliRunner().invoke(app, ["review", str(tmp_path), "--no-browser", "--port", str(port)])
    assert found.exit_code == 4
    assert f"Port {port} cannot be used" in found.output
