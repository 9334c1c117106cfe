"""The sensors of each space held against each other: two that disagree, one that the sun heats.

The air of a space is well mixed in its water: two good sensors there tell the same vapour
pressure, wherever they hang, while their temperatures may differ with height or a warm wall.
Light on a sensor heats it and dries what it tells; its vapour pressure stays right.

Everything here works on minute means and goes forward only.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import lru_cache
from itertools import combinations
from math import sqrt
from statistics import median
from typing import NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from monitor.air.minute import SensorMinute, vapour_pressure_pa
from monitor.science.sun import sun_elevation
from monitor.site.quantities import Flag, Quantity
from monitor.site.spaces import OUTDOORS, Sensor, Site

Floats = NDArray[np.float64]
Of = TypeVar("Of", float, Floats)

# What a sensor in use may be off, against its data sheet's 0.2 to 0.3 K and 2 to 3 %.
SENSOR_K = 0.3
SENSOR_PCT = 3.0

# Disagreement is judged on means over these times [min]; our own choice.
LATELY_MIN = 6 * 60
USUALLY_MIN = 14 * 24 * 60
# A drift is only told once this much of the pair is known [min]; our own choice.
KNOWN_MIN = 7 * 24 * 60
# An agreement must be this much better than a disagreement; our own choice.
BACK_INSIDE = 0.8

# Light no shade gives: a room by a north window has 500 to 2000 lx, direct sun 50 to 100 klx
# outdoors (common practice, no source).
DIRECT_LX = 10_000.0
# How much warmer than its neighbours light makes a sensor, and when it is over [K]; how fast
# it comes: this much above the difference of the last while [K], [min]. Our own choice.
SUNLIT_K = 2.0
SHADED_K = 1.0
SUDDEN_K = 1.0
WHILE_MIN = 20
USUAL_WARMTH_MIN = 3 * 24 * 60


class SensorAir(NamedTuple):
    """A sensor's minute means: [°C], [%] over liquid water (more than 0), [Pa]."""

    temperature_c: float
    relative_humidity_pct: float
    vapour_pressure_pa: float


class Pair(NamedTuple):
    """What is remembered of two sensors of a space; differences: one less the other [Pa].

    minutes  minutes in which both were heard
    since    UTC epoch minute in which they began to disagree; None: they agree
    """

    lately_pa: float = 0.0
    usually_pa: float = 0.0
    minutes: int = 0
    since: int | None = None


class Shine(NamedTuple):
    """What is remembered of the sun on a sensor; differences: it less its neighbours [K].

    minutes  minutes known in the shade
    since    UTC epoch minute in which the light came; None: in the shade
    """

    lately_k: float = 0.0
    usually_k: float = 0.0
    minutes: int = 0
    since: int | None = None


UNKNOWN_PAIR, UNKNOWN_SHINE = Pair(), Shine()


class Together(NamedTuple):
    """What is remembered of sensors that hang together.

    pairs   two sensors of a space → how they stand
    shines  a sensor → the sun on it
    """

    pairs: Mapping[tuple[str, str], Pair] = {}
    shines: Mapping[str, Shine] = {}

    def without(self, sensors: Iterable[str]) -> Together:
        """Nothing known any more of sensors that were changed."""
        gone = set(sensors)
        return Together(
            {names: pair for names, pair in self.pairs.items() if not gone & set(names)},
            {name: shines for name, shines in self.shines.items() if name not in gone},
        )


def variance_pa2(temperature_c: Of, relative_humidity_pct: Of, vapour_pressure_pa: Of) -> Of:
    """How far off a sensor's vapour pressure may be, squared, from SENSOR_K and SENSOR_PCT [Pa²].

    Sum of squares of e = RH · e_s(T), with the slope of the Magnus formula
    d ln e_s / dT = 17.62 · 243.12 / (243.12 + T)² [1/K] (WMO-No. 8, annex 4.B), -20 to 50 °C. Of
    one minute or of many.

    >>> round(sqrt(variance_pa2(20.0, 60.0, 1403.28)), 1)
    74.8
    """
    by_humidity = vapour_pressure_pa * SENSOR_PCT / relative_humidity_pct
    warm = 243.12 + temperature_c
    by_temperature = vapour_pressure_pa * (17.62 * 243.12 / (warm * warm)) * SENSOR_K
    return by_humidity * by_humidity + by_temperature * by_temperature


def allowed_pa(one: SensorAir, other: SensorAir) -> float:
    """How far two good sensors may tell apart: twice the uncertainty of the difference [Pa]."""
    return 2.0 * sqrt(variance_pa2(*one) + variance_pa2(*other))


