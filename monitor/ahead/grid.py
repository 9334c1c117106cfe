"""A space's past on a ten-minute grid, and what a usual day of it looks like.

What is not known is NaN. Lags and profiles look backwards only: the value at an index never
depends on anything after it.

The ten-minute means of its air are read from the store once each.
"""

from __future__ import annotations

from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from monitor.site.time import DAY_MIN

Array = NDArray[np.float64]
Indices = NDArray[np.int64]

STEP_MIN = 10
STEPS_PER_DAY = DAY_MIN // STEP_MIN
HELD_STEPS = 6  # a value is still good for an hour; our own choice


class GridAir(NamedTuple):
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


def checked(history: GridAir) -> GridAir:
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


def until(history: GridAir, now: int) -> GridAir:
    """What was known at this minute [UTC epoch min]."""
    end = int(np.searchsorted(history.minute, now, side="right"))
    return clipped(history, slice(None, end))


def clipped(history: GridAir, part: slice) -> GridAir:
    """A stretch of it."""
    out, wet = history.outdoor_temperature_c, history.outdoor_humidity_ratio_g_kg
    return GridAir(
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
    before = STEPS_PER_DAY * np.arange(1, days + 1).reshape(-1, *[1] * index.ndim)
    return mean_of(at(values, index - before))


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


KEPT_DAYS = 15


class Means(NamedTuple):
    """Means of what is known, by the UTC epoch minute at which each ten minutes end."""

    minute: NDArray[np.int64]
    temperature_c: Array
    humidity_ratio_g_kg: Array


class TenMinutesKept(Protocol):
    """What is read back of the minutes of air."""

    def ten_minute_means(self, space: str, begin: int, end: int) -> Means:
        """Means of the ten minutes that begin in begin ≤ minute < end, where any is known."""


def on_grid(indoors: Means, outdoors: Means | None, begin: int, end: int) -> GridAir:
    """What is known from one ten-minute mark to another, on the grid.

    begin, end  UTC epoch minutes, multiples of ten; the first interval ends ten minutes after begin
    """
    minute = np.arange(begin + STEP_MIN, end + 1, STEP_MIN, dtype=np.int64)
    temperature, water = _placed(indoors, minute)
    if outdoors is None:
        return GridAir(minute, temperature, water)
    return GridAir(minute, temperature, water, *_placed(outdoors, minute))


def _placed(means: Means, minute: NDArray[np.int64]) -> tuple[Array, Array]:
    temperature, water = np.full(len(minute), np.nan), np.full(len(minute), np.nan)
    if len(minute):
        slot = (means.minute - minute[0]) // STEP_MIN
        there = (slot >= 0) & (slot < len(minute))
        temperature[slot[there]] = means.temperature_c[there]
        water[slot[there]] = means.humidity_ratio_g_kg[there]
    return temperature, water


class KnownTenMinutes:
    """The last days of each space, kept between two looks."""

    def __init__(self, archive: TenMinutesKept) -> None:
        self._archive = archive
        self._known: dict[str, tuple[int, Means]] = {}  # up to which minute, and what

    def forget_since(self, minute: int) -> None:
        """The air from this minute on has changed."""
        for space, (until, means) in list(self._known.items()):
            if minute < until:
                self._known[space] = (_mark(minute), _before(means, _mark(minute)))

    def until(self, space: str, now: int) -> Means:
        """The last fifteen days before a ten-minute mark [UTC epoch min]."""
        first = now - KEPT_DAYS * STEPS_PER_DAY * STEP_MIN
        known_until, known = self._known.get(space, (first, _NONE))
        if known_until < first:
            known_until, known = first, _NONE
        if known_until > now:
            known = _before(known, now)
        elif known_until < now:
            new = self._archive.ten_minute_means(space, known_until, now)
            known = Means(
                np.concatenate([known.minute, new.minute]),
                np.concatenate([known.temperature_c, new.temperature_c]),
                np.concatenate([known.humidity_ratio_g_kg, new.humidity_ratio_g_kg]),
            )
        known = _some(known, known.minute > first)
        self._known[space] = (now, known)
        return known


_NONE = Means(np.empty(0, np.int64), np.empty(0), np.empty(0))


def _mark(minute: int) -> int:
    return minute // STEP_MIN * STEP_MIN


def _before(means: Means, minute: int) -> Means:
    return _some(means, means.minute <= minute)


def _some(means: Means, kept: NDArray[np.bool_]) -> Means:
    return Means(means.minute[kept], means.temperature_c[kept], means.humidity_ratio_g_kg[kept])
