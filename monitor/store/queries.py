"""The only reads of the store: the engine's over the writer's connection, others' read-only."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any, NamedTuple, Self

from monitor.ahead import lesson as learning
from monitor.ahead.grid import GridAir, TenMinutesKept, on_grid
from monitor.ahead.model import Location
from monitor.air.spells import Spell
from monitor.drying.prospects import Prospect
from monitor.engine.effects import HoursAhead
from monitor.entries.entries import Entry
from monitor.notices.notice import Notice, NoticeRow, Weight
from monitor.notices.once_rules import Foretold
from monitor.site.kinds import Kind
from monitor.site.spaces import OUTDOORS
from monitor.site.time import DAY_MIN
from monitor.store.air import FOREVER, AirQueries
from monitor.store.connection import named_rows, open_for_reading
from monitor.store.journal import entries_in, fact
from monitor.store.readings import FOREVER_MS, ReadingQueries

PROSPECT_COLUMNS = tuple(f.name for f in fields(Prospect) if f.name != "damp_h")
_PROSPECT = f"SELECT {', '.join(PROSPECT_COLUMNS)} FROM prospect"  # noqa: S608 (columns of ours)


class NoticeSent(NamedTuple):
    """One notice on its way to one address; times in UTC epoch ms.

    address  None: it waits for the digest, nobody is written to
    failure  why the last try failed, as a sentence
    """

    number: int
    notice: Notice
    address: str | None
    sent_ms: int | None
    tries: int
    failure: str | None
    seen_ms: int | None
    paused_until_ms: int | None


class Unsent(NamedTuple):
    """A notice to one address that is neither sent nor failed for good.

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
    weight: str
    part: str


class KeptReport(NamedTuple):
    """A weekly report that was made."""

    week: str
    made_ms: int
    text: str
    folder: str


