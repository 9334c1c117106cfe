"""Topic and bytes in, readings out: or a PayloadError that says what is wrong.

A quantity that is not in a message is no failure as long as something else of the message is
read: many devices tell some things now and then. One that is null is: a probe that is out of order
looks just like that.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import NamedTuple, Protocol
from zoneinfo import ZoneInfo

from monitor.intake.arrival import TimeIn, matches, ms_of_s
from monitor.intake.documents import (
    MISSING,
    RELATIVE_BELOW_S,
    DoubledKeyError,
    Record,
    SenmlError,
    follow,
    parse_json,
    pointer,
    resolve,
    tokens,
)
from monitor.intake.numbers import MOST, spelt, written
from monitor.intake.unreadable import (
    PayloadError,
    UnreadableError,
    foreign,
    listed,
    no_bare_number,
    no_json,
    no_number,
    other_unit,
    other_value,
    said,
)
from monitor.site.quantities import Conversion, Quantity, conversion
from monitor.site.spaces import ReadAs, Sensor
from monitor.site.words import shown

MOST_BYTES = 65_536  # a sensor's message is a few hundred bytes
_TOPICS_REMEMBERED, _LONGEST_REMEMBERED = 10_000, 200


class Message(NamedTuple):
    """A message as the broker handed it over. arrived_ms: UTC epoch milliseconds."""

    topic: str
    payload: bytes
    arrived_ms: int
    retained: bool


Value = tuple[str, Quantity, float, int | None]  # sensor, what, value in the kept unit, time [ms]
Failure = tuple[str | None, PayloadError]  # the sensor it befell; None: no sensor reads this topic


class Decoded(NamedTuple):
    """What a message said. A time of None: the message carries none."""

    readings: list[Value]
    failures: list[Failure]


class Decoder:
    """Reads messages for these sensors; `timezone` is that of times without their offset."""

    def __init__(self, sensors: Mapping[str, Sensor], timezone: str = "UTC") -> None:
        zone = ZoneInfo(timezone)
        self._readers = [reader for sensor in sensors.values() for reader in _readers(sensor, zone)]
        self._by_topic: dict[str, list[_Reader]] = {}

    def filters(self) -> list[tuple[str, bool]]:
        """The topic filters to subscribe to, each with whether its readings carry their time."""
        timed: dict[str, bool] = {}
        for reader in self._readers:
            timed[reader.topic_filter] = timed.get(reader.topic_filter, False) or reader.timed
        return sorted(timed.items())

    def decode(self, message: Message) -> Decoded:
        """All that the sensors read in a message; it never raises."""
        decoded = Decoded([], [])
        readers = self._by_topic.get(message.topic)
        if readers is None:
            readers = self._readers_of(message.topic)
        if not readers:
            where = shown(message.topic)
            why = f"{where}: no sensor of the settings reads this topic; add one that does"
            decoded.failures.append((None, PayloadError(why + ".")))
        packet, missing = _Packet(message), list[Failure]()
        for reader in readers:
            try:
                reader.read(packet, decoded, missing)
            except UnreadableError as problem:
                decoded.failures.append((reader.sensor, problem.told(message.topic)))
        if missing and not decoded.readings:
            decoded.failures.extend(missing)
        return decoded

    def _readers_of(self, topic: str) -> list[_Reader]:
        readers = [reader for reader in self._readers if matches(reader.topic_filter, topic)]
        if len(self._by_topic) < _TOPICS_REMEMBERED and len(topic) <= _LONGEST_REMEMBERED:
            self._by_topic[topic] = readers
        return readers


class _Packet:
    """A message, with its JSON parsed at most once."""

    __slots__ = ("_document", "_problem", "message")

    def __init__(self, message: Message) -> None:
        self.message = message
        self._document: object = MISSING
        self._problem: UnreadableError | None = None

    def payload(self) -> bytes:
        payload = self.message.payload
        if len(payload) > MOST_BYTES:
            raise UnreadableError(
                f"the payload has {len(payload)} bytes, more than the {MOST_BYTES} that are read; "
                "let the sensor send less at a time"
            )
        return payload

    def document(self) -> object:
        if self._document is MISSING:
            if self._problem is not None:
                raise self._problem
            try:
                self._document = _parsed(self.payload())
            except UnreadableError as problem:
                self._problem = problem
                raise
        return self._document


class _Reader(Protocol):
    """Reads one sensor's quantities from the messages under one topic filter.

    What a message does not hold at all goes to `missing`: a failure only if nothing is read of it.
    """

    sensor: str
    topic_filter: str
    timed: bool

    def read(self, packet: _Packet, decoded: Decoded, missing: list[Failure]) -> None: ...


def _readers(sensor: Sensor, zone: ZoneInfo) -> list[_Reader]:
    """One reader for each topic filter and form of the sensor's settings."""
    whole: dict[str, list[tuple[Quantity, ReadAs]]] = {}
    pointed: dict[str, list[tuple[Quantity, ReadAs]]] = {}
    named: dict[str, list[tuple[Quantity, ReadAs]]] = {}
    for quantity, read_as in sensor.reads.items():
        topic_filter = read_as.topic or sensor.topic
        if topic_filter is None:
            raise ValueError(f"sensor {sensor.name!r} has no topic for {quantity}")
        kind = named if read_as.senml_name else whole if read_as.pointer is None else pointed
        kind.setdefault(topic_filter, []).append((quantity, read_as))
    return [
        *(_BareReader(sensor, *of_topic) for of_topic in whole.items()),
        *(
            _JsonReader(sensor, topic_filter, reads, zone)
            for topic_filter, reads in pointed.items()
        ),
        *(_SenmlReader(sensor, *of_topic) for of_topic in named.items()),
    ]


