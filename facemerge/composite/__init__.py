"""Sets a head from one frame into another: places it, matches its tone, cuts, fills and blends."""

from facemerge.composite.blend import lay
from facemerge.composite.build import build_head

__all__ = ["build_head", "lay"]
