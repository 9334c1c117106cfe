"""The engine: events in, effects out. It owns what is remembered between them.

`receive` takes messages, `enter` what people enter, `advance` folds the minutes that are over.
Each returns the effects to be written before the next call: the engine reads older readings back
from the store, so the store must hold what it was told. After a failed write the engine is
thrown away and made anew from the store.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from typing import Protocol

from monitor.room import checkpoint, quality
from monitor.room.ahead import Band
from monitor.room.air import MinuteOfAir
from monitor.room.arrival import CENTURY_MS, NO_TIME, ReadingsClock, time_live
from monitor.room.batch_teller import BatchTeller
from monitor.room.batches import CrispSpan, first_change
from monitor.room.calibrations import Calibration, Service, holding
from monitor.room.circumstances import Circumstances
from monitor.room.effects import Effects, HoursAhead, Unread
from monitor.room.emptiness import LEAPS_FROM_MIN, leap
from monitor.room.entries import Entry, Request
from monitor.room.flowers import Book
from monitor.room.fold import Fold, SensorState, State
from monitor.room.foresight import HORIZONS_H, Coming, Foresight, verbs_fact
from monitor.room.foresight import Archive as MeansArchive
from monitor.room.hour_means import Archive as HoursArchive
from monitor.room.learning import Lesson, learning_due
from monitor.room.logbook import Entered, Logbook
from monitor.room.notices import Notice, Policy
from monitor.room.payloads import Decoder, Message
from monitor.room.prospects import Prospect, Prospects
from monitor.room.readings import DOUBTFUL, MINUTE_MS, Flag, Quantity, Reading
from monitor.room.recent import KEPT_MIN, Kept, Recent
from monitor.room.scales import Archive as ScaleArchive
from monitor.room.snapshot import SensorNow, Snapshot
from monitor.room.soon_teller import Foretold, SoonTeller
from monitor.room.spaces import OUTDOORS, Site
from monitor.room.spells import Spell
from monitor.room.teller import Archive as TellerArchive
from monitor.room.teller import Teller
from monitor.science.moist_air import standard_pressure

HOUR_MS = 60 * MINUTE_MS
DAY_MS = 24 * HOUR_MS
UNDATED_KEPT = 10_000
SOON_KEPT_MS = 3 * DAY_MS
LOOK_EVERY_MIN = 10
# Readings so late come from a log or from the broker's queue. While such go on coming, nothing is
# said of the minutes after them; but nobody waits longer than that [ms].
LATE_MS = 5 * MINUTE_MS
QUIET_MS = 2_000
LATE_AT_MOST_MS = 2 * MINUTE_MS
LOOKS_AT_A_TIME = 4  # spaces, before the socket has its turn again: some 50 ms

_UNSAID_FROM = "unsaid from"


class Archive(Kept, TellerArchive, HoursArchive, MeansArchive, ScaleArchive, Protocol):
    """What the engine reads back from the store."""

    def first_ms(self) -> int | None:
        """Time of the oldest usable reading."""

    def newest_ms(self) -> int | None:
        """Time of the newest reading."""

    def waiting(self) -> list[Reading]:
        """Readings whose leap in time waits to be confirmed."""

    def state_for(self, minute: int) -> bytes | None:
        """The newest kept state that folds on from this minute or before."""

    def said(self, kind: str, place: str) -> bool:
        """Whether a notice of this kind was ever written about this place on the page."""

    def entries(self) -> list[Entry]:
        """Everything entered, in order of number."""

    def foretold_since(self, told_ms: int) -> list[Foretold]:
        """What was foretold at this time or later, oldest first."""

    def last_said(self) -> dict[int, Prospect]:
        """What was said of each batch at the last hour, by number of its hanging."""


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
        self._prospects = Prospects(book, archive, self, site.hanging())
        self._batch_teller = BatchTeller(site, book, archive.said)
        self._said = archive.last_said()  # of each batch, the newest
        self._hour_due: int | None = None
        self._foresight = Foresight(site, archive)
        self._to_look_at: list[str] = []  # spaces whose hours ahead are due
        self._at_full_hour = False
        self._considered = 0  # number of the batch considered last for the hour due
        self._saying: dict[int, Prospect] = {}
        self._teller = Teller(site, policy, archive)
        self._until_ms = replay_until_ms
        self._decoder = Decoder(site.sensors)
        newest = archive.newest_ms()
        self._soon = SoonTeller(archive.foretold_since((newest or 0) - SOON_KEPT_MS))
        self._clock = ReadingsClock(newest, archive.waiting(), len(site.sensors))
        self._recent = Recent(archive, 0 if newest is None else newest // MINUTE_MS + 1)
        self._fold = self._new_fold()
        self._first_ms = archive.first_ms()
        self._unsaid = False  # something before the last settled minute is to be settled again
        self._unsettled = False  # caught up with now, and nothing said of it yet
        # Arrival of the first and last late reading, and the minute that the last tells of.
        self._late: tuple[int, int, int] | None = None
        self._air: dict[str, MinuteOfAir] = {}
        self._latest: dict[str, dict[Quantity, tuple[int, float]]] = {}  # not folded yet
        self._unread: dict[str, tuple[int, str]] = {}  # how often, and why the last time
        self._settled = archive.settled() or 0
        self._states: deque[State] = deque(maxlen=KEPT_MIN)
        self._state: State | None = None
        # Since the last settling: the lowest minute folded, and the spells that ended.
        self._round_from = 0
        self._ended: list[Spell] = []
        # Taken while the time was not known; their times count from the machine's start.
        self._undated: deque[Reading] = deque(maxlen=UNDATED_KEPT)
        if newest is not None:
            self._unsaid = True
            self._go_back_to(self._unsaid_from(newest // MINUTE_MS))

    def _unsaid_from(self, newest: int) -> int:
        """The minute from which an earlier run had not settled everything."""
        noted = int(self._archive.fact(_UNSAID_FROM) or 0)
        return min([minute for minute in (noted, self._settled) if minute], default=newest)

    # -- time -------------------------------------------------------------------------------------

    def now_ms(self, wall_ms: int) -> int:
        """Now: the wall's time, or in a replay the readings' own, up to where it ends."""
        if self._until_ms is None:
            return wall_ms
        return min(self._clock.now_ms or 0, self._until_ms)

    @property
    def first_ms(self) -> int | None:
        """Time of the oldest usable reading [UTC epoch ms]."""
        return self._first_ms

    @property
    def held_min(self) -> int:
        """Minutes with readings in memory: the last, and those that wait to be folded."""
        return self._recent.held_min

    def behind(self, now_ms: int) -> bool:
        """Whether minutes that are over still wait to be folded."""
        if self._hour_due is not None or self._to_look_at or self._waited_for_a_log(now_ms):
            return True
        return self._state is not None and self._state.minute < self._reach(now_ms)

    @property
    def considering(self) -> bool:
        """Whether an hour is over of which not every batch is told yet."""
        return self._hour_due is not None

    # -- events -----------------------------------------------------------------------------------

    def receive(self, messages: Iterable[Message], time_known: bool = True) -> Effects:
        """Decode and accept messages.

        Before the time is known, readings without their own time wait for `date_waiting`.
        """
        effects = Effects()
        dirty: list[int] = []
        for message in messages:
            decoded = self._decoder.decode(message)
            for sensor, quantity, value, own_ms in decoded.readings:
                if own_ms is None and message.retained:
                    continue  # of unknown age: never dated now
                value, flags = quality.admit(quantity, value)
                reading = Reading(own_ms or 0, sensor, quantity, value, flags)
                if time_known:
                    self._date(reading, own_ms, message, effects, dirty)
                elif own_ms is None or own_ms < CENTURY_MS:
                    self._undated.append(reading._replace(time_ms=message.arrived_ms))
                else:
                    self._accept(reading, own_ms, effects, dirty)
            for failed, why in decoded.failures:
                self._not_read(message, failed, str(why), effects)
        self._go_back(dirty, effects)
        return effects

    def date_waiting(self, learnt_ms: int) -> Effects:
        """The time is known: date what waited, by adding this to the time it was taken at."""
        effects = Effects()
        dirty: list[int] = []
        for reading in self._undated:
            time_ms = reading.time_ms + learnt_ms
            self._accept(reading._replace(time_ms=time_ms), time_ms, effects, dirty)
        self._undated.clear()
        self._go_back(dirty, effects)
        return effects

    def _go_back(self, dirty: list[int], effects: Effects) -> None:
        self._recent.stale()
        if dirty:
            self._fold_again_from(min(dirty), effects)

    def _date(
        self,
        reading: Reading,
        own_ms: int | None,
        message: Message,
        effects: Effects,
        dirty: list[int],
    ) -> None:
        if self._until_ms is None:
            time_ms, flag = time_live(own_ms, message.arrived_ms)
            reading = reading._replace(time_ms=time_ms, flags=reading.flags | flag)
            if message.arrived_ms - time_ms > LATE_MS:
                goes_on = self._log_under_way(message.arrived_ms)
                first_ms = self._late[0] if goes_on and self._late else message.arrived_ms
                self._late = first_ms, message.arrived_ms, time_ms // MINUTE_MS
            self._accept(reading, message.arrived_ms, effects, dirty)
            return
        if own_ms is None:
            self._not_read(message, reading.sensor, NO_TIME, effects)
            return
        offered = self._clock.offer(reading)
        if offered.waits:
            effects.waiting.append(reading)
        if offered.refused:
            self._not_read(message, reading.sensor, offered.refused, effects)
        for accepted in offered.accepted:
            if accepted is not reading:
                effects.released.append(accepted)
            self._accept(accepted, self._clock.now_ms or 0, effects, dirty)

    def _accept(self, reading: Reading, now_ms: int, effects: Effects, dirty: list[int]) -> None:
        if now_ms - reading.time_ms > self._site.raw_days * DAY_MS:
            effects.readings.append(reading._replace(flags=reading.flags | Flag.TOO_OLD))
            return
        if not self._recent.add(reading):
            return
        effects.readings.append(reading)
        self._note_latest(reading)
        if self._first_ms is None or reading.time_ms < self._first_ms:
            self._first_ms = reading.time_ms
        minute = reading.time_ms // MINUTE_MS
        if self._state is None:
            self._begin_at(minute)
            self._note_unsaid(effects)
            return
        if minute < self._state.minute:
            dirty.append(self._recent.preceding_minute(reading.sensor, reading.time_ms))
        doubted = self._state.sensors[reading.sensor].doubted
        if doubted is not None:
            dirty.append(doubted)

    def _note_latest(self, reading: Reading) -> None:
        """Remember what a sensor says before its minute is over, for who looks right now."""
        latest = self._latest.setdefault(reading.sensor, {})
        before = latest.get(reading.quantity)
        if not reading.flags & DOUBTFUL and (before is None or before[0] < reading.time_ms):
            slope, offset = holding(
                self._logbook.calibrations, reading.sensor, reading.quantity, reading.time_ms
            )
            latest[reading.quantity] = (reading.time_ms, slope * reading.value + offset)

    def _sensor_now(self, name: str, state: SensorState) -> SensorNow:
        values, last_ms = dict(state.held), state.last_ms
        for quantity, told in self._latest.get(name, {}).items():
            if quantity not in values or values[quantity][0] < told[0]:
                values[quantity] = told
            last_ms = told[0] if last_ms is None else max(last_ms, told[0])
        return SensorNow(last_ms, values, *self._unread.get(name, (0, None)))

    def _not_read(
        self, message: Message, sensor: str | None, reason: str, effects: Effects
    ) -> None:
        effects.unread.append(
            Unread(message.arrived_ms, message.topic, sensor, message.payload, reason)
        )
        if sensor is not None:
            self._unread[sensor] = (self._unread.get(sensor, (0, ""))[0] + 1, reason)

    def _begin_at(self, minute: int) -> None:
        self._state = self._fold.fit(State(minute))
        self._round_from = minute

    def _go_back_to(self, minute: int) -> None:
        """Take up the newest state that was there before this minute was folded."""
        while self._states and self._states[-1].minute > minute:
            self._states.pop()
        state = self._states[-1] if self._states else self._kept_state(minute)
        self._state = state
        self._prospects.forget_since(state.minute)
        self._foresight.forget_since(state.minute)
        self._round_from = min(self._round_from or state.minute, state.minute)
        self._ended = [s for s in self._ended if (s.settled or 0) < state.minute]

    def _fold_again_from(self, minute: int, effects: Effects) -> None:
        """Go back, and keep in mind until all is settled that it is to be settled from there.

        The states kept on the way there know nothing of spells that ended before them.
        """
        self._go_back_to(minute)
        effects.states_dropped = minute
        self._note_unsaid(effects)

    def _note_unsaid(self, effects: Effects) -> None:
        self._unsaid = True
        effects.facts.append((_UNSAID_FROM, str(self._round_from)))

    def _kept_state(self, minute: int) -> State:
        kept = self._archive.state_for(minute)
        state = None if kept is None else checkpoint.load(kept)
        if state is None:
            first_ms = minute * MINUTE_MS if self._first_ms is None else self._first_ms
            state = State(first_ms // MINUTE_MS)
        return self._fold.fit(state)

    def masses(self, sensor: str, begin_ms: int, end_ms: int) -> list[tuple[int, float]]:
        """A scale's undoubted readings by time, as its calibrations have them [UTC epoch ms, g]."""
        changes = self._logbook.calibrations
        told = []
        for time_ms, grams in self._archive.masses(sensor, begin_ms, end_ms):
            slope, offset = holding(changes, sensor, Quantity.MASS, time_ms)
            told.append((time_ms, slope * grams + offset))
        return told

    def enter(self, request: Request, now_ms: int) -> tuple[Entered, Effects]:
        """Take in what someone entered; raises RequestError with one sentence."""
        before, crisp = self._sensor_changes(), self._logbook.crisp
        entered = self._logbook.enter(request, self._teller.notices, now_ms)
        effects = self._teller.answer(self._logbook.standing)
        effects.entries.append(entered.entry)
        if (self._sensor_changes(), self._logbook.crisp) != (before, crisp):
            self._fold_otherwise(before, crisp, effects)
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
        self._fold = self._new_fold()
        self._states.clear()
        if self._state is not None and changed:
            minute = min(min(changed), self._state.minute)
            self._fold_again_from(minute, effects)

    def snapshot(self, now_ms: int) -> Snapshot:
        """How everything stands now."""
        state = self._fold.fit(State(0)) if self._state is None else self._state
        return Snapshot(
            now_ms,
            dict(self._air),
            tuple(self._fold.going_on(state)),
            {name: self._sensor_now(name, s) for name, s in state.sensors.items()},
            tuple(self._logbook.entries),
            self._logbook.history,
            dict(self._teller.notices),
            dict(self._said),
            dict(self._foresight.coming),
        )

    # -- minutes ----------------------------------------------------------------------------------

    def advance(self, now_ms: int, most: int) -> Effects:
        """Fold at most so many of the minutes that are over."""
        effects = Effects()
        target, reach = now_ms // MINUTE_MS, self._reach(now_ms)
        if self._waited_for_a_log(now_ms) and self._state is not None:
            self._settle(self._state, now_ms, effects)
        for _ in range(most):
            if self._state is None or self._state.minute >= reach:
                break
            # First the batches and the hours ahead: `consider` reads this air back.
            if self._hour_due is not None or self._to_look_at:
                break
            before = self._state
            self._fold_minute(before, effects)
            if self._until_ms is None and target - before.minute > LEAPS_FROM_MIN:
                self._leap(before, target)
            if self._state.minute >= self._settled and (
                self._until_ms is not None or self._state.minute == target
            ):
                self._unsettled = True
                if self._log_under_way(now_ms):
                    break
                self._settle(self._state, now_ms, effects)
        if self._state is not None and not self._foresight.coming and not self.behind(now_ms):
            # Just started: whoever looks now shall see the coming day.
            self._to_look_at, self._at_full_hour = list(self._foresight.spaces), False
        return effects

    def consider(self) -> Effects:
        """At a full hour say how the next batch stands, every ten minutes what is coming.

        The air until then is in the store. One batch a call, so that a long recomputation keeps
        nobody from their turn.
        """
        effects = Effects()
        if self._hour_due is not None:
            self._look_at_next_batch(self._hour_due, effects)
        if self._hour_due is None:
            self._look_ahead(effects)
        return effects

    def _look_at_next_batch(self, hour: int, effects: Effects) -> None:
        batches = self._logbook.history.batches
        waiting = [batch for batch in batches if batch.hung_by > self._considered]
        batch = min(waiting, key=lambda one: one.hung_by, default=None)
        if batch is None:
            self._hour_due, self._considered = None, 0
            self._said, self._saying = self._saying, {}
            self._learn(hour, effects)
            return
        self._considered = batch.hung_by
        prospect = self._prospects.at_hour(batch, batches, hour * HOUR_MS)
        if prospect is not None:
            effects.prospects = [prospect]
            self._saying[batch.hung_by] = prospect
            for notice in self._batch_teller.tell(batch, prospect, self._air):
                effects.settlements.append(self._teller.tell(notice))

    def _learn(self, hour: int, effects: Effects) -> None:
        """In a replay, learn in place what is learned beside the daemon when it runs live."""
        if self._until_ms is None:
            return
        due = learning_due((hour - 1) * HOUR_MS, hour * HOUR_MS, self._site.timezone)
        if due is not None:
            effects.lessons = self._foresight.learn(due)

    def taught(self, lessons: list[Lesson]) -> Effects:
        """Take up what was learned beside the daemon."""
        self._foresight.taught(lessons)
        return Effects(lessons=lessons)

    def _look_ahead(self, effects: Effects) -> None:
        """Look ahead for some of the spaces; the rest in the next turn."""
        if self._state is None:
            return
        state = self._state
        now = state.minute // LOOK_EVERY_MIN * LOOK_EVERY_MIN
        some, self._to_look_at = (
            self._to_look_at[:LOOKS_AT_A_TIME],
            self._to_look_at[LOOKS_AT_A_TIME:],
        )
        for space in some:
            coming = self._foresight.look(space, now, self._air, self._at_full_hour)
            if self._at_full_hour:
                effects.ahead += _hours_ahead(space, coming)
                if space != OUTDOORS:
                    self._tell_soon(space, coming, state, effects)
        if some and self._at_full_hour:
            effects.facts.append(verbs_fact(self._foresight.verbs))

    def _tell_soon(self, space: str, coming: Coming, state: State, effects: Effects) -> None:
        at_ms = state.minute * MINUTE_MS
        notices, foretold = self._soon.tell(
            space,
            self._foresight.watched(space),
            coming,
            [*self._fold.going_on(state), *self._teller.spells],
            self._circumstances(state, at_ms),
            self._teller.ringing(space, at_ms),
        )
        effects.foretold += foretold
        effects.settlements += [self._teller.tell(notice) for notice in notices]

    def _fold_minute(self, state: State, effects: Effects) -> None:
        minute = state.minute
        folded = self._fold.step(state, self._recent.minute(minute), self._recent.following)
        for (time_ms, sensor, quantity), flags in folded.flags.items():
            effects.flags.append((time_ms, sensor, quantity, flags))
            self._recent.reflag(time_ms, sensor, quantity, flags)
        if minute < self._settled:
            effects.refolded.append(minute)
        effects.air.extend(folded.air)
        self._air = {air.space: air for air in folded.air}
        self._ended.extend(folded.ended)
        self._state = folded.state
        self._states.append(folded.state)
        if folded.state.minute % 60 == 0:
            effects.states.append((folded.state.minute, checkpoint.dump(folded.state)))
            self._recent.forget_before(folded.state.minute)

    def _log_under_way(self, now_ms: int) -> bool:
        """Live: whether late readings are coming in, so that what looks silent may yet be told."""
        if self._late is None:
            return False
        first_ms, last_ms, _ = self._late
        # A clock that was put back does not hold it up.
        return 0 <= now_ms - last_ms < QUIET_MS and now_ms - first_ms < LATE_AT_MOST_MS

    def _reach(self, now_ms: int) -> int:
        """The minute up to which is folded: now, or how far a log that comes in has told."""
        if self._late is not None and self._log_under_way(now_ms):
            return min(self._late[2], now_ms // MINUTE_MS)
        return now_ms // MINUTE_MS

    def _waited_for_a_log(self, now_ms: int) -> bool:
        """Whether the last minute was left unsettled, and can be settled now."""
        if self._state is None or not self._unsettled or self._log_under_way(now_ms):
            return False
        return self._state.minute == now_ms // MINUTE_MS

    def _leap(self, before: State, target: int) -> None:
        """Leap over months in which nothing was told, as after a winter switched off."""
        if self._state is None or self._air:
            return
        told = self._recent.next_minute(before.minute)
        stops = [change.from_ms // MINUTE_MS for change in self._sensor_changes()]
        end = target if told is None else min(told, target)
        self._state = leap(self._site, before, self._state, end, stops)

    def _settle(self, state: State, now_ms: int, effects: Effects) -> None:
        """Caught up: compare the spells with those known before, and say what is to be said."""
        at_ms = now_ms if self._until_ms is None else state.minute * MINUTE_MS
        after = self._ended + self._fold.going_on(state)
        circumstances = self._circumstances(state, at_ms)
        settlement = self._teller.settle(self._round_from, after, circumstances, at_ms)
        if settlement is not None:
            effects.settlements.append(settlement)
        self._settled = effects.settled = self._round_from = state.minute
        if self._unsaid:
            self._unsaid = False
            effects.facts.append((_UNSAID_FROM, str(state.minute)))
        self._unsettled = False
        self._ended = []
        if state.minute % 60 == 0:
            self._teller.forget_before(state.minute)
            self._hour_due = state.minute // 60
        hourly = self._until_ms is not None  # what is kept and told is decided at full hours
        if state.minute % (60 if hourly else LOOK_EVERY_MIN) == 0:
            self._to_look_at = list(self._foresight.spaces)
            self._at_full_hour = state.minute % 60 == 0

    def _circumstances(self, state: State, now_ms: int) -> Circumstances:
        return Circumstances(
            self._site,
            standard_pressure(self._site.elevation_m),
            self._logbook.at_risk(now_ms),
            self._air,
            self._fold.disagreeing(state),
            self._foresight.verbs,
        )


def _hours_ahead(space: str, coming: Coming) -> list[HoursAhead]:
    """What is kept of the hours ahead."""
    if coming.outlook is None:
        return []
    warm, water = coming.outlook.temperature_c, coming.outlook.humidity_ratio_g_kg
    return [
        HoursAhead(
            coming.asked * MINUTE_MS,
            space,
            hours,
            _at(warm, hours),
            _at(water, hours),
        )
        for hours in HORIZONS_H
    ]


def _at(band: Band, hours: int) -> tuple[float, float, float]:
    step = hours * 60 // LOOK_EVERY_MIN - 1
    return float(band.p10[step]), float(band.p50[step]), float(band.p90[step])
