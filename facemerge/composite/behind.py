"""What stood behind a head, from a third frame: where the donor ends, or somebody stands before it there."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge import imaging
from facemerge.composite import place, tone
from facemerge.composite.stage import KNOWN_SHARE, PERSON_CHANCE, Filling, Seen, Stage, people
from facemerge.models import Models
from facemerge.words import Float, Pixels

MOST_READ = 2
RIM_PX = 3
"""Working pixels about a person that are not trusted to show none."""
OVERLAP_PX = 5
"""Working pixels by which a filling reaches over the donor: its outermost are mixed with nothing."""
FEWEST_PX = 12
"""A filling of fewer working pixels than this is worth no frame's reading."""

Spare = Callable[[], tuple[Pixels, Float]]
"""Reads a frame: its (H, W, 3) pixels in the base's form, and (3, 3) base_from_frame."""


class Spares:
    """Third frames for one window: read when first asked for, in their order, and not more than a few."""

    def __init__(self, common: Stage, frames: Sequence[Spare], models: Models) -> None:
        self._common = common
        self._frames = frames[:MOST_READ]
        self._models = models
        self._seen: list[Seen] = []

    def fillings(self, lacking: NDArray[np.bool_], wanted: NDArray[np.bool_]) -> tuple[Filling, ...]:
        """Return what fills `lacking`, from the first frame on that shows it with nobody before it.

        Parameters
        ----------
        lacking
            (h, w) working pixels of which the donor says nothing that could be used.
        wanted
            (h, w) those for which a frame is worth reading; where they are filled no further one is read.
        """
        found: list[Filling] = []
        left = lacking.copy()
        for n in range(len(self._frames)):
            if (left & wanted).sum() < FEWEST_PX:
                break
            seen = self._at(n)
            over = np.ones((2 * OVERLAP_PX + 1, 2 * OVERLAP_PX + 1), np.uint8)
            take = (cv2.dilate((left & seen.clear).astype(np.uint8), over) > 0) & seen.clear
            share = cv2.GaussianBlur(take.astype(np.float32), (0, 0), 1.0)
            found.append(Filling(seen=seen, share=np.asarray(share, np.float32)))
            left &= share < KNOWN_SHARE
        return tuple(found)

    def _at(self, n: int) -> Seen:
        if n < len(self._seen):
            return self._seen[n]
        pixels, base_from_frame = self._frames[n]()
        common, window = self._common, self._common.window
        placed, valid = place.sample(pixels, base_from_frame, window.offset, window.size, fine=window.fine)
        small, known = window.shrink(placed), ~window.shrink_mask(~valid)
        rim = np.ones((2 * RIM_PX + 1, 2 * RIM_PX + 1), np.uint8)
        somebody = (people(small, self._models) > PERSON_CHANCE) & known
        clear = known & ~(cv2.dilate(somebody.astype(np.uint8), rim) > 0)
        gain = tone.gain_field(common.base, small, clear & ~common.anybody)
        seen = Seen(
            pixels=pixels,
            base_from_frame=base_from_frame,
            small=tone.apply_gain(small, gain),
            clear=clear,
            gain=gain,
        )
        self._seen.append(seen)
        return seen


def lay(
    picture: NDArray[np.float32],
    fillings: Sequence[Filling],
    offset: tuple[int, int],
    size: tuple[int, int],
    bend_px: NDArray[np.float32],
) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Return a toned donor of full size with the fillings laid over it, and where they are all there is.

    Parameters
    ----------
    picture
        (h, w, 3) encoded in [0, 1].
    fillings
        As `Spares.fillings` returns them.
    offset, size
        The window in the base.
    bend_px
        (h, w, 2) the bend of the donor, which its filling shares.
    """
    filled = np.zeros(picture.shape[:2], bool)
    if not fillings:
        return picture, filled
    w, h = size
    y, x = np.mgrid[0:h, 0:w].astype(np.float32)
    for filling in fillings:
        seen = filling.seen
        raw, valid = place.sample(seen.pixels, seen.base_from_frame, offset, size, bend_px)
        share, gain = (
            cv2.resize(f, size, interpolation=cv2.INTER_LINEAR) for f in (filling.share, seen.gain)
        )
        share = cv2.remap(share, x + bend_px[..., 0], y + bend_px[..., 1], cv2.INTER_LINEAR) * valid
        toned = tone.apply_gain(imaging.to_unit(raw), np.asarray(gain, np.float32))
        picture = np.asarray(picture * (1 - share[..., None]) + toned * share[..., None], np.float32)
        filled |= share > KNOWN_SHARE
    return picture, filled
