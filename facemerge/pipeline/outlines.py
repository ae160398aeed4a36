"""Everybody's outline in the frames of a burst, each told once, whatever is set into what."""

from __future__ import annotations

import dataclasses

import numpy as np

from facemerge import composite, imaging
from facemerge.formats import icc, photo
from facemerge.pipeline.draft import Draft
from facemerge.words import Aligned, Analysis, Face, Float, Frame, Missing, Pixels

FEWEST_WITNESSES = 3
MOST_WITNESSES = 7
"""How many frames people are told apart by."""
SHARP_ENOUGH = 0.6
"""A face less sharp than this share of the person's sharpest one is blurred."""


class Outlines:
    """A burst's silhouettes."""

    def __init__(self, draft: Draft) -> None:
        """Take the burst, at a size at which faces can be told apart."""
        self._draft = draft
        self._glimpses: dict[int, composite.Glimpse] = {}
        self._alone: dict[int, composite.Silhouettes | None] = {}
        self._told: dict[int, composite.Silhouettes | None] = {}
        self._blurred = blurred_in(draft.analysis)

    def resized(self, draft: Draft) -> Outlines:
        """Return these outlines for the same burst at another size."""
        made = Outlines(draft)
        made._glimpses = {
            f: dataclasses.replace(seen, small_from_frame=self._resized(seen.small_from_frame, f, draft))
            for f, seen in self._glimpses.items()
        }
        for mine, theirs in ((self._alone, made._alone), (self._told, made._told)):
            for f, told in mine.items():
                theirs[f] = told and dataclasses.replace(
                    told, small_from_frame=self._resized(told.small_from_frame, f, draft)
                )
        return made

    def _resized(self, small_from_frame: Float, frame: int, draft: Draft) -> Float:
        """Return a (3, 3) matrix from the pixels of the frame that another draft has."""
        old, new = (d.analysis.frames[frame].size for d in (self._draft, draft))
        return np.asarray(small_from_frame @ imaging.scale_matrix(new, old))

    def of(self, frame: int) -> composite.Silhouettes | None:
        """Return whose each pixel of a frame is; None if nobody is in it, or no other frame tells.

        Raises
        ------
        InputError
            If a frame can no longer be read.
        """
        if frame not in self._told:
            found = self._by_itself(frame)
            if found is not None:
                others = []
                for f, glimpse, motion in self._others(frame):
                    theirs = self._by_itself(f)
                    assert theirs is not None
                    others.append((glimpse, motion, theirs))
                found = composite.reconcile(self._glimpse(frame), found, others)
            self._told[frame] = found
        return self._told[frame]

    def _by_itself(self, frame: int) -> composite.Silhouettes | None:
        """Return a frame's silhouettes before they are held against those of others."""
        if frame not in self._alone:
            target = self._glimpse(frame)
            others = [(glimpse, motion) for _, glimpse, motion in self._others(frame)]
            self._alone[frame] = composite.segment(target, others) if target.faces and others else None
        return self._alone[frame]

    def _others(self, frame: int) -> list[tuple[int, composite.Glimpse, Float]]:
        """Return the frames by which one is told: index, picture, and the (3, 3) matrix frame_from_other."""
        motion = self._draft.analysis.base_from_frame
        return [(f, self._glimpse(f), motion(frame, f)) for f in self._witnesses() if f != frame]

    def faces(self, frame: int) -> dict[int, Face]:
        """Return everybody's face in a frame, or where it should be, by their index."""
        analysis = self._draft.analysis
        return {i: face for i in range(len(analysis.people)) if (face := analysis.place(i, frame))}

    def blurred(self, frame: int) -> frozenset[int]:
        """Return the indices of those of whom a frame shows nothing to be kept: blurred, or turned away."""
        return self._blurred[frame]

    def _witnesses(self) -> list[int]:
        """Return the frames by which people are told apart: some, spread over the burst."""
        fates = self._draft.analysis.alignments
        usable = [f for f, a in enumerate(fates) if isinstance(a, Aligned) and self.faces(f)]
        # A frame that lies only roughly tells what has moved where nothing has.
        exact = [f for f in usable if not self._draft.analysis.is_rough(self._draft.analysis.reference, f)]
        usable = exact if len(exact) >= FEWEST_WITNESSES else usable
        shown = np.linspace(0, len(usable) - 1, min(MOST_WITNESSES, len(usable))).round().astype(int)
        return [usable[i] for i in dict.fromkeys(shown.tolist())]

    def _glimpse(self, frame: int) -> composite.Glimpse:
        if frame not in self._glimpses:
            analysis = self._draft.analysis
            to, own = analysis.frames[analysis.reference], analysis.frames[frame]
            widths = [f.box[2] - f.box[0] for p in analysis.people for f in p.faces if isinstance(f, Face)]
            self._glimpses[frame] = composite.glimpse(
                in_form_of(self._draft.read(own), own, to), self.faces(frame), float(np.median(widths))
            )
        return self._glimpses[frame]


def blurred_in(analysis: Analysis) -> list[frozenset[int]]:
    """Return for each frame the indices of those of whom it shows nothing that is to be kept.

    They are much less sharp in it than in their sharpest one, or their face does not show.
    """
    found: list[set[int]] = [set() for _ in analysis.frames]
    for i, person in enumerate(analysis.people):
        sharp = [None if s is None else s.sharpness.value for s in analysis.scores[person.id]]
        most = max((v for v in sharp if v is not None), default=0.0)
        for frame, value in enumerate(sharp):
            lost = isinstance(person.faces[frame], Missing) and analysis.place(i, frame) is not None
            if lost or (value is not None and value < SHARP_ENOUGH * most):
                found[frame].add(i)
    return [frozenset(people) for people in found]


def in_form_of(pixels: Pixels, frame: Frame, base: Frame) -> Pixels:
    """Return a donor's pixels in the base's profile, depth and, if that is grey, without colour."""
    pixels = photo.converted(pixels, frame, profile=base.profile, bit_depth=base.bit_depth)
    return icc.without_colour(pixels) if base.channels == 1 else pixels
