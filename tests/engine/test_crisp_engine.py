"""Batches through the engine on a real store: what hangs crisp, and what a hanging scale tells."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from monitor.air.spells import Spell
from monitor.engine.engine import Engine
from monitor.entries.entries import Request, RequestError
from monitor.intake.payloads import Message
from monitor.notices.spell_rules import Policy
from monitor.site.kinds import Kind
from monitor.site.quantities import Quantity
from monitor.site.spaces import Limits, ReadAs, Sensor, TimeAt
from monitor.site.time import HOUR_MS, MINUTE_MS
from monitor.store.queries import Reader
from monitor.store.writer import Writer
from tests.engine.test_engine import BOOK, FOREVER_MS, SITE, SPACES, START_MS, message

LIMITS = Limits(arid_once_crisp_pct=35)
ARID = replace(SITE, spaces={**SPACES, "loft": replace(SPACES["loft"], limits=LIMITS)})
SCALE = Sensor(
    *("loft-scale", "loft", "barn/scale", 600.0),
    {Quantity.MASS: ReadAs(unit="g", pointer="/g")},
    TimeAt("/ts", "ms"),
)
WITH_SCALE = replace(SITE, sensors={**SITE.sensors, "loft-scale": SCALE})
HANG = {"flower": "statice", "space": "loft", "bunches": 6}


def fold(writer: Writer, engine: Engine) -> None:
    while engine.behind(engine.now_ms(0)):
        writer.apply(engine.advance(engine.now_ms(0), 2000))
        writer.apply(engine.consider())
    writer.commit()


def enter(writer: Writer, engine: Engine, verb: str, hour: float, **said: object) -> None:
    request = Request(verb, dict(said), START_MS + round(hour * HOUR_MS))  # type: ignore[arg-type]
    writer.apply(engine.enter(request, engine.now_ms(0))[1])
    fold(writer, engine)


def arid(writer: Writer) -> list[tuple[int, float | None]]:
    """The arid spells, in hours from the start; None: still going on."""
    minute = START_MS // MINUTE_MS

    def hour(spell: Spell) -> float | None:
        return None if spell.ended is None else (spell.ended - minute) / 60

    return [
        ((s.began - minute) // 60, hour(s)) for s in writer.spells_since(0) if s.kind is Kind.ARID
    ]


def test_air_is_too_dry_only_while_something_crisp_hangs(tmp_path: Path) -> None:
    """At 30 % for two days: from the stem that snapped to the taking down, whenever entered."""
    writer = Writer(tmp_path / "x.sqlite")
    engine = Engine(ARID, Policy(), BOOK, writer, FOREVER_MS)
    writer.apply(engine.receive([message("a", 5 * i + 0.5, 20.0, 30.0) for i in range(576)]))
    fold(writer, engine)
    enter(writer, engine, "hang", 2, **HANG)
    enter(writer, engine, "snap", 8, batch="statice-1", result="bends")
    assert arid(writer) == []
    enter(writer, engine, "snap", 10, batch="statice-1", result="snaps")
    assert arid(writer) == [(10, None)]
    enter(writer, engine, "takedown", 40, batch="statice-1")
    assert arid(writer) == [(10, 40.0)]
    again = Engine(ARID, Policy(), BOOK, writer, FOREVER_MS)  # a restart knows the same
    writer.apply(again.enter(Request("undo", {}, None, 3), again.now_ms(0))[1])
    fold(writer, again)
    assert arid(writer) == []
    writer.close()


def on_the_scale(minute: int, rate: float) -> Message:
    time_ms = START_MS + minute * MINUTE_MS
    grams = 40 * (1 + (11 + 239 * np.exp(-rate * max(minute - 120, 0) / 60)) / 100)
    payload = json.dumps({"ts": time_ms, "g": round(float(grams), 1)}).encode()
    return Message("barn/scale", payload, 0, False)


def left_by_a_scale(file: Path, rate: float) -> list[float]:
    """Still to lose [%], hour by hour, of a batch that hangs on a scale for three days."""
    writer = Writer(file)
    engine = Engine(WITH_SCALE, Policy(), BOOK, writer, FOREVER_MS)
    hours = 72
    weighed = [on_the_scale(minute, rate) for minute in range(125, 60 * hours - 5, 10)]
    writer.apply(engine.receive([message("a", 0.5, 20.0, 50.0), message("a", 179.5, 20.0, 50.0)]))
    fold(writer, engine)
    enter(writer, engine, "hang", 2, **HANG, scale="loft-scale")
    for hour in range(3, hours):
        air = [message("a", 60 * hour + 5 * i + 0.5, 20.0, 50.0) for i in range(12)]
        writer.apply(engine.receive([*air, *weighed[6 * (hour - 3) : 6 * (hour - 2)]]))
        fold(writer, engine)
    writer.close()
    with Reader(file) as reader:
        return [prospect.still_to_lose_pct for prospect in reader.prospects()]


def test_a_scale_teaches_how_fast_its_batch_dries(tmp_path: Path) -> None:
    quick = left_by_a_scale(tmp_path / "1.sqlite", 0.05)
    slow = left_by_a_scale(tmp_path / "2.sqlite", 0.005)
    assert quick[5] == pytest.approx(slow[5], abs=1)  # before the first two blocks are over
    assert quick[-1] < 10
    assert slow[-1] > 55


def test_only_a_sensor_that_weighs_is_a_scale(tmp_path: Path) -> None:
    writer = Writer(tmp_path / "x.sqlite")
    engine = Engine(WITH_SCALE, Policy(), BOOK, writer, FOREVER_MS)
    with pytest.raises(RequestError, match='no scale is named "b"; choose loft-scale'):
        engine.enter(Request("hang", {**HANG, "scale": "b"}, START_MS), START_MS)
    bare = Engine(SITE, Policy(), BOOK, writer, FOREVER_MS)
    with pytest.raises(RequestError, match=r"give the scale's \[\[sensor\]\] a reads.mass"):
        bare.enter(Request("hang", {**HANG, "scale": "a"}, START_MS), START_MS)
    writer.close()
