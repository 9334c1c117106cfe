"""The rooms of the sample readings and what dries in them: plain physics, made to look right."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import NamedTuple

import numpy as np

from sample_readings.scenario import DOOR_OPEN, SHUTTER_OPEN, WINDOW_AJAR, Happening, minute_of
from sample_readings.weather import (
    ROOF_LIGHT,
    Array,
    Script,
    Weather,
    follow,
    saturation_kpa,
    sun_patch,
    weather,
)


class Room(NamedTuple):
    """A room of two nodes, its air and its fabric; time constants in hours.

    outside_h   air to outdoors        roof_k       rise of the roof in sun [K per W/m2]
    fabric_h    air to fabric          fabric_own_h fabric to air
    base_c      what the fabric rests on, ground or house [°C]     base_h  fabric to that
    changes     air changes an hour    store        exchange with what holds water [1/h]
    """

    name: str
    volume_m3: float
    outside_h: float
    roof_k: float
    fabric_h: float
    fabric_own_h: float
    base_c: float
    base_h: float
    changes: float
    store: float


ROOMS = (
    Room("loft", 60, 2.6, 0.0203, 3.0, 11.0, 16.0, 200.0, 1.8, 0.8),
    Room("wash house", 42, 14.0, 0.008, 4.0, 40.0, 17.0, 60.0, 0.78, 0.4),
    Room("box room", 18, 24.0, 0.004, 6.0, 60.0, 21.5, 40.0, 0.4, 0.8),
)


class Batch(NamedTuple):
    """Bunches hung together, as the physics sees them.

    spaces  (hours since the start, space or None when taken down), in order
    fresh_g mass of one bunch when cut [g]      water  share of water in it
    rate    at 20 °C and 50 % [1/h]             rain_g rain on a bunch when hung [g]
    """

    name: str
    spaces: tuple[tuple[float, str | None], ...]
    bunches: int
    fresh_g: float
    water: float
    rate: float
    rain_g: float = 0.0


BATCHES = (
    Batch("lavender-first", ((10.5, "loft"), (201.0, None)), 20, 178.0, 0.68, 0.0240),
    Batch("statice-purple", ((9.0, "loft"),), 14, 246.0, 0.71, 0.0150),
    Batch("poppy-heads", ((33.5, "wash house"), (159.5, "loft")), 12, 210.0, 0.74, 0.0120),
    Batch("rhodanthe-pink", ((79.5, "loft"), (202.5, None)), 9, 122.0, 0.72, 0.0180),
    Batch("statice-white", ((135.0, "wash house"),), 40, 255.0, 0.75, 0.0170, 48.0),
)
TAGGED = "statice-purple"  # a bunch of this batch hangs on the loft's scale
RAIN_DRIES_PER_H = 0.3  # at 20 °C and 50 %


class Air(NamedTuple):
    """A space's air and fabric, one value a minute [°C, kPa, °C]."""

    temperature: Array
    vapour_pressure: Array
    fabric: Array


def settles_at(humidity: float) -> float:
    """Water a dry bunch keeps [kg/kg dry]; GAB with Mm 0.07, C 10, K 0.85."""
    a = min(max(humidity, 0.05), 0.93)
    return 0.07 * 10 * 0.85 * a / ((1 - 0.85 * a) * (1 - 0.85 * a + 10 * 0.85 * a))


class Hanging:
    """The batches as they dry: water [kg per kg dry] now, and the record of it by the minute."""

    def __init__(self, batches: Iterable[Batch]) -> None:
        self.batches = tuple(batches)
        self.water = {b.name: b.water / (1 - b.water) for b in self.batches}
        self.rain = {b.name: b.rain_g for b in self.batches}
        self.record: dict[str, list[float]] = {b.name: [] for b in self.batches}

    @staticmethod
    def space(batch: Batch, hour: float) -> str | None:
        """Where the batch hangs at this hour."""
        return next((space for since, space in reversed(batch.spaces) if since <= hour), None)

    def dry(self, hour: float, room: str, deficit: float, humidity: float) -> float:
        """One minute of drying in a room; returns the water given off [g]."""
        given = 0.0
        for batch in self.batches:
            if self.space(batch, hour) != room:
                continue
            pull = (max(deficit, 0.02) / 1.17) ** 0.7 / 60
            lost = (self.water[batch.name] - settles_at(humidity)) * -math.expm1(-batch.rate * pull)
            self.water[batch.name] -= lost
            dripped = self.rain[batch.name] * -math.expm1(-RAIN_DRIES_PER_H * pull)
            self.rain[batch.name] -= dripped
            given += batch.bunches * (lost * batch.fresh_g * (1 - batch.water) + dripped)
        return given

    def remember(self) -> None:
        """Notes every batch's water of this minute."""
        for name, water in self.water.items():
            self.record[name].append(water)

    def mass_g(self, name: str, minute: int) -> float:
        """Mass of one bunch of the batch [g]."""
        batch = next(b for b in self.batches if b.name == name)
        return batch.fresh_g * (1 - batch.water) * (1 + self.record[name][minute])


