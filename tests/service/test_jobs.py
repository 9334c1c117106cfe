"""The timetable: APScheduler is the reference for when a job is due; errands on real stores."""

from __future__ import annotations

import json
import sqlite3
import threading
import time as wall
from collections.abc import Iterator
from concurrent.futures import Future
from contextlib import closing, contextmanager
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from apscheduler.schedulers.base import STATE_RUNNING
from apscheduler.triggers.cron import CronTrigger

from monitor.ahead.lesson import load as load_lesson
from monitor.air.minute import MinuteOfAir
from monitor.edges.beside import BesideError
from monitor.engine.effects import Effects
from monitor.engine.engine import Engine
from monitor.intake.payloads import Message
from monitor.notices.spell_rules import Policy
from monitor.service import errands
from monitor.service.errands import UPKEEP_AT, Errands
from monitor.service.jobs import (
    LEARNING,
    REPORT,
    UPKEEP,
    Job,
    Replay,
    Stepper,
    Timetable,
    due,
    last_week,
)
from monitor.service.settings.settings import Settings, load
from monitor.service.worker import Worker
from monitor.site.flowers import read_book
from monitor.site.time import DAY_MS, MINUTE_MS
from monitor.store.connection import backups
from tests.service.test_live import SETTINGS
from tests.service.trial import SAMPLES
from tests.store.test_learn import minute_of_air
from tests.waiting import until

NIGHTLY = Job(UPKEEP, UPKEEP_AT, None, 6 * 3600)
WEEKLY = Job(REPORT, time(7, 0), 0, 24 * 3600)
ZONES = ("Europe/London", "America/St_Johns", "Australia/Lord_Howe", "Africa/Cairo", "Asia/Tokyo")
BOOK = read_book((Path(__file__).parents[2] / "config" / "flowers.toml").read_text("utf-8"))


def at_ms(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp() * 1000)


@pytest.mark.parametrize("name", ZONES)
@pytest.mark.parametrize("job", [NIGHTLY, WEEKLY], ids=["nightly", "weekly"])
def test_due_is_when_apscheduler_would_run_it(name: str, job: Job) -> None:
    """Through two years with every change to and from summer time."""
    zone = ZoneInfo(name)
    trigger = CronTrigger(
        hour=job.at.hour,
        minute=job.at.minute,
        day_of_week=None if job.weekday is None else "mon",
        timezone=zone,
    )
    begin, end = datetime(2026, 1, 1, tzinfo=UTC), datetime(2028, 1, 1, tzinfo=UTC)
    expected: list[int] = []
    fired = trigger.get_next_fire_time(None, begin)
    while fired <= end:
        expected.append(round(fired.timestamp() * 1000))
        fired = trigger.get_next_fire_time(fired, fired + timedelta(seconds=1))
    begin_ms, end_ms = (round(day.timestamp() * 1000) for day in (begin, end))
    assert due(job, begin_ms - 1, end_ms, zone) == expected
    step = 7 * DAY_MS + 12_345
    in_steps = [
        found
        for since in range(begin_ms - 1, end_ms, step)
        for found in due(job, since, min(since + step, end_ms), zone)
    ]
    assert in_steps == expected


def test_a_week_with_the_end_of_summer_time_in_it_is_reported_once_on_monday() -> None:
    zone = ZoneInfo("Europe/London")
    done: list[tuple[str, int]] = []
    stepper = Stepper([NIGHTLY, WEEKLY], zone, lambda job, due_ms: done.append((job.name, due_ms)))
    for minute in range(0, 8 * 1440, 7):  # from Sunday to Monday the week after
        stepper.step(at_ms("2026-10-18T12:00+00:00") + 60_000 * minute)
    assert [due_ms for name, due_ms in done if name == REPORT] == [
        at_ms("2026-10-19T07:00+01:00"),
        at_ms("2026-10-26T07:00+00:00"),
    ]
    assert last_week(done[-1][1], zone) == "2026-W43"
    assert len([name for name, _ in done if name == UPKEEP]) == 8


# -- the real scheduler -------------------------------------------------------------------------


class Seen:
    def __init__(self) -> None:
        self.done: list[tuple[Job, int]] = []
        self.missed: list[tuple[Job, int]] = []
        self.failed: list[tuple[Job, str]] = []
        self.raises: Exception | None = None

    def do(self, job: Job, due_ms: int) -> None:
        self.done.append((job, due_ms))
        if self.raises is not None:
            raise self.raises


