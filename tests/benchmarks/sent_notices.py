"""What the monitor's own rule tells of heat to come in simulated sheds, and what became of it."""

import sys
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.ahead.courses import WITHIN_H, Watched, fit, paths
from monitor.ahead.grid import GridAir
from monitor.ahead.look import Coming
from monitor.ahead.model import Location, ready
from monitor.air.spells import Spell
from monitor.engine.round import TELL_EVERY_MIN
from monitor.notices.notice import Circumstances
from monitor.notices.once_rules import Foretold, Ringing, SoonRules
from monitor.notices.spell_rules import Policy
from monitor.site.kinds import Kind
from monitor.site.spaces import Limits, Site, Space, Use
from monitor.site.time import local_day
from tests.benchmarks.shed_simulator import Record, climates
from tests.benchmarks.table import Row

Array = NDArray[np.float64]
DAY, HOUR = 144, 6  # steps of ten minutes
BACK_INSIDE_K = 0.5


def say(line: str) -> None:
    print(line, file=sys.stderr, flush=True)


def spells(temperature: Array, limit: float) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """First steps of spells (two means running past the limit), and where one is on."""
    count = np.arange(len(temperature))
    known = np.isfinite(temperature)
    values = np.interp(count, count[known], temperature[known])
    begins, on = [], np.zeros(len(values), dtype=bool)
    now_on = False
    for i in range(len(values) - 1):
        if not now_on and values[i] > limit and values[i + 1] > limit:
            now_on = True
            begins.append(i)
        elif now_on and values[i] < limit - BACK_INSIDE_K:
            now_on = False
        on[i] = now_on
    return np.array(begins, dtype=np.int64), on


class Daily(NamedTuple):
    """What the monitor's own rule sends: asked every half hour, of twelve hours, once a day
    at most, never in the night rest; and what became of it.

    sent, came  notices; those whose spell began while they stood
    spells      all of the year, those that began in the night rest too
    foreseen    those for which a notice stood when they began
    days, foreseen_days  days with a spell; those on which the first one was foreseen
    """

    sent: int
    came: int
    spells: int
    foreseen: int
    days: int
    foreseen_days: int
    lead_min: list[int]


def as_the_monitor_sends(record: Record, every_days: int, skip: int) -> Daily:
    """A shed's year through the monitor's own teller, by half hours."""
    history = GridAir(*record[3:8])
    site, past = Location(record.latitude, record.longitude), ready(history)
    limit, minutes = record.shed.hot_c, history.minute
    begins, on = spells(history.temperature_c, limit)
    zone = f"Etc/GMT{-round(climates_offset_h(record)):+d}"
    space = Space("shed", Use.HANGING, Limits(hot_c=limit))
    place = Site("Bench", *site[:2], 0.0, zone, "°C", {"shed": space}, {})
    around, policy, teller = Circumstances(place, site.pressure_pa), Policy(), SoonRules(())
    delay = -(-space.delays.hot // 10)
    known = [_spell(int(b), on, minutes) for b in begins]
    told: list[Foretold] = []
    stood: dict[int, int] = {}  # beginning of a spell: minutes since its notice
    asked: list[int] = []
    standing: list[Foretold] = []
    for begin in range(30 * DAY, len(on) - DAY, every_days * DAY * skip):
        model = fit(history, int(minutes[begin]), site)
        index = np.arange(begin, min(begin + every_days * DAY, len(on) - DAY))
        index = index[
            (minutes[index] % TELL_EVERY_MIN == 0) & np.isfinite(history.temperature_c[index])
        ]
        for part in np.array_split(index, every_days):
            course, _ = paths(model, past, part, WITHIN_H * HOUR + delay)
            for step, ahead_of in zip(part.tolist(), course, strict=True):
                now = int(minutes[step])
                asked.append(now)
                so_far = [s for s in known if s.began <= now and now - s.began < 2880]
                so_far = [s._replace(ended=None) if (s.ended or 0) > now else s for s in so_far]
                for spell in so_far:
                    came = [f for f in standing if f.told_ms // 60_000 < spell.began]
                    if came and spell.began > now - TELL_EVERY_MIN:
                        stood.setdefault(spell.began, spell.began - came[0].told_ms // 60_000)
                watched = Watched(
                    Kind.HOT, limit, history.temperature_c[: step + 1][-36:], ahead_of, delay
                )
                ringing = Ringing(policy.resting(now * 60_000, zone))
                _, changed = teller.tell("shed", [watched], Coming(now), so_far, around, ringing)
                told += changed
                standing = teller.standing("shed")
    moments = set(asked)
    judged = [s.began for s in known if -(-s.began // TELL_EVERY_MIN) * TELL_EVERY_MIN in moments]
    days = {local_day(b * 60_000, zone): b for b in reversed(judged)}  # the first of each day
    sent = [f for f in told if f.closed is None]
    return Daily(
        len(sent), sum(f.closed == "came" for f in told), len(judged),
        sum(b in stood for b in judged), len(days), sum(b in stood for b in days.values()),
        [stood[b] for b in judged if b in stood],
    )  # fmt: skip


def climates_offset_h(record: Record) -> float:
    """Hours local standard time is ahead of UTC."""
    return climates()[record.shed.climate].utc_offset_h


def _spell(begin: int, on: NDArray[np.bool_], minutes: NDArray[np.int64]) -> Spell:
    after = np.flatnonzero(~on[begin:])
    ended = int(minutes[begin + after[0]]) if after.size else None
    began = int(minutes[begin])
    return Spell(Kind.HOT, "shed", None, began, began + 10, ended, 0.0, settled=ended)


def daily_rows(records_of: list[Record], every_days: int, skip: int) -> list[Row]:
    """What is asked of notices, judged by what the monitor itself sends."""
    say("\nAs the monitor sends them: half hours, twelve hours, once a day, not in the night rest")
    say(
        "| shed | notices | came | spells | foreseen | days with one | foreseen | median lead min |"
    )
    say("|---" * 8 + "|")
    found = [as_the_monitor_sends(record, every_days, skip) for record in records_of]
    for record, one in zip(records_of, found, strict=True):
        say(_daily_row(f"{record.shed.climate}, {record.shed.name}", one))
    leads = [lead for one in found for lead in one.lead_min]
    total = Daily(*(sum(one[i] for one in found) for i in range(6)), leads)
    say(_daily_row("all", total))
    sent = f"{total.sent} notices, {total.spells} spells on {total.days} days"
    return [
        Row("as the monitor tells it: notices whose spell came while they stood", sent,
            f"{total.came / max(total.sent, 1):.2f}", "", None, "≥ 0.85"),
        Row("… days with a spell that were foreseen", sent,
            f"{total.foreseen_days / max(total.days, 1):.2f}", "", None, "≥ 0.80"),
        Row("… spells that were foreseen", sent, f"{total.foreseen / max(total.spells, 1):.2f}"),
        Row("… median lead", sent, f"{np.median(leads or [0]):.0f} min", "", None, "≥ 60 min"),
    ]  # fmt: skip


def _daily_row(name: str, one: Daily) -> str:
    return (
        f"| {name} | {one.sent} | {one.came / max(one.sent, 1):.2f} | {one.spells} "
        f"| {one.foreseen / max(one.spells, 1):.2f} | {one.days} "
        f"| {one.foreseen_days / max(one.days, 1):.2f} | {np.median(one.lead_min or [0]):.0f} |"
    )
