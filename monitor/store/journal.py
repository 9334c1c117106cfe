"""What people entered, kept twice: as rows of the store, and in a journal beside it.

The store is copied once a night, so a backup lacks the entries of the last day. They are in the
journal, and go back into the store when a backup takes its place. It has one line an entry,
[checksum, [store, id, made_ms, at_ms, verb, arguments, changes]], and is only ever appended to,
after the commit: an entry of which a kill in between kept the line away gets it at the next start.
A line that cannot be read is passed over; an entry dated anew has a second line.
"""

from __future__ import annotations

import errno
import json
import os
import sqlite3
import zlib
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import NamedTuple

from monitor.engine.effects import UNSAID_FROM
from monitor.entries.entries import Entry, bears_from_ms
from monitor.site.time import MINUTE_MS
from monitor.store.connection import (
    DamagedError,
    journal_of,
    named_rows,
    shut_to_others,
    transaction,
)

_COLUMNS = ", ".join(Entry._fields)


def entries_in(db: sqlite3.Connection) -> list[Entry]:
    """Everything entered, in order of number; raises DamagedError."""
    try:
        return [
            Entry(**{**row, "arguments": json.loads(row["arguments"])})
            for row in named_rows(db, f"SELECT {_COLUMNS} FROM entry ORDER BY id")  # noqa: S608 (columns of ours)
        ]
    except ValueError as error:
        raise DamagedError("the words of an entry cannot be read") from error


def insert_entry(db: sqlite3.Connection, entry: Entry) -> None:
    """Write one entry into the open transaction."""
    arguments = json.dumps(entry.arguments, ensure_ascii=False)
    db.execute(
        f"INSERT INTO entry ({_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?)",  # noqa: S608 (columns of ours)
        entry._replace(arguments=arguments),  # type: ignore[arg-type]  # as a text
    )


def fact(db: sqlite3.Connection, key: str) -> str | None:
    """What was noted under a key; None: nothing."""
    row = db.execute("SELECT value FROM fact WHERE key = ?", (key,)).fetchone()
    return None if row is None else str(row[0])


def note(db: sqlite3.Connection, key: str, value: str) -> None:
    """Note a fact about the store itself into the open transaction."""
    db.execute("INSERT OR REPLACE INTO fact (key, value) VALUES (?, ?)", (key, value))


_WHICH_STORE = "store"


class JournalContent(NamedTuple):
    """What a journal says.

    stores      of which stores its entries are
    entries     by number, each as it was first kept and as it was dated later
    unreadable  lines that could not be read
    torn        whether the last line breaks off
    """

    stores: set[str]
    entries: dict[int, list[Entry]]
    unreadable: int = 0
    torn: bool = False

    def fits(self, store: str | None, held: Iterable[Entry]) -> bool:
        """Whether it is a store's own journal: nothing in it contradicts what the store holds.

        store  None: it was written by a program that did not say which store it is
        """
        stores = self.stores if store is None else self.stores | {store}
        told = self.entries
        return len(stores) <= 1 and all(e in told[e.id] for e in held if e.id in told)

    def missing_from(self, held: Iterable[Entry]) -> list[Entry]:
        """The entries of a store that are not in the journal."""
        return [entry for entry in held if entry.id not in self.entries]

    def missing_in(self, held: Sequence[Entry]) -> list[Entry]:
        """The entries that a store lacks, as they were last dated, in order of number."""
        there = {entry.id for entry in held}
        missing = []
        for number in sorted(self.entries.keys() - there):
            entry = self.entries[number][-1]
            if entry.changes is None or entry.changes in there:
                missing.append(entry)
                there.add(number)
        return missing


class Journal:
    """The journal of a store that is written, used by the writer's thread alone.

    Made, it brings both to the same entries. A journal that is not this store's own is put aside.

    trouble  why it could not be written the last time; None: it holds every committed entry
    """

    def __init__(self, store: Path, db: sqlite3.Connection) -> None:
        self.file = journal_of(store)
        self.trouble: str | None = None
        self._store = _named(db)
        self._waiting: list[Entry] = []
        self._torn = False
        held = entries_in(db)
        try:
            shut_to_others(self.file)
            kept = read(self.file)
            if not kept.fits(self._store, held):
                number = len(_put_aside(self.file)) + 1
                self.file.rename(self.file.with_name(f"{self.file.name}.{number}"))
                kept = read(self.file)
        except OSError as error:
            self.trouble = error.strerror
            return
        self._torn = kept.torn
        missing = kept.missing_in(held)
        if missing:
            with transaction(db):
                _put_back(db, missing)
        self.add(kept.missing_from(held))

    def add(self, entries: Iterable[Entry]) -> None:
        """Append what was committed; what cannot be written waits for the next time."""
        self._waiting += entries
        if not self._waiting:
            return
        lines = "".join(_line(self._store, entry) for entry in self._waiting)
        try:
            _append(self.file, ("\n" * self._torn + lines).encode())
        except OSError as error:
            self.trouble, self._torn = error.strerror, True
            return
        self.trouble, self._torn = None, False
        self._waiting.clear()


