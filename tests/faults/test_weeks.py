"""Many days at speed through the real monitor: what it holds of the machine stays as it was.

A week in which the clocks go back is among them, with the week's report at its hour.
"""

from __future__ import annotations

import http.client
import json
import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

from monitor.edges import broker as broker_edge
from monitor.edges.mqtt import Guest
from tests.service.test_live import SETTINGS
from tests.service.trial import Trial, settings_in
from tests.waiting import until

DAYS = 10
AUTUMN = datetime(2026, 10, 20, tzinfo=UTC)  # a Tuesday; the clocks go back on Sunday the 25th
SPRING = datetime(2026, 3, 26, tzinfo=UTC)  # a Thursday; they go forward on Sunday the 29th
EVERY_MIN = 2
AHEAD_MS = 86_400_000  # what the monitor has not folded yet it holds in memory: keep near it


class Held(NamedTuple):
    """What the monitor holds: resident memory [MB], threads, open files, the store's log [MB]."""

    memory_mb: float
    threads: int
    descriptors: int
    log_mb: float


def held(trial: Trial) -> Held:
    assert trial.process is not None
    process = Path(f"/proc/{trial.process.pid}")
    status = dict(
        line.split(":", 1) for line in (process / "status").read_text("utf-8").splitlines()
    )
    log = trial.settings.store.file.with_name("store.sqlite-wal")
    return Held(
        int(status["VmRSS"].split()[0]) / 1000,
        int(status["Threads"]),
        len(list((process / "fd").iterdir())),
        log.stat().st_size / 1e6,
    )


def wait_for_page(port: int) -> None:
    """The page starts beside the rest and opens files of its own: what is held counts from then."""

    def answers() -> bool:
        with closing(http.client.HTTPConnection("127.0.0.1", port, timeout=60)) as link:
            try:
                # An answer, not a connection: the port is there before its thread has begun.
                link.request("GET", "/")
                link.getresponse().read()
                return True
            except (OSError, http.client.HTTPException):
                return False

    until(answers, lambda: "the page does not answer")


def run(folder: Path, begin: datetime, days: int) -> list[Held]:
    """What is held at the end of each day; raises AssertionError where anything is lost."""
    (folder / "broker").mkdir()
    (folder / "sample.toml").write_text(SETTINGS, "utf-8")
    broker = broker_edge.start(folder / "broker", folder / "broker.log", "mosquitto")
    settings = settings_in(folder, broker, folder / "sample.toml")
    begin_ms = round(begin.timestamp() * 1000)
    end_ms = begin_ms + days * 86_400_000
    until = datetime.fromtimestamp(end_ms / 1000 - 60, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    trial = Trial(settings, until, entries=None)
    found: list[Held] = []
    try:
        trial.start()
        wait_for_page(settings.page.port)
        with Guest(broker.address, in_flight=500) as guest:
            for sent, minute in enumerate(range(0, days * 1440, EVERY_MIN), 1):
                stir = minute % 7 / 10
                payload = {"ts": begin_ms + 60_000 * minute, "t": 20 + stir, "rh": 50 + stir}
                guest.publish("barn/rail", json.dumps(payload).encode())
                if sent % 360 == 0:
                    guest.settle()
                    enough_ms = payload["ts"] - AHEAD_MS
                    trial.wait_until(lambda ms=enough_ms: trial.heard_ms("rail") >= ms)  # type: ignore[misc]
                if (minute + EVERY_MIN) % 1440 == 0:
                    found.append(held(trial))
            final = {"ts": end_ms, "t": 20, "rh": 50}
            guest.publish("barn/rail", json.dumps(final).encode())
            guest.settle()
        trial.finish()
    finally:
        trial.stop()
        broker.stop()
    rows = trial.export("readings").count("temperature")
    assert rows == days * 1440 // EVERY_MIN + 1
    return found


def test_flat_through_days_with_the_clocks_going_back(tmp_path: Path) -> None:
    found = run(tmp_path, AUTUMN, DAYS)
    print(found[1], found[-1])
    # The least of some days; one thread and file may answer the question asked just before.
    early, late = (Held(*map(min, zip(*of, strict=True))) for of in (found[1:4], found[-3:]))
    assert late.threads <= early.threads + 1
    assert late.descriptors <= early.descriptors + 1
    assert late.memory_mb < early.memory_mb + 6
    assert max(each.log_mb for each in found) < 40
    # Monday at breakfast by the site's clock: winter time by then.
    due_ms = round(datetime(2026, 10, 26, 7, 0, tzinfo=UTC).timestamp() * 1000)
    assert reports(tmp_path) == [("2026-W43", due_ms)]


def test_the_report_of_a_week_with_the_clocks_going_forward_comes_at_its_hour(
    tmp_path: Path,
) -> None:
    run(tmp_path, SPRING, 5)
    due_ms = round(datetime(2026, 3, 30, 6, 0, tzinfo=UTC).timestamp() * 1000)
    assert reports(tmp_path) == [("2026-W13", due_ms)]


def reports(folder: Path) -> list[tuple[str, int]]:
    with closing(sqlite3.connect(folder / "store.sqlite")) as db:
        return db.execute("SELECT week, made_ms FROM report").fetchall()
