"""What a trial is judged by: strain in cloth, the rim left round a mask, what is carried on under a head."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from drawn_heads import wall

from facemerge.composite import place, stage, trial

WINDOW = stage.Window(offset=(50, 60), size=(200, 240), work_size=(100, 120), face_px=80.0)


def stretched(share: float) -> np.ndarray:
    """Return a bend that stretches everything sideways by a share, and moves it by 3 px."""
    h, w = wall("brick").shape[:2]
    bend = np.full((h, w, 2), 3.0, np.float32)
    bend[..., 0] += share * np.arange(w, dtype=np.float32)
    return bend


def strain(kind: str, bend: np.ndarray) -> float:
    common = cast(Any, SimpleNamespace(base=wall(kind)))
    inner = np.zeros(bend.shape[:2], bool)
    inner[20:-20, 20:-20] = True
    return trial._strain(common, bend, inner)


@pytest.mark.parametrize("share", [0.0, 0.1, 0.3])
def test_the_strain_of_a_known_stretch_is_found(share: float) -> None:
    """What has texture and is stretched evenly shows that strain; what is only moved shows none."""
    assert strain("brick", stretched(share)) == pytest.approx(share, abs=0.02)


def test_a_plain_thing_shows_no_strain() -> None:
    """Without texture a stretch is not seen, and costs nothing."""
    assert strain("plain", stretched(0.3)) == 0


def test_nothing_bent_nothing_strained() -> None:
    """No bend, no strain, however busy the cloth."""
    assert strain("brick", np.zeros_like(stretched(0))) == 0


def test_a_rim_is_left_to_paint_on() -> None:
    """A twentieth of a face is kept free along every edge of the window that is not the frame's."""
    border = trial.border(WINDOW)
    assert border[:2].all()
    assert border[:, :2].all()
    assert border[-2:].all()
    assert border[:, -2:].all()
    assert not border[2:-2, 2:-2].any()


@pytest.mark.parametrize("side", range(4))
def test_no_seam_is_asked_for_along_the_frames_own_edge(side: int) -> None:
    """Where the window ends with the frame the mask may run out of it; along the other edges it may not."""
    ends = cast(tuple[bool, bool, bool, bool], tuple(k == side for k in range(4)))
    border = trial.border(replace(WINDOW, frame_ends=ends))
    edges = (border[60, 0], border[0, 50], border[60, -1], border[-1, 50])
    assert [bool(e) for e in edges] == [k != side for k in range(4)]


def test_a_frame_for_a_window_still_has_a_seam() -> None:
    """A head that fills the frame is not answered by taking the whole donor: some edge is kept."""
    border = trial.border(replace(WINDOW, frame_ends=(True, True, True, True)))
    assert border.any()
    assert not border[-1, 50]


def test_the_bend_is_carried_on_under_what_was_hidden() -> None:
    """Under a head that hides it, a wall moved by 4 px is bent by 4 px, whatever the flow has there."""
    flow = np.zeros((60, 80, 2), np.float32)
    flow[..., 0] = 4
    hidden = np.zeros((60, 80), bool)
    hidden[20:40, 30:50] = True
    flow[hidden] = (-9, 9)
    apart = np.full((60, 80), 20, np.float32)
    keep = np.zeros((60, 80), bool)
    plain, carried = (
        place.bend(flow, keep, apart, fade_px=1, limit_px=20, smooth_px=2, hidden=h) for h in (None, hidden)
    )
    assert np.abs(carried - (4, 0)).max() < 0.05
    assert np.abs(plain[30, 40] - (4, 0)).max() > 5
