"""The sensors of the settings: where each hangs and how its messages are read."""

from __future__ import annotations

from collections.abc import Iterable

from monitor.intake.arrival import ISO, TICKS, filter_problem, overlap
from monitor.intake.documents import tokens
from monitor.service.settings.tables import MISSING, TomlTable, one_of, read_name, shown
from monitor.site.quantities import FORETOLD, MEASURED, Quantity, units
from monitor.site.spaces import OUTDOORS, ForecastFrom, ReadAs, Sensor, Space, TimeAt

_TIME_UNITS = [*TICKS, ISO]
_ON_ARRIVAL = "arrival"


def read_sensors(root: TomlTable, spaces: dict[str, Space]) -> dict[str, Sensor]:
    """The sensors by name."""
    sensors: dict[str, Sensor] = {}
    for table in root.tables("sensor"):
        sensor = _read_sensor(table, list(sensors), spaces)
        _check_shared(table, sensor, sensors.values())
        if sensor.name:
            sensors[sensor.name] = sensor
    if not sensors and "sensor" not in root:
        wrong, write = "no sensor is named", 'write [[sensor]], name = "loft-rail", …'
        root.problem(None, wrong, "at least one was expected", write)
    return sensors


def _read_sensor(table: TomlTable, taken: list[str], spaces: dict[str, Space]) -> Sensor:
    name = read_name(table, taken, "loft-rail")
    space = ""
    if table.required("space", "the space it hangs in", f'write space = "{next(iter(spaces))}"'):
        space = table.choice("space", "", spaces)
    else:
        table.take("space")
    topic = read_topic(table)
    if table.required("every", "how often it sends", 'write every = "60 s"'):
        every_s = table.duration_s("every", 60.0, "1 s", "1 day", "60 s")
    else:
        table.take("every")
        every_s = 60.0
    reads = read_read_as(table, topic)
    time, on_arrival = read_time(table, reads)
    _check_wildcards(table, topic, reads)
    for quantity in reads:
        if quantity.row.outdoors and space != OUTDOORS:
            wrong = f"{quantity} is measured outdoors only"
            table.problem("reads", wrong, f'space = "{OUTDOORS}" was expected', "mend the space")
    table.finish()
    return Sensor(name, space, topic, every_s, reads, time, on_arrival)


_OURS = "drying-room"  # the first level of what the monitor publishes


def read_topic(table: TomlTable) -> str | None:
    """An MQTT topic filter; None: there is none."""
    expected, write = "an MQTT topic", 'topic = "barn/loft/rail"'
    topic = table.text("topic", None, expected, write)
    problem = filter_problem(topic) if topic is not None else None
    if problem is not None:
        table.problem(
            "topic",
            f"the topic {shown(topic)} {problem}",
            f"{expected} was expected",
            f"write {write}",
        )
    elif topic is not None and topic.split("/")[0] == _OURS:
        table.problem(
            "topic",
            f"the topic {shown(topic)} is one of the monitor's own: it would hear itself",
            "a topic to which a sensor publishes was expected",
            f"write {write}",
        )
    return topic


def read_read_as(
    sensor: TomlTable, topic: str | None, quantities: Iterable[Quantity] = MEASURED
) -> dict[Quantity, ReadAs]:
    """What of these quantities is read, and how."""
    table = sensor.table("reads")
    reads: dict[Quantity, ReadAs] = {}
    for quantity in quantities:
        one = table.table(quantity.value)
        if one.given:
            reads[quantity] = _read_read(one, quantity)
    table.finish()
    without = [quantity for quantity, read_as in reads.items() if read_as.topic is None]
    if without and "topic" not in sensor:
        wrong = f"there is no topic for {' and '.join(without)}"
        expected = "a topic for the sensor or for each quantity was expected"
        sensor.problem(None, wrong, expected, 'write topic = "barn/loft/rail"')
    if not reads and "reads" not in sensor:
        write = 'write reads.temperature = { at = "/t", unit = "°C" }'
        sensor.problem(
            None, "the sensor reads nothing", "at least one quantity was expected", write
        )
    _check_values(sensor, topic, reads)
    return reads


