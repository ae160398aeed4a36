"""Tells a missed focus from too little depth of field and from movement, and what to change.

The blur disc of a point at distance x, with the focus at s, is proportional to |1/s - 1/x| and to one over
the f-number (for s much larger than the focal length). Rows are taken to stand evenly in 1/x, so that blur by
row is a straight line to either side of the plane of focus: which side is soft says which way the focus lies
off, and the slope says how much must be stopped down. Streaks of one length and one direction over the whole
group are the camera's; a streak of one person is theirs. They shorten with the exposure time. Words in, words
out.

Kingslake, Optics in Photography, SPIE 1992, chapter on depth of field: from memory.
"""

from facemerge.focus.advice import diagnose
from facemerge.focus.optics import Plane, f_name, plane_of_focus, shutter_name, stops, thirds_of_f_number
from facemerge.focus.words import Diagnosis, Fault, Look, Sharpness, Shot, Stand

__all__ = [
    "Diagnosis",
    "Fault",
    "Look",
    "Plane",
    "Sharpness",
    "Shot",
    "Stand",
    "diagnose",
    "f_name",
    "plane_of_focus",
    "shutter_name",
    "stops",
    "thirds_of_f_number",
]
