"""What is advised, and how numbers and times are said."""

import re
from datetime import UTC, datetime
from unicodedata import normalize

import pytest

from monitor.air.minute import MinuteOfAir
from monitor.air.spells import Spell
from monitor.notices.notice import Circumstances, Part, Weight
from monitor.notices.sentences import spells
from monitor.science import moist_air
from monitor.site.kinds import Advice, Kind
from monitor.site.spaces import OUTDOORS, Limits, Site, Space, Use
from monitor.site.words import (
    count,
    day_span,
    lasting,
    light,
    listed,
    named,
    shortened,
    temperature,
    title,
    when,
)

PRESSURE_PA = 100_000.0
ZONE = "Europe/London"
NOW = datetime(2026, 7, 14, 13, 30, tzinfo=UTC)
NOW_MS = int(NOW.timestamp() * 1000)


def air(space: str, t: float, rh: float, lux: float | None = 300.0, at: int = 0) -> MinuteOfAir:
    made = moist_air.state(t, rh, PRESSURE_PA)
    return MinuteOfAir(
        NOW_MS // 60_000 + at,
        space,
        t,
        rh,
        lux,
        made.dew_point_c,
        made.vpd_kpa,
        made.humidity_ratio_g_kg,
        made.absolute_humidity_g_m3,
        None,
        1,
    )


def advised(
    kind: Kind,
    indoors: tuple[float, float],
    outdoors: tuple[float, float] | None,
    use: Use = Use.HANGING,
    urgent: bool = False,
    lux: float | None = 300.0,
    at: int = 0,
) -> Advice:
    site = Site(
        "Fernhollow",
        52.1,
        -3.4,
        210,
        ZONE,
        "°C",
        {"attic": Space("attic", use, Limits(hot_c=32, damp_pct=75))},
        {},
    )
    around = {"attic": air("attic", *indoors, lux, at)}
    if outdoors is not None:
        around[OUTDOORS] = air(OUTDOORS, *outdoors)
    began = NOW_MS // 60_000 - 60
    spell = Spell(kind, "attic", None, began, began + 20, None, 36.0, urgent)
    return spells.best_thing(spell, Circumstances(site, PRESSURE_PA, {}, around))


def opens(words: Advice) -> bool:
    return "open a door" in words.to_do


@pytest.mark.parametrize("kind", [Kind.DAMP, Kind.HOT, Kind.DEWY])
def test_cold_wet_night_air_is_never_let_in(kind: Kind) -> None:
    """18 °C/65 % indoors, 9 °C/90 % outdoors: less water in each kilogram of air out there, and
    yet the opened room, at 11 °C, would pull less on water: 0.28 instead of 0.72 kPa. Worked by
    hand from the saturation curve."""
    assert not opens(advised(kind, (18, 65), (9, 90)))
    assert not opens(advised(kind, (18, 65), (9, 90), urgent=kind is Kind.DAMP))


def test_dry_air_is_let_in() -> None:
    assert opens(advised(Kind.DAMP, (18, 85), (17, 45)))
    assert opens(advised(Kind.DEWY, (18, 95), (17, 45)))


def test_warmer_air_is_not_let_into_a_hot_room() -> None:
    assert opens(advised(Kind.HOT, (33, 70), (31, 30)))
    assert not opens(advised(Kind.HOT, (33, 70), (35, 20)))


@pytest.mark.parametrize("kind", list(Kind))
@pytest.mark.parametrize("use", [Use.HANGING, Use.STORING, Use.SHOWING])
def test_without_outdoors_there_is_still_one_thing_to_do(kind: Kind, use: Use) -> None:
    words = advised(kind, (18, 85), None, use)
    assert words.to_do
    assert not opens(words)
    assert "outside" not in words.to_do


def test_heat_in_the_dark_comes_from_something_that_heats() -> None:
    assert "what heats" in advised(Kind.HOT, (34, 40), None, lux=0).to_do
    assert "no fire alarm" in advised(Kind.HOT, (34, 40), None, lux=0).caution
    assert "sun" in advised(Kind.HOT, (34, 40), None, lux=900).to_do


def test_no_curtain_keeps_off_a_sun_that_is_down() -> None:
    """Without a light sensor, by the sun: half past one by day, and twelve hours later."""
    assert "sun" in advised(Kind.HOT, (34, 40), None, lux=None).to_do
    assert "what heats" in advised(Kind.HOT, (34, 40), None, lux=None, at=720).to_do


@pytest.mark.parametrize("kind", list(Kind))
@pytest.mark.parametrize("use", [Use.HANGING, Use.STORING, Use.SHOWING])
@pytest.mark.parametrize("urgent", [False, True])
def test_nothing_that_burns_or_runs_on_electricity_without_its_caution(
    kind: Kind, use: Use, urgent: bool
) -> None:
    words = advised(kind, (18, 88), None, use, urgent)
    assert not re.search(r"\b(gas|paraffin|heater)\b", words.to_do)
    if "dehumidifier" in words.to_do:
        assert "Local rules for electrics first" in words.caution
        assert "Never a gas or paraffin heater" in words.caution
    if "mouldy" in words.to_do or "mould," in words.to_do:
        assert "Do not shake" in words.caution
    if re.search(r"hang |sheet|bunches an arm", words.to_do):
        assert "ladder" in words.caution


