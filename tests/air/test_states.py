"""Which states are in memory, and that the store is asked for older ones."""

from __future__ import annotations

import json
import zlib

from monitor.air import states
from monitor.air.fold import State
from monitor.air.neighbours import Pair
from monitor.air.quality import Level
from monitor.air.spells import DailyMean
from monitor.air.states import EACH_MIN, EVERY_MIN, KEPT_MIN, States
from monitor.air.still import Feed, Pulse
from monitor.site.kinds import Kind
from monitor.site.quantities import Quantity

FIRST, LAST = 29_700_000, 29_700_100


class FullHours:
    """Keeps one state, as the store would."""

    def state_for(self, minute: int) -> bytes | None:
        return states.dump(State(FIRST)) if minute >= FIRST else None


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


def test_a_state_kept_by_an_earlier_version_is_read() -> None:
    """As it lies in stores since shape 3: an array for what is remembered of one thing."""
    pulse = [20.5, 61.0, None, 5, -1, 9, 60000, 7, 8, 0.1, 1.0, None, False]
    plain = {
        "shape": 3,
        "minute": FIRST,
        "sensors": {
            "rail": [FIRST - 9, [[20.5, 5], None, pulse], {"humidity": [9, 61.0]}, 9, None],
        },
        "spaces": {
            "loft": [
                {"hot": [FIRST - 3, None, 33.5, FIRST - 1, 0, None, False]},
                [[495000, 120.5, 2]],
                [[0.25, 1.5], 495000, 2, 40.5, 120.5],
            ]
        },
        "silent": {"rail": [None, None, 0.0, 0, 0, None, False]},
        "stuck": {},
        "faults": [[FIRST, None, 0.0, 0, 0, None, False], [None, None, 0.0, 0, 0, None, False], 7],
        "feed": [FIRST, None, 3],
        "pairs": [["peg", "rail", [1.5, 2.5, 3, None]]],
        "shines": {"rail": [0.5, 0.25, 4, FIRST]},
    }
    state = states.load(zlib.compress(json.dumps(plain).encode()))
    assert state is not None
    assert states.load(states.dump(state)) == state
    assert state.sensors["rail"].track.temperature == Level(20.5, 5)
    assert state.sensors["rail"].track.pulse == Pulse(*pulse)
    assert state.sensors["rail"].held == {Quantity.HUMIDITY: (9, 61.0)}
    assert state.spaces["loft"].watches[Kind.HOT].worst == 33.5
    assert state.spaces["loft"].humidity == DailyMean(((495000, 120.5, 2),))
    assert state.spaces["loft"].musty.sum_c == 40.5
    assert (state.faults.feed_silent.began, state.faults.feed_back) == (FIRST, 7)
    assert state.feed == Feed(FIRST, None, 3)
    assert state.together.pairs["peg", "rail"] == Pair(1.5, 2.5, 3)
    assert state.together.shines["rail"].since == FIRST
    assert states.load(zlib.compress(json.dumps(plain | {"shape": 2}).encode())) is None
