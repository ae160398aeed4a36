"""Sets a person from one frame into another, as a layer."""

from facemerge.composite.blend import lay
from facemerge.composite.build import build_head
from facemerge.composite.forecast import Patch, forecast, patch_of
from facemerge.composite.layering import Offer, Shot
from facemerge.composite.silhouettes import Glimpse, Silhouettes, glimpse, reconcile, segment

__all__ = [
    "Glimpse",
    "Offer",
    "Patch",
    "Shot",
    "Silhouettes",
    "build_head",
    "forecast",
    "glimpse",
    "lay",
    "patch_of",
    "reconcile",
    "segment",
]
