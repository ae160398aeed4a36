"""Gives whole donors, laid as their heads were, for the layered file: to paint from."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import numpy as np

from facemerge import imaging
from facemerge.composite import lay_frame
from facemerge.formats import photo
from facemerge.formats.openraster import Hidden, layer_name
from facemerge.pipeline.outlines import in_form_of
from facemerge.words import Analysis, Array, Choice, Float, Head


def hidden_donors(analysis: Analysis, chosen: Choice, heads: Sequence[Head]) -> list[Hidden]:
    """Return the whole donor of every head, and of everybody whose better head was left out.

    Parameters
    ----------
    analysis
        What is known of the burst.
    chosen
        The base and everybody's pick.
    heads
        Those that were set in.
    """
    made = {h.person: h for h in heads}
    found = []
    for pick in chosen.picks:
        head = made.get(pick.person)
        if head is not None and head.base_from_donor is not None:
            frame, laid, gain, words = pick.frame, head.base_from_donor, head.gain, "whole"
        elif pick.left is not None:
            frame, gain, words = pick.left, (1.0, 1.0, 1.0), "not set in"
            laid = analysis.base_from_frame(chosen.base, frame)
        else:
            continue
        found.append(
            Hidden(
                person=pick.person,
                name=f"{layer_name(pick.person, analysis.frames[frame].name)}, {words}",
                picture=partial(_whole, analysis, chosen.base, frame, laid, gain),
            )
        )
    return found


def _whole(
    analysis: Analysis, base: int, frame: int, base_from_donor: Float, gain: tuple[float, float, float]
) -> Array:
    """Return (H, W, 4) RGBA: a frame as it lies over the base, opaque where it reaches.

    Raises
    ------
    InputError
        If the frame can no longer be read.
    """
    old, new = analysis.frames[base], analysis.frames[frame]
    pixels, reached = lay_frame(in_form_of(photo.read(new), new, old), base_from_donor, old.size, gain)
    whole = np.empty((*reached.shape, 4), pixels.dtype)
    whole[..., :3] = pixels
    whole[..., 3] = reached
    whole[..., 3] *= imaging.full_scale(pixels)
    return whole
