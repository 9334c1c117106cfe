"""What reaches the phone, when and how often."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.air.spells import Spell, compare, key_of
from monitor.notices.notice import THIS_SPELL_MS, Circumstances, Notice, Part, Said, Weight
from monitor.notices.sentences import upkeep
from monitor.notices.spell_rules import (
    Policy,
    decide,
    deliver_at,
    rings_at_night,
)
from monitor.site.kinds import Kind
from monitor.site.spaces import Limits, Site, Space, Use
from monitor.site.time import MINUTE_MS

ZONE = "Europe/London"
LIMITS = Limits(hot_c=32, damp_pct=75, damp_now_pct=85, sun_lux=3000)
SITE = Site(
    "Fernhollow",
    52.1,
    -3.4,
    210,
    ZONE,
    "°C",
    {name: Space(name, Use.HANGING, LIMITS) for name in ("granary", "attic", "kiln", "mill")},
    {},
)
AROUND = Circumstances(SITE, 100_000.0)
POLICY = Policy()


def at(clock: str, day: int = 14) -> int:
    """Minutes of a summer's day at the site."""
    hour, minute = map(int, clock.split(":"))
    then = datetime(2026, 7, day, hour, minute, tzinfo=ZoneInfo(ZONE))
    return int(then.timestamp()) // 60


def spell(kind: Kind = Kind.HOT, began: str = "14:00", day: int = 14, **more: object) -> Spell:
    start = at(began, day)
    base = Spell(kind, "granary", None, start, start + 20, None, 36.0)
    return base._replace(**more)  # type: ignore[arg-type]


class Season:
    """An engine in small: spells as they stand, and the book as the store would keep it."""

    def __init__(self, policy: Policy = POLICY) -> None:
        self.policy = policy
        self.spells: list[Spell] = []
        self.said = Said()

    def goes_on(self, clock: str, *spells: Spell, day: int = 14) -> list[Notice]:
        changes = compare(self.spells, spells)
        now_ms = at(clock, day) * MINUTE_MS
        said = decide(changes, self.said, self.policy, AROUND, now_ms)
        self.spells = list(spells)
        self.said = self.said.rekeyed(changes.moved).with_notices(said)
        return said

    def marks_last(self, **what: int) -> None:
        *before, last = self.said.rows
        self.said = Said((*before, last._replace(**what)))


def told(notices: list[Notice]) -> list[tuple[str, str]]:
    return [(n.part, n.weight.value) for n in notices]


# --- the story of one spell -----------------------------------------------------------------


def test_beginning_reminder_and_end() -> None:
    season, hot = Season(), spell()
    assert told(season.goes_on("14:20", hot)) == [("began", "now")]
    assert season.goes_on("14:21", hot) == []
    assert season.goes_on("20:19", hot) == []
    assert told(season.goes_on("20:20", hot)) == [("reminder", "now")]
    end = season.goes_on("20:41", hot._replace(ended=at("20:40")))
    assert told(end) == [("ended", "soon")]
    assert "6 h 40 min" in end[0].title
    assert "Highest: 36 °C" in end[0].body
    assert season.goes_on("20:42", hot._replace(ended=at("20:40"))) == []


def test_no_reminder_once_seen_but_the_end_is_told() -> None:
    season, hot = Season(), spell()
    season.goes_on("14:20", hot)
    season.marks_last(seen_ms=at("14:25") * MINUTE_MS)
    assert season.goes_on("20:20", hot) == []
    assert told(season.goes_on("20:41", hot._replace(ended=at("20:40")))) == [("ended", "soon")]


def test_what_was_long_over_when_first_known_is_a_note() -> None:
    season = Season()
    over = spell(began="09:00", ended=at("11:30"))
    said = season.goes_on("18:00", over)
    assert told(said) == [("ended", "note")]
    assert "afterwards" in said[0].body
    assert season.goes_on("18:01", over) == []


def test_what_late_data_undid_is_taken_back_in_words() -> None:
    season, hot = Season(), spell()
    season.goes_on("14:20", hot)
    back = season.goes_on("16:00")
    assert told(back) == [("taken back", "soon")]
    assert "mistaken" in back[0].body
    assert season.goes_on("16:01") == []
    assert told(season.goes_on("16:30", hot)) == [("began", "now")], "and should it stand after all"


