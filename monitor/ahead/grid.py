"""A space's past on a ten-minute grid, and what a usual day of it looks like.

What is not known is NaN. Lags and profiles look backwards only: the value at an index never
depends on anything after it.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.site.time import DAY_MIN

Array = NDArray[np.float64]
Indices = NDArray[np.int64]

STEP_MIN = 10
STEPS_PER_DAY = DAY_MIN // STEP_MIN
HELD_STEPS = 6  # a value is still good for an hour; our own choice


class History(NamedTuple):
    """The air of a space, and outdoors where it is known, every ten minutes.

    minute               UTC epoch minutes at which each interval ends, 10 apart
    humidity_ratio_g_kg  above 0
    outdoor_*            None where nothing measures outdoors
    """

    minute: NDArray[np.int64]
    temperature_c: Array
    humidity_ratio_g_kg: Array
    outdoor_temperature_c: Array | None = None
    outdoor_humidity_ratio_g_kg: Array | None = None


def checked(history: History) -> History:
    """The same history.

    raises ValueError naming what is not on one ten-minute grid
    """
    count = len(history.minute)
    for name, values in zip(history._fields[1:], history[1:], strict=True):
        if values is not None and len(values) != count:
            raise ValueError(f"{name} has {len(values)} values; minute has {count}")
    if count == 0 or not np.all(np.diff(history.minute) == STEP_MIN):
        raise ValueError(f"minute must hold at least one value, in steps of {STEP_MIN}")
    return history


def until(history: History, now: int) -> History:
    """What was known at this minute [UTC epoch min]."""
    end = int(np.searchsorted(history.minute, now, side="right"))
    return clipped(history, slice(None, end))


def clipped(history: History, part: slice) -> History:
    """A stretch of it."""
    out, wet = history.outdoor_temperature_c, history.outdoor_humidity_ratio_g_kg
    return History(
        history.minute[part],
        history.temperature_c[part],
        history.humidity_ratio_g_kg[part],
        None if out is None else out[part],
        None if wet is None else wet[part],
    )


def at(values: Array, index: Indices) -> Array:
    """Values by index; NaN outside."""
    inside = (index >= 0) & (index < len(values))
    return np.where(inside, values.take(index, mode="clip"), np.nan)


def held(values: Array) -> Array:
    """The same values, each known one standing in for up to an hour of missing ones after it."""
    index = np.arange(len(values))
    known = np.maximum.accumulate(np.where(np.isfinite(values), index, -1))
    fresh = (known >= 0) & (index - known <= HELD_STEPS)
    return np.where(fresh, values[np.maximum(known, 0)], np.nan)


def mean_of(stack: Array) -> Array:
    """Mean over the first axis of what is known; NaN where nothing is."""
    known = np.isfinite(stack)
    count = known.sum(axis=0)
    total = np.where(known, stack, 0.0).sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def usual(values: Array, index: Indices, days: int) -> Array:
    """Mean of the same time of day over the days before each index."""
    return mean_of(
        np.stack([at(values, index - STEPS_PER_DAY * day) for day in range(1, days + 1)])
    )


def damped_blend(values: Array, usual_day: Array, index: Indices, lead: Indices) -> Array:
    """The simple rule: the usual day, and of today's departure from it what a day leaves over.

    lead       [steps of 10 min], up to a day; of a shape that goes with the index
    usual_day  mean of three days at each index, and a day beyond the end

    Profile plus anomaly × exp(-h / 24 h); without a known day before, the value itself persists.
    """
    present = at(values, index)
    anomaly = present - at(usual_day, index)
    blend = at(usual_day, index + lead) + anomaly * np.exp(-lead / STEPS_PER_DAY)
    return np.where(np.isfinite(blend), blend, present)
