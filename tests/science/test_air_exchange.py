"""Air exchange against worked examples, computed with PsychroLib 2.5.0 outside the project."""

import pytest

from monitor.science import moist_air
from monitor.science.air_exchange import (
    airflow_needed,
    water_carried_off,
    window_flow,
)

PRESSURE_PA = 101_325.0


@pytest.mark.parametrize(
    ("water", "indoors", "outdoors", "flow"),
    [(100, (20, 65), (15, 60), 26.95), (50, (18, 70), (10, 70), 11.38),
     (100, (20, 60), (12, 80), 47.58)],
)  # fmt: skip
def test_airflow(
    water: float, indoors: tuple[float, float], outdoors: tuple[float, float], flow: float
) -> None:
    needed = airflow_needed(water, indoors, outdoors, PRESSURE_PA)
    assert needed == pytest.approx(flow, abs=0.05)
    assert needed is not None
    back = water_carried_off(needed, indoors, outdoors, PRESSURE_PA)
    assert back == pytest.approx(water, rel=1e-9)


def test_air_as_wet_as_that_indoors_carries_nothing_off() -> None:
    assert airflow_needed(100, (22, 60), (22, 60), PRESSURE_PA) is None
    assert airflow_needed(100, (18, 60), (25, 60), PRESSURE_PA) is None


def test_a_window() -> None:
    """De Gids and Phaff's form by hand: 0.25 · √0.0315 m³/s."""
    assert window_flow(0.5, 1.0, 5.0, 2.0) == pytest.approx(159.7, abs=0.1)
    assert window_flow(0.5, 1.0, -5.0, 2.0) == window_flow(0.5, 1.0, 5.0, 2.0)
    assert window_flow(0.5, 1.0, 5.0) > window_flow(0.1, 1.0, 5.0)


@pytest.mark.parametrize(
    ("air", "surface", "expected"),
    [((18, 65), 14, 83.93), ((15, 75), 11, 97.44), ((20, 60), 12, 100.05), ((18, 60), 11.6, 90.67)],
)
def test_condensation_cases(air: tuple[float, float], surface: float, expected: float) -> None:
    """Humidity at a cold surface; the last is a wall of factor 0.6 at 18 °C in and 2 °C out."""
    at = moist_air.surface_relative_humidity(*air, surface)
    assert at == pytest.approx(expected, abs=0.05)


def test_cold_saturated_air_is_dry_once_warmed() -> None:
    water = moist_air.vapour_pressure(10, 100)
    assert moist_air.relative_humidity(20, water) == pytest.approx(52.505, abs=0.01)
