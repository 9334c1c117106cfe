"""When and where something crisp hung, by what a bent stem told.

A limit on dry air holds then; it goes by the entries alone, never by what the model thinks.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from monitor.entries.batches import Batch
from monitor.site.time import MINUTE_MS


class CrispSpan(NamedTuple):
    """Minutes in which a batch of which a stem has snapped hung in a space; until exclusive."""

    space: str
    from_min: int
    until_min: int | None


def crisp_spans(batches: Iterable[Batch]) -> frozenset[CrispSpan]:
    """When and where something crisp hung, by what a bent stem told."""
    return frozenset(
        CrispSpan(
            stay.space,
            max(stay.from_ms, snapped_ms) // MINUTE_MS,
            None if stay.until_ms is None else stay.until_ms // MINUTE_MS,
        )
        for batch in batches
        for snapped_ms in [min((t.at_ms for t in batch.snap_tests if t.snaps), default=None)]
        if snapped_ms is not None
        for stay in batch.stays
        if batch.hangs_at(stay.from_ms) and (stay.until_ms is None or snapped_ms < stay.until_ms)
    )


def crisp_in(spans: Iterable[CrispSpan], space: str, minute: int) -> bool:
    """Whether something crisp hung in a space in that minute."""
    return any(
        span.space == space
        and span.from_min <= minute
        and (span.until_min is None or minute < span.until_min)
        for span in spans
    )


def first_change(before: frozenset[CrispSpan], after: frozenset[CrispSpan]) -> int | None:
    """The first minute in which something crisp hung by one and not by the other; None: none."""
    turns = {(s.space, minute) for s in before | after for minute in (s.from_min, s.until_min)}
    return min(
        (
            minute
            for space, minute in turns
            if minute is not None
            and crisp_in(before, space, minute) != crisp_in(after, space, minute)
        ),
        default=None,
    )
