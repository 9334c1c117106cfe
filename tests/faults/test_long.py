"""Weeks at speed in one process while everything around it fails: bounded, and right at the end.

The same weeks are run twice, once in peace. What the readings came to must be the same to the
last digit: every flag, minute of air and spell, and every weekly report.
"""

from __future__ import annotations

import http.client
import random
import socket
import sqlite3
import threading
import time
from collections import Counter
from collections.abc import Callable
from contextlib import closing, suppress
from dataclasses import replace
from datetime import UTC, timedelta
from hashlib import sha256
from itertools import islice
from pathlib import Path
from statistics import median_low
from typing import NamedTuple

from monitor.edges import broker as broker_edge
from monitor.edges.mqtt import Broker, Guest
from monitor.edges.recordings import Recorded, recorded, replay
from monitor.edges.socket import SocketError, ask
from monitor.service.settings.settings import socket_file
from sample_readings.make_samples import write_load
from sample_readings.scenario import START
from tests.edges.receiver import Answer, HttpReceiver
from tests.faults.conftest import Shim
from tests.faults.proxy import Mode, Proxy
from tests.faults.test_flat import Use, use_of
from tests.service.test_live import command
from tests.service.trial import Trial, settings_in

DAYS, FULL_DAYS, SENSORS, EVERY_S = 3, 90, 4, 60
AHEAD = 8_000  # messages published ahead of the monitor
MOST_GROWTH_MB, MOST_WAL_MB, MOST_STORE_MB_A_DAY = 20.0, 40.0, 4.0
SAME = ("readings", "air", "spells")


class Ran(NamedTuple):
    """What a run came to: fingerprints of its tables, its reports by week, what it used."""

    tables: dict[str, str]
    reports: dict[str, str]
    used: list[tuple[int, Use]]
    store_mb: float
    troubles: Counter[str]


class Trouble:
    """Every fault there is, one after the other in an order of chance, until told to end."""

    def __init__(self, trial: Trial, direct: Broker, proxy: Proxy, shim: Shim, sent: Path) -> None:
        self.trial, self.direct, self.proxy, self.shim = trial, direct, proxy, shim
        self.rng = random.Random(11)
        self.done: Counter[str] = Counter()
        self.sent = list(islice(recorded(sent), 4_000))
        self.topics = sorted({message.topic for message in self.sent})
        self.ending = threading.Event()
        self.all: dict[str, Callable[[], None]] = {
            "way cut": lambda: self.way("cut"),
            "way stalled": lambda: self.way("stall"),
            "way into nothing": lambda: self.way("drop"),
            "disk full": lambda: self.disk("full"),
            "disk failing": lambda: self.disk("eio"),
            "disk read-only": lambda: self.disk("readonly"),
            "garbage": self.garbage,
            "doubles": self.doubles,
            "wrong entries": self.wrong_entries,
            "page": self.page,
            "commands": self.commands,
        }

    def run(self, gap_s: float) -> None:
        while True:
            for name in self.rng.sample(list(self.all), len(self.all)):
                if self.ending.wait(self.rng.uniform(0.2, 1.0) * gap_s):
                    return
                with suppress(SocketError):
                    self.all[name]()
                    self.done[name] += 1

    def way(self, mode: Mode) -> None:
        self.proxy.mode = mode
        time.sleep(self.rng.uniform(0.1, 1.0))
        if mode == "drop":  # what was thrown away is asked for again on a new connection
            self.proxy.mode = "cut"
            time.sleep(0.2)
        self.proxy.mode = "pass"

    def disk(self, how: str) -> None:
        self.shim.set(how)
        time.sleep(self.rng.uniform(0.2, 1.5))
        self.shim.set("")

    def publish(self, messages: list[Recorded]) -> None:
        with Guest(self.direct, in_flight=100) as guest:
            for message in messages:
                guest.publish(message.topic, message.payload)
            guest.settle()

    def garbage(self) -> None:
        made = []
        for _ in range(200):
            topic = self.rng.choice([*self.topics, "load/<b>nobody", "load//"])
            # No text begins with this byte: none of it can be taken for a reading.
            made.append(Recorded(0, topic, b"\xff" + self.rng.randbytes(self.rng.randrange(300))))
        self.publish(made)

    def doubles(self) -> None:
        self.publish(self.rng.sample(self.sent, min(300, len(self.sent))))

    def wrong_entries(self) -> None:
        for wrong in (
            {"enter": {"verb": "hang", "arguments": {"flower": "stone", "space": "nowhere"}}},
            {"enter": {"verb": "undo", "arguments": {}, "changes": 999_999}},
            {"enter": 5},
            {"show": "secrets"},
            {"plan": {"flower": "statice", "bunches": "many"}},
        ):
            assert "error" in ask(socket_file(self.trial.settings), wrong, timeout=60)
        half = socket.socket(socket.AF_UNIX)
        half.settimeout(5)
        with closing(half), suppress(OSError):
            half.connect(str(socket_file(self.trial.settings)))
            half.sendall(b'{"enter": {')

    def page(self) -> None:
        port = self.trial.settings.page.port
        for path in ("/", "/space/loft", "/notices", "/nothing", "/space/..%2f..%2fetc", "/live2"):
            link = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
            with closing(link), suppress(OSError, http.client.HTTPException):
                link.request("GET", path)
                assert link.getresponse().status < 500 or path == "/space/loft"
        with suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=5) as half:
            half.sendall(b"POST /enter HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 90\r\n\r\nve")

    def commands(self) -> None:
        command(self.trial, "export", "spells")
        command(self.trial, "now")


