"""The report's process: an order on standard input, a line of answer a report on standard output.

A failure is one sentence on standard error and exit code 1.
"""

from __future__ import annotations

import sys

from monitor.edges.report.build import build
from monitor.edges.report.order import Order
from monitor.store.connection import StoreError


def main() -> int:
    """Make what is ordered; returns the exit code."""
    order = Order.from_json(sys.stdin.read())
    try:
        for answer in build(order):
            print(answer.to_json())
    except (ValueError, StoreError, OSError) as error:
        print(error, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