def test_what_was_only_noted_is_taken_back_as_a_note() -> None:
    season = Season()
    season.goes_on("18:00", spell(began="09:00", ended=at("11:30")))
    assert told(season.goes_on("18:30")) == [("taken back", "note")]


def test_damp_that_becomes_urgent_is_told_again() -> None:
    season, damp = Season(), spell(Kind.DAMP, worst=80.0)
    assert told(season.goes_on("20:00", damp)) == [("began", "soon")]
    assert told(season.goes_on("20:30", damp._replace(urgent=True))) == [("worse", "now")]
    assert season.goes_on("20:31", damp._replace(urgent=True)) == []


def test_cold_is_only_noted() -> None:
    season, cold = Season(), spell(Kind.COLD, worst=2.0)
    assert told(season.goes_on("15:00", cold)) == [("began", "note")]
    assert season.goes_on("23:00", cold, day=16) == []
    over = cold._replace(ended=at("08:00", 17))
    assert told(season.goes_on("08:00", over, day=17)) == [("ended", "note")]


def test_what_spoils_slowly_is_reminded_of_once_a_day() -> None:
    season, musty = Season(), spell(Kind.MUSTY, worst=1.2)
    season.goes_on("14:20", musty)
    assert season.goes_on("21:00", musty) == []
    assert season.goes_on("14:19", musty, day=15) == []
    assert told(season.goes_on("14:20", musty, day=15)) == [("reminder", "now")]


# --- night rest, cap, pause, whole feed -----------------------------------------------------


def test_at_night_only_what_harms_before_morning_rings() -> None:
    for kind, urgent, rings in [
        (Kind.HOT, False, True),
        (Kind.DEWY, False, True),
        (Kind.DAMP, True, True),
        (Kind.DAMP, False, False),
        (Kind.MUSTY, False, False),
        (Kind.ARID, False, False),
        (Kind.SUNNY, False, False),
        (Kind.SILENT, False, False),
    ]:
        s = spell(kind, "23:00", urgent=urgent, sensor="rail" if kind is Kind.SILENT else None)
        said = Season().goes_on("02:00", s, day=15)
        assert len(said) == 1, "it has its row at once"
        assert (said[0].weight is not Weight.NOTE) == rings, kind
        now_ms = at("02:00", 15) * MINUTE_MS
        assert deliver_at(said[0], POLICY, ZONE) == (now_ms if rings else None)


def test_what_the_night_held_back_rings_in_the_morning_if_it_still_stands() -> None:
    season, damp = Season(), spell(Kind.DAMP, "22:00", worst=80.0)
    assert told(season.goes_on("02:00", damp, day=15)) == [("began", "note")]
    assert season.goes_on("06:59", damp, day=15) == []
    assert told(season.goes_on("07:00", damp, day=15)) == [("reminder", "soon")]
    assert season.goes_on("07:01", damp, day=15) == []


def test_what_was_over_before_morning_stays_a_note() -> None:
    season, damp = Season(), spell(Kind.DAMP, "22:00", worst=80.0)
    season.goes_on("02:00", damp, day=15)
    over = damp._replace(ended=at("05:00", 15))
    assert told(season.goes_on("05:00", over, day=15)) == [("ended", "note")]
    assert season.goes_on("07:00", over, day=15) == []


