"""What the monitor tells others over MQTT: retained messages under `drying-room/`.

    drying-room/air/SPACE      SenML (RFC 8428): the space's air in its last minute
    drying-room/spells/SPACE   JSON: the spells that go on there; faults of all sensors under "all"
    drying-room/batches/BATCH  JSON: what was last said of a batch

Names in topics are lower case, with everything but letters and figures as a hyphen.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

from monitor.air.minute import MinuteOfAir
from monitor.air.spells import Spell
from monitor.engine.snapshot import Snapshot
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
