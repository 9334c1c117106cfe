"""The reader: one moment's view, read in the order of keys, absence kept as absence."""

import math
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.room.air import MinuteOfAir
from monitor.room.effects import Effects, Unread
from monitor.room.readings import Flag, Quantity, Reading
from monitor.store.connection import StoreError
from monitor.store.reader import Reader
from monitor.store.writer import Writer

DAY_MS = 1_783_987_200_000  # 2026-07-14T00:00:00Z
DAY = DAY_MS // 60_000


@pytest.fixture
def writer(tmp_path: Path) -> Iterator[Writer]:
    writer = Writer(tmp_path / "store.sqlite")
    yield writer
    writer.close()


def air(minute: int, space: str, t: float | None) -> MinuteOfAir:
    return MinuteOfAir(minute, space, t, 50.0, None, None, None, None, None, None, 1)


def keep(writer: Writer, effects: Effects) -> None:
    writer.apply(effects)
    writer.commit()


def test_no_store_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="there is no store yet"):
        Reader(tmp_path / "none.sqlite")


def test_a_reader_sees_one_moment_and_cannot_write(writer: Writer) -> None:
    keep(writer, Effects(air=[air(DAY, "loft", 20.0)]))
    with Reader(writer.file) as reader:
        assert len(list(reader.minutes())) == 1
        keep(writer, Effects(air=[air(DAY + 1, "loft", 20.0)]))
        assert len(list(reader.minutes())) == 1
        with pytest.raises(sqlite3.OperationalError, match="readonly"):
            reader._db.execute("DELETE FROM air")
    with Reader(writer.file) as reader:
        assert len(list(reader.minutes())) == 2


def test_a_spaces_air_as_arrays_has_nan_where_nothing_is_known(writer: Writer) -> None:
    minutes = [air(DAY, "loft", 20.0), air(DAY + 2, "loft", None), air(DAY, "shop", 9.0)]
    keep(writer, Effects(air=minutes))
    with Reader(writer.file) as reader:
        found = reader.air_of("loft", DAY - 1, DAY + 3, ("temperature_c", "relative_humidity_pct"))
        known = {
            name: [None if math.isnan(v) else v for v in values] for name, values in found.items()
        }
        assert known["temperature_c"] == [None, 20.0, None, None]
        assert known["relative_humidity_pct"] == [None, 50.0, None, 50.0]
        assert all(map(math.isnan, reader.air_of("no such space", DAY, DAY + 1)["vpd_kpa"]))
        assert (reader.first_minute("loft"), reader.first_minute("attic")) == (DAY, None)
        with pytest.raises(ValueError, match="air has no column smell"):
            reader.air_of("loft", DAY, DAY + 1, ("smell",))


def test_what_sensors_told_and_how_much_of_it_was_used(writer: Writer) -> None:
    readings = [
        Reading(DAY_MS, "peg", Quantity.HUMIDITY, 100.0, Flag.CLAMPED),
        Reading(DAY_MS + 9, "peg", Quantity.HUMIDITY, 99.0, Flag.CLAMPED | Flag.STUCK),
        Reading(DAY_MS + 9, "beam", Quantity.TEMPERATURE, 21.0),
        Reading(DAY_MS + 5, "peg", Quantity.TEMPERATURE, 21.5),
    ]
    keep(writer, Effects(readings=readings))
    with Reader(writer.file) as reader:
        heard = reader.heard(DAY_MS, DAY_MS + 10)
        assert list(heard) == ["beam", "peg"]
        assert (heard["peg"].readings, heard["peg"].used) == (3, 2)
        assert heard["peg"].doubts == {Flag.CLAMPED: 2, Flag.STUCK: 1}
        assert (heard["peg"].first_ms, heard["peg"].last_ms) == (DAY_MS, DAY_MS + 9)
        assert heard["beam"].doubts == {}
        last = reader.last_readings(DAY_MS + 1)
        assert last["peg", Quantity.HUMIDITY].value == 99.0
        assert set(reader.last_readings(DAY_MS + 6)) == {
            ("peg", Quantity.HUMIDITY),
            ("beam", Quantity.TEMPERATURE),
        }


def test_unread_payloads_newest_first_as_they_came(writer: Writer) -> None:
    first = Unread(DAY_MS, "withy/loft", "peg", b"\xff\x00", "no number in it")
    second = Unread(DAY_MS + 1, "withy/attic", None, b"{", "no JSON")
    keep(writer, Effects(unread=[first, second]))
    with Reader(writer.file) as reader:
        assert list(reader.unread()) == [second, first]
        assert list(reader.unread(to_ms=DAY_MS + 1)) == [first]
        assert reader.reports() == []
        assert reader.report("2026-W29") is None


@pytest.mark.parametrize("table", ["readings", "minutes"])
def test_long_tables_are_read_in_the_order_of_their_key(writer: Writer, table: str) -> None:
    """A sort of the whole table would need memory, or a disk, as large as the table."""
    asked: list[str] = []
    with Reader(writer.file) as reader:
        reader._db.set_trace_callback(asked.append)
        list(getattr(reader, table)(DAY, DAY + 10))
        reader._db.set_trace_callback(None)
        plan = [row[3] for row in reader._db.execute(f"EXPLAIN QUERY PLAN {asked[0]}")]
    assert "USING PRIMARY KEY" in plan[0]
    sorting = [step for step in plan if "TEMP B-TREE" in step]
    assert all("LAST" in step or "RIGHT PART" in step for step in sorting), sorting
