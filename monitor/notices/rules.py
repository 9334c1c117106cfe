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
from enum import StrEnum
from functools import cached_property
from typing import NamedTuple
from urllib.parse import quote

from monitor.air.spell_changes import SpellChanges, SpellKey, key_of
from monitor.air.spells import Spell
from monitor.notices.circumstances import Circumstances
from monitor.notices.sentences import spells as advice
from monitor.notices.sentences.spells import Words
from monitor.site.kinds import Kind
from monitor.site.time import (
    DAY_MIN,
    DAY_MS,
    HOUR_MS,
    MINUTE_MS,
    epoch_ms_of,
    local,
    local_day,
    minute_of_day,
)

# "Until this spell is over", as a time: the last second that dates can tell.
THIS_SPELL_MS = 253_402_300_799_000


class Weight(StrEnum):
    """How much a notice matters."""

    NOW = "now"  # do something
    SOON = "soon"  # it is coming, or it is ready
    NOTE = "note"  # for the record, in the digest


class Part(StrEnum):
    """Which part of a spell's story a notice tells; the first two, of one that is only likely."""

    COMING = "coming"
    NOT_COMING = "not coming"
    BEGAN = "began"
    WORSE = "worse"
    REMINDER = "reminder"
    ENDED = "ended"
    TAKEN_BACK = "taken back"


class Notice(NamedTuple):
    """A message to the phone.

    made_ms      when it was written [UTC epoch ms]
    kind         a spell's kind, or what else it speaks of ("digest", "all-well", "report", …)
    part         a `Part`, or "" where it has no parts
    place        path on the page that it speaks of, e.g. "/space/loft"
    spell_began  the beginning of the spell it speaks of [UTC epoch minutes]
    """

    made_ms: int
    space: str | None
    sensor: str | None
    kind: str
    part: str
    weight: Weight
    title: str
    body: str
    place: str
    spell_began: int | None


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


class Told(NamedTuple):
    """A notice as it is kept, with what the person did about it."""

    notice: Notice
    seen_ms: int | None = None
    paused_until_ms: int | None = None


@dataclass(frozen=True)
class Book:
    """What was said already: rows of the store, oldest first.

    It must hold all rows of every spell still compared, all of the last two days, and all since
    the last digest.
    """

    told: tuple[Told, ...] = ()

    @cached_property
    def _by_spell(self) -> dict[SpellKey, list[Told]]:
        rows: dict[SpellKey, list[Told]] = {}
        for told in self.told:
            n = told.notice
            if n.spell_began is not None:
                rows.setdefault(SpellKey(n.kind, n.space, n.sensor, n.spell_began), []).append(told)
        return rows

    def said_of(self, key: SpellKey) -> list[Told]:
        """Rows of a spell since it was last taken back, oldest first."""
        rows = self._by_spell.get(key, [])
        last = max((i for i, t in enumerate(rows) if t.notice.part == Part.TAKEN_BACK), default=-1)
        return rows[last + 1 :]

    def rung_on_the_day(self, space: str | None, now_ms: int, timezone: str) -> int:
        """How many notices of spells rang for a space on the site's present day."""
        today = local_day(now_ms, timezone)
        return sum(
            1
            for n in (told.notice for told in self.told)
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
            told.paused_until_ms is not None
            and told.paused_until_ms > now_ms
            and (told.notice.kind, told.notice.space, told.notice.sensor) == key[:3]
            and (told.paused_until_ms < THIS_SPELL_MS or told.notice.spell_began == key.began)
            and (weight is not Weight.NOW or told.notice.weight is Weight.NOW)
            for told in self.told
        )

    def with_notices(self, notices: Iterable[Notice]) -> Book:
        """The book with more rows."""
        return Book((*self.told, *(Told(notice) for notice in notices)))

    def rekeyed(self, moved: Iterable[tuple[Spell, int]]) -> Book:
        """The book once late data moved the beginnings of spells: each as it was, and its new."""
        began = {key_of(spell): new for spell, new in moved}
        if not began:
            return self
        return Book(tuple(told._replace(notice=_rekeyed(told.notice, began)) for told in self.told))


