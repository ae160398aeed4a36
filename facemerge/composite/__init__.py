"""Sets a person from one frame into another, as a layer."""

from facemerge.composite.blend import lay
from facemerge.composite.build import build_face, build_person
from facemerge.composite.forecast import Patch, forecast, forecast_face, patch_of
from facemerge.composite.layering import Offer, Shot
from facemerge.composite.place import lay_frame
from facemerge.composite.silhouettes import Glimpse, Silhouettes, glimpse, reconcile, segment

__all__ = [
    "Glimpse",
    "Offer",
    "Patch",
    "Shot",
    "Silhouettes",
    "build_face",
    "build_person",
    "forecast",
    "forecast_face",
    "glimpse",
    "lay",
    "lay_frame",
    "patch_of",
    "reconcile",
    "segment",
]
