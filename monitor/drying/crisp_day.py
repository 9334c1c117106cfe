"""When a batch will be crisp, if the air goes on as it has."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.drying.ensemble import Ensemble, crossing, each_own, follow, still_hanging
from monitor.drying.hours import STEP_H, STEPS_A_DAY, AirToCome, side_by_side
from monitor.drying.members import Members, together

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]

# Batches taken as one. Of more, arrays pass the 128 kB beyond which memory is asked of the system
# anew each time.
GROUP = 5

# When an answer is given: our own choice, by how often invented seasons prove it wrong.
CRISP_AT = 0.5
PROMISED = 0.94  # a date is a promise only with this probability that it finishes at all
LIKELY = 0.5  # "cannot finish" is never said from here on
WORTH_A_DAY = 0.5  # below it not even "if it finishes here, about then" is said
STALLED_BELOW = 0.5  # percent points of what is to lose, in a day
STALLED_SHARE = 0.1  # and of what is left, in a day
STALLED_ABOVE, STALLED_P_CRISP = 0.5, 0.3  # percent still to lose; no longer if it may be crisp
LEAST_PCT, MOST_PCT = 15, 85
HUMIDITY_FOR = 0.2  # the humidity that would do is dry enough for all but this share of members


@dataclass(frozen=True)
class CrispDay:
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


def crisp_days(ensembles: Sequence[Ensemble], airs: Sequence[AirToCome]) -> list[CrispDay]:
    """What can be said of each batch now, while it hangs, under the air to come.

    That it still hangs speaks a little against its having long been crisp; the date makes use of
    that, `p_crisp` does not. Up to GROUP batches are best handed in at once.
    """
    told: dict[int, CrispDay] = {}
    for own_curve in (False, True):
        places = [
            place
            for place, one in enumerate(ensembles)
            if (one.members.gab is not None) == own_curve
        ]
        if places:
            several = _crisp_days([ensembles[i] for i in places], [airs[i] for i in places])
            told.update(zip(places, several, strict=True))
    return [told[place] for place in range(len(ensembles))]


def _crisp_days(ensembles: Sequence[Ensemble], airs: Sequence[AirToCome]) -> list[CrispDay]:
    made, air = together([one.members for one in ensembles]), side_by_side(airs)
    crisp, tomorrow = _lived_through(ensembles, made, air)
    each = len(ensembles)
    weights = [_weight(one) for one in ensembles]
    crisps = each_own(crisp, each)
    finishes = [
        float(weight[np.isfinite(own)].sum()) for own, weight in zip(crisps, weights, strict=True)
    ]
    doubtful = [i for i, p in enumerate(finishes) if p < LIKELY]
    may = _may_finish([ensembles[i] for i in doubtful], [airs[i] for i in doubtful])
    never = {i for i, may_finish in zip(doubtful, may, strict=True) if not may_finish}
    needed = _humidity_needed(made, each, [one.mean_c for one in airs])
    return [
        _crisp_day(one, weights[i], crisps[i], own_tomorrow, finishes[i], i in never, needed[i])
        for i, (one, own_tomorrow) in enumerate(
            zip(ensembles, each_own(tomorrow, each), strict=True)
        )
    ]


def _crisp_day(
    ensemble: Ensemble,
    weight: Floats,
    crisp: Floats,
    tomorrow: Floats,
    finishes: float,
    never: bool,
    humidity_needed: float | None,
) -> CrispDay:
    made, now = ensemble.members, ensemble.moisture_pct_db
    already = float(weight[np.isfinite(ensemble.crisp_hour)].sum())
    if finishes >= PROMISED:
        state = "crisp" if already >= CRISP_AT else "expected"
    else:
        state = "cannot_finish" if never else "unknown"
    p10 = p50 = p90 = None
    if state != "cannot_finish" and finishes >= WORTH_A_DAY:
        p10, p50, p90 = (round(60 * hour) for hour in _quantiles(crisp, weight, (0.1, 0.5, 0.9)))
    left = _middle(made.still_to_lose(now), weight)
    p_crisp = float((now <= made.target).mean())
    loses = left - _middle(made.still_to_lose(tomorrow), weight)
    return CrispDay(
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
        humidity_needed=humidity_needed,
    )


def _weight(ensemble: Ensemble) -> Floats:
    weight = still_hanging(ensemble.hour - ensemble.crisp_hour)
    return np.asarray(weight / weight.sum())


def _middle(values: Floats, weight: Floats) -> float:
    return _quantiles(values, weight, (0.5,))[0]


def _quantiles(values: Floats, weight: Floats, shares: tuple[float, ...]) -> list[float]:
    """Quantiles of the finite values, by weight."""
    finite = np.isfinite(values)
    order = np.argsort(values[finite])
    weight = weight[finite][order]
    place = (np.cumsum(weight) - weight / 2) / weight.sum()
    return [float(at) for at in np.interp(shares, place, values[finite][order])]


def when_crisp(ensemble: Ensemble, air: AirToCome) -> Floats:
    """When each member was or will be crisp [epoch hours], NaN if not within the air given."""
    return _lived_through([ensemble], ensemble.members, air)[0]


def _lived_through(
    ensembles: Sequence[Ensemble], made: Members, air: AirToCome
) -> tuple[Floats, Floats]:
    """When each member was or will be crisp [epoch hours], and its moisture in a day.

    Only those that are not crisp yet are followed beyond the first day.
    """
    moisture = np.concatenate([one.moisture_pct_db for one in ensembles])
    crisp = np.concatenate([one.crisp_hour for one in ensembles])
    hour = np.repeat([float(one.hour) for one in ensembles], moisture.size // len(ensembles))
    waiting, some = np.arange(moisture.size), made
    tomorrow = moisture
    for part in _days(air):
        path = _through(some, moisture, air, part, waiting)
        first = crossing(path, some.target, hour[waiting] + part.start * STEP_H, STEP_H)
        crisp[waiting] = np.where(np.isnan(crisp[waiting]), first, crisp[waiting])
        moisture = path[-1]
        if part.start == 0:
            tomorrow = moisture
        still = np.isnan(crisp[waiting])
        if not still.all():
            waiting, moisture = waiting[still], moisture[still]
            some = made.some(waiting)
        if not waiting.size:
            break
    return crisp, tomorrow


def _days(air: AirToCome) -> Iterator[slice]:
    """The steps to come, a day after another: longer parts leave the processor's cache."""
    for first in range(0, air.steps, STEPS_A_DAY):
        yield slice(first, first + STEPS_A_DAY)


