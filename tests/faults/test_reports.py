"""A report killed (-9) while it is written: no half of it is ever seen, and the next is whole."""

from __future__ import annotations

import random
import subprocess
import sys
import time
from pathlib import Path

from monitor.edges.report.build import build
from monitor.edges.report.order import ReportOrder
from tests.edges import garden
from tests.edges.garden import BOOK, SITE
from tests.waiting import until

KILLS, FULL_KILLS = 4, 100
WEEK = "2026-W27"
MAKE = "import sys; from pathlib import Path; from tests.faults.test_reports import make"


def make(store: Path, folder: Path) -> None:
    """The week's report, in this process."""
    build(ReportOrder(store, folder, WEEK, garden.span(WEEK, 1)[1] * 60_000, SITE, BOOK))


def files(folder: Path) -> dict[str, bytes]:
    """What people see in a report's folder."""
    return {file.name: file.read_bytes() for file in folder.glob(f"{WEEK}/*")}


def run(folder: Path, kills: int) -> str:
    """Returns the figures in a line; raises AssertionError where half a report was seen."""
    rng = random.Random(3)
    store = folder / "store.sqlite"
    garden.write(store, *garden.span(WEEK, 1))
    make(store, folder / "whole")
    whole, begun = files(folder / "whole"), 0
    assert len(whole) > 2
    for number in range(kills):
        reports = folder / str(number)
        words = [sys.executable, "-c", f"{MAKE}; make(*map(Path, sys.argv[1:]))"]
        process = subprocess.Popen([*words, str(store), str(reports)])
        until(lambda at=reports: any(at.rglob("*.txt")), between=lambda: None)  # type: ignore[misc]
        time.sleep(rng.uniform(0, 0.03))
        begun += process.poll() is None
        process.kill()
        process.wait()
        assert files(reports) in ({}, whole)
        make(store, reports)
        assert files(reports) == whole
        assert [file.name for file in reports.iterdir()] == [WEEK]
    assert begun, "none was killed in time"
    return f"{kills} reports killed, {begun} of them half written; none seen, the next ones whole"


def test_half_a_report_is_never_seen(tmp_path: Path) -> None:
    print(run(tmp_path, KILLS))
