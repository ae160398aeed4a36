"""Finds every face of a picture, from two people filling the frame to fifty in a large one.

The detector looks at 128 x 128 pixels, so the picture is searched as overlapping squares at several scales;
each find is confirmed, and measured, by the landmarker on a crop of its own.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge import imaging
from facemerge.models import DETECTOR_PX, Models, Region, region_of_detection, region_of_landmarks
from facemerge.options import FacesOptions
from facemerge.words import Array, Face, Float, Pixels, frozen

# The detector finds faces from an eighth to well over half of its square; squares that overlap by half hold
# each face of up to three eighths whole, and then the next scale, three times larger, takes over.
SMALLEST_SHARE = 1 / 8
SCALE_STEP = 3.0
SAME_FACE_IOU = 0.35
MIN_PRESENCE = 0.5
APPEARANCE_PX = 96


def detect_faces(image: Pixels, models: Models, options: FacesOptions) -> tuple[Face, ...]:
    """Return the faces of a picture, left to right.

    Parameters
    ----------
    image
        (H, W, 3) RGB uint8 or uint16.
    models
        The networks to run.
    options
        The smallest face and the confidence asked for.

    Returns
    -------
    tuple of Face
        In the picture's own pixels; empty if there is none.
    """
    eight = imaging.to_eight_bit(image)
    boxes, keypoints, confidence = _search(eight, models, options)
    found: list[Face] = []
    for i in _strongest(boxes, confidence):
        region = region_of_detection(boxes[i], keypoints[i])
        face = _landmarked(eight, models, region, boxes[i], float(confidence[i]), options)
        # Two detections too far apart to be merged may still have led the landmarker to one face.
        if face is not None and all(_iou(face.box, f.box) < SAME_FACE_IOU for f in found):
            found.append(face)
    return tuple(sorted(found, key=lambda f: f.box[0]))


def look_again(
    image: Pixels, models: Models, expected: Float, known: Sequence[Face], options: FacesOptions
) -> Face | None:
    """Return the face that the search overlooked at a place where one is expected, or None.

    Parameters
    ----------
    image
        (H, W, 3) RGB uint8 or uint16.
    models
        The networks to run.
    expected
        (478, 2) where the landmarks should lie, in pixels of the picture.
    known
        Faces already found in it; a second sight of one of them does not count.
    options
        The smallest face asked for.
    """
    low, high = expected.min(0), expected.max(0)
    box = np.concatenate([low, high])
    face = _landmarked(
        imaging.to_eight_bit(image),
        models,
        region_of_landmarks(expected),
        box,
        options.min_confidence,
        options,
    )
    if face is None or any(_iou(face.box, f.box) >= SAME_FACE_IOU for f in known):
        return None
    return face


def turn_deg(face: Face) -> float:
    """Return how far a head is turned to the side, in degrees; 0 = frontal, positive to the picture's right.

    Measured between the two cheeks' outermost landmarks, whose depth the landmarker estimates.
    """
    across = face.landmarks[454] - face.landmarks[234]
    return float(np.degrees(np.arctan2(across[2], across[0])))


def _search(
    image: NDArray[np.uint8], models: Models, options: FacesOptions
) -> tuple[Float, Float, NDArray[np.float64]]:
    height, width = image.shape[:2]
    boxes, keypoints, confidence = [np.zeros((0, 4))], [np.zeros((0, 6, 2))], [np.zeros(0)]
    square = options.min_face_px / SMALLEST_SHARE
    # The last scale holds the whole picture, whatever its shape.
    scales = [square]
    while scales[-1] < max(width, height):
        scales.append(min(scales[-1] * SCALE_STEP, float(max(width, height))))
    source: NDArray[np.uint8] = image
    source_scale = 1.0
    for side in scales:
        factor = DETECTOR_PX / side
        size = (max(1, round(width * factor)), max(1, round(height * factor)))
        # Each scale is made from the last one's copy: shrinking 24 megapixels again for every scale would
        # cost more than the search.
        if size[0] <= source.shape[1] and size[1] <= source.shape[0]:
            small = np.asarray(cv2.resize(source, size, interpolation=cv2.INTER_AREA), np.uint8)
            if source_scale * 1.5 <= 1 / factor:
                source, source_scale = small, 1 / factor
        else:
            small = np.asarray(cv2.resize(source, size, interpolation=cv2.INTER_LINEAR), np.uint8)
        back = np.array([width / size[0], height / size[1]])
        for x, y, tile in _tiles(small):
            seen = models.detect(tile, options.min_confidence)
            if len(seen.confidence) == 0:
                continue
            corner = np.array([x, y], np.float64)
            centred = seen.boxes.reshape(-1, 2, 2) * DETECTOR_PX + corner
            inner = _inside(centred, (x, y), small.shape[:2])
            boxes.append((centred * back - 0.5).reshape(-1, 4)[inner])
            keypoints.append(((seen.keypoints * DETECTOR_PX + corner) * back - 0.5)[inner])
            confidence.append(seen.confidence[inner])
    return np.concatenate(boxes), np.concatenate(keypoints), np.concatenate(confidence)


def _tiles(small: NDArray[np.uint8]) -> list[tuple[int, int, NDArray[np.uint8]]]:
    height, width = small.shape[:2]
    step = DETECTOR_PX // 2
    padded = np.zeros((max(height, DETECTOR_PX), max(width, DETECTOR_PX), 3), np.uint8)
    padded[:height, :width] = small

    def starts(length: int) -> list[int]:
        last = max(0, length - DETECTOR_PX)
        return [*range(0, last, step), last]

    return [
        (x, y, np.ascontiguousarray(padded[y : y + DETECTOR_PX, x : x + DETECTOR_PX]))
        for y in starts(height)
        for x in starts(width)
    ]


def _inside(corners: Float, tile: tuple[int, int], shape: tuple[int, int]) -> NDArray[np.bool_]:
    """Drop finds cut by a tile's edge that another tile sees whole: their boxes are guesses."""
    slack = 4
    low, high = corners[:, 0], corners[:, 1]
    x, y = tile
    height, width = shape
    good = np.ones(len(corners), bool)
    if x > 0:
        good &= low[:, 0] >= x - slack
    if y > 0:
        good &= low[:, 1] >= y - slack
    if x + DETECTOR_PX < width:
        good &= high[:, 0] <= x + DETECTOR_PX + slack
    if y + DETECTOR_PX < height:
        good &= high[:, 1] <= y + DETECTOR_PX + slack
    return good


