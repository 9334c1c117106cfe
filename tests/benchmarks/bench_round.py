"""What an hour's round takes: what is coming in each space, and how each batch stands in it.

    python -m tests.benchmarks.bench_round [--quick]

Four spaces and outdoors, each with a lesson learned from three weeks of air in a real store; twenty
batches, hung one after another, four of them weighed. The engine goes on hour by hour, and only its
looks and its rounds are counted, in processor. Beside the round the floor: Page's curve on bare
arrays for as many members and hours as four weeks ahead in steps of three hours would be.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from monitor.ahead import lesson as learning
from monitor.air.minute import MinuteOfAir
from monitor.drying.members import COUNT
from monitor.engine.effects import Effects
from monitor.engine.engine import Engine
from monitor.entries.entries import JSON, Entry
from monitor.intake.payloads import Message
from monitor.notices.spell_rules import Policy
from monitor.science import moist_air
from monitor.site.flowers import read_book
from monitor.site.quantities import Quantity, Reading
from monitor.site.spaces import OUTDOORS, ReadAs, Sensor, Site, Space, TimeAt, Use
from monitor.site.time import MINUTE_MS
from monitor.store.queries import past_of
from monitor.store.writer import Writer
from tests.benchmarks.table import Row, show

START = 29_612_160  # 2026-04-21T00:00Z, UTC epoch minute
DAYS, HOURS, BATCHES = 21, 24, 20
PRESSURE_PA = 101_325.0
NAMES = ("loft", "barn", "attic", "wash house")
FLOWERS = ("statice", "lavender", "rhodanthe", "poppy", "hydrangea")
READS = {
    Quantity.TEMPERATURE: ReadAs(unit="°C", pointer="/t"),
    Quantity.HUMIDITY: ReadAs(unit="%", pointer="/rh"),
}
SITE = Site(
    *("Fernhollow", 54.2, -2.5, 0.0, "Europe/London", "°C"),
    {name: Space(name, Use.HANGING) for name in NAMES} | {OUTDOORS: Space(OUTDOORS, Use.OUTDOORS)},
    {
        name: Sensor(name, name, name, 60.0, READS, TimeAt("/ts", "ms"))
        for name in (*NAMES, OUTDOORS)
    },
)
BOOK = read_book((Path(__file__).parents[2] / "config" / "flowers.toml").read_text("utf-8"))


def weather(space: str, minute: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Temperature [°C] and humidity [%]: a daily wave, and days that differ."""
    rng = np.random.default_rng(len(space))
    daily = rng.normal(size=(2, DAYS + 3))
    day = (minute - START) / 1440
    t_off, rh_off = (np.interp(day, np.arange(DAYS + 3), one) for one in daily)
    wave = np.sin(2 * np.pi * (minute % 1440 - 540) / 1440)
    return 17 + 2 * t_off + 4 * wave, np.clip(58 + 6 * rh_off - 9 * wave, 20, 97)


def air(space: str, minutes: range) -> list[MinuteOfAir]:
    temperature, humidity = weather(space, np.array(minutes))
    told = []
    for minute, t, rh in zip(minutes, temperature.tolist(), humidity.tolist(), strict=True):
        water = moist_air.humidity_ratio(moist_air.vapour_pressure(t, rh), PRESSURE_PA)
        told.append(MinuteOfAir(minute, space, t, rh, 0.0, 9.0, 0.7, 1000 * water, 8.0, None, 1))
    return told


def entries() -> Iterator[tuple[int, str, dict[str, JSON]]]:
    """(minute, verb, what is said)."""
    for i in range(BATCHES):
        hung: dict[str, JSON] = {
            "flower": FLOWERS[i % len(FLOWERS)],
            "space": NAMES[i % len(NAMES)],
            "bunches": 6,
        }
        begins = START + 60 + i * (DAYS - 1) * 1440 // BATCHES
        yield begins, "hang", {**hung, "name": f"batch {i}", "fresh_mass_g": 200}
        if i % 5 == 0:
            yield begins + 1440, "weigh", {"batch": i + 1, "grams": 160}


