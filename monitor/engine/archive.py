"""What the engine reads back from the store."""

from __future__ import annotations

from typing import Protocol

from monitor.ahead.look import Archive as MeansArchive
from monitor.air.memory import ReadingsKept
from monitor.air.states import StatesKept
from monitor.drying.hours import HoursKept
from monitor.drying.prospects import Prospect
from monitor.drying.scales import MassesKept
from monitor.engine.intake import Archive as IntakeArchive
from monitor.entries.entries import Entry
from monitor.notices.once_rules import Foretold
from monitor.notices.settlement import SpellArchive as TellerArchive


class Archive(
    ReadingsKept,
    IntakeArchive,
    StatesKept,
    TellerArchive,
    HoursKept,
    MeansArchive,
    MassesKept,
    Protocol,
):
    """All of it together; each part says for itself what it reads."""

    def said(self, kind: str, place: str) -> bool:
        """Whether a notice of this kind was ever written about this place on the page."""

    def entries(self) -> list[Entry]:
        """Everything entered, in order of number."""

    def foretold_since(self, told_ms: int) -> list[Foretold]:
        """What was foretold at this time or later, oldest first."""

    def last_said(self) -> dict[int, Prospect]:
        """What was said of each batch at the last hour, by number of its hanging."""