class _BareReader:
    """The whole payload is the value."""

    def __init__(
        self, sensor: Sensor, topic_filter: str, reads: list[tuple[Quantity, ReadAs]]
    ) -> None:
        self.sensor, self.topic_filter, self.timed = sensor.name, topic_filter, False
        self._reads = [(quantity, _Form.of(sensor, quantity)) for quantity, _ in reads]

    def read(self, packet: _Packet, decoded: Decoded, missing: list[Failure]) -> None:
        text = _bare_text(packet.payload())
        for quantity, form in self._reads:
            value = form.of_text(text)
            if value is None:
                raise UnreadableError(no_bare_number(text))
            decoded.readings.append((self.sensor, quantity, value, None))


class _Form(NamedTuple):
    """How a number becomes a value in the kept unit: (number + shift) * factor."""

    sensor: Sensor
    quantity: Quantity
    shift: float
    factor: float

    @classmethod
    def of(cls, sensor: Sensor, quantity: Quantity) -> _Form:
        scale = sensor.reads[quantity].scale
        shift, factor = _conversion(sensor, quantity)
        return cls(sensor, quantity, shift / scale, factor * scale)

    def of_text(self, text: str) -> float | None:
        """The value that a text holds; None: no number. A unit that stands in it holds."""
        found = written(text)
        if found is None or not -MOST <= found.value <= MOST:
            return None
        if not found.unit:
            return (found.value + self.shift) * self.factor
        unit = spelt(found.unit)
        if unit is None:
            return None
        convert = conversion(self.quantity, unit.unit, self.sensor.unit(self.quantity))
        if convert is None:
            raise UnreadableError(other_unit(text, self.sensor.unit(self.quantity)))
        return (found.value * unit.scale + convert.shift) * convert.factor


class _Field(NamedTuple):
    quantity: Quantity
    steps: tuple[str, ...]
    key: str | None  # the only step, where there is only one: the common case, read directly
    form: _Form


class _JsonReader:
    """Each quantity stands where its pointer leads."""

    def __init__(
        self,
        sensor: Sensor,
        topic_filter: str,
        reads: list[tuple[Quantity, ReadAs]],
        zone: ZoneInfo,
    ) -> None:
        self.sensor, self.topic_filter = sensor.name, topic_filter
        self.timed = sensor.time is not None
        self._time = TimeIn(sensor.time, zone) if sensor.time else None
        self._fields = []
        for quantity, read_as in reads:
            steps, form = tokens(read_as.pointer or ""), _Form.of(sensor, quantity)
            key = steps[0] if len(steps) == 1 else None
            self._fields.append(_Field(quantity, steps, key, form))

    def read(self, packet: _Packet, decoded: Decoded, missing: list[Failure]) -> None:
        document = packet.document()
        flat = document if type(document) is dict else None
        time_ms = self._time.read(document, packet.message.arrived_ms) if self._time else None
        for quantity, steps, key, form in self._fields:
            if flat is not None and key is not None:
                found = flat.get(key, MISSING)
            else:
                found = follow(document, steps)
            if (type(found) is float or type(found) is int) and -MOST <= found <= MOST:
                value = (found + form.shift) * form.factor
                decoded.readings.append((self.sensor, quantity, value, time_ms))
                continue
            try:
                of_text = form.of_text(found) if type(found) is str else None
                if of_text is None:
                    raise UnreadableError(no_number(pointer(*steps), found, document))
                decoded.readings.append((self.sensor, quantity, of_text, time_ms))
            except UnreadableError as problem:
                failure = (self.sensor, problem.told(packet.message.topic))
                (missing if found is MISSING else decoded.failures).append(failure)


