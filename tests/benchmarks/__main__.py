"""Every benchmark, one table: python -m tests.benchmarks [--quick | NAME ...].

NAME, as bench_live: only these, at their full size.

--quick is the small size for every change: it shows that each runs, and fails only where a ratio
is far out of line (`table.LIMITS`), never for its seconds.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

from tests.benchmarks import (
    bench_adviser,
    bench_anew,
    bench_dryness,
    bench_flood,
    bench_growth,
    bench_live,
    bench_many_sites,
    bench_moist_air,
    bench_month,
    bench_mqtt,
    bench_notice,
    bench_page,
    bench_quarter,
    bench_report,
    bench_round,
    bench_season,
    bench_written,
    bench_year,
)
from tests.benchmarks.sizes import small, whole
from tests.benchmarks.table import LIMITS, Row, out_of_line, show

BENCHMARKS = (
    bench_moist_air,
    bench_mqtt,
    bench_notice,
    bench_season,
    bench_report,
    bench_year,
    bench_page,
    bench_live,
    bench_quarter,
    bench_month,
    bench_written,
    bench_growth,
    bench_flood,
    bench_anew,
    bench_round,
    bench_many_sites,
    # How right it is, not how fast.
    bench_dryness,
    bench_adviser,
)


def main(words: Sequence[str] | None = None) -> int:
    """The exit code: 1 where, at the small size, something is far out of line."""
    parser = argparse.ArgumentParser(description=__doc__)
    which = parser.add_mutually_exclusive_group()
    which.add_argument("--quick", action="store_true")
    known = {benchmark.__name__.rpartition(".")[2]: benchmark for benchmark in BENCHMARKS}
    which.add_argument("only", metavar="NAME", nargs="*", default=[])
    asked = parser.parse_args(words)
    for name in asked.only:
        if name not in known:
            parser.error(f"no benchmark is called {name}; there are {', '.join(known)}")
    print("| what | size | ours | against, same run | ratio | asked |")
    print("| --- | --- | --- | --- | --- | --- |")
    if not asked.quick:
        # Each in a process of its own: what one has held is not the memory of the next.
        fresh = get_context("spawn")
        with ProcessPoolExecutor(1, fresh, max_tasks_per_child=1) as pool:
            for rows in pool.map(whole, (known[name].__name__ for name in asked.only or known)):
                show(rows)
        return 0
    # At their small size nobody looks at the seconds, and half of them wait: two at a time.
    with ProcessPoolExecutor(2) as pool:
        return judged(pool.map(small, (benchmark.__name__ for benchmark in BENCHMARKS)))


def judged(told: Iterable[list[Row]]) -> int:
    """Show every row; 1 where one is out of line, or where a limit has no row."""
    seen: set[str] = set()
    troubles: list[str] = []
    for rows in told:
        show(rows)
        troubles += out_of_line(rows)
        seen.update(row.what for row in rows)
    troubles += [
        f"{what}: it has a limit and was not measured" for what in LIMITS if what not in seen
    ]
    for trouble in troubles:
        print(f"far out of line: {trouble}", file=sys.stderr)
    return 1 if troubles else 0


if __name__ == "__main__":
    sys.exit(main())
