"""Words with everything in them, for tests that hold two against each other to the last bit."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np


def words(value: Any) -> Any:
    """Return a word with everything in it as plain, comparable values."""
    if isinstance(value, np.ndarray):
        return value.dtype.str, value.shape, value.tobytes()
    if dataclasses.is_dataclass(value):
        return type(value).__name__, {
            f.name: words(getattr(value, f.name)) for f in dataclasses.fields(value)
        }
    if isinstance(value, dict):
        return {key: words(v) for key, v in value.items()}
    return [words(v) for v in value] if isinstance(value, list | tuple) else value
