"""Quantities, and readings of them: one table of units, ranges, names and figures.

A new quantity is a row here. Kept value = (sent + shift) · factor.
Temperatures: 0 °C = 273.15 K = 32 °F, 1 K = 1.8 °F (BIPM, SI Brochure, 9th edition, 2019,
section 2.3.1; NIST SP 811, 2008, appendix B.8). An inch is 25.4 mm (the same, appendix B.8).
SenML units: RFC 8428 section 12.1; hPa, dBm and mm: RFC 8798 section 3.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import datetime
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


class InUnit(NamedTuple):
    """A unit that a value may be in, if no word says so: its range, and words that speak for it."""

    unit: str
    low: float
    high: float
    words: frozenset[str] = frozenset()


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
    names         by which makers and people call it, in lower case
    guesses       units to try, the likeliest first
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
    names: frozenset[str] = frozenset()
    guesses: tuple[InUnit, ...] = ()
    column: str = ""
    foretold: tuple[float, float] | None = None
    measured: bool = True
    outdoors: bool = False
    amount: bool = False


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


SAME = Conversion(0.0, 1.0)
_HUNDREDFOLD = Conversion(0.0, 100.0)
_THOUSANDFOLD = Conversion(0.0, 1000.0)
_TEMPERATURES = {"°F": Conversion(-32.0, 5.0 / 9.0), "K": Conversion(-273.15, 1.0)}
_PARTS = {"1": _HUNDREDFOLD}

# Ranges: temperature and humidity between the limits of NOAA MADIS level 1 (-51 to 54 °C, 0 to
# 100 %) and those used after Shafer et al. 2000 (J. Atmos. Oceanic Technol. 17, 474-494; humidity
# to 105 %), for a roof in the sun. Illuminance: direct noon sun is about 100 klx. Irradiance: a
# pyranometer reads a little below zero at night. The others, and the words and ranges of guesses,
# are our own choice.
_ROWS = {
    Quantity.TEMPERATURE: QuantityRow(
        unit="°C",
        range=(-30.0, 60.0),
        units=_TEMPERATURES,
        senml={"Cel": "°C", "K": "K"},
        names=_words("t ta temp temperature tmp tc tf degc degf"),
        guesses=(
            InUnit("°C", -45, 55, _words("c tc celsius degc")),
            InUnit("°F", 55, 140, _words("f tf fahrenheit degf")),
        ),
        column="temperature_c",
        foretold=(-60.0, 60.0),
    ),
    Quantity.HUMIDITY: QuantityRow(
        unit="%",
        range=(0.0, 105.0),
        units=_PARTS,
        senml={"%RH": "%", "%": "%", "/": "1"},
        names=_words("h rh hum humi humidity relhum"),
        guesses=(
            InUnit("%", 1.001, 105, _words("pct percent")),
            InUnit("1", 0, 1.001, _words("ratio")),
        ),
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
        names=_words("l lx lux klx light illuminance brightness"),
        guesses=(InUnit("lx", 0, 200_000, _words("lx lux")), InUnit("klx", 0, 200, _words("klx"))),
        column="illuminance_lx",
    ),
    Quantity.IRRADIANCE: QuantityRow(
        unit="W/m2",
        range=(-20.0, 1_500.0),
        called="sun and sky",
        written="{:,.0f} W/m²",
        rough=True,
        names=_words("irradiance solar ghi radiation wm2"),
        guesses=(InUnit("W/m2", -10, 1500),),
    ),
    Quantity.PRESSURE: QuantityRow(
        unit="Pa",
        range=(50_000.0, 110_000.0),
        units={"hPa": _HUNDREDFOLD, "kPa": _THOUSANDFOLD},
        senml={"Pa": "Pa", "hPa": "hPa"},
        called="air pressure",
        written="{:.0f} hPa",
        scale=0.01,
        names=_words("p pa hpa kpa press pressure baro qfe"),
        guesses=(
            InUnit("hPa", 500, 1100, _words("hpa mbar")),
            InUnit("Pa", 50_000, 110_000, _words("pa")),
            InUnit("kPa", 50, 110, _words("kpa")),
        ),
    ),
    Quantity.MASS: QuantityRow(
        unit="g",
        range=(-1_000.0, 500_000.0),
        units={"kg": _THOUSANDFOLD},
        senml={"g": "g", "kg": "kg"},
        written="{:,.1f} g",
        names=_words("m g kg mass weight scale grams"),
        guesses=(
            InUnit("g", -100, 100_000, _words("g grams")),
            InUnit("kg", -1, 1000, _words("kg")),
        ),
    ),
    Quantity.SURFACE_TEMPERATURE: QuantityRow(
        unit="°C",
        range=(-40.0, 90.0),
        units=_TEMPERATURES,
        senml={"Cel": "°C", "K": "K"},
        called="coldest surface",
        names=_words("surface walltemp skin"),
        guesses=(
            InUnit("°C", -45, 70, _words("c celsius degc")),
            InUnit("°F", 70, 160, _words("f fahrenheit degf")),
        ),
    ),
    # In volts it is kept in volts: neither tells the other; see `Sensor.unit`.
    Quantity.BATTERY: QuantityRow(
        unit="%",
        range=(0.0, 100.0),
        units=_PARTS,
        senml={"%EL": "%", "%": "%", "/": "1", "V": "V"},
        written="{:.0f} %",
        names=_words("b bat batt battery vbat vbatt vcc"),
        guesses=(
            InUnit("V", 0, 5, _words("v volt voltage vbat vbatt vcc")),
            InUnit("%", 5, 100, _words("pct percent level")),
        ),
    ),
    Quantity.SIGNAL: QuantityRow(
        unit="dBm",
        range=(-200.0, 50.0),
        called="radio signal",
        written="{:.0f} dBm",
        names=_words("rssi signal dbm"),
        guesses=(InUnit("dBm", -130, 0),),
    ),
    Quantity.RAIN: QuantityRow(
        unit="mm",
        range=(0.0, 100_000.0),
        units={"in": Conversion(0.0, 25.4)},
        names=_words("rain rainfall precip precipitation"),
        guesses=(
            InUnit("mm", 0, 100_000, _words("mm")),
            InUnit("in", 0, 4_000, _words("in inch inches")),
        ),
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


# -- guessing a quantity and its unit from a name and a value ---------------------------------

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
