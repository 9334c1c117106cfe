"""Thin-layer drying against published and hand-worked values."""

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.science import drying, sorption


@pytest.mark.parametrize(
    ("wet", "dry"), [(8, 8.696), (10, 11.111), (11.5, 12.9944), (12, 13.636), (80, 400)]
)
def test_bases(wet: float, dry: float) -> None:
    """M = w / (1 - w), worked by hand."""
    assert float(drying.dry_basis_pct(wet)) == pytest.approx(dry, abs=1e-3)
    assert float(drying.wet_basis_pct(dry)) == pytest.approx(wet, abs=1e-3)


def test_closed_forms() -> None:
    """Lewis and Page at t = 48 h, k = 0.02, n = 1.1: exp(-k t) and exp(-k t^n) by hand."""
    assert float(drying.lewis_step(1.0, 0.0, 0.02, 48.0)) == pytest.approx(0.382893, abs=1e-6)
    rate = 0.02 ** (1 / 1.1)
    assert float(drying.page_step(1.0, 1.0, 0.0, rate, 1.1, 48.0)) == pytest.approx(
        0.243211, abs=1e-6
    )


@pytest.mark.parametrize(
    ("days", "rate"), [(7, 0.02593), (10, 0.01815), (14, 0.01296), (21, 0.00864)]
)
def test_days_at_20_c_50_pct(days: float, rate: float) -> None:
    """300 to 13 % at 20 °C and 50 %: ln((300 - 9.27) / (13 - 9.27)) / (24 d), worked by hand."""
    settle = float(sorption.wood(20, 50))
    after = float(drying.lewis_step(300.0, settle, rate, 24.0 * days))
    assert after == pytest.approx(13, abs=0.01)


def test_a_bunch_on_the_scale() -> None:
    """1000 g at 80 % water weigh 224.72 g when at 11 %, worked by hand."""
    dry_g = 1000 / (1 + float(drying.dry_basis_pct(80)) / 100)
    assert dry_g * (1 + float(drying.dry_basis_pct(11)) / 100) == pytest.approx(224.72, abs=0.01)


def test_damper_air_takes_longer_or_never_ends() -> None:
    """The same batch at 65 % takes 17.3 d; at 70 % it settles at 13.13 % and never finishes."""
    settle, rate = float(sorption.wood(20, 65)), 0.01815 * float(drying.rate_factor(20, 65))
    assert float(drying.lewis_step(300.0, settle, rate, 17.3 * 24)) == pytest.approx(13, abs=0.01)
    assert float(sorption.wood(20, 70)) == pytest.approx(13.13, abs=0.01)


@pytest.mark.parametrize(
    ("temperature", "humidity", "wind", "rate"),
    [
        (20, 50, 0, 0.035263),
        (20, 50, 3.6, 0.051022),
        (20, 80, 0, 0.016082),
        (30, 50, 0, 0.050797),
        (10, 50, 0, 0.024479),
        (25, 45, 5, 0.067749),
    ],
)
def test_fine_plant_rate(temperature: float, humidity: float, wind: float, rate: float) -> None:
    """Van Wagner's hourly rate, evaluated apart from this code."""
    assert float(drying.fine_plant_rate(temperature, humidity, wind)) == pytest.approx(
        rate, abs=1e-6
    )


def moisture_of_code(code: float) -> float:
    """Van Wagner 1987: the fine fuel moisture code's scale."""
    return 147.27723 * (101 - code) / (59.5 + code)


@pytest.mark.parametrize(
    ("humidity", "curve", "damp", "moisture", "code"),
    [
        (50, sorption.fine_plant_drying, 50, 16.00216, 85.27023),
        (90, sorption.fine_plant_wetting, 10, 17.16526, 84.24627),
    ],
)
def test_fine_fuel_hour(
    humidity: float,
    curve: Callable[..., sorption.Floats],
    damp: float,
    moisture: float,
    code: float,
) -> None:
    """One hour at 20 °C, 5 km/h from code 85 (16.30751 %), as the Canadian forest service's own
    code cffdrs gives it (hourly fine fuel moisture code after Van Wagner 1977)."""
    rate = math.log(10) * float(drying.fine_plant_rate(20, damp, 5))
    before = moisture_of_code(85)
    assert before == pytest.approx(16.30751, abs=1e-4)
    after = float(drying.lewis_step(before, curve(20, humidity), rate, 1.0))
    assert after == pytest.approx(moisture, abs=1e-4)
    assert after == pytest.approx(moisture_of_code(code), abs=1e-4)


@pytest.mark.parametrize(
    ("temperature", "humidity", "factor", "deficit"),
    [
        (10, 80, 0.317, 0.210),
        (10, 50, 0.694, 0.525),
        (15, 60, 0.699, 0.583),
        (20, 50, 1, 1),
        (20, 65, 0.750, 0.700),
        (20, 80, 0.456, 0.400),
        (25, 40, 1.369, 1.626),
        (30, 40, 1.643, 2.179),
        (35, 30, 2.175, 3.369),
    ],
)
def test_relative_factors(
    temperature: float, humidity: float, factor: float, deficit: float
) -> None:
    """Ratios to 20 °C, 50 %: Van Wagner's rate, and ASHRAE vapour-pressure deficits."""
    assert float(drying.rate_factor(temperature, humidity)) == pytest.approx(factor, abs=6e-4)
    assert float(drying.deficit_factor(temperature, humidity)) == pytest.approx(deficit, rel=3e-3)


@pytest.mark.parametrize(("temperature", "pressure"), [(24.5, 3.075), (15, 1.705)])
def test_saturation(temperature: float, pressure: float) -> None:
    """Allen et al. 1998, FAO-56, example 3."""
    assert float(drying.saturation_kpa(temperature)) == pytest.approx(pressure, abs=1e-3)


@given(
    st.floats(13, 500),
    st.floats(1, 12),
    st.floats(0.001, 0.05),
    st.floats(0.85, 1.15),
    st.floats(0.1, 24),
)
def test_two_half_steps_are_one(
    moisture: float, settle: float, rate: float, exponent: float, hours: float
) -> None:
    """Both steps are exact in constant air, whatever the step."""
    whole = drying.page_step(moisture, 500.0, settle, rate, exponent, hours)
    half = drying.page_step(moisture, 500.0, settle, rate, exponent, hours / 2)
    twice = drying.page_step(half, 500.0, settle, rate, exponent, hours / 2)
    assert float(twice) == pytest.approx(float(whole), rel=1e-9)
    half = drying.lewis_step(moisture, settle, rate, hours / 2)
    assert float(drying.lewis_step(half, settle, rate, hours / 2)) == pytest.approx(
        float(drying.lewis_step(moisture, settle, rate, hours)), rel=1e-12
    )


@given(st.floats(0, 40), st.floats(5, 90))
def test_direction(temperature: float, humidity: float) -> None:
    """Warmer and drier air dries faster; moisture falls towards its equilibrium, not past it."""
    for factor in (drying.rate_factor, drying.deficit_factor):
        assert factor(temperature + 5, humidity) > factor(temperature, humidity)
        assert factor(temperature, humidity + 5) < factor(temperature, humidity)
    after = drying.page_step(np.array([300.0]), 400.0, 10.0, 0.02, 0.95, 1000.0)
    assert 10.0 <= float(after[0]) < 300.0
