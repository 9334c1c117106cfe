"""How much water each batch still holds: an ensemble stepped through the air it really hung in.

Everything is a function of what is given: the batch, the hours of air, the weighings and snap
tests, whatever their order of arrival. Nothing is drawn that the batch's own name does not fix.
"""

from __future__ import annotations

from collections.abc import Generator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from monitor.drying.hours import HourlyAir
from monitor.drying.members import Hung, Members, Prior, draw, members, seed
from monitor.science import drying
from monitor.site.time import DAY_MIN

Floats = NDArray[np.float64]

# How a kitchen scale and a tagged bunch go astray: our own choice.
SCALE_SHARE, SCALE_GRAMS = 0.003, 0.5
HANGING_SHARE, HANGING_GRAMS = 0.01, 2.0
HANGING_DRIFT = 0.01  # of the mass, after a day; it wanders on as a random walk
BUNCH_SPREAD = 0.05  # of ln rate, between the tagged bunch and its batch
FORM_SHARE = 0.02  # how far the curve itself is off, of the moisture
TAIL = 4.0  # degrees of freedom of Student's t: a knocked scale is not believed

SNAP_SPREAD = 0.10  # of ln moisture about the target within which a stem may snap or bend
SNAP_SLIP = 0.05  # chance that a test says nothing of the moisture

FORGETFUL, TAKEN_DOWN_WITHIN_DAYS = 0.25, 4.0

_TEMPERING = (28 / 3, 7.0, 4.0, 2.0)  # their reciprocals sum to 1
_CHUNK_H = 168


@dataclass(frozen=True)
class Weighing:
    """Mass of the tagged bunch [g] at a minute.

    scale  0: put on a scale by hand; from 1 on: one that stays under load, another number after
           each knock. Only ratios of one scale's weighings count.
    """

    minute: int
    grams: float
    scale: int = 0


@dataclass(frozen=True)
class SnapTest:
    """A stem bent at a minute: it snapped, or it only bent."""

    minute: int
    snapped: bool


@dataclass(frozen=True)
class Ensemble:
    """A batch as a few hundred plausible ones, stepped up to the end of hour `hour` - 1.

    points           in standard units, shape (members, COORDINATES)
    pace             how much faster than the tagged bunch the batch dries [-], shape (members,)
    moisture_pct_db  [% dry basis], shape (members,)
    crisp_hour       epoch hours at which it first was at its target, NaN if not yet
    opening_c_h      warmth above the flower's opening threshold so far, counted by how moist the
                     middle member was [°C·h]; 0 for a flower whose heads do not open further
    """

    hung: Hung
    points: Floats
    pace: Floats
    moisture_pct_db: Floats
    crisp_hour: Floats
    opening_c_h: float
    hour: int

    @property
    def members(self) -> Members:
        made = members(self.points, self.hung)
        return replace(made, rate=made.rate * self.pace)


def begin(hung: Hung, prior: Prior) -> Ensemble:
    """The batch at the moment it is hung."""
    return _at_start(hung, draw(prior, hung), None)


def step(ensemble: Ensemble, air: HourlyAir) -> Ensemble:
    """The batch after the hours of `air` that follow its own; earlier hours are not looked at."""
    ahead = air.since(ensemble.hour)
    made = ensemble.members
    moisture, crisp, hour = ensemble.moisture_pct_db, ensemble.crisp_hour, ensemble.hour
    opening = ensemble.opening_c_h
    for first in range(0, len(ahead), _CHUNK_H):
        part = ahead.part(first, first + _CHUNK_H)
        path = trace(made, moisture, part, ensemble.hung)
        crisp = np.where(np.isnan(crisp), crossing(path, made.target, hour), crisp)
        opening = _opened(opening, ensemble.hung, made, path, part)
        # A copy: a part of the path would keep all of it in memory.
        moisture, hour = path[-1].copy(), hour + len(part)
    return replace(
        ensemble, moisture_pct_db=moisture, crisp_hour=crisp, opening_c_h=opening, hour=hour
    )


def _opened(so_far: float, hung: Hung, made: Members, path: Floats, air: HourlyAir) -> float:
    """The opening load after these hours [°C·h], added up hour by hour whatever the slices."""
    above = hung.flower.opening_above_c
    if above is None:
        return so_far
    warmth = np.nan_to_num(air.temperature_c, nan=above) - above
    for i in np.flatnonzero(warmth > 0):
        moist = float(np.median(made.still_to_lose(path[i]))) / 100
        so_far += float(warmth[i]) * moist
    return so_far


def recompute(
    hung: Hung,
    prior: Prior,
    air: HourlyAir,
    weighings: Sequence[Weighing] = (),
    snap_tests: Sequence[SnapTest] = (),
) -> Ensemble:
    """The batch at the end of `air`, from when it was hung and all that is known of it since."""
    pieces = recomputing(hung, prior, air, weighings, snap_tests)
    while True:
        try:
            next(pieces)
        except StopIteration as done:
            made: Ensemble = done.value
            return made


