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

    kind    a kind of spell ("very damp": over 85 %), or "late log", "spike", "saturated",
            "knock", "airing"
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


# These steer the making; the rest of HAPPENINGS came of it and is held to it by the tests.
SILENT = Happening("silent", "wash house", "wash-house-shelf", _at("07T20:10"), _at("08T05:20"))
STUCK = Happening("stuck", "loft", "loft-gable", _at("11T16:00"), _at("12T06:00"))
LATE_LOG = Happening("late log", "box room", "box-room-shelf", _at("08T09:00"), _at("08T14:00"))
LATE_LOG_SENT = _at("08T19:30")
SPIKE = Happening("spike", "wash house", "wash-house-rail", _at("07T10:17"), _at("07T10:18"))
KNOCK = Happening("knock", "loft", "loft-scale", _at("08T08:40"), _at("08T09:30"))
WINDOW_AJAR = Happening("airing", "wash house", None, _at("10T05:00"), _at("10T19:00"))
DOOR_OPEN = Happening("airing", "wash house", None, _at("11T12:10"), _at("11T16:30"))
SHUTTER_OPEN = Happening("sunny", "box room", "box-room-shelf", _at("08T10:20"), _at("08T12:20"))

SATURATED = Happening("saturated", "outdoors", "outdoors-north", _at("11T01:16"), _at("11T06:15"))

HAPPENINGS: tuple[Happening, ...] = (
    SILENT,
    STUCK,
    LATE_LOG,
    SPIKE,
    KNOCK,
    WINDOW_AJAR,
    DOOR_OPEN,
    SHUTTER_OPEN,
    SATURATED,
    # Over 32 °C in the air. On the 5th only the rail's sensor passes it, in the patch of sun.
    Happening("hot", "loft", None, _at("06T12:49"), _at("06T17:47"), slack=5),
    Happening("hot", "loft", None, _at("07T11:50"), _at("07T18:51"), slack=5),
    Happening("hot", "loft", None, _at("08T11:10"), _at("08T19:42"), slack=5),
    Happening("hot", "loft", None, _at("09T10:35"), _at("09T17:32"), slack=5),
    # Over 28 °C, and known only when the late log comes.
    Happening("hot", "box room", None, _at("08T11:59"), _at("08T13:38"), slack=3),
    # Over 75 %, and within it over 85 %: wet flowers were brought in before the storm.
    Happening("damp", "wash house", None, _at("09T15:14"), _at("11T12:14"), slack=5),
    Happening("very damp", "wash house", None, _at("09T15:36"), _at("10T05:14"), slack=5),
    # The wall less than 1 K above the dew point of the air.
    Happening("dewy", "wash house", None, _at("09T15:26"), _at("09T20:41"), slack=25),
    # Over 3000 lx on the rail, a minute or two later every other day.
    Happening("sunny", "loft", "loft-rail", _at("05T15:30"), _at("05T16:59"), slack=2),
    Happening("sunny", "loft", "loft-rail", _at("06T15:31"), _at("06T16:59"), slack=2),
    Happening("sunny", "loft", "loft-rail", _at("07T15:31"), _at("07T17:00"), slack=2),
    Happening("sunny", "loft", "loft-rail", _at("08T15:32"), _at("08T17:00"), slack=2),
)