def pause_until(how_long: str, now_ms: int) -> int:
    """When a pause of `hour`, `day` or `spell` is over [UTC epoch ms].

    raises  ValueError for any other word

    >>> pause_until("hour", 0)
    3600000
    """
    match how_long:
        case "hour":
            return now_ms + HOUR_MS
        case "day":
            return now_ms + DAY_MS
        case "spell":
            return THIS_SPELL_MS
    raise ValueError(f"a pause lasts an hour, a day or this spell, not {how_long!r}")


def _rekeyed(notice: Notice, began: Mapping[SpellKey, int]) -> Notice:
    if notice.spell_began is None:
        return notice
    key = SpellKey(notice.kind, notice.space, notice.sensor, notice.spell_began)
    return notice._replace(spell_began=began.get(key, notice.spell_began))


# --- what to say ----------------------------------------------------------------------------


def decide(
    changes: SpellChanges, book: Book, policy: Policy, circumstances: Circumstances, now_ms: int
) -> list[Notice]:
    """What is to be said now; calling it again with the result in the book says nothing new.

    The book may still have the old beginnings of `changes.moved`, or already the new ones.
    """
    book = book.rekeyed(changes.moved)
    teller = _Teller(policy, circumstances, _whole_feed(changes.going_on), now_ms)
    notices: list[Notice] = []
    for spell in (*changes.removed, *_in_order(changes)):
        notice = teller.say(spell, book, undone=spell in changes.removed)
        if notice is not None:
            notices.append(notice)
            book = book.with_notices([notice])
    return notices


def _in_order(changes: SpellChanges) -> list[Spell]:
    spells = {*changes.added, *changes.ended, *changes.going_on}
    return sorted(spells, key=lambda s: (s.began, s.kind, s.space or "", s.sensor or ""))


def _whole_feed(going_on: Iterable[Spell]) -> frozenset[Kind]:
    """Kinds of fault that have all sensors at once: each sensor's own is then only noted."""
    return frozenset(s.kind for s in going_on if s.space is None and s.sensor is None)


def weight_of(spell: Spell) -> Weight:
    """How much a spell matters while it goes on."""
    match spell.kind:
        case Kind.COLD:
            return Weight.NOTE
        case Kind.HOT | Kind.SUNNY | Kind.DEWY | Kind.MUSTY:
            return Weight.NOW
        case Kind.DAMP:
            return Weight.NOW if spell.urgent else Weight.SOON
        case Kind.ARID:
            return Weight.SOON
        case Kind.SILENT | Kind.STUCK:
            return Weight.SOON if spell.sensor is not None else Weight.NOW


def rings_at_night(kind: str, weight: Weight) -> bool:
    """Whether it harms before morning: heat, water settling, and air at the urgent dampness.

    Heat opens and browns heads within hours, and heat at night comes from something that heats.
    Sun does not shine at night, mould takes days, and a silent sensor can wait for daylight.
    """
    return weight is Weight.NOW and kind in (Kind.HOT, Kind.DEWY, Kind.DAMP)


def deliver_at(notice: Notice, policy: Policy, timezone: str, now_ms: int) -> int | None:
    """When a notice's outbox rows may first be tried [UTC epoch ms]; None: only in the digest."""
    if notice.weight is Weight.NOTE:
        return None
    if rings_at_night(notice.kind, notice.weight) or not policy.resting(now_ms, timezone):
        return now_ms
    return _end_of_rest(policy, timezone, now_ms)


def _end_of_rest(policy: Policy, timezone: str, now_ms: int) -> int:
    now = local(now_ms, timezone)
    hour, minute = divmod(policy.night_rest_until, 60)
    end = now.replace(hour=hour, minute=minute, second=0, microsecond=0)
    if end <= now:
        end = (now + timedelta(days=1)).replace(hour=hour, minute=minute, second=0, microsecond=0)
    return epoch_ms_of(end)


