"""The one writer: effects into rows."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from monitor.ahead import lesson as learning
from monitor.air.spells import Spell
from monitor.drying.prospects import Prospect
from monitor.engine.effects import Effects
from monitor.entries.entries import Entry
from monitor.notices.notice import NoticeRow
from monitor.notices.settlement import Settlement
from monitor.site.quantities import Reading
from monitor.site.time import DAY_MIN, DAY_MS, MINUTE_MS
from monitor.store import days
from monitor.store.archive import Archive
from monitor.store.connection import open_for_writing
from monitor.store.journal import Journal, insert_entry

UNREAD_KEPT = 2_000
HOURLY_STATES_MIN = 3 * DAY_MIN  # later a state a day is enough
_AIR_COLUMNS = 11
_MEAN_COLUMNS = (
    "temperature_c",
    "relative_humidity_pct",
    "illuminance_lx",
    "dew_point_c",
    "vpd_kpa",
    "humidity_ratio_g_kg",
    "absolute_humidity_g_m3",
    "surface_margin_k",
)


class Writer(Archive):
    """The one read-write connection, used by one thread.

    Nothing is kept until `commit`; after a failure, `rollback` brings back the last commit.
    """

    def __init__(self, file: Path) -> None:
        self.file = file
        connection, self._lock = open_for_writing(file)
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
        for names in (self._sensors, self._spaces, self._quantities):
            names.reload()

    def close(self) -> None:
        """Give the file back; what was not committed is dropped. Safe to call twice."""
        self._db.close()
        self._lock.close()

    # -- writing --------------------------------------------------------------------------------

    def apply(self, effects: Effects, addresses: Iterable[str] = ()) -> None:
        """Write effects into the open transaction; raises sqlite3.Error."""
        self._begin()
        self._apply_readings(effects)
        self._apply_air(effects)
        for settlement in effects.settlements:
            self._apply_spells(settlement)
            for outgoing in settlement.notices:
                self._apply_notice(outgoing, addresses)
        if effects.settled is not None:
            self.note("settled", str(effects.settled))
        self._db.executemany(
            f"INSERT OR IGNORE INTO prospect VALUES ({', '.join('?' * 19)})",  # noqa: S608 (question marks)
            [_prospect_row(prospect) for prospect in effects.prospects],
        )
        self._apply_foresight(effects)
        for key, value in effects.facts:
            self.note(key, value)
        for entry in effects.entries:
            insert_entry(self._db, entry)
            self._entered.append(entry)
        for number, seen_ms in effects.seen:
            self._db.execute("UPDATE notice SET seen_ms = ? WHERE id = ?", (seen_ms, number))
        for number, until_ms in effects.paused:
            self._db.execute(
                "UPDATE notice SET paused_until_ms = ? WHERE id = ?", (until_ms, number)
            )

    def _apply_foresight(self, effects: Effects) -> None:
        self._db.executemany(
            f"INSERT OR IGNORE INTO ahead VALUES ({', '.join('?' * 9)})",  # noqa: S608 (question marks)
            [
                (
                    *(a.asked_ms, self._spaces.id_of(a.space), a.horizon_h),
                    *(*a.temperature_c, *a.humidity_ratio_g_kg),
                )
                for a in effects.ahead
            ],
        )
        self._db.executemany(
            "INSERT OR REPLACE INTO foretold VALUES (?, ?, ?, ?, ?, ?, ?)", effects.foretold
        )
        for lesson in effects.lessons:
            space = self._spaces.id_of(lesson.space)
            self._db.execute(
                "INSERT OR REPLACE INTO lesson VALUES (?, ?, ?)",
                (space, lesson.minute, learning.dump(lesson)),
            )
            if lesson.exchange is not None:
                self._db.execute(
                    "INSERT OR REPLACE INTO air_changes VALUES (?, ?, ?, ?, ?)",
                    (lesson.minute, space, *lesson.exchange),
                )

    def note(self, key: str, value: str) -> None:
        """Keep one fact about the store itself."""
        self._change("INSERT OR REPLACE INTO fact (key, value) VALUES (?, ?)", (key, value))

    def _apply_readings(self, effects: Effects) -> None:
        insert = "INSERT OR IGNORE INTO {} VALUES (?, ?, ?, ?, ?)"
        if effects.readings:
            rows = [self._reading_row(r) for r in effects.readings]
            self._db.executemany(insert.format("reading"), rows)
        if effects.waiting:
            rows = [self._reading_row(r) for r in effects.waiting]
            self._db.executemany(insert.format("waiting"), rows)
        if effects.released:
            self._db.executemany(
                "DELETE FROM waiting WHERE time_ms = ? AND sensor = ? AND quantity = ?",
                [self._reading_row(r)[:3] for r in effects.released],
            )
        if effects.flags:
            self._db.executemany(
                "UPDATE reading SET flags = ? WHERE time_ms = ? AND sensor = ? AND quantity = ?",
                [
                    (int(flags), time_ms, self._sensors.id_of(sensor), self._quantities.id_of(q))
                    for time_ms, sensor, q, flags in effects.flags
                ],
            )
        if effects.unread:
            self._db.executemany(
                "INSERT INTO unread (arrived_ms, topic, sensor, payload, reason)"
                " VALUES (?, ?, ?, ?, ?)",
                effects.unread,
            )
            self._db.execute(
                "DELETE FROM unread WHERE id <= (SELECT max(id) FROM unread) - ?", (UNREAD_KEPT,)
            )

    def _reading_row(self, reading: Reading) -> tuple[int, int, int, float, int]:
        return (
            reading.time_ms,
            self._sensors.id_of(reading.sensor),
            self._quantities.id_of(reading.quantity),
            reading.value,
            int(reading.flags),
        )

    def _apply_air(self, effects: Effects) -> None:
        if effects.refolded:
            self._db.executemany(
                "DELETE FROM air WHERE minute = ?", [(minute,) for minute in effects.refolded]
            )
        if effects.air:
            marks = ", ".join("?" * _AIR_COLUMNS)
            self._db.executemany(
                f"INSERT OR REPLACE INTO air VALUES ({marks})",  # noqa: S608 (question marks)
                [(air.minute, self._spaces.id_of(air.space), *air[2:]) for air in effects.air],
            )
        days.forget(self._db, (*effects.refolded, *(air.minute for air in effects.air)))
        if effects.states_dropped is not None:
            self._db.execute("DELETE FROM checkpoint WHERE minute > ?", (effects.states_dropped,))
        if effects.states:
            self._db.executemany("INSERT OR REPLACE INTO checkpoint VALUES (?, ?)", effects.states)

    def _apply_spells(self, settlement: Settlement) -> None:
        key = "kind = ? AND space IS ? AND sensor IS ? AND began = ?"
        for spell, began in settlement.rekeyed:
            self._db.execute(
                "UPDATE notice SET spell_began = ?"
                " WHERE kind = ? AND space IS ? AND sensor IS ? AND spell_began = ?",
                (began, *_spell_key(spell)),
            )
        for spell in settlement.removed:
            self._db.execute(f"DELETE FROM spell WHERE {key}", _spell_key(spell))  # noqa: S608 (a text of ours)
        for spell in settlement.kept:
            self._db.execute(f"DELETE FROM spell WHERE {key}", _spell_key(spell))  # noqa: S608 (a text of ours)
            self._db.execute(
                "INSERT INTO spell (kind, space, sensor, began, declared, ended, worst, urgent,"
                " settled) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (*spell[:7], int(spell.urgent), spell.settled),
            )

    def _apply_notice(self, outgoing: NoticeRow, addresses: Iterable[str]) -> None:
        notice = outgoing.notice
        self._db.execute(
            "INSERT INTO notice (id, made_ms, space, sensor, kind, part, weight, title, body,"
            " place, spell_began) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (outgoing.number, *notice),
        )
        if outgoing.deliver_at_ms is None:
            return
        self._db.executemany(
            "INSERT INTO outbox (notice, address, next_try_ms) VALUES (?, ?, ?)",
            [(outgoing.number, address, outgoing.deliver_at_ms) for address in addresses],
        )

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
        return days.work_out(self._db, now_ms // MINUTE_MS, most)

    def _fold_up(self, begin: int, end: int) -> None:
        means = ", ".join(f"avg({column})" for column in _MEAN_COLUMNS)
        self._db.execute(
            f"INSERT OR REPLACE INTO air_ten_minutes SELECT minute / 10 * 10, space, {means},"  # noqa: S608 (columns of ours)
            " count(*) FROM air WHERE minute >= ? AND minute < ? GROUP BY minute / 10, space",
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


def _prospect_row(prospect: Prospect) -> tuple[object, ...]:
    p = prospect
    return (
        *(p.asked_ms, p.batch, p.state, p.still_to_lose_pct, p.moisture_pct_db, p.p_crisp),
        *(p.crisp_p10, p.crisp_p50, p.crisp_p90, p.loses_pct_a_day, int(p.stalled)),
        *(p.humidity_needed_pct, p.opening, p.light_share, p.months_left),
        *(p.p_finishes, p.if_dry_p50, p.better_space, p.better_left_pct),
    )
