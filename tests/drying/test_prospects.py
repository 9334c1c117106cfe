"""What is said of batches hour by hour, from minutes of air in a real store."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import count
from pathlib import Path

import pytest

from monitor.air.minute import MinuteOfAir
from monitor.drying.prospects import Prospect, Prospects, still_true
from monitor.drying.standing import Standings
from monitor.engine.effects import Effects
from monitor.entries.batches import Batch, SnapTest, Stay, Weighing
from monitor.notices.notice import Notice
from monitor.notices.once_rules import BatchRules
from monitor.notices.sentences.foreseen import sentences
from monitor.site.flowers import read_book
from monitor.site.spaces import Site, Space, Use
from monitor.site.time import MINUTE_MS
from monitor.store.writer import Writer
from tests.drying.asked import said_of

BOOK = read_book((Path(__file__).parents[2] / "config" / "flowers.toml").read_text("utf-8"))
SPACES = {
    "wash house": Space("wash house", Use.HANGING),
    "loft": Space("loft", Use.HANGING),
    "box room": Space("box room", Use.STORING),
    "window": Space("window", Use.SHOWING),
}
SITE = Site("Barn", 54.9, -2.1, 140.0, "Europe/London", "°C", SPACES, {})
START_MIN = 29_719_440  # 2026-07-04T00:00Z


def ms(day: float) -> int:
    """A moment so many days after the start."""
    return (START_MIN + round(1440 * day)) * MINUTE_MS


class Place:
    """Spaces whose air is written into a store, and what is said of a batch in them."""

    def __init__(self, folder: Path) -> None:
        self.writer = Writer(folder / "x.sqlite")
        self.prospects = self.anew()
        self.teller = BatchRules(SITE, BOOK, self.writer.said)
        self.air: dict[str, MinuteOfAir] = {}

    def anew(self) -> Prospects:
        """As after a restart."""
        return Prospects(Standings(BOOK, self.writer, self.writer), SITE.hanging())

    def holds(
        self,
        space: str,
        days: float,
        t: float,
        rh: float,
        lux: float = 0.0,
        begin: float = 0.0,
        again: bool = False,
    ) -> None:
        """Constant air from one day to another; again: in place of what was there."""
        minutes = [
            MinuteOfAir(minute, space, t, rh, lux, 5.0, 1.0, 8.0, 9.0, None, 1)
            for minute in range(START_MIN + round(1440 * begin), START_MIN + round(1440 * days))
        ]
        replaced = [minute.minute for minute in minutes] if again else []
        self.writer.apply(Effects(air=minutes, refolded=replaced))
        self.air[space] = minutes[-1]

    def say(self, batch: Batch, day: float) -> Prospect:
        said = said_of(self.prospects, batch, [batch], ms(day))
        assert said is not None
        return said

    def words(self, batch: Batch, day: float) -> str:
        return " ".join(sentences(self.say(batch, day), SITE))

    def notices(self, batch: Batch, days: int, hours: int = 1) -> list[tuple[str, Notice]]:
        """Kinds of what is told, hour by hour until that day."""
        told = []
        for hour in range(1, 24 * days + 1, hours):
            said = said_of(self.prospects, batch, [batch], ms(hour / 24))
            if said is not None:
                told += [(n.kind, n) for n in self.teller.tell(batch, said, self.air)]
        return told


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Place]:
    made = Place(tmp_path)
    yield made
    made.writer.close()


_numbers = count(1)


def hung(space: str = "loft", flower: str = "strawflower", **more: object) -> Batch:
    stay = Stay(ms(0), None, space)
    return Batch("first", next(_numbers), flower, 6, ms(0), (stay,), **more)  # type: ignore[arg-type]


def taken_down(day: float, keep: str | None, **more: object) -> Batch:
    stays = (Stay(ms(0), ms(day), "loft"), *([Stay(ms(day), None, keep)] if keep else []))
    return Batch(
        *("first", next(_numbers), "strawflower", 6, ms(0), stays),
        **{"taken_down_ms": ms(day), **more},  # type: ignore[arg-type]
    )


def test_good_air_promises_a_day_then_asks_for_a_stem(place: Place) -> None:
    place.holds("loft", 25, 21, 40)
    batch = hung()
    early = place.say(batch, 2)
    assert early.state == "expected"
    assert early.p_finishes is not None
    assert early.p_finishes > 0.9
    assert early.if_dry_p50 is None
    assert "8 times in 10 between" in place.words(batch, 2)
    goes, holds = f"{early.loses_pct_a_day:.0f} % will go", f"{early.moisture_pct_db:.0f} g"
    assert f"In the next day about {goes}. It holds about {holds} of" in place.words(batch, 2)
    kinds = [kind for kind, _ in place.notices(batch, 25, 3)]
    assert kinds == ["crisp-soon", "try-snap"]
    assert "Bend a thick stem" in place.words(batch, 25)
    snapped = hung(snap_tests=(SnapTest(ms(12), True),))
    assert "try-snap" not in [kind for kind, _ in place.notices(snapped, 25, 3)]


def test_air_about_the_target_promises_nothing_and_says_why(place: Place) -> None:
    place.holds("loft", 20, 18, 59)
    batch = hung()
    said = place.say(batch, 8)
    assert said.state == "unknown"
    assert said.crisp_p50 is None
    words = place.words(batch, 8)
    assert "No day can be promised: the chances that it gets dry here are " in words
    assert said.if_dry_p50 is None or "If it does, about " in words
    assert "or less would make sure" in words


def test_damp_air_cannot_finish_and_says_what_would_do_and_where_it_were_better(
    place: Place,
) -> None:
    place.holds("wash house", 9, 12, 84)
    place.holds("loft", 9, 22, 42)
    batch = hung("wash house")
    words = place.words(batch, 8)
    assert "It cannot finish here: the air is too moist." in words
    assert "or less would do" in words
    said = place.say(batch, 8)
    assert said.better_space == "loft"
    assert said.better_left_pct is not None
    assert said.better_left_pct < said.still_to_lose_pct - 10
    assert "Hung in loft instead, it would likely be crisp by now." in words
    fair = sentences(replace(said, better_left_pct=12.4), SITE)
    assert "Hung in loft instead, it would have had about 12 % still to lose by now." in fair
    told = dict(place.notices(batch, 9))
    assert told["cannot-finish"].body.count("would do") == 1
    assert place.say(hung("loft"), 8).better_space is None


def test_another_space_known_for_too_short_is_not_held_up(place: Place) -> None:
    place.holds("wash house", 9, 12, 84)
    place.holds("loft", 9, 22, 42, begin=4)
    assert place.say(hung("wash house"), 8).better_space is None


def test_a_batch_that_stays_wet_has_stalled(place: Place) -> None:
    """At 15 °C and 68 % it comes to rest just above crisp; drier days could still finish it."""
    place.holds("loft", 24, 15, 68)
    assert not place.say(hung(), 10).stalled
    assert place.say(hung(), 22).stalled
    assert "It hardly dries any more." in place.words(hung(), 22)
    told = place.notices(hung(), 24, 1)
    assert [kind for kind, _ in told] == ["stalled"]
    assert "move it to a drier space" in told[0][1].body


def test_heads_open_in_the_heat_while_moist(place: Place) -> None:
    place.holds("loft", 4, 33, 55)
    told = place.notices(hung(), 4)
    assert told[0][0] == "opening"
    assert place.say(hung(), 4).opening in ("some", "much")
    cool = hung("wash house")
    place.holds("wash house", 4, 15, 55)
    assert place.say(cool, 4).opening == "little"
    assert place.say(hung(flower="statice"), 4).opening is None


def test_light_adds_up_before_and_after_it_is_taken_down(place: Place) -> None:
    place.holds("loft", 12, 22, 40, lux=3000)
    place.holds("window", 40, 20, 45, lux=1500, begin=12)
    batch = taken_down(12, "window", colour="pink")
    before, after = place.say(batch, 12), place.say(batch, 20)
    assert after.light_share > before.light_share > 0.5
    assert after.state == "kept"
    assert after.months_left is not None
    assert "to yellow" in " ".join(sentences(after, SITE, "white"))  # common practice, no source
    words = place.words(batch, 13)
    assert "of the light its colour bears before it is seen to fade" in words
    assert "At this light its colour lasts " in words
    assert "light-share" in [kind for kind, _ in place.notices(batch, 13, 6)]


def test_kept_in_the_damp_it_takes_up_water_again(place: Place) -> None:
    place.holds("loft", 25, 22, 38)
    place.holds("box room", 50, 14, 80, begin=25)
    batch = taken_down(25, "box room")
    dry, damp = place.say(batch, 25.125), place.say(batch, 50)
    assert dry.p_crisp > 0.9
    assert damp.p_crisp < 0.2
    assert damp.moisture_pct_db > dry.moisture_pct_db


@pytest.mark.parametrize("keep", ["box room", None])
def test_taken_down_wet_is_said_wherever_it_went(place: Place, keep: str | None) -> None:
    place.holds("loft", 6, 20, 50)
    place.holds("box room", 6, 20, 50)
    told = dict(place.notices(taken_down(3.02, keep), 5))
    assert "taken-down-moist" in told
    assert told["taken-down-moist"].weight.value == "now"


def test_taken_down_dry_needs_no_word(place: Place) -> None:
    place.holds("loft", 26, 22, 38)
    told = place.notices(taken_down(25.02, None), 26, 1)
    assert "taken-down-moist" not in [kind for kind, _ in told]


def test_a_weighing_changes_what_is_said(place: Place) -> None:
    place.holds("loft", 6, 20, 50)
    batch = hung(fresh_mass_g=200.0)
    blind = place.say(batch, 6).still_to_lose_pct
    light = replace(batch, weighings=(Weighing(ms(5), 55.0),))
    heavy = replace(batch, weighings=(Weighing(ms(5), 100.0),))
    assert place.say(light, 6).still_to_lose_pct < blind < place.say(heavy, 6).still_to_lose_pct


def test_what_was_said_of_its_place_ends_with_the_taking_down_or_the_move(place: Place) -> None:
    """Between an entry and the next full hour, nothing is said that the entry made untrue."""
    place.holds("loft", 6, 20, 45)
    batch = hung()
    said = place.say(batch, 6)
    assert said.crisp_p50 is not None
    assert still_true(said, batch) == said
    stays = (Stay(ms(0), ms(6.01), "loft"),)
    down = still_true(said, replace(batch, stays=stays, taken_down_ms=ms(6.01)))
    assert down is not None
    assert (down.state, down.crisp_p50, down.stalled) == ("kept", None, False)
    assert down.still_to_lose_pct == said.still_to_lose_pct
    moved = still_true(said, replace(batch, stays=(*stays, Stay(ms(6.01), None, "shed"))))
    assert moved is not None
    assert "No day can be promised yet" in " ".join(sentences(moved, SITE))
    assert still_true(down, batch) is None  # the taking down was undone


def test_a_finished_batch_put_right_teaches_anew(place: Place) -> None:
    """A weighing of a finished batch corrected later: as if it had been right from the start."""

    def finished(*grams: float) -> Batch:
        weighed = tuple(Weighing(ms(2 * i), g) for i, g in enumerate(grams))
        return replace(taken_down(9, None), hung_by=first, name="teacher", weighings=weighed)

    place.holds("loft", 12, 20, 50)
    first = next(_numbers)
    pupil = replace(hung(), hung_ms=ms(9.5), stays=(Stay(ms(9.5), None, "loft"),))
    wrong, right = finished(200, 190, 180, 170), finished(200, 120, 80, 60)
    before = said_of(place.prospects, pupil, [wrong, pupil], ms(12))
    after = said_of(place.prospects, pupil, [right, pupil], ms(12))
    fresh = said_of(place.anew(), pupil, [right, pupil], ms(12))
    assert before is not None
    assert after == fresh != before


def test_late_readings_change_what_a_finished_batch_taught(place: Place) -> None:
    place.holds("loft", 12, 20, 50)
    teacher = replace(taken_down(9, None), weighings=(Weighing(ms(0), 200), Weighing(ms(4), 90)))
    pupil = replace(hung(), hung_ms=ms(9.5), stays=(Stay(ms(9.5), None, "loft"),))
    batches = [teacher, pupil]
    before = said_of(place.prospects, pupil, batches, ms(12))
    place.holds("loft", 3, 30, 30, begin=1, again=True)
    place.prospects.forget_since(START_MIN + 1440)
    after = said_of(place.prospects, pupil, batches, ms(12))
    assert after == said_of(place.anew(), pupil, batches, ms(12)) != before
