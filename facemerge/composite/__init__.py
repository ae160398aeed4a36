"""Sets a person from one frame into another, as a layer."""

from facemerge.composite.blend import lay
from facemerge.composite.build import build_face, build_person
from facemerge.composite.forecast import Patch, forecast, patch_of
from facemerge.composite.inner_face import pose_misfit
from facemerge.composite.layering import Offer, Shot, by_face
from facemerge.composite.silhouettes import Glimpse, Silhouettes, glimpse, reconcile, segment
from facemerge.composite.whole_frame import lay_frame

__all__ = [
    "Glimpse",
    "Offer",
    "Patch",
    "Shot",
    "Silhouettes",
    "build_face",
    "build_person",
    "by_face",
    "forecast",
    "glimpse",
    "lay",
    "lay_frame",
    "patch_of",
    "pose_misfit",
    "reconcile",
    "segment",
]
