"""The round at a full hour: what is coming in each space, then how each batch stands in it.

Between full hours only what is coming is looked at, every ten minutes, and told at half hours too;
and of batches of which more became known since (an entry, late readings) it is said anew how they
stand, for whoever looks now: that is neither kept nor told. Until it is, nothing is said of them. A
few spaces or one ensemble a turn, so that the socket is not kept waiting. The air until then is in
the store.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from monitor.ahead.courses import Band
from monitor.ahead.look import HORIZONS_H, Coming, Foresight
from monitor.air.minute import MinuteOfAir
from monitor.air.spells import Spell
from monitor.drying.crisp_day import GROUP
from monitor.drying.ensemble import Pieces
from monitor.drying.hours import Foreseen, foreseen
from monitor.drying.prospects import Prospect, Prospects, still_true
from monitor.engine.effects import Effects, HoursAhead
from monitor.entries.batches import Batch
from monitor.notices.notice import Circumstances
from monitor.notices.once_rules import BatchRules, SoonRules
from monitor.notices.settlement import Settler
from monitor.site.spaces import OUTDOORS
from monitor.site.time import HOUR_MS, MINUTE_MS

LOOK_EVERY_MIN, TELL_EVERY_MIN = 10, 30
LOOKS_AT_A_TIME = 2  # spaces, before the socket has its turn again: some 50 ms


class HourRound:
    """Goes round the spaces and the batches, and remembers how far it came.

    said     the newest that was said of each batch, by number of its hanging
    stirred  the air that a batch went through is folded anew, and no batch is doubted for it yet
    """

    def __init__(
        self,
        prospects: Prospects,
        foresight: Foresight,
        batch_teller: BatchRules,
        soon: SoonRules,
        teller: Settler,
        said: Mapping[int, Prospect],
    ) -> None:
        self._prospects = prospects
        self._foresight = foresight
        self._batch_teller = batch_teller
        self._soon = soon
        self._teller = teller
        self._said = dict(said)
        self._saying: dict[int, Prospect] = {}
        self._hour: int | None = None  # of which not every batch is told yet
        self._until_ms: int | None = None  # said anew, with what was entered until then
        self._considered = 0  # number of the batch considered last
        self._doubted: frozenset[int] = frozenset()
        self.stirred = False
        self._doubted_from: int | None = None  # the minute at which to say anew
        self._to_come: dict[str, Foreseen] = {}
        # Long work on some of the batches, and what it was begun with.
        self._work: tuple[Pieces[list[Prospect]], tuple[list[int], Sequence[Batch], int]] | None = (
            None
        )
        self._to_look_at: list[str] = []
        self._at_full_hour = self._telling = False

    @property
    def considering(self) -> bool:
        """Whether an hour is over of which not every batch is told yet, or of what is coming not
        every space."""
        of_batches = self._hour is not None and self._until_ms is None
        return of_batches or (bool(self._to_look_at) and self._telling)

    @property
    def looks(self) -> bool:
        """Whether spaces wait to be looked at."""
        return bool(self._to_look_at)

    @property
    def said_ms(self) -> int:
        """The full hour of which something was said last [UTC epoch ms]; 0: never."""
        return max((said.asked_ms for said in self._said.values()), default=0)

    @property
    def doubted(self) -> frozenset[int]:
        """Numbers of the batches of which it is being worked out anew how they stand."""
        return self._doubted

    def said_of(self, batches: Iterable[Batch]) -> dict[int, Prospect]:
        """What was said of each batch, as far as it still holds, by number of its hanging."""
        told = (
            (b.hung_by, still_true(self._said[b.hung_by], b))
            for b in batches
            if b.hung_by in self._said and b.hung_by not in self._doubted
        )
        return {number: said for number, said in told if said is not None}

    @property
    def waits(self) -> bool:
        """Whether there is something to look at."""
        return self._hour is not None or bool(self._to_look_at)

    @property
    def holds_air(self) -> bool:
        """Whether what is looked at is kept or told: until then the air has to stay as it is."""
        return self._hour is not None or self.considering

    def begin(self, minute: int, every_min: int = LOOK_EVERY_MIN) -> None:
        """A minute is settled: begin what is due then [UTC epoch minutes]."""
        if minute % 60 == 0:
            self._hour, self._until_ms = minute // 60, None
            self._considered, self._saying, self._doubted_from = 0, {}, None
            self._work = None
        if minute % every_min == 0:
            self._to_look_at = list(self._foresight.spaces)
            self._at_full_hour = minute % 60 == 0
            self._telling = minute % TELL_EVERY_MIN == 0

    def begin_looking(self) -> None:
        """Just started: whoever looks now shall see the coming day."""
        self._to_look_at = list(self._foresight.spaces)
        self._at_full_hour = self._telling = False

    def forget_since(self, minute: int) -> None:
        """The air is folded anew from this minute on."""
        self.stirred |= self._prospects.forget_since(minute)
        self._foresight.forget_since(minute)

    def doubt(self, batches: Sequence[Batch], now_ms: int, from_minute: int = 0) -> None:
        """More became known: say nothing any more of the batches to which that makes a difference,
        and from a minute on say it anew."""
        self.stirred = False
        doubted = self._prospects.doubtful(batches, now_ms // HOUR_MS * HOUR_MS, now_ms + 1)
        if doubted:
            self._doubted |= doubted
            before = self._doubted_from
            self._doubted_from = from_minute if before is None else min(from_minute, before)

    def due_again(self, minute: int) -> bool:
        """Whether it is time to say anew what is doubted."""
        return not self.waits and self._doubted_from is not None and minute >= self._doubted_from

    def begin_again(self, minute: int, now_ms: int) -> None:
        """All is folded up to a minute: say anew what was doubted, as of its full hour."""
        self._hour, self._until_ms = minute // 60, now_ms + 1
        self._considered, self._saying = 0, dict(self._said)
        self._work = None
        self._doubted_from = None

    def next_batches(
        self, batches: Sequence[Batch], air: Mapping[str, MinuteOfAir], effects: Effects
    ) -> None:
        """Say how the next batches stand, or work out a piece of what that takes."""
        if self._hour is None:
            return
        some = self._next(batches)
        if not some:
            self._said, self._saying = self._saying, {}
            self._hour, self._until_ms, self._considered = None, None, 0
            if self._doubted_from is None:  # else more became known meanwhile
                self._doubted = frozenset()
            return
        said = self._worked_on(some, batches, self._hour * HOUR_MS)
        if said is None:
            return
        self._considered = some[-1].hung_by
        told = {prospect.batch: prospect for prospect in said}
        for batch in some:
            self._saying.pop(batch.hung_by, None)
            if (prospect := told.get(batch.hung_by)) is not None:
                self._saying[batch.hung_by] = prospect
                if self._until_ms is None:
                    effects.prospects.append(prospect)
                    for notice in self._batch_teller.tell(batch, prospect, air):
                        effects.settlements.append(self._teller.tell(notice))

    def _next(self, batches: Sequence[Batch]) -> list[Batch]:
        """The next of whom something is to be said, by the number of their hanging."""
        again = self._until_ms is not None
        waiting = (
            batch
            for batch in batches
            if batch.hung_by > self._considered and (not again or batch.hung_by in self._doubted)
        )
        return sorted(waiting, key=lambda one: one.hung_by)[:GROUP]

    def _worked_on(
        self, some: Sequence[Batch], batches: Sequence[Batch], asked_ms: int
    ) -> list[Prospect] | None:
        """What is to be said of them; None: there is more to work out.

        Begun anew where an entry or late readings came in between.
        """
        since = [batch.hung_by for batch in some], batches, self._prospects.forgot
        if self._work is None or self._work[1] != since:
            say = self._prospects.say(some, batches, asked_ms, self._to_come, self._until_ms)
            self._work = say, since
        try:
            next(self._work[0])
        except StopIteration as done:
            self._work = None
            said: list[Prospect] = done.value
            return said
        return None

    def next_spaces(
        self, minute: int, circumstances: Circumstances, spells: Sequence[Spell], effects: Effects
    ) -> None:
        """Look ahead for some of the spaces; the rest in the next turn.

        spells  those that go on
        """
        now = minute // LOOK_EVERY_MIN * LOOK_EVERY_MIN
        some = self._to_look_at[:LOOKS_AT_A_TIME]
        self._to_look_at = self._to_look_at[LOOKS_AT_A_TIME:]
        for space in some:
            coming = self._foresight.look(space, now, circumstances.air, self._at_full_hour)
            if self._at_full_hour:
                effects.ahead += _hours_ahead(space, coming)
                self._to_come.pop(space, None)
                if coming.outlook is not None:
                    self._to_come[space] = foreseen(coming.outlook)
            if self._telling and space != OUTDOORS:
                self._tell_soon(space, coming, minute * MINUTE_MS, circumstances, spells, effects)
        if some and self._at_full_hour:
            effects.facts.append(self._foresight.standing_fact)
            if self._foresight.forecasts:
                effects.facts.append(self._foresight.forecast_fact)

    def _tell_soon(
        self,
        space: str,
        coming: Coming,
        at_ms: int,
        circumstances: Circumstances,
        spells: Sequence[Spell],
        effects: Effects,
    ) -> None:
        notices, foretold = self._soon.tell(
            space,
            self._foresight.watched(space),
            coming,
            [*spells, *self._teller.spells],
            circumstances,
            self._teller.ringing(space, at_ms),
        )
        effects.foretold += foretold
        effects.settlements += [self._teller.tell(notice) for notice in notices]


def _hours_ahead(space: str, coming: Coming) -> list[HoursAhead]:
    """What is kept of the hours ahead."""
    if coming.outlook is None:
        return []
    warm, water = coming.outlook.temperature_c, coming.outlook.humidity_ratio_g_kg
    asked_ms = coming.asked * MINUTE_MS
    return [
        HoursAhead(asked_ms, space, hours, *_at(warm, hours), *_at(water, hours))
        for hours in HORIZONS_H
    ]


def _at(band: Band, hours: int) -> tuple[float, float, float]:
    step = hours * 60 // LOOK_EVERY_MIN - 1
    return float(band.p10[step]), float(band.p50[step]), float(band.p90[step])
