"""States of the fold: kept in memory and in the store to fold on from, and leapt over long silence.

Of the last half hour some are in memory; one of each full hour goes to the store, as bytes.

A monitor that was off over the winter starts in spring with months of empty minutes behind it.
Days after the last record every hold, delay and gap is over, and an empty minute changes nothing
but the length of the silence, which the fold works out anew in every minute.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable
from typing import NamedTuple, Protocol

import msgspec

from monitor.air.fold import SpaceState, State
from monitor.air.minute import Musty
from monitor.air.neighbours import Pair, Shine, Together
from monitor.air.sensor import Faults, SensorState, held_ms
from monitor.air.spells import DailyMean, Watch
from monitor.air.still import Feed
from monitor.site.kinds import Kind
from monitor.site.spaces import Site
from monitor.site.time import MINUTE_MS

# Raised when the shape below changes: a state of another shape is not read but folded anew.
SHAPE = 3


class _Space(NamedTuple):
    watches: dict[Kind, Watch]
    hours: tuple[tuple[int, float, int], ...]
    musty: Musty


class _Plain(msgspec.Struct):
    """A state as JSON has it; what is remembered of one thing is an array there."""

    shape: int
    minute: int
    sensors: dict[str, SensorState]
    spaces: dict[str, _Space]
    silent: dict[str, Watch]
    stuck: dict[str, Watch]
    faults: tuple[Watch, Watch, int]
    feed: Feed
    pairs: list[tuple[str, str, Pair]]
    shines: dict[str, Shine]


_decoder = msgspec.json.Decoder(_Plain)


def dump(state: State) -> bytes:
    """The state as compressed JSON."""
    silent, stuck, *of_the_feed = state.faults
    plain = {
        "shape": SHAPE,
        "minute": state.minute,
        "sensors": state.sensors,
        "spaces": {
            name: (space.watches, space.humidity.hours, space.musty)
            for name, space in state.spaces.items()
        },
        "silent": silent,
        "stuck": stuck,
        "faults": of_the_feed,
        "feed": state.feed,
        "pairs": [(*names, pair) for names, pair in state.together.pairs.items()],
        "shines": state.together.shines,
    }
    return zlib.compress(msgspec.json.encode(plain), 1)


def load(kept: bytes) -> State | None:
    """The state that was dumped; None if it was kept in another shape, or is damaged."""
    try:
        plain = _decoder.decode(zlib.decompress(kept))
    except (zlib.error, msgspec.DecodeError):  # its own checksum finds every damage
        return None
    if plain.shape != SHAPE:
        return None
    return State(
        plain.minute,
        plain.sensors,
        {
            name: SpaceState(space.watches, DailyMean(space.hours), space.musty)
            for name, space in plain.spaces.items()
        },
        Faults(plain.silent, plain.stuck, *plain.faults),
        plain.feed,
        Together({(one, other): pair for one, other, pair in plain.pairs}, plain.shines),
    )


KEPT_MIN = 30
# Of the last minutes, where most late readings belong, each state; before them, as a state of forty
# sensors takes some 70 kB, only every fifth: a reading that late has up to four more folded again.
EACH_MIN, EVERY_MIN = 5, 5


class StatesKept(Protocol):
    """Where the states of the full hours are kept."""

    def state_for(self, minute: int) -> bytes | None:
        """The newest kept state that folds on from this minute or before."""


class States:
    """Where folding anew can begin."""

    def __init__(self, archive: StatesKept) -> None:
        self._archive = archive
        self._kept: list[State] = []  # in order of time

    def keep(self, state: State) -> None:
        """Remember a state that was just folded, and let go of some before it."""
        self._kept = [s for s in self._kept if _is_kept(s.minute, state.minute)]
        self._kept.append(state)

    def forget(self) -> None:
        """Something else than readings changed: those in memory hold no more."""
        self._kept.clear()

    def before(self, minute: int) -> State | None:
        """The newest state that was there before this minute was folded; None: there is none."""
        while self._kept and self._kept[-1].minute > minute:
            self._kept.pop()
        if self._kept:
            return self._kept[-1]
        kept = self._archive.state_for(minute)
        return None if kept is None else load(kept)


def _is_kept(minute: int, newest: int) -> bool:
    age = newest - minute
    return age < EACH_MIN or (age < KEPT_MIN and minute % EVERY_MIN == 0)


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
        faults=faults._replace(
            silent={name: _since(watch) for name, watch in faults.silent.items()},
            stuck={name: _since(watch) for name, watch in faults.stuck.items()},
            feed_silent=_since(faults.feed_silent),
            feed_stuck=_since(faults.feed_stuck),
        ),
    )


def _out(known: SensorState, minute: int) -> bool:
    """Whether a sensor is out of service: every minute expects it from the next one on."""
    return known.since >= minute


def _since(watch: Watch) -> Watch:
    return Watch(began=watch.began, declared=watch.declared)
