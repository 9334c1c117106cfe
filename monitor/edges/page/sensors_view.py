"""What the page of the sensors tells: plain values for the template."""

from __future__ import annotations

from typing import Any

from monitor.edges.page import figures, passed
from monitor.edges.page.checking import can_be_checked
from monitor.edges.page.house import House
from monitor.engine.snapshot import Snapshot
from monitor.entries.entries import standing
from monitor.entries.sensors import out_of_service, services
from monitor.site.quantities import Flag
from monitor.site.time import DAY_MS
from monitor.site.words import lasting, shown, when
from monitor.store.queries import Reader

Told = dict[str, Any]

UNREAD_SHOWN = 20
_FLAG_WORDS = {
    Flag.CLAMPED: "a little over 100 %, taken as 100",
    Flag.RANGE: "cannot be true",
    Flag.STEP: "a jump that the next did not confirm",
    Flag.STUCK: "stuck",
    Flag.FEED: "the whole feed stood still",
    Flag.IN_THE_SUN: "in the sun",
    Flag.DISAGREES: "disagrees with its neighbour",
    Flag.TIME_OF_ARRIVAL: "its own time could not be true",
    Flag.TOO_OLD: "too old to be used",
    Flag.OUT_OF_SERVICE: "out of service",
}


def sensors(house: House, snapshot: Snapshot) -> Told:
    """What each sensor last said, and what could not be read."""
    with Reader(house.store) as reader:
        heard = reader.heard(snapshot.now_ms - DAY_MS, snapshot.now_ms + 1)
        unread = [u for u, _ in zip(reader.unread(), range(UNREAD_SHOWN), strict=False)]
    site = house.site
    told = [sensor(house, snapshot, name) for name in site.sensors]
    for one in told:
        day = heard.get(one["name"])
        one["readings"] = 0 if day is None else day.readings
        one["doubts"] = (
            [] if day is None else [f"{n:,} {_FLAG_WORDS[f]}" for f, n in day.doubts.items()]
        )
    return {
        "sensors": told,
        "unread": [
            {
                "at": when(u.arrived_ms, snapshot.now_ms, site.timezone),
                "topic": shown(u.topic),
                "sensor": u.sensor,
                "payload": shown(u.payload[:400].decode("utf-8", "replace"), 200),
                "reason": u.reason,
            }
            for u in unread
        ],
    }


def sensor(house: House, snapshot: Snapshot, name: str) -> Told:
    """One sensor, as it stands now."""
    site = house.site
    sensor, told = site.sensors[name], snapshot.sensors.get(name)
    faults = [s for s in snapshot.going_on if s.sensor == name]
    out = out_of_service(services(standing(snapshot.entries)), name, snapshot.now_ms)
    return {
        "name": name,
        "space": sensor.space,
        "heard": figures.last_heard(told, snapshot.now_ms, site),
        "checkable": can_be_checked(house, name),
        "says": [
            (q.value, q.row.called, text)
            for q, text in figures.sensor_figures(sensor, told, site).items()
        ],
        "topics": sorted({r.topic or sensor.topic or "" for r in sensor.reads.values()}),
        "every": lasting(sensor.every_s / 60) if sensor.every_s >= 60 else f"{sensor.every_s:g} s",
        "timed": sensor.timed,
        "out": None if out is None else when(out.from_ms, snapshot.now_ms, site.timezone),
        "faults": [passed.past(house, s, snapshot.now_ms) for s in faults],
        "not_read": 0 if told is None else told.unread,
        "why_not": None if told is None else told.why_unread,
    }