@contextmanager
def timetable(seen: Seen, job: Job, next_run: datetime) -> Iterator[Timetable]:
    """A running timetable whose next run is a moment of the past: the machine slept through it."""
    running = Timetable(
        [job],
        ZoneInfo("Europe/London"),
        seen.do,
        lambda job, due_ms: seen.missed.append((job, due_ms)),
        lambda job, why: seen.failed.append((job, why)),
        lambda: wall.time_ns() // 1_000_000,
    )
    running.start()
    running._scheduler.pause()
    running._scheduler.modify_job(job.name, next_run_time=next_run)
    running._scheduler.resume()
    try:
        yield running
    finally:
        running.close()


def daily_at(moment: datetime, grace_s: int) -> Job:
    local = moment.astimezone(ZoneInfo("Europe/London"))
    return Job(UPKEEP, time(local.hour, local.minute), None, grace_s)


def test_set_from_1970_to_today_no_job_of_the_years_between_is_missed() -> None:
    """The scheduler wakes as soon as one job is reckoned anew, and looks at the others too."""
    seen = Seen()
    with timetable(seen, WEEKLY, datetime.now(UTC) + timedelta(days=1)) as running:
        scheduler = running._scheduler
        running._jobs[NIGHTLY.name] = NIGHTLY
        scheduler.add_job(print, running._trigger(NIGHTLY), id=NIGHTLY.name)
        scheduler.pause()
        scheduler.modify_job(WEEKLY.name, next_run_time=datetime(1970, 1, 5, 7, tzinfo=UTC))
        scheduler.state = STATE_RUNNING  # without a look at the wall
        reschedule = scheduler.reschedule_job

        def in_turn(*args: Any, **kwargs: Any) -> Any:
            try:
                return reschedule(*args, **kwargs)
            finally:
                wall.sleep(0.5)

        scheduler.reschedule_job = in_turn
        running._jobs = dict(reversed(running._jobs.items()))  # the overdue one last
        running.clock_set()
        wall.sleep(0.5)
    assert not seen.missed


def test_slept_through_a_week_it_is_done_once_if_the_last_time_is_within_its_grace() -> None:
    recent = datetime.now(UTC).replace(second=0, microsecond=0) - timedelta(minutes=30)
    seen, job = Seen(), daily_at(recent, 3600)
    with timetable(seen, job, recent - timedelta(days=7)) as running:
        until(lambda: seen.done)
        wall.sleep(0.1)
        assert running.alive
    assert seen.done == [(job, round(recent.timestamp() * 1000))]
    assert seen.missed == []


def test_later_than_its_grace_it_is_missed_with_the_time_it_was_due() -> None:
    recent = datetime.now(UTC).replace(second=0, microsecond=0) - timedelta(minutes=30)
    seen, job = Seen(), daily_at(recent, 600)
    with timetable(seen, job, recent - timedelta(days=2)):
        until(lambda: seen.missed)
    assert seen.missed == [(job, round(recent.timestamp() * 1000))]
    assert seen.done == []


def test_a_job_that_raises_is_told_and_the_timetable_goes_on() -> None:
    recent = datetime.now(UTC).replace(second=0, microsecond=0) - timedelta(minutes=1)
    seen, job = Seen(), daily_at(recent, 3600)
    seen.raises = RuntimeError("can't start new thread")
    with timetable(seen, job, recent) as running:
        until(lambda: seen.failed)
        assert running.alive
    assert not running.alive
    assert seen.failed == [(job, "can't start new thread")]


# -- errands of a real worker on a real store ---------------------------------------------------


class Shed:
    """A worker without a broker whose wall clock we set."""

    def __init__(self, folder: Path, now: str, second: Path | None = None) -> None:
        text = (SAMPLES / "nine_days.toml").read_text("utf-8")
        text += f'\n[store]\nfile = "{folder / "x.sqlite"}"\nbackup_folder = "{folder / "b"}"\n'
        text += "" if second is None else f'second_backup_folder = "{second}"\n'
        text += f'[report]\nfolder = "{folder / "reports"}"\n'
        (folder / "drying-room.toml").write_text(text, "utf-8")
        self.settings: Settings = load(folder / "drying-room.toml")
        self.now_ms = at_ms(now)
        self.worker = Worker(
            self.settings.store.file,
            lambda writer: Engine(self.settings.site, Policy(), BOOK, writer),
            None,
            lambda: self.now_ms,
            wall.monotonic,
        )
        self.errands = Errands(self.settings, self.worker)
        self.worker.post(self.errands.catch_up)
        self.thread = threading.Thread(target=self.worker.run)

    def __enter__(self) -> Shed:
        self.thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.worker.stop()
        self.thread.join()

    def notices(self) -> list[tuple[str, str, str]]:
        with closing(sqlite3.connect(self.settings.store.file)) as db:
            return db.execute("SELECT kind, title, body FROM notice").fetchall()

    def wait_for_notices(self, count: int) -> list[tuple[str, str, str]]:
        return until(lambda: found if len(found := self.notices()) >= count else [], self.notices)

    def done(self, job: str) -> int:
        """The time up to which the store says a job was done."""
        answer: Future[str | None] = Future()
        self.worker.post(lambda worker: answer.set_result(worker.writer.fact(f"{job} done")))
        return int(answer.result(300) or 0)


