"""Simulated drying sheds with physics of their own, driven by real hourly weather.

It imports nothing from the monitor: what is foreseen is judged against other equations than those
it was made with. Weather: the three typical meteorological years in pvlib's package (Sand Point,
Greensboro, Miami): temperature, dew point, wind and irradiance, hour by hour.

A shed has two temperatures: its air with the light things in it (minutes to an hour) and its
structure (half a day to two days). Sun comes through a window, by its facing, and through the
roof. Air changes by leaks that grow with the wind, and by a door that people open without asking
the weather. Water comes with the air, from bunches that dry by the deficit, and from wood that
takes it up and gives it back by the relative humidity. Sensors have an offset, noise, a resolution
and gaps.

Constants and seeds are our own choice, fixed before anything was tuned on them.
"""

from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd
import pvlib
from numpy.typing import NDArray

Array = NDArray[np.float64]

STEP_MIN = 5
GRID_MIN = 10
EPOCH_MINUTE = 26_824_320  # 2021-01-01 00:00 UTC
DATA = Path(pvlib.__file__).parent / "data"


CLOUD = "TotCld (tenths)"


class Climate(NamedTuple):
    """An hourly year; index i covers the hour that begins i hours after local new year."""

    name: str
    latitude: float
    longitude: float
    utc_offset_h: float
    temperature_c: Array  # at the hour's end, as the files stamp it
    vapour_pa: Array
    wind_m_s: Array
    ghi: Array  # mean of the hour [W/m²]
    dni: Array
    dhi: Array
    cloud_pct: Array  # of the sky covered, as it was at the hour's end


class Shed(NamedTuple):
    """One shed: physics, sensors and the limit that is watched."""

    name: str
    climate: str
    hot_c: float
    volume_m3: float
    air_time_constant_h: float  # of air and light things, against all they touch, door shut
    mass_time_constant_h: float
    to_outdoors: float  # share of the air's exchange that goes straight outdoors, 0 to 1
    roof_gain_k_per_kw: float  # rise of the mass's surroundings for 1 kW/m² on the roof [K]
    window_gain_k_per_kw: float  # rise of the air's surroundings for 1 kW/m² on the pane [K]
    window_facing_deg: float
    leak_per_h: float
    door_per_h: float
    wood_g_per_pct: float  # water the wood's skin takes up for 1 % RH [g]
    has_outdoor_sensor: bool
    seed: int


def _kinds(climate: str, hot: tuple[float, float, float, float], seed: int) -> list[Shed]:
    """The four buildings in one climate."""
    return [
        Shed("plank shed", climate, hot[0], 30, 0.5, 9, 0.55, 16, 10, 180, 1.5, 15, 60, True, seed),
        Shed(
            "barn loft", climate, hot[1], 90, 0.8, 20, 0.35, 22, 5, 240, 1.0, 6, 200, True, seed + 1
        ),
        Shed(
            "spare room",
            climate,
            hot[2],
            28,
            0.7,
            45,
            0.25,
            4,
            12,
            225,
            0.5,
            4,
            120,
            True,
            seed + 2,
        ),
        Shed(
            "lean-to", climate, hot[3], 18, 0.4, 6, 0.6, 10, 20, 150, 2.5, 20, 30, False, seed + 3
        ),
    ]


SHEDS = [
    *_kinds("Greensboro", (32.0, 34.0, 28.0, 34.0), 101),
    *_kinds("Miami", (34.0, 34.0, 30.0, 36.0), 201),
    *_kinds("Sand Point", (20.0, 18.0, 18.0, 24.0), 301),
]


class Record(NamedTuple):
    """A year in a shed on a 10-minute grid; each value is the mean of the interval before it."""

    shed: Shed
    latitude: float
    longitude: float
    minute: NDArray[np.int64]  # UTC epoch minutes
    temperature_c: Array  # as measured; NaN where a reading is missing
    humidity_ratio_g_kg: Array
    outdoor_temperature_c: Array | None
    outdoor_humidity_ratio_g_kg: Array | None
    true_temperature_c: Array
    true_humidity_ratio_g_kg: Array


def _saturation_pa(temperature_c: Array | float, ice: bool = False) -> Array:
    """Magnus form, constants of Sonntag 1990 (from memory)."""
    t = np.asarray(temperature_c, dtype=float)
    liquid = 611.2 * np.exp(17.62 * t / (243.12 + t))
    if not ice:
        return liquid
    return np.where(t < 0.0, 611.2 * np.exp(22.46 * t / (272.62 + t)), liquid)


