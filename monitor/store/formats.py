"""Exports as files: one as CSV, JSON or Parquet, and a site's days for engines that ask many sites.

Rows are written a few at a time, however many there are.
"""

from __future__ import annotations

import csv
import io
import json
import os
from collections.abc import Callable, Iterable, Iterator
from datetime import date, timedelta
from decimal import Decimal
from enum import StrEnum
from functools import lru_cache, partial
from importlib.util import find_spec
from itertools import groupby, islice
from pathlib import Path
from typing import Any, BinaryIO
from urllib.parse import quote

from monitor.site.spaces import Site
from monitor.site.time import DAY_MS, MINUTE_MS, local_day, midnight
from monitor.site.time import local as local_time
from monitor.store.exports import WHAT, Cell, Columns, ExportError, ExportTable, Row, time_text
from monitor.store.queries import Reader
from monitor.store.readings import FOREVER_MS

_ROWS_AT_ONCE = 10_000


class Format(StrEnum):
    """The forms an export can have."""

    CSV = "csv"
    JSON = "json"
    PARQUET = "parquet"


def export(
    reader: Reader,
    site: Site,
    what: str,
    out: BinaryIO,
    form: Format = Format.CSV,
    from_ms: int | None = None,
    to_ms: int | None = None,
    local: bool = False,
) -> int:
    """Write one table to `out`; returns the number of rows.

    what            a key of WHAT
    local           after the promised columns, each time once more with the site's offset
    from_ms, to_ms  half open, on the row's own time [UTC epoch ms]; spells, batches, stays:
                    those that touch the span; None: from the beginning, to the end
    raises          ExportError
    """
    if what not in WHAT:
        raise ExportError(f"there is no export named {what}; choose one of: {', '.join(WHAT)}")
    begin = 0 if from_ms is None else from_ms
    end = FOREVER_MS if to_ms is None else to_ms
    if end <= begin:
        raise ExportError(
            f"the span ends ({time_text(end)}) before it begins ({time_text(begin)}); "
            f"give a later --to"
        )
    columns, rows = WHAT[what].columns, WHAT[what].rows(reader, site, begin, end)
    if local:
        columns, rows = _with_local_times(columns, rows, site.timezone)
    return write(form, columns, rows, out)


def _with_local_times(
    columns: Columns, rows: Iterable[Row], zone: str
) -> tuple[Columns, Iterable[Row]]:
    times = {at: name for at, (name, cell) in enumerate(columns.items()) if cell is Cell.TIME}

    @lru_cache(maxsize=64)
    def told(epoch_ms: Any) -> str | None:
        return None if epoch_ms is None else local_time(epoch_ms, zone).isoformat()

    more = {f"{name}_local": Cell.TEXT for name in times.values()}
    return columns | more, ((*row, *(told(row[at]) for at in times)) for row in rows)


def write(form: Format, columns: Columns, rows: Iterable[Row], out: BinaryIO) -> int:
    """Write rows under these columns; returns their number. raises ExportError."""
    needs(form)
    return _WRITE[form](columns, rows, out)


def _write_csv(columns: Columns, rows: Iterable[Row], out: BinaryIO) -> int:
    text = io.TextIOWrapper(out, encoding="utf-8", newline="", write_through=True)
    try:
        writer = csv.writer(text, lineterminator="\n")
        writer.writerow(columns)
        turn = [_IN_CSV[cell] for cell in columns.values()]
        count = 0
        for part in _parts(rows):
            writer.writerows(
                [None if v is None else f(v) for f, v in zip(turn, row, strict=True)]
                for row in part
            )
            count += len(part)
        return count
    finally:
        text.detach()


# Some programs take the wide signs of East Asian type for the narrow ones, or skip white space.
_BEGINS_A_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")


def no_formula(value: str) -> str:
    """Text that a spreadsheet would take for a formula, marked as text."""
    return f"'{value}" if value.startswith(_BEGINS_A_FORMULA) else value


