"""A week of hard cases, and how often the phone rings: python -m tests.notices.week

Spells come from real watches over made air, notices from the real rules over a real store; the
daily line and the digest are off. Night rest and cap are the default ones.
"""

from __future__ import annotations

import tempfile
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from pathlib import Path
from typing import NamedTuple
from zoneinfo import ZoneInfo

from monitor.air.spells import INSIDE, Limit, Spell, spell_of, step
from monitor.engine.effects import Effects
from monitor.notices.notice import Circumstances, Notice, Weight
from monitor.notices.settlement import Settler
from monitor.notices.spell_rules import Policy
from monitor.site.kinds import Kind
from monitor.site.spaces import Limits, Site, Space, Use
from monitor.site.time import DAY_MIN, MINUTE_MS, local_day
from monitor.store.writer import Writer

ZONE = "Europe/London"
BEGIN = int(datetime(2026, 7, 6, tzinfo=ZoneInfo(ZONE)).timestamp()) // 60
WEEK_MIN = 7 * DAY_MIN
HOT = Limit(Kind.HOT, 32.0, 0.5, above=True, delay_min=20)
DEWY = Limit(Kind.DEWY, 3.0, 0.5, above=False, delay_min=20)
SILENT = Limit(Kind.SILENT, 0.5, 0.0, above=True, delay_min=5)
STUCK = Limit(Kind.STUCK, 0.5, 0.0, above=True, delay_min=5)
SPACES = [f"room {n:02}" for n in range(1, 21)]
SITE = Site(
    "Fernhollow", 52.1, -3.4, 210, ZONE, "°C",
    {name: Space(name, Use.HANGING, Limits(hot_c=32, dew_margin_k=3)) for name in SPACES}
    | {"cellar": Space("cellar", Use.HANGING, Limits(dew_margin_k=3))}, {},
)  # fmt: skip
AROUND = Circumstances(SITE, 100_000.0)
POLICY = Policy(all_well_at=None)


class Track(NamedTuple):
    """What one limit sees: whether it is passed, by minute since the week began."""

    space: str
    limit: Limit
    passed: Callable[[int], bool]
    sensor: str | None = None

    def value(self, minute: int) -> float:
        """A measured value on the right side of the limit."""
        beyond = 2.0 if self.passed(minute) else -2.0
        return self.limit.value + (beyond if self.limit.above else -beyond)


class Case(NamedTuple):
    """Tracks, and how many rings a day are asked at most."""

    name: str
    asked: int
    tracks: Sequence[Track]


def cases() -> list[Case]:
    """The table."""

    def hot(space: str, passed: Callable[[int], bool]) -> Track:
        return Track(space, HOT, passed)

    def cycle(minutes: int, after: int = 0) -> Callable[[int], bool]:
        return lambda m: (m - after) % minutes < minutes // 2 and m > 10 * 60

    def afternoon(after: int) -> Callable[[int], bool]:
        return lambda m: 12 * 60 + after <= m % DAY_MIN < 19 * 60 + after

    one = [
        Case(f"one space that comes and goes, {minutes} min", 3, [hot(SPACES[0], cycle(minutes))])
        for minutes in (50, 60, 120, 240, 480, 720)
    ]
    rail = (SPACES[0], "room 01 rail")
    return [
        *one,
        Case(
            "twenty spaces at once, every afternoon", 4,
            [hot(space, afternoon(0)) for space in SPACES],
        ),
        Case(
            "twenty spaces, one after the other, every afternoon", 4,
            [hot(space, afternoon(3 * n)) for n, space in enumerate(SPACES)],
        ),
        Case("twenty spaces at once, all week", 4, [hot(s, lambda m: m > 600) for s in SPACES]),
        Case(
            "twenty spaces that come and go, an hour each", 4,
            [hot(space, cycle(120, 3 * n)) for n, space in enumerate(SPACES)],
        ),
        Case(
            "a broken sensor, silent and stuck in turn", 2,
            [
                Track(rail[0], SILENT, lambda m: m % 90 < 30, rail[1]),
                Track(rail[0], STUCK, lambda m: 40 <= m % 90 < 80, rail[1]),
            ],
        ),
    ]  # fmt: skip


# Each case has this beside it: water settles in the cellar at two in the fifth night.
NIGHT = 4 * DAY_MIN + 120
CELLAR = Track("cellar", DEWY, lambda m: NIGHT <= m < NIGHT + 180)


def said_in(
    tracks: Sequence[Track], restart_every_min: int = WEEK_MIN, minutes: int = WEEK_MIN
) -> list[Notice]:
    """Everything said in the week, or its first minutes, by a program started anew so often."""
    with tempfile.TemporaryDirectory() as folder:
        writer = Writer(Path(folder) / "week.sqlite")
        try:
            return list(_said(writer, tracks, restart_every_min, minutes))
        finally:
            writer.close()


def _said(
    writer: Writer, tracks: Sequence[Track], restart_every_min: int, minutes: int
) -> Iterator[Notice]:
    settler = Settler(SITE, POLICY, writer)
    watches = [INSIDE] * len(tracks)
    for m in range(minutes):
        minute, after = BEGIN + m, list[Spell]()
        for n, track in enumerate(tracks):
            watches[n], ended = step(watches[n], track.limit, track.space, minute, track.value(m))
            going_on = spell_of(watches[n], track.limit.kind, track.space)
            after += [s._replace(sensor=track.sensor) for s in (ended, going_on) if s is not None]
        settlement = settler.settle(minute, after, AROUND, (minute + 1) * MINUTE_MS)
        if settlement is not None:
            writer.apply(Effects(settlements=[settlement], settled=minute))
            yield from (row.notice for row in settlement.notices)
        if (m + 1) % restart_every_min == 0:
            writer.apply(Effects(settled=minute))
            writer.commit()
            settler = Settler(SITE, POLICY, writer)


def rings(said: Sequence[Notice]) -> list[Notice]:
    """What rang, without the digests."""
    return [n for n in said if n.weight is not Weight.NOTE and n.spell_began is not None]


def most_in_a_day(rang: Sequence[Notice]) -> int:
    """Rings on the worst day at the site."""
    days = Counter(local_day(n.made_ms, ZONE) for n in rang if n.space != CELLAR.space)
    return max(days.values(), default=0)


def delay_min(rang: Sequence[Notice]) -> int | None:
    """How long after its own delay what settled in the cellar rang; None: never."""
    made = [n.made_ms for n in rang if n.space == CELLAR.space]
    declared = BEGIN + NIGHT + DEWY.delay_min
    return made[0] // MINUTE_MS - declared if made else None


def main() -> None:
    """Print the table."""
    print(f"{'a week of':54} {'rings':>6} {'worst day':>10} {'asked':>6} {'harm waits':>11}")
    for case in cases():
        rang = rings(said_in([*case.tracks, CELLAR]))
        waits = delay_min(rang)
        told = "never" if waits is None else f"{waits} min"
        print(f"{case.name:54} {len(rang):6} {most_in_a_day(rang):10} {case.asked:6} {told:>11}")


if __name__ == "__main__":
    main()
