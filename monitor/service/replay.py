"""A run whose clock is the readings themselves: entries at their time, jobs, and the end."""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import Protocol

from monitor.entries.entries import RequestError
from monitor.service.jobs import Stepper
from monitor.service.requests import EntryLine
from monitor.service.worker import Worker

log = logging.getLogger(__name__)

# After its end is reached, a replay waits so long for readings that are still under way [s].
QUIET_S = 2.0
# Before its end a broker may pause; only after so long is no more waited for [s].
LONG_QUIET_S = 60.0
_JOBS_DONE = "jobs done"


class Facts(Protocol):
    """A number kept in the store."""

    def fact(self, key: str) -> str | None:
        """What was noted under a key."""

    def note(self, key: str, value: str) -> None:
        """Keep one fact."""


class Replay:
    """Hooks a worker's turns, after the minutes are folded."""

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
        worker.after_minutes.append(self._after)

    def _enter_due(self, now_ms: int) -> None:
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
        if self._quiet_for() >= (QUIET_S if now_ms >= self._until_ms else LONG_QUIET_S):
            engine.catch_up()
        if engine.behind(now_ms):
            return
        self._enter_due(now_ms)
        if now_ms:
            self._do_jobs(now_ms)
        if now_ms >= self._until_ms and self._quiet_for() >= QUIET_S:
            self._worker.stop()

    def _do_jobs(self, now_ms: int) -> None:
        """From the first reading on, or from where an earlier run of this store had come."""
        writer = self._worker.writer
        # By the store: where a commit failed, what was done since the one before is to be done.
        done = writer.fact(_JOBS_DONE)
        self._stepper.begin(int(done or self._worker.engine.first_ms or now_ms))
        if self._stepper.step(now_ms):
            writer.note(_JOBS_DONE, str(now_ms))

    def _quiet_for(self) -> float:
        """Seconds since the last message."""
        return self._monotonic() - self._worker.heard_s
