"""The outbox as the sender reads it."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import NamedTuple

from monitor.store.connection import open_for_reading


class Row(NamedTuple):
    """An outbox row that is neither sent nor failed for good.

    place        path on the page that the notice speaks of
    next_try_ms  not before [UTC epoch ms]
    made_ms      when it was said [UTC epoch ms]
    report       folder of the week's report that the notice brings; None: it brings none
    """

    notice: int
    address: str
    title: str
    body: str
    place: str
    tries: int
    next_try_ms: int
    made_ms: int
    report: str | None


def unsent(file: Path) -> Sequence[Row]:
    """All rows that wait, whether due or not, in the order of their notices."""
    with closing(open_for_reading(file)) as db:
        rows = db.execute(
            "SELECT notice, address, title, body, place, tries, next_try_ms, notice.made_ms, folder"
            " FROM outbox JOIN notice ON notice.id = outbox.notice"
            " LEFT JOIN report ON kind = 'report' AND place = '/report/' || week"
            " WHERE next_try_ms IS NOT NULL ORDER BY notice, address"
        ).fetchall()
    return [Row(*row) for row in rows]
