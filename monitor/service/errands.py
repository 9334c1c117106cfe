"""What the timetable asks for: the weekly report, and each night the upkeep and the learning."""

from __future__ import annotations

import logging
import threading
from collections.abc import Sequence
from datetime import time
from zoneinfo import ZoneInfo

from monitor.ahead.grid import STEP_MIN
from monitor.ahead.lesson import LEARNED_AT, Lesson, load, place_of
from monitor.edges.beside import BesideError, Command, ask
from monitor.edges.report.order import REPORT as REPORTING
from monitor.edges.report.order import Answer, ReportOrder
from monitor.notices.notice import Notice
from monitor.notices.sentences import upkeep
from monitor.service.jobs import LEARNING, REPORT, UPKEEP, Job, due, last_week
from monitor.service.settings.settings import Settings, Store, book_of
from monitor.service.worker import Worker
from monitor.site.time import MINUTE_MS
from monitor.store.backup import BackupOrder, Made
from monitor.store.queries import LearningOrder

log = logging.getLogger(__name__)

UPKEEP_AT = time(4, 15)
BACKUP = Command("monitor.store.backup:back_up", BackupOrder, Made, within_s=3600)
LESSONS = Command("monitor.store.queries:lessons", LearningOrder, list[bytes], within_s=1800)
# After a report failed: live beside the worker, in a replay in its thread.
RETRIES_S, REPLAY_RETRIES_S = (60.0, 600.0, 3600.0), (2.0, 5.0)
# What the jobs are called in a notice.
WORDS = {
    UPKEEP: "the nightly backup",
    REPORT: "the weekly report",
    LEARNING: "the nightly learning from the past",
}
# Rows taken away between two commits, so that the worker is soon back at its socket.
SLICE_ROWS = 2_000
SLICE_DAYS = 20  # days of a space worked out between two commits: some 2 ms each


def report_order(settings: Settings, week: str, now_ms: int) -> ReportOrder:
    """The order for one week's report; raises SettingsError (the settings' own flowers)."""
    store = settings.store
    return ReportOrder(
        store.file,
        settings.report.folder,
        week,
        now_ms,
        settings.site,
        book_of(settings),
        backups=store.backup_folder,
    )


def make_backup(store: Store, now_ms: int) -> Made:
    """Make a backup beside: the monitor goes on meanwhile; raises BesideError."""
    folder, second = store.backup_folder, store.second_backup_folder
    return ask(BACKUP, BackupOrder(store.file, folder, second, store.backups_kept, now_ms))


