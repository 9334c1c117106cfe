"""What the air of a space will do in the next day.

The answer is a bundle of likely paths: the middle course, and about it the errors of the model's
own past at this time of day. Temperature and humidity ratio err together in each path, so that
relative humidity and deficit follow from them path by path, and every quantile is of one bundle.

Whether a limit will be passed in the coming hours is read from the same paths. A limit counts as
passed once it has been for as long as its delay, as for spells. What was past it already in the
last minutes counts towards that.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache, cached_property
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.ahead.grid import (
    STEP_MIN,
    STEPS_PER_DAY,
    Array,
    GridAir,
    Indices,
    checked,
    clipped,
    until,
)
from monitor.ahead.model import LEADS, LOG_SCALE, Model, Past, corrections, fit, ready, simple_rule
from monitor.science.moist_air import (
    COLDEST_C,
    HOTTEST_C,
    humidity_ratio_array,
    saturation_vapour_pressure_liquid_array,
    vapour_pressure_array,
)
from monitor.site.kinds import Kind
from monitor.site.spaces import Space
from monitor.site.time import DAY_MIN

__all__ = ["Band", "NextDay", "ahead", "derived", "fit", "paths"]

LOOK_BACK_DAYS = 15
PATHS = 200
LIKE_HOURS_MIN = 90
# Common experience, until a space has its own: how far the simple rule errs in an unknown space.
UNKNOWN_SPREAD = (3.0, 1.5)  # K, and LOG_SCALE × 15 % of the humidity ratio
UNKNOWN_GROWS_H = 6.0
OWN_DAYS = 4.0

Quantity = Literal["temperature_c", "humidity_ratio_g_kg", "relative_humidity_pct", "vpd_kpa"]


class Band(NamedTuple):
    """One in ten, the middle and nine in ten, at each of the outlook's minutes."""

    p10: Array
    p50: Array
    p90: Array


@dataclass(frozen=True, eq=False)
class NextDay:
    """The next 24 hours of a space, every ten minutes. Bands are made when they are asked for.

    asked   UTC epoch minute it was asked at
    minute  UTC epoch minutes ahead of it, 10 to 1440 later
    paths   likely courses, of equal weight: temperature [°C] and humidity ratio [g/kg], (2, paths,
            minutes)
    """

    asked: int
    minute: NDArray[np.int64]
    paths: NDArray[np.float32]
    pressure_pa: float

    def courses(self, quantity: Quantity) -> Array:
        """The likely courses of a quantity: (paths, minutes)."""
        temperature, water = (np.asarray(one, np.float64) for one in self.paths)
        if quantity == "temperature_c":
            return temperature
        if quantity == "humidity_ratio_g_kg":
            return water
        humidity, deficit = derived(temperature, water, self.pressure_pa)
        return humidity if quantity == "relative_humidity_pct" else deficit

    def with_courses(self, temperature: Array, water: Array) -> NextDay:
        """The same hours with other courses: temperature [°C] and humidity ratio [g/kg]."""
        return replace(self, paths=np.stack([temperature, water]).astype(np.float32))

    @cached_property
    def temperature_c(self) -> Band:
        return _band(self.courses("temperature_c"))

    @cached_property
    def humidity_ratio_g_kg(self) -> Band:
        return _band(self.courses("humidity_ratio_g_kg"))

    @cached_property
    def relative_humidity_pct(self) -> Band:
        return _band(self.courses("relative_humidity_pct"))

    @cached_property
    def vpd_kpa(self) -> Band:
        return _band(self.courses("vpd_kpa"))


def ahead(model: Model, recent: GridAir, now: int) -> NextDay | None:
    """Look a day ahead.

    model   learned of this space
    recent  the space's last days on the ten-minute grid; 15 serve best, one will do
    now     UTC epoch minutes; nothing later in `recent` is looked at
    returns None where no temperature and humidity is known of the last hour
    raises  ValueError naming what is not on one grid
    """
    known = _as_learned(model, _last_days(until(checked(recent), now)))
    past = ready(known)
    index = np.array([len(known.minute) - 1], dtype=np.int64)
    both = np.concatenate(paths(model, past, index))
    if not np.isfinite(both).all():
        return None
    minute = known.minute[-1] + STEP_MIN * np.arange(1, STEPS_PER_DAY + 1)
    return NextDay(now, minute, both.astype(np.float32), model.site.pressure_pa)


def _last_days(history: GridAir) -> GridAir:
    keep = LOOK_BACK_DAYS * STEPS_PER_DAY
    return clipped(history, slice(-keep, None))