def recomputing(
    hung: Hung,
    prior: Prior,
    air: HourlyAir,
    weighings: Sequence[Weighing] = (),
    snap_tests: Sequence[SnapTest] = (),
) -> Generator[None, None, Ensemble]:
    """The same in pieces, each once through the air."""
    points = draw(prior, hung)
    weighed = sorted(set(weighings), key=lambda one: (one.minute, one.scale, one.grams))
    told = len(weighed) > len({one.scale for one in weighed})
    if told:
        points = yield from _weighed(hung, points, air, weighed)
    if snap_tests:
        tests = sorted(set(snap_tests), key=lambda one: (one.minute, one.snapped))
        points = _bent(hung, points, air, tests)
        yield
    return step(_at_start(hung, points, told), air)


def _at_start(hung: Hung, points: Floats, weighed: bool | None) -> Ensemble:
    count = points.shape[0]
    rng = np.random.default_rng([seed(hung), 1])
    return Ensemble(
        hung=hung,
        points=points,
        pace=np.exp(BUNCH_SPREAD * rng.standard_normal(count)) if weighed else np.ones(count),
        moisture_pct_db=members(points, hung).start,
        crisp_hour=np.full(count, np.nan),
        opening_c_h=0.0,
        hour=hung.hour,
    )


def elsewhere(ensemble: Ensemble, air: HourlyAir) -> Ensemble:
    """The same batch, hung at the same time in another space's air."""
    weighed = bool((ensemble.pace != 1).any())
    return step(_at_start(ensemble.hung, ensemble.points, weighed), air)


# Stepping ---------------------------------------------------------------------------------


def trace(made: Members, moisture: Floats, air: HourlyAir, hung: Hung | None = None) -> Floats:
    """Moisture at the start and after each hour of `air`, shape (hours + 1, members).

    The first hour counts from the minute the batch was hung. Air that was never known leaves
    the moisture as it is.
    """
    hours = np.ones(len(air))
    if hung is not None and len(air) and air.hour[0] == hung.hour:
        hours[0] = 1 - hung.minute % 60 / 60
    return follow(made, moisture, air.temperature_c[:, None], air.humidity_pct[:, None], hours)


def follow(
    made: Members, moisture: Floats, temperature: Floats, humidity: Floats, hours: Floats
) -> Floats:
    """Moisture at the start and after each step, shape (steps + 1, members).

    temperature, humidity  measured air of each step [°C], [%], shape (steps, 1 or members)
    hours                  length of each step [h], shape (steps,)
    """
    true_humidity = np.clip(humidity + made.sensor_pct, 2.0, 99.5)
    settles, takes = made.limits(temperature, true_humidity)
    advance = made.rate * made.pull(temperature, true_humidity) * hours[:, None]
    regain = made.rate * drying.rate_factor(temperature, 100 - true_humidity) * hours[:, None]
    path = np.empty((hours.size + 1, made.start.size))
    path[0] = moisture
    for i in range(hours.size):
        now, after = path[i], path[i + 1]
        after[:] = now
        if (loses := now > settles[i]).any():
            nearest = np.maximum(now, settles[i] + 1e-9)
            fallen = drying.page_step(nearest, made.start, settles[i], advance[i], made.shape, 1.0)
            np.copyto(after, fallen, where=loses)
        if (gains := now < takes[i]).any():
            np.copyto(after, drying.lewis_step(now, takes[i], regain[i], 1.0), where=gains)
    return path


def crossing(path: Floats, target: Floats, first_hour: float, step_h: float = 1.0) -> Floats:
    """When each member is first at or below its target [epoch hours], NaN if it is not.

    path  shape (steps + 1, members), the first row at first_hour
    """
    below = path <= target
    found = below.any(axis=0)
    at = below.argmax(axis=0)
    column = np.arange(target.size)
    after, before = path[at, column], path[np.maximum(at - 1, 0), column]
    with np.errstate(invalid="ignore", divide="ignore"):
        part = np.where(at > 0, (before - target) / (before - after), 0.0)
    return np.where(found, first_hour + step_h * (np.maximum(at - 1, 0) + part), np.nan)


def _moisture_at(hung: Hung, points: Floats, air: HourlyAir, minutes: Sequence[int]) -> Floats:
    """Moisture of the tagged bunch at each minute, shape (minutes, members)."""
    made = members(points, hung)
    last = max(minutes) // 60 + 1
    path = trace(made, made.start, air.since(hung.hour).before(last), hung)
    place = np.clip(np.array(minutes) / 60 - hung.hour, 0, path.shape[0] - 1)
    below = np.minimum(place.astype(np.int64), max(path.shape[0] - 2, 0))
    above = np.minimum(below + 1, path.shape[0] - 1)
    part = (place - below)[:, None]
    return np.asarray(path[below] * (1 - part) + path[above] * part)


# Learning from the scale ------------------------------------------------------------------


