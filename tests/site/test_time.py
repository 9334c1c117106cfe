"""The one time: minutes, milliseconds and the clock on the wall, held to the calendar."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import pytest

from monitor.site.time import (
    DAY_MIN,
    DAY_MS,
    DAY_S,
    HOUR_MS,
    MINUTE_MS,
    epoch_ms_of,
    local,
    local_day,
    midnight,
    minute_of_day,
    utc,
)

# 2026-07-04T08:30:00Z, by `date -u -d @1783153800`.
MORNING_MS = 1_783_153_800_000


def test_the_lengths_agree() -> None:
    assert 24 * HOUR_MS == DAY_MIN * MINUTE_MS == DAY_MS
    assert (DAY_S * 1000, HOUR_MS) == (DAY_MS, 3_600_000)


def test_a_moment_there_and_back() -> None:
    moment = datetime(2026, 7, 4, 8, 30, tzinfo=UTC)
    assert utc(MORNING_MS) == moment
    assert epoch_ms_of(moment) == MORNING_MS
    assert epoch_ms_of(moment.astimezone(timezone(timedelta(hours=9)))) == MORNING_MS
    assert epoch_ms_of(moment + timedelta(microseconds=999)) == MORNING_MS


@pytest.mark.parametrize("zone", ["Europe/London", ZoneInfo("Europe/London")])
def test_the_clock_on_the_wall_is_an_hour_ahead_in_summer(zone: str | ZoneInfo) -> None:
    assert f"{local(MORNING_MS, zone):%H:%M}" == "09:30"
    assert minute_of_day(MORNING_MS, zone) == 9 * 60 + 30
    assert local_day(MORNING_MS + 15 * HOUR_MS, zone) == date(2026, 7, 5)


def test_a_day_has_23_or_25_hours_where_the_clocks_change() -> None:
    zone = "Europe/London"
    for day, hours in ((date(2026, 3, 29), 23), (date(2026, 7, 4), 24), (date(2026, 10, 25), 25)):
        assert midnight(day + timedelta(days=1), zone) - midnight(day, zone) == 60 * hours
    assert midnight(date(2026, 7, 4), zone) * MINUTE_MS == MORNING_MS - 9 * HOUR_MS - 30 * MINUTE_MS
