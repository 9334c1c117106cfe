"""What the page tells of the sun on a space's rail, and of a space that keeps or shows flowers."""

from __future__ import annotations

from datetime import date, timedelta
from functools import lru_cache
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from monitor.places import places, sun
from monitor.places.sun import Beam, Position, chance_of_sun
from monitor.site.quantities import Quantity
from monitor.site.spaces import OUTDOORS, Site, Space, Use, Window
from monitor.site.time import DAY_MIN, MINUTE_MS, local, midnight
from monitor.store.queries import Reader

Floats = NDArray[np.float64]
# Days of light and of air outdoors that are looked back upon.
LOOKED_BACK_DAYS = 16
STEP_MIN = 5


def beams_today(site: Site, space: Space, today: date) -> list[Beam]:
    """When the sun reaches the rail today, if the sky is clear."""
    return list(_beams(space.windows, _place(site), today)) if space.windows else []


def strip_words(beams: list[Beam], timezone: str) -> str:
    """The same in words, for below the strip."""
    if not beams:
        return ""
    spans = [f"{_clock(b.begins, timezone)} to {_clock(b.ends, timezone)}" for b in beams]
    return f"Under a clear sky the sun is on the rail from {' and '.join(spans)}."


def of_space(site: Site, space: Space, store: Path, today: date) -> list[str]:
    """The sun in words: today, the season, what ends it, and what the light says of it."""
    if space.name == OUTDOORS:
        return []
    if not space.windows:
        if space.use is not Use.HANGING:
            return []
        return [
            "Whether the sun reaches the rail cannot be told: measure the windows and write them "
            "into the settings."
        ]
    lit = any(Quantity.ILLUMINANCE in s.reads for s in site.sensors_of(space.name))
    place = _place(site)
    checked = _checked(space.windows, place, space.name, store, today, lit)
    return [_told(space.windows, place, today), checked]


@lru_cache(maxsize=64)
def _beams(windows: tuple[Window, ...], place: Position, today: date) -> tuple[Beam, ...]:
    return tuple(sun.beams(windows, place, today))


@lru_cache(maxsize=64)
def _told(windows: tuple[Window, ...], place: Position, today: date) -> str:
    return sun.told(windows, place, today)


@lru_cache(maxsize=64)  # once a day for each space
def _checked(
    windows: tuple[Window, ...], place: Position, name: str, store: Path, today: date, lit: bool
) -> str:
    """What the light says of the windows; where none is measured, yesterday's estimated dose."""
    end = midnight(today, ZoneInfo(place.timezone))
    begin = end - LOOKED_BACK_DAYS * DAY_MIN
    with Reader(store) as reader:
        if lit:
            lux = reader.air_of(name, begin, end, ("illuminance_lx",))["illuminance_lx"]
            minute = np.arange(begin, end, STEP_MIN, dtype=np.int64)
            found = sun.corrected(windows, place, minute, lux[::STEP_MIN])
            return sun.told_correction(found)
        chance = _chance(reader, begin, end)[-1]
    yesterday = today - timedelta(days=1)
    sunny = [
        chance[(minute - end + DAY_MIN) // 60 % 24]
        for beam in sun.beams(windows, place, yesterday)
        for minute in range(beam.begins, beam.ends)
    ]
    sunshine = float(np.mean(sunny)) if sunny and np.isfinite(sunny).all() else None
    dose = sun.estimated_dose(windows, place, yesterday, sunshine)
    return f"Yesterday: {dose.says[:1].lower()}{dose.says[1:]}" if dose.lx_h >= 1 else ""


def _chance(reader: Reader, begin: int, end: int) -> Floats:
    """Probability of sunshine by hour, shape (days, 24), from the air outdoors."""
    told = reader.air_of(OUTDOORS, begin, end, ("temperature_c", "relative_humidity_pct"))
    hourly = [_by_hour(column) for column in told.values()]
    return chance_of_sun(hourly[0], hourly[1])


def _by_hour(minutes: Floats) -> Floats:
    hours = minutes.reshape(-1, 24, 60)
    known = np.isfinite(hours)
    total = np.where(known, hours, 0.0).sum(axis=2)
    return np.where(known.any(axis=2), total / np.maximum(known.sum(axis=2), 1), np.nan)


def as_a_place(space: Space, reader: Reader, now: int, blue_wool: float) -> list[str]:
    """How good a space is for keeping or showing flowers, in words; empty for others.

    blue_wool  the class of what fades first there
    """
    if space.use not in (Use.STORING, Use.SHOWING):
        return []
    columns = ("temperature_c", "relative_humidity_pct", "illuminance_lx")
    end = now // 60 * 60
    told = reader.air_of(space.name, end - DAY_MIN, end, columns)
    humidity, lux = told["relative_humidity_pct"], told["illuminance_lx"]
    found = []
    if np.isfinite(humidity).sum() >= DAY_MIN // 2:
        found.append(places.humidity_there(space.use, float(np.nanmean(humidity))))
    hourly = _by_hour(told["temperature_c"]).ravel()
    near = places.near_a_radiator([float(t) for t in hourly[np.isfinite(hourly)]])
    found += [] if near is None else [near]
    if np.isfinite(lux).sum() >= DAY_MIN // 2:
        dose = float(np.nansum(lux)) / 60
        found.append(places.colour_there(dose, blue_wool, ultraviolet=True))
    return [places.told(place) for place in found]


def _place(site: Site) -> Position:
    return Position(site.latitude, site.longitude, site.timezone)


def _clock(minute: int, timezone: str) -> str:
    return f"{local(minute * MINUTE_MS, timezone):%H:%M}"