def _strongest(boxes: Float, confidence: NDArray[np.float64]) -> list[int]:
    """Return the indices of detections that no stronger one of the same face stands before."""
    kept: list[int] = []
    for i in np.argsort(-confidence, kind="stable"):
        if all(not _same(boxes[i], boxes[k]) for k in kept):
            kept.append(int(i))
    return kept


def _same(a: Float, b: Float) -> bool:
    # A box that lies within another of a coarser scale has a small IoU and is still the same face.
    return _iou(a, b) >= SAME_FACE_IOU or _overlap(a, b) >= 0.8 * min(_area(a), _area(b))


def _area(box: Array | tuple[float, ...]) -> float:
    return float(max(0.0, box[2] - box[0]) * max(0.0, box[3] - box[1]))


def _overlap(a: Array | tuple[float, ...], b: Array | tuple[float, ...]) -> float:
    w = min(a[2], b[2]) - max(a[0], b[0])
    h = min(a[3], b[3]) - max(a[1], b[1])
    return float(max(0.0, w) * max(0.0, h))


def _iou(a: Array | tuple[float, ...], b: Array | tuple[float, ...]) -> float:
    both = _overlap(a, b)
    union = _area(a) + _area(b) - both
    return both / union if union > 0 else 0.0


def _landmarked(
    image: NDArray[np.uint8],
    models: Models,
    region: Region,
    box: Float,
    confidence: float,
    options: FacesOptions,
) -> Face | None:
    """Return the face that the landmarker finds in a region, if it lies where `box` says."""
    first = models.landmarks(image, region)
    # The second look, from the first one's landmarks, centres the face: blink scores depend on it.
    second = models.landmarks(image, region_of_landmarks(first.points))
    if min(first.presence, second.presence) < MIN_PRESENCE:
        return None
    points = second.points
    low, high = points[:, :2].min(0), points[:, :2].max(0)
    found = (float(low[0]), float(low[1]), float(high[0]), float(high[1]))
    if high[0] - low[0] < options.min_face_px * 0.8:
        return None
    if _overlap(found, box) < 0.3 * min(_area(found), _area(box)):
        return None
    # A face whose middle lies outside the picture is invented by the network.
    centre = (low + high) / 2
    if not (0 <= centre[0] < image.shape[1] and 0 <= centre[1] < image.shape[0]):
        return None
    return Face(
        box=found,
        landmarks=frozen(points),
        blendshapes=frozen(models.blendshapes(points)),
        appearance=frozen(_appearance(image, found)),
        confidence=confidence,
    )


def _appearance(image: NDArray[np.uint8], box: tuple[float, float, float, float]) -> Float:
    """Return a unit vector of a head's colours by place, whatever the exposure.

    Hair, hats and skin tell the people of one group apart better than features that blinks and smiles
    move; Lab's a and b and the lightness relative to the head's own mean survive a change of exposure.
    """
    x0, y0, x1, y1 = box
    w, h = x1 - x0, y1 - y0
    left, top = int(max(0, x0 - 0.25 * w)), int(max(0, y0 - 0.4 * h))
    crop = image[top : max(top + 2, int(y1 + 0.1 * h)), left : max(left + 2, int(x1 + 0.25 * w))]
    if crop.size == 0:
        return np.zeros(192)
    small = cv2.resize(crop, (APPEARANCE_PX, APPEARANCE_PX), interpolation=cv2.INTER_AREA)
    lab = cv2.cvtColor(small.astype(np.float32) / 255, cv2.COLOR_RGB2LAB)
    cells = cv2.resize(lab, (8, 8), interpolation=cv2.INTER_AREA).astype(np.float64)
    cells[..., 0] -= cells[..., 0].mean()
    cells[..., 1:] *= 1.5
    vector = cells.ravel()
    return np.asarray(vector / (np.linalg.norm(vector) + 1e-9))
