"""Minutes of air worked out a second time, slowly and plainly, to hold the monitor's against.

It shares nothing with the monitor: pandas for the bookkeeping, and the saturation pressure
written out from its source.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from typing import NamedTuple

import numpy as np
import pandas as pd

from monitor.site.time import MINUTE_MS


class Spot(NamedTuple):
    """Where a sensor hangs and how often it sends [s]."""

    space: str
    every_s: float


def saturation_pa(temperature_c: pd.Series) -> pd.Series:
    """Vapour pressure over liquid water [Pa], the same curve below 0 °C.

    ASHRAE Handbook of Fundamentals 2017, ch. 1, eq. 6 (there for 0 to 200 °C).
    """
    kelvin = temperature_c + 273.15
    return np.exp(
        -5.8002206e3 / kelvin
        + 1.3914993
        - 4.8640239e-2 * kelvin
        + 4.1764768e-5 * kelvin**2
        - 1.4452093e-8 * kelvin**3
        + 6.5459673 * np.log(kelvin)
    )


def minutes_of_air(
    good: Iterable[tuple[int, str, str, float]],
    spots: Mapping[str, Spot],
    in_the_sun: Collection[tuple[str, int]] = (),
) -> pd.DataFrame:
    """The air of every space and minute, from good readings.

    good        (time [epoch ms], sensor, quantity, value in °C, %, lx), in any order
    in_the_sun  (sensor, epoch minute): its temperature is not the air's, its vapour pressure is
    returns     a row a minute and space in which anything is known, sorted by both: minute,
                space, temperature_c, relative_humidity_pct, vapour_pressure_pa, illuminance_lx

    A sensor's minute is the mean of its readings in it; without any, its last reading while the
    minute begins no more than three of its intervals after it. Of several sensors: the median
    temperature and the median vapour pressure, the humidity from the two; the brightest light.
    """
    readings = pd.DataFrame(good, columns=["time_ms", "sensor", "quantity", "value"])
    readings = readings.drop_duplicates(["time_ms", "sensor", "quantity"])
    columns = []
    for (sensor, quantity), group in readings.groupby(["sensor", "quantity"]):
        if quantity in ("temperature", "humidity", "illuminance"):
            minutes = minutes_of_sensor(group, spots[str(sensor)].every_s)
            columns.append(minutes.assign(sensor=sensor, quantity=quantity))
    wide = pd.concat(columns).pivot(index=["minute", "sensor"], columns="quantity", values="value")
    wide = wide.reindex(columns=["temperature", "humidity", "illuminance"]).reset_index()
    wide["space"] = wide["sensor"].map({name: spot.space for name, spot in spots.items()})
    wide["vapour"] = wide["humidity"] / 100 * saturation_pa(wide["temperature"])
    heated = pd.Series(list(zip(wide["sensor"], wide["minute"], strict=True))).isin(in_the_sun)
    wide.loc[heated.to_numpy(), "temperature"] = np.nan

    spaces = wide.groupby(["minute", "space"])
    air = pd.DataFrame(
        {
            "temperature_c": spaces["temperature"].median(),
            "vapour_pressure_pa": spaces["vapour"].median(),
            "illuminance_lx": spaces["illuminance"].max(),
        }
    ).reset_index()
    full = saturation_pa(air["temperature_c"])
    air["relative_humidity_pct"] = (100 * air["vapour_pressure_pa"] / full).clip(upper=100)
    return air


def minutes_of_sensor(readings: pd.DataFrame, every_s: float) -> pd.DataFrame:
    """Minute and value of one sensor and quantity, where it is known."""
    readings = readings.sort_values("time_ms")
    minute = readings["time_ms"] // MINUTE_MS
    reach = int(3 * every_s // 60) + 1
    every_minute = pd.RangeIndex(minute.min(), minute.max() + reach + 1, name="minute")
    by_minute = readings.groupby(minute)
    mean = by_minute["value"].mean().reindex(every_minute)
    last = by_minute["value"].last().reindex(every_minute).ffill()
    last_ms = by_minute["time_ms"].last().reindex(every_minute).ffill()
    fresh = every_minute.to_numpy() * MINUTE_MS - last_ms <= 3 * every_s * 1000
    value = mean.where(mean.notna(), last.where(fresh))
    return value.dropna().rename("value").reset_index()
