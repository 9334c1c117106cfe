"""The sensors of the sample readings: how well they read, and how they say it."""

from __future__ import annotations

import base64
import json
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sample_readings.rooms import World
from sample_readings.scenario import KNOCK, START_S, minute_of
from sample_readings.weather import Array, follow, noise, saturation_kpa

LX_PER_W_M2 = 110.0  # Littlefair 1985, 1988: mixed daylight


class Sensor(NamedTuple):
    """A sensor: what it reads, how well, and how it says so.

    reads     quantity and the step it rounds to
    offset_k, offset_pct   how far it is off;   lag_min   how slowly it follows the air
    payload   (time [s], ISO time, the rounded values in the order of `reads`) → text
    """

    name: str
    space: str
    topic: str
    every_s: int
    phase_s: int
    reads: tuple[tuple[str, float], ...]
    payload: Callable[..., str]
    offset_k: float = 0.0
    offset_pct: float = 0.0
    lag_min: float = 3.0


# Spread of one reading around what the sensor would say on the mean of many.
NOISE = {
    "temperature": 0.03,
    "humidity": 0.2,
    "illuminance": 0.0,
    "irradiance": 0.0,
    "pressure": 0.03,
    "surface_temperature": 0.02,
    "mass": 0.3,
    "battery": 0.0,
    "signal": 0.6,
}


def _flat(time_s: int, iso: str, t: float, rh: float, lx: float) -> str:
    return f'{{"ts":{time_s},"t":{t:.1f},"rh":{rh:.0f},"lx":{lx:.0f}}}'


def _nested_ms(time_s: int, iso: str, t: float, rh: float, battery: float) -> str:
    air = f'"air":{{"temp":{t:.1f},"hum":{rh:.1f}}}'
    return f'{{"when":{{"ms":{time_s}000}},{air},"bat":{battery:.0f}}}'


def _grams(time_s: int, iso: str, grams: float) -> str:
    return f'{{"time":"{iso}","grams":{grams:.1f}}}'


def _senml(time_s: int, iso: str, t: float, rh: float, wall: float) -> str:
    first = f'{{"bn":"wash-rail/","bt":{time_s},"n":"air","u":"Cel","v":{t:.1f}}}'
    return f'[{first},{{"n":"hum","u":"%RH","v":{rh:.1f}}},{{"n":"wall","u":"Cel","v":{wall:.1f}}}]'


def _fahrenheit(time_s: int, iso: str, t: float, rh: float) -> str:
    return f'{{"at":"{iso}","f":{t * 1.8 + 32:.1f},"h":{rh / 100:.2f}}}'


def _array_ms(time_s: int, iso: str, t: float, rh: float, lx: float) -> str:
    return f'{{"ms":{time_s}000,"v":[{t:.1f},{rh:.1f},{lx:.0f}]}}'


def _outdoors(time_s: int, iso: str, t: float, rh: float, p: float, sky: float, dbm: float) -> str:
    obs = f'{{"tc":{t:.1f},"rh":{rh:.1f},"p":{p:.1f},"sky":{sky:.0f}}}'
    return f'{{"t":{time_s},"obs":{obs},"rssi":{dbm:.0f}}}'


TO_A_TENTH = (("temperature", 0.1), ("humidity", 0.1))
SENSORS = (
    Sensor(
        *("loft-rail", "loft", "thornlaw/loft/rail", 60, 7),
        (("temperature", 0.1), ("humidity", 1.0), ("illuminance", 1.0)),
        *(_flat, 0.2, -1.0, 4.0),
    ),
    Sensor(
        *("loft-gable", "loft", "thornlaw/loft/gable", 60, 19),
        (*TO_A_TENTH, ("battery", 1.0)),
        *(_nested_ms, -0.3, 1.2, 6.0),
    ),
    Sensor("loft-scale", "loft", "thornlaw/loft/scale", 600, 31, (("mass", 0.5),), _grams),
    Sensor(
        *("wash-house-rail", "wash house", "thornlaw/wash/rail", 60, 23),
        (*TO_A_TENTH, ("surface_temperature", 0.1)),
        *(_senml, 0.1, 0.4, 4.0),
    ),
    Sensor(
        *("wash-house-shelf", "wash house", "thornlaw/wash/shelf", 60, 41),
        (("temperature", 1 / 18), ("humidity", 1.0)),
        *(_fahrenheit, -0.2, -0.6, 5.0),
    ),
    Sensor(
        *("box-room-shelf", "box room", "thornlaw/box/shelf", 60, 37),
        (*TO_A_TENTH, ("illuminance", 1.0)),
        *(_array_ms, 0.1, 0.5, 4.0),
    ),
    Sensor(
        *("outdoors-north", "outdoors", "thornlaw/outside/north", 60, 53),
        (*TO_A_TENTH, ("pressure", 0.1), ("irradiance", 1.0), ("signal", 1.0)),
        *(_outdoors, 0.0, 0.9, 3.0),
    ),
)


