"""Backups of the store: made whole, opened to see that they are, kept by date, brought back.

And a store whose newest rows are in the future, for the clock was wrong: what is to be taken out.
"""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import NamedTuple

from monitor.site.time import DAY_MIN, MINUTE_MS
from monitor.store.connection import (
    RestoreMark,
    StoreError,
    backups,
    finish_restore,
    locked,
    mark,
    moment,
    new_of,
    open_for_reading,
    open_for_writing,
    replaced,
    to_disk,
    transaction,
    unmark,
    vacuum_into,
)
from monitor.store.journal import Journal, bring_back, entries_in

_TABLES = {"reading", "air", "spell", "entry", "notice"}


@dataclass(frozen=True, slots=True)
class BackupOrder:
    """A backup to be made.

    second  where a copy goes, e.g. a memory stick; it missing is no failure of the first
    kept    how many stay in each folder
    now_ms  its date [UTC epoch ms]
    """

    store: Path
    folder: Path
    second: Path | None
    kept: int
    now_ms: int


@dataclass(frozen=True, slots=True)
class Made:
    """A backup that was made and opened.

    second   the copy in the second folder; None: none was asked for, or it could not be made
    trouble  why there is no copy in the second folder, in one sentence
    """

    file: str
    size: int
    second: str | None = None
    trouble: str | None = None


@dataclass(frozen=True, slots=True)
class Restored:
    """A backup that is now the store.

    kept      where the store it replaced is
    entries   how many entries made since were put back
    troubles  a sentence for each journal of entries that did not give all it should hold
    """

    file: Path
    kept: Path | None
    entries: int
    troubles: list[str]


def back_up(order: BackupOrder) -> Made:
    """Make a dated backup, open it to see that it is whole, and let the oldest ones go.

    raises  StoreError: there is no backup
    """
    store, folder, second = order.store, order.folder, order.second
    name = f"{store.stem}-{moment(order.now_ms)}.sqlite"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        file = _vacuumed(store, folder / name)
    except OSError as error:
        raise StoreError(f"{folder}: no backup can be written there ({error.strerror})") from error
    _let_go(store, folder, order.kept)
    made = Made(str(file), file.stat().st_size)
    if second is None:
        return made
    try:
        copy = _copied(file, second)
    except (OSError, StoreError) as error:
        why = error.strerror if isinstance(error, OSError) else str(error)
        trouble = f"{second}: there is no copy of the backup ({why}); is the stick plugged in?"
        return Made(made.file, made.size, trouble=trouble)
    _let_go(store, second, order.kept)
    return Made(made.file, made.size, str(copy))


def verify(file: Path) -> None:
    """Open a backup and look through all of it; raises StoreError where it is not whole."""
    try:
        with closing(open_for_reading(file)) as db:
            answer = db.execute("PRAGMA integrity_check").fetchone()[0]
            tables = {row[0] for row in db.execute("SELECT name FROM sqlite_master")}
    except (sqlite3.Error, StoreError) as error:
        cause = error if isinstance(error, sqlite3.Error) else error.__cause__
        if not isinstance(cause, sqlite3.Error):
            raise
        raise StoreError(f"{file}: is no whole store ({cause}); take another backup") from error
    except UnicodeDecodeError as error:  # SQLite repeats what it found in the file
        raise StoreError(f"{file}: is damaged; take another backup") from error
    if answer != "ok":
        raise StoreError(f"{file}: is damaged ({answer}); take another backup")
    if not tables >= _TABLES:
        raise StoreError(f"{file}: is a database, but no store of this program")


