"""Where a harvest should hang, and how much a space bears."""

from __future__ import annotations

import pytest

from monitor.ahead.lesson import Exchange
from monitor.drying.members import book_prior
from monitor.places.plan import (
    Candidate,
    Harvest,
    days_to_crisp,
    ranking,
    told,
)
from monitor.places.water import SpaceAir, bears_g_h, given_off_g_h, humidity_with
from monitor.places.what_ifs import heating_said, what_if
from monitor.service.settings.files import shipped
from monitor.site.flowers import read_book

PRESSURE_PA = 101_325.0
OUT = (15.0, 60.0)
LEAKS = Exchange(1.0, 0.8, 1.25)
STATICE = Harvest("statice", 12, 250.0, 0.7)


def days(t: float, rh: float) -> tuple[float, float, float] | None:
    """Ten days at 20 °C and 50 %, by a straight rule; never over 72 %."""
    if rh > 72:
        return None
    middle = 10 * (20 / max(t, 1)) * (50 / (100 - rh))
    return 0.7 * middle, middle, 1.5 * middle


def space(name: str, t: float = 20, rh: float = 50, **known: object) -> Candidate:
    air = SpaceAir((t, rh), OUT, PRESSURE_PA)
    fixed: dict[str, object] = {
        "damp_pct": 75.0, "hot_c": 32.0, "hot_chance": 0.0, "sun_min": 0.0, "volume_m3": 30.0,
        "exchange": LEAKS,
    }  # fmt: skip
    return Candidate(name, air, **{**fixed, **known})  # type: ignore[arg-type]


def test_water_of_the_first_day() -> None:
    """10 kg at 80 % lose 8 kg in ten days: 33 g/h in the mean, and 2 to 3 times that at first."""
    first = given_off_g_h(10_000, 0.8, 10)
    assert 2 * 32 < first < 3 * 33.3


def test_a_space_bears_what_its_air_carries_off() -> None:
    """30 m³ at one change an hour, 20 °C/65 % against 15 °C/60 %: 26.95 m³/h carry 100 g/h
    (mass balance by PsychroLib), so 30 m³/h carry 111 g/h."""
    air = SpaceAir((20, 50), OUT, PRESSURE_PA)
    assert bears_g_h(air, 65, 30, 1.0) == pytest.approx(111.3, abs=0.5)
    assert bears_g_h(air, 40, 30, 1.0) == 0.0, "outdoors alone keeps it above"
    assert humidity_with(air, 0.0, 30, 1.0) == pytest.approx(50)
    assert humidity_with(air, 50, 30, 1.0) > humidity_with(air, 50, 60, 1.0) > 50


def test_the_drier_space_comes_first_and_one_that_cannot_finish_last() -> None:
    made = ranking(STATICE, [space("cellar", 12, 74), space("loft"), space("shed", 16, 60)], days)
    assert [choice.space for choice in made] == ["loft", "shed", "cellar"]
    assert made[-1].days is None
    assert "cannot get crisp" in made[-1].reasons[0]


@pytest.mark.parametrize("risk", [{"hot_chance": 0.9}, {"sun_min": 90.0}])
def test_a_risk_puts_a_space_behind_its_equal(risk: dict[str, float]) -> None:
    made = ranking(STATICE, [space("a", **risk), space("b")], days)
    assert [choice.space for choice in made] == ["b", "a"]
    assert "gets hot" in made[1].reasons[1] or "sun is on the rail" in made[1].reasons[1]


@pytest.mark.parametrize("missing", ["volume_m3", "exchange"])
def test_what_is_not_known_is_not_guessed(missing: str) -> None:
    one = space("loft", **{missing: None})
    (choice,) = ranking(STATICE, [one], days)
    assert choice.bears is None
    assert any("cannot be told" in reason for reason in choice.reasons)
    assert what_if(one, fan_m3_h=50, litres_a_day=10) == []


def test_bunches_never_weighed_windows_never_told_of() -> None:
    unweighed = Harvest("statice", 12, None, 0.7)
    (choice,) = ranking(unweighed, [space("loft", sun_min=None)], days)
    assert choice.bears is None
    assert any("windows are not known" in reason for reason in choice.reasons)
    assert any("weight of a bunch" in reason for reason in choice.reasons)


def test_a_space_without_air_is_last_and_says_so() -> None:
    made = ranking(STATICE, [Candidate("attic", None), space("loft")], days)
    assert made[-1].space == "attic"
    assert "not measured" in made[-1].reasons[0]


def test_too_many_bunches_hang_fewer() -> None:
    crowd = Harvest("statice", 400, 250.0, 0.7)
    (choice,) = ranking(crowd, [space("loft", rh=48)], lambda t, rh: (7.0, 10.0, 15.0))
    assert choice.bears is not None
    assert choice.bears[0] <= choice.bears[1] <= choice.bears[2] < 400
    assert any("hang fewer" in reason for reason in choice.reasons)


def test_its_effect_on_what_hangs_there() -> None:
    (choice,) = ranking(STATICE, [space("loft", hangs=("six bunches of yarrow",))], days)
    assert any("six bunches of yarrow there" in reason for reason in choice.reasons)


def test_more_air_or_a_dehumidifier_bears_more_with_its_caution() -> None:
    one = space("loft")
    plain = bears_g_h(SpaceAir((20, 50), OUT, PRESSURE_PA), 75, 30, 1.0)
    door, fan, dry = what_if(one, fan_m3_h=60, litres_a_day=10)
    for change in (door, fan, dry):
        assert change.bears[1] > plain
        assert change.caution
    assert dry.bears[1] - plain == pytest.approx(1000 * 5 / 24, rel=1e-6)
    assert "half" in dry.why


def test_of_heaters_only_the_caution() -> None:
    said = heating_said()
    assert "Never a gas or paraffin heater" in said
    assert "tinder" in said


def test_the_lines() -> None:
    lines = told(STATICE, ranking(STATICE, [space("loft"), space("shed", 16, 60)], days))
    assert lines[0] == "Twelve bunches of statice:"
    assert lines[1].startswith("1. Loft. Expected crisp in")
    assert "would change that" in lines[2]


def test_the_days_of_a_harvest_grow_with_the_damp_until_there_are_none() -> None:
    """Strawflowers take 5 to 14 days (book of flowers); near saturation nothing gets crisp."""
    book = read_book(shipped("config/flowers.toml").read_text("utf-8"))
    flower = book.find("strawflower")
    assert flower is not None
    days_in = days_to_crisp(flower, None, 29_732_220, book_prior())
    dry, damper = days_in(22, 40), days_in(18, 58)
    assert dry is not None
    assert damper is not None
    assert dry[0] < dry[1] < dry[2]
    assert all(slow > quick for slow, quick in zip(damper, dry, strict=True))
    assert days_in(18, 92) is None
    low, high = flower.days_hanging
    assert low / 2 <= dry[1] <= high
