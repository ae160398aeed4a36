"""What `benchmark.py` compares with: the plain way to do the job, as one writes it in an afternoon.

Whole-frame SIFT, ratio test and RANSAC place every frame on the base; faces are found and given landmarks on
whole frames; the best face of each person is laid over the base through a feathered ellipse. It shares the
networks with the program, and its seams are measured as the program's are. What an afternoon leaves out
(people who move, tone, hair, who stands before whom) is left out; frames are let go of once looked at, which
an afternoon manages.

    python -m bench.reference OUT FRAME... [--long-side 2000]
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from seam_measures import along_edge

from facemerge import faces, imaging, models
from facemerge.options import Options
from facemerge.words import Face

Image = NDArray[np.uint8]
Matrix = NDArray[np.float64]

RATIO = 0.75
"""Common practice, no source; 0.8 in section 7.1 of Lowe, "Distinctive Image Features from Scale-Invariant
Keypoints", 2004."""
FEATURES = 10000
RANSAC_PX = 3.0
ELLIPSE = (0.75, 0.85)
"""Half axes in face widths and heights: the face with its hair."""
FEATHER = 0.12
"""Width of the soft edge, in face widths."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Looked:
    """What is kept of a frame."""

    points: NDArray[np.float32]
    """(N, 2) px of the frame."""
    descriptors: NDArray[np.float32]
    faces: tuple[Face, ...]
    scores: tuple[float, ...]
    """One a face."""


def read(path: Path) -> Image:
    """Return a frame as (H, W, 3) RGB.

    Raises
    ------
    FileNotFoundError
        If it cannot be read.
    """
    bgr = cv2.imread(str(path))
    if bgr is None:
        raise FileNotFoundError(f"{path} cannot be read.")
    return np.asarray(cv2.cvtColor(bgr, cv2.COLOR_BGR2RGB), np.uint8)


def look(image: Image, networks: models.Models, long_side: int | None) -> Looked:
    """Find a frame's features and faces.

    Parameters
    ----------
    image
        (H, W, 3) RGB.
    networks
        The detector and the landmarker.
    long_side
        Size of the copy on which features are sought; None: the frame itself.
    """
    grey = cv2.cvtColor(image, cv2.COLOR_RGB2GRAY)
    scale = 1.0
    if long_side is not None and max(grey.shape) > long_side:
        scale = long_side / max(grey.shape)
        grey = cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    keypoints, descriptors = cv2.SIFT.create(nfeatures=FEATURES).detectAndCompute(grey, None)
    points = np.array([k.pt for k in keypoints], np.float32).reshape(-1, 2)
    found = faces.detect_faces(image, networks, Options().faces)
    return Looked(
        points=(points + 0.5) / scale - 0.5,
        descriptors=np.zeros((0, 128), np.float32)
        if descriptors is None
        else np.asarray(descriptors, np.float32),
        faces=found,
        scores=tuple(goodness(image, f) for f in found),
    )


def goodness(image: Image, face: Face) -> float:
    """Return how good a face is: eyes open, sharp, a smile helps."""
    shapes = dict(zip(models.BLENDSHAPES, face.blendshapes.tolist(), strict=True))
    is_open = 1 - max(shapes["eyeBlinkLeft"], shapes["eyeBlinkRight"])
    smile = (shapes["mouthSmileLeft"] + shapes["mouthSmileRight"]) / 2
    x0, y0, x1, y1 = (max(0, int(v)) for v in face.box)
    grey = cv2.cvtColor(image[y0 : y1 + 1, x0 : x1 + 1], cv2.COLOR_RGB2GRAY)
    grey = cv2.resize(grey, (128, 128), interpolation=cv2.INTER_AREA)
    sharp = min(1.0, float(cv2.Laplacian(grey, cv2.CV_64F).var()) / 300)
    return float(is_open * (0.3 + 0.7 * sharp) * (0.8 + 0.2 * smile))


def place(base: Looked, other: Looked) -> Matrix | None:
    """Return base_from_other, (3, 3), or None if too little agrees."""
    if min(len(base.points), len(other.points)) < 4:
        return None
    matcher = cv2.FlannBasedMatcher({"algorithm": 1, "trees": 5}, {"checks": 50})
    pairs = matcher.knnMatch(other.descriptors, base.descriptors, k=2)
    good = [p[0] for p in pairs if len(p) == 2 and p[0].distance < RATIO * p[1].distance]
    if len(good) < 4:
        return None
    source = np.array([other.points[m.queryIdx] for m in good])
    target = np.array([base.points[m.trainIdx] for m in good])
    matrix, _ = cv2.findHomography(source, target, cv2.RANSAC, RANSAC_PX)
    return None if matrix is None else np.asarray(matrix, np.float64)


def pick(
    looked: Sequence[Looked], base: int, placed: Sequence[Matrix | None]
) -> list[tuple[Face, int, Face]]:
    """Return, for each face of the base, the frame and face that are best for them.

    Whoever's centre lies nearest, within a face width, is taken for the same person.
    """
    chosen = []
    for own, score in zip(looked[base].faces, looked[base].scores, strict=True):
        best, frame, face = score, base, own
        for k, (other, matrix) in enumerate(zip(looked, placed, strict=True)):
            if matrix is None or not other.faces or k == base:
                continue
            centres = np.array([_centre(f) for f in other.faces])
            away = np.hypot(*(cv2.perspectiveTransform(centres[None], matrix)[0] - _centre(own)).T)
            i = int(away.argmin())
            if away[i] < own.box[2] - own.box[0] and other.scores[i] > best:
                best, frame, face = other.scores[i], k, other.faces[i]
        chosen.append((own, frame, face))
    return chosen


def _centre(face: Face) -> NDArray[np.float64]:
    return np.array([(face.box[0] + face.box[2]) / 2, (face.box[1] + face.box[3]) / 2])


def ellipse(shape: tuple[int, int], face: Face) -> NDArray[np.float32]:
    """Return a feathered ellipse about a face, (H, W) in [0, 1]."""
    x0, y0, x1, y1 = face.box
    width, height = x1 - x0, y1 - y0
    mask = np.zeros(shape, np.float32)
    centre = (round((x0 + x1) / 2), round((y0 + y1) / 2 - 0.1 * height))
    cv2.ellipse(mask, centre, (round(ELLIPSE[0] * width), round(ELLIPSE[1] * height)), 0, 0, 360, 1.0, -1)
    return np.asarray(cv2.GaussianBlur(mask, (0, 0), FEATHER * width), np.float32)


def lay(merged: Image, donor: Image, matrix: Matrix, face: Face) -> dict[str, float]:
    """Lay a donor's head over a picture, in place, and return what its seam measures.

    As `judge.seams_of` measures those of the program: CIEDE2000 between the placed donor and what it is laid
    on, along the soft edge of the mask.

    Parameters
    ----------
    merged, donor
        (H, W, 3) RGB.
    matrix
        (3, 3) to the picture from the donor's frame.
    face
        The face that is covered, in pixels of the picture.
    """
    placed = cv2.warpPerspective(donor, matrix, merged.shape[1::-1], flags=cv2.INTER_LINEAR)
    alpha = ellipse(merged.shape[:2], face)
    rows, columns = (np.flatnonzero(alpha.max(axis) > 0) for axis in (1, 0))
    part = (slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1))
    below, above, share = imaging.to_unit(merged[part]), imaging.to_unit(placed[part]), alpha[part]
    blended = below + share[..., None] * (above - below)
    merged[part] = imaging.from_unit(blended, np.uint8)
    return along_edge(below, above, share, np.ones(share.shape, bool))


def compose(paths: Sequence[Path], out: Path, *, long_side: int | None = None) -> dict[str, Any]:
    """Make one picture of a burst the plain way.

    Parameters
    ----------
    paths
        Frames of one size.
    out
        The TIFF file to write.
    long_side
        As in `look`.

    Returns
    -------
    dict
        `base` (a file's name), `to_base` (by name, (3, 3) or None), `picks` (`frame` and `box` of everybody's
        face), `seams` (of the heads set in), `spent` (s, by stage).
    """
    spent: dict[str, float] = {}
    networks = models.Models()
    mark = time.perf_counter()

    def done(what: str) -> None:
        nonlocal mark
        now = time.perf_counter()
        spent[what] = spent.get(what, 0.0) + now - mark
        mark = now

    looked = []
    for path in paths:
        image = read(path)
        done("Reading")
        looked.append(look(image, networks, long_side))
        done("Features and faces")
    base = int(np.argmax([sum(f.scores) for f in looked]))
    placed = [np.eye(3) if k == base else place(looked[base], f) for k, f in enumerate(looked)]
    done("Matching")
    merged = read(paths[base])
    picks, seams = [], []
    for own, frame, face in pick(looked, base, placed):
        picks.append({"frame": paths[frame].name, "box": list(face.box)})
        matrix = placed[frame]
        if frame != base and matrix is not None:
            seams.append(lay(merged, read(paths[frame]), matrix, own))
    done("Setting heads in")
    if not cv2.imwrite(str(out), cv2.cvtColor(merged, cv2.COLOR_RGB2BGR)):
        raise OSError(f"{out} cannot be written.")
    done("Writing")
    to_base = {p.name: None if m is None else m.tolist() for p, m in zip(paths, placed, strict=True)}
    return {"base": paths[base].name, "to_base": to_base, "picks": picks, "seams": seams, "spent": spent}


def main(arguments: Sequence[str] | None = None) -> int:
    """Compose the frames named on the command line; prints what was found as JSON."""
    parser = argparse.ArgumentParser(description="Compose a group the plain way, to be compared with.")
    parser.add_argument("out", type=Path, help="TIFF file to write")
    parser.add_argument("frames", type=Path, nargs="+")
    parser.add_argument("--long-side", type=int, help="size of the copy on which features are sought, px")
    given = parser.parse_args(arguments)
    print(json.dumps(compose(given.frames, given.out, long_side=given.long_side)))
    return 0


if __name__ == "__main__":
    sys.exit(main())
