"""How the program signs the files it writes."""

from __future__ import annotations

from importlib import metadata

NAME = "facemerge"


def version() -> str:
    """Return the installed version, or '0' when the package is used from its source without installing."""
    try:
        return metadata.version(NAME)
    except metadata.PackageNotFoundError:
        return "0"


def signature() -> str:
    """Return name and version, as the Software and CreatorTool fields want them."""
    return f"{NAME} {version()}"
