"""How cost grows with sensors and with years, and what starting costs.

    python -m tests.benchmarks.bench_growth [--quick]

Sensors: processor of decoding, folding and storing a message of two quantities, four sensors a
space, one a minute each, with what is looked ahead every ten minutes. Years: from starting the
daemon on a store as retention leaves it (readings 200 days, minutes 800, ten-minute means before)
to the first reading handled. The command: `--help` beside a bare interpreter.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from statistics import median

import numpy as np

from monitor.edges import broker as broker_edge
from monitor.edges.mqtt import Guest
from monitor.room.air import MinuteOfAir
from monitor.room.effects import Effects
from monitor.room.engine import Engine
from monitor.room.notices import Policy
from monitor.room.payloads import Message
from monitor.room.readings import Quantity, ReadAs, Reading, Sensor
from monitor.room.spaces import Limits, Site, Space, Use
from monitor.store.writer import Writer
from tests.benchmarks.bench_mqtt import sample
from tests.benchmarks.table import Row, show
from tests.service.test_jobs import BOOK
from tests.service.trial import Trial, settings_in

BEGIN_MIN = 29_714_400  # 2026-07-01T00:00Z
A_SPACE = 4
LIMITS = Limits(hot_c=32.0, cold_c=5.0, damp_pct=75.0, sun_lux=3000.0)
READS = {
    Quantity.TEMPERATURE: ReadAs("°C", "/t"),
    Quantity.HUMIDITY: ReadAs("%", "/rh"),
}
RAW_DAYS, MINUTES_DAYS = 200, 800


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


def write_years(file: Path, days: int, end_min: int) -> None:
    """Air of three spaces to now, and readings of their last days, as retention leaves them."""
    writer = Writer(file)
    for day in range(days, 0, -1):
        minute = end_min - day * 1440 + np.arange(0, 1440, 1 if day <= MINUTES_DAYS else 10)
        swing = np.sin(minute % 1440 / 1440 * 2 * np.pi)
        t, rh = (15 + 8 * swing).tolist(), (60 - 20 * swing).tolist()
        effects = Effects()
        for space in ("loft", "shed", "room"):
            effects.air += [
                MinuteOfAir(at, space, a, b, None, a - 8, 0.7, 8.0, 9.0, None, 6)
                for at, a, b in zip(minute.tolist(), t, rh, strict=True)
            ]
        if day <= RAW_DAYS:
            effects.readings = [
                Reading(at * 60_000, sensor, quantity, value)
                for sensor in ("s0", "s1", "s2")
                for at, a, b in zip(minute.tolist(), t, rh, strict=True)
                for quantity, value in ((Quantity.TEMPERATURE, a), (Quantity.HUMIDITY, b))
            ]
        writer.apply(effects)
        if day > MINUTES_DAYS:
            writer.trim(end_min * 60_000, RAW_DAYS, MINUTES_DAYS, 1_000_000)
        writer.commit()
    writer.close()


def first_reading_s(days: int) -> tuple[float, float]:
    """Seconds from starting the daemon to the first reading handled; size of its store [MB]."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "broker").mkdir()
        broker = broker_edge.start(folder / "broker", folder / "log", "mosquitto")
        settings = settings_in(folder, broker, sample(folder))
        write_years(settings.store.file, days, time.time_ns() // 60_000_000_000)
        size = settings.store.file.stat().st_size / 1e6
        trial = Trial(settings, until=None)
        try:
            began = time.perf_counter()
            trial.start()
            with Guest(broker.address) as guest:
                payload = {"ts": time.time_ns() // 1_000_000, "t": 20.0, "rh": 50.0}
                guest.publish("barn/s0", json.dumps(payload).encode())
                guest.settle()
            while trial.handled() < 1:
                time.sleep(0.02)
            return time.perf_counter() - began, size
        finally:
            trial.stop()
            broker.stop()


def cpu_s_of(words: list[str], rounds: int) -> float:
    """Processor of a command, which other work on the machine does not stretch as it does time."""

    def once() -> float:
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run([sys.executable, *words], stdout=subprocess.DEVNULL, check=True)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime

    return median(once() for _ in range(rounds))


def main(quick: bool) -> list[Row]:
    """Sensors, years, and the command's own start."""
    rounds = 3 if quick else 11
    bare, helped = (cpu_s_of(w, rounds) for w in (["-c", "pass"], ["-m", "monitor", "--help"]))
    rows = [
        Row("--help, processor", f"median of {rounds}", f"{1000 * helped:.0f} ms",
            f"python -c pass {1000 * bare:.0f} ms", helped / bare, "at most 250 ms more")
    ]  # fmt: skip
    messages = 600 if quick else 20_000
    one = None
    for sensors in (1, 10) if quick else (1, 10, 100, 1000):
        took = cpu_us_a_reading(sensors, messages)
        one = one or took
        rows.append(
            Row("processor a message, decoded, folded and stored", f"{sensors} sensors",
                f"{took:.0f} µs", f"one sensor {one:.0f} µs", took / one)
        )  # fmt: skip
    for days in (7,) if quick else (30, 365, 1825):
        took, size = first_reading_s(days)
        rows.append(
            Row("start to first reading handled", f"{days} days behind it, {size:.0f} MB",
                f"{took:.1f} s", goal="under 2 s")
        )  # fmt: skip
    return rows


if __name__ == "__main__":
    show(main("--quick" in sys.argv))
