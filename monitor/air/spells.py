"""Limits → spells: the times during which a limit is passed.

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

from typing import NamedTuple

from monitor.site.kinds import Kind

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
