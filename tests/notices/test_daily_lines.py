"""The day's line and the digest, over weeks in which clocks change and the monitor restarts."""

from __future__ import annotations

import json
import random
import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from monitor.engine.engine import Engine
from monitor.intake.payloads import Message
from monitor.notices.notice import Notice, Weight
from monitor.notices.spell_rules import Policy
from monitor.site.flowers import read_book
from monitor.site.quantities import Quantity
from monitor.site.spaces import Limits, ReadAs, Sensor, Site, Space, TimeAt, Use
from monitor.site.time import MINUTE_MS
from monitor.store.writer import Writer

EVERY_MIN = 10
READS = {
    Quantity.TEMPERATURE: ReadAs(unit="°C", pointer="/t"),
    Quantity.HUMIDITY: ReadAs(unit="%", pointer="/rh"),
}
SENSOR = Sensor("rail", "loft", "barn/rail", 600.0, READS, TimeAt("/ts", "ms"))
LOFT = Space("loft", Use.HANGING, Limits(hot_c=32.0))
BARN = Site("Barn", 54.9, -2.1, 140.0, "Europe/London", "°C", {"loft": LOFT}, {"rail": SENSOR})
BOOK = read_book((Path(__file__).parents[2] / "config" / "flowers.toml").read_text("utf-8"))
POLICY = Policy(all_well_at=8 * 60, digest_at=18 * 60)


def reading(now_ms: int) -> Message:
    t = 20 + now_ms // MINUTE_MS % 97 / 20
    payload = json.dumps({"ts": now_ms - 1000, "t": t, "rh": 50 + t / 5}).encode()
    return Message("barn/rail", payload, now_ms, False)


def live(file: Path, site: Site, begin_ms: int, end_ms: int, rng: random.Random) -> None:
    """The engine by the wall's clock: looked at when there is time, stopped now and then."""
    writer = Writer(file)
    engine = Engine(site, POLICY, BOOK, writer)
    now_ms, noted, heard = begin_ms, None, 0
    while now_ms < end_ms:
        if now_ms // (EVERY_MIN * MINUTE_MS) != heard:
            heard = now_ms // (EVERY_MIN * MINUTE_MS)
            writer.apply(engine.receive([reading(now_ms)]), ["phone"])
        day = datetime.fromtimestamp(now_ms / 1000, ZoneInfo(site.timezone))
        if day.hour == 12 and noted != day.date():
            noted = day.date()
            note = Notice(now_ms, None, None, "remark", "begins", Weight.NOTE, f"Noon of {noted}",
                          "", "", None)  # fmt: skip
            writer.apply(engine.tell(note), ["phone"])
        while engine.behind(now_ms):
            writer.apply(engine.advance(now_ms, 30), ["phone"])
            writer.apply(engine.consider(), ["phone"])
        writer.commit()
        now_ms += rng.randint(20_000, 200_000)
        if rng.random() < 0.01 or (day.hour in (8, 18) and rng.random() < 0.05):
            writer.close()
            now_ms += rng.randint(1000, 40 * MINUTE_MS)
            writer = Writer(file)
            engine = Engine(site, POLICY, BOOK, writer)
    writer.close()


def written(file: Path, kind: str, zone: ZoneInfo) -> list[datetime]:
    with closing(sqlite3.connect(file)) as db:
        rows = db.execute("SELECT made_ms FROM notice WHERE kind = ? ORDER BY id", (kind,))
        return [datetime.fromtimestamp(made_ms / 1000, zone) for (made_ms,) in rows]


@pytest.mark.parametrize(
    ("zone", "change"),
    [
        ("Europe/London", date(2026, 3, 29)),
        ("Europe/London", date(2026, 10, 25)),
        ("Australia/Lord_Howe", date(2026, 10, 4)),  # by half an hour
    ],
)
def test_each_comes_once_a_day_at_its_hour(tmp_path: Path, zone: str, change: date) -> None:
    local = ZoneInfo(zone)
    first = change - timedelta(days=3)
    days = [first + timedelta(days=n) for n in range(7)]
    begin = datetime(first.year, first.month, first.day, tzinfo=local).astimezone(UTC)
    end = begin + timedelta(days=7)
    site = replace(BARN, timezone=zone)
    file = tmp_path / "x.sqlite"
    live(file, site, *(round(at.timestamp() * 1000) for at in (begin, end)), random.Random(3))
    for kind, hour in (("all-well", 8), ("digest", 18)):
        came = written(file, kind, local)
        assert [at.date() for at in came] == days, kind
        # It is off for up to 40 minutes now and then, at these hours most of all.
        assert {at.hour for at in came} <= {hour, hour + 1}, kind
    with closing(sqlite3.connect(file)) as db:
        digests = db.execute("SELECT body FROM notice WHERE kind = 'digest' ORDER BY id").fetchall()
    for day, (body,) in zip(days, digests, strict=True):
        assert body.count("Noon of") == 1
        assert f"Noon of {day}" in body


def test_off_at_its_hour_it_comes_late_but_not_the_next_morning(tmp_path: Path) -> None:
    zone = ZoneInfo("Europe/London")
    file = tmp_path / "x.sqlite"
    rng = random.Random(1)

    def between(begin: str, end: str) -> None:
        live(file, BARN, *(round(datetime.fromisoformat(at).timestamp() * 1000)
                           for at in (begin, end)), rng)  # fmt: skip

    between("2026-07-01T05:00+01:00", "2026-07-01T07:30+01:00")
    between("2026-07-01T09:40+01:00", "2026-07-01T10:30+01:00")  # it was off at eight
    assert [f"{at:%d %H}" for at in written(file, "all-well", zone)] == ["01 09"]
    between("2026-07-02T14:00+01:00", "2026-07-02T15:00+01:00")  # and all of this morning
    assert [f"{at:%d %H}" for at in written(file, "all-well", zone)] == ["01 09"]
