"""Every benchmark, one table: python -m tests.benchmarks [--quick].

--quick is the small size for every change: it shows that each runs, and fails only where a ratio
is far out of line.
"""

from __future__ import annotations

import argparse

from tests.benchmarks import (
    bench_adviser,
    bench_dryness,
    bench_moist_air,
    bench_month,
    bench_mqtt,
    bench_page,
    bench_report,
    bench_year,
)
from tests.benchmarks.table import show

BENCHMARKS = (
    bench_moist_air,
    bench_mqtt,
    bench_month,
    bench_report,
    bench_year,
    bench_page,
    bench_dryness,
    bench_adviser,
)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    quick = parser.parse_args().quick
    print("| what | size | ours | against, same run | ratio | asked |")
    print("| --- | --- | --- | --- | --- | --- |")
    for benchmark in BENCHMARKS:
        show(benchmark.main(quick))


if __name__ == "__main__":
    main()
