"""Many minutes at once, on arrays: what `fold.through` does minute by minute, in a fraction of the
time, and the same to the last bit."""

from __future__ import annotations

from collections.abc import Mapping

from monitor.air import fold as one_by_one
from monitor.air.fold import Fold, Folded, State, at_full_hour, doubt
from monitor.air.memory import Slice
from monitor.air.sensor import Following
from monitor.air.strides.neighbours import all_through
from monitor.air.strides.sensors import NOTHING_TOLD, Stretch, by_sensor, follow_through

# Fewer minutes, and fewer readings of each sensor, are sooner folded minute by minute; after a
# minute that cannot be folded at once, so are as many.
FEWEST_MIN, FEWEST_OF_A_SENSOR = 10, 40


def through(fold: Fold, state: State, end: int, records: Slice, following: Following) -> Folded:
    """Fold from the state's next minute up to `end`, at most.

    Sensor by sensor, then space by space. It ends before a minute in which a sensor was calibrated
    or swapped, and goes a few minutes one by one where the feed may not be in order.

    records  of all these minutes
    """
    few = records.readings < FEWEST_OF_A_SENSOR * len(fold.followers)
    at_once = None if few else _at_once(fold, state, end, records, following)
    if at_once is None:
        end = min(end, state.minute + FEWEST_MIN)
        return one_by_one.through(fold, state, end, records, following)
    return at_once


def _at_once(
    fold: Fold, state: State, end: int, records: Slice, following: Following
) -> Folded | None:
    changes = (follower.change_from(state.minute) for follower in fold.followers.values())
    end = min([end, *(minute for minute in changes if minute is not None)])
    minutes = range(state.minute, end)
    if len(minutes) < FEWEST_MIN or not state.feed.quiet:
        return None
    told = by_sensor(records)
    stretches = {
        name: follow_through(
            follower, state.sensors[name], state.feed, minutes, told.get(name, NOTHING_TOLD),
            following,
        )
        for name, follower in fold.followers.items()
    }  # fmt: skip
    if not all(map(any, zip(*(one.stirring for one in stretches.values()), strict=True))):
        return None
    whole = Folded(state, {}, [], [], [])
    for stretch in stretches.values():
        whole.flags.update(stretch.flags)
    while whole.state.minute < end:
        until = min(end, whole.state.minute // 60 * 60 + 60)
        whole = _rooms(fold, whole, until, minutes.start, stretches, records)
    return whole


def _rooms(
    fold: Fold,
    before: Folded,
    end: int,
    first: int,
    stretches: Mapping[str, Stretch],
    records: Slice,
) -> Folded:
    """Up to a full hour, or the end of the stretches; these begin with the minute `first`."""
    state, flags = before.state, before.flags
    piece = slice(state.minute - first, end - first)
    told = {name: one.told[piece] for name, one in stretches.items()}
    heard = {name: one.moist[piece] for name, one in stretches.items()}
    together, doubts = all_through(fold.neighbours, state.together, state.minute, told, heard)
    spaces, faults = state.spaces, state.faults
    for n, minute in enumerate(range(state.minute, end), piece.start):
        of_minute = {name: one.told[n] for name, one in stretches.items()}
        if minute in doubts:
            doubt(doubts[minute], of_minute, records.get(minute, {}), flags)
        pressures = {name: stretches[name].pressure_pa[n] for name in fold.barometers}
        stands = {name: one.heard[n] for name, one in stretches.items()}
        rooms = fold.rooms((spaces, faults), minute, of_minute, pressures, stands, None)
        spaces, faults = rooms.spaces, rooms.faults
        before.air.extend(rooms.air)
        before.ended.extend(rooms.ended)
    sensors = {name: one.at.get(end, one.state) for name, one in stretches.items()}
    after = State(end, sensors, spaces, faults, state.feed, together)
    return before._replace(state=after, hours=[*before.hours, *at_full_hour(after)])
