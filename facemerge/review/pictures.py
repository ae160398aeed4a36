"""The pictures of the page as JPEG and PNG files: whole, in part, masks, and everybody's faces."""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from facemerge import imaging
from facemerge.errors import InputError, OutputError
from facemerge.formats import cache, icc
from facemerge.formats.previews import srgb_jpeg
from facemerge.pipeline.looker import Read
from facemerge.words import Aligned, Analysis, Array, Face, Float, Frame, Head

FACE_SIZE = (320, 400)
FACE_ROOM = 1.9
"""How many face widths a face's picture is wide: hair and collar tell who it is and how the head is held."""
EYES_AT = 0.42
"""How far down a face's picture the eyes are."""
EYES = (33, 133, 362, 263)
"""Landmarks at the corners of the eyes, as the landmarker numbers them."""
DIFFERENCE_GAIN = 4
"""By how much a difference is raised: a seam that an eye can find is a few steps of 255."""
QUALITY = 88


def whole(image: Array, profile: bytes | None, size: tuple[int, int]) -> bytes:
    """Return a picture at (W, H) as a JPEG file; (H, W, 3) uint8 or uint16 in `profile`, None is sRGB."""
    fitted = image if image.shape[1::-1] == size else imaging.resize(np.ascontiguousarray(image), size)
    return srgb_jpeg(fitted, profile, quality=QUALITY)


def part(image: Array, profile: bytes | None, zoom: int) -> bytes:
    """Return a part of a picture as a JPEG file, each pixel as `zoom` times as many: none is made up."""
    grown = np.repeat(np.repeat(image, zoom, axis=0), zoom, axis=1)
    return srgb_jpeg(grown, profile, quality=92)


def difference(a: Array, b: Array, profile: bytes | None) -> Array:
    """Return how far two pictures differ as grey, (H, W, 3) uint8: white is nothing, darker is more."""
    first, second = (icc.to_srgb(np.ascontiguousarray(i), profile).astype(np.int16) for i in (a, b))
    apart = np.abs(first - second).max(axis=2) * DIFFERENCE_GAIN
    grey = (255 - np.minimum(apart, 255)).astype(np.uint8)
    return np.repeat(grey[..., None], 3, axis=2)


def mask(head: Head, size: tuple[int, int]) -> bytes:
    """Return a head's mask at (W, H) as a PNG file: white, as opaque as the head."""
    small = imaging.to_eight_bit(imaging.resize(np.ascontiguousarray(head.mask), size))
    picture = np.full((*small.shape, 4), 255, np.uint8)
    picture[..., 3] = small
    done, data = cv2.imencode(".png", picture, [cv2.IMWRITE_PNG_COMPRESSION, 3])
    if not done:
        raise OutputError("A picture for the page could not be encoded.")
    return bytes(data.tobytes())


# -- faces --------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Strip:
    """Everybody's face in one frame."""

    people: tuple[str, ...]
    pictures: tuple[bytes, ...]
    """JPEG files of `FACE_SIZE`, in the order of `people`."""