def _open(happening: Happening, room: Room, minute: int) -> bool:
    begins, ends = minute_of(happening.begins), minute_of(happening.ends)
    return room.name == happening.space and begins <= minute < ends


def _air_changes(room: Room, minute: int) -> float:
    if _open(DOOR_OPEN, room, minute):
        return 5.0
    return 1.3 if _open(WINDOW_AJAR, room, minute) else room.changes


def _through_shutter(room: Room, minute: int) -> float:
    """Heat from the sun through the shutter someone left open [K/h]."""
    return 4.3 if _open(SHUTTER_OPEN, room, minute) else 0.0


def _at_rest(room: Room, out: Weather) -> list[float]:
    """How a room begins: air, fabric [°C], vapour pressure [kPa], humidity of what holds water.

    The fabric still has the warmth of the day before, some 130 W/m2 of sun on the roof.
    """
    fabric = room.base_c + 130 * room.roof_k
    cold, vapour = float(out.temperature[0]), float(out.vapour_pressure[0])
    pulls = 1 / room.outside_h, 1 / room.fabric_h
    air = (cold * pulls[0] + fabric * pulls[1]) / sum(pulls)
    full = float(saturation_kpa(np.array(air)))
    return [air, fabric, vapour, vapour / full]


def live_in(
    out: Weather, rooms: Iterable[Room], hanging: Hanging, *, scenario: bool = True
) -> dict[str, Air]:
    """Steps all rooms through the weather, minute by minute.

    Water in the air is counted as vapour pressure: 1 g/m3 is 0.1354 kPa per 293 K of its air.
    """
    rooms = tuple(rooms)
    n = len(out.temperature)
    state = {r.name: _at_rest(r, out) for r in rooms}
    made: dict[str, list[tuple[float, float, float]]] = {r.name: [] for r in rooms}
    outside = zip(
        out.temperature.tolist(),
        out.vapour_pressure.tolist(),
        follow(out.irradiance, 20).tolist(),
        strict=True,
    )
    for minute, (cold, vapour, light) in enumerate(outside):
        for room in rooms:
            air, fabric, water, stored = state[room.name]
            changes = _air_changes(room, minute) if scenario else room.changes
            heat = _through_shutter(room, minute) if scenario else 0.0
            heat += (cold + room.roof_k * light - air) / room.outside_h
            heat += (fabric - air) / room.fabric_h + 0.06 * (changes - room.changes) * (cold - air)
            fabric += (
                (air - fabric) / room.fabric_own_h + (room.base_c - fabric) / room.base_h
            ) / 60
            air += heat / 60
            full = 0.6108 * math.exp(17.27 * air / (air + 237.3))
            humidity = min(water / full, 1.0)
            given = hanging.dry(minute / 60, room.name, full - water, humidity)
            water += (changes * (vapour - water) + room.store * (stored * full - water)) / 60
            water += given / room.volume_m3 * 0.1354 * (air + 273.15) / 293.15
            water = min(water, 0.985 * full)
            stored += (humidity - stored) / (18 * 60)
            state[room.name] = [air, fabric, water, stored]
            made[room.name].append((air, water, fabric))
        hanging.remember()
    made_n = {name: np.array(rows).reshape(n, 3).T for name, rows in made.items()}
    return {name: Air(*columns) for name, columns in made_n.items()}


class World(NamedTuple):
    """All that is true, one value a minute."""

    out: Weather
    air: dict[str, Air]
    patch: Array
    shutter: Array
    hanging: Hanging
    tagged_g: Array


def make_world(script: Script, n: int, seed: int, *, scenario: bool = True) -> World:
    """n minutes of weather, rooms and bunches; `scenario` adds what people did."""
    out = weather(script, n, seed)
    hanging = Hanging(BATCHES if scenario else ())
    air = live_in(out, ROOMS, hanging, scenario=scenario)
    air["outdoors"] = Air(out.temperature, out.vapour_pressure, out.temperature)
    open_shutter = np.zeros(n)
    grams = np.zeros(n)
    if scenario:
        open_shutter[minute_of(SHUTTER_OPEN.begins) : minute_of(SHUTTER_OPEN.ends)] = 1
        hung = int(BATCHES[1].spaces[0][0] * 60)
        grams[hung:] = [hanging.mass_g(TAGGED, minute) for minute in range(hung, n)]
    return World(out, air, sun_patch(ROOF_LIGHT, out), open_shutter, hanging, grams)
