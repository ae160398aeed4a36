"""The list of settings."""

from __future__ import annotations

from facemerge.cli.app import app


@app.command("options", short_help="List every setting.")
def options_() -> None:
    """List every setting with its default, its range and where the default comes from.

    Set one with --set, or several in a TOML file given with --settings:

    \b
        [scores]
        weight_eyes = 2

    Example: facemerge merge tuesday/group-12 -o finished/group-12 --set scores.weight_eyes=2
    """
    from facemerge.options import table

    for entry in table():
        unit = f" {entry.unit}" if entry.unit else ""
        print(f"{entry.name} = {entry.default}{unit}")
        print(f"    {entry.help}; {entry.range}")
        print(f"    default: {entry.source}")
