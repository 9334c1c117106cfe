"""A store whose newest rows are in the future: the clock was wrong when they were written."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import NamedTuple

from monitor.site.time import DAY_MIN, MINUTE_MS
from monitor.store.beside import moment
from monitor.store.connection import StoreError, open_for_writing, transaction, vacuum_into
from monitor.store.entries import entries_in
from monitor.store.journal import Journal

# What is later than now by more than this was written under a wrong clock.
ALLOWED_MS = 10 * MINUTE_MS


class SetAside(NamedTuple):
    """What was taken out of the store. kept: the whole store as it was before."""

    readings: int
    kept: Path


def set_aside_future(file: Path, now_ms: int) -> SetAside:
    """Take out what is dated later than now; the store as it was is kept beside.

    What people entered stays, dated now. Spells are worked out anew by the monitor.
    raises  StoreError: a monitor runs on this store, or it cannot be written
    """
    connection, lock = open_for_writing(file)
    kept = file.with_name(f"{file.stem}.before-mending-{moment(now_ms)}.sqlite")
    with lock, closing(connection) as db:
        try:
            vacuum_into(db, kept)
            journal, before = Journal(file, db), entries_in(db)
            with transaction(db):
                readings = _take_out(db, now_ms)
            journal.add(entry for entry in entries_in(db) if entry not in before)
        except (OSError, sqlite3.Error) as error:
            raise StoreError(f"{file}: could not be mended ({error}); nothing changed") from error
    return SetAside(readings, kept)


def _take_out(db: sqlite3.Connection, now_ms: int) -> int:
    minute = now_ms // MINUTE_MS
    readings = db.execute("DELETE FROM reading WHERE time_ms > ?", (now_ms,)).rowcount
    db.execute("DELETE FROM waiting WHERE time_ms > ?", (now_ms,))
    db.execute("DELETE FROM unread WHERE arrived_ms > ?", (now_ms,))
    db.execute("DELETE FROM air WHERE minute >= ?", (minute,))
    db.execute("DELETE FROM air_day WHERE day >= ?", (minute // DAY_MIN,))
    db.execute("DELETE FROM checkpoint WHERE minute > ?", (minute,))
    db.execute("DELETE FROM spell WHERE began >= ?", (minute,))
    db.execute(
        "DELETE FROM outbox WHERE notice IN (SELECT id FROM notice WHERE made_ms > ?)", (now_ms,)
    )
    db.execute("DELETE FROM notice WHERE made_ms > ?", (now_ms,))
    db.execute(
        "UPDATE entry SET at_ms = min(at_ms, ?), made_ms = min(made_ms, ?)", (now_ms, now_ms)
    )
    db.execute(
        "UPDATE fact SET value = min(CAST(value AS INTEGER), ?) WHERE key = 'settled'", (minute,)
    )
    db.execute(
        "UPDATE fact SET value = min(CAST(value AS INTEGER), ?)"
        " WHERE key IN ('upkeep done', 'report done')",
        (now_ms,),
    )
    return readings
