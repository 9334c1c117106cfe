"""Guessing a quantity and its unit from a name and a value. Our own choice of words and ranges."""

from __future__ import annotations

import re
from datetime import datetime
from typing import NamedTuple

from monitor.site.readings import Quantity

LARGEST = 1e9  # no quantity here comes near; NaN and infinity fail the comparison too


class Guess(NamedTuple):
    """unsure: the unit is told by nothing but the value."""

    quantity: Quantity
    unit: str
    unsure: bool = False


# Names by which makers and people call a quantity, in lower case.
_CALLED = {
    Quantity.SURFACE_TEMPERATURE: {"surface", "walltemp", "skin"},
    Quantity.TEMPERATURE: {"t", "ta", "temp", "temperature", "tmp", "tc", "tf", "degc", "degf"},
    Quantity.HUMIDITY: {"h", "rh", "hum", "humi", "humidity", "relhum"},
    Quantity.ILLUMINANCE: {"l", "lx", "lux", "klx", "light", "illuminance", "brightness"},
    Quantity.IRRADIANCE: {"irradiance", "solar", "ghi", "radiation", "wm2"},
    Quantity.PRESSURE: {"p", "pa", "hpa", "kpa", "press", "pressure", "baro", "qfe"},
    Quantity.MASS: {"m", "g", "kg", "mass", "weight", "scale", "grams"},
    Quantity.BATTERY: {"b", "bat", "batt", "battery", "vbat", "vbatt", "vcc"},
    Quantity.SIGNAL: {"rssi", "signal", "dbm"},
}
_TIME = {"ts", "time", "timestamp", "at", "when", "date", "datetime", "epoch", "tm", "utc", "t"}

# For each quantity, (unit, lowest, highest, words that speak for the unit), likeliest first.
# The first whose words are there wins; else the first whose range holds the value.
_UNITS: dict[Quantity, list[tuple[str, float, float, set[str]]]] = {
    Quantity.TEMPERATURE: [
        ("°C", -45, 55, {"c", "tc", "celsius", "degc"}),
        ("°F", 55, 140, {"f", "tf", "fahrenheit", "degf"}),
    ],
    Quantity.SURFACE_TEMPERATURE: [
        ("°C", -45, 70, {"c", "celsius", "degc"}),
        ("°F", 70, 160, {"f", "fahrenheit", "degf"}),
    ],
    Quantity.HUMIDITY: [("%", 1.001, 105, {"pct", "percent"}), ("1", 0, 1.001, {"ratio"})],
    Quantity.ILLUMINANCE: [("lx", 0, 200_000, {"lx", "lux"}), ("klx", 0, 200, {"klx"})],
    Quantity.IRRADIANCE: [("W/m2", -10, 1500, set())],
    Quantity.PRESSURE: [
        ("hPa", 500, 1100, {"hpa", "mbar"}),
        ("Pa", 50_000, 110_000, {"pa"}),
        ("kPa", 50, 110, {"kpa"}),
    ],
    Quantity.MASS: [("g", -100, 100_000, {"g", "grams"}), ("kg", -1, 1000, {"kg"})],
    Quantity.BATTERY: [
        ("V", 0, 5, {"v", "volt", "voltage", "vbat", "vbatt", "vcc"}),
        ("%", 5, 100, {"pct", "percent", "level"}),
    ],
    Quantity.SIGNAL: [("dBm", -130, 0, set())],
}


def words_of(name: str) -> set[str]:
    """A name's words in lower case: `airTemp_C` gives air, temp and c."""
    parted = re.sub(r"([a-z0-9])([A-Z])", r"\1 \2", name)
    words = re.findall(r"[a-z0-9]+", parted.lower())
    bare = [re.sub(r"\d+$", "", word) for word in words]  # temp1, hum2
    return {*words, *(word for word in bare if word)}


def guess(words: set[str], value: object, text: str) -> Guess | None:
    """The quantity a name stands for, if the value can be one; text: the value as sent."""
    if not isinstance(value, int | float) or not abs(value) < LARGEST:
        return None
    for quantity, called in _CALLED.items():
        if not words & called:
            continue
        for unit, _, _, speaking in _UNITS[quantity]:
            if words & speaking:
                return Guess(quantity, unit)
        for place, (unit, low, high, _) in enumerate(_UNITS[quantity]):
            if low <= value <= high:
                return Guess(quantity, unit, unsure=place > 0 or _could_be_both(quantity, text))
    return None


def guess_time(words: set[str], value: object) -> str | None:
    """The unit of a time (`s`, `ms` or `iso`), if name and value are those of one."""
    if not words & _TIME:
        return None
    if isinstance(value, str):
        try:
            datetime.fromisoformat(value)
        except ValueError:
            return None
        return "iso"
    if isinstance(value, int | float) and not isinstance(value, bool):
        if 1e9 <= value < 1e10:  # 2001 to 2286
            return "s"
        if 1e12 <= value < 1e13:
            return "ms"
    return None


def _could_be_both(quantity: Quantity, text: str) -> bool:
    """A battery at 4 may be four volts or four percent; with decimals it is volts."""
    return quantity is Quantity.BATTERY and "." not in text