@pytest.mark.parametrize(
    ("then", "said"),
    [
        ("2026-07-14 13:10", "14:10"),
        ("2026-07-13 23:30", "00:30"),
        ("2026-07-13 22:30", "yesterday 23:30"),
        ("2026-07-12 09:00", "Sun 12 Jul, 10:00"),
        ("2026-01-12 09:00", "Mon 12 Jan, 09:00"),
        ("2026-07-15 05:00", "tomorrow 06:00"),
    ],
)
def test_when(then: str, said: str) -> None:
    """British summer time is an hour ahead of UTC."""
    moment = datetime.fromisoformat(then).replace(tzinfo=UTC)
    assert when(int(moment.timestamp() * 1000), NOW_MS, ZONE) == said


@pytest.mark.parametrize(
    ("minutes", "said"),
    [
        (0, "1 min"),
        (59.6, "1 h"),
        (59, "59 min"),
        (61, "1 h"),
        (63, "1 h 5 min"),
        (598, "10 h"),
        (600, "10 h"),
        (23 * 60 + 40, "24 h"),
        (47 * 60, "47 h"),
        (3 * 1440, "3 days"),
    ],
)
def test_lasting(minutes: float, said: str) -> None:
    assert lasting(minutes) == said


def test_numbers_names_and_lists() -> None:
    assert temperature(-0.3, "°C") == "0 °C"
    assert temperature(-3.6, "°C") == "−4 °C"
    assert temperature(-40, "°F") == "−40 °F"
    assert temperature(32, "°F") == "90 °F"
    assert light(21_437) == "21,000 lux"
    assert light(84) == "84 lux"
    assert count(1, "bunch", "bunches") == "one bunch"
    assert count(12, "bunch", "bunches") == "twelve bunches"
    assert count(1300, "bunch", "bunches") == "1,300 bunches"
    assert listed([]) == ""
    assert listed(["a"]) == "a"
    assert listed(["a", "b"]) == "a and b"
    assert listed(["a", "b", "c", "d"]) == "a, b, c and d"
    assert listed(["a", "b", "c", "d", "e"]) == "a, b, c and 2 more"
    assert named("élise's loft") == "Élise's loft"
    assert len(named("x" * 90)) == 24
    assert title("word " * 40).endswith("word…")
    assert len(title("word " * 40)) <= 60
    assert len(title("x" * 90)) == 60
    assert day_span(NOW_MS, NOW_MS, ZONE) == "Tue 14 Jul"


WIDE = "e\u0301"  # e and a combining acute accent: two characters, one letter
HEBREW = "מחסן הפרחים הגדול"


def test_a_name_is_never_cut_between_a_letter_and_its_marks() -> None:
    for before in range(12):
        cut = shortened("a" * before + WIDE * 500)
        assert len(cut) <= 20
        assert normalize("NFC", cut.removesuffix("…")).strip("aé") == "", cut
    family = "\U0001f468\u200d\U0001f469\u200d\U0001f467"
    assert not shortened(family * 9).removesuffix("…").endswith("\u200d")
    assert shortened("a" + "\u0301" * 999)[-1] == "…"


def test_a_name_from_right_to_left_leaves_the_rest_of_the_line_in_order() -> None:
    first = named(HEBREW)
    assert first == f"\u2068{HEBREW}\u2069"
    assert named(f"the {HEBREW}")[:4] == "\u2068The"
    assert shortened("loft") == "loft"
    for name in (HEBREW * 60, "\u202eloft", "x\u202e" * 500):
        line = title(f"{named(name)}: sensor {shortened(name)} and much more than a title can hold")
        assert len(line) <= 60 + 1
        assert line.count("\u2068") == line.count("\u2069"), "each is closed again"


def test_names_of_a_thousand_letters_leave_room_for_what_is_said() -> None:
    name = "loft" * 250
    line = title(f"{named(name)}: damp enough for mould again")
    assert line.endswith("damp enough for mould again")


def test_what_is_passed_by_less_than_a_degree_reads_as_passed() -> None:
    site = Site("Fernhollow", 52.1, -3.4, 210, ZONE, "°C",
                {"attic": Space("attic", Use.HANGING, Limits(hot_c=32))}, {})  # fmt: skip
    around = Circumstances(site, PRESSURE_PA, {}, {"attic": air("attic", 32.3, 40)})
    began = NOW_MS // 60_000 - 60
    hot = Spell(Kind.HOT, "attic", None, began, began + 20, None, 32.4)
    said = spells.notice(hot, Part.BEGAN, Weight.NOW, around, NOW_MS)
    assert said.title == "Attic: hot, 32.3 °C"
    assert "above 32 °C since 13:30. Now 32.3 °C. Highest: 32.4 °C." in said.body
