"""The sensors of each space held against each other through many minutes at once.

What `neighbours` does minute by minute, done on arrays while all agree: as long as all are heard,
none is in the sun and no two disagree, a minute only moves on what is remembered.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from itertools import combinations
from typing import NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from monitor.air.minute import SensorMinute, vapour_pressure_pa
from monitor.air.neighbours import (
    DIRECT_LX,
    KNOWN_MIN,
    LATELY_MIN,
    SUDDEN_K,
    SUNLIT_K,
    UNKNOWN_PAIR,
    UNKNOWN_SHINE,
    USUAL_WARMTH_MIN,
    USUALLY_MIN,
    WHILE_MIN,
    Neighbours,
    Pair,
    Shine,
    Spaces,
    Together,
    variance_pa2,
)
from monitor.air.quality import Floats, Integers
from monitor.site.quantities import Flag

Kept = TypeVar("Kept")


class _Airs(NamedTuple):
    """What sensors tell of minutes, of shape (sensors, minutes); see `SensorAir`."""

    temperature_c: Floats
    relative_humidity_pct: Floats
    vapour_pressure_pa: Floats


# Fewer minutes are sooner looked at one by one; after one that has to be, so are as many.
FEWEST_MIN = 10

# Minute → a sensor → why to doubt it.
Doubts = dict[int, dict[str, Flag]]


def all_through(
    spaces: Spaces,
    before: Together,
    begin: int,
    told: Mapping[str, Sequence[SensorMinute]],
    heard: Mapping[str, Sequence[bool]],
) -> tuple[Together, Doubts]:
    """Many minutes further, from `begin` on, space by space; see `Spaces.step`."""
    pairs, shines = dict(before.pairs), dict(before.shines)
    doubts: Doubts = {}
    for neighbours in spaces.of_each.values():
        after, of_space = _through(neighbours, before, begin, told, heard)
        pairs |= after.pairs
        shines |= after.shines
        for minute, flags in of_space.items():
            doubts[minute] = doubts.get(minute, {}) | flags
    return Together(pairs, shines), doubts


def _through(
    of: Neighbours,
    known: Together,
    begin: int,
    told: Mapping[str, Sequence[SensorMinute]],
    heard: Mapping[str, Sequence[bool]],
) -> tuple[Together, Doubts]:
    """The same of one space; see `Neighbours.minute`."""
    told = {name: told[name] for name in {*of.moist, *of.lit}}
    heard = {name: heard[name] for name in of.moist}
    doubts: Doubts = {}
    minutes = len(next(iter(told.values())))
    gone = by_hand_until = 0
    while gone < minutes:
        if gone >= by_hand_until:
            count, known = _calm(of, known, begin, gone, told, heard)
            if count:
                gone += count
                continue
            by_hand_until = gone + FEWEST_MIN
        known, flags = of.minute(
            known,
            begin + gone,
            {name: of_sensor[gone] for name, of_sensor in told.items()},
            {name for name in of.moist if heard[name][gone]}.__contains__,
        )
        if flags:
            doubts[begin + gone] = flags
        gone += 1
    return known, doubts


def _calm(
    of: Neighbours,
    known: Together,
    begin: int,
    gone: int,
    told: Mapping[str, Sequence[SensorMinute]],
    heard: Mapping[str, Sequence[bool]],
) -> tuple[int, Together]:
    """As many minutes as all agree in the shade, maybe none, and what is known after these."""
    pairs = [known.pairs.get(names, UNKNOWN_PAIR) for names in of.pairs]
    shines = [known.shines.get(name, UNKNOWN_SHINE) for name in of.shone]
    lit = [known.shines.get(name, UNKNOWN_SHINE) for name in of.lit]
    if any(since is not None for *_, since in (*pairs, *shines, *lit)):
        return 0, known
    said = {name: of_sensor[gone:] for name, of_sensor in told.items()}
    count = _ordinary(of, said, {name: of_sensor[gone:] for name, of_sensor in heard.items()})
    if count < FEWEST_MIN:
        return 0, known
    if pairs:
        up = [of.sun_up(minute) for minute in range(begin + gone, begin + gone + count)]
        airs = [said[name][:count] for name in of.moist]
        numbers = [of.moist.index(name) for name in of.shone]
        count, pairs, shines = _accord(pairs, shines, numbers, airs, np.array(up))
    after = dict(zip(of.shone, shines, strict=True))
    for name, of_one in zip(of.lit, lit, strict=True):
        if name in known.shines or any(m.illuminance_lx is not None for m in said[name][:count]):
            after[name] = of_one
    return count, Together(dict(zip(of.pairs, pairs, strict=True)), after)


def _ordinary(
    of: Neighbours,
    told: Mapping[str, Sequence[SensorMinute]],
    heard: Mapping[str, Sequence[bool]],
) -> int:
    """In how many of the first minutes all are heard, and no light is direct sun."""
    minutes = len(next(iter(told.values())))
    for at in range(minutes):
        lights = [told[name][at].illuminance_lx for name in of.lit]
        if any(light is not None and light >= DIRECT_LX for light in lights):
            return at
        if not all(heard[name][at] for name in of.moist):
            return at
    return minutes


def _accord(
    pairs: Sequence[Pair],
    shines: Sequence[Shine],
    shone: Sequence[int],
    told: Sequence[Sequence[SensorMinute]],
    sun_up: NDArray[np.bool_],
) -> tuple[int, list[Pair], list[Shine]]:
    """For how many of the first minutes all agree in the shade; the pairs and shines after these.

    pairs   of every two sensors, none disagreeing
    shines  of those on which the sun is seen by their neighbours, none in the sun
    shone   which of the sensors these are
    told    of at least two sensors, minute by minute; each tells temperature and humidity
    sun_up  in each minute
    """
    airs = _airs(told)
    numbers = range(len(told))
    two = np.array(list(combinations(numbers, 2))).T
    one, other = (_Airs(*(column[n] for column in airs)) for n in two)
    count, pairs_after = _agreeing(pairs, one, other)
    if not (shines and count):
        return count, pairs_after(count), list(shines)
    beside = np.array([[m for m in numbers if m != n] for n in shone]).T
    warm = airs.temperature_c[:, :count]
    count, shines_after = _in_the_shade(shines, warm[list(shone)], warm[beside], sun_up[:count])
    return count, pairs_after(count), shines_after(count)


def _agreeing(
    before: Sequence[Pair], one: _Airs, other: _Airs
) -> tuple[int, Callable[[int], list[Pair]]]:
    """What `compare` makes of many minutes after pairs that agree: in how many of the first all go
    on to agree, and what the pairs are after so many.

    one, other  of each pair (pairs, minutes)
    """
    apart = one.vapour_pressure_pa - other.vapour_pressure_pa
    known = np.array([[pair.minutes] for pair in before])
    minutes = known + 1 + np.arange(apart.shape[1])
    lately = _means([pair.lately_pa for pair in before], apart, known, LATELY_MIN)
    usually = _means([pair.usually_pa for pair in before], apart, known, USUALLY_MIN)
    limit = 2.0 * np.sqrt(variance_pa2(*one) + variance_pa2(*other))
    drifted = (minutes >= KNOWN_MIN) & (np.abs(lately - usually) > limit / 2)
    quarrel = (minutes >= LATELY_MIN) & (drifted | (np.abs(lately) > limit))
    return _first_odd(quarrel), partial(_after, Pair, before, (lately, usually, minutes))


def _in_the_shade(
    before: Sequence[Shine], own_c: Floats, neighbours_c: Floats, sun_up: NDArray[np.bool_]
) -> tuple[int, Callable[[int], list[Shine]]]:
    """What `shine` makes of many minutes after sensors without light of their own were in the
    shade: in how many of the first all surely stay there, and how they stand after so many.

    own_c         temperatures (sensors, minutes)
    neighbours_c  of the neighbours of each (neighbours, sensors, minutes), all in the shade
    sun_up        (minutes,)
    """
    warmer = own_c - np.median(neighbours_c, axis=0)
    known = np.array([[shine.minutes] for shine in before])
    minutes = known + 1 + np.arange(warmer.shape[1])
    were_lately, were_usually = ([s.lately_k for s in before], [s.usually_k for s in before])
    lately = _means(were_lately, warmer, known, WHILE_MIN)
    usually = _means(were_usually, warmer, known, USUAL_WARMTH_MIN)
    sudden = warmer - _shifted(were_lately, lately) > SUDDEN_K
    above = warmer - _shifted(were_usually, usually) > SUNLIT_K
    lit = sun_up & (minutes > WHILE_MIN) & sudden & above
    return _first_odd(lit), partial(_after, Shine, before, (lately, usually, minutes))


def _airs(told: Sequence[Sequence[SensorMinute]]) -> _Airs:
    """What sensors told of minutes (sensors, minutes), up to the first bone-dry one."""
    warm = np.array([[minute.temperature_c for minute in of_one] for of_one in told], float)
    damp = np.array([[minute.humidity_pct for minute in of_one] for of_one in told], float)
    count = _first_odd(damp <= 0.0)
    warm, damp = warm[:, :count], damp[:, :count]
    of_each = zip(warm.tolist(), damp.tolist(), strict=True)
    water = [list(map(vapour_pressure_pa, *of_one)) for of_one in of_each]
    return _Airs(warm, damp, np.array(water).reshape(damp.shape))


def _first_odd(odd: NDArray[np.bool_]) -> int:
    """How many minutes come before the first in which anything is odd."""
    minutes = np.flatnonzero(odd.any(axis=0))
    return int(minutes[0]) if len(minutes) else odd.shape[1]


def _means(means: Sequence[float], values: Floats, counts: Integers, over: int) -> Floats:
    """The running means after each of many values (rows, n), with so many before them (rows, 1)."""
    found = np.empty(values.shape)
    for row, mean in enumerate(means):
        shares = np.minimum(counts[row, 0] + 1 + np.arange(values.shape[1]), over)
        of_row = []
        for value, share in zip(values[row].tolist(), shares.tolist(), strict=True):
            mean += (value - mean) / share  # as `_mean`
            of_row.append(mean)
        found[row] = of_row
    return found


def _shifted(before: Sequence[float], after: Floats) -> Floats:
    """What held before each minute."""
    return np.concatenate((np.array(before)[:, None], after[:, :-1]), axis=1)


def _after(
    kind: Callable[[float, float, int], Kept],
    before: Sequence[Kept],
    columns: Sequence[Floats | Integers],
    count: int,
) -> list[Kept]:
    if count == 0:
        return list(before)
    return list(map(kind, *(column[:, count - 1].tolist() for column in columns)))
