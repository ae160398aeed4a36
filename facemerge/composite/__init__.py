"""Sets a head from one frame into another: places it, matches its tone, cuts, fills and blends."""

from facemerge.composite.blend import lay
from facemerge.composite.build import build_head, build_layer
from facemerge.composite.forecast import Patch, forecast, patch_of
from facemerge.composite.layering import Layering, Offer, Shot
from facemerge.composite.silhouettes import Glimpse, Silhouettes, glimpse, silhouettes

__all__ = [
    "Glimpse",
    "Layering",
    "Offer",
    "Patch",
    "Shot",
    "Silhouettes",
    "build_head",
    "build_layer",
    "forecast",
    "glimpse",
    "lay",
    "patch_of",
    "silhouettes",
]
