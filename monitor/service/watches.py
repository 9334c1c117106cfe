"""What a running monitor watches besides its readings; each is looked at once a turn.

A watch changes nothing by being made. It may write effects: it is looked at in the worker's thread,
before what the turn wrote is committed.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import NamedTuple

from monitor.edges.clock import Clock
from monitor.engine.effects import SensorNow, Snapshot, publications
from monitor.notices.notice import Notice, Weight
from monitor.notices.sentences import upkeep
from monitor.service.worker import Task, Worker
from monitor.site.spaces import Site
from monitor.site.time import DAY_MS, MINUTE_MS

log = logging.getLogger(__name__)

# A machine commonly has the time within minutes of its start, and a time service that sets the
# clock vouches for it soon after: nothing to ring for.
CLOCK_PATIENCE_MS = 3 * MINUTE_MS


class Timekeeper:
    """Looks at the clock, and says what is wrong with it.

    learnt  called once the time is known, in the worker's thread
    set_    called whenever the wall was set, in the worker's thread
    """

    def __init__(
        self,
        worker: Worker,
        clock: Clock,
        learnt: Task,
        set_: Callable[[], None],
    ) -> None:
        self._worker = worker
        self._clock = clock
        self._learnt = learnt
        self._set = set_
        self._set_count = clock.set_count
        self._wrong_since_ms: int | None = None
        self._said = False

    def look(self, now_ms: int) -> None:
        """Follow the wall or not, and say so."""
        clock, worker = self._clock, self._worker
        clock.look()
        if clock.known and not worker.time_known:
            worker.time_known, self._wrong_since_ms = True, None
            worker.write(worker.engine.date_waiting(clock.learnt_ms))
            log.warning("The time is known now.")
            self._learnt(worker)
        if clock.set_count != self._set_count:
            self._set_count = clock.set_count
            self._set()
        self._say()

    def _say(self) -> None:
        """Once about each trouble that lasts."""
        clock, worker = self._clock, self._worker
        now_ms = clock.now_ms()
        if clock.known and not clock.leap_ms:
            self._wrong_since_ms, self._said = None, False
            return
        if self._wrong_since_ms is None:
            self._wrong_since_ms = now_ms
            log.warning("%s", _UNKNOWN if not clock.known else _LEAPT)
        if not self._said and now_ms - self._wrong_since_ms >= CLOCK_PATIENCE_MS:
            self._said = True
            notice = (
                upkeep.clock_set(clock.leap_ms, now_ms)
                if clock.known
                else upkeep.clock_not_known(now_ms)
            )
            worker.write(worker.engine.tell(notice))


_UNKNOWN = "The time is not known yet; readings without their own time wait."
_LEAPT = "The clock was set, and nobody vouches for it; the monitor goes on by the time it had."

# Brokers are restarted and cables moved: nothing to speak of until then.
BROKER_PATIENCE_S = 300.0


class BrokerWatch:
    """Says when the broker has been away for a while, and when it is back.

    Where readings came before, their silence rings already; the broker is then for the record
    only, so that one fault never rings twice.
    """

    def __init__(
        self,
        worker: Worker,
        timezone: str,
        monotonic: Callable[[], float],
        patience_s: float = BROKER_PATIENCE_S,
    ) -> None:
        self._worker = worker
        self._timezone = timezone
        self._monotonic = monotonic
        self._patience_s = patience_s
        self._away: tuple[float, int] | None = None  # since: counted seconds, and time [ms]
        self._said = False

    def look(self, now_ms: int) -> None:
        """Compare with how the link is now."""
        worker = self._worker
        if worker.link is None:
            return
        if worker.link.state.connected:
            if self._said and self._away is not None:
                self._tell(upkeep.broker_back(self._away[1], self._timezone, now_ms))
            self._away, self._said = None, False
            return
        if self._away is None:
            self._away = self._monotonic(), now_ms
        since_s, since_ms = self._away
        if not self._said and self._monotonic() - since_s >= self._patience_s:
            self._said = True
            self._tell(upkeep.broker_missing(since_ms, self._timezone, now_ms))

    def _tell(self, notice: Notice) -> None:
        worker = self._worker
        if any(sensor.last_ms is not None for sensor in worker.snapshot.sensors.values()):
            notice = notice._replace(weight=Weight.NOTE)
        worker.write(worker.engine.tell(notice))


SAID_AGAIN_MS = DAY_MS


class FloodWatch:
    """Says when far more readings come than sensors should send; once a day while it lasts."""

    def __init__(self, worker: Worker) -> None:
        self._worker = worker
        self._said_ms: int | None = None

    def look(self, now_ms: int) -> None:
        """Whether it is so now."""
        sensor = self._worker.engine.flooding
        if sensor is None or (self._said_ms is not None and now_ms < self._said_ms + SAID_AGAIN_MS):
            return
        self._said_ms = now_ms
        self._worker.write(self._worker.engine.tell(upkeep.flooded(sensor, now_ms)))


# A garbled message now and then is only counted: said is what goes on for so long.
PATIENCE_MS = 10 * MINUTE_MS
FEWEST = 3
MOST_A_DAY = 3


class _Unread(NamedTuple):
    """How a sensor stood when the first payload in a row could not be read."""

    since_ms: int
    unread: int
    last_ms: int | None
    said: bool = False


class PayloadWatch:
    """Says when sensors send, but nothing of what they send can be read.

    It speaks once of each sensor until it can be read again. Those that it speaks of at the same
    time share one notice, so a flood of garbage is said once. It speaks of a sensor once a day, and
    of all together three times, even if they are read in between: the page shows the rest.
    """

    def __init__(
        self, worker: Worker, site: Site, patience_ms: int = PATIENCE_MS, day_ms: int = DAY_MS
    ) -> None:
        self._worker = worker
        self._site = site
        self._patience_ms = patience_ms
        self._day_ms = day_ms
        self._looked_at = worker.snapshot
        self._bad: dict[str, _Unread] = {}
        self._told_ms: list[int] = []  # of the last day
        self._told_of_ms: dict[str, int] = {}

    def look(self, now_ms: int) -> None:
        """Compare with how the sensors stood before."""
        before, now = self._looked_at, self._worker.snapshot
        if now is before:
            return
        self._looked_at = now
        for name, sensor in now.sensors.items():
            self._look_at(name, sensor, before, now)
        lasting_ms = {name: now.now_ms - bad.since_ms for name, bad in self._unsaid(now).items()}
        if max(lasting_ms.values(), default=0) >= self._patience_ms:
            # Who began a little later is part of the same trouble.
            together = [n for n, ms in lasting_ms.items() if ms >= self._patience_ms // 2]
            self._say(together, now)

    def _look_at(self, name: str, sensor: SensorNow, before: Snapshot, now: Snapshot) -> None:
        bad = self._bad.get(name)
        if bad is not None and sensor.last_ms != bad.last_ms:
            del self._bad[name]
        elif bad is None:
            unread = before.sensors[name].unread if name in before.sensors else 0
            if sensor.unread > unread:
                self._bad[name] = _Unread(now.now_ms, unread, sensor.last_ms)

    def _unsaid(self, now: Snapshot) -> dict[str, _Unread]:
        """The sensors that go on sending what cannot be read, and of which nothing was said."""
        return {
            name: bad
            for name, bad in self._bad.items()
            if not bad.said and now.sensors[name].unread - bad.unread >= FEWEST
        }

    def _say(self, sensors: list[str], now: Snapshot) -> None:
        failed = {name: now.sensors[name].unread - self._bad[name].unread for name in sensors}
        since_ms = min(self._bad[name].since_ms for name in sensors)
        for name in sensors:
            self._bad[name] = self._bad[name]._replace(said=True)
        day_ago_ms = now.now_ms - self._day_ms
        self._told_ms = [ms for ms in self._told_ms if ms > day_ago_ms]
        fresh = [name for name in sensors if self._told_of_ms.get(name, 0) <= day_ago_ms]
        if not fresh or len(self._told_ms) >= MOST_A_DAY:
            return
        self._told_ms.append(now.now_ms)
        self._told_of_ms.update(dict.fromkeys(sensors, now.now_ms))
        worst = sorted(failed, key=lambda name: -failed[name])
        reason, zone = now.sensors[worst[0]].why_unread or "", self._site.timezone
        if len(sensors) == 1:
            space = self._site.sensors[worst[0]].space
            told = (worst[0], space, failed[worst[0]], since_ms, reason, zone, now.now_ms)
            notice = upkeep.payloads_unread(*told)
        else:
            count = sum(failed.values())
            notice = upkeep.sensors_unread(worst, count, since_ms, reason, zone, now.now_ms)
        self._worker.write(self._worker.engine.tell(notice))


class Publisher:
    """Publishes what changed since it was last published, retained; once a minute at most.

    Over a new connection all of it, at once: what was under way when the last broke may be lost.
    """

    def __init__(self, worker: Worker, site: Site) -> None:
        self._worker = worker
        self._site = site
        self._published: dict[str, bytes] = {}
        self._minute = 0
        self._connected_ms = 0

    def look(self, now_ms: int) -> None:
        """Publish what is new."""
        link, snapshot = self._worker.link, self._worker.snapshot
        minute = snapshot.now_ms // MINUTE_MS
        if link is None or not link.state.connected:
            return
        if link.state.since_ms != self._connected_ms:
            self._connected_ms = link.state.since_ms
            self._published.clear()
        elif minute == self._minute:
            return
        self._minute = minute
        for topic, payload in publications(snapshot, self._site):
            if self._published.get(topic) != payload and link.publish(topic, payload, retain=True):
                self._published[topic] = payload
