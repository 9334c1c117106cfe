"""From publishing the reading that makes a spell to its notice in the outbox, in a busy daemon.

    python -m tests.benchmarks.bench_notice [--quick]

Fifty messages a second from fifty sensors; a weekly report is made again and again meanwhile. Of
forty more spaces one sensor each tells, a few minutes late, that it is far too hot, and later
another that the sun is in: the minutes they speak of are over, so the spell is known with that
reading, and its notice is written and committed at once. (A reading in its time completes a spell
when its minute is over: up to a minute later, by what a minute of air is.) Beside it the longest
time the worker was away from its socket, measured at its selector.
"""

from __future__ import annotations

import json
import os
import selectors
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from datetime import UTC
from pathlib import Path
from statistics import median, quantiles
from typing import TextIO

from monitor.edges import broker as broker_edge
from monitor.edges.beside import ask
from monitor.edges.mqtt import Guest
from monitor.edges.report.order import REPORT
from monitor.engine.effects import Effects
from monitor.service import cli
from monitor.service.errands import report_order
from monitor.service.jobs import last_week
from monitor.service.settings.settings import Settings
from monitor.store.writer import Writer
from tests.benchmarks.table import Row, show
from tests.benchmarks.years import DAY_MIN, air_in
from tests.edges.receiver import HttpReceiver
from tests.service.trial import Trial, settings_in

SPACES, SENSORS, RATE = 10, 50, 50
PROBES, EVERY_S = 40, 0.7  # spaces: each gets hot, then sunny
REPORT_DAYS = 14
WITHIN_S = 300.0
SITE = """
[site]
name = "Barn"
latitude = 54.9
longitude = -2.1
timezone = "UTC"
"""
SPACE = """
[[space]]
name = "{name}"
use = "hanging"
limits = {{ hot_c = 32, damp_pct = 75, sun_lux = 3000 }}
delays = {{ hot = "1 min", sunny = "1 min" }}
"""
SENSOR = """
[[sensor]]
name = "{name}"
space = "{space}"
topic = "barn/{topic}"
every = "{every}"
time = {{ at = "/ts", unit = "ms" }}
reads.temperature = {{ at = "/t", unit = "°C" }}
reads.humidity = {{ at = "/rh", unit = "%" }}
"""
LIGHT = """
[[sensor]]
name = "q{n}"
space = "box {n}"
topic = "barn/q{n}"
every = "10 min"
time = {{ at = "/ts", unit = "ms" }}
reads.illuminance = {{ at = "/lx", unit = "lx" }}
"""
TOLD = (("hot", "p", {"t": 41.0, "rh": 50.0}), ("sunny", "q", {"lx": 90_000.0}))
# A process of its own, so that it does not wait for who watches.
BACKGROUND = """
import json, sys, time
from monitor.edges.mqtt import Broker, Guest
port, sensors, rate = map(int, sys.argv[1:])
with Guest(Broker("127.0.0.1", port)) as guest:
    began, sent = time.monotonic(), 0
    while True:
        told = {"ts": time.time_ns() // 1_000_000, "t": 20 + sent % 70 / 50, "rh": 50 + sent % 9}
        guest.publish(f"barn/s{sent % sensors}", json.dumps(told).encode())
        sent += 1
        while (ahead := sent / rate - (time.monotonic() - began)) > 0.001:
            guest.turn(ahead)
"""
LOG = "DRYING_ROOM_AWAY_LOG"


class Watched(selectors.DefaultSelector):
    """A selector that notes how long its thread was away from it, and how long at work."""

    left_s: float | None = None
    left_cpu_s = 0.0
    log: TextIO | None = None

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        now_s = time.monotonic()
        if self.left_s is not None and now_s - self.left_s > 0.02 and Watched.log is not None:
            worked_s = time.thread_time() - self.left_cpu_s
            print(now_s, now_s - self.left_s, worked_s, file=Watched.log, flush=True)
        try:
            return super().select(timeout)
        finally:
            self.left_s, self.left_cpu_s = time.monotonic(), time.thread_time()


def run_watched(words: list[str]) -> int:
    """The monitor's own command, its worker's selector watched."""
    Watched.log = open(os.environ[LOG], "w")  # noqa: SIM115 (as long as the process)
    selectors.DefaultSelector = Watched  # type: ignore[misc]
    return cli.main(words)


def site(folder: Path, probes: int) -> Path:
    text = SITE
    for name in [f"shed {n}" for n in range(SPACES)] + [f"box {n}" for n in range(probes)]:
        text += SPACE.format(name=name)
    for n in range(SENSORS):
        text += SENSOR.format(name=f"s{n}", space=f"shed {n % SPACES}", topic=f"s{n}", every="10 s")
    for n in range(probes):
        text += SENSOR.format(name=f"p{n}", space=f"box {n}", topic=f"p{n}", every="10 min")
        text += LIGHT.format(n=n)
    file = folder / "sample.toml"
    file.write_text(text, "utf-8")
    return file


