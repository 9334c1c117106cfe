"""A sensor whose clock is behind keeps nobody from their notices, and is folded in all the same."""

from __future__ import annotations

from pathlib import Path

from monitor.air.memory import AT_MOST_MS
from monitor.engine.engine import Engine
from monitor.intake.payloads import Message
from monitor.notices.spell_rules import Policy
from monitor.site.time import HOUR_MS, MINUTE_MS
from monitor.store.writer import Writer
from tests.engine.test_engine import BOOK, SITE, START_MS, message, rows


class Live:
    """A live engine on a real store, and how much it folded again."""

    def __init__(self, file: Path) -> None:
        self.writer = Writer(file)
        self.engine = Engine(SITE, Policy(), BOOK, self.writer)
        self.refolded = 0

    def take(self, messages: list[Message], now_ms: int, turns: int = 1000) -> None:
        told = [m._replace(arrived_ms=now_ms) for m in messages]
        self.writer.apply(self.engine.receive(told), ["phone"])
        while self.engine.behind(now_ms) and turns:
            effects = self.engine.advance(now_ms, 120)
            self.refolded += len(effects.refolded)
            self.writer.apply(effects, ["phone"])
            self.writer.apply(self.engine.consider(), ["phone"])
            turns -= 1
        self.writer.commit()

    def titles(self) -> list[str]:
        return [row[0] for row in rows(self.writer.file, "SELECT title FROM notice")]


def test_an_hour_behind_once_a_second_keeps_no_heat_from_being_told(tmp_path: Path) -> None:
    live = Live(tmp_path / "x.sqlite")
    for second in range(0, 40 * 60):
        now_ms = START_MS + 10 * HOUR_MS + second * 1000
        minute = (now_ms - START_MS) / MINUTE_MS
        told = [message("b", minute - 60, 20.0, 50.0)]
        if second % 60 == 0:
            told.append(message("a", minute, 36.0, 50.0))
        live.take(told, now_ms, turns=2)
        if second % 60 == 0 and any(title.startswith("Loft: hot") for title in live.titles()):
            break
    live.writer.close()
    # Said after its twenty minutes, and as long as is waited for a log.
    assert second * 1000 <= 20 * MINUTE_MS + AT_MOST_MS + 2 * MINUTE_MS, live.titles()


def test_a_day_behind_is_gone_back_for_now_and_then_and_ends_the_same(tmp_path: Path) -> None:
    now = [message("a", 1440 * 2 + s / 60, 21.0, 55.0) for s in range(0, 180, 3)]
    behind = [message("b", 1440 + 10 * s, 20.0 + s % 3, 50.0) for s in range(60)]
    first = [message("a", m + 0.5, 20.0, 50.0) for m in range(0, 2880, 5)]
    live = Live(tmp_path / "late.sqlite")
    live.take(first, START_MS + 2880 * MINUTE_MS)
    live.take([], START_MS + 2880 * MINUTE_MS + 2500)
    live.refolded = 0
    for n, (timely, late) in enumerate(zip(now, behind, strict=True)):
        live.take([timely, late], START_MS + 2880 * MINUTE_MS + 3000 * (n + 1))
        if n == 40:  # a restart forgets nothing that was put off
            live.writer.close()
            refolded, live = live.refolded, Live(tmp_path / "late.sqlite")
            live.refolded = refolded
    assert 1000 < live.refolded < 30 * 1440  # sixty times a day would be it
    end_ms = START_MS + (2880 + 6) * MINUTE_MS
    for wait_ms in (0, 60_000, 120_000):
        live.take([], end_ms + wait_ms)
    assert live.writer.fact("unsaid from") == ""
    live.writer.close()
    timely = Live(tmp_path / "timely.sqlite")
    timely.take([*first, *behind, *now], end_ms)
    for wait_ms in (5000, 60_000, 120_000):
        timely.take([], end_ms + wait_ms)
    timely.writer.close()
    for sql in (
        "SELECT minute, name, temperature_c, relative_humidity_pct, readings FROM air"
        " JOIN space ON space.id = air.space ORDER BY minute, name",
        "SELECT kind, space, sensor, began, ended, worst FROM spell ORDER BY kind, began, sensor",
        "SELECT time_ms, flags FROM reading ORDER BY time_ms, flags",
    ):
        assert rows(tmp_path / "late.sqlite", sql) == rows(tmp_path / "timely.sqlite", sql)
