"""What is said of a batch: once each, when it is time.

kind              said when
----------------  ------------------------------------------------------------------
try-snap          it is crisp with 8 in 10, and no stem has snapped yet
crisp-soon        it is expected within two days
stalled           it has hardly lost anything for a day, and is still wet
cannot-finish     for a day its air has been too moist for it ever to get dry
drying-slowly     it is still more than half moist after days in damp air
opening           its heads are moist, the air is above where they open, and it adds up
light-share       it has had half the light that its colour bears
taken-down-moist  it was taken down and was likely not dry
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping

from monitor.air.minute import MinuteOfAir
from monitor.air.musty import drying_too_slowly
from monitor.drying.prospects import KEPT, Prospect
from monitor.entries.batches import Batch
from monitor.notices.rules import Notice
from monitor.notices.sentences import messages
from monitor.site.flowers import Book
from monitor.site.spaces import Site
from monitor.site.time import HOUR_MS, MINUTE_MS

SNAP_FROM = 0.8
SOON_MS = 48 * HOUR_MS
LASTING_H = 24
MOIST_ABOVE_PCT = 30.0
LIGHT_SHARE = 0.5
NOT_DRY_BELOW = 0.5


class BatchTeller:
    """Remembers how long a batch has stood badly; what was said is asked of the store.

    said   whether a notice of this kind was ever written about this place on the page
    """

    def __init__(self, site: Site, book: Book, said: Callable[[str, str], bool]) -> None:
        self._site = site
        self._book = book
        self._said = said
        self._stalled: Counter[int] = Counter()
        self._hopeless: Counter[int] = Counter()
        self._told: set[tuple[str, str]] = set()

    def tell(
        self, batch: Batch, prospect: Prospect, air: Mapping[str, MinuteOfAir]
    ) -> list[Notice]:
        """What is to be said of a batch at the hour of its prospect, and was not said before."""
        self._count(self._stalled, prospect, prospect.stalled)
        self._count(self._hopeless, prospect, prospect.state == "cannot_finish")
        space = batch.space_at(prospect.asked_ms) or batch.stays[-1].space
        notices = (
            self._kept(batch, prospect, space)
            if prospect.state == KEPT
            else self._hanging(batch, prospect, space, air.get(space))
        )
        return [notice for notice in notices if self._new(notice)]

    def _count(self, counter: Counter[int], prospect: Prospect, bad: bool) -> None:
        counter[prospect.batch] = counter[prospect.batch] + 1 if bad else 0

    def _new(self, notice: Notice) -> bool:
        key = (notice.kind, notice.place)
        if key in self._told or self._said(*key):
            return False
        self._told.add(key)
        return True

    def _kept(self, batch: Batch, prospect: Prospect, space: str) -> list[Notice]:
        if batch.taken_down_since(prospect.asked_ms - HOUR_MS) and prospect.p_crisp < NOT_DRY_BELOW:
            return [
                messages.taken_down_moist(batch.name, space, prospect.p_crisp, prospect.asked_ms)
            ]
        return self._light(batch, prospect, space)

    def _hanging(
        self, batch: Batch, prospect: Prospect, space: str, air: MinuteOfAir | None
    ) -> list[Notice]:
        now_ms, name, zone = prospect.asked_ms, batch.name, self._site.timezone
        notices = self._light(batch, prospect, space) + self._opening(batch, prospect, space, air)
        if prospect.p_crisp >= SNAP_FROM and not any(t.snaps for t in batch.snap_tests):
            notices.append(messages.try_snap(name, space, prospect.p_crisp, now_ms))
        elif prospect.state == "expected" and prospect.crisp_p50 is not None:
            first, last = prospect.crisp_p10 or 0, prospect.crisp_p90 or 0
            if prospect.crisp_p50 * MINUTE_MS - now_ms <= SOON_MS:
                first_ms = max(first * MINUTE_MS, now_ms)
                notices.append(
                    messages.crisp_soon(name, space, first_ms, last * MINUTE_MS, zone, now_ms)
                )
        lately_pct = None if air is None else air.relative_humidity_pct
        hopeless = self._hopeless[prospect.batch] >= LASTING_H
        if hopeless and lately_pct is not None:
            needed_pct = prospect.humidity_needed_pct
            notices.append(messages.cannot_finish(name, space, lately_pct, needed_pct, now_ms))
        hung_h = (now_ms - batch.hung_ms) / HOUR_MS
        slow = drying_too_slowly(prospect.still_to_lose_pct, hung_h, prospect.damp_h)
        if slow is not None:
            notices.append(messages.drying_too_slowly(name, space, slow, now_ms))
        elif self._stalled[prospect.batch] >= LASTING_H and not hopeless:
            since_ms = now_ms - LASTING_H * HOUR_MS
            notices.append(
                messages.stalled(name, space, prospect.still_to_lose_pct, since_ms, zone, now_ms)
            )
        return notices

    def _opening(
        self, batch: Batch, prospect: Prospect, space: str, air: MinuteOfAir | None
    ) -> list[Notice]:
        above = (self._book.find(batch.flower) or self._book.other).opening_above_c
        if above is None or air is None or air.temperature_c is None:
            return []
        moist = prospect.still_to_lose_pct > MOIST_ABOVE_PCT
        if not moist or air.temperature_c <= above or prospect.opening in (None, "little"):
            return []
        unit = self._site.temperature_unit
        return [
            messages.opening_in_heat(
                batch.name, space, air.temperature_c, above, unit, prospect.asked_ms
            )
        ]

    def _light(self, batch: Batch, prospect: Prospect, space: str) -> list[Notice]:
        if prospect.light_share < LIGHT_SHARE:
            return []
        return [
            messages.light_share(
                batch.name,
                space,
                batch.colour,
                100 * prospect.light_share,
                prospect.months_left,
                prospect.asked_ms,
            )
        ]
