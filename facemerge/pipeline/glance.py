"""What one frame alone tells: its faces, what each is judged by, and what alignment keeps of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from facemerge import align, composite, faces, scores
from facemerge.formats.previews import face_picture
from facemerge.models import Models
from facemerge.options import Options
from facemerge.pipeline.progress import Clock
from facemerge.words import Face, Float, Frame, Missing, Pixels


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Portrait:
    """One face and what is kept of it once the pixels are gone."""

    face: Face
    measures: scores.Measures
    patch: composite.Patch
    """What the forecast of seams compares."""
    thumbnail: bytes
    """An sRGB JPEG file."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Glance:
    """All that one frame alone gives, whatever the other frames are."""

    portraits: tuple[Portrait, ...]
    """Left to right; faces found by a second look come last."""
    view: align.View | None
    """What alignment compares, a few megabytes: let go (None) once the frame is placed."""
    heads: tuple[Float, ...] = ()
    """(2,) x, y of heads that a second look finds where a face was overlooked, in pixels."""

    @property
    def faces(self) -> tuple[Face, ...]:
        """The faces, in the order of the portraits."""
        return tuple(p.face for p in self.portraits)

    def index_of(self, face: Face | Missing) -> int | None:
        """Return which portrait is that of a face, None if none is."""
        return next((i for i, p in enumerate(self.portraits) if p.face is face), None)


def glance(
    frame: Frame,
    image: Pixels,
    models: Models,
    options: Options,
    clock: Clock | None = None,
    expected: faces.Expected = faces.NOTHING,
) -> Glance:
    """Return all that one frame alone gives.

    Pure: the same frame, pixels and options give the same answer, in any thread and in any order.

    Parameters
    ----------
    frame
        What its file says.
    image
        (H, W, 3) RGB uint8 or uint16, as `analyse` reads it.
    models, options
        The networks; the settings, of which the slices `faces` and `align` matter.
    clock
        Told where the time goes.
    expected
        Which faces other frames lead one to expect.
    """
    clock = clock or Clock()
    with clock.part("Finding the faces"):
        found = faces.detect_faces(image, models, options.faces, expected)
    with clock.part("Measuring the faces"):
        portraits = tuple(portray(frame, image, face) for face in found)
    with clock.part("Aligning"):
        view = align.view_of(image, found, options.align)
    return Glance(portraits=portraits, view=view)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Overlooked:
    """What a second look finds."""

    portraits: tuple[Portrait, ...]
    heads: tuple[Float, ...]
    """(2,) the middles of the places at which there is a head, whether its face shows or not."""


def overlooked(
    frame: Frame, image: Pixels, seen: Glance, expected: Sequence[Float], models: Models, options: Options
) -> Overlooked:
    """Return who is found at a second look where (478, 2) landmarks are expected; else as `glance`."""
    more: list[Portrait] = []
    heads: list[Float] = []
    for where in expected:
        known = (*seen.faces, *(p.face for p in more))
        face = faces.look_again(image, models, where, known, options.faces)
        if face is not None:
            more.append(portray(frame, image, face))
        # What passes for a face where one is expected may yet be nobody's that is known.
        if faces.head_at(image, models, where, seen.faces):
            heads.append((where.min(0) + where.max(0)) / 2)
    return Overlooked(portraits=tuple(more), heads=tuple(heads))


def portray(frame: Frame, image: Pixels, face: Face) -> Portrait:
    """Return what is kept of one face of a frame; `frame` and `image` as `glance` takes them."""
    return Portrait(
        face=face,
        measures=scores.measure(image, face),
        patch=composite.patch_of(image, face),
        thumbnail=face_picture(image, face.box, frame.profile),
    )
