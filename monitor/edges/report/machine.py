"""The machine's own part of the week: batteries, room on the disk, backups."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import NamedTuple

from monitor.site.quantities import Quantity
from monitor.site.spaces import Site
from monitor.site.time import DAY_MIN, MINUTE_MS
from monitor.store import backup
from monitor.store.reader import Reader

# A battery that told nothing for so long is not known.
_BATTERY_DAYS = 2


class Machine(NamedTuple):
    """As the report is written: bytes of the store and free beside it, and the last backup.

    batteries  of the sensors that tell theirs, at the week's end: sensor → value in its unit
    backed_up_ms  when the last backup was made [UTC epoch ms]; None: there is none, or nowhere
                  to look (`backups` is then False)
    """

    batteries: dict[str, float]
    store_bytes: int
    free_bytes: int
    backups: bool
    backed_up_ms: int | None
    backups_kept: int


def machine(reader: Reader, site: Site, store: Path, backups: Path | None, end: int) -> Machine:
    """Batteries at a week's end [UTC epoch minutes]; disk and backups as they are now."""
    batteries: dict[str, float] = {}
    if any(Quantity.BATTERY in sensor.reads for sensor in site.sensors.values()):
        begin_ms = (end - _BATTERY_DAYS * DAY_MIN) * MINUTE_MS
        batteries = reader.last_values(Quantity.BATTERY, begin_ms, end * MINUTE_MS)
    found = [] if backups is None else backup.backups(store, backups)
    return Machine(
        batteries=batteries,
        store_bytes=store.stat().st_size,
        free_bytes=shutil.disk_usage(store.parent).free,
        backups=backups is not None,
        backed_up_ms=backup.made_ms(store, found[-1]) if found else None,
        backups_kept=len(found),
    )
