"""How much the worker folds before it is at its socket again. A real store, without a broker."""

from __future__ import annotations

import itertools
import threading
import time
from pathlib import Path

import pytest

from monitor.engine.effects import Effects
from monitor.engine.engine import Engine
from monitor.entries.entries import Request, RequestError
from monitor.notices.spell_rules import Policy
from monitor.service.desk import batches_plain
from monitor.service.settings.settings import load
from monitor.service.worker import MINUTES_AT_A_TIME, Enter, Worker
from monitor.site.quantities import Quantity, Reading
from monitor.site.time import MINUTE_MS
from monitor.store.queries import Reader
from monitor.store.writer import Writer
from tests.service.test_live import SETTINGS
from tests.service.test_payload_watch import BOOK
from tests.service.trial import Caught

END_MS = 1_784_000_000_000 // MINUTE_MS * MINUTE_MS
HOURS = 5


@pytest.mark.parametrize(("look_s", "last"), [(0.001, MINUTES_AT_A_TIME), (0.3, 1)])
def test_a_slow_machine_folds_fewer_minutes_at_a_time(
    tmp_path: Path, look_s: float, last: int
) -> None:
    """Every look at this clock takes so long; all is folded all the same."""
    (tmp_path / "garden.toml").write_text(SETTINGS, "utf-8")
    site, store = load(tmp_path / "garden.toml").site, tmp_path / "x.sqlite"
    writer = Writer(store)
    told = [
        Reading(END_MS - back * MINUTE_MS, "rail", Quantity.TEMPERATURE, 20 + back % 9 / 10)
        for back in range(HOURS * 60, 0, -1)
    ]
    writer.apply(Effects(readings=told))
    writer.commit()
    writer.close()
    looks = itertools.count()
    worker = Worker(
        store,
        lambda archive: Engine(site, Policy(), BOOK, archive, END_MS),
        None,
        lambda: END_MS,
        lambda: look_s * next(looks),
    )
    advance, asked = worker.engine.advance, []

    def watched(now_ms: int, most: int) -> Effects:
        asked.append(most)
        return advance(now_ms, most)

    worker.engine.advance = watched  # type: ignore[method-assign]
    worker.watches = [Caught(worker)]
    worker.run()
    assert (asked[0], asked[-1]) == (1, last)
    assert not worker.engine.behind(worker.now_ms())


def test_just_started_it_answers_from_the_store(tmp_path: Path) -> None:
    """Before its first turn, however long that takes, what hangs is known."""
    (tmp_path / "garden.toml").write_text(SETTINGS, "utf-8")
    site, store = load(tmp_path / "garden.toml").site, tmp_path / "x.sqlite"
    hung = Request("hang", {"flower": "statice", "space": next(iter(site.hanging())), "bunches": 6})
    for asked in (hung, None):
        worker = Worker(
            store,
            lambda archive: Engine(site, Policy(), BOOK, archive),
            None,
            lambda: END_MS,
            lambda: 0.0,
        )
        if asked is not None:
            worker.enter(asked, END_MS)
        else:
            told = batches_plain(worker.snapshot, site)
            assert [(batch["what"], batch["state"]) for batch in told] == [
                ("six bunches of statice", "hanging")
            ]
        worker.stop()
        worker.run()


def test_a_store_made_read_only_under_way_answers_who_enters_and_goes_on_once_it_can(
    tmp_path: Path,
) -> None:
    """SQLite's own query_only refuses writes as a disk does that was made read-only."""
    (tmp_path / "garden.toml").write_text(SETTINGS, "utf-8")
    site = load(tmp_path / "garden.toml").site
    worker = Worker(
        tmp_path / "x.sqlite",
        lambda archive: Engine(site, Policy(), BOOK, archive),
        None,
        lambda: END_MS,
        time.monotonic,
    )

    def read_only(on: bool) -> None:
        worker.post(lambda one: one.writer._db.execute(f"PRAGMA query_only = {on}") and None)

    def hang(name: str) -> int:
        space = next(iter(site.hanging()))
        said = {"flower": "statice", "space": space, "bunches": 6, "name": name}
        asked = Enter(Request("hang", dict(said)))
        worker.post(asked)
        return asked.answer.result(30).entry.id

    thread = threading.Thread(target=worker.run)
    thread.start()
    try:
        assert hang("first") == 1
        read_only(True)
        with pytest.raises(RequestError, match="could not be stored"):
            hang("second")
        while worker.trouble is None and thread.is_alive():
            time.sleep(0.01)
        assert worker.trouble == "the disk is read-only"
        read_only(False)
        assert hang("third") == 2
        assert worker.trouble is None
    finally:
        worker.stop()
        thread.join()
    with Reader(tmp_path / "x.sqlite") as reader:
        assert [entry.arguments["name"] for entry in reader.entries()] == ["first", "third"]
