"""Finds every face of a picture, from two people filling the frame to fifty in a large one.

The detector looks at 128 x 128 pixels, so the picture is searched as overlapping squares at several scales.
Squares in which a quick look over the whole sees no hint of a face are left out. Each find is confirmed, and
measured, by the landmarker on a crop of its own.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge import hands, imaging
from facemerge.models import DETECTOR_PX, Landmarks, Models, Region, region_of_detection, region_of_landmarks
from facemerge.options import FacesOptions
from facemerge.words import Face, Float, Pixels, frozen

Tile = tuple[int, int, NDArray[np.uint8]]
"""(x, y, (128, 128, 3) RGB): a square of a copy."""

# The detector finds faces from an eighth to well over half of its square; squares that overlap by half hold
# each face of up to three eighths whole, and then the next scale, three times larger, takes over.
SMALLEST_SHARE = 1 / 8
SCALE_STEP = 3.0
FINEST = 0.75
"""Side of the finest squares, as a share of those in which the smallest face can just be seen.

Of 102 faces in clips, shrunk to 60 px, 97 are found with it and 94 without; of 103 of 52 px 96 and 87.
"""
OWN_SHARE = 0.22
"""Share of its square from which a scale tells a face best, up to where the next coarser one takes over.

The boxes of faces smaller than that are rougher: over 148 faces of four bursts, blinks differed by 0.038 from
what they settle on after more passes if faces were taken over at 0.125, by 0.034 at this share.
"""
HINT_SCALE = 0.75
"""Hints are sought on a copy so much smaller than the one whose squares are looked at."""
HINT_SHARE = 0.5
"""Share of the confidence asked for from which a hint is followed.

Measured with this scale: the same faces to the last bit as without hints, on 640 faces of six bursts, and on
2,200 of them shrunk to 52 to 130 px. At a scale of 0.6 one in twenty of those of 52 px was lost.
"""
HINT_SLACK = 0.25
"""How far, in shares of its size, a hint may reach over the edge of a square that is looked at."""
FEW_SQUARES = 8
"""Up to so many squares are looked at without asking for hints, which cost about as much."""
BLOCK_PX, BLOCK_OVERLAP_PX = 400, 64
"""Hints are sought block by block, for the memory's sake: 26 MB, of 560 px 59. No face that fits its scale is
cut by all."""
SAME_FACE_IOU = 0.35
SIZE_STEP = 1.25
SIZE_SLACK = 0.8
"""By what factor a face may be smaller than expected: people step back, and detections are rough."""
MIN_PRESENCE = 0.5
SURE, SURE_LOOKS = 0.85, 3
"""From what confidence on a face has time to be centred before it is given up, and in how many looks.

The landmarker doubts a bowed head or a profile that lies off the middle. Fitted on five clips at five sizes:
of 79 faces detected and then lost to that, 49 are found with it; of what is no face there, and in 26 pictures
of libraries at eight sizes, nothing more. Detected with 0.7 to 0.8, a hand and a knitted bear would pass too.
"""
SURELY_STILL, STILL, STILL_MORE = 0.03, 0.025, 0.12
"""How far landmarks may wander between two looks at a face, in face widths: at the first two, so that a third
is not needed; after that; and how much more for each unit of confidence above what is asked for.

