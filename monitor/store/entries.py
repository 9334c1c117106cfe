"""What people entered, as rows of the store."""

from __future__ import annotations

import json
import sqlite3

from monitor.entries.entries import Entry
from monitor.store.connection import DamagedError, named_rows

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
