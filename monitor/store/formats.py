"""Rows as CSV, JSON and Parquet, written a few at a time however many there are."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable, Iterable, Iterator
from datetime import UTC, datetime
from decimal import Decimal
from enum import StrEnum
from functools import lru_cache, partial
from importlib.util import find_spec
from itertools import islice
from typing import Any, BinaryIO

from monitor.store.connection import StoreError

_ROWS_AT_ONCE = 10_000


class ExportError(ValueError):
    """An export that cannot be made; str() is one plain sentence."""


class Format(StrEnum):
    """The forms an export can have."""

    CSV = "csv"
    JSON = "json"
    PARQUET = "parquet"


class Cell(StrEnum):
    """What a column holds; times are UTC epoch milliseconds until they are written.

    CSV writes numbers as people do. A number worked out has 6 figures, for the best sensors have
    4. A value that a sensor sent has 8, so that the finest known step stays, 0.01 Pa in 1013 hPa.
    JSON and Parquet, which programs read, have every bit.
    """

    TIME = "time"
    TEXT = "text"
    NUMBER = "number"
    SENT = "sent"
    WHOLE = "whole"


Value = str | float | int | None
Row = tuple[Value, ...]


Columns = dict[str, Cell]


def write(form: Format, columns: Columns, rows: Iterable[Row], out: BinaryIO) -> int:
    """Write rows under these columns; returns their number. raises ExportError."""
    needs(form)
    return _WRITE[form](columns, rows, out)


@lru_cache(maxsize=64)  # rows come in order of time, many of one moment
def time_text(epoch_ms: int) -> str:
    """A time in ISO 8601 UTC, with milliseconds only where it is no whole second.

    >>> time_text(1_783_153_800_000)
    '2026-07-04T08:30:00Z'
    >>> time_text(1_783_153_800_250)
    '2026-07-04T08:30:00.250Z'
    """
    seconds, ms = divmod(epoch_ms, 1000)
    # Without its offset the time is written as it is; the Z says the rest.
    try:
        whole = datetime.fromtimestamp(seconds, UTC).replace(tzinfo=None).isoformat()
    except (ValueError, OverflowError, OSError):
        raise StoreError(
            f"a row tells of {seconds} s, which is no time: the store is damaged; bring back a "
            "backup with: drying-room restore"
        ) from None
    return f"{whole}.{ms:03d}Z" if ms else f"{whole}Z"


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
