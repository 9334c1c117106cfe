"""A reading: one value of one quantity from one sensor at one time."""

from __future__ import annotations

from dataclasses import dataclass, field
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
    CLOUD = "cloud"


# The unit in which each quantity is kept. A battery told in volts is kept in volts:
# its sensor's settings say so, see `Sensor.unit`.
UNIT: dict[Quantity, str] = {
    Quantity.TEMPERATURE: "°C",
    Quantity.HUMIDITY: "%",
    Quantity.ILLUMINANCE: "lx",
    Quantity.IRRADIANCE: "W/m2",
    Quantity.PRESSURE: "Pa",
    Quantity.MASS: "g",
    Quantity.SURFACE_TEMPERATURE: "°C",
    Quantity.BATTERY: "%",
    Quantity.SIGNAL: "dBm",
    Quantity.CLOUD: "%",
}
# What a forecast may tell of the air outdoors; of these a sensor measures no cloud.
FORETOLD = (Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.CLOUD)
MEASURED = tuple(quantity for quantity in Quantity if quantity is not Quantity.CLOUD)


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


@dataclass(frozen=True, slots=True)
class ReadAs:
    """How one quantity is found in a sensor's payloads.

    pointer     RFC 6901 pointer into a JSON payload; None: the whole payload is the value
    senml_name  full name of the SenML record (RFC 8428), instead of a pointer
    unit        the unit the sensor sends
    topic       MQTT topic filter, where this quantity has a topic of its own
    """

    unit: str
    pointer: str | None = None
    senml_name: str | None = None
    topic: str | None = None


@dataclass(frozen=True, slots=True)
class TimeAt:
    """Where a JSON payload carries its own time: pointer and unit `s`, `ms` or `iso`."""

    pointer: str
    unit: str


@dataclass(frozen=True, slots=True)
class Sensor:
    """One sensor of the settings.

    every_s     how often it normally sends [s]
    on_arrival  SenML whose times are missing or relative: dated when they arrive, not promised
    """

    name: str
    space: str
    topic: str | None
    every_s: float
    reads: dict[Quantity, ReadAs] = field(default_factory=dict)
    time: TimeAt | None = None
    on_arrival: bool = False

    @property
    def timed(self) -> bool:
        """Whether its readings carry their own time: only then are they promised."""
        if self.on_arrival:
            return False
        return self.time is not None or any(r.senml_name for r in self.reads.values())

    def unit(self, quantity: Quantity) -> str:
        """The unit in which this sensor's readings of the quantity are kept."""
        read_as = self.reads.get(quantity)
        if quantity is Quantity.BATTERY and read_as is not None and read_as.unit == "V":
            return "V"
        return UNIT[quantity]


@dataclass(frozen=True, slots=True)
class ForecastFrom:
    """A forecast of the air outdoors that somebody publishes, read as a sensor's messages are.

    reads_as  topic, forms and units; its time is the one the forecast holds for
    list_at   pointer to a list in the payload, an entry an hour; None: the payload is one entry
    ahead_h   where it carries no time: how long after its message it holds [h]
    """

    reads_as: Sensor
    list_at: str | None = None
    ahead_h: float = 0.0

    @property
    def name(self) -> str:
        """As people know it."""
        return self.reads_as.name
