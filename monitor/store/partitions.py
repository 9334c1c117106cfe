"""Parquet files of a site's days in one folder for many sites, for engines that ask over all.

Folders are named as Hive names partitions: INTO/WHAT/site=NAME/date=DAY/WHAT.parquet, days in UTC
by the time of the row: a spell is in the day in which it began, a batch in that in which it was
hung. What lies there can be written again at any time: a file is replaced whole or not at all, and
where nothing changed it says the same as before.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from datetime import date, timedelta
from itertools import groupby
from pathlib import Path
from urllib.parse import quote

from monitor.site.spaces import Site
from monitor.site.time import DAY_MS, MINUTE_MS, local_day, midnight
from monitor.store.exports import WHAT, ExportTable
from monitor.store.formats import ExportError, Format, Row, needs, write
from monitor.store.queries import Reader
from monitor.store.readings import FOREVER_MS

AGAIN_DAYS = 14
"""Days before the newest that are written again: a log may come late, a correction later."""

_CHANGES_LATER = {
    "spells": "began",
    "batches": "hung",
    "stays": "began",
}  # their rows are few: all, each time
_OWN_TIME = {
    "readings": "time", "air": "time", "notices": "made", "forecasts": "asked_at",
    "ahead": "asked_at", **_CHANGES_LATER,
}  # fmt: skip


def partition(
    reader: Reader, site: Site, what: str, into: Path, now_ms: int, from_ms: int | None = None
) -> tuple[int, int]:
    """Write one table's days that are new or may have changed; returns days and rows written.

    what     a key of WHAT
    now_ms   the time [UTC epoch ms]: old readings are not kept for good
    from_ms  write again what is not older [UTC epoch ms]; None: AGAIN_DAYS before the newest day
             that is there, or from the beginning where none is
    raises   ExportError, OSError

    Days of which the store no longer holds everything (retention) are left as they are.
    """
    if what not in WHAT:
        raise ExportError(f"there is no export named {what}; choose one of: {', '.join(WHAT)}")
    needs(Format.PARQUET)
    folder = into / what / f"site={quote(site.name, safe='')}"
    table, begin_ms = WHAT[what], 0
    if what not in _CHANGES_LATER:
        begin_ms = _begin_ms(folder) if from_ms is None else from_ms // DAY_MS * DAY_MS
    whole_from = _whole_from(reader, site, what, now_ms)
    own_time = list(table.columns).index(_OWN_TIME[what])

    def day_of(row: Row) -> date:
        return local_day(int(row[own_time] or 0), "UTC")

    found = table.rows(reader, site, begin_ms, FOREVER_MS)
    if what in _CHANGES_LATER:
        found = sorted(found, key=day_of)
    days = count = 0
    written = set()
    for day, rows in groupby(found, day_of):
        file = folder / f"date={day}" / f"{what}.parquet"
        written.add(file)
        if day < whole_from and file.exists():
            continue
        count += _replace(file, table, rows)
        days += 1
    if what in _CHANGES_LATER:
        for file in set(folder.glob(f"date=*/{what}.parquet")) - written:
            file.unlink()  # what began then was undone by readings that came late
    return days, count


def _begin_ms(folder: Path) -> int:
    """The first moment to be written again, by the newest day that is there."""
    days = sorted(there.name.removeprefix("date=") for there in folder.glob("date=*"))
    if not days:
        return 0
    first = date.fromisoformat(days[-1]) - timedelta(days=AGAIN_DAYS)
    return midnight(first, "UTC") * MINUTE_MS


def _whole_from(reader: Reader, site: Site, what: str, now_ms: int) -> date:
    """The first day of which the store surely still holds every row."""
    if what == "readings":
        return local_day(now_ms, "UTC") - timedelta(days=site.raw_days - 1)
    means_until = reader.means_until() if what == "air" else None
    if means_until is None:
        return date.min
    return local_day(means_until * MINUTE_MS, "UTC") + timedelta(days=1)


def _replace(file: Path, table: ExportTable, rows: Iterable[Row]) -> int:
    """Write a file beside its place, and put it there once it is whole; returns its rows."""
    file.parent.mkdir(parents=True, exist_ok=True)
    beside = file.with_name(f".{file.name}.part")
    beside.unlink(missing_ok=True)  # a link there would have another file written over
    try:
        with beside.open("xb") as out:
            count = write(Format.PARQUET, table.columns, rows, out)
            out.flush()
            os.fsync(out.fileno())
        beside.replace(file)
    finally:
        beside.unlink(missing_ok=True)
    return count
