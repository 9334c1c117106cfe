"""Ten-minute means of a space's air, from the minutes or from what is left of older ones."""

from __future__ import annotations

import sqlite3

import numpy as np

from monitor.ahead.grid import STEP_MIN
from monitor.ahead.ten_minutes import Means


def ten_minute_means(db: sqlite3.Connection, space: int | None, begin: int, end: int) -> Means:
    """Means of the ten minutes that begin in begin ≤ minute < end, where any is known.

    space  row number of the space; None: nothing was ever known of it
    """
    both = "temperature_c IS NOT NULL AND humidity_ratio_g_kg IS NOT NULL"
    rows = db.execute(
        "SELECT minute / 10, avg(temperature_c), avg(humidity_ratio_g_kg) FROM air"  # noqa: S608 (a text of ours)
        f" WHERE minute >= :begin AND minute < :end AND space = :space AND {both}"
        " GROUP BY minute / 10 UNION ALL"
        " SELECT minute / 10, temperature_c, humidity_ratio_g_kg FROM air_ten_minutes"
        f" WHERE minute >= :begin AND minute < :end AND space = :space AND {both}",
        {"begin": begin, "end": end, "space": space},
    ).fetchall()
    table = np.array(rows, dtype=np.float64).reshape(-1, 3)
    minute = (table[:, 0].astype(np.int64) + 1) * STEP_MIN
    return Means(minute, table[:, 1].copy(), table[:, 2].copy())