def seen(sensor: Sensor, quantity: str, world: World) -> Array:
    """What the sensor would say of a quantity each minute, before noise and rounding."""
    air, out = world.air[sensor.space], world.out
    n = len(out.temperature)
    warm = follow(air.temperature, sensor.lag_min)
    if "illuminance" in dict(sensor.reads) and sensor.space == "loft":
        warm = warm + follow(3.0 * world.patch * out.beam, 8)  # the sun warms it, not the air
    match quantity:
        case "temperature":
            return warm + sensor.offset_k
        case "humidity":
            vapour = follow(air.vapour_pressure, sensor.lag_min)
            return 100 * vapour / saturation_kpa(warm) + sensor.offset_pct
        case "illuminance" if sensor.space == "loft":
            direct = 24_000 * world.patch * out.beam
            return out.irradiance * LX_PER_W_M2 * 0.0035 + direct
        case "illuminance":
            return out.irradiance * LX_PER_W_M2 * (0.00015 + 0.012 * world.shutter)
        case "irradiance":
            return out.irradiance
        case "pressure":
            return out.pressure
        case "surface_temperature":
            return air.fabric + 0.35 * (follow(air.temperature, 40) - air.fabric) - 0.3
        case "mass":
            return _on_the_scale(world)
        case "battery":
            return 96.4 - np.arange(n) / 1440 * 0.4
        case "signal":
            return np.full(n, -71.0) - 4 * out.fog
        case _:
            raise ValueError(f"no sensor here reads {quantity}")


def _on_the_scale(world: World) -> Array:
    """The tagged bunch, with the drift of the scale in the heat and a knock [g]."""
    grams = 0.97 * world.tagged_g + 0.12 * (world.air["loft"].temperature - 20)
    if world.tagged_g.any():
        grams[minute_of(KNOCK.begins) : minute_of(KNOCK.ends)] += 23
        grams[minute_of(KNOCK.ends) :] -= 1.5
    return grams


class Mouth:
    """A sensor at work: turns stretches of time into what it sends."""

    def __init__(self, sensor: Sensor, world: World, seed: int) -> None:
        self.sensor = sensor
        self.rng = np.random.default_rng(seed)
        self.by_minute = {q: seen(sensor, q, world) for q, _ in sensor.reads}

    def rows(self, begins_s: int, ends_s: int) -> tuple[NDArray[np.int64], list[Array]]:
        """Times [UTC epoch s] and rounded values of a stretch; stretches must follow in order."""
        every, phase = self.sensor.every_s, self.sensor.phase_s
        first = begins_s + (START_S + phase - begins_s) % every
        times = np.arange(first, ends_s, every, dtype=np.int64)
        minutes = (times - START_S) / 60
        columns = []
        for quantity, step in self.sensor.reads:
            truth = self.by_minute[quantity]
            value = np.interp(minutes, np.arange(len(truth)), truth)
            value = value + NOISE[quantity] * noise(self.rng, len(times))
            if quantity == "humidity" and self.sensor.space != "outdoors":
                value = np.clip(value, 0, 100)
            columns.append(np.round(value / step) * step + 0.0)
        return times, columns

    def says(self, times: NDArray[np.int64], columns: list[Array]) -> list[Message]:
        """The messages of these rows, sent a second after they were measured."""
        made = iso_times(times)
        sent = iso_times(times + 1)
        values = zip(*(c.tolist() for c in columns), strict=True)
        topic, payload = self.sensor.topic, self.sensor.payload
        return [
            Message(at, topic, payload(second, iso, *row))
            for at, second, iso, row in zip(sent, times.tolist(), made, values, strict=True)
        ]


class Message(NamedTuple):
    """at: when it was sent, ISO 8601; payload: text, or bytes where it is none."""

    at: str
    topic: str
    payload: str | bytes

    def line(self) -> str:
        """The message as one line of the file."""
        head = f'{{"at":"{self.at}","topic":"{self.topic}",'
        if isinstance(self.payload, bytes):
            coded = base64.b64encode(self.payload).decode()
            return f'{head}"payload_base64":"{coded}"}}\n'
        return f'{head}"payload":{json.dumps(self.payload)}}}\n'


def iso_times(times: NDArray[np.int64]) -> list[str]:
    """UTC epoch seconds as ISO 8601 with Z."""
    return [f"{t}Z" for t in np.datetime_as_string(times.astype("datetime64[s]")).tolist()]
