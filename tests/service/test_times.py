"""Times as people write them, in the site's zone."""

from __future__ import annotations

import contextlib
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.entries.entries import RequestError
from monitor.entries.requests import read_time

ZONE = ZoneInfo("Europe/London")
NOW = 1_783_323_000_000  # 2026-07-06 08:30 there, 07:30 UTC
HOUR = 3_600_000


@pytest.mark.parametrize(
    ("text", "at_ms"),
    [
        ("now", NOW),
        ("08:30", NOW),
        ("8:30", NOW),
        ("today 07:00", NOW - HOUR - HOUR // 2),
        ("Yesterday  18:00", NOW - 14 * HOUR - HOUR // 2),
        ("2026-07-06 08:30", NOW),
        ("2026-07-06T08:30:00", NOW),
        ("2026-07-06T07:30Z", NOW),
        ("2026-07-06 09:30:00+02:00", NOW),
        ("2026-01-01 00:00", 1_767_225_600_000),
        ("08:31", NOW + 60_000),  # a minute ahead: clocks differ
    ],
)
def test_read(text: str, at_ms: int) -> None:
    assert read_time(text, NOW, ZONE) == at_ms


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("08:32", '08:32 is still to come today; for the day before write "yesterday 08:32"'),
        ("2026-07-06 08:32", "2026-07-06 08:32 lies in the future; give the time it happened"),
        ("25:00", '"25:00" is no time of day; hours go from 00:00 to 23:59'),
        ("2026-07-04", '"2026-07-04" needs its hour too, for example "2026-07-04 08:30"'),
        (
            "tomorrow",
            '"tomorrow" is no time; write it as "2026-07-04 08:30", "08:30" or "yesterday 18:00"',
        ),
        (
            "",
            '"" is no time; write it as "2026-07-04 08:30", "08:30" or "yesterday 18:00"',
        ),
        (
            "4/7/2026 08:30",
            '"4/7/2026 08:30" is no time; write it as "2026-07-04 08:30", "08:30" or '
            '"yesterday 18:00"',
        ),
        (
            "0026-07-04 08:30",
            'the year 26 cannot be meant; write it as "2026-07-04 08:30", "08:30" or '
            '"yesterday 18:00"',
        ),
        (
            "2026-03-29 01:30",
            "2026-03-29 01:30 never was in Europe/London: the clocks went forward over it; by the "
            "new time it is 02:30",
        ),
        (
            "2025-10-26 01:30",
            "2025-10-26 01:30 came twice in Europe/London: the clocks went back; write "
            '"2025-10-26 01:30+01:00" for the first or "2025-10-26 01:30+00:00" for the second',
        ),
    ],
)
def test_refused(text: str, sentence: str) -> None:
    with pytest.raises(RequestError) as refused:
        read_time(text, NOW, ZONE)
    assert (refused.value.field, refused.value.sentence) == ("at", sentence)


def test_the_two_ways_out_of_a_doubled_hour_work() -> None:
    first = read_time("2025-10-26 01:30+01:00", NOW, ZONE)
    assert read_time("2025-10-26 01:30+00:00", NOW, ZONE) - first == HOUR


def test_a_day_alone_is_taken_where_a_span_is_asked_for() -> None:
    begin = read_time("2026-07-06", NOW, ZONE, by_day=True)
    assert begin == read_time("2026-07-06 00:00", NOW, ZONE)
    assert read_time("2026-07-08", NOW, ZONE, by_day=True) == begin + 48 * HOUR  # still to come


def test_without_a_present_only_full_dates_are_read() -> None:
    assert read_time("2099-01-01 00:00Z", None, ZONE) > NOW
    with pytest.raises(RequestError) as refused:
        read_time("yesterday 18:00", None, ZONE)
    assert refused.value.sentence == (
        '"yesterday 18:00" needs its date here, for example "2026-07-04 18:00"'
    )


# Outside check: pandas' own localisation of wall-clock times, told to raise on a time that
# never was and on one that came twice.
@given(
    st.sampled_from(["Europe/London", "America/New_York", "Australia/Lord_Howe", "Asia/Kolkata"]),
    st.sampled_from(
        [
            "2024-03-10",
            "2024-03-31",
            "2024-04-07",
            "2024-10-06",
            "2024-10-27",
            "2024-11-03",
            "2024-07-01",
        ]
    ),
    st.integers(0, 1439),
)
def test_wall_clock_times_as_pandas_localises_them(zone: str, day: str, minute: int) -> None:
    local = datetime.fromisoformat(day) + timedelta(minutes=minute)
    try:
        expected = pd.Timestamp(local).tz_localize(zone, ambiguous="raise", nonexistent="raise")
    except ValueError:
        expected = None
    text = local.strftime("%Y-%m-%d %H:%M")
    if expected is None:
        with pytest.raises(RequestError, match=r"never was|came twice"):
            read_time(text, NOW, ZoneInfo(zone))
    else:
        assert read_time(text, NOW, ZoneInfo(zone)) == expected.timestamp() * 1000


@given(st.text(max_size=24))
def test_any_text_is_a_time_or_a_sentence(text: str) -> None:
    with contextlib.suppress(RequestError):
        assert read_time(text, NOW, ZONE) <= NOW + 60_000
