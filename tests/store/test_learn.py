"""Learning from a real store: in a process of its own as here, and kept as it was learned."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from monitor.ahead import lesson as learning
from monitor.ahead.courses import ahead
from monitor.ahead.grid import GridAir, KnownTenMinutes, on_grid
from monitor.ahead.lesson import Lesson, place_of
from monitor.air.minute import MinuteOfAir
from monitor.edges.beside import BesideError, ask
from monitor.engine.effects import Effects
from monitor.science import moist_air
from monitor.service.errands import LESSONS
from monitor.site.spaces import OUTDOORS, Site
from monitor.store.queries import LearningOrder, Reader, past_of
from monitor.store.writer import Writer

SITE = Site("Ashgill", 54.2, -2.5, 0, "Europe/London", "°C", {}, {})
BEGIN = 29_700_000  # UTC epoch minute
DAYS = 5
END = BEGIN + DAYS * 1440


def minute_of_air(space: str, minute: int, t: float, rh: float) -> MinuteOfAir:
    made = moist_air.state(t, rh, 101_325.0)
    return MinuteOfAir(
        minute, space, t, rh, None, made.dew_point_c, made.vpd_kpa, made.humidity_ratio_g_kg,
        made.absolute_humidity_g_m3, None, 1,
    )  # fmt: skip


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Five days of a loft and of outdoors: every tenth minute is enough for a mean of ten."""
    file = tmp_path_factory.mktemp("learn") / "store.sqlite"
    minutes = np.arange(BEGIN, END, 10)
    wave = np.cos(2 * np.pi * (minutes % 1440 - 840) / 1440)
    rng = np.random.default_rng(1)
    stir = np.cumsum(rng.normal(0, 0.05, minutes.size))
    air = []
    for i, minute in enumerate(minutes.tolist()):
        air.append(minute_of_air("loft", minute, 22 + 8 * wave[i] + stir[i], 50 - 10 * wave[i]))
        air.append(minute_of_air(OUTDOORS, minute, 15 + 5 * wave[i] + stir[i], 70 - 15 * wave[i]))
    writer = Writer(file)
    writer.apply(Effects(air=air))
    writer.commit()
    writer.close()
    return file


def learned_here(store: Path, space: str, until: int = END) -> Lesson:
    with Reader(store) as reader:
        history = past_of(reader, space, True, until)
    lesson = learning.learn(space, history, until, place_of(SITE))
    assert lesson is not None
    return lesson


def taken_up(kept: bytes) -> Lesson:
    lesson = learning.load(kept)
    assert lesson is not None
    return lesson


def same(one: Lesson, other: Lesson) -> None:
    assert (one.space, one.minute, one.exchange) == (other.space, other.minute, other.exchange)
    for ours, theirs in zip(one.model, other.model, strict=True):
        np.testing.assert_array_equal(np.asarray(ours), np.asarray(theirs))


def test_the_process_learns_what_is_learned_here(store: Path) -> None:
    spaces = ["loft", OUTDOORS, "never heard of"]
    kept = ask(LESSONS, LearningOrder(store, spaces, place_of(SITE), END))
    loft, outdoors = (taken_up(one) for one in kept)
    same(loft, learned_here(store, "loft"))
    same(outdoors, learned_here(store, OUTDOORS))
    assert loft.model.with_outdoors
    assert not outdoors.model.with_outdoors
    assert np.abs(loft.model.weights).sum() > 0, "five days teach something"


def test_without_a_store_the_process_says_one_sentence(tmp_path: Path) -> None:
    order = LearningOrder(tmp_path / "none.sqlite", ["loft"], place_of(SITE), END)
    with pytest.raises(BesideError, match="there is no store yet"):
        ask(LESSONS, order)


def test_a_lesson_is_kept_and_taken_up_again(store: Path) -> None:
    lesson = learned_here(store, "loft")
    writer = Writer(store)
    writer.apply(Effects(lessons=[lesson]))
    writer.commit()
    [kept] = [found for blob in writer.lessons() if (found := learning.load(blob)) is not None]
    writer.close()
    same(kept, lesson)


def test_a_lesson_read_back_foresees_the_same_to_the_last_bit(store: Path) -> None:
    lesson = learned_here(store, "loft")
    kept = learning.load(learning.dump(lesson))
    assert kept is not None
    with Reader(store) as reader:
        history = past_of(reader, "loft", True, END)
    fresh, again = (ahead(model, history, END) for model in (lesson.model, kept.model))
    assert fresh is not None
    assert again is not None
    np.testing.assert_array_equal(fresh.temperature_c.p50, again.temperature_c.p50)
    np.testing.assert_array_equal(fresh.relative_humidity_pct.p90, again.relative_humidity_pct.p90)


def test_nothing_later_than_asked_is_looked_at(store: Path) -> None:
    earlier = learned_here(store, "loft", END - 1440)
    assert earlier.model.fitted == END - 1440
    with Reader(store) as reader:
        history = past_of(reader, "loft", True, END - 1440)
    assert history.minute[-1] == END - 1440
    assert isinstance(history, GridAir)


def test_means_are_read_once_and_anew_where_late_readings_changed_them(store: Path) -> None:
    class Counting:
        def __init__(self, reader: Reader) -> None:
            self.reader = reader
            self.asked: list[tuple[int, int]] = []

        def ten_minute_means(self, space: str, begin: int, end: int):  # type: ignore[no-untyped-def]
            self.asked.append((begin, end))
            return self.reader.ten_minute_means(space, begin, end)

    with Reader(store) as reader:
        counting = Counting(reader)
        means = KnownTenMinutes(counting)
        whole = means.until("loft", END - 20)
        means.until("loft", END)
        assert counting.asked[1] == (END - 20, END)
        means.forget_since(END - 95)
        again = means.until("loft", END)
        assert counting.asked[2] == (END - 100, END)
    assert len(whole.minute) == DAYS * 144 - 2
    assert len(again.minute) == DAYS * 144
    grid = on_grid(again, None, END - 60, END)
    np.testing.assert_array_equal(grid.minute, END - 50 + 10 * np.arange(6))
    np.testing.assert_array_equal(grid.temperature_c, again.temperature_c[-6:])
