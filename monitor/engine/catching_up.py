"""How far the minutes of a site are folded and settled: on, back for what came late, and on again.

Minutes are folded as time goes on. When all that are over are folded, they are settled: the spells
are compared with those known before, and what is to be said is said.

What comes late or is entered later changes minutes that were folded already, so the fold goes back
and on again. Until all of that is settled too, it is "unsaid from" the minute it went back to. That
is kept in the store: a monitor that was killed meanwhile goes back there.

While a sensor's log is still coming in, what is folded up to now is held. Settled, it would tell of
a silence that the log's next line undoes.

    EMPTY       nothing was told yet
    SETTLED     all that is over was settled, or is on its way there for the first time
    AGAIN       minutes that were settled, or never were, are folded before anything is said of them
    HELD        folded up to now, and not settled yet; nothing before it is unsaid
    HELD_AGAIN  the same, with something before it unsaid

    from        BEGUN   BACK        REACHED     SETTLE
    EMPTY       AGAIN   AGAIN       -           -
    SETTLED     -       AGAIN       HELD        -
    AGAIN       -       AGAIN       HELD_AGAIN  -
    HELD        -       HELD_AGAIN  HELD        SETTLED
    HELD_AGAIN  -       HELD_AGAIN  HELD_AGAIN  SETTLED

BEGUN: the first reading came. BACK: the fold went back. REACHED: the fold came up to now.
SETTLE: it is settled. What stands as "-" is a mistake of ours, and an error.

To go far back costs a fold of everything since, so between two such goings there is a rest. What
comes in it is postponed: it too is noted as unsaid, and gone back for once the rest is over.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from enum import Enum, auto

from monitor.air import states
from monitor.air.fold import Fold, State
from monitor.air.memory import NEAR_MIN, Lateness, Recent
from monitor.air.minute import MinuteOfAir
from monitor.air.spells import Spell
from monitor.air.states import States, StatesKept, leap

# Many minutes at once; `from monitor.air.fold import through` does the same minute by minute.
from monitor.air.strides import through
from monitor.engine.effects import UNSAID_FROM, Effects
from monitor.site.spaces import Site
from monitor.site.time import MINUTE_MS

# In a replay minutes are folded in such steps of its clock; the further late readings reach back,
# the longer the step, so that nothing is folded over and over [min].
STEPS_MIN = (1, 10, 60, 360)
NEVER = -1
PACE = "replayed_until"


class Stage(Enum):
    """How far the fold and what is said of it are; see above."""

    EMPTY = auto()
    SETTLED = auto()
    AGAIN = auto()
    HELD = auto()
    HELD_AGAIN = auto()


class Event(Enum):
    """What moves it from one stage to another; see above."""

    BEGUN = auto()
    BACK = auto()
    REACHED = auto()
    SETTLE = auto()


NEXT: dict[tuple[Stage, Event], Stage] = {
    (Stage.EMPTY, Event.BEGUN): Stage.AGAIN,
    (Stage.EMPTY, Event.BACK): Stage.AGAIN,
    (Stage.SETTLED, Event.BACK): Stage.AGAIN,
    (Stage.SETTLED, Event.REACHED): Stage.HELD,
    (Stage.AGAIN, Event.BACK): Stage.AGAIN,
    (Stage.AGAIN, Event.REACHED): Stage.HELD_AGAIN,
    (Stage.HELD, Event.BACK): Stage.HELD_AGAIN,
    (Stage.HELD, Event.REACHED): Stage.HELD,
    (Stage.HELD, Event.SETTLE): Stage.SETTLED,
    (Stage.HELD_AGAIN, Event.BACK): Stage.HELD_AGAIN,
    (Stage.HELD_AGAIN, Event.REACHED): Stage.HELD_AGAIN,
    (Stage.HELD_AGAIN, Event.SETTLE): Stage.SETTLED,
}


class CatchingUp:
    """Where a site's fold is in that table, and what it has to go back for.

    live       else a replay: each minute is settled for itself, and nothing is postponed
    postponed  a minute to go back to once there is time for it; None: there is none
    """

    def __init__(self, folding: Folding, lateness: Lateness, live: bool) -> None:
        self.stage = Stage.EMPTY
        self.postponed: int | None = None
        self._folding = folding
        self._lateness = lateness
        self._live = live
        self._far = False  # the fold went far back since the last settling

    def on(self, event: Event) -> None:
        """Something happened; raises ValueError where it cannot happen now."""
        after = NEXT.get((self.stage, event))
        if after is None:
            raise ValueError(f"{event.name} cannot happen while the fold is {self.stage.name}")
        self.stage = after

    @property
    def held(self) -> bool:
        """Whether all is folded up to now, and not settled yet."""
        return self.stage in (Stage.HELD, Stage.HELD_AGAIN)

    def waited_for_a_log(self, now_ms: int) -> bool:
        """Whether the last minute was left unsettled, and can be settled now."""
        state = self._folding.state
        if state is None or not self.held or self._lateness.under_way(now_ms):
            return False
        return state.minute == now_ms // MINUTE_MS

    def rested(self, now_ms: int) -> bool:
        """Whether there is something to go back for, and time for it."""
        return self.postponed is not None and not self._lateness.resting(now_ms)

    def begin(self, minute: int, effects: Effects) -> None:
        """The first reading was taken in this minute."""
        self._folding.begin_at(minute)
        self.on(Event.BEGUN)
        self._note_unsaid(effects)

    def late(self, dirty: Sequence[int], heard_ms: int, effects: Effects) -> int | None:
        """Readings change minutes from these on: the minute to go back to now; None: none."""
        state = self._folding.state
        if state is None or not dirty:
            return None
        far = state.minute - NEAR_MIN
        if self._live and self._lateness.resting(heard_ms):
            self._postpone([minute for minute in dirty if minute < far], effects)
            dirty = [minute for minute in dirty if minute >= far]
        if not dirty:
            return None
        self._far = self._far or min(dirty) < far
        return min(dirty)

    def _postpone(self, minutes: list[int], effects: Effects) -> None:
        """Go back for these later, even after a restart."""
        if minutes and min(minutes) < (self.postponed or math.inf):
            self.postponed = min(minutes)
            self._note_unsaid(effects)

    def take_up(self, now_ms: int) -> int | None:
        """The minute that was postponed, to go back to now; None: there is none, or no time."""
        if not self.rested(now_ms):
            return None
        minute, self.postponed = self.postponed, None
        self._far = True
        return minute

    def fold_again_from(self, minute: int, first_minute: int, effects: Effects) -> int:
        """Go back, and keep in mind until all is settled that it is to be settled from there.

        The states kept on the way there know nothing of spells that ended before them.

        first_minute  where to begin where no state is kept
        returns       the minute that is folded next
        """
        began = self._folding.go_back_to(minute, first_minute).minute
        self.on(Event.BACK)
        effects.states_dropped = minute
        self._note_unsaid(effects)
        return began

    def settle(self, minute: int, now_ms: int, effects: Effects) -> None:
        """All until this minute is settled and said."""
        far = minute - self._folding.since if self._far else 0
        self._lateness.settled(now_ms, far)
        self._far = False
        effects.settled = minute
        self._folding.settle(minute)
        unsaid = self.stage is Stage.HELD_AGAIN
        self.on(Event.SETTLE)
        if unsaid:
            self._note_unsaid(effects)

    def _note_unsaid(self, effects: Effects) -> None:
        unsaid = self.stage in (Stage.AGAIN, Stage.HELD_AGAIN)
        minutes = [self._folding.since] if unsaid else []
        minutes += [] if self.postponed is None else [self.postponed]
        effects.facts.append((UNSAID_FROM, str(min(minutes)) if minutes else ""))


class Pace:
    """In a replay: the steps in which its clock has minutes folded.

    Both numbers are kept: a replay that was killed goes on at the same pace, and says the same.

    caught_up  the minute up to which all was folded
    late_from  how far back late readings reach since
    """

    def __init__(self, noted: str | None) -> None:
        self.caught_up, self.late_from = map(int, (noted or f"{NEVER} {NEVER}").split())

    def turned(self, now_minute: int) -> bool:
        """Whether the clock has come into another step, and what is over is to be folded."""
        back = self.caught_up - self.late_from
        step = next((step for step in STEPS_MIN if step >= back), STEPS_MIN[-1])
        return now_minute // step != self.caught_up // step

    def reached(self, minute: int) -> tuple[str, str]:
        """All is folded up to this minute; the fact to be noted."""
        self.caught_up = self.late_from = minute
        return self._fact

    def back(self, minute: int) -> tuple[str, str] | None:
        """What came changes minutes from this one on; the fact to be noted, None: nothing new."""
        if minute >= self.late_from:
            return None
        self.late_from = minute
        return self._fact

    @property
    def _fact(self) -> tuple[str, str]:
        return PACE, f"{self.caught_up} {self.late_from}"


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
