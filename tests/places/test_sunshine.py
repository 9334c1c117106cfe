"""Whether the sun shone, against the measured beams of a typical year in pvlib's package."""

import numpy as np

from monitor.places.sun import chance_of_sun
from monitor.science.sun import sun_elevation
from tests.benchmarks.bench_adviser import by_local_hour
from tests.benchmarks.room_simulator import weather

NEW_YEAR_S = 1_672_531_200  # 2023-01-01 00:00 UTC


def test_a_summer_at_greensboro() -> None:
    """TMY3 723170 (NREL), 11 April to 7 October, sun above 5°: sunshine is a beam of over 120
    W/m² (WMO-No. 8). The constants were fitted elsewhere."""
    out = weather("Greensboro")
    hour = np.arange(8760)
    elevation = np.array(
        [
            sun_elevation(
                out.latitude, out.longitude, NEW_YEAR_S + 3600 * (h + 0.5 - out.utc_offset_h)
            )
            for h in hour
        ]
    )
    day = (elevation > 5) & (hour // 24 >= 100) & (hour // 24 < 280)
    shone, told = out.dni[day] > 120, by_local_hour(out)[day] > 0.5
    assert (shone & told).sum() >= 0.9 * shone.sum()
    assert (shone & told).sum() >= 0.8 * told.sum()
    assert shone.mean() < 0.7, "told always, it would be right less often"


def test_a_sunny_day_after_dull_ones_and_what_is_not_known() -> None:
    hours = np.arange(24)
    dull = 14 + np.sin((hours - 9) / 24 * 2 * np.pi)
    clear = 14 + 8 * np.sin((hours - 9) / 24 * 2 * np.pi)
    temperature = np.array([dull, dull, dull, dull, clear, dull])
    humidity = np.array([np.full(24, 90.0)] * 4 + [np.full(24, 60.0), np.full(24, 92.0)])
    chance = chance_of_sun(temperature, humidity)
    assert np.isnan(chance[:3]).all(), "nothing is usual yet"
    assert chance[4, 12:18].min() > 0.9
    assert chance[5, 12:18].max() < 0.5
    temperature[4, 3] = np.nan
    assert np.isnan(chance_of_sun(temperature, humidity)[4]).all()
