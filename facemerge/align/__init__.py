"""Places every frame on a reference frame, by what stands still."""

from facemerge.align.place import align_frame, align_reference
from facemerge.align.view import View, view_of

__all__ = ["View", "align_frame", "align_reference", "view_of"]