def _as_learned(model: Model, history: GridAir) -> GridAir:
    """Outdoors in it if, and only if, the model has learned with it."""
    if not model.with_outdoors:
        return history._replace(outdoor_temperature_c=None, outdoor_humidity_ratio_g_kg=None)
    if history.outdoor_temperature_c is not None:
        return history
    unknown = np.full(len(history.minute), np.nan)
    return history._replace(outdoor_temperature_c=unknown, outdoor_humidity_ratio_g_kg=unknown)


def paths(
    model: Model, past: Past, index: Indices, steps: int = STEPS_PER_DAY
) -> tuple[Array, Array]:
    """Likely courses of the time after each moment.

    index    moments of the past, (moments,)
    steps    how many ten minutes to look ahead, up to a day
    returns  temperature [°C] and humidity ratio [g/kg], each (moments, paths, steps)
    """
    every = np.arange(1, steps + 1)
    rule = simple_rule(past, index, every)
    learned = corrections(model, past, index)
    minute = past.minute[index].astype(np.int64)
    errors = np.stack([_errors(model, int(m)) for m in minute])
    bent = _between_leads(steps) @ (learned[:, None] + errors)
    course = rule[:, None] + bent
    temperature = np.clip(course[..., 0], COLDEST_C, HOTTEST_C)
    water = np.exp(course[..., 1] / LOG_SCALE)
    return temperature, np.minimum(water, saturated(temperature, model.site.pressure_pa))


@cache
def _between_leads(steps: int) -> Array:
    """Weights that draw out the leads to so many steps, from nothing now: (steps, leads)."""
    every = np.arange(1, steps + 1)
    knots = np.concatenate([[0], LEADS])
    return np.stack([np.interp(every, knots, one) for one in np.eye(len(knots))[1:]], axis=1)


def _errors(model: Model, minute: int) -> Array:
    """Past errors from this time of day on, newest first choice: (paths, leads, 2)."""
    apart = np.abs((model.path_at - minute + 720) % DAY_MIN - 720)
    like = np.flatnonzero(apart <= LIKE_HOURS_MIN)[-PATHS:]
    days = len(like) * 60 / (2 * LIKE_HOURS_MIN + 60)
    strangers = round(PATHS * max(0.0, 1.0 - days / OWN_DAYS))
    own = model.paths[like].astype(np.float64)
    if len(own) == 0:
        return _unknown_errors()
    errors = own[np.arange(PATHS - strangers) % len(own)]
    if strangers:
        errors = np.concatenate([errors, _unknown_errors()[:strangers]])
    # A few days' errors all lean one way by chance; the model's own middle is the better one.
    return np.asarray(errors - np.median(errors, axis=0))


def _unknown_errors() -> Array:
    """Errors as a space without a past may have them: wandering, wider with the hours."""
    steps = np.diff(np.concatenate([[0], LEADS])) * STEP_MIN / 60
    keep = np.exp(-steps / UNKNOWN_GROWS_H)
    shocks = np.random.default_rng(20_210_101).normal(size=(PATHS, len(LEADS), 2))
    answer = np.zeros((PATHS, len(LEADS), 2))
    state = np.zeros((PATHS, 2))
    for i in range(len(LEADS)):
        state = keep[i] * state + np.sqrt(1 - keep[i] ** 2) * shocks[:, i]
        answer[:, i] = state
    return np.asarray(answer * np.array(UNKNOWN_SPREAD))


def saturated(temperature_c: Array, pressure_pa: float) -> Array:
    """Humidity ratio of saturated air [g/kg]; ASHRAE, eq. 21."""
    return humidity_ratio_array(saturation_vapour_pressure_liquid_array(temperature_c), pressure_pa)


def derived(temperature_c: Array, water_g_kg: Array, pressure_pa: float) -> tuple[Array, Array]:
    """Relative humidity [%] and deficit [kPa]; ASHRAE, eq. 20 turned round, and eq. 22."""
    full = saturation_vapour_pressure_liquid_array(temperature_c)
    vapour = vapour_pressure_array(water_g_kg, pressure_pa)
    humidity = np.clip(100.0 * vapour / full, 0.0, 100.0)
    return humidity, (1.0 - humidity / 100.0) * full / 1000.0


def _band(bundle: Array) -> Band:
    return Band(*np.quantile(bundle, (0.1, 0.5, 0.9), axis=0))


WITHIN_H = 12
A_DAY_H = 24


