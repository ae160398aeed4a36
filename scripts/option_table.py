"""Print the option table of the README, or write it there: python scripts/option_table.py [--write]."""

from __future__ import annotations

import re
import sys
from pathlib import Path

from facemerge.options import table

README = Path(__file__).resolve().parents[1] / "README.md"


def lines() -> list[str]:
    """Return the table's lines in Markdown."""
    rows = ["| name | default | range | what it does |", "| --- | --- | --- | --- |"]
    for entry in table():
        unit = f" {entry.unit}" if entry.unit else ""
        rows.append(f"| `{entry.name}` | {entry.default}{unit} | {entry.range} | {entry.help} |")
    return rows


def main() -> None:
    """Print the table, or put it between the README's marks."""
    text = "\n".join(lines())
    if "--write" not in sys.argv[1:]:
        print(text)
        return
    before = README.read_text(encoding="utf-8")
    after = re.sub(
        r"(<!-- options -->\n).*?(<!-- /options -->)", lambda m: f"{m[1]}{text}\n{m[2]}", before, flags=re.S
    )
    README.write_text(after, encoding="utf-8")


if __name__ == "__main__":
    main()
