"""A sensor that is being checked: how the check stands, from what the store holds of it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from monitor.air.neighbours import SENSOR_PCT
from monitor.edges.socket import Message
from monitor.engine.snapshot import Snapshot
from monitor.entries.entries import RequestError, standing
from monitor.entries.sensors import (
    Calibration,
    Service,
    calibrations,
    holding,
    out_of_service,
    services,
)
from monitor.places.saltcheck import HOW_TO, HOW_TO_BESIDE, Check, against_salt, side_by_side
from monitor.science.sorption import SALTS
from monitor.site.quantities import Flag, Quantity
from monitor.site.spaces import Site
from monitor.site.time import MINUTE_MS
from monitor.store.queries import Reader

Floats = NDArray[np.float64]
_MOIST = {Quantity.TEMPERATURE, Quantity.HUMIDITY}
_NOT_MEANT = Flag.RANGE | Flag.TOO_OLD


def look(store: Path, site: Site, snapshot: Snapshot, sensor: str) -> Message:
    """How the check of a sensor stands; under_way is false where there is none.

    raises  RequestError where the sensor cannot be checked
    """
    name = _checkable(site, sensor)
    stands = standing(snapshot.entries)
    check = out_of_service(services(stands), name, snapshot.now_ms)
    if check is None or (check.salt is None and check.beside is None):
        return {"sensor": name, "under_way": False}
    known = calibrations(stands)
    with Reader(store) as reader:
        found = _found(reader, site, known, check, snapshot.now_ms)
    slope, offset = holding(known, name, Quantity.HUMIDITY, snapshot.now_ms)
    more = 0.0 if found.offset_pct is None else round(found.offset_pct, 1)
    return {
        "sensor": name,
        "under_way": True,
        "since_ms": check.from_ms,
        "salt": check.salt,
        "beside": check.beside,
        "how": HOW_TO_BESIDE if check.salt is None else HOW_TO.format(salt=SALTS[check.salt].value),
        "settled": found.settled,
        "offset_pct": found.offset_pct,
        "doubt_pct": found.doubt_pct,
        "worth_it": found.worth_it,
        "says": found.says,
        "calibrate": {"offset": round(offset + more, 2), "slope": slope},
    }


def _checkable(site: Site, sensor: str) -> str:
    names = {name.casefold(): name for name in site.sensors}
    name = names.get(sensor.strip().casefold())
    if name is None:
        raise RequestError(
            f'no sensor is named "{sensor}"; choose {", ".join(site.sensors)}', "sensor"
        )
    if not site.sensors[name].reads.keys() >= _MOIST:
        raise RequestError(
            f"{name} does not tell both temperature and humidity, so it cannot be checked this way",
            "sensor",
        )
    return name


def _found(
    reader: Reader, site: Site, known: list[Calibration], check: Service, now_ms: int
) -> Check:
    begin, end = check.from_ms // MINUTE_MS, now_ms // MINUTE_MS + 1
    minute = np.arange(begin, max(end, begin), dtype=np.int64)
    own = _told(reader, known, check.sensor, minute)
    until = np.flatnonzero(np.isfinite(own[1]))
    minute = minute[: until[-1] + 1] if until.size else minute[:0]
    own = (own[0][: minute.size], own[1][: minute.size])
    if check.beside is None:
        return against_salt(SALTS[check.salt or "table"], minute, *own)
    _checkable(site, check.beside)
    return side_by_side(minute, own, _told(reader, known, check.beside, minute), SENSOR_PCT / 2)


def _told(
    reader: Reader, known: list[Calibration], sensor: str, minute: NDArray[np.int64]
) -> tuple[Floats, Floats]:
    """Temperature [°C] and humidity [%] by minute, as corrected until now; NaN: not told."""
    columns = []
    for quantity in (Quantity.TEMPERATURE, Quantity.HUMIDITY):
        column = np.full(minute.size, np.nan)
        if minute.size:
            first, last = int(minute[0]), int(minute[-1])
            rows = reader.readings_of(sensor, quantity, first * MINUTE_MS, (last + 1) * MINUTE_MS)
            for at_ms, value, flags in rows:
                if not flags & _NOT_MEANT:
                    slope, offset = holding(known, sensor, quantity, at_ms)
                    column[at_ms // MINUTE_MS - first] = slope * value + offset
        columns.append(column)
    return columns[0], columns[1]
