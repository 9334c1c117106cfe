"""Which states are in memory, and that the store is asked for older ones."""

from __future__ import annotations

from monitor.air import kept
from monitor.air.fold import State
from monitor.air.states import EACH_MIN, EVERY_MIN, KEPT_MIN, States

FIRST, LAST = 29_700_000, 29_700_100


class FullHours:
    """Keeps one state, as the store would."""

    def state_for(self, minute: int) -> bytes | None:
        return kept.dump(State(FIRST)) if minute >= FIRST else None


def folded() -> States:
    states = States(FullHours())
    for minute in range(FIRST + 1, LAST + 1):
        states.keep(State(minute))
    return states


def begun(minute: int) -> int | None:
    state = folded().before(minute)
    return state and state.minute


def test_of_the_last_minutes_each_can_be_folded_again() -> None:
    for minute in range(LAST - EACH_MIN + 1, LAST + 1):
        assert begun(minute) == minute


def test_before_them_a_few_minutes_more_are_folded_again() -> None:
    for minute in range(LAST - KEPT_MIN + EVERY_MIN, LAST - EACH_MIN + 1):
        found = begun(minute)
        assert found is not None
        assert minute - EVERY_MIN < found <= minute


def test_what_is_older_the_store_knows() -> None:
    assert begun(LAST - KEPT_MIN - EVERY_MIN) == FIRST
    assert begun(FIRST - 1) is None


def test_states_after_the_one_taken_up_hold_no_more() -> None:
    states = folded()
    states.before(LAST - 3)
    taken = states.before(LAST)
    assert taken is not None
    assert taken.minute == LAST - 3


def test_none_in_memory_holds_once_something_else_changed() -> None:
    states = folded()
    states.forget()
    taken = states.before(LAST)
    assert taken is not None
    assert taken.minute == FIRST
