"""Says when far more readings come than sensors should send."""

from __future__ import annotations

from monitor.notices.sentences import upkeep
from monitor.service.worker import Worker
from monitor.site.time import DAY_MS

SAID_AGAIN_MS = DAY_MS


class FloodWatch:
    """Hooks a worker's turns; speaks once a day while it lasts."""

    def __init__(self, worker: Worker) -> None:
        self._worker = worker
        self._said_ms: int | None = None
        worker.before_minutes.append(self.look)

    def look(self) -> None:
        """Whether it is so now."""
        sensor = self._worker.engine.flooding
        now_ms = self._worker.now_ms()
        if sensor is None or (self._said_ms is not None and now_ms < self._said_ms + SAID_AGAIN_MS):
            return
        self._said_ms = now_ms
        self._worker.write(self._worker.engine.tell(upkeep.flooded(sensor, now_ms)))
