"""Median and quantiles, to the last bit as numpy has them.

numpy's own load its masked arrays for good, 1.4 MB of what a daemon may hold, and take two to
three times as long.
"""

from __future__ import annotations

from collections.abc import Sequence

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


def quantiles(values: ArrayLike, shares: Sequence[float]) -> list[Floats]:
    """Below which the shares of the values lie; NaN where any value is.

    values   finite numbers or NaN, at least one along the first axis
    shares   [-], 0 to 1
    returns  for each share the shape without the first axis; in a line between the two values it
             falls between, definition 7 of Hyndman and Fan 1996, The American Statistician 50
    raises   IndexError where there is none

    >>> [float(one) for one in quantiles([3.0, 1.0, 2.0, 10.0], (0.5, 0.75))]
    [2.5, 4.75]
    """
    ordered = np.sort(np.asarray(values), axis=0)
    unknown = np.isnan(ordered[-1])
    return [np.where(unknown, np.nan, _at(ordered, (len(ordered) - 1) * s)) for s in shares]


def _at(ordered: Floats, place: float) -> Floats:
    """Between the two values about a place that is no whole number."""
    below = int(place)
    share, lower, upper = place - below, ordered[below], ordered[min(below + 1, len(ordered) - 1)]
    step = upper - lower
    # From the nearer end, so that neither is missed by a last bit.
    between: Floats = lower + step * share if share < 0.5 else upper - step * (1 - share)
    return between
