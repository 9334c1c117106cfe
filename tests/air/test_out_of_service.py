"""A sensor out of service: kept, not used, missed by nobody; and back again as if new."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from monitor.engine.engine import Engine
from monitor.entries.entries import Request, RequestError
from monitor.intake.payloads import Message
from monitor.notices.spell_rules import Policy
from monitor.site.kinds import Kind
from monitor.site.quantities import Flag
from monitor.site.time import MINUTE_MS
from monitor.store.writer import Writer
from tests.engine.test_engine import BOOK, FOREVER_MS, SITE, START_MS, message, rows

JAR = (120, 600)  # minutes in which the sensor is shut in


def told() -> list[Message]:
    """Three sensors for 14 hours; one of them in a jar of its own for eight, of which it is not
    heard for three."""
    heard = []
    for minute in range(14 * 60):
        stir = minute % 7 / 10
        if not 300 <= minute < 480:
            jar = JAR[0] <= minute < JAR[1]
            heard.append(message("a", minute + 0.3, 26 if jar else 20 + stir, 90 if jar else 50))
        heard.append(message("b", minute + 0.3, 20 + stir, 50 + stir))
        heard.append(message("o", minute + 0.3, 14 + stir, 60 + stir))
    return heard


def caught_up(engine: Engine, writer: Writer) -> None:
    while engine.behind(engine.now_ms(0)):
        writer.apply(engine.advance(engine.now_ms(0), 500))
        writer.apply(engine.consider())
    writer.commit()


def entered(engine: Engine, writer: Writer, verb: str, minute: int, **said: Any) -> int:
    request = Request(verb, {"sensor": "a", **said}, START_MS + minute * MINUTE_MS)
    taken, effects = engine.enter(request, engine.now_ms(0))
    writer.apply(effects)
    return taken.entry.id


def air(writer: Writer) -> list[tuple[Any, ...]]:
    return rows(
        writer.file,
        "SELECT minute, temperature_c FROM air JOIN space ON space.id = air.space"
        " WHERE name = 'loft' ORDER BY minute",
    )


@pytest.fixture
def running(tmp_path: Path) -> Iterator[tuple[Engine, Writer]]:
    writer = Writer(tmp_path / "x.sqlite")
    engine = Engine(SITE, Policy(), BOOK, writer, FOREVER_MS)
    writer.apply(engine.receive(told()))
    caught_up(engine, writer)
    yield engine, writer
    writer.close()


def test_what_it_tells_is_kept_and_not_used(running: tuple[Engine, Writer]) -> None:
    engine, writer = running
    before = air(writer)
    assert max(t for _, t in before) > 22, "the jar's warmth is in the air"
    first = entered(engine, writer, "aside", JAR[0], salt="table")
    caught_up(engine, writer)
    last = entered(engine, writer, "back", JAR[1])
    caught_up(engine, writer)
    assert max(t for _, t in air(writer)) < 21
    marked = [
        at
        for minute in writer.records(0, 2**40).values()
        for name, records in minute.items()
        for at, record in records.items()
        for _, flags in record.values()
        if name == "a" and flags & Flag.OUT_OF_SERVICE
    ]
    minutes = {(at - START_MS) // MINUTE_MS for at in marked}
    assert minutes == set(range(120, 300)) | set(range(480, 600))
    spells = writer.spells_since(0)
    assert [s for s in spells if s.sensor == "a"] == [], "neither silent nor stuck"
    assert not [s for s in spells if s.kind is Kind.DAMP]
    for entry in (last, first):
        writer.apply(engine.enter(Request("undo", {}, None, entry), engine.now_ms(0))[1])
        caught_up(engine, writer)
    assert air(writer) == before, "undone, all is as it was"
    assert [s.kind for s in writer.spells_since(0) if s.sensor == "a"] == [Kind.SILENT]


def test_entered_at_once_or_later_it_is_the_same(
    running: tuple[Engine, Writer], tmp_path: Path
) -> None:
    engine, writer = running
    entered(engine, writer, "aside", JAR[0])
    entered(engine, writer, "back", JAR[1])
    caught_up(engine, writer)
    other = Writer(tmp_path / "y.sqlite")
    live = Engine(SITE, Policy(), BOOK, other, FOREVER_MS)
    heard = 0
    for verb, at in (("aside", JAR[0]), ("back", JAR[1]), ("", 14 * 60)):
        now = at + 5  # the person is five minutes late
        other.apply(live.receive([m for m in told() if heard <= minute_of(m) < now]))
        heard = now
        caught_up(live, other)
        if verb:
            entered(live, other, verb, at)
            caught_up(live, other)
    assert air(other) == air(writer)
    other.close()


def minute_of(one: Message) -> int:
    return int((json.loads(one.payload)["ts"] - START_MS) // MINUTE_MS)


@pytest.mark.parametrize(
    ("verb", "said", "sentence"),
    [
        ("back", {}, "a is in service at that time already"),
        ("aside", {"salt": "table", "beside": "b"}, "a sensor is checked against salt or beside"),
        ("aside", {"beside": "a"}, "a sensor cannot hang beside itself"),
        ("aside", {"beside": "bb"}, 'no sensor is named "bb"; did you mean "b"?'),
    ],
)
def test_what_makes_no_sense_is_refused(
    running: tuple[Engine, Writer], verb: str, said: dict[str, str], sentence: str
) -> None:
    with pytest.raises(RequestError, match=sentence.replace("?", r"\?")):
        entered(*running, verb, 100, **said)


def test_twice_out_is_refused_with_what_ends_it(running: tuple[Engine, Writer]) -> None:
    entered(*running, "aside", 100)
    with pytest.raises(RequestError, match=r"entry 1.*drying-room back a"):
        entered(*running, "aside", 200)


@pytest.mark.parametrize("minute", [60, 700])
def test_a_mistaken_calibration_undone_leaves_nothing_behind(
    running: tuple[Engine, Writer], minute: int
) -> None:
    engine, writer = running
    everything = "SELECT * FROM reading", "SELECT * FROM air", "SELECT kind, began FROM spell"
    before = [rows(writer.file, asked) for asked in everything]
    for mistake in ({"slope": 3.0}, {"offset": 20.0}):
        entry = entered(engine, writer, "calibrate", minute, quantity="humidity", **mistake)
        caught_up(engine, writer)
        assert [rows(writer.file, asked) for asked in everything] != before
        writer.apply(engine.enter(Request("undo", {}, None, entry), engine.now_ms(0))[1])
        caught_up(engine, writer)
        assert [rows(writer.file, asked) for asked in everything] == before
