"""What is to be said of every batch at a full hour: still to lose, and when it will be crisp.

The air to come is what is foreseen of its space's next day, and then days like the last. What is
said is kept as it was said then.

Beside it what heat and light do to a batch. One that was taken down is stepped on through the air
of the space that keeps it: it takes up water again.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from monitor.drying import ensemble as dryness
from monitor.drying.crisp_day import CrispDay, crisp_days
from monitor.drying.ensemble import Ensemble, Pieces
from monitor.drying.hours import AirToCome, Foreseen, HourlyAir, beginning_with
from monitor.drying.standing import StandingBatch, Standings
from monitor.entries.batches import Batch
from monitor.science import light
from monitor.site.flowers import Flower
from monitor.site.time import HOUR_MS

SLOW_HUMIDITY_PCT = 75.0  # a batch that hangs long in damper air may dry too slowly
KEPT = "kept"
LOOKED_ELSEWHERE_H = 24  # how often another space's air is tried
STEPPED_ELSEWHERE_H = 1680  # hours of batches at a time, in some 50 ms
KNOWN_ENOUGH = 0.8  # of the hours since it was hung
CLEARLY_BETTER_PCT = 10.0  # percent points of still to lose


@dataclass(frozen=True)
class Prospect:
    """What was said of one batch at one hour.

    batch            number of the entry that hung it
    asked_ms         the hour [UTC epoch ms]
    state            expected, crisp, cannot_finish, unknown; kept once it was taken down
    crisp_p10 … p90  [UTC epoch minutes]; None: no date can be promised
    humidity_needed_pct  humidity that would let it finish; None: none would
    opening          little, some or much; None: its heads do not open further
    light_share      light dose as a share of what its colour bears [-]
    p_finishes   probability that it will get dry here within the horizon [-]
    if_dry_p50   where no date can be promised: the day if it gets dry here [UTC epoch minutes]
    better_space, better_left_pct  the other hanging space in whose air it would now have the least
                 still to lose, and how much [%]; None: none is clearly better, or none is known
    months_left      months of good colour at the light of the last day; None: in the dark
    damp_h           hours so damp that slow drying is a risk, since it was hung; not kept
    """

    batch: int
    asked_ms: int
    state: str
    still_to_lose_pct: float
    moisture_pct_db: float
    p_crisp: float
    crisp_p10: int | None
    crisp_p50: int | None
    crisp_p90: int | None
    loses_pct_a_day: float
    stalled: bool
    humidity_needed_pct: float | None
    opening: str | None = None
    light_share: float = 0.0
    months_left: float | None = None
    p_finishes: float | None = None
    if_dry_p50: int | None = None
    better_space: str | None = None
    better_left_pct: float | None = None
    damp_h: int = 0


class Prospects:
    """Says what there is to be said of the batches that stand so.

    forgot  how often the air changed: what was begun before has to be begun anew
    """

    def __init__(self, standings: Standings, hanging_spaces: Sequence[str]) -> None:
        self._standings = standings
        self._spaces = tuple(hanging_spaces)
        # The same batch in the air of another space.
        self._elsewhere: dict[tuple[int, str], Ensemble] = {}
        self.forgot = 0

    def forget_since(self, minute: int) -> bool:
        """Late readings changed the air from this minute on; whether a batch went through it."""
        self.forgot += 1
        self._elsewhere = {
            place: looked for place, looked in self._elsewhere.items() if looked.hour * 60 <= minute
        }
        return self._standings.forget_since(minute)

    def say(
        self,
        some: Sequence[Batch],
        batches: Sequence[Batch],
        asked_ms: int,
        coming: Mapping[str, Foreseen],
        until_ms: int | None = None,
    ) -> Pieces[list[Prospect]]:
        """What is to be said of some of the batches at a full hour, of at most GROUP.

        coming    what is foreseen of each space; of others days like the last are all there is to
                  go by
        until_ms  up to when entries count; None: to the hour

        Nothing of those that neither hang nor are kept, nor where nothing is known of their air. Of
        one taken down within the hour something is said even where it went unwatched.
        """
        hour = asked_ms // HOUR_MS
        watched = [batch for batch in some if _watched(batch, asked_ms)]
        found = yield from self._standings.stand(watched, batches, hour, until_ms)
        stands = [(b, s) for b, s in zip(watched, found, strict=True) if s is not None]
        hanging = [(b, s.ensemble) for b, s in stands if b.hangs_at(asked_ms)]
        yield from self._look_elsewhere(hanging, hour)
        airs = [self._ahead(batch, ensemble, coming) for batch, ensemble in hanging]
        days = crisp_days([ensemble for _, ensemble in hanging], airs)
        told = {
            batch.hung_by: self._hanging(batch, ensemble, hour, day)
            for (batch, ensemble), day in zip(hanging, days, strict=True)
        }
        return [
            self._with_harm(
                told.get(batch.hung_by) or self._kept(batch, standing.ensemble, hour),
                batch,
                standing,
            )
            for batch, standing in stands
        ]

    def doubtful(self, batches: Sequence[Batch], asked_ms: int, until_ms: int) -> frozenset[int]:
        """Numbers of the batches of which more is known than what was said at an hour."""
        hour = asked_ms // HOUR_MS
        return frozenset(
            b.hung_by
            for b in batches
            if _watched(b, asked_ms) and not self._standings.holds(b, batches, hour, until_ms)
        )

    def _with_harm(self, prospect: Prospect, batch: Batch, stands: StandingBatch) -> Prospect:
        light, air = stands.light_lx_h, stands.air
        colour = colour_left(
            stands.flower, batch.colour, float(light.sum()), float(light[-24:].sum())
        )
        return replace(
            prospect,
            opening=opening_of(stands.ensemble),
            light_share=colour.share_used,
            months_left=colour.months_left,
            damp_h=int((air.humidity_pct[air.known > 0] > SLOW_HUMIDITY_PCT).sum()),
        )

    def _ahead(self, batch: Batch, ensemble: Ensemble, coming: Mapping[str, Foreseen]) -> AirToCome:
        """The air to come of a batch that hangs."""
        space = batch.space_at(ensemble.hour * HOUR_MS) or ""
        ahead = self._standings.ahead(space, ensemble)
        next_day = coming.get(space)
        if next_day is None or next_day.hour != ensemble.hour:
            return ahead
        return beginning_with(next_day, ahead)

    def _hanging(self, batch: Batch, ensemble: Ensemble, hour: int, told: CrispDay) -> Prospect:
        promised = told.state in ("expected", "crisp")
        better = self._better(batch, ensemble)
        return Prospect(
            batch=batch.hung_by,
            asked_ms=hour * HOUR_MS,
            state=told.state,
            still_to_lose_pct=told.still_to_lose_pct,
            moisture_pct_db=told.moisture_pct_db,
            p_crisp=told.p_crisp,
            crisp_p10=told.crisp_p10 if promised else None,
            crisp_p50=told.crisp_p50 if promised else None,
            crisp_p90=told.crisp_p90 if promised else None,
            loses_pct_a_day=told.loses_pct_a_day,
            stalled=told.stalled,
            humidity_needed_pct=told.humidity_needed,
            p_finishes=told.p_finishes,
            if_dry_p50=None if promised else told.crisp_p50,
            better_space=better[0] if better else None,
            better_left_pct=better[1] if better else None,
        )

    def _better(self, batch: Batch, ensemble: Ensemble) -> tuple[str, float] | None:
        """The space in whose air it would have been clearly drier at the last look, once a day."""
        found = [
            (_left(looked), space)
            for space in self._others(batch)
            if (looked := self._elsewhere.get((batch.hung_by, space))) is not None
        ]
        own = _left(ensemble)
        left, space = min(found, default=(own, ""))
        return (space, left) if own - left >= CLEARLY_BETTER_PCT else None

    def _others(self, batch: Batch) -> list[str]:
        return [space for space in self._spaces if space != batch.stays[-1].space]

    def _look_elsewhere(
        self, hanging: Sequence[tuple[Batch, Ensemble]], hour: int
    ) -> Iterator[None]:
        """Take the same batches on in the air of the other spaces, once a day.

        Nothing is kept of a space too little of whose air is known.
        """
        end = hour - hour % LOOKED_ELSEWHERE_H
        wanted: list[tuple[tuple[int, str], Ensemble, HourlyAir]] = []
        for batch, ensemble in hanging:
            first = batch.hung_ms // HOUR_MS
            for space in self._others(batch) if end > first else ():
                key = batch.hung_by, space
                before = self._elsewhere.get(key)
                if (
                    before is None
                    or before.hour > end
                    or not np.array_equal(before.points, ensemble.points)
                ):
                    before = dryness.at_hanging(ensemble)
                if before.hour == end:
                    continue
                yield from self._standings.read(space, first, end)
                air = self._standings.air_in(space, first, end)
                if air.known.mean() < KNOWN_ENOUGH:
                    self._elsewhere.pop(key, None)
                    continue
                wanted.append((key, before, air.since(before.hour)))
                if sum(len(air) for *_, air in wanted) >= STEPPED_ELSEWHERE_H:
                    self._step_elsewhere(wanted)
                    wanted = []
                    yield
        self._step_elsewhere(wanted)

    def _step_elsewhere(
        self, wanted: Sequence[tuple[tuple[int, str], Ensemble, HourlyAir]]
    ) -> None:
        stepped = dryness.step_each([one for _, one, _ in wanted], [air for *_, air in wanted])
        self._elsewhere.update(zip((key for key, *_ in wanted), stepped, strict=True))

    def _kept(self, batch: Batch, ensemble: Ensemble, hour: int) -> Prospect:
        """How a batch stands that was taken down: it takes up water again as the air lets it."""
        for space in self._spaces:
            self._elsewhere.pop((batch.hung_by, space), None)
        made, now = ensemble.members, ensemble.moisture_pct_db
        return Prospect(
            batch=batch.hung_by,
            asked_ms=hour * HOUR_MS,
            state=KEPT,
            still_to_lose_pct=_left(ensemble),
            moisture_pct_db=float(np.median(now)),
            p_crisp=float((now <= made.target).mean()),
            crisp_p10=None,
            crisp_p50=None,
            crisp_p90=None,
            loses_pct_a_day=0.0,
            stalled=False,
            humidity_needed_pct=None,
        )


def _watched(batch: Batch, asked_ms: int) -> bool:
    """Whether something is to be said of a batch at an hour."""
    there = batch.space_at(asked_ms) is not None or batch.taken_down_since(asked_ms - HOUR_MS)
    return batch.hung_ms < asked_ms and there


def still_true(said: Prospect, batch: Batch) -> Prospect | None:
    """What was said at the last full hour, as far as it holds since the newest entries.

    Of one taken down since, nothing is foreseen any more; of one moved or hung up again since, what
    was said of its place is not true here. None: nothing of it holds.
    """
    down = batch.taken_down_ms is not None
    if down and said.state != KEPT:
        return replace(_told_of_no_place(said), state=KEPT)
    if not down and said.state == KEPT:
        return None
    if not down and batch.stays[-1].from_ms > said.asked_ms:
        return replace(_told_of_no_place(said), state="unknown")
    return said


def _told_of_no_place(said: Prospect) -> Prospect:
    return replace(
        said,
        crisp_p10=None,
        crisp_p50=None,
        crisp_p90=None,
        loses_pct_a_day=0.0,
        stalled=False,
        humidity_needed_pct=None,
        p_finishes=None,
        if_dry_p50=None,
        better_space=None,
        better_left_pct=None,
    )


def _left(ensemble: Ensemble) -> float:
    """Still to lose, the middle member [%]."""
    return float(np.median(ensemble.members.still_to_lose(ensemble.moisture_pct_db)))


# °C·h above the opening threshold while moist: our own choice, until outcomes calibrate it.
SOME_OPENING, MUCH_OPENING = 150.0, 500.0
NOT_DRY_BELOW = 0.5  # probability of crisp under which a takedown was likely too soon


def opening_of(ensemble: Ensemble) -> str | None:
    """How much the warmth has opened its heads: little, some or much; None: they never do."""
    if ensemble.hung.flower.opening_above_c is None:
        return None
    return opening_word(ensemble.opening_c_h)


def opening_word(load_c_h: float) -> str:
    """The load in a word: little, some or much."""
    if load_c_h < SOME_OPENING:
        return "little"
    return "some" if load_c_h < MUCH_OPENING else "much"


@dataclass(frozen=True)
class Colour:
    """How a batch's colour stands.

    share_used   light dose so far as a share of what it bears [-], 1 at a noticeable fade
    months_left  months of good colour at the light of a day now, or None in the dark
    """

    share_used: float
    months_left: float | None


def colour_left(
    flower: Flower,
    colour: str | None,
    dose_lx_h: float,
    daily_dose_lx_h: float,
    *,
    ultraviolet: bool = False,
) -> Colour:
    """How much light the colour has had and how long it will last.

    dose_lx_h        light dose since it was hung [lx·h]
    daily_dose_lx_h  light dose of a day in the space now [lx·h]
    ultraviolet      true where the sun reaches it
    """
    blue_wool = flower.blue_wool(colour)
    return Colour(
        light.share_of_colour_used(dose_lx_h, blue_wool, ultraviolet=ultraviolet),
        light.months_of_colour_left(dose_lx_h, daily_dose_lx_h, blue_wool, ultraviolet=ultraviolet),
    )
