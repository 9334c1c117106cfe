"""What the store teaches of each space, once a day. It takes long: it is done beside."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from monitor.ahead import lesson as learning
from monitor.ahead.grid import GridAir, TenMinutesKept, on_grid
from monitor.ahead.model import Location
from monitor.site.spaces import OUTDOORS
from monitor.site.time import DAY_MIN
from monitor.store.queries import Reader


@dataclass(frozen=True, slots=True)
class LearningOrder:
    """What is to be learned from.

    spaces  those that something measures
    until   nothing later than this UTC epoch minute is looked at
    """

    store: Path
    spaces: list[str]
    place: Location
    until: int


def past_of(archive: TenMinutesKept, space: str, outdoors: bool, until: int) -> GridAir:
    """What a space's lesson is learned from."""
    begin = until - learning.LEARNED_FROM_DAYS * DAY_MIN
    there = outdoors and space != OUTDOORS
    return on_grid(
        archive.ten_minute_means(space, begin, until),
        archive.ten_minute_means(OUTDOORS, begin, until) if there else None,
        begin,
        until,
    )


def lessons(order: LearningOrder) -> list[bytes]:
    """The lessons of all spaces of which anything is known, as they are kept."""
    outdoors, until = OUTDOORS in order.spaces, order.until
    kept = []
    with Reader(order.store) as reader:
        for space in order.spaces:
            history = past_of(reader, space, outdoors, until)
            lesson = learning.learn(space, history, until, order.place)
            if lesson is not None:
                kept.append(learning.dump(lesson))
    return kept
