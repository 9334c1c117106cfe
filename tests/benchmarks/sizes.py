"""One benchmark at its full or its small size, by name: for a process of its own.

Apart from `__main__`, of which a new process knows nothing.
"""

from __future__ import annotations

import importlib

from tests.benchmarks.table import Row, out_of_line


def whole(name: str) -> list[Row]:
    """The rows of one benchmark at its full size."""
    return list(importlib.import_module(name).main(quick=False))


def small(name: str) -> list[Row]:
    """The rows of one benchmark at its small size; once more where something is out of line."""
    benchmark = importlib.import_module(name)
    rows = list(benchmark.main(quick=True))
    return list(benchmark.main(quick=True)) if out_of_line(rows) else rows
