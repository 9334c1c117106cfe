"""The second working-out of minutes of air, held to figures reckoned by hand and published."""

from __future__ import annotations

import pandas as pd
import pytest

from tests.air.oracle import Spot, minutes_of_air, saturation_pa

SPOTS = {"a": Spot("shed", 60), "b": Spot("shed", 60), "c": Spot("attic", 20)}


def at(minute: float) -> int:
    return round(minute * 60_000)


@pytest.mark.parametrize(("celsius", "pascal"), [(5, 872.6), (25, 3169.7), (50, 12351.3)])
def test_saturation_is_that_of_the_handbook(celsius: float, pascal: float) -> None:
    # ASHRAE Handbook of Fundamentals 2017, ch. 1, table 3; its equation is within 300 ppm of it.
    assert saturation_pa(pd.Series([celsius]))[0] == pytest.approx(pascal, rel=300e-6)


def test_a_minute_is_the_mean_and_a_silent_one_holds_the_last() -> None:
    good = [(at(0), "c", "temperature", 20.0), (at(0.5), "c", "temperature", 21.0)]
    air = minutes_of_air(good, SPOTS)
    # 3 · 20 s after 0:30 is 1:30: minute 1 begins before it, minute 2 after it.
    assert air["minute"].tolist() == [0, 1]
    assert air["temperature_c"].tolist() == [20.5, 21.0]
    assert air["relative_humidity_pct"].isna().all()


def test_holding_reaches_three_intervals_and_no_further() -> None:
    air = minutes_of_air([(at(10), "a", "temperature", 20.0)], SPOTS)
    assert air["minute"].tolist() == [10, 11, 12, 13]


def test_two_sensors_meet_at_the_mean_vapour_pressure() -> None:
    good = [
        *((at(1), "a", "temperature", 5.0), (at(1), "a", "humidity", 100.0)),
        *((at(1), "b", "temperature", 25.0), (at(1), "b", "humidity", 50.0)),
        *((at(1), "a", "illuminance", 40.0), (at(1), "b", "illuminance", 900.0)),
    ]
    (row,) = minutes_of_air(good, SPOTS).query("minute == 1").to_dict("records")
    assert row["temperature_c"] == 15.0
    assert row["illuminance_lx"] == 900.0
    # (872.6 + 3169.7 / 2) / 2, by the table of the handbook; over saturation at 15 °C
    # (1705.4 Pa, CoolProp and PsychroLib agree): 72.0 %, not the 75 % of the mean humidity.
    assert row["vapour_pressure_pa"] == pytest.approx(1228.7, rel=300e-6)
    assert row["relative_humidity_pct"] == pytest.approx(72.05, abs=0.05)


def test_a_sensor_in_the_sun_gives_its_vapour_pressure_only() -> None:
    good = [
        *((at(1), "a", "temperature", 20.0), (at(1), "a", "humidity", 50.0)),
        *((at(1), "b", "temperature", 25.0), (at(1), "b", "humidity", 36.9)),
    ]
    air = minutes_of_air(good, SPOTS, in_the_sun={("b", 1)})
    (row,) = air.query("minute == 1").to_dict("records")
    assert row["temperature_c"] == 20.0
    # 2338.8 · 50 % = 1169.4 Pa and 3169.2 · 36.9 % = 1169.4 Pa: the same water in the air.
    assert row["vapour_pressure_pa"] == pytest.approx(1169.4, abs=0.3)


def test_order_and_copies_change_nothing() -> None:
    good = [
        (at(m), "a", q, v + m) for m in range(9) for q, v in (("temperature", 9.0), ("humidity", 5))
    ]
    pd.testing.assert_frame_equal(
        minutes_of_air(good, SPOTS), minutes_of_air([*good[::-1], *good[3:8]], SPOTS)
    )
