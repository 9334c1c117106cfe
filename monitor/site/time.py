"""The one time: epoch minutes inside, UTC epoch milliseconds in readings and at the edges.

`zone` is a name such as "Europe/London", or the zone itself.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import TypeAlias
from zoneinfo import ZoneInfo

# A minute: how many began since 1970-01-01T00:00Z before it.
Minute: TypeAlias = int

MINUTE_MS = 60_000
HOUR_MS = 60 * MINUTE_MS
DAY_MS = 24 * HOUR_MS
DAY_MIN = 1440
DAY_S = 86_400

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def utc(epoch_ms: int) -> datetime:
    """A moment in UTC. raises OverflowError, OSError or ValueError where the calendar ends."""
    return datetime.fromtimestamp(epoch_ms / 1000, UTC)


def local(epoch_ms: int, zone: str | ZoneInfo) -> datetime:
    """A moment by the clock on the wall."""
    return utc(epoch_ms).astimezone(ZoneInfo(zone) if isinstance(zone, str) else zone)


def local_day(epoch_ms: int, zone: str | ZoneInfo) -> date:
    """The date of a moment by the calendar on the wall."""
    return local(epoch_ms, zone).date()


def minute_of_day(epoch_ms: int, zone: str | ZoneInfo) -> int:
    """Minutes since midnight by the clock on the wall, 0 to 1439."""
    there = local(epoch_ms, zone)
    return there.hour * 60 + there.minute


def epoch_ms_of(moment: datetime) -> int:
    """UTC epoch ms of a moment that knows its zone; parts of a millisecond are left out."""
    return (moment - _EPOCH) // timedelta(milliseconds=1)


def midnight(day: date, zone: str | ZoneInfo) -> Minute:
    """The first minute of a local day."""
    there = ZoneInfo(zone) if isinstance(zone, str) else zone
    return epoch_ms_of(datetime(day.year, day.month, day.day, tzinfo=there)) // MINUTE_MS
