"""The reader: one moment's view, read in the order of keys, absence kept as absence."""

import math
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from monitor.air.minute import MinuteOfAir
from monitor.engine.effects import Effects, Unread
from monitor.site.quantities import Flag, Quantity, Reading
from monitor.store.connection import StoreError
from monitor.store.queries import Reader
from monitor.store.writer import Writer

BEGIN_MS = 1_783_987_200_000  # 2026-07-14T00:00:00Z
DAY = BEGIN_MS // 60_000


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


def test_extremes_of_steps_are_those_of_the_full_minutes(writer: Writer) -> None:
    """Against numpy's nanmin and nanmax of the minutes, ordered by its nanargmin and nanargmax."""
    rng = np.random.default_rng(11)
    swing = rng.normal(8.0, 30.0, 1440)  # below zero too
    lux = rng.uniform(0, 120_000, 1440)
    unknown = rng.random(1440) < 0.1
    unknown[144:288] = True
    minutes = [
        MinuteOfAir(DAY + n, space, None if unknown[n] else float(swing[n]), None, float(lux[n]),
                    None, 0.5, None, None, None, 1)
        for n in range(1440) if n != 700 for space in ("loft", "shop")
    ]  # fmt: skip
    keep(writer, Effects(air=minutes))
    columns = ("temperature_c", "illuminance_lx", "relative_humidity_pct")
    begin, end, step = DAY - 10, DAY + 1440, 144  # the last step is shorter
    with Reader(writer.file) as reader:
        full = reader.air_of("loft", begin, end, columns)
        found = reader.extremes_of("loft", begin, end, step, columns)
        nowhere = reader.extremes_of("no such space", begin, end, step, columns)
        with pytest.raises(ValueError, match="air has no column smell"):
            reader.extremes_of("loft", begin, end, step, ("smell",))
    assert all(np.isnan(values).all() for values in nowhere.values())
    assert np.isnan(found["relative_humidity_pct"]).all()
    for column in columns[:2]:
        pairs = []
        for first in range(0, end - begin, step):
            part = full[column][first : first + step]
            known = not np.isnan(part).all()
            at = sorted((np.nanargmin(part), np.nanargmax(part))) if known else [0, 0]
            pairs += [part[i] for i in at]
        np.testing.assert_allclose(found[column], pairs, rtol=0, atol=1e-6)


def test_a_drying_load_is_the_sum_of_the_minutes_known(writer: Writer) -> None:
    pull = {DAY - 1: 9.0, DAY: 0.6, DAY + 1: None, DAY + 59: 1.2, DAY + 60: 9.0}
    minutes = [
        MinuteOfAir(minute, "loft", None, None, None, None, vpd, None, None, None, 1)
        for minute, vpd in pull.items()
    ]
    keep(writer, Effects(air=minutes))
    with Reader(writer.file) as reader:
        assert reader.load_of("loft", DAY, DAY + 60) == pytest.approx((1.8 / 60, 2))
        assert reader.load_of("attic", DAY, DAY + 60) == (0.0, 0)


def test_what_sensors_told_and_how_much_of_it_was_used(writer: Writer) -> None:
    readings = [
        Reading(BEGIN_MS, "peg", Quantity.HUMIDITY, 100.0, Flag.CLAMPED),
        Reading(BEGIN_MS + 9, "peg", Quantity.HUMIDITY, 99.0, Flag.CLAMPED | Flag.STUCK),
        Reading(BEGIN_MS + 9, "beam", Quantity.TEMPERATURE, 21.0),
        Reading(BEGIN_MS + 5, "peg", Quantity.TEMPERATURE, 21.5),
    ]
    keep(writer, Effects(readings=readings))
    with Reader(writer.file) as reader:
        heard = reader.heard(BEGIN_MS, BEGIN_MS + 10)
        assert list(heard) == ["beam", "peg"]
        assert (heard["peg"].readings, heard["peg"].used) == (3, 2)
        assert heard["peg"].doubts == {Flag.CLAMPED: 2, Flag.STUCK: 1}
        assert (heard["peg"].first_ms, heard["peg"].last_ms) == (BEGIN_MS, BEGIN_MS + 9)
        assert heard["beam"].doubts == {}
        last = reader.last_readings(BEGIN_MS + 1)
        assert last["peg", Quantity.HUMIDITY].value == 99.0
        assert set(reader.last_readings(BEGIN_MS + 6)) == {
            ("peg", Quantity.HUMIDITY),
            ("beam", Quantity.TEMPERATURE),
        }


def test_unread_payloads_newest_first_as_they_came(writer: Writer) -> None:
    first = Unread(BEGIN_MS, "withy/loft", "peg", b"\xff\x00", "no number in it")
    second = Unread(BEGIN_MS + 1, "withy/attic", None, b"{", "no JSON")
    keep(writer, Effects(unread=[first, second]))
    with Reader(writer.file) as reader:
        assert list(reader.unread()) == [second, first]
        assert list(reader.unread(to_ms=BEGIN_MS + 1)) == [first]
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