def restore(file: Path, store: Path, now_ms: int) -> Restored:
    """Make a backup the store; the store it replaces is kept beside it.

    What was entered since it was made comes back out of the journal beside the store.

    raises  StoreError: the backup is not whole, or a monitor runs on this store
    """
    verify(file)
    store.parent.mkdir(parents=True, exist_ok=True)
    with locked(store):
        finish_restore(store)
        new, kept = new_of(store), replaced(store, now_ms)
        under_way = RestoreMark(str(file.absolute()), kept.name, ready=False)
        mark(store, under_way)
        try:
            _copy_fresh(file, new)
            new.chmod(0o600)
            if store.exists():
                shutil.copystat(store, new)
                shutil.chown(new, store.stat().st_uid, store.stat().st_gid)
            with closing(sqlite3.connect(new, isolation_level=None)) as db:
                entries, troubles = bring_back(db, store)
            to_disk(new)
            verify(new)
        except (OSError, sqlite3.Error, UnicodeDecodeError) as error:
            new.unlink(missing_ok=True)
            unmark(store)
            why = error.strerror if isinstance(error, OSError) else str(error)
            raise StoreError(f"{store}: cannot be replaced ({why})") from error
        mark(store, replace(under_way, ready=True))
        finish_restore(store)
    return Restored(store, kept if kept.exists() else None, entries, troubles)


def _vacuumed(store: Path, file: Path) -> Path:
    """One file of everything committed; under its name only once it is whole and on the disk."""
    part = file.with_suffix(".part")
    part.unlink(missing_ok=True)
    try:
        with closing(open_for_reading(store)) as db:
            vacuum_into(db, part)
        verify(part)
        to_disk(part)
        part.rename(file)
    except sqlite3.Error as error:
        raise StoreError(f"{file}: the backup could not be written ({error})") from error
    finally:
        part.unlink(missing_ok=True)
    to_disk(file.parent)
    return file


def _copied(file: Path, folder: Path) -> Path:
    """A copy in a folder that is there already: a stick that is not plugged in has none."""
    copy = folder / file.name
    part = copy.with_suffix(".part")
    try:
        _copy_fresh(file, part)
        to_disk(part)
        verify(part)
        part.rename(copy)
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)
    to_disk(folder)
    return copy


def _copy_fresh(file: Path, copy: Path) -> None:
    """Copy into a file of our own making: what lies there under that name is no place to write."""
    copy.unlink(missing_ok=True)
    with file.open("rb") as source, copy.open("xb") as out:
        shutil.copyfileobj(source, out)


def _let_go(store: Path, folder: Path, kept: int) -> None:
    for file in backups(store, folder)[:-kept]:
        file.unlink(missing_ok=True)


# -- rows of the future ---------------------------------------------------------------------------

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


# In this order: what is on its way of a notice goes before the notice.
_TAKE_OUT = (
    "DELETE FROM waiting WHERE time_ms > :ms",
    "DELETE FROM unread WHERE arrived_ms > :ms",
    "DELETE FROM air WHERE minute >= :minute",
    "DELETE FROM air_day WHERE day >= :day",
    "DELETE FROM checkpoint WHERE minute > :minute",
    "DELETE FROM spell WHERE began >= :minute",
    "DELETE FROM outbox WHERE notice IN (SELECT id FROM notice WHERE made_ms > :ms)",
    "DELETE FROM notice WHERE made_ms > :ms",
    "UPDATE entry SET at_ms = min(at_ms, :ms), made_ms = min(made_ms, :ms)",
    "UPDATE fact SET value = min(CAST(value AS INTEGER), :minute) WHERE key = 'settled'",
    "UPDATE fact SET value = min(CAST(value AS INTEGER), :ms)"
    " WHERE key IN ('upkeep done', 'report done')",
)


def _take_out(db: sqlite3.Connection, now_ms: int) -> int:
    """How many readings were later than now."""
    minute = now_ms // MINUTE_MS
    now = {"ms": now_ms, "minute": minute, "day": minute // DAY_MIN}
    readings = db.execute("DELETE FROM reading WHERE time_ms > :ms", now).rowcount
    for sql in _TAKE_OUT:
        db.execute(sql, now)
    return readings