def filled(file: Path) -> Writer:
    writer = Writer(file)
    end = START + DAYS * 1440
    for space in (*NAMES, OUTDOORS):
        for first in range(START, end, 10_080):
            minutes = range(first, min(first + 10_080, end))
            writer.apply(Effects(air=air(space, minutes)))
    # Hangings first, so that their numbers are the batches' in order.
    said = sorted(entries(), key=lambda one: one[1] != "hang")
    entered = [
        Entry(number, minute * MINUTE_MS, minute * MINUTE_MS, verb, values)
        for number, (minute, verb, values) in enumerate(said, 1)
    ]
    heard = [Reading(end * MINUTE_MS, name, Quantity.TEMPERATURE, 16.0) for name in NAMES]
    writer.apply(Effects(entries=entered, readings=heard, settled=end))
    place = learning.place_of(SITE)
    for space in (*NAMES, OUTDOORS):
        lesson = learning.learn(space, past_of(writer, space, True, end), end, place)
        if lesson is not None:
            writer.apply(Effects(lessons=[lesson]))
    writer.commit()
    return writer


def messages(minute: int) -> list[Message]:
    told = []
    for space in (*NAMES, OUTDOORS):
        t, rh = (float(one[0]) for one in weather(space, np.array([minute])))
        told.append(
            Message(
                space,
                f'{{"ts": {minute * MINUTE_MS}, "t": {t:.3f}, "rh": {rh:.2f}}}'.encode(),
                minute * MINUTE_MS,
                False,
            )
        )
    return told


def settled(engine: Engine, writer: Writer, now_ms: int) -> float:
    """Fold what is over and go round; the processor that the looks and the round took [s]."""
    took = 0.0
    while engine.behind(now_ms):
        writer.apply(engine.advance(now_ms, 120))
        began = time.process_time()
        effects = engine.consider()
        took += time.process_time() - began
        writer.apply(effects)
    return took


def rounds(engine: Engine, writer: Writer, hours: int) -> tuple[list[float], list[float]]:
    """The processor of each full hour's round, and of each look between [s]."""
    full, between = [], []
    for minute in range(START + DAYS * 1440 + 10, START + DAYS * 1440 + 60 * hours + 11):
        writer.apply(engine.receive(messages(minute)))
        took = settled(engine, writer, minute * MINUTE_MS)
        if minute % 60 == 0:
            full.append(took)
        elif minute % 10 == 0:
            between.append(took)
    return full, between


def floor() -> float:
    """Page's curve for every member through four weeks in steps of three hours [s]."""
    rng = np.random.default_rng(1)
    spent = np.zeros((len(NAMES), BATCHES // len(NAMES) * COUNT))
    advance = 0.02 * rng.random((28 * 8, *spent.shape))
    shape = 0.9 + 0.2 * rng.random(spent.shape)
    began = time.process_time()
    for each in range(len(NAMES)):
        so_far, exponent = spent[each], shape[each]
        for step in advance[:, each]:
            ratio = np.exp(-((so_far + step) ** exponent))
            so_far = (-np.log(ratio)) ** (1 / exponent)
    return time.process_time() - began


def main(quick: bool = False) -> Iterator[Row]:
    hours = 2 if quick else HOURS
    with TemporaryDirectory() as folder:
        writer = filled(Path(folder) / "x.sqlite")
        engine = Engine(SITE, Policy(), BOOK, writer)
        settled(engine, writer, (START + DAYS * 1440 + 9) * MINUTE_MS)
        full, between = rounds(engine, writer, hours)
        writer.close()
    least = min(floor() for _ in range(3))
    mean = float(np.mean(full))
    size = f"{BATCHES} batches, {len(NAMES)} spaces and outdoors, {len(full)} hours"
    yield Row(
        "an hour's round, processor",
        size,
        f"{1000 * mean:.0f} ms; longest {1000 * max(full):.0f} ms",
        f"Page's curve four weeks on in bare arrays {1000 * least:.0f} ms",
        mean / least,
        "under 120 ms",
    )
    yield Row(
        "a look ten minutes later, processor", size, f"{1000 * float(np.mean(between)):.0f} ms"
    )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    show(main(parser.parse_args().quick))
