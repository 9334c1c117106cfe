"""Simulated rooms with physics of their own, to hold advice on airing, sun and leaks against.

It imports nothing from the monitor. Weather: the typical years of Sand Point, Greensboro and
Miami in pvlib's package, hour by hour. A room has its air, the mass of its walls and things, wood
that takes up and gives back water, and bunches that dry by the deficit towards an equilibrium.
Air changes through leaks that grow with wind and temperature difference, and through a window.
Sensors have an offset, noise and a resolution.

Constants and seeds are our own choice, fixed before anything was tuned on them.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pvlib
from numpy.typing import NDArray

Array = NDArray[np.float64]

STEP_MIN = 5
DATA = Path(pvlib.__file__).parent / "data"
PRESSURE_PA = 101_325.0


class Weather(NamedTuple):
    """A year hour by hour; index i is the hour's end, i + 1 hours after local new year."""

    name: str
    latitude: float
    longitude: float
    utc_offset_h: float
    temperature_c: Array
    vapour_pa: Array
    wind_m_s: Array
    ghi: Array
    dni: Array


class Room(NamedTuple):
    """One room.

    leak_per_h      air changes at 2 m/s and no difference of temperature
    window_per_h    added by the open window
    mass_h          time constant of the walls against outdoors
    coupling_h      time constant of the air against the walls, window shut
    sun_k           rise of the walls' surroundings for 1 kW/m² of sun [K]
    wood_g_per_pct  water the wood's skin takes up for 1 % of humidity [g]
    fresh_g         of bunches hung at the beginning
    rate_per_h_kpa  of their drying
    """

    name: str
    climate: str
    volume_m3: float
    leak_per_h: float
    window_per_h: float
    mass_h: float
    coupling_h: float
    sun_k: float
    wood_g_per_pct: float
    fresh_g: float
    rate_per_h_kpa: float
    seed: int


ROOMS = (
    Room("tight spare room", "Greensboro", 28, 0.3, 6, 50, 0.8, 4, 120, 3000, 0.010, 11),
    Room("plank shed", "Greensboro", 30, 1.2, 10, 10, 0.5, 14, 60, 6000, 0.012, 12),
    Room("stone outhouse", "Sand Point", 22, 0.5, 8, 60, 0.7, 6, 50, 4000, 0.012, 13),
    Room("barn loft", "Sand Point", 90, 0.9, 7, 20, 0.8, 18, 200, 9000, 0.010, 14),
    Room("garden room", "Miami", 35, 0.6, 8, 30, 0.7, 6, 90, 4000, 0.010, 15),
    Room("lean-to", "Greensboro", 18, 2.5, 15, 6, 0.4, 10, 30, 2500, 0.014, 16),
)


class Run(NamedTuple):
    """What happened, at every step; what was measured, at every step."""

    minute: NDArray[np.int64]  # since local new year
    temperature_c: Array
    ratio_g_kg: Array
    humidity_pct: Array
    outdoor_c: Array
    outdoor_g_kg: Array
    changes_per_h: Array
    opened: NDArray[np.bool_]
    moisture: Array  # kg water per kg dry
    measured: Array  # (steps, 4): indoors °C, %, outdoors °C, %
    # Where the window was opened: humidity ratio at the hour's end, had it been shut; else NaN.
    had_it_been_shut_g_kg: Array


class State(NamedTuple):
    """A room between two steps: air, walls [°C], water in the air [g/kg], in the wood, in the
    bunches."""

    temp: float
    mass: float
    ratio: float
    wood: float
    moisture: float


def saturation_pa(t: float) -> float:
    """Magnus form, constants of Sonntag 1990 (from memory)."""
    return 611.2 * math.exp(17.62 * t / (243.12 + t))


def weather(name: str) -> Weather:
    if name == "Miami":
        table, meta = pvlib.iotools.read_tmy2(DATA / "12839.tm2")
        t, dew, wind = (table[k].to_numpy(float) / 10 for k in ("DryBulb", "DewPoint", "Wspd"))
        ghi, dni = table["GHI"].to_numpy(float), table["DNI"].to_numpy(float)
    else:
        file = {"Sand Point": "703165TY.csv", "Greensboro": "723170TYA.CSV"}[name]
        table, meta = pvlib.iotools.read_tmy3(DATA / file, map_variables=True)
        keys = ("temp_air", "temp_dew", "wind_speed", "ghi", "dni")
        t, dew, wind, ghi, dni = (table[k].to_numpy(float) for k in keys)
    vapour = np.array([saturation_pa(d) for d in dew])
    return Weather(name, meta["latitude"], meta["longitude"], meta["TZ"], t, vapour, wind, ghi, dni)


