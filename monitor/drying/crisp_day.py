"""When a batch will be crisp, if the air goes on as it has; and where it would have been better."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.drying.ensemble import Ensemble, crossing, follow, still_hanging
from monitor.drying.hours import HourlyAir
from monitor.drying.members import Members, seed

Floats = NDArray[np.float64]

HORIZON_DAYS = 28
"""No date is given that lies further ahead."""
STEP_H = 3
RECENT_DAYS = 10

# Day-to-day changes of a space's mean air before it has shown its own, and how long they last:
# our own choice.
DAY_SPREAD_C, DAY_SPREAD_PCT = 2.0, 8.0
DAY_SPREAD_WORTH_DAYS = 4
DAY_KEEPS = 0.7

# When an answer is given: our own choice, by how often invented seasons prove it wrong.
CRISP_AT = 0.5
PROMISED = 0.94  # a date is a promise only with this probability that it finishes at all
LIKELY = 0.5  # "cannot finish" is never said from here on
WORTH_A_DAY = 0.5  # below it not even "if it finishes here, about then" is said
STALLED_BELOW = 0.5  # percent points of what is to lose, in a day
STALLED_SHARE = 0.1  # and of what is left, in a day
STALLED_ABOVE, STALLED_P_CRISP = 0.5, 0.3  # percent still to lose; no longer if it may be crisp
HUMIDITY_FOR = 0.2  # the humidity that would do is dry enough for all but this share of members


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

    state              expected, crisp, cannot_finish or unknown
    still_to_lose_pct  (M - target) / (start - target), 0 when crisp [%]
    moisture_pct_db    [% dry basis], the middle member
    p_crisp            probability that it is at or below its target now [-]
    p_finishes         probability that it will have been within the horizon [-]
    crisp_p10..p90     epoch minutes, past when crisp already: a promise if expected or crisp, while
                       unknown only if it finishes at all; None where no day can be named
    loses_pct_a_day    how much of what it had to lose goes in the next day [percent points]
    stalled            still wet, and hardly losing any more
    humidity_needed    measured humidity that would let it finish [%], None if none would
    """

    state: str
    still_to_lose_pct: float
    moisture_pct_db: float
    p_crisp: float
    p_finishes: float
    crisp_p10: int | None
    crisp_p50: int | None
    crisp_p90: int | None
    loses_pct_a_day: float
    stalled: bool
    humidity_needed: float | None


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
    """What can be said of the batch now, while it hangs, under the air to come.

    That it still hangs speaks a little against its having long been crisp; the date makes use of
    that, `p_crisp` does not.
    """
    made, now = ensemble.members, ensemble.moisture_pct_db
    weight = still_hanging(ensemble.hour - ensemble.crisp_hour)
    weight /= weight.sum()
    crisp = when_crisp(ensemble, ahead)
    finishes = float(weight[np.isfinite(crisp)].sum())
    already = float(weight[np.isfinite(ensemble.crisp_hour)].sum())
    if finishes >= PROMISED:
        state = "crisp" if already >= CRISP_AT else "expected"
    elif finishes < LIKELY and not may_finish(ensemble, ahead):
        state = "cannot_finish"
    else:
        state = "unknown"
    p10 = p50 = p90 = None
    if state != "cannot_finish" and finishes >= WORTH_A_DAY:
        p10, p50, p90 = (round(60 * hour) for hour in _quantiles(crisp, weight, (0.1, 0.5, 0.9)))
    first_day = slice(0, max(24 // ahead.step_h, 1))
    tomorrow = _through(made, now, ahead, first_day)[-1]
    left = _middle(made.still_to_lose(now), weight)
    p_crisp = float((now <= made.target).mean())
    loses = left - _middle(made.still_to_lose(tomorrow), weight)
    return Outlook(
        state=state,
        still_to_lose_pct=left,
        moisture_pct_db=_middle(now, weight),
        p_crisp=p_crisp,
        p_finishes=finishes,
        crisp_p10=p10,
        crisp_p50=p50,
        crisp_p90=p90,
        loses_pct_a_day=loses,
        stalled=left > STALLED_ABOVE
        and loses < min(STALLED_BELOW, STALLED_SHARE * left)
        and p_crisp < STALLED_P_CRISP,
        humidity_needed=humidity_needed(made, float(ahead.temperature_c.mean())),
    )


def _middle(values: Floats, weight: Floats) -> float:
    return _quantiles(values, weight, (0.5,))[0]


def _quantiles(values: Floats, weight: Floats, shares: tuple[float, ...]) -> list[float]:
    """Quantiles of the finite values, by weight."""
    finite = np.isfinite(values)
    order = np.argsort(values[finite])
    weight = weight[finite][order]
    place = (np.cumsum(weight) - weight / 2) / weight.sum()
    return [float(at) for at in np.interp(shares, place, values[finite][order])]


def may_finish(ensemble: Ensemble, ahead: Ahead) -> bool:
    """Whether any member, long settled in the air to come, would be at its target there once."""
    made = ensemble.members
    true_humidity = np.clip(ahead.humidity_pct + made.sensor_pct, 2.0, 99.5)
    mean_c = ahead.temperature_c.mean(axis=0, keepdims=True)
    moisture = made.limits(mean_c, true_humidity.mean(axis=0, keepdims=True))[0][0]
    for part in _weeks(ahead):  # most that may finish show it in the first
        path = _through(made, moisture, ahead, part)
        if (path <= made.target).any():
            return True
        moisture = path[-1]
    return False


def _weeks(ahead: Ahead) -> Iterator[slice]:
    """The steps to come, a week after another."""
    steps, week = ahead.temperature_c.shape[0], 7 * 24 // ahead.step_h
    for first in range(0, steps, week):
        yield slice(first, min(first + week, steps))


def humidity_needed(made: Members, temperature_c: float) -> float | None:
    """Measured humidity at which nearly all members settle at their target [%], None if none."""
    humidity = np.arange(15.0, 86.0)
    settles = made.limits(
        np.full((humidity.size, 1), temperature_c),
        np.clip(humidity[:, None] + made.sensor_pct, 2.0, 99.5),
    )[0]
    dry_enough = (settles <= made.target).mean(axis=1) >= 1 - HUMIDITY_FOR
    return float(humidity[dry_enough].max()) if dry_enough.any() else None


def _through(made: Members, moisture: Floats, ahead: Ahead, steps: slice) -> Floats:
    return follow(
        made,
        moisture,
        ahead.temperature_c[steps],
        ahead.humidity_pct[steps],
        np.full(steps.stop - steps.start, float(ahead.step_h)),
    )


def when_crisp(ensemble: Ensemble, ahead: Ahead) -> Floats:
    """When each member was or will be crisp [epoch hours], NaN if not within the air given."""
    made, moisture = ensemble.members, ensemble.moisture_pct_db
    crisp = ensemble.crisp_hour.copy()
    wide = ahead.temperature_c.shape[1]
    waiting = np.isnan(crisp)
    for part in _weeks(ahead):
        if not waiting.any():
            break
        column = waiting if wide > 1 else slice(None)
        some = made.some(waiting)
        path = follow(
            some,
            moisture[waiting],
            ahead.temperature_c[part, column],
            ahead.humidity_pct[part, column],
            np.full(part.stop - part.start, float(ahead.step_h)),
        )
        begins = ensemble.hour + part.start * ahead.step_h
        crisp[waiting] = crossing(path, some.target, begins, ahead.step_h)
        moisture = moisture.copy()
        moisture[waiting] = path[-1]
        waiting = np.isnan(crisp)
    return crisp
