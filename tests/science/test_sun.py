"""The sun's place and its beam, against NREL's SPA (worked example of Reda and Andreas 2004,
NREL/TP-560-34302) and pvlib's SPA over a year."""

from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pvlib
import pytest

from monitor.science.sun import (
    SunPosition,
    clear_beam,
    glass_transmittance,
    incidence,
    sun_position,
)

SPA_EXAMPLE = SunPosition(90 - 50.11162, 194.34024)


def minute(year: int, month: int, day: int, hour: int, minute: float = 0) -> float:
    return datetime(year, month, day, hour, tzinfo=UTC).timestamp() / 60 + minute


def test_worked_example_of_spa() -> None:
    """2003-10-17 12:30:30 UTC-7: zenith 50.11162°, azimuth 194.34024°."""
    at = sun_position(39.742476, -105.1786, minute(2003, 10, 17, 19, 30.5))
    assert at.elevation_deg == pytest.approx(SPA_EXAMPLE.elevation_deg, abs=0.02)
    assert at.azimuth_deg == pytest.approx(SPA_EXAMPLE.azimuth_deg, abs=0.02)


def test_incidence_of_spa_example() -> None:
    """Slope 30°, turned 10° east of south (azimuth 170°): 25.18700° in the same report."""
    assert incidence(SPA_EXAMPLE, 30, 170) == pytest.approx(25.187, abs=1e-3)


def test_incidence_on_an_upright_southern_pane() -> None:
    """pvlib 0.16.1, aoi(90, 180): 41.979186°."""
    assert incidence(SPA_EXAMPLE, 90, 180) == pytest.approx(41.979186, abs=1e-3)
    other = pvlib.irradiance.aoi(90, 180, 50.11162, 194.34024)
    assert incidence(SPA_EXAMPLE, 90, 180) == pytest.approx(other, abs=1e-6)


@pytest.mark.parametrize(
    ("at", "elevation", "azimuth"),
    [
        (minute(2025, 6, 21, 12), 61.4437, 179.1089),
        (minute(2025, 12, 21, 12), 14.6212, 180.4303),
        (minute(2025, 3, 20, 9), 24.9349, 126.4542),
        (minute(2025, 8, 1, 16), 33.2726, 255.8534),
    ],
)
def test_moments_of_the_year_at_52_north(at: float, elevation: float, azimuth: float) -> None:
    """Apparent elevation and azimuth at 52° N, 0° E by pvlib 0.16.1's SPA, 12 °C."""
    here = sun_position(52.0, 0.0, at)
    assert here.elevation_deg == pytest.approx(elevation, abs=0.05)
    assert here.azimuth_deg == pytest.approx(azimuth, abs=0.05)


@pytest.mark.parametrize(
    ("latitude", "longitude"), [(52.0, 0.0), (60.0, 25.0), (35.0, -80.0), (-34.0, 151.0)]
)
def test_a_year_against_pvlib(latitude: float, longitude: float) -> None:
    times = pd.date_range("2025-01-01", "2026-01-01", freq="97min", tz="UTC")
    spa = pvlib.solarposition.get_solarposition(times, latitude, longitude, method="nrel_numpy")
    up = spa["apparent_elevation"].to_numpy() > 0
    ours = [sun_position(latitude, longitude, t.timestamp() / 60) for t in times[up]]
    apart = np.abs([s.elevation_deg for s in ours] - spa["apparent_elevation"].to_numpy()[up])
    assert apart.max() < 0.05
    # Azimuth turns fast where the sun stands high: what matters is the angle on the sky.
    turned = np.array([s.azimuth_deg for s in ours]) - spa["azimuth"].to_numpy()[up]
    turned = np.abs((turned + 180) % 360 - 180)
    assert (turned * np.cos(np.radians(spa["apparent_elevation"].to_numpy()[up]))).max() < 0.05


def test_a_clear_beam_against_a_measured_year() -> None:
    """pvlib's TMY3 of Sand Point, Alaska: the brightest tenth of its direct-normal illuminance
    with the sun above 20°. A clear sky's formula lies at that upper edge, within 15 %."""
    file = pvlib.__path__[0] + "/data/703165TY.csv"
    table, meta = pvlib.iotools.read_tmy3(file, map_variables=True)
    table.index = table.index.map(lambda t: t.replace(year=1999))
    middle = table.index - pd.Timedelta(minutes=30)
    where = pvlib.solarposition.get_solarposition(middle, meta["latitude"], meta["longitude"])
    height = where["apparent_elevation"].to_numpy()
    lit = table["DN illum (lx)"].to_numpy()[height > 20]
    clear = np.array([clear_beam(h) for h in height[height > 20]])
    assert np.percentile(lit / clear, 98) == pytest.approx(1.0, abs=0.15)


def test_the_beam_fades_towards_the_horizon_and_at_a_slant() -> None:
    assert clear_beam(60) > clear_beam(20) > clear_beam(3) > clear_beam(-1) == 0.0
    assert glass_transmittance(20) > glass_transmittance(75) > glass_transmittance(89) > 0


@pytest.mark.parametrize(("latitude", "longitude"), [(91, 0), (0, 181), (float("nan"), 0)])
def test_a_place_that_is_none_is_refused(latitude: float, longitude: float) -> None:
    with pytest.raises(ValueError, match="itude is"):
        sun_position(latitude, longitude, 0)
