"""How well the monitor did: days named against days that came, and the machine's own health."""

from __future__ import annotations

from monitor.edges.report.gather import SiteWeek
from monitor.edges.report.promises import LEADS_DAYS, Promise, held
from monitor.edges.report.text import at
from monitor.entries.sensors import Calibration, Service
from monitor.site import words
from monitor.site.quantities import Quantity
from monitor.site.spaces import Site
from monitor.site.time import MINUTE_MS, local_day

# With fewer the share that held says nothing.
ENOUGH_PROMISES = 5


def promises_kept(week: SiteWeek) -> list[str]:
    """What was promised of the batches taken down this week, and how the year's promises held."""
    down = {one.batch.hung_by for one in week.taken_down}
    told = [
        _promise(promise, week.site) for promise in week.promises if promise.batch.hung_by in down
    ]
    counts = [
        f"{lead} days before: {kept} of {of}"
        for lead in LEADS_DAYS
        for kept, of in (held(week.promises, lead),)
        if of
    ]
    if counts:
        too_few = (
            min(n for n in (held(week.promises, lead)[1] for lead in LEADS_DAYS) if n)
            < ENOUGH_PROMISES
        )
        caution = " These are too few to judge by." if too_few else ""
        told.append(
            f"This year's days named came within the span said, {words.listed(counts)}; "
            f"8 of 10 should.{caution}"
        )
    return told


def _promise(promise: Promise, site: Site) -> str:
    def day(minute: int) -> str:
        return words.day(local_day(minute * MINUTE_MS, site.timezone))

    return (
        f"{promise.batch.name}: {words.count(promise.lead_days, 'day')} before, {day(promise.p50)} "
        f"was named ({day(promise.p10)} to {day(promise.p90)}); it was {day(promise.crisp)} "
        f"({promise.by}){'' if promise.held else ', outside the span'}."
    )


def sensors_changed(week: SiteWeek) -> list[str]:
    """What was done to sensors this week, in order of time."""
    return [
        f"{change.sensor}, {at(change.from_ms // MINUTE_MS, week.site)}: {_change(change)}."
        for change in week.changed
    ]


def _change(change: Calibration | Service) -> str:
    if isinstance(change, Service):
        return "out of service from here on" if change.out else "back in service"
    corrected = "" if change.quantity is None else f"its {change.quantity.value} is corrected"
    if change.swapped:
        told = "another sensor hangs there from here on, and is judged by its own past"
        return f"{told}; {corrected}" if corrected else told
    return f"{corrected} from here on"


def machine_told(week: SiteWeek) -> str:
    """Disk, backup and batteries in a few sentences."""
    machine = week.machine
    told = [
        f"The store takes {machine.store_bytes / 1e6:,.0f} MB; "
        f"{machine.free_bytes / 1e9:,.1f} GB are free."
    ]
    if machine.backups and machine.backed_up_ms is None:
        told.append("There is no backup yet.")
    elif machine.backed_up_ms is not None:
        made = at(machine.backed_up_ms // MINUTE_MS, week.site)
        told.append(f"Last backup: {made}, {words.count(machine.backups_kept, 'backup')} kept.")
    if machine.batteries:
        said = [
            f"{name} {value:g} {week.site.sensors[name].unit(Quantity.BATTERY)}"
            for name, value in machine.batteries.items()
            if name in week.site.sensors
        ]
        told.append(f"Batteries: {words.listed(said, 40)}.")
    return " ".join(told)
