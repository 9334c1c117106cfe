"""What is said once: of a batch, when it is time; of what is coming, and taken back if it stays
away.

Of a batch:

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

For each space and kind of spell, at full and half hours:

    what stands  what is foreseen                          now
    -----------  ----------------------------------------  -----------------------------------
    nothing      likely within twelve hours                told, once a day at most
    told         the spell has come                        closed; the spell's own notice speaks
    told         hardly likely any more                    taken back
    told         its time is over and it has not come      taken back, unless still likely
    told         nothing known of the air until then       closed

Nothing is told of a spell that goes on, in the night rest, while a pause lasts, or past the daily
cap of the space. What harms at night is told the evening before.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import NamedTuple

from monitor.ahead.courses import Chance, Watched, chance
from monitor.ahead.look import Coming
from monitor.air.minute import MinuteOfAir
from monitor.air.spells import Spell
from monitor.drying.prospects import KEPT, Prospect
from monitor.entries.batches import Batch
from monitor.notices.notice import Circumstances, Notice
from monitor.notices.sentences import foreseen
from monitor.site.flowers import Book
from monitor.site.kinds import Kind
from monitor.site.spaces import Site
from monitor.site.time import HOUR_MS, MINUTE_MS, local_day
from monitor.site.words import spoils_as

SNAP_FROM = 0.8
SOON_MS = 48 * HOUR_MS
LASTING_H = 24
MOIST_ABOVE_PCT = 30.0
LIGHT_SHARE = 0.5
NOT_DRY_BELOW = 0.5
# Drying too slowly, our own rule: still so moist after so many days in damp air.
SLOW_STILL_TO_LOSE_PCT = 50.0
SLOW_DAYS = 4.0

# Our own choice: four times in five such a notice should come true, and a taking back be rare.
TOLD_FROM = 0.75
TAKEN_BACK_BELOW = 0.15
STILL_LIKELY = 0.5
GRACE_MIN = 60
# Sooner than this it is no help any more to be told of it [min].
SOONEST_MIN = 30


class BatchRules:
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
                foreseen.taken_down_moist(batch.name, space, prospect.p_crisp, prospect.asked_ms)
            ]
        return self._light(batch, prospect, space)

    def _hanging(
        self, batch: Batch, prospect: Prospect, space: str, air: MinuteOfAir | None
    ) -> list[Notice]:
        now_ms, name, zone = prospect.asked_ms, batch.name, self._site.timezone
        notices = self._light(batch, prospect, space) + self._opening(batch, prospect, space, air)
        if prospect.p_crisp >= SNAP_FROM and not any(t.snaps for t in batch.snap_tests):
            notices.append(foreseen.try_snap(name, space, prospect.p_crisp, now_ms))
        elif prospect.state == "expected" and prospect.crisp_p50 is not None:
            first, last = prospect.crisp_p10 or 0, prospect.crisp_p90 or 0
            if prospect.crisp_p50 * MINUTE_MS - now_ms <= SOON_MS:
                first_ms = max(first * MINUTE_MS, now_ms)
                notices.append(
                    foreseen.crisp_soon(name, space, first_ms, last * MINUTE_MS, zone, now_ms)
                )
        lately_pct = None if air is None else air.relative_humidity_pct
        hopeless = self._hopeless[prospect.batch] >= LASTING_H
        if hopeless and lately_pct is not None:
            needed_pct = prospect.humidity_needed_pct
            notices.append(foreseen.cannot_finish(name, space, lately_pct, needed_pct, now_ms))
        left_pct, damp_h = prospect.still_to_lose_pct, prospect.damp_h
        if left_pct > SLOW_STILL_TO_LOSE_PCT and damp_h >= 24 * SLOW_DAYS:
            hung_h = (now_ms - batch.hung_ms) / HOUR_MS
            slow = foreseen.drying_too_slowly(name, space, left_pct, hung_h, damp_h, now_ms)
            notices.append(slow)
        elif self._stalled[prospect.batch] >= LASTING_H and not hopeless:
            since_ms = now_ms - LASTING_H * HOUR_MS
            notices.append(foreseen.stalled(name, space, left_pct, since_ms, zone, now_ms))
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
        temperatures = (air.temperature_c, above, self._site.temperature_unit)
        return [foreseen.opening_in_heat(batch.name, space, *temperatures, prospect.asked_ms)]

    def _light(self, batch: Batch, prospect: Prospect, space: str) -> list[Notice]:
        if prospect.light_share < LIGHT_SHARE:
            return []
        light = (spoils_as(batch.colour), 100 * prospect.light_share, prospect.months_left)
        return [foreseen.light_share(batch.name, space, *light, prospect.asked_ms)]


class Foretold(NamedTuple):
    """A notice of what is coming, as it is kept.

    told_ms      when [UTC epoch ms]
    begins       about when it was to begin [UTC epoch minute]
    stands_until if it has not come by then, it does not [UTC epoch minute]
    closed       "came", "taken back", "unknown"; None: it stands
    """

    space: str
    kind: Kind
    told_ms: int
    probability: float
    begins: int
    stands_until: int
    closed: str | None = None


class Ringing(NamedTuple):
    """Whether the phone may ring for what is coming in a space just now.

    held  kinds that are paused there, or were told of for many spaces today
    """

    resting: bool
    held: frozenset[Kind] = frozenset()
    capped: bool = False


class SoonRules:
    """Remembers what was foretold in the last days.

    kept  what was foretold, as the store has it, oldest first
    """

    def __init__(self, kept: Iterable[Foretold]) -> None:
        self._last: dict[tuple[str, Kind], Foretold] = {(f.space, f.kind): f for f in kept}

    def standing(self, space: str) -> list[Foretold]:
        """What is foretold of a space and still stands."""
        return [f for f in self._last.values() if f.space == space and f.closed is None]

    def tell(
        self,
        space: str,
        limits: Sequence[Watched],
        coming: Coming,
        spells: Sequence[Spell],
        circumstances: Circumstances,
        ringing: Ringing,
    ) -> tuple[list[Notice], list[Foretold]]:
        """What is to be said of a space at a full or half hour, and what is to be kept of it.

        limits  those that can be foreseen; none where nothing is known of its air
        spells  those that go on, and those of the last days
        """
        now = coming.asked
        chances = {of.kind: chance(of, now) for of in limits}
        taken_back, closed = self._close(space, chances, spells, circumstances, now)
        self._remember(closed)
        notices, opened = list[Notice](), list[Foretold]()
        going_on = {s.kind for s in spells if s.space == space and s.ended is None}
        quiet = ringing.resting or ringing.capped
        for kind, likely in chances.items():
            if likely is None or quiet or kind in ringing.held or kind in going_on:
                continue
            if not self._worth_telling(space, kind, likely, now, circumstances):
                continue
            p, begins, until = likely.probability, likely.begins, likely.latest + GRACE_MIN
            opened.append(Foretold(space, kind, now * MINUTE_MS, p, begins, until))
            hours = (p, begins, likely.ends, coming.best)
            notices.append(foreseen.coming(space, kind, *hours, circumstances, now * MINUTE_MS))
        self._remember(opened)
        return taken_back + notices, closed + opened

    def _close(
        self,
        space: str,
        chances: dict[Kind, Chance | None],
        spells: Sequence[Spell],
        circumstances: Circumstances,
        now: int,
    ) -> tuple[list[Notice], list[Foretold]]:
        """What came, or does not: what is to be said of it, and what is to be kept."""
        notices, changed = list[Notice](), list[Foretold]()
        for told in self.standing(space):
            closed = _closed(told, chances, any(_is(s, told) for s in spells), now)
            if closed is None:
                continue
            changed.append(told._replace(closed=closed))
            if closed == "taken back":
                likely = chances[told.kind]
                share = 0.0 if likely is None else likely.probability
                about = (space, told.kind, share, told.begins)
                notices.append(foreseen.not_coming(*about, circumstances, now * MINUTE_MS))
        return notices, changed

    def _remember(self, changed: Iterable[Foretold]) -> None:
        self._last.update({(f.space, f.kind): f for f in changed})

    def _worth_telling(
        self, space: str, kind: Kind, likely: Chance, now: int, circumstances: Circumstances
    ) -> bool:
        if likely.probability < TOLD_FROM or likely.begins - now < SOONEST_MIN:
            return False
        last = self._last.get((space, kind))
        if last is None:
            return True
        zone = circumstances.site.timezone
        today = local_day(now * MINUTE_MS, zone)
        return last.closed is not None and local_day(last.told_ms, zone) != today


def _is(spell: Spell, told: Foretold) -> bool:
    """Whether a spell is what was foretold."""
    about = (spell.space, spell.kind) == (told.space, told.kind) and spell.sensor is None
    return about and (spell.ended is None or spell.ended > told.told_ms // MINUTE_MS)


def _closed(told: Foretold, chances: dict[Kind, Chance | None], came: bool, now: int) -> str | None:
    """What became of it; None: it stands on."""
    if came:
        return "came"
    if told.kind not in chances:
        return "unknown" if now > told.stands_until else None
    likely = chances[told.kind]
    share = 0.0 if likely is None else likely.probability
    if share < TAKEN_BACK_BELOW or (now > told.stands_until and share < STILL_LIKELY):
        return "taken back"
    return None
