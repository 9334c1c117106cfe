"""The wall clock: the only place that reads it, and judges whether it can be believed.

Small computers start without the time and learn it later; clocks are set wrong by hand or by a
broken time server. So a running monitor counts on from the time it believed, by a counter that
nobody can set, and follows the wall where it drifts. A wall that leaps is followed only where
there is reason to believe it: the system's time service vouches for it, or the machine has
started so lately that it is only now learning it. Else a restart takes the wall as it is.

Before the time is known at all, `now_ms` counts from the machine's start: such times lie in
January 1970, and adding `Clock.learnt_ms` makes them right once it is.
"""

from __future__ import annotations

import ctypes
import time
from collections.abc import Callable
from pathlib import Path

from monitor.site.time import HOUR_MS, MINUTE_MS

# A wall before this has not been set: no program of ours is older (2026-01-01).
NOT_BEFORE_MS = 1_767_225_600_000
# The wall may lie behind the newest reading by so much: sensors' own clocks are not exact.
BEHIND_ROWS_MS = 2 * HOUR_MS
LEAP_MS = MINUTE_MS
# So long after the machine's start its time is still being learnt, and leaps are followed.
LEARNING_MS = 30 * MINUTE_MS
# systemd-timesyncd.service(8): made once the clock was set from the network.
TIME_SERVICE_MARKS = Path("/run/systemd/timesync/synchronized")


def now_ms() -> int:
    """Now, as the wall says [UTC epoch ms]."""
    return time.time_ns() // 1_000_000


def monotonic_s() -> float:
    """Seconds that only grow, whatever is done to the clock."""
    return time.monotonic()


class _Timex(ctypes.Structure):
    """struct timex of adjtimex(2); modes 0: only asked. The rest is not looked at."""

    _fields_ = (("modes", ctypes.c_uint), ("rest", ctypes.c_byte * 508))


def kept_right(marks: Path = TIME_SERVICE_MARKS) -> bool | None:
    """Whether a time service keeps this machine's clock right; None: nobody says.

    The kernel knows best, but a service that is shut in may not ask it; then the mark counts that
    the time service leaves once it has set the clock since the machine's start.
    """
    kernel = _kernel_says()
    if kernel is None and marks.exists():
        return True
    return kernel


def _kernel_says() -> bool | None:
    """Whether the kernel counts the clock as kept right, by adjtimex(2); None: we may not ask."""
    try:
        state = ctypes.CDLL(None).adjtimex(ctypes.byref(_Timex()))
    except (AttributeError, OSError):
        return None
    return None if state < 0 else bool(state != _TIME_ERROR)


_TIME_ERROR = 5  # what adjtimex(2) answers while the clock is not synchronised


def since_start_ms() -> int:
    """Since the machine's start, sleep included [ms]: nobody can set it."""
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000


class Clock:
    """The time a running monitor goes by.

    Once the store is open, tell it of the newest row by `expect`.
    """

    def __init__(
        self,
        wall: Callable[[], int] = now_ms,
        counter: Callable[[], int] = since_start_ms,
        kept_right: Callable[[], bool | None] = kept_right,
    ) -> None:
        self._not_before_ms = NOT_BEFORE_MS
        self._wall = wall
        self._counter = counter
        self._kept_right = kept_right
        self._offset_ms: int | None = None
        self.leap_ms = 0  # how far the wall lies from the time we go by, if it is not believed
        self.set_count = 0  # how often the wall was set since we look
        self._seen_offset_ms = wall() - counter()
        self.look()

    def expect(self, newest_ms: int) -> None:
        """The store's newest row is of this time: a wall far before it is not believed."""
        self._not_before_ms = max(NOT_BEFORE_MS, newest_ms - BEHIND_ROWS_MS)
        self._offset_ms = None
        self.look()

    @property
    def known(self) -> bool:
        """Whether the time is known."""
        return self._offset_ms is not None

    @property
    def learnt_ms(self) -> int:
        """What to add to a time that was taken before the time was known [ms]."""
        return self._offset_ms or 0

    def now_ms(self) -> int:
        """Now [UTC epoch ms]; while the time is not known, since the machine's start [ms]."""
        return self._counter() + (self._offset_ms or 0)

    def look(self) -> None:
        """Compare with the wall; call it every few seconds at least."""
        wall_ms, counter_ms = self._wall(), self._counter()
        offset_ms = wall_ms - counter_ms
        if abs(offset_ms - self._seen_offset_ms) > LEAP_MS:
            self.set_count += 1
        self._seen_offset_ms = offset_ms
        if self._offset_ms is None:
            if wall_ms >= self._not_before_ms:
                self._offset_ms = offset_ms
            return
        leap_ms = offset_ms - self._offset_ms
        believed = abs(leap_ms) <= LEAP_MS or (
            wall_ms >= NOT_BEFORE_MS and (counter_ms < LEARNING_MS or bool(self._kept_right()))
        )
        self.leap_ms = 0 if believed else leap_ms
        if believed:
            self._offset_ms = offset_ms
