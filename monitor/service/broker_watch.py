"""Says when the broker has been away for a while, and when it is back."""

from __future__ import annotations

from collections.abc import Callable

from monitor.notices.notice import Notice, Weight
from monitor.notices.sentences import upkeep
from monitor.service.worker import Worker

# Brokers are restarted and cables moved: nothing to speak of until then.
PATIENCE_S = 300.0


class BrokerWatch:
    """Hooks a worker's turns.

    Where readings came before, their silence rings already; the broker is then for the record
    only, so that one fault never rings twice.
    """

    def __init__(
        self,
        worker: Worker,
        timezone: str,
        monotonic: Callable[[], float],
        patience_s: float = PATIENCE_S,
    ) -> None:
        self._worker = worker
        self._timezone = timezone
        self._monotonic = monotonic
        self._patience_s = patience_s
        self._away: tuple[float, int] | None = None  # since: counted seconds, and time [ms]
        self._said = False
        worker.before_minutes.append(self.look)

    def look(self) -> None:
        """Compare with how the link is now."""
        worker = self._worker
        if worker.link is None:
            return
        if worker.link.state.connected:
            if self._said and self._away is not None:
                self._tell(upkeep.broker_back(self._away[1], self._timezone, worker.now_ms()))
            self._away, self._said = None, False
            return
        if self._away is None:
            self._away = self._monotonic(), worker.now_ms()
        since_s, since_ms = self._away
        if not self._said and self._monotonic() - since_s >= self._patience_s:
            self._said = True
            self._tell(upkeep.broker_missing(since_ms, self._timezone, worker.now_ms()))

    def _tell(self, notice: Notice) -> None:
        worker = self._worker
        if any(sensor.last_ms is not None for sensor in worker.snapshot.sensors.values()):
            notice = notice._replace(weight=Weight.NOTE)
        worker.write(worker.engine.tell(notice))
