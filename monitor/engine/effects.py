"""The engine's two sides to the store: what follows from an event, and what is read back.

An event's effects are written in one transaction, in the order of their fields, by the store's
writer: `Writer.apply` has a line for each field. `Archive` is what the engine reads back.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple, Protocol

from monitor.ahead.lesson import Lesson
from monitor.ahead.look import LessonsKept
from monitor.air.memory import ReadingsKept
from monitor.air.minute import MinuteOfAir
from monitor.air.states import StatesKept
from monitor.drying.hours import HoursKept
from monitor.drying.prospects import Prospect
from monitor.drying.scales import MassesKept
from monitor.entries.entries import Entry
from monitor.notices.once_rules import Foretold
from monitor.notices.settlement import Settlement
from monitor.notices.settlement import SpellArchive as TellerArchive
from monitor.site.quantities import Flag, Quantity, Reading

# A fact: the minute from which all is to be settled anew; empty where all is settled.
UNSAID_FROM = "unsaid from"


class Unread(NamedTuple):
    """A payload that could not be read, kept as it came; reason is a plain sentence."""

    arrived_ms: int
    topic: str
    sensor: str | None
    payload: bytes
    reason: str


class HoursAhead(NamedTuple):
    """What was foreseen of a space at a full hour, so many hours ahead; kept as it was then.

    One in ten, the middle and nine in ten of the likely courses.
    """

    asked_ms: int
    space: str
    horizon_h: int
    temperature_p10_c: float
    temperature_p50_c: float
    temperature_p90_c: float
    humidity_ratio_p10_g_kg: float
    humidity_ratio_p50_g_kg: float
    humidity_ratio_p90_g_kg: float


@dataclass(slots=True)
class Effects:
    """Rows to write, in the order of the fields.

    released        readings that no longer wait, for their leap in time was confirmed
    refolded        minutes whose air is replaced
    states_dropped  states kept for later minutes than this one no longer hold
    settled         the minute up to which spells and notices are settled
    prospects       what is said of each batch at a full hour
    ahead           what is foreseen of each space at a full hour
    foretold        what was foretold to the phone, new or closed
    lessons         what was learned of a space in the night
    facts           (key, value) to be noted
    seen, paused    (number of a notice, time [ms]): when seen, until when paused
    """

    readings: list[Reading] = field(default_factory=list)
    waiting: list[Reading] = field(default_factory=list)
    released: list[Reading] = field(default_factory=list)
    unread: list[Unread] = field(default_factory=list)
    flags: list[tuple[int, str, Quantity, Flag]] = field(default_factory=list)
    refolded: list[int] = field(default_factory=list)
    air: list[MinuteOfAir] = field(default_factory=list)
    states_dropped: int | None = None
    states: list[tuple[int, bytes]] = field(default_factory=list)
    settlements: list[Settlement] = field(default_factory=list)
    settled: int | None = None
    prospects: list[Prospect] = field(default_factory=list)
    ahead: list[HoursAhead] = field(default_factory=list)
    foretold: list[Foretold] = field(default_factory=list)
    lessons: list[Lesson] = field(default_factory=list)
    facts: list[tuple[str, str]] = field(default_factory=list)
    entries: list[Entry] = field(default_factory=list)
    seen: list[tuple[int, int | None]] = field(default_factory=list)
    paused: list[tuple[int, int | None]] = field(default_factory=list)

    @property
    def empty(self) -> bool:
        """Whether there is nothing to write."""
        return self == _NOTHING

    @property
    def urgent(self) -> bool:
        """Whether somebody waits for this: commit at once."""
        return bool(self.entries or any(s.notices for s in self.settlements))


_NOTHING = Effects()


class Archive(
    ReadingsKept,
    StatesKept,
    TellerArchive,
    HoursKept,
    LessonsKept,
    MassesKept,
    Protocol,
):
    """What the engine reads back; the rooms below say for themselves what they read."""

    def first_ms(self) -> int | None:
        """Time of the oldest usable reading."""

    def newest_ms(self) -> int | None:
        """Time of the newest reading."""

    def waiting(self) -> list[Reading]:
        """Readings whose leap in time waits to be confirmed."""

    def said(self, kind: str, place: str) -> bool:
        """Whether a notice of this kind was ever written about this place on the page."""

    def entries(self) -> list[Entry]:
        """Everything entered, in order of number."""

    def foretold_since(self, told_ms: int) -> list[Foretold]:
        """What was foretold at this time or later, oldest first."""

    def last_said(self) -> dict[int, Prospect]:
        """What was said of each batch at the last hour, by number of its hanging."""
