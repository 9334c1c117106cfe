"""Cloud that is foretold: learned from what it did to a room, on weather made here.

A room under a roof light: each hour of clear sun warms it by so much, and it forgets half of that
in four hours (a time constant of its own, not the one the code uses). The sky of a day is drawn for
that day, and hour by hour about it. The sun's height is that of the code; what is held here is what
is made of it.
"""

from __future__ import annotations

import json

import numpy as np
import pytest
from numpy.typing import NDArray

from monitor.ahead.courses import ahead
from monitor.ahead.forecast import Forecast
from monitor.ahead.grid import GridAir, clipped
from monitor.ahead.lesson import unlearned
from monitor.ahead.model import Location, sun_height
from monitor.intake.payloads import Message
from monitor.intake.published import ForecastHour, ForecastReader
from monitor.site.quantities import Quantity
from monitor.site.spaces import ForecastFrom, ReadAs, Sensor

Array = NDArray[np.float64]
NOW = 1_783_944_000 // 60  # 2026-07-13T12:00Z
DAYS, STEPS = 40, 144
SITE = Location(54.0, -2.0)
WARMS_K_PER_H, FORGETS = 2.5, 0.5 ** (1 / 24)


def weather() -> tuple[GridAir, Array]:
    """The room's air and the share of the sky that is covered, every ten minutes."""
    rng = np.random.default_rng(5)
    minute = NOW + 10 * np.arange(1, DAYS * STEPS + 1)
    of_day = np.repeat(rng.uniform(0, 1, DAYS), STEPS)
    hourly = np.repeat(rng.normal(0, 0.12, DAYS * 24), 6)
    cloud = np.clip(of_day + hourly, 0, 1)
    sun = np.maximum(sun_height(minute.astype(np.float64), SITE)[0], 0) * (1 - cloud)
    warmed = np.zeros(minute.size)
    for i in range(1, minute.size):
        warmed[i] = FORGETS * warmed[i - 1] + WARMS_K_PER_H / 6 * sun[i]
    warmth = 14 + 2 * np.cos(2 * np.pi * (minute / 1440 - 0.6)) + warmed
    return GridAir(minute, warmth, np.full(minute.size, 7.0)), 100 * cloud


WEATHER, CLOUD = weather()


def errors(said_pct: Array) -> tuple[float, float]:
    """Mean absolute error six hours ahead by day in the last ten days, without and with cloud."""
    forecast, model = Forecast(SITE), unlearned(SITE, NOW)
    plain, bright = [], []
    for step in range(15 * STEPS - 1, (DAYS - 1) * STEPS, 6):
        now = int(WEATHER.minute[step])
        at = step + np.arange(0, 145, 6)
        told = [ForecastHour(int(WEATHER.minute[i]), None, None, float(said_pct[i])) for i in at]
        forecast.take(told, now)
        past = clipped(WEATHER, slice(step - 15 * STEPS + 1, step + 1))
        forecast.hold_against(now, past)
        own = ahead(model, past, now)
        assert own is not None
        forecast.clouds.hold_against("loft", now, float(past.temperature_c[-1]))
        with_it = forecast.clouds.brightened(
            "loft", own, forecast.cloud_pct(now, own.minute), full_hour=True
        )
        height = sun_height(np.array([now + 360.0]), SITE)[0][0]
        if step >= (DAYS - 11) * STEPS and height > 0:
            came = float(WEATHER.temperature_c[step + 36])
            plain.append(abs(float(own.temperature_c.p50[35]) - came))
            bright.append(abs(float(with_it.temperature_c.p50[35]) - came))
    return float(np.mean(plain)), float(np.mean(bright))


def test_cloud_foretold_rightly_sharpens_the_hours_ahead() -> None:
    without, with_it = errors(CLOUD)
    assert without > 0.8  # K
    assert with_it < 0.7 * without, (without, with_it)


def test_cloud_that_is_a_fifth_off_still_helps() -> None:
    off = np.repeat(np.random.default_rng(8).normal(0, 20, DAYS * 2), STEPS // 2)
    without, with_it = errors(np.clip(CLOUD + off, 0, 100))
    assert with_it < 0.85 * without, (without, with_it)


def test_cloud_drawn_by_lot_does_little_harm() -> None:
    lot = np.repeat(np.random.default_rng(9).uniform(0, 100, DAYS), STEPS)
    without, with_it = errors(lot)
    assert with_it < 1.1 * without, (without, with_it)


def test_without_cloud_nothing_moves_and_all_is_kept_over_a_restart() -> None:
    step = 16 * STEPS - 1
    now = int(WEATHER.minute[step])
    past = clipped(WEATHER, slice(step - 15 * STEPS, step + 1))
    own = ahead(unlearned(SITE, NOW), past, now)
    assert own is not None
    forecast = Forecast(SITE)
    nothing = forecast.cloud_pct(now, own.minute)
    assert np.isnan(nothing).all()
    assert forecast.clouds.brightened("loft", own, nothing, full_hour=True) is own
    forecast.take([ForecastHour(now + 60 * h, None, None, 25.0 * (h % 4)) for h in range(25)], now)
    forecast.hold_against(now, past)
    cloud_pct = forecast.cloud_pct(now, own.minute)
    assert cloud_pct[[2, 5, 8]].tolist() == [12.5, 25.0, 37.5], "straight between the hours"
    forecast.clouds.brightened("loft", own, cloud_pct, full_hour=True)
    forecast.clouds.hold_against("loft", now + 360, 30.0)
    again = Forecast(SITE, forecast.fact)
    assert again.fact == forecast.fact
    assert json.loads(forecast.fact)["clouds"]["seen"]["loft"][0] == 1
    assert np.isnan(forecast.cloud_pct(now + 1440, own.minute)).all(), "a day old it is stale"


@pytest.mark.parametrize(
    ("unit", "sent", "pct"), [("%", 62.5, 62.5), ("1", 0.625, 62.5), ("oktas", 5, 62.5)]
)
def test_cloud_comes_in_per_cent_shares_or_oktas(unit: str, sent: float, pct: float) -> None:
    # 8 oktas are the whole sky (WMO-No. 8, Guide to Instruments, cloud amount; from memory).
    reads = {Quantity.CLOUD: ReadAs(unit, "/cloud")}
    sensor = Sensor("weather", "outdoors", "brae/weather", 3600, reads, None, True)
    source = ForecastFrom(sensor, ahead_h=6)
    payload = json.dumps({"cloud": sent}).encode()
    message = Message("brae/weather", payload, NOW * 60_000, retained=False)
    said, failures = ForecastReader([source]).read(message)
    assert failures == []
    assert said == [ForecastHour(NOW + 360, None, None, pct)]
