"""Names and their row numbers."""

from __future__ import annotations

import sqlite3

from monitor.store.connection import DamagedError


class Names:
    """Names ↔ row numbers of one table, made as they are met."""

    def __init__(self, connection: sqlite3.Connection, table: str) -> None:
        self._connection = connection
        self._table = table
        self._ids: dict[str, int] = {}
        self._names: dict[int, str] = {}
        self.reload()

    def reload(self) -> None:
        """Forget what a rolled-back transaction made."""
        rows = self._connection.execute(f"SELECT id, name FROM {self._table}").fetchall()  # noqa: S608 (a table of ours)
        self._names = dict(rows)
        self._ids = {name: id_ for id_, name in rows}

    def id_of(self, name: str) -> int:
        """The row number of a name, made if it is new."""
        id_ = self._ids.get(name)
        if id_ is None:
            cursor = self._connection.execute(
                f"INSERT INTO {self._table} (name) VALUES (?)",  # noqa: S608 (a table of ours)
                (str(name),),
            )
            id_ = int(cursor.lastrowid or 0)
            self._ids[name] = id_
            self._names[id_] = str(name)
        return id_

    def known(self, name: str) -> int | None:
        """The row number of a name; None if it is not there."""
        return self._ids.get(name)

    def name_of(self, id_: int) -> str:
        """The name of a row number."""
        try:
            return self._names[id_]
        except KeyError:
            raise DamagedError(f"a row speaks of number {id_}, which has no name") from None