def write_past(settings: Settings) -> None:
    """The air of the last two weeks, for the report."""
    writer = Writer(settings.store.file)
    end = time.time_ns() // 60_000_000_000
    sheds = [name for name in settings.site.spaces if name.startswith("shed")]
    for day in range(REPORT_DAYS, 0, -1):
        writer.apply(Effects(air=list(air_in(sheds, end - day * DAY_MIN, 1))))
        writer.commit()
    writer.close()


@contextmanager
def reports(settings: Settings, quick: bool) -> Iterator[list[float]]:
    """A weekly report made again and again; seconds of each. At the small size: none."""
    took: list[float] = []
    if quick:
        yield took
        return
    over = threading.Event()
    now_ms = time.time_ns() // 1_000_000
    week = last_week(now_ms, UTC)
    order = report_order(settings, week, now_ms)

    def make() -> None:
        while not over.is_set():
            began = time.monotonic()
            ask(REPORT, order)
            took.append(time.monotonic() - began)

    making = threading.Thread(target=make)
    making.start()
    try:
        yield took
    finally:
        over.set()
        making.join()


def waited(there: Callable[[], bool]) -> float:
    """Seconds until it is so."""
    began = time.monotonic()
    while not there():
        assert time.monotonic() - began < WITHIN_S, "no notice came"
        time.sleep(0.002)
    return time.monotonic() - began


def probed(settings: Settings, broker: broker_edge.RunningBroker, probes: int) -> list[float]:
    """Seconds from publishing to the notice's row, space by space."""
    delays = []
    ask = (
        "SELECT 1 FROM outbox o JOIN notice n ON n.id = o.notice"
        " WHERE n.space = ? AND n.kind = ? LIMIT 1"
    )
    uri = f"file:{settings.store.file}?mode=ro"
    turns = [(n, *told) for told in TOLD for n in range(probes)]
    with closing(sqlite3.connect(uri, uri=True)) as db, Guest(broker.address) as guest:
        for n, kind, topic, values in turns:
            time.sleep(EVERY_S)
            at_ms = (time.time_ns() // 60_000_000_000 - 3) * 60_000 + 30_000
            began = time.monotonic()
            guest.publish(f"barn/{topic}{n}", json.dumps({"ts": at_ms, **values}).encode())
            guest.settle()
            waited(lambda: db.execute(ask, (f"box {n}", kind)).fetchone() is not None)  # noqa: B023
            delays.append(time.monotonic() - began)
    return delays


def main(quick: bool) -> list[Row]:
    """The delays, and the worker's longest absence."""
    probes = 2 if quick else PROBES
    with tempfile.TemporaryDirectory() as name, HttpReceiver() as receiver:
        folder = Path(name)
        (folder / "broker").mkdir()
        broker = broker_edge.start(folder / "broker", folder / "log", "mosquitto")
        extra = (
            f"[page]\nport = {broker_edge.free_port()}\n[notices]\nnight_rest = false\n"
            f'[[address]]\nname = "desk"\nurl = "json://127.0.0.1:{receiver.port}"\n'
        )
        settings = settings_in(folder, broker, site(folder, probes), extra)
        if not quick:
            write_past(settings)
        away = folder / "away"
        trial = Trial(settings, until=None)
        words = ["from tests.benchmarks import bench_notice; import sys;"
                 "sys.exit(bench_notice.run_watched(sys.argv[1:]))",
                 "run", "--config", str(settings.file)]  # fmt: skip
        ports = [str(n) for n in (broker.port, SENSORS, RATE)]
        with (folder / "monitor.log").open("ab") as log:
            trial.process = subprocess.Popen(
                [sys.executable, "-c", *words], stdout=log, stderr=log,
                env=os.environ | {LOG: str(away)},
            )  # fmt: skip
        background = None
        try:
            trial.until_connected()
            background = subprocess.Popen([sys.executable, "-c", BACKGROUND, *ports])
            waited(lambda: trial.handled() > 2 * RATE)
            from_s = time.monotonic()
            with reports(settings, quick) as took:
                delays = probed(settings, broker, probes)
            until_s = time.monotonic()
        finally:
            if background is not None:
                background.kill()
                background.wait()
            trial.stop()
            broker.stop()
        absences = [
            (float(gone), float(worked))
            for at, gone, worked in (line.split() for line in away.read_text("utf-8").splitlines())
            if from_s <= float(at) <= until_s
        ] or [(0.02, 0.02)]
    p99 = quantiles(delays, n=100, method="inclusive")[98]
    size = f"{RATE} messages a second, {SENSORS + 2 * probes} sensors, {SPACES + probes} spaces"
    return [
        Row("from the reading that makes a spell to its notice in the outbox",
            f"{size}; {len(delays)} spells, {len(took)} reports of {median(took or [0.0]):.1f} s",
            f"{1000 * median(delays):.0f} ms, p99 {1000 * p99:.0f} ms, "
            f"at worst {1000 * max(delays):.0f} ms", goal="p99 200 ms"),
        Row("the worker's longest absence from its socket", size,
            f"{1000 * max(gone for gone, _ in absences):.0f} ms, of its processor at most "
            f"{1000 * max(worked for _, worked in absences):.0f} ms", goal="under 500 ms"),
    ]  # fmt: skip


if __name__ == "__main__":
    show(main("--quick" in sys.argv))