def climates() -> dict[str, Climate]:
    """The three years. Below 0 °C Sand Point gives frost points, as its humidity shows."""
    answer = {}
    for name, file in (("Sand Point", "703165TY.csv"), ("Greensboro", "723170TYA.CSV")):
        table, meta = pvlib.iotools.read_tmy3(DATA / file, map_variables=True)
        answer[name] = _climate(name, table, meta, ice=name == "Sand Point")
    table, meta = pvlib.iotools.read_tmy2(DATA / "12839.tm2")
    columns = {
        "DryBulb": "temp_air", "DewPoint": "temp_dew", "Wspd": "wind_speed",
        "GHI": "ghi", "DNI": "dni", "DHI": "dhi", "TotCld": CLOUD,
    }  # fmt: skip
    table = table[list(columns)].rename(columns=columns).astype(float)
    table[["temp_air", "temp_dew", "wind_speed"]] /= 10.0  # this format counts in tenths
    answer["Miami"] = _climate("Miami", table, meta, ice=False)
    return answer


def _climate(name: str, table: pd.DataFrame, meta: dict[str, float], ice: bool) -> Climate:
    def column(key: str) -> Array:
        return table[key].to_numpy(dtype=float)

    return Climate(
        name, meta["latitude"], meta["longitude"], meta["TZ"],
        column("temp_air"), _saturation_pa(column("temp_dew"), ice), column("wind_speed"),
        column("ghi"), column("dni"), column("dhi"), 10 * column(CLOUD),
    )  # fmt: skip


