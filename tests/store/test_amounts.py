"""Amounts by the hour say what the readings say, in whatever order and commits they came."""

from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.engine.effects import Effects, Snapshot
from monitor.service.desk import now_told
from monitor.site.quantities import Flag, Quantity, Reading
from monitor.site.spaces import OUTDOORS, ReadAs, Sensor, Site, Space, Use
from monitor.site.time import DAY_MS, HOUR_MS
from monitor.store.queries import Reader
from monitor.store.writer import Writer

# 2026-07-14T00:00:00Z, from `date -u -d 2026-07-14 +%s`; midnight in Reykjavík, which is on UTC.
BEGIN_MS = 1_783_987_200_000
TEN_MIN_MS = 600_000


def site(total: bool) -> Site:
    gauge = Sensor("gauge", OUTDOORS, "a", 600.0, {Quantity.RAIN: ReadAs("mm", "/r", total=total)})
    spaces = {OUTDOORS: Space(OUTDOORS, Use.OUTDOORS)}
    return Site("Withy End", 64, -22, 20, "Atlantic/Reykjavik", "°C", spaces, {"gauge": gauge})


def told(values: Sequence[float], flags: Flag = Flag.NONE) -> list[Reading]:
    """A reading every ten minutes from a minute past midnight on."""
    return [
        Reading(BEGIN_MS + 60_000 + n * TEN_MIN_MS, "gauge", Quantity.RAIN, value, flags)
        for n, value in enumerate(values)
    ]


def hours(folder: Path, total: bool, *commits: Sequence[Reading]) -> dict[int, float | None]:
    """Hour of the day → amount, after these commits."""
    writer = Writer(folder / "store.sqlite")
    for readings in commits:
        writer.apply(Effects(readings=list(readings)))
        writer.commit()
    writer.close()
    with Reader(writer.file) as reader:
        rows = list(reader.amounts(BEGIN_MS, BEGIN_MS + 10 * DAY_MS))
    return {(row.hour_ms - BEGIN_MS) // HOUR_MS: row.amount(site(total)) for row in rows}


def test_what_fell_since_the_last_message_is_added_up(tmp_path: Path) -> None:
    readings = told([0.2] * 6 + [0.0] * 6 + [1.4])
    assert hours(tmp_path, False, readings) == pytest.approx({0: 1.2, 1: 0.0, 2: 1.4})


def test_of_a_total_what_it_grew_by_counts_across_the_hour(tmp_path: Path) -> None:
    readings = told([100.0, 100.5, 101.0, 101.0, 101.0, 101.0, 103.0])
    assert hours(tmp_path, True, readings) == pytest.approx({0: 1.0, 1: 2.0})


def test_a_counter_that_begins_anew_counts_from_nought(tmp_path: Path) -> None:
    assert hours(tmp_path, True, told([250.0, 251.0, 0.6, 0.8])) == pytest.approx({0: 1.8})


def test_a_doubtful_reading_does_not_count(tmp_path: Path) -> None:
    sound, mad = told([10.0, 11.0]), told([0, 0, 99_999.0], Flag.RANGE)[2:]
    assert hours(tmp_path, True, sound, mad) == pytest.approx({0: 1.0})


def test_a_flag_that_comes_later_takes_a_reading_out(tmp_path: Path) -> None:
    readings = told([1.0, 5.0])
    writer = Writer(tmp_path / "store.sqlite")
    writer.apply(Effects(readings=readings))
    late = (readings[1].time_ms, "gauge", Quantity.RAIN, Flag.OUT_OF_SERVICE)
    writer.apply(Effects(flags=[late]))
    writer.commit()
    writer.close()
    with Reader(writer.file) as reader:
        assert [row.added for row in reader.amounts(BEGIN_MS, BEGIN_MS + DAY_MS)] == [1.0]


def test_hours_stay_when_the_readings_go(tmp_path: Path) -> None:
    writer = Writer(tmp_path / "store.sqlite")
    writer.apply(Effects(readings=told([0.4, 0.4])))
    writer.trim(BEGIN_MS + 300 * DAY_MS, raw_days=200, minutes_days=800, most=100)
    writer.commit()
    writer.close()
    with Reader(writer.file) as reader:
        assert not list(reader.readings(0, BEGIN_MS + DAY_MS))
        assert [row.added for row in reader.amounts(0, BEGIN_MS + DAY_MS)] == [0.8]


def by_hand(values: Sequence[tuple[int, float]], total: bool) -> dict[int, float]:
    """The same, reading by reading."""
    sums: dict[int, float] = {}
    before: tuple[int, float] | None = None
    for at_ms, value in sorted(values):
        hour = (at_ms - BEGIN_MS) // HOUR_MS
        known = before is not None and hour - (before[0] - BEGIN_MS) // HOUR_MS <= 6 * 24
        if not total:
            more = value
        elif before is None or not known:
            more = 0.0
        else:
            more = value - before[1] if value >= before[1] else value
        sums[hour] = sums.get(hour, 0.0) + more
        before = (at_ms, value)
    return sums


@given(
    st.dictionaries(st.integers(0, 5 * 24 * 6), st.floats(0, 500), min_size=1, max_size=20),
    st.booleans(),
    st.randoms(use_true_random=False),
)
def test_any_order_in_any_commits_comes_to_the_same(values, total, chance) -> None:
    points = [(BEGIN_MS + step * TEN_MIN_MS, value) for step, value in values.items()]
    readings = [Reading(at, "gauge", Quantity.RAIN, value) for at, value in points]
    chance.shuffle(readings)
    cut = chance.randint(0, len(readings))
    with TemporaryDirectory() as folder:
        kept = hours(Path(folder), total, readings[:cut], readings[cut:])
    assert kept == pytest.approx(by_hand(points, total))


def test_the_days_rain_is_shown_now(tmp_path: Path) -> None:
    yesterday = Reading(BEGIN_MS - TEN_MIN_MS, "gauge", Quantity.RAIN, 9.0)
    hours(tmp_path, False, [yesterday, *told([0.5] * 8)])
    now_ms = BEGIN_MS + 2 * HOUR_MS
    with Reader(tmp_path / "store.sqlite") as reader:
        fallen = reader.rain_today(site(False), now_ms)
        assert reader.rain_today(site(False), now_ms + DAY_MS) is None
    assert fallen == pytest.approx(4.0)
    now = now_told(Snapshot(now_ms=now_ms), site(False), fallen)
    assert "Rain since midnight: 4.0 mm." in now["lines"]
