"""A year of weekly reports in a row, in one command: seconds, memory, and that nothing disagrees.

python tests/benchmarks/bench_year.py [--quick]

Four places of the garden that the report's tests use, minute by minute, with a batch every nine
days. The largest difference between a report's sums and those of the exported minutes of the same
week stands beside it.
"""

from __future__ import annotations

import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from monitor.edges.report.order import REPORT, Answer, ReportOrder, Week
from monitor.store.formats import export
from monitor.store.queries import Reader
from tests.benchmarks import child
from tests.benchmarks.table import Row, show
from tests.edges import garden
from tests.edges.garden import BOOK, SITE

FIRST = "2025-W30"


def disagreement(store: Path, answers: list[Answer]) -> float:
    """Largest relative difference of a load or a dose from the exported minutes' own sum [-]."""
    worst = 0.0
    for answer in answers:
        begin, end = Week.parse(answer.week).span(SITE.timezone)
        with tempfile.TemporaryFile() as out, Reader(store) as reader:
            export(reader, SITE, "air", out, from_ms=begin * 60_000, to_ms=end * 60_000)
            out.seek(0)
            air = pd.read_csv(out)
        told = pd.read_csv(answer.folder / "spaces.csv", index_col="space")
        for space, minutes in air.groupby("space"):
            sums = (
                np.sum(minutes["vpd_kpa"].to_numpy()) / 60,
                np.sum(minutes["illuminance_lx"].to_numpy()) / 60_000,
            )
            row = told.loc[str(space)]
            for said, known in zip(
                (row["drying_load_kpa_h"], row["light_dose_klx_h"]), sums, strict=True
            ):
                worst = max(worst, abs(said - known) / max(known, 1e-12) if known else abs(said))
    return worst


def main(quick: bool) -> list[Row]:
    """Seconds and memory of a year's reports, and by how much they differ from the export."""
    weeks = 2 if quick else 52
    with tempfile.TemporaryDirectory() as folder:
        store = Path(folder) / "store.sqlite"
        begin, end = garden.span(FIRST, weeks)
        garden.write(store, begin, end)
        order = ReportOrder(store, Path(folder), FIRST, end * 60_000, SITE, BOOK)
        order = replace(order, weeks=weeks)
        made = child.run(REPORT.words(), REPORT.line(order).decode())
        answers = REPORT.read(made.printed.encode())
        worst = disagreement(store, answers)
    size = f"{len(answers)} weeks, {len(SITE.spaces)} spaces"
    return [
        Row(
            "reports of weeks in a row", size, f"{made.seconds:.1f} s", goal="52 weeks under 240 s"
        ),
        Row("their peak memory", size, f"{made.peak_mb:.0f} MB"),
        Row("their sums beside the export's", size, f"{worst:.1e}", goal="under 1e-9"),
    ]


if __name__ == "__main__":
    show(main("--quick" in sys.argv))
