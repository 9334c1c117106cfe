"""A replay that is killed says the same hours ahead as one that is not, late readings or not."""

from __future__ import annotations

import random
from collections.abc import Collection
from pathlib import Path
from typing import Any

import pytest

from monitor.engine.engine import Engine
from monitor.intake.payloads import Message
from monitor.notices.spell_rules import Policy
from monitor.store.writer import Writer
from tests.engine.test_engine import BOOK, FOREVER_MS, SITE, day, rows

HOURS, KILLS = 15, 12


def late(messages: list[Message], within: int, rng: random.Random) -> list[Message]:
    """Each tenth message comes up to so many messages late."""
    at = [n + (rng.uniform(0, within) if rng.random() < 0.1 else 0) for n in range(len(messages))]
    return [message for _, message in sorted(zip(at, messages, strict=True), key=lambda m: m[0])]


def replayed(file: Path, messages: list[Message], kills: Collection[int]) -> list[Any]:
    """Taken in as the worker does, one by one; what was committed before a kill stays."""
    writer = Writer(file)
    engine = Engine(SITE, Policy(), BOOK, writer, FOREVER_MS)
    for number, message in enumerate(messages):
        writer.apply(engine.receive([message]))
        if number in kills:
            writer.commit()
            writer.close()
            writer = Writer(file)
            engine = Engine(SITE, Policy(), BOOK, writer, FOREVER_MS)
        while engine.behind(engine.now_ms(0)) and not engine.holds_back:
            writer.apply(engine.advance(engine.now_ms(0), 50))
            writer.apply(engine.consider())
            while engine.considering:
                writer.apply(engine.consider())
    writer.commit()
    writer.close()
    return rows(file, "SELECT * FROM ahead ORDER BY asked_ms, space, horizon_h")


@pytest.mark.parametrize("within_h", [0.5, 3.0])
def test_the_hours_ahead_are_the_same(tmp_path: Path, within_h: float) -> None:
    rng = random.Random(3)
    messages = late(day(HOURS), round(within_h * 180), rng)
    kills = set(rng.sample(range(len(messages)), KILLS))
    without = replayed(tmp_path / "a.sqlite", messages, set())
    assert len(without) > 20
    assert replayed(tmp_path / "b.sqlite", messages, kills) == without
