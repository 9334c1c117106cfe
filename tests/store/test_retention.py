"""What is kept for how long: real rows taken away in slices, the means worked out by pandas."""

from __future__ import annotations

import io
import json
import random
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from monitor.air.minute import MinuteOfAir
from monitor.edges.report.gather import Source, gather
from monitor.edges.report.order import Week
from monitor.edges.report.sheet import sheet
from monitor.edges.report.text import phone_text
from monitor.engine.effects import Effects
from monitor.entries.entries import Entry
from monitor.service.settings.files import shipped
from monitor.site.flowers import read_book
from monitor.site.quantities import Quantity, Reading
from monitor.site.spaces import Limits, Site, Space, Use
from monitor.site.time import DAY_MIN, DAY_MS
from monitor.store.exports import remark
from monitor.store.formats import Format, export
from monitor.store.queries import Reader
from monitor.store.writer import Writer

BOOK = read_book(shipped("config/flowers.toml").read_text("utf-8"))

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
def kept(tmp_path: Path) -> Iterator[Writer]:
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
    with closing(writer):
        yield writer


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


def exported(file: Path) -> tuple[pd.DataFrame, str]:
    site = Site("Larkbarn", 54.9, -2.1, 140.0, "Europe/London", "°C", {}, {})
    with Reader(file) as reader:
        out = io.BytesIO()
        export(reader, site, "air", out, Format.JSON)
        exact = pd.DataFrame(json.loads(out.getvalue()))
        return exact, remark(reader, "air", None, None)


def sums(file: Path, begin: int, end: int) -> tuple[float, float]:
    """Drying load and light dose of the loft in a span."""
    with Reader(file) as reader:
        load = reader.load_of("loft", begin, end)
        air = reader.air_of("loft", begin, end, ("vpd_kpa", "illuminance_lx"))
    if begin % 10 == 0:
        known = np.count_nonzero(~np.isnan(air["vpd_kpa"]))
        assert load == pytest.approx((np.nansum(air["vpd_kpa"]) / 60, known), rel=1e-12)
    return float(np.nansum(air["vpd_kpa"])), float(np.nansum(air["illuminance_lx"]))


def test_older_spans_are_read_from_the_means_and_their_sums_stay(kept: Writer) -> None:
    begin, end = (NOW_MIN - 8 * DAY_MIN) // 10 * 10, NOW_MIN
    split = (NOW_MIN - MINUTES_DAYS * DAY_MIN) // 10 * 10
    before, said = exported(kept.file)
    assert said == ""
    whole = sums(kept.file, begin, end)
    tail = sums(kept.file, split - 5, end)
    trim(kept, 500)
    after, said = exported(kept.file)
    assert sums(kept.file, begin, end) == pytest.approx(whole, rel=1e-12)
    # In the middle of ten minutes only their mean is known: a part of one, at most.
    assert sums(kept.file, split - 5, end) == pytest.approx(tail, rel=1e-2)

    with Reader(kept.file) as reader:
        until = begin + (end - begin) // 60 * 60
        full = reader.air_of("loft", begin, until, ("temperature_c",))["temperature_c"]
        drawn = reader.extremes_of("loft", begin, until, 60, ("temperature_c",))["temperature_c"]
    low, high = (drawn.reshape(-1, 2).min(axis=1), drawn.reshape(-1, 2).max(axis=1))
    hours = full.reshape(-1, 60)
    known = ~np.isnan(hours).all(axis=1)
    assert (np.isnan(low) == ~known).all()
    np.testing.assert_allclose(low[known], np.nanmin(hours[known], axis=1), atol=1e-6)
    np.testing.assert_allclose(high[known], np.nanmax(hours[known], axis=1), atol=1e-6)

    split_text = f"{pd.to_datetime(split * 60, unit='s'):%Y-%m-%dT%H:%M:%SZ}"
    assert said.startswith(f"Before {split_text} each row is a mean of ten minutes")
    assert len(after) < len(before)
    assert list(after.time) == sorted(after.time)
    for column in ("drying_load_kpa_h", "light_dose_lx_h"):
        want = before.groupby("space")[column].sum()
        pd.testing.assert_series_equal(after.groupby("space")[column].sum(), want, rtol=1e-12)
    older = after[after.time < split_text]
    assert set(pd.to_datetime(older.time).dt.minute % 10) == {0}
    assert older.readings.isna().all()
    with Reader(kept.file) as reader:
        assert reader.first_minute("loft") == begin
        assert remark(reader, "air", split * 60_000, None) == ""
        assert remark(reader, "readings", None, None) == ""
    kept.close()


def test_a_report_of_an_older_week_says_what_it_is_told_from(tmp_path: Path) -> None:
    monday = Week.parse("2026-W20")
    begin, end = monday.span("Europe/London")
    writer = Writer(tmp_path / "x.sqlite")
    rng = random.Random(7)
    writer.apply(Effects(air=[air_of("loft", minute, rng) for minute in range(begin, end)]))
    writer.commit()
    site = Site(
        "Larkbarn", 54.9, -2.1, 140.0, "Europe/London", "°C",
        {"loft": Space("loft", Use.HANGING, Limits())}, {},
    )  # fmt: skip
    now_ms = (end + 30 * DAY_MIN) * 60_000
    with Reader(writer.file) as reader:
        fresh = gather(Source(reader, writer.file, site, BOOK), monday, now_ms)
    assert "ten-minute means" not in phone_text(fresh)
    while writer.trim(now_ms, 7, 7, 1000):
        pass
    writer.commit()
    with Reader(writer.file) as reader:
        old = gather(Source(reader, writer.file, site, BOOK), monday, now_ms)
    assert "Told from ten-minute means" in phone_text(old)
    assert "Told from ten-minute means" in sheet(old)
    assert old.spaces[0].air_known_h == fresh.spaces[0].air_known_h
    assert old.spaces[0].drying_load_kpa_h == pytest.approx(fresh.spaces[0].drying_load_kpa_h)
    assert old.spaces[0].light_dose_lx_h == pytest.approx(fresh.spaces[0].light_dose_lx_h)
    writer.close()


def test_who_reads_meanwhile_sees_what_was_there_when_it_began(kept: Writer) -> None:
    """As a report does: every row of its one moment, though the slices go on beside it."""
    with Reader(kept.file) as reader:
        readings, air = reader.readings(), reader.minutes()
        begun = [next(readings), *[next(air) for _ in range(5)]]
        trim(kept, 500)
        seen = len(begun) + sum(1 for _ in readings) + sum(1 for _ in air)
    with Reader(kept.file) as reader:
        left = sum(1 for _ in reader.readings()) + sum(1 for _ in reader.minutes())
    assert seen > left + 1000