def _read_read(table: TomlTable, quantity: Quantity) -> ReadAs:
    pointer = _read_pointer(table, "/t")
    senml_name = table.text("senml", None, "the full name of a SenML record", 'senml = "rail:temp"')
    topic = read_topic(table)
    if pointer is not None and senml_name is not None:
        wrong, expected = "both at and senml are given", "one of them was expected"
        table.problem(None, f"reads.{quantity}: {wrong}", expected, "remove one")
        senml_name = None
    default = quantity.row.unit
    if senml_name is None and "unit" not in table:
        words = one_of(units(quantity))
        table.problem(
            None,
            f"reads.{quantity} has no unit",
            f"{words} was expected",
            f'write unit = "{default}"',
        )
    unit = table.choice("unit", default, units(quantity))
    scale = table.number("scale", 1.0, 1e-6, 1e6, "", 0.1)
    if senml_name is not None and "scale" in table:
        wrong, expected = "SenML is sent in its own unit", "no scale was expected"
        table.problem("scale", f"reads.{quantity}: {wrong}", expected, "remove scale")
    total = quantity.row.amount and table.yes("total", False)
    table.finish()
    return ReadAs(unit, pointer, senml_name, topic, total, scale)


def _read_pointer(table: TomlTable, example: str) -> str | None:
    """A pointer into JSON; an empty one is the whole document."""
    pointer = table.take("at")
    if pointer is MISSING:
        return None
    expected, write = "a JSON pointer (RFC 6901)", f'at = "{example}"'
    if not isinstance(pointer, str):
        table.refuse("at", pointer, expected, write)
        return ""
    try:
        tokens(pointer)
    except ValueError as error:
        table.problem(
            "at",
            f"at is {shown(pointer)}, which {error}",
            f"{expected} was expected",
            f"write {write}",
        )
    return pointer


def read_time(table: TomlTable, reads: dict[Quantity, ReadAs]) -> tuple[TimeAt | None, bool]:
    """Where the time stands, and whether SenML is dated on arrival."""
    by_name = [one for one in reads.values() if one.senml_name is not None]
    if by_name and len(by_name) < len(reads):
        wrong, expected = "some quantities are SenML and others not", "one form was expected"
        table.problem("reads", wrong, expected, "make two sensors of it")
        table.take("time")
        return None, False
    value = table.take("time")
    if value is MISSING:
        return None, False
    if by_name:
        if value != _ON_ARRIVAL:
            wrong, expected = "SenML carries its own time", f'"{_ON_ARRIVAL}" or nothing'
            table.problem("time", wrong, f"{expected} was expected", "remove time")
        return None, value == _ON_ARRIVAL
    if not isinstance(value, dict):
        expected, write = "where the time stands", 'time = { at = "/ts", unit = "s" }'
        table.refuse("time", value, expected, write)
        return None, False
    inner = table.table("time")
    inner.required("at", "where the time stands", 'write time = { at = "/ts", unit = "s" }')
    inner.required("unit", one_of(_TIME_UNITS), 'write time = { at = "/ts", unit = "s" }')
    pointer = _read_pointer(inner, "/ts")
    unit = inner.choice("unit", "s", _TIME_UNITS)
    inner.finish()
    if any(one.pointer is None for one in reads.values()):
        wrong = "a payload that is a bare number has no room for a time"
        expected = "JSON with at for each quantity was expected"
        table.problem("time", wrong, expected, "add at, or remove time")
    return TimeAt(pointer or "", unit), False


def _check_wildcards(table: TomlTable, topic: str | None, reads: dict[Quantity, ReadAs]) -> None:
    """A sensor is one thing at one place."""
    for one in dict.fromkeys([topic, *(read_as.topic for read_as in reads.values())]):
        if one is None or filter_problem(one) is not None or one.split("/")[0] == _OURS:
            continue  # that is said already
        if "+" in one or "#" in one:
            wrong = f"the topic {shown(one)} has a wildcard, so several sensors would be one"
            expected = "the whole topic of a single sensor was expected"
            table.problem("topic" if one == topic else "reads", wrong, expected, "write it out")


def _check_values(table: TomlTable, topic: str | None, reads: dict[Quantity, ReadAs]) -> None:
    """One value cannot be two things."""
    values: dict[object, Quantity] = {}
    for quantity, read_as in reads.items():
        first = values.setdefault(_value(read_as, quantity, topic), quantity)
        if first is not quantity:
            wrong = f"{first} and {quantity} are read from the same value"
            expected = "one quantity for each value was expected"
            table.problem("reads", wrong, expected, "give each a topic or an at of its own")