def test_past_the_daily_cap_only_the_first_urgent_one_of_a_kind_and_space_rings() -> None:
    season = Season(Policy(daily_cap=1))
    damp, arid = spell(Kind.DAMP, "10:00"), spell(Kind.ARID, "10:05")
    assert told(season.goes_on("10:10", damp, arid)) == [("began", "soon"), ("began", "note")]
    elsewhere = spell(Kind.ARID, "10:10", space="attic")
    assert told(season.goes_on("10:20", damp, arid, elsewhere)) == [("began", "soon")]
    hot = spell(began="10:30")
    assert told(season.goes_on("10:50", damp, arid, elsewhere, hot)) == [("began", "now")]
    over, again = hot._replace(ended=at("12:00")), spell(began="13:00")
    assert told(season.goes_on("12:01", damp, arid, elsewhere, over)) == [("ended", "note")]
    said = season.goes_on("13:20", damp, arid, elsewhere, over, again)
    assert told(said) == [("began", "note")], "the second within six hours"
    said = season.goes_on("16:50", damp, arid, elsewhere, over, again)
    assert told(said) == [("reminder", "now")], "the first in six hours"
    again = again._replace(ended=at("18:00"))
    season.goes_on("18:01", damp, arid, elsewhere, over, again)
    said = season.goes_on("10:10", damp, arid, elsewhere, over, again, day=15)
    assert ("reminder", "soon") in told(said), "each day has its own"


def test_what_the_cap_held_back_rings_the_next_day_if_it_still_stands() -> None:
    season = Season(Policy(daily_cap=0))
    arid = spell(Kind.ARID, worst=24.0)
    assert told(season.goes_on("14:20", arid)) == [("began", "note")]
    season.policy = Policy(daily_cap=1)
    assert told(season.goes_on("09:00", arid, day=15)) == [("reminder", "soon")]


@pytest.mark.parametrize(("how_long", "until"), [("hour", "15:25"), ("day", None)])
def test_a_pause_holds_this_kind_in_this_space(how_long: str, until: str | None) -> None:
    season, hot = Season(Policy(reminder_every_min=30)), spell()
    season.goes_on("14:20", hot)
    season.marks_last(
        paused_until_ms=at("14:25") * MINUTE_MS + {"hour": 60, "day": 1440}[how_long] * MINUTE_MS
    )
    assert season.goes_on("15:24", hot) == []
    if until is not None:
        assert told(season.goes_on(until, hot)) == [("reminder", "now")]
    else:
        again = spell(began="19:00")
        done = hot._replace(ended=at("18:00"))
        assert told(season.goes_on("19:20", done, again)) == [("ended", "note"), ("began", "note")]
        assert season.goes_on("14:24", done, again, day=15) == []
        assert told(season.goes_on("14:25", done, again, day=15)) == [("reminder", "now")]


def test_a_pause_for_this_spell_ends_with_it() -> None:
    season, hot = Season(Policy(reminder_every_min=30)), spell()
    season.goes_on("14:20", hot)
    season.marks_last(paused_until_ms=THIS_SPELL_MS)
    assert season.goes_on("20:20", hot) == []
    done, again = hot._replace(ended=at("20:30")), spell(began="20:40")
    assert told(season.goes_on("21:00", done, again)) == [("ended", "note"), ("began", "now")]


def test_a_pause_asked_for_at_a_mild_notice_does_not_cover_the_urgent_one() -> None:
    season, damp = Season(), spell(Kind.DAMP, worst=80.0)
    season.goes_on("20:00", damp)
    season.marks_last(paused_until_ms=THIS_SPELL_MS)
    assert told(season.goes_on("20:30", damp._replace(urgent=True))) == [("worse", "now")]


def test_a_whole_feed_is_one_ring() -> None:
    season = Season()
    feed = spell(Kind.SILENT, space=None, worst=1.0)
    each = [
        spell(Kind.SILENT, sensor=f"rail-{n}", space=space)
        for n, space in enumerate(("granary", "attic"))
    ]
    said = season.goes_on("14:45", feed, *each)
    assert sorted(told(said)) == [("began", "note"), ("began", "note"), ("began", "now")]
    heard = feed._replace(ended=at("15:00"))
    later = season.goes_on("15:05", heard, *each)
    assert ("reminder", "soon") in told(later), "a sensor that stays silent is told of then"


@pytest.mark.parametrize(
    ("clock", "day", "first_try"),
    [("12:00", 14, ("12:00", 14)), ("22:00", 14, ("07:00", 15)), ("06:59", 15, ("07:00", 15))],
)
def test_other_messages_wait_for_the_morning(
    clock: str, day: int, first_try: tuple[str, int]
) -> None:
    now_ms = at(clock, day) * MINUTE_MS
    notice = upkeep.disk_full(now_ms)
    assert deliver_at(notice, POLICY, ZONE) == at(*first_try) * MINUTE_MS


