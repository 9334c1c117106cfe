"""A season recomputed after a changed calibration, beside reading its rows into numpy alone.

    python -m tests.benchmarks.bench_season [--quick] [--days N]

Twelve sensors in three spaces, each every ten seconds; a batch hung every three weeks in each
space and weighed once. A calibration from the first day on is entered, then everything is folded
anew from the stored readings: flags, minutes of air, spells, kept states, batches and what was
foreseen at the full hours, all written and committed.
"""

from __future__ import annotations

import argparse
import sqlite3
import tempfile
import time
from collections.abc import Iterator
from contextlib import closing
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

import numpy as np

from monitor.engine.effects import Effects
from monitor.engine.engine import Engine
from monitor.entries.entries import JSON, Request
from monitor.notices.spell_rules import Policy
from monitor.service.worker import Worker
from monitor.site.quantities import Quantity, Reading
from monitor.site.spaces import Limits, ReadAs, Sensor, Site, Space, Use
from monitor.site.time import DAY_MS, HOUR_MS, MINUTE_MS
from monitor.store.writer import Writer
from tests.benchmarks.table import Row, show
from tests.service.test_jobs import BOOK

BEGIN_MS = 29_714_400 * MINUTE_MS  # 2026-07-01T00:00Z
SPACES, SENSORS, EVERY_S, DAYS = 3, 12, 10, 182
READS = {Quantity.TEMPERATURE: ReadAs("°C"), Quantity.HUMIDITY: ReadAs("%")}


def site() -> Site:
    limits = Limits(hot_c=32.0, cold_c=5.0, damp_pct=75.0)
    names = [f"shed {n}" for n in range(SPACES)]
    return Site(
        "Withy End", 52.0, -3.0, 120.0, "Europe/London", "°C",
        {name: Space(name, Use.HANGING, limits) for name in names},
        {f"s{n}": Sensor(f"s{n}", names[n % SPACES], f"barn/s{n}", EVERY_S, READS)
         for n in range(SENSORS)},
    )  # fmt: skip


def hour_of_readings(begin_ms: int, rng: np.random.Generator) -> Iterator[Reading]:
    """An hour of all sensors, in order of time."""
    at = np.arange(begin_ms, begin_ms + HOUR_MS, EVERY_S * 1000)
    swing = np.sin(at % DAY_MS / DAY_MS * 2 * np.pi)[:, None]
    own = rng.normal(0.0, 0.05, (2, len(at), SENSORS))
    warm = (20 + 7 * swing + own[0]).round(2).tolist()
    damp = (58 - 16 * swing + 4 * own[1]).round(1).tolist()
    for row, at_ms in enumerate(at.tolist()):
        for n in range(SENSORS):
            yield Reading(at_ms + 100 * n, f"s{n}", Quantity.TEMPERATURE, warm[row][n])
            yield Reading(at_ms + 100 * n, f"s{n}", Quantity.HUMIDITY, damp[row][n])


def write(file: Path, hours: int) -> None:
    """The readings alone, as they were stored."""
    writer, rng = Writer(file), np.random.default_rng(7)
    # All was said already: what a changed calibration makes of the past is not told again.
    writer.note("settled", str(BEGIN_MS // MINUTE_MS + 60 * hours))
    for hour in range(hours):
        told = hour_of_readings(BEGIN_MS + hour * HOUR_MS, rng)
        writer.apply(Effects(readings=list(told)))
        writer.commit()
    writer.close()


def entries(hours: int) -> Iterator[Request]:
    """A calibration from the beginning on, and the batches."""
    yield Request("calibrate", {"sensor": "s0", "quantity": "humidity", "offset": -1.5}, BEGIN_MS)
    for n, hour in enumerate(range(2, hours, 21 * 24)):
        for space in range(SPACES):
            hung_ms, name = BEGIN_MS + hour * HOUR_MS, f"batch-{n}-{space}"
            hang: dict[str, JSON] = {"flower": "statice", "space": f"shed {space}", "bunches": 6}
            yield Request("hang", {**hang, "fresh_mass_g": 400.0, "name": name}, hung_ms)
            for days, verb, more in ((4, "weigh", {"grams": 210.0}), (14, "takedown", {})):
                if hour + 24 * days < hours:
                    yield Request(verb, {"batch": name, **more}, hung_ms + days * DAY_MS)


class Work(NamedTuple):
    """How long it took, and the processor it used [s]."""

    seconds: float
    cpu_s: float


def floor(file: Path) -> Work:
    """The same rows into numpy, and nothing else."""
    began, cpu_s = time.perf_counter(), time.process_time()
    with closing(sqlite3.connect(file)) as db:
        rows = db.execute("SELECT time_ms, sensor, quantity, value FROM reading")
        while part := rows.fetchmany(100_000):
            np.array(part)
    return Work(time.perf_counter() - began, time.process_time() - cpu_s)


def recomputed(file: Path, hours: int) -> tuple[Work, Work]:
    """All of it in the worker itself, and the longest between two looks at its socket."""
    end_ms = BEGIN_MS + hours * HOUR_MS
    worker = Worker(
        file,
        lambda writer: Engine(site(), Policy(), BOOK, writer, end_ms),
        None,
        lambda: end_ms,
        time.monotonic,
    )
    turns: list[Work] = []

    class Turned:
        def look(self, now_ms: int) -> None:
            turns.append(Work(time.perf_counter(), time.process_time()))
            if not worker.engine.behind(now_ms):
                worker.stop()

    began, cpu_s = time.perf_counter(), time.process_time()

    for request in entries(hours):
        worker.enter(request, end_ms)
    worker.watches = [Turned()]
    worker.run()
    took = Work(time.perf_counter() - began, time.process_time() - cpu_s)
    lasted = [Work(b.seconds - a.seconds, b.cpu_s - a.cpu_s) for a, b in pairwise(turns)]
    return took, Work(*map(max, zip(*lasted, strict=True)))


def main(quick: bool, days: float = DAYS) -> list[Row]:
    """One row."""
    hours = 3 if quick else round(24 * days)
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "store.sqlite"
        write(file, hours)
        before = floor(file)
        took, longest = recomputed(file, hours)
        # Before and after, as a machine that others use too is not as fast all the while.
        bare = Work(*(np.mean(both) for both in zip(before, floor(file), strict=True)))
    readings = hours * 3600 // EVERY_S * SENSORS * 2
    size = f"{hours / 24:g} days, {SENSORS} sensors every {EVERY_S} s, {readings:,} readings"
    return [
        Row("a season recomputed", size,
            f"{took.seconds:.1f} s; {1e6 * took.cpu_s / readings:.1f} µs of processor a reading",
            f"the rows into numpy {bare.seconds:.1f} s; {1e6 * bare.cpu_s / readings:.1f} µs",
            took.seconds / bare.seconds, "at most 4", took.cpu_s / bare.cpu_s),
        Row("its longest turn", size, f"{1000 * longest.seconds:.0f} ms, of processor at most "
            f"{1000 * longest.cpu_s:.0f} ms", goal="under 500 ms"),
    ]  # fmt: skip


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--days", type=float, default=DAYS)
    asked = parser.parse_args()
    show(main(asked.quick, asked.days))
