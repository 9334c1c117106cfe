"""Where and when the sample readings are set, and what happens in their nine days."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import NamedTuple
from zoneinfo import ZoneInfo

START = datetime(2026, 7, 4, tzinfo=UTC)
START_S = int(START.timestamp())
DAYS = 9
SEED = 20260704
ZONE = ZoneInfo("Europe/London")
LATITUDE, LONGITUDE, ELEVATION_M = 54.9, -2.1, 180.0


def minute_of(moment: datetime) -> int:
    """Minutes since the start."""
    return (int(moment.timestamp()) - START_S) // 60


class Happening(NamedTuple):
    """Something in the nine days that the monitor should notice.

    kind    a kind of spell, or "late log", "spike", "saturated", "knock", "airing"
    begins  first minute past the limit; of a fault: the time of the first reading it touches
    ends    first minute back on the right side of the limit (no deadband); of a fault: the time
            of the first reading it no longer touches
    slack   how many minutes a fair judge may differ, for the sensors of a space differ
    """

    kind: str
    space: str
    sensor: str | None
    begins: datetime
    ends: datetime
    slack: int = 0


def _at(text: str) -> datetime:
    return datetime.fromisoformat(f"2026-07-{text}:00+00:00")


# The first lines steer the making; the rest came of it and are checked by the tests.
SILENT = Happening("silent", "wash house", "wash-house-shelf", _at("07T20:10"), _at("08T05:20"))
STUCK = Happening("stuck", "loft", "loft-gable", _at("11T16:00"), _at("12T06:00"))
LATE_LOG = Happening("late log", "box room", "box-room-shelf", _at("08T09:00"), _at("08T14:00"))
LATE_LOG_SENT = _at("08T19:30")
SPIKE = Happening("spike", "wash house", "wash-house-rail", _at("07T10:17"), _at("07T10:18"))
KNOCK = Happening("knock", "loft", "loft-scale", _at("08T08:40"), _at("08T09:30"))
AIRING = Happening("airing", "wash house", None, _at("11T12:10"), _at("11T16:30"))
SHUTTER_OPEN = Happening("sunny", "box room", "box-room-shelf", _at("08T10:20"), _at("08T12:20"))

HAPPENINGS: tuple[Happening, ...] = (
    SILENT,
    STUCK,
    LATE_LOG,
    SPIKE,
    KNOCK,
    AIRING,
)
