"""What the sender is to send: the outbox in the store, and what must be said without the store.

While the store cannot be written no notice can be kept, and just that has to be said. Such a notice
lives in memory until it is delivered, or until the store can be written again.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from itertools import count
from pathlib import Path
from typing import NamedTuple

from monitor.edges.report.order import WEEK_PAGE
from monitor.edges.sender import NotDelivered, Outcome, Waiting
from monitor.notices.notice import Notice, urgency_of
from monitor.store.connection import StoreError, WriteError
from monitor.store.queries import Reader, Unsent

log = logging.getLogger(__name__)


class WayOut(NamedTuple):
    """Who is told, past the store: that there was a commit, that the store fails, and no longer."""

    committed: Callable[[], None] = lambda: None
    fails: Callable[[WriteError], None] = lambda _: None
    written_again: Callable[[], None] = lambda: None


class PhoneOutbox:
    """The outbox as the sender reads it, with links to the page.

    page       what links begin with; "": none
    addresses  the names of all addresses
    now_ms     the time by which rows are due

    `say` and `withdraw` are for the worker's thread, the rest for the sender's.
    """

    def __init__(
        self, store: Path, page: str, addresses: Sequence[str], now_ms: Callable[[], int]
    ) -> None:
        self._store = store
        self._page = page.rstrip("/")
        self._addresses = tuple(addresses)
        self._now_ms = now_ms
        self._rows: Sequence[Unsent] = []
        self._said = False
        self._unkept: dict[tuple[int, str], Waiting] = {}
        self._numbers = count(-1, -1)  # those of kept notices are above 0

    def say(self, notice: Notice) -> None:
        """Send a notice that the store cannot keep."""
        number, link = next(self._numbers), self._link(notice.place)
        for name in self._addresses:
            row = Waiting(
                number,
                name,
                notice.title,
                notice.body,
                link,
                0,
                notice.made_ms,
                notice.made_ms,
                urgency=notice.urgency,
            )
            self._unkept[number, name] = row

    def withdraw(self) -> None:
        """The store keeps notices again: what has not reached its address is out of date."""
        self._unkept.clear()

    def unsent(self) -> list[Waiting]:
        """Everything that waits: what the store cannot keep first.

        While the store cannot be read, what it held when it last could: so the sender goes on
        knowing what it has sent.
        """
        try:
            with Reader(self._store) as reader:
                self._rows = reader.unsent()
            self._said = False
        except (StoreError, WriteError) as error:
            if not self._said:
                log.error("The notices that wait cannot be read now: %s", error)
            self._said = True
        kept = [
            Waiting(
                row.notice,
                row.address,
                row.title,
                row.body,
                self._link(row.place),
                row.tries,
                row.next_try_ms,
                row.made_ms,
                None if row.report is None else Path(row.report) / WEEK_PAGE,
                urgency_of(row.weight, row.part),
            )
            for row in self._rows
        ]
        return [*self._unkept.copy().values(), *kept]

    def note(self, outcome: Outcome) -> bool:
        """Note what became of a notice that the store does not keep; False: it keeps this one."""
        if outcome.notice > 0:
            return False
        row = self._unkept.pop((outcome.notice, outcome.address), None)
        if row is not None and isinstance(outcome, NotDelivered) and not outcome.permanent:
            again_ms = self._now_ms() + round(1000 * outcome.wait_s)
            again = row._replace(tries=row.tries + 1, next_try_ms=again_ms)
            self._unkept[outcome.notice, outcome.address] = again
        return True

    def _link(self, place: str) -> str:
        return f"{self._page}{place}" if self._page else ""
