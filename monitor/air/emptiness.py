"""Long stretches without a reading: nothing comes to pass in them, so the fold leaps over them.

A monitor that was off over the winter starts in spring with months of empty minutes behind it.
Days after the last record every hold, delay and gap is over, and an empty minute changes nothing
but the length of the silence, which the fold works out anew in every minute.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from monitor.air.faults import Faults, held_ms
from monitor.air.fold import State
from monitor.air.sensor import SensorState
from monitor.air.spells import Watch
from monitor.site.spaces import Site
from monitor.site.time import MINUTE_MS

# Longer than the mean of a day, than the gap that closes a spell, than any sensor stands still.
_SETTLES_MIN = 3 * 24 * 60
LEAPS_FROM_MIN = 120  # a shorter stretch is folded


def leap(site: Site, before: State, after: State, end: int, stops: Iterable[int]) -> State:
    """The state before the last empty minute, if nothing happens until then; else `after`.

    before, after  of one empty minute
    end            the first minute that has a record, or that is not over
    stops          minutes in which something is entered
    """
    last = min([end, *(stop for stop in stops if stop >= after.minute)]) - 1
    if last - after.minute < LEAPS_FROM_MIN or after.minute < _settled(site, after):
        return after
    if _resting(before) != _resting(after):
        return after
    return after._replace(minute=last)


def _settled(site: Site, state: State) -> int:
    """The minute from which on the silence has had all its consequences."""
    waits = [0]
    for name, sensor in site.sensors.items():
        known = state.sensors[name]
        if _out(known, state.minute):
            continue
        last = max(known.since, (known.last_ms or 0) // MINUTE_MS)
        delay = site.spaces[sensor.space].delays.silent
        waits.append(last + held_ms(sensor.every_s) // MINUTE_MS + delay)
    return max(waits) + _SETTLES_MIN


def _resting(state: State) -> State:
    """The state without what counts on with every minute, and counts from its beginning."""
    faults = state.faults
    return state._replace(
        minute=0,
        sensors={
            name: known._replace(since=0) if _out(known, state.minute) else known
            for name, known in state.sensors.items()
        },
        spaces={
            name: space._replace(musty=space.musty._replace(hour=0))
            for name, space in state.spaces.items()
        },
        faults=Faults(
            _begun(faults.silent),
            _begun(faults.stuck),
            _since(faults.feed_silent),
            _since(faults.feed_stuck),
            faults.feed_back,
        ),
    )


def _out(known: SensorState, minute: int) -> bool:
    """Whether a sensor is out of service: every minute expects it from the next one on."""
    return known.since >= minute


def _begun(watches: Mapping[str, Watch]) -> dict[str, Watch]:
    return {name: _since(watch) for name, watch in watches.items()}


def _since(watch: Watch) -> Watch:
    return Watch(began=watch.began, declared=watch.declared)
