"""What is said of what is coming: once, and taken back where it does not come.

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

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from monitor.ahead.chances import Chance, Watched, chance
from monitor.ahead.look import Coming
from monitor.air.spells import Spell
from monitor.notices.circumstances import Circumstances
from monitor.notices.rules import Notice
from monitor.notices.sentences import coming as coming_words
from monitor.site.kinds import Kind
from monitor.site.time import MINUTE_MS, local_day

# Our own choice: four times in five such a notice should come true, and a taking back be rare.
TOLD_FROM = 0.75
TAKEN_BACK_BELOW = 0.15
STILL_LIKELY = 0.5
GRACE_MIN = 60
# Sooner than this it is no help any more to be told of it [min].
SOONEST_MIN = 30


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
    """Whether the phone may ring for a kind of notice in a space just now."""

    resting: bool
    paused: frozenset[Kind] = frozenset()
    capped: bool = False


class SoonTeller:
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
        notices: list[Notice] = []
        changed: list[Foretold] = []
        for told in self.standing(space):
            came = any(_is(s, told) for s in spells)
            closed = _closed(told, chances, came, now)
            if closed is not None:
                changed.append(told._replace(closed=closed))
                if closed == "taken back":
                    left = chances[told.kind]
                    share = 0.0 if left is None else left.probability
                    notices.append(
                        coming_words.not_coming(
                            *(space, told.kind, share, told.begins),
                            circumstances,
                            now * MINUTE_MS,
                        )
                    )
        self._remember(changed)
        for kind, likely in chances.items():
            if likely is None or not self._worth_telling(space, kind, likely, now, circumstances):
                continue
            if any(s.space == space and s.kind is kind and s.ended is None for s in spells):
                continue
            if ringing.resting or ringing.capped or kind in ringing.paused:
                continue
            told = Foretold(
                space, kind, now * MINUTE_MS, likely.probability, likely.begins,
                likely.latest + GRACE_MIN,
            )  # fmt: skip
            changed.append(told)
            notices.append(
                coming_words.coming(
                    *(space, kind, likely.probability, likely.begins, likely.ends),
                    coming.best,
                    circumstances,
                    now * MINUTE_MS,
                )
            )
        self._remember(changed)
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
