"""Which readings to doubt: out of range, a jump nobody confirms, a sensor that stands still.

Each sensor is followed by a `Track`, an immutable value; `judge` takes it one record
further. Nothing looks ahead but the confirmation of a jump, which asks the sensor's next
record. Nothing is deleted: a doubted reading is kept with its flag.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from math import sqrt
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.air.still import AWAY_MS, NO_FEED, Feed, Pulse, beat
from monitor.site.quantities import Flag, Quantity
from monitor.site.time import HOUR_MS, MINUTE_MS

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

# What one record of a sensor carries: the quantities with the same time.
Values = Mapping[Quantity, float]

SATURATED_PCT = 100.0

# The largest believable change within STEP_WITHIN_MS [K], [%]; our own choice, three times
# the 99.9th percentile of five-minute steps at 28 outdoor stations (1.3 K and 6 %).
STEP: dict[Quantity, float] = {Quantity.TEMPERATURE: 3.0, Quantity.HUMIDITY: 15.0}
STEP_WITHIN_MS = 5 * MINUTE_MS
STEP_FORGOTTEN_MS = HOUR_MS


# What is not to be used of a stuck sensor: they are measured together, often in one chip.
TOGETHER = frozenset({Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.PRESSURE})


class Level(NamedTuple):
    """The last value of a quantity that was believed, and the last jump that was not."""

    value: float
    time_ms: int
    suspect: float | None = None
    suspect_ms: int = 0


class Track(NamedTuple):
    """What is remembered of one sensor; the defaults: nothing known."""

    temperature: Level | None = None
    humidity: Level | None = None
    pulse: Pulse = Pulse()


def admit(quantity: Quantity, value: float) -> tuple[float, Flag]:
    """The value to keep, and what is to be said of it from itself alone.

    value    in the kept unit of its quantity
    returns  humidity of 100 to 105 % as 100 with CLAMPED: a saturated sensor; what the
             quantity cannot be (also NaN) unchanged with RANGE; anything else as it is

    >>> admit(Quantity.HUMIDITY, 101.2)
    (100.0, <Flag.CLAMPED: 1>)
    """
    low, high = quantity.row.range
    if not low <= value <= high:
        return value, Flag.RANGE
    if quantity is Quantity.HUMIDITY and value > SATURATED_PCT:
        return SATURATED_PCT, Flag.CLAMPED
    return value, Flag.NONE


def admitted(quantity: Quantity, values: Floats) -> Floats:
    """The values to keep of many (n), see `admit`."""
    if quantity is not Quantity.HUMIDITY:
        return values
    saturated = (values > SATURATED_PCT) & (values <= quantity.row.range[1])
    return np.where(saturated, SATURATED_PCT, values)


_STEPPED = (Quantity.TEMPERATURE, Quantity.HUMIDITY)
_PULSED = (*_STEPPED, Quantity.PRESSURE)


def judge(
    track: Track,
    time_ms: int,
    values: Values,
    following: tuple[int, Values] | None,
    feed: Feed = NO_FEED,
) -> tuple[dict[Quantity, Flag], Track]:
    """Judge one record of a sensor: its flags, and the track after it.

    time_ms    later than every record judged into `track` before
    values     as admitted, in their kept units
    following  the sensor's next record; None: not there yet. Where temperature and humidity
               come in records of their own, the next record of each quantity
    feed       how the whole feed stood at the end of the minute before
    returns    the flags that are not zero: RANGE; STEP on temperature or humidity each for
               itself; STUCK on temperature, humidity and pressure together; FEED on all of
               the record
    """
    flags: dict[Quantity, Flag] = {}
    sound: Values = values
    for quantity, value in values.items():
        low, high = quantity.row.range
        if not low <= value <= high:
            flags[quantity] = Flag.RANGE
    if flags:
        sound = {q: v for q, v in values.items() if q not in flags}

    levels = [track.temperature, track.humidity]
    for n, quantity in enumerate(_STEPPED):
        if quantity in sound:
            level = levels[n] = _step(quantity, levels[n], time_ms, sound[quantity], following)
            if level.suspect is not None and level.suspect_ms == time_ms:
                flags[quantity] = Flag.STEP

    temperature, humidity, pressure = (sound.get(q) for q in _PULSED)
    pulse = beat(track.pulse, time_ms, temperature, humidity, pressure, feed)
    if pulse.stuck:
        _add(flags, sound.keys() & TOGETHER, Flag.STUCK)
    elif feed.holds(pulse):
        _add(flags, sound.keys(), Flag.FEED)
    return flags, Track(levels[0], levels[1], pulse)


def stuck_since(track: Track, now_minute: int) -> int | None:
    """First minute of the unchanged run, once it is declared stuck; None: not stuck.

    A sensor that has not been heard for six hours is silent, no longer stuck.
    """
    pulse = track.pulse
    if not pulse.stuck or now_minute * MINUTE_MS - pulse.heard_ms > AWAY_MS:
        return None
    return pulse.moved_ms // MINUTE_MS


def _add(flags: dict[Quantity, Flag], quantities: Iterable[Quantity], flag: Flag) -> None:
    for quantity in quantities:
        flags[quantity] = flags.get(quantity, Flag.NONE) | flag


def _step(
    quantity: Quantity,
    level: Level | None,
    time_ms: int,
    value: float,
    following: tuple[int, Values] | None,
) -> Level:
    """The level after one more value; a jump becomes its suspect, dated `time_ms`.

    A jump is believed when the next record stays there or goes on the same way. Should the
    next record not carry the quantity, the second value near the suspect is believed.
    """
    if level is None or abs(value - level.value) <= STEP[quantity]:
        return Level(value, time_ms)
    waited = time_ms - level.time_ms
    if waited > STEP_FORGOTTEN_MS or abs(value - level.value) <= _largest(quantity, waited):
        return Level(value, time_ms)
    if level.suspect is not None and _near(
        quantity, level.suspect, value, time_ms - level.suspect_ms
    ):
        return Level(value, time_ms)
    if following is not None and quantity in following[1]:
        after = following[1][quantity]
        low, high = quantity.row.range
        rise = value - level.value
        onward = (after - value) * rise > 0
        if low <= after <= high and (
            onward or _near(quantity, value, after, following[0] - time_ms)
        ):
            return Level(value, time_ms)
    return Level(level.value, level.time_ms, value, time_ms)


def plainly_believed(
    quantity: Quantity, level: Level | None, time_ms: Integers, values: Floats
) -> NDArray[np.bool_]:
    """Of many values in a row, those that the one before makes believable without more ado.

    level   before the first
    values  (n,) in the kept unit, none missing; as long as all hold, each is the next level
    """
    known = Level(float(values[0]), int(time_ms[0])) if level is None else level
    rise = np.abs(values - np.concatenate(([known.value], values[:-1])))
    waited = time_ms - np.concatenate(([known.time_ms], time_ms[:-1]))
    largest = STEP[quantity] * np.sqrt(np.maximum(1.0, waited / STEP_WITHIN_MS))
    return (rise <= largest) | (waited > STEP_FORGOTTEN_MS)


def _near(quantity: Quantity, value: float, other: float, apart_ms: int) -> bool:
    return abs(other - value) <= _largest(quantity, apart_ms)


def _largest(quantity: Quantity, apart_ms: int) -> float:
    """The largest believable change between two values [K], [%].

    It grows with the square root of time, as a wandering quantity does. At an hour that is
    10.4 K and 52 %: the 10 K (after Shafer et al. 2000) and 50 % (NOAA MADIS level 1) used
    between hourly observations.

    >>> _largest(Quantity.TEMPERATURE, 15 * MINUTE_MS)
    5.196152422706632
    """
    return STEP[quantity] * sqrt(max(1.0, apart_ms / STEP_WITHIN_MS))