def bring_back(db: sqlite3.Connection, store: Path) -> tuple[int, list[str]]:
    """Put into the copy of a store what the journals beside `store` have and it lacks.

    Returns how many entries came back, and a sentence for each journal that did not give all.
    """
    entries, troubles = 0, []
    own = journal_of(store)
    for file in (own, *_put_aside(own)):
        try:
            kept = read(file)
        except OSError as error:
            troubles.append(f"{file}: what it holds could not be put back ({error.strerror}).")
            continue
        which, held = _which(db), entries_in(db)
        if not kept.fits(which, held):
            if file == own:
                troubles.append(f"{file}: is of another store; nothing of it was put back.")
            continue
        missing = kept.missing_in(held)
        with transaction(db):
            if which is None and kept.stores:
                note(db, _WHICH_STORE, min(kept.stores))
            if missing:
                _put_back(db, missing)
        entries += len(missing)
        if kept.unreadable:
            told = f"{kept.unreadable} of its lines could not be read; see if an entry is missing"
            troubles.append(f"{file}: {told}.")
    return entries, troubles


def read(file: Path) -> JournalContent:
    """What a journal says, as far as it can be read; raises OSError."""
    if file.is_fifo():  # to read it would wait for ever
        raise OSError(errno.EINVAL, "it is a pipe")
    try:
        content = file.read_bytes()
    except FileNotFoundError:
        return JournalContent(set(), {})
    *lines, rest = content.split(b"\n")
    kept = JournalContent(set(), {}, torn=bool(rest))
    unreadable = 0
    for line in lines:
        said = _said(line)
        if said is None:
            unreadable += bool(line)
            continue
        store, entry = said
        kept.stores.add(store)
        kept.entries.setdefault(entry.id, []).append(entry)
    return kept._replace(unreadable=unreadable)


def _put_back(db: sqlite3.Connection, missing: Sequence[Entry]) -> None:
    """Enter what was entered before; what it bears on is folded anew at the next start."""
    for entry in missing:
        insert_entry(db, entry)
    minute = bears_from_ms(entries_in(db), missing) // MINUTE_MS
    db.execute("DELETE FROM checkpoint WHERE minute > ?", (minute,))
    noted = fact(db, UNSAID_FROM)
    note(db, UNSAID_FROM, str(min(minute, int(noted)) if noted else minute))


def _append(file: Path, content: bytes) -> None:
    new = not file.exists()
    opened = os.open(file, os.O_CREAT | os.O_APPEND | os.O_WRONLY | os.O_NONBLOCK, 0o600)
    try:
        while content:
            content = content[os.write(opened, content) :]
        os.fsync(opened)
    finally:
        os.close(opened)
    if new:
        folder = os.open(file.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)


def _put_aside(journal: Path) -> list[Path]:
    """The journals that were put aside here, of this store or others, oldest first."""
    found: list[Path] = []
    while (aside := journal.with_name(f"{journal.name}.{len(found) + 1}")).exists():
        found.append(aside)
    return found


def _line(store: str, entry: Entry) -> str:
    said: list[object] = [store, *entry]
    return json.dumps([_checksum(said), said]) + "\n"


def _said(line: bytes) -> tuple[str, Entry] | None:
    """Of which store, and the entry; None: the line cannot be read."""
    try:
        checksum, said = json.loads(line)
        if checksum == _checksum(said):
            store, *entry = said
            return str(store), Entry(*entry)
    except (ValueError, TypeError, RecursionError):
        pass
    return None


def _checksum(said: list[object]) -> str:
    return f"{zlib.crc32(json.dumps(said).encode()):08x}"


def _named(db: sqlite3.Connection) -> str:
    """Which store this is: a name of chance that it has from its first start on."""
    which = _which(db)
    if which is None:
        which = os.urandom(16).hex()
        with transaction(db):
            note(db, _WHICH_STORE, which)
    return which


def _which(db: sqlite3.Connection) -> str | None:
    return fact(db, _WHICH_STORE)
