"""Bytes that a day of readings writes to disk, beside what the store then holds of it.

    python -m tests.benchmarks.bench_written [--quick]

Ten sensors, then forty, each every ten seconds in four spaces, through the daemon's own engine and
writer with a commit a minute, as fast as it goes: each commit is synced, so the system counts the
same pages as on the day itself. What the clock alone brings (a report, a backup, the night's
lessons) is not in it; `bench_live` measures the daemon and the broker.
"""

from __future__ import annotations

import json
import math
import random
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

from monitor.engine.engine import Engine
from monitor.intake.payloads import Message
from monitor.notices.spell_rules import Policy
from monitor.service.settings.settings import load
from monitor.site.time import DAY_MIN, MINUTE_MS
from monitor.store.writer import Writer
from tests.benchmarks.bench_live import EVERY_S, sample, used
from tests.benchmarks.table import Row, show
from tests.service.test_jobs import BOOK

BEGIN = 29_714_400  # 2026-07-01T00:00Z


def told(minute: int, sensors: int, rng: random.Random) -> Iterator[Message]:
    """A minute of all sensors, in order of time."""
    swing = math.sin(minute % DAY_MIN / DAY_MIN * 2 * math.pi)
    for second in range(0, 60, EVERY_S):
        for n in range(sensors):
            at_ms = minute * MINUTE_MS + second * 1000 + n * (EVERY_S * 1000 // sensors)
            t, rh = 18 + 6 * swing + rng.gauss(n / 10, 0.1), 55 - 15 * swing + rng.gauss(0, 0.3)
            payload = {"ts": at_ms, "t": round(t, 2), "rh": round(rh, 1)}
            yield Message(f"barn/s{n}", json.dumps(payload).encode(), at_ms + 50, False)


def written(sensors: int, minutes: int) -> Row:
    """Of so many minutes, as a day."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        store, rng = folder / "store.sqlite", random.Random(1)
        writer = Writer(store)
        engine = Engine(load(sample(folder, sensors)).site, Policy(), BOOK, writer)
        before = used("self").written
        for minute in range(BEGIN, BEGIN + minutes):
            writer.apply(engine.receive(told(minute, sensors, rng)))
            now_ms = (minute + 1) * MINUTE_MS
            while engine.behind(now_ms):
                writer.apply(engine.advance(now_ms, 120))
                writer.apply(engine.consider())
            writer.commit()
        writer.close()
        days = minutes / DAY_MIN
        a_day_mb = (used("self").written - before) / 1e6 / days
        grown_mb = store.stat().st_size / 1e6 / days
    goal = "under 60 MB" if sensors == 10 else ""
    size = f"{sensors} sensors every {EVERY_S} s, {minutes / 60:g} hours"
    return Row("written to disk a day, a commit a minute", size, f"{a_day_mb:.0f} MB",
               f"the store then holds {grown_mb:.1f} MB", a_day_mb / grown_mb, goal)  # fmt: skip


def main(quick: bool) -> list[Row]:
    """One row a number of sensors."""
    return [written(10, 90)] if quick else [written(10, DAY_MIN), written(40, DAY_MIN)]


if __name__ == "__main__":
    show(main("--quick" in sys.argv))
