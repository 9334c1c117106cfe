"""Spells as they were and as they are → what is kept of them and what is said."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import NamedTuple, Protocol

from monitor.air.spells import Spell, SpellKey, compare, key_of
from monitor.entries.entries import Entry
from monitor.notices.notice import (
    THIS_SPELL_MS,
    Circumstances,
    Notice,
    NoticeRow,
    Part,
    Said,
    Weight,
    midnight,
)
from monitor.notices.once_rules import Ringing
from monitor.notices.sentences import upkeep
from monitor.notices.spell_rules import MANY, Policy, decide, deliver_at
from monitor.site.kinds import Kind
from monitor.site.spaces import Site
from monitor.site.time import DAY_MIN, MINUTE_MS, minute_of_day

KEPT_MIN = 3 * DAY_MIN
# Reminders and the daily lines are looked for this often, not at every minute.
ROUND_MIN = 10
DAILY_GRACE_MIN = 180


class Answers(NamedTuple):
    """What people answered to notices: (number, time [ms]) when seen, until when paused."""

    seen: list[tuple[int, int | None]]
    paused: list[tuple[int, int | None]]


class Settlement(NamedTuple):
    """What settling a minute came to.

    removed   spells that late readings undid or moved, as they were kept
    kept      spells to keep, new or changed
    rekeyed   (spell as kept, its new beginning): what was said of it follows
    """

    removed: list[Spell]
    kept: list[Spell]
    rekeyed: list[tuple[Spell, int]]
    notices: list[NoticeRow]


class SpellArchive(Protocol):
    """What is read back from the store."""

    def settled(self) -> int | None:
        """The minute up to which spells and notices were settled."""

    def spells_since(self, minute: int) -> list[Spell]:
        """Spells still going on, or whose end was known in this minute or later."""

    def told_since(self, made_ms: int) -> list[NoticeRow]:
        """Rows of the notices written at this time or later, oldest first."""

    def last_notice(self) -> int:
        """Number of the newest notice; 0: none."""


class Settler:
    """Remembers the spells of the last days and what was said of them."""

    def __init__(self, site: Site, policy: Policy, archive: SpellArchive) -> None:
        self._site = site
        self._policy = policy
        self._archive = archive
        self._known_from = (archive.settled() or 0) - KEPT_MIN
        self._known = archive.spells_since(self._known_from)
        self._told_from_ms = self._first_told_ms(self._known)
        self._said = Said(tuple(archive.told_since(self._told_from_ms)))
        self._last = archive.last_notice()

    @property
    def notices(self) -> Mapping[int, NoticeRow]:
        """The notices of the last days by number."""
        return {row.number: row for row in self._said.rows}

    @property
    def spells(self) -> Sequence[Spell]:
        """The spells of the last days."""
        return self._known

    def ringing(self, space: str, now_ms: int) -> Ringing:
        """Whether the phone may ring for what is only coming in a space."""
        zone, policy = self._site.timezone, self._policy
        keys = {kind: SpellKey(kind.value, space, None, -1) for kind in Kind}
        since_ms = midnight(now_ms, zone)
        foretold = Counter(
            n.kind
            for n in (row.notice for row in self._said.rows)
            if n.part == Part.COMING and n.made_ms >= since_ms
        )
        held = (
            kind
            for kind in Kind
            if foretold[kind] >= MANY or self._said.paused(keys[kind], Weight.SOON, now_ms)
        )
        return Ringing(
            policy.resting(now_ms, zone),
            frozenset(held),
            self._said.rung_on_the_day(space, now_ms, zone) >= policy.daily_cap,
        )

    def settle(
        self, since: int, after: list[Spell], circumstances: Circumstances, now_ms: int
    ) -> Settlement | None:
        """Compare the spells since a minute with those known, and say what is to be said.

        after    all spells that go on, or whose end was known in the minute `since` or later
        returns  None where nothing changed
        """
        self._reach_back(since)
        before = [s for s in self._known if s.settled is None or s.settled >= since]
        self._known = [s for s in self._known if s.settled is not None and s.settled < since]
        self._known += after
        daily = now_ms // MINUTE_MS % ROUND_MIN == 0
        if before == after and not daily:
            return None
        changes = compare(before, after)
        said = decide(changes, self._said, self._policy, circumstances, now_ms)
        keys, known = {key_of(s) for s in after}, set(before)
        settlement = Settlement(
            removed=[s for s in before if key_of(s) not in keys],
            kept=[s for s in after if s not in known],
            rekeyed=list(changes.moved),
            notices=[],
        )
        self._said = self._said.rekeyed(changes.moved)
        settlement.notices.extend(self._numbered(said))
        if daily:
            settlement.notices.extend(self._daily(changes.going_on, circumstances, now_ms))
        return settlement if any(settlement) else None

    def tell(self, notice: Notice) -> Settlement:
        """Take up a notice that speaks of no spell."""
        return Settlement([], [], [], self._numbered([notice]))

    def _daily(
        self, going_on: Sequence[Spell], circumstances: Circumstances, now_ms: int
    ) -> list[NoticeRow]:
        """The lines that come once a day, each at its hour."""
        lines: list[NoticeRow] = []
        if self._due_today("all-well", self._policy.all_well_at, now_ms):
            lines += self._numbered([upkeep.all_well(going_on, circumstances, now_ms)])
        if self._due_today("digest", self._policy.digest_at, now_ms):
            digest = upkeep.digest(self._said.rows, self._site.name, now_ms)
            lines += self._numbered([digest] if digest else [])
        return lines

    def _due_today(self, kind: str, at: int | None, now_ms: int) -> bool:
        """Whether today's line of a kind is due and not written; long after its hour it is not."""
        if at is None:
            return False
        late_min = minute_of_day(now_ms, self._site.timezone) - at
        if not 0 <= late_min <= DAILY_GRACE_MIN:
            return False
        since_ms = now_ms - (late_min + ROUND_MIN) * MINUTE_MS
        return not any(
            row.notice.kind == kind and row.notice.made_ms > since_ms for row in self._said.rows
        )

    def answer(self, standing: Sequence[Entry]) -> Answers:
        """Work out what was seen and paused, of the entries that stand."""
        seen: dict[int, int] = {}
        paused: dict[int, int] = {}
        for entry in standing:
            if entry.verb == "seen":
                for number in self._meant(entry):
                    seen.setdefault(number, entry.at_ms)
            elif entry.verb == "pause":
                for number in self._newest(entry):
                    paused[number] = _pause_until(entry)
        answers = Answers([], [])
        rows = []
        for row in self._said.rows:
            after = row._replace(
                seen_ms=seen.get(row.number), paused_until_ms=paused.get(row.number)
            )
            if after.seen_ms != row.seen_ms:
                answers.seen.append((row.number, after.seen_ms))
            if after.paused_until_ms != row.paused_until_ms:
                answers.paused.append((row.number, after.paused_until_ms))
            rows.append(after)
        self._said = Said(tuple(rows))
        return answers

    def _meant(self, entry: Entry) -> list[int]:
        """The notices that were seen: the one named, else all written until then."""
        named = entry.arguments.get("notice")
        if not isinstance(named, int):
            return [r.number for r in self._said.rows if r.notice.made_ms <= entry.at_ms]
        # Where a backup was brought back, the numbers of the day it lacks are given anew.
        there = self.notices.get(named)
        return [named] if there is not None and there.notice.made_ms <= entry.made_ms else []

    def _newest(self, entry: Entry) -> list[int]:
        """For each place the newest notice of the kind until then: the pause hangs on it."""
        kind, space = entry.arguments["kind"], entry.arguments.get("space")
        newest: dict[tuple[str | None, str | None], int] = {}
        for number, notice in (row[:2] for row in self._said.rows):
            if notice.kind != kind or notice.made_ms > entry.at_ms:
                continue
            if space is None or notice.space == space:
                newest[(notice.space, notice.sensor)] = number
        return list(newest.values())

    def forget_before(self, minute: int) -> None:
        """Let go of spells and notices that nothing of the last days needs."""
        horizon = minute - KEPT_MIN
        self._known_from = max(self._known_from, horizon)
        self._known = [s for s in self._known if s.settled is None or s.settled >= horizon]
        self._told_from_ms = max(self._told_from_ms, self._first_told_ms(self._known))
        kept = (r for r in self._said.rows if r.notice.made_ms >= self._told_from_ms)
        self._said = Said(tuple(kept))

    def _numbered(self, notices: list[Notice]) -> list[NoticeRow]:
        rows = []
        for number, notice in enumerate(notices, self._last + 1):
            at_ms = deliver_at(notice, self._policy, self._site.timezone)
            rows.append(NoticeRow(number, notice, at_ms))
        self._last += len(rows)
        self._said = Said((*self._said.rows, *rows))
        return rows

    def _reach_back(self, since: int) -> None:
        """Readings that came very late touch spells older than those remembered: fetch them."""
        if since >= self._known_from:
            return
        older = [s for s in self._archive.spells_since(since) if s.settled is not None]
        self._known = [s for s in older if (s.settled or 0) < self._known_from] + self._known
        self._known_from = since
        first_ms = self._first_told_ms(self._known)
        if first_ms < self._told_from_ms:
            known = {row.number for row in self._said.rows}
            earlier = [r for r in self._archive.told_since(first_ms) if r.number not in known]
            self._said = Said((*earlier, *self._said.rows))
            self._told_from_ms = first_ms

    def _first_told_ms(self, spells: list[Spell]) -> int:
        """Notices are needed from the beginning of the oldest spell that is remembered."""
        return min([s.began for s in spells] + [self._known_from]) * MINUTE_MS


def _pause_until(entry: Entry) -> int:
    minutes = entry.arguments["for_min"]
    return entry.at_ms + minutes * MINUTE_MS if isinstance(minutes, int) else THIS_SPELL_MS
