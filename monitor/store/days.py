"""Whole days of a space's air, worked out once: a year of minutes is half a million rows.

What is kept here is only what the minutes say, so it may be missing: whoever asks gets the same
from the minutes. Days are those of UTC.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from monitor.site.time import DAY_MIN
from monitor.store.extremes import Pair, in_order, sought

KEPT_DAYS = 366  # no picture and no sum reaches further back by days
KEPT = ("temperature_c", "relative_humidity_pct", "vpd_kpa", "illuminance_lx")


class Sum(NamedTuple):
    """Values of a stretch added up, one a minute, and the minutes in which one was known."""

    total: float
    minutes: int


def forget(db: sqlite3.Connection, minutes: Iterable[int]) -> None:
    """The air of these minutes changes: what was worked out of their days holds no longer."""
    days = {minute // DAY_MIN for minute in minutes}
    db.executemany("DELETE FROM air_day WHERE day = ?", [(day,) for day in days])


def work_out(db: sqlite3.Connection, now_min: int, most: int) -> bool:
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
        " SELECT days.day, space.id FROM days CROSS JOIN space WHERE NOT EXISTS (SELECT 1 FROM"
        " air_day WHERE air_day.day = days.day AND air_day.space = space.id) LIMIT ?",
        (today - 1, max(first // DAY_MIN, today - KEPT_DAYS), most),
    ).fetchall()
    for day, space in missing:
        begin, end = day * DAY_MIN, (day + 1) * DAY_MIN
        pairs = sought(db, space, begin, end, KEPT)
        sums = _sums(db, space, begin, end, KEPT)
        db.executemany(
            "INSERT INTO air_day VALUES (?, ?, ?, ?, ?, ?, ?)",
            [(day, space, *row) for row in _rows(pairs, sums)],
        )
    return len(missing) == most


def _rows(
    pairs: list[Pair], sums: list[Sum]
) -> Iterator[tuple[str, int | None, int | None, float, int]]:
    for what, pair, added in zip(KEPT, pairs, sums, strict=True):
        yield what, *pair, *added


def day_extremes(
    db: sqlite3.Connection, space: int | None, days: range, end: int, columns: tuple[str, ...]
) -> dict[str, npt.NDArray[np.float64]]:
    """Like `extremes` with a step of a day; the last day may end before it is over."""
    kept: dict[int, dict[str, Pair]] = {}
    for day, what, lowest, highest in db.execute(
        "SELECT day, what, lowest, highest FROM air_day WHERE day >= ? AND day < ? AND space = ?",
        (days.start, days.stop, space),
    ):
        kept.setdefault(day, {})[what] = (lowest, highest)
    rows: list[list[Pair]] = []
    for day in days:
        known = kept.get(day, {})
        if all(column in known for column in columns):
            rows.append([known[column] for column in columns])
        else:
            begin = day * DAY_MIN
            rows.append(sought(db, space, begin, min(begin + DAY_MIN, end), columns))
    return {column: in_order([row[n] for row in rows]) for n, column in enumerate(columns)}


def sum_of(db: sqlite3.Connection, space: int | None, begin: int, end: int, column: str) -> Sum:
    """The sum of a kept column in begin ≤ minute < end: of days where they are kept."""
    added, reached = Sum(0.0, 0), begin
    for day, total, minutes in db.execute(
        "SELECT day, total, minutes FROM air_day"
        " WHERE day >= ? AND day < ? AND space = ? AND what = ? ORDER BY day",
        (-(-begin // DAY_MIN), end // DAY_MIN, space, column),
    ).fetchall():
        between = _sums(db, space, reached, day * DAY_MIN, (column,))[0]
        added = Sum(added.total + between.total + total, added.minutes + between.minutes + minutes)
        reached = (day + 1) * DAY_MIN
    last = _sums(db, space, reached, end, (column,))[0]
    return Sum(added.total + last.total, added.minutes + last.minutes)


def _sums(
    db: sqlite3.Connection, space: int | None, begin: int, end: int, columns: tuple[str, ...]
) -> list[Sum]:
    """A ten-minute mean counts for as many minutes as it was made of."""
    if begin >= end:
        return [Sum(0.0, 0)] * len(columns)
    asked = ", ".join(f"total({c} * minutes), total(minutes * ({c} IS NOT NULL))" for c in columns)
    named = ", ".join(columns)
    there = "WHERE minute >= :begin AND minute < :end AND space = :space"
    row = db.execute(
        f"SELECT {asked} FROM (SELECT {named}, 1 AS minutes FROM air {there} UNION ALL"  # noqa: S608 (names of columns)
        f" SELECT {named}, minutes FROM air_ten_minutes {there})",
        {"begin": begin, "end": end, "space": space},
    ).fetchone()
    return [Sum(total, int(known)) for total, known in zip(row[::2], row[1::2], strict=True)]