class Faces:
    """Everybody's faces, a frame read once for all of them, and kept beside OUT; for several threads."""

    def __init__(self, analysis: Analysis, out: Path, read: Read) -> None:
        """Take what is known of a burst, the folder of its result, and what gives a frame's pixels."""
        self._analysis = analysis
        self._read = read
        self._folder = cache.beside(out)
        self._shelf = cache.Shelf(self._folder)
        self._strips: dict[int, dict[str, bytes]] = {}
        self._keys: dict[int, str] = {}
        self._locks = [threading.Lock() for _ in analysis.frames]
        self._reading = threading.Semaphore(2)
        self._scales = {p.id: _scale(analysis, p.faces) for p in analysis.people}

    def picture(self, person: str, frame: int) -> bytes | None:
        """Return a face as a JPEG file, or None if the person was not found in the frame.

        Raises
        ------
        InputError
            If the frame can no longer be read.
        """
        self.make(frame)
        return self._strips[frame].get(person)

    def make(self, frame: int) -> None:
        """Make everybody's face in a frame, if that is not done; InputError as `picture`."""
        with self._locks[frame]:
            if frame not in self._strips:
                self._strips[frame] = self._strip(frame)

    def keep_again(self) -> None:
        """Put what was made back beside OUT: a merge tidies away what it does not know."""
        self._shelf = cache.Shelf(self._folder)
        for frame, strip in list(self._strips.items()):
            self._shelf.keep(self._keys[frame], _kept(strip))

    def _strip(self, index: int) -> dict[str, bytes]:
        frame = self._analysis.frames[index]
        key = self._keys[index] = self._key(index, frame)
        found = self._shelf.find(key, Strip)
        if found is not None and len(found.people) == len(found.pictures):
            return dict(zip(found.people, found.pictures, strict=True))
        with self._reading:
            strip = self._made(index, self._read(frame), frame)
        self._shelf.keep(key, _kept(strip))
        return strip

    def _key(self, index: int, frame: Frame) -> str:
        try:
            with open(frame.path, "rb") as file:
                content = hashlib.file_digest(file, "sha256").hexdigest()
        except OSError as error:
            raise InputError(f"{frame.name} can no longer be read.") from error
        where = hashlib.sha256()
        for p in self._analysis.people:
            if isinstance(face := p.faces[index], Face):
                said = f"{p.id} {face.box} {self._scales[p.id]} {_turn(self._analysis, index).tolist()}"
                where.update(said.encode())
        return cache.key(
            {"what": "faces side by side", "size": FACE_SIZE, "frame": content, "where": where.hexdigest()}
        )

    def _made(self, index: int, image: Array, frame: Frame) -> dict[str, bytes]:
        return {
            p.id: srgb_jpeg(
                _cut(image, face, _turn(self._analysis, index) * self._scales[p.id]),
                frame.profile,
                quality=84,
            )
            for p in self._analysis.people
            if isinstance(face := p.faces[index], Face)
        }


def _kept(strip: dict[str, bytes]) -> Strip:
    return Strip(people=tuple(strip), pictures=tuple(strip.values()))


def _turn(analysis: Analysis, frame: int) -> Float:
    """Return the (2, 2) turn and scale that lays a frame on the reference, at its middle."""
    match analysis.alignments[frame]:
        case Aligned(reference_from_frame=matrix):
            middle = (np.array(analysis.frames[frame].size, np.float64) - 1) / 2
            ends = imaging.transform(matrix, middle + np.array([(0, 0), (1, 0), (0, 1)]))
            return np.asarray((ends[1:] - ends[0]).T, np.float64)
        case _:
            return np.eye(2)


def _scale(analysis: Analysis, faces: Sequence[object]) -> float:
    """Return how much one person's faces are enlarged, the same in all frames."""
    widths = [
        (f.box[2] - f.box[0]) * float(np.sqrt(abs(np.linalg.det(_turn(analysis, i)))))
        for i, f in enumerate(faces)
        if isinstance(f, Face)
    ]
    return FACE_SIZE[0] / (FACE_ROOM * float(np.median(widths))) if widths else 1.0


def _cut(image: Array, face: Face, turn: Float) -> Array:
    """Return a face with its eyes where everybody's are; `turn` (2, 2) takes the frame's pixels there."""
    w, h = FACE_SIZE
    eyes = face.landmarks[list(EYES), :2].mean(axis=0)
    to = np.array([(w - 1) / 2, EYES_AT * (h - 1)])
    matrix = np.eye(3)
    matrix[:2, :2], matrix[:2, 2] = turn, to - turn @ eyes
    rims = np.array([(0, 0), (w - 1, 0), (0, h - 1), (w - 1, h - 1)], np.float64)
    corners = imaging.transform(np.asarray(np.linalg.inv(matrix), np.float64), rims)
    # Halved before it is turned: a warp looks at few pixels, and would alias.
    low = np.maximum(np.floor(corners.min(0)).astype(int) - 8, 0) // 8 * 8
    high = np.minimum(np.ceil(corners.max(0)).astype(int) + 9, image.shape[1::-1])
    cut = np.ascontiguousarray(image[low[1] : high[1], low[0] : high[0]])
    if 0 in cut.shape:
        return np.full((h, w, 3), imaging.full_scale(image) // 2, image.dtype)
    scale = float(np.sqrt(abs(np.linalg.det(turn))))
    small = (max(1, round(cut.shape[1] * scale)), max(1, round(cut.shape[0] * scale)))
    fitted = imaging.resize(cut, small) if scale < 1 else cut
    cut_from_fitted = imaging.scale_matrix(fitted.shape[1::-1], cut.shape[1::-1])
    return imaging.warp(
        fitted,
        matrix @ imaging.shift_matrix(float(low[0]), float(low[1])) @ cut_from_fitted,
        FACE_SIZE,
        interpolation=cv2.INTER_LINEAR,
        border=cv2.BORDER_REPLICATE,
    )
