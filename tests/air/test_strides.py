"""Minutes folded many at once come to the same, to the last bit, as folded one by one.

The record by record rules are held to an oracle and to published sets elsewhere; here the arrays
are held to them, through days made of every trouble there is.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pytest

from monitor.air import states, strides
from monitor.air.fold import Fold, Folded, State
from monitor.air.fold import through as by_minutes
from monitor.air.memory import Recent, Slice
from monitor.air.quality import STEP, admit
from monitor.air.sensor import Flags, Following, Records
from monitor.engine import catching_up
from monitor.engine.effects import Effects
from monitor.engine.engine import Engine
from monitor.entries.entries import Calibration, Service
from monitor.notices.spell_rules import Policy
from monitor.site.quantities import Flag, Quantity, Reading
from monitor.site.spaces import Limits, ReadAs, Sensor, Site, Space, Use
from monitor.site.time import HOUR_MS, MINUTE_MS
from monitor.store.writer import Writer
from tests.engine.test_engine import BOOK, rows
from tests.test_layers import PACKAGE

BEGIN = 29_714_400  # 2026-07-01T00:00Z
HOURS = 30
KEPT = (
    "SELECT * FROM reading ORDER BY time_ms, sensor, quantity",
    "SELECT * FROM air ORDER BY minute, space",
    "SELECT * FROM spell ORDER BY began, kind, space, sensor",
    "SELECT kind, space, spell_began, title, body FROM notice ORDER BY id",
)
T, H, P, LIGHT = (
    Quantity.TEMPERATURE,
    Quantity.HUMIDITY,
    Quantity.PRESSURE,
    Quantity.ILLUMINANCE,
)
# sensor: (seconds between records, quantities that come together, digits told)
TOLD: dict[str, tuple[float, tuple[tuple[Quantity, ...], ...], int]] = {
    "brisk": (10, ((T, H),), 2),
    "barometer": (30, ((T, H, P),), 2),
    "apart": (60, ((T,), (H,), (LIGHT,)), 1),
    "coarse": (60, ((T, H),), 0),
    "warm only": (20, ((T,),), 1),
}


def at_ms(hours: float) -> int:
    return BEGIN * MINUTE_MS + round(hours * HOUR_MS)


def site() -> Site:
    spaces = {
        name: Space(name, Use.HANGING, Limits(hot_c=26.0, damp_pct=70.0))
        for name in ("loft", "barn")
    }
    sensors = {
        name: Sensor(
            name,
            "barn" if name == "coarse" else "loft",
            name,
            every_s,
            {q: ReadAs(q.row.unit) for group in groups for q in group},
        )
        for name, (every_s, groups, _) in TOLD.items()
    }
    return Site("Fernhollow", 54.2, -2.5, 80.0, "Europe/London", "°C", spaces, sensors)


def told(name: str, rng: np.random.Generator) -> Iterator[Reading]:
    """A day and a bit of one sensor: most of it sound, here and there every trouble there is."""
    every_s, groups, digits = TOLD[name]
    for offset_ms, group in enumerate(groups):
        at = (
            BEGIN * MINUTE_MS
            + np.arange(0, HOURS * HOUR_MS, round(1000 * every_s))
            + 700 * offset_ms
        )
        at = at + rng.integers(0, 300, len(at))
        day = np.sin(np.arange(len(at)) / len(at) * 2 * np.pi * HOURS / 24)
        levels = {T: 20 + 6 * day, H: 60 - 14 * day, P: 101_300 + 400 * day, LIGHT: 5e3 * (1 + day)}
        noise = {T: 0.05, H: 0.3, P: 3.0, LIGHT: 50.0}
        heard = rng.random(len(at)) > 0.002
        for first in rng.integers(0, len(at), 3).tolist():  # silent for a while, twice for hours
            heard[first : first + int(rng.choice([5, 90, 500]))] = False
        frozen = np.zeros(len(at), bool)
        begins = int(rng.integers(0, len(at) // 2))
        if name != "brisk":  # one tells the same for hours
            frozen[begins : begins + len(at) // 3] = True
        for quantity in group:
            values = levels[quantity] + rng.normal(0, noise[quantity], len(at))
            for lasts in [1] * 20 + [40] * 20:  # jumps of every size that nobody confirms, or stay
                jumps = int(rng.integers(len(at)))
                values[jumps : jumps + lasts] += rng.uniform(-2, 2) * STEP.get(quantity, 100.0)
            values[rng.integers(len(at))] = 1e6
            values[frozen] = values[begins]
            values = np.round(values, 0 if quantity in (P, LIGHT) else digits)
            for i in np.flatnonzero(heard).tolist():
                if len(group) == 1 or rng.random() > 0.001:
                    value, flag = admit(quantity, float(values[i]))
                    yield Reading(int(at[i]), name, quantity, value, flag | _said(rng))


def _said(rng: np.random.Generator) -> Flag:
    """What else may have been said of it when it was accepted, or when it was folded before."""
    kinds = [Flag.TOO_OLD, Flag.STUCK, Flag.STEP | Flag.TIME_OF_ARRIVAL, Flag.TIME_OF_ARRIVAL]
    return kinds[rng.integers(len(kinds))] if rng.random() < 0.002 else Flag.NONE


class Outcome(NamedTuple):
    """What came of it all."""

    hours: list[State]
    flags: Flags
    air: list[Any]
    ended: list[Any]


Through = Callable[[Fold, State, int, Slice, Following], Folded]


def folded(through: Through, fold: Fold, recent: Recent, at_once_min: int) -> Outcome:
    """What comes of it all, at most so many minutes at once."""
    state = fold.fit(State(BEGIN))
    outcome = Outcome([], {}, [], [])
    while state.minute < BEGIN + 60 * HOURS:
        stored = recent.stored(state.minute)
        assert stored is not None
        end = min(state.minute + at_once_min, stored.end)
        step = through(fold, state, end, stored, recent.following)
        state = step.state
        outcome.hours.extend(step.hours)
        outcome.flags.update(step.flags)
        outcome.air.extend(step.air)
        outcome.ended.extend(step.ended)
    return outcome


@pytest.fixture
def stored(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Writer]:
    rng = np.random.default_rng(request.param)
    with closing(Writer(tmp_path / "x.sqlite")) as writer:
        for name in TOLD:
            writer.apply(Effects(readings=list(told(name, rng))))
        writer.commit()
        yield writer


CHANGES = [
    Calibration("brisk", H, at_ms(-3), -1.5),
    Calibration("brisk", T, at_ms(7.003), 0.3, 1.01),
    Calibration("barometer", None, at_ms(11.4), swapped=True),
    Calibration("coarse", H, at_ms(20), 2.0, swapped=True),
]
AWAY = [
    Service("brisk", at_ms(15.2), True, 1),
    Service("brisk", at_ms(17.9), False, 2),
    Service("warm only", at_ms(22), True, 3),
]


@pytest.mark.parametrize("changed", [False, True])
@pytest.mark.parametrize("at_once_min", [60, 133])
@pytest.mark.parametrize("stored", range(3), indirect=True)
def test_many_minutes_at_once_all_is_as_one_by_one(
    stored: Writer, at_once_min: int, changed: bool
) -> None:
    changes, away = (CHANGES, AWAY) if changed else ([], [])
    stepped: list[int] = []

    class Counted(Fold):
        def step(self, state: State, records: Records, following: Following) -> Folded:
            stepped.append(state.minute)
            return super().step(state, records, following)

    def all_of_it(through: Through) -> Outcome:
        fold = Counted(site(), changes, away)
        return folded(through, fold, Recent(stored, BEGIN + 60 * HOURS), at_once_min)

    one_by_one = all_of_it(by_minutes)
    assert stepped == list(range(BEGIN, BEGIN + 60 * HOURS))
    stepped.clear()
    outcome = all_of_it(strides.through)
    assert len(stepped) < 0.2 * 60 * HOURS, "most minutes go at once"
    for hour, both in enumerate(zip(one_by_one.hours, outcome.hours, strict=True)):
        assert both[0] == both[1], hour
    assert outcome == one_by_one
    assert outcome.ended, "some limit was passed"


def refolded(file: Path) -> list[list[Any]]:
    """What a live engine makes of a store that holds readings and nothing else."""
    now_ms = (BEGIN + 60 * HOURS) * MINUTE_MS
    with closing(Writer(file)) as writer:
        engine = Engine(site(), Policy(), BOOK, writer)
        while engine.behind(now_ms):
            writer.apply(engine.advance(now_ms, 120))
            writer.apply(engine.consider())
        writer.commit()
    kept = rows(file, "SELECT state FROM checkpoint ORDER BY minute")
    return [*(rows(file, asked) for asked in KEPT), [states.load(state) for (state,) in kept]]


@pytest.mark.parametrize("stored", [3], indirect=True)
def test_one_line_chooses_them(stored: Writer, monkeypatch: pytest.MonkeyPatch) -> None:
    """The store comes to the same without them, and nothing else asks for them."""
    files = [stored.file.with_name(f"{name}.sqlite") for name in ("with", "without")]
    for file in files:
        with closing(sqlite3.connect(stored.file)) as was, closing(sqlite3.connect(file)) as db:
            was.backup(db)
    with_them = refolded(files[0])
    monkeypatch.setattr(catching_up, "through", by_minutes)
    assert refolded(files[1]) == with_them
    assert all(with_them)
    asking = [
        f"{file.relative_to(PACKAGE)}: {line}"
        for file in PACKAGE.rglob("*.py")
        if file.parent.name != "strides"
        for line in file.read_text("utf-8").splitlines()
        if "strides" in line
    ]
    assert asking == ["engine/catching_up.py: from monitor.air.strides import through"]
