"""What somebody publishes of the weather to come: messages in, hours of air outdoors out.

A forecast is read as a sensor's messages are, in the same forms. Its time is the one it holds for;
where a message carries none, it holds so many hours after it came.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import NamedTuple

from monitor.intake.arrival import matches
from monitor.intake.documents import MISSING, follow, tokens
from monitor.intake.payloads import Decoder, Failure, Message, parsed
from monitor.intake.unreadable import UnreadableError, names
from monitor.site.quantities import Quantity
from monitor.site.spaces import ForecastFrom
from monitor.site.time import DAY_MIN, MINUTE_MS

MOST_HOURS = 400
FURTHEST_MIN = 16 * DAY_MIN


class ForecastHour(NamedTuple):
    """What was said of the air outdoors. valid: UTC epoch minute it holds for; None: not said."""

    valid: int
    temperature_c: float | None = None
    humidity_pct: float | None = None
    cloud_pct: float | None = None


class ForecastReader:
    """Reads the forecasts of the settings."""

    def __init__(self, sources: Iterable[ForecastFrom], timezone: str = "UTC") -> None:
        self._sources = [
            (source, Decoder({source.name: source.reads_as}, timezone)) for source in sources
        ]
        self._filters = [one for _, decoder in self._sources for one in decoder.filters()]

    def filters(self) -> list[tuple[str, bool]]:
        """The topic filters to subscribe to, each with whether its messages carry their time."""
        return self._filters

    def reads(self, topic: str) -> bool:
        """Whether a forecast comes under this topic."""
        return any(matches(one, topic) for one, _ in self._filters)

    def read(self, message: Message) -> tuple[list[ForecastHour], list[Failure]]:
        """What a message says of hours to come, and what of it cannot be read."""
        said: list[ForecastHour] = []
        failures: list[Failure] = []
        for source, decoder in self._sources:
            if any(matches(one, message.topic) for one, _ in decoder.filters()):
                try:
                    said += _hours(source, decoder, message, failures)
                except UnreadableError as problem:
                    failures.append((source.name, problem.told(message.topic)))
        return said, failures


def _hours(
    source: ForecastFrom, decoder: Decoder, message: Message, failures: list[Failure]
) -> list[ForecastHour]:
    found: dict[int, dict[Quantity, float]] = {}
    for part in _parts(source, message):
        decoded = decoder.decode(part)
        failures += decoded.failures
        for _, quantity, value, time_ms in decoded.readings:
            low, high = quantity.row.foretold or quantity.row.range
            if not low <= value <= high:  # beyond what air outdoors may be, a unit is wrong
                raise UnreadableError(
                    f"a {quantity} of {value:g} is not of this world's air; mend its unit in the "
                    "settings"
                )
            if time_ms is None:
                time_ms = message.arrived_ms + round(60 * source.ahead_h) * MINUTE_MS
            found.setdefault(time_ms // MINUTE_MS, {})[quantity] = value
    now = message.arrived_ms // MINUTE_MS
    to_come = {valid: air for valid, air in found.items() if now < valid <= now + FURTHEST_MIN}
    if found and not to_come:
        raise UnreadableError(
            "all it says is of hours that are over, or of more than two weeks ahead; let it be "
            "sent while its hours are to come, and mend the unit of its time if they are"
        )
    return [
        ForecastHour(
            valid,
            air.get(Quantity.TEMPERATURE),
            air.get(Quantity.HUMIDITY),
            air.get(Quantity.CLOUD),
        )
        for valid, air in sorted(to_come.items())
    ]


def _parts(source: ForecastFrom, message: Message) -> list[Message]:
    """The message itself, or one for each entry of the list in it."""
    if source.list_at is None:
        return [message]
    document = parsed(message)
    entries = follow(document, tokens(source.list_at))
    where = f"at {source.list_at}" if source.list_at else "in the payload"
    if entries is MISSING:
        raise UnreadableError(
            f"there is no list {where}, {names(document)}; mend list in the settings"
        )
    if not isinstance(entries, list) or not entries:
        raise UnreadableError(f"there is no list of hours {where}; mend list in the settings")
    if len(entries) > MOST_HOURS:
        raise UnreadableError(
            f"the list {where} has {len(entries)} entries, more than the {MOST_HOURS} that are "
            "read; let it hold the coming days only"
        )
    return [message._replace(payload=json.dumps(entry).encode()) for entry in entries]