def figures(value: float, count: int = 6) -> str:
    """A number to so many figures, as people write it.

    >>> figures(22.388888888888886), figures(22.0), figures(0.00001234), figures(1234567.8, 8)
    ('22.3889', '22', '0.00001234', '1234567.8')
    """
    text = f"{value:.{count}g}"
    return f"{Decimal(text):f}" if "e" in text else text


def _same(value: Any) -> Any:
    return value


_IN_CSV: dict[Cell, Callable[[Any], Any]] = {
    Cell.TIME: time_text,
    Cell.TEXT: no_formula,
    Cell.NUMBER: figures,
    Cell.SENT: partial(figures, count=8),
    Cell.WHOLE: _same,
}
_IN_JSON = {cell: time_text if cell is Cell.TIME else _same for cell in Cell}


def _write_json(columns: Columns, rows: Iterable[Row], out: BinaryIO) -> int:
    names = tuple(columns)
    turn = [_IN_JSON[cell] for cell in columns.values()]
    count = 0
    out.write(b"[")
    for part in _parts(rows):
        lines = [
            json.dumps(
                {
                    name: None if v is None else f(v)
                    for name, f, v in zip(names, turn, row, strict=True)
                },
                ensure_ascii=False,
            )
            for row in part
        ]
        out.write(((",\n" if count else "\n") + ",\n".join(lines)).encode())
        count += len(part)
    out.write(b"\n]\n")
    return count


def needs(form: Format) -> None:
    """Whether what a form needs is installed; raises ExportError."""
    if form is Format.PARQUET and find_spec("pyarrow") is None:  # an extra: it is large
        raise ExportError(
            "Parquet needs a library that is not installed; install it with: "
            "pip install '.[parquet]' in the folder of this repository, or choose --format csv"
        )


def _write_parquet(columns: Columns, rows: Iterable[Row], out: BinaryIO) -> int:
    import pyarrow as pa  # type: ignore[import-untyped]  # it ships no types
    from pyarrow import parquet

    types = {
        Cell.TIME: pa.timestamp("ms", tz="UTC"),
        Cell.TEXT: pa.string(),
        Cell.NUMBER: pa.float64(),
        Cell.SENT: pa.float64(),
        Cell.WHOLE: pa.int64(),
    }
    schema = pa.schema([(name, types[cell]) for name, cell in columns.items()])
    turn = [no_formula if cell is Cell.TEXT else None for cell in columns.values()]
    count = 0
    with parquet.ParquetWriter(out, schema) as writer:
        for part in _parts(rows, _ROWS_AT_ONCE * 10):
            arrays = [
                pa.array(values if f is None else _turned(f, values), type=field.type)
                for f, values, field in zip(turn, zip(*part, strict=True), schema, strict=True)
            ]
            writer.write_table(pa.Table.from_arrays(arrays, schema=schema))
            count += len(part)
    return count


def _turned(turn: Callable[[str], str], values: Iterable[Any]) -> list[str | None]:
    return [None if value is None else turn(value) for value in values]


def _parts(rows: Iterable[Row], size: int = _ROWS_AT_ONCE) -> Iterator[list[Row]]:
    left = iter(rows)
    while part := list(islice(left, size)):
        yield part


_WRITE: dict[Format, Callable[[Columns, Iterable[Row], BinaryIO], int]] = {
    Format.CSV: _write_csv,
    Format.JSON: _write_json,
    Format.PARQUET: _write_parquet,
}

# -- days of many sites ---------------------------------------------------------------------------
#
# Folders are named as Hive names partitions: INTO/WHAT/site=NAME/date=DAY/WHAT.parquet, days in UTC
# by the time of the row: a spell is in the day in which it began, a batch in that in which it was
# hung. What lies there can be written again at any time: a file is replaced whole or not at all,
# and where nothing changed it says the same as before.

AGAIN_DAYS = 14
"""Days before the newest that are written again: a log may come late, a correction later."""

_CHANGES_LATER = {
    "spells": "began",
    "batches": "hung",
    "stays": "began",
    "sensors": "tested",  # never: 1970
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
