"""How open the eyes are, against the same person's own open eyes.

Two witnesses must agree before an eye counts as closing: the aperture between the lids as the landmarks give
it, against the person's usual, and the picture of the eye, against the consensus of their open eyes at the
same blur. Neither alone separates people (deep-set eyes hardly change their landmarks; a glance aside, a
turn of the head or another light changes the picture), and a fixed threshold does so still less: an open eye
of one person is narrower than the half-shut eye of another. Whatever the picture says, an aperture at the
person's usual is no closing eye; and one that is wide for anybody is open, however wide the person's usual.

A lid that is lowered for a look down is told from one that shuts: the iris still shows, the lower lid does
not come up to meet the upper, and the landmarks' network answers 'down' more than 'blink'. A laugh pushes the
lower lid up; what it takes from below does not count as closing, and an iris that is seen in a laugh is of an
open eye, however narrow. (An iris alone proves nothing: thick lashes of shut eyes are as dark a spot.)

Eyes behind dark glasses, glare, hair, a hand, or more blur than an iris is wide are unknown, and give no
standard.
"""

from facemerge.scores.eyes.judge import (
    Closure,
    EyeBlur,
    closures,
    difference,
    eyes_part,
    streak_kernel,
)
from facemerge.scores.eyes.measure import (
    EYE_POINTS,
    EyesMeasure,
    aspect_ratio,
    dark_glasses,
    eye_patch,
    measure_eyes,
)

__all__ = [
    "EYE_POINTS",
    "Closure",
    "EyeBlur",
    "EyesMeasure",
    "aspect_ratio",
    "closures",
    "dark_glasses",
    "difference",
    "eye_patch",
    "eyes_part",
    "measure_eyes",
    "streak_kernel",
]