def compare(pair: Pair, minute: int, one: SensorAir, other: SensorAir) -> Pair:
    """The pair after one more minute in which both sensors were heard.

    They disagree when the mean of the last hours is further apart than two good sensors may
    be, or has drifted half as far from what it usually was; they agree again when it is well
    back inside both. The usual difference is learned in agreement only.
    """
    apart = one.vapour_pressure_pa - other.vapour_pressure_pa
    minutes = pair.minutes + 1
    lately = _mean(pair.lately_pa, apart, minutes, LATELY_MIN)
    usually = pair.usually_pa
    if pair.since is None:
        usually = _mean(usually, apart, minutes, USUALLY_MIN)
    if minutes < LATELY_MIN:
        return Pair(lately, usually, minutes, pair.since)
    limit = allowed_pa(one, other) * (1.0 if pair.since is None else BACK_INSIDE)
    drifted = minutes >= KNOWN_MIN and abs(lately - usually) > limit / 2
    since = pair.since
    if not (drifted or abs(lately) > limit):
        since = None
    elif since is None:
        since = minute
    return Pair(lately, usually, minutes, since)


def odd_ones(sensors: Iterable[str], disagreeing: Iterable[tuple[str, str]]) -> set[str]:
    """Whom to doubt, among the sensors of a space that were heard.

    disagreeing  the pairs that disagree
    returns      the sensors that disagree with more than half of the others; of two
                 that disagree, both: nobody can tell which is right
    """
    others = len(set(sensors)) - 1
    quarrels: dict[str, int] = {}
    for pair in disagreeing:
        for name in pair:
            quarrels[name] = quarrels.get(name, 0) + 1
    return {name for name, count in quarrels.items() if 2 * count > others}


def shine(
    before: Shine,
    minute: int,
    own: SensorAir,
    neighbours: Sequence[SensorAir],
    light_lx: float | None,
    sun_up: bool,
) -> Shine:
    """The sun on a sensor after one more minute.

    own         the sensor's minute
    neighbours  the other sensors of the space heard in this minute, not in the sun themselves
    light_lx    the light on the sensor itself; None: it does not measure it
    sun_up      whether the sun stands above the horizon

    In the sun: its own light is more than any shade gives. Where it measures no light: it has
    suddenly become warmer than its neighbours, by 2 K more than it usually is, while the
    vapour pressures agree; over when it is back within 1 K, or when the sun has set.
    Without light of its own and without neighbours nothing can be told: in the shade.
    """
    if light_lx is not None:
        return before._replace(since=_began(before.since, minute, light_lx >= DIRECT_LX))
    if not neighbours:
        return before._replace(since=None)
    warmer = own.temperature_c - median(n.temperature_c for n in neighbours)
    above = warmer - before.usually_k
    if before.since is not None:
        lit = sun_up and above > SHADED_K
    else:
        sudden = warmer - before.lately_k > SUDDEN_K
        lit = sun_up and before.minutes >= WHILE_MIN and sudden and above > SUNLIT_K
        lit = lit and _same_water(own, neighbours)
    if lit:
        return before._replace(since=_began(before.since, minute, True))
    minutes = before.minutes + 1
    return Shine(
        _mean(before.lately_k, warmer, minutes, WHILE_MIN),
        _mean(before.usually_k, warmer, minutes, USUAL_WARMTH_MIN),
        minutes,
    )


def _began(since: int | None, minute: int, lit: bool) -> int | None:
    if not lit:
        return None
    return minute if since is None else since


def _same_water(own: SensorAir, neighbours: Sequence[SensorAir]) -> bool:
    nearest = min(neighbours, key=lambda n: abs(n.vapour_pressure_pa - own.vapour_pressure_pa))
    apart = abs(nearest.vapour_pressure_pa - own.vapour_pressure_pa)
    return apart <= allowed_pa(own, nearest)


def _mean(mean: float, value: float, count: int, over: int) -> float:
    """A running mean: plain over the first `over` values, then fading."""
    return mean + (value - mean) / min(count, over)


# The sun need not be known more often [min].
SUN_EVERY_MIN = 10

# Minute of the epoch → whether the sun is up.
SunUp = Callable[[int], bool]


