"""Mould of a space hour by hour, and batches that dry too slowly."""

import json

import pytest

from monitor.room.air import MinuteOfAir
from monitor.room.musty import Musty, dewy_tonight, drying_too_slowly, safe_to_store, surface_of
from monitor.science import moist_air, mould


def air(minute: int, t: float, rh: float, surface_c: float | None = None) -> MinuteOfAir:
    made = moist_air.state(t, rh, 101_325)
    assert made.dew_point_c is not None
    margin = None if surface_c is None else surface_c - made.dew_point_c
    return MinuteOfAir(
        minute, "granary", t, rh, None, made.dew_point_c, made.vpd_kpa, made.humidity_ratio_g_kg,
        made.absolute_humidity_g_m3, margin, 1,
    )  # fmt: skip


def hours(count: int, t: float, rh: float, begin: Musty | None = None, first: int = 0) -> Musty:
    state = begin or Musty()
    for hour in range(first, first + count):
        for minute in range(60 * hour, 60 * hour + 60, 2):
            state = state.with_minute(minute, air(minute, t, rh))
    return state.with_minute(60 * (first + count), None)


def test_four_weeks_at_20_degrees_and_90_percent() -> None:
    """Hukka and Viitanen's index, class sensitive, hour by hour: 0.5492 after 28 days."""
    assert hours(28 * 24, 20, 90).measured() == pytest.approx(0.5492, abs=0.002)


def test_the_wall_decides_not_the_room() -> None:
    """18 °C/65 % at a wall of 14 °C is 83.93 % there."""
    at = surface_of(air(0, 18, 65, 14.0))
    assert at is not None
    assert at == pytest.approx((14.0, 83.93), abs=0.05)
    assert surface_of(air(0, 18, 65)) == (18, 65)


def test_it_is_over_after_a_dry_day_and_comes_back_with_the_damp() -> None:
    damp = hours(60 * 24, 22, 97)
    assert damp.measured() > 1
    dry = hours(30, 22, 40, damp, 60 * 24)
    assert dry.measured() == 0.0
    assert dry.grown.value > 0.9, "the traces stay"
    again = hours(2, 22, 97, dry, 60 * 24 + 30)
    assert again.measured() > 1


def test_hours_not_told_of_leave_the_mould_as_it_was() -> None:
    damp = hours(48, 20, 95)
    assert damp.with_minute(60 * 500, None).grown == damp.grown


def test_the_state_survives_a_checkpoint() -> None:
    damp = hours(30, 20, 95)
    kept = json.loads(json.dumps(damp))
    assert Musty(mould.Mould(*kept[0]), *kept[1:]) == damp


@pytest.mark.parametrize(
    ("left", "days", "rh", "risk"),
    [(70, 6, 80, True), (40, 6, 80, False), (70, 6, 70, False), (70, 3, 80, False)],
)
def test_drying_too_slowly(left: float, days: int, rh: float, risk: bool) -> None:
    told = drying_too_slowly(left, 24 * days, [rh] * (24 * days))
    assert (told is not None) is risk
    if told is not None:
        assert "our own" in told.changes


def test_safe_storage() -> None:
    """Beuchat 1981: nothing grows below a water activity of 0.60."""
    assert safe_to_store(59)
    assert not safe_to_store(60)


def test_dew_foreseen() -> None:
    assert dewy_tonight([12, 10, 8, 7], [6, 6, 7.5, 7.5], 1.0) == 2
    assert dewy_tonight([12, 12], [6, 6], 1.0) is None
