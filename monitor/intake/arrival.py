"""When a reading was taken: its own time, if that can be true.

Live, a time from before this century or over an hour ahead cannot be true: the time of arrival
stands in, with a flag. Where the clock is the readings' own, nothing stands in: now is the highest
time accepted, and a leap of over two days waits until a second sensor confirms it.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from monitor.site.quantities import Flag, Reading
from monitor.site.time import HOUR_MS

CENTURY_MS = 946_684_800_000  # 2000-01-01T00:00Z
AHEAD_MS = HOUR_MS
LEAP_MS = 48 * HOUR_MS


def time_live(own_ms: int | None, arrived_ms: int) -> tuple[int, Flag]:
    """The time to keep for a reading that arrived now, and its flag."""
    if own_ms is None:
        return arrived_ms, Flag.NONE
    if own_ms < CENTURY_MS or own_ms > arrived_ms + AHEAD_MS:
        return arrived_ms, Flag.TIME_OF_ARRIVAL
    return own_ms, Flag.NONE


class Offered(NamedTuple):
    """What became of a reading.

    accepted  readings that count from now on: the one offered and those it confirmed
    waits     the one offered waits for a second sensor
    refused   why it cannot be dated, a plain sentence; "" if it can
    """

    accepted: list[Reading]
    waits: bool = False
    refused: str = ""


class ReadingsClock:
    """The clock of a replay: the readings themselves."""

    def __init__(self, now_ms: int | None, waiting: Iterable[Reading], sensors: int) -> None:
        self.now_ms = now_ms
        self._waiting = list(waiting)
        self._sensors = sensors

    def offer(self, reading: Reading) -> Offered:
        """Date one reading."""
        if reading.time_ms < CENTURY_MS:
            return Offered([], refused=TOO_EARLY)
        if self.now_ms is None or reading.time_ms <= self.now_ms + LEAP_MS:
            self._advance(reading.time_ms)
            return Offered([reading])
        if not any(self._confirms(reading, other) for other in self._waiting):
            self._waiting.append(reading)
            return Offered([], waits=True)
        confirmed = [w for w in self._waiting if w.time_ms <= reading.time_ms + LEAP_MS]
        self._waiting = [w for w in self._waiting if w.time_ms > reading.time_ms + LEAP_MS]
        accepted = [*confirmed, reading]
        self._advance(max(r.time_ms for r in accepted))
        return Offered(accepted)

    def _confirms(self, reading: Reading, other: Reading) -> bool:
        """A second sensor tells of about the same time; a lone sensor confirms itself."""
        if abs(other.time_ms - reading.time_ms) > LEAP_MS:
            return False
        if self._sensors == 1:
            return other.time_ms != reading.time_ms
        return other.sensor != reading.sensor

    def _advance(self, time_ms: int) -> None:
        self.now_ms = time_ms if self.now_ms is None else max(self.now_ms, time_ms)


TOO_EARLY = (
    "its time is before the year 2000, so the sensor's clock was not set; let the sensor fetch the "
    "time before it sends"
)
NO_TIME = (
    "it carries no time of its own, and here the clock is the readings' own; say in the sensor's "
    "settings where its time is found, or let the sensor send one"
)
