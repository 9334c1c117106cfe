"""The mould index against values worked out independently in plain Python from the equations of
Hukka and Viitanen 1999 with the class constants as in Laukkarinen's published implementation."""

import math
from pathlib import Path

import pytest

from monitor.science.mould import (
    NOTHING_GROWS_BELOW,
    SENSITIVE,
    Mould,
    Surface,
    critical_humidity,
    growth,
    highest_index,
    step,
)
from monitor.science.sorption import gab

# The other classes of Ojanen et al. 2010: pine sapwood; concrete and mineral wool; glass and metal.
VERY_SENSITIVE = Surface(1.0, 2.0, 1.0, 7.0, 2.0, 80.0, 1.0)
MEDIUM_RESISTANT = Surface(0.072, 0.097, 0.0, 5.0, 1.5, 85.0, 0.25)
RESISTANT = Surface(0.033, 0.014, 0.0, 3.0, 1.0, 85.0, 0.1)


@pytest.mark.parametrize(
    ("t", "expected"),
    [(1, 97.0273), (5, 88.0163), (10, 82.0300), (12.5, 80.6602), (15, 80.0388), (17.5, 80.0),
     (20, 80.04), (25, 80.0)],
)  # fmt: skip
def test_critical_humidity(t: float, expected: float) -> None:
    assert critical_humidity(t, VERY_SENSITIVE) == pytest.approx(expected, abs=1e-3)


@pytest.mark.parametrize("t", [-5, 0, 50, 55])
def test_no_mould_in_frost_or_great_heat(t: float) -> None:
    assert critical_humidity(t, VERY_SENSITIVE) is None
    assert growth(t, 99, 0, VERY_SENSITIVE) == 0.0


@pytest.mark.parametrize(
    ("t", "rh", "weeks"),
    [(20, 85, 9.3003), (20, 90, 4.2019), (20, 95, 1.9818), (20, 97, 1.4835), (20, 100, 0.9715),
     (10, 90, 6.7321), (10, 95, 3.1751), (5, 90, 10.7858), (25, 85, 7.9910), (30, 90, 3.1894)],
)  # fmt: skip
def test_weeks_to_the_first_trace(t: float, rh: float, weeks: float) -> None:
    """t_m on pine, where nothing yet holds growth back: index 0, k2 of nearly 1."""
    held_back = 1 - math.exp(-2.3 * highest_index(t, rh, VERY_SENSITIVE))
    assert held_back / growth(t, rh, 0, VERY_SENSITIVE) / 7 == pytest.approx(weeks, abs=1e-3)


@pytest.mark.parametrize(
    ("t", "rh", "surface", "expected"),
    [(20, 85, VERY_SENSITIVE, 2.6160), (20, 90, VERY_SENSITIVE, 3.9950),
     (20, 97, VERY_SENSITIVE, 5.5039), (20, 100, VERY_SENSITIVE, 6.0), (20, 90, SENSITIVE, 3.0450),
     (20, 100, SENSITIVE, 5.3), (10, 90, VERY_SENSITIVE, 3.7112)],
)  # fmt: skip
def test_highest_index(t: float, rh: float, surface: Surface, expected: float) -> None:
    assert highest_index(t, rh, surface) == pytest.approx(expected, abs=1e-3)


@pytest.mark.parametrize(
    ("t", "rh", "surface", "expected"),
    [(20, 90, VERY_SENSITIVE, 0.0339944), (20, 97, VERY_SENSITIVE, 0.0962956),
     (20, 90, SENSITIVE, 0.0196329), (20, 97, SENSITIVE, 0.0556578),
     (10, 95, VERY_SENSITIVE, 0.0449919)],
)  # fmt: skip
def test_pace_at_the_start(t: float, rh: float, surface: Surface, expected: float) -> None:
    assert growth(t, rh, 0, surface) == pytest.approx(expected, rel=1e-4)


def after(days: float, t: float, rh: float, surface: Surface, begin: Mould | None = None) -> Mould:
    mould = begin or Mould()
    for _ in range(round(24 * days)):
        mould = step(mould, t, rh, surface)
    return mould


@pytest.mark.parametrize(
    ("t", "rh", "surface", "days", "expected"),
    [(20, 90, VERY_SENSITIVE, 7, 0.2380), (20, 90, VERY_SENSITIVE, 28, 0.9516),
     (20, 90, VERY_SENSITIVE, 56, 2.7790), (20, 90, VERY_SENSITIVE, 84, 3.9187),
     (20, 90, SENSITIVE, 28, 0.5492), (20, 90, SENSITIVE, 84, 1.4256),
     (20, 97, VERY_SENSITIVE, 28, 4.3575), (20, 97, SENSITIVE, 84, 3.4297),
     (10, 90, VERY_SENSITIVE, 28, 0.5939), (10, 90, VERY_SENSITIVE, 84, 2.5342)],
)  # fmt: skip
def test_hour_by_hour(t: float, rh: float, surface: Surface, days: int, expected: float) -> None:
    assert after(days, t, rh, surface).value == pytest.approx(expected, abs=0.005)


