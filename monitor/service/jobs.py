"""The timetable: what is done at set hours of the site's day.

`due` is the whole of it and pure. Live, APScheduler wakes us at those times; where the clock is the
readings' own, their clock steps it. Nothing is set between one and four in the morning, the hours
that a change to or from summer time takes away or gives twice.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

from apscheduler.events import (
    EVENT_JOB_ERROR,
    EVENT_JOB_MISSED,
    EVENT_SCHEDULER_STARTED,
    JobExecutionEvent,
)
from apscheduler.schedulers.blocking import BlockingScheduler
from apscheduler.triggers.cron import CronTrigger

from monitor.entries.entries import RequestError
from monitor.entries.requests import EntryLine
from monitor.service.worker import Worker
from monitor.site.time import epoch_ms_of, local, local_day

log = logging.getLogger(__name__)

# After its end is reached, a replay waits so long for readings that are still under way [s].
QUIET_S = 2.0
# Before its end a broker may pause; only after so long is no more waited for [s].
LONG_QUIET_S = 60.0
_JOBS_DONE = "jobs done"
START_WITHIN_S = 30.0

UPKEEP = "upkeep"
REPORT = "report"
LEARNING = "learning"
_WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


@dataclass(frozen=True, slots=True)
class Job:
    """Something done every day at a time, or on one weekday (0: Monday).

    grace_s   how late it may still be done [s]; later it is missed, and said so
    """

    name: str
    at: time
    weekday: int | None
    grace_s: int


def due(job: Job, since_ms: int, now_ms: int, zone: ZoneInfo) -> list[int]:
    """The times in (since, now] at which a job is due [UTC epoch ms]."""
    day = local_day(since_ms, zone) - timedelta(days=1)
    last = local(now_ms, zone).date()
    times: list[int] = []
    while day <= last:
        if job.weekday is None or day.weekday() == job.weekday:
            at_ms = epoch_ms_of(datetime.combine(day, job.at, zone))
            if since_ms < at_ms <= now_ms:
                times.append(at_ms)
        day += timedelta(days=1)
    return times


def last_week(at_ms: int, zone: ZoneInfo) -> str:
    """The ISO week that ended before this time, e.g. "2026-W28"."""
    year, week, _ = (local(at_ms, zone) - timedelta(days=7)).isocalendar()
    return f"{year}-W{week:02}"


class Stepper:
    """The timetable in a replay: stepped by the readings' clock."""

    def __init__(self, jobs: Iterable[Job], zone: ZoneInfo, do: Callable[[Job, int], None]) -> None:
        self._jobs = tuple(jobs)
        self._zone = zone
        self._do = do
        self._since_ms: int | None = None

    def begin(self, since_ms: int) -> None:
        """What became due after this time is still to be done [UTC epoch ms]."""
        self._since_ms = since_ms

    def step(self, now_ms: int) -> bool:
        """Do what has become due since the last step, in order of time; whether it was any."""
        if self._since_ms is None:
            self._since_ms = now_ms
        times = [
            (at_ms, job)
            for job in self._jobs
            for at_ms in due(job, self._since_ms, now_ms, self._zone)
        ]
        self._since_ms = max(self._since_ms, now_ms)
        for at_ms, job in sorted(times, key=lambda pair: pair[0]):
            self._do(job, at_ms)
        return bool(times)


class Replay:
    """The watch of a run by the readings' clock: entries at their time, jobs, and the end."""

    def __init__(
        self,
        worker: Worker,
        until_ms: int,
        entries: list[EntryLine],
        stepper: Stepper,
        monotonic: Callable[[], float],
        end: Callable[[], None],
    ) -> None:
        self._worker = worker
        self._end = end
        self._until_ms = until_ms
        # In the order in which they happened; those of an earlier run of this store are done.
        self._entries = sorted(entries, key=lambda line: line.request.at_ms or 0)
        self._stepper = stepper
        self._monotonic = monotonic

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

    def look(self, now_ms: int) -> None:
        """Do what is due by the readings' clock."""
        engine = self._worker.engine
        if self._quiet_for() >= (QUIET_S if now_ms >= self._until_ms else LONG_QUIET_S):
            engine.catch_up()
        if engine.behind(now_ms):
            return
        self._enter_due(now_ms)
        if now_ms:
            self._do_jobs(now_ms)
        if now_ms >= self._until_ms and self._quiet_for() >= QUIET_S:
            self._end()

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


class Timetable:
    """The timetable live: APScheduler wakes us. All is called in threads of its own.

    do       a job that is due, with the time at which it was due [UTC epoch ms]
    missed   a job that is later than its grace allows, with that time
    failed   a job of which `do` raised, with what it raised
    """

    def __init__(
        self,
        jobs: Iterable[Job],
        zone: ZoneInfo,
        do: Callable[[Job, int], None],
        missed: Callable[[Job, int], None],
        failed: Callable[[Job, str], None],
        clock: Callable[[], int],
    ) -> None:
        self._jobs = {job.name: job for job in jobs}
        self._zone = zone
        self._do = do
        self._missed = missed
        self._failed = failed
        self._clock = clock
        self._scheduler = BlockingScheduler(timezone=zone)
        self._thread = threading.Thread(target=self._scheduler.start, name="timetable", daemon=True)
        for job in self._jobs.values():
            self._scheduler.add_job(
                self._begin,
                self._trigger(job),
                args=(job,),
                id=job.name,
                coalesce=True,
                max_instances=1,
                misfire_grace_time=job.grace_s,
            )
        self._scheduler.add_listener(self._listen, EVENT_JOB_MISSED | EVENT_JOB_ERROR)

    def start(self) -> None:
        """Begin, in a thread of its own; returns once it runs."""
        begun = threading.Event()
        self._scheduler.add_listener(lambda _: begun.set(), EVENT_SCHEDULER_STARTED)
        self._thread.start()
        begun.wait(START_WITHIN_S)

    @property
    def alive(self) -> bool:
        """Whether it still runs."""
        return bool(self._scheduler.running) and self._thread.is_alive()

    def clock_set(self) -> None:
        """The wall was set: reckon anew when each job is next due.

        All of them, before the scheduler looks again: one that was next due before the wall was set
        forward would else be missed.
        """
        self._scheduler.pause()
        for job in self._jobs.values():
            self._scheduler.reschedule_job(job.name, trigger=self._trigger(job))
        self._scheduler.resume()

    def close(self) -> None:
        """End without waiting for a job that is under way."""
        if self._scheduler.running:
            self._scheduler.shutdown(wait=False)

    def _begin(self, job: Job) -> None:
        now_ms = self._clock()
        times = due(job, now_ms - 1000 * job.grace_s, now_ms, self._zone)
        if times:  # none: the wall says it is time, and is not believed
            self._do(job, times[-1])

    def _trigger(self, job: Job) -> CronTrigger:
        return CronTrigger(
            hour=job.at.hour,
            minute=job.at.minute,
            day_of_week=None if job.weekday is None else _WEEKDAYS[job.weekday],
            timezone=self._zone,
        )

    def _listen(self, event: JobExecutionEvent) -> None:
        job = self._jobs[event.job_id]
        if event.code == EVENT_JOB_MISSED:
            due_ms = epoch_ms_of(event.scheduled_run_time)
            if due_ms <= self._clock():
                self._missed(job, due_ms)
        else:
            self._failed(job, str(event.exception))
