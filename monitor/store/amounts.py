"""Amounts by the hour (UTC): what the readings of a rain gauge come to.

A gauge tells either what fell since its last message, or a total that grows and begins anew when
its counter does; its settings say which. Both sums are kept, so a change of the settings holds for
what is past too. They are functions of the readings: the hours that a reading touches are added up
again with it. They stay when the readings go.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from typing import NamedTuple

from monitor.site.quantities import DOUBTFUL, Quantity
from monitor.site.spaces import Site
from monitor.site.time import DAY_MS, HOUR_MS, MINUTE_MS, local_day, midnight

# Of a total that was silent for longer, nobody knows when it grew.
_LOOKED_BACK_MS = 7 * DAY_MS
_READINGS = (
    "FROM reading WHERE sensor = :sensor AND quantity = :quantity AND flags & :doubtful = 0"
    " AND time_ms >= :since AND time_ms < :until"
)

Touched = tuple[int, int, int]  # hour since 1970, numbers of sensor and quantity


class Amount(NamedTuple):
    """What a sensor told in an hour; hour_ms: its beginning [UTC epoch ms].

    added     the values added up
    grown     how much they grew; from a lower one on, from nought
    readings  how many there were
    """

    hour_ms: int
    sensor: str
    quantity: Quantity
    added: float
    grown: float
    readings: int

    def amount(self, site: Site) -> float | None:
        """The amount, in the quantity's unit; None: the settings no longer read it."""
        sensor = site.sensors.get(self.sensor)
        read_as = None if sensor is None else sensor.reads.get(self.quantity)
        if read_as is None:
            return None
        return self.grown if read_as.total else self.added


def keep(db: sqlite3.Connection, touched: Iterable[Touched]) -> None:
    """Add up these hours anew, and those after them in which a total may have grown otherwise."""
    for hour, sensor, quantity in touched:
        end = (hour + 1) * HOUR_MS
        whose = {"sensor": sensor, "quantity": quantity, "doubtful": int(DOUBTFUL)}
        after = db.execute(
            f"SELECT time_ms {_READINGS} ORDER BY time_ms LIMIT 1",
            whose | {"since": end, "until": end + _LOOKED_BACK_MS},
        ).fetchone()
        for one in (hour, *(() if after is None else (after[0] // HOUR_MS,))):
            _add_up(db, one, whose)


def _add_up(db: sqlite3.Connection, hour: int, whose: dict[str, int]) -> None:
    begin = hour * HOUR_MS
    before = db.execute(
        f"SELECT time_ms {_READINGS} ORDER BY time_ms DESC LIMIT 1",
        whose | {"since": begin - _LOOKED_BACK_MS, "until": begin},
    ).fetchone()
    since = begin if before is None else before[0]
    span = whose | {"hour": hour, "begin": begin, "since": since, "until": begin + HOUR_MS}
    db.execute(
        "DELETE FROM amount_hour WHERE hour = :hour AND sensor = :sensor AND quantity = :quantity",
        span,
    )
    db.execute(
        f"INSERT INTO amount_hour WITH told AS (SELECT time_ms, value,"  # noqa: S608 (a text of ours)
        f" lag(value) OVER (ORDER BY time_ms) AS before {_READINGS})"
        " SELECT :hour, :sensor, :quantity, sum(value), total(CASE WHEN before IS NULL THEN 0"
        " WHEN value >= before THEN value - before ELSE value END), count(*)"
        " FROM told WHERE time_ms >= :begin HAVING count(*) > 0",
        span,
    )


def amounts(db: sqlite3.Connection, from_ms: int, to_ms: int) -> Iterator[Amount]:
    """The hours that begin in the span, by hour, sensor and quantity."""
    for hour, sensor, quantity, *told in db.execute(
        "SELECT a.hour, s.name, q.name, a.added, a.grown, a.readings FROM amount_hour a"
        " JOIN sensor s ON s.id = a.sensor JOIN quantity q ON q.id = a.quantity"
        " WHERE a.hour >= ? AND a.hour < ? ORDER BY a.hour, s.name, q.name",
        (-(-from_ms // HOUR_MS), -(-to_ms // HOUR_MS)),
    ):
        yield Amount(hour * HOUR_MS, sensor, Quantity(quantity), *told)


def rain_today(db: sqlite3.Connection, site: Site, now_ms: int) -> float | None:
    """What fell since the site's midnight [mm]; None: not known.

    Of several gauges the one that caught most. Where midnight is on no full hour of UTC, from the
    next one on.
    """
    begin = midnight(local_day(now_ms, site.timezone), site.timezone)
    fallen: dict[str, float] = {}
    for one in amounts(db, begin * MINUTE_MS, now_ms + 1):
        amount = one.amount(site)
        if one.quantity is Quantity.RAIN and amount is not None:
            fallen[one.sensor] = fallen.get(one.sensor, 0.0) + amount
    return max(fallen.values(), default=None)