def _drawn(hourly: Array, first_day: int, days: int) -> Array:
    steps = first_day * 24 + (np.arange(days * 1440 // STEP_MIN) + 0.5) * STEP_MIN / 60
    return np.interp(steps, np.arange(1, len(hourly) + 1), hourly)


Decide = Callable[[int, tuple[float, float], tuple[float, float]], bool]


class AllKnowing(NamedTuple):
    """One who knows the room's equations, its state and the weather until the next decision: opens
    where the bunches lose more that way, and the room's water then rises by no more than so much
    [g/kg]."""

    most_rise_g_kg: float = math.inf


def simulate(
    room: Room,
    out: Weather,
    first_day: int,
    days: int,
    decide: Decide | AllKnowing,
    every_min: int = 60,
    decay_source: float = 1.0,
) -> Run:
    """Days in a room. decide(minute, (°C, %) indoors, (°C, %) outdoors) → window open, asked
    every so many minutes with what the sensors say. decay_source: 0 hangs no bunches."""
    rng = np.random.default_rng([room.seed, first_day])
    outside, vapour, wind, sun = (
        _drawn(x, first_day, days)
        for x in (out.temperature_c, out.vapour_pa, out.wind_m_s, out.ghi)
    )
    outside_g = 621.945 * vapour / (PRESSURE_PA - vapour)
    bias = rng.normal(0, [0.2, 1.5, 0.2, 1.5])
    n = len(outside)
    found = {k: np.empty(n) for k in ("t", "w", "rh", "ach", "m")}
    opened = np.zeros(n, dtype=bool)
    measured = np.empty((n, 4))
    had_it_been_shut = np.full(n, np.nan)
    dt = STEP_MIN / 60
    air_kg = 1.2 * room.volume_m3
    dry_g = room.fresh_g * 0.22 * decay_source
    temp = mass = float(outside[:288].mean()) + 1.5
    ratio = float(outside_g[:288].mean()) + 0.5

    def step(i: int, was: State, is_open: bool) -> tuple[State, float, float]:
        """The room after a step, its relative humidity [%] and air changes an hour."""
        temp, mass, ratio, wood, moisture = was
        full = 621.945 * saturation_pa(temp) / (PRESSURE_PA - saturation_pa(temp))
        rh = min(100.0, 100 * ratio / full)
        difference = abs(temp - float(outside[i]))
        changes = room.leak_per_h * (0.5 + wind[i] / 4 + 0.03 * difference)
        if is_open:
            changes += room.window_per_h * (0.5 + wind[i] / 8 + 0.03 * difference)
        # Things in the room hold three times the heat of its air.
        by_air, by_wall = 0.25 * changes, 1 / room.coupling_h
        temp = (temp + dt * (by_air * outside[i] + by_wall * mass)) / (1 + dt * (by_air + by_wall))
        around = outside[i] + room.sun_k * sun[i] / 1000
        mass += dt / room.mass_h * (around - mass) + dt * 0.3 / room.mass_h * (temp - mass)
        settles = 0.05 + 0.18 * (rh / 100) ** 2 / max(0.05, 1.05 - rh / 100)
        pull = (1 - rh / 100) * saturation_pa(temp) / 1000
        change = room.rate_per_h_kpa * dt * (max(pull, 0.05) * max(0.0, moisture - settles))
        if moisture < settles:
            change = -0.004 * dt * (settles - moisture)
        moisture -= change
        trade = room.wood_g_per_pct / 6 * dt
        gain = changes * dt * outside_g[i] + (change * dry_g + trade * wood) / air_kg
        ratio = (ratio + gain) / (1 + changes * dt + trade * 100 / full / air_kg)
        full = 621.945 * saturation_pa(temp) / (PRESSURE_PA - saturation_pa(temp))
        ratio = min(ratio, full)
        wood += trade * (100 * ratio / full - wood) / room.wood_g_per_pct
        return State(temp, mass, ratio, wood, moisture), 100 * ratio / full, changes

    def left(i: int, now: State, is_open: bool) -> State:
        """The room at the next decision, left open or shut from now on."""
        for later in range(i, min(i + every_min // STEP_MIN, n)):
            now, _, _ = step(later, now, is_open)
        return now

    def knows(i: int, now: State, most_rise_g_kg: float) -> bool:
        if_open, if_shut = left(i, now, True), left(i, now, False)
        rises = if_open.ratio - now.ratio > most_rise_g_kg
        return if_open.moisture < if_shut.moisture and not rises

    now, is_open = State(temp, mass, ratio, 72.0, 3.5), False
    for i in range(n):
        full = 621.945 * saturation_pa(now.temp) / (PRESSURE_PA - saturation_pa(now.temp))
        rh = min(100.0, 100 * now.ratio / full)
        rh_out = min(100.0, 100 * vapour[i] / saturation_pa(float(outside[i])))
        noise = rng.normal(0, [0.05, 0.3, 0.1, 0.5])
        true = np.array([now.temp, rh, outside[i], rh_out])
        measured[i] = np.round((true + bias + noise) * 10) / 10
        measured[i, [1, 3]] = np.clip(measured[i, [1, 3]], 1, 100)
        if i * STEP_MIN % every_min == 0:
            a, b, c, d = (float(v) for v in measured[i])
            if isinstance(decide, AllKnowing):
                is_open = knows(i, now, decide.most_rise_g_kg)
            else:
                is_open = decide(i * STEP_MIN, (a, b), (c, d))
            if is_open:
                had_it_been_shut[i] = left(i, now, False).ratio
        now, humidity, changes = step(i, now, is_open)
        for key, value in zip(
            found, (now.temp, now.ratio, humidity, changes, now.moisture), strict=True
        ):
            found[key][i] = value
        opened[i] = is_open
    minute = first_day * 1440 + STEP_MIN * np.arange(n, dtype=np.int64)
    return Run(
        minute, found["t"], found["w"], found["rh"], outside, outside_g, found["ach"], opened,
        found["m"], measured, had_it_been_shut,
    )  # fmt: skip


class Pane(NamedTuple):
    """A pane in space, as its maker built it, for a ray test: metres east, north and up."""

    corner: tuple[float, float, float]
    along: tuple[float, float, float]  # from the corner to the next
    up: tuple[float, float, float]  # from the corner to the other


def ray_passes(pane: Pane, point: Array, to_sun: Array) -> bool:
    """Whether a straight line from a point towards the sun passes through the pane."""
    corner, along, up = (np.array(v) for v in pane)
    matrix = np.column_stack([along, up, -to_sun])
    if abs(np.linalg.det(matrix)) < 1e-9:
        return False
    u, v, t = np.linalg.solve(matrix, point - corner)
    return bool(0 <= u <= 1 and 0 <= v <= 1 and t > 0)
