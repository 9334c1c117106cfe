"""When the sun reaches the rail, against a ray test of its own on pvlib's sun."""

from datetime import date

import numpy as np
import pytest

from monitor.places.sun import (
    Correction,
    Position,
    beams,
    corrected,
    direct_minutes,
    ends_it,
    estimated_dose,
    horizon_at,
    lit_days,
    reaches,
    told,
    told_correction,
)
from monitor.science.sun import SunPosition
from monitor.site.spaces import Window
from tests.benchmarks.bench_adviser import CASES, Case, rays
from tests.benchmarks.room_simulator import Weather

HERE = Position(54.9, -2.1, "Europe/London")
ROOF_LIGHT = Window("roof light", 258, 0.425, 0.6, 0.55, 1.2, 0.0175)
JULY = date(2025, 7, 14)
NO_WEATHER = Weather("", 0, 0, 0, *(np.zeros(1) for _ in range(5)))


def window_of(case: Case) -> Window:
    return Window(
        "window", case.facing_deg, case.width_m, case.height_m, case.lower_edge_m,
        case.distance_m, case.right_m, case.tilt_deg,
    )  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_every_minute_of_days_against_rays(case: Case) -> None:
    """A linear system for the pane in east, north and up, on pvlib's SPA: edges to 2 minutes."""
    for day in (27_874_080 + 1440 * d for d in (100, 172, 250)):
        minute = day + np.arange(0, 1440, 2, dtype=np.int64)
        ours = direct_minutes([window_of(case)], HERE, minute, None)
        theirs = rays(case, NO_WEATHER, HERE, minute)
        assert (ours != theirs).sum() <= 4


def test_straight_through_the_middle() -> None:
    """A pane 1 to 2 m up, 1 m away: the sun at 56.3° (atan 1.5) comes through its middle."""
    pane = Window("south", 180, 1.0, 1.0, 1.0, 1.0)
    assert reaches(pane, SunPosition(56.3, 180))
    assert not reaches(pane, SunPosition(44, 180)), "below its sill"
    assert not reaches(pane, SunPosition(64, 180)), "above its head"
    assert not reaches(pane, SunPosition(56.3, 210)), "beside it: tan 30° > 0.5"
    assert not reaches(pane, SunPosition(56.3, 0)), "behind it"


def test_a_hill_hides_the_sun() -> None:
    hill = ((90.0, 0.0), (180.0, 70.0), (270.0, 0.0))
    assert horizon_at(hill, 180) == 70
    assert horizon_at(hill, 135) == pytest.approx(35)
    assert horizon_at((), 10) == 0
    hidden = Window("south", 180, 1.0, 1.0, 1.0, 1.0, horizon=hill)
    assert not reaches(hidden, SunPosition(56.3, 180))


def test_edges_are_the_minute() -> None:
    (beam,) = beams([ROOF_LIGHT], HERE, JULY)
    for at, lit in ((beam.begins, True), (beam.begins - 1, False), (beam.ends, False)):
        assert bool(direct_minutes([ROOF_LIGHT], HERE, np.array([at]), None)[0]) is lit


def test_a_metre_aside_ends_it_and_the_words_say_so() -> None:
    side = ends_it(ROOF_LIGHT, HERE, JULY)
    assert side in ("left", "right")
    aside = ROOF_LIGHT.moved(-1.0 if side == "left" else 1.0)
    assert beams([aside], HERE, JULY) == []
    said = told([ROOF_LIGHT], HERE, JULY)
    assert f"a curtain or one metre to the {side} ends it" in said
    assert "until" in said
    assert "geometry" in said


def test_the_season_ends_on_the_day_it_says() -> None:
    span = lit_days([ROOF_LIGHT], HERE, JULY)
    assert span is not None
    assert beams([ROOF_LIGHT], HERE, span[1])
    after = beams([ROOF_LIGHT], HERE, date.fromordinal(span[1].toordinal() + 1))
    assert all(beam.ends - beam.begins < 5 for beam in after)


def test_no_sun_ever_through_a_northern_slit() -> None:
    north = Window("north", 0, 0.3, 0.3, 1.5, 1.0)
    assert lit_days([north], HERE, JULY) is None
    assert "never" in told([north], HERE, JULY)
    winter = told([ROOF_LIGHT], HERE, date(2025, 12, 14))
    assert "does not reach the rail now; it does from" in winter


def test_the_light_sensor_overrules_and_corrects() -> None:
    begin = 29_208_960  # 2025-07-15 00:00 UTC
    minute = begin + np.arange(0, 3 * 1440, 5, dtype=np.int64)
    real = Window("roof light", 262, 0.425, 0.6, 0.55, 1.2, 0.0175)
    shines = direct_minutes([real], HERE, minute, None)
    shines[:288] = False  # the first day is dull
    lux = np.where(shines, 30_000.0, 300.0)
    seen = direct_minutes([ROOF_LIGHT], HERE, minute, lux)
    assert not seen[:288].any()
    assert (seen & shines).sum() >= 0.95 * shines.sum()
    assert not (seen & ~shines).any()
    found = corrected([ROOF_LIGHT], HERE, minute, lux)
    assert found is not None
    assert 0.4 < found.seen < 0.7
    assert found.shift_min is not None
    assert found.shift_min > 0, "turned towards the north-west, it comes later"


def test_without_a_light_sensor_a_dull_sky_hides_the_beam() -> None:
    minute = 29_208_960 + np.arange(0, 1440, 5, dtype=np.int64)
    clear = direct_minutes([ROOF_LIGHT], HERE, minute, None)
    assert clear.any()
    chance = np.full(minute.size, np.nan)
    assert (direct_minutes([ROOF_LIGHT], HERE, minute, None, chance) == clear).all()
    chance[np.flatnonzero(clear)[:3]] = 0.2
    told = direct_minutes([ROOF_LIGHT], HERE, minute, None, chance)
    assert told.sum() == clear.sum() - 3


def test_lamps_at_night_are_no_sun() -> None:
    minute = 29_208_960 + np.arange(0, 1440, 5, dtype=np.int64)
    lux = np.full(minute.size, 50.0)
    lux[-20:] = 20_000.0
    assert not direct_minutes([ROOF_LIGHT], HERE, minute, lux).any()


def test_an_estimated_dose_is_marked_and_falls_with_cloud() -> None:
    clear = estimated_dose([ROOF_LIGHT], HERE, JULY, None)
    dull = estimated_dose([ROOF_LIGHT], HERE, JULY, 0.25)
    assert dull.lx_h == pytest.approx(clear.lx_h / 4)
    assert "estimated" in clear.says
    assert "at most" in clear.says
    hours = sum(b.ends - b.begins for b in beams([ROOF_LIGHT], HERE, JULY)) / 60
    assert clear.lx_h < 100_000 * hours, "no sun beam is brighter (TMY files: at most 94 klx)"


def test_what_the_light_says_of_the_windows_in_words() -> None:
    assert told_correction(None) == ""
    assert "cannot confirm" in told_correction(Correction(0.1, None))
    assert "saw the sun in 62 % of those minutes" in told_correction(Correction(0.62, 3.0))
    late, early = (told_correction(Correction(0.6, shift)) for shift in (14.0, -12.0))
    assert "about 14 minutes later" in late
    assert "about 12 minutes earlier" in early
    assert "measure where they look to once more" in late
