"""The transition table of spells, row by row, and its rules for gaps."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.air.spells import INSIDE, Limit, Spell, Watch, spell_of, step
from monitor.site.kinds import Kind

HOT = Limit(Kind.HOT, 32.0, 0.5, True, 20)
COLD = Limit(Kind.COLD, 5.0, 0.5, False, 120)
DAMP = Limit(Kind.DAMP, 75.0, 3.0, True, 360, 85.0, 720)
Run = list[float | None]


def told(limit: Limit, values: Run, begin: int = 1000) -> tuple[list[Spell], Spell | None]:
    """Spells that ended, and the one going on, over values minute by minute."""
    watch, ended = INSIDE, []
    for minute, value in enumerate(values, start=begin):
        watch, over = step(watch, limit, "loft", minute, value)
        if over is not None:
            ended.append(over)
    return ended, spell_of(watch, limit.kind, "loft")


def test_a_spell_begins_with_its_first_minute_and_is_declared_after_the_delay() -> None:
    assert told(HOT, [31.0] + [33.0] * 19) == ([], None)
    ended, going_on = told(HOT, [31.0] + [33.0] * 20)
    assert ended == []
    assert going_on == Spell(Kind.HOT, "loft", None, 1001, 1020, None, 33.0)


def test_the_limit_itself_is_not_past_it() -> None:
    assert told(HOT, [32.0] * 60) == ([], None)
    assert told(COLD, [5.0] * 300) == ([], None)


def test_one_minute_back_under_the_limit_begins_the_count_anew() -> None:
    assert told(HOT, [33.0] * 19 + [31.9] + [33.0] * 19) == ([], None)


def test_it_ends_in_the_first_minute_inside_the_deadband() -> None:
    (spell,), going_on = told(HOT, [33.0] * 25 + [31.8] * 5 + [34.0, 31.5, 31.0])
    assert going_on is None
    assert (spell.began, spell.ended, spell.worst) == (1000, 1031, 34.0)
    assert spell.settled == 1031


def test_below_is_the_mirror_of_above() -> None:
    (spell,), _ = told(COLD, [4.0] * 130 + [2.0] + [5.4, 5.5])
    assert (spell.began, spell.ended, spell.worst) == (1000, 1132, 2.0)


@pytest.mark.parametrize(("gap", "later"), [(60, 0), (61, 61)])
def test_a_gap_of_an_hour_counts_and_a_longer_one_does_not(gap: int, later: int) -> None:
    limit = Limit(Kind.HOT, 32.0, 0.5, True, 80)
    _, going_on = told(limit, [33.0] * 10 + [None] * gap + [33.0] * 200)
    assert going_on is not None
    assert going_on.declared == 1000 + 79 + later


def test_nothing_is_declared_in_a_gap() -> None:
    assert told(HOT, [33.0] * 10 + [None] * 50) == ([], None)


def test_a_gap_over_six_hours_closes_a_spell_at_its_last_known_minute() -> None:
    ended, going_on = told(HOT, [33.0] * 30 + [None] * 360)
    assert ended == []
    assert going_on is not None
    (spell,), going_on = told(HOT, [33.0] * 30 + [None] * 361)
    assert going_on is None
    assert (spell.began, spell.ended) == (1000, 1029)
    assert spell.settled == 1029 + 361


def test_a_gap_over_six_hours_forgets_a_waiting_watch() -> None:
    assert told(HOT, [33.0] * 15 + [None] * 361 + [33.0] * 19) == ([], None)


def test_urgent_needs_the_second_limit_long_enough_without_a_break() -> None:
    assert told(DAMP, [80.0] * 400)[1] is not None
    _, spell = told(DAMP, [86.0] * 719)
    assert spell is not None
    assert not spell.urgent
    _, spell = told(DAMP, [86.0] * 720)
    assert spell is not None
    assert spell.urgent
    _, spell = told(DAMP, [86.0] * 700 + [84.0] + [86.0] * 700)
    assert spell is not None
    assert not spell.urgent


@given(st.lists(st.one_of(st.none(), st.floats(20, 45)), max_size=900))
def test_every_spell_is_a_run_past_its_limit(values: Run) -> None:
    """Whatever comes: spells do not overlap, and hold no minute that was inside again."""
    ended, going_on = told(HOT, values, 0)
    spells = ended + ([going_on] if going_on else [])
    end_before = -1
    for spell in spells:
        assert spell.began > end_before
        until = len(values) if spell.ended is None else spell.ended
        known = [v for v in values[spell.began : until] if v is not None]
        assert known
        assert all(v > HOT.value - HOT.deadband for v in known)
        assert spell.worst == max(known[: spell.declared - spell.began + 1] + known)
        assert values[spell.began] is not None
        end_before = until - 1


def test_a_watch_starts_with_nothing() -> None:
    assert Watch() == INSIDE
    assert spell_of(INSIDE, Kind.HOT, "loft") is None
