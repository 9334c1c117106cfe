"""The sensors of each space held against each other, minute by minute.

Which two disagree, and which sensor the sun heats: `pairs` has the rules, here they are followed
through the minutes of one site.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache
from itertools import combinations

from monitor.air.minute import SensorMinute, vapour_pressure_pa
from monitor.air.pairs import (
    UNKNOWN_PAIR,
    UNKNOWN_SHINE,
    SensorAir,
    Shine,
    Together,
    compare,
    odd_ones,
    shine,
)
from monitor.science.sun import sun_elevation
from monitor.site.quantities import Flag, Quantity
from monitor.site.spaces import OUTDOORS, Sensor, Site

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
