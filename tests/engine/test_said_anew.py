"""Of what more becomes known, nothing wrong is said meanwhile, and the right thing soon.

A live engine on a real store, its turns taken as the worker takes them. What is worked out in
pieces is what a store read afresh, with all of it known from the start, comes to.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from shutil import copyfile

import pytest

from monitor.drying.prospects import Prospect, Prospects
from monitor.drying.standing import Standings
from monitor.engine.effects import Snapshot, publications
from monitor.engine.engine import Engine
from monitor.entries.batches import Batch
from monitor.entries.entries import Request
from monitor.notices.spell_rules import Policy
from monitor.service.desk import batches_plain
from monitor.site.time import HOUR_MS, MINUTE_MS
from monitor.store.writer import Writer
from tests.drying.asked import said_of
from tests.engine.test_engine import BOOK, SITE, START_MS, message

HOURS = 14


class Barn:
    """An engine that lives by a wall clock of its own."""

    def __init__(self, file: Path, hours: int = 0) -> None:
        self.writer = Writer(file)
        self.now_ms = START_MS + hours * HOUR_MS
        self.begin()

    def begin(self) -> None:
        """As at the start, and after a kill."""
        self.writer.rollback()
        self.engine = Engine(SITE, Policy(), BOOK, self.writer)

    def read(
        self, first: int, end: int, sensor: str = "a", t: float = 20.0, rh: float = 50.0
    ) -> None:
        """Readings of these minutes arrive, in time as far as the wall goes."""
        told = [message(sensor, minute + 0.5, t, rh) for minute in range(first, end)]
        arrived = [
            one._replace(arrived_ms=max(self.now_ms, START_MS + minute * MINUTE_MS + 30_000))
            for minute, one in zip(range(first, end), told, strict=True)
        ]
        self.writer.apply(self.engine.receive(arrived))

    def until(self, hours: float, step_min: int = 60) -> None:
        """Time goes on by such steps, with a reading a minute, and all is done that is due."""
        end_ms = START_MS + round(hours * HOUR_MS)
        while self.now_ms < end_ms:
            minute = (self.now_ms - START_MS) // MINUTE_MS
            self.read(minute, minute + step_min)
            self.now_ms += step_min * MINUTE_MS
            self.rest()

    def turn(self) -> None:
        """One turn of the worker."""
        self.writer.apply(self.engine.advance(self.now_ms, 120))
        self.writer.apply(self.engine.consider())

    def rest(self) -> None:
        while self.engine.behind(self.now_ms):
            self.turn()
        self.writer.commit()

    def enter(self, verb: str, hour: float, changes: int | None = None, **said: object) -> None:
        at_ms = None if changes else START_MS + round(hour * HOUR_MS)
        request = Request(verb, dict(said), at_ms, changes)  # type: ignore[arg-type]
        self.writer.apply(self.engine.enter(request, self.now_ms)[1])
        self.writer.commit()

    @property
    def snapshot(self) -> Snapshot:
        return self.engine.snapshot(self.now_ms)

    @property
    def batches(self) -> tuple[Batch, ...]:
        return self.snapshot.history.batches

    def told(self) -> dict[str, Prospect]:
        """What is said of each batch, by its name."""
        said = self.snapshot.prospects
        return {b.name: said[b.hung_by] for b in self.batches if b.hung_by in said}

    def afresh(self, name: str) -> Prospect | None:
        """What is to be said of a batch by who reads the store now for the first time."""
        batch = next(b for b in self.batches if b.name == name)
        prospects = Prospects(Standings(BOOK, self.writer, self.writer), SITE.hanging())
        hour_ms = self.now_ms // HOUR_MS * HOUR_MS
        return said_of(prospects, batch, self.batches, hour_ms, None, self.now_ms + 1)


@pytest.fixture(scope="module")
def before(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store of the hours before: statice that finished, statice that hangs since, and roses."""
    file = tmp_path_factory.mktemp("before") / "x.sqlite"
    made = Barn(file)
    made.until(1)
    loft = {"space": "loft", "bunches": 6}
    made.enter("hang", 0.1, flower="statice", **loft, name="old", fresh_mass_g=200)
    made.enter("hang", 0.2, flower="rose", **loft, name="rose")
    made.until(HOURS - 2)
    made.enter("weigh", 6, batch="old", grams=150)
    made.enter("takedown", 8, batch="old")
    made.enter("hang", 9, flower="statice", **loft, name="young")
    made.until(HOURS - 1)
    made.writer.close()
    return file


@pytest.fixture
def barn(before: Path, tmp_path: Path) -> Iterator[Barn]:
    """The same an hour and a half later."""
    copyfile(before, tmp_path / "x.sqlite")
    made = Barn(tmp_path / "x.sqlite", HOURS - 1)
    made.until(HOURS)
    made.until(HOURS + 0.5, 10)
    yield made
    made.writer.close()


