"""Days that were named for batches, against when they were crisp."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np

from monitor.drying.standing import Standings
from monitor.entries.batches import Batch
from monitor.site.time import DAY_MIN, DAY_MS, HOUR_MS, MINUTE_MS, local_day
from monitor.store.reader import Reader

LEADS_DAYS = (7, 3)
"""How long before it was crisp a promise is looked up [d]."""
# Weighings, the one when hung among them, that tell by themselves when a batch was crisp.
_TELLING_WEIGHINGS = 3


class Promise(NamedTuple):
    """What was said of a batch so many days before it was crisp; times in UTC epoch minutes.

    by    how it is known when it was crisp: "it snapped", "by its weighings", "taken down"
    held  the day lay between the first and the last that was named
    """

    batch: Batch
    lead_days: int
    asked: int
    p10: int
    p50: int
    p90: int
    crisp: int
    by: str
    held: bool

    @property
    def off_days(self) -> float:
        """Days that it was crisp later than the middle of what was named; below 0: sooner."""
        return (self.crisp - self.p50) / DAY_MIN


def promises(
    reader: Reader, standings: Standings, zone: str, batch: Batch, batches: Sequence[Batch]
) -> Iterator[Promise]:
    """What was promised of a batch that was taken down; nothing where no day was named."""
    crisp, by = _when_crisp(standings, batch, batches)
    for lead in LEADS_DAYS:
        asked_ms = crisp * MINUTE_MS - lead * DAY_MS
        said = reader.said_of(batch.hung_by, batch.hung_ms, asked_ms)
        if said is None or said.state != "expected":
            continue
        if said.crisp_p10 is None or said.crisp_p50 is None or said.crisp_p90 is None:
            continue
        first, day, last = (
            local_day(minute * MINUTE_MS, zone)
            for minute in (said.crisp_p10, crisp, said.crisp_p90)
        )
        yield Promise(
            batch,
            lead,
            said.asked_ms // MINUTE_MS,
            said.crisp_p10,
            said.crisp_p50,
            said.crisp_p90,
            crisp,
            by,
            first <= day <= last,
        )


def _when_crisp(standings: Standings, batch: Batch, batches: Sequence[Batch]) -> tuple[int, str]:
    """The minute in which it was crisp, as far as it is known, and by what."""
    snapped = [test.at_ms for test in batch.snap_tests if test.snaps]
    if snapped:
        return snapped[0] // MINUTE_MS, "it snapped"
    down_ms = batch.taken_down_ms or batch.hung_ms
    weighed = len(batch.weighings) + (batch.fresh_mass_g is not None)
    if weighed >= _TELLING_WEIGHINGS:
        stands = standings.standing(batch, batches, down_ms // HOUR_MS)
        hours = np.empty(0) if stands is None else stands.ensemble.crisp_hour
        if np.isfinite(hours).mean() > 0.5:
            return round(60 * float(np.nanmedian(hours))), "by its weighings"
    return down_ms // MINUTE_MS, "taken down"


def held(told: Sequence[Promise], lead_days: int) -> tuple[int, int]:
    """How many promises of one lead held, of how many."""
    of_lead = [promise for promise in told if promise.lead_days == lead_days]
    return sum(promise.held for promise in of_lead), len(of_lead)
