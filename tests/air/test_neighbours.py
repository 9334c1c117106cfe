"""Sensors of one space held against each other, through the engine and a real store.

The air and the sun are made here; saturation pressures are ASHRAE's, written out in the oracle.
"""

from __future__ import annotations

import json
import random
from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pandas as pd
import pytest

from monitor.air import states
from monitor.air.fold import State
from monitor.air.neighbours import Pair, Shine, Together
from monitor.engine.engine import Engine
from monitor.entries.entries import Request
from monitor.intake.payloads import Message
from monitor.notices.spell_rules import Policy
from monitor.site.flowers import read_book
from monitor.site.quantities import Flag, Quantity
from monitor.site.spaces import ReadAs
from monitor.site.time import MINUTE_MS
from monitor.store.writer import Writer
from tests.air.oracle import saturation_pa
from tests.engine.test_engine import FOREVER_MS, SITE, START_MS, rows, run, sensor

LIT = sensor("lit", "loft")
LIT = replace(LIT, reads={**LIT.reads, Quantity.ILLUMINANCE: ReadAs(unit="lx", pointer="/lx")})
SENSORS = {s.name: s for s in (LIT, *(sensor(name, "loft") for name in ("a", "b", "c")))}
LOFT = replace(SITE, sensors=SENSORS)

HOURS = 10
# 2026-07-04 at Barn (54.9 N): the sun rises at 03:35 UTC.
NIGHT = range(60, 120)
SUN_ON_A = range(400, 460)
SUN_ON_LIT = range(480, 520)
BOOK = read_book((Path(__file__).parents[2] / "config" / "flowers.toml").read_text("utf-8"))


def pressure(temperature: float) -> float:
    return float(saturation_pa(pd.Series([temperature]))[0])


def messages() -> list[Message]:
    """A still loft of 20 °C and 1300 Pa; `c` tells 12 % too much; lamps at night heat `a`."""
    rng, made = random.Random(3), []
    for minute in range(HOURS * 60):
        for name in SENSORS:
            air = 20 + rng.gauss(0, 0.05)
            hot = (name == "a" and (minute in SUN_ON_A or minute in NIGHT)) or (
                name == "lit" and minute in SUN_ON_LIT
            )
            t = round(air + 6 * hot, 2)
            rh = 100 * 1300 / pressure(t) + (12 if name == "c" else 0)
            payload: dict[str, Any] = {"ts": START_MS + minute * MINUTE_MS + 20_000}
            payload |= {"t": t, "rh": round(rh, 1)}
            if name == "lit":
                payload["lx"] = 30_000 if minute in SUN_ON_LIT else 400
            made.append(Message(f"barn/{name}", json.dumps(payload).encode(), 0, False))
    return made


@cache
def in_order() -> dict[str, list[Any]]:
    with TemporaryDirectory() as folder:
        return run(Path(folder) / "x.sqlite", messages(), site=LOFT)


def minutes_with(flag: Flag, name: str, quantity: Quantity) -> list[int]:
    return [
        (at - START_MS) // MINUTE_MS
        for at, of, q, flags in in_order()["flags"]
        if of == name and q == quantity and flags & flag
    ]


@pytest.mark.parametrize("quantity", [Quantity.TEMPERATURE, Quantity.HUMIDITY])
def test_the_sun_is_told_from_the_light_or_from_the_neighbours_but_not_at_night(
    quantity: Quantity,
) -> None:
    assert minutes_with(Flag.IN_THE_SUN, "lit", quantity) == list(SUN_ON_LIT)
    on_a = minutes_with(Flag.IN_THE_SUN, "a", quantity)
    # The jump itself waits a record for its confirmation at most.
    assert set(on_a) <= set(SUN_ON_A)
    assert len(on_a) >= len(SUN_ON_A) - 2
    assert minutes_with(Flag.IN_THE_SUN, "b", quantity) == []
    assert minutes_with(Flag.IN_THE_SUN, "lit", Quantity.ILLUMINANCE) == []


def test_the_air_is_that_of_the_shade() -> None:
    air = [row for row in in_order()["air"] if row[0] - START_MS // MINUTE_MS in SUN_ON_A]
    assert len(air) == len(SUN_ON_A)
    assert all(abs(row[2] - 20) < 0.3 for row in air)


def test_of_four_that_disagree_the_odd_one_is_doubted_once_six_hours_are_known() -> None:
    for quantity in (Quantity.TEMPERATURE, Quantity.HUMIDITY):
        assert minutes_with(Flag.DISAGREES, "c", quantity) == list(range(359, HOURS * 60 - 1))
        for good in ("a", "b", "lit"):
            assert minutes_with(Flag.DISAGREES, good, quantity) == []


def test_the_daily_line_names_the_sensor_that_disagrees(tmp_path: Path) -> None:
    run(tmp_path / "x.sqlite", messages(), site=LOFT)
    told = "SELECT title, body FROM notice WHERE kind = 'all-well'"
    [(title, body)] = rows(tmp_path / "x.sqlite", told)
    assert "needs a look" in title
    assert "Loft: the sensor c disagrees with the others about the humidity." in body
    assert "side by side" in body


@pytest.mark.parametrize("seed", [1, 2])
def test_any_order_ends_the_same(seed: int, tmp_path: Path) -> None:
    rng, in_turn = random.Random(seed), messages()
    keyed = [(i + rng.uniform(0, 4 * 240), i) for i in range(len(in_turn))]
    shuffled = [in_turn[i] for _, i in sorted(keyed)]
    kept = run(tmp_path / "x.sqlite", shuffled, 301, restart_every=3, site=LOFT)
    for what in ("flags", "air", "spells"):
        # The readings' clock may end a minute earlier: its last message may not be the newest.
        assert kept[what] == in_order()[what], what


def test_a_swapped_sensor_is_known_anew(tmp_path: Path) -> None:
    writer = Writer(tmp_path / "x.sqlite")
    engine = Engine(LOFT, Policy(), BOOK, writer, FOREVER_MS)
    writer.apply(engine.receive(messages()))

    def doubted() -> list[int]:
        while engine.behind(engine.now_ms(0)):
            writer.apply(engine.advance(engine.now_ms(0), 1000))
            writer.apply(engine.consider())
        return [
            minute - START_MS // MINUTE_MS
            for minute, records in sorted(writer.records(0, 2**40).items())
            for _, flags in [r[Quantity.HUMIDITY] for r in records.get("c", {}).values()]
            if flags & Flag.DISAGREES
        ]

    assert doubted()[0] == 359
    at_ms = START_MS + 400 * MINUTE_MS
    right = Request("calibrate", {"sensor": "c", "quantity": "humidity", "offset": -12.0}, at_ms)
    _, effects = engine.enter(right, engine.now_ms(0))
    writer.apply(effects)
    assert doubted() == list(range(359, 400))
    writer.close()


def test_what_is_remembered_survives_its_keeping() -> None:
    together = Together(
        {("a", "b"): Pair(1.5, -2.0, 700, 29_000_000)}, {"a": Shine(0.1, 0.2, 30, None)}
    )
    kept = states.load(states.dump(State(29_000_001, together=together)))
    assert kept is not None
    assert kept.together == together
