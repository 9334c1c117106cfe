"""The engine: events in, effects out. It owns what is remembered between them.

`receive` takes messages, `enter` what people enter, `advance` folds the minutes that are over.
Each returns the effects to be written before the next call: the engine reads older readings back
from the store, so the store must hold what it was told. After a failed write the engine is
thrown away and made anew from the store.
"""

from __future__ import annotations

from collections.abc import Iterable

from monitor.ahead.lesson import Lesson
from monitor.ahead.look import Foresight
from monitor.air.fold import Fold, State
from monitor.air.memory import Recent
from monitor.air.states import LEAPS_FROM_MIN
from monitor.drying.prospects import Prospects
from monitor.drying.scales import Calibrated
from monitor.drying.standing import Standings
from monitor.engine.catching_up import NEVER, PACE, CatchingUp, Event, Folding, Pace
from monitor.engine.effects import UNSAID_FROM, Archive, Effects, Snapshot
from monitor.engine.intake import Intake
from monitor.engine.round import LOOK_EVERY_MIN, TELL_EVERY_MIN, HourRound
from monitor.entries.entries import Calibration, Request, Service
from monitor.entries.logbook import CrispSpan, Entered, Logbook, first_change
from monitor.intake.payloads import Message
from monitor.notices.notice import Circumstances, Notice
from monitor.notices.once_rules import BatchRules, SoonRules
from monitor.notices.settlement import Settler
from monitor.notices.spell_rules import Policy
from monitor.science.moist_air import standard_pressure
from monitor.site.flowers import Book
from monitor.site.quantities import Reading
from monitor.site.spaces import Site
from monitor.site.time import DAY_MS, MINUTE_MS

SOON_KEPT_MS = 3 * DAY_MS


