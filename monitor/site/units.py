"""Units a sensor may send, and how they become the kept one.

Kept value = (sent + shift) · factor. Temperatures: 0 °C = 273.15 K = 32 °F, 1 K = 1.8 °F
(BIPM, SI Brochure, 9th edition, 2019, section 2.3.1; NIST SP 811, 2008, appendix B.8).
"""

from __future__ import annotations

from typing import NamedTuple

from monitor.site.readings import UNIT, Quantity


class Conversion(NamedTuple):
    """kept = (sent + shift) * factor."""

    shift: float
    factor: float


SAME = Conversion(0.0, 1.0)
_HUNDREDFOLD = Conversion(0.0, 100.0)
_THOUSANDFOLD = Conversion(0.0, 1000.0)
_TEMPERATURE = {"°C": SAME, "°F": Conversion(-32.0, 5.0 / 9.0), "K": Conversion(-273.15, 1.0)}

# What each quantity may be sent in, to the unit of `readings.UNIT`.
CONVERSIONS: dict[Quantity, dict[str, Conversion]] = {
    Quantity.TEMPERATURE: _TEMPERATURE,
    Quantity.HUMIDITY: {"%": SAME, "1": _HUNDREDFOLD},
    Quantity.ILLUMINANCE: {"lx": SAME, "klx": _THOUSANDFOLD},
    Quantity.IRRADIANCE: {"W/m2": SAME},
    Quantity.PRESSURE: {"Pa": SAME, "hPa": _HUNDREDFOLD},
    Quantity.MASS: {"g": SAME, "kg": _THOUSANDFOLD},
    Quantity.SURFACE_TEMPERATURE: _TEMPERATURE,
    Quantity.BATTERY: {"%": SAME, "1": _HUNDREDFOLD},
    Quantity.SIGNAL: {"dBm": SAME},
    Quantity.CLOUD: {"%": SAME, "1": _HUNDREDFOLD, "oktas": Conversion(0.0, 12.5)},
}

_SENML_TEMPERATURE = {"Cel": "°C", "K": "K"}

# Units of SenML records in our words (RFC 8428 section 12.1; hPa and dBm: RFC 8798 section 3).
SENML_UNITS: dict[Quantity, dict[str, str]] = {
    Quantity.TEMPERATURE: _SENML_TEMPERATURE,
    Quantity.HUMIDITY: {"%RH": "%", "%": "%", "/": "1"},
    Quantity.ILLUMINANCE: {"lx": "lx"},
    Quantity.IRRADIANCE: {"W/m2": "W/m2"},
    Quantity.PRESSURE: {"Pa": "Pa", "hPa": "hPa"},
    Quantity.MASS: {"g": "g", "kg": "kg"},
    Quantity.SURFACE_TEMPERATURE: _SENML_TEMPERATURE,
    Quantity.BATTERY: {"%EL": "%", "%": "%", "/": "1", "V": "V"},
    Quantity.SIGNAL: {"dBm": "dBm"},
    Quantity.CLOUD: {"%": "%", "/": "1"},
}


def conversion(quantity: Quantity, unit: str, kept: str) -> Conversion | None:
    """How a value sent in `unit` becomes one in the `kept` unit; None: it cannot.

    Only a battery has a choice of kept unit: % or V, and neither tells the other.
    """
    if kept != UNIT[quantity]:
        return SAME if unit == kept else None
    return CONVERSIONS[quantity].get(unit)


def units(quantity: Quantity) -> list[str]:
    """The units that the settings may name for this quantity."""
    also = ["V"] if quantity is Quantity.BATTERY else []
    return [*CONVERSIONS[quantity], *also]
