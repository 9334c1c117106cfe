"""Stuck sensors and frozen feeds in real data.

Source: the demonstration data of MetObs-toolkit 1.1.1 (Thomas Vergauwen, Ghent University,
MIT licence; datafiles/demo_datafile.csv of the installed package): 28 weather stations in
and around Ghent, every 5 min, 2022-09-01 to 2022-09-15, temperature to 0.1 °C, relative
humidity to 1 %, pressure to 1 Pa. The file labels no faults. The runs expected below were
found independently of our code, by looking for every stretch in which a station repeats
temperature, humidity, pressure and wind exactly.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from datetime import UTC, datetime
from importlib.metadata import files
from itertools import groupby
from typing import NamedTuple

import pytest

from monitor.air.quality import Track, judge, stuck_since
from monitor.air.still import Feed, watch
from monitor.site.quantities import Flag, Quantity
from monitor.site.time import MINUTE_MS

EVERY_MIN = 5


class Fault(NamedTuple):
    """First record of the run, last record of it; last None: still going on at the end."""

    station: str
    first: str
    last: str | None


FEED = [
    Fault("", "09-02 15:25", "09-03 01:25"),
    Fault("", "09-07 07:00", "09-08 07:50"),
    Fault("", "09-08 08:00", "09-08 14:05"),
    Fault("", "09-09 00:35", "09-09 09:00"),
]
STUCK = [
    Fault("vlinder05", "09-01 00:00", "09-01 05:55"),
    Fault("vlinder05", "09-01 19:35", "09-02 05:50"),
    Fault("vlinder05", "09-02 15:05", "09-03 05:45"),
    Fault("vlinder05", "09-03 20:55", "09-05 05:35"),
    Fault("vlinder05", "09-05 19:25", "09-06 06:05"),
    Fault("vlinder05", "09-06 20:40", "09-07 06:15"),
    Fault("vlinder05", "09-07 06:35", "09-13 06:45"),
    Fault("vlinder05", "09-13 20:00", None),
    Fault("vlinder28", "09-15 01:35", "09-15 08:10"),
]

Record = tuple[int, str, dict[Quantity, float]]


@pytest.fixture(scope="module")
def records() -> list[Record]:
    listed = files("metobs-toolkit")
    assert listed is not None, "install metobs-toolkit (--no-deps): its data are needed here"
    (path,) = (f.locate() for f in listed if f.name == "demo_datafile.csv")
    with open(str(path), encoding="utf-8", newline="") as file:
        rows = [
            (
                _time_ms(row["Datum"], row["Tijd (UTC)"]),
                row["Vlinder"],
                {
                    Quantity.TEMPERATURE: float(row["Temperatuur"]),
                    Quantity.HUMIDITY: float(row["Vochtigheid"]),
                    Quantity.PRESSURE: float(row["Luchtdruk"]),
                },
            )
            for row in csv.DictReader(file, delimiter=";")
        ]
    assert len(rows) == 120_957
    return sorted(rows, key=lambda row: row[:2])


@pytest.fixture(scope="module")
def found(records: list[Record]) -> Found:
    return look_through(records)


def _time_ms(date: str, clock: str) -> int:
    return int(datetime.fromisoformat(f"{date}T{clock}+00:00").timestamp()) * 1000


def _words(minute: int) -> str:
    return datetime.fromtimestamp(minute * 60, UTC).strftime("%m-%d %H:%M")


class Found(NamedTuple):
    stuck: list[Fault]
    feed: list[Fault]
    declared_after_min: dict[Fault, int]
    flags: dict[Flag, int]


def look_through(records: list[Record]) -> Found:
    """Every minute of the fortnight in turn, as the running monitor goes through them."""
    tracks: dict[str, Track] = {}
    feed = Feed()
    found = Found([], [], {}, {Flag.STEP: 0, Flag.STUCK: 0, Flag.FEED: 0, Flag.RANGE: 0})
    going_on: dict[str, tuple[int, int]] = {}

    def note(station: str, since: int | None, minute: int, into: list[Fault]) -> None:
        began, declared = going_on.get(station, (None, minute))
        if since == began:
            return
        if began is not None:
            del going_on[station]
            into.append(Fault(station, _words(began), _words(minute - EVERY_MIN)))
            found.declared_after_min[into[-1]] = declared - began
        if since is not None:
            going_on[station] = (since, minute)

    for minute, of_minute in groupby(_with_next(records), key=lambda r: r[0][0] // MINUTE_MS):
        for (time_ms, station, values), following in of_minute:
            track = tracks.get(station, Track())
            flags, tracks[station] = judge(track, time_ms, values, following, feed)
            for flag in flags.values():
                for kind in found.flags:
                    found.flags[kind] += kind in flag
            note(station, stuck_since(tracks[station], minute), minute, found.stuck)
        pulses = [track.pulse for track in tracks.values()]
        for each in range(minute, minute + EVERY_MIN):
            feed = watch(feed, pulses, each)
        note("", feed.since, minute, found.feed)
    for station, (began, declared) in going_on.items():
        fault = Fault(station, _words(began), None)
        (found.stuck if station else found.feed).append(fault)
        found.declared_after_min[fault] = declared - began
    return found


def _with_next(
    records: list[Record],
) -> Iterator[tuple[Record, tuple[int, dict[Quantity, float]] | None]]:
    nexts: dict[str, tuple[int, dict[Quantity, float]]] = {}
    pairs = []
    for record in reversed(records):
        time_ms, station, values = record
        pairs.append((record, nexts.get(station)))
        nexts[station] = (time_ms, values)
    return reversed(pairs)


def test_every_stuck_run_and_every_frozen_feed_of_six_hours_and_no_other(found: Found) -> None:
    assert sorted(found.feed, key=lambda f: f.first) == FEED
    assert sorted(found.stuck, key=lambda f: f.first) == sorted(STUCK, key=lambda f: f.first)
    # Declared as soon as six hours are over, give or take a record; the two runs that the
    # frozen feed overlaps only after the feed has moved again.
    after_the_feed = {STUCK[2], STUCK[6]}
    for fault in FEED + STUCK:
        waited = found.declared_after_min[fault]
        assert waited >= 355, fault
        assert waited <= 360 or fault in after_the_feed, (fault, waited)


def test_temperature_and_humidity_alone_tell_what_they_can(records: list[Record]) -> None:
    """Without pressure a station's own past must speak, and the first run has none before it.

    The last run is told at 96 % humidity, which may stand still in truth.
    """
    bare = [
        (t, s, {q: v for q, v in values.items() if q is not Quantity.PRESSURE})
        for t, s, values in records
    ]
    found = look_through(bare)
    assert sorted(found.feed, key=lambda f: f.first) == FEED
    assert sorted(found.stuck, key=lambda f: f.first) == STUCK[2:8]


def test_only_jumps_that_do_not_stay_are_doubted(records: list[Record], found: Found) -> None:
    """Jumps of up to 17 K when the feed comes back stay where they are: none is doubted.

    Jumps of 8 K and of 40 % put into single records here and there all are.
    """
    spoilt = list(records)
    for at in range(20_000, len(records), 4_999):
        time_ms, station, values = records[at]
        values = dict(values)
        if at % 2:
            values[Quantity.TEMPERATURE] += 8
        else:
            values[Quantity.HUMIDITY] -= 40
        spoilt[at] = (time_ms, station, values)
    put_in = len(range(20_000, len(records), 4_999))
    assert put_in == 21
    assert look_through(spoilt).flags[Flag.STEP] == put_in
    assert found.flags[Flag.STEP] == 0
    assert found.flags[Flag.RANGE] == 0
