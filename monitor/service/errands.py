"""What the timetable asks for: the weekly report, and the nightly upkeep of the store."""

from __future__ import annotations

import logging
import subprocess
import threading
from datetime import time
from zoneinfo import ZoneInfo

from monitor.edges.report.order import COMMAND, Answer, Order
from monitor.room import messages
from monitor.room.notices import Notice
from monitor.service.jobs import REPORT, UPKEEP, Job, last_week
from monitor.service.settings import Settings
from monitor.service.worker import Worker

log = logging.getLogger(__name__)

UPKEEP_AT = time(4, 15)
REPORT_TIMEOUT_S = 300
# Rows taken away between two commits, so that the worker is soon back at its socket.
SLICE_ROWS = 2_000


class ErrandError(Exception):
    """What could not be done; str() is one sentence."""


def make_report(order: Order) -> Answer:
    """Make a report in a process of its own: pandas stays out of the daemon.

    raises ErrandError
    """
    try:
        done = subprocess.run(  # noqa: S603 (our own module, no shell)
            COMMAND,
            input=order.to_json(),
            capture_output=True,
            text=True,
            timeout=REPORT_TIMEOUT_S,
            check=False,
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise ErrandError(f"the report could not be made: {error}") from error
    if done.returncode:
        raise ErrandError(done.stderr.strip().splitlines()[-1] if done.stderr else "no reason")
    return Answer.from_json(done.stdout)


class Errands:
    """Does the timetable's jobs for one worker."""

    def __init__(self, settings: Settings, worker: Worker) -> None:
        self._settings = settings
        self._worker = worker
        self._zone = ZoneInfo(settings.site.timezone)

    def jobs(self) -> list[Job]:
        """The timetable of these settings."""
        report = self._settings.report
        return [
            Job(UPKEEP, UPKEEP_AT, None, grace_s=6 * 3600),
            Job(REPORT, report.at, report.weekday, grace_s=24 * 3600),
        ]

    def now(self, job: Job, at_ms: int) -> None:
        """Do a job in the worker's thread and wait for it: a replay's way."""
        if job.name == REPORT:
            self._worker.commit()  # the report's process reads the store
            try:
                self._keep(make_report(self.order(last_week(at_ms, self._zone), at_ms)), at_ms)
            except ErrandError as error:
                self._tell(messages.job_failed(job.name, str(error), at_ms))
        else:
            while self._trim(self._worker, at_ms):
                pass

    def soon(self, job: Job, at_ms: int) -> None:
        """Do a job beside the worker's other work: the live way. From any thread."""
        if job.name == REPORT:
            threading.Thread(
                target=self._report_beside, args=(at_ms,), name="report", daemon=True
            ).start()
        else:
            self._worker.post(lambda worker: self._trim_on(worker, at_ms))

    def missed(self, job: str, why: str) -> None:
        """A job was not done: say so. From any thread."""
        self._worker.post(lambda worker: self._tell(messages.job_failed(job, why, worker.now_ms())))

    def order(self, week: str, now_ms: int) -> Order:
        """The order for one week's report."""
        settings = self._settings
        return Order(settings.store.file, settings.report.folder, week, now_ms, settings.site)

    def _report_beside(self, at_ms: int) -> None:
        try:
            answer = make_report(self.order(last_week(at_ms, self._zone), at_ms))
        except ErrandError as error:
            log.warning("%s", error)
            self.missed(REPORT, str(error))
        else:
            self._worker.post(lambda _: self._keep(answer, at_ms))

    def _keep(self, answer: Answer, at_ms: int) -> None:
        self._worker.writer.keep_report(answer.week, at_ms, answer.text, answer.folder)
        self._tell(messages.report_ready(answer.week, answer.text, at_ms))

    def _tell(self, notice: Notice) -> None:
        self._worker.write(self._worker.engine.tell(notice))

    def _trim_on(self, worker: Worker, at_ms: int) -> None:
        """One slice, and the next when the worker has been at its socket."""
        if self._trim(worker, at_ms):
            worker.post(lambda again: self._trim_on(again, at_ms))

    def _trim(self, worker: Worker, at_ms: int) -> bool:
        store = self._settings.store
        more = worker.writer.trim(at_ms, store.raw_days, store.minutes_days, SLICE_ROWS)
        worker.commit()
        return more