class Chance(NamedTuple):
    """How likely a limit is passed within so many hours.

    probability  0 to 1
    begins       UTC epoch minute by which half of the paths that pass it have done so
    latest       and nine in ten of them
    ends         UTC epoch minute by which half of them are back; None: most stay past it for a day
    """

    probability: float
    begins: int
    latest: int
    ends: int | None


class Watched(NamedTuple):
    """A limit of a space, passed upwards: what has been, and what may come.

    behind   the last ten-minute values before now
    ahead    (paths, steps)
    delay    steps it must be passed to count
    """

    kind: Kind
    limit: float
    behind: Array
    ahead: Array
    delay: int


def watched(
    space: Space, recent: GridAir, outlook: NextDay, outdoors: NextDay | None
) -> list[Watched]:
    """The limits of a space that can be foreseen: hot, damp, and dewy where its walls are known."""
    set_, delay = space.limits, space.delays
    found: list[Watched] = []
    if set_.hot_c is not None:
        ahead = outlook.courses("temperature_c")
        behind = recent.temperature_c
        found.append(Watched(Kind.HOT, set_.hot_c, behind, ahead, _steps(delay.hot)))
    if set_.damp_pct is not None and not set_.damp_is_daily_mean:
        ahead = outlook.courses("relative_humidity_pct")
        behind, _ = derived(recent.temperature_c, recent.humidity_ratio_g_kg, outlook.pressure_pa)
        found.append(Watched(Kind.DAMP, set_.damp_pct, behind, ahead, _steps(delay.damp)))
    margin_k = set_.dew_margin_k
    if margin_k is not None and space.surface_factor is not None and outdoors is not None:
        ahead = _beyond_the_surface(outlook, outdoors, space.surface_factor, margin_k)
        found.append(Watched(Kind.DEWY, 0.0, np.empty(0), ahead, _steps(delay.dewy)))
    return found


def hot_chance(space: Space, outlook: NextDay, now: int) -> float | None:
    """How likely the coming day passes a space's hot limit, whatever was before [-]; None: it has
    no such limit."""
    if space.limits.hot_c is None:
        return None
    ahead, delay = outlook.courses("temperature_c"), _steps(space.delays.hot)
    told = chance(Watched(Kind.HOT, space.limits.hot_c, np.empty(0), ahead, delay), now, A_DAY_H)
    return 0.0 if told is None else told.probability


def _steps(delay_min: int) -> int:
    return max(1, -(-delay_min // STEP_MIN))


def _beyond_the_surface(
    indoors: NextDay, outdoors: NextDay, factor: float, margin_k: float
) -> Array:
    """Vapour pressure along each path, less what the coldest surface bears with its margin [Pa].

    Above 0 the dew point lies less than the margin below the surface. Both bundles take their
    errors from the same days.
    """
    inside = indoors.courses("temperature_c")
    outside = outdoors.courses("temperature_c")
    surface = outside + factor * (inside - outside)
    water = indoors.courses("humidity_ratio_g_kg")
    vapour = vapour_pressure_array(water, indoors.pressure_pa)
    beyond: Array = vapour - saturation_vapour_pressure_liquid_array(surface - margin_k)
    return beyond


def chance(of: Watched, now: int, within_h: float = WITHIN_H) -> Chance | None:
    """How likely the limit is passed; None: no path passes it.

    now  UTC epoch minute from which `ahead` looks on
    """
    behind = of.behind[max(0, len(of.behind) - of.delay + 1) :]
    values = np.concatenate([np.broadcast_to(behind, (len(of.ahead), len(behind))), of.ahead], 1)
    beyond = values > of.limit
    so_far = np.pad(beyond.cumsum(axis=1), ((0, 0), (1, 0)))
    lasting = so_far[:, of.delay :] - so_far[:, : -of.delay] == of.delay
    within = lasting[:, : len(behind) + round(within_h * 60 / STEP_MIN)]
    passes = within.any(axis=1)
    if not passes.any():
        return None
    first = within[passes].argmax(axis=1)
    begins = now + STEP_MIN * (first - len(behind) + 1)
    return Chance(
        float(passes.mean()),
        int(np.median(begins)),
        int(np.quantile(begins, 0.9)),
        _ends(beyond[passes], first, now - STEP_MIN * (len(behind) - 1)),
    )


def _ends(beyond: NDArray[np.bool_], first: NDArray[np.int64], begin: int) -> int | None:
    steps = np.arange(beyond.shape[1])
    over = ~beyond & (steps > first[:, None])
    ends = np.where(over.any(axis=1), over.argmax(axis=1), len(steps))
    end = int(np.median(ends))
    return begin + STEP_MIN * end if end < len(steps) else None
