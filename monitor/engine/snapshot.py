"""How everything stands now, as one value that anybody may read; and what is published of it.

Over MQTT these are retained messages under `drying-room/`.

    drying-room/air/SPACE      SenML (RFC 8428): the space's air in its last minute
    drying-room/spells/SPACE   JSON: the spells that go on there; faults of all sensors under "all"
    drying-room/batches/BATCH  JSON: what was last said of a batch

Names in topics are lower case, with everything but letters and figures as a hyphen.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

from monitor.ahead.look import Coming
from monitor.air.minute import MinuteOfAir
from monitor.air.spells import Spell
from monitor.drying.prospects import Prospect
from monitor.entries.batches import History
from monitor.entries.entries import Entry
from monitor.notices.notice import NoticeRow
from monitor.site.quantities import Quantity
from monitor.site.spaces import Site
from monitor.site.time import MINUTE_MS

ROOT = "drying-room"
ALL = "all"
# Names and units in RFC 8428's own words where it has them.
_AIR = (
    ("temperature", "temperature_c", "Cel"),
    ("humidity", "relative_humidity_pct", "%RH"),
    ("illuminance", "illuminance_lx", "lx"),
    ("dew-point", "dew_point_c", "Cel"),
    ("vapour-pressure-deficit", "vpd_kpa", "kPa"),
    ("humidity-ratio", "humidity_ratio_g_kg", "g/kg"),
)


@dataclass(frozen=True, slots=True)
class SensorNow:
    """A sensor as last heard.

    last_ms  time of its last record [UTC epoch ms]; None: never heard
    values   quantity → (time [ms], value in the kept unit) of its last good reading
    unread   payloads of it that could not be read since the start, and why the last could not
    """

    last_ms: int | None
    values: Mapping[Quantity, tuple[int, float]]
    unread: int = 0
    why_unread: str | None = None


@dataclass(frozen=True, slots=True)
class Snapshot:
    """How everything stands; ahead of the store by at most one commit.

    now_ms    the moment it tells of [UTC epoch ms]; 0: nothing heard yet
    air       the latest minute of each space of which anything is known
    going_on  spells that have not ended
    notices   those of the last days by number
    prospects what was said of each batch at the last full hour, by number of its hanging
    doubted   batches of which it is being worked out anew: more became known since that hour
    coming    what is foreseen and advised of each space, as last looked at
    """

    now_ms: int = 0
    air: Mapping[str, MinuteOfAir] = field(default_factory=dict)
    going_on: tuple[Spell, ...] = ()
    sensors: Mapping[str, SensorNow] = field(default_factory=dict)
    entries: tuple[Entry, ...] = ()
    history: History = field(default_factory=lambda: History((), ()))
    notices: Mapping[int, NoticeRow] = field(default_factory=dict)
    prospects: Mapping[int, Prospect] = field(default_factory=dict)
    doubted: frozenset[int] = frozenset()
    coming: Mapping[str, Coming] = field(default_factory=dict)


def publications(snapshot: Snapshot, site: Site) -> Iterator[tuple[str, bytes]]:
    """Topic and payload of everything there is to tell; the same snapshot gives the same bytes."""
    for name, air in sorted(snapshot.air.items()):
        yield f"{ROOT}/air/{_topic(name)}", _senml(name, air)
    places: list[str | None] = [*sorted(site.spaces), None]
    for place in places:
        here = [_spell(s) for s in snapshot.going_on if s.space == place]
        yield f"{ROOT}/spells/{ALL if place is None else _topic(place)}", _json(here)
    for batch in snapshot.history.batches:
        said = snapshot.prospects.get(batch.hung_by)
        told = {} if said is None else asdict(said)
        if batch.hung_by in snapshot.doubted:
            told = {"state": "unknown"}
        if told:
            told |= {"batch": batch.name, "flower": batch.flower, "space": batch.space}
            yield f"{ROOT}/batches/{_topic(batch.name)}", _json(told)


def _topic(name: str) -> str:
    return re.sub(r"[^\w]+", "-", name.lower()).strip("-")


def _senml(name: str, air: MinuteOfAir) -> bytes:
    records: list[dict[str, Any]] = [
        {"n": quantity, "u": unit, "v": value}
        for quantity, field, unit in _AIR
        if (value := getattr(air, field)) is not None
    ]
    if not records:
        return _json([])
    records[0] = {"bn": f"{ROOT}:{_topic(name)}:", "bt": air.minute * 60, **records[0]}
    return _json(records)


def _spell(spell: Spell) -> dict[str, Any]:
    return {
        "kind": spell.kind.value,
        "sensor": spell.sensor,
        "began": spell.began * MINUTE_MS // 1000,
        "worst": spell.worst,
        "unit": spell.kind.row.unit,
    }


def _json(value: object) -> bytes:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":")).encode()
