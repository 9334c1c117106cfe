"""Measured values as the page writes them, and the short-lived values that it keeps fresh."""

from __future__ import annotations

import re
from collections.abc import Mapping

from monitor.air.minute import MinuteOfAir
from monitor.edges.page.house import House
from monitor.engine.snapshot import SensorNow, Snapshot
from monitor.site.quantities import Quantity
from monitor.site.spaces import Sensor, Site
from monitor.site.words import two_figures, when

UNKNOWN = "not known"
_BEFORE_UNIT = re.compile(r"(?<=\d) (?=(?:%|°|h\b|min\b|lux\b|kPa\b|g\b))")


def bound(text: str) -> str:
    r"""A text whose figures are never parted from their units at a line's end.

    >>> bound("Now 80 %.") == "Now 80\N{NO-BREAK SPACE}%."
    True
    """
    return _BEFORE_UNIT.sub("\u00a0", text)


def degrees(celsius: float | None, site: Site) -> str:
    """A temperature to a tenth, in the site's unit."""
    if celsius is None:
        return UNKNOWN
    value = celsius * 9 / 5 + 32 if site.temperature_unit == "°F" else celsius
    return f"{value:.1f} {site.temperature_unit}".replace("-0.0", "0.0").replace("-", "−")


def value_of(quantity: Quantity, value: float, sensor: Sensor | None, site: Site) -> str:
    """A reading with its unit."""
    row = quantity.row
    if row.unit == "°C":
        return degrees(value, site)
    if sensor is not None and sensor.unit(quantity) == "V":
        return f"{value:.2f} V"
    scaled = row.scale * value
    return row.written.format(two_figures(scaled) if row.rough else scaled).replace("-", "−")


def air_figures(space: str, air: MinuteOfAir | None, site: Site) -> dict[str, str]:
    """The air of a space in figures, by what they are called; light only where it is measured."""
    lit = any(Quantity.ILLUMINANCE in sensor.reads for sensor in site.sensors_of(space))
    names = ("temperature", "humidity", "pull", *(("light",) if lit else ()))
    if air is None:
        return dict.fromkeys(names, UNKNOWN)
    humidity, vpd, light = air.relative_humidity_pct, air.vpd_kpa, air.illuminance_lx
    figures = {
        "temperature": degrees(air.temperature_c, site),
        "humidity": UNKNOWN if humidity is None else f"{humidity:.0f} %",
        "pull": UNKNOWN if vpd is None else f"{vpd:.2f} kPa",
        "light": UNKNOWN if light is None else f"{two_figures(light):,.0f} lux",
    }
    return {name: figures[name] for name in names}


def last_heard(sensor: SensorNow | None, now_ms: int, site: Site) -> str:
    """When a sensor was last heard."""
    if sensor is None or sensor.last_ms is None:
        return "never heard"
    return when(sensor.last_ms, now_ms, site.timezone)


def fresh_values(house: House, snapshot: Snapshot) -> dict[str, str]:
    """Every text on the page that changes with each reading, by its key."""
    site = house.site
    texts = {"now": when(snapshot.now_ms, snapshot.now_ms, site.timezone)}
    for space in house.spaces():
        for what, text in air_figures(space, snapshot.air.get(space), site).items():
            texts[f"{space}|{what}"] = text
    for name, sensor in site.sensors.items():
        told = snapshot.sensors.get(name)
        texts[f"{name}||heard"] = last_heard(told, snapshot.now_ms, site)
        for quantity, text in sensor_figures(sensor, told, site).items():
            texts[f"{name}||{quantity}"] = text
    return texts


def sensor_figures(sensor: Sensor, told: SensorNow | None, site: Site) -> dict[Quantity, str]:
    """What a sensor last said of each quantity that it tells."""
    values: Mapping[Quantity, tuple[int, float]] = {} if told is None else told.values
    return {
        quantity: value_of(quantity, values[quantity][1], sensor, site)
        if quantity in values
        else UNKNOWN
        for quantity in sensor.reads
    }


def shape(snapshot: Snapshot) -> str:
    """Changes whenever more of the page than its figures has to be written anew."""
    spells = [(s.kind, s.space, s.sensor, s.began, s.urgent) for s in snapshot.going_on]
    notices = [(n, t.seen_ms, t.paused_until_ms) for n, t in snapshot.notices.items()]
    number = hash((tuple(spells), tuple(notices), len(snapshot.entries)))
    return f"{number & 0xFFFFFFFF:x}"
