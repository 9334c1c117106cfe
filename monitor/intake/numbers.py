"""Numbers as sensors write them: plain, as text, with a decimal comma, with a unit behind."""

from __future__ import annotations

import re
from typing import NamedTuple

MOST = 1e9  # no sensor of ours measures anything larger, in any unit


class Spelt(NamedTuple):
    """A unit of ours, and how much of it the one that was written is."""

    unit: str
    scale: float = 1.0


# How units are written, in lower case and without spaces.
_SPELT = {
    "°C": "°c ºc ˚c ℃ c degc celsius centigrade cel grad",
    "°F": "°f ºf ˚f ℉ f degf fahrenheit",
    "K": "k kelvin",
    "%": "% %rh rh% pct percent percentage prozent",
    "lx": "lx lux lm/m² lm/m2",
    "klx": "klx klux",
    "W/m2": "w/m2 w/m² w/m^2 wm2 wm-2 w·m⁻²",
    "Pa": "pa pascal",
    "hPa": "hpa mbar mb millibar",
    "kPa": "kpa",
    "g": "g gr gram grams gramm gramme grammes gramos",
    "kg": "kg kilo kilos kilogram",
    "V": "v volt volts",
    "dBm": "dbm db",
    "mm": "mm l/m2 l/m²",
    "in": "in inch inches",
}
UNITS: dict[str, Spelt] = {
    **{spelling: Spelt(unit) for unit, written in _SPELT.items() for spelling in written.split()},
    "mv": Spelt("V", 0.001),
    "millivolt": Spelt("V", 0.001),
}

_WRITTEN = re.compile(
    r"([+\-−]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)(?:[eE][+-]?[0-9]{1,3})?)"
    r"\s*((?:[°º˚%℃℉]|[^\W\d_])(?:[^\d\s_]|(?<=[mM])\^?-?2){0,11}(?: [A-Za-z]{1,8})?)?"
)


class Written(NamedTuple):
    """A number that stood in text. unit: as it was written behind it; "": none."""

    value: float
    unit: str


def written(text: str) -> Written | None:
    """The number in a text; None: it is not a number with at most a unit behind it.

    >>> written("22,4 °C"), written("-3"), written("21.3 21.4")
    (Written(value=22.4, unit='°C'), Written(value=-3.0, unit=''), None)
    """
    found = _WRITTEN.fullmatch(text.strip())
    if found is None:
        return None
    return Written(float(found[1].replace(",", ".").replace("−", "-")), found[2] or "")


def spelt(unit: str) -> Spelt | None:
    """The unit of ours that a spelling means.

    >>> spelt("% RH"), spelt("Lux"), spelt("parts")
    (Spelt(unit='%', scale=1.0), Spelt(unit='lx', scale=1.0), None)
    """
    return UNITS.get("".join(unit.lower().split()))
