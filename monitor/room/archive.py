"""What the engine reads back from the store."""

from __future__ import annotations

from typing import Protocol

from monitor.room.entries import Entry
from monitor.room.foresight import Archive as MeansArchive
from monitor.room.hour_means import Archive as HoursArchive
from monitor.room.intake import Archive as IntakeArchive
from monitor.room.prospects import Prospect
from monitor.room.recent import Kept
from monitor.room.scales import Archive as ScaleArchive
from monitor.room.soon_teller import Foretold
from monitor.room.states import Archive as StatesArchive
from monitor.room.teller import Archive as TellerArchive


class Archive(
    Kept,
    IntakeArchive,
    StatesArchive,
    TellerArchive,
    HoursArchive,
    MeansArchive,
    ScaleArchive,
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
