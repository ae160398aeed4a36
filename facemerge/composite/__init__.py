"""Sets a head from one frame into another: places it, matches its tone, cuts, fills and blends."""

from facemerge.composite.blend import lay
from facemerge.composite.build import build_head
from facemerge.composite.forecast import Patch, forecast, patch_of

__all__ = ["Patch", "build_head", "forecast", "lay", "patch_of"]
