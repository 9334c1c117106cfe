"""The site and its spaces: what the settings say of them, as the room sees it."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from monitor.site.readings import ForecastFrom, Quantity, Sensor
from monitor.site.windows import Window

OUTDOORS = "outdoors"


class Use(StrEnum):
    """What a space is for; outdoors is only there to compare with."""

    HANGING = "hanging"
    STORING = "storing"
    SHOWING = "showing"
    OUTDOORS = "outdoors"


@dataclass(frozen=True, slots=True)
class Limits:
    """The limits of a space; None: no such limit.

    hot_c, cold_c        air temperature [°C]
    damp_pct, arid_pct   relative humidity [%]
    damp_now_pct         relative humidity at which damp is urgent [%]
    sun_lux              illuminance [lx]
    dew_margin_k         surface temperature less dew point [K]
    light_klxh_a_day     light dose in a day [klx·h]
    damp_is_daily_mean   damp is judged on the mean of the last 24 h
    musty_index          mould index of the coldest surface, see science.mould [-]
    arid_once_crisp_pct  as arid_pct, but only while a batch hangs there of which a stem has
                         snapped [%]
    """

    hot_c: float | None = None
    cold_c: float | None = None
    damp_pct: float | None = None
    damp_now_pct: float | None = None
    arid_pct: float | None = None
    sun_lux: float | None = None
    dew_margin_k: float | None = None
    light_klxh_a_day: float | None = None
    damp_is_daily_mean: bool = False
    arid_once_crisp_pct: float | None = None
    musty_index: float | None = None


@dataclass(frozen=True, slots=True)
class Delays:
    """How long a limit must be passed before it is a spell [minutes]."""

    hot: int = 20
    cold: int = 120
    damp: int = 360
    damp_now: int = 720
    arid: int = 720
    sunny: int = 10
    dewy: int = 30
    silent: int = 30


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
