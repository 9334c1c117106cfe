"""How much water each batch still holds: an ensemble stepped through the air it really hung in.

Everything is a function of what is given: the batch, the hours of air, the weighings and snap
tests, whatever their order of arrival. Nothing is drawn that the batch's own name does not fix.
"""

from __future__ import annotations

from collections.abc import Generator, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from monitor.drying.hours import HourlyAir
from monitor.drying.members import Hung, Members, Prior, draw, members, seed, together
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
_CHUNK = 168 * 300  # steps times members held at once

T = TypeVar("T")
Pieces = Generator[None, None, T]
"""Long work: a piece until each yield, and what it comes to."""


@dataclass(frozen=True)
class BunchMass:
    """Mass of the tagged bunch [g] at a minute.

    scale  0: put on a scale by hand; from 1 on: one that stays under load, another number after
           each knock. Only ratios of one scale's weighings count.
    """

    minute: int
    grams: float
    scale: int = 0


@dataclass(frozen=True)
class BentStem:
    """A stem bent at a minute: it snapped, or it only bent."""

    minute: int
    snapped: bool


@dataclass(frozen=True)
class Ensemble:
    """A batch as a few hundred plausible ones, stepped up to the end of hour `hour` - 1.

    points           in standard units, shape (members, COORDINATES)
    members          what the points mean for the whole batch
    weighed          whether weighings of a tagged bunch have moved the points
    moisture_pct_db  [% dry basis], shape (members,)
    crisp_hour       epoch hours at which it first was at its target, NaN if not yet
    opening_c_h      warmth above the flower's opening threshold so far, counted by how moist the
                     middle member was [°C·h]; 0 for a flower whose heads do not open further
    """

    hung: Hung
    points: Floats
    members: Members
    weighed: bool
    moisture_pct_db: Floats
    crisp_hour: Floats
    opening_c_h: float
    hour: int


def begin(hung: Hung, prior: Prior) -> Ensemble:
    """The batch at the moment it is hung."""
    return _at_start(hung, draw(prior, hung), weighed=False)


def step(ensemble: Ensemble, air: HourlyAir) -> Ensemble:
    """The batch after the hours of `air` that follow its own; earlier hours are not looked at."""
    return step_each([ensemble], [air])[0]


def step_each(ensembles: Sequence[Ensemble], airs: Sequence[HourlyAir]) -> list[Ensemble]:
    """Each batch after the hours of its air; those with as many to go are stepped as one."""
    ahead = [air.since(one.hour) for one, air in zip(ensembles, airs, strict=True)]
    alike: dict[tuple[int, bool], list[int]] = {}
    for place, (one, air) in enumerate(zip(ensembles, ahead, strict=True)):
        alike.setdefault((len(air), one.members.gab is None), []).append(place)
    stepped = list(ensembles)
    for places in alike.values():
        several = _stepped([ensembles[i] for i in places], [ahead[i] for i in places])
        for place, one in zip(places, several, strict=True):
            stepped[place] = one
    return stepped


