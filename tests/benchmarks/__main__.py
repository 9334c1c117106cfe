"""Every benchmark, one table: python -m tests.benchmarks [--quick | [--write] NAME ...].

NAME, as bench_live: only these, at their full size. All take some two hours, each in a process of
its own.

--write also writes what was measured into README.md beside this file, with machine and load; what
was not measured this time stays as it stands there.

--quick is the small size for every change: it shows that each runs, and fails only where a ratio
is far out of line (`table.LIMITS`), never for its seconds.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
import time
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from types import ModuleType

from tests.benchmarks import (
    bench_adviser,
    bench_anew,
    bench_attack,
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
from tests.benchmarks.table import HEADING, LIMITS, Row, out_of_line, section, show, written

README = Path(__file__).with_name("README.md")
INTRODUCTION = """# What was measured

Written by `python -m tests.benchmarks --write [NAME ...]`: not by hand. `--quick`, the small size,
is a part of the test line: it fails where a ratio is far out of line (`LIMITS` in `table.py`), by
processor where the row tells it, and only if it is so twice. Seconds are never judged: on a busy
machine they are upper bounds, while ratios of processor are fair. Memory is what the system calls
kB, by thousands. The program is measured as it is installed (`installed.py`): compiled, in its
unit's environment.
"""

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
    bench_attack,
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
    parser.add_argument("--write", action="store_true")
    which = parser.add_mutually_exclusive_group()
    which.add_argument("--quick", action="store_true")
    known = {benchmark.__name__.rpartition(".")[2]: benchmark for benchmark in BENCHMARKS}
    which.add_argument("only", metavar="NAME", nargs="*", default=[])
    asked = parser.parse_args(words)
    for name in asked.only:
        if name not in known:
            parser.error(f"no benchmark is called {name}; there are {', '.join(known)}")
    if asked.quick and asked.write:
        parser.error("what is written is measured at full size")
    print(HEADING)
    if not asked.quick:
        at_full_size([known[name] for name in asked.only or known], asked.write)
        return 0
    # At their small size nobody looks at the seconds, and half of them wait: two at a time.
    with ProcessPoolExecutor(2) as pool:
        return judged(pool.map(small, (benchmark.__name__ for benchmark in BENCHMARKS)))


def at_full_size(benchmarks: Sequence[ModuleType], write: bool) -> None:
    """Show every row; each benchmark in a process of its own, for what one has held is not the
    memory of the next. What is written is written after each, so that none is lost."""
    fresh = get_context("spawn")
    with ProcessPoolExecutor(1, fresh, max_tasks_per_child=1) as pool:
        for benchmark in benchmarks:
            before = os.getloadavg()[0]
            rows = pool.submit(whole, benchmark.__name__).result()
            show(rows)
            if write:
                when, machine = time.strftime("%Y-%m-%d"), platform.machine()
                measured = f"{when} on {os.cpu_count()} cores ({machine}), load before {before:.0f}"
                name = benchmark.__name__.rpartition(".")[2]
                about = (benchmark.__doc__ or "").partition("\n\n")[0]
                told = README.read_text("utf-8") if README.exists() else ""
                anew = {name: section(name, about, measured, rows)}
                README.write_text(written(told, INTRODUCTION, anew), "utf-8")


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
