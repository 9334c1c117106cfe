"""What is coming in each space, and what to do about its air: looked at anew every ten minutes.

The hours ahead come from the space's own last days and from what its longer past has taught. The
advice on airing is one an hour: it stands until the next.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from monitor.ahead import lesson as learning
from monitor.ahead.airing import AdviceKept, Airing, Doors, advise
from monitor.ahead.airing_hours import AiringHours, air_ahead, best_hours
from monitor.ahead.courses import NextDay, Watched, ahead, watched
from monitor.ahead.forecast import Forecast, Shift, follows_outdoors, moved
from monitor.ahead.grid import KEPT_DAYS, GridAir, KnownTenMinutes, TenMinutesKept, on_grid
from monitor.ahead.lesson import Exchange, Lesson
from monitor.ahead.model import Location
from monitor.ahead.sensors_apart import SameAir
from monitor.air.minute import MinuteOfAir
from monitor.intake.published import ForecastHour
from monitor.site.spaces import OUTDOORS, Site
from monitor.site.time import DAY_MIN

HORIZONS_H = (1, 3, 6, 12, 24)


class LessonsKept(TenMinutesKept, Protocol):
    """What is read back from the store."""

    def lessons(self) -> list[bytes]:
        """The newest lesson of each space, as it was kept."""

    def fact(self, key: str) -> str | None:
        """What was noted under a key."""


@dataclass(frozen=True, slots=True)
class Coming:
    """What is foreseen of a space, and advised.

    asked     UTC epoch minute of the last look
    outlook   None: nothing was known of its air in the last hour
    airing    the advice of this hour; None: cannot be told
    best      the best hours to air in the coming day, the best first
    exchange  air changes an hour, as last learned; None: cannot be told
    """

    asked: int
    outlook: NextDay | None = None
    airing: Airing | None = None
    best: tuple[AiringHours, ...] = ()
    exchange: Exchange | None = None


class Foresight:
    """Looks ahead for each space that something measures."""

    def __init__(self, site: Site, archive: LessonsKept) -> None:
        self._site = site
        self._place: Location = learning.place_of(site)
        self._means = KnownTenMinutes(archive)
        self._lessons: dict[str, Lesson] = {}
        kept = (learning.load(blob) for blob in archive.lessons())
        self.taught(lesson for lesson in kept if lesson is not None)
        measured = {sensor.space for sensor in site.sensors.values()}
        self._outdoors = OUTDOORS in measured
        # Outdoors first: the others look at it.
        self.spaces = sorted(measured, key=lambda name: (name != OUTDOORS, name))
        self.coming: dict[str, Coming] = {}
        self._recent: dict[str, GridAir] = {}  # as it was known at the last look
        self._forecast = Forecast(self._place, archive.fact(_FORECAST))
        self._shift: Shift | None = None  # what the forecast moves outdoors, as last looked at
        self._standing: dict[str, AdviceKept] = _standing(archive.fact(_STANDING))

    def forget_since(self, minute: int) -> None:
        """Late readings changed the air from this minute on."""
        self._means.forget_since(minute)

    def taught(self, lessons: Iterable[Lesson]) -> None:
        """Take up what was learned."""
        self._lessons.update({lesson.space: lesson for lesson in lessons})

    def look(self, space: str, now: int, air: Mapping[str, MinuteOfAir], full_hour: bool) -> Coming:
        """Look ahead from a ten-minute mark; at a full hour advise on airing anew.

        now  UTC epoch minutes
        air  the latest minute of each space
        """
        recent = self._recent[space] = self._history(space, now)
        lesson = self._lessons.get(space)
        model = learning.unlearned(self._place, now) if lesson is None else lesson.model
        outlook = self._with_forecast(space, ahead(model, recent, now), recent, full_hour)
        before = self.coming.get(space, Coming(now))
        advice, best = before.airing, before.best
        if space != OUTDOORS and (full_hour or advice is None):
            advice, standing = self._advise(space, air)
            best = self._best(outlook, standing.sensors)
            if full_hour:
                self._standing[space] = standing
        exchange = None if lesson is None else lesson.exchange
        self.coming[space] = Coming(now, outlook, advice, best, exchange)
        return self.coming[space]

    def watched(self, space: str) -> list[Watched]:
        """The limits of a space that can be foreseen, as last looked at."""
        coming = self.coming.get(space)
        if coming is None or coming.outlook is None:
            return []
        outdoors = self.coming.get(OUTDOORS, Coming(0)).outlook
        return watched(self._site.spaces[space], self._recent[space], coming.outlook, outdoors)

    def _history(self, space: str, now: int) -> GridAir:
        outdoors = self._outdoors and space != OUTDOORS
        return on_grid(
            self._means.until(space, now),
            self._means.until(OUTDOORS, now) if outdoors else None,
            now - KEPT_DAYS * DAY_MIN,
            now,
        )

    @property
    def forecasts(self) -> bool:
        """Whether the settings name a forecast."""
        return bool(self._site.forecasts)

    def forecast(self, said: Sequence[ForecastHour], now: int) -> tuple[str, str]:
        """A forecast of others has come; as a fact to keep. now: UTC epoch minutes."""
        self._forecast.take(said, now)
        return self.forecast_fact

    @property
    def forecast_fact(self) -> tuple[str, str]:
        """What is foreseen by others and how that fared, as a fact to keep."""
        return _FORECAST, self._forecast.fact

    def _with_forecast(
        self, space: str, own: NextDay | None, recent: GridAir, full_hour: bool
    ) -> NextDay | None:
        """The hours ahead with what others foresee in them, as far as that is to be trusted."""
        if not self._site.forecasts:
            return own
        came = int(recent.minute[-1])
        told = self._with_air(space, own, recent, full_hour)
        if full_hour:
            self._forecast.clouds.hold_against(space, came, float(recent.temperature_c[-1]))
        if told is None:
            return None
        cloud_pct = self._forecast.cloud_pct(told.asked, told.minute)
        return self._forecast.clouds.brightened(space, told, cloud_pct, full_hour)

    def _with_air(
        self, space: str, own: NextDay | None, recent: GridAir, full_hour: bool
    ) -> NextDay | None:
        """With the temperature and humidity that are foretold outdoors."""
        if space == OUTDOORS:
            if full_hour:
                self._forecast.hold_against(int(recent.minute[-1]), recent)
            self._shift = None if own is None else self._forecast.shift(own)
            follows = alike = np.ones(2)
        else:
            follows, alike = follows_outdoors(recent)
        if own is None or self._shift is None:
            return own
        return moved(own, self._shift, follows, alike)

    @property
    def verbs(self) -> dict[str, Doors]:
        """What is advised of each space, until the next full hour."""
        return {
            space: standing.verb
            for space, standing in self._standing.items()
            if standing.verb is not None
        }

    @property
    def standing_fact(self) -> tuple[str, str]:
        """What stands of the advice of every space, as a fact to keep."""
        return _STANDING, json.dumps(self._standing, separators=(",", ":"), sort_keys=True)

    def _advise(
        self, space: str, air: Mapping[str, MinuteOfAir]
    ) -> tuple[Airing | None, AdviceKept]:
        of = self._site.spaces[space]
        return advise(
            self._standing.get(space, AdviceKept()),
            air.get(space),
            air.get(OUTDOORS),
            self._place.pressure_pa,
            of.limits.hot_c,
            of.volume_m3,
        )

    def _best(self, outlook: NextDay | None, sensors: SameAir) -> tuple[AiringHours, ...]:
        outdoors = self.coming.get(OUTDOORS, Coming(0)).outlook
        if outlook is None or outdoors is None or outlook.asked != outdoors.asked:
            return ()
        here, there = air_ahead(outlook), air_ahead(outdoors)
        return tuple(best_hours(here, there, self._place.pressure_pa, sensors=sensors))


_FORECAST = "forecast"
_STANDING = "airing"


def _standing(fact: str | None) -> dict[str, AdviceKept]:
    """What stood, as it was kept; nothing where that is of an older make."""
    if not fact or not fact.startswith("{"):
        return {}
    return {
        space: AdviceKept(
            None if verb is None else Doors(verb),
            began_g_kg,
            SameAir(*(tuple(numbers) for numbers in sensors)),
        )
        for space, (verb, began_g_kg, sensors) in json.loads(fact).items()
    }
