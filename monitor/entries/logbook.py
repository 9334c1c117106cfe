"""What people entered, and what follows from it: batches and changes to sensors."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from typing import NamedTuple

from monitor.entries.admission import Known, admit, upset
from monitor.entries.batches import Batch, History, described, fold, hanging_in, kept_in
from monitor.entries.crisp_spans import CrispSpan, crisp_spans
from monitor.entries.entries import Entry, Request, standing
from monitor.entries.sensors import Calibration, Service, calibrations, services
from monitor.entries.told import made
from monitor.site.spaces import Site


class Entered(NamedTuple):
    """An entry taken in.

    said   what it came to, in words
    batch  name of the batch it speaks of; None: it speaks of none
    upset  sentences about older entries that no longer count because of it
    """

    entry: Entry
    said: str
    batch: str | None
    upset: list[str]


class Logbook:
    """The entries of one site, and what they come to."""

    def __init__(self, site: Site, flowers: Mapping[str, str], entries: Iterable[Entry]) -> None:
        self._site = site
        self._flowers = flowers
        self.entries = list(entries)
        self.history = History((), ())
        self.calibrations: list[Calibration] = []
        self.services: list[Service] = []
        self.crisp: frozenset[CrispSpan] = frozenset()
        self._read()

    def enter(self, request: Request, notices: Collection[int], now_ms: int) -> Entered:
        """Take in what someone asks for; raises RequestError with one sentence."""
        known = Known(
            self.entries,
            self._site.spaces,
            self._site.sensors,
            self._flowers,
            notices,
            scales=self._site.scales(),
        )
        number = self.entries[-1].id + 1 if self.entries else 1
        entry = admit(request, known, number, now_ms)
        warnings = upset(known, entry) if entry.changes is not None else []
        self.entries.append(entry)
        self._read()
        return Entered(entry, made(entry, self.history), self._batch_of(entry), warnings)

    def at_risk(self, now_ms: int) -> dict[str, tuple[str, ...]]:
        """For each space the batches in it now, in words."""
        return {
            space: tuple(described(b) for b in self._in(space, now_ms))
            for space in self._site.spaces
        }

    def _in(self, space: str, now_ms: int) -> list[Batch]:
        batches = self.history.batches
        return hanging_in(batches, space, now_ms) + kept_in(batches, space, now_ms)

    def _read(self) -> None:
        self.standing = standing(self.entries)
        self.history = fold(self.standing, self._site.spaces)
        self.calibrations = calibrations(self.standing)
        self.services = services(self.standing)
        self.crisp = crisp_spans(self.history.batches)

    def _batch_of(self, entry: Entry) -> str | None:
        if entry.verb == "hang":
            return str(entry.arguments["name"])
        by_number = {b.hung_by: b.name for b in self.history.batches}
        batch = entry.arguments.get("batch")
        return by_number.get(batch) if isinstance(batch, int) else None
