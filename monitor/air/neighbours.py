"""The sensors of each space held against each other, minute by minute.

Which two disagree, and which sensor the sun heats: `pairs` has the rules, here they are followed
through the minutes of one site.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache
from itertools import combinations

import numpy as np

from monitor.air.minute import SensorMinute, vapour_pressure_pa
from monitor.air.pairs import (
    DIRECT_LX,
    UNKNOWN_PAIR,
    UNKNOWN_SHINE,
    SensorAir,
    Shine,
    Together,
    compare,
    odd_ones,
    shine,
)
from monitor.air.strides.accord import accord
from monitor.science.sun import sun_elevation
from monitor.site.quantities import Flag, Quantity
from monitor.site.spaces import OUTDOORS, Sensor, Site

# The sun need not be known more often [min].
SUN_EVERY_MIN = 10
# Fewer minutes are sooner looked at one by one; after one that has to be, so are as many.
FEWEST_MIN = 10

# Minute of the epoch → whether the sun is up.
SunUp = Callable[[int], bool]
# Minute → a sensor → why to doubt it.
Doubts = dict[int, dict[str, Flag]]


class Neighbours:
    """The sensors of one space.

    moist   those that tell both temperature and humidity
    lit     those that measure light on them, none outdoors
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
        self._numbers = [self.moist.index(name) for name in self.shone]
        self._sun_up = sun_up

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

    def through(
        self,
        known: Together,
        begin: int,
        told: Mapping[str, Sequence[SensorMinute]],
        heard: Mapping[str, Sequence[bool]],
    ) -> tuple[Together, Doubts]:
        """Many minutes further, from `begin` on; the same as minute by minute."""
        told = {name: told[name] for name in {*self.moist, *self.lit}}
        heard = {name: heard[name] for name in self.moist}
        doubts: Doubts = {}
        minutes = len(next(iter(told.values())))
        gone = by_hand_until = 0
        while gone < minutes:
            if gone >= by_hand_until:
                count, known = self._accord(known, begin, gone, told, heard)
                if count:
                    gone += count
                    continue
                by_hand_until = gone + FEWEST_MIN
            known, flags = self.minute(
                known,
                begin + gone,
                {name: of_sensor[gone] for name, of_sensor in told.items()},
                {name for name in self.moist if heard[name][gone]}.__contains__,
            )
            if flags:
                doubts[begin + gone] = flags
            gone += 1
        return known, doubts

    def _accord(
        self,
        known: Together,
        begin: int,
        gone: int,
        told: Mapping[str, Sequence[SensorMinute]],
        heard: Mapping[str, Sequence[bool]],
    ) -> tuple[int, Together]:
        """As many minutes as all agree in the shade, maybe none, and what is known after these."""
        pairs = [known.pairs.get(names, UNKNOWN_PAIR) for names in self.pairs]
        shines = [known.shines.get(name, UNKNOWN_SHINE) for name in self.shone]
        lit = [known.shines.get(name, UNKNOWN_SHINE) for name in self.lit]
        if any(since is not None for *_, since in (*pairs, *shines, *lit)):
            return 0, known
        said = {name: of_sensor[gone:] for name, of_sensor in told.items()}
        count = self._ordinary(said, {name: of_sensor[gone:] for name, of_sensor in heard.items()})
        if count < FEWEST_MIN:
            return 0, known
        if pairs:
            up = [self._sun_up(minute) for minute in range(begin + gone, begin + gone + count)]
            airs = [said[name][:count] for name in self.moist]
            count, pairs, shines = accord(pairs, shines, self._numbers, airs, np.array(up))
        after = dict(zip(self.shone, shines, strict=True))
        for name, of_one in zip(self.lit, lit, strict=True):
            if name in known.shines or any(
                m.illuminance_lx is not None for m in said[name][:count]
            ):
                after[name] = of_one
        return count, Together(dict(zip(self.pairs, pairs, strict=True)), after)

    def _ordinary(
        self, told: Mapping[str, Sequence[SensorMinute]], heard: Mapping[str, Sequence[bool]]
    ) -> int:
        """In how many of the first minutes all are heard, and no light is direct sun."""
        minutes = len(next(iter(told.values())))
        for at in range(minutes):
            lights = [told[name][at].illuminance_lx for name in self.lit]
            if any(light is not None and light >= DIRECT_LX for light in lights):
                return at
            if not all(heard[name][at] for name in self.moist):
                return at
        return minutes

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
        up = self._sun_up(minute)
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
        self._spaces = {space: one for space, one in spaces.items() if one.moist or one.lit}

    def fit(self, before: Together) -> Together:
        """What is remembered of sensors that still hang together."""
        spaces = self._spaces.values()
        pairs = {names for one in spaces for names in one.pairs}
        shines = {name for one in spaces for name in (*one.shone, *one.lit)}
        return Together(
            {names: pair for names, pair in before.pairs.items() if names in pairs},
            {name: known for name, known in before.shines.items() if name in shines},
        )

    def disagreeing(self, known: Together) -> dict[str, tuple[str, ...]]:
        """Of each space in which sensors disagree, those to doubt."""
        found = {}
        for space, neighbours in self._spaces.items():
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
        for neighbours in self._spaces.values():
            after, doubts = neighbours.minute(before, minute, told, heard)
            pairs |= after.pairs
            shines |= after.shines
            flags |= doubts
        return Together(pairs, shines), flags

    def through(
        self,
        before: Together,
        begin: int,
        told: Mapping[str, Sequence[SensorMinute]],
        heard: Mapping[str, Sequence[bool]],
    ) -> tuple[Together, Doubts]:
        """Many minutes further, from `begin` on, space by space; the same as minute by minute."""
        pairs, shines = dict(before.pairs), dict(before.shines)
        doubts: Doubts = {}
        for neighbours in self._spaces.values():
            after, of_space = neighbours.through(before, begin, told, heard)
            pairs |= after.pairs
            shines |= after.shines
            for minute, flags in of_space.items():
                doubts[minute] = doubts.get(minute, {}) | flags
        return Together(pairs, shines), doubts


_NO_AIR = SensorAir(0.0, 0.0, 0.0)  # not looked at where the light itself is measured


def _air(told: SensorMinute) -> SensorAir | None:
    temperature, humidity = told.temperature_c, told.humidity_pct
    if temperature is None or not humidity:
        return None
    return SensorAir(temperature, humidity, vapour_pressure_pa(temperature, humidity))
