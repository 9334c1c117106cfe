"""The round at a full hour: what is coming in each space, then how each batch stands.

Between full hours only what is coming is looked at, every ten minutes. A few spaces or one batch a
turn, so that the socket is not kept waiting. The air until then is in the store.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from monitor.room.ahead import Band
from monitor.room.air import MinuteOfAir
from monitor.room.batch_teller import BatchTeller
from monitor.room.batches import Batch
from monitor.room.circumstances import Circumstances
from monitor.room.effects import Effects, HoursAhead
from monitor.room.foresight import HORIZONS_H, Coming, Foresight
from monitor.room.prospects import Prospect, Prospects, still_true
from monitor.room.readings import MINUTE_MS
from monitor.room.soon_teller import SoonTeller
from monitor.room.spaces import OUTDOORS
from monitor.room.spells import Spell
from monitor.room.teller import Teller

HOUR_MS = 60 * MINUTE_MS
LOOK_EVERY_MIN = 10
LOOKS_AT_A_TIME = 4  # spaces, before the socket has its turn again: some 50 ms


class HourRound:
    """Goes round the spaces and the batches, and remembers how far it came.

    said  the newest that was said of each batch, by number of its hanging
    """

    def __init__(
        self,
        prospects: Prospects,
        foresight: Foresight,
        batch_teller: BatchTeller,
        soon: SoonTeller,
        teller: Teller,
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
        self._considered = 0  # number of the batch considered last
        self._to_look_at: list[str] = []
        self._at_full_hour = False

    @property
    def considering(self) -> bool:
        """Whether an hour is over of which not every batch is told yet."""
        return self._hour is not None

    @property
    def looks(self) -> bool:
        """Whether all batches are told and spaces wait to be looked at."""
        return self._hour is None and bool(self._to_look_at)

    def said_of(self, batches: Iterable[Batch]) -> dict[int, Prospect]:
        """What was said of each batch, as far as it still holds, by number of its hanging."""
        told = (
            (b.hung_by, still_true(self._said[b.hung_by], b))
            for b in batches
            if b.hung_by in self._said
        )
        return {number: said for number, said in told if said is not None}

    @property
    def waits(self) -> bool:
        """Whether there is something to look at."""
        return self._hour is not None or bool(self._to_look_at)

    def begin(self, minute: int, every_min: int = LOOK_EVERY_MIN) -> None:
        """A minute is settled: begin what is due then [UTC epoch minutes]."""
        if minute % 60 == 0:
            self._hour = minute // 60
        if minute % every_min == 0:
            self._to_look_at = list(self._foresight.spaces)
            self._at_full_hour = minute % 60 == 0

    def begin_looking(self) -> None:
        """Just started: whoever looks now shall see the coming day."""
        self._to_look_at, self._at_full_hour = list(self._foresight.spaces), False

    def next_batch(
        self, batches: Sequence[Batch], air: Mapping[str, MinuteOfAir], effects: Effects
    ) -> int | None:
        """Say how the next batch stands; once all are told, the hour that is done."""
        hour = self._hour
        if hour is None:
            return None
        waiting = [batch for batch in batches if batch.hung_by > self._considered]
        batch = min(waiting, key=lambda one: one.hung_by, default=None)
        if batch is None:
            self._hour, self._considered = None, 0
            self._said, self._saying = self._saying, {}
            return hour
        self._considered = batch.hung_by
        prospect = self._prospects.at_hour(batch, batches, hour * HOUR_MS)
        if prospect is not None:
            effects.prospects = [prospect]
            self._saying[batch.hung_by] = prospect
            for notice in self._batch_teller.tell(batch, prospect, air):
                effects.settlements.append(self._teller.tell(notice))
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
                if space != OUTDOORS:
                    self._tell_soon(
                        space, coming, minute * MINUTE_MS, circumstances, spells, effects
                    )
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