def _weighed(
    hung: Hung, points: Floats, air: HourlyAir, weighed: list[Weighing]
) -> Generator[None, None, Floats]:
    """The points moved to where the weighings put them.

    Ensemble smoother with multiple data assimilation, Emerick and Reynolds 2013, Computers &
    Geosciences 55, 3-15, doi:10.1016/j.cageo.2012.03.011: all weighings at once, in a few
    tempered steps, which keeps the members apart. Only ratios to the first weighing on the same
    scale count, so neither the dry mass of the bunch nor a tare need be known. A weighing far
    from what the members say gets the weight Student's t gives it.
    """
    rng = np.random.default_rng([seed(hung), 2])
    grams = np.array([one.grams for one in weighed])
    hanging = np.array([one.scale > 0 for one in weighed])
    first = {one.scale: place for place, one in reversed(list(enumerate(weighed)))}
    since = np.array([first[one.scale] for one in weighed])
    later = np.flatnonzero(since != np.arange(grams.size))
    since = since[later]
    together = since[:, None] == since
    scale = np.where(
        hanging,
        HANGING_SHARE + HANGING_GRAMS / grams,
        SCALE_SHARE + SCALE_GRAMS / grams,
    )
    told = np.log(grams[later] / grams[since])
    minutes = [one.minute for one in weighed]
    minute = np.array(minutes)
    days = np.where(hanging[later], minute[later] - minute[since], 0) / DAY_MIN
    drift = np.where(together, HANGING_DRIFT**2 * np.minimum.outer(days, days), 0.0)
    for temper in _TEMPERING:
        water = _moisture_at(hung, points, air, minutes)
        logs = np.log1p(water / 100)
        said = logs[later] - logs[since]
        middle = np.median(water, axis=1)
        error = scale**2 + (FORM_SHARE * middle / (100 + middle)) ** 2
        spread = said - said.mean(axis=1, keepdims=True)
        gap = told - np.median(said, axis=1)
        width = error[later] + error[since] + drift.diagonal() + said.var(axis=1)
        strange = gap**2 / width
        doubt = np.maximum((TAIL + strange) / (TAIL + 1), 1.0)
        noise = np.diag(error[later] * doubt) + np.where(together, error[since], 0.0) + drift
        count = points.shape[0]
        off = points - points.mean(axis=0)
        both = off.T @ spread.T / (count - 1)
        seen = spread @ spread.T / (count - 1) + temper * noise
        shaken = np.linalg.cholesky(temper * noise) @ _balanced(rng, told.size, count)
        points = points + (both @ np.linalg.solve(seen, told[:, None] + shaken - said)).T
        yield
    return points


def _balanced(rng: np.random.Generator, rows: int, count: int) -> Floats:
    """Normal noise whose rows have mean 0, so that shaking moves no average."""
    noise = rng.standard_normal((rows, count))
    return np.asarray(noise - noise.mean(axis=1, keepdims=True))


def _bent(hung: Hung, points: Floats, air: HourlyAir, tests: list[SnapTest]) -> Floats:
    """The points drawn again by how well they agree with the snap tests.

    Resampling with shrunken jitter keeps mean and spread (Liu and West 2001, in: Sequential Monte
    Carlo Methods in Practice, Springer).
    """
    made = members(points, hung)
    water = _moisture_at(hung, points, air, [test.minute for test in tests])
    log_weight = np.zeros(points.shape[0])
    for row, test in zip(water, tests, strict=True):
        log_weight += np.log(chance_of_snapping(row, made.target, test.snapped))
    return _drawn_again(points, log_weight, np.random.default_rng([seed(hung), 3]))


def still_hanging(waited_h: Floats) -> Floats:
    """Chance that a batch still hangs so many hours after it was crisp [-]: our own choice.

    Who looks in takes it down within days; some forget. NaN (not crisp yet) is 1.
    """
    waited = np.maximum(np.nan_to_num(waited_h, nan=0.0), 0.0)
    return np.asarray(FORGETFUL + (1 - FORGETFUL) * np.exp(-waited / 24 / TAKEN_DOWN_WITHIN_DAYS))


def chance_of_snapping(moisture: Floats, target: Floats, snapped: bool) -> Floats:
    """Chance that a stem of that moisture snaps (or only bends) [-]: our own choice."""
    snaps = 1 / (1 + np.exp(np.clip(1.7 * np.log(moisture / target) / SNAP_SPREAD, -50, 50)))
    fair = snaps if snapped else 1 - snaps
    return np.asarray(SNAP_SLIP / 2 + (1 - SNAP_SLIP) * fair)


def _drawn_again(points: Floats, log_weight: Floats, rng: np.random.Generator) -> Floats:
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    count = weight.size
    chosen = np.searchsorted(np.cumsum(weight), (np.arange(count) + 0.5) / count)
    chosen = np.minimum(chosen, count - 1)
    mean = weight @ points
    off = points - mean
    covariance = (off * weight[:, None]).T @ off
    keep = 0.97
    jitter = rng.multivariate_normal(
        np.zeros(mean.size), (1 - keep**2) * covariance, count, method="eigh"
    )
    return np.asarray(mean + keep * (points[chosen] - mean) + jitter)
