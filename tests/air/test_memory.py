"""How far back memory reaches, and that the store is asked beyond."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.air import memory as memory
from monitor.air.memory import FEWEST_KEPT_MIN, KEPT_MIN, MOST_HELD, Recent
from monitor.engine.effects import Effects
from monitor.engine.engine import Engine
from monitor.notices.spell_rules import Policy
from monitor.site.quantities import Quantity, Reading
from monitor.site.time import MINUTE_MS
from monitor.store.writer import Writer
from tests.engine.test_engine import BOOK, FOREVER_MS, SITE, message

FIRST = 29_700_000  # a minute in 2026


def told(minute: int, count: int) -> list[Reading]:
    """So many readings spread over a minute."""
    return [
        Reading(
            minute * MINUTE_MS + n * MINUTE_MS // count, "rail", Quantity.HUMIDITY, 50.0 + n % 7
        )
        for n in range(count)
    ]


def fed(writer: Writer, a_minute: int, minutes: int) -> Recent:
    """A memory through so many minutes of so many readings each, the store beside it."""
    recent = Recent(writer, FIRST)
    for minute in range(FIRST, FIRST + minutes):
        readings = told(minute, a_minute)
        assert all(recent.add(reading) for reading in readings)
        writer.apply(Effects(readings=readings))
        recent.forget_before(minute + 1)
    return recent


def test_memory_reaches_ten_minutes_back(tmp_path: Path) -> None:
    writer = Writer(tmp_path / "x.sqlite")
    recent = fed(writer, 6, 45)
    assert recent.held_min == KEPT_MIN
    assert recent.held == 6 * KEPT_MIN
    assert recent.flooding is None
    writer.close()


def test_a_running_engine_lets_go_with_every_minute(tmp_path: Path) -> None:
    writer = Writer(tmp_path / "x.sqlite")
    engine = Engine(SITE, Policy(), BOOK, writer, FOREVER_MS)
    held = []
    for minute in range(118):
        writer.apply(engine.receive([message("a", minute + 0.5, 21 + minute % 5 / 10, 50)]))
        while engine.behind(engine.now_ms(0)):
            writer.apply(engine.advance(engine.now_ms(0), 50))
            writer.apply(engine.consider())
        held.append(engine.held_min)
    assert KEPT_MIN < max(held) <= KEPT_MIN + 2  # and the two that are not over yet
    writer.close()


def test_where_sensors_flood_it_memory_is_bounded_and_the_store_knows_the_rest(
    tmp_path: Path,
) -> None:
    a_minute = MOST_HELD // 8
    writer = Writer(tmp_path / "x.sqlite")
    recent = fed(writer, a_minute, 14)
    assert recent.held <= MOST_HELD
    for reading in told(FIRST + 14, MOST_HELD):
        recent.add(reading)
    assert recent.flooding == "rail"
    assert recent.held_min >= FEWEST_KEPT_MIN
    for minute in (FIRST, FIRST + 13):  # the one from the store, the other from memory
        found = recent.minute(minute)["rail"]
        assert {t: record[Quantity.HUMIDITY][0] for t, record in found.items()} == {
            reading.time_ms: reading.value for reading in told(minute, a_minute)
        }
    assert not recent.add(told(FIRST, a_minute)[5])  # there already, though not in memory
    writer.close()


def test_what_waits_to_be_folded_is_bounded_by_its_number_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A flood dated in the hour to come would else wait in memory until then."""
    monkeypatch.setattr(memory, "MOST_WAITING", 2_000)
    writer = Writer(tmp_path / "x.sqlite")
    recent = Recent(writer, FIRST)
    ahead = {minute: told(minute, 1_500) for minute in range(FIRST, FIRST + 6)}
    for readings in ahead.values():
        for reading in readings:
            assert recent.add(reading)
            assert recent.held <= 2_000
        writer.apply(Effects(readings=readings))
        recent.stale()
    more = told(FIRST, 1_501)[1]  # for a minute that is left to the store already
    assert recent.add(more)
    writer.apply(Effects(readings=[more]))
    assert not recent.add(more)
    recent.stale()
    for minute, readings in ahead.items():
        known = recent.minute(minute)["rail"]
        assert {r.time_ms for r in readings} <= known.keys()
        assert recent.next_minute(minute) == minute
        after = recent.following("rail", readings[0].time_ms)
        assert after is not None
        assert after[0] == min(t for t in known if t > readings[0].time_ms)
    recent.forget_before(FIRST + 100)
    assert recent.held == 0
    writer.close()


def test_the_store_is_read_in_slices_of_so_many_readings(tmp_path: Path) -> None:
    writer = Writer(tmp_path / "x.sqlite")
    for minute in range(FIRST, FIRST + 9):
        writer.apply(Effects(readings=told(minute, 100)))
    found = writer.records(FIRST, FIRST + 9, 250)
    assert (found.end, sorted(found)) == (FIRST + 3, [FIRST, FIRST + 1, FIRST + 2])
    assert writer.records(FIRST, FIRST + 9, 5000).end == FIRST + 9
    assert writer.records(FIRST, FIRST + 9).keys() == set(range(FIRST, FIRST + 9))
    writer.close()