class _SenmlReader:
    """Each quantity is the records of its full name; a pack may hold many of one name.

    Records of one name may tell different things by their units (RFC 8428 section 5.1.3):
    each quantity takes those that it can be told in.
    """

    def __init__(
        self, sensor: Sensor, topic_filter: str, reads: list[tuple[Quantity, ReadAs]]
    ) -> None:
        self.sensor, self.topic_filter, self.timed = sensor.name, topic_filter, sensor.timed
        self._settings = sensor
        self._wanted = [(quantity, str(read_as.senml_name)) for quantity, read_as in reads]

    def read(self, packet: _Packet, decoded: Decoded, missing: list[Failure]) -> None:
        try:
            records = resolve(packet.document())
        except SenmlError as error:
            raise UnreadableError(str(error)) from error
        for quantity, name in self._wanted:
            if all(record.name != name for record in records):
                has = listed(sorted({record.name for record in records}))
                why = f"the SenML pack has no record {shown(name)}, {has}; mend the settings"
                missing.append((self.sensor, UnreadableError(why).told(packet.message.topic)))
            for found in self._found(quantity, name, records, packet.message):
                if isinstance(found, UnreadableError):
                    decoded.failures.append((self.sensor, found.told(packet.message.topic)))
                else:
                    decoded.readings.append((self.sensor, quantity, *found))

    def _found(
        self, quantity: Quantity, name: str, records: list[Record], message: Message
    ) -> Iterator[tuple[float, int | None] | UnreadableError]:
        of_name = [record for record in records if record.name == name]
        told = 0
        for record in of_name:
            convert = self._conversion(quantity, record)
            if convert is not None:
                told += 1
                try:
                    yield _senml_value(record, convert), self._time_ms(record, message)
                except UnreadableError as problem:
                    yield problem
        if of_name and not told:
            yield UnreadableError(
                f"SenML record {shown(name)} is in {shown(of_name[0].unit or '')}, which cannot "
                f"become {self._settings.unit(quantity)} for the {quantity}; let the sensor send "
                "another unit or mend the settings"
            )

    def _conversion(self, quantity: Quantity, record: Record) -> Conversion | None:
        if record.unit is None:
            return _conversion(self._settings, quantity)
        unit = quantity.row.senml.get(record.unit, "")
        return conversion(quantity, unit, self._settings.unit(quantity))

    def _time_ms(self, record: Record, message: Message) -> int | None:
        where = f"SenML record {shown(record.name)}"
        if not -RELATIVE_BELOW_S < record.time_s < RELATIVE_BELOW_S:
            return ms_of_s(record.time_s, f"the time of {where}")
        if not self._settings.on_arrival:
            raise UnreadableError(
                f"{where} does not say when it was measured; let the sensor send bt or t as epoch "
                'seconds, or write time = "arrival" in its settings'
            )
        if record.time_s == 0:
            return None
        if message.retained:
            raise UnreadableError(
                f"{where} is kept by the broker with a relative time, so that nobody knows when "
                "it was measured; let the sensor send without the retain flag"
            )
        return message.arrived_ms + round(record.time_s * 1000)


def _senml_value(record: Record, convert: Conversion) -> float:
    where = f"SenML record {shown(record.name)}"
    sent = record.fields.get("v", MISSING)
    if sent is MISSING:
        raise UnreadableError(
            f"{where} has {other_value(record.fields)}, not a value; let the sensor send v"
        )
    if (type(sent) is not float and type(sent) is not int) or not -MOST <= sent <= MOST:
        raise UnreadableError(no_number(where, sent, None))
    value = float(sent) + record.base_value
    if not -MOST <= value <= MOST:
        raise UnreadableError(no_number(where, value, None))
    return (value + convert.shift) * convert.factor


def _conversion(sensor: Sensor, quantity: Quantity) -> Conversion:
    unit = sensor.reads[quantity].unit
    found = conversion(quantity, unit, sensor.unit(quantity))
    if found is None:
        raise ValueError(f"sensor {sensor.name!r}: {quantity} cannot be read in {unit!r}")
    return found


def _bare_text(payload: bytes) -> str:
    """The payload as text, without the quotes of JSON around it."""
    try:
        text = payload.decode("utf-8").strip()
    except UnicodeDecodeError as error:
        raise UnreadableError(foreign(payload) or "") from error
    return text[1:-1] if len(text) > 2 and text[0] == text[-1] == '"' else text


def parsed(message: Message) -> object:
    """The JSON of a message; UnreadableError says why not."""
    return _Packet(message).document()


def _parsed(payload: bytes) -> object:
    try:
        return parse_json(payload.decode("utf-8"))
    except DoubledKeyError as error:
        raise UnreadableError(
            f"the payload says {said(error.name)} twice; let the sensor send each name once"
        ) from error
    except RecursionError as error:
        raise UnreadableError(
            "the payload is nested too deeply to be read; let the sensor send flat JSON"
        ) from error
    except UnicodeDecodeError as error:
        raise UnreadableError(foreign(payload) or "") from error
    except ValueError as error:
        raise UnreadableError(no_json(payload.decode("utf-8"), error)) from error