def test_the_nightly_backup_is_made_by_a_child_and_verified(tmp_path: Path) -> None:
    with Shed(tmp_path, "2026-07-12T04:15+01:00") as shed:
        shed.errands.soon(shed.errands.jobs()[0], shed.now_ms)
        found = until(lambda: backups(shed.settings.store.file, tmp_path / "b"))
    assert [file.name for file in found] == ["x-20260712T031500Z.sqlite"]
    assert shed.notices() == []


def test_each_night_the_days_that_are_over_are_worked_out(tmp_path: Path) -> None:
    with Shed(tmp_path, "2026-07-12T04:15+01:00") as shed:
        first = at_ms("2026-07-08T12:00+01:00") // MINUTE_MS
        minutes = [
            MinuteOfAir(first + n, "loft", 20.0, 60.0, None, None, 1.0, None, None, None, 1)
            for n in range(0, 3 * 1440, 60)
        ]
        shed.worker.post(lambda worker: worker.write(Effects(air=minutes)))
        shed.errands.soon(shed.errands.jobs()[0], shed.now_ms)
        with closing(sqlite3.connect(shed.settings.store.file)) as db:
            asked = "SELECT sum(minutes) FROM air_day WHERE what = 'vpd_kpa'"
            until(lambda: db.execute(asked).fetchone() == (3 * 24,))


def test_a_replay_learns_in_the_night_what_the_store_taught_until_then(tmp_path: Path) -> None:
    night = at_ms("2026-07-12T04:30+01:00")
    with Shed(tmp_path, "2026-07-12T04:31+01:00") as shed:
        [learning] = [job for job in shed.errands.jobs() if job.name == LEARNING]
        first = night // MINUTE_MS - 3 * 1440
        air = [minute_of_air("loft", first + n, 20.0 + n % 7, 60.0) for n in range(3 * 1440 + 1)]
        taught: Future[list[bytes]] = Future()

        def replayed(worker: Worker) -> None:
            worker.write(Effects(air=air))
            shed.errands.now(learning, night)
            taught.set_result(worker.writer.lessons())

        shed.worker.post(replayed)
        [kept] = taught.result(300)
    lesson = load_lesson(kept)
    assert lesson is not None
    assert (lesson.space, lesson.minute) == ("loft", night // MINUTE_MS)
    assert shed.notices() == []


def test_a_night_that_could_not_be_learned_from_is_told_in_a_replay_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(errands, "LESSONS", replace(errands.LESSONS, memory_mb=1))
    with Shed(tmp_path, "2026-07-12T04:31+01:00") as shed:
        [learning] = [job for job in shed.errands.jobs() if job.name == LEARNING]
        shed.worker.post(lambda _: shed.errands.now(learning, shed.now_ms))
        [(kind, title, body)] = shed.wait_for_notices(1)
    assert (kind, title) == ("job-failed", "Monitor: the nightly learning from the past failed")
    assert "it took more than 1 MB of memory" in body


@pytest.mark.parametrize("job", [NIGHTLY, WEEKLY, Job(LEARNING, time(4, 30), None, 3600)])
@pytest.mark.parametrize("thread", [True, False], ids=["fails", "cannot begin"])
def test_a_job_that_fails_in_an_unforeseen_way_is_told_and_the_monitor_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, job: Job, thread: bool
) -> None:
    def fails(*_: object) -> None:
        raise RuntimeError("can't start new thread")

    with Shed(tmp_path, "2026-07-14T12:00+00:00") as shed:
        if thread:
            monkeypatch.setattr(errands, "ask", fails)
        else:
            monkeypatch.setattr(errands.threading.Thread, "start", fails)
        shed.errands.soon(job, shed.now_ms)
        [(_, _, body)] = shed.wait_for_notices(1)
        assert "start new thread" in body
        assert shed.thread.is_alive()


