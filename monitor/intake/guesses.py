"""Guessing a quantity and its unit from a name and a value."""

from __future__ import annotations

import re
from datetime import datetime
from typing import NamedTuple

from monitor.site.quantities import MEASURED, Quantity

LARGEST = 1e9  # no quantity here comes near; NaN and infinity fail the comparison too


class Guess(NamedTuple):
    """unsure: the unit is told by nothing but the value."""

    quantity: Quantity
    unit: str
    unsure: bool = False


# A wall's temperature is called a temperature too, so it is asked first.
_IN_ORDER = sorted(MEASURED, key=lambda quantity: quantity is not Quantity.SURFACE_TEMPERATURE)
_TIME = {"ts", "time", "timestamp", "at", "when", "date", "datetime", "epoch", "tm", "utc", "t"}


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
    for quantity in _IN_ORDER:
        if not words & quantity.row.names:
            continue
        # The first unit whose words are there wins; else the first whose range holds the value.
        for tried in quantity.row.guesses:
            if words & tried.words:
                return Guess(quantity, tried.unit)
        for place, tried in enumerate(quantity.row.guesses):
            if tried.low <= value <= tried.high:
                unsure = place > 0 or _could_be_both(quantity, text)
                return Guess(quantity, tried.unit, unsure)
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
