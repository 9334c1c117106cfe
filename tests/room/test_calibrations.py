"""Dated changes to sensors."""

from __future__ import annotations

from monitor.room.calibrations import Calibration, calibrations, holding
from monitor.room.entries import JSON, Entry, standing
from monitor.room.readings import Quantity


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