def test_a_missing_stick_is_told_and_the_first_backup_is_there(tmp_path: Path) -> None:
    with Shed(tmp_path, "2026-07-12T04:15+01:00", tmp_path / "stick") as shed:
        shed.errands.soon(shed.errands.jobs()[0], shed.now_ms)
        [(kind, title, body)] = shed.wait_for_notices(1)
    assert (kind, title) == ("job-failed", "Monitor: the nightly backup failed")
    assert "is the stick plugged in?" in body
    assert len(backups(shed.settings.store.file, tmp_path / "b")) == 1


def test_off_for_less_than_its_grace_the_job_is_done_at_the_start(tmp_path: Path) -> None:
    with Shed(tmp_path, "2026-07-11T20:00+01:00"):
        pass  # the first start: nothing was ever due
    assert not (tmp_path / "b").exists()
    with Shed(tmp_path, "2026-07-12T09:00+01:00") as shed:
        until(lambda: shed.done(UPKEEP) == at_ms("2026-07-12T04:15+01:00"))
        assert shed.notices() == []
    assert len(backups(shed.settings.store.file, tmp_path / "b")) == 1
    with Shed(tmp_path, "2026-07-12T10:00+01:00"):
        pass  # it is not done twice
    assert len(backups(shed.settings.store.file, tmp_path / "b")) == 1


def test_off_for_longer_it_is_missed_and_said_once(tmp_path: Path) -> None:
    with Shed(tmp_path, "2026-07-04T20:00+01:00"):
        pass
    with Shed(tmp_path, "2026-07-08T20:00+01:00") as shed:  # two nights and a Monday went by
        told = shed.wait_for_notices(2)
    assert {(kind, title) for kind, title, _ in told} == {
        ("job-missed", "Monitor: the nightly backup was missed"),
        ("job-missed", "Monitor: the weekly report was missed"),
    }
    bodies = " ".join(body for *_, body in told)
    assert "It was due at 04:15" in bodies
    with Shed(tmp_path, "2026-07-08T20:10+01:00") as again:
        wall.sleep(0.2)
        assert len(again.notices()) == 2


def test_a_clock_that_starts_in_1970_makes_no_flood(tmp_path: Path) -> None:
    with Shed(tmp_path, "2026-07-11T20:00+01:00"):
        pass
    with Shed(tmp_path, "1970-01-01T00:02+00:00") as shed:
        wall.sleep(0.2)
        assert shed.notices() == []
    assert not (tmp_path / "b").exists()


def test_what_a_failed_commit_undid_is_done_again_in_a_replay(tmp_path: Path) -> None:
    (tmp_path / "barn.toml").write_text(SETTINGS, "utf-8")
    site = load(tmp_path / "barn.toml").site
    begin_ms, end_ms = at_ms("2026-07-10T12:00Z"), at_ms("2026-07-11T12:00Z")
    worker = Worker(
        tmp_path / "x.sqlite",
        lambda writer: Engine(site, Policy(), BOOK, writer, end_ms + DAY_MS),
        None,
        lambda: 0,
        wall.monotonic,
    )
    done: list[int] = []
    stepper = Stepper([NIGHTLY], ZoneInfo("UTC"), lambda job, due_ms: done.append(due_ms))
    replay = Replay(worker, end_ms + DAY_MS, [], stepper, wall.monotonic, worker.stop)

    def turn() -> None:
        while worker.engine.behind(worker.now_ms()):
            worker.write(worker.engine.advance(worker.now_ms(), 2000))
            worker.write(worker.engine.consider())
        replay.look(worker.now_ms())

    for told_ms in (begin_ms, end_ms):
        told = json.dumps({"ts": told_ms, "t": 20, "rh": 50}).encode()
        worker.write(worker.engine.receive([Message("barn/rail", told, told_ms, False)]))
        worker.writer.commit()
    turn()
    worker.writer.rollback()
    assert done == [at_ms("2026-07-11T04:15Z")]
    turn()
    worker.writer.commit()
    turn()
    assert done == [at_ms("2026-07-11T04:15Z")] * 2
    worker.stop()
    worker.run()  # closes


def test_a_report_that_fails_is_tried_again(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It fails for as long as a file stands where its folder is wanted."""
    with Shed(tmp_path, "2026-07-13T06:00+01:00") as shed:
        order = errands.report_order(shed.settings, "2026-W28", shed.now_ms)
        order.folder.write_text("a file")
        with pytest.raises(BesideError):
            errands._tried_again(order, (0.0,))

        def waited(_: threading.Event, seconds: float | None = None) -> bool:
            order.folder.unlink()
            return seconds is not None

        with monkeypatch.context() as patched:
            patched.setattr(errands.threading.Event, "wait", waited)
            made = errands._tried_again(order, (0.0, 0.0))
    assert made.week == "2026-W28"
    assert caplog.text.count("; it is tried again in 0 s.") == 2