class Neighbours:
    """The sensors of one space.

    moist   those that tell both temperature and humidity
    lit     those that measure light on them, none outdoors
    shone   the moist ones that do not: the sun on them is seen by their neighbours
    roofed  whether direct sun on a sensor is out of the ordinary: not outdoors, where it hangs in a
            screen and any day is bright
    """

    def __init__(self, sensors: Sequence[Sensor], roofed: bool, sun_up: SunUp) -> None:
        both = {Quantity.TEMPERATURE, Quantity.HUMIDITY}
        moist = [s.name for s in sensors if both <= s.reads.keys()]
        self.moist = moist if len(moist) > 1 else []
        self.pairs = list(combinations(self.moist, 2))
        self.lit = [s.name for s in sensors if roofed and Quantity.ILLUMINANCE in s.reads]
        self.shone = [name for name in self.moist if roofed and name not in self.lit]
        self.sun_up = sun_up

    def minute(
        self,
        known: Together,
        minute: int,
        told: Mapping[str, SensorMinute],
        heard: Callable[[str], bool],
    ) -> tuple[Together, dict[str, Flag]]:
        """One minute further; see `Spaces.step`. Of `known` only these sensors come back."""
        shines = self._lights(known.shines, minute, told)
        pairs = {names: known.pairs[names] for names in self.pairs if names in known.pairs}
        airs = {n: air for n in self.moist if heard(n) and (air := _air(told[n])) is not None}
        flags: dict[str, Flag] = {}
        if len(airs) > 1:
            self._shine(shines, airs, minute)
            quarrels = []
            for names in combinations(airs, 2):
                one, other = (airs[name] for name in names)
                pairs[names] = compare(pairs.get(names, UNKNOWN_PAIR), minute, one, other)
                if pairs[names].since is not None:
                    quarrels.append(names)
            if quarrels:
                flags = dict.fromkeys(odd_ones(airs, quarrels), Flag.DISAGREES)
        for name, shine_on in shines.items():
            if shine_on.since is not None:
                flags[name] = flags.get(name, Flag.NONE) | Flag.IN_THE_SUN
        return Together(pairs, shines), flags

    def _lights(
        self, before: Mapping[str, Shine], minute: int, told: Mapping[str, SensorMinute]
    ) -> dict[str, Shine]:
        """The sun on those that measure it, and what was known of the others."""
        shines = {n: before[n] for n in (*self.lit, *self.shone) if n in before}
        for name in self.lit:
            light = told[name].illuminance_lx
            if light is not None:
                known = shines.get(name, UNKNOWN_SHINE)
                shines[name] = shine(known, minute, _NO_AIR, (), light, True)
        return shines

    def _shine(self, shines: dict[str, Shine], airs: Mapping[str, SensorAir], minute: int) -> None:
        """The sun on sensors that measure no light, by their neighbours in the shade."""
        up = self.sun_up(minute)
        for name in self.shone:
            if name not in airs:
                continue
            shade = [
                other
                for neighbour, other in airs.items()
                if neighbour != name and shines.get(neighbour, UNKNOWN_SHINE).since is None
            ]
            known = shines.get(name, UNKNOWN_SHINE)
            shines[name] = shine(known, minute, airs[name], shade, None, up)


class Spaces:
    """The sensors of one site by space."""

    def __init__(self, site: Site) -> None:
        @lru_cache(maxsize=64)
        def sun_up_in(ten_minutes: int) -> bool:
            at_s = (ten_minutes * SUN_EVERY_MIN + SUN_EVERY_MIN / 2) * 60
            return sun_elevation(site.latitude, site.longitude, at_s) > 0

        def sun_up(minute: int) -> bool:
            return sun_up_in(minute // SUN_EVERY_MIN)

        spaces = {
            space: Neighbours(site.sensors_of(space), space != OUTDOORS, sun_up)
            for space in site.spaces
        }
        self.of_each = {space: one for space, one in spaces.items() if one.moist or one.lit}

    def fit(self, before: Together) -> Together:
        """What is remembered of sensors that still hang together."""
        spaces = self.of_each.values()
        pairs = {names for one in spaces for names in one.pairs}
        shines = {name for one in spaces for name in (*one.shone, *one.lit)}
        return Together(
            {names: pair for names, pair in before.pairs.items() if names in pairs},
            {name: known for name, known in before.shines.items() if name in shines},
        )

    def disagreeing(self, known: Together) -> dict[str, tuple[str, ...]]:
        """Of each space in which sensors disagree, those to doubt."""
        found = {}
        for space, neighbours in self.of_each.items():
            quarrels = [
                names
                for names in neighbours.pairs
                if known.pairs.get(names, UNKNOWN_PAIR).since is not None
            ]
            if odd := odd_ones(neighbours.moist, quarrels):
                found[space] = tuple(sorted(odd))
        return found

    def step(
        self,
        before: Together,
        minute: int,
        told: Mapping[str, SensorMinute],
        heard: Callable[[str], bool],
    ) -> tuple[Together, dict[str, Flag]]:
        """One minute further.

        told     what each sensor says of the minute
        heard    whether a sensor told both temperature and humidity in this very minute
        returns  what is remembered, and the flags of each sensor that has one
        """
        pairs, shines = dict(before.pairs), dict(before.shines)
        flags: dict[str, Flag] = {}
        for neighbours in self.of_each.values():
            after, doubts = neighbours.minute(before, minute, told, heard)
            pairs |= after.pairs
            shines |= after.shines
            flags |= doubts
        return Together(pairs, shines), flags


_NO_AIR = SensorAir(0.0, 0.0, 0.0)  # not looked at where the light itself is measured


def _air(told: SensorMinute) -> SensorAir | None:
    temperature, humidity = told.temperature_c, told.humidity_pct
    if temperature is None or not humidity:
        return None
    return SensorAir(temperature, humidity, vapour_pressure_pa(temperature, humidity))
