"""The wall clock: the only place that reads it."""

from __future__ import annotations

import time


def now_ms() -> int:
    """Now [UTC epoch ms]."""
    return time.time_ns() // 1_000_000


def monotonic_s() -> float:
    """Seconds that only grow, whatever is done to the clock."""
    return time.monotonic()
