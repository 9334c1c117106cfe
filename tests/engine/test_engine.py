"""The engine on a real store: the order of arrival, doubles and restarts change nothing."""

from __future__ import annotations

import json
import random
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.engine.effects import Effects
from monitor.engine.engine import Engine
from monitor.entries.entries import Request
from monitor.intake.payloads import Message
from monitor.notices.spell_rules import Policy
from monitor.site.flowers import read_book
from monitor.site.quantities import Quantity
from monitor.site.spaces import Delays, Limits, ReadAs, Sensor, Site, Space, TimeAt, Use
from monitor.site.time import HOUR_MS, MINUTE_MS
from monitor.store.queries import Reader
from monitor.store.writer import Writer

START_MS = 1_783_123_200_000  # 2026-07-04T00:00Z
FOREVER_MS = 2**52
BOOK = read_book((Path(__file__).parents[2] / "config" / "flowers.toml").read_text("utf-8"))


def sensor(name: str, space: str) -> Sensor:
    reads = {
        Quantity.TEMPERATURE: ReadAs(unit="°C", pointer="/t"),
        Quantity.HUMIDITY: ReadAs(unit="%", pointer="/rh"),
    }
    return Sensor(name, space, f"barn/{name}", 60.0, reads, TimeAt("/ts", "ms"))


SPACES = {
    "loft": Space("loft", Use.HANGING, Limits(hot_c=30, damp_pct=75), Delays(damp=60), None, 0.6),
    "outdoors": Space("outdoors", Use.OUTDOORS),
}
SENSORS = {s.name: s for s in (sensor("a", "loft"), sensor("b", "loft"), sensor("o", "outdoors"))}
SITE = Site("Barn", 54.9, -2.1, 140.0, "Europe/London", "°C", SPACES, SENSORS)


def message(name: str, minute: float, t: float, rh: float) -> Message:
    time_ms = START_MS + round(minute * MINUTE_MS)
    payload = json.dumps({"ts": time_ms, "t": t, "rh": rh}).encode()
    return Message(f"barn/{name}", payload, 0, False)


def day(hours: float = 10.0, seed: int = 1) -> list[Message]:
    """A morning with a hot and a damp stretch, a spike, a silence and some noise."""
    rng = random.Random(seed)
    messages = []
    for minute in range(round(hours * 60)):
        warm = 22 + 12 * max(0.0, 1 - abs(minute - 250) / 120)
        damp = 55 + 35 * max(0.0, 1 - abs(minute - 480) / 100)
        for name in SENSORS:
            if name == "b" and 330 <= minute < 420:
                continue
            t = round(warm + rng.gauss(0, 0.2), 1) if name != "o" else 14.0 + minute % 7 / 10
            t = 55.0 if (name, minute) == ("a", 100) else t
            messages.append(message(name, minute + 0.3, t, round(damp + rng.gauss(0, 0.5), 1)))
    return messages


def rows(file: Path, sql: str) -> list[Any]:
    with closing(sqlite3.connect(file)) as db:
        return db.execute(sql).fetchall()


def run(
    file: Path,
    messages: Sequence[Message],
    batch: int = 97,
    restart_every: int = 0,
    site: Site = SITE,
) -> dict[str, list[Any]]:
    """Take messages in through the store; returns what is kept in the end."""
    writer = Writer(file)
    engine = Engine(site, Policy(), BOOK, writer, FOREVER_MS)
    for turn, begin in enumerate(range(0, len(messages), batch)):
        writer.apply(engine.receive(messages[begin : begin + batch]), ["phone"])
        now_ms = engine.now_ms(0)
        while engine.behind(now_ms):
            writer.apply(engine.advance(now_ms, 50), ["phone"])
            writer.apply(engine.consider(), ["phone"])
        writer.commit()
        if restart_every and turn % restart_every == restart_every - 1:
            writer.close()
            writer = Writer(file)
            engine = Engine(site, Policy(), BOOK, writer, FOREVER_MS)
    kept = {
        "flags": sorted(
            (at, name, q, f)
            for minute in writer.records(0, 2**40).values()
            for name, records in minute.items()
            for at, record in records.items()
            for q, (_, f) in record.items()
        ),
        "air": rows(
            file,
            "SELECT minute, name, temperature_c, relative_humidity_pct, illuminance_lx,"
            " dew_point_c, vpd_kpa, humidity_ratio_g_kg, absolute_humidity_g_m3,"
            " surface_margin_k, readings"
            " FROM air JOIN space ON space.id = air.space ORDER BY minute, name",
        ),
        "spells": sorted(writer.spells_since(0), key=str),
        "notices": rows(file, "SELECT kind, space, sensor, spell_began, part FROM notice"),
    }
    writer.close()
    return kept


