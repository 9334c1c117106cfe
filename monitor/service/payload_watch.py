"""Says when a sensor sends, but nothing of what it sends can be read."""

from __future__ import annotations

from typing import NamedTuple

from monitor.room import messages
from monitor.room.snapshot import SensorNow, Snapshot
from monitor.room.spaces import Site
from monitor.service.worker import Worker

# A garbled message now and then is only counted: said is what goes on for so long.
PATIENCE_MS = 10 * 60_000
FEWEST = 3


class _Unread(NamedTuple):
    """How a sensor stood when the first payload in a row could not be read."""

    since_ms: int
    unread: int
    last_ms: int | None
    said: bool = False


class PayloadWatch:
    """Hooks a worker's turns; speaks once of each sensor until it can be read again."""

    def __init__(self, worker: Worker, site: Site, patience_ms: int = PATIENCE_MS) -> None:
        self._worker = worker
        self._site = site
        self._patience_ms = patience_ms
        self._looked_at = worker.snapshot
        self._bad: dict[str, _Unread] = {}
        worker.before_minutes.append(self.look)

    def look(self) -> None:
        """Compare with how the sensors stood before."""
        before, now = self._looked_at, self._worker.snapshot
        if now is before:
            return
        self._looked_at = now
        for name, sensor in now.sensors.items():
            self._look_at(name, sensor, before, now)

    def _look_at(self, name: str, sensor: SensorNow, before: Snapshot, now: Snapshot) -> None:
        bad = self._bad.get(name)
        if bad is not None and sensor.last_ms != bad.last_ms:
            del self._bad[name]
        elif bad is None:
            unread = before.sensors[name].unread if name in before.sensors else 0
            if sensor.unread > unread:
                self._bad[name] = _Unread(now.now_ms, unread, sensor.last_ms)
        elif not bad.said and now.now_ms - bad.since_ms >= self._patience_ms:
            failed = sensor.unread - bad.unread
            if failed >= FEWEST:
                self._bad[name] = bad._replace(said=True)
                self._tell(name, failed, bad.since_ms, sensor.why_unread or "", now.now_ms)

    def _tell(self, name: str, failed: int, since_ms: int, reason: str, now_ms: int) -> None:
        zone, space = self._site.timezone, self._site.sensors[name].space
        notice = messages.payloads_unread(name, space, failed, since_ms, reason, zone, now_ms)
        self._worker.write(self._worker.engine.tell(notice))
