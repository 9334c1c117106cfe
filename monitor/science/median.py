"""The median. numpy's own loads its masked arrays for good, 1.4 MB of what a daemon may hold."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def median(values: ArrayLike, axis: int = 0) -> Floats:
    """The middle value, or the mean of the two in the middle; NaN where any value is.

    values   numbers, at least one along the axis
    returns  the shape without that axis
    raises   IndexError where there is none

    >>> float(median([3.0, 1.0, 2.0, 10.0]))
    2.5
    """
    ordered = np.sort(np.asarray(values), axis=axis)  # what is unknown goes last
    count = ordered.shape[axis]
    middle = (ordered.take((count - 1) // 2, axis) + ordered.take(count // 2, axis)) / 2
    return np.where(np.isnan(ordered.take(-1, axis)), np.nan, middle)
