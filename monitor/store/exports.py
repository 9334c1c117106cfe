"""What can be exported for spreadsheets and other programs: each table's columns and rows.

Columns and their order are a promise to those programs. Rows are read one at a time, so that a
year of readings takes no more memory than a day.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from datetime import UTC, datetime
from enum import StrEnum
from functools import lru_cache
from typing import NamedTuple

from monitor.air.minute import MinuteOfAir
from monitor.drying.prospects import KEPT
from monitor.entries.batches import Outcome, fold
from monitor.entries.entries import calibrations, services, standing
from monitor.site.quantities import Flag, Quantity
from monitor.site.spaces import Site
from monitor.site.time import MINUTE_MS
from monitor.store.air import MEANS
from monitor.store.connection import StoreError
from monitor.store.queries import Reader
from monitor.store.readings import FOREVER_MS


class ExportError(ValueError):
    """An export that cannot be made; str() is one plain sentence."""


class Cell(StrEnum):
    """What a column holds; times are UTC epoch milliseconds until they are written.

    CSV writes numbers as people do. A number worked out has 6 figures, for the best sensors have
    4. A value that a sensor sent has 8, so that the finest known step stays, 0.01 Pa in 1013 hPa.
    JSON and Parquet, which programs read, have every bit.
    """

    TIME = "time"
    TEXT = "text"
    NUMBER = "number"
    SENT = "sent"
    WHOLE = "whole"


Value = str | float | int | None


Row = tuple[Value, ...]


Columns = dict[str, Cell]


@lru_cache(maxsize=64)  # rows come in order of time, many of one moment
def time_text(epoch_ms: int) -> str:
    """A time in ISO 8601 UTC, with milliseconds only where it is no whole second.

    >>> time_text(1_783_153_800_000)
    '2026-07-04T08:30:00Z'
    >>> time_text(1_783_153_800_250)
    '2026-07-04T08:30:00.250Z'
    """
    seconds, ms = divmod(epoch_ms, 1000)
    # Without its offset the time is written as it is; the Z says the rest.
    try:
        whole = datetime.fromtimestamp(seconds, UTC).replace(tzinfo=None).isoformat()
    except (ValueError, OverflowError, OSError):
        raise StoreError(
            f"a row tells of {seconds} s, which is no time: the store is damaged; bring back a "
            "backup with: drying-room restore"
        ) from None
    return f"{whole}.{ms:03d}Z" if ms else f"{whole}Z"


class ExportTable(NamedTuple):
    """What can be exported: columns with what they hold, and where the rows come from.

    rows  (reader, site, from_ms, to_ms) → rows; the span is half open, on the row's own time
    """

    columns: Columns
    rows: Callable[[Reader, Site, int, int], Iterable[Row]]


def flag_text(flags: Flag) -> str:
    """Flags as words, e.g. "clamped+step"; "" for none. The word of each is its name."""
    return "+".join((flag.name or "").lower().replace("_", " ") for flag in flags)


# -- where rows come from ---------------------------------------------------------------------


def _readings(reader: Reader, site: Site, from_ms: int, to_ms: int) -> Iterator[Row]:
    words = _Words()
    for reading in reader.readings(from_ms, to_ms):
        sensor = site.sensors.get(reading.sensor)
        yield (
            reading.time_ms,
            reading.sensor,
            None if sensor is None else sensor.space,
            reading.quantity.value,
            reading.value,
            reading.quantity.row.unit if sensor is None else sensor.unit(reading.quantity),
            words[reading.flags],
        )


def _amounts(reader: Reader, site: Site, from_ms: int, to_ms: int) -> Iterator[Row]:
    for one in reader.amounts(from_ms, to_ms):
        sensor = site.sensors.get(one.sensor)
        where = None if sensor is None else sensor.space
        amount, unit = one.amount(site), one.quantity.row.unit
        yield one.hour_ms, one.sensor, where, one.quantity.value, amount, unit, one.readings


class _Words(dict[Flag, str | None]):
    """Flags → words, worked out once: a table has millions of readings and few kinds."""

    def __missing__(self, flags: Flag) -> str | None:
        self[flags] = flag_text(flags) or None
        return self[flags]


_AIR = ("space", *(name for name in MEANS if name != "surface_margin_k"))


def _air(reader: Reader, site: Site, from_ms: int, to_ms: int) -> Iterator[Row]:
    for ten in reader.ten_minutes(_minute(from_ms), _minute(to_ms)):
        yield *_air_row(ten.means, ten.minutes), None
    for air in reader.minutes(_minute(from_ms), _minute(to_ms)):
        yield *_air_row(air, 1), air.readings


def _air_row(air: MinuteOfAir, minutes: int) -> Row:
    """A row but for its readings; the increments are those of so many minutes."""
    load, dose = air.drying_load_kpa_h, air.light_dose_lx_h
    return (
        air.minute * MINUTE_MS,
        *(getattr(air, name) for name in _AIR),
        None if load is None else minutes * load,
        None if dose is None else minutes * dose,
    )


def remark(reader: Reader, what: str, from_ms: int | None, to_ms: int | None) -> str:
    """What is to be said beside an export, in one sentence; "": nothing."""
    if what != "air":
        return ""
    begin = 0 if from_ms is None else _minute(from_ms)
    until = reader.means_until(begin, _minute(FOREVER_MS if to_ms is None else to_ms))
    if until is None:
        return ""
    return (
        f"Before {time_text(until * MINUTE_MS)} each row is a mean of ten minutes: "
        "single minutes are not kept that long."
    )


def _spells(reader: Reader, site: Site, from_ms: int, to_ms: int) -> Iterator[Row]:
    for spell in reader.spells(from_ms // MINUTE_MS, _minute(to_ms)):
        yield (
            spell.space,
            spell.sensor,
            spell.kind.value,
            spell.began * MINUTE_MS,
            _ms(spell.ended),
            spell.worst,
            spell.kind.row.unit,
        )


def _notices(reader: Reader, site: Site, from_ms: int, to_ms: int) -> Iterator[Row]:
    for delivery in reader.notices(from_ms, to_ms):
        notice = delivery.notice
        yield (
            notice.made_ms,
            notice.space,
            notice.kind,
            notice.weight.value,
            notice.title,
            notice.body,
            delivery.address,
            _ms(notice.spell_began),
            delivery.sent_ms,
            delivery.tries,
            delivery.failure,
            delivery.seen_ms,
            delivery.paused_until_ms,
        )


def _batches(reader: Reader, site: Site, from_ms: int, to_ms: int) -> Iterator[Row]:
    said = reader.last_prospects(to_ms)
    for batch in fold(standing(reader.entries()), site.spaces).batches:
        over = batch.taken_down_ms is not None and batch.taken_down_ms <= from_ms
        if over or batch.hung_ms >= to_ms:
            continue
        last = said.get(batch.hung_by)
        yield (
            batch.name,
            batch.flower,
            batch.colour,
            batch.space,
            batch.hung_ms,
            batch.taken_down_ms,
            batch.bunches,
            batch.stems_per_bunch,
            last.still_to_lose_pct if last else None,
            last.moisture_pct_db if last else None,
            last.p_crisp if last else None,
            batch.state.value,
            *(batch.outcome or Outcome()),
        )


def _stays(reader: Reader, site: Site, from_ms: int, to_ms: int) -> Iterator[Row]:
    for batch in fold(standing(reader.entries()), site.spaces).batches:
        for stay in batch.stays:
            if stay.from_ms < to_ms and (stay.until_ms is None or stay.until_ms > from_ms):
                yield batch.name, stay.space, stay.from_ms, stay.until_ms


def _sensors(reader: Reader, site: Site, from_ms: int, to_ms: int) -> Iterator[Row]:
    """Each sensor: when it last hung beside salt or another, and how it is corrected since."""
    entered = [entry for entry in standing(reader.entries()) if entry.at_ms < to_ms]
    tested = {s.sensor: s.from_ms for s in services(entered) if s.salt or s.beside}
    changes = calibrations(entered)
    offset = {c.sensor: c.offset for c in changes if c.quantity is Quantity.HUMIDITY}
    swapped = {c.sensor: c.from_ms for c in changes if c.swapped}
    for name, sensor in site.sensors.items():
        yield name, sensor.space, tested.get(name), offset.get(name), swapped.get(name)


def _forecasts(reader: Reader, site: Site, from_ms: int, to_ms: int) -> Iterator[Row]:
    names = {b.hung_by: b.name for b in fold(standing(reader.entries()), site.spaces).batches}
    for said in reader.prospects(from_ms, to_ms):
        if said.state != KEPT and said.batch in names:
            yield (
                names[said.batch],
                said.asked_ms,
                said.state,
                _ms(said.crisp_p10),
                _ms(said.crisp_p50),
                _ms(said.crisp_p90),
            )


def _ahead(reader: Reader, site: Site, from_ms: int, to_ms: int) -> Iterable[Row]:
    return reader.ahead(from_ms, to_ms)


def _minute(time_ms: int) -> int:
    """The first whole minute at or after a time."""
    return -(-time_ms // MINUTE_MS)


def _ms(minute: int | None) -> int | None:
    return None if minute is None else minute * MINUTE_MS


def _columns(told: str) -> Columns:
    """Columns in their order, what they hold before them: "time: began ended; text: unit"."""
    parts = (part.split(":") for part in told.split(";"))
    return {name: Cell(cell.strip()) for cell, names in parts for name in names.split()}


WHAT: dict[str, ExportTable] = {
    "readings": ExportTable(
        _columns("time: time; text: sensor space quantity; sent: value; text: unit flags"),
        _readings,
    ),
    "air": ExportTable(
        _columns(
            "time: time; text: space; number: temperature_c relative_humidity_pct "
            "illuminance_lx dew_point_c vpd_kpa humidity_ratio_g_kg absolute_humidity_g_m3 "
            "drying_load_kpa_h light_dose_lx_h; whole: readings"
        ),
        _air,
    ),
    "spells": ExportTable(
        _columns("text: space sensor kind; time: began ended; number: worst; text: unit"),
        _spells,
    ),
    "notices": ExportTable(
        _columns(
            "time: made; text: space kind weight title body address; time: spell_began sent; "
            "whole: tries; text: failure; time: seen paused_until"
        ),
        _notices,
    ),
    "forecasts": ExportTable(
        _columns("text: batch; time: asked_at; text: state; time: crisp_p10 crisp_p50 crisp_p90"),
        _forecasts,
    ),
    "ahead": ExportTable(
        _columns(
            "time: asked_at; text: space; whole: horizon_h; number: temperature_p10_c "
            "temperature_p50_c temperature_p90_c humidity_ratio_p10_g_kg "
            "humidity_ratio_p50_g_kg humidity_ratio_p90_g_kg"
        ),
        _ahead,
    ),
    "batches": ExportTable(
        _columns(
            "text: batch flower colour space; time: hung taken_down; whole: bunches "
            "stems_per_bunch; number: still_to_lose_pct moisture_pct_db crisp_probability; "
            "text: state; whole: heads_good heads_mould heads_opened heads_faded heads_shed"
        ),
        _batches,
    ),
    "stays": ExportTable(
        _columns("text: batch space; time: began ended"),
        _stays,
    ),
    "sensors": ExportTable(
        _columns("text: sensor space; time: tested; number: humidity_offset_pct; time: swapped"),
        _sensors,
    ),
    "amounts": ExportTable(
        _columns(
            "time: hour; text: sensor space quantity; number: amount; text: unit; whole: readings"
        ),
        _amounts,
    ),
}
