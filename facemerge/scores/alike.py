"""Measures of one person that differ by no more than chance are brought together.

Landmarks wander by a tenth of a pixel or two from one picture to the next though nobody moves. Faces that a
measure cannot tell apart should not be ranked by it, and what several of them say is surer than what one
does: each value moves to the mean of those near it, which is one step of the mean shift (Fukunaga and
Hostetler, "The estimation of the gradient of a density function, with applications in pattern recognition",
IEEE Transactions on Information Theory 21(1), 1975). Values that differ by three times as much stay apart.
"""

from __future__ import annotations

import numpy as np

from facemerge.words import Float


def together(values: Float, chance: Float) -> Float:
    """Return values with those that chance alone may have parted drawn together.

    Parameters
    ----------
    values
        (N,) or (N, K): a measure of one person in N frames, each column by itself.
    chance
        (N,) by how much a value may be off, in the measure's own unit; above 0.

    Returns
    -------
    ndarray
        As `values`; within their range, and in the same order where `chance` is one number.
    """
    columns = np.asarray(values, np.float64).reshape(len(values), -1)
    apart = columns[:, None] - columns[None]
    # The pair's chance, not one face's: a small face must not be drawn to a large one unlike it.
    width = np.minimum(chance[:, None], chance[None])[..., None]
    weight = np.exp(-0.5 * (apart / width) ** 2)
    mean = (weight * columns[None]).sum(1) / weight.sum(1)
    return np.asarray(mean.reshape(np.shape(values)))
