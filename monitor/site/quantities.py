"""Quantities, and readings of them: one table of units, ranges, names and figures.

A new quantity is a row here. Kept value = (sent + shift) · factor.
Temperatures: 0 °C = 273.15 K = 32 °F, 1 K = 1.8 °F (BIPM, SI Brochure, 9th edition, 2019,
section 2.3.1; NIST SP 811, 2008, appendix B.8). An inch is 25.4 mm (the same, appendix B.8).
SenML units: RFC 8428 section 12.1; hPa, dBm and mm: RFC 8798 section 3.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import IntFlag, StrEnum
from typing import NamedTuple


class Quantity(StrEnum):
    """What a sensor can measure, or a forecast tell; the word of the settings and exports."""

    TEMPERATURE = "temperature"
    HUMIDITY = "humidity"
    ILLUMINANCE = "illuminance"
    IRRADIANCE = "irradiance"
    PRESSURE = "pressure"
    MASS = "mass"
    SURFACE_TEMPERATURE = "surface_temperature"
    BATTERY = "battery"
    SIGNAL = "signal"
    RAIN = "rain"
    CLOUD = "cloud"

    @property
    def row(self) -> QuantityRow:
        """What the table has of it."""
        return _TABLE[self]


class Conversion(NamedTuple):
    """kept = (sent + shift) * factor."""

    shift: float
    factor: float


class QuantityRow(NamedTuple):
    """All that differs from quantity to quantity.

    unit          in which it is kept
    range         lowest and highest value it can have
    units         others that a sensor may send, into the kept one; `_whole` adds the kept one
    senml         units of SenML records in our words; none said: the kept one
    called        on the page; "": by its name
    written       a value with its unit, on the page; "": with one decimal
    scale         by which a value is multiplied before it is written
    rough         whether it is written to two figures only
    column        of the minutes of air, where it becomes one; "": none
    foretold      what a forecast may tell of it outdoors; None: nothing
    measured      whether a sensor tells it
    outdoors      whether it is measured outdoors only
    amount        whether its readings are amounts, or a total of them: kept by the hour for good
    """

    unit: str
    range: tuple[float, float]
    units: Mapping[str, Conversion] = {}
    senml: Mapping[str, str] = {}
    called: str = ""
    written: str = ""
    scale: float = 1.0
    rough: bool = False
    column: str = ""
    foretold: tuple[float, float] | None = None
    measured: bool = True
    outdoors: bool = False
    amount: bool = False


SAME = Conversion(0.0, 1.0)
_HUNDREDFOLD = Conversion(0.0, 100.0)
_THOUSANDFOLD = Conversion(0.0, 1000.0)
_TEMPERATURES = {"°F": Conversion(-32.0, 5.0 / 9.0), "K": Conversion(-273.15, 1.0)}
_PARTS = {"1": _HUNDREDFOLD}

# Ranges: humidity between the limits of NOAA MADIS level 1 (0 to 100 %) and those used after Shafer
# et al. 2000 (J. Atmos. Oceanic Technol. 17, 474-494; to 105 %). Temperature up to where small
# sensors end by their data sheets: under plastic and under roofs it gets past 60 °C. 85.0 °C itself
# is what a common one says before it has measured (from memory). Illuminance: direct noon sun is
# about 100 klx. Irradiance: a pyranometer reads a little below zero at night. The others are our
# own choice.
_ROWS = {
    Quantity.TEMPERATURE: QuantityRow(
        unit="°C",
        range=(-30.0, 84.9),
        units=_TEMPERATURES,
        senml={"Cel": "°C", "K": "K"},
        column="temperature_c",
        foretold=(-60.0, 60.0),
    ),
    Quantity.HUMIDITY: QuantityRow(
        unit="%",
        range=(0.0, 105.0),
        units=_PARTS,
        senml={"%RH": "%", "%": "%", "/": "1"},
        column="relative_humidity_pct",
        foretold=(0.0, 101.0),
    ),
    Quantity.ILLUMINANCE: QuantityRow(
        unit="lx",
        range=(0.0, 200_000.0),
        units={"klx": _THOUSANDFOLD},
        called="light",
        written="{:,.0f} lux",
        rough=True,
        column="illuminance_lx",
    ),
    Quantity.IRRADIANCE: QuantityRow(
        unit="W/m2",
        range=(-20.0, 1_500.0),
        called="sun and sky",
        written="{:,.0f} W/m²",
        rough=True,
    ),
    Quantity.PRESSURE: QuantityRow(
        unit="Pa",
        range=(50_000.0, 110_000.0),
        units={"hPa": _HUNDREDFOLD, "kPa": _THOUSANDFOLD},
        senml={"Pa": "Pa", "hPa": "hPa"},
        called="air pressure",
        written="{:.0f} hPa",
        scale=0.01,
    ),
    Quantity.MASS: QuantityRow(
        unit="g",
        range=(-1_000.0, 500_000.0),
        units={"kg": _THOUSANDFOLD},
        senml={"g": "g", "kg": "kg"},
        written="{:,.1f} g",
    ),
    Quantity.SURFACE_TEMPERATURE: QuantityRow(
        unit="°C",
        range=(-40.0, 90.0),
        units=_TEMPERATURES,
        senml={"Cel": "°C", "K": "K"},
        called="coldest surface",
    ),
    # In volts it is kept in volts: neither tells the other; see `Sensor.unit`.
    Quantity.BATTERY: QuantityRow(
        unit="%",
        range=(0.0, 100.0),
        units=_PARTS,
        senml={"%EL": "%", "%": "%", "/": "1", "V": "V"},
        written="{:.0f} %",
    ),
    Quantity.SIGNAL: QuantityRow(
        unit="dBm",
        range=(-200.0, 50.0),
        called="radio signal",
        written="{:.0f} dBm",
    ),
    Quantity.RAIN: QuantityRow(
        unit="mm",
        range=(0.0, 100_000.0),
        units={"in": Conversion(0.0, 25.4)},
        outdoors=True,
        amount=True,
    ),
    Quantity.CLOUD: QuantityRow(
        unit="%",
        range=(0.0, 100.0),
        units=_PARTS | {"oktas": Conversion(0.0, 12.5)},
        senml={"%": "%", "/": "1"},
        written="{:.0f} %",
        foretold=(0.0, 100.0),
        measured=False,
    ),
}


def _whole(quantity: Quantity, row: QuantityRow) -> QuantityRow:
    """The row with what its name and its kept unit stand for."""
    return row._replace(
        units={row.unit: SAME, **row.units},
        senml=row.senml or {row.unit: row.unit},
        called=row.called or quantity.value,
        written=row.written or f"{{:.1f}} {row.unit}",
    )


_TABLE = {quantity: _whole(quantity, row) for quantity, row in _ROWS.items()}
MEASURED = tuple(quantity for quantity in Quantity if quantity.row.measured)
# What a forecast may tell of the air outdoors.
FORETOLD = tuple(quantity for quantity in Quantity if quantity.row.foretold)


def conversion(quantity: Quantity, unit: str, kept: str) -> Conversion | None:
    """How a value sent in `unit` becomes one in the `kept` unit; None: it cannot.

    Only a battery has a choice of kept unit: % or V, and neither tells the other.
    """
    if kept != quantity.row.unit:
        return SAME if unit == kept else None
    return quantity.row.units.get(unit)


def units(quantity: Quantity) -> list[str]:
    """The units that the settings may name for this quantity."""
    also = ["V"] if quantity is Quantity.BATTERY else []
    return [*quantity.row.units, *also]


class Flag(IntFlag):
    """Why a reading is kept but doubted, or what was done to it on the way in."""

    NONE = 0
    CLAMPED = 1  # humidity a little over 100 %: a saturated sensor, kept as 100 and used
    RANGE = 2  # outside what the quantity can be
    STEP = 4  # a jump that the next reading did not confirm
    STUCK = 8  # temperature and humidity have not moved for hours
    FEED = 16  # every sensor repeats itself at once: the feed is frozen, not the sensors
    IN_THE_SUN = 32  # direct light on the sensor: its vapour pressure is still right
    DISAGREES = 64  # two sensors of a space tell different things
    TIME_OF_ARRIVAL = 128  # its own time could not be true
    TOO_OLD = 256  # older than what is kept: stored, unused
    OUT_OF_SERVICE = 512  # the sensor was being tested or moved


class _Flags(dict[int, Flag]):
    """Numbers → flags, made once: there are millions of readings and few kinds."""

    def __missing__(self, number: int) -> Flag:
        self[number] = Flag(number)
        return self[number]


FLAGS = _Flags()

# A reading with none of these is used for the air.
DOUBTFUL = Flag.RANGE | Flag.STEP | Flag.STUCK | Flag.FEED | Flag.TOO_OLD | Flag.OUT_OF_SERVICE


class Reading(NamedTuple):
    """time_ms: UTC epoch milliseconds; value: in the kept unit of its quantity."""

    time_ms: int
    sensor: str
    quantity: Quantity
    value: float
    flags: Flag = Flag.NONE