def test_the_night_rest_ends_by_the_clock_on_the_wall_when_clocks_change() -> None:
    """Clocks went back in the United Kingdom on 25 October 2026 (last Sunday of October)."""
    evening = int(datetime(2026, 10, 24, 22, 0, tzinfo=ZoneInfo(ZONE)).timestamp() * 1000)
    notice = upkeep.disk_full(evening)
    first_try = deliver_at(notice, POLICY, ZONE)
    assert first_try is not None
    assert datetime.fromtimestamp(first_try / 1000, UTC) == datetime(2026, 10, 25, 7, tzinfo=UTC)


def test_a_rest_within_one_day_is_understood() -> None:
    policy = Policy(night_rest_from=60, night_rest_until=300)
    assert policy.resting(at("02:00") * MINUTE_MS, ZONE)
    assert not policy.resting(at("05:00") * MINUTE_MS, ZONE)
    assert not policy.resting(at("23:00") * MINUTE_MS, ZONE)


def test_no_rest_at_all_is_understood() -> None:
    policy = Policy(night_rest_from=0, night_rest_until=0)
    assert not any(policy.resting(at(f"{h}:00") * MINUTE_MS, ZONE) for h in range(24))


# --- late data ------------------------------------------------------------------------------


def test_a_beginning_that_late_data_moved_is_the_same_spell() -> None:
    season, hot = Season(), spell()
    season.goes_on("14:20", hot)
    earlier = hot._replace(began=at("13:10"))
    assert season.goes_on("14:40", earlier) == []
    assert {t.notice.spell_began for t in season.said.rows} == {at("13:10")}


def test_two_spells_that_late_data_joined_are_not_told_again() -> None:
    season = Season()
    one, two = spell(began="10:00", ended=at("11:00")), spell(began="12:00")
    season.goes_on("10:20", one._replace(ended=None))
    season.goes_on("12:20", one, two)
    assert season.goes_on("13:00", one._replace(ended=None)) == []
    assert {t.notice.spell_began for t in season.said.rows} == {at("10:00")}


def test_what_late_data_split_off_is_a_note() -> None:
    season, hot = Season(), spell(began="10:00")
    season.goes_on("10:20", hot)
    first, second = hot._replace(ended=at("11:00")), spell(began="13:00", ended=at("15:00"))
    said = season.goes_on("16:00", first, second)
    assert {(n.part, n.weight, n.spell_began) for n in said} == {
        (Part.ENDED, Weight.SOON, at("10:00")),
        (Part.ENDED, Weight.NOTE, at("13:00")),
    }


def test_an_end_known_together_with_the_next_spell_is_not_the_next_spell() -> None:
    """After an outage the readings of hours come at once."""
    season, hot = Season(), spell()
    season.goes_on("14:20", hot)
    moved = hot._replace(began=at("13:40"), ended=at("15:00"))
    said = season.goes_on("19:30", moved, spell(began="19:00"))
    assert [(n.part, n.spell_began) for n in said] == [
        ("ended", at("13:40")),
        ("began", at("19:00")),
    ]


def test_a_notice_that_tells_of_no_spell_is_never_renamed() -> None:
    said = Said().with_notices([upkeep.disk_full(0)])
    assert said.rekeyed([(spell(), 2)]) == said


def test_different_kinds_and_places_are_never_the_same_spell() -> None:
    hot = spell()
    for other in (hot._replace(kind=Kind.DAMP), hot._replace(space="attic")):
        changes = compare([hot], [other])
        assert changes.removed == (hot,)
        assert changes.added == (other,)


# --- whatever the order, the restarts and the caps ------------------------------------------

_SPELL = st.builds(
    lambda kind, space, began, lasts, urgent: Spell(
        kind,
        space,
        "rail" if kind is Kind.SILENT else None,
        at("00:00") + began,
        at("00:00") + began + 10,
        None if lasts is None else at("00:00") + began + lasts,
        36.0,
        urgent and kind is Kind.DAMP,
    ),
    st.sampled_from([Kind.HOT, Kind.DAMP, Kind.SUNNY, Kind.SILENT, Kind.COLD]),
    st.sampled_from(["granary", "attic", "kiln", "mill"]),
    st.integers(0, 4000),
    st.one_of(st.none(), st.integers(1, 2000)),
    st.booleans(),
)