@cache
def in_order() -> dict[str, list[Any]]:
    with TemporaryDirectory() as folder:
        return run(Path(folder) / "x.sqlite", day())


def test_the_day_holds_what_it_should() -> None:
    kinds = sorted(s.kind.value for s in in_order()["spells"])
    assert kinds == ["damp", "hot", "silent"]
    assert [f for *_, f in in_order()["flags"] if f] != []


def told(kept: dict[str, list[Any]]) -> set[Any]:
    stands = {(s.kind, s.space, s.sensor, s.began) for s in kept["spells"]}
    return {row[:4] for row in kept["notices"] if row[:4] in stands}


@settings(max_examples=settings.default.max_examples // 12)  # a day folded each time
@given(seed=st.integers(0, 2**32), within_h=st.floats(0.01, 6), batch=st.integers(150, 700))
def test_any_order_and_any_doubling_end_the_same(seed: int, within_h: float, batch: int) -> None:
    rng = random.Random(seed)
    messages = day()
    per_hour = len(messages) / 10
    keyed = [(i + rng.uniform(0, within_h * per_hour), i, m) for i, m in enumerate(messages)]
    keyed += [(at + rng.uniform(0, per_hour), i, m) for at, i, m in keyed if rng.random() < 0.5]
    with TemporaryDirectory() as folder:
        shuffled = run(Path(folder) / "x.sqlite", [m for *_, m in sorted(keyed)], batch)
    for what in ("flags", "air", "spells"):
        assert shuffled[what] == in_order()[what], what
    assert told(shuffled) == told(in_order())


def test_restarts_change_nothing(tmp_path: Path) -> None:
    restarted = run(tmp_path / "x.sqlite", day(), 61, restart_every=2)
    assert restarted == in_order()


def test_a_second_copy_with_another_value_changes_nothing(tmp_path: Path) -> None:
    once = run(tmp_path / "1.sqlite", [message("a", 0.5, 20, 50), message("a", 3, 20, 50)])
    twice = run(
        tmp_path / "2.sqlite",
        [message("a", 0.5, 20, 50), message("a", 0.5, 25, 60), message("a", 3, 20, 50)],
    )
    assert twice == once


def test_a_calibration_refolds_from_its_time_on_and_can_be_undone(tmp_path: Path) -> None:
    writer = Writer(tmp_path / "x.sqlite")
    engine = Engine(SITE, Policy(), BOOK, writer, FOREVER_MS)
    messages = [message("a", minute + 0.5, 20.0, 50.0) for minute in range(120)]
    writer.apply(engine.receive(messages))

    def temperatures() -> list[float]:
        while engine.behind(engine.now_ms(0)):
            writer.apply(engine.advance(engine.now_ms(0), 1000))
            writer.apply(engine.consider())
        writer.commit()
        return [r[0] for r in rows(writer.file, "SELECT temperature_c FROM air ORDER BY minute")]

    assert temperatures() == [20.0] * 119
    at_ms = START_MS + HOUR_MS
    offset = Request("calibrate", {"sensor": "a", "quantity": "temperature", "offset": 1.5}, at_ms)
    entered, effects = engine.enter(offset, engine.now_ms(0))
    writer.apply(effects)
    assert temperatures() == [20.0] * 60 + [21.5] * 59
    _, effects = engine.enter(Request("undo", {}, None, entered.entry.id), engine.now_ms(0))
    writer.apply(effects)
    assert temperatures() == [20.0] * 119
    writer.close()


def test_a_leap_of_days_waits_for_a_second_sensor(tmp_path: Path) -> None:
    writer = Writer(tmp_path / "x.sqlite")
    engine = Engine(SITE, Policy(), BOOK, writer, FOREVER_MS)
    writer.apply(engine.receive([message("a", 1, 20, 50)]))
    before = engine.now_ms(0)
    leap = 30 * 24 * 60
    writer.apply(engine.receive([message("a", leap, 20, 50), message("a", leap + 1, 20, 50)]))
    assert engine.now_ms(0) == before
    assert len(writer.waiting()) == 4
    writer.commit()
    again = Engine(SITE, Policy(), BOOK, writer, FOREVER_MS)  # a restart remembers what waits
    writer.apply(again.receive([message("b", leap + 1, 20, 50)]))
    assert again.now_ms(0) == START_MS + (leap + 1) * MINUTE_MS
    assert writer.waiting() == []
    writer.close()


def test_a_time_of_1970_is_kept_unread_in_a_replay_and_replaced_live(tmp_path: Path) -> None:
    old = Message("barn/a", b'{"ts": 12000, "t": 20, "rh": 50}', START_MS, False)
    replay, live = Writer(tmp_path / "1.sqlite"), Writer(tmp_path / "2.sqlite")
    effects = Engine(SITE, Policy(), BOOK, replay, FOREVER_MS).receive([old])
    assert effects.readings == []
    assert "before the year 2000" in effects.unread[0].reason
    effects = Engine(SITE, Policy(), BOOK, live).receive([old])
    assert {(r.time_ms, str(r.flags.name)) for r in effects.readings} == {
        (START_MS, "TIME_OF_ARRIVAL")
    }
    replay.close()
    live.close()


def test_a_batch_is_told_hour_by_hour_and_the_same_after_a_restart(tmp_path: Path) -> None:
    hang = Request(
        "hang", {"flower": "statice", "space": "loft", "bunches": 6, "fresh_mass_g": 200.0}
    )
    weigh = Request("weigh", {"batch": "statice-1", "grams": 150.0}, START_MS + 5 * HOUR_MS)

    def prospects(file: Path, restart: bool) -> list[Any]:
        writer = Writer(file)
        engine = Engine(SITE, Policy(), BOOK, writer, FOREVER_MS)
        for hour in range(1, 9):
            messages = [
                m for m in day() if (hour - 1) * HOUR_MS <= at_ms(m) - START_MS < hour * HOUR_MS
            ]
            writer.apply(engine.receive(messages))
            now_ms = engine.now_ms(0)
            for request, when in ((hang, 1), (weigh, 6)):
                if when == hour:
                    writer.apply(engine.enter(request, now_ms)[1])
            while engine.behind(now_ms):
                writer.apply(engine.advance(now_ms, 50))
                writer.apply(engine.consider())
            writer.commit()
            if restart:
                writer.close()
                writer = Writer(file)
                engine = Engine(SITE, Policy(), BOOK, writer, FOREVER_MS)
        writer.close()
        return rows(file, "SELECT * FROM prospect ORDER BY asked_ms")

    once = prospects(tmp_path / "1.sqlite", False)
    assert [row[0] for row in once] == [START_MS + hour * HOUR_MS for hour in range(2, 8)]
    left = [row[3] for row in once]
    assert left == sorted(left, reverse=True)
    assert prospects(tmp_path / "2.sqlite", True) == once
    with Reader(tmp_path / "1.sqlite") as reader:
        (last,) = reader.last_prospects().values()
        assert [p.asked_ms for p in reader.prospects()] == [row[0] for row in once]
    assert (last.batch, last.asked_ms, last.still_to_lose_pct) == (1, once[-1][0], left[-1])
    assert last.stalled is False


def at_ms(message: Message) -> int:
    return int(json.loads(message.payload)["ts"])


def test_what_the_broker_held_does_not_look_like_silence(tmp_path: Path) -> None:
    """A day of readings comes in pieces at a start: nobody is told of a silence on the way."""
    now_ms = START_MS + 30 * HOUR_MS
    writer = Writer(tmp_path / "x.sqlite")
    engine = Engine(SITE, Policy(), BOOK, writer)
    readings = [message(name, n + 0.5, 20 + n % 7 / 10, 50) for n in range(1800) for name in "abo"]

    def told() -> list[str]:
        while engine.behind(now_ms):
            writer.apply(engine.advance(now_ms, 120))
            writer.apply(engine.consider())
        writer.commit()
        return [title for (title,) in rows(writer.file, "SELECT title FROM notice ORDER BY id")]

    for first in range(0, len(readings), 500):
        arrived = [m._replace(arrived_ms=now_ms) for m in readings[first : first + 500]]
        writer.apply(engine.receive(arrived))
        assert told() == []
        now_ms += 50
    now_ms += HOUR_MS
    assert "All sensors: silent" in told()
    writer.close()


def test_what_was_folded_but_not_settled_is_settled_after_a_restart(tmp_path: Path) -> None:
    """The states kept meanwhile know nothing of a spell that ended before them."""
    now_ms = START_MS + 20 * HOUR_MS
    logged = [m._replace(arrived_ms=now_ms) for m in day()]
    writer = Writer(tmp_path / "x.sqlite")

    def fold(engine: Engine) -> None:
        while engine.behind(now_ms):
            writer.apply(engine.advance(now_ms, 120))
            writer.apply(engine.consider())
        writer.commit()

    engine = Engine(SITE, Policy(), BOOK, writer)
    writer.apply(engine.receive(logged))
    fold(engine)
    assert writer.spells_since(0) == []  # more may come of this log
    now_ms += MINUTE_MS
    fold(Engine(SITE, Policy(), BOOK, writer))
    kinds = sorted(s.kind.value for s in writer.spells_since(0) if s.ended)
    assert kinds == ["damp", "hot", "silent"]
    assert writer.fact("unsaid from") == ""
    writer.close()


def test_a_start_folds_the_last_hour_again_and_not_all_since_the_start_before(
    tmp_path: Path,
) -> None:
    writer = Writer(tmp_path / "x.sqlite")
    engine = Engine(SITE, Policy(), BOOK, writer)
    for told in day():  # each in its time
        end_ms = json.loads(told.payload)["ts"]
        writer.apply(engine.receive([told._replace(arrived_ms=end_ms)]))
        while engine.behind(end_ms):
            writer.apply(engine.advance(end_ms, 10_000))
            writer.apply(engine.consider())
    again, minutes = Engine(SITE, Policy(), BOOK, writer), 0
    while again.behind(end_ms):
        writer.apply(again.advance(end_ms, 1))
        writer.apply(again.consider())
        minutes += 1
    assert minutes <= 60 + 10  # the minutes since the last full hour, and the looks ahead
    writer.close()


def test_a_notice_waits_for_no_look_at_the_other_spaces_but_what_is_kept_of_an_hour_is_whole(
    tmp_path: Path,
) -> None:
    names = [f"shed {n}" for n in range(9)]
    spaces = {n: Space(n, Use.HANGING, Limits(hot_c=30), Delays(hot=1)) for n in names}
    sensors = {n: replace(sensor(n, n), topic=f"barn/{n}") for n in names}
    site = replace(SITE, spaces=spaces, sensors=sensors)
    writer = Writer(tmp_path / "x.sqlite")
    engine = Engine(site, Policy(), BOOK, writer)

    def take(minute: int, t: float) -> Effects:
        """What a minute gives before anything is looked at."""
        told = [message(n, minute + 0.5, t if n == names[-1] else 20.0, 50.0) for n in names]
        arrived_ms = START_MS + round((minute + 0.5) * MINUTE_MS)
        writer.apply(engine.receive([one._replace(arrived_ms=arrived_ms) for one in told]))
        effects = engine.advance(START_MS + (minute + 1) * MINUTE_MS, 10)
        writer.apply(effects)
        return effects

    for minute in range(5, 10):
        take(minute, 20.0)
    engine.consider()
    assert engine.behind(START_MS), "spaces wait to be looked at"
    take(10, 41.0)
    assert take(11, 41.0).urgent
    assert engine.behind(START_MS)
    for minute in range(12, 30):
        take(minute, 20.0)
    assert engine.considering, "at half hours it is told what comes"
    assert not take(30, 20.0).air
    while engine.considering:
        writer.apply(engine.consider())
    for minute in range(31, 60):
        take(minute, 20.0)
    writer.apply(engine.consider())
    assert engine.considering
    assert not take(60, 41.0).air
    writer.close()
