"""Dated changes to sensors: offsets, slopes, swaps; and when one was out of service."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple

from monitor.entries.entries import Entry
from monitor.site.quantities import Quantity


class Calibration(NamedTuple):
    """From `from_ms` on [UTC epoch ms], value = slope · reading + offset.

    quantity   None: a swap without figures, which touches every quantity of the sensor
    offset     in the unit the quantity is kept in; slope [-]
    swapped    another sensor hangs there since: earlier figures and its history no longer hold
    """

    sensor: str
    quantity: Quantity | None
    from_ms: int
    offset: float = 0.0
    slope: float = 1.0
    swapped: bool = False


def calibrations(standing: Iterable[Entry]) -> list[Calibration]:
    """The dated changes to sensors among the standing entries, in order of time."""
    return [_calibration(e) for e in standing if e.verb == "calibrate"]


class Service(NamedTuple):
    """From `from_ms` on [UTC epoch ms] a sensor is out of service, or back in it.

    entry   number of the entry that says so
    salt    the salt it is shut in with, where it is being checked
    beside  the trusted sensor it hangs beside, where it is being checked
    """

    sensor: str
    from_ms: int
    out: bool
    entry: int
    salt: str | None = None
    beside: str | None = None


def services(standing: Iterable[Entry]) -> list[Service]:
    """When sensors went out of service and came back, in order of time."""
    found = []
    for entry in standing:
        if entry.verb in ("aside", "back"):
            said: Any = entry.arguments
            out = entry.verb == "aside"
            salt, beside = said.get("salt"), said.get("beside")
            found.append(Service(said["sensor"], entry.at_ms, out, entry.id, salt, beside))
    return found


def out_of_service(known: Sequence[Service], sensor: str, at_ms: int) -> Service | None:
    """What put this sensor out of service at that time; None: it is in service."""
    last = None
    for change in known:
        if change.sensor == sensor and change.from_ms <= at_ms:
            last = change
    return last if last is not None and last.out else None


def holding(
    known: Sequence[Calibration], sensor: str, quantity: Quantity, at_ms: int
) -> tuple[float, float]:
    """(slope, offset) that hold for this sensor and quantity at that time; (1, 0) if none."""
    slope, offset = 1.0, 0.0
    for change in known:
        if change.sensor != sensor or change.from_ms > at_ms:
            continue
        if change.quantity is quantity:
            slope, offset = change.slope, change.offset
        elif change.swapped:
            slope, offset = 1.0, 0.0
    return slope, offset


def _calibration(entry: Entry) -> Calibration:
    said: Any = entry.arguments
    quantity = Quantity(said["quantity"]) if "quantity" in said else None
    return Calibration(
        said["sensor"],
        quantity,
        entry.at_ms,
        said.get("offset", 0.0),
        said.get("slope", 1.0),
        said.get("swap", False),
    )
