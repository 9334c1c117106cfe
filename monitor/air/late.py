"""How long late readings are waited for, and how often the fold goes back for them.

A log that comes in is waited for, so that it is folded once; but nobody else waits for it longer
than some minutes. To go far back for readings costs a fold of everything since. So before that is
done again all must have been settled, and there must have been a rest: a sensor whose clock is
months behind, or one that is malicious, keeps nobody from their notices.
"""

from __future__ import annotations

from monitor.site.time import MINUTE_MS

# Readings so late come from a log or from the broker's queue. While such go on coming, nothing is
# said of the minutes after them; but nobody waits longer than that [ms].
LATE_MS = 5 * MINUTE_MS
QUIET_MS = 2_000
AT_MOST_MS = 5 * MINUTE_MS
# Going back so far costs next to nothing [min].
NEAR_MIN = 30
# The rest after each minute that was folded again: several times what folding it takes [ms].
REST_MS = 5


class Lateness:
    """The late readings of a live site; in a replay there are none."""

    def __init__(self) -> None:
        self._log: tuple[int, int, int] | None = None  # arrival of its first and last, its minute
        self._to_settle = False
        self._rest_until_ms = 0

    def note(self, time_ms: int, arrived_ms: int) -> None:
        """A reading of this time came at that one."""
        if arrived_ms - time_ms <= LATE_MS or self.resting(arrived_ms):
            return
        first_ms = arrived_ms
        if self._log is not None:
            first_ms, last_ms, _ = self._log
            # Another log before the last one is settled, or one without an end.
            if not 0 <= arrived_ms - last_ms < QUIET_MS or arrived_ms - first_ms >= AT_MOST_MS:
                self._log, self._to_settle = None, True
                return
        self._log = first_ms, arrived_ms, time_ms // MINUTE_MS

    def under_way(self, now_ms: int) -> bool:
        """Whether a log is coming in, so that what looks silent may yet be told."""
        if self._log is None:
            return False
        first_ms, last_ms, _ = self._log
        # A clock that was put back does not hold it up.
        return 0 <= now_ms - last_ms < QUIET_MS and now_ms - first_ms < AT_MOST_MS

    def reach(self, now_ms: int) -> int:
        """The minute up to which is folded: now, or how far a log that comes in has told."""
        if self._log is not None and self.under_way(now_ms):
            return min(self._log[2], now_ms // MINUTE_MS)
        return now_ms // MINUTE_MS

    def resting(self, now_ms: int) -> bool:
        """Whether nothing far back is gone back for now."""
        return self._to_settle or now_ms < self._rest_until_ms

    def settled(self, now_ms: int, folded_min: int) -> None:
        """All is settled up to now, after so many minutes were folded again for late readings."""
        self._log, self._to_settle = None, False
        if folded_min:
            self._rest_until_ms = now_ms + folded_min * REST_MS
