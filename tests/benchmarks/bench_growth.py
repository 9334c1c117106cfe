"""How cost grows with sensors and with years, and what starting costs.

    python -m tests.benchmarks.bench_growth [--quick]

Sensors: processor of decoding, folding and storing a message of two quantities, four sensors a
space, one a minute each, with what is looked ahead every ten minutes. Years: from starting the
daemon on a store as retention leaves it (`years.py`) to the first reading handled. Commands: those
that a running monitor answers, and `--help`, beside a bare interpreter.
"""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from statistics import median

from monitor.edges import broker as broker_edge
from monitor.edges.mqtt import Guest
from monitor.engine.engine import Engine
from monitor.intake.payloads import Message
from monitor.notices.spell_rules import Policy
from monitor.site.quantities import Quantity
from monitor.site.spaces import Limits, ReadAs, Sensor, Site, Space, Use
from monitor.store.writer import Writer
from tests.benchmarks import installed
from tests.benchmarks.bench_live import used
from tests.benchmarks.bench_mqtt import sample
from tests.benchmarks.table import Row, show
from tests.benchmarks.years import write_years
from tests.service.test_jobs import BOOK
from tests.service.trial import Trial, settings_in

BEGIN_MIN = 29_714_400  # 2026-07-01T00:00Z
A_SPACE = 4
LIMITS = Limits(hot_c=32.0, cold_c=5.0, damp_pct=75.0, sun_lux=3000.0)
READS = {
    Quantity.TEMPERATURE: ReadAs("°C", "/t"),
    Quantity.HUMIDITY: ReadAs("%", "/rh"),
}


def site_of(sensors: int) -> Site:
    names = [f"shed {n}" for n in range(-(-sensors // A_SPACE))]
    return Site(
        "Withy End", 52.0, -3.0, 120.0, "Europe/London", "°C",
        {name: Space(name, Use.HANGING, LIMITS) for name in names},
        {f"s{n}": Sensor(f"s{n}", names[n // A_SPACE], f"barn/s{n}", 60.0, READS)
         for n in range(sensors)},
    )  # fmt: skip


def cpu_us_a_reading(sensors: int, messages: int) -> float:
    """Processor of one message, all told [µs], the hours ahead of each space too."""
    minutes = max(messages // sensors, 30)
    with tempfile.TemporaryDirectory() as folder:
        writer = Writer(Path(folder) / "store.sqlite")
        engine = Engine(site_of(sensors), Policy(), BOOK, writer)
        began = time.process_time()
        for minute in range(BEGIN_MIN, BEGIN_MIN + minutes):
            swing = minute % 50 / 25
            told = [
                Message(
                    f"barn/s{n}",
                    json.dumps({"t": round(18 + swing + n % 9 / 10, 2), "rh": 55 + n % 7}).encode(),
                    minute * 60_000 + 1000 + n,
                    False,
                )
                for n in range(sensors)
            ]
            writer.apply(engine.receive(told))
            while engine.behind((minute + 1) * 60_000):
                writer.apply(engine.advance((minute + 1) * 60_000, 2))
                writer.apply(engine.consider())
        writer.commit()
        took = time.process_time() - began
        writer.close()
    return 1e6 * took / (minutes * sensors)


def commands(rounds: int) -> list[Row]:
    """Processor of the commands that shall answer at once, beside a live monitor."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "broker").mkdir()
        broker = broker_edge.start(folder / "broker", folder / "log", "mosquitto")
        page = f"[page]\nport = {broker_edge.free_port()}\n"
        settings = settings_in(folder, broker, sample(folder), page)
        trial = Trial(settings, until=None, environment=installed.environment())
        config = ["--config", str(settings.file)]
        space = next(iter(settings.site.spaces))
        try:
            trial.start()
            program = ["-m", "monitor"]
            cpu_s_of([*program, "hang", "statice", "--space", space, "--bunches", "6", *config], 1)
            bare_s = cpu_s_of(["-c", "pass"], rounds)
            rows = []
            for words in (["--help"], ["now"], ["batches"], ["weigh", "statice-1", "150"]):
                asked = words if words == ["--help"] else [*words, *config]
                took_s = cpu_s_of([*program, *asked], rounds)
                rows.append(
                    Row(f"{words[0]}, processor", f"median of {rounds}", f"{1000 * took_s:.0f} ms",
                        f"python -c pass {1000 * bare_s:.0f} ms", took_s / bare_s, "under 120 ms")
                )  # fmt: skip
        finally:
            trial.stop()
            broker.stop()
    return rows


def start_behind(days: int) -> Row:
    """From starting the daemon to the first reading handled; its store is not in memory yet."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "broker").mkdir()
        broker = broker_edge.start(folder / "broker", folder / "log", "mosquitto")
        page = f"[page]\nport = {broker_edge.free_port()}\n"
        settings = settings_in(folder, broker, sample(folder), page)
        store = settings.store.file
        write_years(store, settings.site, days, time.time_ns() // 60_000_000_000)
        forget(store)
        trial = Trial(settings, until=None, environment=installed.environment())
        try:
            began = time.perf_counter()
            daemon = trial.start()
            with Guest(broker.address) as guest:
                payload = {"ts": time.time_ns() // 1_000_000, "t": 20.0, "rh": 50.0}
                guest.publish("barn/s0", json.dumps(payload).encode())
                guest.settle()
            while trial.handled() < 1:
                time.sleep(0.02)
            took, cpu_s = time.perf_counter() - began, used(daemon.pid).cpu_s
            size = store.stat().st_size / 1e6
        finally:
            trial.stop()
            broker.stop()
    return Row("start to first reading handled", f"{days:,} days behind it, {size:.0f} MB",
               f"{took:.1f} s, {cpu_s:.1f} s of processor", goal="under 2 s")  # fmt: skip


def forget(file: Path) -> None:
    """Write a file out, and take it out of the system's memory."""
    with file.open("rb") as there:
        os.fsync(there.fileno())
        os.posix_fadvise(there.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)


def cpu_s_of(words: list[str], rounds: int) -> float:
    """Processor of a command, which other work on the machine does not stretch as it does time."""
    environment = os.environ | installed.environment()

    def once() -> float:
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run(
            [sys.executable, *words], env=environment, stdout=subprocess.DEVNULL, check=True
        )
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime

    return median(once() for _ in range(rounds))


def main(quick: bool) -> list[Row]:
    """Sensors, years, and the command's own start."""
    rows = commands(3 if quick else 11)
    messages = 600 if quick else 20_000
    one = None
    for sensors in (1, 10) if quick else (1, 10, 100, 1000):
        took = cpu_us_a_reading(sensors, messages)
        one = one or took
        rows.append(
            Row("processor a message, decoded, folded and stored", f"{sensors} sensors",
                f"{took:.0f} µs", f"one sensor {one:.0f} µs", took / one)
        )  # fmt: skip
    rows += [start_behind(days) for days in ((1,) if quick else (30, 365, 1825))]
    return rows


if __name__ == "__main__":
    show(main("--quick" in sys.argv))
