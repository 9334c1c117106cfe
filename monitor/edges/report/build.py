"""Make the reports ordered: from the store to a text for the phone and a folder of files."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from monitor.edges.report import season
from monitor.edges.report.change import thing_to_change
from monitor.edges.report.gather import Source, gather
from monitor.edges.report.order import WEEK_PAGE, Answer, ReportOrder, Week
from monitor.edges.report.sheet import sheet
from monitor.edges.report.tables import write_season_tables, write_tables
from monitor.edges.report.text import phone_text
from monitor.store.queries import Reader


def build(order: ReportOrder) -> list[Answer]:
    """Make the reports of an order, one after another.

    raises ValueError (no such week, or not yet begun), StoreError, OSError: one sentence each
    """
    week = Week.parse(order.week)
    with Reader(order.store) as reader:
        source = Source(reader, order.store, order.site, order.book, order.backups)
        if order.season is not None:
            return [_season(source, order.folder, *order.season)]
        made = []
        for _ in range(order.weeks):
            made.append(_week(source, order.folder, week, order.now_ms))
            week = week.after()
        return made


def _week(source: Source, reports: Path, week: Week, now_ms: int) -> Answer:
    gathered = gather(source, week, now_ms)
    folder = reports / str(week)
    change = thing_to_change(gathered)
    text = phone_text(gathered, change)
    with _whole(folder) as making:
        (making / "week.txt").write_text(text + "\n", encoding="utf-8")
        (making / WEEK_PAGE).write_text(sheet(gathered, change), encoding="utf-8")
        tables = write_tables(gathered, making)
    return Answer(str(week), text, folder, (WEEK_PAGE, "week.txt", *tables))


def _season(source: Source, reports: Path, begin: int, end: int) -> Answer:
    book = season.gather_season(source, begin, end)
    name = season.name(book)
    folder = reports / name
    text = season.phone_text(book)
    with _whole(folder) as making:
        (making / "season.txt").write_text(text + "\n", encoding="utf-8")
        (making / season.NAME).write_text(season.sheet(book), encoding="utf-8")
        tables = write_season_tables(book, making)
    return Answer(name, text, folder, (season.NAME, "season.txt", *tables))


@contextmanager
def _whole(folder: Path) -> Iterator[Path]:
    """A folder to write into, which becomes `folder` once all is written: a kill leaves no half."""
    making = folder.with_name(f".{folder.name}.making")
    shutil.rmtree(making, ignore_errors=True)
    making.mkdir(parents=True)
    yield making
    if folder.exists():
        for file in making.iterdir():
            file.replace(folder / file.name)
        making.rmdir()
    else:
        making.rename(folder)