Of 116 faces in clips shrunk to 52 to 120 px none wanders more; of seven things in a library's test pictures
that pass for faces otherwise (a cup, stars, cells, a moon), six do.
"""
DOUBTFUL = 0.75
"""Confidence below which a find may be a hand: 22 hands in clips that pass for faces have 0.50 to 0.69."""
MOUTH = (13, 14, 61, 291)
HEAD_SQUARE = 3.0
"""Side of the square about head and shoulders in which a head without a face is told, in face widths."""
HEAD_APART = 0.6
"""How far the middles of a face and of a head without one lie apart at least, in face widths."""
HEAD_SHOWS = 0.8
"""Mean chance of a person over a face's place from which there is a head: of 83 faces in clips 95 % have more
than 0.95, the same painted over as the back of a head more still; bare background has 0.3 or less."""
APPEARANCE_PX = 96


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """What other frames of a burst lead one to expect of a picture."""

    smallest_px: float = 0.0
    """Width of the smallest face."""
    count: int = 0
    """Faces."""

    @classmethod
    def like(cls, found: Sequence[Face]) -> Expected:
        """Return what to expect in a frame of the same burst as one in which these were found."""
        if not found:
            return NOTHING
        smallest = max(1.0, min(f.box[2] - f.box[0] for f in found))
        # In steps, so that what is known of a frame stands when another one becomes the reference.
        step = math.floor(math.log(smallest) / math.log(SIZE_STEP))
        return cls(smallest_px=SIZE_STEP**step, count=len(found))


NOTHING = Expected()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Scale:
    """One size at which a picture is searched."""

    side_px: float
    """What a square holds, in pixels of the picture."""
    low_px: float
    high_px: float
    """Widths of the faces that this scale sees better than the others do."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Finds:
    """What may be faces, overlapping answers not yet merged; coordinates in pixels of the picture."""

    boxes: Float
    """(N, 4) x0, y0, x1, y1."""
    keypoints: Float
    """(N, 6, 2) as the detector gives them."""
    confidence: NDArray[np.float64]
    """(N,) in [0, 1]."""
    own: NDArray[np.bool_]
    """(N,) whether the scale that saw it is the one for faces so large."""

    @classmethod
    def of(cls, parts: Sequence[_Finds]) -> _Finds:
        """Return several as one."""
        return cls(
            boxes=np.concatenate([p.boxes for p in parts]),
            keypoints=np.concatenate([p.keypoints for p in parts]),
            confidence=np.concatenate([p.confidence for p in parts]),
            own=np.concatenate([p.own for p in parts]),
        )

    def faces(self) -> list[int]:
        """Return, for each face that is none of a stronger one's answers, which answer tells it best."""
        best = []
        for i in _strongest(self.boxes, self.confidence):
            # Of a face's answers that of its own scale is taken: whether others were asked changes nothing.
            same = self.own & (_ious(self.boxes[i], self.boxes) >= SAME_FACE_IOU)
            best.append(int(np.argmax(np.where(same, self.confidence, -1.0))) if same.any() else i)
        return best


def detect_faces(
    image: Pixels, models: Models, options: FacesOptions, expected: Expected = NOTHING
) -> tuple[Face, ...]:
    """Return the faces of a picture, left to right.

    Parameters
    ----------
    image
        (H, W, 3) RGB uint8 or uint16.
    models
        The networks to run.
    options
        The smallest face and the confidence asked for.
    expected
        Where as many faces are found as expected, much smaller ones are not looked for: that takes most of
        the time. The others are told no differently for it.

    Returns
    -------
    tuple of Face
        In the picture's own pixels; empty if there is none.
    """
    eight = imaging.to_eight_bit(image)
    seen = _search(eight, models, options, expected)
    found: list[Face] = []
    for i in seen.faces():
        region = region_of_detection(seen.boxes[i], seen.keypoints[i])
        confidence = float(seen.confidence[i])
        face = _landmarked(eight, models, region, seen.boxes[i], confidence, options, confirmed=False)
        # Two detections too far apart to be merged may still have led the landmarker to one face.
        if face is not None and not _is_one_of(face, found):
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
        confirmed=True,
    )
    return None if face is None or _is_one_of(face, known) else face


def head_at(image: Pixels, models: Models, expected: Float, known: Sequence[Face]) -> bool:
    """Return whether somebody's head is where a face is expected, though no face shows: turned away, covered.

    Parameters
    ----------
    image, models, expected
        As `look_again` takes them.
    known
        Faces found in it: where one of them is, nobody else's head can be.
    """
    low, high = expected.min(0), expected.max(0)
    width = float(high[0] - low[0])
    others = [np.add(f.box[:2], f.box[2:]) / 2 for f in known]
    if any(np.hypot(*(other - (low + high) / 2)) < HEAD_APART * width for other in others):
        return False
    middle = (low + high) / 2 + [0.0, 0.4 * width]
    size = np.array([image.shape[1], image.shape[0]])
    left, top = np.clip(middle - HEAD_SQUARE / 2 * width, 0, size).astype(int)
    right, bottom = np.clip(middle + HEAD_SQUARE / 2 * width, 0, size).astype(int)
    if min(right - left, bottom - top) < width:
        return False
    crop = imaging.to_eight_bit(np.ascontiguousarray(image[top:bottom, left:right]))
    head = np.zeros(crop.shape[:2], np.uint8)
    cv2.fillConvexPoly(head, cv2.convexHull((expected - [left, top]).astype(np.int32)), 1)
    return bool(head.any()) and float(models.people(crop)[head > 0].mean()) >= HEAD_SHOWS


