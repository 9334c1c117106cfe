"""How far the minutes of a site are folded: on, by one or by many at once, and back."""

from __future__ import annotations

from collections.abc import Sequence

from monitor.air import states
from monitor.air.fold import Fold, State
from monitor.air.memory import Recent
from monitor.air.minute import MinuteOfAir
from monitor.air.spells import Spell
from monitor.air.states import States, StatesKept, leap

# Many minutes at once; `from monitor.air.fold import through` does the same minute by minute.
from monitor.air.strides import through
from monitor.engine.effects import Effects
from monitor.site.spaces import Site


class Folding:
    """The newest state, and what came of the minutes since the last settling.

    fold     how a minute is folded; another one when something about a sensor is changed
    settled  the minute up to which spells and notices were settled; 0: never
    replay   each minute is settled for itself

    state    None: nothing was told yet
    since    the lowest minute folded since the last settling
    ended    the spells that ended since then
    air      of each space, in the last minute folded
    """

    def __init__(
        self,
        site: Site,
        fold: Fold,
        recent: Recent,
        archive: StatesKept,
        settled: int,
        replay: bool,
    ) -> None:
        self.fold = fold
        self.settled = settled
        self.state: State | None = None
        self.since = 0
        self.ended: list[Spell] = []
        self.air: dict[str, MinuteOfAir] = {}
        self._site = site
        self._recent = recent
        self._states = States(archive)
        self._replay = replay

    def begin_at(self, minute: int) -> None:
        """The first reading was taken in this minute."""
        self.state = self.fold.fit(State(minute))
        self.since = minute

    def go_back_to(self, minute: int, first_minute: int) -> State:
        """Take up the newest state that was there before a minute was folded.

        first_minute  where to begin if there is none
        """
        self._recent.stale()  # flags were given since it was read
        self.state = state = self.fold.fit(self._states.before(minute) or State(first_minute))
        self.since = min(self.since or state.minute, state.minute)
        self.ended = [s for s in self.ended if (s.settled or 0) < state.minute]
        return state

    def fold_otherwise(self, fold: Fold) -> None:
        """Something else than readings changed: the states in memory hold no more."""
        self.fold = fold
        self._states.forget()

    def settle(self, minute: int) -> None:
        """All until this minute is settled."""
        self.settled = self.since = minute
        self.ended = []

    def go_on(self, state: State, reach: int, most: int, effects: Effects) -> State:
        """Fold the next minute; of what is read back from the store, some hours at once.

        reach  UTC epoch minute up to which minutes are over
        most   of the minutes at once, or the hours in which they end
        """
        stored = self._recent.stored(state.minute)
        if stored is None:
            folded = self.fold.step(
                state, self._recent.minute(state.minute), self._recent.following
            )
        else:
            end = self._end_of(state.minute, stored.end, reach, most)
            folded = through(self.fold, state, end, stored, self._recent.following)
        for (time_ms, sensor, quantity), flags in folded.flags.items():
            effects.flags.append((time_ms, sensor, quantity, flags))
            self._recent.reflag(time_ms, sensor, quantity, flags)
        end = folded.state.minute
        effects.refolded += range(state.minute, min(end, self.settled))
        effects.air.extend(folded.air)
        self.air = {air.space: air for air in folded.air if air.minute == end - 1}
        self.ended.extend(folded.ended)
        self.state = folded.state
        self._states.keep(folded.state)
        effects.states += [(hour.minute, states.dump(hour)) for hour in folded.hours]
        self._recent.forget_before(end)
        return folded.state

    def _end_of(self, minute: int, stored_until: int, reach: int, most: int) -> int:
        """Up to where to fold at once what is read back: full hours if it can be."""
        end = min(reach, stored_until, (minute + max(60, most)) // 60 * 60)
        return max(min(end, self.settled) if self._replay else end, minute + 1)

    def leap(self, before: State, after: State, target: int, changed: Sequence[int]) -> None:
        """After a minute in which no space had air: go on to the next with a reading, if all that
        until then happens is that time passes.

        before, after  the states before and after that minute
        changed        UTC epoch minutes at which something about a sensor changed
        """
        told = self._recent.next_minute(before.minute)
        end = target if told is None else min(told, target)
        self.state = leap(self._site, before, after, end, changed)
