"""How likely a limit is passed, and what is said of it: courses worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.ahead.courses import Watched, chance
from monitor.ahead.look import Coming
from monitor.air.spells import Spell
from monitor.notices.notice import Circumstances, Part, Weight
from monitor.notices.once_rules import Foretold, Ringing, SoonRules
from monitor.site.kinds import Kind
from monitor.site.spaces import Limits, Site, Space, Use
from monitor.site.time import MINUTE_MS

NOW = 29_732_220  # 2026-07-13 10:00 in London, UTC epoch minute
STEPS = 144
RINGS = Ringing(resting=False)


def paths(*spans: tuple[int, int]) -> np.ndarray:  # type: ignore[type-arg]
    """One path a span: 25 °C, and 35 °C from one step to before another (the first is 0)."""
    found = np.full((len(spans), STEPS), 25.0)
    for path, (begin, end) in zip(found, spans, strict=True):
        path[begin:end] = 35.0
    return found


def hot(ahead: np.ndarray, behind: float = 25.0, delay: int = 2) -> Watched:  # type: ignore[type-arg]
    return Watched(Kind.HOT, 32.0, np.full(36, behind), ahead, delay)


def test_the_share_of_paths_that_pass_it_long_enough() -> None:
    """Four in five pass it; one of them for ten minutes only, which is too short to count."""
    found = chance(hot(paths((24, 48), (24, 48), (30, 50), (40, 41), (0, 0))), NOW)
    assert found is not None
    assert found.probability == pytest.approx(0.6)
    assert found.begins == NOW + 10 * 25
    assert found.ends == NOW + 10 * 49
    assert NOW + 10 * 25 <= found.latest <= NOW + 10 * 31


def test_what_is_past_it_already_counts() -> None:
    """Past it for hours, and for ten minutes more: with a delay of an hour that makes a spell."""
    warm = hot(paths((0, 1)), behind=35.0, delay=6)
    cool = hot(paths((0, 1)), behind=25.0, delay=6)
    assert chance(warm, NOW) is not None
    assert chance(cool, NOW) is None


def test_only_what_begins_within_the_hours_asked() -> None:
    late = hot(paths((60, 90)))
    assert chance(late, NOW, within_h=12) is not None
    assert chance(late, NOW, within_h=3) is None


def test_a_spell_without_an_end_in_sight() -> None:
    found = chance(hot(paths((24, STEPS))), NOW)
    assert found is not None
    assert found.ends is None


def test_unknown_hours_behind_are_not_past_it() -> None:
    assert chance(hot(paths((0, 5)), behind=float("nan"), delay=6), NOW) is None


SITE = Site(
    "Fernhollow", 54.9, -2.1, 140, "Europe/London", "°C",
    {"granary": Space("granary", Use.HANGING, Limits(hot_c=32, damp_pct=75))}, {},
)  # fmt: skip
AROUND = Circumstances(SITE, 100_000.0, {"granary": ("six bunches of statice",)})
LIKELY = hot(paths(*[(24, 48)] * 4, (0, 0)))
HARDLY = hot(paths((24, 48), *[(0, 0)] * 19))
UNSURE = hot(paths((24, 48), (0, 0)))


def tell(
    teller: SoonRules,
    *limits: Watched,
    now: int = NOW,
    spells: tuple[Spell, ...] = (),
    ringing: Ringing = RINGS,
) -> tuple[list[str], list[Foretold]]:
    notices, changed = teller.tell("granary", limits, Coming(now), spells, AROUND, ringing)
    assert all(n.weight is Weight.SOON and n.spell_began is None for n in notices)
    return [n.part for n in notices], changed


def test_told_once_and_taken_back_once() -> None:
    teller = SoonRules(())
    parts, [told] = tell(teller, LIKELY)
    assert parts == [Part.COMING]
    assert told.closed is None
    assert tell(teller, LIKELY, now=NOW + 60) == ([], [])
    assert tell(teller, UNSURE, now=NOW + 120) == ([], [])
    parts, [closed] = tell(teller, HARDLY, now=NOW + 180)
    assert parts == [Part.NOT_COMING]
    assert closed == told._replace(closed="taken back")
    assert tell(teller, HARDLY, now=NOW + 240) == ([], [])
    assert tell(teller, LIKELY, now=NOW + 300) == ([], []), "once a day at most"
    parts, _ = tell(teller, LIKELY, now=NOW + 1440)
    assert parts == [Part.COMING]


def test_in_words() -> None:
    teller = SoonRules(())
    [told], _ = teller.tell("granary", [LIKELY], Coming(NOW), (), AROUND, RINGS)
    assert told.title == "Granary: likely above 32 °C from 14:00"
    assert told.body.splitlines()[0] == (
        "The air will likely pass 32 °C at about 14:00 and stay above it until about 18:00: "
        "the chances are 8 in 10. A cloudier day would keep it cooler."
    )
    [back], _ = teller.tell("granary", [HARDLY], Coming(NOW + 60), (), AROUND, RINGS)
    assert back.title == "Granary: not so hot after all"
    assert "that it still does, the chances are 1 in 10" in back.body


def test_when_it_comes_the_spell_speaks() -> None:
    teller = SoonRules(())
    _, [told] = tell(teller, LIKELY)
    spell = Spell(Kind.HOT, "granary", None, NOW + 200, NOW + 220, None, 33.0, False, None)
    assert tell(teller, LIKELY, now=NOW + 240, spells=(spell,)) == (
        [],
        [told._replace(closed="came")],
    )
    over = spell._replace(ended=NOW + 300, settled=NOW + 300)
    assert tell(teller, LIKELY, now=NOW + 360, spells=(over,)) == ([], [])


def test_what_has_not_come_in_time_is_taken_back() -> None:
    teller = SoonRules(())
    _, [told] = tell(teller, LIKELY)
    unsure = hot(paths((6, 20), (0, 0), (0, 0)))
    assert tell(teller, unsure, now=told.stands_until) == ([], [])
    parts, _ = tell(teller, unsure, now=told.stands_until + 60)
    assert parts == [Part.NOT_COMING]


def test_silence_closes_it_without_a_word() -> None:
    teller = SoonRules(())
    _, [told] = tell(teller, LIKELY)
    assert tell(teller, now=NOW + 60) == ([], [])
    assert tell(teller, now=told.stands_until + 10) == ([], [told._replace(closed="unknown")])


def test_a_restart_remembers() -> None:
    _, [told] = tell(SoonRules(()), LIKELY)
    again = SoonRules([told])
    assert tell(again, LIKELY, now=NOW + 60) == ([], [])
    parts, _ = tell(again, HARDLY, now=NOW + 120)
    assert parts == [Part.NOT_COMING]


@pytest.mark.parametrize(
    "ringing",
    [
        Ringing(resting=True),
        Ringing(False, frozenset({Kind.HOT})),
        Ringing(False, capped=True),
    ],
)
def test_when_the_phone_may_not_ring_nothing_is_told(ringing: Ringing) -> None:
    assert tell(SoonRules(()), LIKELY, ringing=ringing) == ([], [])


def test_neither_what_goes_on_nor_what_is_too_near_is_told() -> None:
    spell = Spell(Kind.HOT, "granary", None, NOW - 30, NOW - 10, None, 33.0, False, None)
    assert tell(SoonRules(()), LIKELY, spells=(spell,)) == ([], [])
    assert tell(SoonRules(()), hot(paths((0, 30)))) == ([], [])
    assert NOW * MINUTE_MS > 0
