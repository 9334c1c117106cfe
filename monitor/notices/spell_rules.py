"""What reaches the phone, when and how often.

For each spell, from what was said of it already (oldest rule first; `said` is since it was last
taken back):

    the spell      said                 now
    -------------  -------------------  ------------------------------------------------------
    going on       nothing              "began", with the weight of its kind
    going on       never as urgent      "worse", once it is urgent and may ring
    going on       only as a note       "reminder", as soon as it may ring
    going on       rang                 "reminder" every few hours, or daily where nothing spoils
                                        within hours; none once it was seen
    ended          nothing              "ended", a note: long over when first known
    ended          last not "ended"     "ended"; rings if the spell had rung
    not any more   anything             "taken back"; rings if the spell had rung

Every spell has its row at once. What may not ring becomes a note, which only the digest carries:
while a pause lasts, in the night rest, past the daily cap, and beside a fault of the whole feed. A
spell that still stands in the morning, or on the next day, rings then. Only what harms before
morning (`rings_at_night`) passes the night rest, and only a pause holds it then.

Alarms must stay few to be heeded (alarm management as ANSI/ISA-18.2 and IEC 62682 have it):

    the cap          a few a day for a space, two for a sensor's faults. Beyond it only the first
                     `now` of a kind and space in six hours
    comes and goes   the end of what came twice in 24 hours is a note. From the third time on it is
                     one with those before (a chattering alarm): its returns do not ring; once in a
                     while one says how often, and what to change about the limit or the room. What
                     then stays for long is reminded of again
    many at once     from three spaces on they are one notice that names them, until all are over;
                     each one's own is a note. Over the day their kind has one cap for all spaces
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from functools import cached_property

from monitor.air.spells import Spell, SpellChanges, key_of
from monitor.notices.notice import (
    Circumstances,
    Notice,
    NoticeRow,
    Part,
    Said,
    Weight,
    midnight,
)
from monitor.notices.sentences import spells as words
from monitor.site.kinds import Kind
from monitor.site.time import DAY_MIN, DAY_MS, HOUR_MS, MINUTE_MS, epoch_ms_of, local, minute_of_day

SENSOR_CAP = 2  # rings of a sensor's faults in a day
FIRST_IN_MS = 6 * HOUR_MS
CHATTERING = 3  # times in 24 hours; the standards count a few in minutes, a shed is slower
CHATTERING_CAP = 3  # rings of what comes and goes in a day
MANY = 3  # spaces with the same kind of spell at once
MANY_MORE_MS = 30 * MINUTE_MS  # after this, as many again are named


@dataclass(frozen=True)
class Policy:
    """How the phone may be used; times are minutes of the site's day.

    daily_cap           notices that may ring for one space in a day
    reminder_every_min  while something spoils within hours [min]
    all_well_at         None: no daily line
    """

    night_rest_from: int = 21 * 60 + 30
    night_rest_until: int = 7 * 60
    daily_cap: int = 4
    reminder_every_min: int = 6 * 60
    all_well_at: int | None = 7 * 60 + 30
    digest_at: int = 18 * 60 + 30

    def resting(self, now_ms: int, timezone: str) -> bool:
        """Whether it is night rest at the site."""
        now = minute_of_day(now_ms, timezone)
        if self.night_rest_from <= self.night_rest_until:
            return self.night_rest_from <= now < self.night_rest_until
        return now >= self.night_rest_from or now < self.night_rest_until


# --- what to say ----------------------------------------------------------------------------


def decide(
    changes: SpellChanges, said: Said, policy: Policy, circumstances: Circumstances, now_ms: int
) -> list[Notice]:
    """What is to be said now; calling it again with the result in `said` says nothing new.

    `said` may still have the old beginnings of `changes.moved`, or already the new ones.
    """
    said = said.rekeyed(changes.moved)
    whole_feed = frozenset(s.kind for s in changes.going_on if s.space is None)
    at_once = {k: _at_once(k, changes, said, now_ms) for k in Kind if k not in whole_feed}
    as_one = whole_feed | {kind for kind, one in at_once.items() if one is not None}
    notices: list[Notice] = []
    for spell in (*changes.removed, *_in_order(changes)):
        rules = _Rules(spell, said, policy, circumstances, as_one, now_ms)
        notice = rules.taken_back() if spell in changes.removed else rules.stands()
        if notice is not None:
            notices.append(notice)
            said = said.with_notices([notice])
    for kind, one in at_once.items():
        if one is not None:
            spells = tuple(s for s in changes.going_on if s.kind is kind)
            notice = _Rules(one, said, policy, circumstances, as_one, now_ms, spells).stands()
            if notice is not None:
                notices.append(notice)
                said = said.with_notices([notice])
    return notices


def _at_once(kind: Kind, changes: SpellChanges, said: Said, now_ms: int) -> Spell | None:
    """The spells of a kind in many spaces, as one spell of no space; None: they are not many.

    It begins in the minute in which they are many, and ends when none is left.
    """
    spells = [s for s in changes.going_on if s.kind is kind]
    last, now = said.of_all(kind), now_ms // MINUTE_MS
    over = last is None or last.part in (Part.ENDED, Part.TAKEN_BACK)
    began = None if last is None or over else last.spell_began
    feeds = {s.began for s in (*changes.ended, *changes.removed) if s.space is None}
    began = None if began in feeds else began
    if began is None and (len(spells) < MANY or kind.row.weight == Weight.NOTE):
        return None
    worst = [s.worst for s in spells] or [0.0]
    return Spell(
        kind=kind,
        space=None,
        sensor=None,
        began=now if began is None else began,
        declared=now if began is None else began,
        ended=None if spells else now,
        worst=max(worst) if kind.row.above else min(worst),
        urgent=any(s.urgent for s in spells),
    )


def _in_order(changes: SpellChanges) -> list[Spell]:
    spells = {*changes.added, *changes.ended, *changes.going_on}
    return sorted(spells, key=lambda s: (s.began, s.kind, s.space or "", s.sensor or ""))


def weight_of(spell: Spell) -> Weight:
    """How much a spell matters while it goes on; a fault of the whole feed is urgent."""
    row = spell.kind.row
    urgent = spell.urgent or (row.fault and spell.sensor is None)
    return Weight.NOW if urgent else Weight(row.weight)


def rings_at_night(kind: str, weight: Weight) -> bool:
    """Whether it harms before morning: heat, water settling, and air at the urgent dampness."""
    return weight is Weight.NOW and kind in set(Kind) and Kind(kind).row.at_night


def deliver_at(notice: Notice, policy: Policy, timezone: str) -> int | None:
    """When a notice's outbox rows may first be tried [UTC epoch ms]; None: only in the digest."""
    if notice.weight is Weight.NOTE:
        return None
    if rings_at_night(notice.kind, notice.weight) or not policy.resting(notice.made_ms, timezone):
        return notice.made_ms
    now = local(notice.made_ms, timezone)
    hour, minute = divmod(policy.night_rest_until, 60)
    end = now.replace(hour=hour, minute=minute, second=0, microsecond=0)
    if end <= now:
        end = (now + timedelta(days=1)).replace(hour=hour, minute=minute, second=0, microsecond=0)
    return epoch_ms_of(end)