def _is_one_of(face: Face, known: Sequence[Face]) -> bool:
    boxes = np.array([f.box for f in known]).reshape(-1, 4)
    return bool((_ious(np.array(face.box), boxes) >= SAME_FACE_IOU).any())


def _search(image: NDArray[np.uint8], models: Models, options: FacesOptions, expected: Expected) -> _Finds:
    copies = _Copies(image)
    scales = _scales((image.shape[1], image.shape[0]), options)
    passed_over = [s for s in scales if s.high_px < SIZE_SLACK * expected.smallest_px]
    found = _Finds.of([_look(copies, s, models, options) for s in scales if s not in passed_over])
    if passed_over:
        best = found.faces()
        # A face that its own scale has not seen may be told better by a finer one.
        if len(best) < expected.count or not found.own[best].all():
            found = _Finds.of([found, *(_look(copies, s, models, options) for s in passed_over)])
    return found


def _scales(size: tuple[int, int], options: FacesOptions) -> list[_Scale]:
    """Return the scales at which a picture (W, H) is searched, the finest first."""
    longest = float(max(size))
    sides = [options.min_face_px / SMALLEST_SHARE]
    sides = [FINEST * sides[0], *sides]
    # The last scale holds the whole picture, whatever its shape.
    while sides[-1] < longest:
        sides.append(min(sides[-1] * SCALE_STEP, longest))
    limits = [0.0, *(OWN_SHARE * side for side in sides[1:]), np.inf]
    return [
        _Scale(side_px=side, low_px=low, high_px=high)
        for side, low, high in zip(sides, limits[:-1], limits[1:], strict=True)
    ]


