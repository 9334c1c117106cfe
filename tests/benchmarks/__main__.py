"""Every benchmark, one table: python -m tests.benchmarks [--quick].

--quick is the small size for every change: it shows that each runs, and fails only where a ratio
is far out of line.
"""

from __future__ import annotations

import argparse
import importlib
from concurrent.futures import ProcessPoolExecutor

from tests.benchmarks import (
    bench_adviser,
    bench_dryness,
    bench_growth,
    bench_live,
    bench_many_sites,
    bench_moist_air,
    bench_month,
    bench_mqtt,
    bench_page,
    bench_report,
    bench_season,
    bench_written,
    bench_year,
)
from tests.benchmarks.table import Row, show

BENCHMARKS = (
    bench_moist_air,
    bench_mqtt,
    bench_month,
    bench_report,
    bench_year,
    bench_page,
    bench_dryness,
    bench_adviser,
    bench_many_sites,
    bench_growth,
    bench_season,
    bench_written,
    bench_live,
)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    quick = parser.parse_args().quick
    print("| what | size | ours | against, same run | ratio | asked |")
    print("| --- | --- | --- | --- | --- | --- |")
    if not quick:
        for benchmark in BENCHMARKS:
            show(benchmark.main(quick=False))
        return
    # At their small size nobody looks at the seconds, and half of them wait: two at a time.
    with ProcessPoolExecutor(2) as pool:
        for rows in pool.map(small, (benchmark.__name__ for benchmark in BENCHMARKS)):
            show(rows)


def small(name: str) -> list[Row]:
    """The rows of one benchmark at its small size."""
    return list(importlib.import_module(name).main(quick=True))


if __name__ == "__main__":
    main()
