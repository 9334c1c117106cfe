"""How long the worker is away from its socket while a season is worked out anew.

    python -m tests.benchmarks.bench_anew [--weeks N]

Three spaces whose every minute of air is in the store, five batches that finished in the first
days, and ten that hang since and learned of them, one weighed each week; then a weighing of a
finished one is corrected. Turns are taken as the worker takes them, on a real store. `away` is the
longest turn, `in all` the time until all that was put in doubt is said anew, both in seconds of
processor, for by the wall they say as much of the machine's other work.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from monitor.air.minute import MinuteOfAir
from monitor.engine.effects import Effects
from monitor.engine.engine import Engine
from monitor.entries.entries import JSON, Entry, Request
from monitor.notices.spell_rules import Policy
from monitor.site.flowers import read_book
from monitor.site.quantities import Quantity, Reading
from monitor.site.spaces import ReadAs, Sensor, Site, Space, TimeAt, Use
from monitor.site.time import MINUTE_MS
from monitor.store.writer import Writer
from tests.benchmarks.table import Row

START = 29_612_160  # 2026-04-21T00:00Z, UTC epoch minute
NAMES = ("loft", "barn", "attic")
READS = {
    Quantity.TEMPERATURE: ReadAs(unit="°C", pointer="/t"),
    Quantity.HUMIDITY: ReadAs(unit="%", pointer="/rh"),
}
SITE = Site(
    *("Fernhollow", 54.2, -2.5, 0.0, "Europe/London", "°C"),
    {name: Space(name, Use.HANGING) for name in NAMES},
    {name: Sensor(name, name, name, 60.0, READS, TimeAt("/ts", "ms")) for name in NAMES},
)
BOOK = read_book((Path(__file__).parents[2] / "config" / "flowers.toml").read_text("utf-8"))


def air(space: int, minutes: list[int]) -> list[MinuteOfAir]:
    """Days of a room near what a dry flower is in balance with, so that nothing is over soon."""
    wave = np.sin(2 * np.pi * np.array(minutes) / 1440)
    return [
        MinuteOfAir(minute, NAMES[space], 16 + 3 * w, 62 - 6 * w, 0.0, 9.0, 0.7, 7.0, 8.0, None, 1)
        for minute, w in zip(minutes, wave.tolist(), strict=True)
    ]


def entries(weeks: int) -> Iterator[tuple[int, str, dict[str, JSON]]]:
    """(minute, verb, what is said): five that finished in the first days, ten that hang since."""
    for i in range(15):
        hung: dict[str, JSON] = {"flower": "statice", "space": NAMES[i % 3], "bunches": 6}
        minute = START + 60 if i < 5 else START + 4400
        yield minute, "hang", {**hung, "name": f"batch {i}", "fresh_mass_g": 200}
    for i in range(5):
        yield START + 1440, "weigh", {"batch": i + 1, "grams": 150}
        yield START + 4320, "takedown", {"batch": i + 1}
    for week in range(weeks):
        yield START + 10080 * week + 5000, "weigh", {"batch": 6, "grams": 180 - 4 * week}


def filled(file: Path, weeks: int) -> Writer:
    writer = Writer(file)
    end = START + weeks * 10080
    for first in range(START, end, 10080):
        minutes = list(range(first, min(first + 10080, end)))
        writer.apply(Effects(air=[one for space in range(3) for one in air(space, minutes)]))
    entered = [
        Entry(number, minute * MINUTE_MS, minute * MINUTE_MS, verb, said)
        for number, (minute, verb, said) in enumerate(entries(weeks), 1)
    ]
    heard = [Reading(end * MINUTE_MS, name, Quantity.TEMPERATURE, 16.0) for name in NAMES]
    writer.apply(Effects(entries=entered, readings=heard, settled=end))
    writer.commit()
    return writer


def taken(engine: Engine, writer: Writer, now_ms: int) -> tuple[float, float]:
    """The longest turn, and all until nothing is left to do [s]."""
    longest, began = 0.0, time.process_time()
    while engine.behind(now_ms):
        turn = time.process_time()
        writer.apply(engine.advance(now_ms, 120))
        writer.apply(engine.consider())
        longest = max(longest, time.process_time() - turn)
    writer.commit()
    return longest, time.process_time() - began


def main(quick: bool = False, weeks: int = 26) -> Iterator[Row]:
    weeks = 2 if quick else weeks
    with TemporaryDirectory() as folder:
        writer = filled(Path(folder) / "x.sqlite", weeks)
        engine = Engine(SITE, Policy(), BOOK, writer)
        now_ms = (START + weeks * 10080 + 5) * MINUTE_MS
        size = f"{weeks} weeks, 3 spaces, 10 batches"
        for what in ("after a start", "a weighing corrected"):
            if what != "after a start":
                number = next(e.id for e in engine.snapshot(now_ms).entries if e.verb == "weigh")
                request = Request("correct", {"grams": 140}, None, number)
                writer.apply(engine.enter(request, now_ms)[1])
            doubted = len(engine.snapshot(now_ms).doubted)
            longest, in_all = taken(engine, writer, now_ms)
            said = len(engine.snapshot(now_ms).prospects)
            yield Row(
                f"said anew, {what}: away from the socket",
                f"{size}, {doubted} in doubt, {said} said",
                f"{1000 * longest:.0f} ms of processor; in all {in_all:.1f} s",
                goal="at most 500 ms",
            )
        writer.close()


if __name__ == "__main__":
    from tests.benchmarks.table import show

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--weeks", type=int, default=26)
    show(main(weeks=parser.parse_args().weeks))
