"""Tries the ways to set one head in, and takes the one that shows least."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor

import cv2
import numpy as np

from facemerge.composite import measure, place
from facemerge.composite.stage import Fill, Laid, Stage, laid_out
from facemerge.composite.trial import Trial, attempt
from facemerge.models import Models
from facemerge.words import Array, Face, Way

Where = tuple[Array, Face, Sequence[Face]]
"""The donor, the face in it, and everybody else's there."""

DEAR = 3.0
"""Price of a seam from which further ways are tried."""
USUAL = (Way(straight=True), Way(straight=True, long_fade=False), Way(straight=False))
USUAL_MOVED = (Way(straight=False, moved=True),)
FURTHER = (
    Way(straight=True, stiff=True),
    Way(straight=True, long_fade=False, near=True),
    Way(straight=True, stiff=True, near=True),
)
FURTHER_MOVED = (Way(straight=True, moved=True), Way(straight=True, stiff=True, moved=True))
WIDE = (Way(straight=True, wide=True), Way(straight=True, long_fade=False, wide=True))
MOST_THREADS = 4
LOOKED_AT, MUCH_DEARER = 4, 2.5
"""How many ways are looked at, and by how much the last may be dearer than the first."""
STRANGE_PRICE = 2.0
"""Price of a unit of strangeness."""
SOFT_EDGE_PX = 1.5


class Ways:
    """The ways to set one head into one window."""

    def __init__(
        self, common: Stage, moved: Callable[[], place.Placement], where: Where, models: Models, fill: Fill
    ) -> None:
        """Take what all ways share.

        Parameters
        ----------
        common
            The base.
        moved
            Gives the placement by the head alone; asked once, and only if it is wanted.
        where
            The donor, the face in it, and everybody else's there.
        models
            The networks.
        fill
            Gives third frames for what the donor does not show.
        """
        self._common = common
        self._moved = moved
        self._where = where
        self._models = models
        self._fill = fill
        still = place.Placement(name="homography", base_from_donor=common.base_from_donor)
        self._still = laid_out(common, still, *where, np.zeros(common.window.shape, bool), models, fill)

    def only(self, way: Way) -> Trial:
        """Return one way, tried."""
        return attempt(self._common, self._by_head() if way.moved else self._still, way)

    def best(self) -> Trial:
        """Return the way that shows least."""
        by_head = self._by_head()

        def tried(ways: Sequence[Way]) -> list[Trial]:
            # The cut is native code that lets other threads run.
            with ThreadPoolExecutor(min(MOST_THREADS, os.cpu_count() or 1)) as pool:
                return list(
                    pool.map(lambda w: attempt(self._common, by_head if w.moved else self._still, w), ways)
                )

        trials = tried([*USUAL, *USUAL_MOVED])
        if min(t.price for t in trials) > DEAR:
            trials += tried([*FURTHER, *FURTHER_MOVED])
        trials += tried(WIDE)
        return _least_strange(self._common, sorted(trials, key=lambda t: t.price))

    def _by_head(self) -> Laid:
        # Where the head would lie under the global homography is taken in as well: the donor's background is
        # known there, and the old head may not be.
        return laid_out(
            self._common, self._moved(), *self._where, self._still.inside, self._models, self._fill
        )


def _least_strange(common: Stage, trials: Sequence[Trial]) -> Trial:
    """Return what shows least of trials sorted by price.

    Colours along the seam, which the price is made of, say little of shapes: the cheapest are looked at.
    """
    near = [t for t in trials[:LOOKED_AT] if t.price <= trials[0].price + MUCH_DEARER]
    return (
        near[0]
        if len(near) == 1
        else min(near, key=lambda t: t.price + STRANGE_PRICE * _strangest(common, t))
    )


def _strangest(common: Stage, trial: Trial) -> float:
    """Return how strange the strangest patch of a trial's seam is, at working size."""
    window = common.window
    mask = cv2.GaussianBlur(trial.region.astype(np.float32), (0, 0), SOFT_EDGE_PX)
    seen = np.asarray(common.base + (trial.picture - common.base) * mask[..., None], np.float32)
    edge = (mask > 0.02) & (mask < 0.98)
    return measure.strangest(
        seen,
        (common.base, trial.picture),
        edge,
        window.face_px * window.scale,
        grain_px=max(0.7, measure.GRAIN_PX * window.scale),
    ).size
