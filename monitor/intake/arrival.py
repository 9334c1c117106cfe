"""How messages come: the topics they come under, and when what they tell was measured.

Live, a time from before this century or over an hour ahead cannot be true: the time of arrival
stands in, with a flag. Where the clock is the readings' own, nothing stands in: now is the highest
time accepted, and a leap of over two days waits until a second sensor confirms it.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import NamedTuple
from zoneinfo import ZoneInfo

from monitor.intake.documents import MISSING, follow, tokens
from monitor.intake.numbers import written
from monitor.intake.unreadable import UnreadableError, names, said
from monitor.site.quantities import Flag, Reading
from monitor.site.spaces import TimeAt
from monitor.site.time import HOUR_MS, epoch_ms_of

LATEST_MS = 253_402_300_799_999  # the end of the year 9999
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


# -- the time in a payload --------------------------------------------------------------------


# How often each unit ticks in a millisecond, and its name.
TICKS = {"s": (0.001, "seconds"), "ms": (1.0, "milliseconds"), "µs": (1000.0, "microseconds")}
ISO = "iso"


class TimeIn:
    """Where a JSON payload says when it was measured. zone: of a time without its offset."""

    def __init__(self, at: TimeAt, zone: ZoneInfo) -> None:
        self._steps, self._unit, self._zone = tokens(at.pointer), at.unit, zone
        self._where = f"the time at {at.pointer}"

    def read(self, document: object, arrived_ms: int) -> int:
        """The time [UTC epoch ms]; UnreadableError says why there is none."""
        found = follow(document, self._steps)
        if found is MISSING:
            where = self._where.removeprefix("the time ")
            raise UnreadableError(
                f"there is no time {where}, {names(document)}; mend the settings or the sensor"
            )
        if self._unit == ISO:
            return self._ms_of_iso(found, arrived_ms)
        ticks, name = TICKS[self._unit]
        number = written(found) if isinstance(found, str) else None
        if number is not None and not number.unit:
            found = number.value
        if type(found) is not int and type(found) is not float:
            hint = ', or write unit = "iso"' if isinstance(found, str) and "-" in found else ""
            raise UnreadableError(
                f"{self._where} is {said(found)}, not a number; send epoch {name}{hint}"
            )
        if not 0 <= found <= LATEST_MS * ticks:
            hint = ', or write unit = "ms"' if self._unit == "s" and found > 0 else ""
            raise UnreadableError(
                f"{self._where} is not a number of {name} since 1970; send epoch {name}{hint}"
            )
        return round(found / ticks)

    def _ms_of_iso(self, found: object, arrived_ms: int) -> int:
        time_ms = iso_ms(found, self._zone, arrived_ms) if isinstance(found, str) else None
        if time_ms is None:
            raise UnreadableError(
                f"{self._where} is {said(found)}, not ISO 8601; send such as 2026-07-14T09:30:00Z"
            )
        if time_ms < 0:
            raise UnreadableError(
                f"{self._where} is {said(found)}, before 1970; set the sensor's clock"
            )
        return time_ms


def iso_ms(text: str, zone: ZoneInfo, arrived_ms: int) -> int | None:
    """UTC epoch ms of an ISO 8601 date and time; None: it is none.

    Without an offset it is the zone's. Of an hour that comes twice when clocks go back, the one
    that is not after the message came.
    """
    if "T" not in text and ":" not in text:
        return None  # a date alone, or a number
    try:
        time = datetime.fromisoformat(text.strip())
        if time.tzinfo is not None:
            return epoch_ms_of(time)
        first, second = (epoch_ms_of(time.replace(tzinfo=zone, fold=fold)) for fold in (0, 1))
    except (ValueError, OverflowError):
        return None
    return second if first < second <= arrived_ms + AHEAD_MS // 2 else first


def ms_of_s(seconds: float, where: str) -> int:
    """Epoch seconds as milliseconds; UnreadableError where they cannot be a time."""
    if not 0 <= seconds <= LATEST_MS / 1000:
        raise UnreadableError(f"{where} is not a number of seconds since 1970; send epoch seconds")
    return round(seconds * 1000)


# -- topics: OASIS MQTT version 5.0, section 4.7 (the same rules as in 3.1.1) -----------------

_MOST_BYTES = 65_535  # section 1.5.4: the length of a UTF-8 string is two bytes


def filter_problem(topic_filter: str) -> str | None:
    """What is wrong with a topic filter, in a few words; None: nothing."""
    if not topic_filter:
        return "is empty"
    if len(topic_filter.encode("utf-8", "replace")) > _MOST_BYTES:
        return f"is longer than {_MOST_BYTES} bytes"
    if not topic_filter.isprintable():
        return "holds a character that cannot be printed"
    levels = topic_filter.split("/")
    if levels[0] == "$share":
        return "is a shared subscription, of which each reader gets only a part"
    for place, level in enumerate(levels):
        if "#" in level and (level != "#" or place != len(levels) - 1):
            return 'has a "#" that does not stand alone at the end'
        if "+" in level and level != "+":
            return 'has a "+" that does not stand alone between slashes'
    return None


def matches(topic_filter: str, topic: str) -> bool:
    """Whether a topic falls under a filter.

    >>> matches("barn/#", "barn"), matches("barn/+", "barn/loft/rail"), matches("#", "$SYS/a")
    (True, False, False)
    """
    if topic.startswith("$") and topic_filter[:1] in ("+", "#"):
        return False
    wanted, levels = topic_filter.split("/"), topic.split("/")
    for place, level in enumerate(wanted):
        if level == "#":
            return True
        if place == len(levels) or level not in ("+", levels[place]):
            return False
    return len(wanted) == len(levels)


def overlap(one: str, other: str) -> bool:
    """Whether some topic falls under both filters.

    >>> overlap("barn/+/rail", "barn/loft/#"), overlap("barn/+", "barn/loft/rail")
    (True, False)
    """
    for mine, its in ((one, other), (other, one)):
        if mine.startswith("$") and its[:1] in ("+", "#"):
            return False
    mine_levels, its_levels = one.split("/"), other.split("/")
    for here, there in zip(mine_levels, its_levels, strict=False):
        if "#" in (here, there):
            return True
        if here != there and "+" not in (here, there):
            return False
    shorter, longer = sorted((mine_levels, its_levels), key=len)
    return len(shorter) == len(longer) or longer[len(shorter)] == "#"
