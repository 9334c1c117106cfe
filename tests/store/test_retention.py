"""What is kept for how long: real rows taken away in slices, the means worked out by pandas."""

from __future__ import annotations

import random
import sqlite3
from contextlib import closing
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from monitor.room.air import MinuteOfAir
from monitor.room.effects import Effects
from monitor.room.entries import Entry
from monitor.room.readings import Quantity, Reading
from monitor.store.writer import Writer

DAY_MIN = 1440
DAY_MS = DAY_MIN * 60_000
NOW_MIN = 29_700_000 // 10 * 10 + 3
NOW_MS = NOW_MIN * 60_000
RAW_DAYS, MINUTES_DAYS = 4, 6
MEANS = (
    "temperature_c", "relative_humidity_pct", "illuminance_lx", "dew_point_c", "vpd_kpa",
    "humidity_ratio_g_kg", "absolute_humidity_g_m3", "surface_margin_k",
)  # fmt: skip


def air_of(space: str, minute: int, rng: random.Random) -> MinuteOfAir:
    light = None if space == "box room" else rng.uniform(0, 3000)
    values = [rng.uniform(5, 30), rng.uniform(30, 90), light]
    values += [rng.uniform(0, 20) for _ in range(4)]
    values += [None if rng.random() < 0.3 else rng.uniform(-2, 8)]
    return MinuteOfAir(minute, space, *values, 2)


@pytest.fixture
def kept(tmp_path: Path) -> Writer:
    """Eight days of minutes, readings and hourly states, with a gap of a day in the minutes."""
    writer, rng = Writer(tmp_path / "x.sqlite"), random.Random(5)
    effects = Effects(entries=[Entry(1, 0, 0, "note", {"text": "long ago"}, None)])
    for minute in range(NOW_MIN - 8 * DAY_MIN, NOW_MIN, 3):
        reading = Reading(minute * 60_000, "rail", Quantity.TEMPERATURE, rng.uniform(5, 30))
        effects.readings.append(reading)
        if not NOW_MIN - 7 * DAY_MIN <= minute < NOW_MIN - 6.5 * DAY_MIN:
            effects.air += [air_of(space, minute, rng) for space in ("loft", "box room")]
    for hour in range(NOW_MIN // 60 * 60 - 8 * DAY_MIN, NOW_MIN, 60):
        effects.states.append((hour, b"state"))
    writer.apply(effects)
    writer.commit()
    return writer


def table(file: Path, sql: str) -> pd.DataFrame:
    with closing(sqlite3.connect(file)) as db:
        return pd.read_sql(sql, db)


def trim(writer: Writer, most: int) -> list[int]:
    """Rows that each slice changed."""
    slices, more = [], True
    while more:
        before = writer._db.total_changes
        more = writer.trim(NOW_MS, RAW_DAYS, MINUTES_DAYS, most)
        writer.commit()
        slices.append(writer._db.total_changes - before)
        assert len(slices) < 1000
    return slices


def test_old_minutes_become_ten_minute_means_and_readings_go(kept: Writer) -> None:
    before = table(kept.file, "SELECT * FROM air")
    slices = trim(kept, 500)
    assert len(slices) > 3
    air_from = (NOW_MIN - MINUTES_DAYS * DAY_MIN) // 10 * 10
    after = table(kept.file, "SELECT * FROM air")
    pd.testing.assert_frame_equal(after, before[before.minute >= air_from].reset_index(drop=True))

    old = before[before.minute < air_from]
    expected = old.assign(minute=old.minute // 10 * 10).groupby(["minute", "space"])
    means = table(kept.file, "SELECT * FROM air_ten_minutes ORDER BY minute, space")
    want = expected[list(MEANS)].mean().reset_index()
    for column in MEANS:
        # A mean of nothing is not known: None there, NaN here.
        np.testing.assert_allclose(
            means[column].to_numpy(dtype=float), want[column].to_numpy(dtype=float), rtol=1e-12
        )
    assert list(means.minutes) == list(expected.size())
    assert means.minutes.sum() == len(old)
    readings = table(kept.file, "SELECT min(time_ms) AS first, count(*) AS n FROM reading")
    assert readings["first"][0] >= NOW_MS - RAW_DAYS * DAY_MS
    assert readings.n[0] == RAW_DAYS * DAY_MIN // 3
    assert len(table(kept.file, "SELECT * FROM entry")) == 1
    kept.close()


def test_of_the_kept_states_the_last_three_days_stay_hourly_and_older_ones_daily(
    kept: Writer,
) -> None:
    trim(kept, 2000)
    minutes = table(kept.file, "SELECT minute FROM checkpoint").minute
    recent = minutes[minutes >= NOW_MIN - 3 * DAY_MIN]
    older = minutes[minutes < NOW_MIN - 3 * DAY_MIN]
    assert set(np.diff(recent)) == {60}
    assert len(recent) in (72, 73)
    assert list(older % DAY_MIN) == [0] * len(older)
    assert older.min() >= NOW_MIN - RAW_DAYS * DAY_MIN
    kept.close()


def test_a_slice_is_short_and_what_is_trimmed_twice_stays(kept: Writer) -> None:
    slices = trim(kept, 100)
    # A slice: so many readings, at most a day of two spaces' minutes with their means, states.
    assert max(slices) <= 100 + 2 * DAY_MIN // 3 + 2 * DAY_MIN // 10 + 200
    before = table(kept.file, "SELECT * FROM air_ten_minutes")
    assert trim(kept, 100) == [0]
    pd.testing.assert_frame_equal(table(kept.file, "SELECT * FROM air_ten_minutes"), before)
    kept.close()


def test_a_store_without_air_is_trimmed_too(tmp_path: Path) -> None:
    writer = Writer(tmp_path / "x.sqlite")
    assert writer.trim(NOW_MS, RAW_DAYS, MINUTES_DAYS, 100) is False
    writer.commit()
    writer.close()