def _stepped(ensembles: Sequence[Ensemble], airs: Sequence[HourlyAir]) -> list[Ensemble]:
    """The same for airs of one length, whose first hours follow the ensembles' own."""
    made = together([one.members for one in ensembles])
    moisture = np.concatenate([one.moisture_pct_db for one in ensembles])
    crisp = np.concatenate([one.crisp_hour for one in ensembles])
    opening = [one.opening_c_h for one in ensembles]
    each = max(_CHUNK // moisture.size, 1)
    for first in range(0, len(airs[0]), each):
        parts = [air.part(first, first + each) for air in airs]
        path = trace(made, moisture, parts, [one.hung for one in ensembles])
        begins = np.repeat([float(part.hour[0]) for part in parts], made.start.size // len(parts))
        crisp = np.where(np.isnan(crisp), crossing(path, made.target, begins), crisp)
        for i, (one, own) in enumerate(zip(ensembles, each_own(path, len(parts)), strict=True)):
            opening[i] = _opened(opening[i], one, own, parts[i])
        moisture = path[-1]
    owns = each_own(np.stack([moisture, crisp]), len(ensembles))
    return [
        replace(
            one,
            moisture_pct_db=own[0].copy(),
            crisp_hour=own[1].copy(),
            opening_c_h=load,
            hour=one.hour + len(airs[0]),
        )
        for one, own, load in zip(ensembles, owns, opening, strict=True)
    ]


def each_own(values: Floats, batches: int) -> list[Floats]:
    """What belongs to each of so many batches that were taken as one (last axis)."""
    return np.split(values, batches, axis=-1)


def _opened(so_far: float, ensemble: Ensemble, path: Floats, air: HourlyAir) -> float:
    """The opening load after these hours [°C·h], added up hour by hour whatever the slices."""
    above = ensemble.hung.flower.opening_above_c
    if above is None:
        return so_far
    warmth = np.nan_to_num(air.temperature_c, nan=above) - above
    warm = np.flatnonzero(warmth > 0)
    if warm.size:
        moist = np.median(ensemble.members.still_to_lose(path[warm]), axis=1) / 100
        for load in warmth[warm] * moist:
            so_far += float(load)
    return so_far


def recompute(
    hung: Hung,
    prior: Prior,
    air: HourlyAir,
    weighings: Sequence[BunchMass] = (),
    snap_tests: Sequence[BentStem] = (),
) -> Pieces[Ensemble]:
    """The batch at the end of `air`, from when it was hung and all that is known of it since.

    In pieces, each once through the air.
    """
    points = draw(prior, hung)
    weighed = sorted(set(weighings), key=lambda one: (one.minute, one.scale, one.grams))
    told = len(weighed) > len({one.scale for one in weighed})
    if told:
        points = yield from _weighed(hung, points, air, weighed)
    if snap_tests:
        tests = sorted(set(snap_tests), key=lambda one: (one.minute, one.snapped))
        points = _bent(hung, points, air, tests)
        yield
    return step(_at_start(hung, points, weighed=told), air)


def whole(pieces: Pieces[T]) -> T:
    """What long work comes to, all pieces at once."""
    while True:
        try:
            next(pieces)
        except StopIteration as done:
            made: T = done.value
            return made


def _at_start(hung: Hung, points: Floats, *, weighed: bool) -> Ensemble:
    count = points.shape[0]
    rng = np.random.default_rng([seed(hung), 1])
    made = members(points, hung)
    if weighed:  # so much faster than the tagged bunch its batch dries
        made = replace(made, rate=made.rate * np.exp(BUNCH_SPREAD * rng.standard_normal(count)))
    return Ensemble(
        hung=hung,
        points=points,
        members=made,
        weighed=weighed,
        moisture_pct_db=made.start,
        crisp_hour=np.full(count, np.nan),
        opening_c_h=0.0,
        hour=hung.hour,
    )


def at_hanging(ensemble: Ensemble) -> Ensemble:
    """The same batch at the moment it was hung."""
    return _at_start(ensemble.hung, ensemble.points, weighed=ensemble.weighed)


def trace(
    made: Members, moisture: Floats, airs: Sequence[HourlyAir], hung: Sequence[Hung]
) -> Floats:
    """Moisture at the start and after each hour of air, shape (hours + 1, members).

    airs, hung  of each of several batches with as many members, as many hours of each

    The first hour counts from the minute a batch was hung. Air that was never known leaves the
    moisture as it is.
    """
    hours = np.ones((len(airs[0]), len(airs)))
    for i, (air, one) in enumerate(zip(airs, hung, strict=True)):
        if len(air) and air.hour[0] == one.hour:
            hours[0, i] = 1 - one.minute % 60 / 60
    each = moisture.size // len(airs)
    temperature, humidity, lasted = (
        np.repeat(one, each, axis=1) if len(airs) > 1 else one
        for one in (
            np.stack([air.temperature_c for air in airs], axis=1),
            np.stack([air.humidity_pct for air in airs], axis=1),
            hours,
        )
    )
    return follow(made, moisture, temperature, humidity, lasted)


def follow(
    made: Members, moisture: Floats, temperature: Floats, humidity: Floats, hours: Floats
) -> Floats:
    """Moisture at the start and after each step, shape (steps + 1, members).

    temperature, humidity  measured air of each step [°C], [%], shape (steps, 1 or members)
    hours                  length of each step [h], shape (steps, 1 or members)
    """
    true_humidity = np.clip(humidity + made.sensor_pct, 2.0, 99.5)
    settles, takes = made.limits(temperature, true_humidity)
    advance = made.rate * made.pull(temperature, true_humidity) * hours
    regain = made.rate * drying.rate_factor(temperature, 100 - true_humidity) * hours
    path = np.empty((len(hours) + 1, made.start.size))
    path[0] = moisture
    for i in range(len(hours)):
        now, after = path[i], path[i + 1]
        after[:] = now
        if (loses := now > settles[i]).any():
            nearest = np.maximum(now, settles[i] + 1e-9)
            fallen = drying.page_step(nearest, made.start, settles[i], advance[i], made.shape, 1.0)
            np.copyto(after, fallen, where=loses)
        if (gains := now < takes[i]).any():
            np.copyto(after, drying.lewis_step(now, takes[i], regain[i], 1.0), where=gains)
    return path


def crossing(
    path: Floats, target: Floats, first_hour: float | Floats, step_h: float = 1.0
) -> Floats:
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
    path = trace(made, made.start, [air.since(hung.hour).before(last)], [hung])
    place = np.clip(np.array(minutes) / 60 - hung.hour, 0, path.shape[0] - 1)
    below = np.minimum(place.astype(np.int64), max(path.shape[0] - 2, 0))
    above = np.minimum(below + 1, path.shape[0] - 1)
    part = (place - below)[:, None]
    return np.asarray(path[below] * (1 - part) + path[above] * part)


# Learning from the scale ------------------------------------------------------------------


def _weighed(
    hung: Hung, points: Floats, air: HourlyAir, weighed: list[BunchMass]
) -> Pieces[Floats]:
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


def _bent(hung: Hung, points: Floats, air: HourlyAir, tests: list[BentStem]) -> Floats:
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
