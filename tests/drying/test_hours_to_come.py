"""The hours ahead of a space in the day of crisp of what hangs in it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from monitor.ahead import lesson as learning
from monitor.ahead.look import Coming, Foresight
from monitor.drying.hours import (
    DAY_KEEPS,
    AirToCome,
    Foreseen,
    beginning_with,
    foreseen,
)
from monitor.drying.prospects import Prospect, Prospects
from monitor.drying.standing import Standings
from monitor.engine.effects import Effects
from monitor.engine.engine import Engine
from monitor.entries.batches import Batch, Stay
from monitor.entries.entries import Request
from monitor.notices.spell_rules import Policy
from monitor.site.spaces import Site, Space, Use
from monitor.site.time import HOUR_MS, MINUTE_MS
from monitor.store.queries import Reader, past_of
from monitor.store.writer import Writer
from tests.drying.asked import said_of
from tests.engine.test_engine import BOOK, FOREVER_MS, SENSORS, START_MS, message
from tests.engine.test_engine import SITE as BARN
from tests.store.test_learn import minute_of_air

START = START_MS // MINUTE_MS
DAYS = 12
NOW = START + DAYS * 1440
LOFT = replace(SENSORS["a"], name="loft-beam")
SITE = Site(
    *("Fernhollow", 54.2, -2.5, 0.0, "Europe/London", "°C"),
    {"loft": Space("loft", Use.HANGING)},
    {LOFT.name: LOFT},
)


def test_a_course_first_and_then_what_it_leaves_over() -> None:
    """Two courses shared by four members; the usual air of all of them is 20 °C and 60 %."""
    day = np.broadcast_to(np.array([20.0, 60.0])[:, None, None], (2, 8, 4))
    usual = AirToCome(day, np.zeros((2, 3, 4)), day, np.zeros((2, 4)))
    courses = np.repeat([[17.0, 25.0]], 8, axis=0)
    air = beginning_with(Foreseen(0, np.stack([courses, courses + 40])), usual)
    temperature_c, humidity_pct = air.part(slice(0, 24))
    assert temperature_c[:8].tolist() == [[17, 17, 25, 25]] * 8
    assert humidity_pct[:8].tolist() == [[57, 57, 65, 65]] * 8
    after_one, after_two = temperature_c[8] - 20, temperature_c[23] - 20
    assert after_one == pytest.approx(DAY_KEEPS * np.array([-3, -3, 5, 5]))
    assert after_two == pytest.approx(DAY_KEEPS**2 * np.array([-3, -3, 5, 5]))


def said(folder: Path, turn: float) -> tuple[Prospect, Prospect, Coming]:
    """Of statice hung three days ago: what is said by days like the last alone, and with the hours
    ahead, which the space has taught.

    Every fourth evening the air turns, one time dryer, one time damper, and turns back a day later.
    Now it is midnight, and for three hours it has been turned by so many percent.
    """
    minutes = np.arange(START, NOW + 1440, 10)
    hour, day = minutes % 1440 / 60, (minutes - START - 1260) // 1440
    turned = np.where(day % 4 == 3, np.where(day % 8 == 3, -15.0, 15.0), 0.0)
    turned[minutes >= NOW - 180] = turn
    wave = np.cos(2 * np.pi * (hour - 15) / 24)
    humidity = 45 - 6 * wave + turned
    writer = Writer(folder / "x.sqlite")
    writer.apply(
        Effects(
            air=[
                minute_of_air("loft", minute, 21 + 4 * wave[i], humidity[i])
                for i, minute in enumerate(minutes.tolist())
                if minute < NOW
            ]
        )
    )
    foresight = Foresight(SITE, writer)
    lesson = learning.learn(
        "loft", past_of(writer, "loft", False, NOW), NOW, learning.place_of(SITE)
    )
    assert lesson is not None
    foresight.taught([lesson])
    coming = foresight.look("loft", NOW, {}, full_hour=True)
    assert coming.outlook is not None
    hung_ms = (NOW - 3 * 1440) * MINUTE_MS
    batch = Batch("first", 1, "statice", 6, hung_ms, (Stay(hung_ms, None, "loft"),))
    prospects = Prospects(Standings(BOOK, writer, writer), ["loft"])
    asked = ([batch], NOW * MINUTE_MS)
    usual = said_of(prospects, batch, *asked)
    expected = said_of(prospects, batch, *asked, foreseen(coming.outlook))
    writer.close()
    assert usual is not None
    assert expected is not None
    return usual, expected, coming


def middle(one: Prospect) -> int:
    """The middle day, promised or only if it gets dry at all."""
    day = one.crisp_p50 or one.if_dry_p50
    assert day is not None
    return day


def test_a_dry_day_to_come_brings_it_nearer_and_a_damp_one_puts_it_off(tmp_path: Path) -> None:
    for name, turn in (("dry", -15.0), ("damp", 15.0)):
        (tmp_path / name).mkdir()
        usual, foreseen, coming = said(tmp_path / name, turn)
        assert coming.outlook is not None
        tomorrow = float(coming.outlook.relative_humidity_pct.p50.mean())
        assert (tomorrow < 45) == (name == "dry")
        sooner_h = (middle(usual) - middle(foreseen)) / 60
        more_in_a_day = foreseen.loses_pct_a_day - usual.loses_pct_a_day
        if name == "dry":
            assert sooner_h > 12
            assert more_in_a_day > 0
        else:
            assert sooner_h < -12
            assert more_in_a_day < 0
        assert foreseen.still_to_lose_pct == usual.still_to_lose_pct


def test_what_is_said_at_an_hour_knows_what_is_foreseen_at_that_hour(tmp_path: Path) -> None:
    """Through the engine: the spaces are looked at before the batches that hang in them."""
    writer = Writer(tmp_path / "x.sqlite")
    engine = Engine(BARN, Policy(), BOOK, writer, FOREVER_MS)
    hours = 14

    def until(minute: int) -> None:
        humidity = 45 if minute < 600 else 65
        writer.apply(engine.receive([message("a", minute + 0.5, 20.0, humidity)]))
        while engine.behind(engine.now_ms(0)):
            writer.apply(engine.advance(engine.now_ms(0), 2000))
            writer.apply(engine.consider())

    until(0)
    request = Request("hang", {"flower": "statice", "space": "loft", "bunches": 6}, START_MS)
    writer.apply(engine.enter(request, engine.now_ms(0))[1])
    for minute in range(2, 60 * hours + 3, 2):
        until(minute)
    writer.commit()
    with Reader(tmp_path / "x.sqlite") as reader:
        every = list(reader.prospects())
    assert [one.asked_ms for one in every] == [START_MS + h * HOUR_MS for h in range(1, hours + 1)]
    kept = every[-1:]
    batches = engine.snapshot(engine.now_ms(0)).history.batches
    foresight = Foresight(BARN, writer)
    coming = foresight.look("loft", START + 60 * hours, {}, full_hour=True)
    assert coming.outlook is not None
    prospects = Prospects(Standings(BOOK, writer, writer), BARN.hanging())
    asked = (batches[0], batches, START_MS + hours * HOUR_MS)
    again = said_of(prospects, *asked, foreseen(coming.outlook))
    alone = said_of(prospects, *asked)
    writer.close()
    assert again is not None
    assert kept == [replace(again, damp_h=0)]
    assert alone != again
