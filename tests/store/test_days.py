"""Days worked out once say what their minutes say, against numpy over those minutes."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from monitor.air.minute import MinuteOfAir
from monitor.engine.effects import Effects
from monitor.store.air import KEPT
from monitor.store.backup import set_aside_future
from monitor.store.queries import Reader
from monitor.store.writer import Writer

DAYS, FIRST_DAY = 5, 20_648
FIRST = FIRST_DAY * 1440 + 300  # the first day is not whole, and a later one is missing
NOW = (FIRST_DAY + DAYS) * 1440 + 500
NOW_MS = NOW * 60_000


def minute(at: int, space: str, rng: np.random.Generator) -> MinuteOfAir:
    t, rh, lux, vpd = (
        None if rng.random() < 0.1 else float(value)
        for value in (rng.normal(8, 20), rng.uniform(5, 95), rng.uniform(0, 1e5), rng.uniform(0, 4))
    )
    return MinuteOfAir(at, space, t, rh, lux, None, vpd, None, None, None, 1)


@pytest.fixture
def writer(tmp_path: Path) -> Iterator[Writer]:
    writer, rng = Writer(tmp_path / "store.sqlite"), np.random.default_rng(3)
    kept = [at for at in range(FIRST, NOW, 7) if at // 1440 != FIRST_DAY + 2]
    spaces = ("loft", "shop")
    writer.apply(Effects(air=[minute(at, space, rng) for at in kept for space in spaces]))
    writer.commit()
    yield writer
    writer.close()


def work_out(writer: Writer, most: int = 3) -> int:
    slices = 1
    while writer.work_out_days(NOW_MS, most):
        slices += 1
    writer.commit()
    return slices


def days_kept(writer: Writer) -> list[tuple[int, int]]:
    with closing(sqlite3.connect(writer.file)) as db:
        return db.execute("SELECT day, count(*) FROM air_day GROUP BY day ORDER BY day").fetchall()


def right(writer: Writer, days: int = DAYS + 1) -> None:
    """What is read by days is what numpy finds in the minutes."""
    begin = (FIRST_DAY + DAYS + 1 - days) * 1440
    with Reader(writer.file) as reader:
        for space in ("loft", "shop"):
            full = reader.air_of(space, begin, NOW, KEPT)
            found = reader.extremes_of(space, begin, NOW, 1440, KEPT)
            load = reader.load_of(space, begin + 70, NOW)
            pull = full["vpd_kpa"][70:]
            assert load.kpa_h == pytest.approx(np.nansum(pull) / 60, rel=1e-12)
            assert load.minutes == np.count_nonzero(~np.isnan(pull))
            for column in KEPT:
                for day in range(days):
                    part = full[column][1440 * day : 1440 * (day + 1)]
                    two = found[column][2 * day : 2 * day + 2]
                    if np.isnan(part).all():
                        assert np.isnan(two).all()
                        continue
                    at = sorted((np.nanargmin(part), np.nanargmax(part)))
                    np.testing.assert_allclose(two, part[at], rtol=0, atol=1e-6)


def test_days_say_what_their_minutes_say(writer: Writer) -> None:
    right(writer)
    assert days_kept(writer) == []
    assert work_out(writer) == 4, "ten days of spaces by threes"
    assert days_kept(writer) == [(FIRST_DAY + n, 2 * len(KEPT)) for n in range(DAYS)]
    right(writer)


def test_it_is_the_kept_day_that_is_read(writer: Writer) -> None:
    """Else a year would be sought in its minutes after all."""
    work_out(writer)
    with closing(sqlite3.connect(writer.file)) as db, db:
        db.execute("UPDATE air_day SET total = 600, minutes = 60 WHERE day = ?", (FIRST_DAY + 1,))
    whole = (FIRST_DAY + 1) * 1440, (FIRST_DAY + 2) * 1440
    with Reader(writer.file) as reader:
        assert reader.load_of("loft", *whole) == (10.0, 60)


@pytest.mark.parametrize("how", ["late", "refolded"])
def test_a_day_of_which_a_minute_changes_is_worked_out_anew(writer: Writer, how: str) -> None:
    work_out(writer)
    begin = (FIRST_DAY + 3) * 1440
    late = MinuteOfAir(begin + 5, "loft", 99.0, 1.0, 2e5, None, 9.0, None, None, None, 1)
    gone = list(range(begin + 100, begin + 900))
    writer.apply(Effects(air=[late]) if how == "late" else Effects(refolded=gone))
    writer.commit()
    assert FIRST_DAY + 3 not in dict(days_kept(writer))
    right(writer)
    assert work_out(writer) == 1
    assert FIRST_DAY + 3 in dict(days_kept(writer))
    right(writer)


def test_days_from_a_wrong_clock_on_are_set_aside_with_their_minutes(writer: Writer) -> None:
    work_out(writer)
    writer.close()
    set_aside_future(writer.file, ((FIRST_DAY + 3) * 1440 + 60) * 60_000)
    assert [day for day, _ in days_kept(writer)] == [FIRST_DAY + n for n in range(3)]


def test_minutes_that_retention_makes_means_of_leave_the_days_as_they_were(writer: Writer) -> None:
    work_out(writer)
    with Reader(writer.file) as reader:
        before = reader.extremes_of("loft", FIRST_DAY * 1440, NOW, 1440, KEPT)
        load = reader.load_of("loft", FIRST_DAY * 1440, NOW)
    while writer.trim(NOW_MS, 2, 2, 10_000):
        pass
    writer.commit()
    with Reader(writer.file) as reader:
        after = reader.extremes_of("loft", FIRST_DAY * 1440, NOW, 1440, KEPT)
        assert reader.load_of("loft", FIRST_DAY * 1440, NOW) == load
    for column in KEPT:
        np.testing.assert_array_equal(before[column], after[column])


def test_a_store_without_air_has_no_days(tmp_path: Path) -> None:
    empty = Writer(tmp_path / "empty.sqlite")
    assert empty.work_out_days(NOW_MS, 10) is False
    empty.commit()
    empty.close()
