"""How far back memory reaches, and that the store is asked beyond."""

from __future__ import annotations

from pathlib import Path

from monitor.room.effects import Effects
from monitor.room.readings import MINUTE_MS, Quantity, Reading
from monitor.room.recent import FEWEST_KEPT_MIN, KEPT_MIN, MOST_HELD, Recent
from monitor.store.writer import Writer

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


def test_memory_reaches_half_an_hour_back(tmp_path: Path) -> None:
    writer = Writer(tmp_path / "x.sqlite")
    recent = fed(writer, 6, 45)
    assert recent.held_min == KEPT_MIN
    assert recent.held == 6 * KEPT_MIN
    assert recent.flooding is None
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
