"""A notice: what is to be said, its row, and what its words need to know."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import NamedTuple
from urllib.parse import quote

from monitor.ahead.airing import Verb
from monitor.air.minute import MinuteOfAir
from monitor.site.spaces import OUTDOORS, Limits, Site, Use

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
    advised: Mapping[str, Verb] = field(default_factory=dict)

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


def body(what: str, at_risk: str = "", to_do: str = "", caution: str = "") -> str:
    """What stands below the title, each on its line; empty where there is none."""
    do = f"To do: {to_do}" if to_do else ""
    return "\n".join(line for line in (what, at_risk, do, caution) if line)


def place_of(space: str | None) -> str:
    """The page's path for a space; without one, the whole."""
    return "/" if space is None else f"/space/{quote(space, safe='')}"
