"""How a room's air and that outdoors change places, and what water goes with it."""

from __future__ import annotations

import math

from monitor.science import moist_air


def airflow_needed(
    water_g_h: float,
    indoors: tuple[float, float],
    outdoors: tuple[float, float],
    pressure_pa: float,
) -> float | None:
    """Airflow that carries off water as fast as it is given off.

    water_g_h  given off in the room [g/h]
    indoors    temperature [°C] and relative humidity [%] that shall hold
    outdoors   the same outside
    returns    [m³/h] of air as it leaves the room; None where the air outside carries as much
               water or more, and no airflow would do

    m = E / (W_in - W_out), Q = m · v. ASHRAE Fundamentals 2017, ch. 16, as a mass balance.

    >>> round(airflow_needed(100, (20, 65), (15, 60), 101325), 2)
    26.95
    """
    inside, outside = _ratio(*indoors, pressure_pa), _ratio(*outdoors, pressure_pa)
    if inside <= outside:
        return None
    dry_air_kg_h = water_g_h / 1000 / (inside - outside)
    return dry_air_kg_h * moist_air.specific_volume(indoors[0], inside, pressure_pa)


def water_carried_off(
    airflow_m3_h: float,
    indoors: tuple[float, float],
    outdoors: tuple[float, float],
    pressure_pa: float,
) -> float:
    """Water that an airflow carries off; below 0 it brings some in.

    airflow_m3_h  of air as it leaves the room [m³/h]
    returns       [g/h]

    >>> round(water_carried_off(26.95, (20, 65), (15, 60), 101325))
    100
    """
    inside, outside = _ratio(*indoors, pressure_pa), _ratio(*outdoors, pressure_pa)
    kg_h = airflow_m3_h / moist_air.specific_volume(indoors[0], inside, pressure_pa)
    return 1000 * kg_h * (inside - outside)


def window_flow(
    area_m2: float, height_m: float, difference_k: float, wind_m_s: float = 0.0
) -> float:
    """Air that changes places through one open window.

    area_m2       open area [m²]
    height_m      of the opening [m]
    difference_k  indoors against outdoors [K], either sign
    returns       [m³/h]

    De Gids and Phaff 1982, Air Infiltration Review 4(1), from memory:
    Q = A/2 · √(0.001 u² + 0.0035 H ΔT + 0.01).

    >>> round(window_flow(0.5, 1.0, 5.0, 2.0), 1)
    159.7
    """
    speed = math.sqrt(0.001 * wind_m_s**2 + 0.0035 * height_m * abs(difference_k) + 0.01)
    return 3600 * area_m2 / 2 * speed


def _ratio(temperature_c: float, humidity_pct: float, pressure_pa: float) -> float:
    return moist_air.humidity_ratio(
        moist_air.vapour_pressure(temperature_c, humidity_pct), pressure_pa
    )
