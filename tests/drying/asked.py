"""What is said of one batch, all at once, for tests that need no pieces."""

from __future__ import annotations

from collections.abc import Sequence

from monitor.drying.ensemble import whole
from monitor.drying.hours import Foreseen
from monitor.drying.prospects import Prospect, Prospects
from monitor.entries.batches import Batch


def said_of(
    prospects: Prospects,
    batch: Batch,
    batches: Sequence[Batch],
    asked_ms: int,
    coming: Foreseen | None = None,
    until_ms: int | None = None,
) -> Prospect | None:
    """What is to be said of it at a full hour; None: nothing."""
    foreseen = {} if coming is None else {stay.space: coming for stay in batch.stays}
    return next(iter(whole(prospects.say([batch], batches, asked_ms, foreseen, until_ms))), None)