@dataclass(frozen=True)
class _Rules:
    """What the tables above come to for one spell.

    as_one  kinds told of as one, for the whole feed or many spaces: each one's own is only noted
    many    the spells that this one is; None: it is one of its own
    """

    spell: Spell
    said: Said
    policy: Policy
    circumstances: Circumstances
    as_one: frozenset[Kind]
    now_ms: int
    many: tuple[Spell, ...] | None = None

    @cached_property
    def rows(self) -> list[NoticeRow]:
        """What was said of the spell since it was last taken back."""
        return self.said.said_of(key_of(self.spell))

    @cached_property
    def comings(self) -> int:
        """How often it came in the last 24 hours, this time with it."""
        since = self.now_ms // MINUTE_MS - DAY_MIN
        return self.said.comings(key_of(self.spell), since) + (0 if self.rows else 1)

    @cached_property
    def _told_as_one(self) -> bool:
        """Whether its kind was told of as one for many places in the last 24 hours."""
        of_all = self.said.of_all(self.spell.kind)
        return of_all is not None and self.now_ms - of_all.made_ms < DAY_MS

    @cached_property
    def rung(self) -> list[Notice]:
        """What rang in the last two days and counts with this one.

        Of its sensor, of its space, or, where its kind was told of as one, of its kind everywhere.
        """
        rung, spell = self.said.rung(self.now_ms - 2 * DAY_MS), self.spell
        if self._told_as_one or self.many is not None:
            return [n for n in rung if n.kind == spell.kind]
        if spell.sensor is not None:
            return [n for n in rung if n.sensor == spell.sensor]
        return [n for n in rung if n.space == spell.space]

    def taken_back(self) -> Notice | None:
        """A spell that late data undid."""
        return self._notice(Part.TAKEN_BACK, self._afterwards()) if self.rows else None

    def stands(self) -> Notice | None:
        """A spell that goes on, or is over."""
        if self.spell.ended is None:
            return self._going_on()
        if not self.rows:
            return words.afterwards(self.spell, self.circumstances, self.now_ms)
        if self.rows[-1].notice.part == Part.ENDED:
            return None
        return self._notice(Part.ENDED, self._afterwards())

    def _going_on(self) -> Notice | None:
        weight = weight_of(self.spell)
        if not self.rows:
            return self._notice(Part.BEGAN, weight)
        urgent = any(
            r.notice.weight is Weight.NOW or r.notice.part == Part.WORSE for r in self.rows
        )
        if self.spell.urgent and not urgent:
            part, due = Part.WORSE, True
        else:
            part, due = Part.REMINDER, self._reminder_due(weight)
        return self._notice(part, weight) if due and self._may_ring(part, weight) else None

    def _reminder_due(self, weight: Weight) -> bool:
        if any(row.seen_ms is not None for row in self.rows):
            return False
        rung = [r.notice.made_ms for r in self.rows if r.notice.weight is not Weight.NOTE]
        if not rung or self._many_more(rung[-1]):
            return True
        row = self.spell.kind.row
        within_hours = row.within_hours or rings_at_night(self.spell.kind, weight)
        every = self.policy.reminder_every_min if within_hours else DAY_MIN
        return self.now_ms - rung[-1] >= every * MINUTE_MS

    def _many_more(self, last_ms: int) -> bool:
        """Whether about as many spaces as were named have joined since the last ring."""
        if self.now_ms - last_ms < MANY_MORE_MS:
            return False
        many = self.many or ()
        joined = sum(s.declared * MINUTE_MS > last_ms for s in many)
        return joined >= max(MANY, len(many) - joined)

    def _notice(self, part: Part, weight: Weight) -> Notice:
        allowed = weight if self._may_ring(part, weight) else Weight.NOTE
        about = (part, allowed, self.circumstances, self.now_ms)
        if self.many is not None:
            return words.of_many(self.spell, self.many, *about)
        times = self.comings if self.comings >= CHATTERING else 0
        return words.notice(self.spell, *about, times)

    def _may_ring(self, part: Part, weight: Weight) -> bool:
        spell, zone = self.spell, self.circumstances.site.timezone
        if weight is Weight.NOTE or self.said.paused(key_of(spell), weight, self.now_ms):
            return False
        one_of_many = spell.space is not None or spell.sensor is not None
        if one_of_many and spell.kind in self.as_one:
            return False
        if self.policy.resting(self.now_ms, zone) and not rings_at_night(spell.kind, weight):
            return False
        if self.comings >= CHATTERING:
            return part is not Part.ENDED and self._says_again(weight)
        if part is Part.ENDED and self.comings > 1:
            return False
        of_sensor = spell.sensor is not None and not self._told_as_one
        cap = SENSOR_CAP if of_sensor else self.policy.daily_cap
        if sum(n.made_ms >= midnight(self.now_ms, zone) for n in self.rung) < cap:
            return True
        first = not any(
            n.weight is Weight.NOW
            and n.kind == spell.kind
            and self.now_ms - n.made_ms < FIRST_IN_MS
            for n in self.rung
        )
        reminds_of_many = self.many is not None and part is Part.REMINDER
        return weight is Weight.NOW and first and not reminds_of_many

    def _says_again(self, weight: Weight) -> bool:
        """Whether what comes and goes may ring: once a day; what harms before morning, twice.

        So may a return that has stayed as long as a reminder waits. One of many leaves it to them.
        """
        spell, zone = self.spell, self.circumstances.site.timezone
        made = [n.made_ms for n in self.rung if n.kind == spell.kind]
        today = sum(at >= midnight(self.now_ms, zone) for at in made)
        if self._told_as_one and self.many is None:
            return False
        quiet_ms = self.now_ms - max(made, default=0)
        every_ms = self.policy.reminder_every_min * MINUTE_MS
        if quiet_ms >= every_ms and self.now_ms - spell.began * MINUTE_MS >= every_ms:
            return today < self.policy.daily_cap
        enough_ms = DAY_MS // 2 if rings_at_night(spell.kind, weight) else DAY_MS
        return today < CHATTERING_CAP and quiet_ms >= enough_ms

    def _afterwards(self) -> Weight:
        """The weight of what follows a spell: it rings only where the spell did."""
        rang = any(row.notice.weight is not Weight.NOTE for row in self.rows)
        return Weight.SOON if rang else Weight.NOTE
