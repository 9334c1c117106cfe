"""A notice: what is to be said, its row, what was said before, and what its words need to know."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from functools import cached_property
from typing import NamedTuple
from urllib.parse import quote

from monitor.ahead.airing import Doors
from monitor.air.minute import MinuteOfAir
from monitor.air.spells import Spell, SpellKey, key_of
from monitor.site.kinds import Kind
from monitor.site.spaces import OUTDOORS, Limits, Site, Use
from monitor.site.time import epoch_ms_of, local

# "Until this spell is over", as a time: the last second that dates can tell.
THIS_SPELL_MS = 253_402_300_799_000


class Weight(StrEnum):
    """How much a notice matters."""

    NOW = "now"  # do something
    SOON = "soon"  # it is coming, or it is ready
    NOTE = "note"  # for the record, in the digest


class Urgency(StrEnum):
    """How a notice leaves, in Apprise's words, so that a phone may ring differently."""

    FAILURE = "failure"
    WARNING = "warning"
    INFO = "info"
    SUCCESS = "success"


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
    """What is to be said.

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
    spell_began: int | None = None

    @property
    def urgency(self) -> Urgency:
        """By its weight; good news is what ended, did not come or was taken back."""
        return urgency_of(self.weight, self.part)


def urgency_of(weight: str, part: str) -> Urgency:
    """How a notice of this weight and part leaves.

    >>> [urgency_of(*told).value for told in (("now", "began"), ("soon", ""), ("now", "ended"))]
    ['failure', 'warning', 'success']
    """
    if part in (Part.ENDED, Part.NOT_COMING, Part.TAKEN_BACK):
        return Urgency.SUCCESS
    return {Weight.NOW: Urgency.FAILURE, Weight.SOON: Urgency.WARNING}.get(
        Weight(weight), Urgency.INFO
    )


class NoticeRow(NamedTuple):
    """A notice as it is kept, and what the person did about it; times in UTC epoch ms.

    deliver_at_ms  when it may first be sent; None: it waits for the digest
    """

    number: int
    notice: Notice
    deliver_at_ms: int | None = None
    seen_ms: int | None = None
    paused_until_ms: int | None = None


@dataclass(frozen=True)
class Circumstances:
    """What the words need to know besides what they are about.

    pressure_pa  air pressure at the site [Pa]
    at_risk      for each space the batches in it, in words: `six bunches of statice`
    air          the latest minute of each space, outdoors too, where it is known
    disagreeing  for each space in which sensors disagree, those to doubt
    advised      for each space what this hour's advice on airing is
    """

    site: Site
    pressure_pa: float
    at_risk: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    air: Mapping[str, MinuteOfAir] = field(default_factory=dict)
    disagreeing: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    advised: Mapping[str, Doors] = field(default_factory=dict)

    def indoors(self, space: str | None) -> MinuteOfAir | None:
        """The latest minute of a space; None: not known."""
        return None if space is None else self.air.get(space)

    @property
    def outdoors(self) -> MinuteOfAir | None:
        """The latest minute outdoors; None: not known."""
        return self.air.get(OUTDOORS)

    def use(self, space: str | None) -> Use:
        """What a space is for; hanging where the settings no longer know it."""
        known = self.site.spaces.get(space or "")
        return Use.HANGING if known is None else known.use

    def limits(self, space: str | None) -> Limits:
        """The limits of a space; none where the settings no longer know it."""
        known = self.site.spaces.get(space or "")
        return Limits() if known is None else known.limits


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

    @cached_property
    def _rung(self) -> list[Notice]:
        told = (row.notice for row in self.rows)
        return [n for n in told if n.weight is not Weight.NOTE and n.spell_began is not None]

    def rung(self, since_ms: int) -> list[Notice]:
        """The notices of spells that rang since then, oldest first."""
        return [n for n in self._rung if n.made_ms >= since_ms]

    def rung_on_the_day(self, space: str | None, now_ms: int, timezone: str) -> int:
        """How many notices of spells rang for a space on the site's present day."""
        today = self.rung(midnight(now_ms, timezone))
        return sum(n.space == space for n in today)

    @cached_property
    def _begun(self) -> dict[tuple[str, str | None, str | None], list[int]]:
        begun: dict[tuple[str, str | None, str | None], list[int]] = {}
        for key in self._by_spell:
            if self.said_of(key):
                begun.setdefault(key[:3], []).append(key.began)
        return begun

    def comings(self, key: SpellKey, since: int) -> int:
        """How often such a spell began there since a minute; those taken back do not count."""
        return sum(began >= since for began in self._begun.get(key[:3], ()))

    @cached_property
    def _of_all(self) -> dict[str, Notice]:
        told = (row.notice for row in self.rows)
        return {n.kind: n for n in told if n.spell_began is not None and not (n.space or n.sensor)}

    def of_all(self, kind: Kind) -> Notice | None:
        """The newest notice of a kind that speaks of no one space or sensor."""
        return self._of_all.get(kind)

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


def midnight(now_ms: int, timezone: str) -> int:
    """The site's last midnight [UTC epoch ms]."""
    there = local(now_ms, timezone)
    return epoch_ms_of(there.replace(hour=0, minute=0, second=0, microsecond=0))


def body(what: str, at_risk: str = "", to_do: str = "", caution: str = "") -> str:
    """What stands below the title, each on its line; empty where there is none."""
    do = f"To do: {to_do}" if to_do else ""
    return "\n".join(line for line in (what, at_risk, do, caution) if line)


def place_of(space: str | None) -> str:
    """The page's path for a space; without one, the whole."""
    return "/" if space is None else f"/space/{quote(space, safe='')}"
