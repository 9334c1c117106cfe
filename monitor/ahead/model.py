"""Learns from a space's own past how its next day departs from the simple rule.

A ridge regression for each of a few leads corrects the simple rule, for temperature and for the
logarithm of the humidity ratio. The ridge draws every correction to nothing until the past has
earned it, so the simple rule fades out by itself. Each correction is judged on days it was not
fitted to; those errors, kept as whole paths over the day, are what the bands are made of.

The features have one row a moment and one column each. Columns of the moment hold for every lead;
columns of the lead say what the usual day, yesterday and the sun do between now and then. All look
back only. The humidity ratio enters by its logarithm, so that its errors are shares of it.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.ahead.grid import (
    STEPS_PER_DAY,
    Array,
    GridAir,
    Indices,
    at,
    checked,
    damped_blend,
    held,
    mean_of,
    until,
    usual,
)
from monitor.site.time import DAY_MIN

LEADS = np.array([1, 3, 6, 9, 12, 18, 24, 36, 54, 78, 108, 144])  # [steps of 10 min]
WINDOW_DAYS = 400
LEARN_EVERY = 6  # steps between the moments learned from
RECENT_DAYS = 60
OLDER_EVERY = 5 * LEARN_EVERY  # and before that; all hours of the day come round in five days
FEWEST_MOMENTS = 24
RIDGE = 200.0
FOLDS = 5
KEPT_PATHS = 2000


class Model(NamedTuple):
    """What has been learned of one space; plain arrays, a few hundred kB.

    weights  (leads, 2, features + 1), the last feature being a constant; of scaled features
    centre   (leads, features), what a feature is less before scaling
    scale    (leads, features)
    paths    (paths, leads, 2) errors on days not fitted to, temperature [K] and scaled logarithm
    path_at  (paths,) index of the moment each path began, as minute of the day UTC
    fitted   UTC epoch minute up to which it has learned
    """

    site: Location
    fitted: int
    with_outdoors: bool
    centre: Array
    scale: Array
    weights: Array
    paths: NDArray[np.float32]
    path_at: NDArray[np.int64]


def fit(history: GridAir, now: int, site: Location) -> Model:
    """Learn from what was known at this minute; nothing later is looked at.

    history  at least one ten-minute value; up to 400 days of it are used
    now      UTC epoch minutes
    raises   ValueError naming what is not on one grid
    """
    known = until(checked(history), now)
    past = ready(known)
    count = len(known.minute)
    index = np.arange(max(0, count - WINDOW_DAYS * STEPS_PER_DAY), count, dtype=np.int64)
    back = count - 1 - index
    every = np.where(back < RECENT_DAYS * STEPS_PER_DAY, LEARN_EVERY, OLDER_EVERY)
    index = index[back % every == 0]
    index = index[np.isfinite(at(past.inside[0].values, index))]
    moment = of_moment(past, index, site)
    fold = _folds(known.minute[index])
    parts = [_fit_lead(past, index, moment, int(lead), fold, site) for lead in LEADS]
    centre, scale, weights, errors = (np.stack(part) for part in zip(*parts, strict=True))
    whole = np.isfinite(errors).all(axis=(0, 2))
    paths = errors.transpose(1, 0, 2)[whole][-KEPT_PATHS:].astype(np.float32)
    path_at = known.minute[index][whole][-KEPT_PATHS:]
    return Model(site, now, past.outside is not None, centre, scale, weights, paths, path_at)


def _folds(minute: NDArray[np.int64]) -> NDArray[np.int64]:
    """Days that are left out together: three in a row, one in a row in a short past."""
    if len(minute) == 0:
        return minute
    days = 3 if minute[-1] - minute[0] > 30 * DAY_MIN else 1
    return (minute // (DAY_MIN * days)) % FOLDS


def _fit_lead(
    past: Past, index: Indices, moment: Array, lead: int, fold: NDArray[np.int64], site: Location
) -> tuple[Array, Array, Array, Array]:
    """Centre, scale and weights of one lead, and its errors on the days left out."""
    leads = np.array([lead])
    features = np.concatenate([moment, of_leads(past, index, leads, site)[:, 0]], axis=1)
    truth = np.stack([at(one.values, index + lead) for one in past.inside], axis=1)
    missed = truth - simple_rule(past, index, leads)[:, 0]
    use = np.isfinite(missed).all(axis=1)
    centre, scale = spread(features[use])
    width = features.shape[1] + 1
    if use.sum() < FEWEST_MOMENTS:
        return centre, scale, np.zeros((2, width)), missed
    x = scaled(features, centre, scale)
    y = _tamed(missed[use])
    parts = [(x[use & (fold == k)], y[fold[use] == k]) for k in range(FOLDS)]
    # Single precision halves the time of the one costly step; the ridge keeps it harmless.
    grams = [(_single(rows).T @ _single(rows)).astype(np.float64) for rows, _ in parts]
    moments = [rows.T @ missed_rows for rows, missed_rows in parts]
    gram = np.sum(np.stack(grams), axis=0)
    mixed = np.sum(np.stack(moments), axis=0)
    guess = np.zeros_like(missed)
    for k in range(FOLDS):
        apart = fold == k
        guess[apart] = x[apart] @ _solve(gram - grams[k], mixed - moments[k])
    trust = _trust(guess[use], y)
    return centre, scale, (_solve(gram, mixed) * trust).T, missed - guess * trust


def spread(features: Array) -> tuple[Array, Array]:
    """Mean and standard deviation of each feature; of an unknown one 0 and 1."""
    known = np.isfinite(features)
    count = np.maximum(known.sum(axis=0), 1)
    filled = np.where(known, features, 0.0)
    centre = filled.sum(axis=0) / count
    square = np.where(known, features - centre, 0.0) ** 2
    deviation: Array = np.sqrt(square.sum(axis=0) / count)
    return centre, np.where(deviation > 1e-6, deviation, 1.0)


def scaled(features: Array, centre: Array, scale: Array) -> Array:
    """Features by their spread, an unknown one at its mean, with a constant at the end."""
    x = np.clip((features - centre) / scale, -5.0, 5.0)
    return np.concatenate([np.nan_to_num(x), np.ones((*x.shape[:-1], 1))], axis=-1)


def _tamed(missed: Array) -> Array:
    """Errors beyond six times the median one are faults or fronts: held to that."""
    bound = 6.0 * np.median(np.abs(missed), axis=0) + 1e-9
    tamed: Array = np.clip(missed, -bound, bound)
    return tamed


def _single(rows: Array) -> NDArray[np.float32]:
    return rows.astype(np.float32)


def _solve(gram: Array, mixed: Array) -> Array:
    """Ridge weights."""
    return np.asarray(np.linalg.solve(gram + RIDGE * np.eye(len(gram)), mixed), np.float64)


def _trust(guess: Array, truth: Array) -> Array:
    """Share of each correction that the days left out bear out, 0 to 1."""
    power = (guess**2).sum(axis=0)
    trust: Array = np.clip((guess * truth).sum(axis=0) / np.maximum(power, 1e-12), 0.0, 1.0)
    return trust


def corrections(model: Model, past: Past, index: Indices) -> Array:
    """Learned departures from the simple rule: shape (moments, leads, 2)."""
    leading = of_leads(past, index, LEADS, model.site)
    moment = of_moment(past, index, model.site)[:, None]
    moments = np.broadcast_to(moment, (*leading.shape[:2], moment.shape[-1]))
    features = scaled(np.concatenate([moments, leading], axis=2), model.centre, model.scale)
    # Laid out alike, just learned or read back: the last bit of a product depends on it.
    weights = np.ascontiguousarray(model.weights)
    answer: Array = np.einsum("mlf,lqf->mlq", features, weights)
    return answer


HOUR = STEPS_PER_DAY // 24
USUAL_DAYS = 3
LOG_SCALE = 10.0  # brings the spread of ln(humidity ratio) near that of °C


class Location(NamedTuple):
    """Where the spaces stand.

    latitude, longitude  [°], north and east positive
    pressure_pa          of the air there [Pa]
    """

    latitude: float
    longitude: float
    pressure_pa: float = 101_325.0


class Signal(NamedTuple):
    """One quantity in the forms the features use, each a day longer than the history."""

    values: Array  # gaps of up to an hour held
    usual_day: Array
    departure: Array  # values less the usual day


def signal(values: Array) -> Signal:
    """Ready a quantity; the usual day is known a day further than the quantity itself."""
    longer = np.concatenate([held(values), np.full(STEPS_PER_DAY, np.nan)])
    usual_day = usual(longer, np.arange(len(longer)), USUAL_DAYS)
    return Signal(longer, usual_day, longer - usual_day)


class Past(NamedTuple):
    """A history made ready: temperature and scaled logarithm of the humidity ratio."""

    minute: Array  # a day longer than the history, as the signals are
    inside: tuple[Signal, Signal]
    outside: tuple[Signal, Signal] | None


def ready(history: GridAir) -> Past:
    """Make a history ready for features and for the simple rule."""
    last = history.minute[-1]
    further = last + 10 * np.arange(1, STEPS_PER_DAY + 1)
    minute = np.concatenate([history.minute, further]).astype(np.float64)
    inside = signal(history.temperature_c), signal(_log(history.humidity_ratio_g_kg))
    if history.outdoor_temperature_c is None or history.outdoor_humidity_ratio_g_kg is None:
        return Past(minute, inside, None)
    outside = (
        signal(history.outdoor_temperature_c),
        signal(_log(history.outdoor_humidity_ratio_g_kg)),
    )
    return Past(minute, inside, outside)


def _log(humidity_ratio_g_kg: Array) -> Array:
    return LOG_SCALE * np.log(np.maximum(humidity_ratio_g_kg, 0.01))


def simple_rule(past: Past, index: Indices, leads: Indices) -> Array:
    """What a space without a past of its own would be told: (moments, leads, 2).

    Temperature by the damped blend. Scaled log humidity ratio as it is now: air masses change it,
    not the hour, and on airport records of a year nothing simple does better.
    """
    temperature, water = past.inside
    now = index[:, None]
    blend = damped_blend(temperature.values, temperature.usual_day, now, leads)
    return np.stack(np.broadcast_arrays(blend, at(water.values, now)), axis=-1)


def sun_height(minute: Array, site: Location) -> tuple[Array, Array, Array]:
    """Sine of the sun's elevation, its hour angle [rad] and its declination [rad].

    minute  UTC epoch minutes

    Declination after Cooper 1969 (from memory), without the equation of time: within 1° of the
    ephemerides in declination and 4° in hour angle, which is plenty for a feature.
    """
    declination = np.radians(-23.45) * np.cos(2 * np.pi * (minute / DAY_MIN - 18_617.0) / 365.2425)
    hour_angle = 2 * np.pi * ((minute + 4.0 * site.longitude) % DAY_MIN) / DAY_MIN - np.pi
    latitude = np.radians(site.latitude)
    height = np.sin(latitude) * np.sin(declination)
    height += np.cos(latitude) * np.cos(declination) * np.cos(hour_angle)
    return height, hour_angle, declination


def of_moment(past: Past, index: Indices, site: Location) -> Array:
    """Features that hold for every lead: shape (moments, features)."""
    temperature, water = past.inside
    _, angle, declination = sun_height(at(past.minute, index), site)
    waves = [wave(k * angle) for k in (1, 2, 3) for wave in (np.sin, np.cos)]
    daily = waves[:4]
    season = np.sin(declination)
    now = at(temperature.values, index)
    departed = _departures(temperature, index, (0, 3, 6, 12, 18, 36, 72))
    damp = _departures(water, index, (0, 6, 18, 36))
    day = at(temperature.values, index - np.arange(0, STEPS_PER_DAY, HOUR)[:, None])
    mean = mean_of(day)
    swing = mean_of(np.abs(day - mean))  # a small one tells of cloud
    slope = now - at(temperature.values, index - 3 * HOUR)
    closeness = at(water.values, index) - 0.65 * now  # saturation grows some 6.5 % a kelvin
    lead_in = at(temperature.values, index - STEPS_PER_DAY) - at(temperature.usual_day, index)
    columns = [*departed, *damp, *waves, now, now - mean, swing, slope, closeness, lead_in, season]
    crossed = [departed[0], departed[2], departed[4], damp[0], closeness, swing, slope, now - mean]
    if past.outside is not None:
        air, vapour = past.outside
        outdoors = _departures(air, index, (0, 6, 18))
        wet = _departures(vapour, index, (0, 18))
        difference = at(air.values, index) - now
        wetter = at(vapour.values, index) - at(water.values, index)
        columns += [*outdoors, *wet, difference, wetter]
        crossed += [outdoors[0], outdoors[2], difference]
    columns += [column * wave for column in crossed for wave in daily]
    columns += [season * wave for wave in daily]
    return np.stack(columns, axis=1)


def _departures(one: Signal, index: Indices, lags: tuple[int, ...]) -> list[Array]:
    """The departure now, and by how much it was another at each lag."""
    present = at(one.departure, index)
    return [present, *(at(one.departure, index - lag) - present for lag in lags[1:])]


def of_leads(past: Past, index: Indices, leads: Indices, site: Location) -> Array:
    """Features of what comes between now and then: shape (moments, leads, features)."""
    now = index[:, None]
    later = now + leads
    height_now, _, _ = sun_height(at(past.minute, now), site)
    height_then, _, _ = sun_height(at(past.minute, now) + 10.0 * leads, site)
    columns = [np.maximum(height_then, 0.0) - np.maximum(height_now, 0.0)]
    for one in past.inside + (past.outside or ()):
        columns += [
            at(one.usual_day, later) - at(one.usual_day, now),
            at(one.values, later - STEPS_PER_DAY) - at(one.usual_day, later),
        ]
    for days in (7, 14):
        temperature = past.inside[0]
        longer_then = usual(temperature.values, later, days) - at(temperature.usual_day, later)
        longer_now = usual(temperature.values, now, days) - at(temperature.usual_day, now)
        columns += [longer_then - longer_now, np.broadcast_to(longer_now, later.shape)]
    return np.stack(columns, axis=-1)
