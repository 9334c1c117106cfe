"""Minutes folded many at once come to the same, to the last bit, as folded one by one.

The record by record rules are held to an oracle and to published sets elsewhere; here the arrays
are held to them, through days made of every trouble there is.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pytest

from monitor.air.fold import Fold, State
from monitor.air.memory import Recent
from monitor.air.quality import STEP, admit
from monitor.air.sensor import Flags
from monitor.engine.effects import Effects
from monitor.entries.sensors import Calibration, Service
from monitor.site.quantities import Flag, Quantity, Reading
from monitor.site.spaces import Limits, ReadAs, Sensor, Site, Space, Use
from monitor.site.time import HOUR_MS, MINUTE_MS
from monitor.store.writer import Writer

BEGIN = 29_714_400  # 2026-07-01T00:00Z
HOURS = 30
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
            {q: ReadAs("") for group in groups for q in group},
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


def folded(fold: Fold, recent: Recent, at_once_min: int) -> tuple[Outcome, int]:
    """So many minutes at once; what came of it, and how many minutes went so."""
    state = fold.fit(State(BEGIN))
    outcome, at_once = Outcome([], {}, [], []), 0
    while state.minute < BEGIN + 60 * HOURS:
        stored = recent.stored(state.minute)
        assert stored is not None
        end = min(state.minute + at_once_min, stored.end)
        step = fold.through(state, end, stored, recent.following) if at_once_min else None
        if step is None:
            step = fold.step(state, recent.minute(state.minute), recent.following)
        else:
            at_once += step.state.minute - state.minute
        state = step.state
        outcome.hours.extend(step.hours)
        outcome.flags.update(step.flags)
        outcome.air.extend(step.air)
        outcome.ended.extend(step.ended)
    return outcome, at_once


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

    def through(minutes: int) -> tuple[Outcome, int]:
        fold = Fold(site(), changes, away)
        return folded(fold, Recent(stored, BEGIN + 60 * HOURS), minutes)

    one_by_one, _ = through(0)
    outcome, at_once = through(at_once_min)
    assert at_once > 0.8 * 60 * HOURS
    for hour, states in enumerate(zip(one_by_one.hours, outcome.hours, strict=True)):
        assert states[0] == states[1], hour
    assert outcome == one_by_one
    assert outcome.ended, "some limit was passed"