def _value(read_as: ReadAs, quantity: Quantity, topic: str | None) -> object:
    """What tells one value that is sent from another. Records of a name differ by their units."""
    of_name = quantity if read_as.senml_name is not None else None
    return read_as.topic or topic, read_as.pointer, read_as.senml_name, of_name


def _check_shared(table: TomlTable, sensor: Sensor, others: Iterable[Sensor]) -> None:
    """No value is two sensors', and no topic is promised and not promised.

    Readings without their own time must not be delivered late, for they would be dated wrongly.
    """
    mine = {_value(one, quantity, sensor.topic) for quantity, one in sensor.reads.items()}
    for other in others:
        if mine & {_value(one, quantity, other.topic) for quantity, one in other.reads.items()}:
            wrong = f"{shown(other.name)} and {shown(sensor.name)} read the same value"
            expected = "a sensor for each value was expected"
            table.problem("reads", wrong, expected, "remove one, or mend its topic or at")
            return
        if other.timed is not sensor.timed and topics(sensor) & topics(other):
            told, untold = (sensor, other) if sensor.timed else (other, sensor)
            wrong = (
                f"{shown(told.name)} says its time and {shown(untold.name)} does not, "
                "on the same topic"
            )
            expected = "both with a time or both without was expected"
            table.problem("topic", wrong, expected, "write time for both or for none")
            return


def topics(sensor: Sensor) -> set[str]:
    """The topic filters of a sensor."""
    topics = {one.topic or sensor.topic for one in sensor.reads.values()}
    return {topic for topic in topics if topic is not None}


def read_forecasts(root: TomlTable, sensors: Iterable[Sensor]) -> tuple[ForecastFrom, ...]:
    """Every [[forecast]]."""
    found: list[ForecastFrom] = []
    for table in root.tables("forecast"):
        one = _read_forecast(table, [forecast.name for forecast in found])
        _check_apart(table, one, sensors)
        found.append(one)
    return tuple(found)


def _read_forecast(table: TomlTable, taken: list[str]) -> ForecastFrom:
    name = read_name(table, taken, "weather")
    topic = read_topic(table)
    reads = read_read_as(table, topic, FORETOLD)
    time, on_arrival = read_time(table, reads)
    dated = time is not None or on_arrival or any(r.senml_name for r in reads.values())
    ahead_h = table.number("ahead_h", None, 0.5, 240, "hours", 6)
    list_at = _read_list(table)
    if reads and dated is (ahead_h is not None):
        wrong = "both time and ahead_h are given" if dated else "it does not say when it holds"
        expected = "one of them" if dated else "the time in its message, or hours after it,"
        write = (
            "remove one" if dated else 'write time = { at = "/valid", unit = "s" } or ahead_h = 6'
        )
        table.problem(None, wrong, f"{expected} was expected", write)
    table.finish()
    as_sensor = Sensor(name, OUTDOORS, topic, 3600.0, reads, time, on_arrival)
    return ForecastFrom(as_sensor, list_at, ahead_h or 0.0)


def _read_list(table: TomlTable) -> str | None:
    pointer = table.take("list")
    if pointer is MISSING:
        return None
    expected, write = "a JSON pointer (RFC 6901) to a list", 'list = "/hours"'
    if not isinstance(pointer, str):
        table.refuse("list", pointer, expected, write)
        return None
    try:
        tokens(pointer)
    except ValueError as error:
        wrong = f"list is {shown(pointer)}, which {error}"
        table.problem("list", wrong, f"{expected} was expected", f"write {write}")
        return None
    return pointer


def _check_apart(table: TomlTable, forecast: ForecastFrom, sensors: Iterable[Sensor]) -> None:
    """What is foretold must not be taken for what is measured."""
    mine = topics(forecast.reads_as)
    for sensor in sensors:
        if any(overlap(one, its) for one in mine for its in topics(sensor)):
            wrong = f"the forecast {shown(forecast.name)} and the sensor {shown(sensor.name)} read"
            expected = "a topic of its own was expected"
            table.problem("topic", f"{wrong} the same topic", expected, "give it another topic")
            return
