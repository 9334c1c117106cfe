"""A forecast of others: read in every form, weighed by how it fared, on weather made here.

Outdoors: a cosine of the day, and a departure that wanders from day to day as weather does (a
random walk that is drawn back, two days long). The room follows it, with half its swing.
"""

from __future__ import annotations

import json
from collections.abc import Iterator

import numpy as np
import pytest

from monitor.ahead.courses import ahead
from monitor.ahead.forecast import Forecast, follows_outdoors, moved
from monitor.ahead.grid import GridAir, clipped
from monitor.ahead.lesson import unlearned
from monitor.ahead.model import Location
from monitor.intake.payloads import Message
from monitor.intake.published import ForecastHour, ForecastReader
from monitor.site.quantities import Quantity
from monitor.site.spaces import ForecastFrom, ReadAs, Sensor, TimeAt

NOW_MS = 1_784_000_000_000 // 3_600_000 * 3_600_000
NOW = NOW_MS // 60_000


def forecast_from(
    reads: dict[Quantity, ReadAs], time: TimeAt | None = None, **others: object
) -> ForecastFrom:
    sensor = Sensor("weather", "outdoors", "brae/weather", 3600, reads, time, time is None)
    return ForecastFrom(sensor, **others)  # type: ignore[arg-type]


def read(source: ForecastFrom, payload: str) -> tuple[list[ForecastHour], list[str]]:
    message = Message("brae/weather", payload.encode(), NOW_MS, retained=False)
    said, failures = ForecastReader([source]).read(message)
    return said, [str(why) for _, why in failures]


T_AND_RH = {
    Quantity.TEMPERATURE: ReadAs("K", "/air_temperature"),
    Quantity.HUMIDITY: ReadAs("1", "/relative_humidity"),
}
HOURS = forecast_from(T_AND_RH, TimeAt("/time", "s"), list_at="/hours")


def hours(*seconds_ahead: int, air_temperature: object = 290.15) -> str:
    entries = [
        {
            "time": NOW_MS // 1000 + later,
            "air_temperature": air_temperature,
            "relative_humidity": 0.6,
        }
        for later in seconds_ahead
    ]
    return json.dumps({"hours": entries})


def test_a_list_of_hours_each_with_its_time() -> None:
    said, failures = read(HOURS, hours(-7200, 3600, 7200))
    assert failures == []
    assert [one.valid for one in said] == [NOW + 60, NOW + 120], "an hour that is over is left out"
    assert said[0].temperature_c == pytest.approx(17.0)
    assert said[0].humidity_pct == pytest.approx(60.0)


def test_a_bare_number_so_many_hours_ahead() -> None:
    source = forecast_from({Quantity.TEMPERATURE: ReadAs("°C")}, ahead_h=6)
    assert read(source, "21.5") == ([ForecastHour(NOW + 360, 21.5)], [])


def test_senml_tells_unit_and_time_itself() -> None:
    source = forecast_from({Quantity.TEMPERATURE: ReadAs("°C", senml_name="air:temp")})
    pack = [{"n": "air:temp", "u": "Cel", "v": v, "t": 3600 * h} for h, v in ((1, 14), (2, 15))]
    said, failures = read(source, json.dumps(pack))
    assert failures == []
    assert said == [ForecastHour(NOW + 60, 14.0), ForecastHour(NOW + 120, 15.0)]


@pytest.mark.parametrize(
    ("payload", "sentence"),
    [
        ("tomorrow fine", "the payload is not JSON"),
        ('{"days": []}', "there is no list at /hours, it has /days; mend list in the settings."),
        ('{"hours": 3}', "there is no list of hours at /hours; mend list in the settings."),
        (json.dumps({"hours": [{}] * 401}), "has 401 entries, more than the 400"),
        (hours(-3600), "all it says is of hours that are over"),
        (hours(3600, air_temperature="mild"), 'is the text "mild", not a number'),
        (hours(3600, air_temperature=900), "is not of this world's air; mend its unit"),
    ],
)
def test_what_cannot_be_read_is_one_sentence(payload: str, sentence: str) -> None:
    _, failures = read(HOURS, payload)
    assert len(failures) == 1
    assert failures[0].startswith("brae/weather: ")
    assert sentence in failures[0]
    assert failures[0].endswith(".")


DAYS = 40
SITE = Location(54.0, -2.0)


@pytest.fixture(scope="module")
def weather() -> GridAir:
    rng = np.random.default_rng(11)
    steps = np.arange(DAYS * 144)
    departs = np.zeros(steps.size)
    for i in range(1, steps.size):
        departs[i] = departs[i - 1] * np.exp(-10 / 2880) + 0.26 * rng.normal()
    day = np.cos(2 * np.pi * (steps / 144 - 0.6))
    water = 7.0 * np.exp(0.02 * departs)
    outside = 14 + 5 * day + departs
    inside = 17 + 2.5 * day + 0.7 * departs
    minute = NOW + 10 * (steps + 1)
    return GridAir(minute, inside, water + 0.3, outside, water)


