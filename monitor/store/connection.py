"""Opening the database, the refusals that keep it whole, and what lies beside it.

Pragmas, migrations, the lock against a second monitor; backups, stores put aside, and a restore
under way. A restore is marked from its first step to its last: who next opens the store for writing
does what is left of it. Where a store is gone and something of it lies beside, none is made.
"""

from __future__ import annotations

import fcntl
import os
import shlex
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, Any

import msgspec

from monitor.site.time import epoch_ms_of, utc
from monitor.site.words import shown
from monitor.store.schema import MIGRATIONS

_DATED = "%Y%m%dT%H%M%SZ"


@dataclass(frozen=True, slots=True)
class RestoreMark:
    """A restore under way.

    source  what is brought back
    kept    the name of the store that it replaces
    ready   whether the new store lies whole beside the old one
    """

    source: str
    kept: str
    ready: bool


def journal_of(store: Path) -> Path:
    """Where the journal of a store is."""
    return store.with_name(store.name + ".entries")


def new_of(store: Path) -> Path:
    """Where a restore makes the new store."""
    return store.with_name(store.name + ".new")


def replaced(store: Path, now_ms: int) -> Path:
    """Where a store is put that a restore replaces."""
    return store.with_name(f"{store.stem}.replaced-{moment(now_ms)}.sqlite")


def moment(now_ms: int) -> str:
    """A moment as file names hold it: 20260712T041500Z."""
    return utc(now_ms).strftime(_DATED)


def backups(store: Path, folder: Path) -> list[Path]:
    """The dated backups of a store in a folder, oldest first; a link is none."""
    found = []
    with suppress(OSError):
        for file in folder.glob(f"{store.stem}-*.sqlite"):
            if made_ms(store, file) is not None and not file.is_symlink():
                found.append(file)
    return sorted(found)


def made_ms(store: Path, file: Path) -> int | None:
    """When a backup was made, by its name [UTC epoch ms]; None: not one of ours."""
    try:
        moment = datetime.strptime(file.stem.removeprefix(f"{store.stem}-"), _DATED)
    except ValueError:
        return None
    return epoch_ms_of(moment.replace(tzinfo=UTC))


def lost(store: Path, folders: Sequence[Path] = ()) -> str | None:
    """Why no new store may be made where none is, and what to do; None: there never was one.

    folders  where backups may be besides the store's own folder and `backups` in it
    """
    if store.exists():
        return None
    mark = read_mark(store)
    if mark is not None:
        again = "start the monitor, it finishes it" if mark.ready else _command(Path(mark.source))
        return f"{store}: a restore of this store was cut short; {again}"
    where = (store.parent, store.parent / "backups", *folders)
    dated = [file for folder in where for file in backups(store, folder)]
    aside = sorted(store.parent.glob(f"{store.stem}.replaced-*.sqlite"))
    newest = max(dated, key=lambda file: made_ms(store, file) or 0, default=None)
    found = newest or next(reversed(aside), None)
    if found is not None:
        return (
            f"{store}: the store is gone, and {found} is left of it; bring it back with: "
            f"{_command(found)}"
        )
    journal = journal_of(store)
    if journal.is_file():
        return (
            f"{store}: the store is gone, and only what was entered is left in {journal}; bring "
            "back a backup with: drying-room restore, or move that file away to begin anew"
        )
    return None


def _command(file: Path) -> str:
    return f"drying-room restore {shlex.quote(str(file))}"


def read_mark(store: Path) -> RestoreMark | None:
    """The restore under way; None: none is."""
    try:
        return msgspec.json.decode(_mark_of(store).read_bytes(), type=RestoreMark)
    except FileNotFoundError:
        return None


def mark(store: Path, told: RestoreMark) -> None:
    """Say that a restore is under way, on the disk before anything else happens."""
    file = _mark_of(store)
    part = _mark_of(store, ".part")
    part.write_bytes(msgspec.json.encode(told))
    to_disk(part)
    part.replace(file)
    to_disk(store.parent)


def unmark(store: Path) -> None:
    """The restore is over."""
    _mark_of(store).unlink(missing_ok=True)
    to_disk(store.parent)


def _mark_of(store: Path, ending: str = "") -> Path:
    return store.with_name(f"{store.name}.restoring{ending}")


def finish_restore(store: Path) -> None:
    """Do what is left of a restore: put the old store aside with its log, the new in its place.

    For who holds the store's lock; any number of times. One cut short before the new store was
    whole has changed nothing: where the old one stands, it is as if it had not begun.
    """
    _mark_of(store, ".part").unlink(missing_ok=True)
    told, new = read_mark(store), new_of(store)
    if told is None or not (told.ready or store.exists()):
        return
    if told.ready and new.exists():
        kept = store.with_name(told.kept)
        for ending in ("", "-wal"):
            with suppress(FileNotFoundError):
                store.with_name(store.name + ending).rename(kept.with_name(kept.name + ending))
        store.with_name(store.name + "-shm").unlink(missing_ok=True)
        to_disk(store.parent)
        new.rename(store)
        to_disk(store.parent)
    new.unlink(missing_ok=True)
    unmark(store)


def to_disk(path: Path) -> None:
    """Wait until a file or the names in a folder are on the disk; raises OSError."""
    opened = os.open(path, os.O_RDONLY)
    try:
        os.fsync(opened)
    finally:
        os.close(opened)


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
