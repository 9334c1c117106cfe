"""Opening the database: pragmas, migrations, and the refusals that keep it whole."""

from __future__ import annotations

import fcntl
import os
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, Any

from monitor.site.words import shown
from monitor.store.beside import finish_restore, lost
from monitor.store.schema import MIGRATIONS

READ_WAIT_S = 2.0
CACHE_KB = 500  # of pages in memory; what is written and read back lies close together
VERSION = len(MIGRATIONS)
SQLITE_VERSION = sqlite3.sqlite_version

# What writing raises when the disk or the card fails, and what only a mistake of ours raises.
WriteError = sqlite3.Error
OWN_MISTAKES = (sqlite3.ProgrammingError, sqlite3.InterfaceError)
FULL, DAMAGED = "the disk is full", "the store is damaged"
_PLAIN = {
    sqlite3.SQLITE_FULL: FULL,
    sqlite3.SQLITE_CORRUPT: DAMAGED,
    sqlite3.SQLITE_NOTADB: DAMAGED,
    sqlite3.SQLITE_READONLY: "the disk is read-only",
    sqlite3.SQLITE_IOERR: "the disk reports a fault",
}


class StoreError(Exception):
    """The store cannot be used; str() is one plain sentence."""

    def __init__(self, sentence: str) -> None:
        super().__init__(shown(sentence, 600))  # SQLite may repeat what it found in the file


class StoreRefusedError(StoreError):
    """The store is not this program's to use now: trying again would not help."""


class DamagedError(sqlite3.DatabaseError):
    """What SQLite reads without complaint contradicts itself."""

    sqlite_errorcode = sqlite3.SQLITE_CORRUPT


def why_failed(error: WriteError) -> str:
    """Why the store could not be written or read, in plain words, such as FULL or DAMAGED."""
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF  # the rest tells where it happened
    return _PLAIN.get(code, str(error))


def open_for_writing(
    file: Path, backup_folders: Sequence[Path] = ()
) -> tuple[sqlite3.Connection, IO[str]]:
    """The one read-write connection, and the lock that keeps a second monitor out.

    Creates the file (0600) and brings it up to date.
    Finishes a restore that was cut short. raises StoreError; where a store was and is gone, too
    """
    file.parent.mkdir(parents=True, exist_ok=True)
    lock = _lock(file)
    try:
        finish_restore(file)
        gone = lost(file, backup_folders)
        if gone is not None:
            raise StoreRefusedError(gone)
        if not file.exists():
            os.close(os.open(file, os.O_CREAT | os.O_RDWR, 0o600))
        shut_to_others(file)
        # Opened where the daemon starts, then used by the worker's thread alone.
        connection = sqlite3.connect(
            file, isolation_level=None, timeout=READ_WAIT_S, check_same_thread=False
        )
        # Of a new store: a commit writes whole pages, and what comes in a minute fills few.
        connection.execute("PRAGMA page_size = 1024")
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute(f"PRAGMA cache_size = -{CACHE_KB}")
        connection.execute("PRAGMA foreign_keys = ON")
        migrate(connection, file)
    except (sqlite3.Error, UnicodeDecodeError) as error:  # it repeats what it found in the file
        lock.close()
        raise StoreError(cannot_open(file, error)) from error
    except BaseException:
        lock.close()
        raise
    return connection, lock


def named_rows(
    connection: sqlite3.Connection, sql: str, values: Sequence[object] | Mapping[str, object] = ()
) -> Iterator[dict[str, Any]]:
    """The rows of a query one at a time, their values by the names of its columns."""
    cursor = connection.execute(sql, values)
    names = [column[0] for column in cursor.description]
    return (dict(zip(names, row, strict=True)) for row in cursor)


def shut_to_others(file: Path) -> None:
    """Take from others what would let them read or write a file of ours."""
    with suppress(FileNotFoundError, PermissionError):
        if file.stat().st_mode & 0o077:
            file.chmod(0o600)


def open_for_reading(file: Path) -> sqlite3.Connection:
    """A read-only connection of one's own; close it soon, a long reader keeps the log growing.

    raises StoreError
    """
    if not file.exists():
        gone = lost(file)
        if gone is not None:
            raise StoreRefusedError(gone)
        raise StoreError(f"{file}: there is no store yet; start the monitor once, it makes one")
    if not os.access(file, os.R_OK):
        raise StoreError(f"{file}: only its owner may read it; {as_owner(file)}")
    try:
        connection = sqlite3.connect(
            f"file:{file}?mode=ro", uri=True, isolation_level=None, timeout=READ_WAIT_S
        )
        _refuse_newer(connection, file)
    except (sqlite3.Error, UnicodeDecodeError) as error:  # it repeats what it found in the file
        raise StoreError(cannot_open(file, error)) from error
    return connection


def migrate(connection: sqlite3.Connection, file: Path) -> None:
    """Bring the store up to this program's shape: each step and its record commit together.

    A store that holds anything is first copied beside itself, as the way back to the older program.
    """
    _refuse_newer(connection, file)
    found = _version(connection)
    if 0 < found < len(MIGRATIONS):
        before = file.with_name(f"{file.stem}.before-version-{len(MIGRATIONS)}.sqlite")
        before.unlink(missing_ok=True)
        vacuum_into(connection, before)
    for version in range(found, len(MIGRATIONS)):
        with transaction(connection):
            for statement in _statements(MIGRATIONS[version]):
                connection.execute(statement)
            connection.execute(f"PRAGMA user_version = {version + 1}")


def vacuum_into(connection: sqlite3.Connection, file: Path) -> None:
    """Everything committed, as one new file (0600); raises sqlite3.Error where it exists."""
    os.close(os.open(file, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))
    connection.execute("VACUUM INTO ?", (str(file),))


@contextmanager
def locked(file: Path) -> Iterator[None]:
    """Keeps every monitor off a store; raises StoreError where one is running."""
    with _lock(file):
        yield


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """One write transaction: committed at the end, rolled back if anything is raised."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def _version(connection: sqlite3.Connection) -> int:
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def _refuse_newer(connection: sqlite3.Connection, file: Path) -> None:
    found = _version(connection)
    if found > len(MIGRATIONS):
        raise StoreRefusedError(
            f"{file}: was written by a newer version of this program (store version {found}, this "
            f"program knows up to {len(MIGRATIONS)}); install the newer program, or restore a "
            f"backup made before the change"
        )


def _statements(script: str) -> Iterator[str]:
    statement = ""
    for line in script.splitlines(keepends=True):
        statement += line
        if sqlite3.complete_statement(statement):
            yield statement
            statement = ""


def as_owner(path: Path) -> str:
    """How to ask again with the rights of who owns a file or a folder."""
    try:
        owner = path.owner()
    except KeyError:
        owner = f"#{path.stat().st_uid}"
    return f"put `sudo -u {owner}` before the command"


def _lock(file: Path) -> IO[str]:
    lock = open(file.with_name(file.name + ".lock"), "w")  # noqa: SIM115 (held while the store is open)
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        lock.close()
        raise StoreRefusedError(
            f"{file}: another monitor is already running on this store; stop it first, or give "
            f"this one a store file of its own"
        ) from error
    return lock


def cannot_open(file: Path, error: Exception) -> str:
    """One sentence: why this store cannot be used, and what to do."""
    return (
        f"{file}: cannot be opened as a store ({error}); if the disk and the file's rights are "
        f"fine, bring back a backup with: drying-room restore"
    )
