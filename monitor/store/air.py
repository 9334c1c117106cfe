"""The air as the store holds it: minutes, ten-minute means of older ones, and whole days.

A month is 43,200 minutes. Made into Python numbers they would hold up every other thread; the
database adds them up and seeks their extremes by itself, with the interpreter free for the others.
Days (UTC) that are over are worked out once and kept. What is kept of them only says what the
minutes say, so it may be missing.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from monitor.ahead.grid import STEP_MIN, Means
from monitor.air.minute import MinuteOfAir
from monitor.drying.hours import NO_HOURS, HourMeans
from monitor.site.time import DAY_MIN

FOREVER = 2**62 // 60_000
"""Later than any minute that is ever kept."""

KEPT_DAYS = 366  # no picture and no sum reaches further back by days
KEPT = ("temperature_c", "relative_humidity_pct", "vpd_kpa", "illuminance_lx")
MEANS = tuple(name for name in MinuteOfAir._fields[2:] if name != "readings")
_COLUMNS = MinuteOfAir._fields[2:]

# A value and the minute in which it was are sought as one whole number: the value in millionths
# above, the minute within its step below. So the least one names the lowest value and its time.
_MILLIONTHS, _MINUTES = 1_000_000, 65_536

_SPAN = "minute >= :begin AND minute < :end"
_HERE = f"{_SPAN} AND space = (SELECT id FROM space WHERE name = :space)"  # noqa: S608 (a text of ours)

Pair = tuple[int | None, int | None]
"""Lowest and highest value of a stretch, each with its minute in one number; None: not known."""


class KeptMeans(NamedTuple):
    """What is left of ten minutes of air: their means, and how many of them were known."""

    means: MinuteOfAir
    minutes: int


class Load(NamedTuple):
    """The pull of the air added up [kPa·h], and the minutes in which it was known."""

    kpa_h: float
    minutes: int


class Sum(NamedTuple):
    """Values of a stretch added up, one a minute, and the minutes in which one was known."""

    total: float
    minutes: int


class AirQueries:
    """Reads of the air; spans are begin ≤ minute < end."""

    _db: sqlite3.Connection

    def minutes(self, begin: int = 0, end: int = FOREVER) -> Iterator[MinuteOfAir]:
        """Minutes of air by minute and space, one at a time."""
        return map(MinuteOfAir._make, self._by_minute("air", _COLUMNS, begin, end))

    def ten_minutes(self, begin: int = 0, end: int = FOREVER) -> Iterator[KeptMeans]:
        """Ten-minute means of minutes no longer kept, by their first minute and space.

        How many readings they came from is not kept: it stands as 0.
        """
        for *means, minutes in self._by_minute("air_ten_minutes", (*MEANS, "minutes"), begin, end):
            yield KeptMeans(MinuteOfAir._make((*means, 0)), minutes)

    def _by_minute(
        self, table: str, columns: tuple[str, ...], begin: int, end: int
    ) -> sqlite3.Cursor:
        # CROSS JOIN keeps the air outermost: read in the order of its key, so only the spaces of
        # one minute are ever sorted.
        return self._db.execute(
            f"SELECT minute, s.name, {', '.join(columns)} FROM {table} a"  # noqa: S608 (names of ours)
            f" CROSS JOIN space s ON s.id = a.space WHERE {_SPAN} ORDER BY minute, s.name",
            {"begin": begin, "end": end},
        )

    def means_until(self, begin: int = 0, end: int = FOREVER) -> int | None:
        """The minute up to which a span is kept as ten-minute means; None: nothing of it is."""
        row = self._db.execute(
            f"SELECT max(minute) FROM air_ten_minutes WHERE {_SPAN}",  # noqa: S608 (a text of ours)
            {"begin": begin, "end": end},
        ).fetchone()
        return None if row[0] is None else int(row[0]) + 10

    def first_minute(self, space: str) -> int | None:
        """The first minute in which anything of this space's air is known; None: never."""
        here = "WHERE space = (SELECT id FROM space WHERE name = :space)"
        row = self._db.execute(
            f"SELECT minute FROM air_ten_minutes {here} UNION ALL"  # noqa: S608 (a text of ours)
            f" SELECT minute FROM air {here} ORDER BY minute LIMIT 1",
            {"space": space},
        ).fetchone()
        return None if row is None else int(row[0])

    def air_of(
        self, space: str, begin: int, end: int, columns: tuple[str, ...] = _COLUMNS
    ) -> dict[str, npt.NDArray[np.float64]]:
        """Columns of a space's air, one value a minute from begin to before end; NaN: not known.

        Where only ten-minute means are left, each stands in as many minutes as it was made of, so
        that sums stay right.

        columns  fields of MinuteOfAir
        """
        _check(columns)
        rows = self._db.execute(
            f"SELECT minute, {', '.join(columns)} FROM air WHERE {_HERE}",  # noqa: S608 (checked above)
            {"begin": begin, "end": end, "space": space},
        )
        table = np.full((len(columns), end - begin), np.nan)
        while part := rows.fetchmany(10_000):
            found = np.array(part, dtype=np.float64)  # None becomes NaN
            table[:, found[:, 0].astype(np.int64) - begin] = found[:, 1:].T
        for ten in self.ten_minutes(begin // 10 * 10, end):
            if ten.means.space == space:
                first = ten.means.minute - begin
                values = np.array([getattr(ten.means, name) for name in columns], dtype=np.float64)
                table[:, max(0, first) : max(0, first + ten.minutes)] = values[:, np.newaxis]
        return dict(zip(columns, table, strict=True))

    def extremes_of(
        self, space: str, begin: int, end: int, step: int, columns: tuple[str, ...]
    ) -> dict[str, npt.NDArray[np.float64]]:
        """Lowest and highest value of each `step` minutes of a space's air, in their own order.

        Two values a step, to a millionth; NaN where nothing is known. What is left as ten-minute
        means counts where it begins.

        step     less than 65,536
        columns  fields of MinuteOfAir
        """
        _check(columns)
        kept: dict[int, dict[str, Pair]] = {}
        if step == DAY_MIN and begin % DAY_MIN == 0:
            kept = self._kept_days(space, begin, end)
        # A statement a step: the rows come in the order of their key, and nothing has to be sorted.
        rows: list[list[Pair]] = []
        for first in range(begin, end, step):
            known = kept.get(first // DAY_MIN, {})
            if all(column in known for column in columns):
                rows.append([known[column] for column in columns])
            else:
                rows.append(_sought(self._db, space, first, min(first + step, end), columns))
        return {column: _in_order([row[n] for row in rows]) for n, column in enumerate(columns)}

    def _kept_days(self, space: str, begin: int, end: int) -> dict[int, dict[str, Pair]]:
        kept: dict[int, dict[str, Pair]] = {}
        for day, what, lowest, highest in self._db.execute(
            "SELECT day, what, lowest, highest FROM air_day WHERE day >= ? AND day < ?"
            " AND space = (SELECT id FROM space WHERE name = ?)",
            (begin // DAY_MIN, -(-end // DAY_MIN), space),
        ):
            kept.setdefault(day, {})[what] = (lowest, highest)
        return kept

    def load_of(self, space: str, begin: int, end: int) -> Load:
        """The drying load of a space's air in a span: of whole days where they are kept."""
        column = "vpd_kpa"
        total, known, reached = 0.0, 0, begin
        for day, of_day, minutes in self._db.execute(
            "SELECT day, total, minutes FROM air_day WHERE day >= ? AND day < ?"
            " AND space = (SELECT id FROM space WHERE name = ?) AND what = ? ORDER BY day",
            (-(-begin // DAY_MIN), end // DAY_MIN, space, column),
        ).fetchall():
            [between] = _sums(self._db, space, reached, day * DAY_MIN, (column,))
            total, known = total + between.total + of_day, known + between.minutes + minutes
            reached = (day + 1) * DAY_MIN
        [last] = _sums(self._db, space, reached, end, (column,))
        return Load((total + last.total) / 60, known + last.minutes)

    def ten_minute_means(self, space: str, begin: int, end: int) -> Means:
        """Means of the ten minutes that begin in a span, where any is known."""
        t, water = "temperature_c", "humidity_ratio_g_kg"
        rows = self._db.execute(
            f"SELECT minute / 10, avg({t}), avg({water}) FROM {_either((t, water))}"  # noqa: S608 (columns of ours)
            f" WHERE {t} IS NOT NULL AND {water} IS NOT NULL GROUP BY minute / 10",
            {"begin": begin, "end": end, "space": space},
        ).fetchall()
        table = np.array(rows, dtype=np.float64).reshape(-1, 3)
        minute = (table[:, 0].astype(np.int64) + 1) * STEP_MIN
        return Means(minute, table[:, 1].copy(), table[:, 2].copy())

    def hour_means(self, space: str, begin: int, end: int) -> HourMeans:
        """Means by hour of a space's minutes, where there are any."""
        if begin >= end:
            return NO_HOURS
        both = "temperature_c IS NOT NULL AND relative_humidity_pct IS NOT NULL"
        rows = self._db.execute(
            f"SELECT minute / 60, avg(iif({both}, temperature_c, NULL)),"  # noqa: S608 (a text of ours)
            f" avg(iif({both}, relative_humidity_pct, NULL)), sum({both}),"
            f" coalesce(sum(illuminance_lx), 0) / 60 FROM air WHERE {_HERE}"
            " GROUP BY minute / 60 ORDER BY minute / 60",
            {"begin": begin, "end": end, "space": space},
        )
        table = np.array(rows.fetchall(), dtype=np.float64).reshape(-1, 5)  # NULL becomes NaN
        hour, temperature, humidity, minutes, light = table.T.copy()
        return HourMeans(
            hour.astype(np.int64), temperature, humidity, minutes.astype(np.int64), light
        )


def _either(columns: Sequence[str]) -> str:
    """A space's air in a span: a row a minute, or where only a ten-minute mean is left, that.

    Each says by `minutes` for how many it stands.
    """
    named = f"minute, {', '.join(columns)}"
    return (
        f"(SELECT {named}, 1 AS minutes FROM air WHERE {_HERE} UNION ALL"  # noqa: S608 (names of columns)
        f" SELECT {named}, minutes FROM air_ten_minutes WHERE {_HERE})"
    )


def forget_days(db: sqlite3.Connection, minutes: Iterable[int]) -> None:
    """The air of these minutes changes: what was worked out of their days holds no longer."""
    days = {minute // DAY_MIN for minute in minutes}
    db.executemany("DELETE FROM air_day WHERE day = ?", [(day,) for day in days])


def work_out_days(db: sqlite3.Connection, now_min: int, most: int) -> bool:
    """Work out at most so many days of spaces that are over and not kept yet, the newest first.

    Returns whether more may be left.
    """
    (first,) = db.execute(
        "SELECT min(minute) FROM"
        " (SELECT min(minute) AS minute FROM air UNION ALL SELECT min(minute) FROM air_ten_minutes)"
    ).fetchone()
    if first is None:
        return False
    today = now_min // DAY_MIN
    db.execute("DELETE FROM air_day WHERE day < ?", (today - KEPT_DAYS,))
    missing = db.execute(
        "WITH RECURSIVE days (day) AS (SELECT ? UNION ALL SELECT day - 1 FROM days WHERE day > ?)"
        " SELECT days.day, space.id, space.name FROM days CROSS JOIN space WHERE NOT EXISTS"
        " (SELECT 1 FROM air_day WHERE air_day.day = days.day AND air_day.space = space.id)"
        " LIMIT ?",
        (today - 1, max(first // DAY_MIN, today - KEPT_DAYS), most),
    ).fetchall()
    for day, number, space in missing:
        begin, end = day * DAY_MIN, (day + 1) * DAY_MIN
        pairs = _sought(db, space, begin, end, KEPT)
        sums = _sums(db, space, begin, end, KEPT)
        db.executemany(
            "INSERT INTO air_day (day, space, what, lowest, highest, total, minutes)"
            " VALUES (?, ?, ?, ?, ?, ?, ?)",
            [
                (day, number, what, *pair, *added)
                for what, pair, added in zip(KEPT, pairs, sums, strict=True)
            ],
        )
    return len(missing) == most


def _check(columns: tuple[str, ...]) -> None:
    unknown = [name for name in columns if name not in _COLUMNS]
    if unknown:
        raise ValueError(f"air has no column {unknown[0]}; it has {', '.join(_COLUMNS)}")


def _sought(
    db: sqlite3.Connection, space: str, begin: int, end: int, columns: tuple[str, ...]
) -> list[Pair]:
    """The extremes of each column, in less than 65,536 minutes."""
    asked = ", ".join(
        f"{extreme}(CAST(round({column} * {_MILLIONTHS}) AS INTEGER) * {_MINUTES}"
        " + minute - :begin)"
        for column in columns
        for extreme in ("min", "max")
    )
    row = db.execute(
        f"SELECT {asked} FROM {_either(columns)}",  # noqa: S608 (names of columns)
        {"begin": begin, "end": end, "space": space},
    ).fetchone()
    return list(zip(row[::2], row[1::2], strict=True))


def _in_order(pairs: Sequence[Pair]) -> npt.NDArray[np.float64]:
    """Lowest and highest of each step, the earlier first."""
    known = np.array([low is not None for low, _ in pairs])
    both = np.array([(low or 0, high or 0) for low, high in pairs], dtype=np.int64).reshape(-1, 2)
    values, minutes = np.floor_divide(both, _MINUTES) / _MILLIONTHS, both % _MINUTES
    values[~known] = np.nan
    falling = minutes[:, 0] > minutes[:, 1]
    values[falling] = values[falling, ::-1]
    return values.ravel()


def _sums(
    db: sqlite3.Connection, space: str, begin: int, end: int, columns: tuple[str, ...]
) -> list[Sum]:
    """A ten-minute mean counts for as many minutes as it was made of."""
    if begin >= end:
        return [Sum(0.0, 0)] * len(columns)
    asked = ", ".join(f"total({c} * minutes), total(minutes * ({c} IS NOT NULL))" for c in columns)
    row = db.execute(
        f"SELECT {asked} FROM {_either(columns)}",  # noqa: S608 (names of columns)
        {"begin": begin, "end": end, "space": space},
    ).fetchone()
    return [Sum(total, int(known)) for total, known in zip(row[::2], row[1::2], strict=True)]
