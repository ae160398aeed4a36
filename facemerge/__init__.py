"""facemerge: everybody's best head of a burst, set into one group portrait.

The API is a few names, loaded on their first use:

    from facemerge import Options, merge, reasons

    result = merge([Path("burst")], Path("out"))
    for person, risk in result.risks.items():
        print(person, risk.flag, *reasons(risk))

`find_frames`, `analyse`, `choose` and `set_in` are the stages of `merge` for those who want them one by one.
"""

from __future__ import annotations

# Not from `typing`: whatever is loaded before `stopping` is loaded before Ctrl-C is heeded.
TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

    from facemerge.errors import FacemergeError
    from facemerge.formats.photo import find_frames, read
    from facemerge.models import Models
    from facemerge.options import Options, build
    from facemerge.pipeline import Result, analyse, choose, cull, merge, set_in
    from facemerge.text import reasons
    from facemerge.words import Decisions

_HOMES = {
    "Decisions": "facemerge.words",
    "FacemergeError": "facemerge.errors",
    "Models": "facemerge.models",
    "Options": "facemerge.options",
    "Result": "facemerge.pipeline",
    "analyse": "facemerge.pipeline",
    "build": "facemerge.options",
    "choose": "facemerge.pipeline",
    "cull": "facemerge.pipeline",
    "find_frames": "facemerge.formats.photo",
    "merge": "facemerge.pipeline",
    "read": "facemerge.formats.photo",
    "reasons": "facemerge.text",
    "set_in": "facemerge.pipeline",
}

__all__ = [
    "Decisions",
    "FacemergeError",
    "Models",
    "Options",
    "Result",
    "analyse",
    "build",
    "choose",
    "cull",
    "find_frames",
    "merge",
    "read",
    "reasons",
    "set_in",
]


def __getattr__(name: str) -> Any:
    # Loaded late: `facemerge --help` must not wait for the picture libraries.
    if name in _HOMES:
        from importlib import import_module

        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
