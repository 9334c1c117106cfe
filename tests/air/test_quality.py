"""Range and step of single readings; thresholds and their sources stand beside them."""

from __future__ import annotations

import math
from collections.abc import Sequence

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.air.quality import STEP, Track, admit, judge, stuck_since
from monitor.site.quantities import Flag, Quantity
from monitor.site.time import MINUTE_MS

T, H, LX = Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.ILLUMINANCE
START = 1_750_000_000_000 // MINUTE_MS * MINUTE_MS

Values = dict[Quantity, float]
Record = tuple[int, Values]


def go_through(
    records: Sequence[Record],
) -> tuple[list[dict[Quantity, Flag]], Track]:
    """Judge one sensor's records in turn, each with the next at hand."""
    flags, track = [], Track()
    for i, (time_ms, values) in enumerate(records):
        following = records[i + 1] if i + 1 < len(records) else None
        flag, track = judge(track, time_ms, values, following)
        flags.append(flag)
    return flags, track


def course(values: Sequence[float], every_min: float = 1, quantity: Quantity = T) -> list[Record]:
    return [(START + int(i * every_min * MINUTE_MS), {quantity: v}) for i, v in enumerate(values)]


def doubted(values: Sequence[float], every_min: float = 1, quantity: Quantity = T) -> list[int]:
    flags, _ = go_through(course(values, every_min, quantity))
    return [i for i, flag in enumerate(flags) if flag.get(quantity, Flag.NONE) & Flag.STEP]


@pytest.mark.parametrize(
    ("quantity", "value", "kept", "flag"),
    [
        (T, 21.3, 21.3, Flag.NONE),
        (T, -30.0, -30.0, Flag.NONE),
        (T, -30.1, -30.1, Flag.RANGE),
        (T, 71.0, 71.0, Flag.NONE),  # under plastic in the sun
        (T, 84.95, 84.95, Flag.RANGE),
        (
            T,
            85.0,
            85.0,
            Flag.RANGE,
        ),  # a one-wire thermometer before its first conversion (DS18B20 data sheet)
        (T, -127.0, -127.0, Flag.RANGE),  # the same, unplugged (common driver, from memory)
        (H, 100.0, 100.0, Flag.NONE),
        (H, 100.1, 100.0, Flag.CLAMPED),
        (H, 105.0, 100.0, Flag.CLAMPED),
        (H, 105.1, 105.1, Flag.RANGE),
        (H, -0.1, -0.1, Flag.RANGE),
        (LX, 0.0, 0.0, Flag.NONE),
        (LX, -1.0, -1.0, Flag.RANGE),
        (LX, 120_000.0, 120_000.0, Flag.NONE),
        (LX, 300_000.0, 300_000.0, Flag.RANGE),
        (Quantity.PRESSURE, 101_325.0, 101_325.0, Flag.NONE),
        (Quantity.PRESSURE, 1013.25, 1013.25, Flag.RANGE),  # hPa sent as Pa
        (Quantity.SIGNAL, -71.0, -71.0, Flag.NONE),
    ],
)
def test_what_is_admitted(quantity: Quantity, value: float, kept: float, flag: Flag) -> None:
    assert admit(quantity, value) == (kept, flag)


@pytest.mark.parametrize("quantity", list(Quantity))
def test_every_quantity_has_a_range_and_not_a_number_is_outside(quantity: Quantity) -> None:
    low, high = quantity.row.range
    assert low < high
    value, flag = admit(quantity, math.nan)
    assert math.isnan(value)
    assert flag is Flag.RANGE


def test_out_of_range_is_told_again_by_the_judge_and_forgotten() -> None:
    flags, track = go_through(course([20.0, 85.0, 20.1]))
    assert flags == [{}, {T: Flag.RANGE}, {}]
    assert track.temperature is not None
    assert track.temperature.value == 20.1


@pytest.mark.parametrize(
    ("name", "values", "every_min", "quantity", "expected"),
    [
        ("a single wild value", [20, 26, 20, 20], 1, T, [1]),
        ("two wild values, each beyond the last: one is told", [20, 30, 38, 20, 20], 5, T, [2]),
        ("a door opened in winter: it stays", [20, 14, 13.5, 13], 1, T, []),
        ("a door opened and shut within two readings", [20, 14, 14.5, 20, 20], 1, T, []),
        ("a steep climb that goes on", [20, 24, 28, 32, 34], 1, T, []),
        ("just the limit", [20, 23, 20], 1, T, []),
        ("just over it", [20, 23.01, 20], 1, T, [1]),
        ("the same over 15 min: 3 K · √3 = 5.2 K", [20, 25.1, 20], 15, T, []),
        ("more than that over 15 min", [20, 25.3, 20, 20], 15, T, [1]),
        ("an hour without a reading: anything goes", [20, 35, 20], 61, T, []),
        ("the last reading: not confirmed yet", [20, 20, 27], 1, T, [2]),
        ("humidity: single wild value", [60, 76, 60], 1, H, [1]),
        ("humidity: rain blown in, it stays", [60, 80, 82, 85], 1, H, []),
        ("humidity: just the limit", [60, 75, 60], 1, H, []),
        ("confirmed by nothing that is out of range", [20, 55, 86, 20], 1, T, [1]),
    ],
)
def test_steps(
    name: str, values: list[float], every_min: float, quantity: Quantity, expected: list[int]
) -> None:
    assert doubted(values, every_min, quantity) == expected, name


