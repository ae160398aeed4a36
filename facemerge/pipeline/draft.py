"""Small stand-ins for large frames: seams are tried on them, and only what is chosen is made at full size."""

from __future__ import annotations

import math
import threading
from collections import OrderedDict
from dataclasses import dataclass, replace

import numpy as np

from facemerge import imaging
from facemerge.pipeline.look import Read
from facemerge.words import Aligned, Analysis, Face, Float, Frame, Missing, Person, Pixels

MOST_DRAFT_BYTES = 150_000_000
"""What drafts of frames that are kept may take: of 24 megapixels 8."""
DRAFT_FACE_PX = 130.0
"""Faces are left at least so wide: a little more than the size at which seams are sought."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Draft:
    """A burst as if it had been taken smaller."""

    analysis: Analysis
    """All that is known, in the small frames' pixels."""
    read: Read
    """Gives a small frame's pixels, in the file's profile and depth."""
    shrink: int
    """How many times as wide the true frames are: 1, 2, 4 …"""


def draft_of(analysis: Analysis, read: Read) -> Draft:
    """Return a burst's stand-in, as small as its faces allow; the burst itself if they are small already.

    Parameters
    ----------
    analysis
        What is known of the burst.
    read
        Gives a frame's pixels as its file has them.
    """
    widths = [f.box[2] - f.box[0] for p in analysis.people for f in p.faces if isinstance(f, Face)]
    return shrunk(
        analysis,
        read,
        2 ** max(0, math.floor(math.log2(float(np.median(widths)) / DRAFT_FACE_PX))) if widths else 1,
    )


def kept_draft_of(analysis: Analysis, read: Read) -> Draft:
    """Return a burst's stand-in that keeps the frames it has read, as far as there is room.

    Whoever tells people apart, and whoever lays them, asks for the same frames.

    Parameters
    ----------
    analysis, read
        As `draft_of` takes them.
    """
    draft = draft_of(analysis, read)
    return replace(draft, read=Kept(draft.read, MOST_DRAFT_BYTES))


def shrunk(analysis: Analysis, read: Read, shrink: int) -> Draft:
    """Return a burst as if it had been taken smaller.

    Parameters
    ----------
    analysis, read
        As `draft_of` takes them.
    shrink
        How many times as wide the true frames are, at least 1.
    """
    if shrink == 1:
        return Draft(analysis=analysis, read=read, shrink=1)
    large = {f.name: f for f in analysis.frames}
    frames = tuple(replace(f, size=(f.size[0] // shrink, f.size[1] // shrink)) for f in analysis.frames)
    small_from_large = [
        imaging.scale_matrix(a.size, b.size) for a, b in zip(analysis.frames, frames, strict=True)
    ]
    reference = small_from_large[analysis.reference]
    small = replace(
        analysis,
        frames=frames,
        alignments=tuple(
            replace(
                a,
                reference_from_frame=reference @ a.reference_from_frame @ np.linalg.inv(m),
                error_px=a.error_px / shrink,
            )
            if isinstance(a, Aligned)
            else a
            for a, m in zip(analysis.alignments, small_from_large, strict=True)
        ),
        people=tuple(_person(p, small_from_large) for p in analysis.people),
    )

    def read_small(frame: Frame) -> Pixels:
        return imaging.resize(read(large[frame.name]), frame.size)

    return Draft(analysis=small, read=read_small, shrink=shrink)


def _person(person: Person, small_from_large: list[Float]) -> Person:
    return replace(
        person, faces=tuple(_moved(f, m) for f, m in zip(person.faces, small_from_large, strict=True))
    )


def _moved(face: Face | Missing, small_from_large: Float) -> Face | Missing:
    match face:
        case Missing(place=place):
            return face if place is None else replace(face, place=_face(place, small_from_large))
        case Face():
            return _face(face, small_from_large)


def _face(face: Face, small_from_large: Float) -> Face:
    corners = imaging.transform(small_from_large, np.array(face.box, np.float64).reshape(2, 2))
    points = imaging.transform(small_from_large, face.landmarks[:, :2])
    depth = face.landmarks[:, 2:] * small_from_large[0, 0]
    return replace(
        face,
        box=(float(corners[0, 0]), float(corners[0, 1]), float(corners[1, 0]), float(corners[1, 1])),
        landmarks=np.hstack([points, depth]),
    )


class Kept:
    """Reads frames, the last one kept, and those before it as far as there is room; for several threads."""

    def __init__(self, read: Read, most_bytes: int) -> None:
        """Take what reads a frame, and how many bytes those that are kept may take."""
        self._read = read
        self._most_bytes = most_bytes
        self._pixels: OrderedDict[str, Pixels] = OrderedDict()
        self._lock = threading.Lock()

    def __call__(self, frame: Frame) -> Pixels:
        with self._lock:
            if frame.name in self._pixels:
                self._pixels.move_to_end(frame.name)
                return self._pixels[frame.name]
        pixels = self._read(frame)
        with self._lock:
            self._pixels[frame.name] = pixels
            while len(self._pixels) > 1 and sum(p.nbytes for p in self._pixels.values()) > self._most_bytes:
                self._pixels.popitem(last=False)
        return pixels
