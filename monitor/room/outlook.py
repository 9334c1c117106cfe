"""When a batch will be crisp, if the air goes on as it has; and where it would have been better."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.room.dryness import Ensemble, crossing, follow
from monitor.room.hours import HourlyAir
from monitor.room.members import seed

Floats = NDArray[np.float64]

HORIZON_DAYS = 60
STEP_H = 3
RECENT_DAYS = 10

# Day-to-day changes of a space's mean air before it has shown its own, and how long they last:
# our own choice.
DAY_SPREAD_C, DAY_SPREAD_PCT = 2.0, 8.0
DAY_SPREAD_WORTH_DAYS = 4
DAY_KEEPS = 0.7

CRISP_AT = 0.5
SURE, HOPELESS = 0.85, 0.15


@dataclass(frozen=True)
class Ahead:
    """The air to come, step by step: measured temperature [°C] and humidity [%], shape
    (steps, members), each step `step_h` long."""

    temperature_c: Floats
    humidity_pct: Floats
    step_h: int = STEP_H


@dataclass(frozen=True)
class Outlook:
    """What comes out for one batch at one time.

    still_to_lose_pct  (M - target) / (start - target), 0 when crisp [%]
    moisture_pct_db    [% dry basis], the middle member
    p_crisp            probability that it is at or below its target, now
    p_finishes         probability that it will have been within the horizon
    crisp_p10..p90     epoch minutes, or None where no date can be given
    state              expected, crisp, cannot_finish or unknown
    humidity_needed    air humidity that would do [%]
    """

    state: str
    still_to_lose_pct: float
    moisture_pct_db: float
    p_crisp: float
    p_finishes: float
    crisp_p10: int | None
    crisp_p50: int | None
    crisp_p90: int | None
    humidity_needed: float


def like_recent_days(
    ensemble: Ensemble, air: HourlyAir, days: int = HORIZON_DAYS, step_h: int = STEP_H
) -> Ahead:
    """The mean day of the recent days, and for each member its own run of days about it."""
    count = ensemble.points.shape[0]
    rng = np.random.default_rng([seed(ensemble.hung), 4])
    recent = air.before(ensemble.hour).since(ensemble.hour - 24 * RECENT_DAYS)
    clock = (ensemble.hour + step_h * np.arange(24 // step_h)) % 24
    return Ahead(
        temperature_c=_paths(
            rng, recent.hour, recent.temperature_c, clock, days, count, DAY_SPREAD_C
        ),
        humidity_pct=np.clip(
            _paths(rng, recent.hour, recent.humidity_pct, clock, days, count, DAY_SPREAD_PCT),
            5,
            98,
        ),
        step_h=step_h,
    )


def _paths(
    rng: np.random.Generator,
    hour: NDArray[np.int64],
    series: Floats,
    clock: NDArray[np.int64],
    days: int,
    count: int,
    usual_spread: float,
) -> Floats:
    """Air to come, shape (days · steps a day, count)."""
    step_h = 24 // clock.size
    of_day = hour % 24
    middle = float(series.mean())
    profile = np.array(
        [
            series[np.isin(of_day, (at + np.arange(step_h)) % 24)].mean()
            if np.isin(of_day, (at + np.arange(step_h)) % 24).any()
            else middle
            for at in clock
        ]
    )
    known_days = series.size / 24
    daily = np.array([part.mean() for part in np.array_split(series, max(int(known_days), 1))])
    spread = np.sqrt(
        (DAY_SPREAD_WORTH_DAYS * usual_spread**2 + ((daily - daily.mean()) ** 2).sum())
        / (DAY_SPREAD_WORTH_DAYS + daily.size - 1)
    )
    # The mean of a few days that hang together says little of the weeks to come.
    worth = max(known_days, 0.5) * (1 - DAY_KEEPS) / (1 + DAY_KEEPS)
    lasting = rng.standard_normal(count) * spread * np.sqrt(1 / (1 + worth))
    level = daily[-1] - daily.mean() - lasting
    kicks = rng.standard_normal((days, count)) * spread * np.sqrt(1 - DAY_KEEPS**2)
    offsets = np.empty((days, count))
    for day in range(days):
        level = DAY_KEEPS * level + kicks[day]
        offsets[day] = lasting + level
    return (profile[None, :, None] + offsets[:, None, :]).reshape(-1, count)


def outlook(ensemble: Ensemble, ahead: Ahead) -> Outlook:
    """What can be said of the batch now, under the air to come."""
    made = ensemble.members
    now = ensemble.moisture_pct_db
    crisp = when_crisp(ensemble, ahead)
    finishes = float(np.isfinite(crisp).mean())
    already = float(np.isfinite(ensemble.crisp_hour).mean())
    if already >= CRISP_AT:
        state = "crisp"
    elif finishes >= SURE:
        state = "expected"
    elif finishes <= HOPELESS:
        state = "cannot_finish"
    else:
        state = "unknown"
    dates: tuple[int | None, ...] = (None, None, None)
    if state in ("crisp", "expected"):
        dates = tuple(
            int(60 * hour) for hour in np.quantile(crisp[np.isfinite(crisp)], (0.1, 0.5, 0.9))
        )
    left = np.clip((now - made.target) / (made.start - made.target), 0, 1)
    return Outlook(
        state=state,
        still_to_lose_pct=100 * float(np.median(left)),
        moisture_pct_db=float(np.median(now)),
        p_crisp=float((now <= made.target).mean()),
        p_finishes=finishes,
        crisp_p10=dates[0],
        crisp_p50=dates[1],
        crisp_p90=dates[2],
        humidity_needed=0.0,
    )


def when_crisp(ensemble: Ensemble, ahead: Ahead) -> Floats:
    """When each member was or will be crisp [epoch hours], NaN if not within the air given."""
    made, moisture = ensemble.members, ensemble.moisture_pct_db
    crisp = ensemble.crisp_hour.copy()
    steps, wide = ahead.temperature_c.shape
    waiting = np.isnan(crisp)
    chunk = 7 * 24 // ahead.step_h
    for first in range(0, steps, chunk):
        if not waiting.any():
            break
        part = slice(first, min(first + chunk, steps))
        column = waiting if wide > 1 else slice(None)
        some = made.some(waiting)
        path = follow(
            some,
            moisture[waiting],
            ahead.temperature_c[part, column],
            ahead.humidity_pct[part, column],
            np.full(part.stop - part.start, float(ahead.step_h)),
        )
        begins = ensemble.hour + first * ahead.step_h
        crisp[waiting] = crossing(path, some.target, begins, ahead.step_h)
        moisture = moisture.copy()
        moisture[waiting] = path[-1]
        waiting = np.isnan(crisp)
    return crisp
