"""The ten-minute means of a space's air, each read from the store once."""

from __future__ import annotations

from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from monitor.ahead.grid import STEP_MIN, STEPS_PER_DAY, Array, History

KEPT_DAYS = 15


class Means(NamedTuple):
    """Means of what is known, by the UTC epoch minute at which each ten minutes end."""

    minute: NDArray[np.int64]
    temperature_c: Array
    humidity_ratio_g_kg: Array


class Archive(Protocol):
    """Where the minutes of air are."""

    def ten_minute_means(self, space: str, begin: int, end: int) -> Means:
        """Means of the ten minutes that begin in begin ≤ minute < end, where any is known."""


def on_grid(indoors: Means, outdoors: Means | None, begin: int, end: int) -> History:
    """What is known from one ten-minute mark to another, on the grid.

    begin, end  UTC epoch minutes, multiples of ten; the first interval ends ten minutes after begin
    """
    minute = np.arange(begin + STEP_MIN, end + 1, STEP_MIN, dtype=np.int64)
    temperature, water = _placed(indoors, minute)
    if outdoors is None:
        return History(minute, temperature, water)
    return History(minute, temperature, water, *_placed(outdoors, minute))


def _placed(means: Means, minute: NDArray[np.int64]) -> tuple[Array, Array]:
    temperature, water = np.full(len(minute), np.nan), np.full(len(minute), np.nan)
    if len(minute):
        slot = (means.minute - minute[0]) // STEP_MIN
        there = (slot >= 0) & (slot < len(minute))
        temperature[slot[there]] = means.temperature_c[there]
        water[slot[there]] = means.humidity_ratio_g_kg[there]
    return temperature, water


class TenMinutes:
    """The last days of each space, kept between two looks."""

    def __init__(self, archive: Archive) -> None:
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
