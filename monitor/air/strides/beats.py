"""How a sensor moves through many records in a row: what `still.beat` makes of each, on arrays."""

from __future__ import annotations

from itertools import accumulate
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.air.quality import Floats, Integers
from monitor.air.still import (
    CHANGE_DIGITS,
    CHANGE_TOLD_TO,
    FADED,
    GAP_MS,
    HALVED_AFTER_MS,
    INTERVAL_AT_MOST_MS,
    LATELY_MS,
    PAIR_MS,
    PAST_KEPT_MS,
    TOGETHER_MS,
    Pulse,
    interval_after,
    stirring,
)
from monitor.site.time import HOUR_MS


class Beats(NamedTuple):
    """The pulse after each of many records in a row, as arrays of (n,); see `Pulse`.

    plain  whether the record is one of those that need no more than is said here: it follows soon
           after the one before, and ends or goes on with a short run. From the first that is not,
           the rest does not hold.
    """

    plain: NDArray[np.bool_]
    temperature: Floats
    humidity: Floats
    pressure: Floats
    moved_ms: Integers
    pressure_ms: Integers
    heard_ms: Integers
    interval_ms: Integers
    longest_ms: Integers
    past_ms: Integers
    step_k: Floats
    step_pct: Floats
    step_pa: Floats

    def pulse(self, record: int) -> Pulse:
        """The pulse after the record of this number."""
        values = [column[record].item() for column in self[1:]]
        told: list[Any] = [None if value != value else value for value in values]  # NaN: not known
        return Pulse(*told)

    def stirring(self, before: Pulse, records: Integers, now_ms: Integers) -> list[bool]:
        """What `stirring` says at many times (m), by the last record before each; -1: none yet."""
        first = [stirring(before, ms) for ms in now_ms[records < 0].tolist()]
        records, now_ms = records[records >= 0], now_ms[records >= 0]
        heard = now_ms - self.heard_ms[records] <= np.maximum(
            LATELY_MS, 3 * self.interval_ms[records]
        )
        still_ms = now_ms - np.maximum(self.moved_ms[records], self.pressure_ms[records])
        air = ~np.isnan(self.temperature[records]) | ~np.isnan(self.humidity[records])
        now = heard & air & (still_ms < PAIR_MS - TOGETHER_MS)
        return first + [bool(one) for one in now]


def beats_of(
    pulse: Pulse, time_ms: Integers, temperature: Floats, humidity: Floats, pressure: Floats
) -> Beats:
    """What `beat` makes of many records in a row while the feed is not suspected.

    pulse   before them; a run is going on, and it is not stuck
    arrays  (n,), what a record does not carry is NaN
    """
    t = _filled(pulse.temperature, temperature)
    h = _filled(pulse.humidity, humidity)
    p = _filled(pulse.pressure, pressure)
    moved = _differs(t) | _differs(h)
    pressed = _differs(p)
    moved_ms = _last_ms(pulse.moved_ms, time_ms, moved)
    apart = time_ms - np.concatenate(([pulse.heard_ms], time_ms[:-1]))
    until = time_ms + np.where(moved, 0, np.minimum(apart, INTERVAL_AT_MOST_MS))
    run = until - moved_ms[:-1]
    plain = (apart <= GAP_MS) & (run < np.where(moved, HOUR_MS, PAIR_MS))
    past = pulse.past_ms + np.cumsum(np.where(moved, run, 0))
    return Beats(
        plain,
        t[1:],
        h[1:],
        p[1:],
        moved_ms[1:],
        _last_ms(pulse.pressure_ms, time_ms, pressed)[1:],
        time_ms,
        _intervals(pulse.interval_ms, apart),
        _longest_yet(pulse.longest_ms, run, moved),
        np.minimum(past, PAST_KEPT_MS),
        _smallest_yet(pulse.step_k, t, moved),
        _smallest_yet(pulse.step_pct, h, moved),
        _smallest_yet(pulse.step_pa, p, pressed),
    )


def _filled(before: float | None, values: Floats) -> Floats:
    """What was last known before the first record and after each (n + 1); NaN: nothing yet."""
    told = np.concatenate(([np.nan if before is None else before], values))
    last = np.maximum.accumulate(np.where(np.isnan(told), 0, np.arange(len(told))))
    return told[last]


def _differs(known: Floats) -> NDArray[np.bool_]:
    """Whether each differs from the one before."""
    return np.not_equal(known[1:], known[:-1]) & ~np.isnan(known[1:])


def _last_ms(before_ms: int, time_ms: Integers, changed: NDArray[np.bool_]) -> Integers:
    """Time of the last change before the first record and after each (n + 1)."""
    changes = np.where(changed, time_ms, before_ms)
    return np.maximum.accumulate(np.concatenate(([before_ms], changes)))


def _intervals(before_ms: int, apart: Integers) -> Integers:
    """The interval after each record (n) [ms]."""
    if (apart >= np.concatenate(([before_ms], apart[:-1])) // 2).all():
        return apart
    found = accumulate(apart.tolist(), interval_after, initial=before_ms)
    return np.fromiter(found, np.int64)[1:]


def _longest_yet(before_ms: int, run: Integers, ends: NDArray[np.bool_]) -> Integers:
    """The longest stillness after each record (n), some of which end a run under an hour [ms]."""
    longest, found = before_ms, [before_ms]
    runs = run[ends]
    for still, kept in zip(
        runs.tolist(), (1 - FADED * runs / HALVED_AFTER_MS).tolist(), strict=True
    ):
        longest = int(longest * kept)
        if still > longest:
            longest = still
        found.append(longest)
    return np.array(found)[np.cumsum(ends)]


def _smallest_yet(step: float | None, known: Floats, moved: NDArray[np.bool_]) -> Floats:
    """The smallest change after each record (n); NaN: none yet."""
    least = np.inf if step is None else step
    change = np.abs(np.diff(known))
    change[~moved | ~(change < least - CHANGE_TOLD_TO / 4)] = np.inf  # none that could be less
    smaller = np.flatnonzero(np.isfinite(change))
    change[smaller] = [round(c, CHANGE_DIGITS) or np.inf for c in change[smaller].tolist()]
    yet = np.minimum.accumulate(np.minimum(change, least))
    return np.where(np.isinf(yet), np.nan, yet)
