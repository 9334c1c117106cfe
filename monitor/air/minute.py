"""The readings of a space → one minute of air, and the mould that grows on its coldest surface.

Several sensors: the median of their temperatures and the median of their vapour pressures, the
humidity from the two, for a humidity means nothing without its own temperature. Light is the
highest: a sun patch is a patch. Condensation is judged by the worst sensor.

Mould is stepped hour by hour from the means of the hour, and never applied to a batch's own
water: every healthy batch is wet inside for days. What is said of a batch is a rule of our own.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from statistics import median
from typing import NamedTuple

from monitor.science import moist_air, mould
from monitor.site.spaces import Space


class MinuteOfAir(NamedTuple):
    """A space's air in one minute; what is not known is None.

    minute                   UTC epoch minutes, the minute's beginning
    relative_humidity_pct    over liquid water, also below 0 °C
    dew_point_c              the frost point below 0 °C
    surface_margin_k         coldest surface less dew point, worst sensor [K]
    readings                 good readings in this minute; 0: held from before
    """

    minute: int
    space: str
    temperature_c: float | None
    relative_humidity_pct: float | None
    illuminance_lx: float | None
    dew_point_c: float | None
    vpd_kpa: float | None
    humidity_ratio_g_kg: float | None
    absolute_humidity_g_m3: float | None
    surface_margin_k: float | None
    readings: int

    @property
    def drying_load_kpa_h(self) -> float | None:
        """This minute's share of ∫ VPD dt [kPa·h]."""
        return None if self.vpd_kpa is None else self.vpd_kpa / 60

    @property
    def light_dose_lx_h(self) -> float | None:
        """This minute's share of ∫ illuminance dt [lx·h]."""
        return None if self.illuminance_lx is None else self.illuminance_lx / 60


class SensorMinute(NamedTuple):
    """What one sensor says of a minute: the mean of its good readings, or the last one held.

    readings   good readings in this minute; 0: all held
    in_the_sun direct light heats it: only its vapour pressure is right
    """

    temperature_c: float | None = None
    humidity_pct: float | None = None
    illuminance_lx: float | None = None
    surface_temperature_c: float | None = None
    readings: int = 0
    in_the_sun: bool = False


def minute_of_air(
    space: Space,
    minute: int,
    sensors: Sequence[SensorMinute],
    pressure_pa: float,
    outdoors_c: float | None,
) -> MinuteOfAir | None:
    """The air of a space in one minute; None where nothing is known of it.

    sensors      what each sensor of the space says of the minute
    pressure_pa  air pressure at the site [Pa]
    outdoors_c   outdoor temperature in the same minute, for surfaces known by their factor [°C]
    """
    known = [s for s in sensors if s != _NOTHING]
    if not known:
        return None
    temperature = _median([s.temperature_c for s in known if not s.in_the_sun])
    vapour_pressures = [e for s in known if (e := _vapour_pressure(s, temperature)) is not None]
    humidity = _humidity(known, temperature, vapour_pressures)
    light = max((s.illuminance_lx for s in known if s.illuminance_lx is not None), default=None)
    readings = sum(s.readings for s in known)
    told = (minute, space.name, temperature, humidity, light)
    if temperature is None or humidity is None:
        return MinuteOfAir(*told, None, None, None, None, None, readings)
    state = moist_air.state(temperature, humidity, pressure_pa)
    margin = _surface_margin(space, known, max(vapour_pressures), temperature, outdoors_c)
    return MinuteOfAir(*told, *state[1:], margin, readings)


@lru_cache(maxsize=1024)  # asked twice: for the air, and before to compare sensors for an hour
def vapour_pressure_pa(temperature_c: float, humidity_pct: float) -> float:
    """Of one sensor's minute, see moist_air [Pa]."""
    return moist_air.vapour_pressure(temperature_c, humidity_pct)


_NOTHING = SensorMinute()


def _median(values: Sequence[float | None]) -> float | None:
    present = [v for v in values if v is not None]
    return median(present) if present else None


