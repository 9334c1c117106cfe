"""Limits → spells: the times during which a limit is passed, and what became of them.

One watch per space and limit is stepped through the minutes of air by `step`:

    phase      a minute past the limit   not past it, or inside   no air known
    ---------  ------------------------  -----------------------  --------------------------
    inside     → waiting, began here     inside                   inside
    waiting    counts; after the delay   → inside                 over 60 min: not counted
               → spell, declared here                             over 6 h: → inside
    spell      goes on, worst kept       inside the deadband:     over 6 h: → inside, ended
                                         → inside, ended here     at its last known minute

Past is strictly beyond the limit. Inside means back by the deadband; between the two a spell goes
on and a waiting watch is over, for a spell is declared only if every known minute was past it.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from monitor.air.minute import MinuteOfAir, Musty, surface_of
from monitor.site.kinds import Kind
from monitor.site.spaces import Space

GAP_NOT_COUNTED_MIN = 60
GAP_THAT_CLOSES_MIN = 360


class Spell(NamedTuple):
    """A time during which a limit is passed; minutes are UTC epoch minutes.

    space, sensor  a fault of the whole feed has neither
    began          first minute past the limit
    declared       minute at which the delay was over and it became a spell
    ended          first minute back inside the deadband; None: still going on
    worst          the extreme value reached, in the unit of its kind
    urgent         it passed the second, urgent limit long enough (damp only)
    settled        the minute in which its end was known; later than `ended` after a long gap
    """

    kind: Kind
    space: str | None
    sensor: str | None
    began: int
    declared: int
    ended: int | None
    worst: float
    urgent: bool = False
    settled: int | None = None


class Limit(NamedTuple):
    """What a watch compares with; `value` and `deadband` in the unit of its kind.

    above          past means greater than the value; else less than it
    delay_min      how long it must be passed before it is a spell [min]
    urgent_value   a second limit; past it for `urgent_delay_min`, the spell is urgent
    """

    kind: Kind
    value: float
    deadband: float
    above: bool
    delay_min: int
    urgent_value: float | None = None
    urgent_delay_min: int = 0

    def past(self, measured: float) -> bool:
        """Whether the limit is passed."""
        return measured > self.value if self.above else measured < self.value

    def inside(self, measured: float) -> bool:
        """Whether the air is back by the deadband."""
        if self.above:
            return measured <= self.value - self.deadband
        return measured >= self.value + self.deadband

    def worse(self, one: float, other: float) -> float:
        """The more extreme of two values."""
        return max(one, other) if self.above else min(one, other)


class Watch(NamedTuple):
    """How things stand with one limit of one space, up to and including minute `last`.

    began         first minute past the limit; None: inside
    declared      the minute in which it became a spell; None: still waiting
    last          last known minute since it began
    uncounted     minutes of long gaps, which do not count towards the delay
    urgent_since  first minute past the urgent limit; None: not past it
    """

    began: int | None = None
    declared: int | None = None
    worst: float = 0.0
    last: int = 0
    uncounted: int = 0
    urgent_since: int | None = None
    urgent: bool = False


INSIDE = Watch()


def step(
    watch: Watch, limit: Limit, space: str, minute: int, value: float | None
) -> tuple[Watch, Spell | None]:
    """One minute further: the new watch, and the spell that ended, if one did.

    value   the measured value in this minute; None: not known
    """
    if value is None:
        if watch.began is None or minute - watch.last <= GAP_THAT_CLOSES_MIN:
            return watch, None
        return INSIDE, spell_of(watch, limit.kind, space, watch.last, minute)
    if watch.began is None:
        if not limit.past(value):
            return INSIDE, None
        watch = Watch(began=minute, worst=value, last=minute - 1)
        return _go_on(watch, minute, limit, minute, value), None
    if watch.declared is None:
        if not limit.past(value):
            return INSIDE, None
    elif limit.inside(value):
        return INSIDE, spell_of(watch, limit.kind, space, minute, minute)
    return _go_on(watch, watch.began, limit, minute, value), None


def _go_on(watch: Watch, began: int, limit: Limit, minute: int, value: float) -> Watch:
    gap = minute - watch.last - 1
    uncounted = watch.uncounted + (gap if gap > GAP_NOT_COUNTED_MIN else 0)
    declared = watch.declared
    if declared is None and minute + 1 - began - uncounted >= limit.delay_min:
        declared = minute
    since = _urgent_since(watch, limit, minute, value, gap)
    urgent = watch.urgent or (
        since is not None and declared is not None and minute + 1 - since >= limit.urgent_delay_min
    )
    worst = limit.worse(watch.worst, value)
    return Watch(began, declared, worst, minute, uncounted, since, urgent)


def _urgent_since(watch: Watch, limit: Limit, minute: int, value: float, gap: int) -> int | None:
    if limit.urgent_value is None:
        return None
    if not (value > limit.urgent_value if limit.above else value < limit.urgent_value):
        return None
    if watch.urgent_since is None or gap > GAP_NOT_COUNTED_MIN:
        return minute
    return watch.urgent_since


def spell_of(
    watch: Watch,
    kind: Kind,
    space: str | None,
    ended: int | None = None,
    settled: int | None = None,
    sensor: str | None = None,
) -> Spell | None:
    """The spell a watch stands for; None while it is inside or waiting."""
    if watch.began is None or watch.declared is None:
        return None
    return Spell(
        kind, space, sensor, watch.began, watch.declared, ended, watch.worst, watch.urgent, settled
    )


def limits_of(space: Space) -> tuple[Limit, ...]:
    """The limits of a space, those that are set."""
    found = ((kind, getattr(space.limits, kind.row.limit)) for kind in Kind if kind.row.limit)
    return tuple(_limit(space, kind, value) for kind, value in found if value is not None)


def limit_once_crisp(space: Space) -> Limit | None:
    """The limit that holds only while something crisp hangs in the space; None: there is none."""
    arid_pct = space.limits.arid_once_crisp_pct
    return None if arid_pct is None else _limit(space, Kind.ARID, arid_pct)


def _limit(space: Space, kind: Kind, value: float) -> Limit:
    row, delays = kind.row, space.delays
    deadband = row.deadband * value if row.of_limit else row.deadband
    limit = Limit(kind, value, deadband, row.above, getattr(delays, kind.value, 0))
    if kind is not Kind.DAMP:
        return limit
    urgent = limit._replace(
        urgent_value=space.limits.damp_now_pct, urgent_delay_min=delays.damp_now
    )
    mean = space.limits.damp_is_daily_mean
    return urgent._replace(delay_min=0, urgent_delay_min=0) if mean else urgent


class DailyMean(NamedTuple):
    """Running sums of the last 24 full hours and the one going on.

    hours   (hour of the epoch, sum, count) of known minutes, oldest first
    """

    hours: tuple[tuple[int, float, int], ...] = ()

    def with_minute(self, minute: int, value: float | None) -> DailyMean:
        """One minute further."""
        hour = minute // 60
        hours = self.hours
        if hours and hours[0][0] <= hour - 24:
            hours = tuple(h for h in hours if h[0] > hour - 24)
        if value is None:
            return DailyMean(hours)
        if hours and hours[-1][0] == hour:
            _, total, count = hours[-1]
            return DailyMean((*hours[:-1], (hour, total + value, count + 1)))
        return DailyMean((*hours, (hour, value, 1)))

    def mean(self) -> float | None:
        """The mean; None unless at least half the day is known."""
        count = sum(h[2] for h in self.hours)
        return sum(h[1] for h in self.hours) / count if count >= 720 else None


def measured(
    kind: Kind, space: Space, air: MinuteOfAir | None, humidity: DailyMean, musty: Musty
) -> float | None:
    """The value that a limit of this kind compares with in this minute."""
    if air is None:
        return None
    if kind is Kind.MUSTY:
        return None if surface_of(air) is None else musty.measured()
    value: float | None = getattr(air, kind.row.column)
    if kind is Kind.DAMP and space.limits.damp_is_daily_mean:
        return None if value is None else humidity.mean()
    return value


class SpellKey(NamedTuple):
    """Which spell."""

    kind: str
    space: str | None
    sensor: str | None
    began: int


def key_of(spell: Spell) -> SpellKey:
    """The identity of a spell."""
    return SpellKey(spell.kind.value, spell.space, spell.sensor, spell.began)


class SpellChanges(NamedTuple):
    """Spells before and after, compared.

    removed   told of before, and no longer any spell overlaps them
    going_on  all that have not ended
    moved     spells, as they were, that now have another beginning [UTC epoch minutes]. They
              can be renamed one by one: none moves to where another moves away from, for that
              one would not have moved
    """

    added: tuple[Spell, ...]
    ended: tuple[Spell, ...]
    removed: tuple[Spell, ...]
    going_on: tuple[Spell, ...]
    moved: tuple[tuple[Spell, int], ...]


def compare(before: Iterable[Spell], after: Iterable[Spell]) -> SpellChanges:
    """What became of the spells; two of one kind and place that overlap are the same."""
    old, new = list(before), list(after)
    same = {spell: _best_overlap(spell, new) for spell in old}
    kept = {match for match in same.values() if match is not None}
    unchanged = set(old)
    return SpellChanges(
        added=tuple(s for s in new if s not in kept),
        ended=tuple(s for s in new if s in kept and s.ended is not None and s not in unchanged),
        removed=tuple(s for s in old if same[s] is None),
        going_on=tuple(s for s in new if s.ended is None),
        moved=tuple(
            (s, match.began) for s, match in same.items() if match and match.began != s.began
        ),
    )


def _best_overlap(spell: Spell, others: Iterable[Spell]) -> Spell | None:
    """The spell of the same kind and place that this one has become, if any.

    One with the same beginning; else that which shares the most minutes, the earliest of equals.
    Of a spell still going on, the minutes up to its declaration count first: how far it went on
    after them was not known.
    """
    place = (spell.kind, spell.space, spell.sensor)
    rivals = [s for s in others if (s.kind, s.space, s.sensor) == place and _shared(spell, s) > 0]
    sure = spell if spell.ended is not None else spell._replace(ended=spell.declared)
    return max(
        rivals,
        key=lambda s: (s.began == spell.began, _shared(sure, s), _shared(spell, s), -s.began),
        default=None,
    )


def _shared(one: Spell, other: Spell) -> float:
    """Minutes two spells share, negative where they are apart; endless where both go on."""
    ends = [float("inf") if s.ended is None else max(s.ended, s.began + 1) for s in (one, other)]
    return min(ends) - max(one.began, other.began)
