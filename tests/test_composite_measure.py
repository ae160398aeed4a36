"""How crisp one frame is beside the other, and what the risk makes of it."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from drawn_heads import frame

from facemerge import imaging, risk
from facemerge.composite import measure
from facemerge.options import RiskOptions
from facemerge.words import Seam

BRICK = imaging.to_unit(frame(kind="brick", noise=1.5, seed=1).image)
EDGE = np.zeros(BRICK.shape[:2], bool)
EDGE[60:64, 40:380] = True


def softened(sigma_px: float) -> np.ndarray:
    return cv2.GaussianBlur(BRICK, (0, 0), sigma_px) if sigma_px else BRICK


def step(sigma_px: float) -> float:
    return measure.sharpness_step(BRICK, softened(sigma_px), EDGE, 100.0)


def test_equal_frames_have_no_step_in_sharpness() -> None:
    """The same wall with other grain is as crisp."""
    again = imaging.to_unit(frame(kind="brick", noise=1.5, seed=2).image)
    assert measure.sharpness_step(BRICK, again, EDGE, 100.0) < 0.1


def test_the_step_grows_with_the_blur_of_either_side() -> None:
    """The softer the donor, the larger; the same when base and donor change places."""
    steps = [step(s) for s in (0.0, 1.0, 2.0, 4.0)]
    assert steps == sorted(steps)
    assert steps[0] < 0.1
    assert steps[3] > 1
    assert measure.sharpness_step(softened(2.0), BRICK, EDGE, 100.0) == pytest.approx(steps[2], abs=0.05)


def test_a_plain_wall_tells_nothing_of_sharpness() -> None:
    """Without texture along the seam no step is claimed."""
    plain = [imaging.to_unit(frame(noise=2, seed=s).image) for s in (1, 2)]
    assert measure.sharpness_step(plain[0], cv2.GaussianBlur(plain[1], (0, 0), 3), EDGE, 100.0) == 0


@pytest.mark.parametrize(("sigma_px", "clear"), [(0.0, True), (4.0, False)])
def test_sharp_meets_soft_is_flagged_in_words(sigma_px: float, clear: bool) -> None:
    """A seam that is perfect but for its sharpness is not called clear."""
    seam = Seam(
        delta_e_median=0.2,
        delta_e_p95=0.5,
        texture=5.0,
        misregistration_px=0.1,
        tone_delta_e=0.5,
        grain_ratio=1.0,
        neighbour_overlap=0.0,
        invented=0.0,
        old_head_left=0.0,
        sharpness_step=step(sigma_px),
    )
    found = risk.assess(seam, head_turn_deg=0, align_error_px=0.1, options=RiskOptions())
    assert (found.flag == "clear") is clear
    assert ("sharp meets soft" in found.reasons[0]) is not clear