# A phone's service that mostly takes what comes, and else fails in every way in turn.
PLAN: tuple[Answer, ...] = ((503, {}), "garbage", (200, {}), "cut", (429, {"Retry-After": "1"}))


def once(folder: Path, days: int, shim: Shim | None, gap_s: float) -> Ran:
    """One run; with a shim, everything that can fail does."""
    recording = folder.parent / "days.jsonl.gz"
    if not recording.exists():
        write_load(days, SENSORS, EVERY_S, recording)
    entries = folder.parent / "days.entries"
    day = [(START + timedelta(days=n)).strftime("%Y-%m-%d") for n in range(days)]
    entries.write_text(
        f"hang statice --space loft --bunches 12 --name early --at {day[0]}T10:00\n"
        f"weigh early 120 --at {day[1]}T09:00\nsnap early bends --at {day[1]}T09:05\n"
        f"move early --space 'wash house' --at {day[-1]}T08:00\n",
        "utf-8",
    )
    (folder / "broker").mkdir(parents=True)
    broker = broker_edge.start(folder / "broker", folder / "broker.log", "mosquitto")
    until = (START + timedelta(days=days, minutes=-1)).astimezone(UTC)
    used: list[tuple[int, Use]] = []
    feeding_failed: list[Exception] = []
    with HttpReceiver(*PLAN * 20 if shim else ()) as phone, Proxy(broker.port) as proxy:
        port = broker_edge.free_port()
        extra = f'[[address]]\nname = "phone"\nurl_file = "phone-url"\n[page]\nport = {port}\n'
        (folder / "phone-url").write_text(phone.address)
        (folder / "phone-url").chmod(0o600)
        behind = replace(broker, port=proxy.port)
        sample = recording.with_name("days.jsonl.toml")
        settings = settings_in(folder, behind, sample, extra, "2 s")
        trial = Trial(
            settings,
            until.strftime("%Y-%m-%dT%H:%M:%SZ"),
            entries,
            {} if shim is None else shim.environment(),
        )
        trouble = Trouble(trial, broker.address, proxy, shim, recording) if shim else None

        def feed() -> None:
            try:
                replay(recording, broker.address, None, pace=trial.handled, ahead=AHEAD)
            except Exception as error:
                feeding_failed.append(error)

        threads = [threading.Thread(target=feed)]
        if trouble is not None:
            threads.append(threading.Thread(target=trouble.run, args=(gap_s,)))
        try:
            process = trial.start()
            for thread in threads:
                thread.start()
            while process.poll() is None:
                assert not feeding_failed, (feeding_failed, trial.log())
                if handled := trial.handled():
                    with suppress(OSError, KeyError):  # it has just ended
                        used.append((handled, use_of(process.pid, settings.store.file)))
                if not threads[0].is_alive() and trouble is not None:
                    trouble.ending.set()
                time.sleep(0.1)
            trial.finish()
        finally:
            if trouble is not None:
                trouble.ending.set()
            trial.stop()
            for thread in threads:
                if thread.ident is not None:
                    thread.join()
            broker.stop()
    assert "Traceback" not in trial.log()
    with closing(sqlite3.connect(settings.store.file)) as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        reports = dict(db.execute("SELECT week, text FROM report"))
    return Ran(
        {what: sha256(trial.export(what).encode()).hexdigest() for what in SAME},
        reports,
        used,
        settings.store.file.stat().st_size / 1e6,
        Counter() if trouble is None else trouble.done,
    )


def of_the_air(report: str) -> list[str]:
    """What it tells of rooms and flowers; of notices and payloads it tells what happened."""
    return [line for line in report.splitlines() if "notice" not in line.lower()]


def run(folder: Path, shim: Shim, days: int, gap_s: float) -> str:
    """Returns the figures in a line; raises AssertionError where anything is lost or grows."""
    ran = once(folder / "troubled", days, shim, gap_s)
    quiet = once(folder / "quiet", days, None, gap_s)
    handled = max(count for count, _ in ran.used)
    uses = [use for _, use in ran.used]
    early, late = uses[len(uses) // 3 : len(uses) // 2], uses[-len(uses) // 6 :]
    first, last = (Use(*map(median_low, zip(*u, strict=True))) for u in (early, late))
    most = Use(*map(max, zip(*uses, strict=True)))
    told = ", ".join(f"{count} {name}" for name, count in sorted(ran.troubles.items()))
    figures = (
        f"{days} days, {handled:,} messages; {told}; resident mostly {first.resident_mb:.0f} MB, "
        f"then {last.resident_mb:.0f} MB, at most {most.resident_mb:.0f} MB; threads "
        f"{first.threads}, {last.threads}, at most {most.threads}; open files {first.files}, "
        f"{last.files}, at most {most.files}; write-ahead log at most {most.wal_mb:.1f} MB; store "
        f"{ran.store_mb:.1f} MB, in peace {quiet.store_mb:.1f} MB; {len(ran.reports)} weekly "
        "reports; readings, air, spells and reports as in peace"
    )
    assert ran.tables == quiet.tables, figures
    assert ran.reports.keys() == quiet.reports.keys(), figures
    for week, text in ran.reports.items():
        assert of_the_air(text) == of_the_air(quiet.reports[week]), figures
    assert last.resident_mb - first.resident_mb < MOST_GROWTH_MB, figures
    assert last.threads <= first.threads + 4, figures
    assert last.files <= first.files + 8, figures
    assert most.wal_mb < MOST_WAL_MB, figures
    assert ran.store_mb < MOST_STORE_MB_A_DAY * days, figures
    return figures


def test_days_full_of_faults_come_to_the_same_as_days_in_peace(shim: Shim, tmp_path: Path) -> None:
    print(run(tmp_path, shim, DAYS, 0.6))
