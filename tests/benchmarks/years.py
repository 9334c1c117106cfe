"""A store with years behind it, as retention leaves it, for the benchmarks that start from one.

Ten sensors in three spaces. Readings of 200 days, minutes of 800, ten-minute means before; a batch
hung every week, weighed twice and taken down; what was said of batches, spells, notices and hours
ahead for good. The last days are folded by the engine itself, so that its kept states are there.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from monitor.air.minute import MinuteOfAir
from monitor.air.spells import Spell
from monitor.drying.prospects import Prospect
from monitor.engine.effects import Effects, HoursAhead
from monitor.engine.engine import Engine
from monitor.entries.entries import JSON, Request
from monitor.entries.logbook import Logbook
from monitor.intake.payloads import Message
from monitor.notices.notice import Notice, NoticeRow, Weight
from monitor.notices.settlement import Settlement
from monitor.notices.spell_rules import Policy
from monitor.site.kinds import Kind
from monitor.site.quantities import Quantity, Reading
from monitor.site.spaces import Site
from monitor.site.time import DAY_MIN, HOUR_MS, MINUTE_MS
from monitor.store.writer import Writer
from tests.service.test_jobs import BOOK

RAW_DAYS, MINUTES_DAYS = 200, 800
FOLDED_DAYS = 3
HUNG_DAYS = 12
FLOWERS = ("lavender", "statice", "strawflower")


def write_years(file: Path, site: Site, days: int, end_min: int, every_min: int = 1) -> None:
    """Fill a new store up to a minute.

    every_min  minutes between the readings of a sensor
    """
    writer = Writer(file)
    spaces = [name for name, space in site.spaces.items() if space.use.value == "hanging"]
    for day in range(days, 0, -1):
        begin = end_min - day * DAY_MIN
        effects = said_in(spaces, begin, 1 + (days - day) // 7)
        effects.air = list(air_in(spaces, begin, 1 if day <= MINUTES_DAYS else 10))
        writer.apply(effects)
        if day > MINUTES_DAYS:
            writer.trim(end_min * MINUTE_MS, RAW_DAYS, MINUTES_DAYS, 1_000_000)
        writer.commit()
    logbook = Logbook(site, BOOK.words(), [])
    enter_batches(logbook, spaces, end_min, days)
    writer.apply(Effects(entries=logbook.entries))
    folded = min(days, FOLDED_DAYS)
    fold_last_days(writer, site, end_min - folded * DAY_MIN, end_min, every_min)
    for day in range(min(days, RAW_DAYS), folded, -1):
        begin = end_min - day * DAY_MIN
        writer.apply(Effects(readings=list(readings_in(site, begin, DAY_MIN, every_min))))
        writer.commit()
    writer.close()


def weather(minute: NDArray[np.int64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Temperature [°C] and humidity [%]; a day's swing with a little of its own."""
    swing = np.sin(minute % DAY_MIN / DAY_MIN * 2 * np.pi)
    own = minute * 7919 % 31 / 100
    return 15 + 8 * swing + own, 55 - 20 * swing + own


def air_in(spaces: list[str], begin: int, step: int) -> Iterator[MinuteOfAir]:
    """A day of minutes of air, or one minute in so many."""
    minutes = np.arange(begin, begin + DAY_MIN, step)
    t, rh = (told.tolist() for told in weather(minutes))
    for space in spaces:
        for minute, warm, damp in zip(minutes.tolist(), t, rh, strict=True):
            yield MinuteOfAir(minute, space, warm, damp, None, warm - 8, 0.7, 8.0, 9.0, None, 6)