class Queries(ReadingQueries, AirQueries):
    """What a connection sees: the writer's own also what is written and not committed yet."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection

    def state_for(self, minute: int) -> bytes | None:
        """The newest kept state that folds on from this minute or before."""
        row = self._db.execute(
            "SELECT state FROM checkpoint WHERE minute <= ? ORDER BY minute DESC LIMIT 1",
            (minute,),
        ).fetchone()
        return None if row is None else bytes(row[0])

    def settled(self) -> int | None:
        """The minute up to which spells and notices were settled."""
        settled = self.fact("settled")
        return None if settled is None else int(settled)

    def fact(self, key: str) -> str | None:
        """What was noted under a key; None: nothing."""
        return fact(self._db, key)

    def lessons(self) -> list[bytes]:
        """The newest lesson of each space, as it was kept."""
        return [bytes(lesson) for (lesson,) in self._db.execute("SELECT lesson FROM lesson")]

    def spells(self, begin: int = 0, end: int = FOREVER) -> list[Spell]:
        """Spells that touch begin ≤ minute < end, by beginning, space, sensor and kind."""
        return self._spells(
            "began < ? AND (ended IS NULL OR ended > ?) ORDER BY began, space, sensor, kind",
            (end, begin),
        )

    def spells_since(self, minute: int) -> list[Spell]:
        """Spells still going on, or whose end was known in this minute or later."""
        return self._spells("settled IS NULL OR settled >= ?", (minute,))

    def _spells(self, where: str, values: tuple[object, ...]) -> list[Spell]:
        asked = f"SELECT {', '.join(Spell._fields)} FROM spell WHERE {where}"  # noqa: S608 (ours)
        rows = named_rows(self._db, asked, values)
        return [
            Spell(**{**row, "kind": Kind(row["kind"]), "urgent": bool(row["urgent"])})
            for row in rows
        ]

    def prospects(self, from_ms: int = 0, to_ms: int = FOREVER_MS) -> Iterator[Prospect]:
        """What was said of each batch, by hour and batch."""
        where = "WHERE asked_ms >= ? AND asked_ms < ? ORDER BY asked_ms, batch"
        return self._prospects(where, (from_ms, to_ms))

    def prospects_of(self, batch: int, from_ms: int = 0) -> list[Prospect]:
        """What was said of one batch from a time on, by hour."""
        where = "WHERE asked_ms >= ? AND batch = ? ORDER BY asked_ms"
        return list(self._prospects(where, (from_ms, batch)))

    def said_of(self, batch: int, since_ms: int, at_ms: int) -> Prospect | None:
        """What was last said of a batch, not before `since_ms` and not after `at_ms`."""
        where = "WHERE asked_ms >= ? AND asked_ms <= ? AND batch = ? ORDER BY asked_ms DESC LIMIT 1"
        return next(self._prospects(where, (since_ms, at_ms, batch)), None)

    def last_prospects(self, to_ms: int = FOREVER_MS) -> dict[int, Prospect]:
        """Of each batch the last that was said of it before a time."""
        return _by_batch(
            self._prospects(
                "JOIN (SELECT batch AS one, max(asked_ms) AS last FROM prospect WHERE asked_ms < ?"
                " GROUP BY batch) ON one = batch AND last = asked_ms",
                (to_ms,),
            )
        )

    def last_said(self) -> dict[int, Prospect]:
        """What was said of each batch at the last hour, by number of its hanging."""
        where = "WHERE asked_ms = (SELECT max(asked_ms) FROM prospect)"
        return _by_batch(self._prospects(where, ()))

    def _prospects(self, where: str, values: tuple[int, ...]) -> Iterator[Prospect]:
        rows = named_rows(self._db, f"{_PROSPECT} {where}", values)
        return (Prospect(**{**row, "stalled": bool(row["stalled"])}) for row in rows)

    def ahead(self, from_ms: int = 0, to_ms: int = FOREVER_MS) -> Iterator[HoursAhead]:
        """What was foreseen of each space, by hour, space and horizon."""
        named = ", ".join("s.name" if one == "space" else one for one in HoursAhead._fields)
        rows = self._db.execute(
            f"SELECT {named} FROM ahead a CROSS JOIN space s ON s.id = a.space"  # noqa: S608 (columns of ours)
            " WHERE asked_ms >= ? AND asked_ms < ? ORDER BY asked_ms, s.name, horizon_h",
            (from_ms, to_ms),
        )
        return map(HoursAhead._make, rows)

    def foretold_since(self, told_ms: int) -> list[Foretold]:
        """What was foretold at this time or later, oldest first."""
        rows = named_rows(
            self._db, "SELECT * FROM foretold WHERE told_ms >= ? ORDER BY told_ms", (told_ms,)
        )
        return [Foretold(**{**row, "kind": Kind(row["kind"])}) for row in rows]

    # -- notices, entries, reports ----------------------------------------------------------------

    def told_since(self, made_ms: int) -> list[NoticeRow]:
        """Rows of the notices written at this time or later, oldest first."""
        rows = named_rows(
            self._db, "SELECT * FROM notice WHERE made_ms >= ? ORDER BY id", (made_ms,)
        )
        return [
            NoticeRow(
                row["id"],
                _notice(row),
                seen_ms=row["seen_ms"],
                paused_until_ms=row["paused_until_ms"],
            )
            for row in rows
        ]

    def last_notice(self) -> int:
        """Number of the newest notice; 0: none."""
        return self._number("SELECT max(id) FROM notice") or 0

    def said(self, kind: str, place: str) -> bool:
        """Whether a notice of this kind was ever written about this place on the page."""
        asked = "SELECT 1 FROM notice WHERE kind = ? AND place = ? LIMIT 1"
        return bool(self._number(asked, (kind, place)))

    def notices(self, from_ms: int = 0, to_ms: int = FOREVER_MS) -> Iterator[NoticeSent]:
        """Notices made in from_ms ≤ made < to_ms, oldest first, one for each address."""
        rows = named_rows(
            self._db,
            "SELECT n.*, o.address, o.sent_ms, coalesce(o.tries, 0) AS tries, o.failure"
            " FROM notice n LEFT JOIN outbox o ON o.notice = n.id"
            " WHERE n.made_ms >= ? AND n.made_ms < ? ORDER BY n.made_ms, n.id, o.address",
            (from_ms, to_ms),
        )
        how = NoticeSent._fields[2:]
        return (NoticeSent(row["id"], _notice(row), *(row[name] for name in how)) for row in rows)

    def unsent(self) -> list[Unsent]:
        """All notices that wait to be sent, whether due or not, in the order of their numbers."""
        rows = self._db.execute(
            "SELECT notice, address, title, body, place, tries, next_try_ms, notice.made_ms,"
            " folder, weight, part"
            " FROM outbox JOIN notice ON notice.id = outbox.notice"
            " LEFT JOIN report ON kind = 'report' AND place = '/report/' || week"
            " WHERE next_try_ms IS NOT NULL ORDER BY notice, address"
        )
        return [Unsent(*row) for row in rows]

    def entries(self) -> list[Entry]:
        """Everything entered, in order of number."""
        return entries_in(self._db)

    def reports(self) -> list[KeptReport]:
        """The weekly reports, the newest week first."""
        rows = named_rows(self._db, "SELECT * FROM report ORDER BY week DESC")
        return [KeptReport(**row) for row in rows]

    def report(self, week: str) -> KeptReport | None:
        """The report of one week, e.g. "2026-W29"; None: it was not made."""
        rows = named_rows(self._db, "SELECT * FROM report WHERE week = ?", (week,))
        return next((KeptReport(**row) for row in rows), None)


class Reader(Queries):
    """A read-only connection for one request; everything it answers is of one moment.

    Use it in a `with` block and leave it soon: a long reader keeps the write-ahead log growing.
    raises StoreError where the store cannot be opened.
    """

    def __init__(self, file: Path) -> None:
        super().__init__(open_for_reading(file))
        self._db.execute("BEGIN")

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Give the connection back. Safe to call twice."""
        self._db.close()


def _notice(row: dict[str, Any]) -> Notice:
    told = {name: row[name] for name in Notice._fields}
    return Notice(**{**told, "weight": Weight(row["weight"])})


def _by_batch(prospects: Iterable[Prospect]) -> dict[int, Prospect]:
    return {prospect.batch: prospect for prospect in prospects}


@dataclass(frozen=True, slots=True)
class LearningOrder:
    """What is to be learned from.

    spaces  those that something measures
    until   nothing later than this UTC epoch minute is looked at
    """

    store: Path
    spaces: list[str]
    place: Location
    until: int


def past_of(archive: TenMinutesKept, space: str, outdoors: bool, until: int) -> GridAir:
    """What a space's lesson is learned from."""
    begin = until - learning.LEARNED_FROM_DAYS * DAY_MIN
    there = outdoors and space != OUTDOORS
    return on_grid(
        archive.ten_minute_means(space, begin, until),
        archive.ten_minute_means(OUTDOORS, begin, until) if there else None,
        begin,
        until,
    )


def lessons(order: LearningOrder) -> list[bytes]:
    """The lessons of all spaces of which anything is known, as they are kept."""
    outdoors, until = OUTDOORS in order.spaces, order.until
    kept = []
    with Reader(order.store) as reader:
        for space in order.spaces:
            history = past_of(reader, space, outdoors, until)
            lesson = learning.learn(space, history, until, order.place)
            if lesson is not None:
                kept.append(learning.dump(lesson))
    return kept
