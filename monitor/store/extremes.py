"""Lowest and highest values of stretches of air, sought by the database itself.

A month is 43,200 rows. Made into Python numbers they would hold up every other thread; the
database looks through them by itself, with the interpreter free for the others.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

# A value and the minute in which it was are sought as one whole number: the value in millionths
# above, the minute within its step below. So the least one names the lowest value and its time.
_MILLIONTHS, _MINUTES = 1_000_000, 65_536


def extremes(
    db: sqlite3.Connection, space: int | None, steps: range, end: int, columns: tuple[str, ...]
) -> dict[str, npt.NDArray[np.float64]]:
    """Two values a step in the order they came, shape (2 * steps,); NaN: nothing is known.

    space    row number of the space; None: nothing was ever known of it
    steps    minutes at which a step begins, less than 65,536 apart; the last ends at `end`
    columns  columns of the table of air
    """
    # A statement a step: the rows come in the order of their key, and nothing has to be sorted.
    rows = [sought(db, space, first, min(first + steps.step, end), columns) for first in steps]
    return {column: in_order([row[n] for row in rows]) for n, column in enumerate(columns)}


Pair = tuple[int | None, int | None]
"""Lowest and highest value of a stretch, each with its minute in one number; None: not known."""


def sought(
    db: sqlite3.Connection, space: int | None, begin: int, end: int, columns: tuple[str, ...]
) -> list[Pair]:
    """The extremes of each column in begin ≤ minute < end, less than 65,536 minutes apart."""
    asked = ", ".join(
        f"{extreme}(CAST(round({column} * {_MILLIONTHS}) AS INTEGER) * {_MINUTES}"
        " + minute - :begin)"
        for column in columns
        for extreme in ("min", "max")
    )
    named = f"minute, {', '.join(columns)}"
    there = "WHERE minute >= :begin AND minute < :end AND space = :space"
    row = db.execute(
        f"SELECT {asked} FROM (SELECT {named} FROM air {there} UNION ALL"  # noqa: S608 (names of columns)
        f" SELECT {named} FROM air_ten_minutes {there})",
        {"begin": begin, "end": end, "space": space},
    ).fetchone()
    return list(zip(row[::2], row[1::2], strict=True))


def in_order(pairs: Sequence[Pair]) -> npt.NDArray[np.float64]:
    """Lowest and highest of each step, the earlier first."""
    known = np.array([low is not None for low, _ in pairs])
    both = np.array([(low or 0, high or 0) for low, high in pairs], dtype=np.int64).reshape(-1, 2)
    values, minutes = np.floor_divide(both, _MINUTES) / _MILLIONTHS, both % _MINUTES
    values[~known] = np.nan
    falling = minutes[:, 0] > minutes[:, 1]
    values[falling] = values[falling, ::-1]
    return values.ravel()
