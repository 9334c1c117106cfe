"""What the page is given: where it listens, and the house it shows."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from concurrent.futures import Future
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from monitor.engine.snapshot import Snapshot
from monitor.entries.batches import described, hanging_in, kept_in
from monitor.entries.entries import JSON, Request
from monitor.entries.logbook import Entered
from monitor.notices.notice import Circumstances
from monitor.science.moist_air import standard_pressure
from monitor.site.flowers import Book
from monitor.site.spaces import OUTDOORS, Site


@dataclass(frozen=True)
class Place:
    """Where the page listens and who may open it. passphrase_file None: only this machine."""

    bind: str
    port: int
    trusted_hosts: tuple[str, ...]
    passphrase_file: Path | None = None
    certificate_file: Path | None = None
    key_file: Path | None = None


@dataclass(frozen=True)
class House:
    """Everything the page reads and does.

    book      what is known of each flower
    snapshot  how everything stands now
    submit    has something entered; the future's answer is Entered, or RequestError
    parse     a form's fields → what is asked for; raises RequestError
    now_ms    now, by the wall or the readings [UTC epoch ms]
    trouble   what keeps the monitor from watching, in a sentence; None: nothing
    plan      where a harvest should hang; raises RequestError with a sentence
    check     how the check of a sensor stands; raises RequestError where it cannot be checked
    """

    site: Site
    store: Path
    book: Book
    snapshot: Callable[[], Snapshot]
    submit: Callable[[Request], Future[Entered]]
    parse: Callable[[Mapping[str, str]], Request]
    now_ms: Callable[[], int]
    trouble: Callable[[], str | None]
    plan: Callable[[Mapping[str, JSON]], Mapping[str, JSON]]
    check: Callable[[str], Mapping[str, Any]]

    def spaces(self) -> list[str]:
        """The spaces in the order of the settings; outdoors last, where something measures it."""
        measured = any(s.space == OUTDOORS for s in self.site.sensors.values())
        indoors = [name for name in self.site.spaces if name != OUTDOORS]
        return indoors + ([OUTDOORS] if measured else [])

    def circumstances(self, snapshot: Snapshot) -> Circumstances:
        """What advice needs to know."""
        batches = snapshot.history.batches
        at_risk = {
            name: tuple(
                described(b)
                for b in hanging_in(batches, name, snapshot.now_ms)
                + kept_in(batches, name, snapshot.now_ms)
            )
            for name in self.site.spaces
        }
        pressure_pa = standard_pressure(self.site.elevation_m)
        advised = {
            name: coming.airing.verb
            for name, coming in snapshot.coming.items()
            if coming.airing is not None
        }
        return Circumstances(self.site, pressure_pa, at_risk, snapshot.air, advised=advised)
