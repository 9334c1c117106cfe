"""The site: its spaces, windows, sensors and forecasts, as the settings have them."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Any, NamedTuple

from monitor.site.quantities import Quantity

OUTDOORS = "outdoors"
# The mould index from which a musty spell begins: the first trace under a microscope.
MUSTY_INDEX = 1.0


class Use(StrEnum):
    """What a space is for; outdoors is only there to compare with."""

    HANGING = "hanging"
    STORING = "storing"
    SHOWING = "showing"
    OUTDOORS = "outdoors"


class Bounds(NamedTuple):
    """What the settings may say of a limit: from, to, in which unit, and an example."""

    low: float
    high: float
    unit: str
    example: float


def _limit(low: float, high: float, unit: str, example: float) -> Any:
    return field(default=None, metadata={"bounds": Bounds(low, high, unit, example)})


def _delay(minutes: int, example: str) -> Any:
    return field(default=minutes, metadata={"example": example})


_HUMIDITY = "% relative humidity"


@dataclass(frozen=True, slots=True)
class Limits:
    """The limits of a space; None: no such limit. Those with bounds are keys of the settings.

    hot_c, cold_c        air temperature [°C]
    damp_pct, arid_pct   relative humidity [%]
    damp_now_pct         relative humidity at which damp is urgent [%]
    sun_lux              illuminance [lx]
    dew_margin_k         surface temperature less dew point [K]
    light_klxh_a_day     light dose in a day [klx·h]
    musty_index          mould index of the coldest surface, see science.mould [-]
    damp_is_daily_mean   damp is judged on the mean of the last 24 h
    arid_once_crisp_pct  as arid_pct, but only while a batch of which a stem snapped hangs there [%]
    """

    hot_c: float | None = _limit(0, 60, "°C", 32)
    cold_c: float | None = _limit(-40, 40, "°C", 5)
    damp_pct: float | None = _limit(1, 100, _HUMIDITY, 75)
    damp_now_pct: float | None = _limit(1, 100, _HUMIDITY, 85)
    arid_pct: float | None = _limit(1, 100, _HUMIDITY, 35)
    sun_lux: float | None = _limit(1, 200_000, "lx", 3000)
    dew_margin_k: float | None = _limit(0, 20, "K", 1)
    light_klxh_a_day: float | None = _limit(0.01, 3000, "klx·h", 5)
    damp_is_daily_mean: bool = False
    arid_once_crisp_pct: float | None = None
    musty_index: float | None = _limit(0.1, 6, "mould index", 1)


@dataclass(frozen=True, slots=True)
class Delays:
    """How long a limit must be passed before it is a spell [min]; each a key of the settings."""

    hot: int = _delay(20, "20 min")
    cold: int = _delay(120, "2 h")
    damp: int = _delay(360, "6 h")
    damp_now: int = _delay(720, "12 h")
    arid: int = _delay(720, "12 h")
    sunny: int = _delay(10, "10 min")
    dewy: int = _delay(30, "30 min")
    silent: int = _delay(30, "30 min")


@dataclass(frozen=True, slots=True)
class Window:
    """A window or roof light as seen from the rail.

    facing_deg     compass direction it looks to [°]
    width_m, height_m  of the pane; a roof light's height along its slope [m]
    lower_edge_m   above the rail, below it negative [m]
    distance_m     level, from the rail to the lower edge [m]
    right_m        of its middle, to the right of straight ahead [m]
    tilt_deg       from lying flat: 90 upright, a roof light less [°]
    horizon        (compass direction, height) of hills and houses [°]; between two, on the line
    """

    name: str
    facing_deg: float
    width_m: float
    height_m: float
    lower_edge_m: float
    distance_m: float
    right_m: float = 0.0
    tilt_deg: float = 90.0
    horizon: tuple[tuple[float, float], ...] = ()

    def moved(self, right_m: float) -> Window:
        """The same window seen from so far to the right along the rail [m]."""
        return replace(self, right_m=self.right_m - right_m)


@dataclass(frozen=True, slots=True)
class Space:
    """A place with its own air.

    volume_m3        room volume [m3]; None: not known, what needs it cannot be told
    surface_factor   (coldest inside surface − outdoors) / (indoors − outdoors) [-]; None: unknown
    windows          through which the sun may reach the rail; empty: not known
    """

    name: str
    use: Use
    limits: Limits = field(default_factory=Limits)
    delays: Delays = field(default_factory=Delays)
    volume_m3: float | None = None
    surface_factor: float | None = None
    windows: tuple[Window, ...] = ()


@dataclass(frozen=True, slots=True)
class ReadAs:
    """How one quantity is found in a sensor's payloads.

    pointer     RFC 6901 pointer into a JSON payload; None: the whole payload is the value
    senml_name  full name of the SenML record (RFC 8428), instead of a pointer
    unit        the unit the sensor sends
    scale       how much of the unit the number 1 is: 0.1 where tenths are sent
    topic       MQTT topic filter, where this quantity has a topic of its own
    total       an amount is told as a total that grows, not as what came since the last message
    """

    unit: str
    pointer: str | None = None
    senml_name: str | None = None
    topic: str | None = None
    total: bool = False
    scale: float = 1.0


@dataclass(frozen=True, slots=True)
class TimeAt:
    """Where a JSON payload carries its own time: pointer and unit `s`, `ms`, `µs` or `iso`."""

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
        return quantity.row.unit


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


@dataclass(frozen=True, slots=True)
class Site:
    """Everything of the settings that the room's logic needs.

    pressure_pa comes from the elevation unless a pressure sensor tells it.
    spaces holds outdoors too.
    """

    name: str
    latitude: float
    longitude: float
    elevation_m: float
    timezone: str
    temperature_unit: str  # "°C" or "°F", for what people read
    spaces: dict[str, Space]
    sensors: dict[str, Sensor]
    raw_days: int = 200
    forecasts: tuple[ForecastFrom, ...] = ()

    def hanging(self) -> list[str]:
        """The spaces in which batches hang, by name."""
        return sorted(s.name for s in self.spaces.values() if s.use is Use.HANGING)

    def scales(self) -> list[str]:
        """The sensors that weigh, by name."""
        return sorted(s.name for s in self.sensors.values() if Quantity.MASS in s.reads)

    def sensors_of(self, space: str) -> list[Sensor]:
        """The sensors that hang in this space, by name."""
        return sorted((s for s in self.sensors.values() if s.space == space), key=lambda s: s.name)
