"""The one writer: effects into rows."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from monitor.ahead import lesson as learning
from monitor.ahead.lesson import Lesson
from monitor.air.minute import MinuteOfAir
from monitor.air.spells import Spell
from monitor.drying.prospects import Prospect
from monitor.engine.effects import Effects, HoursAhead, Unread
from monitor.entries.entries import Entry
from monitor.notices.settlement import Settlement
from monitor.site.quantities import Flag, Quantity, Reading
from monitor.site.time import DAY_MIN, DAY_MS, HOUR_MS, MINUTE_MS
from monitor.store.air import MEANS, forget_days, work_out_days
from monitor.store.connection import open_for_writing
from monitor.store.journal import Journal, insert_entry, note
from monitor.store.queries import PROSPECT_COLUMNS, Queries
from monitor.store.readings import keep as keep_amounts

UNREAD_KEPT = 2_000
HOURLY_STATES_MIN = 3 * DAY_MIN  # later a state a day is enough


class Writer(Queries):
    """The one read-write connection, used by one thread.

    Nothing is kept until `commit`; after a failure, `rollback` brings back the last commit.
    """

    def __init__(self, file: Path, backup_folders: Sequence[Path] = ()) -> None:
        self.file = file
        connection, self._lock = open_for_writing(file, backup_folders)
        super().__init__(connection)
        self._entered: list[Entry] = []  # since the last commit
        self.journal = Journal(file, self._db)

    # -- transactions -------------------------------------------------------------------------

    @property
    def open_transaction(self) -> bool:
        """Whether something waits for a commit."""
        return self._db.in_transaction

    def commit(self) -> None:
        """Make everything since the last commit durable; raises sqlite3.Error if it cannot be."""
        if self._db.in_transaction:
            self._db.execute("COMMIT")
        if self._entered or self.journal.trouble is not None:
            entered, self._entered = self._entered, []
            self.journal.add(entered)

    def rollback(self) -> None:
        """Drop everything since the last commit."""
        if self._db.in_transaction:
            self._db.execute("ROLLBACK")
        self._entered.clear()

    def close(self) -> None:
        """Give the file back; what was not committed is dropped. Safe to call twice."""
        self._db.close()
        self._lock.close()

    # -- writing --------------------------------------------------------------------------------

    def apply(self, effects: Effects, addresses: Iterable[str] = ()) -> None:
        """Write effects into the open transaction; raises sqlite3.Error.

        Each field of Effects is one line here, in the order in which they are written.
        """
        self._begin()
        self._add_readings("reading", effects.readings)
        self._add_readings("waiting", effects.waiting)
        self._release(effects.released)
        self._flag(effects.flags)
        self._add_up(effects)
        self._add_unread(effects.unread)
        self._replace_air(effects.refolded, effects.air)
        self._replace_states(effects.states_dropped, effects.states)
        for settlement in effects.settlements:
            self._settle(settlement, addresses)
        if effects.settled is not None:
            self.note("settled", str(effects.settled))
        self._insert("OR IGNORE", "prospect", map(_prospect_row, effects.prospects))
        self._add_ahead(effects.ahead)
        self._insert("OR REPLACE", "foretold", (f._asdict() for f in effects.foretold))
        self._replace_lessons(effects.lessons)
        for key, value in effects.facts:
            self.note(key, value)
        for entry in effects.entries:
            insert_entry(self._db, entry)
            self._entered.append(entry)
        self._many(
            "UPDATE notice SET seen_ms = ? WHERE id = ?",
            [(seen_ms, number) for number, seen_ms in effects.seen],
        )
        self._many(
            "UPDATE notice SET paused_until_ms = ? WHERE id = ?",
            [(until_ms, number) for number, until_ms in effects.paused],
        )

    def note(self, key: str, value: str) -> None:
        """Keep one fact about the store itself."""
        self._begin()
        note(self._db, key, value)

    def _insert(self, how: str, table: str, rows: Iterable[Mapping[str, object]]) -> None:
        """Rows of one shape, their values by the names of the columns."""
        for row in rows:
            named = ", ".join(row)
            asked = ", ".join(f":{name}" for name in row)
            self._db.execute(f"INSERT {how} INTO {table} ({named}) VALUES ({asked})", row)  # noqa: S608 (names of ours)

    def _many(self, sql: str, rows: Sequence[tuple[object, ...]]) -> None:
        """Do it with each row; without any, SQLite is not asked: most effects are few."""
        if rows:
            self._db.executemany(sql, rows)

    def _numbers(self, table: str, names: Iterable[str]) -> dict[str, int]:
        """Row numbers by name, made where a name is new."""
        known = f"SELECT name, id FROM {table}"  # noqa: S608 (a table of ours)
        numbers = dict(self._db.execute(known))
        new = [(name,) for name in dict.fromkeys(map(str, names)) if name not in numbers]
        if new:
            self._db.executemany(f"INSERT INTO {table} (name) VALUES (?)", new)  # noqa: S608 (a table of ours)
            numbers = dict(self._db.execute(known))
        return numbers

    def _add_readings(self, table: str, readings: Sequence[Reading]) -> None:
        rows = [
            (*key, reading.value, int(reading.flags))
            for key, reading in zip(self._keys([r[:3] for r in readings]), readings, strict=True)
        ]
        self._many(f"INSERT OR IGNORE INTO {table} VALUES (?, ?, ?, ?, ?)", rows)  # noqa: S608 (a table of ours)

    def _keys(self, named: Sequence[tuple[int, str, str]]) -> list[tuple[int, int, int]]:
        """Time, sensor and quantity as readings have them for a key."""
        if not named:
            return []
        sensors = self._numbers("sensor", (sensor for _, sensor, _ in named))
        quantities = self._numbers("quantity", (quantity for _, _, quantity in named))
        return [(time_ms, sensors[s], quantities[q]) for time_ms, s, q in named]

    def _release(self, readings: Sequence[Reading]) -> None:
        self._many(
            "DELETE FROM waiting WHERE time_ms = ? AND sensor = ? AND quantity = ?",
            self._keys([r[:3] for r in readings]),
        )

    def _flag(self, flagged: Sequence[tuple[int, str, Quantity, Flag]]) -> None:
        keys = self._keys([f[:3] for f in flagged])
        self._many(
            "UPDATE reading SET flags = ? WHERE time_ms = ? AND sensor = ? AND quantity = ?",
            [(int(flags), *key) for key, (*_, flags) in zip(keys, flagged, strict=True)],
        )

    def _add_up(self, effects: Effects) -> None:
        """Amounts of the hours that these readings and flags bear on."""
        told = [r[:3] for r in effects.readings if not r.flags & Flag.TOO_OLD]
        told += [flagged[:3] for flagged in effects.flags]
        keys = self._keys([one for one in told if one[2].row.amount])
        keep_amounts(self._db, {(time_ms // HOUR_MS, s, q) for time_ms, s, q in keys})

    def _add_unread(self, unread: Sequence[Unread]) -> None:
        if unread:
            self._insert("", "unread", (one._asdict() for one in unread))
            self._db.execute(
                "DELETE FROM unread WHERE id <= (SELECT max(id) FROM unread) - ?", (UNREAD_KEPT,)
            )

    def _replace_air(self, refolded: Sequence[int], air: Sequence[MinuteOfAir]) -> None:
        self._many("DELETE FROM air WHERE minute = ?", [(m,) for m in refolded])
        if air:
            spaces = self._numbers("space", (one.space for one in air))
            marks = ", ".join("?" * len(MinuteOfAir._fields))
            self._many(
                f"INSERT OR REPLACE INTO air ({', '.join(MinuteOfAir._fields)}) VALUES ({marks})",  # noqa: S608 (columns of ours)
                [(one.minute, spaces[one.space], *one[2:]) for one in air],
            )
        forget_days(self._db, (*refolded, *(one.minute for one in air)))

    def _replace_states(self, after: int | None, states: Sequence[tuple[int, bytes]]) -> None:
        if after is not None:
            self._db.execute("DELETE FROM checkpoint WHERE minute > ?", (after,))
        self._many("INSERT OR REPLACE INTO checkpoint VALUES (?, ?)", states)

    def _settle(self, settlement: Settlement, addresses: Iterable[str]) -> None:
        one = "kind = ? AND space IS ? AND sensor IS ?"
        self._many(
            f"UPDATE notice SET spell_began = ? WHERE {one} AND spell_began = ?",  # noqa: S608 (a text of ours)
            [(began, *_spell_key(spell)) for spell, began in settlement.rekeyed],
        )
        self._many(
            f"DELETE FROM spell WHERE {one} AND began = ?",  # noqa: S608 (a text of ours)
            [_spell_key(spell) for spell in (*settlement.removed, *settlement.kept)],
        )
        self._insert("", "spell", (spell._asdict() for spell in settlement.kept))
        for number, notice, deliver_at_ms, *_ in settlement.notices:
            self._insert("", "notice", [{"id": number, **notice._asdict()}])
            if deliver_at_ms is not None:
                self._many(
                    "INSERT INTO outbox (notice, address, next_try_ms) VALUES (?, ?, ?)",
                    [(number, address, deliver_at_ms) for address in addresses],
                )

    def _add_ahead(self, ahead: Sequence[HoursAhead]) -> None:
        if ahead:
            spaces = self._numbers("space", (a.space for a in ahead))
            rows = ({**a._asdict(), "space": spaces[a.space]} for a in ahead)
            self._insert("OR IGNORE", "ahead", rows)

    def _replace_lessons(self, lessons: Sequence[Lesson]) -> None:
        for lesson in lessons:
            space = self._numbers("space", [lesson.space])[lesson.space]
            kept: dict[str, object] = {"space": space, "minute": lesson.minute}
            self._insert("OR REPLACE", "lesson", [kept | {"lesson": learning.dump(lesson)}])
            if lesson.exchange is not None:
                told = dict(zip(("per_h", "low", "high"), lesson.exchange, strict=True))
                self._insert("OR REPLACE", "air_changes", [{**kept, **told}])

    # -- notices on their way ---------------------------------------------------------------------

    def delivered(self, notice: int, address: str, now_ms: int) -> None:
        """A service took a notice."""
        self._change(
            "UPDATE outbox SET sent_ms = ?, next_try_ms = NULL, tries = tries + 1, failure = NULL"
            " WHERE notice = ? AND address = ?",
            (now_ms, notice, address),
        )

    def not_delivered(
        self, notice: int, address: str, reason: str, next_try_ms: int | None
    ) -> None:
        """A service did not take a notice; next_try_ms None: refused for good."""
        self._change(
            "UPDATE outbox SET tries = tries + 1, failure = ?, next_try_ms = ?"
            " WHERE notice = ? AND address = ?",
            (reason, next_try_ms, notice, address),
        )

    def keep_report(self, week: str, made_ms: int, text: str, folder: Path) -> None:
        """Keep what a weekly report said, and where its files are."""
        self._change(
            "INSERT OR REPLACE INTO report (week, made_ms, text, folder) VALUES (?, ?, ?, ?)",
            (week, made_ms, text, str(folder)),
        )

    def trim(self, now_ms: int, raw_days: int, minutes_days: int, most: int) -> bool:
        """Take away at most so many rows of each table that are older than is kept.

        Minutes become ten-minute means before they go. Returns whether more is left.
        """
        raw_before = now_ms - raw_days * DAY_MS
        minutes_before = (now_ms - minutes_days * DAY_MS) // MINUTE_MS // 10 * 10
        self._change(
            "DELETE FROM reading WHERE (time_ms, sensor, quantity) IN (SELECT time_ms, sensor,"
            " quantity FROM reading WHERE time_ms < ? ORDER BY time_ms LIMIT ?)",
            (raw_before, most),
        )
        readings = self._db.execute("SELECT changes()").fetchone()[0]
        oldest = self._db.execute("SELECT min(minute) FROM air").fetchone()[0]
        more_minutes = oldest is not None and oldest < minutes_before
        if more_minutes:
            self._fold_up(oldest // 10 * 10, min(oldest // 10 * 10 + DAY_MIN, minutes_before))
        self._change(
            "DELETE FROM checkpoint WHERE minute < ? OR (minute < ? AND minute % ?)",
            (raw_before // MINUTE_MS, now_ms // MINUTE_MS - HOURLY_STATES_MIN, DAY_MIN),
        )
        return bool(readings == most or more_minutes)

    def work_out_days(self, now_ms: int, most: int) -> bool:
        """Keep what so many days of spaces came to, if they are over; whether more is left."""
        self._begin()
        return work_out_days(self._db, now_ms // MINUTE_MS, most)

    def _fold_up(self, begin: int, end: int) -> None:
        means = ", ".join(f"avg({column})" for column in MEANS)
        self._db.execute(
            f"INSERT OR REPLACE INTO air_ten_minutes (minute, space, {', '.join(MEANS)}, minutes)"  # noqa: S608 (columns of ours)
            f" SELECT minute / 10 * 10, space, {means}, count(*) FROM air"
            " WHERE minute >= ? AND minute < ? GROUP BY minute / 10, space",
            (begin, end),
        )
        self._db.execute("DELETE FROM air WHERE minute >= ? AND minute < ?", (begin, end))

    def _begin(self) -> None:
        if not self._db.in_transaction:
            self._db.execute("BEGIN IMMEDIATE")

    def _change(self, sql: str, values: tuple[object, ...]) -> None:
        self._begin()
        self._db.execute(sql, values)


def _spell_key(spell: Spell) -> tuple[str, str | None, str | None, int]:
    return spell.kind, spell.space, spell.sensor, spell.began


def _prospect_row(prospect: Prospect) -> dict[str, object]:
    return {name: getattr(prospect, name) for name in PROSPECT_COLUMNS}
