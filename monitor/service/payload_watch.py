"""Says when sensors send, but nothing of what they send can be read.

Those of which it is said at the same time share one notice; so a flood of garbage is said once.
"""

from __future__ import annotations

from typing import NamedTuple

from monitor.engine.snapshot import SensorNow, Snapshot
from monitor.notices.sentences import upkeep
from monitor.service.worker import Worker
from monitor.site.spaces import Site
from monitor.site.time import DAY_MS, MINUTE_MS

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
    """Hooks a worker's turns; speaks once of each sensor until it can be read again.

    Of a sensor it speaks once a day, and of all together three times, even if they are read in
    between: what goes on beyond that is on the page.
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
        worker.before_minutes.append(self.look)

    def look(self) -> None:
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