def _on_steps(hourly: Array, at_hour: float) -> Array:
    """Hourly values, each standing at this point of its hour, drawn out to the steps."""
    hours = np.arange(len(hourly)) + at_hour
    steps = (np.arange(len(hourly) * 60 // STEP_MIN) + 0.5) * STEP_MIN / 60
    return np.interp(steps, hours, hourly)


def _broken_cloud(rng: np.random.Generator, count: int) -> Array:
    """Clouds within the hour, which the hourly means hide: a factor of mean 1, about ±20 %."""
    noise = rng.normal(size=count)
    factor = np.empty(count)
    state = 0.0
    keep = np.exp(-STEP_MIN / 20)
    for i in range(count):
        state = keep * state + np.sqrt(1 - keep**2) * noise[i]
        factor[i] = state
    return np.clip(1.0 + 0.2 * factor, 0.2, 1.8)


def _sun(climate: Climate, facing: float, cloud: Array) -> tuple[Array, Array]:
    """Irradiance on the roof and on the upright pane, at every step [kW/m²]."""
    ends = pd.date_range("2021-01-01 00:30", periods=len(climate.ghi), freq="h", tz="UTC")
    middle = ends - pd.Timedelta(hours=climate.utc_offset_h)
    where = pvlib.solarposition.get_solarposition(middle, climate.latitude, climate.longitude)
    pane = pvlib.irradiance.get_total_irradiance(
        90, facing, where["apparent_zenith"].to_numpy(), where["azimuth"].to_numpy(),
        climate.dni, climate.ghi, climate.dhi,
    )["poa_global"]  # fmt: skip
    pane_kw = np.nan_to_num(np.asarray(pane, dtype=float)) / 1000
    return cloud * _on_steps(climate.ghi / 1000, 0.5), cloud * _on_steps(pane_kw, 0.5)


def _door(rng: np.random.Generator, days: int) -> NDArray[np.bool_]:
    """When the door stands open: two visits a day, and every third day it is left open."""
    open_ = np.zeros(days * 1440 // STEP_MIN, dtype=bool)
    for day in range(days):
        for often, low, high in ((rng.poisson(2.0), 5, 20), (rng.poisson(0.33), 60, 180)):
            for _ in range(often):
                start = day * 1440 + rng.uniform(7, 20) * 60
                end = start + rng.uniform(low, high)
                open_[int(start) // STEP_MIN : int(end) // STEP_MIN + 1] = True
    return open_


def _bunches(rng: np.random.Generator, days: int) -> Array:
    """Water hung up, at every step [g]: a few kilos every five days from May to September."""
    hung = np.zeros(days * 1440 // STEP_MIN)
    for day in range(120, 270):
        if rng.random() < 0.2:
            at = day * 1440 + int(rng.uniform(9, 19) * 60)
            hung[at // STEP_MIN] += rng.uniform(1500, 6000)
    return hung


def _measured(
    rng: np.random.Generator, truth: Array, offset: float, noise: float, digit: float
) -> Array:
    """A sensor's ten-minute means."""
    seen = truth + rng.normal(0, offset) + rng.normal(0, noise, len(truth))
    return np.round(seen / digit) * digit


def _gaps(rng: np.random.Generator, count: int) -> NDArray[np.bool_]:
    """About one reading in a hundred is missing, in runs of ten minutes to six hours."""
    lost = np.zeros(count, dtype=bool)
    for start in rng.integers(0, count, count // 1200):
        lost[start : start + rng.integers(1, 37)] = True
    return lost


def simulate(shed: Shed, climate: Climate, plain: bool = False) -> Record:
    """A year in one shed.

    plain  the door stays shut and clouds follow the hourly means: what could be worked out ahead
           by one who knew these equations and all the hourly weather to come
    """
    rng = np.random.default_rng(shed.seed)
    days = len(climate.ghi) // 24
    outside = _on_steps(climate.temperature_c, 1.0)
    vapour = _on_steps(climate.vapour_pa, 1.0)
    outside_g_kg = 621.945 * vapour / (101_325 - vapour)
    wind = _on_steps(climate.wind_m_s, 1.0)
    cloud = _broken_cloud(rng, len(outside))
    door = _door(rng, days)
    if plain:
        cloud, door = np.ones_like(cloud), np.zeros_like(door)
    roof, pane = _sun(climate, shed.window_facing_deg, cloud)
    hung = _bunches(rng, days)
    changes = shed.leak_per_h * (0.5 + wind / 6) + np.where(door, shed.door_per_h, 0.0)
    air, water = _march(shed, outside, outside_g_kg, roof, pane, changes, hung)
    return _record(shed, climate, rng, outside, outside_g_kg, air, water)


def _march(
    shed: Shed, outside: Array, outside_g_kg: Array, roof: Array, pane: Array, changes: Array,
    hung: Array,
) -> tuple[Array, Array]:  # fmt: skip
    """Step the two temperatures and the three waters; each step solved implicitly."""
    dt = STEP_MIN / 60
    air_kg = 1.2 * shed.volume_m3
    # Light things hold three times the heat of the air, so air changes work on a quarter.
    pull_door = 0.25 * (changes - shed.leak_per_h).clip(0)
    pull_out = shed.to_outdoors / shed.air_time_constant_h + pull_door
    pull_mass = (1 - shed.to_outdoors) / shed.air_time_constant_h
    air_temp = np.empty(len(outside))
    water = np.empty(len(outside))
    temp = mass = float(outside[0]) + 1.0
    ratio = float(outside_g_kg[0])
    wood_pct = 70.0
    bunches = 0.0
    for i in range(len(outside)):
        drive = pull_out[i] * outside[i] + pull_mass * mass
        drive += shed.window_gain_k_per_kw * pane[i] / shed.air_time_constant_h
        temp = (temp + dt * drive) / (1 + dt * (pull_out[i] + pull_mass))
        sol_air = outside[i] + shed.roof_gain_k_per_kw * roof[i]
        to_mass = 1 / shed.mass_time_constant_h
        mass = (mass + dt * to_mass * (0.6 * sol_air + 0.4 * temp)) / (1 + dt * to_mass)
        saturation = 611.2 * np.exp(17.62 * temp / (243.12 + temp))
        full = 621.945 * saturation / (101_325 - saturation)
        bunches += hung[i]
        dryness = max(0.0, 1 - ratio / full) * saturation / 1000
        given = bunches * 0.012 * dryness * dt
        bunches -= given
        # Wood trades water with the air by the difference in relative humidity, over six hours.
        trade = shed.wood_g_per_pct / 6 * dt
        gain = changes[i] * dt * outside_g_kg[i] + (given + trade * wood_pct) / air_kg
        ratio = (ratio + gain) / (1 + changes[i] * dt + trade * 100 / full / air_kg)
        ratio = min(ratio, full)
        wood_pct += trade * (100 * ratio / full - wood_pct) / shed.wood_g_per_pct
        air_temp[i], water[i] = temp, ratio
    return air_temp, water


def _record(
    shed: Shed, climate: Climate, rng: np.random.Generator, outside: Array, outside_g_kg: Array,
    air: Array, water: Array,
) -> Record:  # fmt: skip
    def grid(values: Array) -> Array:
        return values.reshape(-1, GRID_MIN // STEP_MIN).mean(axis=1)

    count = len(air) * STEP_MIN // GRID_MIN
    begin = EPOCH_MINUTE - round(climate.utc_offset_h * 60)
    true_temp, true_ratio = grid(air), grid(water)
    lost = _gaps(rng, count)
    lost_outside = _gaps(rng, count)
    temp = np.where(lost, np.nan, _measured(rng, true_temp, 0.3, 0.08, 0.1))
    ratio = np.where(lost, np.nan, _measured(rng, true_ratio, 0.2, 0.05, 0.01))
    out_temp = np.where(lost_outside, np.nan, _measured(rng, grid(outside), 0.3, 0.15, 0.1))
    out_ratio = np.where(lost_outside, np.nan, _measured(rng, grid(outside_g_kg), 0.2, 0.08, 0.01))
    known = shed.has_outdoor_sensor
    return Record(
        shed, climate.latitude, climate.longitude,
        begin + GRID_MIN * np.arange(1, count + 1, dtype=np.int64),
        temp, ratio, out_temp if known else None, out_ratio if known else None,
        true_temp, true_ratio,
    )  # fmt: skip


def records(names: list[str] | None = None) -> Iterator[Record]:
    """The sheds one by one; only those in these climates where names are given."""
    weather = climates()
    for shed in SHEDS:
        if names is None or shed.climate in names:
            yield simulate(shed, weather[shed.climate])