class _Copies:
    """One picture at the sizes asked for, each made from the smallest half of a half that is large enough.

    Averaging over areas is quick by halves alone: shrinking 24 megapixels in one step takes longer than
    looking at what comes of it.
    """

    def __init__(self, image: NDArray[np.uint8]) -> None:
        self.size = (image.shape[1], image.shape[0])
        self._halves = [image]

    def at(self, size: tuple[int, int]) -> NDArray[np.uint8]:
        """Return the picture at a (W, H)."""
        source = self._halves[0]
        for level in range(1, 16):
            h, w = (n // 2 for n in self._halves[level - 1].shape[:2])
            if w < size[0] or h < size[1]:
                break
            if level == len(self._halves):
                half = cv2.resize(_even(self._halves[-1]), (w, h), interpolation=cv2.INTER_AREA)
                self._halves.append(np.asarray(half, np.uint8))
            source = self._halves[level]
        larger = size[0] > source.shape[1] or size[1] > source.shape[0]
        way = cv2.INTER_LINEAR if larger else cv2.INTER_AREA
        return np.asarray(cv2.resize(source, size, interpolation=way), np.uint8)


def _look(copies: _Copies, scale: _Scale, models: Models, options: FacesOptions) -> _Finds:
    """Return what one scale sees."""
    width, height = copies.size
    factor = DETECTOR_PX / scale.side_px
    size = (max(1, round(width * factor)), max(1, round(height * factor)))
    small = copies.at(size)
    back = np.array([width / size[0], height / size[1]])
    boxes, keypoints, confidence = [np.zeros((0, 4))], [np.zeros((0, 6, 2))], [np.zeros(0)]
    for x, y, tile in _squares(small, models, options):
        seen = models.detect(tile, options.min_confidence)
        if len(seen.confidence) == 0:
            continue
        corner = np.array([x, y], np.float64)
        centred = seen.boxes.reshape(-1, 2, 2) * DETECTOR_PX + corner
        inner = _inside(centred, (x, y), small.shape[:2])
        boxes.append((centred * back - 0.5).reshape(-1, 4)[inner])
        keypoints.append(((seen.keypoints * DETECTOR_PX + corner) * back - 0.5)[inner])
        confidence.append(seen.confidence[inner])
    found = np.concatenate(boxes)
    wide = found[:, 2] - found[:, 0]
    return _Finds(
        boxes=found,
        keypoints=np.concatenate(keypoints),
        confidence=np.concatenate(confidence),
        own=(wide >= scale.low_px) & (wide < scale.high_px),
    )


def _squares(small: NDArray[np.uint8], models: Models, options: FacesOptions) -> list[Tile]:
    """Return the squares of a copy that are worth a look: those in which there is the hint of a face."""
    height, width = small.shape[:2]
    xs, ys = (np.array(_starts(length)) for length in (width, height))
    wanted = np.ones((len(ys), len(xs)), bool)
    if wanted.size > FEW_SQUARES:
        hints = _hints(small, models, options)
        slack = HINT_SLACK * (hints[:, 2:] - hints[:, :2])
        low, high = hints[:, :2] + slack, hints[:, 2:] - slack
        in_x, in_y = (
            (low[:, k, None] >= starts) & (high[:, k, None] <= starts + DETECTOR_PX)
            for k, starts in enumerate((xs, ys))
        )
        wanted = (in_y.T.astype(np.float32) @ in_x.astype(np.float32)) > 0
    padded = np.zeros((max(height, DETECTOR_PX), max(width, DETECTOR_PX), 3), np.uint8)
    padded[:height, :width] = small
    return [
        (x, y, np.ascontiguousarray(padded[y : y + DETECTOR_PX, x : x + DETECTOR_PX]))
        for x, y in ((int(xs[i]), int(ys[k])) for k, i in np.argwhere(wanted))
    ]


def _even(picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return a picture less its last odd line, which has no other to be averaged with."""
    return picture[: picture.shape[0] // 2 * 2, : picture.shape[1] // 2 * 2]


def _starts(length: int) -> list[int]:
    last = max(0, length - DETECTOR_PX)
    return [*range(0, last, DETECTOR_PX // 2), last]


def _hints(small: NDArray[np.uint8], models: Models, options: FacesOptions) -> Float:
    """Return the (N, 4) boxes of what a quick look over a whole copy takes for faces, in its pixels."""
    size = (small.shape[1], small.shape[0])
    width, height = (max(1, round(v * HINT_SCALE)) for v in size)
    small = np.asarray(cv2.resize(small, (width, height), interpolation=cv2.INTER_LINEAR), np.uint8)
    boxes = [np.zeros((0, 4))]
    for x in _blocks(width):
        for y in _blocks(height):
            block = np.zeros((BLOCK_PX, BLOCK_PX, 3), np.uint8)
            part = small[y : y + BLOCK_PX, x : x + BLOCK_PX]
            block[: part.shape[0], : part.shape[1]] = part
            found = models.hints(block, HINT_SHARE * options.min_confidence)
            boxes.append(found + np.array([x, y, x, y]))
    return np.asarray(np.concatenate(boxes) * np.tile([size[0] / width, size[1] / height], 2))


def _blocks(length: int) -> list[int]:
    """Return where blocks begin that overlap and cover a side."""
    count = max(1, -(-(length - BLOCK_OVERLAP_PX) // (BLOCK_PX - BLOCK_OVERLAP_PX)))
    return [max(0, length - BLOCK_PX) * k // max(1, count - 1) for k in range(count)]


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
    left = np.argsort(-confidence, kind="stable")
    while len(left):
        kept.append(int(left[0]))
        left = left[1:][~_same(boxes[left[0]], boxes[left[1:]])]
    return kept


def _same(box: Float, others: Float) -> NDArray[np.bool_]:
    """Return which (N,) of other boxes are of the same face."""
    both = _overlaps(box, others)
    # A box that lies within another of a coarser scale has a small IoU and is still the same face.
    smaller = np.minimum(_areas(box[None]), _areas(others))
    return np.asarray((_ious(box, others) >= SAME_FACE_IOU) | (both >= 0.8 * smaller))


def _areas(boxes: Float) -> Float:
    return np.asarray(np.maximum(boxes[:, 2:] - boxes[:, :2], 0).prod(axis=1))


def _overlaps(box: Float, others: Float) -> Float:
    extent = np.minimum(box[2:], others[:, 2:]) - np.maximum(box[:2], others[:, :2])
    return np.asarray(np.maximum(extent, 0).prod(axis=1))


def _ious(box: Float, others: Float) -> Float:
    """Return the (N,) intersections over union of a box with others, in [0, 1]."""
    both = _overlaps(box, others)
    union = _areas(box[None]) + _areas(others) - both
    return np.divide(both, union, out=np.zeros_like(both), where=union > 0)


def _landmarked(
    image: NDArray[np.uint8],
    models: Models,
    region: Region,
    box: Float,
    confidence: float,
    options: FacesOptions,
    *,
    confirmed: bool,
) -> Face | None:
    """Return the face that the landmarker finds in a region, if it lies where `box` says.

    A cup or a cloud of stars may pass for a face at two looks, but then the landmarks wander from look to
    look; whoever is not `confirmed` by what else is known must keep still.
    """
    first = _first_look(image, models, region, confidence)
    if first.presence < MIN_PRESENCE:
        return None
    # The second look, from the first one's landmarks, centres the face: blink scores depend on it.
    second = models.landmarks(image, region_of_landmarks(first.points))
    if second.presence < MIN_PRESENCE:
        return None
    if not confirmed and _wandered(first.points, second.points) > SURELY_STILL:
        third = models.landmarks(image, region_of_landmarks(second.points))
        most = STILL + STILL_MORE * (confidence - options.min_confidence)
        if third.presence < MIN_PRESENCE or _wandered(second.points, third.points) > most:
            return None
    points = second.points
    low, high = points[:, :2].min(0), points[:, :2].max(0)
    found = (float(low[0]), float(low[1]), float(high[0]), float(high[1]))
    if high[0] - low[0] < options.min_face_px * 0.8:
        return None
    mine = np.array([found])
    if _overlaps(box, mine)[0] < 0.3 * min(_areas(mine)[0], _areas(box[None])[0]):
        return None
    # A face whose middle lies outside the picture is invented by the network.
    centre = (low + high) / 2
    if not (0 <= centre[0] < image.shape[1] and 0 <= centre[1] < image.shape[0]):
        return None
    near = hands.hands_near(
        image,
        points[list(MOUTH), :2].mean(0),
        high[0] - low[0],
        models,
        hands.REACHES if confidence >= DOUBTFUL else hands.CLOSE_REACHES,
    )
    if confidence < DOUBTFUL and any(hands.share_within(points[:, :2], h) > hands.IS_HAND for h in near):
        return None
    return Face(
        box=found,
        landmarks=frozen(points),
        blendshapes=frozen(models.blendshapes(points)),
        appearance=frozen(_appearance(image, found)),
        confidence=confidence,
        hands=frozen(near[[hands.share_within(h, points[:, :2]) < hands.WITHIN for h in near]]),
    )


def _first_look(image: NDArray[np.uint8], models: Models, region: Region, confidence: float) -> Landmarks:
    """Return the first look at a region in which the landmarker sees a face, or the last one there is."""
    look = models.landmarks(image, region)
    for _ in range(SURE_LOOKS - 1 if confidence >= SURE else 0):
        if look.presence >= MIN_PRESENCE:
            break
        look = models.landmarks(image, region_of_landmarks(look.points))
    return look


def _wandered(before: Float, after: Float) -> float:
    """Return how far landmarks have moved between two looks, root mean square, in face widths."""
    apart = (before[:, :2] - after[:, :2]) ** 2
    return float(np.sqrt(apart.sum(1).mean()) / max(float(np.ptp(after[:, 0])), 1.0))


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
