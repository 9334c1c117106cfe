"""What the leaks do for the water here, and airing in words.

The flow is the mass balance of ASHRAE Fundamentals 2017, ch. 16, worked out with psychrolib:
100 g/h at 20 °C/65 % against 15 °C/60 % need 26.95 m³/h.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from monitor.ahead.airing import Airing, Doors
from monitor.ahead.airing_hours import AiringHours
from monitor.ahead.lesson import Exchange
from monitor.air.minute import MinuteOfAir
from monitor.drying.prospects import Prospect
from monitor.entries.batches import Batch, Stay
from monitor.notices.sentences.foreseen import airing_told, best_hours_told
from monitor.places import water
from monitor.science import moist_air
from monitor.site.flowers import read_book
from monitor.site.spaces import Limits, Site, Space, Use

PRESSURE_PA = 101_325.0
BOOK = read_book((Path(__file__).parents[2] / "config" / "flowers.toml").read_text("utf-8"))
SPACE = Space("granary", Use.HANGING, Limits(damp_pct=65), volume_m3=30)
FEW, MANY = Exchange(0.3, 0.25, 0.36), Exchange(1.0, 0.8, 1.2)
BATCH = Batch("statice-1", 1, "statice", 10, 0, (Stay(0, None, "granary"),), fresh_mass_g=200.0)


def prospect(loses_pct_a_day: float) -> Prospect:
    return Prospect(
        1, 0, "expected", 80.0, 200.0, 0.0, None, None, None, loses_pct_a_day, False, None
    )


def air(t: float, rh: float) -> MinuteOfAir:
    made = moist_air.state(t, rh, PRESSURE_PA)
    return MinuteOfAir(
        0, "granary", t, rh, None, made.dew_point_c, made.vpd_kpa, made.humidity_ratio_g_kg,
        made.absolute_humidity_g_m3, None, 1,
    )  # fmt: skip


def told(exchange: Exchange | None, water_g_h: float | None, outdoors: MinuteOfAir | None) -> str:
    said = water.told_leaks(SPACE, exchange, water_g_h, air(20, 65), outdoors, PRESSURE_PA)
    return " ".join(said)


def test_water_of_the_batches() -> None:
    """Ten bunches of 200 g lose a tenth of their water in a day."""
    flower = BOOK.find("statice")
    assert flower is not None
    share = sum(flower.water_pct_wb) / 200
    given = water.water_given_off_g_h([BATCH], {1: prospect(10.0)}, BOOK)
    assert given == pytest.approx(2000 * share * 0.1 / 24)


def test_water_of_a_batch_never_weighed_cannot_be_told() -> None:
    unweighed = replace(BATCH, fresh_mass_g=None)
    assert water.water_given_off_g_h([unweighed], {1: prospect(10.0)}, BOOK) is None
    assert water.water_given_off_g_h([BATCH], {}, BOOK) is None
    assert water.water_given_off_g_h([], {}, BOOK) == 0.0


def test_too_tight_is_told_with_what_would_do() -> None:
    """100 g/h at 20 °C/65 % against 15 °C/60 % need 26.95 m³/h; the leaks give 9."""
    said = told(FEW, 100.0, air(15, 60))
    assert "about 100 g of water an hour" in said
    assert "needs about 27 m³ of air an hour and gets 9" in said
    assert "a window 1 m high open by" in said
    assert "Local rules" in said


def test_the_flow_is_told_where_only_the_leaks_are_not_known() -> None:
    said = told(None, 100.0, air(15, 60))
    assert "cannot be told from the last days" in said
    assert "That needs about 27 m³ of outdoor air an hour." in said


def test_air_that_is_wetter_itself_takes_nothing_away() -> None:
    assert "no airing takes that away now" in told(MANY, 100.0, air(22, 80))


@pytest.mark.parametrize(
    ("space", "water_g_h", "outdoors", "missing"),
    [
        (replace(SPACE, volume_m3=None), 100.0, air(15, 60), "its volume"),
        (SPACE, None, air(15, 60), "the mass of a bunch"),
        (SPACE, 100.0, None, "the air outdoors"),
    ],
)
def test_what_is_missing_is_named(
    space: Space, water_g_h: float | None, outdoors: MinuteOfAir | None, missing: str
) -> None:
    said = water.told_leaks(space, MANY, water_g_h, air(20, 65), outdoors, PRESSURE_PA)
    assert said[0] == "The leaks change the air 0.8 to 1.2 times an hour."
    assert missing in said[1]
    assert "cannot be told" in said[1]


SITE = Site("Fernhollow", 54.9, -2.1, 140, "Europe/London", "°C", {}, {})
NOW_MS = 29_732_220 * 60_000  # 2026-07-13 10:00 in London


def test_airing_in_words() -> None:
    advice = Airing(
        Doors.OPEN, 16.4, 58.0, 0.6, 0.8, 2.0, 0.6, -3.6, -127.0, 0.97, "it carries less", "rain"
    )
    assert airing_told(advice, SITE) == [
        "Open up: it carries less.",
        "After a thorough airing the air here would have 16 °C and 58 %, losing 4 °C; one change "
        "of the air carries 0.04 kWh.",
        "That the air outside carries less water: the chances are over 19 in 20.",
        "What would change this: rain.",
    ]
    in_f = airing_told(advice, replace(SITE, temperature_unit="°F"))
    assert "62 °F and 58 %, losing 6 °F" in in_f[1]


def test_the_best_hours_in_words() -> None:
    now = NOW_MS // 60_000
    hours = [AiringHours(now + 1560, now + 1680, 0.9, 0.2), AiringHours(now + 60, now + 240, 1, 1)]
    assert best_hours_told(hours, NOW_MS, SITE) == (
        "The best hours to air in the coming day: 11:00 to 14:00 and tomorrow 12:00 to 14:00 "
        "(the chances are 9 in 10)."
    )
    assert best_hours_told([], NOW_MS, SITE) == ""