def _apart(spells: list[Spell]) -> list[Spell]:
    """At most one spell of a kind and place at a time, as they are found."""
    kept: list[Spell] = []
    for s in sorted(spells, key=lambda s: s.began):
        before = [k for k in kept if (k.kind, k.space) == (s.kind, s.space)]
        if all(k.ended is not None and k.ended < s.began for k in before):
            kept.append(s)
    return kept


@given(
    worlds=st.lists(st.lists(_SPELL, max_size=8).map(_apart), min_size=1, max_size=5),
    steps=st.lists(st.integers(1, 700), min_size=5, max_size=5),
    cap=st.integers(0, 3),
)
def test_every_spell_that_stands_has_its_row(
    worlds: list[list[Spell]], steps: list[int], cap: int
) -> None:
    """Late data turn one set of spells into another, at any time of day, and the program restarts
    between: it has only what it committed."""
    policy, kept, before = Policy(daily_cap=cap), Said(), list[Spell]()
    now = at("00:00")
    for world, step in zip(worlds, steps, strict=False):
        now += step
        changes = compare(before, world)
        said = decide(changes, kept, policy, AROUND, now * MINUTE_MS)
        left = {key_of(s) for s, _ in changes.moved}
        assert not any(key_of(s._replace(began=new)) in left for s, new in changes.moved)
        kept = kept.rekeyed(changes.moved).with_notices(said)
        again = decide(compare(world, world), kept, policy, AROUND, now * MINUTE_MS)
        assert again == [], "asked again, it has nothing new to say"
        before = world
    rows = {
        (t.notice.kind, t.notice.space, t.notice.spell_began)
        for t in kept.rows
        if t.notice.part != Part.TAKEN_BACK
    }
    for s in before:
        assert (s.kind, s.space, s.began) in rows
        assert kept.said_of(key_of(s))[-1].notice.part != Part.TAKEN_BACK


def test_the_same_spells_are_told_whatever_is_asked_first() -> None:
    spells = _apart(
        [
            spell(kind, f"{hour}:00", ended=at(f"{hour}:40"))
            for kind in (Kind.HOT, Kind.DAMP, Kind.SUNNY)
            for hour in range(8, 20)
        ]
    )
    at_once = Season().goes_on("21:00", *reversed(spells))
    ordered = Season().goes_on("21:00", *sorted(spells))
    assert at_once == ordered


def test_urgency_at_night_is_read_from_the_row_alone() -> None:
    assert rings_at_night("damp", Weight.NOW)
    assert not rings_at_night("damp", Weight.SOON)
    assert not rings_at_night("hot", Weight.NOTE)
    assert not rings_at_night("store", Weight.NOW)


# --- the day's line and the digest ----------------------------------------------------------


def test_the_digest_gathers_what_did_not_ring_since_the_last_one() -> None:
    season = Season()
    assert upkeep.digest(season.said.rows, "Fernhollow", at("18:30") * MINUTE_MS) is None
    season.goes_on("15:00", spell(Kind.COLD, worst=2.0), spell())
    first = upkeep.digest(season.said.rows, "Fernhollow", at("18:30") * MINUTE_MS)
    assert first is not None
    assert "cold" in first.body
    assert "hot" not in first.body, "that one rang"
    season.said = season.said.with_notices([first])
    assert upkeep.digest(season.said.rows, "Fernhollow", at("18:30", 15) * MINUTE_MS) is None


def test_all_well_is_said_only_if_it_is() -> None:
    now_ms = at("07:30") * MINUTE_MS
    assert "all well" not in upkeep.all_well([spell()], AROUND, now_ms).title
    assert "hot" in upkeep.all_well([spell()], AROUND, now_ms).body
    assert "all well" not in upkeep.all_well([], AROUND, now_ms).title, "nothing is measured"