def same_but_for_the_hours_ahead(said: Prospect, other: Prospect | None) -> None:
    assert other is not None
    for field in ("asked_ms", "still_to_lose_pct", "moisture_pct_db", "p_crisp", "light_share"):
        assert getattr(said, field) == getattr(other, field), field


def test_a_weighing_is_counted_at_once_and_in_its_place_when_the_hour_is_over(barn: Barn) -> None:
    before = barn.told()
    barn.enter("weigh", HOURS + 0.45, batch="young", grams=120)
    barn.enter("weigh", 9.1, batch="young", grams=180)
    [doubted] = barn.snapshot.doubted
    assert doubted not in barn.snapshot.prospects
    plain = [json.dumps(told) for told in batches_plain(barn.snapshot, SITE)]
    assert ["being worked out anew" in told for told in plain] == [True, False, False]
    topics = dict(publications(barn.snapshot, SITE))
    assert json.loads(topics["drying-room/batches/young"]) == {
        **{"batch": "young", "flower": "statice", "space": "loft", "state": "unknown"}
    }
    barn.rest()
    said = barn.told()
    assert barn.snapshot.doubted == frozenset()
    assert said["rose"] == before["rose"]
    assert said["young"].still_to_lose_pct < before["young"].still_to_lose_pct
    same_but_for_the_hours_ahead(said["young"], barn.afresh("young"))
    barn.until(HOURS + 1, 10)
    same_but_for_the_hours_ahead(barn.told()["young"], barn.afresh("young"))


def test_what_a_finished_batch_taught_is_put_right_for_who_learned_of_it(barn: Barn) -> None:
    before = barn.told()
    number = next(e.id for e in barn.snapshot.entries if e.verb == "weigh")
    barn.enter("correct", 0, number, grams=60)
    assert sorted(barn.told()) == ["rose"]
    barn.rest()
    said = barn.told()
    assert said["young"] != before["young"]
    same_but_for_the_hours_ahead(said["young"], barn.afresh("young"))


def test_a_log_that_comes_late_is_sorted_in_at_the_next_ten_minutes(barn: Barn) -> None:
    before = barn.told()
    barn.read(660, 780, "b", 30.0, 30.0)
    barn.turn()
    assert barn.told() == {}
    barn.rest()
    barn.until(HOURS + 2 / 3, 10)
    said = barn.told()
    assert said["rose"].still_to_lose_pct < before["rose"].still_to_lose_pct
    for name in ("rose", "young"):
        same_but_for_the_hours_ahead(said[name], barn.afresh(name))


@pytest.mark.parametrize("after", [2, 4, 5])
def test_a_log_that_comes_in_between_leaves_no_trace_of_the_air_before(
    barn: Barn, after: int
) -> None:
    number = next(e.id for e in barn.snapshot.entries if e.verb == "weigh")
    barn.enter("correct", 0, number, grams=60)
    for _ in range(after):
        barn.turn()
    barn.read(560, 780, "b", 30.0, 30.0)
    barn.rest()
    barn.until(HOURS + 2 / 3, 10)
    for name in ("rose", "young"):
        same_but_for_the_hours_ahead(barn.told()[name], barn.afresh(name))


def test_it_is_never_away_for_more_than_one_ensemble(barn: Barn) -> None:
    """A calibration from the first hour on touches all: between two pieces it is at its socket,
    where more becomes known."""
    before = barn.told()
    barn.enter("calibrate", 1, sensor="a", quantity="humidity", offset=-10)
    turns = 0
    while barn.engine.behind(barn.now_ms):
        assert not set(barn.told()) & {"rose", "young"} or not barn.snapshot.doubted
        barn.turn()
        turns += 1
        if turns == 3:
            barn.enter("weigh", 12, batch="rose", grams=100)
    assert turns > 14 * 60 / 120 + 3  # the minutes folded anew, a lesson, and two ensembles
    said = barn.told()
    assert said["rose"].still_to_lose_pct < before["rose"].still_to_lose_pct
    for name in ("rose", "young"):
        same_but_for_the_hours_ahead(said[name], barn.afresh(name))


@pytest.mark.parametrize("after", [0, 2, 9])
def test_stopped_half_way_it_is_still_known_what_is_to_be_said_anew(barn: Barn, after: int) -> None:
    before = barn.told()
    barn.enter("calibrate", 1, sensor="a", quantity="humidity", offset=-10)
    for _ in range(after):
        barn.turn()
        barn.writer.commit()
    barn.begin()
    assert barn.told() == {}
    barn.rest()
    said = barn.told()
    assert said["rose"].still_to_lose_pct < before["rose"].still_to_lose_pct
    for name in ("rose", "young"):
        same_but_for_the_hours_ahead(said[name], barn.afresh(name))