@pytest.mark.parametrize(
    ("t", "rh", "surface", "days"),
    [(20, 95, VERY_SENSITIVE, 13.9), (20, 90, VERY_SENSITIVE, 29.5), (20, 85, VERY_SENSITIVE, 65.8),
     (10, 90, VERY_SENSITIVE, 47.2), (25, 95, VERY_SENSITIVE, 12.0), (20, 90, SENSITIVE, 51.1),
     (20, 95, SENSITIVE, 24.0)],
)  # fmt: skip
def test_days_to_the_first_trace(t: float, rh: float, surface: Surface, days: float) -> None:
    assert after(days - 0.2, t, rh, surface).value < 1 <= after(days + 0.2, t, rh, surface).value


@pytest.mark.parametrize(
    ("hours", "expected"), [(6, 0.992), (24, 0.992), (48, 0.976), (168, 0.896)]
)
def test_it_fades_in_dry_air(hours: int, expected: float) -> None:
    faded = after(hours / 24, 20, 50, VERY_SENSITIVE, Mould(1.0, 0.0))
    assert faded.value == pytest.approx(expected, abs=1e-9)


def test_never_below_none() -> None:
    assert after(30, 20, 50, VERY_SENSITIVE).value == 0.0


def test_it_grows_faster_where_it_is_damper_warmer_and_on_what_it_likes() -> None:
    order = [after(20, 20, 95, s).value
             for s in (VERY_SENSITIVE, SENSITIVE, MEDIUM_RESISTANT, RESISTANT)]  # fmt: skip
    assert order == sorted(order, reverse=True)
    assert growth(20, 95, 0, SENSITIVE) > growth(20, 88, 0, SENSITIVE)
    assert growth(20, 90, 0, SENSITIVE) > growth(8, 90, 0, SENSITIVE)


def test_the_reported_sign_slip_is_not_made() -> None:
    """With + 3.13·T, as one public implementation has it, mould could never grow at 10 °C."""
    assert growth(10, 95, 0, VERY_SENSITIVE) > 0


def test_the_reported_bracket_slip_is_not_made() -> None:
    """Hukka and Viitanen 1999: k1 = 2 / (tv/tm - 1) once mould is seen. One public implementation
    has tv/(tm - 1), which would give a sixth of it at 20 °C and 97 %."""
    tm = math.exp(-0.68 * math.log(20) - 13.9 * math.log(97) + 66.02)
    tv = math.exp(-0.74 * math.log(20) - 12.72 * math.log(97) + 61.50)
    assert (tm, tv) == pytest.approx((1.4835, 2.9827), abs=1e-3)
    assert VERY_SENSITIVE.late == pytest.approx(2 / (tv / tm - 1), abs=0.03)
    assert VERY_SENSITIVE.late > 5 * 2 / (tv / (tm - 1))


@pytest.mark.parametrize(("rate", "days", "index"), [(0.01815, 10, 0.8), (0.00864, 21, 2.5)])
def test_on_a_batch_s_own_water_it_would_alarm_on_every_healthy_one(
    rate: float, days: int, index: float
) -> None:
    """A bunch that dries from 300 to 13 % of its dry mass as a thin layer does (Lewis 1921,
    towards 9.27 %), its water activity by a GAB curve (7 %, 10, 0.85): on its own water the index
    comes near 1 in ten days and near 3 in three weeks. So it is asked of surfaces only."""
    mould, highest = Mould(), 0.0
    for hour in range(24 * days):
        moisture = 9.27 + 290.73 * math.exp(-rate * hour)
        activity = next((a for a in range(20, 100) if gab(a, 7, 10, 0.85) >= moisture), 100)
        mould = step(mould, 20, activity, VERY_SENSITIVE)
        highest = max(highest, mould.value)
    assert highest > index
    asked_by = {
        path.name
        for path in (Path(__file__).parents[2] / "monitor").rglob("*.py")
        if "mould.step(" in path.read_text("utf-8")
    }
    assert asked_by == {"minute.py"}


def test_safe_storage() -> None:
    """Beuchat 1981: below a water activity of 0.60 nothing grows."""
    assert NOTHING_GROWS_BELOW == 0.60
