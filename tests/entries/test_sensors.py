"""Dated changes to sensors."""

from __future__ import annotations

import pytest

from monitor.air.fold import Fold, State
from monitor.air.sensor import MOIST
from monitor.entries.entries import JSON, Calibration, Entry, calibrations, holding, standing
from monitor.site.quantities import Flag, Quantity
from monitor.site.spaces import ReadAs, Sensor, Site, Space, Use
from monitor.site.time import MINUTE_MS


def change(number: int, at_ms: int, **said: JSON) -> Entry:
    return Entry(number, 0, at_ms, "calibrate", {"sensor": "loft-rail", **said})


def test_what_holds_when() -> None:
    entries = [
        change(1, 10, quantity="humidity", offset=-1.5),
        change(2, 20, quantity="humidity", offset=-2.0, slope=1.02),
        change(3, 30, swap=True),
        change(4, 40, quantity="temperature", offset=0.3, swap=True),
        Entry(5, 0, 15, "undo", {}, 2),
    ]
    found = calibrations(standing(entries[:4]))
    assert found[1] == Calibration("loft-rail", Quantity.HUMIDITY, 20, -2.0, 1.02)
    assert found[2] == Calibration("loft-rail", None, 30, swapped=True)
    humid = [holding(found, "loft-rail", Quantity.HUMIDITY, t) for t in (9, 10, 20, 30, 40)]
    assert humid == [(1, 0), (1, -1.5), (1.02, -2.0), (1, 0), (1, 0)]
    assert holding(found, "loft-rail", Quantity.TEMPERATURE, 40) == (1, 0.3)
    assert holding(found, "spare-wall", Quantity.HUMIDITY, 25) == (1, 0)
    # undone, the one before it holds on
    left = calibrations(standing(entries))
    assert holding(left, "loft-rail", Quantity.HUMIDITY, 25) == (1, -1.5)


def test_a_calibration_does_not_push_damp_air_over_100_percent() -> None:
    reads = {quantity: ReadAs("") for quantity in MOIST}
    sensors = {name: Sensor(name, "shed", name, 60.0, reads) for name in ("low", "high")}
    site = Site("Fernhollow", 54.2, -2.5, 0.0, "Europe/London", "°C",
                {"shed": Space("shed", Use.HANGING)}, sensors)  # fmt: skip
    fold = Fold(site, [Calibration("low", Quantity.HUMIDITY, 0, 3.0)])
    record = {Quantity.TEMPERATURE: (12.0, Flag.NONE), Quantity.HUMIDITY: (99.0, Flag.NONE)}
    folded = fold.step(
        fold.fit(State(29_700_000)),
        {name: {29_700_000 * MINUTE_MS: record} for name in sensors},
        lambda sensor, time_ms: None,
    )
    assert folded.state.sensors["low"].held[Quantity.HUMIDITY][1] == 100.0
    assert folded.air[0].relative_humidity_pct == pytest.approx(99.5)
    assert not folded.flags
