"""What a running monitor does about its clock: looks at it every turn, and says what is wrong."""

from __future__ import annotations

import logging
from collections.abc import Callable

from monitor.edges.clock import Clock
from monitor.notices.sentences import upkeep
from monitor.service.worker import Task, Worker
from monitor.site.time import MINUTE_MS

log = logging.getLogger(__name__)

# A machine commonly has the time within minutes of its start, and a time service that sets the
# clock vouches for it soon after: nothing to ring for.
PATIENCE_MS = 3 * MINUTE_MS


class Timekeeper:
    """Hooks a worker's turns.

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
        worker.time_known = clock.known
        if clock.known:
            worker.post(learnt)
        worker.before_minutes.append(self.look)

    def look(self) -> None:
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
        if not self._said and now_ms - self._wrong_since_ms >= PATIENCE_MS:
            self._said = True
            notice = (
                upkeep.clock_set(clock.leap_ms, now_ms)
                if clock.known
                else upkeep.clock_not_known(now_ms)
            )
            worker.write(worker.engine.tell(notice))


_UNKNOWN = "The time is not known yet; readings without their own time wait."
_LEAPT = "The clock was set, and nobody vouches for it; the monitor goes on by the time it had."