@dataclass(frozen=True)
class _Teller:
    policy: Policy
    circumstances: Circumstances
    whole_feed: frozenset[Kind]
    now_ms: int

    def say(self, spell: Spell, book: Book, undone: bool) -> Notice | None:
        said = book.said_of(key_of(spell))
        if undone:
            return self._taken_back(spell, said, book)
        if spell.ended is not None:
            return self._ended(spell, said, book)
        return self._going_on(spell, said, book)

    def _taken_back(self, spell: Spell, said: list[Told], book: Book) -> Notice | None:
        if not said:
            return None
        words = advice.taken_back(spell, self.circumstances, self.now_ms)
        return self._notice(spell, Part.TAKEN_BACK, _afterwards(said), words, book)

    def _ended(self, spell: Spell, said: list[Told], book: Book) -> Notice | None:
        if not said:
            words = advice.was(spell, self.circumstances, self.now_ms)
            return self._notice(spell, Part.ENDED, Weight.NOTE, words, book)
        if said[-1].notice.part == Part.ENDED:
            return None
        words = advice.ended(spell, self.circumstances, self.now_ms)
        return self._notice(spell, Part.ENDED, _afterwards(said), words, book)

    def _going_on(self, spell: Spell, said: list[Told], book: Book) -> Notice | None:
        weight = weight_of(spell)
        if not said:
            words = advice.began(spell, self.circumstances, self.now_ms)
            return self._notice(spell, Part.BEGAN, weight, words, book)
        if spell.urgent and not any(
            t.notice.weight is Weight.NOW or t.notice.part == Part.WORSE for t in said
        ):
            words = advice.worse(spell, self.circumstances, self.now_ms)
            return self._notice(spell, Part.WORSE, weight, words, book)
        if weight is Weight.NOTE or not self._reminder_due(spell, said):
            return None
        words = advice.reminder(spell, self.circumstances, self.now_ms)
        notice = self._notice(spell, Part.REMINDER, weight, words, book)
        return None if notice.weight is Weight.NOTE else notice

    def _reminder_due(self, spell: Spell, said: list[Told]) -> bool:
        if any(t.seen_ms is not None for t in said):
            return False
        rung = [t.notice.made_ms for t in said if t.notice.weight is not Weight.NOTE]
        if not rung:
            return True
        within_hours = spell.kind is Kind.SUNNY or rings_at_night(spell.kind, weight_of(spell))
        every = self.policy.reminder_every_min if within_hours else DAY_MIN
        return self.now_ms - rung[-1] >= every * MINUTE_MS

    def _notice(self, spell: Spell, part: Part, weight: Weight, words: Words, book: Book) -> Notice:
        allowed = weight if self._may_ring(spell, weight, book) else Weight.NOTE
        return Notice(
            made_ms=self.now_ms,
            space=spell.space,
            sensor=spell.sensor,
            kind=spell.kind.value,
            part=part.value,
            weight=allowed,
            title=words.title,
            body=words.body,
            place=place_of(spell.space),
            spell_began=spell.began,
        )

    def _may_ring(self, spell: Spell, weight: Weight, book: Book) -> bool:
        if weight is Weight.NOTE or book.paused(key_of(spell), weight, self.now_ms):
            return False
        if spell.sensor is not None and spell.kind in self.whole_feed:
            return False
        if rings_at_night(spell.kind, weight):
            return True
        zone = self.circumstances.site.timezone
        return (
            not self.policy.resting(self.now_ms, zone)
            and book.rung_on_the_day(spell.space, self.now_ms, zone) < self.policy.daily_cap
        )


def _afterwards(said: list[Told]) -> Weight:
    """The weight of what follows a spell: it rings only where the spell did."""
    rang = any(told.notice.weight is not Weight.NOTE for told in said)
    return Weight.SOON if rang else Weight.NOTE


def place_of(space: str | None) -> str:
    """The page's path for a space; without one, the whole."""
    return "/" if space is None else f"/space/{quote(space, safe='')}"
