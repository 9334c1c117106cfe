"""How far a forecast of others is to be trusted, and what it changes in the hours ahead.

What was said is held against what came, by how many hours ahead it was said. So a forecast counts
for nothing until it has been right for a while, and one that errs by a constant is put right. Its
error and the monitor's own are taken as independent; the two are weighed by their variances.

What a forecast of cloud changes is learned from where the hours ahead were wrong. A roof or a
window lets the sun into a room, and how much is known of no room beforehand. So what was foreseen
six hours ahead is held against what came, beside how much more sun than in the last days was
foretold for those hours. Where the two go together, the next hours are moved by as much; where they
do not, or the forecast of cloud is poor, nothing moves.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.ahead.courses import NextDay, saturated
from monitor.ahead.grid import STEP_MIN, Array, GridAir
from monitor.ahead.model import LOG_SCALE, Location, signal, sun_height
from monitor.ahead.sensors_apart import ratios
from monitor.intake.published import ForecastHour
from monitor.site.time import DAY_MIN

LEADS_H = (3, 6, 12, 24)
# Until it has proved better: off by so much [K], and LOG_SCALE × a share of the humidity ratio,
# as if that had been seen so many times. What was long ago fades. Our own choice.
UNPROVED = (6.0, 4.0)
UNPROVED_TIMES = 12.0
FADES = 0.985
# ForecastHour longer ago than this it is stale [min]; beyond its last hour it fades within [min].
STALE_MIN = DAY_MIN
REACHES_MIN = 180
# Between two hours that were said, as far apart as this, it is drawn straight [min].
_APART_MIN = 360


class Proof(NamedTuple):
    """Errors seen at one lead, of one quantity: faded count, sum, and sum of squares."""

    times: float = 0.0
    errors: float = 0.0
    squares: float = 0.0

    def seen(self, error: float) -> Proof:
        """After one more."""
        return Proof(
            FADES * self.times + 1, FADES * self.errors + error, FADES * self.squares + error**2
        )

    def bias_and_variance(self, unproved: float) -> tuple[float, float]:
        """What it is off by in the mean, and the variance about that."""
        times = self.times + UNPROVED_TIMES
        bias = self.errors / times
        mean_square = (self.squares + UNPROVED_TIMES * unproved**2) / times
        return bias, max(mean_square - bias**2, 1e-6)


class Shift(NamedTuple):
    """What a forecast moves in the hours ahead: by how much, and its weight, 0 to 1.

    by, weight  (steps, 2): temperature [K] and scaled logarithm of the humidity ratio
    """

    by: Array
    weight: Array


class Forecast:
    """The newest forecast, and how its past ones fared.

    clouds  what it tells of cloud, and what that does to each space
    fact    as it was kept; None: nothing yet
    """

    def __init__(self, site: Location, fact: str | None = None) -> None:
        self._pressure_pa = site.pressure_pa
        kept = json.loads(fact) if fact else {}
        self._said = {s[0]: (ForecastHour(*s[:-1]), s[-1]) for s in kept.get("said", [])}
        self._awaited: list[tuple[int, int, list[float | None]]] = [
            (valid, lead, values) for valid, lead, values in kept.get("awaited", [])
        ]
        proofs = kept.get("proofs", [[[0.0] * 3] * 2] * len(LEADS_H))
        self._proofs = [[Proof(*of) for of in of_lead] for of_lead in proofs]
        self.clouds = Clouds(site, kept.get("clouds"))

    @property
    def fact(self) -> str:
        """All of it, to be kept."""
        said = [[*one, made] for one, made in self._said.values()]
        kept = {
            "said": said,
            "awaited": self._awaited,
            "proofs": self._proofs,
            "clouds": self.clouds.fact,
        }
        return json.dumps(kept, separators=(",", ":"))

    def take(self, said: Iterable[ForecastHour], now: int) -> None:
        """A forecast has come. now: UTC epoch minutes."""
        self._said.update({one.valid: (one, now) for one in said})

    def hold_against(self, now: int, outdoors: GridAir) -> None:
        """At a full hour: what was said of it against what came, and what is said of hours to come
        is kept for then."""
        came = self._values(
            float(outdoors.temperature_c[-1]), float(outdoors.humidity_ratio_g_kg[-1])
        )
        for valid, lead, values in self._awaited:
            if valid == now:
                of_lead = self._proofs[LEADS_H.index(lead)]
                for i, (told, true) in enumerate(zip(values, came, strict=True)):
                    if told is not None and np.isfinite(true):
                        of_lead[i] = of_lead[i].seen(told - true)
        self._awaited = [one for one in self._awaited if one[0] > now]
        self._said = {
            valid: (one, made)
            for valid, (one, made) in self._said.items()
            if valid > now - _APART_MIN and made > now - STALE_MIN
        }
        cloud_pct = self.cloud_pct(now, np.array([now]))[0]
        if np.isfinite(cloud_pct):
            self.clouds.note(now, float(cloud_pct))
        minute, knots = self._knots(now - _APART_MIN)
        for lead in LEADS_H:
            valid = now + 60 * lead
            drawn = [_drawn(valid, minute, knots[:, i]) for i in (0, 1)]
            if any(one is not None for one in drawn):
                self._awaited.append((valid, lead, drawn))

    def _values(self, temperature_c: float, ratio_g_kg: float) -> tuple[float, float]:
        return temperature_c, LOG_SCALE * float(np.log(max(ratio_g_kg, 0.01)))

    def _knots(self, after: int) -> tuple[Array, Array]:
        """Minutes of what was said, rising, and its two values; NaN where not said."""
        said = [one for valid, (one, _) in sorted(self._said.items()) if valid > after]
        values = np.full((len(said), 2), np.nan)
        for row, one in zip(values, said, strict=True):
            if one.temperature_c is not None:
                row[0] = one.temperature_c
                if one.humidity_pct is not None:
                    t, rh = np.array(one.temperature_c), np.array(max(1.0, one.humidity_pct))
                    ratio = float(ratios(t, np.minimum(rh, 100.0), self._pressure_pa))
                    row[1] = self._values(0.0, ratio)[1]
        return np.array([one.valid for one in said], dtype=np.float64), values

    def cloud_pct(self, now: int, minutes: NDArray[np.int64]) -> Array:
        """The cloud foretold for these minutes [%]; NaN where nothing fresh was."""
        fresh = sorted(
            (valid, one.cloud_pct)
            for valid, (one, made) in self._said.items()
            if one.cloud_pct is not None and now - made < STALE_MIN
        )
        answer = np.full(minutes.size, np.nan)
        if fresh:
            valid, cloud = np.array(fresh).T
            right = np.clip(np.searchsorted(valid, minutes), 0, valid.size - 1)
            left = np.maximum(right - (valid[right] != minutes), 0)
            near = (valid[left] <= minutes) & (minutes <= valid[right])
            near &= valid[right] - valid[left] <= _APART_MIN
            answer[near] = np.interp(minutes, valid, cloud)[near]
        return answer

    def shift(self, own: NextDay) -> Shift | None:
        """What it moves in the hours ahead outdoors; None: nothing fresh was said of them."""
        minute, said = self._knots(own.asked)
        fresh = np.array(
            [own.asked - self._said[int(m)][1] < STALE_MIN for m in minute], dtype=bool
        )
        part = fresh & (minute <= own.minute[-1])
        if not part.any():
            return None
        by, weight = np.zeros((own.minute.size, 2)), np.zeros((own.minute.size, 2))
        courses = (
            own.courses("temperature_c"),
            LOG_SCALE * np.log(own.courses("humidity_ratio_g_kg")),
        )
        for i, course in enumerate(courses):
            known = part & np.isfinite(said[:, i])
            if known.any():
                by[:, i], weight[:, i] = self._weighed(
                    i, own, course, minute[known], said[known, i]
                )
        return Shift(by, weight)

    def _weighed(
        self, i: int, own: NextDay, course: Array, valid: Array, said: Array
    ) -> tuple[Array, Array]:
        step = np.clip(np.searchsorted(own.minute, valid), 0, own.minute.size - 1)
        bias, variance = self._proved(i, (valid - own.asked) / 60)
        at_hours = course[:, step]
        own_variance = at_hours.var(axis=0)
        share = own_variance / (own_variance + variance)
        moved = share * (said - bias - np.median(at_hours, axis=0))
        knots = np.concatenate([[own.asked], valid, [valid[-1] + REACHES_MIN]])
        return (
            np.interp(own.minute, knots, np.concatenate([[0.0], moved, [0.0]])),
            np.interp(own.minute, knots, np.concatenate([[0.0], share, [0.0]])),
        )

    def _proved(self, i: int, hours: Array) -> tuple[Array, Array]:
        """Bias and variance of what is said so many hours ahead."""
        known = [of_lead[i].bias_and_variance(UNPROVED[i]) for of_lead in self._proofs]
        bias, variance = np.array(known).T
        return np.interp(hours, LEADS_H, bias), np.interp(hours, LEADS_H, variance)


def _drawn(valid: int, minute: Array, values: Array) -> float | None:
    """A value between two that were said not too far apart; None: there are none."""
    known = np.isfinite(values)
    minute, values = minute[known], values[known]
    right = int(np.searchsorted(minute, valid))
    if right < minute.size and minute[right] == valid:
        return float(values[right])
    if right == 0 or right == minute.size or minute[right] - minute[right - 1] > _APART_MIN:
        return None
    return float(np.interp(valid, minute[right - 1 : right + 1], values[right - 1 : right + 1]))


def moved(outlook: NextDay, shift: Shift, follows: Array, alike: Array) -> NextDay:
    """The hours ahead with a forecast in them.

    follows  (2,) of what moves outdoors, the share that moves here, 0 to 1
    alike    (2,) correlation of the two from day to day, 0 to 1; outdoors itself: 1
    """
    narrower = np.sqrt(1 - shift.weight * alike**2)
    temperature = _moved(
        outlook.courses("temperature_c"), narrower[:, 0], follows[0] * shift.by[:, 0]
    )
    water = LOG_SCALE * np.log(outlook.courses("humidity_ratio_g_kg"))
    water = np.exp(_moved(water, narrower[:, 1], follows[1] * shift.by[:, 1]) / LOG_SCALE)
    temperature = np.clip(temperature, -40.0, 60.0)
    return outlook.with_courses(
        temperature, np.minimum(water, saturated(temperature, outlook.pressure_pa))
    )


def _moved(course: Array, narrower: Array, by: Array) -> Array:
    middle = np.median(course, axis=0)
    answer: Array = middle + by + (course - middle) * narrower
    return answer


def follows_outdoors(recent: GridAir) -> tuple[Array, Array]:
    """How a space follows outdoors from day to day, by its last days: (share, correlation), each
    of temperature and scaled logarithm of the humidity ratio, 0 to 1."""
    share, alike = np.zeros(2), np.zeros(2)
    if recent.outdoor_temperature_c is None or recent.outdoor_humidity_ratio_g_kg is None:
        return share, alike
    pairs = (
        (recent.temperature_c, recent.outdoor_temperature_c),
        (_log(recent.humidity_ratio_g_kg), _log(recent.outdoor_humidity_ratio_g_kg)),
    )
    for i, (here, there) in enumerate(pairs):
        inside, outside = signal(here).departure, signal(there).departure
        known = np.isfinite(inside) & np.isfinite(outside)
        if known.sum() < 2 * 144:
            continue
        inside, outside = inside[known], outside[known]
        spread = float(np.std(inside) * np.std(outside))
        if spread > 1e-6:
            together = float(np.mean((inside - inside.mean()) * (outside - outside.mean())))
            share[i] = np.clip(together / np.var(outside), 0.0, 1.0)
            alike[i] = np.clip(together / spread, 0.0, 1.0)
    return share, alike


def _log(ratio_g_kg: Array) -> Array:
    return LOG_SCALE * np.log(np.maximum(ratio_g_kg, 0.01))


LEAD_MIN = 360
# So long a room feels an hour of sun [h]; what an hour of it may do before a room has shown it
# [K]; so many hours on end have one weather and count as one. All our own choice.
FELT_H, UNPROVED_K, ONE_WEATHER_H = 6.0, 2.0, 6.0
# An hour is forgotten by half after ten days; the cloud of the last days is a mean over some two.
FADES, USUAL_FADES = 0.997, 0.96


class Seen(NamedTuple):
    """Faded sums over the hours held against what came.

    sun_2      of the squares of the sun felt more than usual [h²], see `sun_felt`
    sun_error  of the same times the error of the middle [K h]
    error_2    of the squares of the error [K²]
    """

    times: float = 0.0
    sun_2: float = 0.0
    sun_error: float = 0.0
    error_2: float = 0.0

    def after(self, sun_h: float, error_k: float) -> Seen:
        """With one more."""
        return Seen(
            FADES * self.times + 1,
            FADES * self.sun_2 + sun_h**2,
            FADES * self.sun_error + sun_h * error_k,
            FADES * self.error_2 + error_k**2,
        )

    @property
    def per_h(self) -> float:
        """What an hour of sun more than usual does [K/h], drawn towards nothing until shown."""
        if self.times == 0:
            return 0.0
        doubt = ONE_WEATHER_H * self.error_2 / self.times / UNPROVED_K**2
        return self.sun_error / max(self.sun_2 + doubt, 1e-9)


class Clouds:
    """The cloud of the last days, and what sun does to each space.

    kept  as `fact` gave it; None: nothing yet
    """

    def __init__(self, site: Location, kept: Mapping[str, Any] | None = None) -> None:
        self._site = site
        kept = kept or {}
        self._usual_pct: float | None = kept.get("usual")
        self._seen = {space: Seen(*sums) for space, sums in kept.get("seen", {}).items()}
        # Space → (minute it is for, sun felt more than usual [h], temperature foreseen [°C]).
        self._awaited: dict[str, list[tuple[int, float, float]]] = {
            space: [(minute, sun_h, told) for minute, sun_h, told in waiting]
            for space, waiting in kept.get("awaited", {}).items()
        }

    @property
    def fact(self) -> dict[str, Any]:
        """All of it, to be kept."""
        return {"usual": self._usual_pct, "seen": self._seen, "awaited": self._awaited}

    def note(self, now: int, cloud_pct: float) -> None:
        """At a full hour: the cloud that was foretold for it; by night it does nothing."""
        if sun_height(np.array([float(now)]), self._site)[0][0] > 0:
            before = cloud_pct if self._usual_pct is None else self._usual_pct
            self._usual_pct = USUAL_FADES * before + (1 - USUAL_FADES) * cloud_pct

    def hold_against(self, space: str, now: int, came_c: float) -> None:
        """At a full hour: what was foreseen of it against what came."""
        waiting = self._awaited.get(space, [])
        for minute, sun_h, told in waiting:
            if minute == now and np.isfinite(came_c):
                self._seen[space] = self._seen.get(space, Seen()).after(sun_h, came_c - told)
        self._awaited[space] = [one for one in waiting if one[0] > now]

    def brightened(
        self, space: str, outlook: NextDay, cloud_pct: Array, full_hour: bool
    ) -> NextDay:
        """The hours ahead with the cloud in them; at a full hour they wait to be held against.

        cloud_pct  foretold at each of the outlook's minutes; NaN: not
        """
        if self._usual_pct is None or not np.isfinite(cloud_pct).any():
            return outlook
        height = np.maximum(sun_height(outlook.minute.astype(np.float64), self._site)[0], 0.0)
        felt = sun_felt(height * np.nan_to_num(self._usual_pct - cloud_pct) / 100)
        step = LEAD_MIN // STEP_MIN - 1
        if full_hour and np.isfinite(cloud_pct[: step + 1]).any():
            one = (int(outlook.minute[step]), float(felt[step]))
            told = float(outlook.temperature_c.p50[step])
            self._awaited.setdefault(space, []).append((*one, told))
        by = self._seen.get(space, Seen()).per_h * felt
        temperature = outlook.courses("temperature_c") + by
        water = outlook.courses("humidity_ratio_g_kg")
        full = saturated(temperature, outlook.pressure_pa)
        return outlook.with_courses(temperature, np.minimum(water, full))


def sun_felt(more: Array) -> Array:
    """What a room feels at each step of the sun since the first [h]: it fades over FELT_H.

    more  sine of the sun's height times the share of the sky that is clearer than usual, each
          step

    >>> float(np.round(sun_felt(np.ones(144))[-1], 1))
    6.0
    """
    hours = STEP_MIN / 60 * np.arange(1, more.size + 1)
    grows = np.exp(hours / FELT_H)
    felt: Array = np.cumsum(more * STEP_MIN / 60 * grows) / grows
    return felt
