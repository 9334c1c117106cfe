"""Alarms stop: the phone rings seldom enough to be heeded.

Alarm management as ANSI/ISA-18.2-2016 and IEC 62682:2014 describe it: a chattering alarm is one
that comes and goes over and over in a short time, and is told as one and has its limit, deadband
or delay changed; an alarm flood is more alarms at once than anybody can act on, and is told as
one. How many rings a day a person bears is our own choice, no source.
"""

from collections import Counter

import pytest

from monitor.air.spells import Spell
from monitor.notices.notice import Part, Weight
from monitor.site.kinds import Kind
from monitor.site.time import DAY_MIN
from tests.notices.test_rules import Season, at, spell, told
from tests.notices.week import CELLAR, SPACES, Case, cases, delay_min, most_in_a_day, rings, said_in

HARD = cases()


@pytest.mark.parametrize("case", HARD, ids=[case.name for case in HARD])
def test_a_week_of_it_rings_no_oftener_than_asked(case: Case) -> None:
    said = said_in([*case.tracks, CELLAR])
    rang = rings(said)
    assert 0 < most_in_a_day(rang) <= case.asked
    assert delay_min(rang) == 0, "what harms before morning rings at once, whatever else rings"
    first = next(n for n in said if n.space != CELLAR.space)
    if first.kind == Kind.HOT:
        assert rang[0].made_ms == first.made_ms, "the first of all rings at once"


@pytest.mark.parametrize("case", HARD[1::4], ids=[case.name for case in HARD[1::4]])
def test_started_anew_every_seven_hours_it_says_the_same(case: Case) -> None:
    days = 2 * DAY_MIN
    assert said_in(case.tracks, 7 * 60, days) == said_in(case.tracks, minutes=days)


# --- what comes and goes ---------------------------------------------------------------------


def come_and_go(season: Season, times: int) -> list[Spell]:
    """So many hot spells of forty minutes, one each hour from nine on; the last goes on."""
    hot = [spell(began=f"{9 + n}:00", ended=at(f"{9 + n}:40")) for n in range(times)]
    for n in range(times):
        season.goes_on(f"{9 + n}:20", *hot[:n], hot[n]._replace(ended=None))
        if n < times - 1:
            season.goes_on(f"{9 + n}:41", *hot[: n + 1])
    return [*hot[:-1], hot[-1]._replace(ended=None)]


def test_from_the_third_time_on_returns_do_not_ring() -> None:
    season = Season()
    come_and_go(season, 6)
    rang = [(r.notice.part, r.notice.weight is not Weight.NOTE) for r in season.said.rows]
    assert rang[:4] == [("began", True), ("ended", True), ("began", True), ("ended", False)]
    assert not any(rings for _, rings in rang[4:])


def test_it_says_how_often_and_what_to_change() -> None:
    season = Season()
    come_and_go(season, 4)
    last = season.said.rows[-1].notice
    assert "hot again" in last.title
    assert "four times in 24 hours" in last.body
    assert "set the limit higher or its delay longer" in last.body


def test_a_return_that_stays_is_reminded_of_all_the_same() -> None:
    season = Season()
    spells = come_and_go(season, 3)
    assert told(season.goes_on("16:50", *spells)) == []
    assert told(season.goes_on("17:00", *spells)) == [("reminder", "now")], "six hours of heat"


def test_the_next_day_it_is_told_anew_once() -> None:
    season = Season()
    spells = come_and_go(season, 3)
    over = [*spells[:-1], spells[-1]._replace(ended=at("11:40"))]
    season.goes_on("11:41", *over)
    calm = spell(began="14:00", day=16)
    assert told(season.goes_on("14:20", *over, calm, day=16)) == [("began", "now")]
    assert "again" not in season.said.rows[-1].notice.title


def test_a_sensor_that_is_silent_now_and_then_rings_twice_a_day() -> None:
    season = Season()
    said = []
    silent: list[Spell] = []
    for hour in range(8, 20):
        one = spell(Kind.SILENT, f"{hour}:00", sensor="rail", worst=1.0)
        said += season.goes_on(f"{hour}:20", *silent, one)
        silent.append(one._replace(ended=at(f"{hour}:40")))
        said += season.goes_on(f"{hour}:41", *silent)
    assert [n.part for n in rings(said)] == [Part.BEGAN, Part.ENDED]
    assert "or replace it" in said[-2].body


# --- many at once ----------------------------------------------------------------------------


def everywhere(began: str, **more: object) -> list[Spell]:
    return [spell(began=began, space=name, **more) for name in SPACES]


def test_many_spaces_at_once_are_one_notice_that_names_them() -> None:
    season = Season()
    said = season.goes_on("14:20", *everywhere("14:00"))
    (one,) = rings(said)
    assert one.space is None
    assert one.place == "/"
    assert one.title == "20 spaces: hot, up to 36 °C"
    assert all(name in one.body for name in SPACES)
    assert "To do: keep the sun off" in one.body
    assert Counter(n.space for n in said) == Counter([None, *SPACES]), "each has its row"


def test_their_reminder_and_their_end_are_one_too() -> None:
    season = Season()
    hot = everywhere("14:00")
    season.goes_on("14:20", *hot)
    assert rings(season.goes_on("16:00", *hot)) == []
    (still,) = rings(season.goes_on("20:20", *hot))
    assert still.title == "20 spaces: still hot, up to 36 °C"
    cool = [s._replace(ended=at("20:40")) for s in hot]
    assert rings(season.goes_on("20:41", *cool[:19], hot[19])) == [], "one is still hot"
    (over,) = rings(season.goes_on("20:45", *cool))
    assert over.title == "Everywhere: no longer hot"
    assert season.goes_on("20:46", *cool) == []


def test_those_that_join_are_named_half_an_hour_later() -> None:
    season = Season()
    hot = everywhere("14:00")
    assert len(rings(season.goes_on("14:20", *hot[:3]))) == 1
    late = [s._replace(declared=at("14:30")) for s in hot[3:]]
    assert rings(season.goes_on("14:31", *hot[:3], *late)) == []
    (named,) = rings(season.goes_on("14:50", *hot[:3], *late))
    assert all(name in named.body for name in SPACES)


def test_two_spaces_are_told_of_each_by_its_name() -> None:
    said = Season().goes_on("14:20", *everywhere("14:00")[:2])
    assert [n.space for n in rings(said)] == SPACES[:2]


def test_at_night_many_at_once_ring_only_for_what_harms_before_morning() -> None:
    at_night = {"day": 15}
    hot = [spell(began="01:00", space=name, **at_night) for name in SPACES]
    musty = [s._replace(kind=Kind.MUSTY, worst=1.2) for s in hot]
    assert len(rings(Season().goes_on("01:20", *hot, **at_night))) == 1
    season = Season()
    assert rings(season.goes_on("01:20", *musty, **at_night)) == []
    assert len(rings(season.goes_on("07:00", *musty, **at_night))) == 1


def test_when_the_feed_is_back_many_sensors_still_silent_are_one_notice() -> None:
    season = Season()
    feed = spell(Kind.SILENT, space=None, worst=1.0)
    each = [spell(Kind.SILENT, sensor=f"rail {n}", space=n, worst=1.0) for n in SPACES[:5]]
    assert len(rings(season.goes_on("14:45", feed, *each))) == 1
    back = feed._replace(ended=at("15:00"))
    rang = rings(season.goes_on("15:05", back, *each))
    assert [n.title for n in rang] == [
        "All sensors: heard again, after 1 h",
        "Five sensors: silent",
    ]