def _vapour_pressure(sensor: SensorMinute, space_temperature_c: float | None) -> float | None:
    """A sensor's vapour pressure [Pa]; one without a thermometer is read at the space's."""
    temperature = space_temperature_c if sensor.temperature_c is None else sensor.temperature_c
    if temperature is None or sensor.humidity_pct is None:
        return None
    return vapour_pressure_pa(temperature, sensor.humidity_pct)


def _humidity(
    sensors: Sequence[SensorMinute], temperature_c: float | None, vapour_pressures: Sequence[float]
) -> float | None:
    if temperature_c is None or not vapour_pressures:
        return _median([s.humidity_pct for s in sensors if not s.in_the_sun])
    if len(sensors) == 1:
        return sensors[0].humidity_pct
    humidity = moist_air.relative_humidity(temperature_c, median(vapour_pressures))
    return min(humidity, 100.0)


def _surface_margin(
    space: Space,
    sensors: Sequence[SensorMinute],
    highest_vapour_pressure_pa: float,
    temperature_c: float,
    outdoors_c: float | None,
) -> float | None:
    """Coldest known surface less the dew point of the dampest sensor [K]; None: cannot be told."""
    surfaces = [s.surface_temperature_c for s in sensors if s.surface_temperature_c is not None]
    if space.surface_factor is not None and outdoors_c is not None:
        surfaces.append(outdoors_c + space.surface_factor * (temperature_c - outdoors_c))
    if not surfaces:
        return None
    dew_point = moist_air.dew_or_frost_point(highest_vapour_pressure_pa)
    return None if dew_point is None else min(surfaces) - dew_point


# Walls, beams and boards of a space. Our own choice among the classes.
WALLS = mould.SENSITIVE
# A musty spell is over once mould could not grow for so long [h]; the traces stay for months.
OVER_AFTER_H = 24.0
# An hour with fewer known minutes leaves the mould as it was. Our own choice.
_FEWEST_MINUTES = 20


class Musty(NamedTuple):
    """What is remembered of a space's coldest surface.

    grown        the mould at the end of the last full hour
    hour         epoch hour going on; None: none yet
    minutes      known minutes of it, with their sums of surface temperature [°C] and humidity [%]
    """

    grown: mould.Mould = mould.Mould()
    hour: int | None = None
    minutes: int = 0
    sum_c: float = 0.0
    sum_pct: float = 0.0

    def with_minute(self, minute: int, air: MinuteOfAir | None) -> Musty:
        """One minute further; the air of hours never told of leaves the mould as it was."""
        hour = minute // 60
        state = self if self.hour == hour else Musty(self._closed(), hour)
        surface = None if air is None else surface_of(air)
        if surface is None:
            return state
        return state._replace(
            minutes=state.minutes + 1,
            sum_c=state.sum_c + surface[0],
            sum_pct=state.sum_pct + surface[1],
        )

    def _closed(self) -> mould.Mould:
        """The mould once the hour going on is over."""
        if self.minutes < _FEWEST_MINUTES:
            return self.grown
        return mould.step(self.grown, self.sum_c / self.minutes, self.sum_pct / self.minutes, WALLS)

    def measured(self) -> float:
        """What the musty limit compares: the index while mould can grow, 0 once it long cannot."""
        return self.grown.value if self.grown.dry_h < OVER_AFTER_H else 0.0


def surface_of(air: MinuteOfAir) -> tuple[float, float] | None:
    """Temperature [°C] and relative humidity [%] at the coldest surface; the room's own where no
    surface is known; None where the air is not."""
    t, rh = air.temperature_c, air.relative_humidity_pct
    if t is None or rh is None or not (-40 <= t <= 60 and 0 <= rh <= 100):
        return None
    if air.surface_margin_k is None or air.dew_point_c is None:
        return t, rh
    surface_c = air.dew_point_c + air.surface_margin_k
    if not -40 <= surface_c <= 60:
        return t, rh
    return surface_c, min(100.0, moist_air.surface_relative_humidity(t, rh, surface_c))


def safe_to_store(relative_humidity_pct: float) -> bool:
    """Whether nothing can grow on what has settled in this air: a water activity below 0.60."""
    return relative_humidity_pct / 100 < mould.NOTHING_GROWS_BELOW