def _tried_again(order: ReportOrder, waits_s: Sequence[float]) -> Answer:
    """Make a report; a disk may fail for a while, and the next one is of another week.

    raises  BesideError: nor could it be made after the last of these waits
    """
    for wait_s in waits_s:
        try:
            return ask(REPORTING, order)[-1]
        except BesideError as error:
            log.warning("%s: %s; it is tried again in %.0f s.", WORDS[REPORT], error, wait_s)
            threading.Event().wait(wait_s)
    return ask(REPORTING, order)[-1]


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
            Job(LEARNING, LEARNED_AT, None, grace_s=24 * 3600),
            Job(REPORT, report.at, report.weekday, grace_s=24 * 3600),
        ]

    # -- a replay's way: in the worker's thread, one after the other ------------------------------

    def now(self, job: Job, due_ms: int) -> None:
        """Do a job and wait for it. A replay is made from a recording: it needs no backup."""
        if job.name == UPKEEP:
            while self._trim(due_ms):
                pass
            return
        self._worker.commit()  # the job's process reads the store
        try:
            if job.name == LEARNING:
                _taught(self._worker, self._lessons(due_ms))
            else:
                order = report_order(self._settings, last_week(due_ms, self._zone), due_ms)
                self._keep(_tried_again(order, REPLAY_RETRIES_S), due_ms)
        except BesideError as error:
            self._failed(job.name, str(error), due_ms)

    # -- the live way: beside the worker, from any thread -----------------------------------------

    def soon(self, job: Job, due_ms: int) -> None:
        """Begin a job that was due at a time; before that is known, `catch_up` will."""
        if not self._worker.time_known:
            return
        try:
            threading.Thread(
                target=self._do, args=(job.name, due_ms), name=job.name, daemon=True
            ).start()
        except RuntimeError as error:  # the system has no more threads for us
            self._end(job.name, due_ms, str(error))

    def missed(self, job: Job, due_ms: int) -> None:
        """A job was not done at its time, and it is too late for it: say so."""
        if self._worker.time_known:
            self._worker.post(lambda worker: self._too_late(worker, job, due_ms))

    def crashed(self, job: Job, reason: str) -> None:
        """A job could not even begin: say so."""
        self._worker.post(lambda worker: self._failed(job.name, reason, worker.now_ms()))

    def catch_up(self, worker: Worker) -> None:
        """In the worker's thread, at the start: what fell due while the monitor was off."""
        now_ms = worker.now_ms()
        for job in self.jobs():
            done = worker.writer.fact(_fact(job.name))
            if done is None:
                self._done(job.name, now_ms)
                if job.name == LEARNING and worker.engine.first_ms is not None:
                    # What was kept before there was any learning can teach at once.
                    self.soon(job, now_ms)
            elif times := due(job, int(done), now_ms, self._zone):
                late_s = (now_ms - times[-1]) / 1000
                (self.soon if late_s <= job.grace_s else self.missed)(job, times[-1])

    def _do(self, job: str, due_ms: int) -> None:
        """One job, in a thread of its own; what keeps it from being done is said."""
        trouble = None
        try:
            {REPORT: self._report, UPKEEP: self._upkeep, LEARNING: self._learn}[job](due_ms)
        except BesideError as error:
            trouble = str(error)
        except Exception as error:
            log.exception("A job could not be done")
            trouble = f"it failed ({error})"
        self._end(job, due_ms, trouble)

    def _report(self, due_ms: int) -> None:
        now_ms = self._worker.now_ms()
        order = report_order(self._settings, last_week(due_ms, self._zone), now_ms)
        answer = _tried_again(order, RETRIES_S)
        self._worker.post(lambda _: self._keep(answer, now_ms))

    def _upkeep(self, due_ms: int) -> None:
        try:
            trouble = make_backup(self._settings.store, self._worker.now_ms()).trouble
        finally:  # old rows go, backup or not
            self._worker.post(lambda worker: self._trim_on(worker, worker.now_ms()))
        if trouble is not None:
            raise BesideError(trouble)

    def _learn(self, due_ms: int) -> None:
        lessons = self._lessons(due_ms)
        self._worker.post(lambda worker: _taught(worker, lessons))

    def _lessons(self, due_ms: int) -> list[Lesson]:
        site = self._settings.site
        spaces = sorted({sensor.space for sensor in site.sensors.values()})
        until = due_ms // MINUTE_MS // STEP_MIN * STEP_MIN
        kept = ask(LESSONS, LearningOrder(self._settings.store.file, spaces, place_of(site), until))
        return [lesson for lesson in map(load, kept) if lesson is not None]

    def _end(self, job: str, due_ms: int, trouble: str | None) -> None:
        """The job was done: note it, and say what went wrong in it."""

        def end(worker: Worker) -> None:
            self._done(job, due_ms)
            if trouble is not None:
                log.warning("%s: %s", WORDS[job], trouble)
                self._failed(job, trouble, worker.now_ms())

        self._worker.post(end)

    # -- in the worker's thread -------------------------------------------------------------------

    def _done(self, job: str, due_ms: int) -> None:
        self._worker.writer.note(_fact(job), str(due_ms))

    def _too_late(self, worker: Worker, job: Job, due_ms: int) -> None:
        self._done(job.name, due_ms)
        zone = self._settings.site.timezone
        self._tell(upkeep.job_missed(WORDS[job.name], due_ms, zone, worker.now_ms()))

    def _failed(self, job: str, reason: str, now_ms: int) -> None:
        self._tell(upkeep.job_failed(WORDS[job], reason.rstrip("."), now_ms))

    def _keep(self, answer: Answer, at_ms: int) -> None:
        self._worker.writer.keep_report(answer.week, at_ms, answer.text, answer.folder)
        self._tell(upkeep.report_ready(answer.week, answer.text, at_ms))

    def _tell(self, notice: Notice) -> None:
        self._worker.write(self._worker.engine.tell(notice))

    def _trim_on(self, worker: Worker, now_ms: int) -> None:
        """One slice, and the next when the worker has been at its socket."""
        if self._trim(now_ms):
            worker.post(lambda again: self._trim_on(again, now_ms))

    def _trim(self, now_ms: int) -> bool:
        store = self._settings.store
        writer = self._worker.writer
        more = writer.trim(now_ms, store.raw_days, store.minutes_days, SLICE_ROWS)
        more = writer.work_out_days(now_ms, SLICE_DAYS) or more
        self._worker.commit()
        return more


def _taught(worker: Worker, lessons: list[Lesson]) -> None:
    worker.write(worker.engine.taught(lessons))


def _fact(job: str) -> str:
    return f"{job} done"