def test_temperature_and_humidity_are_doubted_each_for_itself() -> None:
    records = [
        (START, {T: 20.0, H: 60.0}),
        (START + MINUTE_MS, {T: 27.0, H: 61.0}),
        (START + 2 * MINUTE_MS, {T: 20.0, H: 61.0}),
        (START + 3 * MINUTE_MS, {T: 20.0, H: 90.0}),
        (START + 4 * MINUTE_MS, {T: 20.0, H: 61.0}),
    ]
    flags, _ = go_through(records)
    assert flags == [{}, {T: Flag.STEP}, {}, {H: Flag.STEP}, {}]


def test_a_true_change_told_in_records_of_their_own_costs_one_reading() -> None:
    """Where the next record carries the other quantity, the second value there is believed."""
    records: list[Record] = []
    for i, (t, h) in enumerate([(20.0, 60.0), (20.0, 60.0), (13.0, 60.0), (13.1, 62.0)]):
        records.append((START + i * MINUTE_MS, {T: t}))
        records.append((START + i * MINUTE_MS + 2_000, {H: h}))
    flags, _ = go_through(records)
    assert [i for i, flag in enumerate(flags) if flag] == [4]


def test_the_next_record_when_it_comes_takes_the_doubt_back() -> None:
    _, track = go_through(course([20.0, 20.0]))
    record = (START + 2 * MINUTE_MS, {T: 12.0})
    later = (START + 3 * MINUTE_MS, {T: 11.8})
    assert judge(track, *record, None)[0] == {T: Flag.STEP}
    assert judge(track, *record, later)[0] == {}


temperatures = st.floats(-20, 50).map(lambda v: round(v, 1))
humidities = st.floats(0, 100).map(lambda v: round(v, 1))
gaps_ms = st.integers(1_000, 90 * MINUTE_MS)
records_of_a_sensor = st.lists(
    st.tuples(
        gaps_ms,
        st.fixed_dictionaries({}, optional={T: temperatures, H: humidities}),
    ),
    max_size=30,
).map(
    lambda steps: [
        (START + sum(gap for gap, _ in steps[: i + 1]), values)
        for i, (_, values) in enumerate(steps)
    ]
)


@given(records_of_a_sensor, st.integers(0, 30))
def test_a_kept_track_goes_on_where_it_was(records: list[Record], at: int) -> None:
    """Stopping anywhere, through JSON and back, changes nothing."""
    whole, end = go_through(records)
    track, pieces = Track(), []
    for i, (time_ms, values) in enumerate(records):
        following = records[i + 1] if i + 1 < len(records) else None
        if i == at:
            track = msgspec.json.decode(msgspec.json.encode(track), type=Track)
        flags, track = judge(track, time_ms, values, following)
        pieces.append(flags)
    assert (pieces, track) == (whole, end)
    assert msgspec.json.decode(msgspec.json.encode(end), type=Track) == end


@given(records_of_a_sensor)
def test_a_doubted_step_is_one_and_nothing_else_is_said_of_the_living(
    records: list[Record],
) -> None:
    flags, track = go_through(records)
    good: dict[Quantity, float] = {}
    for (_, values), flag in zip(records, flags, strict=True):
        for quantity, value in values.items():
            if flag.get(quantity, Flag.NONE) & Flag.STEP:
                assert abs(value - good[quantity]) > STEP[quantity]
            else:
                good[quantity] = value
        assert set(flag) <= set(values)
        assert all(f == Flag.STEP for f in flag.values())
    assert stuck_since(track, track.pulse.heard_ms // MINUTE_MS) is None


@given(
    st.floats(-9, 39),  # so that no value is out of range, which confirms nothing
    st.floats(-20, 20),
    st.lists(st.floats(-1, 1), min_size=3, max_size=20),
    st.floats(0.2, 15),
)
def test_a_change_that_stays_is_never_doubted(
    before: float, change: float, after: list[float], every_min: float
) -> None:
    values = [before] * 5 + [before + change + wobble for wobble in after]
    assert doubted(values, every_min) == []


@given(st.floats(-10, 40), st.floats(3.01, 18), st.booleans(), st.floats(0.2, 5))
def test_a_single_wild_value_is_always_doubted(
    level: float, jump: float, down: bool, every_min: float
) -> None:
    values = [level] * 5 + [level - jump if down else level + jump] + [level] * 5
    assert doubted(values, every_min) == [5]
