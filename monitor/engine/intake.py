"""What comes in: messages read, dated, and taken up once each.

Live, a reading counts by its own time or by its arrival; in a replay the clock is the readings
themselves. Readings that came before the time was known wait to be dated.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable

from monitor.air import quality
from monitor.air.memory import Lateness, Recent
from monitor.air.sensor import SensorState
from monitor.engine.effects import Archive, Effects, SensorNow, Unread
from monitor.entries.entries import holding
from monitor.entries.logbook import Logbook
from monitor.intake.arrival import CENTURY_MS, NO_TIME, ReadingsClock, time_live
from monitor.intake.payloads import Decoder, Message
from monitor.intake.published import ForecastHour, ForecastReader
from monitor.site.quantities import DOUBTFUL, Flag, Quantity, Reading
from monitor.site.spaces import Site
from monitor.site.time import DAY_MS

UNDATED_KEPT = 10_000
UNREAD_TOPIC, UNREAD_BYTES = 500, 4096  # kept of what could not be read


class Intake:
    """Takes messages in for one site; what is new goes into `recent` and the effects.

    first_ms   time of the oldest usable reading [UTC epoch ms]
    until_ms   the clock is the readings themselves, up to this time; None: live
    """

    def __init__(
        self,
        site: Site,
        logbook: Logbook,
        recent: Recent,
        archive: Archive,
        until_ms: int | None,
    ) -> None:
        self._site = site
        self._logbook = logbook
        self._recent = recent
        self._until_ms = until_ms
        self._decoder = Decoder(site.sensors, site.timezone)
        self._forecasts = ForecastReader(site.forecasts, site.timezone) if site.forecasts else None
        self.said: list[ForecastHour] = []  # by forecasts, not taken up yet
        self._clock = ReadingsClock(archive.newest_ms(), archive.waiting(), len(site.sensors))
        self.first_ms = archive.first_ms()
        self.lateness = Lateness()
        self.heard_ms = 0  # arrival of the last message
        self._latest: dict[str, dict[Quantity, tuple[int, float]]] = {}  # not folded yet
        self._unread: dict[str, tuple[int, str]] = {}  # how often, and why the last time
        # Taken while the time was not known; their times count from the machine's start.
        self._undated: deque[Reading] = deque(maxlen=UNDATED_KEPT)

    def now_ms(self, wall_ms: int) -> int:
        """Now: the wall's time, or in a replay the readings' own, up to where it ends."""
        if self._until_ms is None:
            return wall_ms
        return min(self._clock.now_ms or 0, self._until_ms)

    def take(
        self, messages: Iterable[Message], time_known: bool, effects: Effects
    ) -> list[Reading]:
        """Decode and accept messages; the readings that are new, in the order they came.

        Before the time is known, readings without their own time wait for `date_waiting`.
        """
        new: list[Reading] = []
        for message in messages:
            self.heard_ms = message.arrived_ms
            if self._forecasts is not None and self._forecasts.reads(message.topic):
                self._foretold(self._forecasts, message, effects)
                continue
            decoded = self._decoder.decode(message)
            for sensor, quantity, value, own_ms in decoded.readings:
                if own_ms is None and message.retained:
                    continue  # of unknown age: never dated now
                value, flags = quality.admit(quantity, value)
                reading = Reading(own_ms or 0, sensor, quantity, value, flags)
                if time_known:
                    self._date(reading, own_ms, message, effects, new)
                elif own_ms is None or own_ms < CENTURY_MS:
                    self._undated.append(reading._replace(time_ms=message.arrived_ms))
                else:
                    self._accept(reading, own_ms, effects, new)
            for failed, why in decoded.failures:
                self._not_read(message, failed, str(why), effects)
        return new

    def date_waiting(self, learnt_ms: int, effects: Effects) -> list[Reading]:
        """The time is known: date what waited, by adding this to the time it was taken at."""
        new: list[Reading] = []
        for reading in self._undated:
            time_ms = reading.time_ms + learnt_ms
            self._accept(reading._replace(time_ms=time_ms), time_ms, effects, new)
        self._undated.clear()
        return new

    def sensor_now(self, name: str, state: SensorState) -> SensorNow:
        """A sensor as last heard, before its minute is over."""
        values, last_ms = dict(state.held), state.last_ms
        for quantity, told in self._latest.get(name, {}).items():
            if quantity not in values or values[quantity][0] < told[0]:
                values[quantity] = told
            last_ms = told[0] if last_ms is None else max(last_ms, told[0])
        return SensorNow(last_ms, values, *self._unread.get(name, (0, None)))

    def _date(
        self,
        reading: Reading,
        own_ms: int | None,
        message: Message,
        effects: Effects,
        new: list[Reading],
    ) -> None:
        if self._until_ms is None:
            time_ms, flag = time_live(own_ms, message.arrived_ms)
            reading = reading._replace(time_ms=time_ms, flags=reading.flags | flag)
            self.lateness.note(time_ms, message.arrived_ms)
            self._accept(reading, message.arrived_ms, effects, new)
            return
        if own_ms is None:
            self._not_read(message, reading.sensor, NO_TIME, effects)
            return
        offered = self._clock.offer(reading)
        if offered.waits:
            effects.waiting.append(reading)
        if offered.refused:
            self._not_read(message, reading.sensor, offered.refused, effects)
        for accepted in offered.accepted:
            if accepted is not reading:
                effects.released.append(accepted)
            self._accept(accepted, self._clock.now_ms or 0, effects, new)

    def _accept(self, reading: Reading, now_ms: int, effects: Effects, new: list[Reading]) -> None:
        if now_ms - reading.time_ms > self._site.raw_days * DAY_MS:
            effects.readings.append(reading._replace(flags=reading.flags | Flag.TOO_OLD))
            return
        if not self._recent.add(reading):
            return
        effects.readings.append(reading)
        new.append(reading)
        self._note_latest(reading)
        if self.first_ms is None or reading.time_ms < self.first_ms:
            self.first_ms = reading.time_ms

    def _note_latest(self, reading: Reading) -> None:
        """Remember what a sensor says before its minute is over, for who looks right now."""
        latest = self._latest.setdefault(reading.sensor, {})
        before = latest.get(reading.quantity)
        usable = reading.flags == Flag.NONE or not reading.flags & DOUBTFUL
        if usable and (before is None or before[0] < reading.time_ms):
            slope, offset = holding(
                self._logbook.calibrations, reading.sensor, reading.quantity, reading.time_ms
            )
            latest[reading.quantity] = (reading.time_ms, slope * reading.value + offset)

    def _foretold(self, reader: ForecastReader, message: Message, effects: Effects) -> None:
        now_ms = self.now_ms(message.arrived_ms)
        said, failures = reader.read(message._replace(arrived_ms=now_ms))
        self.said += said
        effects.unread += [_unread(message, name, str(why)) for name, why in failures]

    def _not_read(
        self, message: Message, sensor: str | None, reason: str, effects: Effects
    ) -> None:
        effects.unread.append(_unread(message, sensor, reason))
        if sensor is not None:
            self._unread[sensor] = (self._unread.get(sensor, (0, ""))[0] + 1, reason)


def _unread(message: Message, name: str | None, reason: str) -> Unread:
    """What is kept of a message that could not be read: not more of it than helps."""
    return Unread(
        message.arrived_ms,
        message.topic[:UNREAD_TOPIC],
        name,
        message.payload[:UNREAD_BYTES],
        reason,
    )
