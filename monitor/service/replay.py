"""A run whose clock is the readings themselves: entries at their time, jobs, and the end."""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import Protocol

from monitor.room.entries import RequestError
from monitor.service.jobs import Stepper
from monitor.service.requests import EntryLine
from monitor.service.worker import Worker

log = logging.getLogger(__name__)

# After its end is reached, a replay waits so long for readings that are still under way [s].
QUIET_S = 2.0
_JOBS_DONE = "jobs done"


class Facts(Protocol):
    """A number kept in the store."""

    def fact(self, key: str) -> str | None:
        """What was noted under a key."""

    def note(self, key: str, value: str) -> None:
        """Keep one fact."""


class Replay:
    """Hooks a worker's turns: before and after the minutes are folded."""

    def __init__(
        self,
        worker: Worker,
        until_ms: int,
        entries: list[EntryLine],
        stepper: Stepper,
        monotonic: Callable[[], float],
    ) -> None:
        self._worker = worker
        self._until_ms = until_ms
        # In the order in which they happened; those of an earlier run of this store are done.
        self._entries = sorted(entries, key=lambda line: line.request.at_ms or 0)
        self._stepper = stepper
        self._monotonic = monotonic
        worker.before_minutes.append(self._enter_due)
        worker.after_minutes.append(self._after)

    def _enter_due(self) -> None:
        now_ms = self._worker.engine.now_ms(0)
        done = int(self._worker.writer.fact("entries done") or 0)
        before = done
        while done < len(self._entries):
            line = self._entries[done]
            at_ms = line.request.at_ms or 0
            if at_ms > now_ms:
                break
            try:
                self._worker.enter(line.request, at_ms)
            except RequestError as refused:
                log.warning("Entries file, line %d: %s", line.line, refused.sentence)
            done += 1
        if done != before:
            self._worker.writer.note("entries done", str(done))

    def _after(self) -> None:
        engine = self._worker.engine
        now_ms = engine.now_ms(0)
        if engine.behind(now_ms):
            return
        if now_ms:
            self._do_jobs(now_ms)
        if now_ms >= self._until_ms and self._quiet():
            self._worker.stop()

    def _do_jobs(self, now_ms: int) -> None:
        """From the first reading on, or from where an earlier run of this store had come."""
        writer = self._worker.writer
        if not self._stepper.begun:
            done = writer.fact(_JOBS_DONE)
            self._stepper.begin(int(done or self._worker.engine.first_ms or now_ms))
        if self._stepper.step(now_ms):
            writer.note(_JOBS_DONE, str(now_ms))

    def _quiet(self) -> bool:
        return self._monotonic() - self._worker.heard_s >= QUIET_S
