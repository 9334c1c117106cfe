"""Make a weekly report: from the store to a text for the phone and a folder of files."""

from __future__ import annotations

from monitor.edges.report.change import thing_to_change
from monitor.edges.report.gather import gather
from monitor.edges.report.order import Answer, Order
from monitor.edges.report.sheet import NAME, sheet
from monitor.edges.report.tables import write_tables
from monitor.edges.report.text import phone_text
from monitor.edges.report.weeks import Week
from monitor.store.reader import Reader


def build(order: Order) -> Answer:
    """Make the report that is ordered.

    raises ValueError (no such week, or not yet begun), StoreError, OSError: one sentence each
    """
    week = Week.parse(order.week)
    with Reader(order.store) as reader:
        gathered = gather(reader, order.site, week, order.now_ms)
    folder = order.folder / str(week)
    folder.mkdir(parents=True, exist_ok=True)
    change = thing_to_change(gathered)
    text = phone_text(gathered, change)
    (folder / "week.txt").write_text(text + "\n", encoding="utf-8")
    (folder / NAME).write_text(sheet(gathered, change), encoding="utf-8")
    files = [NAME, "week.txt", *write_tables(gathered, folder)]
    return Answer(str(week), text, folder, tuple(files))
