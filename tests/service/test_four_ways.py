"""The nine days through real brokers in four ways: the answers must be the same.

In order through mosquitto; with the daemon killed at ten random moments; shuffled within six
hours and doubled; through the small broker in Python, paced. And once more from the store alone,
many minutes at once.
"""

from __future__ import annotations

import csv
import gzip
import io
import random
import sqlite3
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import datetime, timedelta
from pathlib import Path

from monitor.edges import broker as broker_edge
from monitor.edges.broker import Kind, RunningBroker
from monitor.edges.recordings import replay
from monitor.engine.engine import Engine
from monitor.entries.entries import Request
from monitor.notices.spell_rules import Policy
from monitor.service.settings.settings import load
from monitor.service.worker import Worker
from sample_readings.scenario import HAPPENINGS
from tests.conftest import Kept
from tests.engine.test_engine import rows
from tests.service.test_jobs import BOOK
from tests.service.trial import NINE_DAYS, SAMPLES, Caught, Trial, settings_in

KILLS = 10
SHUFFLED_WITHIN_H = 6.0
KEPT = (
    "SELECT * FROM reading ORDER BY time_ms, sensor, quantity",
    "SELECT * FROM air ORDER BY minute, space",
    "SELECT kind, space, sensor, began, declared, ended, worst, urgent FROM spell ORDER BY 4, 1",
)
COMPARED = ("air", "spells", "notices", "ahead", "batches", "forecasts")


@contextmanager
def trial(folder: Path, kind: Kind) -> Iterator[tuple[RunningBroker, Trial]]:
    (folder / "broker").mkdir()
    broker = broker_edge.start(folder / "broker", folder / "broker.log", kind)
    try:
        running = Trial(settings_in(folder, broker, SAMPLES / "nine_days.toml"))
        try:
            yield broker, running
        finally:
            running.stop()
    finally:
        broker.stop()


def run_in_order(folder: Path) -> None:
    with trial(folder, "mosquitto") as (broker, running):
        running.start()
        replay(NINE_DAYS, broker.address, None)
        running.finish()
        for what in COMPARED:
            running.export(what)


def exports(folder: Path) -> dict[str, str]:
    return {what: (folder / f"{what}.csv").read_text("utf-8") for what in COMPARED}


def recorded_lines() -> list[str]:
    with gzip.open(NINE_DAYS, "rt", encoding="utf-8") as file:
        return file.read().splitlines()


def compare(other: Trial, kept: Kept) -> None:
    same = exports(kept("nine-days", run_in_order))
    assert other.export("air") == same["air"]
    assert other.export("spells") == same["spells"]
    spells = {
        (row["kind"], row["space"], row["began"])
        for row in csv.DictReader(io.StringIO(same["spells"]))
    }
    assert spells

    def told(table: str) -> set[tuple[str, str, str]]:
        rows = csv.DictReader(io.StringIO(table))
        return {(row["kind"], row["space"], row["spell_began"]) for row in rows} & spells

    assert told(same["notices"]) == spells
    assert told(other.export("notices")) == spells


def test_the_spells_are_what_happened_in_the_nine_days(kept: Kept) -> None:
    """Also on the 5th, when the patch of sun on the rail's sensor is hot and the loft is not."""
    spells = list(csv.DictReader(io.StringIO(exports(kept("nine-days", run_in_order))["spells"])))
    expected = [h for h in HAPPENINGS if h.kind in {s["kind"] for s in spells}]
    assert {h.kind for h in expected} == {"hot", "damp", "dewy", "sunny", "silent", "stuck"}
    for spell in spells:
        began = datetime.fromisoformat(spell["began"])
        # A silence begins three intervals after the last reading; a spell of light or heat may
        # begin in the minute before, for a minute is told by its beginning.
        [happening] = [
            h
            for h in expected
            if (h.kind, h.space) == (spell["kind"], spell["space"])
            and abs(began - h.begins) <= timedelta(minutes=h.slack + 3)
        ]
        # It ends inside the deadband, so not before.
        assert datetime.fromisoformat(spell["ended"]) >= happening.ends - timedelta(
            minutes=happening.slack + 1
        )
        expected.remove(happening)
    assert expected == []


def test_killed_at_ten_random_moments(tmp_path: Path, kept: Kept) -> None:
    rng = random.Random(7)
    with trial(tmp_path, "mosquitto") as (broker, running):
        running.start()
        publishing = threading.Thread(target=replay, args=(NINE_DAYS, broker.address, None))
        publishing.start()
        for _ in range(KILLS):
            time.sleep(rng.uniform(0.1, 0.9))
            running.kill()
            running.start()
        publishing.join()
        running.finish()
        compare(running, kept)


def test_shuffled_within_six_hours_and_doubled(tmp_path: Path, kept: Kept) -> None:
    rng = random.Random(11)
    lines = recorded_lines()
    per_hour = len(lines) / (9 * 24)
    keyed = [
        (i + rng.uniform(0, SHUFFLED_WITHIN_H * per_hour), line) for i, line in enumerate(lines)
    ]
    keyed += [(at + rng.uniform(0, per_hour), line) for at, line in keyed if rng.random() < 0.5]
    shuffled = tmp_path / "shuffled.jsonl"
    shuffled.write_text("\n".join(line for _, line in sorted(keyed)) + "\n", "utf-8")
    with trial(tmp_path, "mosquitto") as (broker, running):
        running.start()
        replay(shuffled, broker.address, None)
        running.finish()
        compare(running, kept)


def test_through_the_small_broker_in_python(tmp_path: Path, kept: Kept) -> None:
    with trial(tmp_path, "amqtt") as (broker, running):
        running.start()
        done = replay(NINE_DAYS, broker.address, None, pace=running.handled, ahead=200)
        running.finish()
        assert done.messages == len(recorded_lines())
        compare(running, kept)
        same = exports(kept("nine-days", run_in_order))
        for what in ("ahead", "batches", "forecasts"):
            assert running.export(what) == same[what], what
        assert said(running.export("notices")) == said(same["notices"])


def said(notices: str) -> list[dict[str, str]]:
    """Everything about the notices but when and how they went out."""
    rows = list(csv.DictReader(io.StringIO(notices)))
    return [{k: v for k, v in row.items() if k not in ("sent", "tries", "failure")} for row in rows]


def test_folded_anew_from_the_store(tmp_path: Path, kept: Kept) -> None:
    """A calibration that changes nothing, of a sensor from its first reading on."""
    settings = load(kept("nine-days", run_in_order) / "drying-room.toml")
    file = tmp_path / "store.sqlite"
    with closing(sqlite3.connect(settings.store.file)) as was, closing(sqlite3.connect(file)) as db:
        was.backup(db)
    before = [rows(file, asked) for asked in KEPT]
    end_ms = max(time_ms for time_ms, *_ in before[0])
    worker = Worker(
        file,
        lambda writer: Engine(settings.site, Policy(), BOOK, writer, end_ms),
        None,
        lambda: end_ms,
        time.monotonic,
    )
    nothing = {"sensor": "loft-rail", "quantity": "humidity", "offset": 0.0}
    worker.enter(Request("calibrate", nothing, before[0][0][0]), end_ms)
    worker.engine.catch_up()  # nothing more comes that would move the clock
    worker.watches = [Caught(worker)]
    worker.run()
    assert [rows(file, asked) for asked in KEPT] == before
