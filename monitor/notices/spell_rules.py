"""What reaches the phone, when and how often.

For each spell, from what was said of it already (oldest rule first; `said` is since it was last
taken back):

    the spell      said                 now
    -------------  -------------------  ------------------------------------------------------
    going on       nothing              "began", with the weight of its kind
    going on       never as urgent      "worse", once it is urgent
    going on       only as a note       "reminder", as soon as it may ring
    going on       rang                 "reminder" every few hours, or daily where nothing spoils
                                        within hours; none once it was seen
    ended          nothing              "ended", a note: long over when first known
    ended          last not "ended"     "ended"; rings if the spell had rung
    not any more   anything             "taken back"; rings if the spell had rung

Every spell has its row at once. What may not ring becomes a note, which only the digest carries:
while a pause lasts, in the night rest, past the daily cap of its space, and beside a fault of the
whole feed. A spell that still stands in the morning, or on the next day, rings then. Only what
harms before morning (`rings_at_night`) passes the night rest and the cap; only a pause holds it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import timedelta
from functools import cached_property

from monitor.air.spell_changes import SpellChanges, SpellKey, key_of
from monitor.air.spells import Spell
from monitor.notices.notice import THIS_SPELL_MS, Circumstances, Notice, NoticeRow, Part, Weight
from monitor.notices.sentences import spells as words
from monitor.site.kinds import Kind
from monitor.site.time import DAY_MIN, MINUTE_MS, epoch_ms_of, local, local_day, minute_of_day


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


@dataclass(frozen=True)
class Said:
    """What was said already: rows of the store, oldest first.

    It must hold all rows of every spell still compared, all of the last two days, and all since
    the last digest.
    """

    rows: tuple[NoticeRow, ...] = ()

    @cached_property
    def _by_spell(self) -> dict[SpellKey, list[NoticeRow]]:
        rows: dict[SpellKey, list[NoticeRow]] = {}
        for row in self.rows:
            n = row.notice
            if n.spell_began is not None:
                rows.setdefault(SpellKey(n.kind, n.space, n.sensor, n.spell_began), []).append(row)
        return rows

    def said_of(self, key: SpellKey) -> list[NoticeRow]:
        """Rows of a spell since it was last taken back, oldest first."""
        rows = self._by_spell.get(key, [])
        last = max((i for i, t in enumerate(rows) if t.notice.part == Part.TAKEN_BACK), default=-1)
        return rows[last + 1 :]

    def rung_on_the_day(self, space: str | None, now_ms: int, timezone: str) -> int:
        """How many notices of spells rang for a space on the site's present day."""
        today = local_day(now_ms, timezone)
        return sum(
            1
            for n in (row.notice for row in self.rows)
            if n.space == space
            and n.spell_began is not None
            and n.weight is not Weight.NOTE
            and local_day(n.made_ms, timezone) == today
        )

    def paused(self, key: SpellKey, weight: Weight, now_ms: int) -> bool:
        """Whether the person wants no more of this kind there for now.

        A pause asked for at a milder notice does not cover a `now`.
        """
        return any(
            row.paused_until_ms is not None
            and row.paused_until_ms > now_ms
            and (row.notice.kind, row.notice.space, row.notice.sensor) == key[:3]
            and (row.paused_until_ms < THIS_SPELL_MS or row.notice.spell_began == key.began)
            and (weight is not Weight.NOW or row.notice.weight is Weight.NOW)
            for row in self.rows
        )

    def with_notices(self, notices: Iterable[Notice]) -> Said:
        """The same with more rows, not numbered yet."""
        return Said((*self.rows, *(NoticeRow(0, notice) for notice in notices)))

    def rekeyed(self, moved: Iterable[tuple[Spell, int]]) -> Said:
        """The same once late data moved the beginnings of spells: each as it was, and its new."""
        began = {key_of(spell): new for spell, new in moved}
        if not began:
            return self
        return Said(tuple(r._replace(notice=_rekeyed(r.notice, began)) for r in self.rows))


def _rekeyed(notice: Notice, began: Mapping[SpellKey, int]) -> Notice:
    if notice.spell_began is None:
        return notice
    key = SpellKey(notice.kind, notice.space, notice.sensor, notice.spell_began)
    return notice._replace(spell_began=began.get(key, notice.spell_began))


# --- what to say ----------------------------------------------------------------------------


def decide(
    changes: SpellChanges, said: Said, policy: Policy, circumstances: Circumstances, now_ms: int
) -> list[Notice]:
    """What is to be said now; calling it again with the result in `said` says nothing new.

    `said` may still have the old beginnings of `changes.moved`, or already the new ones.
    """
    said = said.rekeyed(changes.moved)
    whole_feed = frozenset(s.kind for s in changes.going_on if s.space is None)
    notices: list[Notice] = []
    for spell in (*changes.removed, *_in_order(changes)):
        rules = _Rules(spell, said, policy, circumstances, whole_feed, now_ms)
        notice = rules.taken_back() if spell in changes.removed else rules.stands()
        if notice is not None:
            notices.append(notice)
            said = said.with_notices([notice])
    return notices


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
    """What the table above comes to for one spell.

    whole_feed  kinds of fault that have all sensors at once: each sensor's own is only noted
    """

    spell: Spell
    said: Said
    policy: Policy
    circumstances: Circumstances
    whole_feed: frozenset[Kind]
    now_ms: int

    @cached_property
    def rows(self) -> list[NoticeRow]:
        """What was said of the spell since it was last taken back."""
        return self.said.said_of(key_of(self.spell))

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
        if self.spell.urgent and not any(
            row.notice.weight is Weight.NOW or row.notice.part == Part.WORSE for row in self.rows
        ):
            return self._notice(Part.WORSE, weight)
        if not self._reminder_due(weight) or not self._may_ring(weight):
            return None
        return self._notice(Part.REMINDER, weight)

    def _reminder_due(self, weight: Weight) -> bool:
        if any(row.seen_ms is not None for row in self.rows):
            return False
        rung = [r.notice.made_ms for r in self.rows if r.notice.weight is not Weight.NOTE]
        if not rung:
            return True
        row = self.spell.kind.row
        within_hours = row.within_hours or rings_at_night(self.spell.kind, weight)
        every = self.policy.reminder_every_min if within_hours else DAY_MIN
        return self.now_ms - rung[-1] >= every * MINUTE_MS

    def _notice(self, part: Part, weight: Weight) -> Notice:
        allowed = weight if self._may_ring(weight) else Weight.NOTE
        return words.notice(self.spell, part, allowed, self.circumstances, self.now_ms)

    def _may_ring(self, weight: Weight) -> bool:
        spell, zone = self.spell, self.circumstances.site.timezone
        if weight is Weight.NOTE or self.said.paused(key_of(spell), weight, self.now_ms):
            return False
        if spell.sensor is not None and spell.kind in self.whole_feed:
            return False
        if rings_at_night(spell.kind, weight):
            return True
        return (
            not self.policy.resting(self.now_ms, zone)
            and self.said.rung_on_the_day(spell.space, self.now_ms, zone) < self.policy.daily_cap
        )

    def _afterwards(self) -> Weight:
        """The weight of what follows a spell: it rings only where the spell did."""
        rang = any(row.notice.weight is not Weight.NOTE for row in self.rows)
        return Weight.SOON if rang else Weight.NOTE
