"""The sensors of each space held against each other, minute by minute.

Which two disagree, and which sensor the sun heats: `pairs` has the rules, here they are followed
through the minutes of one site.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from functools import lru_cache
from itertools import combinations
from typing import NamedTuple

from monitor.room.air import SensorMinute, vapour_pressure_pa
from monitor.room.pairs import Pair, SensorAir, Shine, compare, odd_ones, shine
from monitor.room.readings import Flag, Quantity
from monitor.room.spaces import OUTDOORS, Site
from monitor.science.sun import sun_elevation

# The sun need not be known more often [min].
SUN_EVERY_MIN = 10

_UNKNOWN_PAIR, _UNKNOWN_SHINE = Pair(), Shine()


class Together(NamedTuple):
    """What is remembered: two sensors of a space → their pair; a sensor → the sun on it."""

    pairs: Mapping[tuple[str, str], Pair] = {}
    shines: Mapping[str, Shine] = {}

    def without(self, sensors: Iterable[str]) -> Together:
        """Nothing known any more of sensors that were changed."""
        gone = set(sensors)
        return Together(
            {names: pair for names, pair in self.pairs.items() if not gone & set(names)},
            {name: shines for name, shines in self.shines.items() if name not in gone},
        )


class Spaces:
    """The sensors of one site by space: those of temperature and humidity, those of light."""

    def __init__(self, site: Site) -> None:
        both = {Quantity.TEMPERATURE, Quantity.HUMIDITY}
        self._moist: dict[str, list[str]] = {}
        self._lit: list[str] = []
        self._roofed: set[str] = set()
        for space in site.spaces:
            sensors = site.sensors_of(space)
            moist = [s.name for s in sensors if both <= s.reads.keys()]
            if len(moist) > 1:
                self._moist[space] = moist
            if space != OUTDOORS:  # there a sensor hangs in a screen, and any day is bright
                self._roofed.update(moist)
                self._lit += [s.name for s in sensors if Quantity.ILLUMINANCE in s.reads]
        self._pairs = {pair for moist in self._moist.values() for pair in combinations(moist, 2)}
        self._shone = (
            set(self._lit) | {n for moist in self._moist.values() for n in moist} & self._roofed
        )
        self._has_light = set(self._lit)

        @lru_cache(maxsize=64)
        def sun_up(ten_minutes: int) -> bool:
            at_s = (ten_minutes * SUN_EVERY_MIN + SUN_EVERY_MIN / 2) * 60
            return sun_elevation(site.latitude, site.longitude, at_s) > 0

        self._sun_up = sun_up

    def fit(self, before: Together) -> Together:
        """What is remembered of sensors that still hang together."""
        return Together(
            {names: pair for names, pair in before.pairs.items() if names in self._pairs},
            {name: known for name, known in before.shines.items() if name in self._shone},
        )

    def disagreeing(self, known: Together) -> dict[str, tuple[str, ...]]:
        """Of each space in which sensors disagree, those to doubt."""
        found = {}
        for space, moist in self._moist.items():
            quarrels = [
                names
                for names in combinations(moist, 2)
                if known.pairs.get(names, _UNKNOWN_PAIR).since is not None
            ]
            if odd := odd_ones(moist, quarrels):
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
        shines = dict(before.shines)
        for name in self._lit:
            light = told[name].illuminance_lx
            if light is not None:
                known = shines.get(name, _UNKNOWN_SHINE)
                shines[name] = shine(known, minute, _NO_AIR, (), light, True)
        pairs = dict(before.pairs)
        flags: dict[str, Flag] = {}
        for moist in self._moist.values():
            airs = {n: air for n in moist if heard(n) and (air := _air(told[n])) is not None}
            if len(airs) > 1:
                self._shine(shines, airs, minute)
                quarrels = []
                for names in combinations(airs, 2):
                    one, other = (airs[name] for name in names)
                    pairs[names] = compare(pairs.get(names, _UNKNOWN_PAIR), minute, one, other)
                    if pairs[names].since is not None:
                        quarrels.append(names)
                if quarrels:
                    flags |= dict.fromkeys(odd_ones(airs, quarrels), Flag.DISAGREES)
        for name, known in shines.items():
            if known.since is not None:
                flags[name] = flags.get(name, Flag.NONE) | Flag.IN_THE_SUN
        return Together(pairs, shines), flags

    def _shine(self, shines: dict[str, Shine], airs: Mapping[str, SensorAir], minute: int) -> None:
        """The sun on sensors that measure no light, by their neighbours in the shade."""
        up = self._sun_up(minute // SUN_EVERY_MIN)
        for name, air in airs.items():
            if name in self._has_light or name not in self._roofed:
                continue
            shade = [
                other
                for neighbour, other in airs.items()
                if neighbour != name and shines.get(neighbour, _UNKNOWN_SHINE).since is None
            ]
            known = shines.get(name, _UNKNOWN_SHINE)
            shines[name] = shine(known, minute, air, shade, None, up)


_NO_AIR = SensorAir(0.0, 0.0, 0.0)  # not looked at where the light itself is measured


def _air(told: SensorMinute) -> SensorAir | None:
    temperature, humidity = told.temperature_c, told.humidity_pct
    if temperature is None or not humidity:
        return None
    return SensorAir(temperature, humidity, vapour_pressure_pa(temperature, humidity))
