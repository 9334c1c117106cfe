"""Months without a reading are leaped over, and nothing is different for it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

from monitor.engine.engine import Engine
from monitor.entries.entries import Request
from monitor.intake.payloads import Message
from monitor.notices.spell_rules import Policy
from monitor.site.time import DAY_MS, HOUR_MS, MINUTE_MS
from monitor.store.writer import Writer
from tests.engine.test_engine import BOOK, SITE, START_MS, day, message, rows

DAYS = 8
END_MS = START_MS + DAYS * DAY_MS
ASIDE = ("aside", {"sensor": "o", "salt": "table"}, 9)
READS_LOW = ("calibrate", {"sensor": "a", "quantity": "humidity", "offset": 2.0}, 6 * 24)


def at(message: Message) -> Message:
    """It came so long before the end that nobody waits for more of a log."""
    return message._replace(arrived_ms=END_MS - 10_000)


class Running:
    """An engine that runs live on a real store."""

    def __init__(self, file: Path) -> None:
        self.file = file
        self.writer = Writer(file)
        self.engine = Engine(SITE, Policy(), BOOK, self.writer)
        self.turns = 0

    def receive(self, messages: Sequence[Message]) -> None:
        self.writer.apply(self.engine.receive(messages), ["phone"])

    def enter(self, verb: str, arguments: dict[str, Any], hour: int) -> None:
        request = Request(verb, arguments, START_MS + hour * HOUR_MS)
        self.writer.apply(self.engine.enter(request, END_MS)[1], ["phone"])

    def until(self, now_ms: int) -> None:
        while self.engine.behind(now_ms):
            self.writer.apply(self.engine.advance(now_ms, 60), ["phone"])
            self.writer.apply(self.engine.consider(), ["phone"])
            self.turns += 1

    def kept(self) -> dict[str, Any]:
        self.writer.commit()
        return {
            "state": self.writer.state_for(END_MS // MINUTE_MS),
            "spells": sorted(self.writer.spells_since(0), key=str),
            "air": rows(self.file, "SELECT * FROM air ORDER BY minute, space"),
            "flags": rows(self.file, "SELECT * FROM reading ORDER BY time_ms, sensor, quantity"),
        }


Start = Callable[[str], Running]


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Start]:
    started: list[Running] = []

    def start(name: str) -> Running:
        started.append(Running(tmp_path / name))
        return started[-1]

    yield start
    for running in started:
        running.writer.close()


@pytest.mark.parametrize("entries", [[], [READS_LOW], [ASIDE, READS_LOW]])
def test_a_leap_ends_as_the_minutes_one_by_one_do(start: Start, entries: list[Any]) -> None:
    messages = [at(m) for m in day()]
    leaping, folding = (start(name) for name in ("leaping", "folding"))
    for running in (leaping, folding):
        running.receive(messages)
        for entry in entries:
            running.enter(*entry)
    leaping.until(END_MS)
    for now_ms in range(START_MS, END_MS + 1, 100 * MINUTE_MS):
        folding.until(now_ms)
    folding.until(END_MS)
    assert leaping.kept() == folding.kept()
    assert leaping.turns < folding.turns * 0.7


def test_what_comes_late_into_the_emptiness_is_folded_where_it_belongs(start: Start) -> None:
    """A log from the middle of it, and the first reading of the new season."""
    log = [
        at(message(name, 6.5 * 1440 + n, 24.0 + n / 50, 58.0)) for n in range(90) for name in "ab"
    ]
    late, in_time = (start(name) for name in ("late", "in_time"))
    late.receive([at(m) for m in day()])
    late.until(END_MS)
    late.receive(log)
    in_time.receive([at(m) for m in day()] + log)
    for running in (late, in_time):
        running.until(END_MS)
    assert late.kept() == in_time.kept()


def test_a_winter_switched_off_takes_no_longer_than_some_days(start: Start) -> None:
    running = start("store")
    running.receive([at(m) for m in day()])
    running.until(END_MS)
    turns = running.turns
    running.until(END_MS + 180 * DAY_MS)
    assert running.turns - turns < 20


def test_while_a_log_comes_in_nothing_is_folded_that_it_may_still_tell(start: Start) -> None:
    """What the broker held through an outage comes in pieces: none is folded twice for the next."""
    running = start("store")
    pieces = [[message("a", n, 20.0, 55.0) for n in range(at, at + 60)] for at in range(0, 600, 60)]
    now_ms = END_MS
    folded: list[int] = []
    for piece in pieces:
        running.receive([m._replace(arrived_ms=now_ms) for m in piece])
        while running.engine.behind(now_ms):
            effects = running.engine.advance(now_ms, 60)
            folded += [air.minute for air in effects.air if air.space == "loft"]
            running.writer.apply(effects, ["phone"])
            running.writer.apply(running.engine.consider(), ["phone"])
        now_ms += 500
    assert len(folded) == len(set(folded)) > 500
    assert max(folded) < START_MS // MINUTE_MS + 600
    running.until(now_ms + 10_000)  # nothing more comes
    assert not running.engine.behind(now_ms + 10_000)
    assert running.writer.settled() == (now_ms + 10_000) // MINUTE_MS
