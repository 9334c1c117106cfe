"""Where the sun stands, against published and independent values."""

from __future__ import annotations

from datetime import datetime

import numpy as np
import pandas as pd
import pvlib
import pytest

from monitor.science.sun import sun_elevation


def test_the_worked_example_of_nrels_spa() -> None:
    # Reda and Andreas 2008, NREL/TP-560-34302, table A5.1: zenith 50.11162° with refraction at
    # 820 mbar and 11 °C, topocentric elevation without it 39.872046°.
    at = datetime.fromisoformat("2003-10-17T12:30:30-07:00").timestamp()
    assert sun_elevation(39.742476, -105.1786, at) == pytest.approx(39.872046, abs=0.02)


def test_a_year_against_pvlibs_spa() -> None:
    times = pd.date_range("2026-01-01", periods=1650, freq="5h17min", tz="UTC")
    for latitude, longitude in ((54.9, -2.1), (-33.9, 151.2), (69.6, 18.9)):
        spa = pvlib.solarposition.get_solarposition(times, latitude, longitude).elevation
        ours = [sun_elevation(latitude, longitude, t.timestamp()) for t in times]
        assert np.abs(spa.to_numpy() - ours).max() < 0.02


def test_the_sun_is_high_at_noon_and_below_the_horizon_at_midnight() -> None:
    noon = datetime.fromisoformat("2026-06-21T12:00:00+00:00").timestamp()
    assert sun_elevation(51.5, 0.0, noon) > 61
    assert sun_elevation(51.5, 0.0, noon + 12 * 3600) < -10
    assert sun_elevation(-51.5, 0.0, noon) < 16