def outdoors_of(history: GridAir) -> GridAir:
    assert history.outdoor_temperature_c is not None
    assert history.outdoor_humidity_ratio_g_kg is not None
    return GridAir(
        history.minute, history.outdoor_temperature_c, history.outdoor_humidity_ratio_g_kg
    )


def foretold(weather: GridAir, step: int, off: Iterator[float]) -> list[ForecastHour]:
    """What an adviser who knows the coming day but for these errors says of it [K]."""
    assert weather.outdoor_temperature_c is not None
    later = step + np.arange(6, 145, 6)
    return [
        ForecastHour(int(weather.minute[i]), float(weather.outdoor_temperature_c[i]) + next(off))
        for i in later
        if i < weather.minute.size
    ]


def errors(weather: GridAir, noise_k: float, bias_k: float) -> tuple[np.ndarray, np.ndarray]:  # type: ignore[type-arg]
    """Mean absolute errors 6 and 12 h ahead of the last ten days: shape (outdoors and room,
    leads), without and with the forecast, whose errors are the same for a day."""
    rng = np.random.default_rng(3)
    forecast, model = Forecast(SITE), unlearned(SITE, NOW)
    missed: list[np.ndarray] = []  # type: ignore[type-arg]
    for step in range(16 * 144 - 1, (DAYS - 2) * 144, 36):
        now, off = int(weather.minute[step]), bias_k + noise_k * rng.normal()
        forecast.take(foretold(weather, step, iter([off] * 24)), now)
        past = clipped(weather, slice(step - 15 * 144, step + 1))
        for hour in range(6):
            at = clipped(weather, slice(step, step + 6 * hour + 1))
            forecast.hold_against(int(at.minute[-1]), outdoors_of(at))
        if step < (DAYS - 12) * 144:
            continue
        room, air = ahead(model, past, now), ahead(model, outdoors_of(past), now)
        assert room is not None
        assert air is not None
        shift = forecast.shift(air)
        assert shift is not None
        share, alike = follows_outdoors(past)
        better = moved(air, shift, np.ones(2), np.ones(2)), moved(room, shift, share, alike)
        leads = np.array([36, 72])
        true = np.stack([outdoors_of(weather).temperature_c, weather.temperature_c])[
            :, step + leads
        ]
        told = [
            np.stack([one.temperature_c.p50[leads - 1] for one in pair])
            for pair in ((air, room), better)
        ]
        missed.append(np.abs(np.stack(told) - true))
    without, with_it = np.mean(missed, axis=0)
    return without, with_it


def test_a_good_forecast_sharpens_outdoors_and_the_room(weather: GridAir) -> None:
    without, with_it = errors(weather, noise_k=0.5, bias_k=0.0)
    assert (with_it[0] < 0.8 * without[0]).all(), (without, with_it)
    assert (with_it[1] < 0.9 * without[1]).all(), (without, with_it)


def test_one_that_is_always_three_kelvins_off_is_put_right(weather: GridAir) -> None:
    without, with_it = errors(weather, noise_k=0.5, bias_k=3.0)
    assert (with_it[0] < 0.9 * without[0]).all(), (without, with_it)


def test_a_bad_one_does_little_harm(weather: GridAir) -> None:
    """Off by 8 K and more: four times what the monitor alone is, and still a fifth at most."""
    without, with_it = errors(weather, noise_k=8.0, bias_k=0.0)
    assert (with_it < 1.2 * without).all(), (without, with_it)


def test_nothing_fresh_moves_nothing_and_all_is_kept_over_a_restart(weather: GridAir) -> None:
    step = 16 * 144 - 1
    now = int(weather.minute[step])
    past = outdoors_of(clipped(weather, slice(step - 15 * 144, step + 1)))
    own = ahead(unlearned(SITE, NOW), past, now)
    assert own is not None
    forecast = Forecast(SITE)
    assert forecast.shift(own) is None
    forecast.take(foretold(weather, step, iter([0.0] * 24)), now)
    forecast.hold_against(now, past)
    again = Forecast(SITE, forecast.fact)
    assert again.fact == forecast.fact
    one, other = forecast.shift(own), again.shift(own)
    assert one is not None
    assert other is not None
    np.testing.assert_array_equal(one.by, other.by)
    stale = Forecast(SITE)
    stale.take(foretold(weather, step, iter([0.0] * 24)), now - 1441)
    assert stale.shift(own) is None
