"""The best crop of a group portrait for a sheet of paper: what is kept and lost, and who is near the edge.

Pure: sizes, outlines of people and pixels in, crops and words out.
"""

from facemerge.crop.fit import (
    COMPOSITIONS,
    LEAST_PPI,
    Box,
    Crop,
    Sheet,
    Sitter,
    Taste,
    best_crop,
    bordered,
    canvas_of,
    choose,
)
from facemerge.crop.outline import Seen, sitters
from facemerge.crop.paper import INCH_MM, USUAL, Paper, paper
from facemerge.crop.pixels import enlarged_or_reduced, on_white, sharpened, sharpening_px
from facemerge.crop.verdict import Cut, Verdict, judge, length

__all__ = [
    "COMPOSITIONS",
    "INCH_MM",
    "LEAST_PPI",
    "USUAL",
    "Box",
    "Crop",
    "Cut",
    "Paper",
    "Seen",
    "Sheet",
    "Sitter",
    "Taste",
    "Verdict",
    "best_crop",
    "bordered",
    "canvas_of",
    "choose",
    "enlarged_or_reduced",
    "judge",
    "length",
    "on_white",
    "paper",
    "sharpened",
    "sharpening_px",
    "sitters",
]
