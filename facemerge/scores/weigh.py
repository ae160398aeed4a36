"""Measures a face while its frame is in memory, and weighs the measures of one person over the burst."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from facemerge import imaging
from facemerge.models import BLENDSHAPES
from facemerge.options import ScoresOptions
from facemerge.scores.expression import (
    ExpressionMeasure,
    Strain,
    expression_part,
    measure_expression,
    strains,
)
from facemerge.scores.eyes import Closure, EyeBlur, EyesMeasure, closures, eyes_part, measure_eyes
from facemerge.scores.gaze import Gaze, GazeMeasure, gaze_part, gazes, iris_strength, measure_gaze
from facemerge.scores.light import LightMeasure, light_part, measure_light
from facemerge.scores.pose import PoseMeasure, Turn, measure_pose, pose_part, turns
from facemerge.scores.sharpness import Blur, SharpnessMeasure, blurs, measure_sharpness, sharpness_part
from facemerge.scores.visible import Visibility, VisibleMeasure, measure_visible, visibility, visible_part
from facemerge.words import Face, Part, Pixels, Score

UNKNOWN = 0.6
"""What a part that cannot be told counts as: less than good, so that a face that shows itself wins."""
NEEDED = ("eyes", "sharpness", "expression")
CROP_MARGIN = 0.12


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Measures:
    """What one face is judged from, once its pixels are gone; picklable, about 23 kB."""

    eyes: EyesMeasure
    sharpness: SharpnessMeasure
    expression: ExpressionMeasure
    pose: PoseMeasure
    gaze: GazeMeasure
    visible: VisibleMeasure
    light: LightMeasure


def measure(image: Pixels, face: Face) -> Measures:
    """Measure one face of a picture: facts only, which `score` weighs by the options.

    Parameters
    ----------
    image
        (H, W, 3) RGB uint8 or uint16: the frame in which the face was found.
    face
        The face, in the picture's own pixels.
    """
    x0, y0, x1, y1 = face.box
    margin = CROP_MARGIN * (x1 - x0)
    height, width = image.shape[:2]
    left, top = (int(np.clip(v - margin, 0, n - 2)) for v, n in ((x0, width), (y0, height)))
    right, bottom = (
        int(np.clip(v + margin + 1, o + 2, n)) for v, o, n in ((x1, left, width), (y1, top, height))
    )
    crop = np.ascontiguousarray(image[top:bottom, left:right])
    grey = imaging.grey(crop)
    points = face.landmarks - [left, top, 0.0]
    shapes = {name: float(v) for name, v in zip(BLENDSHAPES, face.blendshapes, strict=True)}
    eyes = [points[list(corners), :2].mean(0) for corners in ((33, 133), (263, 362))]
    inside = [bool(0 <= x < grey.shape[1] and 0 <= y < grey.shape[0]) for x, y in eyes]
    return Measures(
        eyes=measure_eyes(
            grey,
            points,
            (shapes["eyeBlinkRight"], shapes["eyeBlinkLeft"]),
            (inside[0], inside[1]),
            down=(shapes["eyeLookDownRight"], shapes["eyeLookDownLeft"]),
            smile=(shapes["mouthSmileRight"] + shapes["mouthSmileLeft"]) / 2,
        ),
        sharpness=measure_sharpness(grey, points[:, :2], max(float(np.linalg.norm(eyes[0] - eyes[1])), 4.0)),
        expression=measure_expression(points, shapes, crop),
        pose=measure_pose(points),
        gaze=measure_gaze(imaging.to_unit(np.ascontiguousarray(crop[..., 0])), points),
        visible=measure_visible(crop, points),
        light=measure_light(crop, points),
    )


def score(measures: Sequence[Measures | None], options: ScoresOptions) -> tuple[Score | None, ...]:
    """Return how good each of one person's faces is, against that person's own frames.

    Parameters
    ----------
    measures
        One a frame, None where the person is missing.
    options
        The weights, and the mood asked for.

    Returns
    -------
    tuple of Score or None
        One a frame, None where the person is missing. `total` is about 1 for a good face and below 0.4 for
        one that a single serious defect spoils.
    """
    blur = blurs([None if m is None else m.sharpness for m in measures])
    shares = [
        0.0 if b is None or m is None else _spread(b) / m.sharpness.eyes_px
        for b, m in zip(blur, measures, strict=True)
    ]
    seen = visibility([None if m is None else m.visible for m in measures])
    looks = [None if m is None else m.gaze for m in measures]
    closed = closures(
        [None if m is None else m.eyes for m in measures],
        [_eye_blur(b) for b in blur],
        hidden=[(False, False) if v is None else v.eyes_hidden for v in seen],
        irises=[(0.0, 0.0) if g is None else iris_strength(g) for g in looks],
    )
    gaze = gazes(
        looks,
        [(None, None) if c is None else (c.right, c.left) for c in closed],
        [0.0 if c is None else c.down for c in closed],
        [_eye_blur(b).spread_px for b in blur],
    )
    strain = strains([None if m is None else m.expression for m in measures], shares)
    turn = turns([None if m is None else m.pose for m in measures], shares)
    return tuple(
        None if m is None or b is None else _weigh(m, b, c, s, t, g, v, share, options)
        for m, b, c, s, t, g, v, share in zip(
            measures, blur, closed, strain, turn, gaze, seen, shares, strict=True
        )
    )


def _spread(blur: Blur) -> float:
    return _eye_blur(blur).spread_px


def _eye_blur(blur: Blur | None) -> EyeBlur:
    if blur is None:
        return EyeBlur()
    return EyeBlur(defocus_px=blur.defocus_px, motion_px=blur.motion_px, motion_deg=blur.motion_deg)


def _weigh(
    measure: Measures,
    blur: Blur,
    closure: Closure | None,
    strain: Strain | None,
    turn: Turn | None,
    gaze: Gaze | None,
    seen: Visibility | None,
    share: float,
    options: ScoresOptions,
) -> Score:
    eyes = eyes_part(closure)
    sharpness = sharpness_part(blur, measure.sharpness.eyes_px)
    expression = expression_part(strain, share, options.mood)
    detail = {
        "motion_px": blur.motion_px,
        "motion_deg": blur.motion_deg,
        "noise": measure.sharpness.noise,
        "smile": measure.expression.smile,
        "blown": measure.light.blown,
        "crushed": measure.light.crushed,
    }
    if seen is not None:
        detail |= {"cut": seen.cut} | ({"hidden": seen.hidden} if seen.hidden is not None else {})
    if closure is not None:
        sides = {"closed_right": closure.right, "closed_left": closure.left}
        detail |= {name: v for name, v in sides.items() if v is not None}
        detail |= {"closed": closure.both} if closure.both is not None else {}
        detail |= {"looks_down": closure.down}
    if gaze is not None:
        detail |= {"gaze_x_deg": gaze.x_deg, "gaze_y_deg": gaze.y_deg}
    if strain is not None:
        detail |= {"mouth_strain": strain.narrow + strain.pout, "tongue": strain.tongue}
    if turn is not None:
        detail |= {"yaw_deg": turn.yaw_deg, "pitch_deg": turn.pitch_deg, "roll_deg": turn.roll_deg}
    parts = {
        "eyes": eyes,
        "sharpness": sharpness,
        "expression": expression,
        "pose": pose_part(turn, options.mood),
        "gaze": gaze_part(gaze),
        "visible": visible_part(seen),
        "light": light_part(measure.light),
    }
    weighed = factors(parts, options)
    return Score(
        **parts,
        total=total(weighed),
        factors=weighed,
        blur_px=blur.total_px,
        detail=detail,
    )


def factors(parts: Mapping[str, Part], options: ScoresOptions) -> dict[str, float]:
    """Return what each part multiplies the total by: its value raised to its weight, in [0, 1].

    A part that cannot be told counts as `UNKNOWN` where every face must show it, and is not held against a
    face otherwise.
    """
    unknown = {name: UNKNOWN if name in NEEDED else 1.0 for name in parts}
    return {
        name: float(
            (unknown[name] if part.value is None else part.value) ** getattr(options, f"weight_{name}")
        )
        for name, part in parts.items()
    }


def total(factors: Mapping[str, float]) -> float:
    """Return the product of the factors, in [0, 1]: one serious defect sinks a face."""
    return float(np.clip(np.prod(list(factors.values())), 0, 1))
