"""Measures a face while its frame is in memory, and weighs the measures of one person over the burst."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import KW_ONLY, dataclass

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
from facemerge.scores.eyes import (
    Closure,
    EyeBlur,
    EyesMeasure,
    closures,
    dark_glasses,
    eyes_part,
    measure_eyes,
)
from facemerge.scores.gaze import Gaze, GazeMeasure, gaze_part, gazes, iris_strength, measure_gaze
from facemerge.scores.light import LightMeasure, light_part, measure_light
from facemerge.scores.pose import PoseMeasure, Turn, measure_pose, pose_part, turns
from facemerge.scores.sharpness import Blur, SharpnessMeasure, blurs, measure_sharpness, sharpness_part
from facemerge.scores.visible import Visibility, VisibleMeasure, measure_visible, visibility, visible_part
from facemerge.words import Face, Part, Pixels, Score

UNKNOWN = 0.6
"""What a part that cannot be told counts as: less than good, so that a face that shows itself wins."""
MUCH_HIDDEN = 0.15
"""Share of a face from which what hides it sets its sharpness."""
NEEDED = ("eyes", "sharpness", "expression")
CROP_MARGIN = 0.12


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Measures:
    """What one face is judged from, once its pixels are gone; picklable, about 20 kB."""

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
        visible=measure_visible(crop, points, face.hands - [left, top]),
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
    seen = visibility([None if m is None else m.visible for m in measures])
    blur = blurs(
        [None if m is None else m.sharpness for m in measures],
        [m is not None and _bare(m, v) for m, v in zip(measures, seen, strict=True)],
    )
    spread = [_eye_blur(b) for b in blur]
    shares = [
        0.0 if m is None else s.spread_px / m.sharpness.eyes_px for m, s in zip(measures, spread, strict=True)
    ]
    looks = [None if m is None else m.gaze for m in measures]
    closed = closures(
        [None if m is None else m.eyes for m in measures],
        spread,
        hidden=[(False, False) if v is None else v.eyes_hidden for v in seen],
        irises=[(0.0, 0.0) if g is None else iris_strength(g) for g in looks],
    )
    gaze = gazes(
        looks,
        [(None, None) if c is None else (c.right, c.left) for c in closed],
        [0.0 if c is None else c.down for c in closed],
        [s.spread_px for s in spread],
    )
    strain = strains([None if m is None else m.expression for m in measures], shares)
    turn = turns([None if m is None else m.pose for m in measures], shares)
    found = [
        None
        if m is None or b is None
        else _Found(m, blur=b, blur_share=share, closure=c, gaze=g, strain=s, turn=t, seen=v)
        for m, b, share, c, g, s, t, v in zip(
            measures, blur, shares, closed, gaze, strain, turn, seen, strict=True
        )
    ]
    return tuple(None if f is None else _weigh(f, options) for f in found)


def _bare(measure: Measures, seen: Visibility | None) -> bool:
    """Return whether a face is seen as it is, without hands, hair or dark glasses before it."""
    free = seen is None or seen.hidden is None or seen.hidden < MUCH_HIDDEN
    return free and not dark_glasses(measure.eyes)


def _eye_blur(blur: Blur | None) -> EyeBlur:
    if blur is None:
        return EyeBlur()
    return EyeBlur(
        defocus_px=blur.defocus_px,
        motion_px=blur.motion_px,
        motion_deg=blur.motion_deg,
        total_px=blur.total_px,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Found:
    """What was found of one face beside the person's others."""

    measure: Measures
    _: KW_ONLY
    blur: Blur
    blur_share: float
    """Gaussian sigma of the blur beyond the person's sharpest frames, over the eyes' distance."""
    closure: Closure | None
    gaze: Gaze | None
    strain: Strain | None
    turn: Turn | None
    seen: Visibility | None


def _weigh(found: _Found, options: ScoresOptions) -> Score:
    parts = {
        "eyes": eyes_part(found.closure),
        "sharpness": sharpness_part(found.blur, found.measure.sharpness.eyes_px),
        "expression": expression_part(found.strain, found.blur_share, options.mood),
        "gaze": gaze_part(found.gaze),
        "pose": pose_part(found.turn, options.mood),
        "visible": visible_part(found.seen),
        "light": light_part(found.measure.light),
    }
    weighed = factors(parts, options)
    return Score(
        **parts,
        total=total(weighed),
        factors=weighed,
        blur_px=found.blur.total_px,
        detail={name: v for name, v in _details(found).items() if v is not None},
    )


def _details(found: _Found) -> dict[str, float | None]:
    """Return the numbers behind the parts; None for what cannot be told."""
    measure, blur = found.measure, found.blur
    details: dict[str, float | None] = {
        "motion_px": blur.motion_px,
        "motion_deg": blur.motion_deg,
        "noise": measure.sharpness.noise,
        "smile": measure.expression.smile,
        "blown": measure.light.blown,
        "crushed": measure.light.crushed,
    }
    if (seen := found.seen) is not None:
        details |= {"cut": seen.cut, "hidden": seen.hidden}
    if (lids := found.closure) is not None:
        details |= {"closed_right": lids.right, "closed_left": lids.left, "closed": lids.both}
        details |= {"looks_down": lids.down}
    if (gaze := found.gaze) is not None:
        details |= {"gaze_x_deg": gaze.x_deg, "gaze_y_deg": gaze.y_deg}
    if (strain := found.strain) is not None:
        details |= {"mouth_strain": strain.narrow + strain.pout, "tongue": strain.tongue}
    if (turn := found.turn) is not None:
        details |= {"yaw_deg": turn.yaw_deg, "pitch_deg": turn.pitch_deg, "roll_deg": turn.roll_deg}
    return details


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
