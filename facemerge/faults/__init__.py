"""What a viewer may find in a finished picture: where, of what kind, whose, and how likely."""

from facemerge.faults.likely import assess, of_face, of_neighbours, of_strange, told
from facemerge.faults.places import Owners, Place, find

__all__ = ["Owners", "Place", "assess", "find", "of_face", "of_neighbours", "of_strange", "told"]
