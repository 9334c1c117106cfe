"""The outbox as the sender reads it."""

from pathlib import Path

from monitor.edges.report.order import WEEK_PAGE
from monitor.engine.effects import Effects
from monitor.notices.notice import NoticeRow
from monitor.notices.sentences.upkeep import report_ready
from monitor.notices.settlement import Settlement
from monitor.service.outgoing import PhoneOutbox as Outbox
from monitor.site.time import DAY_MS
from monitor.store.queries import Reader
from monitor.store.writer import Writer


def test_the_notice_of_a_report_brings_the_week_along_and_no_other_does(tmp_path: Path) -> None:
    writer = Writer(tmp_path / "store.sqlite")
    notices = [report_ready("2026-W29", "Ten lines.", DAY_MS), report_ready("2026-W30", "", DAY_MS)]
    sent = [NoticeRow(number, one, DAY_MS) for number, one in enumerate(notices, 1)]
    writer.apply(Effects(settlements=[Settlement([], [], [], sent)]), ["mail"])
    writer.keep_report("2026-W29", DAY_MS, "Ten lines.", tmp_path / "2026-W29")
    writer.commit()
    writer.close()
    with Reader(writer.file) as reader:
        reports = [row.report for row in reader.unsent()]
    assert reports == [str(tmp_path / "2026-W29"), None]
    waiting = Outbox(writer.file, "", ["mail"], lambda: DAY_MS).unsent()
    assert [row.enclosed for row in waiting] == [tmp_path / "2026-W29" / WEEK_PAGE, None]
