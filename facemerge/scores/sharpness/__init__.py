"""How sharp a face is at the eyes: the width of its blur in pixels, and whether focus or movement made it.

A picture blurred by a Gaussian of width s and then by one of width t is blurred by sqrt(s^2 + t^2). So the
gradient energy of a face over a ladder of Gaussian widths is, for a blurred frame, the same person's sharp
ladder read further up: no assumption about edges, skin or make-up is needed (`ladder`). How sharp the
person's sharpest frames are themselves is told from single edges blurred once more (`edges`). Movement is
told from the power spectrum relative to the sharp frames' (`movement`). `judge` weighs the three.
"""

from facemerge.scores.sharpness.edges import EYE_CORNERS, edge_blur, eye_zone
from facemerge.scores.sharpness.judge import (
    OUTLINE,
    SHARP,
    Blur,
    SharpnessMeasure,
    blurs,
    measure_sharpness,
    sharp_up_to_px,
    sharpness_part,
)
from facemerge.scores.sharpness.ladder import (
    gradient_ladder,
    ladder_blur,
    noise_level,
    own_blur,
    step_blur,
)
from facemerge.scores.sharpness.movement import BAND, streak, typical_log_power

__all__ = [
    "BAND",
    "EYE_CORNERS",
    "OUTLINE",
    "SHARP",
    "Blur",
    "SharpnessMeasure",
    "blurs",
    "edge_blur",
    "eye_zone",
    "gradient_ladder",
    "ladder_blur",
    "measure_sharpness",
    "noise_level",
    "own_blur",
    "sharp_up_to_px",
    "sharpness_part",
    "step_blur",
    "streak",
    "typical_log_power",
]
