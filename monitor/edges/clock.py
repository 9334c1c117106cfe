"""The wall clock: the only place that reads it."""

from __future__ import annotations

import ctypes
import time


def now_ms() -> int:
    """Now [UTC epoch ms]."""
    return time.time_ns() // 1_000_000


def monotonic_s() -> float:
    """Seconds that only grow, whatever is done to the clock."""
    return time.monotonic()


class _Timex(ctypes.Structure):
    """struct timex of adjtimex(2); modes 0: only asked. The rest is not looked at."""

    _fields_ = (("modes", ctypes.c_uint), ("rest", ctypes.c_byte * 508))


def kept_right() -> bool | None:
    """Whether a time service keeps this machine's clock right; None: it cannot be asked."""
    try:
        state = ctypes.CDLL(None).adjtimex(ctypes.byref(_Timex()))
    except (AttributeError, OSError):
        return None
    return None if state < 0 else bool(state != _TIME_ERROR)


_TIME_ERROR = 5  # what adjtimex(2) answers while the clock is not synchronised