def _through(
    made: Members, moisture: Floats, air: AirToCome, steps: slice, chosen: Whole
) -> Floats:
    hours = np.full((steps.stop - steps.start, 1), float(STEP_H))
    return follow(made, moisture, *air.part(steps, chosen), hours)


def _may_finish(ensembles: Sequence[Ensemble], airs: Sequence[AirToCome]) -> list[bool]:
    """Whether any member, long settled in the air to come, would be at its target there once."""
    may = [False] * len(ensembles)
    left = list(range(len(ensembles)))
    if not left:
        return may
    made, air = together([one.members for one in ensembles]), side_by_side(airs)
    chosen = np.arange(made.start.size)
    mean_c, mean_pct = np.zeros(chosen.size), np.zeros(chosen.size)
    for part in _days(air):
        temperature, humidity = air.part(part, chosen)
        mean_c += temperature.sum(axis=0) / air.steps
        mean_pct += np.clip(humidity + made.sensor_pct, 2.0, 99.5).sum(axis=0) / air.steps
    some, moisture = made, made.limits(mean_c, mean_pct)[0]
    for part in _days(air):
        path = _through(some, moisture, air, part, chosen)
        found = np.any((path <= some.target).reshape(len(path), len(left), -1), axis=(0, 2))
        for place, one in zip(left, found.tolist(), strict=True):
            may[place] = one
        keep = np.repeat(~found, chosen.size // len(left))
        left = [place for place in left if not may[place]]
        if not left:
            break
        chosen, moisture = chosen[keep], path[-1][keep]
        some = made.some(chosen)
    return may


def _humidity_needed(made: Members, batches: int, mean_c: Sequence[float]) -> list[float | None]:
    """Measured humidity at which nearly all members settle at their target [%], None if none.

    In whole percent from LEAST_PCT to MOST_PCT, by halving: the drier, the lower all settle.
    """
    temperature = np.repeat(mean_c, made.start.size // batches)
    dry, damp = np.full(batches, LEAST_PCT - 1), np.full(batches, MOST_PCT + 1)
    while (damp - dry > 1).any():
        tried = (dry + damp) // 2
        humidity = np.repeat(tried.astype(np.float64), made.start.size // batches)
        settles = made.limits(temperature, np.clip(humidity + made.sensor_pct, 2.0, 99.5))[0]
        shares = (settles <= made.target).reshape(batches, -1).mean(axis=1)
        enough = shares >= 1 - HUMIDITY_FOR
        dry, damp = np.where(enough, tried, dry), np.where(enough, damp, tried)
    return [None if one < LEAST_PCT else float(one) for one in dry.tolist()]