class Engine:
    """All that happens in the rooms of one site.

    book              what is known of each flower
    replay_until_ms   the clock is the readings themselves, up to this time; None: live
    """

    def __init__(
        self,
        site: Site,
        policy: Policy,
        book: Book,
        archive: Archive,
        replay_until_ms: int | None = None,
    ) -> None:
        self._site = site
        self._archive = archive
        self._logbook = Logbook(site, book.words(), archive.entries())
        standings = Standings(book, archive, Calibrated(archive, self._logbook))
        self._foresight = Foresight(site, archive)
        self._teller = Settler(site, policy, archive)
        self._until_ms = replay_until_ms
        newest = archive.newest_ms()
        self._round = HourRound(
            Prospects(standings, site.hanging()),
            self._foresight,
            BatchRules(site, book, archive.said),
            SoonRules(archive.foretold_since((newest or 0) - SOON_KEPT_MS)),
            self._teller,
            archive.last_said(),
        )
        self._recent = Recent(archive, 0 if newest is None else newest // MINUTE_MS + 1)
        self._intake = Intake(site, self._logbook, self._recent, archive, replay_until_ms)
        self._lateness = self._intake.lateness
        self._folding = Folding(
            site,
            self._new_fold(),
            self._recent,
            archive,
            archive.settled() or 0,
            replay=replay_until_ms is not None,
        )
        self._catching_up = CatchingUp(self._folding, self._lateness, replay_until_ms is None)
        self._pace = Pace(archive.fact(PACE))
        # Entries that came back with a backup may have been about notices.
        self._anew = Effects(**self._teller.answer(self._logbook.standing)._asdict())
        if newest is not None:
            began = self._folding.go_back_to(
                self._unsaid_from(newest // MINUTE_MS), self._first_minute(newest // MINUTE_MS)
            )
            self._catching_up.on(Event.BACK)
            self._round.forget_since(began.minute)
            self._doubt_what_is_old(newest)

    @property
    def _state(self) -> State | None:
        return self._folding.state

    def _unsaid_from(self, newest: int) -> int:
        """The minute from which an earlier run had not settled everything."""
        noted = int(self._archive.fact(UNSAID_FROM) or 0)
        return min([minute for minute in (noted, self._folding.settled) if minute], default=newest)

    def _doubt_what_is_old(self, newest_ms: int) -> None:
        """What an earlier run said before it had worked out anew what it learned."""
        said_ms = self._round.said_ms
        entered_ms = max((entry.made_ms for entry in self._logbook.entries), default=0)
        open_ms = self._unsaid_from(newest_ms // MINUTE_MS) * MINUTE_MS
        if self._until_ms is None and not entered_ms < said_ms <= open_ms:
            self._doubt(max(newest_ms, entered_ms))

    # -- time -------------------------------------------------------------------------------------

    def now_ms(self, wall_ms: int) -> int:
        """Now: the wall's time, or in a replay the readings' own, up to where it ends."""
        return self._intake.now_ms(wall_ms)

    @property
    def first_ms(self) -> int | None:
        """Time of the oldest usable reading [UTC epoch ms]."""
        return self._intake.first_ms

    @property
    def held_min(self) -> int:
        """Minutes with readings in memory: the last, and those that wait to be folded."""
        return self._recent.held_min

    @property
    def flooding(self) -> str | None:
        """The sensor that tells most, where far more comes than sensors should tell."""
        return self._recent.flooding

    @property
    def turned(self) -> bool:
        """In a replay: its clock has come into another step, and what is over is to be folded."""
        if self._until_ms is None or self._state is None:
            return False
        return self._pace.turned(self.now_ms(0) // MINUTE_MS)

    @property
    def holds_back(self) -> bool:
        """In a replay: late readings wait with the rest until the clock goes on.

        So a replay says the same whatever pieces its messages come in.
        """
        return self._until_ms is not None and not self.turned

    def catch_up(self) -> None:
        """In a replay: nothing comes any more that would move its clock; hold back no longer."""
        self._pace.caught_up = NEVER

    def behind(self, now_ms: int) -> bool:
        """Whether minutes that are over still wait to be folded."""
        catching_up = self._catching_up
        if catching_up.waited_for_a_log(now_ms) or catching_up.rested(now_ms):
            return True
        if self._round.waits or self._to_say_again(now_ms):
            return True
        return self._state is not None and self._state.minute < self._lateness.reach(now_ms)

    @property
    def considering(self) -> bool:
        """Whether there is something to be told that is not told of every batch or space yet."""
        return self._round.considering

    # -- events -----------------------------------------------------------------------------------

    def receive(self, messages: Iterable[Message], time_known: bool = True) -> Effects:
        """Decode and accept messages.

        Before the time is known, readings without their own time wait for `date_waiting`.
        """
        effects = Effects()
        now_ms = self.now_ms(0)
        if self._until_ms is not None and not self.behind(now_ms):
            effects.facts.append(self._pace.reached(now_ms // MINUTE_MS))
        self._take_up(self._intake.take(messages, time_known, effects), effects)
        if self._intake.said and self._state is not None:
            minute = self._state.minute
            effects.facts.append(self._foresight.forecast(self._intake.said, minute))
            self._intake.said = []
        return effects

    def date_waiting(self, learnt_ms: int) -> Effects:
        """The time is known: date what waited, by adding this to the time it was taken at."""
        effects = Effects()
        self._take_up(self._intake.date_waiting(learnt_ms, effects), effects)
        return effects

    def _take_up(self, new: list[Reading], effects: Effects) -> None:
        """Go back to the first minute that new readings change."""
        dirty: list[int] = []
        for reading in new:
            minute = reading.time_ms // MINUTE_MS
            if self._state is None:
                self._catching_up.begin(minute, effects)
                continue
            self._reach_back(minute, effects)
            if minute < self._state.minute:
                dirty.append(self._recent.preceding_minute(reading.sensor, reading.time_ms))
            doubted = self._state.sensors[reading.sensor].doubted
            if doubted is not None:
                dirty.append(doubted)
        back = self._catching_up.late(dirty, self._intake.heard_ms, effects)
        if back is not None:
            self._fold_again_from(back, effects)

    def _reach_back(self, minute: int, effects: Effects) -> None:
        """In a replay: what came changes minutes that were folded, from this one on."""
        noted = self._pace.back(minute) if self._until_ms is not None else None
        if noted is not None:
            effects.facts.append(noted)

    def _fold_again_from(self, minute: int, effects: Effects) -> None:
        first = self._first_minute(minute)
        self._round.forget_since(self._catching_up.fold_again_from(minute, first, effects))

    def _first_minute(self, otherwise: int) -> int:
        """The minute of the oldest usable reading."""
        return otherwise if self.first_ms is None else self.first_ms // MINUTE_MS

    def enter(self, request: Request, now_ms: int) -> tuple[Entered, Effects]:
        """Take in what someone entered; raises RequestError with one sentence."""
        before, crisp = self._sensor_changes(), self._logbook.crisp
        batches = self._logbook.history.batches
        entered = self._logbook.enter(request, self._teller.notices, now_ms)
        effects = Effects(**self._teller.answer(self._logbook.standing)._asdict())
        effects.entries.append(entered.entry)
        if (self._sensor_changes(), self._logbook.crisp) != (before, crisp):
            self._fold_otherwise(before, crisp, effects)
        if self._until_ms is None and (
            self._round.stirred or self._logbook.history.batches != batches
        ):
            self._doubt(now_ms)
        return entered, effects

    def tell(self, notice: Notice) -> Effects:
        """Take up a notice that speaks of no spell."""
        return Effects(settlements=[self._teller.tell(notice)])

    def _new_fold(self) -> Fold:
        book = self._logbook
        return Fold(self._site, book.calibrations, book.services, book.crisp)

    def _sensor_changes(self) -> list[Calibration | Service]:
        return [*self._logbook.calibrations, *self._logbook.services]

    def _fold_otherwise(
        self,
        before: list[Calibration | Service],
        crisp: frozenset[CrispSpan],
        effects: Effects,
    ) -> None:
        """Fold anew from the first change to a sensor, or to what hung crisp, new or gone."""
        after = self._sensor_changes()
        differing = [c for c in [*before, *after] if (c in before) != (c in after)]
        changed = [change.from_ms // MINUTE_MS for change in differing]
        hung_crisp = first_change(crisp, self._logbook.crisp)
        if hung_crisp is not None:
            changed.append(hung_crisp)
        self._folding.fold_otherwise(self._new_fold())
        if self._state is not None and changed:
            self._reach_back(min(changed), effects)
            minute = min(min(changed), self._state.minute)
            self._fold_again_from(minute, effects)

    def snapshot(self, now_ms: int) -> Snapshot:
        """How everything stands now."""
        fold = self._folding.fold
        state = fold.fit(State(0)) if self._state is None else self._state
        return Snapshot(
            now_ms,
            dict(self._folding.air),
            tuple(fold.going_on(state)),
            {name: self._intake.sensor_now(name, s) for name, s in state.sensors.items()},
            tuple(self._logbook.entries),
            self._logbook.history,
            dict(self._teller.notices),
            self._round.said_of(self._logbook.history.batches),
            self._round.doubted,
            dict(self._foresight.coming),
        )

    # -- minutes ----------------------------------------------------------------------------------

    def advance(self, now_ms: int, most: int) -> Effects:
        """Fold at most so many of the minutes that are over."""
        effects, self._anew = self._anew, Effects()
        postponed = self._catching_up.take_up(now_ms)
        if postponed is not None:
            self._fold_again_from(postponed, effects)
        target, reach = now_ms // MINUTE_MS, self._lateness.reach(now_ms)
        if self._round.stirred and self._until_ms is None:
            self._doubt(now_ms, -(-target // LOOK_EVERY_MIN) * LOOK_EVERY_MIN)
        if self._catching_up.waited_for_a_log(now_ms) and self._state is not None:
            self._settle(self._state, now_ms, effects)
        folded = 0
        while folded < most:
            if self._state is None or self._state.minute >= reach:
                break
            # First the batches and what is told of what comes: `consider` reads this air back.
            if self._round.holds_air:
                break
            before = self._state
            after = self._folding.go_on(before, reach, most, effects)
            folded += after.minute - before.minute
            if self._until_ms is None and target - before.minute > LEAPS_FROM_MIN:
                self._leap(before, after, target)
            if self._state.minute >= self._folding.settled and (
                self._until_ms is not None or self._state.minute == target
            ):
                self._catching_up.on(Event.REACHED)
                if self._lateness.under_way(now_ms):
                    break
                self._settle(self._state, now_ms, effects)
        if self._state is not None and not self._foresight.coming and not self.behind(now_ms):
            # Just started: whoever looks now shall see the coming day.
            self._round.begin_looking()
        if self._state is not None and self._to_say_again(now_ms):
            self._round.begin_again(self._state.minute, now_ms)
        return effects

    def _to_say_again(self, now_ms: int) -> bool:
        """Whether all is folded and settled, and of some batch it is to be said anew how it
        stands."""
        if self._state is None or self._catching_up.held:
            return False
        if self._state.minute < now_ms // MINUTE_MS:
            return False
        return self._round.due_again(self._state.minute)

    def _doubt(self, now_ms: int, from_minute: int = 0) -> None:
        self._round.doubt(self._logbook.history.batches, now_ms, from_minute)

    def consider(self) -> Effects:
        """Every ten minutes say what is coming, at a full hour then how each batch stands in it.

        The air until then is in the store. A few spaces or one ensemble a call, so that a long
        recomputation keeps nobody from their turn.
        """
        effects = Effects()
        state = self._state
        if state is not None and self._round.looks:
            self._round.next_spaces(
                state.minute,
                self._circumstances(state, state.minute * MINUTE_MS),
                self._folding.fold.going_on(state),
                effects,
            )
        else:
            self._round.next_batches(self._logbook.history.batches, self._folding.air, effects)
        return effects

    def taught(self, lessons: list[Lesson]) -> Effects:
        """Take up what was learned beside the daemon."""
        self._foresight.taught(lessons)
        return Effects(lessons=lessons)

    def _leap(self, before: State, after: State, target: int) -> None:
        """Leap over months in which nothing was told, as after a winter switched off."""
        if not self._folding.air:
            changed = [change.from_ms // MINUTE_MS for change in self._sensor_changes()]
            self._folding.leap(before, after, target, changed)

    def _settle(self, state: State, now_ms: int, effects: Effects) -> None:
        """Caught up: compare the spells with those known before, and say what is to be said."""
        at_ms = now_ms if self._until_ms is None else state.minute * MINUTE_MS
        folding = self._folding
        after = folding.ended + folding.fold.going_on(state)
        circumstances = self._circumstances(state, at_ms)
        if folding.since < folding.settled:
            self._round.forget_since(folding.since)  # who looked meanwhile saw the air before
        settlement = self._teller.settle(folding.since, after, circumstances, at_ms)
        if settlement is not None:
            effects.settlements.append(settlement)
        self._catching_up.settle(state.minute, now_ms, effects)
        if state.minute % 60 == 0:
            self._teller.forget_before(state.minute)
        # In a replay nothing is looked at that is neither kept nor told.
        every_min = LOOK_EVERY_MIN if self._until_ms is None else TELL_EVERY_MIN
        self._round.begin(state.minute, every_min)

    def _circumstances(self, state: State, now_ms: int) -> Circumstances:
        return Circumstances(
            self._site,
            standard_pressure(self._site.elevation_m),
            self._logbook.at_risk(now_ms),
            self._folding.air,
            self._folding.fold.disagreeing(state),
            self._foresight.verbs,
        )
