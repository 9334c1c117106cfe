"""The forecasts of the settings: where the weather to come is published, and how it is read."""

from __future__ import annotations

from collections.abc import Iterable

from monitor.intake.arrival import overlap
from monitor.intake.documents import tokens
from monitor.service.settings.names import read_name
from monitor.service.settings.sensors import read_read_as, read_time, read_topic, topics
from monitor.service.settings.tables import MISSING, Table, shown
from monitor.site.quantities import FORETOLD
from monitor.site.spaces import OUTDOORS, ForecastFrom, Sensor


def read_forecasts(root: Table, sensors: Iterable[Sensor]) -> tuple[ForecastFrom, ...]:
    """Every [[forecast]]."""
    found: list[ForecastFrom] = []
    for table in root.tables("forecast"):
        one = _read_forecast(table, [forecast.name for forecast in found])
        _check_apart(table, one, sensors)
        found.append(one)
    return tuple(found)


def _read_forecast(table: Table, taken: list[str]) -> ForecastFrom:
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


def _read_list(table: Table) -> str | None:
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


def _check_apart(table: Table, forecast: ForecastFrom, sensors: Iterable[Sensor]) -> None:
    """What is foretold must not be taken for what is measured."""
    mine = topics(forecast.reads_as)
    for sensor in sensors:
        if any(overlap(one, its) for one in mine for its in topics(sensor)):
            wrong = f"the forecast {shown(forecast.name)} and the sensor {shown(sensor.name)} read"
            expected = "a topic of its own was expected"
            table.problem("topic", f"{wrong} the same topic", expected, "give it another topic")
            return