def readings_in(site: Site, begin: int, minutes: int, every_min: int) -> Iterator[Reading]:
    """Two quantities of every sensor, in order of time."""
    told = np.arange(begin, begin + minutes, every_min)
    t, rh = (values.round(2).tolist() for values in weather(told))
    for minute, warm, damp in zip(told.tolist(), t, rh, strict=True):
        for n, sensor in enumerate(site.sensors):
            at_ms = minute * MINUTE_MS + 100 * n
            yield Reading(at_ms, sensor, Quantity.TEMPERATURE, warm)
            yield Reading(at_ms, sensor, Quantity.HUMIDITY, damp)


def said_in(spaces: list[str], begin: int, batch: int) -> Effects:
    """What a day left behind besides its air: a spell, notices, what was said every hour."""
    hot = Spell(Kind.HOT, spaces[0], None, begin, begin + 20, begin + 90, 33.0, settled=begin + 90)
    notices = [
        NoticeRow(8 * (begin // DAY_MIN) + n, Notice(
            begin * MINUTE_MS, spaces[0], None, "hot", "began", Weight.NOW, "Hot in the loft",
            "It has been warmer than 32 °C for an hour. Open up where you can.",
            f"/space/{spaces[0]}", begin), None)
        for n in range(8)
    ]  # fmt: skip
    effects = Effects(settlements=[Settlement([], [hot], [], notices)])
    for hour_ms in range(begin * MINUTE_MS, (begin + DAY_MIN) * MINUTE_MS, HOUR_MS):
        effects.prospects += [
            Prospect(number, hour_ms, "expected", 40.0, 90.0, 0.0, begin, begin, begin, 5.0, False,
                     50.0)
            for number in (batch, batch + 1)
        ]  # fmt: skip
        effects.ahead += [
            HoursAhead(hour_ms, space, hours, 14.0, 15.0, 16.0, 7.0, 8.0, 9.0)
            for space in spaces
            for hours in (1, 3, 6, 12, 24)
        ]
    return effects


def enter_batches(logbook: Logbook, spaces: list[str], end_min: int, days: int) -> None:
    """One a week, each weighed twice and taken down, but those that still hang."""
    for n, begin in enumerate(range(end_min - days * DAY_MIN + 60, end_min - DAY_MIN, 7 * DAY_MIN)):
        name = f"batch-{n}"
        course: list[tuple[int, str, dict[str, JSON]]] = [
            (0, "hang", {"flower": FLOWERS[n % 3], "space": spaces[n % len(spaces)], "bunches": 6,
                         "fresh_mass_g": 400.0, "name": name}),
            (2, "weigh", {"batch": name, "grams": 250.0}),
            (6, "weigh", {"batch": name, "grams": 130.0}),
            (HUNG_DAYS, "takedown", {"batch": name}),
        ]  # fmt: skip
        for after, verb, arguments in course:
            minute = begin + after * DAY_MIN
            if minute < end_min:
                at_ms = minute * MINUTE_MS
                logbook.enter(Request(verb, arguments, at_ms), (), at_ms)


def fold_last_days(
    writer: Writer, site: Site, begin_min: int, end_min: int, every_min: int
) -> None:
    """The last days through the engine, on the readings' clock."""
    engine = Engine(site, Policy(), BOOK, writer, end_min * MINUTE_MS)
    for begin in range(begin_min, end_min, 60):
        writer.apply(engine.receive(messages_in(site, begin, 60, every_min)))
        while engine.behind(engine.now_ms(0)):
            writer.apply(engine.advance(engine.now_ms(0), 120))
            writer.apply(engine.consider())
        writer.commit()


def messages_in(site: Site, begin: int, minutes: int, every_min: int) -> Iterator[Message]:
    told = np.arange(begin, begin + minutes, every_min)
    t, rh = (values.round(2).tolist() for values in weather(told))
    for minute, warm, damp in zip(told.tolist(), t, rh, strict=True):
        for n, sensor in enumerate(site.sensors.values()):
            at_ms = minute * MINUTE_MS + 100 * n
            payload = {"ts": at_ms, "t": warm, "rh": damp}
            yield Message(sensor.topic, json.dumps(payload).encode(), at_ms, False)
