"""What `benchmark.py` asks of a result beside its time: frames in place, good heads, quiet seams."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from seam_measures import along_edge

from facemerge import imaging
from facemerge.formats.openraster import read_ora

Matrix = NDArray[np.float64]
Record = dict[str, Any]


def placed_px(truth: Record, base: str, to_base: Mapping[str, Any]) -> list[float]:
    """Return how far each frame lies from its place on the base, in px of the base, mean over the picture.

    Parameters
    ----------
    truth
        `truth.json`: `width`, `height`, and of each frame `file` and `homography` (frame from scene).
    base
        The base frame's name.
    to_base
        By a frame's name base_from_frame, (3, 3), or None if it was not placed: it is left out.
    """
    from_scene = {f["file"]: np.array(f["homography"]) for f in truth["frames"]}
    x, y = np.meshgrid(np.linspace(0, truth["width"] - 1, 13), np.linspace(0, truth["height"] - 1, 9))
    grid = np.stack([x.ravel(), y.ravel()], 1)[None]
    found = []
    for name, matrix in to_base.items():
        if name == base or matrix is None or name not in from_scene:
            continue
        true = from_scene[base] @ np.linalg.inv(from_scene[name])
        apart = cv2.perspectiveTransform(grid, np.array(matrix)) - cv2.perspectiveTransform(grid, true)
        found.append(float(np.hypot(*apart[0].T).mean()))
    return found


def good_picks(truth: Record, picks: Sequence[tuple[str, Sequence[float]]]) -> tuple[int, int]:
    """Return for how many people a good face was taken, and how many people have one.

    Parameters
    ----------
    truth
        `truth.json`.
    picks
        (frame, box) of the face that each person was given, the box in that frame's pixels.
    """
    frames = {f["file"]: f["faces"] for f in truth["frames"]}
    possible = {t["id"] for faces in frames.values() for t in faces if t["good"]}
    right = set()
    for name, box in picks:
        nearest = min(frames[name], key=lambda t: np.hypot(*(_centre(t["frame_box"]) - _centre(box))))
        if nearest["good"]:
            right.add(nearest["id"])
    return len(right & possible), len(possible)


def _centre(box: Sequence[float]) -> NDArray[np.float64]:
    return np.array([(box[0] + box[2]) / 2, (box[1] + box[3]) / 2])


def seams_of(layered: Path) -> list[Record]:
    """Return what the seam of each head of a result measures, the lowest first.

    As `reference.lay` measures its own: CIEDE2000 between a head's layer and what it is laid on, along the
    soft edge of its mask.

    Parameters
    ----------
    layered
        The result's OpenRaster file, the base its lowest layer.
    """
    base, *heads = (layer for layer in read_ora(layered).layers if layer.visible)
    merged = base.pixels[..., :3].copy()
    found = []
    for head in heads:
        (x, y), (h, w) = head.offset, head.pixels.shape[:2]
        part = slice(y, y + h), slice(x, x + w)
        below, above = imaging.to_unit(merged[part]), imaging.to_unit(head.pixels[..., :3])
        share = imaging.to_unit(head.pixels[..., 3])
        # Where nothing of a layer shows it need not hold anything.
        found.append(along_edge(below, above, share, share > 0.02))
        merged[part] = imaging.from_unit(below + share[..., None] * (above - below), merged.dtype)
    return found


def of_report(truth: Record, report: Record, seams: Sequence[Record]) -> Record:
    """Return what is asked of the program's own report and of the seams that `seams_of` has found."""
    picks = []
    for person in report["people"]:
        box = next((f["box"] for f in person["faces"] if f["frame"] == person["pick"]), None)
        if box is not None:
            picks.append((person["pick"], box))
    to_base = {f["file"]: f["to_base"] for f in report["frames"]}
    return _told(truth, report["base"], to_base, picks, seams)


def of_reference(truth: Record, made: Record) -> Record:
    """Return the same of what `reference.compose` returns."""
    picks = [(p["frame"], p["box"]) for p in made["picks"]]
    return _told(truth, made["base"], made["to_base"], picks, made["seams"])


def _told(
    truth: Record,
    base: str,
    to_base: Mapping[str, Any],
    picks: Sequence[tuple[str, Sequence[float]]],
    seams: Sequence[Record],
) -> Record:
    # Of a burst of which only some frames were given, only their faces could be taken.
    given = {**truth, "frames": [f for f in truth["frames"] if f["file"] in to_base]}
    apart = placed_px(given, base, to_base)
    right, possible = good_picks(given, picks)
    return {
        "base": base,
        "heads_set_in": len(seams),
        "good_picks": right,
        "people": possible,
        "frames_placed": len(apart),
        "placed_px_median": float(np.median(apart)) if apart else None,
        "placed_px_worst": max(apart) if apart else None,
        "seam_delta_e_median": float(np.median([s["delta_e_median"] for s in seams])) if seams else None,
        "seam_delta_e_p95": float(np.median([s["delta_e_p95"] for s in seams])) if seams else None,
        "seam_delta_e_worst": max(s["delta_e_p95"] for s in seams) if seams else None,
    }
